"""Are stated uncertainties those of a Monte Carlo? A seeded study on simulated scans.

    python tests/benchmarks/bench_uncertainty.py [--scans 2000] [--seed 1] [--solvent hexane]

A tube's composition stays; every error of the measurement model is drawn anew for each
repeat, as GUM Supplement 1 (JCGM 101:2008) does: noise, offset, scatter, photometer gain,
positions of the bands. The shape error is drawn in each of the two readings that the
intervals hold for: one smooth error of the whole mixture (pooled), or one of each reference
(separate). The spread of the unconstrained estimates is compared with the median stated
uncertainty, for each pigment and for the two totals. Columns, stated over drawn:

    noise      no shape error drawn and none allowed for (shape_covariance=False)
    pooled     shape error pooled; what the weights use
    separate   shape error of each reference
    larger     the larger of the two: the promise is 1

and the drawn relative standard uncertainties themselves, in per cent of the kind's total.
With n repeats a spread is known to 1/√(2n), 1.6 % for 2000. The figures are printed, not
asserted; a small study of the same kind is part of the tests.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from specfrac import fit_mixtures, load_references
from specfrac.fitting.error_model import error_model
from specfrac.fitting.groups import KINDS
from specfrac.fitting.results import MixtureFit
from specfrac.references import References
from specfrac.scans import Scan
from specfrac.simulate import draw_shape_errors, simulate_scan

Array = NDArray[np.float64]

WAVELENGTH = np.arange(380.0, 761.0)
GROUPS = ("carotene", "xanthophyll", "soret", "red")
READINGS = ("noise", "pooled", "separate")
BATCH = 500
NOISE = 5e-4  # absorbance

# mass ratios; invented, of the order of what a small silica column gives from spinach
TUBES: dict[str, dict[str, float]] = {
    "green extract": {
        "beta-carotene": 0.6,
        "lutein": 0.8,
        "violaxanthin": 0.3,
        "neoxanthin": 0.2,
        "chlorophyll-a": 5.0,
        "chlorophyll-b": 1.6,
        "pheophytin-a": 0.8,
        "pheophytin-b": 0.3,
    },
    "green wash": {"lutein": 0.5, "neoxanthin": 0.2, "chlorophyll-a": 5.0, "chlorophyll-b": 1.8},
    "yellow cut": {"beta-carotene": 1.0, "lutein": 0.1, "pheophytin-a": 0.05},
    "carotene alone": {"beta-carotene": 1.0},
    "grey cut": {
        "beta-carotene": 0.05,
        "lutein": 0.1,
        "chlorophyll-a": 0.3,
        "pheophytin-a": 1.0,
        "pheophytin-b": 0.3,
    },
}
SETTINGS = (  # tube, solvent, peak absorbance in 1 cm
    ("green extract", "acetone-90", 0.8),
    ("green extract", "acetone-90", 0.1),
    ("green extract", "ethanol", 0.8),
    ("green wash", "acetone-90", 0.8),
    ("green wash", "ethanol", 0.3),
    ("yellow cut", "hexane", 0.8),
    ("yellow cut", "hexane", 0.1),
    ("yellow cut", "acetone-90", 0.5),
    ("carotene alone", "hexane", 0.5),
    ("grey cut", "acetone-90", 0.8),
    ("grey cut", "acetone-90", 0.1),
    ("grey cut", "ethanol", 0.5),
    ("grey cut", "hexane", 0.5),
)


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """Drawn standard deviation and median stated uncertainty of some sums of pigments."""

    names: tuple[str, ...]
    drawn: Array
    stated: Array

    @property
    def ratio(self) -> Array:
        return self.stated / self.drawn


def amounts(references: References, tube: str, peak: float) -> dict[str, float]:
    """Concentrations that give a peak absorbance in 1 cm, g/L."""
    ratios = np.array([TUBES[tube].get(p, 0.0) for p in references.pigments])
    shapes = np.array([e.specific_absorptivity(WAVELENGTH) for e in references.entries])
    scaled = ratios * peak / (ratios @ shapes).max()
    return dict(zip(references.pigments, scaled.tolist(), strict=True))


def roughness(references: References, truth: Mapping[str, float]) -> float:
    """Independent part of the shape error: a stated share of the largest smooth one."""
    parts = [
        e.shape_error * truth.get(e.pigment, 0.0) * e.specific_absorptivity(WAVELENGTH)
        for e in references.entries
    ]
    largest = float(np.sqrt(np.square(parts).sum(axis=0)).max())
    return error_model()["shape_roughness"] * largest


def draw(
    references: References, truth: Mapping[str, float], rng: np.random.Generator, reading: str
) -> Scan:
    """One repeat of a tube; the shape error in one of `READINGS`."""
    common, spread = rng.normal(0.0, 1.0), references.solvent.shift_prior_nm
    rough = 0.0 if reading == "noise" else roughness(references, truth)
    return simulate_scan(
        references,
        truth,
        wavelength=WAVELENGTH,
        bandwidth=2.0,
        group_shifts={group: common + rng.normal(0.0, spread) for group in GROUPS},
        offset=rng.normal(0.0, 0.003),
        scatter=abs(rng.normal(0.0, 0.003)),
        scatter_exponent=rng.normal(2.5, 1.0),
        gain=rng.normal(0.0, 0.003),
        noise=math.hypot(NOISE, rough),
        transmittance_noise=3e-4,
        shape_error_scale=float(reading == "pooled"),
        shape_errors=draw_shape_errors(references, rng) if reading == "separate" else None,
        rng=rng,
    )


def sums(references: References, fit: MixtureFit) -> tuple[tuple[str, ...], Array]:
    """Names and weights of each pigment alone and of the totals, shape (n_sums, n_pigments)."""
    pigments = references.pigments
    names, rows = list(pigments), list(np.eye(len(pigments)))
    for group in fit.groups:
        if group.merged:
            continue
        row = np.zeros(len(pigments))
        row[[pigments.index(member) for member in group.members]] = group.factors
        names.append(group.name)
        rows.append(row)
    return tuple(names), np.array(rows)


def repeated(
    references: References,
    truth: Mapping[str, float],
    n: int,
    rng: np.random.Generator,
    reading: str,
) -> Iterator[MixtureFit]:
    """Fits of n repeats, bandwidth given."""
    for first in range(0, n, BATCH):
        scans = [draw(references, truth, rng, reading) for _ in range(min(BATCH, n - first))]
        yield from fit_mixtures(
            scans,
            references,
            bandwidth=2.0,
            absorptivity_uncertainty=False,
            shape_covariance=reading != "noise",
        )


def spread_of(references: References, fits: list[MixtureFit]) -> Spread:
    """Compare the spread of estimates with what the fits state."""
    names, weights = sums(references, fits[0])
    estimates = np.array([weights @ fit.concentration_unconstrained for fit in fits])
    variances = [((weights @ fit.covariance) * weights).sum(axis=1) for fit in fits]
    return Spread(names, estimates.std(axis=0, ddof=1), np.sqrt(np.median(variances, axis=0)))


def study(
    references: References, tube: str, peak: float, n: int, seed: int
) -> tuple[dict[str, Spread], Array]:
    """Spread of each reading, and what each sum is set against (its kind's true total)."""
    truth = amounts(references, tube, peak)
    found = {}
    for number, reading in enumerate(READINGS):
        rng = np.random.default_rng([seed, number])
        fits = [f for f in repeated(references, truth, n, rng, reading) if f.success]
        found[reading] = spread_of(references, fits)
    kinds = np.array([KINDS[entry.group] == "carotenoids" for entry in references.entries])
    content = np.array([truth[p] for p in references.pigments])
    yellow, green = content[kinds].sum(), content[~kinds].sum()
    own = [*np.where(kinds, yellow, green), yellow, green]
    return found, np.array(own)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scans", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--solvent", nargs="+", help="only these of acetone-90, ethanol, hexane")
    options = parser.parse_args()
    ratios: dict[bool, list[float]] = {True: [], False: []}
    for tube, solvent, peak in SETTINGS:
        if options.solvent and solvent not in options.solvent:
            continue
        references = load_references().select(solvent=solvent)
        found, own = study(references, tube, peak, options.scans, options.seed)
        print(f"\n{tube}, {solvent}, peak {peak:g}, {options.scans} repeats of each reading")
        print(
            f"{'stated over drawn':<20}{'noise':>8}{'pooled':>8}{'separate':>10}{'larger':>8}",
            end="",
        )
        print(f"{'drawn, %: noise':>18}{'pooled':>8}{'separate':>10}")
        noise, pooled, separate = (found[reading] for reading in READINGS)
        larger = np.maximum(pooled.stated, separate.stated) / np.maximum(
            pooled.drawn, separate.drawn
        )
        for at, name in enumerate(noise.names):
            scale = own[at] / 100 if own[at] > 0 else np.nan
            print(
                f"{name:<20}{noise.ratio[at]:>8.2f}{pooled.ratio[at]:>8.2f}"
                f"{separate.ratio[at]:>10.2f}{larger[at]:>8.2f}{noise.drawn[at] / scale:>18.2f}"
                f"{pooled.drawn[at] / scale:>8.2f}{separate.drawn[at] / scale:>10.2f}",
                flush=True,
            )
            ratios[at < len(references.pigments)].append(float(larger[at]))
    for single, values in ratios.items():
        if values:
            inside = np.mean([0.9 <= value <= 1.1 for value in values])
            print(
                f"\n{'single pigments' if single else 'totals'}: stated over the larger spread "
                f"{min(values):.2f} to {max(values):.2f}, within 10 % in {inside:.2f}"
            )


if __name__ == "__main__":
    main()
