"""The calibration line against the GUM, the Eurachem/CITAC guide, DIN 32645 and textbooks."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from specfrac.calibration import calibration_line

DATA = Path(__file__).parent / "data"


def columns(name):
    with (DATA / name).open(encoding="utf-8", newline="") as handle:
        rows = list(csv.reader(text for text in handle if not text.startswith("#")))[1:]
    return np.array(rows, dtype=float).T


# JCGM 100:2008, H.3, table H.6: readings of a thermometer and their corrections, °C
H3_TEMPERATURE = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999]
H3_TEMPERATURE += [24.513, 25.002, 25.503, 26.010, 26.511]
H3_CORRECTION = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165]
H3_CORRECTION += [-0.156, -0.157, -0.159, -0.161, -0.160]


def test_gum_h3_calibration_of_a_thermometer():
    """JCGM 100:2008, H.3: b = y1 + y2 (t - 20 °C).

    Printed: y1 -0.1712 (0.0029), y2 0.00218 (0.00067), r -0.930, b(30) -0.1494 (0.0041);
    unrounded -0.17120379 (0.0028776), 0.0021827 (0.00066794), s 0.00349756.
    """
    line = calibration_line(np.array(H3_TEMPERATURE) - 20, H3_CORRECTION, unit="°C")
    assert line.intercept == pytest.approx(-0.17120379, abs=5e-9)
    assert line.slope == pytest.approx(0.0021827, abs=5e-8)
    assert line.intercept_uncertainty == pytest.approx(0.0028776, abs=5e-8)
    assert line.slope_uncertainty == pytest.approx(0.00066794, abs=5e-9)
    assert line.correlation == pytest.approx(-0.930430, abs=5e-7)
    assert line.residual_deviation == pytest.approx(0.00349756, abs=5e-9)
    at_30 = line.at(10.0)
    assert at_30.value == pytest.approx(-0.1494, abs=5e-5)
    assert at_30.uncertainty == pytest.approx(0.0041, abs=5e-5)


def test_quam_a5_calibration_line_and_its_reading():
    """QUAM:2012, A5: slope 0.2410 (0.0050), intercept 0.0087 (0.0029), r -0.87038; readings
    0.0712 and 0.0716 are 0.260 mg/L with u 0.018 (unrounded 0.2601660, 0.0178446)."""
    line = calibration_line(*columns("quam_a5.csv"))
    assert line.slope == pytest.approx(0.2410, abs=5e-5)
    assert line.slope_uncertainty == pytest.approx(0.0050, abs=5e-5)
    assert line.intercept == pytest.approx(0.0087, abs=5e-5)
    assert line.intercept_uncertainty == pytest.approx(0.0029, abs=5e-5)
    assert line.correlation == pytest.approx(-0.87038, abs=1e-5)
    found = line.read([0.0712, 0.0716])
    assert found.value == pytest.approx(0.2601660, abs=5e-8)
    assert found.uncertainty == pytest.approx(0.0178446, abs=5e-8)
    assert found.unit == "mg/L"


def test_din_32645_limits():
    """DIN 32645:1994, its example at 1 %: decision 0.07 (0.0698), detection 0.14,
    quantification 0.212; a reading of 3500 is 0.1055 ± 0.07434 (99 %)."""
    line = calibration_line(*columns("din32645.csv"))
    assert line.intercept == pytest.approx(2480.8667, abs=5e-5)
    assert line.slope == pytest.approx(9661.9394, abs=5e-5)
    assert line.decision_limit(alpha=0.01) == pytest.approx(0.0698, abs=5e-5)
    assert line.detection_limit(alpha=0.01) == pytest.approx(0.14, abs=5e-3)
    assert line.detection_limit(alpha=0.01) == 2 * line.decision_limit(alpha=0.01)
    assert line.quantification_limit(alpha=0.01) == pytest.approx(0.212, abs=5e-4)
    found = line.read(3500.0)
    assert found.value == pytest.approx(0.1054792, abs=5e-8)
    assert found.uncertainty * line.t_factor(0.99) == pytest.approx(0.07434, abs=5e-6)


def test_quantification_limit_solves_its_equation():
    line = calibration_line(*columns("din32645.csv"))
    x = line.quantification_limit(alpha=0.01)
    at_limit = line.read(line.intercept + line.slope * x)
    assert 3 * line.t_factor(0.99) * at_limit.uncertainty == pytest.approx(x, rel=1e-12)


# Massart et al. 1997, chapter 8, example 1: readings and 95 % half intervals
@pytest.mark.parametrize(
    ("reading", "repeats", "value", "half"),
    [(15.0, 1, 6.1, 4.9), (90.0, 1, 43.9, 4.9), (90.0, 5, 43.9, 3.2)],
)
def test_massart_readings_of_unknowns(reading, repeats, value, half):
    line = calibration_line(*columns("massart97_ex1.csv"))
    found = line.read([reading] * repeats)
    assert found.value == pytest.approx(value, abs=0.05)
    assert found.uncertainty * line.t_factor() == pytest.approx(half, abs=0.05)


def test_factors_of_student():
    """Currie 1995 takes t(0.95), 2.132 with 4 and 1.833 with 9 degrees of freedom."""
    for n, t in ((6, 2.132), (11, 1.833)):
        line = calibration_line(range(n), [x + 0.1 * (-1) ** x for x in range(n)])
        assert line.t_factor(0.95, one_sided=True) == pytest.approx(t, abs=5e-4)
        assert line.t_factor(0.90) == pytest.approx(t, abs=5e-4)


def test_uncertainty_of_a_reading_agrees_with_monte_carlo():
    """GUM Supplement 1 by simulation; 2e5 draws know a standard deviation to 0.2 %."""
    rng = np.random.default_rng(6)
    line = calibration_line(*columns("quam_a5.csv"))
    n, s = line.x.size, line.residual_deviation
    y = line.intercept + line.slope * line.x + s * rng.standard_normal((200_000, n))
    unknown = 0.0714 + s * rng.standard_normal((200_000, 2)).mean(axis=1)
    away = line.x - line.x.mean()
    slope = y @ away / (away @ away)
    found = line.x.mean() + (unknown - y.mean(axis=1)) / slope
    assert found.std() == pytest.approx(line.read([0.0712, 0.0716]).uncertainty, rel=0.02)
    assert math.isclose(found.mean(), line.read(0.0714).value, rel_tol=0.01)
