"""How long commands take from the first key to the last byte, and many runs over the cores.

    python tests/benchmarks/bench_commands.py [--repeats 5] [--runs 12]

Whole processes, warm disk, on the invented runs of the demo; one thread of linear algebra a
process. The best and the median of the repeats are printed, not asserted, and the least
processor time, which other work on the machine disturbs less.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from specfrac.processes import available_cores

DEMO = Path(__file__).parents[2] / "demo"
SCAN = DEMO / "shake-1" / "scans" / "PXA01-green.csv"
PROGRAM = (sys.executable, "-m", "specfrac.cli")


def seconds(bytecode: Path, *arguments: object) -> float:
    """Run specfrac once, in a process of its own that finds its modules compiled."""
    environment = {
        **os.environ,
        "OPENBLAS_NUM_THREADS": "1",
        "MPLBACKEND": "Agg",
        "PYTHONPYCACHEPREFIX": str(bytecode),
        "PYTHONDONTWRITEBYTECODE": "",
    }
    start = time.perf_counter()
    subprocess.run(
        [*PROGRAM, *map(str, arguments)],
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        check=True,
    )
    return time.perf_counter() - start


def processor_seconds() -> float:
    """Return what processes that have ended took so far, their own workers included."""
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def commands(out: Path, repeats: int) -> None:
    """Print the time of single commands beside the project's goal for them."""
    rows = (
        ("--help", 0.1, ("--help",)),
        ("inspect, solvent given", 0.6, ("inspect", SCAN, "--solvent", "acetone-90")),
        ("inspect, no solvent", 0.6, ("inspect", SCAN)),
        ("analyse, 6 tubes, all figures", 5.0, ("analyse", DEMO / "shake-1", "--out", out / "one")),
    )
    print(f"{'specfrac':<32}{'best s':>8}{'median s':>10}{'processor s':>13}{'goal s':>8}")
    for name, goal, arguments in rows:
        seconds(out / "bytecode", *arguments)  # what the disk has to fetch
        taken, worked = [], []
        for _ in range(repeats):
            before = processor_seconds()
            taken.append(seconds(out / "bytecode", *arguments))
            worked.append(processor_seconds() - before)
        print(
            f"{name:<32}{min(taken):>8.2f}{statistics.median(taken):>10.2f}"
            f"{min(worked):>13.2f}{goal:>8.1f}"
        )


def many_runs(out: Path, count: int) -> None:
    """Print the time of many runs by number of workers, and of passing over finished ones."""
    kept = sorted(sheet.parent for sheet in DEMO.rglob("run.toml"))
    runs = [out / "runs" / f"{number:03d}" for number in range(count)]
    for number, run in enumerate(runs):
        shutil.copytree(kept[number % len(kept)], run)
    print(f"\n{f'analyse, {count} runs':<32}{'s':>8}{'s a run':>10}")
    for workers in range(1, available_cores() + 1):
        arguments = ("analyse", *runs, "--out", out / f"by-{workers}", "--workers", workers)
        taken = seconds(out / "bytecode", *arguments)
        print(f"{f'{workers} at a time':<32}{taken:>8.1f}{taken / count:>10.2f}")
    taken = seconds(out / "bytecode", *arguments)
    print(f"{'all up to date':<32}{taken:>8.1f}{taken / count:>10.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--runs", type=int, default=12)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        commands(Path(name), options.repeats)
        if options.runs:
            many_runs(Path(name), options.runs)


if __name__ == "__main__":
    main()
