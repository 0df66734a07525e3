"""Positions of bands: against closed forms, a library's filter, and Monte Carlo."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specfrac import InputError, Scan
from specfrac.band_positions import differentiate, find_bands, reading_noise
from specfrac.bands import gaussian_bands
from specfrac.simulate import smooth_curve

GRID = np.arange(380.0, 561.0)


def scan_of(centre, height, width, grid=GRID, noise=0.0, rng=None):
    values = gaussian_bands(grid, centre, height, width)
    if noise:
        values = values + rng.normal(0.0, noise, grid.size)
    return Scan("bands", grid, values)


def test_smoothing_is_the_filter_of_scipy():
    from scipy.signal import savgol_filter

    rng = np.random.default_rng(1)
    scan = scan_of([450.0], [0.5], [10.0], noise=1e-2, rng=rng)
    found = differentiate(scan, window=13.0)
    for order in range(5):
        expected = savgol_filter(scan.absorbance, 15, 4, deriv=order, delta=1.0)
        assert found.orders[order, 7:-7] == pytest.approx(expected[7:-7], abs=1e-9)
        assert np.isnan(found.orders[order, :7]).all()


def test_a_polynomial_of_degree_four_is_kept():
    x = (GRID - 470.0) / 50.0
    found = differentiate(Scan("quartic", GRID, 0.5 - 0.3 * x**2 + 0.1 * x**4))
    inner = slice(10, -10)
    assert found.orders[0, inner] == pytest.approx((0.5 - 0.3 * x**2 + 0.1 * x**4)[inner])
    assert found.orders[2, inner] == pytest.approx(((-0.6 + 1.2 * x**2) / 50.0**2)[inner])


@settings(max_examples=40, deadline=None)
@given(centre=st.floats(430.0, 500.0), width=st.floats(6.0, 25.0), step=st.floats(0.3, 2.0))
def test_a_single_band_is_found_where_it_is(centre, width, step):
    grid = np.arange(380.0, 560.0, step)
    (band,) = find_bands(scan_of([centre], [0.7], [width], grid=grid), noise=1e-5)
    assert band.kind == "maximum"
    assert band.wavelength == pytest.approx(centre, abs=0.02)
    # -A'' of a Gaussian at its centre is h/σ²; the window takes a little off narrow ones
    assert band.curvature == pytest.approx(0.7 / width**2, rel=0.12)


def test_a_shoulder_lies_where_the_curvature_is_strongest():
    scan = scan_of([450.0, 425.0], [0.8, 0.35], [10.0, 9.0])
    shoulder, top = find_bands(scan, noise=1e-5)
    assert (shoulder.kind, top.kind) == ("shoulder", "maximum")
    fine = np.arange(415.0, 432.0, 0.01)
    curve = gaussian_bands(fine, [450.0, 425.0], [0.8, 0.35], [10.0, 9.0])
    second = np.gradient(np.gradient(curve, fine), fine)
    assert shoulder.wavelength == pytest.approx(fine[np.argmin(second)], abs=0.4)


@pytest.mark.parametrize("noise", [1e-3, 4e-3])
def test_uncertainty_is_the_scatter_of_repeats(noise):
    rng = np.random.default_rng(2)
    tops, stated, shoulders, own = [], [], [], []
    for _ in range(150):
        found = find_bands(scan_of([450.0, 425.0], [0.8, 0.4], [10.0, 9.0], noise=noise, rng=rng))
        # noise can make a small maximum of the shoulder
        top = [band for band in found if band.kind == "maximum" and band.wavelength > 440]
        side = [band for band in found if band.kind == "shoulder" and band.wavelength > 400]
        tops.append(top[0].wavelength)
        stated.append(top[0].uncertainty)
        if side:
            shoulders.append(side[0].wavelength)
            own.append(side[0].uncertainty)
    # the standard deviation of 150 repeats is known to 6 %; the baseline adds to the stated one
    assert np.std(tops) < 1.2 * np.median(stated)
    assert np.median(stated) < 1.7 * np.std(tops)
    if len(shoulders) > 100:
        assert 0.6 < np.std(shoulders) / np.median(own) < 1.6


def test_noise_makes_no_bands():
    rng = np.random.default_rng(3)
    grid = np.arange(340.0, 801.0)
    found = [find_bands(Scan("noise", grid, rng.normal(0.0, 1e-3, grid.size))) for _ in range(60)]
    assert np.mean([len(bands) > 0 for bands in found]) < 0.05


def test_noise_of_a_smoothed_scan_makes_few_bands():
    rng = np.random.default_rng(4)
    grid = np.arange(340.0, 801.0)
    found = [find_bands(Scan("s", grid, 1e-3 * smooth_curve(grid, 3.0, rng))) for _ in range(60)]
    assert np.mean([len(bands) for bands in found]) < 1.0


def test_an_offset_moves_nothing_and_twice_the_absorbance_moves_nothing():
    scan = scan_of([450.0, 425.0], [0.4, 0.15], [10.0, 9.0])
    places = [band.wavelength for band in find_bands(scan, noise=1e-5)]
    for changed in (scan.absorbance + 0.05, 2 * scan.absorbance):
        again = find_bands(replace(scan, absorbance=changed), noise=1e-5)
        assert [band.wavelength for band in again] == pytest.approx(places, abs=1e-6)


def test_a_gap_is_not_bridged():
    values = gaussian_bands(GRID, [450.0], [0.8], [10.0])
    values[(GRID > 440) & (GRID < 460)] = np.nan
    assert find_bands(Scan("gap", GRID, values), noise=1e-4) == ()
    holed = GRID[(GRID < 440) | (GRID > 460)]
    cut = Scan("cut", holed, gaussian_bands(holed, [450.0], [0.8], [10.0]))
    assert find_bands(cut, noise=1e-4) == ()


def test_uneven_grids_are_understood():
    rng = np.random.default_rng(5)
    grid = np.sort(rng.uniform(400.0, 520.0, 160))
    (band,) = find_bands(scan_of([455.3], [0.6], [11.0], grid=grid), noise=1e-4)
    assert band.wavelength == pytest.approx(455.3, abs=0.3)


def test_noise_is_at_least_the_digitisation():
    flat = Scan("coarse", GRID, np.round(gaussian_bands(GRID, [450.0], [0.8], [10.0]), 2))
    assert reading_noise(flat) >= 0.01 / np.sqrt(12)


def test_a_short_or_empty_scan_has_no_bands():
    assert find_bands(Scan("short", GRID[:5], np.ones(5))) == ()
    assert find_bands(Scan("empty", GRID, np.full(GRID.size, np.nan))) == ()


def test_window_must_be_a_positive_number():
    with pytest.raises(InputError, match="window is -1 nm, but must be"):
        differentiate(scan_of([450.0], [0.8], [10.0]), window=-1.0)
