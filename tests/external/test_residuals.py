"""Tests of a residual against published and derived values."""

from __future__ import annotations

import csv
import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from nist_digits import MODELS, certificate

from specfrac.bands import fit_bands
from specfrac.residuals import durbin_watson, runs_statistics, runs_test

DATA = Path(__file__).parent / "data"


@pytest.fixture(scope="module")
def series():
    with (DATA / "durbin_watson_series.csv").open(encoding="utf-8", newline="") as handle:
        rows = list(csv.reader(text for text in handle if not text.startswith("#")))[1:]
    return np.array(rows, dtype=float)[:, 1]


def test_durbin_watson_of_a_pinned_series(series):
    """Values of R, as quoted in public tests: x, x², and x_i + a x_(i-1)."""
    assert durbin_watson(series) == pytest.approx(1.95298958377419, rel=1e-12)
    assert durbin_watson(series**2) == pytest.approx(1.848802400319998, rel=1e-12)
    pinned = {0.5: 1.09897993228779, 0.8: 0.937241876707273, 0.9: 0.921488912587806}
    for share, value in pinned.items():
        assert durbin_watson(series[1:] + share * series[:-1]) == pytest.approx(value, rel=1e-12)


def test_runs_of_a_quoted_sequence():
    """1110010101110101: 11 runs, 10 and 6, mean 8.5, variance 3.25, z 1.38675 without
    continuity correction (sequence from a public test, figures by algebra)."""
    found = runs_test([1.0 if c == "1" else -1.0 for c in "1110010101110101"])
    assert (found.runs, found.above, found.below) == (11, 10, 6)
    assert (found.mean, found.variance) == (8.5, 3.25)
    assert found.statistic == pytest.approx(1.38675, abs=5e-6)
    assert found.p_value == pytest.approx(math.erfc(1.38675 / math.sqrt(2)), abs=1e-5)


@pytest.mark.parametrize(("above", "below"), [(3, 4), (2, 6), (5, 5)])
def test_mean_and_variance_of_all_orders(above, below):
    """Every arrangement counted: the exact distribution of the number of runs."""
    counts = []
    for places in itertools.combinations(range(above + below), above):
        signs = np.full(above + below, -1.0)
        signs[list(places)] = 1.0
        counts.append(runs_test(signs).runs)
    found = runs_test(signs)
    assert found.mean == pytest.approx(np.mean(counts), rel=1e-12)
    assert found.variance == pytest.approx(np.var(counts), rel=1e-12)


# Runs and Durbin-Watson of the residuals at the certified parameters of NIST/ITL StRD, in
# the order of the files. Derived by another program from the certificates, not certified.
DERIVED = {
    "Gauss1": (0.1308, 2.1084),
    "Gauss2": (1.6522, 2.22315),
    "Gauss3": (1.4041, 2.22849),
    "Eckerle4": (-2.8368, 0.97425),
    "Misra1a": (-2.7029, 0.56105),
}


def residual_of(name):
    set_ = certificate(name)
    b, x = set_.parameters, set_.x
    if name.startswith("Gauss"):
        model = b[0] * np.exp(-b[1] * x)
        model += sum(b[k] * np.exp(-(((x - b[k + 1]) / b[k + 2]) ** 2)) for k in (2, 5))
    elif name == "Eckerle4":
        model = b[0] / b[1] * np.exp(-0.5 * ((x - b[2]) / b[1]) ** 2)
    else:
        model = MODELS[name](b, x)
    return set_.y - model


@pytest.mark.parametrize("name", sorted(DERIVED))
def test_residuals_at_certified_parameters(name):
    z, statistic = DERIVED[name]
    residual = residual_of(name)
    assert runs_test(residual).statistic == pytest.approx(z, abs=5e-5)
    assert durbin_watson(residual) == pytest.approx(statistic, abs=6e-5)
    everything = np.ones((1, residual.size), dtype=bool)
    (fits_own,) = runs_statistics(residual[None], everything)  # that of the mixture fit
    assert fits_own == pytest.approx(z, abs=5e-5)


def test_durbin_watson_of_norris():
    """1.27151 at the least-squares line; derived, not certified."""
    lines = (DATA / "Norris.dat").read_text(encoding="ascii").splitlines()
    y, x = np.array([text.split() for text in lines[60:] if text.strip()], dtype=float).T
    slope, intercept = np.polyfit(x, y, 1)
    assert durbin_watson(y - slope * x - intercept) == pytest.approx(1.27151, abs=5e-6)


def test_structure_is_seen_where_it_is():
    """One Gaussian does not describe Eckerle4 to its noise; Gauss1 is what it says."""
    set_ = certificate("Eckerle4")
    b1, b2, b3 = set_.parameters
    fit = fit_bands(set_.x, set_.y, start=[(b3, b1 / b2, b2)])
    assert runs_test(fit.residual).p_value < 0.01
    assert runs_test(residual_of("Gauss1")).p_value > 0.5
