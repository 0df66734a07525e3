"""Thin-layer plates: Rf by hand, by simulation, against the known order and against scans."""

from __future__ import annotations

import math
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specfrac.errors import InputError, RunSheetError
from specfrac.plates import (
    analyse_plates,
    chance_of_order,
    choose_developing_solvent,
    choose_developing_solvents,
    column_volumes,
    literature_rf,
    measure_plate,
    mixture_parts,
    plate_pigments,
    read_plates,
    resolution,
    retardation_factor,
)
from specfrac.references import load_references
from specfrac.run import analyse_run
from specfrac.sheet import read_run
from specfrac.simulate import simulate_scan
from specfrac.uncertainty import Quantity

# Student practical with hexane and acetone, order and Rf as listed there (seen), the
# mixture as recalled: 70:30.
SURVEY = {
    "beta-carotene": (0.93, "yellow-orange"),
    "pheophytin-a": (0.55, "grey"),
    "chlorophyll-a": (0.46, "blue-green"),
    "chlorophyll-b": (0.42, "yellow-green"),
    "lutein": (0.41, "yellow"),
    "violaxanthin": (0.31, "yellow"),
    "neoxanthin": (0.17, "yellow"),
}


def spot(rf, *, front=50.0, **more):
    return {"lane": "extract", "distance_mm": round(rf * front, 2), **more}


def table(spots, **more):
    return {
        "name": "plate 1",
        "developing_solvent": "hexane-acetone 70:30",
        "front_mm": 50.0,
        "spot": spots,
        **more,
    }


def survey(**more):
    spots = [spot(rf, pigment=key, colour=colour) for key, (rf, colour) in SURVEY.items()]
    return measure_plate(read_plates([table(spots, **more)])[0])


def one_plate(spots, **more):
    return measure_plate(read_plates([table(spots, **more)])[0])


# Rf


def test_rf_is_the_ratio_of_distances_from_the_origin():
    result = one_plate([spot(0.5)], origin_mm=0.0)
    assert result.spots[0].rf.value == pytest.approx(0.5)
    moved = one_plate([{"distance_mm": 35.0}], origin_mm=10.0, front_mm=60.0)
    assert moved.spots[0].rf.value == pytest.approx(0.5)


def test_uncertainty_of_the_usual_plate():
    # spot within 1 mm, lines within 0.5 mm, run of 50 mm: about 0.012, computed
    result = one_plate([spot(0.5)])
    assert result.spots[0].rf.uncertainty == pytest.approx(0.012, abs=0.0005)


@settings(max_examples=20, deadline=None)
@given(st.floats(0.1, 0.9), st.floats(30, 120), st.floats(0.1, 1.0))
def test_uncertainty_agrees_with_simulation(rf, front, u):
    line, place = Quantity(0.0, u, "mm"), Quantity(rf * front, 2 * u, "mm")
    found = retardation_factor(place, line, Quantity(front, u, "mm"))
    rng = np.random.default_rng(1)
    s, o, f = (rng.normal(m, d, 20000) for m, d in ((rf * front, 2 * u), (0, u), (front, u)))
    assert found.uncertainty == pytest.approx(np.std((s - o) / (f - o)), rel=0.05)


def test_shared_lines_make_differences_surer_than_single_values():
    lines = {"u_origin_mm": 1.0, "u_front_mm": 1.0}
    spots = [spot(0.50, u_distance_mm=0.1), spot(0.46, u_distance_mm=0.1)]
    result = one_plate(spots, origin_mm=0.0, **lines)
    apart = result.pairs[0].rf_difference
    single = result.spots[0].rf.uncertainty
    assert apart.value == pytest.approx(0.04)
    assert apart.uncertainty < 0.25 * single


def test_relative_rf_does_not_depend_on_the_front():
    near, far = (
        measure_plate(read_plates([table([spot(0.9, pigment="beta-carotene"), spot(0.45)],
                                         front_mm=front)])[0])
        for front in (50.0, 80.0)
    )  # fmt: skip
    for result in (near, far):
        assert result.spots[1].relative_rf.value == pytest.approx(0.5, abs=1e-3)
    assert near.spots[1].relative_rf.uncertainty == far.spots[1].relative_rf.uncertainty
    assert near.spots[0].relative_rf is None


def test_relative_to_a_named_spot():
    result = one_plate([spot(0.8, name="front runner"), spot(0.4)], relative_to="front runner")
    assert result.spots[1].relative_rf.value == pytest.approx(0.5)


def test_r_m_by_hand():
    # log10(1/Rf - 1): 0 at one half, 0.954 at a tenth
    result = one_plate([spot(0.5), spot(0.1)])
    assert result.spots[0].r_m.value == pytest.approx(0.0, abs=1e-9)
    assert result.spots[1].r_m.value == pytest.approx(math.log10(9))
    # d(R_M)/d(Rf) = -1/(ln 10 · Rf (1 - Rf))
    u = result.spots[0].rf.uncertainty / (math.log(10) * 0.25)
    assert result.spots[0].r_m.uncertainty == pytest.approx(u)


def test_column_volumes_are_rough_and_say_so():
    # 90:10, Rf 0.90 and 0.09: about 1.1 against 11 column volumes (trade article)
    first, last = column_volumes(0.90, 0.30), column_volumes(0.09, 0.30, void_volume=0.9)
    assert first.value == pytest.approx(1.1, abs=0.02) and last.value == pytest.approx(11, abs=0.2)
    assert (last.low, last.high) == pytest.approx((0.7 * last.value, 1.3 * last.value))
    assert last.eluted[0] == pytest.approx(10.0)
    assert "rough" in first.label and "±30 %" in first.label
    assert column_volumes(0.0, 0.3) is None


def test_spot_at_the_origin_has_no_column_volume_and_no_r_m():
    result = one_plate([spot(0.01), spot(0.5)])
    assert result.spots[0].column_volumes is None and math.isnan(result.spots[0].r_m.value)


def test_resolution_by_hand():
    mm = lambda value: Quantity(value, 0.2, "mm")  # noqa: E731
    assert resolution(mm(30), mm(24), mm(4), mm(4)).value == 1.5
    assert resolution(mm(30), mm(24), mm(8), mm(8)).value == 0.75
    result = one_plate([spot(0.6, width_mm=4.0), spot(0.5, width_mm=3.0), spot(0.3)])
    assert result.pairs[0].resolution.value == pytest.approx(2 * 5.0 / 7.0)
    assert result.pairs[1].resolution is None


def test_chlorophylls_a_and_b_are_barely_told_apart():
    # ΔRf 0.04 is hardly outside ± 0.025 (k = 2) of each: computed
    result = survey()
    pair = next(p for p in result.pairs if "chlorophyll b" in p.names and "lutein" in p.names)
    assert not pair.told_apart
    assert "plate-unresolved" in [flag.code for flag in result.flags]


# Literature


def test_literature_knows_a_mixture_however_it_is_written():
    for text in ("hexane:acetone 7:3", "70:30 hexane/acetone", "acetone-hexane 3:7"):
        assert {one.pigment for one in literature_rf(text)} >= set(SURVEY)
    assert not literature_rf("heptane:acetone 70:30")  # other Rf: not the same solvent
    assert not literature_rf("hexane:acetone 70:30", layer="alumina")
    assert mixture_parts("pet. ether:acetone:chloroform 3:1:1")["petroleum-ether"] == 0.6


def test_literature_values_carry_source_and_a_wide_tolerance():
    for text in ("hexane-acetone 70:30", "petroleum-ether-acetone-chloroform 3:1:1"):
        for one in literature_rf(text):
            assert one.source and one.status in ("memory", "seen", "seen second-hand")
            assert one.tolerance >= 0.05


def test_the_practical_agrees_with_the_literature_and_a_wrong_front_does_not():
    assert "plate-rf-unusual" not in [flag.code for flag in survey().flags]
    far = survey(front_mm=90.0)
    assert "plate-rf-unusual" in [flag.code for flag in far.flags]


def test_nameless_spot_is_suggested_by_colour_and_rf_never_named():
    result = one_plate([spot(0.42, colour="yellow"), spot(0.45, colour="blue-green"), spot(0.6)])
    yellow, green, plain = result.spots
    assert yellow.suggestions[0].pigment == "lutein"
    assert green.suggestions[0].pigment == "chlorophyll-a"
    assert yellow.pigment is None and "colour" in yellow.suggestions[0].reason
    assert "pheophytin-a" in [one.pigment for one in plain.suggestions]


# Order


def test_survey_stands_in_the_known_order():
    order = survey().order
    assert order.pigments[0] == "beta-carotene" and order.pigments[-1] == "neoxanthin"
    assert not order.inverted and "known order" in order.sentence
    assert order.chance == pytest.approx(1 / math.factorial(7))


def test_swapped_names_contradict_the_order():
    spots = [spot(0.31, pigment="chlorophyll-a"), spot(0.60, pigment="violaxanthin")]
    result = one_plate(spots)
    assert [(pair.faster, pair.slower) for pair in result.order.inverted] == [
        ("chlorophyll-a", "violaxanthin")
    ]
    assert "plate-order" in [flag.code for flag in result.flags]


def test_neighbours_that_swap_with_the_solvent_are_no_contradiction():
    spots = [spot(0.40, pigment="chlorophyll-b"), spot(0.50, pigment="lutein")]
    order = one_plate(spots).order
    assert [pair.verdict for pair in order.pairs] == ["may swap"]
    assert not order.inverted


def test_order_within_uncertainty_is_not_judged():
    spots = [spot(0.400, pigment="chlorophyll-a"), spot(0.405, pigment="violaxanthin")]
    assert [pair.verdict for pair in one_plate(spots).order.pairs] == ["within uncertainty"]


def test_known_order_holds_for_silica_only():
    assert survey(layer="reversed phase").order is None


@pytest.mark.parametrize("places", [(1, 2, 3, 4), (1, 1, 2), (1, 2, 2, 3), (1, 2, 3, 4, 5)])
def test_chance_of_order_against_counting(places):
    def discordant(order):
        return sum(order[i] > order[j] for i in range(len(order)) for j in range(i + 1, len(order)))

    counts = [discordant(order) for order in permutations(places)]
    for limit in range(max(counts) + 1):
        share = sum(count <= limit for count in counts) / len(counts)
        assert chance_of_order(places, limit) == pytest.approx(share)


def test_one_pigment_in_two_lanes_must_run_alike():
    spots = [spot(0.5, pigment="lutein"), {**spot(0.62, pigment="lutein"), "lane": "standard"}]
    assert "plate-lanes-differ" in [flag.code for flag in one_plate(spots).flags]
    spots[1]["distance_mm"] = 25.5
    assert "plate-lanes-differ" not in [flag.code for flag in one_plate(spots).flags]


def test_long_spots_and_short_runs_are_noted():
    result = one_plate([spot(0.5, front=25.0, width_mm=8.0)], front_mm=25.0)
    assert {"plate-overloaded", "plate-short-run"} <= {flag.code for flag in result.flags}


# Choice of a developing solvent


def plate_of(name, solvent, values, *, width=2.0):
    spots = [spot(rf, width_mm=width, name=f"{k}") for k, rf in enumerate(values)]
    (plate,) = read_plates([table(spots, name=name, developing_solvent=solvent, mixture="extract")])
    return measure_plate(plate)


def test_best_critical_pair_wins():
    poor = plate_of("a", "hexane-acetone 60:40", [0.9, 0.62, 0.60])
    good = plate_of("b", "hexane-acetone 80:20", [0.8, 0.40, 0.26])
    choice = choose_developing_solvent([poor, good])
    assert [one.plate for one in choice.ranks] == ["b", "a"]
    best, worst = choice.ranks
    assert best.critical == ("1", "2") and best.measure == "resolution"
    assert best.separation.value == pytest.approx(2 * 7.0 / 4.0)
    assert "within the wanted" in " ".join(best.reasons)
    assert "less of the more polar part" in " ".join(worst.reasons)
    assert choice.sentence.startswith("hexane-acetone 80:20 separates best")


def test_spots_that_run_together_count_against_a_plate():
    merged = plate_of("a", "hexane", [0.9, 0.2])
    whole = plate_of("b", "hexane-acetone 70:30", [0.9, 0.42, 0.38])
    choice = choose_developing_solvent([merged, whole])
    assert choice.ranks[0].plate == "b" and choice.ranks[1].missing == 1


def test_what_the_plates_cannot_tell_shares_a_rank():
    first = plate_of("a", "hexane-acetone 70:30", [0.6, 0.40])
    second = plate_of("b", "hexane-acetone 75:25", [0.6, 0.39])
    choice = choose_developing_solvent([first, second])
    assert [one.rank for one in choice.ranks] == [1, 1]
    assert "cannot be told apart" in choice.sentence


def test_without_widths_the_difference_in_rf_decides():
    plates = [
        measure_plate(read_plates([table([spot(0.6), spot(rf)], name=name, mixture="extract")])[0])
        for name, rf in (("a", 0.5), ("b", 0.3))
    ]
    choice = choose_developing_solvent(plates)
    assert choice.ranks[0].plate == "b" and choice.ranks[0].measure == "difference in Rf"


def test_a_pair_that_was_asked_for():
    spots = [spot(0.9, pigment="beta-carotene"), spot(0.46, pigment="chlorophyll-a"),
             spot(0.45), spot(0.30, pigment="chlorophyll-b")]  # fmt: skip
    result = one_plate(spots, mixture="extract")
    choice = choose_developing_solvent([result], pair=("chlorophyll-b", "chlorophyll-a"))
    assert choice.ranks[0].critical == ("chlorophyll a", "chlorophyll b")
    assert choice.ranks[0].separation.value == pytest.approx(0.16)
    none = choose_developing_solvent([result], pair=("chlorophyll-b", "neoxanthin"))
    assert none.ranks[0].missing == 1


def test_plates_group_by_mixture():
    plates = [
        plate_of("a", "hexane-acetone 70:30", [0.6, 0.4]),
        plate_of("b", "hexane-acetone 90:10", [0.5, 0.1]),
        measure_plate(read_plates([table([spot(0.5)], name="c", mixture="other")])[0]),
    ]
    (choice,) = choose_developing_solvents(plates)
    assert choice.mixture == "extract" and len(choice.to_frame()) == 2
    with pytest.raises(InputError, match="no plates"):
        choose_developing_solvent([])


# Against scans


RUN = """
[run]
title = "invented"
loaded_volume_ml = 5.0
void_volume_ml = 0.9
[defaults]
solvent = "acetone-90"
bandwidth_nm = 2.0
[[fraction]]
name = "green wash"
role = "wash"
scan = "green.csv"
made_up_volume_ml = 10.0
[[fraction]]
name = "yellow cut"
scan = "yellow.csv"
made_up_volume_ml = 5.0
[[fraction]]
name = "empty"
[[plate]]
name = "plate 1"
developing_solvent = "hexane-acetone 70:30"
front_mm = 50.0
"""


def run_result(tmp_path, spots):
    references = load_references().select(solvent="acetone-90")
    points = np.arange(360.0, 781.0)
    contents = {
        "green": {"chlorophyll-a": 6e-3, "chlorophyll-b": 2.2e-3},
        "yellow": {"beta-carotene": 2.5e-3},
    }
    for name, content in contents.items():
        scan = simulate_scan(references, content, wavelength=points, noise=3e-4, rng=2)
        rows = [f"{w:g},{a:.5f}" for w, a in zip(points, scan.absorbance, strict=True)]
        (tmp_path / f"{name}.csv").write_text("\n".join(["wavelength_nm,A", *rows]))
    lines = [
        "[[plate.spot]]\n" + "\n".join(f"{key} = {value!r}" for key, value in one.items())
        for one in spots
    ]
    (tmp_path / "run.toml").write_text(RUN + "\n".join(lines).replace("'", '"'))
    return analyse_run(read_run(tmp_path))


def lane(fraction, *spots):
    return [
        {"fraction": fraction, "lane": fraction, "distance_mm": rf * 50, **more}
        for rf, more in spots
    ]


@pytest.fixture
def evidence(tmp_path):
    spots = [
        *lane("green wash", (0.46, {"pigment": "chlorophyll-a"}),
              (0.41, {"colour": "yellow-green"}), (0.55, {"pigment": "pheophytin-a"}),
              (0.30, {"pigment": "violaxanthin"}), (0.01, {"colour": "green"})),
        *lane("yellow cut", (0.20, {"pigment": "neoxanthin"})),
    ]  # fmt: skip
    found = analyse_plates(run_result(tmp_path, spots))
    return {one.fraction: one for one in found.tubes}, found


def row_of(tube, pigment):
    return next(row for row in tube.rows if row.pigment == pigment)


def test_both_show_it(evidence):
    row = row_of(evidence[0]["green wash"], "chlorophyll-a")
    assert row.verdict == "agree" and row.plate == "spot at Rf 0.46"


def test_unnamed_spot_may_be_it(evidence):
    row = row_of(evidence[0]["green wash"], "chlorophyll-b")
    assert row.verdict == "cannot tell" and "co-spot" in row.reason


def test_plates_make_pheophytin_too(evidence):
    row = row_of(evidence[0]["green wash"], "pheophytin-a")
    assert row.verdict == "cannot tell" and "two dimensions" in row.reason


def test_spot_without_spectrum_is_a_disagreement(evidence):
    row = row_of(evidence[0]["green wash"], "violaxanthin")
    assert row.verdict == "disagree" and "spot without spectrum" in row.reason


def test_spectrum_without_spot_is_a_disagreement(evidence):
    row = row_of(evidence[0]["yellow cut"], "beta-carotene")
    assert row.verdict == "disagree" and "spectrum without spot" in row.reason


def test_green_spot_at_the_origin_may_be_chlorophyllide(evidence):
    row = row_of(evidence[0]["green wash"], "chlorophyllide")
    assert row.verdict == "cannot tell"
    assert "may be chlorophyllide" in row.reason and "cannot tell it" in row.scan


def test_what_neither_can_see_is_said(evidence):
    for tube in evidence[0].values():
        assert row_of(tube, "colourless").verdict == "cannot tell"


def test_disagreements_reach_the_flags_and_no_side_overrides(evidence):
    tubes, found = evidence
    assert set(tubes) == {"green wash", "yellow cut"}
    assert [flag.code for flag in found.flags].count("plate-disagrees") == 2
    assert "Neither side overrides" in tubes["green wash"].sentence
    frame = found.evidence_frame()
    assert set(frame["verdict"]) == {"agree", "disagree", "cannot tell"}
    assert found.record()["evidence"][0]["spot_count"] == 5


def test_faint_spots_are_no_disagreement(tmp_path):
    # 2.5 mg/L, 2 µL: 0.005 µg, less than an eye sees
    spots = lane("yellow cut", (0.20, {"pigment": "neoxanthin", "applied_ul": 2.0}))
    found = analyse_plates(run_result(tmp_path, spots))
    row = row_of(found.tubes[0], "beta-carotene")
    assert row.verdict == "cannot tell" and "0.005 µg" in row.reason


def test_void_volume_turns_column_volumes_into_millilitres(tmp_path):
    found = analyse_plates(run_result(tmp_path, lane("yellow cut", (0.5, {}))))
    volumes = found.plates[0].spots[0].column_volumes
    assert volumes.eluted == pytest.approx((1.8, 1.26, 2.34))


def test_section_of_the_report_stands_without_help(evidence):
    from specfrac.report.plates import plates_html

    page = plates_html(evidence[1])
    assert "<svg" in page and "green wash: plate against scan" in page
    assert "never by Rf alone" in page and "≠" in page
    again = plates_html(evidence[1])
    assert page == again


def test_text_of_a_sheet_cannot_break_the_page():
    from specfrac.plates import PlatesResult
    from specfrac.report.plates import plates_html

    result = one_plate([spot(0.5, name="<script>alert(1)</script>", colour="<b>")])
    page = plates_html(PlatesResult((result,), (), ()))
    assert "<script>alert" not in page and "<b>&lt;" not in page


def test_no_plates_no_section():
    from specfrac.plates import PlatesResult
    from specfrac.report.plates import plates_html

    assert plates_html(PlatesResult((), (), ())) is None


def test_drawing_is_true_to_scale():
    from matplotlib.figure import Figure
    from matplotlib.patches import Ellipse

    from specfrac.plates.plot import draw_plate

    result = one_plate([spot(0.5, pigment="lutein", width_mm=3.0)], origin_mm=0.0, height_mm=70.0)
    ax = draw_plate(result, Figure().subplots())
    (drawn,) = [patch for patch in ax.patches if isinstance(patch, Ellipse)]
    assert drawn.center == (0, 25.0) and drawn.height == 3.0
    assert ax.get_ylabel() == "distance from the origin, mm"
    assert "lutein" in "".join(text.get_text() for text in ax.texts)


# Sheet


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"frnt_mm": 3.0}, "Did you mean 'front_mm'"),
        ({"front_mm": -1.0}, "must not be negative"),
        ({"origin_mm": 60.0}, "not above origin_mm"),
        ({"height_mm": 20.0}, "below front_mm"),
        ({"spot": []}, "spot is missing"),
        ({"spot": [{"distance": 20.0}]}, "Did you mean 'distance_mm'"),
        ({"spot": [{"lane": "a"}]}, "distance_mm is missing"),
        ({"spot": [{"distance_mm": 80.0}]}, "same edge"),
        ({"spot": [{"distance_mm": "20"}]}, "without quotes"),
        ({"spot": [{"distance_mm": 20.0, "pigment": "lutin"}]}, "Did you mean 'lutein'"),
        ({"spot": [{"distance_mm": 20.0, "fraction": "gren"}]}, "Did you mean 'green'"),
        ({"spot": [{"distance_mm": 20.0, "width_mm": 0.0}]}, "spot has a length"),
        ({"spot": [{"distance_mm": 20.0, "name": "a"}] * 2}, "two spots"),
        ({"relative_to": "lutein"}, "no spot of this plate"),
        ({"settings": {"plate_origin": 1}}, "Did you mean 'plate_origin_rf'"),
    ],
)
def test_a_plate_that_breaks_a_rule_is_refused(change, message):
    with pytest.raises(RunSheetError, match=message):
        read_plates([{**table([spot(0.5)]), **change}], fractions=["green"])


def test_two_plates_need_two_names():
    with pytest.raises(RunSheetError, match="given to two plates"):
        read_plates([table([spot(0.5)]), table([spot(0.4)])])


def test_settings_of_a_plate_can_be_changed():
    result = one_plate([spot(0.5)], settings={"plate_column_volume_spread": 0.5})
    volumes = result.spots[0].column_volumes
    assert (volumes.low, volumes.high) == pytest.approx((1.0, 3.0))


def test_pigments_of_the_plate_are_those_of_the_library_but_for_twins():
    library = load_references()
    for key, pigment in plate_pigments().items():
        assert (key in library.pigments) is pigment.in_library
        assert all(other in plate_pigments() for other in pigment.close_to)
