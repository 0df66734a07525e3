"""Records, tables and files: plain, the same bytes, harmless, whole or not at all."""

from __future__ import annotations

import csv
import io
import json
import math
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from specfrac.errors import InputError
from specfrac.fitting import fit_mixture
from specfrac.flags import Flag
from specfrac.identification import identify
from specfrac.records import (
    FORMULA_MARKS,
    FRACTION_COLUMNS,
    PIGMENT_COLUMNS,
    csv_bytes,
    inspect_record,
    json_bytes,
    plain,
    run_record,
    safe_text,
    write_files,
    write_outputs,
)
from specfrac.references import load_references
from specfrac.run import analyse_run
from specfrac.sheet import read_run
from specfrac.simulate import simulate_scan

SHEET = """
[run]
title = "invented"
tissue_mass_g = 0.5
extract_volume_ml = 10.0
[defaults]
solvent = "acetone-90"
[[fraction]]
name = "=extract"
role = "loaded"
scan = "extract.csv"
[[fraction]]
name = "cut, <b>one</b>"
scan = "cut.csv"
made_up_volume_ml = 5.0
[[fraction]]
name = "rinse"
role = "wash"
"""
TRUTH = {"extract": {"chlorophyll-a": 6e-3, "lutein": 1e-3}, "cut": {"chlorophyll-a": 4e-3}}
WAVELENGTHS = np.arange(380.0, 751.0, 1.0)


def scan_of(name, seed=1):
    references = load_references().select(solvent="acetone-90")
    scan = simulate_scan(references, TRUTH[name], wavelength=WAVELENGTHS, noise=5e-4, rng=seed)
    return replace(scan, name=name)


def make_run(folder):
    for name in TRUTH:
        scan = scan_of(name)
        rows = [f"{w:g},{a:.5f}" for w, a in zip(scan.wavelength, scan.absorbance, strict=True)]
        text = "\n".join(["wavelength_nm,absorbance", *rows]) + "\n"
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    (folder / "run.toml").write_text(SHEET, encoding="utf-8")
    return analyse_run(read_run(folder))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("run")


@pytest.fixture(scope="module")
def result(folder):
    return make_run(folder)


# The record of a run


def test_the_record_has_the_parts_the_design_names(result):
    record = run_record(result)
    assert list(record)[:8] == [
        "format",
        "specfrac_version",
        "library_version",
        "settings",
        "inputs",
        "run",
        "fractions",
        "balance",
    ]
    assert record["format"] == 1
    assert [set(one) for one in record["inputs"]] == [{"path", "sha256"}] * 3
    for one in record["fractions"]:
        assert {"name", "n_points", "wavelength_min_nm", "wavelength_max_nm", "solvent"} <= set(one)
        assert {"pigments", "groups", "unassigned_share", "shifts_nm", "flags"} <= set(one)
        assert {"mass_ug", "amount_nmol", "recovery", "share", "decision"} <= set(one)


def test_numbers_of_the_record_are_those_of_the_result(result):
    record = run_record(result)
    tube, written = result.fractions[1], record["fractions"][1]
    for one, row in zip(tube.pigments, written["pigments"], strict=True):
        assert row["pigment"] == one.pigment
        assert row["mass_ug"] == pytest.approx(one.mass.value, rel=1e-9)
        assert row["mass_standard_uncertainty_ug"] == pytest.approx(one.mass.uncertainty, rel=1e-9)
        assert math.hypot(*row["mass_budget_ug"].values()) == pytest.approx(one.mass.uncertainty)
        assert row["concentration_mg_per_L"] == pytest.approx(one.concentration.value, rel=1e-9)
    assert written["mass_ug"] == pytest.approx(tube.total_mass.value, rel=1e-9)
    assert written["share"] == pytest.approx(tube.purity.share_mass.value, rel=1e-9)
    assert record["run"]["tissue_mass_g"] == 0.5
    assert record["settings"]["closure_low"] == 0.7
    row = next(one for one in record["balance"]["rows"] if one["name"] == "carotenoids")
    assert row["tubes"][1] == {
        "name": "rinse",
        "held_ug": None,
        "held_standard_uncertainty_ug": None,
    }


def test_the_record_is_json_without_nan_and_without_the_machine(result, folder):
    text = json_bytes(run_record(result)).decode("utf-8")
    assert json.loads(text, parse_constant=pytest.fail) == run_record(result)
    assert str(folder) not in text and folder.name not in text
    unscanned = run_record(result)["fractions"][2]
    assert unscanned["n_points"] == 0 and unscanned["wavelength_min_nm"] is None
    assert unscanned["mass_ug"] is None and unscanned["fit"] is None


def test_the_same_inputs_elsewhere_give_the_same_bytes(result, tmp_path):
    there = tmp_path / "another place"
    there.mkdir()
    assert json_bytes(run_record(make_run(there))) == json_bytes(run_record(result))


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers(-9, 9) | st.floats() | st.text(max_size=5),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner),
        max_leaves=8,
    )
)
def test_anything_becomes_json_that_reads_back_as_the_plain_value(value):
    record = {"value": value}
    assert json.loads(json_bytes(record), parse_constant=pytest.fail) == plain(record)


def test_numpy_values_become_plain():
    found = plain({"a": np.float64("nan"), "b": np.array([1.0, np.inf]), "c": np.bool_(True)})
    assert found == {"a": None, "b": [1.0, None], "c": True}
    assert type(plain(np.int64(3))) is int


# One scan


def test_inspect_gives_the_rows_of_the_fits_frames():
    scan = scan_of("extract")
    fit = fit_mixture(scan, load_references().select(solvent="acetone-90"))
    more = Flag("coarse-step", "step of 5 nm.")
    (one,) = inspect_record([scan], [fit], flags=[[more]])["scans"]
    assert (one["name"], one["n_points"]) == ("extract", 371)
    assert (one["wavelength_min_nm"], one["wavelength_max_nm"]) == (380, 750)
    assert one["solvent"] == "acetone-90"
    frame = fit.to_frame()
    assert list(one["pigments"][0]) == list(frame.columns)
    written = [row["concentration_mg_per_L"] for row in one["pigments"]]
    np.testing.assert_allclose(written, frame["concentration_mg_per_L"], rtol=1e-9)
    assert {row["group"] for row in one["groups"]} >= {"carotenoids", "chlorophyll-a-pool"}
    assert set(one["shifts_nm"]) == set(fit.group_shifts)
    assert more.as_dict() in one["flags"]
    severities = [flag["severity"] for flag in one["flags"]]
    assert severities == sorted(severities, key=["fatal", "warn", "note"].index)


def test_inspect_without_a_solvent_names_pigments_and_gives_no_amount():
    scan = scan_of("cut")
    guesses = identify(scan, load_references()).candidates
    (one,) = inspect_record([scan], identifications=[guesses])["scans"]
    assert one["solvent"] is None and one["pigments"] == [] and one["unassigned_share"] is None
    assert "chlorophyll-a" in one["identifications"][0]["pigments"]
    assert "concentration" not in json.dumps(one)


def test_inspect_wants_one_fit_a_scan():
    with pytest.raises(InputError, match="1 scans, 2 fits"):
        inspect_record([scan_of("cut")], [None, None])


# Tables


def test_tables_have_a_row_a_tube_and_a_row_a_tube_and_pigment(result):
    fractions, pigments = result.fractions_frame(), result.pigments_frame()
    one_name = result.fractions[1].fraction.name
    assert tuple(fractions.columns) == FRACTION_COLUMNS
    assert tuple(pigments.columns) == PIGMENT_COLUMNS
    assert list(fractions["fraction"]) == ["=extract", "cut, <b>one</b>", "rinse"]
    assert len(pigments) == 2 * 8
    assert fractions["main"][1] == "chlorophyll-a"
    assert pd.isna(fractions["main_mass_ug"][2]) and pd.isna(fractions["coloured_mass_ug"][2])
    one = result.fractions[1].pigment("chlorophyll-a")
    assert fractions["main_mass_ug"][1] == pytest.approx(one.mass.value)
    assert fractions["main_recovery"][1] == pytest.approx(one.recovery.value)
    assert fractions["main_recovery_low"][1] == pytest.approx(one.recovery_interval[0])
    row = pigments[(pigments["fraction"] == one_name) & (pigments["pigment"] == "lutein")].iloc[0]
    assert row["state"] in ("not detected", "detected", "quantified")
    # the detection limit as a mass: mg/L times 5 mL
    assert row["detection_limit_ug"] == pytest.approx(5 * row["detection_limit_mg_per_L"])


def test_the_record_says_why_a_recovery_is_not_stated(result):
    record = run_record(result)
    rows = {row["pigment"]: row for row in record["fractions"][1]["pigments"]}
    assert rows["chlorophyll-a"]["recovery_low"] < rows["chlorophyll-a"]["recovery"]
    assert rows["pheophytin-a"]["recovery"] is None and rows["pheophytin-a"]["made_on_column"]
    assert "on the column" in rows["pheophytin-a"]["recovery_note"]
    balance = {row["name"]: row for row in record["balance"]["rows"]}
    assert balance["carotenoids"]["outcome"] == "at least"
    assert balance["carotenoids"]["uncounted"] == [
        {"name": "rinse", "reason": "rinse was not scanned"}
    ]
    assert record["extracted"][0]["name"] == "carotenoids"
    assert record["extracted"][0]["content_ug_per_g"] == pytest.approx(
        result.extracted[0].content.value, rel=1e-9
    )


def test_budgets_of_share_and_conversion_combine_to_their_uncertainty(folder):
    """What two runs share can only be told from their own with the sources by name."""
    sheet = SHEET.replace(
        "extract_volume_ml = 10.0", 'extract_volume_ml = 10.0\ntarget_pigment = "chlorophyll-a"'
    )
    (folder / "aimed.toml").write_text(sheet, encoding="utf-8")
    run = read_run(folder / "aimed.toml")
    record = run_record(analyse_run(run))
    purity = record["fractions"][1]["purity"]
    (pool,) = [one for one in record["balance"]["porphyrins"] if one["kind"] == "a"]
    for held, key in ((purity, "target_share"), (pool, "conversion")):
        budget = held[f"{key}_budget"]
        assert {"noise and baseline", "band shape of the reference"} <= set(budget)
        assert any(source.startswith("absorptivity of ") for source in budget)
        assert math.hypot(*budget.values()) == pytest.approx(
            held[f"{key}_standard_uncertainty"], rel=1e-6
        )


def test_csv_cells_are_harmless_and_numbers_stay_numbers(result):
    rows = list(csv.DictReader(io.StringIO(csv_bytes(result.pigments_frame()).decode("utf-8"))))
    assert rows[0]["fraction"] == "'=extract"
    free = [float(row["concentration_unconstrained_mg_per_L"]) for row in rows]
    assert min(free) < 0  # a negative number begins with a minus and is left alone
    assert rows[0]["detected"] in ("yes", "no")
    (unscanned,) = [
        row
        for row in csv.DictReader(io.StringIO(csv_bytes(result.fractions_frame()).decode("utf-8")))
        if row["fraction"] == "rinse"
    ]
    assert unscanned["main_mass_ug"] == ""


@given(st.text(max_size=12))
def test_no_text_begins_like_a_formula_or_breaks_the_row(text):
    safe = safe_text(text)
    assert not safe.lstrip().startswith(FORMULA_MARKS)
    frame = pd.DataFrame({"name": [text], "n": [1.5]})
    rows = list(csv.reader(io.StringIO(csv_bytes(frame).decode("utf-8"), newline="")))
    assert len(rows) == 2 and rows[1][1] == "1.5"


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", " =1", "\t=1", "\n@x", "\u00a0=1"])
def test_leading_marks_are_disarmed(text):
    assert safe_text(text).startswith("'")


# Files


def test_outputs_are_written_and_read_back(result, tmp_path):
    folder = tmp_path / "new" / "results"
    written = write_outputs(result, folder, more={"figures/one.svg": b"<svg/>"})
    assert {path.relative_to(folder).as_posix() for path in written} == {
        "result.json",
        "fractions.csv",
        "pigments.csv",
        "figures/one.svg",
    }
    assert json.loads((folder / "result.json").read_bytes()) == run_record(result)
    assert sorted(path.name for path in folder.iterdir()) == [
        "figures",
        "fractions.csv",
        "pigments.csv",
        "result.json",
    ]


def test_an_input_of_the_run_is_never_overwritten(result, folder):
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    for name in ("run.toml", "cut.csv"):
        with pytest.raises(InputError, match="an input of the run would be overwritten"):
            write_outputs(result, folder, more={name: b"gone"})
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


@pytest.mark.parametrize("name", ["../up.csv", "/root.csv", "a/../../b", "", "a\\..\\b"])
def test_a_file_name_may_not_leave_the_folder(tmp_path, name):
    with pytest.raises(InputError, match="must be a path inside the output folder"):
        write_files(tmp_path / "out", {name: b"x"})
    assert not (tmp_path / "out").exists()


def test_a_failure_half_way_puts_the_old_files_back(tmp_path, monkeypatch):
    write_files(tmp_path, {"a.txt": b"old a", "b.txt": b"old b"})
    real = os.replace

    def failing(source, target):
        if Path(target).name == "b.txt" and Path(source).name.startswith("new"):
            raise OSError(28, "No space left on device")
        real(source, target)

    monkeypatch.setattr(os, "replace", failing)
    with pytest.raises(InputError, match="nothing was written"):
        write_files(tmp_path, {"a.txt": b"new a", "c.txt": b"new c", "b.txt": b"new b"})
    monkeypatch.undo()
    found = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert found == {"a.txt": b"old a", "b.txt": b"old b"}


def test_a_folder_that_is_a_file_is_refused(tmp_path):
    (tmp_path / "taken").write_text("x", encoding="utf-8")
    with pytest.raises(InputError, match="cannot be written"):
        write_files(tmp_path / "taken", {"a.txt": b"x"})
