"""Stray light and bandwidth against published figures, through the forward model.

The figures were computed elsewhere from the two formulas and rounded for print; a fault
in our forward model or in a sign would miss them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from specfrac.fitting import fit_mixture
from specfrac.references import PigmentReference, References, Solvent, load_references
from specfrac.scans import Scan
from specfrac.simulate import simulate_scan, stray_light

RED = 662.0
FWHM_TO_SIGMA = 1 / (2 * math.sqrt(2 * math.log(2)))


def red_band(full_width):
    entry = PigmentReference(
        pigment="chlorophyll-a",
        solvent="invented",
        group="chlorophyll",
        molar_mass=893.509,
        centre=np.array([RED]),
        height=np.ones(1),
        width=np.array([full_width * FWHM_TO_SIGMA]),
        region=("red",),
        scale=90.0,
        scale_uncertainty=0.02,
        valid_from=300.0,
        valid_to=math.inf,
        bandwidth=1e-6,  # as if measured with an infinitely sharp slit
        grade="measured",
        shape_error=0.005,
        for_mass=True,
        reason="invented for a test",
        sources=(),
    )
    solvent = Solvent("invented", "an invented solvent", (), 300.0, 1.36, 0.5, False)
    return References(solvent, (entry,), "invented")


@pytest.mark.parametrize(
    ("bandwidth", "loss", "digits"),
    [
        (0.5, 0.04, 0.005),
        (1.0, 0.14, 0.005),
        (2.0, 0.57, 0.005),
        (4.0, 2.2, 0.05),
        (5.0, 3.4, 0.05),
        (8.0, 8.0, 0.05),
    ],
)
def test_peak_of_a_red_band_through_a_slit(bandwidth, loss, digits):
    # Band of 18 nm full width, triangular slit: s/√(s² + B²/6), loss in % as tabulated.
    scan = simulate_scan(
        red_band(18.0), {"chlorophyll-a": 0.01}, wavelength=[RED - 1, RED], bandwidth=bandwidth
    )
    assert 100 * (1 - scan.absorbance[1] / 0.9) == pytest.approx(loss, abs=digits)


@pytest.mark.parametrize(
    ("ratio", "absorbance", "lowered", "digits"),
    [
        (0.001, 1.0, 0.004, 5e-4),
        (0.001, 2.0, 0.041, 5e-4),
        (0.005, 1.0, 0.019, 5e-4),
        (0.005, 2.0, 0.17, 5e-3),
    ],
)
def test_stray_light_lowers_high_absorbance(ratio, absorbance, lowered, digits):
    assert absorbance - float(stray_light(absorbance, ratio)) == pytest.approx(lowered, abs=digits)


def test_stray_light_readings_to_four_decimals():
    # 0.1 %: A 2 reads 1.9590 and A 3 reads 2.6994
    np.testing.assert_allclose(stray_light([2.0, 3.0], 0.001), [1.9590, 2.6994], atol=5.1e-5)


@pytest.mark.parametrize("stray", [1e-3, 1e-4, 1e-6])
def test_stray_light_ratio_that_two_path_lengths_reveal(stray):
    # Differential method, 10 mm against 5 mm of one filter: where the difference of the
    # readings has its maximum A, S = 0.25 · 10^(-2A). The rule drops the factor (1 + √S)²
    # and terms of relative size S.
    grid = np.linspace(0.01, 12.0, 120_000)
    difference = stray_light(grid, stray) - stray_light(grid / 2, stray)
    rule = 0.25 * 10 ** (-2 * float(difference.max()))
    assert rule * (1 + math.sqrt(stray)) ** 2 == pytest.approx(stray, rel=1.1 * stray)


def test_wavelength_error_on_the_flank():
    # 2 nm off on a red band about 19 nm wide costs about 3 %.
    scan = simulate_scan(red_band(19.0), {"chlorophyll-a": 0.01}, wavelength=[RED, RED + 2])
    assert 100 * (1 - scan.absorbance[1] / scan.absorbance[0]) == pytest.approx(3.0, abs=0.5)


@pytest.mark.parametrize("bandwidth", [3.0, 4.0])
def test_fit_undoes_a_real_triangular_slit(bandwidth):
    # The definition, not the variance rule: a triangle averages the absorbance numerically,
    # and the fit, told the bandwidth, must give back the content. Told a wrong one, it must not.
    references = load_references().select(solvent="acetone", pigments=["chlorophyll-a"])
    own = references.entries[0].bandwidth
    extra = math.sqrt(bandwidth**2 - own**2)
    step = 0.05
    fine = np.arange(330.0, 830.0, step)
    offsets = np.arange(-round(extra / step), round(extra / step) + 1) * step
    slit = np.clip(1 - np.abs(offsets) / extra, 0, None)
    sharp = 5e-3 * references.specific_absorptivity("chlorophyll-a", fine)
    seen = np.convolve(sharp, slit / slit.sum(), mode="same")
    grid = np.arange(350.0, 801.0)
    scan = Scan("slit", grid, np.interp(grid, fine, seen))
    told = fit_mixture(scan, references, bandwidth=bandwidth, noise=3e-4)
    assert told.concentration[0] == pytest.approx(5e-3, rel=1e-4)
    misled = fit_mixture(scan, references, bandwidth=own, noise=3e-4)
    assert abs(misled.concentration[0] / 5e-3 - 1) > 1e-3
