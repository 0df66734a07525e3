"""Formulas, and what tubes hold: laws, correlations, and agreement with Monte Carlo."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import covariance_matrix, ufloat

from specfrac import quantities as q
from specfrac.errors import InputError, ReferenceNotFoundError
from specfrac.fitting.error_model import PHOTOMETER_GAIN_UNCERTAINTY
from specfrac.fitting.noise import SPREAD_SPACING, shape_knots
from specfrac.fitting.results import MixtureFit
from specfrac.references import PigmentReference, References, Solvent
from specfrac.scans import Scan
from specfrac.uncertainty import measured

GROUP = {
    "beta-carotene": "carotene",
    "lutein": "xanthophyll",
    "chlorophyll-a": "chlorophyll",
    "pheophytin-a": "pheophytin",
}
# From the formulas C40H56, C40H56O2, C55H72MgN4O5, C55H74N4O5 (tests/external checks them).
MOLAR_MASS = {
    "beta-carotene": 536.888,
    "lutein": 568.886,
    "chlorophyll-a": 893.509,
    "pheophytin-a": 871.220,
}
SCALE_UNCERTAINTY = {
    "beta-carotene": 0.02,
    "lutein": 0.03,
    "chlorophyll-a": 0.015,
    "pheophytin-a": 0.05,
}


def solvent(key="acetone"):
    return Solvent(key, key, (), 330.0, 1.36, 0.5, False)


def reference(pigment, solvent_key, scale=100.0):
    return PigmentReference(
        pigment=pigment,
        solvent=solvent_key,
        group=GROUP[pigment],
        molar_mass=MOLAR_MASS[pigment],
        centre=np.array([450.0]),
        height=np.array([1.0]),
        width=np.array([15.0]),
        region=("whole",),
        scale=scale,
        scale_uncertainty=SCALE_UNCERTAINTY[pigment],
        valid_from=300.0,
        valid_to=math.inf,
        bandwidth=1.0,
        grade="measured",
        shape_error=0.005,
        for_mass=True,
        reason="invented for a test",
        sources=(),
    )


def references(pigments, solvent_key="acetone", scale=100.0):
    entries = tuple(reference(pigment, solvent_key, scale) for pigment in pigments)
    return References(solvent(solvent_key), entries, "invented")


def make_fit(
    values,
    *,
    noise=0.0,
    shape=0.0,
    solvent_key="acetone",
    scale=100.0,
    unassigned=0.0,
    covariance_noise=None,
    name="tube",
):
    """A fit by hand: concentrations in g/L by pigment, uncertainties relative to the largest."""
    unconstrained = np.array(list(values.values()), dtype=float)
    n = unconstrained.size
    largest = np.abs(unconstrained).max()
    scan = Scan(name, np.arange(400.0, 701.0), np.zeros(301))
    modes = shape_knots(scan.wavelength, spacing=SPREAD_SPACING).size
    # each estimate errs by a mode of its own, of each reference as far as it absorbs
    absorbing = np.abs(unconstrained) / max(np.linalg.norm(unconstrained), 1e-300)
    gain = np.zeros((n, n, modes))
    gain[np.arange(n), :, np.arange(n)] = shape * largest * absorbing
    if covariance_noise is None:
        covariance_noise = np.eye(n) * (noise * largest) ** 2
    return MixtureFit(
        name=name,
        success=True,
        message="",
        references=references(tuple(values), solvent_key, scale),
        scans=(scan,),
        dilution_factors=np.ones(1),
        path_lengths=np.ones(1),
        used=(np.ones(301, dtype=bool),),
        concentration=np.maximum(unconstrained, 0.0),
        concentration_unconstrained=unconstrained,
        covariance_noise=covariance_noise,
        covariance_shape=np.eye(n) * (shape * largest) ** 2,
        covariance_scale=np.zeros((n, n)),
        zero_uncertainty=np.full(n, 1e-6),
        group_shifts={},
        group_shift_uncertainties={},
        offsets=np.zeros(1),
        scatters=np.zeros(1),
        scatter_exponent=2.5,
        bandwidth=None,
        bandwidth_variance=0.0,
        noise=np.full(1, 5e-4),
        shape_error_factor=1.0,
        misfit=0.0,
        reduced_chi_square=1.0,
        deviance=0.0,
        runs_p_value=0.5,
        unassigned_share=unassigned,
        unassigned_bands=(),
        groups=(),
        flags=(),
        shape_gain=gain,
    )


def names(quantity):
    return {source for source, _ in quantity.budget}


def part(quantity, source):
    return dict(quantity.budget).get(source, 0.0)


class TestFormulas:
    def test_twice_the_path_is_half_the_concentration(self):
        once = q.concentration([0.2, 0.5], 1e5, 1.0)
        np.testing.assert_allclose(q.concentration([0.2, 0.5], 1e5, 2.0), once / 2)

    def test_dilution_multiplies(self):
        assert float(q.concentration(0.5, 1e5, 1.0, dilution_factor=10)) == pytest.approx(5e-5)

    def test_not_measured_stays_not_measured(self):
        assert math.isnan(q.concentration([math.nan, 0.5], 1e5, 1.0)[0])

    @given(st.floats(1.0, 1e4), st.floats(100.0, 1000.0))
    def test_conversions_undo_each_other(self, specific, molar_mass):
        molar = q.molar_from_specific(specific, molar_mass)
        assert q.specific_from_molar(molar, molar_mass) == pytest.approx(specific, rel=1e-12)
        percent = q.a1_percent_from_specific(specific)
        assert q.specific_from_a1_percent(percent) == pytest.approx(specific, rel=1e-12)
        section = q.cross_section_from_molar(molar)
        assert q.molar_from_cross_section(section) == pytest.approx(molar, rel=1e-12)

    def test_mass_and_molar_routes_agree(self):
        specific, molar_mass = 92.45, 893.509
        molar = q.molar_from_specific(specific, molar_mass)
        by_mass = q.mass_concentration(0.5, specific, 1.0)
        by_amount = q.concentration(0.5, molar, 1.0)
        assert float(by_amount * molar_mass) == pytest.approx(float(by_mass), rel=1e-12)

    @pytest.mark.parametrize(
        ("arguments", "message"),
        [
            ((0.5, 0.0, 1.0), "molar absorptivity is 0, but must be above 0"),
            ((0.5, 1e5, -1.0), "path length is -1 cm"),
            ((math.inf, 1e5, 1.0), "absorbance is infinite"),
            ((0.5, math.nan, 1.0), "molar absorptivity is nan"),
        ],
    )
    def test_refusals(self, arguments, message):
        with pytest.raises(InputError, match=message):
            q.concentration(*arguments)

    def test_dilution_below_one_is_refused(self):
        with pytest.raises(InputError, match="final volume over the volume taken"):
            q.mass_concentration(0.5, 250.0, 1.0, dilution_factor=0.1)


class TestOneTube:
    def test_units(self):
        tube = q.tube_content(
            make_fit({"beta-carotene": 2e-3}),
            q.SharedErrors(),
            volume=measured(5.0, 0.05, q.MADE_UP_VOLUME),
        )
        assert q.concentration_in(tube, "beta-carotene").value == pytest.approx(2.0)
        mass = q.mass_in(tube, "beta-carotene")
        assert (mass.value, mass.unit) == (pytest.approx(10.0), "µg")
        amount = q.amount_in(tube, "beta-carotene")
        assert amount.value == pytest.approx(10.0 / 536.888 * 1e3)
        assert amount.unit == "nmol"

    def test_budget_names_every_source_and_the_largest_first(self):
        fit = make_fit({"beta-carotene": 2e-3}, noise=0.001, shape=0.004)
        tube = q.tube_content(
            fit,
            q.SharedErrors(),
            volume=measured(5.0, 0.05, q.MADE_UP_VOLUME),
            path_length=measured(0.5, 0.001, q.PATH_LENGTH),
            dilution_factor=measured(1.0, 0.006, q.DILUTION),
        )
        mass = q.mass_in(tube, "beta-carotene")
        relative = {source: u / mass.value for source, u in mass.budget}
        assert relative == {
            "absorptivity of β-carotene in acetone": pytest.approx(0.02),
            "made-up volume": pytest.approx(0.01),
            "dilution": pytest.approx(0.006),
            "band shape of the reference": pytest.approx(0.004),
            "photometer gain": pytest.approx(PHOTOMETER_GAIN_UNCERTAINTY),
            "path length": pytest.approx(0.002),
            "noise and baseline": pytest.approx(0.001),
        }
        assert mass.largest_contributor == "absorptivity of β-carotene in acetone"
        contributions = [u for _, u in mass.budget]
        assert contributions == sorted(contributions, reverse=True)
        assert math.hypot(*contributions) == pytest.approx(mass.uncertainty)

    def test_covariance_of_the_fit_survives(self):
        covariance = np.array([[4.0, -3.0], [-3.0, 9.0]]) * 1e-10
        fit = make_fit({"beta-carotene": 2e-3, "lutein": 1e-3}, covariance_noise=covariance)
        shared = q.SharedErrors(absorptivity_uncertainty=False, gain_uncertainty=0.0)
        tube = q.tube_content(fit, shared)
        total = q.concentration_in(tube)
        assert total.uncertainty == pytest.approx(1e3 * math.sqrt((4 + 9 - 6) * 1e-10))
        assert names(total) == {q.NOISE}

    def test_negative_estimate_shows_as_zero_but_counts_in_sums(self):
        tube = q.tube_content(
            make_fit({"beta-carotene": 2e-3, "lutein": -1e-4}, noise=0.05), q.SharedErrors()
        )
        assert q.concentration_in(tube, "lutein").value == 0.0
        assert q.concentration_in(tube, "lutein").uncertainty == pytest.approx(0.1)
        assert q.concentration_in(tube, "lutein", displayed=False).value == pytest.approx(-0.1)
        assert q.concentration_in(tube, displayed=False).value == pytest.approx(1.9)

    def test_pool_in_equivalents_is_heavier_by_the_ratio_of_molar_masses(self):
        fit = make_fit({"chlorophyll-a": 2e-3, "pheophytin-a": 1e-3})
        members = fit.pigments
        factors = q.equivalent_factors(fit.references, members, MOLAR_MASS["chlorophyll-a"])
        # 893.49/871.20 as widely printed; the atomic weights of today move the sixth digit.
        assert factors == (1.0, pytest.approx(893.49 / 871.20, rel=1e-5))
        tube = q.tube_content(fit, q.SharedErrors(), volume=measured(1.0, 0.0, q.MADE_UP_VOLUME))
        pool = q.mass_in(tube, members, factors=factors)
        amount = q.amount_in(tube, members)
        assert pool.value == pytest.approx(amount.value * MOLAR_MASS["chlorophyll-a"] / 1e3)

    def test_no_volume_no_mass(self):
        tube = q.tube_content(make_fit({"lutein": 1e-3}), q.SharedErrors())
        with pytest.raises(InputError, match="no volume is known"):
            q.mass_in(tube)

    def test_unknown_uncertainty_stays_unknown(self):
        tube = q.tube_content(
            make_fit({"lutein": 1e-3}, noise=0.01),
            q.SharedErrors(),
            volume=measured(5.0, math.nan, q.MADE_UP_VOLUME),
        )
        mass = q.mass_in(tube)
        assert mass.value == pytest.approx(5.0)
        assert math.isnan(mass.uncertainty)
        assert mass.largest_contributor == q.MADE_UP_VOLUME
        # The volume cancels in a share, known or not.
        assert math.isfinite(q.share_by_mass(tube, "lutein").value.uncertainty)

    def test_pigment_that_was_no_candidate_is_named(self):
        tube = q.tube_content(make_fit({"lutein": 1e-3}), q.SharedErrors())
        with pytest.raises(ReferenceNotFoundError, match="'luten' was not among the candidates"):
            q.concentration_in(tube, "luten")

    def test_failed_fit_gives_nan(self):
        fit = make_fit({"lutein": math.nan}, covariance_noise=np.full((1, 1), math.nan))
        tube = q.tube_content(fit, q.SharedErrors())
        assert math.isnan(q.concentration_in(tube).value)
        assert math.isnan(q.concentration_in(tube).uncertainty)
        assert math.isnan(q.share_by_mass(tube, "lutein").value.value)

    @pytest.mark.parametrize("name", ["volume", "path_length", "dilution_factor"])
    def test_zero_volume_path_or_dilution_is_refused(self, name):
        with pytest.raises(InputError, match=name.replace("_", " ")):
            q.tube_content(
                make_fit({"lutein": 1e-3}), q.SharedErrors(), **{name: measured(0.0, 0.1, name)}
            )


class TestShare:
    def test_shares_sum_to_one(self):
        tube = q.tube_content(
            make_fit({"beta-carotene": 2e-3, "lutein": 1e-3, "chlorophyll-a": 1e-3}, noise=0.01),
            q.SharedErrors(),
        )
        for share in (q.share_by_mass, q.share_by_amount):
            values = [share(tube, pigment).value.value for pigment in tube.pigments]
            assert sum(values) == pytest.approx(1.0)
        assert q.share_by_mass(tube, "beta-carotene").value.value == pytest.approx(0.5)

    def test_by_amount_weights_by_molar_mass(self):
        tube = q.tube_content(
            make_fit({"beta-carotene": 1e-3, "chlorophyll-a": 1e-3}), q.SharedErrors()
        )
        light, heavy = 1 / MOLAR_MASS["beta-carotene"], 1 / MOLAR_MASS["chlorophyll-a"]
        assert q.share_by_amount(tube, "beta-carotene").value.value == pytest.approx(
            light / (light + heavy)
        )

    def test_by_absorbance_knows_no_absorptivity_error(self):
        tube = q.tube_content(
            make_fit({"beta-carotene": 1e-3, "lutein": 1e-3}, noise=0.01), q.SharedErrors()
        )
        share = q.share_by_absorbance(tube, "lutein", 450.0)
        assert share.value.value == pytest.approx(0.5)
        assert names(share.value) == {q.NOISE}
        assert names(q.share_by_mass(tube, "lutein").value) > {q.NOISE}

    def test_pure_tube_cannot_exceed_one_and_absent_pigments_widen_it(self):
        tube = q.tube_content(
            make_fit({"beta-carotene": 1e-3, "lutein": -1e-6, "chlorophyll-a": 0.0}, noise=0.01),
            q.SharedErrors(),
        )
        share = q.share_by_mass(tube, "beta-carotene")
        low, high = share.interval
        assert share.value.value == 1.0
        assert high == 1.0
        # By hand: the two absent ones, each known to 0.01 of the main one, may together be
        # s with (s + 0.001)²/2 = (1.96 · 0.01)², 0.001 being the estimate below zero.
        s = 1.96 * 0.01 * math.sqrt(2) - 0.001
        assert low == pytest.approx(1 / (1 + s), abs=2e-4)
        absent = q.share_by_mass(tube, "lutein")
        assert absent.interval[0] == 0.0
        one = 1.96 * 0.01 - 0.001
        assert absent.interval[1] == pytest.approx(one / (1 + one), abs=2e-4)
        assert absent.value.uncertainty == pytest.approx(0.01, rel=0.01)

    def test_unassigned_absorbance_lowers_the_bound(self):
        clean, odd = (
            q.share_by_mass(
                q.tube_content(
                    make_fit({"lutein": 1e-3, "beta-carotene": 1e-4}, noise=0.01, unassigned=left),
                    q.SharedErrors(),
                ),
                "lutein",
            )
            for left in (0.0, 0.1)
        )
        assert odd.lower_bound == pytest.approx(0.9 * clean.lower_bound)
        # one-sided 95 % lies above the lower end of a two-sided 95 % interval
        assert clean.interval[0] < clean.lower_bound < clean.value.value

    def test_empty_tube_has_no_share(self):
        fit = make_fit({"lutein": -1e-6, "beta-carotene": -1e-5}, noise=0.1)
        share = q.share_by_mass(q.tube_content(fit, q.SharedErrors()), "lutein")
        assert math.isnan(share.value.value)
        assert share.interval == (0.0, 1.0)

    @given(
        st.lists(st.integers(-200, 1000), min_size=2, max_size=4),  # mg/L
        st.floats(1e-4, 2.0),
    )
    def test_interval_never_leaves_zero_to_one(self, values, noise):
        content = dict(zip(GROUP, (1e-3 * value for value in values), strict=False))
        fit = make_fit(content, covariance_noise=np.eye(len(content)) * noise**2)
        tube = q.tube_content(fit, q.SharedErrors())
        for pigment in tube.pigments:
            share = q.share_by_mass(tube, pigment)
            low, high = share.interval
            assert 0.0 <= low <= high <= 1.0
            if math.isfinite(share.value.value):
                assert low - 1e-12 <= share.value.value <= high + 1e-12

    @pytest.mark.parametrize("impurity", [0.0, 0.004, 0.01, 0.02, 0.05, 0.3])
    def test_interval_holds_the_truth(self, impurity):
        # Simulated by the test itself: true content, normal noise, then share and interval.
        rng = np.random.default_rng(17)
        truth = np.array([1.0 - impurity, impurity, 0.0]) * 1e-3
        covariance = np.array([[1.0, -0.5, 0.0], [-0.5, 1.0, 0.2], [0.0, 0.2, 1.0]]) * 1e-10
        shared = q.SharedErrors(absorptivity_uncertainty=False)
        held, draws = 0, 400
        for drawn in rng.multivariate_normal(truth, covariance, draws):
            content = dict(zip(("beta-carotene", "lutein", "chlorophyll-a"), drawn, strict=True))
            tube = q.tube_content(make_fit(content, covariance_noise=covariance), shared)
            low, high = q.share_by_mass(tube, "beta-carotene").interval
            held += low <= 1.0 - impurity <= high
        # Standard error at 95 % of 400 draws: 1.1 %. At an end an interval inside 0 to 1
        # holds the truth more often than 95 %, never less.
        assert held / draws > 0.95 - 3 * 0.011

    def test_probability_above_a_limit(self):
        tube = q.tube_content(
            make_fit({"beta-carotene": 0.95e-3, "lutein": 0.05e-3}, noise=0.01),
            q.SharedErrors(absorptivity_uncertainty=False),
        )
        assert q.probability_share_above(tube, "beta-carotene", 0.95) == pytest.approx(0.5)
        low, _ = q.share_by_mass(tube, "beta-carotene").interval
        found = q.probability_share_above(tube, "beta-carotene", low)
        assert found == pytest.approx(0.975, abs=1e-4)
        assert q.probability_share_above(tube, "beta-carotene", 0.5) > 0.999

    def test_fieller_interval_of_a_clear_ratio_is_nearly_the_first_order_one(self):
        part, rest = ufloat(1.0, 0.01), ufloat(1.0, 0.02)
        ratio = part / (part + rest)
        low, high = q.ratio_interval(part, part + rest)
        assert low == pytest.approx(ratio.nominal_value - 1.96 * ratio.std_dev, abs=3e-4)
        assert high == pytest.approx(ratio.nominal_value + 1.96 * ratio.std_dev, abs=3e-4)

    def test_ratio_to_an_uncertain_whole_is_unbounded(self):
        assert q.ratio_interval(ufloat(1.0, 0.1), ufloat(1.0, 0.6)) == (-math.inf, math.inf)


class TestRecovery:
    def tubes(self, *, cut="acetone", scale=100.0, correlation=0.0, noise=0.001, shape=0.0):
        shared = q.SharedErrors(absorptivity_correlation=correlation)
        loaded = q.tube_content(
            make_fit({"beta-carotene": 4e-3}, noise=noise, shape=shape, name="loaded"),
            shared,
            volume=measured(2.0, 0.02, q.LOADED_VOLUME),
        )
        tube = q.tube_content(
            make_fit(
                {"beta-carotene": 1e-3}, noise=noise, shape=shape, solvent_key=cut, scale=scale
            ),
            shared,
            volume=measured(5.0, 0.05, q.MADE_UP_VOLUME),
        )
        return tube, loaded

    def test_same_reference_and_instrument_cancel(self):
        recovery = q.recovery(*self.tubes(shape=0.01))
        assert recovery.value == pytest.approx(5.0 / 8.0)
        assert names(recovery) == {q.NOISE, q.LOADED_VOLUME, q.MADE_UP_VOLUME}
        assert recovery.uncertainty == pytest.approx(0.625 * math.hypot(0.01, 0.01, 1e-3, 1e-3))

    def test_another_solvent_does_not_cancel(self):
        recovery = q.recovery(*self.tubes(cut="hexane"))
        for place in ("acetone", "hexane"):
            source = f"absorptivity of β-carotene in {place}"
            assert part(recovery, source) == pytest.approx(0.02 * 0.625)

    def test_another_reference_of_the_same_pigment_does_not_cancel(self):
        recovery = q.recovery(*self.tubes(scale=101.0))
        source = "absorptivity of β-carotene in acetone"
        assert part(recovery, source) == pytest.approx(math.sqrt(2) * 0.02 * 0.625)

    @pytest.mark.parametrize("correlation", [0.0, 0.3, 0.9, 1.0])
    def test_correlation_between_solvents(self, correlation):
        recovery = q.recovery(*self.tubes(cut="hexane", correlation=correlation))
        scale = sum(u * u for source, u in recovery.budget if source.startswith("absorptiv"))
        # var of a difference of two equal, correlated relative errors
        assert scale == pytest.approx(2 * (1 - correlation) * (0.02 * 0.625) ** 2, abs=1e-15)

    def test_other_instrument_other_gain(self):
        shared = q.SharedErrors()
        volume = measured(1.0, 0.0, q.MADE_UP_VOLUME)
        first, second = (
            q.tube_content(make_fit({"lutein": 1e-3}), shared, volume=volume, instrument=instrument)
            for instrument in ("bench", "teaching room")
        )
        recovery = q.recovery(first, second)
        assert part(recovery, q.GAIN) == pytest.approx(math.sqrt(2) * PHOTOMETER_GAIN_UNCERTAINTY)

    def test_one_cuvette_cancels(self):
        shared = q.SharedErrors()
        volume = measured(1.0, 0.0, q.MADE_UP_VOLUME)
        tubes = [
            q.tube_content(
                make_fit({"lutein": 1e-3}, noise=0.01),
                shared,
                volume=volume,
                path_length=shared.measured(1.0, 0.005, q.PATH_LENGTH, cuvette),
            )
            for cuvette in ("A", "A", "B")
        ]
        assert part(q.recovery(tubes[0], tubes[1]), q.PATH_LENGTH) == 0
        assert part(q.recovery(tubes[0], tubes[2]), q.PATH_LENGTH) == pytest.approx(
            math.sqrt(2) * 0.005
        )

    def test_one_name_for_two_cuvettes_is_refused(self):
        shared = q.SharedErrors()
        shared.measured(1.0, 0.005, q.PATH_LENGTH, "A")
        with pytest.raises(InputError, match="Give different things different names"):
            shared.measured(0.5, 0.005, q.PATH_LENGTH, "A")

    def test_nothing_loaded_gives_no_recovery(self):
        shared = q.SharedErrors()
        volume = measured(1.0, 0.01, q.MADE_UP_VOLUME)
        tube = q.tube_content(make_fit({"lutein": 1e-3}), shared, volume=volume)
        none = q.tube_content(make_fit({"lutein": -1e-6}), shared, volume=volume)
        assert math.isnan(q.recovery(tube, none).value)

    def test_recovery_agrees_with_monte_carlo(self):
        tube, loaded = self.tubes(cut="hexane", noise=0.01)
        recovery = q.recovery(tube, loaded)
        rng, n = np.random.default_rng(8), 200_000
        normal = rng.standard_normal
        gain = 1 + PHOTOMETER_GAIN_UNCERTAINTY * normal(n)
        mass = (1e-3 + 1e-5 * normal(n)) / ((1 + 0.02 * normal(n)) * gain) * (5 + 0.05 * normal(n))
        base = (4e-3 + 4e-5 * normal(n)) / ((1 + 0.02 * normal(n)) * gain) * (2 + 0.02 * normal(n))
        assert recovery.uncertainty == pytest.approx((mass / base).std(), rel=0.01)

    def test_correlation_outside_zero_to_one_is_refused(self):
        with pytest.raises(InputError, match="between 0 and 1"):
            q.SharedErrors(absorptivity_correlation=1.5)

    def test_a_recovery_is_the_ratio_of_the_masses_that_are_shown(self):
        """Lutein estimated below zero lifts carotene; what is shown has lutein at zero."""
        shared = q.SharedErrors()
        loaded = q.tube_content(
            make_fit({"beta-carotene": 4e-3, "lutein": 2e-3}, noise=0.01),
            shared,
            volume=measured(2.0, 0.02, q.LOADED_VOLUME),
        )
        free = {"beta-carotene": 1.1e-3, "lutein": -1.2e-4}
        bound = np.array([0.98e-3, 0.0])
        covariance = np.array([[1.0, -0.9], [-0.9, 1.0]]) * 1e-8
        fit = replace(make_fit(free, covariance_noise=covariance), concentration=bound)
        tube = q.tube_content(fit, shared, volume=measured(5.0, 0.05, q.MADE_UP_VOLUME))
        shown = [q.mass_in(one, "beta-carotene").value for one in (tube, loaded)]
        recovery = q.recovery(tube, loaded, "beta-carotene")
        assert recovery.value == pytest.approx(shown[0] / shown[1])
        assert q.closure([tube], loaded, "beta-carotene").value == pytest.approx(recovery.value)
        low, high = q.recovery_interval(tube, loaded, "beta-carotene")
        assert low < recovery.value < high

    def test_interval_of_a_recovery_holds_the_truth_where_little_was_loaded(self):
        """Simulated by the test itself: loaded known to 30 %, found to 10 %."""
        rng, draws, true = np.random.default_rng(3), 600, 0.8
        inside = first_order = 0
        for loaded_error, found_error in rng.standard_normal((draws, 2)):
            shared = q.SharedErrors(absorptivity_uncertainty=False, gain_uncertainty=0.0)
            volume = measured(1.0, 0.0, "")
            pair = []
            for value, u, error in ((true, 0.08, found_error), (1.0, 0.3, loaded_error)):
                drawn = (value + u * error) * 1e-3
                fit = make_fit({"lutein": drawn}, covariance_noise=np.array([[(u * 1e-3) ** 2]]))
                pair.append(q.tube_content(fit, shared, volume=volume))
            interval = q.recovery_interval(*pair, "lutein")
            recovery = q.recovery(*pair, "lutein")
            inside += interval is None or interval[0] <= true <= interval[1]
            first_order += abs(recovery.value - true) <= 1.96 * recovery.uncertainty
        # standard error at 95 % of 600 draws: 0.9 %
        assert inside / draws == pytest.approx(0.95, abs=3 * 0.009)
        assert first_order / draws < inside / draws - 0.02

    def test_no_interval_where_nothing_was_clearly_loaded(self):
        shared, volume = q.SharedErrors(), measured(1.0, 0.01, q.MADE_UP_VOLUME)
        tube = q.tube_content(make_fit({"lutein": 1e-3}, noise=0.01), shared, volume=volume)
        doubtful = q.tube_content(make_fit({"lutein": 1e-4}, noise=0.6), shared, volume=volume)
        none = q.tube_content(make_fit({"lutein": -1e-6}), shared, volume=volume)
        assert q.recovery_interval(tube, doubtful) is None
        assert q.recovery_interval(tube, none) is None
        assert q.closure_interval([tube], doubtful) is None

    def test_an_interval_does_not_reach_below_zero(self):
        shared, volume = q.SharedErrors(), measured(1.0, 0.01, q.MADE_UP_VOLUME)
        content = {"beta-carotene": 1e-3, "lutein": -1e-6}
        tube = q.tube_content(make_fit(content, noise=0.05), shared, volume=volume)
        loaded = q.tube_content(
            make_fit({"beta-carotene": 2e-3, "lutein": 1e-3}, noise=0.01), shared, volume=volume
        )
        low, high = q.recovery_interval(tube, loaded, "lutein")
        assert low == 0 < high
        assert q.recovery(tube, loaded, "lutein").value < 0  # the estimate itself survives


class TestCountedEstimate:
    def fit(self, free, shown, covariance):
        names = ("beta-carotene", "lutein", "chlorophyll-a")[: len(free)]
        made = make_fit(dict(zip(names, free, strict=True)), covariance_noise=np.array(covariance))
        return replace(made, concentration=np.array(shown))

    def test_detected_ones_count_as_shown_the_others_as_the_scan_then_leaves_them(self):
        # by hand: -3 + (-0.9) (95 - 100) = 1.5, for unit variances
        fit = self.fit([100e-5, -3e-5], [95e-5, 0.0], [[1e-10, -0.9e-10], [-0.9e-10, 1e-10]])
        np.testing.assert_allclose(q.counted_estimate(fit), [95e-5, 1.5e-5])

    def test_negative_estimates_survive(self):
        fit = self.fit([100e-5, -3e-5], [100e-5, 0.0], [[1e-10, 0.0], [0.0, 1e-10]])
        np.testing.assert_allclose(q.counted_estimate(fit), [100e-5, -3e-5])

    def test_where_the_bound_moves_nothing_all_three_estimates_agree(self):
        fit = self.fit([9e-4, 5e-4, 2e-4], [9e-4, 5e-4, 2e-4], np.eye(3) * 1e-12)
        np.testing.assert_array_equal(q.counted_estimate(fit), fit.concentration_unconstrained)

    def test_sum_over_an_empty_rack_is_not_pushed_up(self):
        """Simulated by the test itself: 200 tubes of chlorophyll without carotenoids."""
        rng, shared = np.random.default_rng(5), q.SharedErrors(gain_uncertainty=0.0)
        covariance = np.array([[4.0, -2.0, 0.3], [-2.0, 4.0, 0.3], [0.3, 0.3, 4.0]]) * 1e-12
        tubes = []
        for drawn in rng.multivariate_normal([0, 0, 1e-3], covariance, 200):
            shown = np.maximum(drawn, 0.0)
            fit = replace(self.fit(drawn, shown, covariance), zero_uncertainty=np.full(3, 2e-6))
            tubes.append(q.tube_content(fit, shared, volume=measured(1.0, 0.0, "")))
        found = q.found_in(tubes, "beta-carotene")
        clipped = sum(q.mass_in(tube, "beta-carotene").value for tube in tubes)
        assert abs(found.value) < 3 * found.uncertainty
        assert clipped > 5 * found.uncertainty

    def test_a_moved_estimate_no_longer_shares_the_shape_error(self):
        shared, volume = q.SharedErrors(), measured(1.0, 0.0, "")
        content = {"beta-carotene": 1e-3, "lutein": -1e-5}
        still = make_fit(content, shape=0.01)
        moved = replace(still, concentration=np.array([0.99e-3, 0.0]))
        loaded = q.tube_content(still, shared, volume=volume)
        shapes = [
            part(
                q.recovery(q.tube_content(fit, shared, volume=volume), loaded, "beta-carotene"),
                q.SHAPE,
            )
            for fit in (still, moved)
        ]
        assert shapes[0] == pytest.approx(0.0, abs=1e-12)
        assert shapes[1] == pytest.approx(0.01 * math.sqrt(2), rel=0.02)

    def test_shape_errors_are_shared_as_far_as_the_same_reference_makes_them(self):
        shared, volume = q.SharedErrors(), measured(1.0, 0.0, "")
        contents = (
            {"beta-carotene": 1e-3, "lutein": 1e-5, "chlorophyll-a": 1e-5},
            {"beta-carotene": 1e-3, "lutein": 1e-5, "chlorophyll-a": 1e-2},
        )
        pure, extract = (
            q.tube_content(make_fit(one, shape=0.01 / (1 + 9 * k)), shared, volume=volume)
            for k, one in enumerate(contents)
        )
        alone = q.tube_content(make_fit(contents[0], shape=0.01), shared, volume=volume)
        same = part(q.recovery(alone, pure, "beta-carotene"), q.SHAPE)
        other = part(q.recovery(pure, extract, "beta-carotene"), q.SHAPE)
        assert same == pytest.approx(0.0, abs=1e-12)
        # chlorophyll makes nearly all of the extract's shape error, carotene that of the cut
        assert other == pytest.approx(0.01 * math.sqrt(2), rel=0.15)

    def test_shared_shape_errors_keep_the_covariance_of_each_fit(self):
        """Against the matrices themselves, for two fits with random gains."""
        rng, shared = np.random.default_rng(3), q.SharedErrors()
        fits = [make_fit({"beta-carotene": 1e-3, "lutein": 2e-3}, shape=0.01) for _ in range(3)]
        gains = [1e-5 * rng.standard_normal(fit.shape_gain.shape) for fit in fits]
        gains[2] = 0.5 * gains[0] - gains[1]  # adds no direction of its own
        errors = [shared.shapes(fit, gain) for fit, gain in zip(fits, gains, strict=True)]
        found = np.array(covariance_matrix([e for tube in errors for e in tube]))
        flat = np.concatenate([gain.reshape(2, -1) for gain in gains])
        np.testing.assert_allclose(found, flat @ flat.T, rtol=1e-9, atol=1e-16)
        assert len({v for tube in errors for e in tube for v in e.error_components()}) == 4

    def test_without_a_gain_the_shape_error_is_the_tubes_own(self):
        shared, volume = q.SharedErrors(), measured(1.0, 0.0, "")
        fit = replace(make_fit({"beta-carotene": 1e-3}, shape=0.01), shape_gain=None)
        tubes = [q.tube_content(fit, shared, volume=volume) for _ in range(2)]
        apart = part(q.recovery(*tubes, "beta-carotene"), q.SHAPE)
        assert apart == pytest.approx(0.01 * math.sqrt(2), rel=1e-6)


class TestBalance:
    def tube(self, shared, content, volume, **options):
        return q.tube_content(
            make_fit(content, **options), shared, volume=measured(volume, 0.01 * volume, "flask")
        )

    def test_closure_is_the_sum_of_recoveries(self):
        shared = q.SharedErrors()
        loaded = self.tube(shared, {"beta-carotene": 4e-3, "lutein": 2e-3}, 2.0)
        tubes = [
            self.tube(shared, {"beta-carotene": 1e-3}, 5.0),
            self.tube(shared, {"beta-carotene": 1e-4, "lutein": 1e-3}, 3.0),
        ]
        closure = q.closure(tubes, loaded, "beta-carotene")
        recoveries = [q.recovery(tube, loaded, "beta-carotene").value for tube in tubes]
        assert closure.value == pytest.approx(sum(recoveries))
        # lutein was no candidate of the first tube: it counts as absent there
        assert q.closure(tubes, loaded, "lutein").value == pytest.approx(3.0 / 4.0)
        assert q.found_in(tubes).value == pytest.approx(5.0 + 3.3)
        assert q.found_in(tubes, of="amount").unit == "nmol"

    def test_unknown_measure_is_refused(self):
        with pytest.raises(InputError, match="of is 'moles'"):
            q.found_in([], of="moles")

    def test_content_of_the_loaded_tube_forgets_the_loaded_volume(self):
        shared = q.SharedErrors()
        loaded_volume = measured(5.0, 0.1, q.LOADED_VOLUME)
        loaded = q.tube_content(
            make_fit({"chlorophyll-a": 3e-2}, noise=0.001), shared, volume=loaded_volume
        )
        content = q.content(
            loaded,
            "chlorophyll-a",
            tissue_mass=measured(0.5, 0.006, q.TISSUE_MASS),
            extract_volume=measured(10.0, 0.1, q.EXTRACT_VOLUME),
            loaded_volume=loaded_volume,
        )
        assert content.value == pytest.approx(3e-2 * 1e3 * 10 / 0.5)
        assert content.unit == "µg/g"
        assert q.LOADED_VOLUME not in names(content)
        assert part(content, q.EXTRACT_VOLUME) == pytest.approx(0.01 * content.value)
        assert part(content, q.TISSUE_MASS) == pytest.approx(0.012 * content.value)

    def test_zero_tissue_is_refused(self):
        shared = q.SharedErrors()
        volume = measured(5.0, 0.1, q.LOADED_VOLUME)
        tube = q.tube_content(make_fit({"lutein": 1e-3}), shared, volume=volume)
        with pytest.raises(InputError, match="tissue mass is 0 g"):
            q.content(
                tube,
                tissue_mass=measured(0.0, 0.01, q.TISSUE_MASS),
                extract_volume=volume,
                loaded_volume=volume,
            )

    def test_enrichment(self):
        shared = q.SharedErrors()
        loaded = self.tube(shared, {"beta-carotene": 1e-3, "lutein": 3e-3}, 2.0)
        tube = self.tube(shared, {"beta-carotene": 9e-4, "lutein": 1e-4}, 5.0)
        assert q.enrichment(tube, loaded, "beta-carotene").value == pytest.approx(0.9 / 0.25)

    def test_pheophytin_made_on_the_column_balances_in_moles(self):
        shared = q.SharedErrors()
        converted, volume = 0.2, 2.0
        chlorophyll = 1e-2
        turned = converted * chlorophyll * MOLAR_MASS["pheophytin-a"] / MOLAR_MASS["chlorophyll-a"]
        loaded = self.tube(shared, {"chlorophyll-a": chlorophyll, "pheophytin-a": 0.0}, volume)
        tubes = [
            self.tube(shared, {"chlorophyll-a": 0.8 * chlorophyll}, volume),
            self.tube(shared, {"pheophytin-a": turned}, volume),
        ]
        balance = q.porphyrin_balance(tubes, loaded, "a")
        assert balance.closure.value == pytest.approx(1.0)
        assert balance.conversion.value == pytest.approx(converted)
        assert balance.pheophytin_found.value == pytest.approx(converted)
        assert balance.loaded.unit == "nmol"
        # by mass the pool seems to lose what magnesium weighs: 2.5 % of what turned
        by_mass = q.closure(tubes, loaded)
        assert by_mass.value == pytest.approx(1 - converted * (1 - 871.220 / 893.509))

    def test_conversion_keeps_the_absorptivity_errors(self):
        shared = q.SharedErrors()
        loaded = self.tube(shared, {"chlorophyll-a": 1e-2, "pheophytin-a": 1e-3}, 2.0)
        tube = self.tube(shared, {"chlorophyll-a": 7e-3, "pheophytin-a": 3e-3}, 2.0)
        conversion = q.porphyrin_balance([tube], loaded, "a").conversion
        assert {
            "absorptivity of chlorophyll a in acetone",
            "absorptivity of pheophytin a in acetone",
        } <= names(conversion)

    def test_unknown_pool_is_refused(self):
        shared = q.SharedErrors()
        with pytest.raises(InputError, match="kind is 'c'"):
            q.porphyrin_balance([], self.tube(shared, {"chlorophyll-a": 1e-2}, 2.0), "c")


@given(st.integers(1, 6), st.integers(0, 2**31))
def test_symmetric_root(size, seed):
    rng = np.random.default_rng(seed)
    factor = rng.standard_normal((size, size))
    covariance = factor @ factor.T
    root = q.symmetric_root(covariance)
    np.testing.assert_allclose(root, root.T, atol=1e-12)
    np.testing.assert_allclose(root @ root, covariance, atol=1e-10)
