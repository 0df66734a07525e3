"""Presence of pigments, each by itself and all together."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from specfrac import InputError, fit_mixture, fit_mixtures, load_references
from specfrac.compare.statistics import holm
from specfrac.fitting.presence import presence
from specfrac.simulate import simulate_scan

WAVELENGTH = np.arange(400.0, 761.0)


@pytest.fixture(scope="module")
def references():
    return load_references().select(solvent="acetone-90")


def scans(references, amounts, n, seed):
    rng = np.random.default_rng(seed)
    return [
        simulate_scan(
            references,
            amounts,
            wavelength=WAVELENGTH,
            bandwidth=2.0,
            noise=5e-4,
            transmittance_noise=3e-4,
            offset=rng.normal(0, 0.002),
            shape_error_scale=1.0,
            group_shifts={
                group: rng.normal(0, 0.5) for group in ("carotene", "xanthophyll", "soret", "red")
            },
            rng=rng,
        )
        for _ in range(n)
    ]


@pytest.fixture(scope="module")
def lone(references):
    """Chlorophyll a alone; seven candidates are absent."""
    return list(
        fit_mixtures(
            scans(references, {"chlorophyll-a": 7e-3}, 150, seed=17), references, bandwidth=2.0
        )
    )


def test_without_adjustment_it_is_the_fits_own_answer(lone):
    for fit in lone[:20]:
        assert [one.detected for one in presence(fit)] == fit.detected.tolist()


def test_each_absent_pigment_is_seldom_called_present(lone):
    """5 % each; of 150 scans 11 or fewer (7 %) with probability 0.9, 16 with 0.999."""
    detected = np.array([[one.detected for one in presence(fit)] for fit in lone])
    absent = [at for at, p in enumerate(lone[0].pigments) if p != "chlorophyll-a"]
    assert detected[:, 4].all()
    assert (detected[:, absent].sum(axis=0) <= 16).all()
    assert detected[:, absent].mean() <= 0.06


def test_with_holm_the_whole_set_errs_as_seldom(lone):
    """5 % for any of the seven; 16 of 150 would be improbable (0.1 %)."""
    wrong = 0
    for fit in lone:
        answer = {one.pigment: one.detected for one in presence(fit, adjust="holm")}
        assert answer.pop("chlorophyll-a")
        wrong += any(answer.values())
    assert wrong <= 15


def test_at_the_detection_limit_it_is_found(references):
    """Currie 1995: with probability 95 % at the detection limit; 90 % are asked for."""
    base = {"chlorophyll-a": 7e-3, "lutein": 1e-3}
    (plain,) = fit_mixtures(scans(references, base, 1, seed=3), references, bandwidth=2.0)
    at = plain.pigments.index("chlorophyll-b")
    amounts = {**base, "chlorophyll-b": float(plain.detection_limit[at])}
    fits = fit_mixtures(scans(references, amounts, 100, seed=4), references, bandwidth=2.0)
    assert np.mean([fit.detected[at] for fit in fits]) >= 0.9


def test_adjusted_values_are_holms(lone):
    plain = presence(lone[0])
    adjusted = presence(lone[0], adjust="holm")
    expected = holm([one.p_value for one in plain])
    assert [one.p_value for one in adjusted] == pytest.approx(expected)


def test_what_cannot_be_asked(lone):
    with pytest.raises(InputError, match="'bonferoni' is not known"):
        presence(lone[0], adjust="bonferoni")
    with pytest.raises(InputError, match="must lie between 0 and 1"):
        presence(lone[0], significance=5)


def test_failed_fit_detects_nothing(references):
    scan = scans(references, {"chlorophyll-a": 7e-3}, 1, seed=1)[0]
    fit = fit_mixture(scan, references)
    unknown = np.full(len(fit.pigments), np.nan)
    failed = dataclasses.replace(
        fit, concentration=unknown, concentration_unconstrained=unknown, zero_uncertainty=unknown
    )
    assert not any(one.detected for one in presence(failed, adjust="holm"))
