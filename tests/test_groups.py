"""Which pigments a scan cannot tell apart: stable against noise, and told in a sentence."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from specfrac import fit_mixtures, load_references
from specfrac.fitting.error_model import error_model
from specfrac.fitting.groups import merged_pigments
from specfrac.simulate import draw_shape_errors, simulate_scan

WAVELENGTH = np.arange(380.0, 781.0)
CRUDE = {
    "beta-carotene": 0.2,
    "lutein": 0.25,
    "violaxanthin": 0.08,
    "neoxanthin": 0.06,
    "chlorophyll-a": 1.0,
    "chlorophyll-b": 0.33,
}
MIXTURES = {
    "crude": CRUDE,
    "green with pheophytin": {**CRUDE, "pheophytin-a": 0.15},
    "carotene": {"beta-carotene": 1.0},
    "carotene with lutein": {"beta-carotene": 1.0, "lutein": 0.3},
    "xanthophylls": {"lutein": 0.5, "violaxanthin": 0.3, "neoxanthin": 0.2},
}
REPEATS = 30


def repeats(solvent, shares, *, peak=0.5, noise=4e-4, seed=3, n=REPEATS):
    """Repeated scans of one solution: the band shapes are the same, noise and blank are not."""
    references = load_references().select(solvent=solvent)
    rng = np.random.default_rng(seed)
    total = sum(
        share * references.specific_absorptivity(p, WAVELENGTH) for p, share in shares.items()
    )
    errors = draw_shape_errors(references, rng)
    scans = [
        simulate_scan(
            references,
            {p: share * peak / total.max() for p, share in shares.items()},
            wavelength=WAVELENGTH,
            bandwidth=2.0,
            shape_errors=errors,
            shift=0.3,
            noise=noise,
            transmittance_noise=3e-4,
            offset=rng.normal(0, 0.002),
            rng=rng,
        )
        for _ in range(n)
    ]
    return list(fit_mixtures(scans, references, bandwidth=2.0))


def groupings(fits):
    return Counter(tuple(group.members for group in fit.groups if group.merged) for fit in fits)


@pytest.mark.parametrize("solvent", ["acetone-90", "hexane"])
@pytest.mark.parametrize("name", sorted(MIXTURES))
def test_repeats_are_grouped_alike(name, solvent):
    """The same grouping in 95 % of the repeats."""
    found = groupings(repeats(solvent, MIXTURES[name]))
    assert found.most_common(1)[0][1] >= 0.95 * REPEATS, found


def test_pure_carotene_is_not_merged_away():
    for fit in repeats("hexane", {"beta-carotene": 1.0}):
        assert not [group for group in fit.groups if group.merged]
        assert fit.detected[fit.pigments.index("beta-carotene")]


def test_what_a_weak_scan_cannot_tell_is_summed_and_explained():
    fits = repeats("hexane", {"beta-carotene": 1.0}, peak=0.07, noise=1e-3, n=10)
    assert sum(any(group.merged for group in fit.groups) for fit in fits) >= 8
    for fit in fits:
        merged = [group for group in fit.groups if group.merged]
        flags = [flag for flag in fit.flags if flag.code == "merged-pigments"]
        assert len(merged) == len(flags)
        for group, flag in zip(merged, flags, strict=True):
            assert flag.message.startswith("this scan cannot tell ")
            assert all(member in flag.message for member in group.members)
            assert flag.message.count(".") == 1  # one sentence
        # the sum is known better than its members
        joint = {group.name: fit.group_concentration(group)[1] for group in merged}
        alone = np.sqrt(np.diag(fit.covariance))
        for group in merged:
            worst = max(alone[fit.pigments.index(member)] for member in group.members)
            assert joint[group.name] < worst


def test_a_wider_limit_merges_less():
    (fit,) = repeats("hexane", {"beta-carotene": 1.0}, peak=0.5, n=1)
    assert merged_pigments(fit, 0.01)
    assert not merged_pigments(fit, error_model()["merge_limit"])
