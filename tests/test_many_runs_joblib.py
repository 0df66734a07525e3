"""The example of another engine: the same functions, the same bytes."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from specfrac.records import output_files
from specfrac.run import analyse_run
from specfrac.sheet import read_run

DEMO = Path(__file__).parents[1] / "demo"

pytest.importorskip("joblib", reason="the extra 'joblib' is not installed")


def test_another_engine_gives_the_same_results(tmp_path):
    runs = [tmp_path / "runs" / name for name in ("broken", "steep-1")]
    for run in runs:
        shutil.copytree(DEMO / "steep-1", run)
    (runs[0] / "run.toml").unlink()
    out = tmp_path / "out"
    done = subprocess.run(
        [sys.executable, DEMO / "many_runs_joblib.py", *runs, "--out", out, "--jobs", "2"],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )
    assert done.returncode == 1
    (problem,) = done.stderr.splitlines()
    assert str(runs[0]) in problem
    assert done.stdout.count("steep-1") == 6  # a row a tube
    expected = output_files(analyse_run(read_run(DEMO / "steep-1")))
    written = {path.name: path.read_bytes() for path in (out / "steep-1").iterdir()}
    assert written == expected
