"""What share is beta-carotene alone reported with? A seeded study on simulated scans.

    python tests/benchmarks/bench_carotene.py [--scans 300] [--seed 11]

A pure carotene of absorbance 0.5 among the eight candidates of a green leaf; the rest of the
share goes to what looks like it, lutein before all. Tabulated are the fractions of scans
whose share by mass is 0.97 or more, and whose one-sided 95 % lower bound is 0.92 and 0.95 or
more, over the noise of the instrument, for three sets of errors that are drawn anew for each
scan:

    noise      nothing else
    bench      and positions of the bands, offset, scatter, photometer gain
    all        and the band shape, smooth and rough, at the size its reference states

then over range and step at one noise. The figures are printed, not asserted.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from specfrac import fit_mixtures, load_references
from specfrac.fitting.error_model import error_model
from specfrac.quantities import SharedErrors, share_by_mass, tube_content
from specfrac.references import References
from specfrac.scans import Scan
from specfrac.simulate import simulate_scan

Array = NDArray[np.float64]

CAROTENE, PEAK = "beta-carotene", 0.5
GROUPS = ("carotene", "xanthophyll", "soret", "red")
ERRORS = ("noise", "bench", "all")
NOISES = (1e-4, 3e-4, 5e-4, 1e-3)
GRIDS = ((380, 750, 1.0), (350, 700, 1.0), (340, 800, 1.0), (340, 800, 0.5), (340, 800, 2.0))
SOLVENTS = ("hexane", "acetone")


def draw(
    references: References, grid: Array, noise: float, errors: str, rng: np.random.Generator
) -> Scan:
    """One scan of carotene alone."""
    entry = references.entry(CAROTENE)
    content = PEAK / entry.specific_absorptivity(np.arange(430.0, 471.0)).max()
    options: dict[str, object] = {}
    if errors != "noise":
        common, spread = rng.normal(0.0, 1.0), references.solvent.shift_prior_nm
        options = {
            "group_shifts": {group: common + rng.normal(0.0, spread) for group in GROUPS},
            "offset": rng.normal(0.0, 0.002),
            "scatter": abs(rng.normal(0.0, 0.002)),
            "scatter_exponent": rng.normal(2.5, 1.0),
            "gain": rng.normal(0.0, 0.003),
        }
    if errors == "all":
        options["shape_error_scale"] = 1.0
        noise = math.hypot(noise, error_model()["shape_roughness"] * entry.shape_error * PEAK)
    return simulate_scan(
        references,
        {CAROTENE: content},
        wavelength=grid,
        bandwidth=2.0,
        noise=noise,
        transmittance_noise=error_model()["transmittance_noise"] if errors != "noise" else 0.0,
        rng=rng,
        **options,  # type: ignore[arg-type]
    )


def shares(
    references: References, grid: Array, noise: float, errors: str, n: int, seed: int
) -> tuple[Array, Array]:
    """Share and its lower bound, one a scan."""
    rng = np.random.default_rng(seed)
    scans = [draw(references, grid, noise, errors, rng) for _ in range(n)]
    found = [
        share_by_mass(tube_content(fit, SharedErrors()), CAROTENE)
        for fit in fit_mixtures(scans, references, bandwidth=2.0, shape_gain=True)
        if fit.success
    ]
    return (
        np.array([share.value.value for share in found]),
        np.array([share.lower_bound for share in found]),
    )


def line(label: str, found: tuple[Array, Array]) -> str:
    """A row of the table."""
    share, bound = found
    return (
        f"{label:<30}{(share >= 0.97).mean():>9.3f}{(bound >= 0.92).mean():>10.3f}"
        f"{(bound >= 0.95).mean():>10.3f}{np.median(share):>8.3f}{np.quantile(share, 0.05):>8.3f}"
        f"{np.median(bound):>8.3f}{np.quantile(bound, 0.05):>8.3f}"
    )


def grids(noise: float) -> Iterator[tuple[str, Array, float]]:
    for first, last, step in GRIDS:
        yield f"{first}-{last} nm by {step:g}", np.arange(first, last + step / 2, step), noise


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scans", type=int, default=300)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--noise", type=float, nargs="+", default=NOISES)
    options = parser.parse_args()
    usual = np.arange(380.0, 751.0)
    for solvent in SOLVENTS:
        references = load_references().select(solvent=solvent)
        grade = references.entry(CAROTENE).grade
        print(f"\n{CAROTENE} alone in {solvent} ({grade}), A {PEAK:g}, {options.scans} scans each")
        print(
            f"{'':<30}{'p>=0.97':>9}{'b>=0.92':>10}{'b>=0.95':>10}"
            f"{'p med':>8}{'p 5%':>8}{'b med':>8}{'b 5%':>8}"
        )
        cases = [(f"noise {noise:g}", usual, noise) for noise in options.noise]
        for errors in ERRORS:
            rows = [*cases, *grids(3e-4)] if errors != "bench" else cases
            for label, grid, noise in rows:
                found = shares(references, grid, noise, errors, options.scans, options.seed)
                print(line(f"{errors}, {label}", found), flush=True)


if __name__ == "__main__":
    main()
