"""An analysis repeated from its record: what changed is named, what did not is not."""

from __future__ import annotations

import json

import numpy as np
import pytest

from specfrac.errors import InputError, RunSheetError
from specfrac.records import write_outputs
from specfrac.redo import check_record, read_record
from specfrac.references import load_references
from specfrac.run import analyse_run
from specfrac.sheet import read_run
from specfrac.simulate import simulate_scan

SHEET = """
[defaults]
solvent = "acetone-90"
made_up_volume_ml = 5.0
[[fraction]]
name = "cut one"
scan = "one.csv"
"""


@pytest.fixture
def record(tmp_path):
    references = load_references().select(solvent="acetone-90")
    wavelength = np.arange(400.0, 751.0, 1.0)
    content = {"chlorophyll-a": 5e-3, "lutein": 1e-3}
    scan = simulate_scan(references, content, wavelength=wavelength, noise=5e-4, rng=1)
    rows = [f"{w:g},{a:.5f}" for w, a in zip(wavelength, scan.absorbance, strict=True)]
    text = "\n".join(["wavelength_nm,absorbance", *rows]) + "\n"
    (tmp_path / "one.csv").write_text(text, encoding="utf-8")
    (tmp_path / "run.toml").write_text(SHEET, encoding="utf-8")
    write_outputs(analyse_run(read_run(tmp_path)), tmp_path / "results")
    return tmp_path / "results" / "result.json"


def test_an_untouched_run_repeats(record):
    check = check_record(record)
    assert check.same and check.repeated
    assert check.numbers == () and check.inputs == ()
    assert "results: the same" in check.text()


def test_a_changed_scan_is_named_with_what_it_moved(record):
    folder = record.parents[1]
    path = folder / "one.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    stronger = [lines[0]]
    for line in lines[1:]:
        wavelength, absorbance = line.split(",")
        stronger.append(f"{wavelength},{float(absorbance) * 1.1:.5f}")
    path.write_text("\n".join(stronger) + "\n", encoding="utf-8")
    check = check_record(record)
    assert [one.place for one in check.inputs] == ["one.csv"]
    masses = [
        one
        for one in check.numbers
        if one.place == "fractions / cut one / pigments / chlorophyll-a / mass_ug"
    ]
    assert masses[0].after / masses[0].before == pytest.approx(1.1, rel=0.01)
    assert not check.same
    assert "inputs: 1 changed" in check.text()


def test_a_changed_setting_is_named_without_a_changed_number(record):
    sheet = record.parents[1] / "run.toml"
    sheet.write_text("[settings]\ncarotenoids_dry_max = 16000\n" + SHEET, encoding="utf-8")
    check = check_record(record)
    assert [(one.place, one.before, one.after) for one in check.settings] == [
        ("carotenoids_dry_max", 15000, 16000)
    ]
    assert [one.place for one in check.inputs] == ["run.toml"]
    assert not any("mass" in one.place for one in check.numbers)


def test_a_number_changed_in_the_record_is_found(record):
    content = json.loads(record.read_text(encoding="utf-8"))
    content["fractions"][0]["pigments"][4]["mass_ug"] *= 1.01
    content["fractions"][0]["pigments"][5]["mass_ug"] *= 1 + 1e-9
    record.write_text(json.dumps(content), encoding="utf-8")
    (change,) = check_record(record).numbers
    assert change.place.endswith("chlorophyll-a / mass_ug")
    assert "before" in str(change) and "now" in str(change)


def test_a_missing_scan_stops_the_repeat_and_is_said(record):
    (record.parents[1] / "one.csv").unlink()
    check = check_record(record)
    assert not check.repeated and not check.same
    assert check.inputs[0].after is None
    assert "no such file" in check.problem and "not compared" in check.text()


def test_a_record_of_another_library_says_so(record):
    content = json.loads(record.read_text(encoding="utf-8"))
    content["library_version"] = "0 (long ago)"
    record.write_text(json.dumps(content), encoding="utf-8")
    check = check_record(record)
    assert [one.place for one in check.versions] == ["library_version"]
    assert check.same  # nothing that counts has moved


def test_the_run_may_be_elsewhere(record, tmp_path_factory):
    elsewhere = tmp_path_factory.mktemp("elsewhere") / "result.json"
    elsewhere.write_bytes(record.read_bytes())
    assert check_record(elsewhere, folder=record.parents[1]).same
    with pytest.raises(RunSheetError, match=r"no run\.toml in its folder"):
        check_record(elsewhere)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("{", "is no record of a run"),
        ("[1]", "is no record of a run"),
        ('{"format": 1}', "is no record of a run"),
        ('{"format": 1, "fractions": [], "inputs": {"path": 1}}', "its inputs must be a list"),
        ('{"format": 1, "fractions": [], "inputs": [{"path": 1, "sha256": ""}]}', "must be a list"),
        ('{"format": 99, "fractions": []}', "has format 99, but this specfrac reads up to 1"),
    ],
)
def test_what_is_no_record_is_refused(tmp_path, content, message):
    path = tmp_path / "result.json"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match=message):
        read_record(path)
    with pytest.raises(InputError, match="cannot be read"):
        read_record(tmp_path / "missing.json")
