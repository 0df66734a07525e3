"""Stated uncertainties of a fit against Monte Carlo, for one scan and for several of a tube.

The study draws every error of the model anew, as GUM Supplement 1 (JCGM 101:2008) does; the
larger studies are ``bench_uncertainty.py``, ``bench_presence.py``, ``bench_coverage.py`` and
``bench_run_coverage.py`` in ``tests/benchmarks``.
"""

from __future__ import annotations

import numpy as np
import pytest
from bench_presence import at_limit
from bench_uncertainty import amounts, repeated, spread_of

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
STUDY_DRAWS = 1000
# 10 % are promised; 1000 draws know a standard deviation to 2.2 %
WITHIN = 0.10 + 1 / np.sqrt(2 * STUDY_DRAWS)


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


def spread(references, tube, peak, seed, reading):
    """Stated uncertainty and spread of the estimates in a small study of `bench_uncertainty`."""
    content, rng = amounts(references, tube, peak), np.random.default_rng(seed)
    return spread_of(references, list(repeated(references, content, STUDY_DRAWS, rng, reading)))


@pytest.mark.parametrize(
    ("solvent", "tube", "peak"),
    [
        ("acetone-90", "green extract", 0.8),
        ("hexane", "yellow cut", 0.8),
        ("ethanol", "grey cut", 0.5),
    ],
)
def test_uncertainty_from_noise_agrees_with_monte_carlo(solvent, tube, peak):
    """Each pigment, present or not, and both totals within 10 %, without shape errors."""
    references = load_references().select(solvent=solvent)
    ratio = spread(references, tube, peak, 104, "noise").ratio
    assert ratio == pytest.approx(np.ones(len(ratio)), abs=WITHIN)


def test_uncertainty_agrees_with_monte_carlo(references):
    """Green extract, each pigment and both totals within 10 % of what is promised.

    The intervals hold for two readings of the shape error, one of the whole mixture and one
    of each reference; like is compared with like when the larger of the two spreads is taken.
    """
    pooled, separate = (
        spread(references, "green extract", 0.8, seed, reading)
        for seed, reading in ((101, "pooled"), (102, "separate"))
    )
    stated = np.maximum(pooled.stated, separate.stated)
    drawn_most = np.maximum(pooled.drawn, separate.drawn)
    assert stated / drawn_most == pytest.approx(np.ones(len(stated)), abs=WITHIN)


@pytest.mark.parametrize(
    ("solvent", "tube", "peak"), [("hexane", "yellow cut", 0.8), ("ethanol", "grey cut", 0.5)]
)
def test_where_shapes_are_rough_uncertainty_is_not_too_short(solvent, tube, peak):
    """Adapted and estimated references: not shorter than 10 %, longer by √2 at most.

    The roughness of their shapes exceeds the noise. The noise found in the residual holds
    it already, and it is added once more: variances are at most doubled by that.
    """
    references = load_references().select(solvent=solvent)
    ratio = spread(references, tube, peak, 105, "separate").ratio
    assert (ratio > 1 - WITHIN).all(), ratio
    assert (ratio < 2**0.5).all(), ratio


@pytest.mark.parametrize("green", [True, False])
def test_at_its_detection_limit_a_pigment_is_found(references, green):
    """Each of the eight in 90 % of 300 scans or more, missing from a green extract otherwise.

    Currie 1995 promises 95 %, of which 300 scans show 90 % or more but once in ten thousand.
    Neoxanthin alone in noise lies between neighbours that pass for it, with nothing to hold
    the bands in place: 89 % of 800 scans (`bench_presence`), 85 % here.
    """
    background = amounts(references, "green extract", 0.8) if green else {}
    found, without = {}, {}
    for number, pigment in enumerate(references.pigments):
        rng = np.random.default_rng([106, number])
        _, found[pigment], without[pigment] = at_limit(references, background, pigment, 300, rng)
    hard = set() if green else {"neoxanthin"}
    assert all(part >= (0.85 if p in hard else 0.90) for p, part in found.items()), found
    # 6 % at most without the pigment, and three standard errors of 300 scans
    assert max(without.values()) <= 0.06 + 3 * np.sqrt(0.06 * 0.94 / 300), without


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
