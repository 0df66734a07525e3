"""Checks of a scan by itself: smoothing, digitisation, ceilings."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from specfrac import Scan, fit_mixture, load_references
from specfrac.checks import (
    digitisation,
    digitisations,
    flat_top,
    peak_absorbance,
    plateau,
    smoothed,
)
from specfrac.simulate import simulate_scan

WAVELENGTH = np.arange(380.0, 781.0)


def green_scan(peak, seed, *, noise=5e-4, bandwidth=2.0):
    references = load_references().select(solvent="acetone-90")
    shares = {"chlorophyll-a": 1.0, "chlorophyll-b": 0.35, "lutein": 0.2, "beta-carotene": 0.1}
    total = sum(
        share * references.specific_absorptivity(p, WAVELENGTH) for p, share in shares.items()
    )
    return simulate_scan(
        references,
        {p: share * peak / total.max() for p, share in shares.items()},
        wavelength=WAVELENGTH,
        bandwidth=bandwidth,
        noise=noise,
        transmittance_noise=3e-4,
        shape_error_scale=1.0,
        rng=seed,
    )


def test_smoothing_keeps_lines_and_passes_over_gaps():
    wavelength = np.arange(400.0, 450.0)
    line = 0.01 * (wavelength - 400)
    np.testing.assert_allclose(smoothed(wavelength, line)[5:-5], line[5:-5], atol=1e-12)
    holed = line.copy()
    holed[20:22] = np.nan
    assert np.isfinite(smoothed(wavelength, holed)).all()
    holed[:] = np.nan
    assert np.isnan(smoothed(wavelength, holed)).all()


@pytest.mark.parametrize("places", [1, 2, 3, 4, 5])
def test_digitisation_is_the_last_digit(places):
    values = np.random.default_rng(places).normal(0.5, 0.3, 200)
    assert digitisation(np.round(values, places)) == pytest.approx(10.0**-places)
    assert digitisation(values) == 0.0


def test_digitisation_of_many_scans_is_that_of_each():
    rng = np.random.default_rng(1)
    readings = rng.normal(0.5, 0.3, (6, 200))
    rows = np.array(
        [np.round(row, places) for row, places in zip(readings, range(1, 7), strict=True)]
    )
    rows[2, :10] = np.nan
    rows[5] = readings[5]
    rows[4, 150] += 1e-6 / 3  # one reading finer than all others
    expected = [0.1, 0.01, 0.001, 1e-4, 0.0, 0.0]
    np.testing.assert_allclose(digitisations(rows), expected)
    np.testing.assert_allclose([digitisation(row) for row in rows], expected)


def test_peak_is_above_the_red_end():
    wavelength = np.arange(400.0, 761.0)
    band = 0.4 * np.exp(-0.5 * ((wavelength - 450) / 15) ** 2)
    assert peak_absorbance(Scan("s", wavelength, band + 0.1)) == pytest.approx(0.4, abs=5e-3)
    assert np.isnan(peak_absorbance(Scan("s", wavelength, np.full(361, np.nan))))


def test_equal_readings_at_the_top_are_a_ceiling():
    absorbance = np.minimum(green_scan(2.5, 1).absorbance, 1.8)
    flat = flat_top(absorbance, 0.0)
    assert flat.sum() > 10
    assert (absorbance[flat] == 1.8).all()
    assert not flat_top(green_scan(1.9, 1).absorbance, 0.001).any()


@pytest.mark.parametrize("noise", [3e-4, 2e-3])
def test_noisy_ceiling_is_told_by_its_shape(noise):
    rng = np.random.default_rng(3)
    for peak in (1.8, 2.2, 3.0):
        scan = green_scan(peak, 2)
        cut = np.minimum(scan.absorbance, 1.5) + noise * rng.standard_normal(WAVELENGTH.size)
        flat = plateau(WAVELENGTH, smoothed(WAVELENGTH, cut))
        clipped = scan.absorbance > 1.5
        assert flat[clipped].all()
        assert not flat[np.abs(WAVELENGTH - 600) < 40].any()


def test_tops_of_bands_are_no_plateau():
    for seed in range(40):
        peak, bandwidth = 1.0 + 0.03 * seed, (1.0, 2.0, 4.0, 8.0)[seed % 4]
        scan = green_scan(peak, seed, noise=10.0 ** -(3 + seed % 2), bandwidth=bandwidth)
        assert not plateau(WAVELENGTH, smoothed(WAVELENGTH, scan.absorbance)).any()


def test_plateau_needs_a_scan_on_both_sides():
    level = np.full(WAVELENGTH.size, 1.5)
    assert not plateau(WAVELENGTH, level).any()
    assert not plateau(WAVELENGTH, np.full(WAVELENGTH.size, np.nan)).any()


def test_readings_on_a_noisy_ceiling_are_left_out():
    references = load_references().select(solvent="acetone-90")
    scan = green_scan(2.5, 5)
    rng = np.random.default_rng(5)
    cut = np.minimum(scan.absorbance, 1.6) + 2e-3 * rng.standard_normal(WAVELENGTH.size)
    fit = fit_mixture(dataclasses.replace(scan, absorbance=cut), references, bandwidth=2.0)
    (flag,) = [flag for flag in fit.flags if flag.code == "flat-top"]
    assert "1.60" in flag.message
    assert not fit.used[0][scan.absorbance > 1.6].any()
    sound = fit_mixture(scan, references, bandwidth=2.0)
    pool = {g.name: g for g in fit.groups}["chlorophyll-a-pool"]
    value, uncertainty = fit.group_concentration(pool)
    expected = sound.group_concentration(pool)[0]
    assert value == pytest.approx(expected, rel=0.03)
    assert abs(value - expected) < 2 * uncertainty
