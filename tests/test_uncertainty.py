"""Values with uncertainty: budgets, intervals, rounding."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from specfrac.errors import InputError
from specfrac.uncertainty import NORMAL_95, Quantity, combined, measured, quantity, rounded


def test_95_percent_quantile():
    from statistics import NormalDist

    assert pytest.approx(NormalDist().inv_cdf(0.975), rel=1e-12) == NORMAL_95


def test_budget_adds_inputs_of_one_source_in_quadrature():
    volumes = [measured(1.0, 0.03, "volume"), measured(1.0, 0.04, "volume")]
    mass = measured(2.0, 0.12, "mass")
    result = quantity(sum(volumes) + mass, "mL")
    assert result.value == pytest.approx(4.0)
    assert result.budget == (("mass", pytest.approx(0.12)), ("volume", pytest.approx(0.05)))
    assert result.uncertainty == pytest.approx(0.13)
    assert result.largest_contributor == "mass"


def test_shared_input_cancels():
    path = measured(1.0, 0.01, "path length")
    result = quantity((2.0 / path) / (1.0 / path), "")
    assert (result.value, result.uncertainty, result.budget) == (2.0, 0.0, ())


def test_exact_input_is_a_constant_without_a_line_in_the_budget():
    exact = measured(10.0, 0.0, "dilution")
    result = quantity(exact * measured(2.0, 0.1, "content"), "mg/L")
    assert result.value == 20.0
    assert result.budget == (("content", pytest.approx(1.0)),)


def test_plain_number_is_exact():
    assert quantity(3, "mL") == Quantity(3.0, 0.0, "mL")


def test_unknown_uncertainty_stays_visible_and_comes_first():
    result = quantity(measured(2.0, math.nan, "volume") * measured(1.0, 0.1, "content"), "µg")
    assert math.isnan(result.uncertainty)
    assert result.largest_contributor == "volume"
    assert math.isnan(result.interval[0])


@pytest.mark.parametrize("bad", [-0.1, math.inf])
def test_impossible_uncertainty_is_refused(bad):
    with pytest.raises(InputError, match="volume: standard uncertainty"):
        measured(1.0, bad, "volume")


def test_interval():
    low, high = Quantity(10.0, 1.0, "µg").interval
    assert (low, high) == (pytest.approx(10 - 1.95996, abs=1e-5), pytest.approx(11.95996, abs=1e-5))


def test_first_order_agrees_with_monte_carlo():
    # JCGM 101:2008 compares both for a product of clear inputs; here to 1 %.
    a, b, c = measured(5.0, 0.1, "a"), measured(2.0, 0.04, "b"), measured(3.0, 0.03, "c")
    result = quantity(a * b / (b + c), "")
    rng = np.random.default_rng(3)
    draws = [x.nominal_value + x.std_dev * rng.standard_normal(400_000) for x in (a, b, c)]
    spread = (draws[0] * draws[1] / (draws[1] + draws[2])).std()
    assert result.uncertainty == pytest.approx(spread, rel=0.01)
    assert combined(u for _, u in result.budget) == pytest.approx(result.uncertainty)


@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        # JCGM 100:2008, 7.2.6: u to at most two significant digits, the value to the same place;
        # its example: 10.057 62 Ω with u 27 mΩ becomes 10.058.
        (10.05762, 0.027, "10.058 ± 0.027"),
        (12.3456, 0.0789, "12.346 ± 0.079"),
        (1234.5, 67.0, "1234 ± 67"),
        (123456.0, 789.0, "123460 ± 790"),
        (0.00012347, 0.0000067, "0.0001235 ± 0.0000067"),
        (9.96, 0.0996, "9.96 ± 0.10"),
        (99.96, 0.996, "100.0 ± 1.0"),
        (-0.02, 0.31, "-0.02 ± 0.31"),
        (0.0, 0.31, "0.00 ± 0.31"),
        (3.0, 0.0, "3"),
        (3.0, math.nan, "3 ± not known"),
        (math.nan, 0.1, "not known"),
    ],
)
def test_rounding(value, uncertainty, text):
    assert rounded(value, uncertainty) == text


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e4))
def test_rounding_moves_neither_number_by_more_than_its_last_place(value, uncertainty):
    shown_value, shown_uncertainty = map(float, rounded(value, uncertainty).split(" ± "))
    assert shown_uncertainty == pytest.approx(uncertainty, rel=0.051)
    assert abs(shown_value - value) <= 0.051 * uncertainty + 1e-12 * abs(value)


def test_text_of_a_quantity_carries_the_unit():
    assert str(Quantity(12.3456, 0.0789, "µg")) == "12.346 ± 0.079 µg"
    assert str(Quantity(0.5, 0.1, "")) == "0.50 ± 0.10"


def test_an_input_that_cancels_is_in_no_budget():
    path, amount = ufloat(0.1, 0.003, tag="path"), ufloat(3.0, 0.2, tag="amount")
    ratio = quantity((amount / path) * path / 7.0, "g")
    assert dict(ratio.budget) == pytest.approx({"amount": 0.2 / 7.0})
    unknown = quantity(amount * ufloat(1.0, float("nan"), tag="unknown"), "g")
    assert [name for name, _ in unknown.budget] == ["unknown", "amount"]
