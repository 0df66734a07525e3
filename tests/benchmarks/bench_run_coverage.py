"""Do the intervals of a whole run hold the truth? A seeded study on simulated runs.

    python tests/benchmarks/bench_run_coverage.py [--runs 150] [--seed 1000]

Each run has a loaded extract, a yellow cut in hexane, a grey cut and a green wash in 90 %
acetone. Drawn anew for every run, with the standard uncertainties that sheet and library
state: absorptivities, band shapes and band positions (one draw a reference, shared by all
tubes), photometer gain, cuvette, volumes, dilutions, tissue mass; for every scan: offset,
scatter, noise. Compared are masses, contents, shares, recoveries, closures and the
conversion to pheophytin with their true values. The figures are printed, not asserted.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from specfrac.references import References, load_references
from specfrac.run import RunResult, analyse_run
from specfrac.settings import default_settings
from specfrac.sheet import Fraction, Run, TubeScan
from specfrac.simulate import draw_shape_errors, simulate_scan
from specfrac.uncertainty import NORMAL_95, Quantity

WAVELENGTH = np.arange(350.0, 781.0)
CAROTENOIDS = ("beta-carotene", "lutein", "violaxanthin", "neoxanthin")
POOLS = {"a": ("chlorophyll-a", "pheophytin-a"), "b": ("chlorophyll-b", "pheophytin-b")}

# role, solvent, mg/L in the tube (invented), mL, dilution factor of the scan
TUBES = {
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
U_VOLUME, U_DILUTION, U_PATH, U_GAIN = 0.01, 0.01, 0.005, 0.003
TISSUE, U_TISSUE = 0.5, 0.006
EXTRACT_VOLUME = 10.0


class Truth:
    """One draw of everything that separates a sheet and its scans from the truth."""

    def __init__(self, references: Mapping[str, References], rng: np.random.Generator) -> None:
        self.references, self.rng = references, rng
        self.volume = {
            name: tube[3] * (1 + U_VOLUME * rng.standard_normal()) for name, tube in TUBES.items()
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
        role, solvent, content, volume, dilution = TUBES[name]
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
        loaded = TUBES["extract"][3]
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
            fractions=tuple(self.fraction(name) for name in TUBES),
            plates=(),
            settings=default_settings(),
            inputs=(),
        )

    def mass(self, name: str, pigments: tuple[str, ...]) -> float:
        """µg of some pigments in a tube."""
        return sum(TUBES[name][2].get(key, 0.0) for key in pigments) * self.volume[name]

    def amount(self, name: str, pigments: tuple[str, ...]) -> float:
        """nmol of some pigments in a tube."""
        molar_mass = self.references["acetone-90"].molar_mass
        held = sum(TUBES[name][2].get(key, 0.0) / molar_mass(key) for key in pigments)
        return 1e3 * held * self.volume[name]


def deviations(result: RunResult, truth: Truth) -> dict[str, list[float]]:
    """Return (estimate - truth) / standard uncertainty, by kind of quantity."""
    found: dict[str, list[float]] = defaultdict(list)

    def note(kind: str, quantity: Quantity | None, true: float) -> None:
        if quantity is not None and np.isfinite(quantity.value):
            found[kind].append((quantity.value - true) / quantity.uncertainty)

    off = [name for name, tube in TUBES.items() if tube[0] != "loaded"]
    for tube in result.fractions:
        name = tube.fraction.name
        content = TUBES[name][2]
        for one in tube.pigments:
            true = truth.mass(name, (one.pigment,))
            if one.mass is not None and one.mass_unconstrained is not None:
                kind = "mass, present" if true else "mass, absent"
                free = Quantity(one.mass_unconstrained, one.mass.uncertainty, "µg")
                note(kind, free, true)
            if true and one.share_interval is not None:
                low, high = one.share_interval
                share = content[one.pigment] / sum(content.values())
                found["share interval"].append(0.0 if low <= share <= high else np.inf)
        carotenoids = tube.group("carotenoids")
        if carotenoids is not None:
            note("mass, carotenoids", carotenoids.mass, truth.mass(name, CAROTENOIDS))
    for name, pigment in (
        ("yellow", "beta-carotene"),
        ("green", "lutein"),
        ("green", "chlorophyll-a"),
    ):
        one = result.fraction(name).pigment(pigment)
        if one is not None:
            mass, loaded = truth.mass(name, (pigment,)), truth.mass("extract", (pigment,))
            part = truth.extract_volume / truth.volume["extract"]
            note(f"recovery, {pigment}", one.recovery, mass / loaded)
            note("content", one.content, mass * part / truth.tissue)
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


def study(runs: int, seed: int) -> dict[str, np.ndarray]:
    """Analyse simulated runs and gather all deviations."""
    library = load_references()
    references = {key: library.select(solvent=key) for key in ("acetone-90", "hexane")}
    gathered: dict[str, list[float]] = defaultdict(list)
    for number in range(runs):
        truth = Truth(references, np.random.default_rng([seed, number]))
        for kind, values in deviations(analyse_run(truth.run(), library), truth).items():
            gathered[kind] += values
    return {kind: np.array(values) for kind, values in sorted(gathered.items())}


def main() -> None:
    """Print the coverage of every kind of quantity."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=150)
    parser.add_argument("--seed", type=int, default=1000)
    options = parser.parse_args()
    print(f"{'quantity':24s} {'n':>6s} {'in 95 %':>8s} {'mean z':>7s} {'sd z':>6s}")
    for kind, z in study(options.runs, options.seed).items():
        inside = np.abs(z) <= NORMAL_95
        finite = z[np.isfinite(z)]
        spread = "" if kind == "share interval" else f"{finite.mean():+7.2f} {finite.std():6.2f}"
        print(f"{kind:24s} {z.size:6d} {100 * inside.mean():7.1f}% {spread}")


if __name__ == "__main__":
    main()
