"""The calibration line: laws and refusals. Published values are in tests/external."""

from __future__ import annotations

import numpy as np
import pytest

from specfrac import InputError
from specfrac.calibration import calibration_line

X = [0.0, 1.0, 2.0, 4.0]
Y = [0.01, 0.12, 0.19, 0.42]


def test_a_line_comes_back():
    line = calibration_line(X, 0.3 + 2.0 * np.array(X))
    assert (line.slope, line.intercept) == (pytest.approx(2.0), pytest.approx(0.3))
    assert line.read(2.3).value == pytest.approx(1.0)


def test_errors_are_those_of_the_covariance_of_a_polynomial():
    line = calibration_line(X, Y)
    _, covariance = np.polyfit(X, Y, 1, cov=True)
    assert line.slope_uncertainty == pytest.approx(np.sqrt(covariance[0, 0]), rel=1e-12)
    assert line.intercept_uncertainty == pytest.approx(np.sqrt(covariance[1, 1]), rel=1e-12)
    expected = covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1])
    assert line.correlation == pytest.approx(expected, rel=1e-12)


def test_more_readings_are_better_and_limits_grow_with_doubt():
    line = calibration_line(X, Y)
    assert line.read([0.2] * 4).uncertainty < line.read(0.2).uncertainty
    assert line.decision_limit(alpha=0.01) > line.decision_limit(alpha=0.05)
    assert line.decision_limit(readings=4) < line.decision_limit()


def test_falling_line_has_positive_limits():
    line = calibration_line(X, [-y for y in Y])
    assert line.decision_limit() > 0
    assert line.read(-0.2).uncertainty > 0


def test_no_quantification_from_a_line_without_slope():
    scattered = calibration_line(X, [0.4, 0.1, 0.5, 0.3])
    assert np.isnan(scattered.quantification_limit())


@pytest.mark.parametrize(
    ("x", "y", "message"),
    [
        ([1, 2], [1, 2], "at least 3 standards"),
        ([1, 2, 3], [1, 2], "at least 3 standards"),
        ([1, 1, 1], [1, 2, 3], "the same concentration"),
        ([1, 2, np.nan], [1, 2, 3], "not a finite number"),
    ],
)
def test_impossible_standards_are_refused(x, y, message):
    with pytest.raises(InputError, match=message):
        calibration_line(x, y)


def test_impossible_questions_are_refused():
    line = calibration_line(X, Y)
    with pytest.raises(InputError, match="at least one finite number"):
        line.read([])
    with pytest.raises(InputError, match="between 0 and 1"):
        line.t_factor(1.5)
    with pytest.raises(InputError, match="must be at least 1"):
        line.decision_limit(readings=0)
    with pytest.raises(InputError, match="line is level"):
        calibration_line(X, [1, 1, 1, 1]).read(1.0)
