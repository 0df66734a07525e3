"""Shares among amounts that cannot be below zero."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import minimize

from specfrac import InputError
from specfrac.share_bounds import probability_above, share_bounds

# a pure pigment beside a near twin that is estimated at nothing, and two that oppose the twin
TWINS = np.array([[1.8, -2.2, 0.6, -0.5], [-2.2, 2.8, -0.8, 0.6], [0.6, -0.8, 0.4, -0.2]])
TWINS = 1e-3 * np.vstack([TWINS, [-0.5, 0.6, -0.2, 0.2]])


def accepted(x, c, members, share, factor):
    """Whether some non-negative composition of this share is within the factor, by SLSQP."""
    precision = np.linalg.inv(c)

    def distance(y):
        return float((y - x) @ precision @ (y - x))

    row = -share * np.ones(x.size)
    row[list(members)] += 1
    start = np.maximum(x, 1e-3)
    bounds = [(0, None)] * x.size
    free = minimize(distance, start, bounds=bounds, method="SLSQP", options={"ftol": 1e-12})
    held = minimize(
        distance,
        start,
        bounds=bounds,
        method="SLSQP",
        constraints={"type": "eq", "fun": lambda y: row @ y},
        options={"ftol": 1e-12, "maxiter": 500},
    )
    return held.fun - free.fun <= factor**2


@pytest.mark.parametrize("members", [[0], [0, 2]])
def test_ends_are_where_another_solver_finds_them(members):
    x = np.array([1.0, 0.05, -0.02, 0.01])
    found = share_bounds(x, TWINS, members)
    for end, factor, inwards in (
        (found.low, 1.96, 1),
        (found.lower_bound, 1.645, 1),
        (found.high, 1.96, -1),
    ):
        if 0 < end < 1:
            assert accepted(x, TWINS, members, end + inwards * 3e-3, factor)
            assert not accepted(x, TWINS, members, end - inwards * 3e-3, factor)
    assert found.low < found.lower_bound < found.value <= found.high


def test_far_from_zero_it_is_the_usual_interval():
    """With everything well above zero the bounds are those of Fieller for two amounts."""
    x, c = np.array([3.0, 1.0]), np.diag([0.01, 0.01])
    found = share_bounds(x, c, [0])
    assert found.value == pytest.approx(0.75)
    u = math.hypot(0.25, 0.75) * 0.1 / 4  # of x0/(x0 + x1)
    assert found.low == pytest.approx(0.75 - 1.96 * u, abs=0.002)
    assert found.high == pytest.approx(0.75 + 1.96 * u, abs=0.002)
    assert found.lower_bound == pytest.approx(0.75 - 1.645 * u, abs=0.002)


def test_negative_neighbours_cannot_make_room():
    """Freed to be negative, the twin's neighbours would let it take twice as much."""
    x = np.array([1.0, 0.0, 0.0, 0.0])
    bound = share_bounds(x, TWINS, [0])
    free = 1 - 1.645 * math.sqrt(TWINS[1, 1])
    assert bound.value == pytest.approx(1.0)
    assert bound.high == 1.0
    assert bound.lower_bound > free + 0.01


def test_bound_holds_in_the_long_run():
    """One-sided 95 %: of 400 draws at a true share of 0.9 at most 7.5 % exceed it."""
    rng = np.random.default_rng(9)
    truth = np.array([0.9, 0.1, 0.0, 0.0])
    draws = rng.multivariate_normal(truth, TWINS, 400)
    above = np.mean([share_bounds(x, TWINS, [0]).lower_bound > 0.9 for x in draws])
    assert above <= 0.075
    held = np.mean([(b := share_bounds(x, TWINS, [0])).low <= 0.9 <= b.high for x in draws[:200]])
    assert held >= 0.92


def test_scale_does_not_matter():
    x = np.array([1.0, 0.05, -0.02, 0.01])
    one, other = share_bounds(x, TWINS, [0]), share_bounds(1e-6 * x, 1e-12 * TWINS, [0])
    assert other.low == pytest.approx(one.low, abs=1e-6)
    assert other.lower_bound == pytest.approx(one.lower_bound, abs=1e-6)


def test_edges():
    everything = share_bounds([1.0, 2.0], np.eye(2), [0, 1])
    assert (everything.value, everything.lower_bound) == (1.0, 1.0)
    for x, c in (([0.0, 0.0], np.eye(2)), ([1.0, np.nan], np.eye(2))):
        assert math.isnan(share_bounds(x, c, [0]).value)
    assert math.isnan(share_bounds([-1.0, -2.0], np.eye(2), [0]).value)
    with pytest.raises(InputError, match="name at least one member"):
        share_bounds([1.0, 2.0], np.eye(2), [])
    with pytest.raises(InputError, match="a covariance that fits"):
        share_bounds([1.0, 2.0], np.eye(3), [0])


def test_probability_is_that_of_the_bounds():
    covariance = np.diag([1.0, 4.0, 1.0]) * 1e-4
    found = share_bounds([1.0, 0.04, -0.01], covariance, [0])
    assert probability_above([1.0, 0.04, -0.01], covariance, [0], found.lower_bound) == (
        pytest.approx(0.95, abs=1e-3)
    )
    assert probability_above([1.0, 0.04, -0.01], covariance, [0], found.value) == pytest.approx(0.5)
    assert probability_above([1.0, 0.04, -0.01], covariance, [0], 0.999) < 0.5
    assert probability_above([1.0, 0.5], np.zeros((2, 2)), [0], 0.5) == 1.0
    assert probability_above([1.0, 0.5], np.zeros((2, 2)), [0], 0.9) == 0.0
    assert math.isnan(probability_above([-1.0, -2.0], np.eye(2), [0], 0.5))
