"""Runs and their results: where they go, when they are up to date, what a broken one costs."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from specfrac import many_runs
from specfrac.errors import InputError
from specfrac.loading import write_csv
from specfrac.many_runs import RunJob, analyse_runs, is_up_to_date, run_jobs, write_run
from specfrac.processes import Died
from specfrac.references import load_references
from specfrac.scans import Scan
from specfrac.simulate import simulate_scan
from specfrac.standards import Standard, reference_from_standard, write_reference

SHEET = """
[run]
title = "invented"
method = "one"
[defaults]
solvent = "acetone-90"
path_length_cm = 1.0
[[fraction]]
name = "green"
role = "wash"
scan = "scan.csv"
made_up_volume_ml = 5.0
"""


GREEN = {"chlorophyll-a": 4e-3, "chlorophyll-b": 1e-3}  # g/L


def scan(contents: dict[str, float]) -> Scan:
    references = load_references().select(solvent="acetone-90")
    return simulate_scan(
        references, contents, wavelength=np.arange(390.0, 761.0), noise=4e-4, rng=1
    )


def make_run(folder: Path) -> Path:
    folder.mkdir(parents=True)
    (folder / "run.toml").write_text(SHEET)
    write_csv(folder / "scan.csv", [scan(GREEN)])
    return folder


@pytest.fixture(scope="module")
def analysed(tmp_path_factory) -> RunJob:
    """A run with its results, to be copied."""
    (job,) = run_jobs([make_run(tmp_path_factory.mktemp("runs") / "run")])
    write_run(job)
    return job


@pytest.fixture
def job(analysed, tmp_path) -> RunJob:
    shutil.copytree(analysed.folder, tmp_path / "run")
    return run_jobs([tmp_path / "run"])[0]


def changed(job: RunJob, key: str, value: object) -> None:
    path = job.target / "result.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    record[key] = value
    path.write_text(json.dumps(record), encoding="utf-8")


# Where results go


def test_results_go_into_the_run_or_into_a_folder_for_each(tmp_path):
    one, two = make_run(tmp_path / "one"), make_run(tmp_path / "two")
    assert [job.target for job in run_jobs([one, two])] == [
        one / "specfrac-results",
        two / "specfrac-results",
    ]
    out = tmp_path / "out"
    assert [job.target for job in run_jobs([one], out=out)] == [out]
    jobs = run_jobs([one, two, tmp_path / "two" / ".." / "one"], out=out)
    assert [job.target for job in jobs] == [out / "one", out / "two"]
    (by_sheet,) = run_jobs([one / "run.toml"])
    assert by_sheet.folder == one
    assert by_sheet.target == one / "specfrac-results"


def test_two_runs_never_write_to_the_same_place(tmp_path):
    runs = [make_run(tmp_path / day / "run") for day in ("monday", "tuesday")]
    with pytest.raises(InputError, match=r"monday.*tuesday.*both be written"):
        run_jobs(runs, out=tmp_path / "out")
    assert len(run_jobs(runs)) == 2


# Up to date


def test_fresh_results_are_up_to_date(job):
    assert is_up_to_date(job, load_references())


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("specfrac_version", "0.0.1"),
        ("library_version", "another"),
        ("settings", {}),
        ("settings", None),
        ("inputs", []),
        ("inputs", "lost"),
        ("inputs", [{"path": "run.toml"}]),
        ("beside", [{"path": "claims.toml", "sha256": "0"}]),
        ("format", 99),
    ],
)
def test_a_record_made_otherwise_is_not(job, key, value):
    changed(job, key, value)
    assert not is_up_to_date(job, load_references())


def test_a_changed_default_is_noticed(job):
    record = json.loads((job.target / "result.json").read_text(encoding="utf-8"))
    changed(job, "settings", {**record["settings"], "closure_low": 0.123})
    assert not is_up_to_date(job, load_references())


def test_a_setting_of_the_sheet_is_no_change(tmp_path):
    folder = make_run(tmp_path / "run")
    (folder / "run.toml").write_text(SHEET + "[settings]\nclosure_low = 0.6\n")
    (job,) = run_jobs([folder])
    write_run(job)
    assert is_up_to_date(job, load_references())


@pytest.mark.parametrize("name", ["run.toml", "scan.csv"])
def test_changed_or_lost_inputs_are_noticed(job, name):
    path = job.folder / name
    path.write_text(path.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    assert not is_up_to_date(job, load_references())
    path.unlink()
    assert not is_up_to_date(job, load_references())


@pytest.mark.parametrize("name", ["report.html", "result.json", "fractions.csv", "pigments.csv"])
def test_results_that_are_not_all_there_are_not_up_to_date(job, name):
    (job.target / name).unlink()
    assert not is_up_to_date(job, load_references())


def test_what_only_the_page_tells_of_counts_too(job):
    claims = job.folder / "claims.csv"
    claims.write_text("name,value\n", encoding="utf-8")
    assert not is_up_to_date(job, load_references())
    write_run(job)  # a sheet of figures that breaks a rule is told on the page
    record = json.loads((job.target / "result.json").read_text(encoding="utf-8"))
    assert [one["path"] for one in record["beside"]] == ["claims.csv"]
    assert is_up_to_date(job, load_references())
    claims.unlink()
    assert not is_up_to_date(job, load_references())


def test_own_references_count(job, tmp_path):
    own = tmp_path / "own"
    standard = Standard(
        "chlorophyll-a",
        "acetone-90",
        2.0,
        concentration=4e-3,
        concentration_uncertainty=4e-5,
        purity_uncertainty=0.005,
    )
    made = reference_from_standard(scan({"chlorophyll-a": 4e-3}), load_references(), standard)
    write_reference(made, own)
    (job,) = run_jobs([job.run], references=own)
    assert not is_up_to_date(job, load_references(own))
    write_run(job)
    assert is_up_to_date(job, load_references(own))
    (path,) = own.glob("*.toml")
    path.write_text(path.read_text(encoding="utf-8") + "\n# weighed again\n", encoding="utf-8")
    assert not is_up_to_date(job, load_references(own))


# Many


def test_one_broken_run_costs_the_others_nothing(job, tmp_path):
    broken = make_run(tmp_path / "broken")
    (broken / "scan.csv").unlink()
    jobs = run_jobs([broken, job.run], out=tmp_path / "out")
    found = dict(analyse_runs(jobs, workers=1))
    assert not found[0].written
    assert "scan.csv" in found[0].problem
    assert found[1].written
    assert "chlorophyll a" in found[1].summary
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["run"]
    found = dict(analyse_runs(jobs, workers=1))
    assert found[1].written
    assert not found[1].summary  # passed over
    assert dict(analyse_runs(jobs[1:], workers=1, again=True))[0].summary


def test_a_fault_of_our_own_is_told_as_one(job, tmp_path, monkeypatch):
    def fail(*_args: object, **_options: object) -> None:
        raise ZeroDivisionError("invented")

    monkeypatch.setattr(many_runs, "analyse_run", fail)
    ((_, outcome),) = analyse_runs([job], workers=1, again=True)
    assert not outcome.written
    assert "ZeroDivisionError: invented" in outcome.problem


def test_a_process_that_died_is_told_by_the_run(job, monkeypatch):
    monkeypatch.setattr(many_runs, "spread", lambda *_args, **_options: iter([(0, Died())]))
    ((_, outcome),) = analyse_runs([job], workers=2, again=True)
    assert not outcome.written
    assert outcome.problem.startswith(str(job.run))
    assert "memory" in outcome.problem


def test_it_takes_a_worker(job):
    with pytest.raises(InputError, match="0 workers"):
        list(analyse_runs([job], workers=0))
