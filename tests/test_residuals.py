"""Tests of a residual: edges and refusals. Published values are in tests/external."""

from __future__ import annotations

import math

import numpy as np
import pytest

from specfrac import InputError
from specfrac.residuals import durbin_watson, runs_test


def test_one_sided_residual_has_no_statistic():
    found = runs_test([1.0, 2.0, 3.0])
    assert found.runs == 1
    assert math.isnan(found.statistic)
    assert math.isnan(found.p_value)
    assert math.isnan(durbin_watson([0.0, 0.0]))


def test_smooth_and_alternating_residuals_lie_on_both_sides_of_chance():
    x = np.arange(100)
    assert runs_test(np.sin(x / 10)).statistic < -5
    assert runs_test((-1.0) ** x).statistic > 5
    assert durbin_watson(np.sin(x / 10)) < 0.1
    assert durbin_watson((-1.0) ** x) > 3.9


def test_the_middle_can_be_moved():
    assert runs_test([1.0, 2.0, 1.0, 2.0], middle=1.5).runs == 4


@pytest.mark.parametrize("values", [[1.0], [[1.0, 2.0]], [1.0, np.nan]])
def test_what_is_no_residual_is_refused(values):
    with pytest.raises(InputError, match="at least two finite numbers"):
        runs_test(values)
    with pytest.raises(InputError, match="at least two finite numbers"):
        durbin_watson(values)
