"""The command line: what it prints and writes, and how it refuses bad input."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from specfrac import load_references
from specfrac.cli import main
from specfrac.simulate import simulate_scan

SHEET = """
[run]
title = "test"
method = "one"
tissue_mass_g = 0.5
extract_volume_ml = 10.0
loaded_volume_ml = 5.0

[defaults]
solvent = "acetone-90"
path_length_cm = 1.0

[[fraction]]
name = "green"
role = "wash"
scan = "scan.csv"
made_up_volume_ml = 5.0
"""


def scan_lines(**options) -> list[str]:
    references = load_references().select(solvent="acetone-90")
    scan = simulate_scan(
        references,
        {"chlorophyll-a": 4e-3, "chlorophyll-b": 1e-3},
        wavelength=np.arange(390.0, 761.0),
        noise=4e-4,
        rng=1,
        **options,
    )
    rows = zip(scan.wavelength, scan.absorbance, strict=True)
    return ["wavelength_nm,A", *(f"{w:.0f},{a:.4f}" for w, a in rows)]


@pytest.fixture
def run_folder(tmp_path) -> Path:
    folder = tmp_path / "run"
    folder.mkdir()
    (folder / "run.toml").write_text(SHEET)
    (folder / "scan.csv").write_text("\n".join(scan_lines()) + "\n")
    return folder


def refused(capsys, *arguments: object) -> str:
    """Run a command that must fail; return its one line."""
    assert main([str(a) for a in arguments]) == 1
    captured = capsys.readouterr()
    lines = captured.err.strip().splitlines()
    assert len(lines) == 1, captured.err
    assert lines[0].startswith("specfrac: ")
    return lines[0]


def test_analyse_writes_everything_and_says_where(run_folder, tmp_path, capsys):
    out = tmp_path / "out"
    before = {p: p.read_bytes() for p in run_folder.rglob("*") if p.is_file()}
    assert main(["analyse", str(run_folder), "--out", str(out)]) == 0
    printed = capsys.readouterr().out
    assert "chlorophyll a" in printed
    assert str(out / "report.html") in printed
    names = {p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()}
    assert {"report.html", "result.json", "fractions.csv", "pigments.csv"} <= names
    assert any(name.startswith("figures/") for name in names)
    assert before == {p: p.read_bytes() for p in run_folder.rglob("*") if p.is_file()}
    record = json.loads((out / "result.json").read_text(encoding="utf-8"))
    assert record["format"] == 1
    assert main(["analyse", "--check", str(out / "result.json")]) in (0, 1)


def test_results_go_into_the_run_by_default_and_check_finds_it(run_folder, capsys):
    assert main(["analyse", str(run_folder)]) == 0
    record = run_folder / "specfrac-results" / "result.json"
    capsys.readouterr()
    assert main(["analyse", "--check", str(record)]) == 0
    assert "same" in capsys.readouterr().out
    scan = run_folder / "scan.csv"
    scan.write_text(scan.read_text().replace("\n500,", "\n500,0", 1))
    assert main(["analyse", "--check", str(record)]) == 1


def test_a_broken_run_does_not_cost_the_others(run_folder, tmp_path, capsys):
    broken = tmp_path / "broken"
    broken.mkdir()
    (broken / "run.toml").write_text(SHEET)
    out = tmp_path / "out"
    assert main(["analyse", str(broken), str(run_folder), "--out", str(out)]) == 1
    assert "scan.csv" in capsys.readouterr().err
    assert (out / "run" / "report.html").exists()
    assert not (out / "broken").exists()


# Many runs


def runs_like(folder: Path, names: str, tmp_path: Path) -> list[Path]:
    return [Path(shutil.copytree(folder, tmp_path / "runs" / name)) for name in names.split()]


def analyse_command(*arguments: object) -> list[str]:
    return [sys.executable, "-m", "specfrac.cli", "analyse", *map(str, arguments)]


def test_many_runs_keep_their_order_and_outlive_a_broken_one(run_folder, tmp_path):
    runs = runs_like(run_folder, "d b c a", tmp_path)
    (runs[1] / "scan.csv").unlink()
    out = tmp_path / "out"
    command = analyse_command(*runs, "--out", out, "--workers", 2)
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    reports = [line for line in done.stdout.splitlines() if line.startswith("Report: ")]
    assert reports == [f"Report: {out / name / 'report.html'}" for name in "dca"]
    problem, count = done.stderr.splitlines()  # at the end, and no progress in a pipe
    assert "scan.csv" in problem
    assert count == "specfrac: 1 of 4 runs failed."
    assert sorted(path.name for path in out.iterdir()) == ["a", "c", "d"]
    whole = {"report.html", "result.json", "fractions.csv", "pigments.csv", "figures"}
    assert all({path.name for path in folder.iterdir()} == whole for folder in out.iterdir())


def test_many_workers_and_one_give_the_same_bytes(run_folder, tmp_path, capsys):
    runs = runs_like(run_folder, "a b", tmp_path)
    printed = []
    for workers in ("1", "2"):
        out = tmp_path / f"out-{workers}"
        arguments = ["analyse", *map(str, runs), "--out", str(out), "--workers", workers]
        assert main(arguments) == 0
        printed.append(capsys.readouterr().out.replace(str(out), ""))
    one, two = (
        {p.relative_to(out): p.read_bytes() for p in out.rglob("*") if p.is_file()}
        for out in (tmp_path / "out-1", tmp_path / "out-2")
    )
    assert one == two
    assert printed[0] == printed[1]


def interrupted(command: list[str], ready: Callable[[], bool]) -> tuple[int, str]:
    """Start a command, press the interrupt key once it is ready; return status and errors."""
    with subprocess.Popen(
        command,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as process:
        deadline = time.monotonic() + 60
        while not ready() and process.poll() is None and time.monotonic() < deadline:
            time.sleep(0.01)
        os.killpg(process.pid, signal.SIGINT)  # a terminal sends it to all its processes
        _, errors = process.communicate(timeout=60)
    return process.returncode, errors


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="no process groups on this system")
def test_an_interrupt_leaves_whole_results_and_the_work_can_go_on(run_folder, tmp_path, capsys):
    runs = runs_like(run_folder, "a b c d e f", tmp_path)
    out = tmp_path / "out"
    arguments = [*runs, "--out", out, "--workers", 2]
    status, errors = interrupted(
        analyse_command(*arguments), lambda: any(out.glob("*/report.html"))
    )
    assert status == 130
    assert "stopping" in errors
    assert "The same command goes on" in errors
    assert "Traceback" not in errors
    whole = {"report.html", "result.json", "fractions.csv", "pigments.csv", "figures"}
    written = {path: {p.name for p in path.iterdir()} for path in out.iterdir()}
    assert all(names == whole for names in written.values())
    assert 1 <= len(written) < len(runs)
    times = {path: (path / "report.html").stat().st_mtime_ns for path in written}
    assert main(["analyse", *map(str, arguments)]) == 0
    assert capsys.readouterr().out.count("up to date") == len(written)
    assert sorted(path.name for path in out.iterdir()) == list("abcdef")
    assert times == {path: (path / "report.html").stat().st_mtime_ns for path in written}
    scan = runs[0] / "scan.csv"
    scan.write_text(scan.read_text().replace("\n500,", "\n500,0", 1))
    assert main(["analyse", *map(str, arguments)]) == 0
    assert capsys.readouterr().out.count("up to date") == len(runs) - 1


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="no process groups on this system")
def test_an_interrupt_of_one_run_is_one_line(run_folder, tmp_path):
    out = tmp_path / "out"
    # on a busy machine Python itself may still be starting, and then ends by the signal
    for wait in (0.3, 0.6, 1.2, 2.4):
        started = time.monotonic()
        status, errors = interrupted(
            analyse_command(run_folder, "--out", out),
            lambda started=started, wait=wait: time.monotonic() > started + wait,
        )
        if status != -signal.SIGINT:
            break
    assert status == 130
    assert errors.splitlines() == ["specfrac: interrupted; results that were written are whole."]
    assert not out.exists()


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals on this system")
def test_progress_is_shown_on_a_terminal(run_folder, tmp_path):
    runs = runs_like(run_folder, "a b", tmp_path)
    reader, writer = os.openpty()
    done = subprocess.run(
        analyse_command(*runs), stdout=subprocess.PIPE, stderr=writer, text=True, check=False
    )
    os.close(writer)
    shown = os.read(reader, 65536).decode()
    os.close(reader)
    assert done.returncode == 0
    assert " of 2 runs" not in done.stdout
    for count in range(3):
        assert f"{count} of 2 runs" in shown
    assert shown.endswith("\r")  # the line is taken away at the end


def test_it_takes_a_worker_and_places_apart(run_folder, tmp_path, capsys):
    runs = runs_like(run_folder, "a b", tmp_path)
    assert "at least 1" in refused(capsys, "analyse", *runs, "--workers", 0)
    other = shutil.copytree(run_folder, tmp_path / "more" / "a")
    assert "both" in refused(capsys, "analyse", runs[0], other, "--out", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_fit_writes_one_table_of_files_and_folders(run_folder, tmp_path, capsys):
    folder = tmp_path / "scans"
    folder.mkdir()
    for name in ("b", "a"):
        shutil.copy(run_folder / "scan.csv", folder / f"{name}.csv")
    (folder / ".hidden").write_text("not a scan")
    out = tmp_path / "out" / "table.csv"
    command = ["fit", str(folder), str(run_folder / "scan.csv"), "--solvent", "acetone-90"]
    assert main([*command, "--bandwidth", "2", "--out", str(out)]) == 0
    captured = capsys.readouterr()
    assert captured.out == f"{out}: 3 scans, of which 0 were not fitted\n"
    assert captured.err == ""
    rows = out.read_text(encoding="utf-8").splitlines()
    files = [row.split(",")[0] for row in rows[1:]]
    expected = [folder / "a.csv", folder / "b.csv", run_folder / "scan.csv"]
    assert list(dict.fromkeys(files)) == [str(path) for path in expected]
    chlorophyll = next(row.split(",") for row in rows if ",chlorophyll-a," in row)
    assert float(chlorophyll[4]) == pytest.approx(4.0, rel=0.02)
    (folder / "c.csv").write_text("no scan\n")
    assert main([*command, "--figures-only", "--out", str(out)]) == 1
    captured = capsys.readouterr()
    assert "3 scans" in captured.out
    assert "c.csv" in captured.err
    assert captured.err.endswith("specfrac: 1 of 4 files could not be read.\n")
    fewer = out.read_text(encoding="utf-8").splitlines()
    assert [row.split(",")[0] for row in fewer[1:]] == [
        str(path) for path in expected for _ in range(8)
    ]
    empty = tmp_path / "empty"
    empty.mkdir()
    assert "no scan file" in refused(
        capsys, "fit", empty, "--solvent", "acetone-90", "--out", tmp_path / "none.csv"
    )


def test_inspect_json_is_the_promised_object(run_folder, capsys):
    assert main(["inspect", str(run_folder / "scan.csv"), "--solvent", "acetone-90", "--json"]) == 0
    (scan,) = json.loads(capsys.readouterr().out)["scans"]
    assert scan["n_points"] == 371
    assert scan["solvent"] == "acetone-90"
    for key in ("name", "wavelength_min_nm", "wavelength_max_nm", "unassigned_share", "shifts_nm"):
        assert key in scan
    pigments = {row["pigment"]: row for row in scan["pigments"]}
    assert pigments["chlorophyll-a"]["concentration_mg_per_L"] == pytest.approx(4.0, rel=0.02)
    assert {row["group"] for row in scan["groups"]} >= {"carotenoids", "chlorophyll-a-pool"}
    assert all({"code", "severity", "message"} <= set(flag) for flag in scan["flags"])


def test_inspect_without_solvent_identifies_and_gives_no_amount(run_folder, capsys):
    assert main(["inspect", str(run_folder / "scan.csv"), "--json"]) == 0
    (scan,) = json.loads(capsys.readouterr().out)["scans"]
    assert scan["solvent"] is None
    assert scan["pigments"] == []
    assert "no-solvent" in {flag["code"] for flag in scan["flags"]}
    assert "chlorophyll-a" in scan["identifications"][0]["pigments"]


def test_new_writes_a_sheet_and_never_over_one(tmp_path, capsys):
    folder = tmp_path / "fresh"
    folder.mkdir()
    (folder / "green.csv").write_text("\n".join(scan_lines()) + "\n")
    assert main(["new", str(folder)]) == 0
    assert (folder / "run.toml").exists()
    capsys.readouterr()
    assert "run.toml" in refused(capsys, "new", folder)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("made_up_volume_ml = 5.0", "made_up_volume_ml = 0.0"), "made_up_volume_ml"),
        (("path_length_cm = 1.0", "path_length_cm = -1.0"), "path_length_cm"),
        (('solvent = "acetone-90"', 'solvent = "acetone-9"'), "acetone-90"),
        (("tissue_mass_g", "tissue_mas_g"), "tissue_mass_g"),
        (('role = "wash"', 'role = "wish"'), "wash"),
        (('scan = "scan.csv"', 'scan = "lost.csv"'), "lost.csv"),
        (('scan = "scan.csv"', 'scan = "../scan.csv"'), "outside"),
    ],
)
def test_a_bad_sheet_is_one_clear_line_and_nothing_is_written(
    run_folder, tmp_path, capsys, change, message
):
    sheet = run_folder / "run.toml"
    sheet.write_text(SHEET.replace(*change))
    out = tmp_path / "out"
    assert message in refused(capsys, "analyse", run_folder, "--out", out)
    assert not out.exists()


def test_missing_solvent_identifies_and_gives_no_mass(run_folder, tmp_path, capsys):
    sheet = run_folder / "run.toml"
    sheet.write_text(SHEET.replace('solvent = "acetone-90"\n', ""))
    out = tmp_path / "out"
    assert main(["analyse", str(run_folder), "--out", str(out)]) == 0
    (fraction,) = json.loads((out / "result.json").read_text(encoding="utf-8"))["fractions"]
    assert "no-solvent" in {flag["code"] for flag in fraction["flags"]}
    assert fraction["pigments"] == []


def edited(lines: list[str], row: int, text: str) -> list[str]:
    return [*lines[:row], text, *lines[row + 1 :]]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "empty"),
        ("these are\nonly words\n", "number"),
        ("\n".join(scan_lines()[:15]), "20"),
        ("\n".join(edited(scan_lines(), 50, "439,inf")), "inf"),
        ("\n".join(edited(scan_lines(), 50, "439,nan")), "nan"),
    ],
)
def test_a_bad_scan_is_one_clear_line(tmp_path, capsys, content, message):
    path = tmp_path / "bad.csv"
    path.write_text(content)
    line = refused(capsys, "inspect", path, "--solvent", "acetone-90")
    assert "bad.csv" in line
    assert message in line.lower()


def test_a_missing_file_and_unknown_words_are_named(tmp_path, run_folder, capsys):
    assert "lost.csv" in refused(capsys, "inspect", tmp_path / "lost.csv")
    scan = run_folder / "scan.csv"
    assert "acetone-90" in refused(capsys, "inspect", scan, "--solvent", "acetone-9")
    assert "path length" in refused(
        capsys, "inspect", scan, "--solvent", "acetone", "--path-length", "-1"
    )
    assert "lutein" in refused(capsys, "references", "lutin")


def test_references_prints_the_table_a_pigment_and_a_cell(tmp_path, capsys):
    assert main(["references"]) == 0
    assert "measured" in capsys.readouterr().out
    assert main(["references", "lutein"]) == 0
    assert "ethanol" in capsys.readouterr().out
    picture = tmp_path / "lutein.svg"
    arguments = ["references", "lutein", "--solvent", "ethanol", "--plot", str(picture)]
    assert main(arguments) == 0
    assert "sources" in capsys.readouterr().out
    assert picture.read_text(encoding="utf-8").lstrip().startswith("<?xml")


def test_a_standard_becomes_a_reference_that_inspect_uses(run_folder, tmp_path, capsys):
    lines = scan_lines()
    references = load_references().select(solvent="acetone-90", pigments=["chlorophyll-a"])
    scan = simulate_scan(
        references, {"chlorophyll-a": 6e-3}, wavelength=np.arange(390.0, 761.0), noise=3e-4, rng=2
    )
    rows = zip(scan.wavelength, scan.absorbance, strict=True)
    path = tmp_path / "standard.csv"
    path.write_text("\n".join([lines[0], *(f"{w:.0f},{a:.5f}" for w, a in rows)]) + "\n")
    own = tmp_path / "own"
    command = (
        f"standard {path} --pigment chlorophyll-a --solvent acetone-90 --bandwidth 2 "
        f"--concentration 5.0 --u-concentration 0.05 --u-purity 0.005 --out {own}"
    )
    assert main(command.split()) == 0
    printed = capsys.readouterr().out
    assert "warn" in printed  # its scale is 20 % off the published one
    arguments = [
        "inspect",
        str(path),
        "--solvent",
        "acetone-90",
        "--references",
        str(own),
        "--json",
    ]
    assert main(arguments) == 0
    (found,) = json.loads(capsys.readouterr().out)["scans"]
    pigments = {row["pigment"]: row["concentration_mg_per_L"] for row in found["pigments"]}
    assert pigments["chlorophyll-a"] == pytest.approx(5.0, rel=0.01)


def test_help_starts_without_the_science():
    code = "import sys; from specfrac.cli import main\n"
    code += "try: main(['--help'])\nexcept SystemExit: pass\n"
    code += "assert not {'numpy', 'pandas', 'scipy', 'lmfit', 'matplotlib'} & set(sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)


def test_commands_use_one_thread_of_linear_algebra_unless_told_otherwise():
    code = (
        "import os; from specfrac.cli import main; main(['references', 'lutein'])\n"
        "print(os.environ['OPENBLAS_NUM_THREADS'])"
    )
    environment = {k: v for k, v in os.environ.items() if k != "OPENBLAS_NUM_THREADS"}
    for given, expected in ({}, "1"), ({"OPENBLAS_NUM_THREADS": "3"}, "3"):
        done = subprocess.run(
            [sys.executable, "-c", code],
            capture_output=True,
            text=True,
            check=True,
            env={**environment, **given},
        )
        assert done.stdout.splitlines()[-1] == expected


def test_plan_works_from_a_scan_or_from_the_leaf_but_not_from_both(run_folder, capsys):
    scan = run_folder / "scan.csv"
    assert main(["plan", str(scan), "--solvent", "acetone-90", "--volume", "5"]) == 0
    assert "Cautions" in capsys.readouterr().out
    leaf = ["plan", "--tissue-mass", "0.5", "--solvent", "acetone", "--volume", "10", "--json"]
    assert main(leaf) == 0
    assert json.loads(capsys.readouterr().out)
    both = ["plan", scan, "--tissue-mass", 0.5, "--solvent", "acetone"]
    assert "either" in refused(capsys, *both)


def test_qualify_writes_a_sheet_checks_it_and_keeps_a_record(tmp_path, capsys):
    folder = tmp_path / "instrument"
    folder.mkdir()
    assert main(["qualify", str(folder), "--new"]) == 0
    assert "not overwritten" in refused(capsys, "qualify", folder, "--new")
    out = tmp_path / "out"
    assert main(["qualify", str(folder), "--out", str(out)]) in (0, 1)
    assert "pass" in capsys.readouterr().out
    assert json.loads((out / "qualification.json").read_text(encoding="utf-8"))
    assert (out / "qualification.html").exists()


def test_compare_needs_analysed_runs(run_folder, tmp_path, capsys):
    line = refused(capsys, "compare", run_folder, "--out", tmp_path / "out")
    assert "specfrac analyse" in line
    assert not (tmp_path / "out").exists()


def test_check_says_where_worked_figures_belong(run_folder, capsys):
    assert "claims" in refused(capsys, "check", run_folder)
