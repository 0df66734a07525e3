"""Instrument checks against published values and against simulated faults.

Published numbers are those of the check of each standard as it was read, at second
hand, or recalled; the source stands beside each.
"""

from __future__ import annotations

import json
import math
import re

import numpy as np
import pytest

from specfrac.bench_settings import qualification_limits
from specfrac.errors import InputError, RunSheetError
from specfrac.qualify import (
    SETS,
    band_position,
    check_absorbance,
    check_baseline,
    check_drift,
    check_linearity,
    check_noise,
    check_resolution,
    check_stray_light,
    check_two_path,
    check_wavelength,
    estimated_bandwidth,
    qualification,
    qualification_flags,
    qualify_scan,
    reference_positions,
    reference_values,
    references_of,
    two_path_ratio,
)
from specfrac.qualify.files import (
    find_qualification,
    qualification_template,
    qualification_text,
    read_qualification,
)
from specfrac.report.bench_files import write_qualification
from specfrac.scans import Scan
from specfrac.simulate import stray_light

# European Pharmacopoeia 2.2.25, as reproduced on a public page (second-hand)
HOLMIUM = (241.15, 287.15, 361.5, 536.3)
# Indian Pharmacopoeia 1996 as quoted on a public page: A(1 %, 1 cm) and allowed range,
# and the absorbance of exactly 60.00 mg/L, computed
DICHROMATE = {235: (124.5, 122.9, 126.2, 0.7470), 257: (144.5, 142.8, 146.2, 0.8670),
              313: (48.6, 47.0, 50.3, 0.2916), 350: (107.3, 105.6, 109.0, 0.6438)}  # fmt: skip
# a reference-material supplier's page: nominal absorbance in 10 mm, perchloric acid
PERCHLORIC = {
    235: (0.246, 0.493, 0.743, 0.994, 1.247),
    257: (0.286, 0.574, 0.865, 1.157, 1.452),
    313: (0.096, 0.193, 0.290, 0.387, 0.484),
    350: (0.214, 0.428, 0.643, 0.858, 1.074),
}
AMOUNTS = (20.0, 40.0, 60.0, 80.0, 100.0)


def peaks(
    places, *, shift=0.0, step=0.2, width=2.0, offset=0.05, noise=0.0, start=230.0, stop=660.0
):
    grid = np.arange(start, stop, step)
    rng = np.random.default_rng(2)
    total = offset + noise * rng.standard_normal(grid.size)
    for place in places:
        total = total + 0.6 * np.exp(-0.5 * ((grid - place - shift) / width) ** 2)
    return Scan("standard", grid, total)


# Wavelength


@pytest.mark.parametrize("shift", [-1.3, -0.27, 0.0, 0.4, 1.8])
@pytest.mark.parametrize("step", [0.1, 0.5, 1.0])
def test_band_positions_are_found_to_a_tenth_of_a_nanometre(shift, step):
    scan = peaks(HOLMIUM, shift=shift, step=step, noise=5e-4)
    for place in HOLMIUM:
        found = band_position(scan.wavelength, scan.absorbance, place, 5.0)
        assert found == pytest.approx(place + shift, abs=0.1)


def test_a_band_that_is_not_there_is_not_found():
    scan = peaks([400.0])
    rng = np.random.default_rng(3)
    for noise in (0.0, 5e-4):
        flat = scan.absorbance + noise * rng.standard_normal(scan.wavelength.size)
        assert math.isnan(band_position(scan.wavelength, flat, 500.0, 5.0, prominence=0.003))


def test_holmium_positions_pass_on_a_true_scale_and_fail_on_a_moved_one():
    good = check_wavelength(peaks(HOLMIUM, shift=0.2), "holmium-perchlorate")
    assert good.passed and len(good.rows) == 4
    assert [row.expected for row in good.rows] == list(HOLMIUM)
    bad = check_wavelength(peaks(HOLMIUM, shift=1.5), "holmium-perchlorate")
    # limits: 1 nm in the ultraviolet, 2 nm in the visible
    assert [row.passed for row in bad.rows] == [False, False, False, True]
    assert "all moved alike" in bad.sentence
    assert {row.status for row in bad.rows} == {"second-hand"}


def test_lamp_lines_are_typed_in():
    check = check_wavelength({435.83: 436.0, 546.07: 549.0}, "mercury-lamp")
    assert [row.name for row in check.rows] == ["Hg 435.83", "Hg 546.07"]
    assert [row.passed for row in check.rows] == [True, False]
    with pytest.raises(InputError, match=r"it has .*435\.83"):
        check_wavelength({500.0: 500.1}, "mercury-lamp")


def test_positions_by_bandwidth_are_interpolated_and_marked_as_recalled():
    # the table is recalled from the SRM 2034 certificate: only its use is tested
    at_2 = {one.name: one for one in reference_positions("holmium-perchlorate-by-bandwidth", 2.0)}
    assert at_2["band 4"].wavelength == 287.47
    between = reference_positions("holmium-perchlorate-by-bandwidth", 1.5)
    assert between[3].wavelength == pytest.approx((287.18 + 287.47) / 2)
    assert {one.status for one in between} == {"memory"}
    for bandwidth in (None, 5.0):
        with pytest.raises(InputError, match="depend on the bandwidth"):
            reference_positions("holmium-perchlorate-by-bandwidth", bandwidth)


def test_own_certificate_goes_before_the_table():
    check = check_wavelength({453.4: 453.5}, "my filter", certified=[453.4])
    assert check.passed and check.rows[0].status == "certificate"


# Absorbance


@pytest.mark.parametrize("wavelength", DICHROMATE)
def test_dichromate_of_sixty_mg_per_litre(wavelength):
    value, low, high, at_60 = DICHROMATE[wavelength]
    check = check_absorbance({wavelength: at_60}, "dichromate-sulfuric", concentration=60.0)
    (row,) = check.rows
    assert row.expected == pytest.approx(at_60, abs=5e-5)
    # the allowed range of A(1 %, 1 cm), as absorbance
    for a1, passed in ((low + 0.01, True), (high - 0.01, True), (high + 0.4, False)):
        read = a1 * 60e-4
        limit = (high - low) / 2 * 60e-4
        got = check_absorbance({wavelength: read}, "dichromate-sulfuric", concentration=60.0)
        assert got.rows[0].limit == pytest.approx(limit)
        inside = abs(a1 - value) <= (high - low) / 2  # the range is not quite symmetric
        assert got.passed is (passed and inside)


def test_dichromate_in_perchloric_acid_at_and_between_the_table():
    check = check_absorbance(
        {w: values[2] for w, values in PERCHLORIC.items()}, "dichromate-perchloric",
        concentration=60.0,
    )  # fmt: skip
    assert check.passed and all(row.difference == pytest.approx(0) for row in check.rows)
    half = check_absorbance(
        {235: 0.5 * 0.743}, "dichromate-perchloric", concentration=60, path_length=0.5
    )
    assert half.rows[0].expected == pytest.approx(0.3715)
    with pytest.raises(InputError, match="covers 20 to 100"):
        check_absorbance({235: 0.1}, "dichromate-perchloric", concentration=10.0)
    with pytest.raises(InputError, match="needs its concentration"):
        check_absorbance({235: 0.1}, "dichromate-perchloric")


def test_certified_filter_has_the_limit_widened_by_its_own_uncertainty():
    def filter_check(read):
        return check_absorbance({546: read}, "grey", certified={546.0: (0.500, 0.002)})

    assert filter_check(0.513).passed and not filter_check(0.516).passed


# Stray light


def test_two_path_formula():
    assert two_path_ratio(0.7) == pytest.approx(0.009953, abs=5e-7)  # computed from the rule
    assert check_two_path(0.71, "potassium-chloride").passed
    assert not check_two_path(0.65, "potassium-chloride").passed


def test_cut_off_filter_must_read_two():
    assert check_stray_light({300: 2.4}, "acetone").passed
    assert not check_stray_light({300: 1.9}, "acetone").passed
    with pytest.raises(InputError, match="no reading at 300"):
        check_stray_light({450: 2.4}, "acetone")


def test_stray_light_hides_behind_the_filter():
    # with 2 % stray light a filter of true A 5 reads log10(1.02/0.02) = 1.71
    read = float(stray_light([5.0], 0.02)[0])
    assert not check_stray_light({300: read}, "acetone").passed


# Resolution


def test_toluene_ratio_and_bandwidth():
    # procedures quoting the pharmacopoeia: at least 1.5; a supplier's table by bandwidth
    assert check_resolution({269: 0.60, 266: 0.30}).passed
    assert not check_resolution({269: 0.42, 266: 0.30}).passed
    for width, low, high in ((0.5, 2.4, 2.5), (1.0, 2.0, 2.1), (1.5, 1.6, 1.7), (2.0, 1.3, 1.4)):
        assert estimated_bandwidth((low + high) / 2) == pytest.approx(width)
    assert math.isnan(estimated_bandwidth(4.0))


# Noise, drift, baseline


@pytest.mark.parametrize("sigma", [2e-4, 3e-3])
def test_noise_is_estimated_from_series_and_scan(sigma):
    rng = np.random.default_rng(5)
    series = 0.01 + 1e-5 * np.arange(200) + sigma * rng.standard_normal(200)
    check = check_noise(series)
    assert check.rows[0].found == pytest.approx(sigma, rel=0.15)
    assert check.passed is (sigma < 1e-3)
    grid = np.arange(400.0, 800.0)
    scan = Scan("b", grid, 1e-5 * (grid - 400) + sigma * rng.standard_normal(grid.size))
    assert check_noise(scan).rows[0].found == pytest.approx(sigma, rel=0.15)


def test_drift_needs_time_and_a_known_slope():
    hours = np.linspace(0, 1, 13)
    steady = check_drift(hours, 2e-4 * hours)
    assert steady.passed and steady.rows[0].found == pytest.approx(2e-4)
    assert check_drift(hours, 4e-3 * hours).passed is False
    assert check_drift(hours / 10, 2e-4 * hours / 10).passed is None
    rng = np.random.default_rng(1)
    assert check_drift(hours, 0.01 * rng.standard_normal(13)).passed is None


def test_baseline_is_flat_or_not():
    grid = np.arange(350.0, 800.0)
    flat = Scan("b", grid, np.full(grid.size, 0.002))
    stepped = Scan("b", grid, np.where(grid < 360, 0.02, 0.0))
    assert check_baseline(flat).passed
    bad = check_baseline(stepped)
    assert not bad.passed and bad.rows[0].name.startswith("worst, at 35")
    off = check_baseline(Scan("b", grid, np.full(grid.size, 0.02)))
    assert [row.passed for row in off.rows] == [True, False]


# Linearity


def test_straight_series_passes():
    amounts = np.array([1 / 16, 1 / 8, 1 / 4, 1 / 2, 1])
    assert check_linearity(amounts, 1.5 * amounts).passed


def test_stray_light_bends_the_series_and_its_size_is_estimated():
    amounts = np.array([1 / 16, 1 / 8, 1 / 4, 1 / 2, 1])
    read = stray_light(2.4 * amounts, 0.005)
    check = check_linearity(amounts, read)
    assert check.passed is False
    assert "straight up to A" in check.sentence
    (percent,) = re.findall(r"Stray light of about ([0-9.]+) %", check.sentence)
    assert float(percent) == pytest.approx(0.5, rel=0.15)


@pytest.mark.parametrize("wavelength", PERCHLORIC)
def test_true_curvature_of_dichromate_is_no_fault(wavelength):
    read = PERCHLORIC[wavelength]
    known = check_linearity(AMOUNTS, read, standard="dichromate-perchloric", wavelength=wavelength)
    assert known.passed
    # and whoever does not say what it is, is not told that the instrument is at fault
    strict = qualification_limits({"linearity_max": 0.005, "linearity_absolute": 0.001})
    unknown = check_linearity(AMOUNTS, read, limits=strict)
    assert unknown.passed is not False
    if any(row.passed is None for row in unknown.rows):
        assert "before blaming the instrument" in unknown.sentence


def test_rising_faster_than_the_amount_is_not_the_instrument():
    amounts = np.array([1 / 8, 1 / 4, 1 / 2, 1])
    check = check_linearity(amounts, amounts * np.array([1.0, 1.0, 1.0, 1.15]) * 1.2)
    assert check.passed is not False and "Stray light cannot do that" in check.sentence


# A whole one


def test_visible_set_asks_for_what_a_simple_instrument_can_do():
    check = check_wavelength({546.07: 546.3}, "mercury-lamp")
    result = qualification([check], instrument="bench 2", set_name="visible")
    assert result.passed and result.missing == ("noise", "baseline", "linearity")
    assert "Not checked: noise, baseline, linearity" in result.sentence
    assert "resolution" not in SETS["visible"] and "stray-light" in SETS["full"]


def test_values_and_limits_from_memory_are_flagged():
    noisy = check_noise([0.0, 0.01, -0.01, 0.005, -0.02, 0.0])
    flags = qualification([noisy]).flags
    assert {flag.code for flag in flags} == {"qualification-failed", "qualification-memory"}
    own = qualification_limits({"noise_max": 0.0005})
    assert "qualification-memory" not in {
        flag.code for flag in qualification([check_noise([0, 0, 0, 0, 0], limits=own)]).flags
    }


def test_every_reference_has_source_and_standing():
    for one in reference_values():
        assert one.source and one.status in ("second-hand", "memory")
    with pytest.raises(InputError, match="Did you mean 'holmium-glass'"):
        references_of("wavelength", "holmium-glas")


def test_one_scan_of_one_standard():
    result = qualify_scan(peaks(HOLMIUM), "holmium-perchlorate")
    assert result.passed and result.checks[0].kind == "wavelength"
    grid = np.arange(400.0, 800.0)
    blank = qualify_scan(Scan("blank", grid, 1e-4 * np.sin(grid)), "blank")
    assert [check.kind for check in blank.checks] == ["noise", "baseline"]
    with pytest.raises(InputError, match="is not known"):
        qualify_scan(peaks(HOLMIUM), "neodymium")


# Files


def write_scan(path, scan):
    rows = [f"{w:.2f},{a:.5f}" for w, a in zip(scan.wavelength, scan.absorbance, strict=True)]
    path.write_text("\n".join(["wavelength_nm,A", *rows]))


def test_template_is_a_working_sheet(tmp_path):
    (tmp_path / "qualification.toml").write_text(qualification_template())
    result = read_qualification(tmp_path)
    assert result.set_name == "visible" and result.date == "2026-05-04"
    assert [check.kind for check in result.checks] == ["wavelength", "noise", "linearity"]
    assert result.passed, qualification_text(result)
    # every line that is only commented out is right as well
    text = "\n".join(
        line.removeprefix("# ")
        if " = " in line or line.startswith("# [") or "hours" in line
        else line
        for line in qualification_template().splitlines()
        if "scan =" not in line and "453.4" not in line
    )
    text = text.replace('kind = "baseline"', 'kind = "baseline"\nscan = "blank.csv"')
    ratio = "readings = [{ nm = 269, found = 0.6 }, { nm = 266, found = 0.3 }]"
    text = text.replace('standard = "toluene-hexane"', ratio)
    grid = np.arange(400.0, 701.0)
    write_scan(tmp_path / "blank.csv", Scan("b", grid, 1e-4 * np.sin(grid)))
    (tmp_path / "qualification.toml").write_text(text)
    full = read_qualification(tmp_path)
    assert {check.kind for check in full.checks} == set(SETS["full"])


def test_record_page_and_what_a_run_says_of_it(tmp_path):
    run = tmp_path / "run"
    run.mkdir()
    assert find_qualification(run) is None
    assert qualification_flags(None)[0].code == "qualification-missing"
    (tmp_path / "qualification.toml").write_text(qualification_template())
    result = read_qualification(tmp_path)
    paths = write_qualification(result, tmp_path)
    assert [path.name for path in paths] == [
        "qualification.json", "qualification.csv", "qualification.html"
    ]  # fmt: skip
    first = [path.read_bytes() for path in paths]
    assert [path.read_bytes() for path in write_qualification(result, tmp_path)] == first
    record = find_qualification(run)
    assert record["passed"] and not qualification_flags(record, run_date="2026-06-01")
    old = qualification_flags(record, run_date="2028-06-01")
    assert [flag.code for flag in old] == ["qualification-old"]
    failed = dict(record, passed=False, sentence="Failed: wavelength.")
    assert qualification_flags(failed)[0].code == "qualification-failed"
    page = paths[2].read_text()
    assert "Hg 435.83" in page and "<svg" in page and "<script" not in page
    assert "none of them releases an instrument" in page


def test_a_record_that_is_none_is_refused(tmp_path):
    (tmp_path / "qualification.json").write_text(json.dumps({"format": 9}))
    with pytest.raises(InputError, match="format 1"):
        find_qualification(tmp_path)


@pytest.mark.parametrize(
    ("sheet", "message"),
    [
        ("", r"no \[\[check\]\]"),
        ('[[check]]\nkind = "wavelenght"', "Did you mean 'wavelength'"),
        ('[[check]]\nkind = "wavelength"\nstandart = "x"', "Did you mean 'standard'"),
        ('[[check]]\nkind = "wavelength"\nstandard = "mercury-lamp"', "readings or a scan"),
        ('[[check]]\nkind = "baseline"\nscan = "../x.csv"', "outside the folder"),
        ('[[check]]\nkind = "baseline"\nscan = "x.csv"', "no such file"),
        ('[[check]]\nkind = "noise"\nseries = [0.1, 0.2]', "at least 5"),
        ('[limits]\nnoise = 1\n[[check]]\nkind = "noise"', "Did you mean 'noise_max'"),
        ('[instrument]\noperator = "Ada Example"\n[[check]]\nkind = "noise"', "not a code"),
        ('[[check]]\nkind = "linearity"\nseries = [{ absorbance = 1.0 }]', "dilution_factor or"),
    ],
)
def test_sheets_that_break_a_rule_are_refused(tmp_path, sheet, message):
    (tmp_path / "qualification.toml").write_text(sheet)
    with pytest.raises(RunSheetError, match=message):
        read_qualification(tmp_path)


def test_pictures_hold_readings_and_limits():
    from matplotlib.figure import Figure

    from specfrac.qualify.plot import draw_check

    check = check_wavelength(peaks(HOLMIUM, shift=1.5), "holmium-perchlorate")
    ax = draw_check(check, Figure().subplots())
    assert ax.get_xlabel() == "reference position, nm"
    drawn = [line.get_ydata()[0] for line in ax.lines if line.get_marker() in ("X", "o")]
    assert drawn == pytest.approx(list(check.y))
    assert sum(line.get_marker() == "X" for line in ax.lines) == 3
