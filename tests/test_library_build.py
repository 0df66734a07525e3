"""Building the library: repeatable, faithful to the measured files, tested by leaving one out.

The measured spectra are not part of the project; the environment variable SPECFRAC_SPECTRA
names their folder, and tests that need them are skipped without it. Sources of the files:
Clementson & Wojtasiewicz 2019, Data in Brief 24:103875; Thrane et al. 2015, PLoS ONE
10:e0137645.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from specfrac.errors import InputError
from specfrac.references import load_references, read_table
from specfrac.references.build import (
    fit_folder,
    leave_one_out,
    main,
    moved_shape,
    published_flanks,
    published_maxima,
    published_target,
    read_spectrum,
    recommended_absorptivity,
    stored_shapes,
)
from specfrac.references.shapes import adapted_shape

DATA = Path(__file__).resolve().parents[1] / "reference_spectra"
FOLDER = os.environ.get("SPECFRAC_SPECTRA", "")
needs_spectra = pytest.mark.skipif(
    not FOLDER, reason="SPECFRAC_SPECTRA does not name a folder of measured spectra"
)
ROWS = read_table("spectra.csv").rows
BUILT_IN = [row for row in ROWS if row["role"] == "built-in"]


def test_adapted_cells_come_out_the_same_from_the_stored_bands(tmp_path):
    assert main(["--library", str(tmp_path)]) == 0
    for name in ("bands.csv", "cells.csv", "leave_one_out.csv"):
        assert (tmp_path / name).read_text("utf-8") == (DATA / name).read_text("utf-8"), name
    assert not list(tmp_path.glob("*.part"))


def test_a_missing_folder_is_one_clear_line_and_writes_nothing(tmp_path, capsys):
    assert main([str(tmp_path / "none"), "--library", str(tmp_path)]) == 1
    error = capsys.readouterr().err
    assert "beta-carotene__acetone" in error and error.count("\n") == 1
    assert not list(tmp_path.iterdir())


def test_a_file_that_is_no_spectrum_raises(tmp_path):
    path = tmp_path / "bad.csv"
    path.write_text("# note\nwavelength_nm,value\n400,a\n")
    with pytest.raises(InputError, match=r"bad.csv: not two columns of numbers"):
        read_spectrum(path)


def test_no_recommended_absorptivity_raises():
    with pytest.raises(InputError, match="no recommended row for pheophytin-a in ethanol"):
        recommended_absorptivity("pheophytin-a", "ethanol")


def test_several_recommended_rows_are_averaged():
    # beta-carotene in acetone: 250.0 L/(g cm) and A1% 2559, both marked
    value, uncertainty, sources = recommended_absorptivity("beta-carotene", "acetone")
    assert value == pytest.approx((250.0 + 255.9) / 2)
    assert uncertainty == 0.025
    assert sources == ("JMW97", "CS92")


# Aims: 1 % of the maximum for carotenoids, 4 % for chlorophyll types. Exceptions, with reason:
BEYOND_AIM = {
    # the measured file has %III/II 38, the other source 29 and handbooks 26: some lutein in it
    ("zeaxanthin", "ethanol", "acetone"): 0.013,
    ("zeaxanthin", "acetone", "ethanol"): 0.013,
    # two instruments: %III/II 89 against 92; 0.7 % once the breadth is free as well
    ("neoxanthin", "acetone", "ethanol"): 0.012,
}


def test_leave_one_out_meets_its_aims():
    found = leave_one_out(stored_shapes())
    assert len(found) == 14
    for item in found:
        chlorophyll_type = item.pigment[:4] in ("chlo", "pheo")
        aim = 0.03 if chlorophyll_type else 0.01  # 4 % was asked for chlorophyll types
        limit = BEYOND_AIM.get((item.pigment, item.from_solvent, item.to_solvent), aim)
        assert item.rms <= limit, item
        assert item.rms_breadth <= item.rms + 1e-6
        assert np.abs(item.shifts).max() < 3.0
    carotenoids = [i.rms for i in found if i.pigment[:4] not in ("chlo", "pheo")]
    others = [i.rms for i in found if i.pigment[:4] in ("chlo", "pheo")]
    assert np.sqrt(np.mean(np.square(carotenoids))) <= 0.01
    assert np.sqrt(np.mean(np.square(others))) <= 0.025


def test_breadth_from_published_equations_helps_where_it_applies():
    """Against moving alone: 3.3 to 2.9 and 4.7 to 1.8 % towards ethanol."""
    shapes = stored_shapes()
    red, helped = 700.0, 0
    for pigment, start, end in (
        ("chlorophyll-a", "acetone-90", "ethanol"),
        ("chlorophyll-b", "acetone-90", "ethanol"),
        ("chlorophyll-a", "ethanol", "acetone-90"),
        ("chlorophyll-b", "ethanol", "acetone-90"),
    ):
        source, truth = shapes[pigment, start].shape, shapes[pigment, end].shape
        recipe = {"from_solvent": start, "maxima_pigment": pigment, "maxima_solvent": end}
        target = published_target(recipe, source)
        plain = adapted_shape(source, target)
        moved, sources = moved_shape(recipe, source, target)
        grid = np.arange(max(plain.valid_from, truth.valid_from), red)
        before, after = (left_over(shape, truth, grid) for shape in (plain, moved))
        assert after <= before + 1e-9, (pigment, start)
        helped += bool(sources)
        if sources:
            assert after < 0.9 * before, (pigment, start)
    assert helped == 3


def left_over(shape, truth, grid):
    """Rms of the best multiple over shifts of the whole shape by up to 4 nm."""
    wanted = truth(grid)
    found = []
    for shift in np.arange(-4.0, 4.1, 0.25):
        moved = shape(grid - shift)
        found.append(wanted - moved * (moved @ wanted) / (moved @ moved))
    return min(float(np.sqrt(np.mean(row**2))) for row in found)


def test_flanks_of_one_solvent_scatter_as_the_tolerance_says():
    """Pooled standard deviation of published heights of a red flank between sets."""
    deviations, freedom = 0.0, 0
    for pigment in ("chlorophyll-a", "chlorophyll-b"):
        for solvent in ("acetone-80", "acetone-90", "ethanol", "methanol", "diethyl-ether"):
            red = published_maxima(pigment, solvent, chlorophyll_type=True).second
            known = published_flanks(pigment, solvent, red)
            heights = np.array([flank.height for flank, _ in known])
            assert heights.size >= 2, (pigment, solvent)
            deviations += float(((heights - heights.mean()) ** 2).sum())
            freedom += heights.size - 1
    assert np.sqrt(deviations / freedom) == pytest.approx(0.025, abs=0.005)


def test_a_single_set_of_equations_does_not_set_a_breadth():
    known = published_flanks("chlorophyll-b", "acetone", 644.8)
    assert len(known) == 1  # Lichtenthaler 1987 alone
    # its inverse: chlorophyll b at 661.6 nm over its own 644.8 nm (computed from the equations)
    assert known[0][0].distance == pytest.approx(16.8)
    assert known[0][0].height == pytest.approx(9.37 / 51.63, abs=1e-3)


def test_every_spectrum_in_the_list_has_a_cell_of_its_grade():
    grades = {row["dataset"]: row["grade"] for row in read_table("datasets.csv").rows}
    for row in BUILT_IN:
        entry = load_references().cell(row["pigment"], row["solvent"])
        assert entry.grade == grades[row["dataset"]]
        assert entry.valid_from == float(row["from_nm"])
        assert entry.shape_error == float(row["shape_error"])


def file_curve(row: dict[str, str]) -> tuple[np.ndarray, np.ndarray]:
    """A file with its long-wavelength offset removed, read apart from the build."""
    text = (Path(FOLDER) / row["file"]).read_text("utf-8")
    lines = [line for line in text.splitlines() if line[:1].isdigit()]
    wavelength, values = np.array([[float(x) for x in line.split(",")] for line in lines]).T
    if row["offset_from_nm"]:
        low, high = float(row["offset_from_nm"]), float(row["offset_to_nm"])
        values = values - np.mean(values[(wavelength >= low) & (wavelength <= high)])
    used = (wavelength >= float(row["from_nm"])) & (wavelength <= float(row["to_nm"]))
    return wavelength[used], values[used]


@needs_spectra
@pytest.mark.parametrize("row", BUILT_IN, ids=[row["file"] for row in BUILT_IN])
def test_stored_shape_leaves_less_than_half_a_percent_of_the_file(row):
    wavelength, values = file_curve(row)
    shape = load_references().cell(row["pigment"], row["solvent"]).shape(wavelength)
    scale = (shape @ values) / (shape @ shape)
    rms = np.sqrt(np.mean((values - scale * shape) ** 2)) / values.max()
    assert rms < 0.005


@pytest.fixture(scope="module")
def fitted():
    return fit_folder(Path(FOLDER))


@needs_spectra
def test_fits_keep_maxima_ratios_and_fine_structure_of_the_files(fitted):
    for item in fitted:
        row = item.row
        assert item.fit.success, row
        assert item.fit.relative_rms < 0.002, row
        assert abs(item.measured.main - item.fitted.main) < 1.0, row
        assert abs(item.measured.second - item.fitted.second) < 1.0, row
        if "red" in item.shape.region:
            assert item.fitted.ratio == pytest.approx(item.measured.ratio, rel=0.015), row
        else:
            assert abs(item.fitted.ratio - item.measured.ratio) < 3.0, row


@needs_spectra
def test_fits_made_anew_are_the_stored_shapes(fitted):
    library = load_references()
    grid = np.arange(400.0, 700.0)
    for item in fitted:
        if item.row["role"] != "built-in":
            continue
        stored = library.cell(item.row["pigment"], item.row["solvent"]).shape(grid)
        # another version of the solver may end elsewhere in a flat valley, with the same sum
        np.testing.assert_allclose(item.shape(grid), stored, atol=0.004)


@needs_spectra
def test_two_sources_of_one_shape_agree():
    """Beta-carotene in acetone from both sources: 0.26 % rms without shift (data notes)."""
    row = next(row for row in ROWS if row["role"] == "cross-check")
    wavelength, values = file_curve(row)
    used = wavelength >= 400
    shape = load_references().cell("beta-carotene", "acetone").shape(wavelength[used])
    basis = np.column_stack([shape, np.ones_like(shape)])
    left = values[used] - basis @ np.linalg.lstsq(basis, values[used], rcond=None)[0]
    assert np.sqrt(np.mean(left**2)) / values.max() < 0.005
