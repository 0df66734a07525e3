"""From single-scan files to one table: time beside pandas, memory, and how both grow.

    python tests/benchmarks/bench_end_to_end.py [--files 10000] [--sizes 1000 10000 100000]

Each measurement is a process of its own with one thread, warm disk; with "all cores" it has
workers, one a core. pandas only reads the files;
specfrac reads them, fits each scan with eight pigments (shifts, offset, scatter, full
covariance) and writes one CSV table. "figures" is a row a pigment; "reported" adds sums,
flags and what a scan cannot tell apart. Larger sizes take the same files again. The exponent
is the slope of log time over log size, less the time for one file. Figures are printed, not
asserted.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from itertools import cycle, islice
from pathlib import Path

import numpy as np

from specfrac.many_scans import write_table
from specfrac.processes import available_cores
from specfrac.references import load_references
from specfrac.simulate import simulate_scan

SOLVENT, BANDWIDTH = "acetone-90", 2.0
GREEN = (3e-4, 4e-4, 1.5e-4, 1e-4, 3e-3, 1e-3, 5e-4, 1e-4)  # g/L, invented
DIFFERENT = 200  # compositions; every file has its own noise
BYTES_PER_RSS_UNIT = 1 if sys.platform == "darwin" else 1024


def write_files(folder: Path, count: int) -> None:
    """Write invented scans, one a file: 371 points, four decimals."""
    references = load_references().select(solvent=SOLVENT)
    rng = np.random.default_rng(1)
    grid = np.arange(380.0, 751.0)
    clean = [
        simulate_scan(
            references,
            {p: c * rng.lognormal(0, 0.3) for p, c in zip(references.pigments, GREEN, strict=True)},
            wavelength=grid,
            bandwidth=BANDWIDTH,
            noise=0.0,
            shift=rng.normal(0, 0.5),
            offset=0.003,
            scatter=0.004,
            shape_error_scale=1.0,
            rng=rng,
        ).absorbance
        for _ in range(DIFFERENT)
    ]
    start = [f"{w:.0f}," for w in grid]
    for number in range(count):
        readings = clean[number % DIFFERENT] + rng.normal(0, 5e-4, grid.size)
        lines = [f"{w}{a:.4f}\n" for w, a in zip(start, readings.tolist(), strict=True)]
        text = "wavelength_nm,absorbance\n" + "".join(lines)
        (folder / f"{number:06d}.csv").write_text(text)


def work(what: str, folder: Path, count: int) -> None:
    """What a measured process does; prints its own seconds and its peak memory in bytes."""
    paths = list(islice(cycle(sorted(folder.glob("*.csv"))), count))
    start = time.perf_counter()
    if what == "pandas":
        import pandas as pd

        start = time.perf_counter()  # its import does not count
        for path in paths:
            pd.read_csv(path)
    else:
        write_table(
            paths,
            load_references().select(solvent=SOLVENT),
            folder / f"table {what}",
            reported=what.startswith("reported"),
            workers=available_cores() if what.endswith("all cores") else 1,
            bandwidth=BANDWIDTH,
        )
    taken = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * BYTES_PER_RSS_UNIT
    print(taken, peak)


def measured(what: str, folder: Path, count: int) -> tuple[float, float]:
    """Return seconds and bytes of one process."""
    command = [sys.executable, __file__, "--work", what, str(folder), str(count)]
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
    seconds, peak = done.stdout.split()
    return float(seconds), float(peak)


def beside_pandas(folder: Path, files: int, repeats: int) -> None:
    """Print the time of each kind of table beside that of reading with pandas."""
    kinds = ("pandas", "figures", "reported", "figures, all cores", "reported, all cores")
    best = dict.fromkeys(kinds, float("inf"))
    for _ in range(repeats):  # in turns: the machine may have other work
        for what, before in best.items():
            best[what] = min(before, measured(what, folder, files)[0])
    print(f"{files} files{'':<24}{'s':>8}{'µs a file':>12}{'over pandas':>14}")
    for what, seconds in best.items():
        name = "pandas, reading only" if what == "pandas" else f"specfrac, {what}"
        ratio = seconds / best["pandas"]
        print(f"  {name:<30}{seconds:>8.2f}{1e6 * seconds / files:>12.0f}{ratio:>14.2f}")


def growth(folder: Path, sizes: Sequence[int]) -> None:
    """Print how time and memory grow with the number of scans."""
    fixed, least = measured("figures", folder, 1)
    found = [measured("figures", folder, size) for size in sizes]
    print(f"\n{'scans':>8}{'s':>10}{'µs a scan':>12}{'peak MB':>10}")
    print(f"{1:>8}{fixed:>10.2f}{'fixed cost':>12}{least / 1e6:>10.0f}")
    for size, (seconds, peak) in zip(sizes, found, strict=True):
        each = 1e6 * (seconds - fixed) / size
        print(f"{size:>8}{seconds:>10.2f}{each:>12.0f}{peak / 1e6:>10.0f}")
    if len(sizes) < 2:
        return
    exponent = np.polyfit(np.log(sizes), np.log([s - fixed for s, _ in found]), 1)[0]
    memory = (found[-1][1] - found[0][1]) / (sizes[-1] - sizes[0])
    print(f"exponent of time {exponent:.3f}; memory {memory / 1e3:.2f} kB a further scan")


def main() -> None:
    if sys.argv[1:2] == ["--work"]:
        work(sys.argv[2], Path(sys.argv[3]), int(sys.argv[4]))
        return
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--files", type=int, default=10_000)
    parser.add_argument("--repeats", type=int, default=2)
    parser.add_argument("--sizes", type=int, nargs="*", default=[1_000, 3_000, 10_000])
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        write_files(Path(name), options.files)
        beside_pandas(Path(name), options.files, options.repeats)
        if options.sizes:
            growth(Path(name), options.sizes)


if __name__ == "__main__":
    main()
