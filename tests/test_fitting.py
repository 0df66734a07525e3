"""The mixture fit: recovers what was put in, by laws, by simulation, and as another solver does."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from lmfit_oracle import fit_through_lmfit

from specfrac import (
    FitError,
    InputError,
    ReferenceNotFoundError,
    Scan,
    fit_mixture,
    fit_mixtures,
    fit_tube,
    identify,
    load_references,
)
from specfrac.fitting import model
from specfrac.fitting.blocks import BLOCK_CHANGE, blocks_of
from specfrac.fitting.error_model import error_model
from specfrac.fitting.noise import shape_modes, transmittance_noise
from specfrac.fitting.quadratic import minimise_bounded
from specfrac.simulate import draw_shape_errors, simulate_scan

WAVELENGTH = np.arange(400.0, 751.0)
GREEN = {
    "beta-carotene": 0.3e-3,
    "lutein": 0.4e-3,
    "violaxanthin": 0.15e-3,
    "neoxanthin": 0.1e-3,
    "chlorophyll-a": 3e-3,
    "chlorophyll-b": 1e-3,
    "pheophytin-a": 0.5e-3,
    "pheophytin-b": 0.1e-3,
}


@pytest.fixture(scope="module")
def references():
    return load_references().select(solvent="acetone-90")


def quiet_scan(references, concentrations=None, **keywords):
    keywords.setdefault("wavelength", WAVELENGTH)
    return simulate_scan(references, concentrations or GREEN, rng=1, **keywords)


def truth(references, concentrations=None):
    return np.array([(concentrations or GREEN).get(p, 0.0) for p in references.pigments])


# --- laws -------------------------------------------------------------------


def test_noise_free_mixture_comes_back(references):
    fit = fit_mixture(quiet_scan(references), references, bandwidth=references.entries[0].bandwidth)
    error = np.abs(fit.concentration - truth(references))
    assert (error <= 1e-3 * truth(references) + 0.1 * fit.standard_uncertainty).all()


def test_twice_the_path_is_half_the_concentration(references):
    scan = quiet_scan(references, noise=5e-4)
    once = fit_mixture(scan, references)
    twice = fit_mixture(scan, references, path_length=2.0)
    np.testing.assert_allclose(twice.concentration, once.concentration / 2, rtol=1e-9)
    np.testing.assert_allclose(twice.standard_uncertainty, once.standard_uncertainty / 2, rtol=1e-9)


def test_offset_of_either_sign_is_found_and_harmless(references):
    for offset in (-0.02, 0.03):
        fit = fit_mixture(quiet_scan(references, noise=3e-4, offset=offset), references)
        error = fit.concentration_unconstrained - truth(references)
        assert (np.abs(error) < 4 * fit.standard_uncertainty).all()
        assert "offset" in {flag.code for flag in fit.flags}


def test_shifted_bands_are_followed(references):
    shifts = {"carotene": 1.2, "xanthophyll": 0.6, "soret": -0.9, "red": 0.4}
    fit = fit_mixture(quiet_scan(references, noise=3e-4, group_shifts=shifts), references)
    for group, expected in zip(model.SHIFT_GROUPS, shifts.values(), strict=True):
        found, error = fit.group_shifts[group], fit.group_shift_uncertainties[group]
        assert abs(found - expected) < 4 * error + 0.05
    assert (
        np.abs(fit.concentration_unconstrained - truth(references)) < 4 * fit.standard_uncertainty
    ).all()


def test_large_shift_is_followed_and_called_implausible(references):
    fit = fit_mixture(quiet_scan(references, noise=3e-4, shift=5.0), references)
    assert "implausible-shift" in {flag.code for flag in fit.flags}
    assert fit.group_shifts["chlorophylls, red"] == pytest.approx(5.0, abs=0.3)


@pytest.mark.parametrize("bandwidth", [0.5, 2.0, 5.0])
def test_known_bandwidth_is_undone(references, bandwidth):
    scan = quiet_scan(references, noise=3e-4, bandwidth=bandwidth, path_length=0.5)
    fit = fit_mixture(scan, references, bandwidth=bandwidth, path_length=0.5)
    error = fit.concentration_unconstrained - truth(references)
    assert (np.abs(error) < 4 * fit.standard_uncertainty).all()


def test_unknown_bandwidth_is_fitted(references):
    scan = quiet_scan(references, noise=2e-4, bandwidth=5.0)
    fit = fit_mixture(scan, references)
    expected = model.slit_variance(5.0, references.entry("chlorophyll-a").bandwidth)
    assert fit.bandwidth_variance == pytest.approx(expected, abs=1.0)


def test_negative_estimates_survive_beside_the_display(references):
    rng = np.random.default_rng(7)
    below = 0
    for _ in range(10):
        scan = simulate_scan(
            references, {"chlorophyll-a": 2e-3}, wavelength=WAVELENGTH, noise=1e-3, rng=rng
        )
        fit = fit_mixture(scan, references)
        assert (fit.concentration >= 0).all()
        below += int((fit.concentration_unconstrained < 0).sum())
    assert below > 10


def test_inputs_are_untouched_and_results_do_not_depend_on_neighbours(references):
    rng = np.random.default_rng(3)
    scans = [
        simulate_scan(
            references,
            {k: v * rng.uniform(0, 2) for k, v in GREEN.items()},
            wavelength=WAVELENGTH,
            noise=5e-4,
            shift=rng.normal(),
            rng=rng,
        )
        for _ in range(120)
    ]
    before = [scan.absorbance.copy() for scan in scans]
    together = fit_mixtures(scans, references)
    for position in range(0, 120, 6):
        alone = fit_mixture(scans[position], references)
        scale = np.maximum(alone.concentration, alone.standard_uncertainty)
        for name in ("concentration", "concentration_unconstrained"):
            difference = np.abs(getattr(alone, name) - getattr(together[position], name))
            assert (difference <= 1e-8 * scale).all()
        np.testing.assert_allclose(
            alone.covariance, together[position].covariance, rtol=1e-6, atol=1e-18
        )
    for scan, copy in zip(scans, before, strict=True):
        np.testing.assert_array_equal(scan.absorbance, copy)


def test_rounding_does_not_decide_who_sits_on_a_bound(references):
    """A slit narrower than the reference's: the breadth's bound holds, and is left when free."""
    scan = quiet_scan(references, noise=3e-4, bandwidth=0.5)
    fits = [
        fit_mixture(
            dataclasses.replace(scan, absorbance=scan.absorbance * (1 + k * 1e-15)), references
        )
        for k in range(8)
    ]
    for fit in fits:
        np.testing.assert_allclose(
            fit.concentration_unconstrained,
            fits[0].concentration_unconstrained,
            atol=1e-6 * fits[0].standard_uncertainty.min(),
        )


def test_mixed_grids_keep_their_order(references):
    fine = quiet_scan(references, noise=3e-4)
    coarse = quiet_scan(references, noise=3e-4, wavelength=np.arange(402.0, 748.0, 2.0))
    fits = fit_mixtures([fine, coarse, fine], references, path_length=[1.0, 1.0, 2.0])
    assert [len(fit.scans[0]) for fit in fits] == [351, 173, 351]
    np.testing.assert_allclose(fits[2].concentration, fits[0].concentration / 2, rtol=1e-8)
    frame = fits.to_frame()
    assert len(frame) == 3 * len(references.pigments)


# --- another solver ---------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2])
def test_lmfit_finds_the_same_concentrations(references, seed):
    rng = np.random.default_rng(seed)
    composition = {k: v * rng.uniform(0.2, 2) for k, v in GREEN.items()}
    composition["pheophytin-b"] = 0.0
    bandwidth = 3.0
    scan = simulate_scan(
        references,
        composition,
        wavelength=WAVELENGTH,
        bandwidth=bandwidth,
        noise=1e-3,
        shift=rng.normal(0, 0.8),
        offset=0.005,
        scatter=0.01,
        rng=rng,
    )
    fit = fit_mixture(scan, references, bandwidth=bandwidth, noise=1e-3, shape_covariance=False)
    # the weights of the fit: noise that grows with the first pass's absorbance; its last
    # curve stands in for it here, and moving the weights by that much moves nothing
    fitted = fit.curves().fitted
    shapes = np.array([entry.shape(scan.wavelength) for entry in references.entries])
    blocks = blocks_of((scan.wavelength,), shapes, BLOCK_CHANGE)
    variance = 1e-3**2 + transmittance_noise(fitted) ** 2
    sigma = np.sqrt(blocks.spread(blocks.means(variance)))
    theirs = fit_through_lmfit(references, scan, fit.used[0], sigma, bandwidth)
    uncertainty = np.sqrt(np.diag(fit.covariance_noise))
    scale = np.maximum(theirs, uncertainty)
    assert (np.abs(fit.concentration - theirs) <= 1e-4 * scale).all()


def test_bounded_quadratic_agrees_with_scipy():
    from scipy.optimize import lsq_linear

    rng = np.random.default_rng(0)
    design = rng.normal(size=(30, 20, 6))
    design[:, :, 3] = design[:, :, 2] + 0.01 * design[:, :, 3]  # near twins
    target = rng.normal(size=(30, 20))
    bounded = np.array([True, True, True, True, False, False])
    matrix = design.transpose(0, 2, 1) @ design
    linear = np.einsum("ijk,ij->ik", design, target)
    x, active = minimise_bounded(
        matrix,
        linear,
        np.zeros((30, 6)),
        bounded,
        np.zeros(6, dtype=bool),
        np.zeros((30, 6), dtype=bool),
    )
    assert active.any()
    for row in range(30):
        lower = np.where(bounded, 0.0, -np.inf)
        theirs = lsq_linear(
            design[row], target[row], (lower, np.full(6, np.inf)), method="bvls", tol=1e-14
        )
        np.testing.assert_allclose(x[row], theirs.x, atol=1e-8)


# --- the model --------------------------------------------------------------


def test_derivatives_agree_with_differences():
    centre, height, width = np.array([430.0, 460.0]), np.array([1.0, 0.4]), np.array([9.0, 7.0])
    wavelength = np.arange(400.0, 500.0, 0.5)
    exact = model.shape_derivatives(wavelength, centre, height, width)
    step = 1e-3
    for order in range(model.ORDER):
        up = model.shape_derivatives(wavelength + step, centre, height, width)[order]
        down = model.shape_derivatives(wavelength - step, centre, height, width)[order]
        np.testing.assert_allclose((up - down) / (2 * step), exact[order + 1], atol=1e-7)


def test_broadening_keeps_the_area_and_adds_to_the_variance():
    wavelength = np.arange(300.0, 600.0, 0.1)
    band = (np.array([450.0]), np.array([1.0]), np.array([8.0]))
    narrow = model.shape_derivatives(wavelength, *band, order=0)[0]
    wide = model.shape_derivatives(wavelength, *band, variance=6.0, order=0)[0]
    assert wide.sum() == pytest.approx(narrow.sum(), rel=1e-12)
    assert ((wavelength - 450) ** 2 * wide).sum() / wide.sum() == pytest.approx(70.0, rel=1e-6)


def test_slit_is_a_convolution_with_a_triangle():
    # the triangular slit's variance rule against the convolution itself, at 4 nm
    step, width, bandwidth = 0.05, 8.0, 4.0
    wavelength = np.arange(380.0, 520.0, step)
    band = np.exp(-0.5 * ((wavelength - 450) / width) ** 2)
    slit = np.maximum(1 - np.abs(np.arange(-bandwidth, bandwidth + step / 2, step)) / bandwidth, 0)
    exact = np.convolve(band, slit / slit.sum(), mode="same")
    rule = model.shape_derivatives(
        wavelength,
        np.array([450.0]),
        np.array([1.0]),
        np.array([width]),
        variance=model.slit_variance(bandwidth, 0.0),
        order=0,
    )[0]
    np.testing.assert_allclose(rule, exact, atol=1e-3)


def test_modes_make_the_stated_correlation():
    wavelength = np.arange(400.0, 700.0, 3.0)
    modes = shape_modes(wavelength)
    distance = wavelength[:, None] - wavelength[None, :]
    length = error_model()["shape_correlation_length"]
    expected = np.exp(-(distance**2) / (2 * length**2))
    np.testing.assert_allclose(modes.T @ modes, expected, atol=0.02)


# --- several scans of one tube ----------------------------------------------


def test_dilution_recovers_what_saturation_hides(references):
    strong = {k: 5 * v for k, v in GREEN.items()}
    rng = np.random.default_rng(11)
    whole = simulate_scan(
        references, strong, wavelength=WAVELENGTH, noise=5e-4, stray_light_ratio=5e-4, rng=rng
    )
    thin = simulate_scan(
        references,
        {k: v / 5 for k, v in strong.items()},
        wavelength=WAVELENGTH,
        noise=5e-4,
        offset=0.004,
        rng=rng,
    )
    fit = fit_tube(
        [whole, thin],
        references,
        dilution_factors=[1, 5],
        dilution_uncertainties=[0, 0.005],
        absorptivity_uncertainty=False,
    )
    error = fit.concentration_unconstrained - truth(references, strong)
    assert (np.abs(error) < 4 * fit.standard_uncertainty).all()
    assert "above-linear-limit" in {flag.code for flag in fit.flags}
    assert fit.offsets.shape == (2,)


def test_scans_of_one_tube_that_disagree_are_flagged(references):
    rng = np.random.default_rng(8)
    errors = draw_shape_errors(references, rng)

    def repeat(factor):
        return simulate_scan(
            references,
            {k: factor * v for k, v in GREEN.items()},
            wavelength=WAVELENGTH,
            noise=5e-4,
            shape_errors=errors,
            rng=rng,
        )

    agreeing = fit_tube([repeat(1.0), repeat(1.0)], references)
    assert "scans-disagree" not in {flag.code for flag in agreeing.flags}
    evaporated = fit_tube([repeat(1.0), repeat(1.08)], references)
    (flag,) = [flag for flag in evaporated.flags if flag.code == "scans-disagree"]
    assert "evaporation" in flag.message


def test_repeats_shrink_noise_and_not_shape_error(references):
    rng = np.random.default_rng(5)
    errors = draw_shape_errors(references, rng)
    scans = [
        simulate_scan(
            references,
            {"chlorophyll-a": 4e-4},
            wavelength=WAVELENGTH,
            noise=2e-3,
            shape_errors=errors,
            rng=rng,
        )
        for _ in range(4)
    ]
    one = fit_tube(scans[:1], references)
    four = fit_tube(scans, references)
    noise_ratio = np.sqrt(four.covariance_noise[4, 4] / one.covariance_noise[4, 4])
    shape_ratio = np.sqrt(four.covariance_shape[4, 4] / one.covariance_shape[4, 4])
    assert 0.4 < noise_ratio < 0.75
    assert shape_ratio > 0.9


# --- what is reported -------------------------------------------------------


def test_unknown_band_is_reported(references):
    scan = quiet_scan(references, noise=5e-4)
    extra = 0.06 * np.exp(-0.5 * ((scan.wavelength - 560) / 10.6) ** 2)
    fit = fit_mixture(dataclasses.replace(scan, absorbance=scan.absorbance + extra), references)
    assert "unassigned-absorbance" in {flag.code for flag in fit.flags}
    assert fit.unassigned_bands[0].wavelength == pytest.approx(560, abs=8)
    assert fit.unassigned_share > 0.01


def test_groups_are_always_there_and_the_pool_is_in_equivalents(references):
    fit = fit_mixture(quiet_scan(references, noise=3e-4), references)
    frame = fit.groups_frame().set_index("group")
    pool = frame.loc["chlorophyll-a-pool"]
    ratio = references.molar_mass("chlorophyll-a") / references.molar_mass("pheophytin-a")
    mixture = fit.to_frame().set_index("pigment")["concentration_mg_per_L"]
    expected = mixture["chlorophyll-a"] + ratio * mixture["pheophytin-a"]
    assert pool["concentration_mg_per_L"] == pytest.approx(expected, rel=1e-12)
    assert frame.loc["carotenoids", "members"] == tuple(references.pigments[:4])
    only = load_references().select(solvent="acetone-90", pigments=["lutein"])
    lone = fit_mixture(quiet_scan(only, {"lutein": 2e-3}, noise=3e-4), only)
    assert set(lone.groups_frame()["group"]) == {"carotenoids", "chlorophyll-a-pool"}


def test_frame_has_the_promised_columns(references):
    frame = fit_mixture(quiet_scan(references, noise=3e-4), references).to_frame()
    assert list(frame.columns) == [
        "pigment",
        "group",
        "concentration_mg_per_L",
        "concentration_unconstrained_mg_per_L",
        "standard_uncertainty_mg_per_L",
        "detection_limit_mg_per_L",
        "detected",
        "quantified",
    ]
    assert frame["pigment"].tolist() == list(references.pigments)
    assert frame.drop(columns=["pigment", "group"]).notna().all().all()


def test_scale_uncertainty_can_be_left_out(references):
    scan = quiet_scan(references, noise=3e-4)
    full = fit_mixture(scan, references)
    bare = fit_mixture(scan, references, absorptivity_uncertainty=False)
    relative = references.entry("chlorophyll-a").scale_uncertainty
    difference = full.covariance_scale - bare.covariance_scale
    np.testing.assert_allclose(
        np.sqrt(difference[4, 4]), relative * full.concentration[4], rtol=1e-9
    )


def test_curves_add_up(references):
    fit = fit_mixture(quiet_scan(references, noise=3e-4, offset=0.01), references)
    drawn = fit.curves()
    np.testing.assert_allclose(
        drawn.components.sum(axis=0) + drawn.baseline, drawn.fitted, atol=1e-12
    )
    assert np.abs(drawn.residual[drawn.used]).max() < 3e-3


def test_identify_prefers_the_solvent_of_the_scan():
    library = load_references()
    acetone = library.select(solvent="acetone")
    scan = quiet_scan(acetone, {"beta-carotene": 2e-3}, noise=5e-4)
    ranking = [item.solvent for item in identify(scan, library).candidates]
    assert "acetone" in ranking
    assert "hexane" not in ranking[: ranking.index("acetone") + 1]


# --- what is refused --------------------------------------------------------


def test_too_few_points_name_the_number(references):
    scan = Scan("short", np.arange(400.0, 440.0), np.full(40, 0.2))
    with pytest.raises(FitError, match=r"40 usable points.*needs 50"):
        fit_mixture(scan, references)
    good = quiet_scan(references, noise=3e-4)
    fits = fit_mixtures([scan, good], references)
    assert not fits[0].success
    assert np.isnan(fits[0].concentration).all()
    assert fits[1].success


@pytest.mark.parametrize(
    ("keywords", "message"),
    [
        ({"path_length": 0.0}, "path_length is 0"),
        ({"path_length": -1.0}, "path_length is -1"),
        ({"bandwidth": -2.0}, "bandwidth is -2"),
        ({"linear_limit": float("nan")}, "linear_limit is nan"),
    ],
)
def test_impossible_settings_are_refused(references, keywords, message):
    with pytest.raises(InputError, match=message):
        fit_mixture(quiet_scan(references), references, **keywords)


def test_missing_reference_names_what_there_is():
    with pytest.raises(ReferenceNotFoundError, match="hexane"):
        load_references().select(solvent="hexan")


def test_nan_points_are_left_out(references):
    scan = quiet_scan(references, noise=3e-4)
    absorbance = scan.absorbance.copy()
    absorbance[100:120] = np.nan
    fit = fit_mixture(dataclasses.replace(scan, absorbance=absorbance), references)
    assert not fit.used[0][100:120].any()
    error = fit.concentration_unconstrained - truth(references)
    assert (np.abs(error) < 4 * fit.standard_uncertainty).all()


# --- coverage, the small study; the large one is a benchmark -----------------


def test_intervals_hold_the_truth(references):
    rng = np.random.default_rng(2024)
    n = 120
    scans, truths = [], []
    for _ in range(n):
        composition = {
            k: v * rng.lognormal(0, 0.7) * (rng.random() > 0.25) for k, v in GREEN.items()
        }
        common = rng.normal(0, 1.0)
        scans.append(
            simulate_scan(
                references,
                composition,
                wavelength=WAVELENGTH,
                noise=5e-4,
                transmittance_noise=3e-4,
                group_shifts={
                    g: common + rng.normal(0, 0.5)
                    for g in ("carotene", "xanthophyll", "soret", "red")
                },
                offset=rng.normal(0, 0.004),
                scatter=abs(rng.normal(0, 0.004)),
                scatter_exponent=rng.normal(2.5, 1.0),
                shape_errors=draw_shape_errors(references, rng),
                gain=rng.normal(0, 0.003),
                rng=rng,
            )
        )
        truths.append([composition[p] for p in references.pigments])
    fits = fit_mixtures(scans, references, bandwidth=2.0, absorptivity_uncertainty=False)
    error = np.array([f.concentration_unconstrained for f in fits]) - np.array(truths)
    uncertainty = np.array([f.standard_uncertainty for f in fits])
    covered = (np.abs(error) < 1.96 * uncertainty).mean()
    # 960 intervals; 95 % expected, binomial standard deviation with 8 correlated a scan < 1.5 %
    assert 0.92 < covered < 0.98


# --- many fits as arrays ----------------------------------------------------


def test_the_arrays_of_many_fits_are_those_of_each_fit(references):
    rng = np.random.default_rng(8)
    narrow = np.arange(410.0, 740.0)
    scans = [
        simulate_scan(
            references,
            dict(zip(references.pigments, rng.lognormal(-8, 1, 8).tolist(), strict=True)),
            wavelength=WAVELENGTH if number % 2 else narrow,
            noise=5e-4,
            rng=rng,
            name=f"scan {number}",
        )
        for number in range(5)
    ]
    scans.insert(2, Scan("short", np.arange(400.0, 440.0), np.full(40, 0.2)))
    fits = fit_mixtures(scans, references, bandwidth=2.0, path_length=[1, 1, 1, 0.5, 2, 1])
    table = fits.table()
    assert table.success.tolist() == [fit.success for fit in fits]
    for row, fit in enumerate(fits):
        for name in ("concentration", "standard_uncertainty", "zero_uncertainty"):
            np.testing.assert_allclose(
                getattr(table, name)[row], getattr(fit, name), rtol=1e-12, err_msg=name
            )
    frame = fits.to_frame()
    alone = fits[4].to_frame()
    here = frame[frame["position"] == 4].drop(columns=["position", "scan"]).reset_index(drop=True)
    pd.testing.assert_frame_equal(here, alone)
    assert frame["scan"].drop_duplicates().tolist() == [scan.name for scan in scans]
    some = fits[3:]
    assert [fit.name for fit in some] == [scan.name for scan in scans[3:]]
    np.testing.assert_array_equal(some.table().concentration, table.concentration[3:])


def test_a_scan_with_gaps_keeps_its_points(references):
    """Gaps that would cost whole blocks: every single reading then counts by itself."""
    scan = quiet_scan(references, noise=3e-4)
    absorbance = scan.absorbance.copy()
    absorbance[::7] = np.nan
    gappy = dataclasses.replace(scan, absorbance=absorbance)
    whole, holed = fit_mixtures([scan, gappy], references, bandwidth=2.0)
    assert holed.used[0].sum() == np.isfinite(absorbance[whole.used[0]]).sum()
    spread = np.sqrt(np.diag(whole.covariance_noise + whole.covariance_shape))
    away = np.abs(holed.concentration_unconstrained - whole.concentration_unconstrained)
    assert (away < spread).all()


def test_curvature_is_the_second_derivative_of_the_coefficients(references):
    """Against central differences of the coefficients themselves."""
    rng, layout = np.random.default_rng(0), model.layout(references)
    parameters = rng.uniform(0.1, 1.0, (2, layout.n_parameters))
    parameters[:, layout.exponent] = 3.0
    centres, variance = np.zeros((2, len(layout.shift_groups))), np.zeros(2)
    rest = rng.normal(size=(2, layout.n_columns))

    def summed(at):
        powers = model.polynomials(layout, at, centres, variance)
        return (model.coefficients(layout, at, powers) * rest).sum(axis=1)

    step = 1e-4 * np.eye(layout.n_parameters)
    expected = -np.array(
        [
            [
                summed(parameters + a + b)
                - summed(parameters + a - b)
                - summed(parameters - a + b)
                + summed(parameters - a - b)
                for a in step
            ]
            for b in step
        ]
    ).transpose(2, 0, 1) / (4 * 1e-4**2)
    powers = model.polynomials(layout, parameters, centres, variance)
    found = model.curvature(layout, parameters, powers, rest)
    np.testing.assert_allclose(found, expected, atol=1e-5)
