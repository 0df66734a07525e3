"""Does a comparison keep its promises, and is it fast: false wins, power, many runs.

    python tests/benchmarks/bench_compare.py [--comparisons 2000] [--runs 500]

Every run here is invented. A method's runs scatter by its own amount, each run has a
measurement uncertainty of its own, and all share the error of one absorptivity.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from specfrac.compare.analysis import DIFFER, WINS, Point, compare_measure
from specfrac.compare.limits import default_limits
from specfrac.compare.measures import Measure, Value

MEASURE = Measure("extracted:invented", "extracted", "invented pigment extracted", "µg/g", "higher")
LEVEL = 50.0  # µg/g
ABSORPTIVITY = 0.03  # relative, shared by all runs
CLAIMS = (WINS, DIFFER)


def runs_of(
    method: str,
    count: int,
    mean: float,
    spread: float,
    own: float,
    rng: np.random.Generator,
    *,
    scale: float = 1.0,
    blocks: dict[str, float] | None = None,
    source: str = "absorptivity of invented",
) -> list[Point]:
    """Return invented runs; blocks are taken in turn."""
    names = list(blocks or {"": 0.0})
    points = []
    for at in range(count):
        block = names[at % len(names)]
        true = mean + (blocks or {}).get(block, 0.0) + spread * rng.standard_normal()
        value = scale * (true + own * rng.standard_normal())
        shared = ((source, ABSORPTIVITY * abs(value)),)
        points.append(Point(f"{method}{at}", method, block, Value(value, own, shared, "dilution")))
    return points


def false_claims(
    comparisons: int, *, methods: int = 2, blocks: int = 0, seed: int = 1, measured: float = 0.5
) -> float:
    """Return how often equal methods are called different.

    Each comparison draws 3 to 12 runs a method, spreads of 5 to 20 % of the level, blocks
    10 % apart, and a common error of the absorptivity.
    """
    rng = np.random.default_rng(seed)
    settings = default_limits()
    claims = 0
    for _ in range(comparisons):
        scale = 1 + ABSORPTIVITY * rng.standard_normal()
        shifts = {f"block {at}": 0.1 * LEVEL * rng.standard_normal() for at in range(blocks)}
        points: list[Point] = []
        for at in range(methods):
            spread = LEVEL * rng.uniform(0.05, 0.2)
            points += runs_of(
                "abcdef"[at],
                int(rng.integers(max(3, 2 * blocks), 13)),
                LEVEL,
                spread,
                measured * spread,
                rng,
                scale=scale,
                blocks=shifts or None,
            )
        claims += compare_measure(MEASURE, points, settings, primary=True).verdict in CLAIMS
    return claims / comparisons


def false_claims_in_pairs(comparisons: int, *, seed: int = 5) -> float:
    """Return how often equal methods are called different in 2 to 12 pairs."""
    rng = np.random.default_rng(seed)
    settings = default_limits()
    claims = 0
    for _ in range(comparisons):
        scale = 1 + ABSORPTIVITY * rng.standard_normal()
        pairs = int(rng.integers(2, 13))
        shifts = {f"pair {at}": 0.1 * LEVEL * rng.standard_normal() for at in range(pairs)}
        points: list[Point] = []
        for name in "ab":
            spread = LEVEL * rng.uniform(0.05, 0.2)
            points += runs_of(
                name, pairs, LEVEL, spread, 0.5 * spread, rng, scale=scale, blocks=shifts
            )
        claims += compare_measure(MEASURE, points, settings, primary=True).verdict in CLAIMS
    return claims / comparisons


def false_claims_of_two_references(comparisons: int, *, seed: int = 6) -> float:
    """Return how often equal methods are called different, each measured in its own solvent.

    The error of each method's absorptivity is one draw for all of its runs, which scatter
    by 1 to 10 % of the level: more or less than the absorptivities err.
    """
    rng = np.random.default_rng(seed)
    settings = default_limits()
    claims = 0
    for _ in range(comparisons):
        points: list[Point] = []
        for name in "ab":
            spread = LEVEL * rng.uniform(0.01, 0.1)
            points += runs_of(
                name,
                int(rng.integers(2, 13)),
                LEVEL,
                spread,
                0.5 * spread,
                rng,
                scale=1 + ABSORPTIVITY * rng.standard_normal(),
                source=f"absorptivity of invented in solvent {name}",
            )
        claims += compare_measure(MEASURE, points, settings, primary=True).verdict in CLAIMS
    return claims / comparisons


def found_and_predicted(
    comparisons: int,
    *,
    counts: Sequence[int],
    spreads: Sequence[float],
    blocks: int = 0,
    seed: int = 2,
) -> tuple[float, float]:
    """Return how often a difference that should be found in 80 % is found, and 0.8.

    The difference is the detectable one of the design with its true spreads.
    """
    from specfrac.compare.power import Precision, detectable_difference

    rng = np.random.default_rng(seed)
    settings = default_limits()
    lost = (blocks + 1) / 2 if blocks else 1
    parts = [(spread**2 / n, n - lost) for spread, n in zip(spreads, counts, strict=True)]
    wanted = detectable_difference(
        Precision(tuple(parts)), significance=settings["significance"], power=settings["power"]
    )
    found = 0
    for _ in range(comparisons):
        shifts = {f"block {at}": 5 * rng.standard_normal() for at in range(blocks)} or None
        points = [
            *runs_of("a", counts[0], LEVEL + wanted, spreads[0], 0.0, rng, blocks=shifts),
            *runs_of("b", counts[1], LEVEL, spreads[1], 0.0, rng, blocks=shifts),
        ]
        one = compare_measure(MEASURE, points, settings, primary=True, scale="linear")
        found += one.winner == "a"
    return found / comparisons, settings["power"]


def coverage(comparisons: int, *, seed: int = 3) -> dict[str, float]:
    """Return how often 95 % intervals hold the truth: difference, ratio, absolute mean."""
    rng = np.random.default_rng(seed)
    settings = default_limits()
    held = dict.fromkeys(("difference", "ratio", "mean"), 0)
    for _ in range(comparisons):
        scale = 1 + ABSORPTIVITY * rng.standard_normal()
        means = LEVEL * np.array([1.0, rng.uniform(0.6, 1.4)])
        counts = rng.integers(3, 13, 2)
        spreads = LEVEL * rng.uniform(0.05, 0.2, 2)
        points = [
            point
            for name, mean, count, spread in zip("ab", means, counts, spreads, strict=True)
            for point in runs_of(name, int(count), mean, spread, 0.3 * spread, rng, scale=scale)
        ]
        one = compare_measure(MEASURE, points, settings, primary=True, scale="linear")
        (pair,) = one.differences
        held["difference"] += pair.interval[0] <= means[0] - means[1] <= pair.interval[1]
        held["ratio"] += pair.ratio_interval[0] <= means[0] / means[1] <= pair.ratio_interval[1]
        low, high = one.methods[0].interval
        held["mean"] += low <= means[0] <= high
    return {name: count / comparisons for name, count in held.items()}


def many_records(folder: Path, count: int, methods: int = 4) -> list[Path]:
    """Write invented records as large as those of a real run, and return where."""
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    from compare_example import invented_record

    rng = np.random.default_rng(4)
    paths = []
    for at in range(count):
        record = invented_record(
            method=f"method {'ABCDEFGH'[at % methods]}",
            block=f"section {at // (2 * methods) % 12 + 1}",
            number=at,
            rng=rng,
            padding=True,
        )
        path = folder / f"run-{at:04d}" / "result.json"
        path.parent.mkdir(parents=True)
        path.write_text(json.dumps(record), encoding="utf-8")
        paths.append(path)
    return paths


def time_many(paths: Sequence[Path], out: Path) -> Iterator[tuple[str, float]]:
    """Yield the seconds each step takes."""
    from specfrac.compare import compare_runs, read_record, write_comparison

    begin = time.perf_counter()
    summaries = [read_record(path) for path in paths]
    yield "read", time.perf_counter() - begin
    begin = time.perf_counter()
    comparison = compare_runs(summaries)
    yield "compare", time.perf_counter() - begin
    begin = time.perf_counter()
    write_comparison(comparison, out)
    yield "write page, tables and record", time.perf_counter() - begin


def memory_of_reading(paths: Sequence[Path]) -> float:
    """Return the bytes a run that the summaries of many runs take."""
    from specfrac.compare import read_record

    read_record(paths[0])
    tracemalloc.start()
    kept = [read_record(path) for path in paths]
    held, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return held / len(kept)


def main() -> None:
    parser = argparse.ArgumentParser(description="Benchmark of the comparison of methods.")
    parser.add_argument("--comparisons", type=int, default=2000)
    parser.add_argument("--runs", type=int, default=500)
    options = parser.parse_args()
    n = options.comparisons
    print(f"False claims of a difference, {n} comparisons of equal methods each (promised: 5 %)")
    for methods, blocks in ((2, 0), (2, 2), (2, 4), (3, 0), (3, 2), (4, 0)):
        rate = false_claims(n, methods=methods, blocks=blocks)
        layout = f"{blocks} blocks" if blocks else "no blocks"
        print(f"  {methods} methods, {layout:9s}  {100 * rate:5.1f} %", flush=True)
    print(f"  2 methods, in pairs   {100 * false_claims_in_pairs(n):5.1f} % (from 2 pairs on)")
    rate = false_claims_of_two_references(n)
    print(f"  2 methods, two solvents {100 * rate:3.1f} % (from 2 runs on)", flush=True)
    print(f"Power at the detectable difference, {n} comparisons each")
    for counts, spreads, blocks in (
        ((3, 3), (5, 5), 0),
        ((3, 6), (5, 5), 0),
        ((4, 10), (8, 4), 0),
        ((6, 6), (5, 5), 0),
        ((12, 5), (4, 8), 0),
        ((4, 4), (5, 5), 2),
        ((6, 6), (5, 5), 2),
        ((8, 8), (8, 4), 4),
    ):
        found, predicted = found_and_predicted(n, counts=counts, spreads=spreads, blocks=blocks)
        print(
            f"  {counts} runs in {blocks} blocks, spreads {spreads}: {100 * found:5.1f} % "
            f"(predicted {100 * predicted:.0f} %)"
        )
    print(f"Coverage of 95 % intervals, {n} comparisons")
    for name, rate in coverage(n).items():
        print(f"  {name:12s} {100 * rate:5.1f} %")
    with tempfile.TemporaryDirectory() as folder:
        paths = many_records(Path(folder), options.runs)
        size = sum(path.stat().st_size for path in paths) / len(paths)
        print(f"{len(paths)} runs from their records ({size / 1e3:.0f} kB each)")
        total = 0.0
        for step, seconds in time_many(paths, Path(folder) / "out"):
            total += seconds
            print(f"  {step:32s} {seconds:6.2f} s")
        print(f"  {'together':32s} {total:6.2f} s")
        for count in sorted({min(100, len(paths)), len(paths)}):
            held = memory_of_reading(paths[:count])
            print(f"  memory kept, {count:4d} runs: {held / 1e3:.1f} kB a run")


if __name__ == "__main__":
    main()
