"""Do the intervals of a whole run hold the truth? A seeded study on simulated runs.

    python tests/benchmarks/bench_run_coverage.py [--runs 150] [--seed 1000]
        [--column plain | traces | rack] [--estimates]

Each run has a loaded extract and what came off the column: a yellow cut in hexane, a grey
cut and a green wash in 90 % acetone; or the same with traces of lutein and violaxanthin in
the yellow cut; or a rack of 24 small tubes in 90 % acetone. Drawn anew for every run, with
the standard uncertainties that sheet and library state: absorptivities, band shapes and
band positions (one draw a reference, shared by all tubes), photometer gain, cuvette,
volumes, dilutions, tissue mass; for every scan: offset, scatter, noise. Compared are masses,
contents, shares, recoveries, closures and the conversion to pheophytin with their true
values. With --estimates, the mass of carotene in
its main tube and its recovery by four estimates: unconstrained, non-negative as shown,
counted (what the run uses) and with everything that was not detected fixed at zero. The
figures are printed, not asserted.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
from uncertainties import UFloat

from specfrac.references import References, load_references
from specfrac.run import RunResult, analyse_run
from specfrac.settings import default_settings
from specfrac.sheet import Fraction, Run, TubeScan
from specfrac.simulate import draw_shape_errors, simulate_scan
from specfrac.tubes import MeasuredTube, bench, measure_all
from specfrac.uncertainty import NORMAL_95, Quantity

WAVELENGTH = np.arange(350.0, 781.0)
CAROTENOIDS = ("beta-carotene", "lutein", "violaxanthin", "neoxanthin")
POOLS = {"a": ("chlorophyll-a", "pheophytin-a"), "b": ("chlorophyll-b", "pheophytin-b")}

# role, solvent, mg/L in the tube (invented), mL, dilution factor of the scan
PLAIN = {
    "extract": (
        "loaded",
        "acetone-90",
        {
            "beta-carotene": 3.1,
            "lutein": 4.2,
            "violaxanthin": 1.6,
            "neoxanthin": 1.1,
            "chlorophyll-a": 31.0,
            "chlorophyll-b": 11.2,
            "pheophytin-a": 1.4,
        },
        5.0,
        10.0,
    ),
    "yellow": ("cut", "hexane", {"beta-carotene": 2.4}, 5.0, 1.0),
    "grey": (
        "cut",
        "acetone-90",
        {"pheophytin-a": 3.6, "pheophytin-b": 0.4, "beta-carotene": 0.08},
        5.0,
        1.0,
    ),
    "green": (
        "wash",
        "acetone-90",
        {
            "chlorophyll-a": 12.4,
            "chlorophyll-b": 4.6,
            "lutein": 1.9,
            "violaxanthin": 0.7,
            "neoxanthin": 0.45,
            "pheophytin-a": 0.8,
        },
        10.0,
        2.0,
    ),
}


def _rack() -> dict[str, tuple[str, str, dict[str, float], float, float]]:
    """Extract and 24 tubes of 4 mL, one band after the other."""
    bands = {  # place and width in tubes, mg/L at the top; invented
        "beta-carotene": (3.0, 1.0, 1.2),
        "pheophytin-a": (7.0, 0.9, 1.5),
        "chlorophyll-a": (13.0, 1.4, 7.0),
        "chlorophyll-b": (15.5, 1.4, 3.0),
        "lutein": (20.0, 1.3, 1.0),
        "violaxanthin": (20.0, 1.3, 0.4),
        "neoxanthin": (20.0, 1.3, 0.25),
    }
    tubes = {"extract": PLAIN["extract"]}
    for number in range(24):
        content = {
            pigment: top * float(np.exp(-0.5 * ((number - place) / width) ** 2))
            for pigment, (place, width, top) in bands.items()
            if abs(number - place) < 3.5 * width
        }
        tubes[f"tube {number}"] = ("cut", "acetone-90", content, 4.0, 1.0)
    return tubes


TRACES = {"beta-carotene": 2.4, "lutein": 0.15, "violaxanthin": 0.05}
COLUMNS = {
    "plain": PLAIN,
    "traces": {**PLAIN, "yellow": ("cut", "hexane", TRACES, 5.0, 1.0)},
    "rack": _rack(),
}
MAIN_TUBE = {"plain": "yellow", "traces": "yellow", "rack": "tube 3"}
WATCHED = {
    "plain": (("yellow", "beta-carotene"), ("green", "lutein"), ("green", "chlorophyll-a")),
    "traces": (("yellow", "beta-carotene"), ("green", "lutein"), ("green", "chlorophyll-a")),
    "rack": (("tube 3", "beta-carotene"), ("tube 20", "lutein"), ("tube 13", "chlorophyll-a")),
}

U_VOLUME, U_DILUTION, U_PATH, U_GAIN = 0.01, 0.01, 0.005, 0.003
TISSUE, U_TISSUE = 0.5, 0.006
EXTRACT_VOLUME = 10.0


class Truth:
    """One draw of everything that separates a sheet and its scans from the truth."""

    def __init__(
        self, references: Mapping[str, References], rng: np.random.Generator, column: str = "plain"
    ) -> None:
        self.references, self.rng = references, rng
        self.column, self.tubes = column, COLUMNS[column]
        self.volume = {
            name: tube[3] * (1 + U_VOLUME * rng.standard_normal())
            for name, tube in self.tubes.items()
        }
        self.extract_volume = EXTRACT_VOLUME * (1 + U_VOLUME * rng.standard_normal())
        self.tissue = TISSUE + U_TISSUE * rng.standard_normal()
        self.gain = U_GAIN * rng.standard_normal()
        self.path = 1 + U_PATH * rng.standard_normal()
        self.shift = rng.normal(0, 0.6)
        self.shapes, self.scales, self.group_shifts = {}, {}, {}
        for key, chosen in references.items():
            self.shapes[key] = draw_shape_errors(chosen, rng)
            self.scales[key] = {
                entry.pigment: 1 + entry.scale_uncertainty * rng.standard_normal()
                for entry in chosen.entries
            }
            self.group_shifts[key] = {
                group: rng.normal(0, 0.5) for group in ("carotene", "xanthophyll", "soret", "red")
            }

    def fraction(self, name: str) -> Fraction:
        """Return the tube as the sheet describes it, with a scan of what it truly holds."""
        role, solvent, content, volume, dilution = self.tubes[name]
        true_dilution = dilution * (1 + U_DILUTION * self.rng.standard_normal() * (dilution > 1))
        scan = simulate_scan(
            self.references[solvent],
            {
                pigment: value * 1e-3 / true_dilution * self.scales[solvent][pigment]
                for pigment, value in content.items()
            },
            wavelength=WAVELENGTH,
            path_length=self.path,
            shift=self.shift,
            group_shifts=self.group_shifts[solvent],
            gain=self.gain,
            offset=self.rng.normal(0, 0.002),
            scatter=abs(self.rng.normal(0, 0.002)),
            shape_errors=self.shapes[solvent],
            noise=4e-4,
            transmittance_noise=3e-4,
            rng=self.rng,
        )
        stated = Quantity(dilution, U_DILUTION * dilution * (dilution > 1), "")
        path = Quantity(1.0, U_PATH, "cm")
        return Fraction(
            name=name,
            role=role,
            scans=(TubeScan(f"{name}.csv", name, scan, stated, path),),
            solvent=solvent,
            path_length=path,
            bandwidth=2.0,
            made_up_volume=Quantity(volume, U_VOLUME * volume, "mL"),
            eluted_volume=None,
            candidates=None,
            prepared=None,
            scanned=None,
        )

    def run(self) -> Run:
        """Return the run as its sheet would give it."""
        loaded = self.tubes["extract"][3]
        return Run(
            folder=Path(),
            title="",
            method="",
            block="",
            date=None,
            tissue_mass=Quantity(TISSUE, U_TISSUE, "g"),
            tissue_basis="fresh",
            extract_volume=Quantity(EXTRACT_VOLUME, U_VOLUME * EXTRACT_VOLUME, "mL"),
            loaded_volume=Quantity(loaded, U_VOLUME * loaded, "mL"),
            void_volume=None,
            all_loaded=False,
            target_pigment=None,
            target_share=None,
            fractions=tuple(self.fraction(name) for name in self.tubes),
            plates=(),
            settings=default_settings(),
            inputs=(),
        )

    def mass(self, name: str, pigments: tuple[str, ...]) -> float:
        """µg of some pigments in a tube."""
        return sum(self.tubes[name][2].get(key, 0.0) for key in pigments) * self.volume[name]

    def amount(self, name: str, pigments: tuple[str, ...]) -> float:
        """nmol of some pigments in a tube."""
        molar_mass = self.references["acetone-90"].molar_mass
        held = sum(self.tubes[name][2].get(key, 0.0) / molar_mass(key) for key in pigments)
        return 1e3 * held * self.volume[name]


def deviations(result: RunResult, truth: Truth) -> dict[str, list[float]]:
    """Return (estimate - truth) / standard uncertainty, by kind of quantity."""
    found: dict[str, list[float]] = defaultdict(list)

    def note(kind: str, quantity: Quantity | None, true: float) -> None:
        if quantity is not None and np.isfinite(quantity.value):
            found[kind].append((quantity.value - true) / quantity.uncertainty)

    def within(kind: str, interval: tuple[float, float] | None, true: float) -> None:
        if interval is not None:
            found[kind].append(0.0 if interval[0] <= true <= interval[1] else np.inf)

    off = [name for name, tube in truth.tubes.items() if tube[0] != "loaded"]
    for tube in result.fractions:
        name = tube.fraction.name
        content = truth.tubes[name][2]
        for one in tube.pigments:
            true = truth.mass(name, (one.pigment,))
            if one.mass is not None and one.mass_unconstrained is not None:
                kind = "mass, present" if true else "mass, absent"
                free = Quantity(one.mass_unconstrained, one.mass.uncertainty, "µg")
                note(kind, free, true)
            if true:
                within(
                    "share interval",
                    one.share_interval,
                    content[one.pigment] / sum(content.values()),
                )
                loaded = truth.mass("extract", (one.pigment,))
                if loaded:
                    within("recovery interval", one.recovery_interval, true / loaded)
        carotenoids = tube.group("carotenoids")
        if carotenoids is not None:
            note("mass, carotenoids", carotenoids.mass, truth.mass(name, CAROTENOIDS))
    for name, pigment in WATCHED[truth.column]:
        one = result.fraction(name).pigment(pigment)
        if one is not None:
            mass, loaded = truth.mass(name, (pigment,)), truth.mass("extract", (pigment,))
            part = truth.extract_volume / truth.volume["extract"]
            note(f"recovery, {pigment}", one.recovery, mass / loaded)
            note("content", one.content, mass * part / truth.tissue)
    for row in result.balance.rows:
        if row.unit == "µg" and truth.mass("extract", row.members):
            held = sum(truth.mass(name, row.members) for name in off)
            within(
                f"closure interval, {row.kind}s",
                row.closure_interval,
                held / truth.mass("extract", row.members),
            )
    row = result.balance.row("carotenoids")
    total = sum(truth.mass(name, CAROTENOIDS) for name in off)
    note(
        "closure, carotenoids",
        row.closure if row else None,
        total / truth.mass("extract", CAROTENOIDS),
    )
    for pool in result.balance.porphyrins:
        pigments = POOLS[pool.kind]
        loaded = truth.amount("extract", pigments)
        held = sum(truth.amount(name, pigments) for name in off)
        note(f"closure, pool {pool.kind}", pool.closure, held / loaded)
        before = truth.amount("extract", pigments[1:]) / loaded
        after = sum(truth.amount(name, pigments[1:]) for name in off) / held
        note(f"conversion {pool.kind}", pool.conversion, (after - before) / (1 - before))
    return found


def truths(runs: int, seed: int, column: str) -> Iterator[Truth]:
    """Draw runs, each from its own seed."""
    library = load_references()
    references = {key: library.select(solvent=key) for key in ("acetone-90", "hexane")}
    for number in range(runs):
        yield Truth(references, np.random.default_rng([seed, number]), column)


def study(runs: int, seed: int, column: str = "plain") -> dict[str, np.ndarray]:
    """Analyse simulated runs and gather all deviations."""
    gathered: dict[str, list[float]] = defaultdict(list)
    for truth in truths(runs, seed, column):
        for kind, values in deviations(analyse_run(truth.run()), truth).items():
            gathered[kind] += values
    return {kind: np.array(values) for kind, values in sorted(gathered.items())}


# Which estimate to count with


def fixed_at_zero(tube: MeasuredTube) -> tuple[UFloat, ...]:
    """Estimates with every pigment that was not detected fixed at zero, and their errors."""
    fit, held = tube.fit, tube.content
    absent = np.flatnonzero(~fit.detected)
    covariance = fit.covariance_noise + fit.covariance_shape
    gain = covariance[:, absent] @ np.linalg.pinv(covariance[np.ix_(absent, absent)])
    return tuple(
        free - sum(float(gain[i, k]) * held.unconstrained[j] for k, j in enumerate(absent))
        for i, free in enumerate(held.unconstrained)
    )


def carotene(tube: MeasuredTube, estimates: tuple[UFloat, ...]) -> UFloat:
    """µg of beta-carotene in a tube by one of the estimates."""
    held = tube.content
    at = held.pigments.index("beta-carotene")
    return 1e3 * estimates[at] / held.absorptivity[at] * held.common * held.volume


def estimates(runs: int, seed: int, column: str) -> dict[str, np.ndarray]:
    """Error and standard uncertainty of mass and recovery of carotene by four estimates."""
    gathered: dict[str, list[tuple[float, ...]]] = defaultdict(list)
    name, key = MAIN_TUBE[column], ("beta-carotene",)
    for truth in truths(runs, seed, column):
        tubes = {t.fraction.name: t for t in measure_all(bench(truth.run(), load_references()))}
        tube, loaded = tubes[name], tubes["extract"]
        if tube.content is None or loaded.content is None:
            continue
        true, put_on = truth.mass(name, key), truth.mass("extract", key)
        for kind in ("unconstrained", "displayed", "counted", "fixed at zero"):
            pair = [
                carotene(
                    one,
                    fixed_at_zero(one) if kind == "fixed at zero" else getattr(one.content, kind),
                )
                for one in (tube, loaded)
            ]
            ratio = pair[0] / pair[1]
            gathered[kind].append(
                (pair[0].n - true, pair[0].s, true, ratio.n - true / put_on, ratio.s, true / put_on)
            )
    return {kind: np.array(rows) for kind, rows in gathered.items()}


def print_estimates(found: Mapping[str, np.ndarray]) -> None:
    """Print scatter and coverage of the estimates."""
    print(f"{'estimate':16s} {'n':>4s}  mass: mean, rms error, in 95 %   recovery: the same")
    for kind, rows in found.items():
        words = []
        for at in (0, 3):
            error, u, true = rows[:, at], rows[:, at + 1], rows[:, at + 2].mean()
            inside = (np.abs(error) <= NORMAL_95 * u).mean()
            rms = np.sqrt((error**2).mean())
            words.append(
                f"{100 * error.mean() / true:+6.1f} % {100 * rms / true:6.1f} % "
                f"{100 * inside:6.1f} %"
            )
        print(f"{kind:16s} {len(rows):4d}  {'   '.join(words)}")


def main() -> None:
    """Print the coverage of every kind of quantity."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=150)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--column", choices=COLUMNS, default="plain")
    parser.add_argument("--estimates", action="store_true")
    options = parser.parse_args()
    if options.estimates:
        print_estimates(estimates(options.runs, options.seed, options.column))
        return
    print(f"{'quantity':26s} {'n':>6s} {'in 95 %':>8s} {'mean z':>7s} {'sd z':>6s}")
    for kind, z in study(options.runs, options.seed, options.column).items():
        inside = np.abs(z) <= NORMAL_95
        finite = z[np.isfinite(z)]
        spread = "" if "interval" in kind else f"{finite.mean():+7.2f} {finite.std():6.2f}"
        print(f"{kind:26s} {z.size:6d} {100 * inside.mean():7.1f}% {spread}")


if __name__ == "__main__":
    main()
