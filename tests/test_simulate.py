"""The forward model: what a simulated scan must obey whatever the references are."""

from __future__ import annotations

import math

import numpy as np
import pytest

from specfrac.errors import InputError
from specfrac.references import PigmentReference, References, Solvent
from specfrac.simulate import draw_shape_errors, simulate_scan, smooth_curve, stray_light

GRID = np.arange(350.0, 801.0)


def reference(pigment, group, centres, regions, *, scale=100.0, width=12.0):
    return PigmentReference(
        pigment=pigment,
        solvent="invented",
        group=group,
        molar_mass=500.0,
        centre=np.array(centres),
        height=np.ones(len(centres)),
        width=np.full(len(centres), width),
        region=regions,
        scale=scale,
        scale_uncertainty=0.02,
        valid_from=300.0,
        valid_to=math.inf,
        bandwidth=1.0,
        grade="measured",
        shape_error=0.01,
        for_mass=True,
        reason="invented for a test",
        sources=(),
    )


@pytest.fixture
def references():
    solvent = Solvent("invented", "an invented solvent", (), 300.0, 1.36, 0.5, False)
    return References(
        solvent,
        (
            reference("chlorophyll-a", "chlorophyll", [430.0, 662.0], ("soret", "red")),
            reference("beta-carotene", "carotene", [450.0], ("whole",), scale=250.0),
        ),
        "invented",
    )


CONTENT = {"chlorophyll-a": 0.004, "beta-carotene": 0.001}


def test_clean_scan_is_beer_lambert(references):
    scan = simulate_scan(references, CONTENT, wavelength=GRID, path_length=0.5)
    expected = 0.5 * sum(
        value * references.specific_absorptivity(pigment, GRID)
        for pigment, value in CONTENT.items()
    )
    np.testing.assert_allclose(scan.absorbance, expected, rtol=1e-12)


def test_slit_keeps_the_area_and_adds_a_sixth_of_its_square(references):
    wide = simulate_scan(references, {"beta-carotene": 0.001}, wavelength=GRID, bandwidth=6.0)
    weight = wide.absorbance / wide.absorbance.sum()
    mean = (weight * GRID).sum()
    narrow = simulate_scan(references, {"beta-carotene": 0.001}, wavelength=GRID)
    assert wide.absorbance.sum() == pytest.approx(narrow.absorbance.sum(), rel=1e-9)
    variance = (weight * (GRID - mean) ** 2).sum()
    assert variance == pytest.approx(12.0**2 + (6.0**2 - 1.0**2) / 6, rel=1e-6)


def test_triangular_slit_by_numerical_averaging(references):
    # The variance rule against the definition: a triangle of full width B at half height.
    bandwidth = 4.0
    fine = np.arange(380.0, 520.0, 0.05)
    narrow = reference("beta-carotene", "carotene", [450.0], ("whole",), scale=250.0)
    curve = narrow.specific_absorptivity(fine)
    offsets = np.arange(-bandwidth, bandwidth + 0.025, 0.05)
    slit = np.clip(1 - np.abs(offsets) / bandwidth, 0, None)
    averaged = np.convolve(curve, slit / slit.sum(), mode="same")
    entry = References(references.solvent, (narrow,), "invented")
    # bandwidth² - own² must equal the slit's square: ask for sqrt(B² + 1²).
    scan = simulate_scan(
        entry, {"beta-carotene": 0.001}, wavelength=fine, bandwidth=math.hypot(bandwidth, 1.0)
    )
    inside = slice(400, -400)
    np.testing.assert_allclose(
        scan.absorbance[inside], 0.001 * averaged[inside], atol=3e-4 * scan.absorbance.max()
    )


def test_bands_move_by_instrument_and_group(references):
    scan = simulate_scan(
        references,
        {"chlorophyll-a": 0.004},
        wavelength=GRID,
        shift=1.0,
        group_shifts={"soret": -3.0, "red": 2.0},
    )
    soret, red = GRID < 550, GRID >= 550
    assert GRID[soret][scan.absorbance[soret].argmax()] == 428.0
    assert GRID[red][scan.absorbance[red].argmax()] == 665.0


def test_offset_and_scatter_stand_alone_without_pigment(references):
    scan = simulate_scan(
        references, {}, wavelength=GRID, offset=-0.01, scatter=0.02, scatter_exponent=4.0
    )
    np.testing.assert_allclose(scan.absorbance, -0.01 + 0.02 * (500.0 / GRID) ** 4, rtol=1e-12)


def test_stray_light_published_figures():
    # Figures of the trade for 0.1 % and 0.5 % stray light, computed from the formula by
    # others: -0.004 at A 1, -0.041 at A 2; -0.019 and -0.17. A 3 reads 2.6994 at 0.1 %.
    np.testing.assert_allclose(stray_light([1.0, 2.0], 0.001) - [1, 2], [-0.004, -0.041], atol=5e-4)
    np.testing.assert_allclose(stray_light(1.0, 0.005) - 1, -0.019, atol=5e-4)
    np.testing.assert_allclose(stray_light(2.0, 0.005) - 2, -0.17, atol=5e-3)
    assert float(stray_light(2.0, 0.001)) == pytest.approx(1.9590, abs=5e-5)
    assert float(stray_light(3.0, 0.001)) == pytest.approx(2.6994, abs=5e-5)


def test_stray_light_leaves_a_clear_cell_alone():
    assert float(stray_light(0.0, 0.01)) == pytest.approx(0.0, abs=1e-15)


def test_smooth_curve_has_the_stated_covariance():
    rng = np.random.default_rng(11)
    points = np.array([400.0, 405.0, 410.0, 425.0, 500.0])
    draws = np.array([smooth_curve(points, 10.0, rng) for _ in range(4000)])
    distance = points[:, np.newaxis] - points
    # 4000 draws: standard error of a covariance of unit normals is at most sqrt(2/4000) = 0.022
    np.testing.assert_allclose(
        np.cov(draws, rowvar=False), np.exp(-(distance**2) / 200.0), atol=4 * 0.0224
    )


def test_own_shape_error_has_the_stated_size(references):
    rng = np.random.default_rng(5)
    clean = simulate_scan(references, CONTENT, wavelength=GRID).absorbance
    draws = np.array(
        [
            simulate_scan(
                references, CONTENT, wavelength=GRID, shape_error_scale=2.0, rng=rng
            ).absorbance
            - clean
            for _ in range(400)
        ]
    )
    parts = [v * references.specific_absorptivity(p, GRID) for p, v in CONTENT.items()]
    expected = 2.0 * 0.01 * np.hypot(*parts)
    high = expected > 1e-4
    ratio = draws[:, high].std(axis=0) / expected[high]
    assert ratio.mean() == pytest.approx(1.0, abs=0.05)


def test_shared_shape_error_is_proportional_to_concentration(references):
    errors = draw_shape_errors(references, np.random.default_rng(2))
    grid, double = GRID, {key: 2 * value for key, value in CONTENT.items()}
    once = simulate_scan(references, CONTENT, wavelength=grid, shape_errors=errors)
    twice = simulate_scan(references, double, wavelength=grid, shape_errors=errors)
    clean = simulate_scan(references, CONTENT, wavelength=grid)
    np.testing.assert_allclose(twice.absorbance, 2 * once.absorbance, rtol=1e-12)
    relative = (once.absorbance - clean.absorbance)[clean.absorbance > 0.05]
    assert 0 < np.abs(relative).max() < 0.05


def test_noise_grows_with_absorbance(references):
    clean = simulate_scan(references, {"beta-carotene": 0.008}, wavelength=GRID).absorbance
    draws = np.array(
        [
            simulate_scan(
                references,
                {"beta-carotene": 0.008},
                wavelength=GRID,
                noise=5e-4,
                transmittance_noise=3e-4,
                rng=seed,
            ).absorbance
            for seed in range(600)
        ]
    )
    expected = np.sqrt(5e-4**2 + (3e-4 * 10**clean / math.log(10)) ** 2)
    ratio = draws.std(axis=0) / expected
    assert ratio.mean() == pytest.approx(1.0, abs=0.02)
    assert draws.std(axis=0).max() > 0.01  # at A 2 the transmittance noise is 0.013


def test_ceiling_and_resolution(references):
    scan = simulate_scan(
        references, {"beta-carotene": 0.02}, wavelength=GRID, ceiling=3.0, resolution=0.001
    )
    assert scan.absorbance.max() == 3.0
    np.testing.assert_allclose(scan.absorbance * 1000, np.round(scan.absorbance * 1000), atol=1e-9)


def test_same_seed_same_scan(references):
    scans = [
        simulate_scan(references, CONTENT, wavelength=GRID, noise=1e-3, rng=3).absorbance
        for _ in range(2)
    ]
    np.testing.assert_array_equal(*scans)


@pytest.mark.parametrize(
    ("content", "options", "message"),
    [
        ({"lutien": 1e-3}, {}, "concentration of 'lutien'"),
        ({"beta-carotene": -1e-3}, {}, "must be 0 or above"),
        ({}, {"group_shifts": {"blue": 1.0}}, "group of bands 'blue' is not known"),
        ({}, {"noise": 1e-3}, "give rng"),
        ({}, {"path_length": 0.0}, "path length is 0 cm"),
        ({}, {"stray_light_ratio": -0.1}, "stray light ratio is -0.1"),
    ],
)
def test_refusals(references, content, options, message):
    with pytest.raises(InputError, match=message):
        simulate_scan(references, content, wavelength=GRID, **options)
