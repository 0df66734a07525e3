"""Plans against bench experience and against scans that follow the plan."""

from __future__ import annotations

import numpy as np
import pytest

from specfrac.bench_settings import bench_settings
from specfrac.errors import InputError
from specfrac.fitting import fit_mixture
from specfrac.plan import (
    GRID,
    neat_factor,
    plan_from_scan,
    plan_from_tissue,
    plan_text,
    recipe,
    typical_contents,
)
from specfrac.references import load_references
from specfrac.simulate import simulate_scan

LIBRARY = load_references()
EXTRACT = {  # mg/L, invented, of the size a spinach extract has
    "beta-carotene": 3.0,
    "lutein": 4.0,
    "chlorophyll-a": 35.0,
    "chlorophyll-b": 12.0,
}


def scan_of(contents, solvent="acetone", *, dilution=1.0, path=1.0, **more):
    references = LIBRARY.select(solvent=solvent)
    return simulate_scan(
        references,
        {key: value / 1e3 / dilution for key, value in contents.items()},
        wavelength=np.arange(350.0, 801.0),
        path_length=path,
        noise=1e-3,
        rng=3,
        **more,
    )


# Figures of the trade: 0.5 g of leaf gives 20-40 µg of β-carotene, A450 of 1-2 in 5 mL of
# hexane; chlorophyll a in 10 mL of acetone gives A662 near 3.5, so dilute 5-10 times
# (common practice, computed with the usual absorptivities; no source).


def test_yellow_cut_of_half_a_gram():
    plan = plan_from_tissue(0.5, solvent="hexane", volume=5, pigments=["beta-carotene"])
    mass = plan.pigments[0].mass
    assert mass.low < 30 < mass.high and 20 < mass.typical < 40
    (band,) = plan.bands
    assert 1.0 < band.absorbance.typical < 2.0
    assert abs(band.wavelength - 450) <= 2


def test_extract_of_half_a_gram():
    plan = plan_from_tissue(0.5, solvent="acetone", volume=10)
    red = next(band for band in plan.bands if band.name == "red")
    assert red.absorbance.low < 3.5 < red.absorbance.high
    assert 5 <= plan.dilutions[0].factor <= 10


def test_a_scan_that_follows_the_plan_lies_in_the_window():
    plan = plan_from_scan(scan_of(EXTRACT, ceiling=3.0), solvent="acetone", volume=10)
    for dilution in plan.dilutions:
        scan = scan_of(EXTRACT, dilution=dilution.factor)
        for name in dilution.serves:
            place = next(band.wavelength for band in plan.bands if band.name == name)
            assert 0.2 <= np.interp(place, scan.wavelength, scan.absorbance) <= 1.02
    assert {name for one in plan.dilutions for name in one.serves} == {"blue", "red"}


def test_band_above_the_ceiling_is_computed_from_the_rest():
    plan = plan_from_scan(scan_of(EXTRACT, ceiling=2.5), solvent="acetone")
    assert "plan-band-clipped" in [flag.code for flag in plan.flags]
    true = scan_of(EXTRACT)
    for band in plan.bands:
        top = np.interp(band.wavelength, true.wavelength, true.absorbance)
        assert band.absorbance.typical == pytest.approx(top, rel=0.1)


def test_readable_bands_are_read_and_scaled_back():
    scan = scan_of(EXTRACT, dilution=8.0, offset=0.05)
    plan = plan_from_scan(scan, solvent="acetone", dilution_factor=8.0)
    true = scan_of(EXTRACT)
    for band in plan.bands:
        assert not band.computed
        top = np.interp(band.wavelength, true.wavelength, true.absorbance)
        assert band.absorbance.typical == pytest.approx(top, rel=0.03)


def test_bands_too_far_apart_need_two_dilutions():
    mixed = {"beta-carotene": 30.0, "chlorophyll-a": 12.0}
    plan = plan_from_scan(scan_of(mixed, ceiling=3.0), solvent="acetone", volume=5)
    assert len(plan.dilutions) == 2
    assert [one.serves for one in plan.dilutions] == [("blue",), ("red",)]
    assert any("One dilution cannot serve both" in words for words in plan.sentences)


def test_thin_solution_is_to_be_concentrated():
    thin = {key: value / 300 for key, value in EXTRACT.items()}
    plan = plan_from_scan(scan_of(thin), solvent="acetone")
    assert plan.dilutions[0].factor == 1
    assert "plan-concentrate" in [flag.code for flag in plan.flags]
    assert "concentrate" in plan.flags[-1].message


def test_path_length_and_dilution_trade_off():
    scan = scan_of(EXTRACT, dilution=8.0)
    one = plan_from_scan(scan, solvent="acetone", dilution_factor=8.0)
    half = plan_from_scan(scan, solvent="acetone", dilution_factor=8.0, planned_path_length=0.5)
    ratio = half.bands[0].absorbance.typical / one.bands[0].absorbance.typical
    assert ratio == pytest.approx(0.5)


def test_smallest_detectable_mass_is_detected_and_a_fifth_is_not():
    # β-carotene alone in hexane, where nothing hides it
    plan = plan_from_tissue(0.5, solvent="hexane", volume=5, pigments=["beta-carotene"])
    one, factor = plan.pigments[0], plan.dilutions[0].factor
    references = LIBRARY.select(solvent="hexane", pigments=["beta-carotene"])

    def found(mass):
        hits = 0
        for seed in range(20):
            scan = simulate_scan(
                references, {"beta-carotene": mass / 5 / factor / 1e3}, wavelength=GRID,
                bandwidth=2.0, noise=1e-3, rng=seed,
            )  # fmt: skip
            fit = fit_mixture(scan, references, bandwidth=2.0, noise=1e-3)
            hits += bool(fit.detected[0])
        return hits

    assert found(1.5 * one.smallest_mass) >= 19
    assert found(one.smallest_mass / 5) <= 12


def test_masses_scale_with_tissue_and_limits_do_not():
    small = plan_from_tissue(0.25, solvent="acetone", volume=10)
    large = plan_from_tissue(0.5, solvent="acetone", volume=10)
    for one, two in zip(small.pigments, large.pigments, strict=True):
        assert two.mass.typical == pytest.approx(2 * one.mass.typical)


def test_dry_leaf_holds_more_per_gram_and_less_surely():
    fresh, dry = typical_contents("fresh"), typical_contents("dry")
    for key in ("chlorophyll-a", "beta-carotene"):
        assert dry[key].typical > 5 * fresh[key].typical
        assert dry[key].high / dry[key].low > fresh[key].high / fresh[key].low
    # 6.98 mg chlorophyll a per g dry spinach, Schwartz & von Elbe 1983 (recalled)
    assert dry["chlorophyll-a"].low < 6980 < dry["chlorophyll-a"].high


def test_seen_contents_lie_in_the_ranges():
    # µg/g fresh: Kidmose 2001 (up to), Watanabe 1994; abstracts
    fresh = typical_contents()
    for key, values in {
        "beta-carotene": (44.5, 73.4, 83), "lutein": (76,), "neoxanthin": (25,)
    }.items():  # fmt: skip
        for value in values:
            assert fresh[key].low <= value <= fresh[key].high


@pytest.mark.parametrize("factor", [2.0, 2.5, 4.0, 5.0, 8.0, 10.0, 25.0, 50.0, 400.0, 1000.0])
def test_recipe_multiplies_to_the_factor(factor):
    product = 1.0
    for taken, total in recipe(factor):
        assert 0.1 <= taken < total <= 25
        product *= total / taken
    assert product == pytest.approx(factor, rel=2e-3)


def test_neat_factor_stays_in_its_range():
    for aim, start, stop in ((7.0, 6.1, 7.9), (1.0, 1.0, 1.3), (340.0, 200.0, 900.0)):
        assert start <= neat_factor(aim, start, stop) <= stop


def test_settings_move_the_window():
    settings = bench_settings({"plan_absorbance_high": 0.8, "plan_absorbance_aim": 0.4})
    plan = plan_from_scan(scan_of(EXTRACT, dilution=4.0), solvent="acetone", dilution_factor=4.0,
                          settings=settings)  # fmt: skip
    assert all(span.typical <= 0.8 for span in plan.dilutions[0].absorbance.values())


def test_text_and_record_say_the_same_and_clear_nobody():
    plan = plan_from_tissue(0.5, solvent="acetone", volume=10)
    text = plan_text(plan)
    assert "Dilute 5 times" in text or "Dilute 10 times" in text
    assert "local rules" in text and "not a clearance" in text
    record = plan.record()
    assert record["dilutions"][0]["dilution_factor"] == plan.dilutions[0].factor
    frame = plan.to_frame()
    assert list(frame["pigment"]) == [row["pigment"] for row in record["pigments"]]


def test_no_mass_is_promised_without_a_published_scale():
    plan = plan_from_tissue(0.5, solvent="hexane", volume=5)
    by_name = {one.pigment: one for one in plan.pigments}
    assert not by_name["chlorophyll-a"].for_mass
    assert "not for mass" in plan_text(plan)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: plan_from_tissue(0, solvent="acetone", volume=10), "tissue mass is 0"),
        (lambda: plan_from_tissue(1, solvent="acetone", volume=-1), "volume is -1"),
        (lambda: plan_from_tissue(1, solvent="acetone", volume=1, basis="wet"), "basis is 'wet'"),
        (lambda: plan_from_tissue(1, solvent="acetone", volume=1, recovered=(0.9, 0.2)), "rise"),
        (
            lambda: plan_from_tissue(1, solvent="ethanol", volume=1, pigments=["zeaxanthin"]),
            "no usual content",
        ),
        (lambda: plan_from_scan(scan_of(EXTRACT), solvent="acetone", dilution_factor=0.5), "0.5"),
    ],
)
def test_impossible_plans_are_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()
