"""A scan: what it demands, and taking the blank off."""

from __future__ import annotations

import numpy as np
import pytest

from specfrac.errors import InputError
from specfrac.flags import Flag
from specfrac.scans import Scan, subtract_blank

GRID = np.arange(400.0, 440.0)
READINGS = 0.1 + 0.5 * np.exp(-(((GRID - 420) / 6) ** 2))


@pytest.mark.parametrize(
    ("wavelength", "absorbance", "message"),
    [
        (GRID, READINGS[:-1], r"shape \(40,\) and absorbance \(39,\)"),
        (GRID[:1], READINGS[:1], "1 points; a scan needs at least two"),
        (GRID[::-1], READINGS, "438 nm follows 439 nm, but wavelengths must increase"),
        (np.append(GRID[:-1], np.nan), READINGS, "wavelength number 40 is not finite"),
        (GRID - 400, READINGS, "0 nm must be above zero"),
        (GRID, np.append(READINGS[:-1], np.inf), "absorbance at 439 nm is infinite"),
    ],
)
def test_what_a_scan_demands(wavelength, absorbance, message):
    with pytest.raises(InputError, match=f"scan 'a': .*{message}"):
        Scan("a", wavelength, absorbance)


def test_a_scan_keeps_its_own_arrays_and_cannot_be_changed():
    readings = READINGS.copy()
    scan = Scan("a", GRID, readings, {"file": "a.csv"})
    readings[0] = 9
    assert scan.absorbance[0] == READINGS[0] and len(scan) == 40
    with pytest.raises(ValueError, match="read-only"):
        scan.absorbance[0] = 1
    with pytest.raises(TypeError):
        scan.metadata["file"] = "b.csv"


def test_a_scan_of_checked_arrays_is_the_same_scan():
    flags = (Flag("ceiling", "seen"),)
    one = Scan("a", GRID, READINGS, {"file": "a.csv"}, flags)
    two = Scan.of_checked("a", GRID.copy(), READINGS.copy(), {"file": "a.csv"}, flags)
    assert (one.name, dict(one.metadata), one.flags) == (two.name, dict(two.metadata), two.flags)
    assert two.wavelength.tolist() == GRID.tolist()
    assert two.absorbance.tolist() == READINGS.tolist()
    assert not two.wavelength.flags.writeable and not two.absorbance.flags.writeable


def test_a_blank_is_taken_off_on_the_grid_of_the_scan():
    """A straight line is interpolated exactly, whatever the blank's own grid."""
    coarse = np.arange(390.0, 451.0, 7.0)
    blank = Scan("hexane", coarse, 0.002 * coarse - 0.7)
    left = subtract_blank(Scan("a", GRID, READINGS), blank)
    np.testing.assert_allclose(left.absorbance, READINGS - (0.002 * GRID - 0.7), atol=1e-14)
    assert left.wavelength.tolist() == GRID.tolist()
    assert left.metadata["blank"] == "hexane" and left.flags == ()


def test_a_point_the_blank_lacks_is_not_measured_and_flagged():
    short = Scan("hexane", GRID[5:], np.full(35, 0.01))
    left = subtract_blank(Scan("a", GRID, READINGS), short)
    assert np.flatnonzero(np.isnan(left.absorbance)).tolist() == [0, 1, 2, 3, 4]
    assert [flag.code for flag in left.flags] == ["not-measured"]
    assert "lacks readings at 5 of 40 points" in left.flags[0].message
    readings = np.full(40, 0.01)
    readings[10:13] = np.nan  # a gap is not bridged
    left = subtract_blank(Scan("a", GRID, READINGS), Scan("hexane", GRID, readings))
    assert np.flatnonzero(np.isnan(left.absorbance)).tolist() == [10, 11, 12]
    between = Scan("a", GRID[:-1] + 0.5, READINGS[:-1])
    left = subtract_blank(between, Scan("hexane", GRID, readings))
    assert np.flatnonzero(np.isnan(left.absorbance)).tolist() == [9, 10, 11, 12]


def test_what_was_noticed_on_the_blank_is_told_of_the_scan():
    flags = (Flag("truncated-file", "row 40 was dropped"), Flag("skipped-content", "a log"))
    left = subtract_blank(
        Scan("a", GRID, READINGS, flags=(Flag("ceiling", "seen"),)),
        Scan("hexane", GRID, READINGS, flags=flags),
    )
    assert [(flag.code, flag.message) for flag in left.flags] == [
        ("ceiling", "seen"),
        ("truncated-file", "blank 'hexane': row 40 was dropped"),
    ]


def test_blanks_that_cannot_serve_are_refused():
    scan = Scan("a", GRID, READINGS)
    with pytest.raises(InputError, match=r"blank 'b' \(500-539 nm\) does not overlap scan 'a'"):
        subtract_blank(scan, Scan("b", GRID + 100, READINGS))
    with pytest.raises(InputError, match="blank 'b' has no reading"):
        subtract_blank(scan, Scan("b", GRID, np.full(40, np.nan)))
