"""Many runs under an engine that others keep: joblib here, a cluster with the same lines.

    pip install 'specfrac[joblib]'
    python demo/many_runs_joblib.py demo/*-[12] --out results --jobs 4

One machine needs none of this: `specfrac analyse RUN...` uses its cores. Where that is
outgrown, the functions below go to the workers of a cluster: they take and give plain data,
read only what is in the run's folder, and write a run's results whole or not at all. To send
them there, name a backend that joblib knows:

    with joblib.parallel_config(backend="dask"):
        table = analyse_all(runs, out, jobs=-1)
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from joblib import Parallel, delayed

from specfrac import SpecfracError, analyse_run, read_run
from specfrac.records import write_outputs


@dataclass(frozen=True, slots=True)
class Done:
    """A row a tube of one run, or why there is none."""

    run: str
    tubes: pd.DataFrame | None
    problem: str = ""


def analyse_one(folder: Path, target: Path) -> Done:
    """Analyse one run and write its record and tables."""
    try:
        result = analyse_run(read_run(folder))
        write_outputs(result, target)
    except SpecfracError as error:  # a broken run must not cost the others theirs
        return Done(folder.name, None, str(error))
    return Done(folder.name, result.fractions_frame())


def analyse_all(runs: Sequence[Path], out: Path, *, jobs: int) -> tuple[pd.DataFrame, list[str]]:
    """Return one table of the tubes of all runs, and what went wrong."""
    each = Parallel(n_jobs=jobs)(delayed(analyse_one)(run, out / run.name) for run in runs)
    tables = {done.run: done.tubes for done in each if done.tubes is not None}
    problems = [done.problem for done in each if done.problem]
    table = pd.concat(tables, names=["run", None]).droplevel(1) if tables else pd.DataFrame()
    return table, problems


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("runs", type=Path, nargs="+", metavar="RUN")
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER")
    parser.add_argument("--jobs", type=int, default=-1, metavar="N", help="default: one a core")
    options = parser.parse_args()
    table, problems = analyse_all(options.runs, options.out, jobs=options.jobs)
    if not table.empty:
        columns = ["fraction", "main", "main_mass_ug", "main_recovery", "decision"]
        print(table[columns].to_string())
    for problem in problems:
        print(problem, file=sys.stderr)
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
