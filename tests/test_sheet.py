"""The run sheet: what it gives, what it refuses, and the one specfrac writes."""

from __future__ import annotations

import datetime as dt
import hashlib
import sys
import tomllib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specfrac.errors import InputError, RunSheetError, ScanFileError
from specfrac.settings import assumed_uncertainty, changed_settings, default_settings
from specfrac.sheet import new_sheet, read_run, write_new_sheet
from specfrac.sheet.template import sheet_text

WAVELENGTHS = np.arange(400.0, 701.0, 1.0)
BACKGROUND = 0.02 - 2e-5 * (WAVELENGTHS - 400)

FULL = """
[run]
title = "Chard, bench 2"
method = "acetone soak"
block = "Tuesday"
date = 2026-05-04
tissue_mass_g = 0.503
u_tissue_mass_g = 0.004
tissue_basis = "fresh"
extract_volume_ml = 10.0
loaded_volume_ml = 5.0
u_loaded_volume_ml = 0.03
void_volume_ml = 0.9
target_pigment = "beta-carotene"
target_share = 0.95
[defaults]
solvent = "hexane"
path_length_cm = 1.0
u_path_length_cm = 0.002
bandwidth_nm = 2.0
[settings]
closure_low = 0.6
linear_limit = 1.5
[[fraction]]
name = "extract"
role = "loaded"
scan = "scans/two.csv"
sample = "tube 4"
dilution_factor = 10
[[fraction]]
name = "yellow cut"
role = "cut"
scan = "scans/one.csv"
blank = {file = "scans/two.csv", sample = "solvent"}
solvent = "90 % acetone"
path_length_cm = 0.5
made_up_volume_ml = 5.00
eluted_volume_ml = 2.1
candidates = ["beta-carotene", "β-Cryptoxanthin"]
prepared = 2026-05-04T10:20:00
scanned = "2026-05-04T10:55:00"
[[fraction]]
name = "green wash"
role = "wash"
scans = [
  {file = "scans/two.csv", sample = "tube 4", dilution_factor = 4, u_dilution_factor = 0.1},
  {file = "scans/one.csv", path_length_cm = 0.1},
]
[[fraction]]
name = "rinse"
role = "wash"
[[plate]]
anything = "goes here"
"""


def scan_text(*columns, names=("tube",), wavelengths=WAVELENGTHS):
    lines = [",".join(["wavelength_nm", *names])]
    lines += [
        ",".join([f"{w:g}", *(f"{column[i]:.4f}" for column in columns)])
        for i, w in enumerate(wavelengths)
    ]
    return "\n".join(lines) + "\n"


def peak(height, centre=450.0):
    return height * np.exp(-0.5 * ((WAVELENGTHS - centre) / 15) ** 2)


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "scans").mkdir()
    one = scan_text(peak(0.6))
    two = scan_text(peak(0.8), BACKGROUND, names=("tube 4", "solvent"))
    (tmp_path / "scans" / "one.csv").write_text(one, encoding="utf-8")
    (tmp_path / "scans" / "two.csv").write_text(two, encoding="utf-8")
    return tmp_path


def write(folder, text):
    (folder / "run.toml").write_text(text, encoding="utf-8")
    return folder


def small(**entries):
    """A sheet of one fraction with these entries, as TOML text."""
    lines = [f"{key} = {value}" for key, value in {"name": '"tube"', **entries}.items()]
    return "\n".join(["[[fraction]]", *lines])


def test_every_field_of_a_full_sheet(folder):
    text = FULL.replace('"β-Cryptoxanthin"', '"Lutein"')
    run = read_run(write(folder, text))
    assert (run.title, run.method, run.block, run.date) == (
        "Chard, bench 2",
        "acetone soak",
        "Tuesday",
        "2026-05-04",
    )
    assert (run.tissue_mass.value, run.tissue_mass.uncertainty, run.tissue_mass.unit) == (
        0.503,
        0.004,
        "g",
    )
    assert (run.loaded_volume.value, run.loaded_volume.uncertainty) == (5.0, 0.03)
    assert not run.all_loaded
    assert (run.target_pigment, run.target_share) == ("beta-carotene", 0.95)
    assert run.assumed == ("extract_volume_ml", "void_volume_ml")
    assert run.plates[0]["anything"] == "goes here"

    extract, yellow, green, rinse = run.fractions
    assert (extract.role, extract.solvent, extract.bandwidth) == ("loaded", "hexane", 2.0)
    assert extract.scans[0].sample == "tube 4"
    assert extract.scans[0].dilution_factor.value == 10
    assert extract.assumed == ("dilution_factor",)

    assert yellow.solvent == "acetone-90"
    assert yellow.candidates == ("beta-carotene", "lutein")
    assert (yellow.made_up_volume.value, yellow.made_up_volume.unit) == (5.0, "mL")
    assert yellow.eluted_volume.value == 2.1
    assert (yellow.prepared, yellow.scanned) == ("2026-05-04T10:20:00", "2026-05-04T10:55:00")
    # the uncertainty of the default path length belongs to 1 cm, not to this cuvette
    assert yellow.path_length.value == 0.5
    assert "path_length_cm" in yellow.assumed
    np.testing.assert_allclose(yellow.scans[0].scan.absorbance, peak(0.6) - BACKGROUND, atol=1.1e-4)

    first, second = green.scans
    assert (first.dilution_factor.value, first.dilution_factor.uncertainty) == (4, 0.1)
    assert (second.dilution_factor.value, second.dilution_factor.uncertainty) == (1, 0)
    assert (first.path_length.value, first.path_length.uncertainty) == (1.0, 0.002)
    assert second.path_length.value == 0.1
    assert rinse.scans == ()


def test_inputs_are_listed_once_with_their_digest(folder):
    run = read_run(write(folder, FULL.replace('"β-Cryptoxanthin"', '"lutein"')))
    assert [one.path for one in run.inputs] == ["run.toml", "scans/two.csv", "scans/one.csv"]
    for one in run.inputs:
        assert one.sha256 == hashlib.sha256((folder / one.path).read_bytes()).hexdigest()


def test_the_sheet_itself_may_be_named(folder):
    write(folder, small(scan='"scans/one.csv"'))
    assert read_run(folder / "run.toml").fractions[0].name == "tube"


def test_a_sheet_with_a_byte_order_mark_is_read(folder):
    (folder / "run.toml").write_bytes(b"\xef\xbb\xbf" + small().encode())
    assert read_run(folder).fractions[0].role == "cut"


def test_a_missing_solvent_is_not_guessed(folder):
    run = read_run(write(folder, small(scan='"scans/one.csv"')))
    assert run.fractions[0].solvent is None


def test_all_of_the_extract_is_loaded_unless_the_sheet_says_otherwise(folder):
    run = read_run(write(folder, "[run]\nextract_volume_ml = 8\n" + small()))
    assert run.all_loaded
    assert run.loaded_volume.value == 8


def test_assumed_uncertainties_come_from_the_data_file():
    assert assumed_uncertainty("made_up_volume_ml", 5.0) == pytest.approx(0.05)
    assert assumed_uncertainty("tissue_mass_g", 5.0) == assumed_uncertainty("tissue_mass_g", 0.5)
    assert assumed_uncertainty("dilution_factor", 1) == 0


def test_settings_are_changed_by_the_sheet_and_say_so(folder):
    run = read_run(write(folder, "[settings]\nclosure_low = 0.6\n" + small()))
    assert run.settings["closure_low"] == 0.6
    assert run.settings.limits["closure_low"].changed
    assert default_settings()["closure_low"] == 0.70
    assert not run.settings.limits["closure_high"].changed
    with pytest.raises(InputError, match=r"'closure_lo' is not known.*closure_low"):
        changed_settings({"closure_lo": 0.5})


def test_every_setting_has_source_note_and_range():
    for limit in default_settings().limits.values():
        assert limit.source and limit.note and limit.unit
        assert limit.minimum <= limit.value <= limit.maximum


REFUSED = {
    "unknown top level": ("[runs]\n", r"run.toml: the key 'runs' is not known. Did you mean 'run'"),
    "unknown run key": (
        "[run]\ntisue_mass_g = 1\n",
        r"\[run\]: the key 'tisue_mass_g'.*tissue_mass_g",
    ),
    "unknown default": ("[defaults]\nsolvnt = 'x'\n", r"\[defaults\]: the key 'solvnt'.*solvent"),
    "unknown setting": (
        "[settings]\nclosure_lw = 1\n",
        r"\[settings\]: .*'closure_lw'.*closure_low",
    ),
    "setting out of range": (
        "[settings]\nshare_good = 95\n",
        r"share_good is 95, .*between 0 and 1",
    ),
    "settings out of order": ("[settings]\nshare_usable = 0.99\n", r"share_usable is 0.99, above"),
    "setting as text": (
        "[settings]\nshare_good = '0.9'\n",
        r"share_good is '0.9', but must be a num",
    ),
    "share in percent": ("[run]\ntarget_share = 95\n", r"target_share is 95.*Write 0.95 for 95 %"),
    "target unknown": ("[run]\ntarget_pigment = 'carotin'\n", r"\[run\]: target_pigment names"),
    "zero mass": ("[run]\ntissue_mass_g = 0\n", r"tissue_mass_g is 0, but must be above zero"),
    "negative volume": ("[run]\nloaded_volume_ml = -1\n", r"loaded_volume_ml is -1.*above zero"),
    "nan": ("[run]\nextract_volume_ml = nan\n", r"extract_volume_ml is nan, but must be finite"),
    "loaded too much": (
        "[run]\nextract_volume_ml = 5\nloaded_volume_ml = 6\n",
        r"loaded_volume_ml is 6, more than extract_volume_ml = 5",
    ),
    "basis": ("[run]\ntissue_basis = 'fesh'\n", r"tissue_basis is 'fesh'. Did you mean 'fresh'"),
    "uncertainty alone": ("[run]\nu_tissue_mass_g = 0.1\n", r"u_tissue_mass_g is given without"),
    "negative uncertainty": (
        "[run]\ntissue_mass_g = 1\nu_tissue_mass_g = -0.1\n",
        r"u_tissue_mass_g is -0.1, but must not be negative",
    ),
    "date": ("[run]\ndate = 'May 4'\n", r"date is 'May 4', but must be a date such as 2026"),
    "title a number": ("[run]\ntitle = 3\n", r"title is 3, but must be text"),
    "default path": ("[defaults]\npath_length_cm = 0\n", r"\[defaults\]: path_length_cm is 0"),
    "run is no table": ("run = 3\n", r"run must be a table"),
    "no toml": ("[run\n", r"run.toml: .*line 1"),
}


@pytest.mark.parametrize(("text", "message"), REFUSED.values(), ids=REFUSED)
def test_a_wrong_head_is_refused_with_place_rule_and_value(folder, text, message):
    with pytest.raises(RunSheetError, match=message):
        read_run(write(folder, text + small(scan='"scans/one.csv"')))


REFUSED_FRACTIONS = {
    "unknown key": ({"solvant": '"hexane"'}, r"\[\[fraction\]\] 1: the key 'solvant'.*'solvent'"),
    "no name": ({"name": '" "'}, r"\[\[fraction\]\] 1: name is missing"),
    "role": ({"role": '"cutt"'}, r"\('tube'\): role is 'cutt'. Did you mean 'cut'"),
    "solvent": ({"solvent": '"hexan"'}, r"solvent names .*'hexan'.*Did you mean 'hexane'"),
    "zero volume": (
        {"made_up_volume_ml": "0.0"},
        r"made_up_volume_ml is 0, but must be above zero",
    ),
    "text volume": ({"made_up_volume_ml": '"5,0"'}, r"is '5,0', but must be a number. Write it w"),
    "true volume": ({"made_up_volume_ml": "true"}, r"is True, but must be a number"),
    "negative path": ({"path_length_cm": "-1"}, r"path_length_cm is -1, but must be above zero"),
    "zero dilution": ({"dilution_factor": "0"}, r"dilution_factor is 0, but must be above zero"),
    "inverse dilution": ({"dilution_factor": "0.1"}, r"dilution_factor is 0.1.*at least 1"),
    "bandwidth": ({"bandwidth_nm": "-2"}, r"bandwidth_nm is -2"),
    "candidate": ({"candidates": '["luteine"]'}, r"candidates names .*Did you mean 'lutein'"),
    "candidate twice": ({"candidates": '["lutein", "Lutein"]'}, r"names 'lutein' twice"),
    "no candidates": ({"candidates": "[]"}, r"candidates is an empty list"),
    "times": (
        {"prepared": "2026-05-04T11:00:00", "scanned": "2026-05-04T10:00:00"},
        r"scanned is 2026-05-04 10:00:00, before prepared",
    ),
    "time zones": (
        {"prepared": "2026-05-04T11:00:00Z", "scanned": "2026-05-04T12:00:00"},
        r"must both have a time zone, or neither",
    ),
    "missing file": (
        {"scan": '"scans/on.csv"'},
        r"is 'scans/on.csv', .*no such file.*scans/one.csv",
    ),
    "folder": ({"scan": '"scans"'}, r"is 'scans', which is a folder"),
    "the folder itself": ({"scan": '"."'}, r"is '.', which is a folder"),
    "zero character": ({"scan": '"a\\u0000.csv"'}, r"but there is no such file"),
    "outside": ({"scan": '"../elsewhere.csv"'}, r"outside the run folder.*allow_outside_paths"),
    "absolute": ({"scan": '"/elsewhere.csv"'}, r"outside the run folder"),
    "backslashes": ({"scan": "'..\\elsewhere.csv'"}, r"outside the run folder"),
    "samples": ({"scan": '"scans/two.csv"'}, r"holds 2 samples; choose.*'tube 4', 'solvent'"),
    "sample": (
        {"scan": '"scans/two.csv"', "sample": '"third"'},
        r"sample is 'third', but 'scans/two.csv' holds 'tube 4', 'solvent'",
    ),
    "scan and scans": (
        {"scan": '"scans/one.csv"', "scans": '["scans/one.csv"]'},
        r"scan and scans are both given",
    ),
    "scan a number": ({"scan": "3"}, r"scan is 3, but must be a file name or"),
    "scan entry": ({"scans": '[{fil = "x"}]'}, r"scans is .*but must be a file name or"),
    "scan entry key": (
        {"scans": '[{file = "scans/one.csv", dilution = 2}]'},
        r"scan 1: the key 'dilution' is not known. Did you mean 'dilution_factor'",
    ),
    "blank": ({"scan": '"scans/one.csv"', "blank": "3"}, r"blank is 3, but must be a file name"),
    "quantity": ({"quantity": '"absorbence"'}, r"quantity is 'absorbence'. Did you mean 'absorb"),
    "blank quantity": (
        {"blank": '{file = "scans/one.csv", quantity = "T"}'},
        r"blank: quantity is 'T'.*transmittance",
    ),
    "acid a number": ({"after_acid": "3"}, r"after_acid is 3, but must be a file name or \{ file"),
    "acid empty": ({"after_acid": '" "'}, r"after_acid is empty. Name a scan file"),
    "acid missing": ({"after_acid": '"scans/on.csv"'}, r"after_acid: .*no such file.*one.csv"),
    "acid key": (
        {"after_acid": '{file = "scans/one.csv", dilution = 2}'},
        r"after_acid: the key 'dilution' is not known. Did you mean 'dilution_factor'",
    ),
    "acid sample": ({"after_acid": '"scans/two.csv"'}, r"after_acid: .*holds 2 samples; choose"),
    "acid as before": (
        {"after_acid": '"./scans/one.csv"'},
        r"after_acid is 'tube' of './scans/one.csv', which is a scan before acid too",
    ),
}


@pytest.mark.parametrize(("entries", "message"), REFUSED_FRACTIONS.values(), ids=REFUSED_FRACTIONS)
def test_a_wrong_fraction_is_refused_with_place_rule_and_value(folder, entries, message):
    (folder.parent / "elsewhere.csv").write_text(scan_text(peak(0.5)), encoding="utf-8")
    entries = {"scan": '"scans/one.csv"', **entries} if "scans" not in entries else entries
    with pytest.raises(RunSheetError, match=message):
        read_run(write(folder, small(**entries)))


def test_the_scan_after_acid_takes_over_all_but_the_sample(folder):
    """Path, blank and quantity are those of the tube; what is stated for the scan wins."""
    text = small(
        scan='"scans/two.csv"',
        sample='"tube 4"',
        blank='"scans/one.csv"',
        path_length_cm="0.5",
        dilution_factor="2",
        u_dilution_factor="0.02",
        after_acid='"scans/acid.csv"',
    )
    (folder / "scans" / "acid.csv").write_text(scan_text(peak(0.5)), encoding="utf-8")
    tube = read_run(write(folder, text)).fractions[0]
    assert [one.sample for one in tube.scans] == ["tube 4"]
    after = tube.after_acid
    assert (after.file, after.sample, after.blank) == ("scans/acid.csv", "tube", "scans/one.csv")
    assert (after.path_length.value, after.dilution_factor.value) == (0.5, 2)
    assert after.dilution_factor.uncertainty == 0.02
    np.testing.assert_allclose(after.scan.absorbance, peak(0.5) - peak(0.6), atol=1.1e-4)

    thinned = '{file = "scans/two.csv", sample = "solvent", dilution_factor = 2.01}'
    run = read_run(write(folder, text.replace('"scans/acid.csv"', thinned)))
    after = run.fractions[0].after_acid
    assert (after.sample, after.dilution_factor.value) == ("solvent", 2.01)
    # 2 and its uncertainty belong together: another factor does not take it over
    assert after.dilution_factor.uncertainty != 0.02
    assert [one.path for one in run.inputs] == ["run.toml", "scans/two.csv", "scans/one.csv"]


def test_a_tube_without_acid_has_none_and_acid_alone_is_refused(folder):
    assert read_run(write(folder, small(scan='"scans/one.csv"'))).fractions[0].after_acid is None
    with pytest.raises(RunSheetError, match="after_acid is given without a scan before acid"):
        read_run(write(folder, small(after_acid='"scans/one.csv"')))


def test_a_blank_of_the_scan_after_acid_in_another_solvent_is_refused(folder):
    (folder / "scans" / "b.csv").write_text(scan_text(BACKGROUND), encoding="utf-8")
    acid = '{file = "scans/two.csv", sample = "tube 4", blank = "scans/b.csv"}'
    text = small(scan='"scans/one.csv"', after_acid=acid, solvent='"acetone"')
    text += "\n" + small(name='"b"', role='"blank"', scan='"scans/b.csv"', solvent='"hexane"')
    with pytest.raises(RunSheetError, match=r"'scans/b.csv' is in hexane, but the scan is in acet"):
        read_run(write(folder, text))


def test_the_sheet_says_what_a_file_without_words_holds(folder):
    """Readings of 4 to 9 with no heading could be either, so the loader refuses them."""
    rows = [f"{w:g};{4 + 5 * (w - 400) / 300:.4f}" for w in WAVELENGTHS]
    (folder / "scans" / "bare.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    readings = 4 + 5 * (WAVELENGTHS - 400) / 300
    with pytest.raises(ScanFileError, match="may be absorbance or %T"):
        read_run(write(folder, small(scan='"scans/bare.csv"')))
    for default, own, absorbance in (
        ("percent-transmittance", None, -np.log10(readings / 100)),
        ("percent-transmittance", "absorbance", readings),
        (None, "milliabsorbance", readings / 1000),
    ):
        head = f'[defaults]\nquantity = "{default}"\n' if default else ""
        entry = {"quantity": f'"{own}"'} if own else {}
        text = head + small(scan='"scans/bare.csv"', **entry)
        one = read_run(write(folder, text)).fractions[0].scans[0]
        assert one.quantity == (own or default)
        np.testing.assert_allclose(one.scan.absorbance, absorbance, atol=1e-4)
    with pytest.raises(RunSheetError, match=r"\[defaults\]: quantity is 'percent'"):
        read_run(write(folder, '[defaults]\nquantity = "percent"\n' + small()))


def test_a_blank_is_read_as_its_scan_unless_it_says_otherwise(folder):
    for name, value in (("bare", 5.0), ("air", 6.0)):
        rows = "\n".join(f"{w:g};{value}" for w in WAVELENGTHS)
        (folder / "scans" / f"{name}.csv").write_text(rows + "\n", encoding="utf-8")
    text = small(
        scan='"scans/bare.csv"', blank='"scans/air.csv"', quantity='"percent-transmittance"'
    )
    both = read_run(write(folder, text)).fractions[0].scans[0].scan.absorbance
    np.testing.assert_allclose(both, -np.log10(5 / 6), atol=1e-12)
    own = '{file = "scans/air.csv", quantity = "milliabsorbance"}'
    text = text.replace('"scans/air.csv"', own)
    other = read_run(write(folder, text)).fractions[0].scans[0].scan.absorbance
    np.testing.assert_allclose(other, -np.log10(0.05) - 0.006, atol=1e-12)


def test_fractions_are_needed_and_their_names_differ(folder):
    with pytest.raises(RunSheetError, match=r"there is no \[\[fraction\]\]"):
        read_run(write(folder, "[run]\n"))
    with pytest.raises(RunSheetError, match="name 'Tube' is given to two fractions"):
        read_run(write(folder, small() + "\n" + small(name='"Tube"')))
    loaded = small(name='"a"', role='"loaded"') + "\n" + small(name='"b"', role='"loaded"')
    with pytest.raises(RunSheetError, match="'a' and 'b' both have the role 'loaded'"):
        read_run(write(folder, loaded))


def test_a_blank_in_another_solvent_is_refused(folder):
    text = small(scan='"scans/one.csv"', blank='"scans/b.csv"', solvent='"hexane"')
    text += "\n" + small(name='"blank"', role='"blank"', scan='"scans/b.csv"', solvent='"acetone"')
    (folder / "scans" / "b.csv").write_text(scan_text(BACKGROUND), encoding="utf-8")
    with pytest.raises(
        RunSheetError, match=r"blank 'scans/b.csv' is in acetone, but the scan is in"
    ):
        read_run(write(folder, text))


def test_a_blank_that_does_not_overlap_is_refused_with_its_place(folder):
    far = scan_text(BACKGROUND, names=("hexane",), wavelengths=WAVELENGTHS + 400)
    (folder / "scans" / "b.csv").write_text(far, encoding="utf-8")
    text = small(scan='"scans/one.csv"', blank='"scans/b.csv"')
    with pytest.raises(RunSheetError, match=r"\('tube'\), scan 1: blank 'hexane' .*not overlap"):
        read_run(write(folder, text))


def test_a_blank_of_the_same_file_is_chosen_by_name(folder):
    text = small(scan='"scans/two.csv"', sample='"tube 4"',
                 blank='{file = "scans/two.csv", sample = "solvent"}')  # fmt: skip
    (one,) = read_run(write(folder, text)).fractions[0].scans
    np.testing.assert_allclose(one.scan.absorbance, peak(0.8) - BACKGROUND, atol=1.1e-4)
    assert (one.blank, one.blank_sample, one.scan.metadata["blank"]) == (
        "scans/two.csv",
        "solvent",
        "solvent",
    )


def test_paths_outside_are_read_when_the_sheet_allows_them(folder):
    (folder.parent / "elsewhere.csv").write_text(scan_text(peak(0.5)), encoding="utf-8")
    text = "[run]\nallow_outside_paths = true\n" + small(scan='"../elsewhere.csv"')
    run = read_run(write(folder, text))
    assert run.inputs[1].path == "../elsewhere.csv"


def test_a_link_out_of_the_folder_is_refused(folder):
    target = folder.parent / "elsewhere.csv"
    target.write_text(scan_text(peak(0.5)), encoding="utf-8")
    try:
        (folder / "link.csv").symlink_to(target)
    except OSError:
        pytest.skip("this system makes no symbolic links")
    with pytest.raises(RunSheetError, match="outside the run folder"):
        read_run(write(folder, small(scan='"link.csv"')))


def test_no_folder_and_no_sheet_are_told_apart(tmp_path):
    with pytest.raises(RunSheetError, match="no such folder"):
        read_run(tmp_path / "missing")
    with pytest.raises(RunSheetError, match=r"holds no run.toml.*specfrac new"):
        read_run(tmp_path)


def test_a_sheet_in_another_encoding_is_refused(folder):
    (folder / "run.toml").write_bytes("# café\n".encode("latin-1"))
    with pytest.raises(RunSheetError, match=r"not UTF-8\. Save the sheet as UTF-8"):
        read_run(folder)


def test_entries_without_effect_are_named(folder):
    text = small(role='"loaded"', made_up_volume_ml="5", bandwidth_nm="2", u_bandwidth_nm="0.1")
    assert read_run(write(folder, text)).fractions[0].unused == (
        "u_bandwidth_nm",
        "made_up_volume_ml",
    )


# The same sheet as a table

TABLE = """\
name;role;scan;sample;blank;solvent;made_up_volume_ml;dilution_factor;path_length_cm;bandwidth_nm;\
eluted_volume_ml;candidates;title;tissue_mass_g;u_tissue_mass_g;tissue_basis;target_share
extract;loaded;scans/two.csv;tube 4;;hexane;;10;;2;;;Chard, bench 2;0,503;0,004;fresh;0,95
yellow cut;cut;scans/one.csv;;scans/b.csv;90 % acetone;5,00;;0,5;2;2,1;beta-carotene|lutein;;;;;
green wash;wash;scans/two.csv;tube 4;;hexane;10;4;;2;;;;0,503;;;
green wash;;scans/one.csv;;;;;;0,1;;;;;;;;
;;;;;;;;;;;;;;;;
rinse;wash;;;;;;;;;;;;;;;
"""


def write_table(folder, text):
    (folder / "scans" / "b.csv").write_text(scan_text(BACKGROUND), encoding="utf-8")
    (folder / "run.csv").write_text(text, encoding="utf-8")
    return folder


def test_a_table_says_the_same_as_a_sheet(folder):
    run = read_run(write_table(folder, TABLE))
    assert (run.title, run.tissue_basis, run.target_share) == ("Chard, bench 2", "fresh", 0.95)
    assert (run.tissue_mass.value, run.tissue_mass.uncertainty) == (0.503, 0.004)
    extract, yellow, green, rinse = run.fractions
    assert (extract.role, extract.solvent, extract.bandwidth) == ("loaded", "hexane", 2)
    assert extract.scans[0].dilution_factor.value == 10
    assert yellow.solvent == "acetone-90" and yellow.candidates == ("beta-carotene", "lutein")
    assert (yellow.made_up_volume.value, yellow.eluted_volume.value) == (5, 2.1)
    assert yellow.path_length.value == 0.5
    np.testing.assert_allclose(yellow.scans[0].scan.absorbance, peak(0.6) - BACKGROUND, atol=1.1e-4)
    assert [
        (one.file, one.dilution_factor.value, one.path_length.value) for one in green.scans
    ] == [
        ("scans/two.csv", 4, 1),
        ("scans/one.csv", 1, 0.1),
    ]
    assert rinse.scans == ()
    assert run.inputs[0].path == "run.csv"


def test_parts_of_a_blank_and_of_the_scan_after_acid_are_columns(folder):
    text = (
        "name;scan;sample;blank;blank_sample;after_acid;after_acid_sample;"
        "after_acid_dilution_factor;quantity\n"
        "a;scans/two.csv;tube 4;scans/two.csv;solvent;scans/one.csv;tube;1,01;absorbance\n"
        "b;scans/one.csv;;;;;;;\n"
    )
    tube, other = read_run(write_table(folder, text)).fractions
    first, after = tube.scans[0], tube.after_acid
    assert (first.blank_sample, first.quantity) == ("solvent", "absorbance")
    np.testing.assert_allclose(first.scan.absorbance, peak(0.8) - BACKGROUND, atol=1.1e-4)
    assert (after.sample, after.dilution_factor.value) == ("tube", 1.01)
    np.testing.assert_allclose(after.scan.absorbance, peak(0.6) - BACKGROUND, atol=1.1e-4)
    assert other.after_acid is None


def test_a_table_with_commas_quotes_and_points_is_read(folder):
    text = 'name,scan,made_up_volume_ml,title\n"a, b",scans/one.csv,2.5,"x ""y"""\n'
    run = read_run(write_table(folder, text))
    assert run.fractions[0].name == "a, b" and run.title == 'x "y"'
    assert run.fractions[0].made_up_volume.value == 2.5


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "the table is empty"),
        ("scan\nscans/one.csv\n", "there is no column 'name'"),
        ("name,nmae\na,b\n", r"run.csv: the column 'nmae' is not known. Did you mean 'name'"),
        ("name,role,role\n", "column 'role' stands twice"),
        ("name,role\na,cut,x\n", "row 2: 3 cells, but 2 columns"),
        ("name,made_up_volume_ml\na,0\n", r"run.csv, row 2 \('a'\): made_up_volume_ml is 0, but"),
        ("name,made_up_volume_ml\na,much\n", "made_up_volume_ml is 'much', but must be a number"),
        ("name,title\na,x\nb,y\n", "row 3: title is 'y', but an earlier row has 'x'"),
        ("name,solvent\na,hexane\na,acetone\n", "row 3: solvent is 'acetone', but row 2 has"),
        ("name,role\n,cut\n", "row 2: the name is missing"),
        ('name,title\na,"' + "x" * 200_000 + "\n", "run.csv: the table cannot be read .* quotes"),
        ("name,blank_sample\na,x\n", "row 2: blank_sample is given without blank"),
        (
            "name,after_acid\na,scans/one.csv\na,scans/two.csv\n",
            "row 3: after_acid is 'scans/two.csv', but row 2 has 'scans/one.csv'",
        ),
        ("name\n", r"there is no \[\[fraction\]\]"),
    ],
)
def test_a_wrong_table_is_refused_with_place_rule_and_value(folder, text, message):
    with pytest.raises(RunSheetError, match=message):
        read_run(write_table(folder, text))


def test_two_sheets_in_one_folder_are_refused(folder):
    write(folder, small())
    with pytest.raises(RunSheetError, match=r"holds both run\.toml and run\.csv"):
        read_run(write_table(folder, TABLE))
    (folder / "run.toml").unlink()
    with pytest.raises(RunSheetError, match=r"run\.csv: the folder has a run sheet already"):
        write_new_sheet(folder)


def write_book(folder, sheets):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(folder / "run.xlsx")
    return folder


BOOK = [
    [],
    ["name", "role", "scan", "sample", "made_up_volume_ml", "prepared", "title", "tissue_mass_g"],
    ["extract", "loaded", "scans/two.csv", "tube 4", None, None, "Chard, bench 2", 0.503],
    ["2", "cut", "scans/one.csv", None, 5, dt.datetime(2026, 5, 4, 10, 20), None, None],
]


def test_a_workbook_says_the_same_as_a_table(folder):
    run = read_run(write_book(folder, {"run": BOOK, "scribbles": [["x", "y"]]}))
    assert (run.title, run.tissue_mass.value) == ("Chard, bench 2", 0.503)
    extract, second = run.fractions
    assert (extract.role, extract.scans[0].sample) == ("loaded", "tube 4")
    assert (second.name, second.made_up_volume.value) == ("2", 5.0)
    assert second.prepared == "2026-05-04T10:20:00"
    assert [one.path for one in run.inputs] == ["run.xlsx", "scans/two.csv", "scans/one.csv"]
    named = read_run(write_book(folder, {"any title": BOOK}) / "run.xlsx")
    assert [one.name for one in named.fractions] == ["extract", "2"]


def test_a_wrong_workbook_is_refused_with_place_rule_and_value(folder):
    wrong = [*BOOK, ["3", "cut", "scans/one.csv", None, 0]]
    with pytest.raises(
        RunSheetError, match=r"run.xlsx, row 5 \('3'\): made_up_volume_ml is 0, but"
    ):
        read_run(write_book(folder, {"run": wrong}))
    with pytest.raises(RunSheetError, match=r"run.xlsx: .*sheets 'a', 'b'. Name the one with"):
        read_run(write_book(folder, {"a": BOOK, "b": BOOK}))
    with pytest.raises(RunSheetError, match=r"run.xlsx: the table is empty"):
        read_run(write_book(folder, {"a": []}))
    (folder / "run.xlsx").write_bytes(b"PK\x03\x04 no workbook")
    with pytest.raises(RunSheetError, match=r"run.xlsx: the packed file is damaged"):
        read_run(folder)


def test_without_openpyxl_a_workbook_is_refused_with_the_name_of_the_extra(folder, monkeypatch):
    write_book(folder, {"run": BOOK})
    monkeypatch.setitem(sys.modules, "openpyxl", None)  # importing it raises ImportError
    with pytest.raises(RunSheetError, match=r"run.xlsx: .*pip install 'specfrac\[xlsx\]'"):
        read_run(folder)


def test_rows_of_a_table_are_counted_from_the_top_of_the_file(folder):
    with pytest.raises(RunSheetError, match=r"run.csv, row 5 \('a'\): role is 'ct'"):
        read_run(write_table(folder, "\n \nname,role\n\na,ct,,\n"))
    text = "\tname\tscan\n\ta\tscans/one.csv\n"  # an empty first column
    assert read_run(write_table(folder, text)).fractions[0].scans[0].file == "scans/one.csv"


# The sheet specfrac writes


def test_a_new_sheet_has_a_fraction_for_every_scan_and_is_accepted(folder):
    path = write_new_sheet(folder)
    run = read_run(folder)
    assert path == folder / "run.toml"
    assert [one.name for one in run.fractions] == ["one", "tube 4", "solvent"]
    assert all(len(one.scans) == 1 and one.solvent is None for one in run.fractions)


def test_a_new_sheet_never_overwrites_another(folder):
    write(folder, "# mine\n")
    with pytest.raises(RunSheetError, match="has a run sheet already"):
        write_new_sheet(folder)
    assert (folder / "run.toml").read_text(encoding="utf-8") == "# mine\n"


def test_uncommented_entries_of_a_new_sheet_are_known_keys(folder):
    """Taking the # away must give a sheet that is read, not one with strange keys."""
    lines = new_sheet(folder).splitlines()
    wanted = (
        "quantity",
        "tissue",
        "u_tissue",
        "extract",
        "loaded",
        "void",
        "target",
        "date",
        "block",
    )
    more = ("solvent", "path_", "bandwidth", "made_up", "dilution", "eluted", "prepared", "scanned")
    keys = (*wanted, *more, *default_settings().limits)
    text = "\n".join(
        line[2:] if line.startswith("# ") and line[2:].startswith(keys) else line for line in lines
    )
    run = read_run(write(folder, text))
    assert run.tissue_mass.value == 0.5
    assert {one.solvent for one in run.fractions} == {"hexane"}
    assert run.fractions[0].made_up_volume.value == 5
    assert run.settings.as_dict() == default_settings().as_dict()


def test_an_empty_folder_and_unreadable_files_still_give_a_sheet(tmp_path):
    (tmp_path / "notes.txt").write_text("no scan\nat all\n", encoding="utf-8")
    text = new_sheet(tmp_path)
    assert "notes.txt was left out" in text
    assert tomllib.loads(text)["fraction"][0]["name"] == "tube 1"
    with pytest.raises(RunSheetError, match="no such folder"):
        new_sheet(tmp_path / "missing")


def test_earlier_results_are_no_scans(folder):
    results = folder / "specfrac-results"
    results.mkdir()
    (results / "result.json").write_text("{}", encoding="utf-8")
    (results / "pigments.csv").write_text(scan_text(peak(0.1)), encoding="utf-8")
    assert "pigments.csv" not in new_sheet(folder)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.text(st.characters(exclude_categories=["Cs"]), max_size=20), min_size=1, max_size=3
    ),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
)
def test_any_name_survives_in_a_new_sheet(samples, reason):
    text = sheet_text([("a file.csv", samples)], [(reason, reason)], ["hexane"], ["absorbance"])
    fractions = tomllib.loads(text)["fraction"]
    assert len(fractions) == len(samples)
    assert len({one["name"].casefold() for one in fractions}) == len(samples)
    if len(samples) > 1:
        assert [one["sample"] for one in fractions] == [name.strip() for name in samples]
