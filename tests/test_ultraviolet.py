"""What a yellow tube shows below the range of its fit."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from specfrac import fit_mixture, load_references
from specfrac.simulate import simulate_scan

CODES = {"cis-peak", "ultraviolet-absorbance"}


@pytest.fixture(scope="module")
def references():
    return load_references().select(solvent="hexane")


def yellow_scan(references, seed, *, start=300.0, others=None):
    """Beta-carotene of peak absorbance 0.5 in hexane, with the errors of the error model."""
    wavelength = np.arange(start, 761.0)
    absorptivity = references.specific_absorptivity("beta-carotene", wavelength).max()
    return simulate_scan(
        references,
        {"beta-carotene": 0.5 / absorptivity, **(others or {})},
        wavelength=wavelength,
        bandwidth=2.0,
        noise=4e-4,
        offset=0.002,
        scatter=0.002,
        shape_error_scale=1.0,
        rng=seed,
    )


def with_extra(scan, extra):
    return dataclasses.replace(scan, absorbance=scan.absorbance + extra)


def cis_band(scan, height):
    """A cis peak lies near 338 nm in hexane (common handbooks, from memory)."""
    return with_extra(scan, height * np.exp(-0.5 * ((scan.wavelength - 338.0) / 9.0) ** 2))


def edge(scan, at_340):
    return with_extra(scan, at_340 * np.exp(-(scan.wavelength - 340.0) / 8.0))


def found(scan, references):
    return [f for f in fit_mixture(scan, references, bandwidth=2.0).flags if f.code in CODES]


def test_sound_scans_show_nothing(references):
    for seed in range(10):
        for start in (300.0, 340.0):
            assert not found(yellow_scan(references, seed, start=start), references)


@pytest.mark.parametrize("height", [0.05, 0.2])
def test_cis_peak_is_named_where_the_scan_shows_both_its_sides(references, height):
    (flag,) = found(cis_band(yellow_scan(references, 1), height), references)
    assert (flag.code, flag.severity) == ("cis-peak", "warn")
    place, stands = re.search(r"at (\d+) nm stands ([\d.]+)", flag.message).groups()
    assert float(place) == pytest.approx(338, abs=2)
    assert float(stands) == pytest.approx(height, abs=0.01)


def test_one_side_of_a_cis_peak_leaves_the_cause_open(references):
    (flag,) = found(cis_band(yellow_scan(references, 2, start=340.0), 0.1), references)
    assert flag.code == "ultraviolet-absorbance"
    assert "cis isomer" in flag.message
    assert "a scan from 316 nm tells" in flag.message


def test_rising_edge_is_no_cis_peak(references):
    (flag,) = found(edge(yellow_scan(references, 3), 0.05), references)
    assert (flag.code, flag.severity) == ("ultraviolet-absorbance", "note")
    assert "cis" not in flag.message


def test_what_is_not_used_moves_no_amount(references):
    scan = yellow_scan(references, 4)
    plain = fit_mixture(scan, references, bandwidth=2.0)
    marked = fit_mixture(edge(scan, 0.3), references, bandwidth=2.0)
    assert marked.concentration[0] == pytest.approx(plain.concentration[0], rel=5e-3)


def test_green_tubes_are_not_looked_at(references):
    green = {"chlorophyll-a": 2e-3}
    scan = cis_band(yellow_scan(references, 5, others=green), 0.2)
    assert not found(scan, references)
