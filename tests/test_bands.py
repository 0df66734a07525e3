"""Band fits: laws, derivatives, errors against Monte Carlo, choice of the number of bands.

The certified data sets of NIST are checked in tests/external.
"""

from __future__ import annotations

import numpy as np
import pytest

from specfrac.bands import BandFit, _jacobian, _model, fit_bands, gaussian_bands
from specfrac.errors import FitError, InputError

GRID = np.arange(400.0, 561.0)
TWO = [(450.0, 1.0, 12.0), (480.0, 0.6, 9.0)]


def two_bands() -> np.ndarray:
    return gaussian_bands(GRID, *np.array(TWO).T)


def test_gaussian_band_has_its_height_width_and_area():
    fine = np.arange(300.0, 601.0, 0.1)
    y = gaussian_bands(fine, [450.0], [0.8], [10.0])
    assert y.max() == pytest.approx(0.8)
    # full width at half height of a Gaussian is 2 sqrt(2 ln 2) sigma
    wide = np.ptp(fine[y >= 0.4])
    assert wide == pytest.approx(2 * np.sqrt(2 * np.log(2)) * 10, abs=0.2)
    assert y.sum() * 0.1 == pytest.approx(np.sqrt(2 * np.pi) * 0.8 * 10)


def test_bands_add():
    parts = sum(gaussian_bands(GRID, [c], [h], [w]) for c, h, w in TWO)
    np.testing.assert_allclose(two_bands(), parts, rtol=1e-14)


@pytest.mark.parametrize(
    ("baseline", "values"), [("none", []), ("constant", [0.1]), ("exponential", [2.0, 0.004])]
)
def test_derivatives_agree_with_differences(baseline, values):
    parameters = np.concatenate([values, np.ravel(TWO)])
    analytic = _jacobian(parameters, GRID, baseline)
    for k in range(parameters.size):
        step = np.zeros_like(parameters)
        step[k] = 1e-5 * max(abs(parameters[k]), 1e-3)
        up, down = (_model(parameters + sign * step, GRID, baseline) for sign in (1, -1))
        np.testing.assert_allclose(
            analytic[:, k], (up - down) / (2 * step[k]), atol=2e-6, rtol=1e-6
        )


def test_bands_come_back_without_start_values():
    fit = fit_bands(GRID, two_bands())
    assert fit.success
    assert fit.n_bands == 2
    np.testing.assert_allclose(fit.centre, [450, 480], atol=1e-4)
    np.testing.assert_allclose(fit.height, [1.0, 0.6], atol=1e-5)
    np.testing.assert_allclose(fit.width, [12, 9], atol=1e-4)
    np.testing.assert_allclose(fit.area, np.sqrt(2 * np.pi) * np.array([12.0, 5.4]), rtol=1e-4)
    assert fit.relative_rms < 1e-6


@pytest.mark.parametrize(
    ("baseline", "truth"), [("constant", np.array([0.05])), ("exponential", np.array([3.0, 0.006]))]
)
def test_baseline_is_told_from_the_bands(baseline, truth):
    parameters = np.concatenate([truth, np.ravel(TWO)])
    y = _model(parameters, GRID, baseline)
    fit = fit_bands(GRID, y, n_bands=2, baseline=baseline)
    np.testing.assert_allclose(fit.baseline_values, truth, rtol=1e-5)
    np.testing.assert_allclose(fit.curve(GRID), y, atol=1e-8)
    np.testing.assert_allclose(fit.bands(GRID), two_bands(), atol=1e-6)


def test_start_values_keep_their_order():
    fit = fit_bands(GRID, two_bands(), start=[(482, 0.5, 8), (448, 0.9, 11)])
    np.testing.assert_allclose(fit.centre, [480, 450], atol=1e-6)
    assert fit.parameter_names == (
        "centre_1", "height_1", "width_1", "centre_2", "height_2", "width_2",
    )  # fmt: skip
    np.testing.assert_allclose(fit.parameters, [480, 0.6, 9, 450, 1, 12], rtol=1e-6)


def test_scale_of_the_values_is_of_no_account():
    small = fit_bands(GRID, two_bands() * 1e-6, n_bands=2)
    large = fit_bands(GRID, two_bands() * 1e6, n_bands=2)
    np.testing.assert_allclose(small.centre, large.centre, rtol=1e-7)
    np.testing.assert_allclose(small.height * 1e12, large.height, rtol=1e-6)


def test_standard_errors_are_the_scatter_of_repeated_fits():
    rng = np.random.default_rng(5)
    noise = 0.01
    fits = [
        fit_bands(GRID, two_bands() + noise * rng.standard_normal(GRID.size), start=TWO)
        for _ in range(150)
    ]
    scatter = np.std([fit.parameters for fit in fits], axis=0, ddof=1)
    stated = np.mean([fit.standard_errors for fit in fits], axis=0)
    # the scatter of 150 repeats is itself known to 6 %; four times that
    np.testing.assert_allclose(scatter, stated, rtol=0.24)
    areas = np.std([fit.area for fit in fits], axis=0, ddof=1)
    np.testing.assert_allclose(
        areas, np.mean([f.area_uncertainty for f in fits], axis=0), rtol=0.24
    )
    deviation = np.mean([fit.residual_deviation for fit in fits])
    assert deviation == pytest.approx(noise, rel=0.03)


def test_criterion_finds_the_number_of_bands_in_noise():
    rng = np.random.default_rng(11)
    three = two_bands() + gaussian_bands(GRID, [430.0], [0.3], [8.0])
    numbers = [
        fit_bands(GRID, three + 0.003 * rng.standard_normal(GRID.size)).n_bands for _ in range(10)
    ]
    assert numbers.count(3) >= 9


def test_evidence_keeps_noise_from_getting_bands_of_its_own():
    rng = np.random.default_rng(8)
    numbers = {0.0: [], 10.0: []}
    for _ in range(12):
        noisy = two_bands() + 0.003 * rng.standard_normal(GRID.size)
        for evidence, found in numbers.items():
            found.append(fit_bands(GRID, noisy, evidence=evidence).n_bands)
    assert numbers[10.0] == [2] * 12
    assert sum(numbers[0.0]) >= sum(numbers[10.0])


def test_target_stops_the_growth():
    loose = fit_bands(GRID, two_bands(), target=0.2)
    assert loose.n_bands == 1
    assert loose.relative_rms <= 0.2


def test_heights_and_widths_keep_their_bounds():
    dip = two_bands() - gaussian_bands(GRID, [520.0], [0.2], [6.0])
    assert (fit_bands(GRID, dip, n_bands=3).height >= 0).all()
    start = [*TWO, (518.0, -0.1, 7.0)]
    assert (fit_bands(GRID, dip, start=start).height >= 0).all()
    signed = fit_bands(GRID, dip, start=start, negative=True)
    assert signed.height.min() == pytest.approx(-0.2, abs=1e-3)
    narrow = fit_bands(GRID, two_bands(), n_bands=2, min_width=10.0, max_width=11.0)
    assert (narrow.width >= 10).all() and (narrow.width <= 11).all()
    # what is held at a bound has no standard error of its own
    held = np.isclose(narrow.width, 10) | np.isclose(narrow.width, 11)
    errors = narrow.standard_errors[2::3]
    assert held.any() and (errors[held] == 0).all()


def test_input_is_not_touched_and_result_is_read_only():
    wavelength, values = GRID.copy(), two_bands()
    before = values.copy()
    fit = fit_bands(wavelength, values, n_bands=1)
    np.testing.assert_array_equal(values, before)
    with pytest.raises(ValueError, match="read-only"):
        fit.centre[0] = 1.0
    assert isinstance(fit, BandFit)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"baseline": "linear"}, "baseline 'linear' is not known"),
        ({"baseline": "constant", "baseline_start": [1, 2]}, "needs 1 start values, but 2"),
        ({"n_bands": 3, "start": TWO}, "n_bands is 3 but start has 2 bands"),
        ({"n_bands": 0}, "n_bands is 0, but at least one"),
        ({"min_width": 5.0, "max_width": 4.0}, "widths from 5 to 4 nm are an empty range"),
    ],
)
def test_options_that_cannot_be_right_raise(change, message):
    with pytest.raises(InputError, match=message):
        fit_bands(GRID, two_bands(), **change)


def test_values_that_cannot_be_right_raise():
    with pytest.raises(InputError, match="one-dimensional and equally long"):
        fit_bands(GRID, two_bands()[:-1])
    with pytest.raises(InputError, match="not finite"):
        fit_bands(GRID, np.where(GRID == 450, np.nan, two_bands()))
    with pytest.raises(InputError, match="all values are zero"):
        fit_bands(GRID, np.zeros_like(GRID))
    with pytest.raises(FitError, match="5 points cannot determine 6 parameters"):
        fit_bands(GRID[:5], two_bands()[:5], start=TWO)
    with pytest.raises(FitError, match="cannot determine one band"):
        fit_bands(GRID[:2], two_bands()[:2])
