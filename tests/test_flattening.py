"""Flattened tops: found where stray light makes them, and not found on sound scans."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from specfrac import fit_mixture, load_references
from specfrac.fitting.error_model import error_model
from specfrac.fitting.flattening import (
    Flattening,
    flattened_scans,
    flattening_level,
    lowered_limit,
    without_stray_light,
)
from specfrac.simulate import simulate_scan, stray_light

WAVELENGTH = np.arange(380.0, 781.0)
SHARES = {"chlorophyll-a": 1.0, "chlorophyll-b": 0.35, "lutein": 0.15, "beta-carotene": 0.1}


@pytest.fixture(scope="module")
def references():
    return load_references().select(solvent="acetone-90")


def fitted(references, peak, seed, *, stray=0.0, shape=1.0):
    """A fit of a green scan of this true peak, with the errors of the error model."""
    rng = np.random.default_rng([31, seed])
    shapes = sum(
        share * references.specific_absorptivity(p, WAVELENGTH) for p, share in SHARES.items()
    )
    amounts = {p: share * peak / shapes.max() for p, share in SHARES.items()}
    scan = simulate_scan(
        references,
        amounts,
        wavelength=WAVELENGTH,
        bandwidth=2.0,
        shift=rng.normal(0, 0.5),
        offset=rng.normal(0, 0.002),
        shape_error_scale=shape,
        stray_light_ratio=stray,
        noise=4e-4,
        transmittance_noise=3e-4,
        rng=rng,
    )
    return fit_mixture(scan, references, bandwidth=2.0), amounts


def test_turning_back_undoes_stray_light():
    true = np.linspace(0.0, 2.5, 20)
    np.testing.assert_allclose(without_stray_light(stray_light(true, 0.002), 0.002), true)


def test_level_is_where_stray_light_takes_that_much():
    """0.1 % stray light reads 0.041 low at absorbance 2 (computed, common knowledge)."""
    assert flattening_level(0.001, 0.0410) == pytest.approx(2.0 - 0.041, abs=2e-3)
    for ratio in (0.001, 0.01):
        level = flattening_level(ratio, 0.02)
        assert without_stray_light(np.array([level]), ratio)[0] - level == pytest.approx(0.02)


def test_sound_scans_are_not_called_flattened(references):
    """None of 40, twice the stated shape error included; under 1 % in the large study."""
    found = [
        flattened_scans(fitted(references, peak, seed, shape=shape)[0])
        for seed, peak in enumerate(np.linspace(1.25, 2.0, 20))
        for shape in (1.0, 2.0)
    ]
    assert not any(found)


@pytest.mark.parametrize("peak", [1.8, 2.5])
def test_one_per_cent_is_found_its_size_told_and_left_out(references, peak):
    for seed in range(5):
        fit, amounts = fitted(references, peak, seed, stray=0.01)
        (flag,) = [flag for flag in fit.flags if flag.code == "stray-light"]
        told, limit = re.search(
            r"about ([\d.]+) % stray.* above ([\d.]+) were", flag.message
        ).groups()
        assert float(told) == pytest.approx(1.0, rel=0.5)
        assert 0.5 <= float(limit) < 1.0
        # cut by the fitted curve, which noise may exceed
        assert fit.scans[0].absorbance[fit.used[0]].max() < float(limit) + 0.02
        (group,) = [group for group in fit.groups if group.name == "chlorophyll-a-pool"]
        value, uncertainty = fit.group_concentration(group)
        assert value == pytest.approx(amounts["chlorophyll-a"], rel=0.04)
        assert abs(value - amounts["chlorophyll-a"]) < 3 * uncertainty


def test_what_was_left_out_is_flattened_no_more(references):
    fit, _ = fitted(references, 2.5, 3, stray=0.01)
    assert flattened_scans(fit) == ()


def test_limit_is_that_of_the_worst_scan_but_never_too_low():
    one = Flattening(0, 0.002, 9.0, 1.4, 1.9)
    assert lowered_limit([one, replace(one, level=1.1)]) == 1.1
    assert lowered_limit([replace(one, level=0.2)]) == error_model()["flattening_lowest_limit"]


def test_weak_scans_are_not_looked_at(references):
    fit, _ = fitted(references, 0.9 * error_model()["flattening_from"], 1, stray=0.01)
    assert flattened_scans(fit) == ()
