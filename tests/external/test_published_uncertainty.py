"""Uncertainty propagation against the GUM and the Eurachem/CITAC guide."""

from __future__ import annotations

import itertools
import math
from types import SimpleNamespace

import numpy as np
import pytest
from uncertainties import correlation_matrix, ufloat, umath

from specfrac.fitting.results import MixtureFit
from specfrac.quantities import symmetric_root
from specfrac.uncertainty import combined, measured, quantity

GUM_H2_MEAN = np.array([4.9990, 19.6610e-3, 1.04446])  # V, A, rad
# u and correlation (VI, Vφ, Iφ) as printed, and half a unit of their last digit
GUM_H2_SPREAD = np.array([0.0032, 0.0095e-3, 0.00075, -0.36, 0.86, -0.65])
GUM_H2_ROUNDING = np.array([0.00005, 0.00005e-3, 0.000005, 0.005, 0.005, 0.005])


def gum_h2(spread):
    """Resistance, reactance and impedance from voltage, current and phase."""
    u, (vi, vp, ip) = spread[:3], spread[3:]
    correlation = np.array([[1, vi, vp], [vi, 1, ip], [vp, ip, 1]])
    root = symmetric_root(correlation * np.outer(u, u))
    common = [ufloat(0, 1, tag="readings") for _ in u]
    voltage, current, phase = (
        value + sum(s * z for s, z in zip(row, common, strict=True))
        for value, row in zip(GUM_H2_MEAN, root, strict=True)
    )
    impedance = voltage / current
    return impedance * umath.cos(phase), impedance * umath.sin(phase), impedance


def test_gum_h2_correlated_quotient():
    # JCGM 100:2008, H.2; results printed R 127.732, X 219.85, Z 254.26.
    results = gum_h2(GUM_H2_SPREAD)
    printed = ((127.732, 5e-4), (219.85, 5e-3), (254.26, 5e-3))
    for result, (value, digits) in zip(results, printed, strict=True):
        assert result.nominal_value == pytest.approx(value, abs=digits)
        # one source name: the budget has one line, which is the whole uncertainty
        assert quantity(result, "Ω").budget == (("readings", pytest.approx(result.std_dev)),)


def test_gum_h2_uncertainties_and_correlations():
    # Standard uncertainties from unrounded readings 0.07107, 0.29558, 0.23634 (computed
    # elsewhere) and printed correlations -0.59, -0.49, 0.99 must lie in what the printed
    # digits of the inputs allow: every corner of their rounding.
    corners = [
        gum_h2(GUM_H2_SPREAD + np.array(signs) * GUM_H2_ROUNDING)
        for signs in itertools.product((-1, 1), repeat=6)
    ]
    spreads = np.array([[result.std_dev for result in corner] for corner in corners])
    assert (spreads.min(axis=0) <= [0.07107, 0.29558, 0.23634]).all()
    assert (spreads.max(axis=0) >= [0.07107, 0.29558, 0.23634]).all()
    assert (np.ptp(spreads, axis=0) < 0.12 * spreads.mean(axis=0)).all()
    found = np.array([np.array(correlation_matrix(corner)) for corner in corners])
    pairs = found[:, [0, 0, 1], [1, 2, 2]]
    printed = np.array([-0.59, -0.49, 0.99])
    assert (pairs.min(axis=0) <= printed + 0.005).all()
    assert (pairs.max(axis=0) >= printed - 0.005).all()
    assert (np.ptp(pairs, axis=0) < 0.12).all()


def test_quam_a1_calibration_standard():
    # Eurachem/CITAC QUAM, A1: c = 1000 m P/V. Inputs as printed, result 1002.7 mg/L;
    # unrounded u 0.8352, contributions 0.6665 (V), 0.4999 (m), 0.0579 (P) mg/L.
    volume_parts = (0.1 / math.sqrt(6), 0.02, 0.084 / math.sqrt(3))
    assert combined(volume_parts) == pytest.approx(0.0664731, abs=5e-8)
    mass = measured(100.28, 0.05, "mass")
    purity = measured(0.9999, 0.0001 / math.sqrt(3), "purity")
    volume = measured(100.0, combined(volume_parts), "volume")
    result = quantity(1000 * mass * purity / volume, "mg/L")
    assert result.value == pytest.approx(1002.7, abs=0.05)
    assert result.uncertainty == pytest.approx(0.8351992, abs=5e-7)
    assert result.largest_contributor == "volume"
    assert dict(result.budget) == {
        "volume": pytest.approx(0.666525, abs=5e-6),
        "mass": pytest.approx(0.49995, abs=5e-5),
        "purity": pytest.approx(0.0578967, abs=5e-7),
    }


def test_quam_a5_cadmium_release():
    # QUAM 3rd edition, A5: r = c0 V/a · factors. Inputs as a public page reproduces them;
    # 0.0150 mg/dm², u 0.0014; ranking c0 0.00103 > temperature 0.00087 > area 0.00040 >
    # volume 0.00008. The volume carries a mean fill of 0.995.
    content = measured(0.26, 0.018, "content")
    volume = measured(0.332, 0.0018, "volume")
    area = measured(5.73, 0.15, "area")
    acid = measured(1.0, 0.0008, "acid")
    time = measured(1.0, 0.0015 / math.sqrt(3), "time")
    temperature = measured(1.0, 0.1 / math.sqrt(3), "temperature")
    result = quantity(content * volume / area * acid * time * temperature, "mg/dm²")
    assert result.value == pytest.approx(0.015065, abs=5e-7)
    assert result.uncertainty == pytest.approx(0.0014, abs=5e-5)
    ranking = [source for source, _ in result.budget]
    assert ranking[:4] == ["content", "temperature", "area", "volume"]
    printed = [0.00103, 0.00087, 0.00040, 0.00008]
    for (_, contribution), figure in zip(result.budget[:4], printed, strict=True):
        # their table uses the mean fill, 0.5 % below; half a unit of the last digit besides
        assert contribution == pytest.approx(figure, abs=5e-6 + 0.011 * figure)


def test_detection_limits_of_currie():
    # Currie, Pure Appl. Chem. 67 (1995) 1699, known standard deviation, 5 % each way:
    # critical value 1.645 s0, detection limit 3.29 s0, quantification 10 s0. Here s0 is
    # the uncertainty at zero content.
    fit = SimpleNamespace(
        zero_uncertainty=np.array([2.0, 2.0, 2.0]),
        concentration_unconstrained=np.array([3.28, 3.30, 20.0]),
        concentration=np.array([3.28, 3.30, 20.0]),
    )
    fit.critical_value = MixtureFit.critical_value.fget(fit)
    np.testing.assert_allclose(fit.critical_value, 2 * 1.645)
    np.testing.assert_allclose(MixtureFit.detection_limit.fget(fit), 2 * 3.29)
    fit.detected = MixtureFit.detected.fget(fit)
    assert list(fit.detected) == [False, True, True]
    assert list(MixtureFit.quantified.fget(fit)) == [False, False, True]
