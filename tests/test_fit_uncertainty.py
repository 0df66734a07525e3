"""Stated uncertainties of a fit against Monte Carlo, for one scan and for several of a tube.

The study draws every error of the model anew, as GUM Supplement 1 (JCGM 101:2008) does; the
larger studies are ``tests/benchmarks/bench_coverage.py`` and ``bench_run_coverage.py``.
"""

from __future__ import annotations

import numpy as np
import pytest

from specfrac import fit_mixtures, fit_tube, load_references
from specfrac.simulate import draw_shape_errors, simulate_scan

WAVELENGTH = np.arange(400.0, 751.0, 1.0)
GROUPS = ("carotene", "xanthophyll", "soret", "red")
GREEN = {
    "beta-carotene": 0.6e-3,
    "lutein": 0.8e-3,
    "violaxanthin": 0.3e-3,
    "neoxanthin": 0.2e-3,
    "chlorophyll-a": 5e-3,
    "chlorophyll-b": 1.6e-3,
    "pheophytin-a": 0.8e-3,
    "pheophytin-b": 0.3e-3,
}
DRAWS = 400


@pytest.fixture(scope="module")
def references():
    return load_references().select(solvent="acetone-90")


def drawn(references, rng, *, factor=1.0, **change):
    """A scan of the mixture with every error of the model drawn anew."""
    common = rng.normal(0, 1.0)
    options = {
        "group_shifts": {group: common + rng.normal(0, 0.5) for group in GROUPS},
        "shape_error_scale": 1.0,
        "gain": rng.normal(0, 0.003),
        "offset": rng.normal(0, 0.003),
        "scatter": abs(rng.normal(0, 0.003)),
        "scatter_exponent": rng.normal(2.5, 1.0),
        "noise": 5e-4,
        "transmittance_noise": 3e-4,
        **change,
    }
    return simulate_scan(
        references,
        {pigment: factor * c for pigment, c in GREEN.items()},
        wavelength=WAVELENGTH,
        bandwidth=2.0,
        rng=rng,
        **options,
    )


def test_analytic_uncertainty_agrees_with_monte_carlo(references):
    """Within 10 % for totals; 400 draws know a standard deviation to 3.5 % (1 sigma).

    A single pigment's uncertainty holds for two kinds of shape error, the pooled one drawn
    here and one of each reference, so it may exceed the spread by more, but not fall short.
    """
    rng = np.random.default_rng(101)
    fits = list(
        fit_mixtures(
            [drawn(references, rng) for _ in range(DRAWS)],
            references,
            bandwidth=2.0,
            absorptivity_uncertainty=False,
        )
    )
    estimates = np.array([fit.concentration_unconstrained for fit in fits])
    stated = np.array([fit.standard_uncertainty for fit in fits])
    ratio = np.sqrt((stated**2).mean(axis=0)) / estimates.std(axis=0)
    assert (ratio > 0.9).all(), ratio
    assert (ratio < 1.35).all(), ratio
    for group in fits[0].groups:
        if group.merged:
            continue
        weights = np.zeros(len(GREEN))
        for member, factor in zip(group.members, group.factors, strict=True):
            weights[references.pigments.index(member)] = factor
        spread = (estimates @ weights).std()
        u = np.sqrt(np.mean([weights @ fit.covariance @ weights for fit in fits]))
        assert u / spread == pytest.approx(1.0, abs=0.10 + 0.035), group.name


def test_estimates_have_no_bias(references):
    """Mean error of 400 draws within four of its own standard errors."""
    rng = np.random.default_rng(102)
    fits = fit_mixtures([drawn(references, rng) for _ in range(DRAWS)], references, bandwidth=2.0)
    error = fits.table().concentration_unconstrained - np.array(
        [GREEN[p] for p in references.pigments]
    )
    assert (np.abs(error.mean(axis=0)) < 4 * error.std(axis=0) / np.sqrt(DRAWS)).all()


def test_scans_of_one_tube_together_hold_the_truth(references):
    """Two repeats and a dilution fitted together: 95 % intervals of 60 tubes, 480 in all."""
    rng = np.random.default_rng(103)
    held, noise_ratio = [], []
    truth = np.array([GREEN[p] for p in references.pigments])
    for _ in range(60):
        common = rng.normal(0, 1.0)
        shared = {
            "group_shifts": {group: common + rng.normal(0, 0.5) for group in GROUPS},
            "shape_errors": draw_shape_errors(references, rng),
            "shape_error_scale": 0.0,
            "gain": rng.normal(0, 0.003),
        }
        scans = [drawn(references, rng, factor=f, **shared) for f in (1.0, 1.0, 0.25)]
        fit = fit_tube(
            scans,
            references,
            dilution_factors=[1, 1, 4],
            bandwidth=2.0,
            absorptivity_uncertainty=False,
        )
        alone = fit_tube(scans[:1], references, bandwidth=2.0, absorptivity_uncertainty=False)
        error = np.abs(fit.concentration_unconstrained - truth)
        held.append(error < 1.96 * fit.standard_uncertainty)
        noise_ratio.append(np.sqrt(np.diag(fit.covariance_noise) / np.diag(alone.covariance_noise)))
        assert np.sqrt(
            np.diag(fit.covariance_shape) / np.diag(alone.covariance_shape)
        ) == pytest.approx(1.0, abs=0.35)
    assert 0.92 < np.mean(held) < 0.995
    assert np.median(noise_ratio) < 0.9  # only the part from noise shrinks
