"""How fast the mixture fit is, beside the same model through lmfit, in one run.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_engine.py [--scans 512] [--lmfit 5]

Eight pigments, 371 points, one thread: specfrac's fit has shifts, offset, scatter, shape
covariance, full covariance, detection limits and the search for foreign bands; lmfit
minimises the same model with diagonal noise only, from the bands and from ready-made cubic
splines of the shapes. Ratios are what counts: both are
measured here and now.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from lmfit_oracle import fit_through_lmfit

from specfrac import fit_mixtures, load_references
from specfrac.simulate import simulate_scan

GREEN = (3e-4, 4e-4, 1.5e-4, 1e-4, 3e-3, 1e-3, 5e-4, 1e-4)  # g/L


def best_of(work: Callable[[], object], repeats: int = 5) -> float:
    """Shortest of some times, seconds: the others had the machine's other work in them."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scans", type=int, default=512)
    parser.add_argument("--lmfit", type=int, default=5, help="scans given to lmfit")
    options = parser.parse_args()
    references = load_references().select(solvent="acetone-90")
    rng = np.random.default_rng(1)
    scans = [
        simulate_scan(
            references,
            {p: c * rng.lognormal(0, 0.3) for p, c in zip(references.pigments, GREEN, strict=True)},
            wavelength=np.arange(380.0, 751.0),
            bandwidth=2.0,
            noise=5e-4,
            transmittance_noise=3e-4,
            shift=rng.normal(0, 0.5),
            offset=0.003,
            scatter=0.004,
            shape_error_scale=1.0,
            rng=rng,
        )
        for _ in range(options.scans)
    ]
    start = time.perf_counter()
    fits = fit_mixtures(scans, references, bandwidth=2.0)
    first = (time.perf_counter() - start) / len(scans)
    batch = best_of(lambda: fit_mixtures(scans, references, bandwidth=2.0)) / len(scans)
    single = best_of(lambda: fit_mixtures(scans[:1], references, bandwidth=2.0))
    theirs = {}
    for splines in (False, True):
        start = time.perf_counter()
        for scan, fit in zip(scans[: options.lmfit], fits, strict=False):
            sigma = np.full(len(scan), fit.noise[0])
            fit_through_lmfit(
                references, scan, fit.used[0], sigma, 2.0, tolerance=1e-8, splines=splines
            )
        theirs[splines] = (time.perf_counter() - start) / options.lmfit
    print(f"{'':<34}{'ms a scan':>10}{'lmfit over it':>15}{'with splines':>14}")
    for name, ours in (
        (f"first batch of {len(scans)} on a grid", first),
        (f"further batches of {len(scans)}", batch),
        ("one scan alone", single),
    ):
        bands, splined = theirs[False] / ours, theirs[True] / ours
        print(f"{name:<34}{1e3 * ours:>10.2f}{bands:>15.0f}{splined:>14.0f}")
    print(f"{'lmfit, diagonal noise only':<34}{1e3 * theirs[False]:>10.1f}")
    print(f"{'lmfit, ready-made splines':<34}{1e3 * theirs[True]:>10.1f}")


if __name__ == "__main__":
    main()
