"""How long single steps take: the library, the check of a solvent, the pools of a rack.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_parts.py [--repeats 5]

Processor time, the best of several, beside the time of one mixture fit in the same run.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np

from specfrac import fit_mixture, load_references
from specfrac.identification import check_solvent
from specfrac.pooling import Cuts, all_pools, best_pool, trade_off
from specfrac.references import load_facts
from specfrac.references.library import _built_in
from specfrac.simulate import simulate_scan

GREEN = {"chlorophyll-a": 8e-3, "chlorophyll-b": 3e-3, "lutein": 1e-3, "beta-carotene": 8e-4}  # g/L


def best(work: Callable[[], object], repeats: int) -> float:
    """Shortest processor time, s."""
    spent = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        spent.append(time.process_time() - start)
    return min(spent)


def read_library() -> None:
    _built_in.cache_clear()
    load_facts.cache_clear()
    load_references()


def rack(n: int) -> Cuts:
    """Invented cuts in which one band follows another."""
    rng, place = np.random.default_rng(3), np.arange(n)
    target = 8 * np.exp(-0.5 * ((place - 0.30 * n) / (0.06 * n)) ** 2)
    other = 6 * np.exp(-0.5 * ((place - 0.475 * n) / (0.07 * n)) ** 2) + 0.02
    own = np.tile(0.02**2 * np.eye(2), (n, 1, 1))
    shared = rng.normal(0, 0.01, (1, 1, 24)) * np.stack([target, target], axis=1)[:, :, None]
    names = tuple(map(str, place))
    return Cuts(names, target, target + other, own, shared, np.zeros(n, dtype=int))


def pool_all(cuts: Cuts) -> None:
    pools = all_pools(cuts)
    for share in (0.90, 0.95, 0.98):
        best_pool(pools, share, confidence=0.9)
    trade_off(pools)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeats", type=int, default=5)
    repeats = parser.parse_args().repeats
    library = load_references()
    references = library.select(solvent="acetone")
    scan = simulate_scan(
        references,
        GREEN,
        wavelength=np.arange(380.0, 751.0),
        noise=3e-4,
        path_length=0.1,
        rng=np.random.default_rng(6),
    )
    fit = fit_mixture(scan, references)
    one_fit = best(lambda: fit_mixture(scan, references), repeats)
    cuts = rack(200)
    print(f"{'':<44}{'ms':>8}{'over a fit':>12}")
    for name, work in (
        ("one mixture fit", lambda: fit_mixture(scan, references)),
        ("reading the reference library", read_library),
        ("weighing a fit's solvent against all others", lambda: check_solvent(scan, fit, library)),
        ("every pool of 200 tubes, best and trade-off", lambda: pool_all(cuts)),
    ):
        spent = best(work, repeats)
        print(f"{name:<44}{1e3 * spent:>8.1f}{spent / one_fit:>12.2f}")


if __name__ == "__main__":
    main()
