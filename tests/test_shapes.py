"""Shapes: maxima of known sums, and moving a shape to another solvent."""

from __future__ import annotations

import math

import numpy as np
import pytest

from specfrac.bands import gaussian_bands
from specfrac.references.shapes import (
    Flank,
    Maxima,
    Shape,
    adapted_shape,
    find_maxima,
    fit_shape_bands,
    flank_height,
    local_maximum,
    shape_from_fit,
    shape_maxima,
)

NAN = math.nan


def carotenoid() -> Shape:
    """Three vibronic bands, 20 nm apart and far enough from each other for a valley."""
    return Shape(
        np.array([418.0, 445.0, 474.0]), np.array([0.5, 1.0, 0.85]), np.array([10.0, 10.0, 8.0]),
        ("whole",) * 3, 340.0, math.inf,
    ).normalised()  # fmt: skip


def chlorophyll() -> Shape:
    return Shape(
        np.array([412.0, 431.0, 617.0, 663.0]), np.array([0.6, 1.0, 0.15, 0.85]),
        np.array([15.0, 9.0, 14.0, 9.0]), ("soret", "soret", "red", "red"), 340.0, math.inf,
    ).normalised()  # fmt: skip


def test_maximum_of_a_parabola_is_exact_between_points():
    x = np.arange(440.0, 461.0)
    assert local_maximum(x, 5 - (x - 450.3) ** 2, 400, 500) == pytest.approx(450.3, abs=1e-9)
    assert math.isnan(local_maximum(x, x, 400, 500))


def test_fine_structure_of_a_sum_worked_by_hand():
    shape = carotenoid()
    fine = np.arange(340.0, 600.0, 0.01)
    y = shape(fine)
    second = y[(fine > 440) & (fine < 450)].max()
    third = y[(fine > 465) & (fine < 480)].max()
    valley = y[(fine > 450) & (fine < 470)].min()
    found = shape_maxima(shape)
    assert found.ratio == pytest.approx(100 * (third - valley) / (second - valley), rel=1e-3)
    assert found.main == pytest.approx(fine[np.argmax(y)], abs=0.02)


def test_no_third_band_gives_nan_and_not_a_number_made_up():
    grid = np.arange(350.0, 600.0)
    found = find_maxima(grid, gaussian_bands(grid, [450], [1], [25]), chlorophyll_type=False)
    assert found.main == pytest.approx(450, abs=0.01)
    assert math.isnan(found.second) and math.isnan(found.ratio)


def test_carotenoid_goes_to_both_maxima():
    moved = shape_maxima(adapted_shape(carotenoid(), Maxima(449.0, 477.5, NAN)))
    assert moved.main == pytest.approx(449.0, abs=0.02)
    assert moved.second == pytest.approx(477.5, abs=0.02)


def test_unbelievable_spacing_moves_all_bands_alike():
    shape = carotenoid()
    spacing = shape_maxima(shape).second - shape_maxima(shape).main
    moved = shape_maxima(adapted_shape(shape, Maxima(440.0, 440.0 + spacing - 4, NAN)))
    assert moved.main == pytest.approx(440.0, abs=0.02)
    assert moved.second - moved.main == pytest.approx(spacing, abs=0.05)


@pytest.mark.parametrize("change", [-12.0, 8.0])
def test_fine_structure_becomes_what_was_asked_and_area_stays(change):
    shape = carotenoid()
    now = shape_maxima(shape)
    moved = adapted_shape(shape, Maxima(now.main, now.second, now.ratio + change))
    assert shape_maxima(moved).ratio == pytest.approx(now.ratio + change, abs=0.1)
    # all bands change breadth alike: σ² grows by one number
    added = moved.width**2 - shape.width**2
    np.testing.assert_allclose(added, added[0], rtol=0.02)
    areas = moved.height * moved.width / (shape.height * shape.width)
    np.testing.assert_allclose(areas, areas[0], rtol=1e-9)


def test_chlorophyll_regions_move_apart_and_take_the_ratio():
    moved = adapted_shape(chlorophyll(), Maxima(428.0, 665.0, 1.4))
    found = shape_maxima(moved)
    assert found.main == pytest.approx(428.0, abs=0.02)
    assert found.second == pytest.approx(665.0, abs=0.02)
    assert found.ratio == pytest.approx(1.4, rel=1e-3)
    assert moved.normalised().height.sum() == pytest.approx(moved.height.sum())


def test_what_is_not_known_stays():
    shape = chlorophyll()
    moved = adapted_shape(shape, Maxima(NAN, 665.0, NAN))
    np.testing.assert_allclose(moved.centre[:2], shape.centre[:2])
    assert shape_maxima(moved).ratio == pytest.approx(shape_maxima(shape).ratio, rel=2e-3)


@pytest.mark.parametrize("factor", [0.7, 1.5])
def test_chlorophyll_gets_the_breadth_its_red_flank_asks_for(factor):
    shape = chlorophyll()
    wanted = factor * flank_height(shape, -16.0)
    moved = adapted_shape(shape, Maxima(433.0, 665.0, NAN), Flank(-16.0, wanted))
    assert flank_height(moved, -16.0) == pytest.approx(wanted, rel=0.01)
    found = shape_maxima(moved)
    assert (found.main, found.second) == pytest.approx((433.0, 665.0), abs=0.02)
    added = moved.width**2 - shape.width**2
    np.testing.assert_allclose(added, added[0], rtol=1e-6)
    areas = moved.height * moved.width / (shape.height * shape.width)
    np.testing.assert_allclose(areas, areas[0], rtol=1e-9)


def test_height_of_a_flank_worked_by_hand():
    # one band: exp(-d^2 / (2 sigma^2)) at d from its top
    shape = Shape(
        np.array([431.0, 663.0]), np.array([1.0, 0.8]), np.array([9.0, 8.0]),
        ("soret", "red"), 340.0, math.inf,
    )  # fmt: skip
    assert flank_height(shape, -16.0) == pytest.approx(math.exp(-2.0), rel=1e-3)


def test_range_starts_later_when_a_shape_moves_to_the_red():
    assert adapted_shape(carotenoid(), Maxima(448.2, NAN, NAN)).valid_from == 344
    assert adapted_shape(carotenoid(), Maxima(441.0, NAN, NAN)).valid_from == 340


def test_shape_of_a_fit_is_one_at_its_maximum_and_open_to_the_red():
    grid = np.arange(340.0, 601.0)
    fit = fit_shape_bands(grid, 0.7 * carotenoid()(grid))
    shape = shape_from_fit(fit, chlorophyll_type=False, valid_from=340, valid_to=600)
    assert shape([shape.main_maximum])[0] == pytest.approx(1.0, abs=1e-6)
    assert shape.valid_to == math.inf
    np.testing.assert_allclose(shape(grid), carotenoid()(grid), atol=0.006)
    cut = grid <= 490
    short = shape_from_fit(
        fit_shape_bands(grid[cut], carotenoid()(grid[cut])),
        chlorophyll_type=False, valid_from=340, valid_to=490,
    )  # fmt: skip
    assert short.valid_to == 490
