"""A whole run against known contents: simulated scans through sheet, fit and balance.

The forward model of `specfrac.simulate` is written apart from the fitting engine; the
amounts below are invented.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from specfrac.balance import OUTCOMES, outcome_of
from specfrac.purity import purity
from specfrac.references import load_references
from specfrac.run import analyse_run
from specfrac.settings import default_settings
from specfrac.sheet import read_run
from specfrac.simulate import simulate_scan
from specfrac.tubes import bench, measure, measure_all, parts_of

WAVELENGTHS = np.arange(350.0, 781.0, 1.0)
EXTRACT = {
    "beta-carotene": 3.1,
    "lutein": 4.2,
    "violaxanthin": 1.6,
    "neoxanthin": 1.1,
    "chlorophyll-a": 31.0,
    "chlorophyll-b": 11.2,
    "pheophytin-a": 1.4,
}
YELLOW = {"beta-carotene": 2.4}
GREY = {"pheophytin-a": 3.6, "pheophytin-b": 0.4, "beta-carotene": 0.08}
GREEN = {
    "chlorophyll-a": 12.4,
    "chlorophyll-b": 4.6,
    "lutein": 1.9,
    "violaxanthin": 0.7,
    "neoxanthin": 0.45,
    "pheophytin-a": 0.8,
}

HEAD = """
[run]
title = "invented run"
tissue_mass_g = 0.5
tissue_basis = "fresh"
extract_volume_ml = 10.0
loaded_volume_ml = 5.0
target_pigment = "beta-carotene"
target_share = 0.95
[defaults]
solvent = "acetone-90"
bandwidth_nm = 2.0
"""
EXTRACT_TUBE = """
[[fraction]]
name = "extract"
role = "loaded"
scan = "extract.csv"
dilution_factor = 10
"""
YELLOW_TUBE = """
[[fraction]]
name = "yellow cut"
scan = "yellow.csv"
solvent = "hexane"
made_up_volume_ml = 5.0
"""
GREY_TUBE = """
[[fraction]]
name = "grey cut"
scan = "grey.csv"
made_up_volume_ml = 5.0
"""
GREEN_TUBE = """
[[fraction]]
name = "green wash"
role = "wash"
scans = [
  {file = "green.csv", dilution_factor = 2},
  {file = "green again.csv", dilution_factor = 4},
]
made_up_volume_ml = 10.0
"""
SHEET = HEAD + EXTRACT_TUBE + YELLOW_TUBE + GREY_TUBE + GREEN_TUBE


def save_scan(path, solvent, content, *, dilution=1.0, seed=0, ceiling=math.inf):
    """Write a simulated scan of a solution that holds `content` in mg/L undiluted."""
    references = load_references().select(solvent=solvent)
    scan = simulate_scan(
        references,
        {pigment: value * 1e-3 / dilution for pigment, value in content.items()},
        wavelength=WAVELENGTHS,
        noise=5e-4,
        ceiling=ceiling,
        rng=seed,
    )
    rows = [f"{w:g},{a:.5f}" for w, a in zip(WAVELENGTHS, scan.absorbance, strict=True)]
    path.write_text("\n".join(["wavelength_nm,absorbance", *rows]) + "\n", encoding="utf-8")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("run")
    save_scan(folder / "extract.csv", "acetone-90", EXTRACT, dilution=10, seed=1)
    save_scan(folder / "yellow.csv", "hexane", YELLOW, seed=2)
    save_scan(folder / "grey.csv", "acetone-90", GREY, seed=3)
    save_scan(folder / "green.csv", "acetone-90", GREEN, dilution=2, seed=4)
    save_scan(folder / "green again.csv", "acetone-90", GREEN, dilution=4, seed=5)
    save_scan(folder / "mixed.csv", "hexane", {"beta-carotene": 2.0, "chlorophyll-a": 1.0}, seed=7)
    lines = (folder / "grey.csv").read_text(encoding="utf-8").splitlines()
    (folder / "short.csv").write_text("\n".join([lines[0], *lines[-30:]]) + "\n", encoding="utf-8")
    return folder


def analysed(folder, sheet):
    (folder / "run.toml").write_text(sheet, encoding="utf-8")
    return analyse_run(read_run(folder))


@pytest.fixture(scope="module")
def result(folder):
    return analysed(folder, SHEET)


def close(quantity, truth, *, deviations=3.0):
    """The truth lies within three standard uncertainties: 99.7 % of the time."""
    return abs(quantity.value - truth) <= deviations * quantity.uncertainty


def codes(flags):
    return {flag.code for flag in flags}


# Tubes


@pytest.mark.parametrize(
    ("name", "content", "volume"),
    [
        ("extract", EXTRACT, 5.0),
        ("yellow cut", YELLOW, 5.0),
        ("grey cut", GREY, 5.0),
        ("green wash", GREEN, 10.0),
    ],
)
def test_concentration_and_mass_hold_the_truth(result, name, content, volume):
    tube = result.fraction(name)
    for one in tube.pigments:
        truth = content.get(one.pigment, 0.0)
        assert close(one.concentration, truth), one
        assert one.detected or truth <= 2 * one.detection_limit
        if one.mass is not None:
            assert close(one.mass, truth * volume)  # mg/L is µg/mL
            assert one.mass.unit == "µg"
    carotenoids = tube.group("carotenoids")
    total = sum(v for k, v in content.items() if load_references().pigment(k).group in CAROTENOIDS)
    assert close(carotenoids.mass, total * volume)


CAROTENOIDS = ("carotene", "xanthophyll")


def test_amount_is_mass_over_molar_mass(result):
    for tube in result.fractions:
        for one in tube.pigments:
            if one.mass is not None and one.mass.value > 0:
                molar_mass = tube.fit.references.molar_mass(one.pigment)
                assert one.amount.value == pytest.approx(one.mass.value / molar_mass * 1e3)
                assert one.amount.unit == "nmol"


def test_shares_sum_to_one_and_their_intervals_hold_the_truth(result):
    for name, content in (("grey cut", GREY), ("green wash", GREEN)):
        tube = result.fraction(name)
        assert sum(one.share_mass.value for one in tube.pigments) == pytest.approx(1)
        assert sum(one.share_amount.value for one in tube.pigments) == pytest.approx(1)
        for one in tube.pigments:
            low, high = one.share_interval
            truth = content.get(one.pigment, 0.0) / sum(content.values())
            slack = (high - low) / 4  # from 95 % to 99.7 %
            assert low - slack <= truth <= high + slack
            assert 0 <= low <= high <= 1


def test_recovery_and_content_hold_the_truth(result):
    loaded = {pigment: value * 5.0 for pigment, value in EXTRACT.items()}
    yellow = result.fraction("yellow cut").pigment("beta-carotene")
    assert close(yellow.recovery, YELLOW["beta-carotene"] * 5.0 / loaded["beta-carotene"])
    green = result.fraction("green wash")
    assert close(green.pigment("lutein").recovery, GREEN["lutein"] * 10 / loaded["lutein"])
    # half of the extract was loaded: yield per gram counts twice what was found
    assert close(yellow.content, YELLOW["beta-carotene"] * 5.0 * 2 / 0.5)
    whole = result.fraction("extract").pigment("chlorophyll-a")
    assert close(whole.content, EXTRACT["chlorophyll-a"] * 10.0 / 0.5)


def test_the_loaded_extract_has_no_recovery_of_itself(result):
    extract = result.fraction("extract")
    assert all(one.recovery is None for one in extract.pigments)
    assert extract.total_recovery is None


def test_a_budget_combines_to_its_uncertainty_and_names_the_largest(result, folder):
    mass = result.fraction("green wash").pigment("chlorophyll-a").mass
    assert math.hypot(*(part for _, part in mass.budget)) == pytest.approx(mass.uncertainty)
    sheet = SHEET.replace(
        "made_up_volume_ml = 10.0", "made_up_volume_ml = 10.0\nu_made_up_volume_ml = 3"
    )
    worse = analysed(folder, sheet).fraction("green wash").pigment("chlorophyll-a").mass
    assert worse.largest_contributor == "made-up volume"
    assert worse.uncertainty / worse.value == pytest.approx(0.3, rel=0.02)


def test_one_dilution_does_not_average_out_over_repeats(folder):
    """Two scans of one diluted solution share its error; two dilutions do not."""
    sheet = HEAD.replace(
        "bandwidth_nm", "u_dilution_factor = 0.4\ndilution_factor = 2\nbandwidth_nm"
    )
    repeats = GREEN_TUBE.replace(", dilution_factor = 2}", "}").replace(
        ", dilution_factor = 4}", "}"
    )
    repeats = repeats.replace("green again.csv", "green.csv")
    mass = analysed(folder, sheet + repeats).fractions[0].pigment("chlorophyll-a").mass
    assert mass.uncertainty / mass.value == pytest.approx(0.2, rel=0.02)
    assert mass.largest_contributor == "dilution"


def test_twice_the_dilution_of_half_the_solution_is_the_same_mass(folder):
    tubes = GREEN_TUBE.replace('{file = "green.csv", dilution_factor = 2},', "")
    other = GREEN_TUBE.replace('{file = "green again.csv", dilution_factor = 4},', "")
    masses = [
        analysed(folder, HEAD + text).fractions[0].group("chlorophyll-a-pool").mass
        for text in (tubes, other)
    ]
    assert masses[0].value == pytest.approx(masses[1].value, rel=0.01)


def test_a_batch_gives_what_each_tube_gives_alone(result):
    """Batches are for speed; the dilution comes in after the fit or in it, to the same end."""
    shared = bench(result.run, load_references())
    together = measure_all(shared)
    for fraction, one in zip(result.run.fractions, together, strict=True):
        alone = measure(fraction, shared).fit
        np.testing.assert_allclose(one.fit.concentration, alone.concentration, atol=1e-8)
        np.testing.assert_allclose(
            one.fit.standard_uncertainty, alone.standard_uncertainty, rtol=1e-3
        )
        np.testing.assert_allclose(one.fit.detection_limit, alone.detection_limit, rtol=1e-3)
        np.testing.assert_allclose(one.fit.dilution_factors, alone.dilution_factors)
        drawn, drawn_alone = one.fit.curves(0), alone.curves(0)
        np.testing.assert_allclose(drawn.fitted, drawn_alone.fitted, atol=1e-5)


def test_the_purity_sentence_is_plain_and_of_coloured_pigment(result):
    yellow = result.fraction("yellow cut").purity
    assert yellow.main == "beta-carotene"
    assert yellow.sentence.startswith("Of the coloured pigment, ")
    assert "by mass is β-carotene" in yellow.sentence
    assert "Wanted: at least 95 % β-carotene" in yellow.sentence
    assert 0.5 < yellow.probability_above_target < 1
    green = result.fraction("green wash").purity
    assert green.sentence.startswith("A mixture.")
    assert "chlorophyll b" in green.sentence
    assert "Wanted" not in green.sentence
    assert all("purity" not in one.purity.sentence for one in result.fractions)


def test_enrichment_is_share_over_share_loaded(result):
    truth = 1 / (EXTRACT["beta-carotene"] / sum(EXTRACT.values()))
    assert close(result.fraction("yellow cut").purity.enrichment, truth)


def test_unassigned_absorbance_counts_as_impurity_in_a_lower_bound(result, folder):
    run = result.run
    shared = bench(run, load_references())
    tube = measure(run.fractions[1], shared)
    odd = replace(tube.content, unassigned_share=0.10)
    found = purity(odd, parts_of(tube.fit), usable_share=0.8)
    all_told = purity(
        replace(tube.content, unassigned_share=0.0), parts_of(tube.fit), usable_share=0.8
    )
    assert found.lower_bound == pytest.approx(0.90 * all_told.lower_bound)
    assert "No candidate explains 10 % of the absorbance" in found.sentence
    assert f"at least {100 * found.lower_bound:.0f} % β-carotene" in found.sentence
    clean = purity(
        replace(tube.content, unassigned_share=0.0), parts_of(tube.fit), usable_share=0.8
    )
    assert "No candidate" not in clean.sentence


def test_equations_stand_beside_the_fit(result):
    assert {one.equation_set.solvent for one in result.fraction("extract").equations} == {
        "acetone-90"
    }
    assert result.fraction("yellow cut").equations == ()


# What cannot be done


def test_without_a_solvent_pigments_are_named_and_nothing_has_a_mass(folder):
    text = HEAD.replace('solvent = "acetone-90"', "") + GREY_TUBE
    result = analysed(folder, text)
    tube = result.fractions[0]
    assert tube.fit is None and tube.pigments == () and tube.total_mass is None
    assert tube.identification
    assert tube.flags[0].code == "no-solvent" and tube.flags[0].severity == "fatal"
    assert "no-solvent" in codes(result.flags)


def test_without_a_volume_there_are_shares_but_no_masses(folder):
    tube = analysed(folder, HEAD + GREY_TUBE.replace("made_up_volume_ml = 5.0", "")).fractions[0]
    assert "no-volume" in codes(tube.flags)
    assert tube.total_mass is None
    assert all(one.mass is None and one.content is None for one in tube.pigments)
    assert tube.purity.main == "pheophytin-a"


def test_a_scan_that_cannot_be_fitted_does_not_cost_the_others(folder):
    result = analysed(folder, SHEET.replace('"grey.csv"', '"short.csv"'))
    grey = result.fraction("grey cut")
    assert grey.fit is None and grey.pigments == ()
    assert grey.flags[0].code == "not-fitted" and "usable points" in grey.flags[0].message
    assert result.fraction("yellow cut").total_mass is not None
    assert result.balance.unmeasured == ("grey cut",)
    assert {"not-fitted", "closure-lower-bound"} <= codes(result.flags)


def test_a_candidate_the_library_lacks_is_a_flag_of_its_tube(folder):
    sheet = SHEET.replace("made_up_volume_ml = 10.0", 'candidates = ["pheophorbide-a"]')
    known = load_references()
    solvent = "hexane"
    assert not known.has("pheophorbide-a", solvent), "choose a pair the library lacks"
    sheet = sheet.replace('role = "wash"', f'role = "wash"\nsolvent = "{solvent}"')
    tube = analysed(folder, sheet).fraction("green wash")
    assert tube.flags[0].code == "not-fitted"
    assert "no reference for pheophorbide-a" in tube.flags[0].message


def test_a_reference_without_published_scale_gives_a_share_but_no_mass(folder):
    tube = analysed(folder, HEAD + YELLOW_TUBE.replace("yellow.csv", "mixed.csv")).fractions[0]
    chlorophyll, carotene = tube.pigment("chlorophyll-a"), tube.pigment("beta-carotene")
    assert chlorophyll.detected and not chlorophyll.for_mass
    assert chlorophyll.mass is None and chlorophyll.amount is None
    assert chlorophyll.share_mass.value == pytest.approx(1 / 3, abs=0.2)
    assert close(carotene.mass, 10.0)
    assert close(tube.total_mass, 10.0)  # of what may be stated as a mass
    (flag,) = [one for one in tube.flags if one.code == "estimate-grade"]
    assert "edissolve" in flag.message
    assert tube.group("chlorophyll-a-pool").mass is None


# Balance


def test_found_is_the_sum_of_the_tubes_and_closure_holds_the_truth(result):
    for row in result.balance.rows:
        known = [held.value for _, held in row.tubes if held is not None]
        assert row.found.value == pytest.approx(sum(known), abs=1e-9)
        if row.closure is not None:
            assert row.closure.value == pytest.approx(row.found.value / row.loaded.value)
    off = YELLOW["beta-carotene"] * 5 + GREY["beta-carotene"] * 5
    off += (GREEN["lutein"] + GREEN["violaxanthin"] + GREEN["neoxanthin"]) * 10
    on = 5 * (3.1 + 4.2 + 1.6 + 1.1)
    assert close(result.balance.row("carotenoids").closure, off / on)


def test_porphyrins_balance_in_moles_with_the_pheophytin_made(result):
    molar_mass = load_references().select(solvent="acetone-90").molar_mass
    on = {k: EXTRACT.get(k, 0.0) * 5 / molar_mass(k) for k in ("chlorophyll-a", "pheophytin-a")}
    off = {
        "chlorophyll-a": GREEN["chlorophyll-a"] * 10 / molar_mass("chlorophyll-a"),
        "pheophytin-a": (GREY["pheophytin-a"] * 5 + GREEN["pheophytin-a"] * 10)
        / molar_mass("pheophytin-a"),
    }
    row = result.balance.row("chlorophyll-a-pool")
    assert row.unit == "nmol"
    assert close(row.closure, sum(off.values()) / sum(on.values()))
    before = on["pheophytin-a"] / sum(on.values())
    after = off["pheophytin-a"] / sum(off.values())
    a, _ = result.balance.porphyrins
    assert close(a.conversion, (after - before) / (1 - before))
    # by mass pheophytin would "recover" fourfold; that is chemistry, not a slip
    row = result.balance.row("pheophytin-a")
    assert row.found.value > 3 * row.loaded.value
    assert row.closure is None and row.outcome == "see pool"
    assert "made from chlorophyll on the column" in row.verdict and "nmol" in row.verdict


def test_pheophytin_made_on_the_column_has_no_recovery_and_no_alarm(result):
    grey = result.fraction("grey cut")
    made = grey.pigment("pheophytin-a")
    assert made.made_on_column and made.recovery is None and made.recovery_interval is None
    assert "made from chlorophyll on the column" in made.recovery_note
    assert "recovery-above-one" not in codes(grey.flags)
    assert not grey.pigment("beta-carotene").made_on_column


def test_pheophytin_loaded_without_chlorophyll_is_recovered_like_for_like(folder):
    loaded = EXTRACT_TUBE.replace("extract.csv", "grey.csv").replace("dilution_factor = 10", "")
    result = analysed(folder, HEAD + loaded + GREY_TUBE)
    one = result.fraction("grey cut").pigment("pheophytin-a")
    assert not one.made_on_column
    assert one.recovery.value == pytest.approx(1.0)  # the same scan, 5 mL of 5 mL
    assert result.balance.row("pheophytin-a").outcome in ("closes", "nearly")


# Recoveries that can be stated, and those that cannot


def test_a_recovery_is_the_ratio_of_the_masses_shown(result):
    loaded = result.fraction("extract")
    for name in ("yellow cut", "grey cut", "green wash"):
        for one in result.fraction(name).pigments:
            put_on = loaded.pigment(one.pigment)
            if one.recovery is not None and one.detected:
                assert one.recovery.value == pytest.approx(one.mass.value / put_on.mass.value)


def test_what_was_found_is_the_sum_of_what_is_shown(result):
    """To within what the tubes without the pigment may hold of it."""
    for row in result.balance.rows:
        if row.kind != "pigment":
            continue
        rest = 0.0
        shown = 0.0
        for name, held in row.tubes:
            one = result.fraction(name).pigment(row.name)
            if one.detected and one.mass is not None:
                assert held.value == pytest.approx(one.mass.value)
                shown += one.mass.value
            elif held is not None:
                assert abs(held.value) <= 2 * held.uncertainty
                rest += held.value
        assert row.found.value == pytest.approx(shown + rest, abs=1e-9)


def test_what_is_detected_but_not_quantified_in_the_extract_gives_an_interval_only(folder):
    little = {**EXTRACT, "violaxanthin": 1.0}
    save_scan(folder / "little.csv", "acetone-90", little, dilution=10, seed=1)
    result = analysed(folder, SHEET.replace('"extract.csv"', '"little.csv"'))
    assert result.fraction("extract").pigment("violaxanthin").state == "detected"
    one = result.fraction("green wash").pigment("violaxanthin")
    assert one.detected and one.recovery is None
    assert "detected in what was loaded, but not quantified" in one.recovery_note
    low, high = one.recovery_interval
    assert low <= GREEN["violaxanthin"] * 10 / (little["violaxanthin"] * 5) <= high
    row = result.balance.row("violaxanthin")
    assert row.closure is None and row.closure_interval is not None


def test_what_was_not_detected_in_the_extract_has_no_recovery(folder):
    loaded = EXTRACT_TUBE.replace("extract.csv", "yellow.csv").replace(
        "dilution_factor = 10", 'solvent = "hexane"'
    )
    result = analysed(folder, HEAD + loaded + GREEN_TUBE)
    lutein = result.fraction("green wash").pigment("lutein")
    assert lutein.quantified and lutein.recovery is None and lutein.recovery_interval is None
    assert lutein.recovery_note == "lutein was not detected in what was loaded."
    chlorophyll = result.fraction("green wash").pigment("chlorophyll-a")
    assert "no absorptivity of chlorophyll a in hexane is published" in chlorophyll.recovery_note
    row = result.balance.row("lutein")
    assert row.outcome == "not known"
    assert row.verdict == "Not known: it was not detected in what was loaded."


def test_what_was_no_candidate_in_the_extract_has_no_recovery(folder):
    others = [key for key in load_references().leaf_pigments if key != "violaxanthin"]
    loaded = EXTRACT_TUBE + f"candidates = {others}\n"
    result = analysed(folder, HEAD + loaded + GREEN_TUBE)
    one = result.fraction("green wash").pigment("violaxanthin")
    assert one.recovery is None
    assert one.recovery_note == "violaxanthin was no candidate in extract."
    row = result.balance.row("violaxanthin")
    assert row.verdict == "Not known: it was no candidate in what was loaded."


def test_an_interval_of_a_recovery_is_not_symmetric_where_little_was_loaded(result):
    one = result.fraction("yellow cut").pigment("beta-carotene")
    low, high = one.recovery_interval
    assert high - one.recovery.value > one.recovery.value - low > 0
    assert low <= YELLOW["beta-carotene"] / EXTRACT["beta-carotene"] <= high


# Verdicts


@pytest.mark.parametrize(
    ("interval", "outcome"),
    [
        ((0.87, 1.05), "closes"),
        ((0.82, 0.92), "nearly"),
        ((1.02, 1.13), "nearly"),
        ((0.75, 0.84), "less"),
        ((0.55, 0.82), "less"),
        ((0.40, 0.69), "much less"),
        ((1.11, 1.40), "more"),
        ((1.20, 1.60), "much more"),
        ((0.0, 1.33), "cannot tell"),  # in the middle 55 %, below the limit of 70 %
        ((0.0, 2.42), "cannot tell"),  # in the middle 100 %
        ((0.68, 0.98), "cannot tell"),
        (None, "not known"),
    ],
)
def test_a_verdict_says_what_the_whole_interval_supports(interval, outcome):
    assert outcome_of(interval, default_settings()) == outcome
    assert outcome in OUTCOMES


def test_with_a_tube_missing_only_too_much_is_a_verdict():
    settings = default_settings()
    assert outcome_of((0.40, 0.60), settings, lower_bound=True) == "at least"
    assert outcome_of((1.2, 1.6), settings, lower_bound=True) == "much more"


def test_no_verdict_suspects_what_the_interval_does_not_show(result, folder):
    gone = analysed(folder, SHEET.replace(GREEN_TUBE, ""))
    strong = analysed(folder, SHEET.replace("dilution_factor = 10", ""))
    suspected = 0
    for row in (row for one in (result, gone, strong) for row in one.balance.rows):
        if "suspect" in row.verdict:
            suspected += 1
            low, high = row.closure_interval
            assert high < 0.85 or low > 1.10
        if "it closes." in row.verdict:
            assert row.closure_interval[0] >= 0.85 and row.closure_interval[1] <= 1.10
    assert suspected > 4


def test_a_tube_is_left_out_of_a_sum_for_the_reason_that_is_true(folder):
    """Measured, but without a published scale: not the same as not measured."""
    result = analysed(folder, SHEET.replace('"yellow.csv"', '"mixed.csv"'))
    row = result.balance.row("chlorophyll-a-pool")
    assert row.lower_bound and row.outcome == "at least"
    (one,) = row.uncounted
    assert one.name == "yellow cut"
    assert one.reason == (
        "yellow cut holds chlorophyll a, of which no absorptivity in hexane is published"
    )
    assert one.reason in row.verdict and row.verdict.startswith("At least")
    assert result.balance.row("carotenoids").uncounted == ()
    assert result.balance.unmeasured == ()
    (flag,) = [one for one in result.flags if one.code == "closure-lower-bound"]
    assert one.reason in flag.message and "chlorophyll a with its pheophytin" in flag.message


def test_a_forgotten_dilution_of_the_extract_is_seen(folder):
    result = analysed(folder, SHEET.replace("dilution_factor = 10", ""))
    assert {"closure-high"} <= codes(result.flags)
    for name, words in (("yellow cut", "β-carotene"), ("green wash", "chlorophyll a")):
        flags = [one for one in result.fraction(name).flags if one.code == "recovery-above-one"]
        assert len(flags) == 1  # one slip, one flag
        assert words in flags[0].message and "pheophytin" not in flags[0].message


def test_a_tube_left_out_gives_a_low_closure_but_an_unscanned_one_a_lower_bound(folder):
    gone = analysed(folder, SHEET.replace(GREEN_TUBE, ""))
    assert "closure-low" in codes(gone.flags)
    unscanned = GREEN_TUBE.split("scans", maxsplit=1)[0] + "made_up_volume_ml = 10.0\n"
    result = analysed(folder, SHEET.replace(GREEN_TUBE, unscanned))
    assert "closure-low" not in codes(result.flags)
    row = result.balance.row("carotenoids")
    assert row.lower_bound and row.verdict.startswith("At least")
    assert "green wash was not scanned" in row.verdict
    assert dict(row.tubes)["green wash"] is None


def test_closure_limits_come_from_the_sheet(folder):
    text = SHEET.replace("[defaults]", "[settings]\nclosure_note_low = 0.99\n[defaults]", 1)
    assert "closure-doubtful" in codes(analysed(folder, text).flags)


def test_standards_and_blanks_stay_out_of_the_balance(folder):
    extra = YELLOW_TUBE.replace('"yellow cut"', '"my standard"\nrole = "standard"')
    extra += YELLOW_TUBE.replace('"yellow cut"', '"hexane"\nrole = "blank"')
    result = analysed(folder, SHEET + extra)
    assert [name for name, _ in result.balance.rows[0].tubes] == [
        "yellow cut",
        "grey cut",
        "green wash",
    ]
    assert result.fraction("my standard").pigment("beta-carotene").mass is not None
    assert result.fraction("my standard").pigment("beta-carotene").recovery is None
    assert result.fraction("hexane").fit is None


def test_without_a_loaded_extract_there_is_no_recovery(folder):
    result = analysed(folder, HEAD + YELLOW_TUBE + GREY_TUBE)
    assert result.balance.loaded_name is None
    assert all(row.closure is None and row.loaded is None for row in result.balance.rows)
    assert result.fraction("yellow cut").pigment("beta-carotene").recovery is None


def test_all_loaded_without_volumes_still_gives_a_content(folder):
    head = HEAD.replace("extract_volume_ml = 10.0\nloaded_volume_ml = 5.0\n", "")
    one = analysed(folder, head + YELLOW_TUBE).fractions[0].pigment("beta-carotene")
    assert close(one.content, YELLOW["beta-carotene"] * 5 / 0.5)


# Per gram of leaf


def test_what_was_extracted_names_the_target_first_and_holds_the_truth(result):
    names = ["beta-carotene", "carotenoids", "chlorophyll-a-pool", "chlorophyll-b-pool"]
    assert [one.name for one in result.extracted] == names
    found = {one.name: one.content for one in result.extracted}
    per_gram = 10.0 / 0.5  # mL of extract per g
    assert close(found["beta-carotene"], EXTRACT["beta-carotene"] * per_gram)
    assert close(found["carotenoids"], (3.1 + 4.2 + 1.6 + 1.1) * per_gram)
    molar_mass = load_references().molar_mass
    as_chlorophyll = molar_mass("chlorophyll-a") / molar_mass("pheophytin-a")
    pool = EXTRACT["chlorophyll-a"] + EXTRACT["pheophytin-a"] * as_chlorophyll
    assert close(found["chlorophyll-a-pool"], pool * per_gram)
    one = result.fraction("extract").pigment("beta-carotene")
    assert found["beta-carotene"].value == one.content.value


def test_without_tissue_nothing_is_extracted_per_gram(folder):
    head = HEAD.replace("tissue_mass_g = 0.5\n", "").replace('tissue_basis = "fresh"\n', "")
    assert analysed(folder, head + EXTRACT_TUBE + YELLOW_TUBE).extracted == ()


# Scans of one tube


SATURATED = {"chlorophyll-a": 30.0, "chlorophyll-b": 11.0, "lutein": 4.0}
STRONG_TUBE = """
[[fraction]]
name = "strong"
role = "wash"
scans = [{file = "strong.csv", dilution_factor = 1}, {file = "weak.csv", dilution_factor = 10}]
made_up_volume_ml = 5.0
"""


@pytest.fixture(scope="module")
def strong_folder(folder):
    save_scan(folder / "weak.csv", "acetone-90", SATURATED, dilution=10, seed=12)
    save_scan(folder / "strong.csv", "acetone-90", SATURATED, seed=11, ceiling=2.6)
    return folder


HIGH = {"ceiling", "above-linear-limit", "flat-top"}


def test_a_saturated_scan_with_its_dilution_is_one_note(strong_folder):
    tube = analysed(strong_folder, HEAD + STRONG_TUBE).fractions[0]
    assert not HIGH & codes(tube.flags)
    (flag,) = [one for one in tube.flags if one.code == "dilution-used"]
    assert flag.severity == "note"
    assert "strong is too strong from 3" in flag.message and " and 6" in flag.message
    assert "weak, 10 times more dilute, was used" in flag.message
    assert "rescan" not in flag.message
    assert close(tube.pigment("chlorophyll-a").mass, SATURATED["chlorophyll-a"] * 5)
    assert tube.decision.action == "keep"


def test_a_saturated_scan_alone_keeps_the_advice_to_dilute(strong_folder):
    alone = STRONG_TUBE.replace(', {file = "weak.csv", dilution_factor = 10}', "")
    tube = analysed(strong_folder, HEAD + alone).fractions[0]
    assert codes(tube.flags) & HIGH == {"above-linear-limit", "flat-top"}
    assert any("Dilute and rescan" in one.message for one in tube.flags)


def test_a_dilution_that_does_not_reach_so_far_is_no_stand_in(strong_folder):
    lines = (strong_folder / "weak.csv").read_text(encoding="utf-8").splitlines()
    red = [lines[0], *(line for line in lines[1:] if float(line.split(",")[0]) > 500)]
    (strong_folder / "red.csv").write_text("\n".join(red) + "\n", encoding="utf-8")
    tube = analysed(strong_folder, HEAD + STRONG_TUBE.replace("weak.csv", "red.csv")).fractions[0]
    assert "above-linear-limit" in codes(tube.flags) and "dilution-used" not in codes(tube.flags)


def test_a_fit_without_success_is_fatal_for_its_tube_only(folder, result, monkeypatch):
    from specfrac import tubes

    fit_all = tubes.fit_mixtures

    def failing(scans, *rest, **options):
        fits = fit_all(scans, *rest, **options)
        return [
            replace(fit, success=False, message="the fit did not converge.", flags=())
            if scan.name == "grey"
            else fit
            for scan, fit in zip(scans, fits, strict=True)
        ]

    monkeypatch.setattr(tubes, "fit_mixtures", failing)
    broken = analysed(folder, SHEET)
    grey = broken.fraction("grey cut")
    assert grey.flags[0].code == "not-converged" and grey.flags[0].severity == "fatal"
    assert grey.fit is not None and grey.pigments == () and grey.decision.action == "cannot tell"
    assert "no result for 'grey cut'" in next(
        one.message for one in broken.flags if one.code == "not-converged"
    )
    for name in ("extract", "yellow cut", "green wash"):
        assert broken.fraction(name).total_mass.value == result.fraction(name).total_mass.value
    assert "grey cut has a fit that did not converge" in broken.balance.row("carotenoids").verdict
    assert broken.record()["fractions"][2]["fit"]["success"] is False


# Words


def test_sentences_call_pigments_by_name_not_by_key(result, folder):
    """Flags of scan and fit are the reader's and the fit's own."""
    mixed = analysed(folder, SHEET.replace('"yellow.csv"', '"mixed.csv"'))
    strong = analysed(folder, SHEET.replace("dilution_factor = 10", ""))
    words = []
    for one in (result, mixed, strong):
        words += [flag.message for flag in one.flags]
        words += [row.verdict for row in one.balance.rows]
        for tube in one.fractions:
            fitted = set(tube.fit.flags)
            words += [flag.message for flag in tube.flags if flag not in fitted]
            words += [part.recovery_note for part in (*tube.pigments, *tube.groups)]
            words += [reason for opinion in tube.equations for reason in opinion.reasons]
            words += [tube.purity.sentence, tube.decision.sentence if tube.decision else ""]
            words += [
                source for part in tube.pigments if part.mass for source, _ in part.mass.budget
            ]
    text = "\n".join(words)
    assert "β-carotene" in text and "chlorophyll a" in text
    assert not [key for key in load_references().pigments if "-" in key and key in text]


# Flags of the sheet and of plausibility


@pytest.mark.parametrize(
    ("old", "new", "code", "words"),
    [
        ("tissue_mass_g = 0.5", "tissue_mass_g = 0.0005", "implausible-content", "mg for g"),
        ("tissue_mass_g = 0.5", "tissue_mass_g = 500", "implausible-content", "outside 5 to 5000"),
        ("tissue_basis", "block = 'x'\ntissue_basis", "assumed-uncertainty", "made_up_volume_ml"),
    ],
)
def test_run_flags_say_what_to_look_for(folder, old, new, code, words):
    flags = [one for one in analysed(folder, SHEET.replace(old, new, 1)).flags if one.code == code]
    assert flags and words in flags[0].message


def test_a_late_scan_and_an_unused_entry_are_noted(folder):
    late = YELLOW_TUBE + "prepared = 2026-05-04T08:00:00\nscanned = 2026-05-04T20:30:00\n"
    tube = analysed(folder, HEAD + late).fractions[0]
    assert any("12.5 h" in one.message for one in tube.flags if one.code == "late-scan")
    loaded = EXTRACT_TUBE + "made_up_volume_ml = 10.0\n"
    assert "unused-entry" in codes(analysed(folder, HEAD + loaded).fractions[0].flags)


def test_the_same_run_gives_the_same_result(folder, result):
    assert analysed(folder, SHEET).record() == result.record()


# Solvents and indices


def test_a_solvent_the_bands_contradict_is_flagged_in_its_tube(folder, result):
    """The Soret band of chlorophyll b lies 5 nm further to the red in ethanol."""
    for tube in result.fractions:
        assert "solvent-contradicted" not in codes(tube.flags), tube.fraction.name
        assert tube.solvent_verdict.declared == tube.fraction.solvent
        assert tube.solvent_verdict.verdict in ("agrees", "cannot tell")
    wrong = analysed(folder, SHEET.replace('solvent = "acetone-90"', 'solvent = "ethanol"'))
    by_name = {tube.fraction.name: tube for tube in wrong.fractions}
    for name in ("extract", "green wash"):
        (flag,) = [one for one in by_name[name].flags if one.code == "solvent-contradicted"]
        assert "contradict ethanol" in flag.message
        assert "Check which solvent" in flag.message
    assert "solvent-contradicted" not in codes(by_name["yellow cut"].flags)


def test_without_a_solvent_the_scan_says_what_it_can(folder):
    tube = analysed(folder, SHEET.replace('solvent = "acetone-90"\n', "")).fractions[0]
    assert codes(tube.flags) >= {"no-solvent"}
    assert tube.identity.candidates == tube.identification
    named = tube.identification[0]
    assert named.solvent in ("acetone-90", "acetone-80")
    detected = {p for p, seen in zip(named.fit.pigments, named.fit.detected, strict=True) if seen}
    assert {"chlorophyll-a", "chlorophyll-b"} <= detected
    assert tube.indices == () and tube.solvent_verdict is None


def test_a_scan_of_nothing_known_has_no_candidate(folder):
    rng = np.random.default_rng(30)
    dye = 0.6 * np.exp(-((WAVELENGTHS - 560.0) ** 2) / (2 * 15.0**2))
    values = dye + rng.normal(0.0, 5e-4, WAVELENGTHS.size)
    rows = [f"{w:g},{a:.5f}" for w, a in zip(WAVELENGTHS, values, strict=True)]
    (folder / "dye.csv").write_text("\n".join(["wavelength_nm,absorbance", *rows]) + "\n")
    sheet = HEAD.replace('solvent = "acetone-90"\n', "") + EXTRACT_TUBE.replace("extract.", "dye.")
    tube = analysed(folder, sheet).fractions[0]
    assert codes(tube.flags) >= {"no-solvent", "no-candidate"}
    assert tube.identification == ()


def test_every_tube_has_the_indices_of_its_main_pigment(result):
    expected = {
        "extract": ("chlorophyll-a", "soret-red"),
        "yellow cut": ("beta-carotene", "fine-structure"),
        "grey cut": ("pheophytin-a", "soret-red"),
        "green wash": ("chlorophyll-a", "a663-a645"),
    }
    for tube in result.fractions:
        pigment, key = expected[tube.fraction.name]
        assert {one.clean.pigment for one in tube.indices} == {pigment}
        assert key in {one.key for one in tube.indices}
        assert {one.clean.solvent for one in tube.indices} == {tube.fraction.solvent}


def test_the_scan_after_acid_is_read_beside_the_one_before_and_changes_no_amount(folder, result):
    moles = {"chlorophyll-a": "pheophytin-a", "chlorophyll-b": "pheophytin-b"}
    factor = {"chlorophyll-a": 871.20 / 893.49, "chlorophyll-b": 885.18 / 907.47}
    turned: dict[str, float] = {}
    for pigment, value in EXTRACT.items():
        key = moles.get(pigment, pigment)
        turned[key] = turned.get(key, 0.0) + value * factor.get(pigment, 1.0)
    save_scan(folder / "acid.csv", "acetone-90", turned, dilution=10, seed=31)
    extract = EXTRACT_TUBE + 'after_acid = "acid.csv"\n'
    tube = analysed(folder, HEAD + extract + YELLOW_TUBE + GREY_TUBE + GREEN_TUBE).fractions[0]
    (row,) = [one for one in tube.indices if one.key == "acid-ratio"]
    # less than 1.7 (Lorenzen 1967, from memory) for the chlorophyll b and pheophytin beside it
    assert 1.3 < row.reading.value < 1.7
    before = result.fractions[0]
    assert tube.pigment("chlorophyll-a").mass.value == before.pigment("chlorophyll-a").mass.value


def test_the_whole_extract_loaded_but_a_part_stated_is_suspected(folder):
    # 5 mL were put on: the sheet says 2.5 of 5 mL, then all of 20 mL
    result = analysed(
        folder,
        SHEET.replace("extract_volume_ml = 10.0", "extract_volume_ml = 5.0").replace(
            "loaded_volume_ml = 5.0", "loaded_volume_ml = 2.5"
        ),
    )
    (flag,) = [one for one in result.flags if one.code == "loaded-volume-doubtful"]
    assert "whole extract of 5 mL" in flag.message and "the 2.5 mL" in flag.message
    result = analysed(
        folder,
        SHEET.replace("extract_volume_ml = 10.0", "extract_volume_ml = 20.0").replace(
            "loaded_volume_ml = 5.0", ""
        ),
    )
    (flag,) = [one for one in result.flags if one.code == "loaded-volume-doubtful"]
    assert "of the 20 mL were put on" in flag.message
    assert "loaded-volume-doubtful" not in codes(analysed(folder, SHEET).flags)
