"""Every benchmark and study, one after the other.

    python tests/benchmarks/all.py [--small] [NAME...]

Each is a process of its own with one thread of linear algebra. --small takes sizes that end
within minutes, to see that all of them work; the figures in README.md are of the full sizes.
Nothing is asserted.
"""

from __future__ import annotations

import argparse
import os
import platform
import subprocess
import sys
import time
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from specfrac.processes import available_cores

HERE = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class Study:
    """A script of this folder, what it is about, and its arguments in the two sizes."""

    name: str
    about: str
    full: tuple[str, ...]
    small: tuple[str, ...]

    @property
    def script(self) -> Path:
        return HERE / f"bench_{self.name}.py"


STUDIES = (
    Study("engine", "speed of the fit", (), ("--scans", "128", "--lmfit", "1")),
    Study("reading", "speed of reading, hostile files", (), ("400",)),
    Study(
        "end_to_end",
        "files to one table",
        ("--sizes", "1000", "10000", "100000"),
        ("--files", "500", "--repeats", "1", "--sizes", "500", "1000"),
    ),
    Study("parts", "library, solvent check, pools", (), ("--repeats", "1")),
    Study("commands", "start-up, many runs", (), ("--repeats", "1", "--runs", "2")),
    Study("coverage", "do intervals hold the truth", (), ("--scans", "20")),
    Study("uncertainty", "stated uncertainty, Monte Carlo", (), ("--scans", "20")),
    Study("presence", "found at the detection limit", (), ("--scans", "20")),
    Study("carotene", "share of a carotene alone", (), ("--scans", "10")),
    Study("run_coverage", "the same for a whole run", (), ("--runs", "3")),
    Study("faults", "which faults are noticed", (), ("--scans", "4")),
    Study("identify", "wrong solvents found out", (), ("--scans", "2")),
    Study("compare", "false wins, power", (), ("--comparisons", "50", "--runs", "50")),
)


def machine() -> str:
    """What the figures were measured with."""
    packages = ", ".join(f"{name} {version(name)}" for name in ("numpy", "scipy", "pandas"))
    return (
        f"{available_cores()} cores ({platform.machine()}), Python "
        f"{platform.python_version()}, {packages}"
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "names", nargs="*", metavar="NAME", help=", ".join(study.name for study in STUDIES)
    )
    parser.add_argument("--small", action="store_true", help="only see that they work")
    options = parser.parse_args()
    unknown = set(options.names) - {study.name for study in STUDIES}
    if unknown:
        parser.error(f"there is no benchmark {', '.join(sorted(unknown))}")
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "MPLBACKEND": "Agg"}
    print(machine())
    failed = []
    for study in STUDIES:
        if options.names and study.name not in options.names:
            continue
        arguments = study.small if options.small else study.full
        command = " ".join(("python", f"tests/benchmarks/{study.script.name}", *arguments))
        print(f"\n== {study.name}: {study.about}\n   {command}", flush=True)
        start = time.perf_counter()
        done = subprocess.run(
            [sys.executable, study.script, *arguments], env=environment, check=False
        )
        print(f"   {time.perf_counter() - start:.0f} s", flush=True)
        if done.returncode:
            failed.append(study.name)
    if failed:
        print(f"\nfailed: {', '.join(failed)}", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
