"""Elution profiles against Gaussian bands cut into tubes, where everything is known."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from uncertainties import ufloat

from specfrac.elution import elution_profile, moments, overlap, resolution
from specfrac.errors import InputError
from specfrac.references import load_references
from specfrac.sheet import read_run
from specfrac.simulate import simulate_scan
from specfrac.tubes import bench, measure_all
from specfrac.uncertainty import measured


def gaussian_tubes(centre, width, edges, total=10.0):
    """Exact mass of a Gaussian band in each tube."""
    below = np.array([0.5 * math.erfc((centre - v) / (width * math.sqrt(2))) for v in edges])
    return total * np.diff(below)


def exact(values):
    return [measured(float(value), 0.0, "") for value in values]


@pytest.mark.parametrize("size", [0.2, 0.5, 0.8])
def test_a_gaussian_band_cut_into_tubes_gives_its_centre_and_width(size):
    edges = np.arange(0, 12 + size / 2, size)
    masses = gaussian_tubes(5.03, 0.8, edges)
    found = moments(exact(masses), list(edges[:-1]), list(edges[1:]))
    assert found.total.nominal_value == pytest.approx(10.0, rel=1e-6)
    assert found.centre.nominal_value == pytest.approx(5.03, abs=1e-3)
    # without Sheppard's correction the width at 0.8 mL a tube would be 4 % too large
    assert found.width.nominal_value == pytest.approx(0.8, rel=2e-3)


def test_bands_four_widths_apart_have_a_resolution_of_one():
    """R = distance over mean base width of 4 w (common practice in chromatography)."""
    edges = np.arange(0, 20.1, 0.1)
    first, second = (
        moments(exact(gaussian_tubes(c, 0.5, edges)), list(edges[:-1]), list(edges[1:]))
        for c in (6.0, 8.0)
    )
    assert resolution(first, second).nominal_value == pytest.approx(1.0, rel=1e-3)


def test_uncertainty_of_centre_and_width_agrees_with_monte_carlo():
    rng = np.random.default_rng(8)
    edges = np.arange(0.0, 8.5, 0.5)
    masses = gaussian_tubes(4.0, 0.9, edges)
    ends = [ufloat(v, 0.05) for v in edges[1:]]
    starts = [0.0, *ends[:-1]]
    found = moments([ufloat(m, 0.05 + 0.02 * m) for m in masses], starts, ends)
    draws = 20_000
    m = masses + (0.05 + 0.02 * masses) * rng.standard_normal((draws, masses.size))
    v = np.concatenate(
        [np.zeros((draws, 1)), edges[1:] + 0.05 * rng.standard_normal((draws, masses.size))], axis=1
    )
    middle, height = (v[:, :-1] + v[:, 1:]) / 2, np.diff(v, axis=1)
    centre = (m * middle).sum(axis=1) / m.sum(axis=1)
    variance = (m * ((middle - centre[:, None]) ** 2 - height**2 / 12)).sum(axis=1) / m.sum(axis=1)
    assert found.centre.std_dev == pytest.approx(centre.std(), rel=0.03)
    assert found.width.std_dev == pytest.approx(np.sqrt(variance).std(), rel=0.05)


def test_a_band_in_one_tube_has_a_centre_but_no_width():
    found = moments(exact([3.0]), [1.0], [2.0])
    assert found.centre.nominal_value == 1.5
    assert found.width is None
    assert resolution(found, found) is None


def test_nothing_is_no_band():
    with pytest.raises(InputError, match="sum to 0 µg"):
        moments(exact([0.0, 0.0]), [0.0, 1.0], [1.0, 2.0])


def test_overlap_is_zero_apart_and_one_together():
    assert overlap([1, 0, 0], [0, 0, 2]) == 0
    assert overlap([1, 2, 1], [2, 4, 2]) == pytest.approx(1)
    assert overlap([1, -0.1], [0, 0]) == 0


@pytest.fixture(scope="module")
def profile(tmp_path_factory):
    """Two bands over twelve tubes of 0.5 mL, scanned and analysed."""
    folder = tmp_path_factory.mktemp("rack")
    references = load_references().select(solvent="acetone-90")
    wavelength = np.arange(350.0, 781.0, 1.0)
    edges = np.arange(0, 6.5, 0.5)
    carotene = gaussian_tubes(2.0, 0.45, edges, total=12.0)
    pheophytin = gaussian_tubes(3.6, 0.5, edges, total=20.0)
    columns, tubes = [], []
    for i, (a, b) in enumerate(zip(carotene, pheophytin, strict=True)):
        content = {"beta-carotene": a / 2 * 1e-3, "pheophytin-a": b / 2 * 1e-3}
        scan = simulate_scan(references, content, wavelength=wavelength, noise=3e-4, rng=i)
        columns.append(scan.absorbance)
        tubes.append(
            f'[[fraction]]\nname = "cut {i}"\nscan = "rack.csv"\nsample = "cut {i}"\n'
            f"eluted_volume_ml = {edges[i + 1]}\n"
        )
    names = ",".join(f"cut {i}" for i in range(len(tubes)))
    rows = [
        ",".join([f"{w:g}", *(f"{c[k]:.5f}" for c in columns)]) for k, w in enumerate(wavelength)
    ]
    text = "\n".join([f"wavelength_nm,{names}", *rows]) + "\n"
    (folder / "rack.csv").write_text(text, encoding="utf-8")
    head = "[run]\nvoid_volume_ml = 1.0\nu_void_volume_ml = 0.05\n"
    head += '[defaults]\nsolvent = "acetone-90"\nbandwidth_nm = 2\nmade_up_volume_ml = 2\n'
    # the sheet's order is not the order off the column
    (folder / "run.toml").write_text(head + "".join(reversed(tubes)), encoding="utf-8")
    run = read_run(folder)
    table = bench(run, load_references())
    return elution_profile(measure_all(table), table)


def test_the_profile_of_a_run_finds_both_bands_in_order(profile):
    assert profile.names == tuple(f"cut {i}" for i in range(12))
    np.testing.assert_allclose(profile.start, np.arange(0, 6, 0.5))
    keys = [band.pigment for band in profile.bands]
    assert keys.index("beta-carotene") < keys.index("pheophytin-a")
    for key, centre, width, total in (
        ("beta-carotene", 2.0, 0.45, 12.0),
        ("pheophytin-a", 3.6, 0.5, 20.0),
    ):
        band = profile.band(key)
        assert abs(band.centre.value - centre) < 3 * band.centre.uncertainty
        assert abs(band.width.value - width) < 3 * band.width.uncertainty + 0.02
        assert abs(band.total.value - total) < 3 * band.total.uncertainty + 0.1
        assert band.complete
        assert len(band.masses) == 12
    carotene = profile.band("beta-carotene")
    assert carotene.column_volumes.value == pytest.approx(carotene.centre.value)
    assert carotene.column_volumes.uncertainty > 0.05 * carotene.centre.value


def test_neighbours_of_a_run_overlap_as_their_gaussians_do(profile):
    edges = np.arange(0, 6.5, 0.5)
    truth = overlap(gaussian_tubes(2.0, 0.45, edges), gaussian_tubes(3.6, 0.5, edges))
    first, second = profile.band("beta-carotene"), profile.band("pheophytin-a")
    shared = overlap([m.value for m in first.masses], [m.value for m in second.masses])
    assert shared == pytest.approx(truth, abs=0.02)
    found = [(one.first, one.second) for one in profile.neighbours]
    order = [band.pigment for band in profile.bands]
    assert found == list(pairwise(order))
    for pair in profile.neighbours:
        one, other = profile.band(pair.first), profile.band(pair.second)
        if pair.resolution is not None:
            distance = other.centre.value - one.centre.value
            mean_base = 4 * (one.width.value + other.width.value) / 2
            assert pair.resolution.value == pytest.approx(distance / mean_base)
            assert pair.resolution.uncertainty > 0
