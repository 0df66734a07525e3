"""Is a pigment found at its detection limit, and not when it is absent? A seeded study.

    python tests/benchmarks/bench_presence.py [--scans 400] [--seed 5]

Each of the eight candidates in a green extract that lacks it, and alone in noise, with every
error of the measurement model drawn anew for each scan. The limit is the median of what 200
scans state that hold the pigment at that limit (two rounds). Currie (Pure Appl. Chem. 67
(1995) 1699) promises 95 % found at the limit and 5 % found without the pigment. The figures
are printed, not asserted; a small study of the same kind is part of the tests.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping

import numpy as np
from bench_uncertainty import amounts, draw

from specfrac import fit_mixtures, load_references
from specfrac.fitting.results import FitTable
from specfrac.references import References

PILOT, ROUNDS = 200, 2
SOLVENTS = ("acetone-90", "ethanol", "hexane")


def fitted(
    references: References, truth: Mapping[str, float], n: int, rng: np.random.Generator
) -> FitTable:
    """Figures of n scans of a tube, bandwidth given."""
    scans = [draw(references, truth, rng, "pooled") for _ in range(n)]
    return fit_mixtures(scans, references, bandwidth=2.0).table()


def at_limit(
    references: References,
    background: Mapping[str, float],
    pigment: str,
    n: int,
    rng: np.random.Generator,
) -> tuple[float, float, float]:
    """Detection limit in g/L, and the fractions found at the limit and without the pigment."""
    at, limit = references.pigments.index(pigment), 0.0
    for _ in range(ROUNDS):
        pilot = fitted(references, {**background, pigment: limit}, PILOT, rng)
        limit = float(np.median(3.29 * pilot.zero_uncertainty[:, at]))
    there = fitted(references, {**background, pigment: limit}, n, rng)
    without = fitted(references, {**background, pigment: 0.0}, n, rng)
    return limit, float(there.detected[:, at].mean()), float(without.detected[:, at].mean())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scans", type=int, default=400)
    parser.add_argument("--seed", type=int, default=5)
    options = parser.parse_args()
    for solvent in SOLVENTS:
        references = load_references().select(solvent=solvent)
        green = amounts(references, "green extract", 0.8)
        for label, background in (("green extract, peak 0.8", green), ("alone", {})):
            print(f"\n{solvent}, {label}: {options.scans} scans each")
            print(f"{'':<16}{'limit, mg/L':>12}{'found at it':>13}{'found without':>15}")
            for number, pigment in enumerate(references.pigments):
                rng = np.random.default_rng([options.seed, number])
                limit, there, without = at_limit(
                    references, background, pigment, options.scans, rng
                )
                print(
                    f"{pigment:<16}{1e3 * limit:>12.4f}{there:>13.3f}{without:>15.3f}", flush=True
                )


if __name__ == "__main__":
    main()
