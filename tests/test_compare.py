"""Runs side by side: sentences, blocks, marks, files, and that equal methods stay equal."""

from __future__ import annotations

import copy
import csv
import importlib.util
import io
import json
import math
import re
import shutil
from pathlib import Path

import numpy as np
import pytest

from specfrac.compare import (
    compare_runs,
    comparison_html,
    read_record,
    terminal_comparison,
    write_comparison,
)
from specfrac.compare.analysis import Point, compare_measure
from specfrac.compare.limits import default_limits
from specfrac.compare.measures import Measure, Value, parted, summarise_run
from specfrac.compare.sentences import others_sentence
from specfrac.errors import InputError

_path = Path(__file__).with_name("compare_example.py")
_spec = importlib.util.spec_from_file_location("compare_example", _path)
example = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(example)

MASS = Measure("extracted:x", "extracted", "x extracted", "µg/g", "higher")
SETTINGS = default_limits()
BETTER = {"effect": {"steep": {"beta-carotene": 0.7}}}


def points(values, blocks=None, *, own=0.1, shared=0.05):
    """Runs of a measure: {method: values}; blocks as {method: names}."""
    found = []
    for method, numbers in values.items():
        for at, given in enumerate(numbers):
            parts = (("absorptivity of x", shared * abs(given)),) if np.isscalar(given) else ()
            value = Value(given, own, parts, "dilution") if np.isscalar(given) else given
            block = blocks[method][at] if blocks else ""
            found.append(Point(f"{method}{at}", method, block, value))
    return found


def compared(values, blocks=None, **options):
    more = {key: options.pop(key) for key in ("own", "shared") if key in options}
    return compare_measure(MASS, points(values, blocks, **more), SETTINGS, primary=True, **options)


# The answer


def test_the_true_difference_wins_and_nothing_else_does():
    result = compare_runs(example.season({"shake": 6, "steep": 6}, **BETTER))
    assert result.primary.measure.key == "extracted:beta-carotene"
    assert (result.primary.verdict, result.primary.winner) == ("wins", "shake")
    (pair,) = result.primary.differences
    assert pair.interval[0] > 0
    assert pair.ratio_interval[0] < 1 / 0.7 < pair.ratio_interval[1]
    for key in ("extracted:chlorophyll-a", "conversion:a", "closure:porphyrins", "share"):
        assert result.measure(key).verdict == "cannot tell", key


def test_the_sentence_says_who_by_how_much_and_on_what_grounds():
    sentence = compare_runs(example.season({"shake": 6, "steep": 6}, **BETTER)).sentences[0]
    assert re.fullmatch(
        r"β-carotene extracted: shake wins over steep, [\d.]+ against [\d.]+ µg/g, [\d.]+ µg/g "
        r"more \(95 %: [\d.]+ to [\d.]+\), [\d.]+ times as much \([\d.]+ to [\d.]+\); p < 0\.0001, "
        r"t test within blocks, unequal variances, 6 \+ 6 runs in 2 blocks\.",
        sentence,
    ), sentence


def test_cannot_tell_says_what_could_have_been_seen():
    one = compared({"a": [10.0, 11.0, 12.0], "b": [10.5, 11.5, 12.1]})
    assert (one.verdict, one.winner) == ("cannot tell", None)
    result = compare_runs(example.season({"shake": 4, "steep": 4}, scatter=0.15))
    told = result.sentences[0]
    assert "the data cannot tell shake and steep apart" in told
    assert "would have been found with a chance of 80 %" in told
    assert "takes about" in told


def test_less_conversion_is_the_better_conversion():
    records = example.season({"shake": 6, "steep": 6}, conversion={"shake": 0.20, "steep": 0.05})
    one = compare_runs(records, primary="conversion:a").primary
    assert (one.verdict, one.winner) == ("wins", "steep")
    assert "percentage points less" in one.sentence


def test_closure_differs_but_nobody_wins():
    records = example.season({"shake": 6, "steep": 6}, closure={"shake": 0.95, "steep": 0.60})
    one = compare_runs(records, primary="closure:coloured-pigment").primary
    assert (one.verdict, one.winner) == ("differ", None)
    assert "is higher with shake than with steep" in one.sentence


def test_several_methods_win_differ_or_stay_open():
    spread = np.array([-1.0, -0.4, 0.1, 0.5, 0.9])
    one = compared({"a": 20 + spread, "b": 15 + spread, "c": 15.2 + spread})
    assert (one.verdict, one.winner) == ("wins", "a")
    assert one.overall.name == "Welch's analysis of variance"
    two = compared({"a": 20 + spread, "b": 20.2 + spread, "c": 15 + spread})
    assert (two.verdict, two.winner) == ("differ", None)
    told = compare_runs(
        example.season({"a": 6, "b": 6, "c": 6}, scatter=0.02, effect={"c": {"beta-carotene": 0.6}})
    )
    size = r"by [\d.]+ µg/g \(95 %: [\d.]+ to [\d.]+\)"
    assert re.search(
        rf"no single method wins\. a beats c {size}; b beats c {size} \(p ", told.sentences[0]
    )
    assert "Not told apart: a and b." in told.sentences[0]
    three = compared({"a": 20 + spread, "b": 20.1 + spread, "c": 19.9 + spread})
    assert three.verdict == "cannot tell"


def test_an_exact_answer_for_two_plain_groups():
    """The difference, its interval and p are those of scipy's Welch test."""
    from scipy import stats

    a, b = [10.0, 12.0, 11.0, 13.5], [9.0, 8.0, 10.5]
    (pair,) = compared({"a": a, "b": b}, shared=0.0).differences
    done = stats.ttest_ind(a, b, equal_var=False)
    interval = done.confidence_interval()
    assert pair.p_value == pytest.approx(done.pvalue, rel=1e-9)
    assert pair.interval == pytest.approx((interval.low, interval.high), rel=1e-9)
    assert pair.df == pytest.approx(done.df, rel=1e-9)


# Blocks


def test_pairs_are_compared_by_the_paired_test():
    from scipy import stats

    rng = np.random.default_rng(3)
    base = rng.normal(50, 10, 6)
    a, b = base + 1 + 0.5 * rng.standard_normal(6), base + 0.5 * rng.standard_normal(6)
    days = [f"day {at}" for at in range(6)]
    one = compared({"a": a, "b": b}, {"a": days, "b": days}, shared=0.0)
    (pair,) = one.differences
    assert one.design.kind == "paired"
    assert pair.p_value == pytest.approx(stats.ttest_rel(a, b).pvalue, rel=1e-9)
    assert pair.p_value < 0.05 < pair.p_ignoring_blocks


def test_methods_without_a_common_block_are_confounded():
    records = [
        *example.season({"shake": 4}, blocks=("Monday",)),
        *example.season({"steep": 4}, blocks=("Tuesday",), seed=2, **BETTER),
    ]
    result = compare_runs(records)
    assert {one.verdict for one in result.measures} == {"confounded"}
    assert all(not one.differences for one in result.measures)
    assert "shake: Monday; steep: Tuesday" in result.sentences[0]
    assert "confounded" in [flag.code for flag in result.flags]


def test_a_chain_of_blocks_links_methods():
    blocks = {"a": ["1"] * 3, "b": ["1", "2", "2", "1"], "c": ["2"] * 3}
    spread = [-0.2, 0.0, 0.2]
    values = {
        "a": [20 + e for e in spread],
        "b": [15.1, 25.0, 25.2, 14.9],
        "c": [25 + e for e in spread],
    }
    one = compared(values, blocks)
    assert one.design.kind == "blocked" and one.design.groups == (("a", "b", "c"),)
    found = {(pair.first, pair.second): pair.difference for pair in one.differences}
    # block 2 lies 10 higher; taken out, a is 5 above b, and c as b
    assert found["a", "b"] == pytest.approx(5.0, abs=0.2)
    assert found["a", "c"] == pytest.approx(5.0, abs=0.3)
    assert one.winner == "a"


def test_a_method_apart_is_named_and_not_compared():
    blocks = {"a": ["1"] * 3, "b": ["1"] * 3, "c": ["2"] * 3}
    values = {"a": [20.0, 20.2, 20.1], "b": [15.0, 15.3, 15.1], "c": [40.0, 40.1, 40.3]}
    one = compared(values, blocks)
    assert one.winner == "a"
    assert [(pair.first, pair.second) for pair in one.differences] == [("a", "b")]
    records = [
        *example.season({"a": 3, "b": 3}, blocks=("1",)),
        *example.season({"c": 3}, blocks=("2",), seed=5),
    ]
    assert "Confounded, and so not compared: c" in compare_runs(records).sentences[0]


def test_a_run_without_block_says_nothing_within_blocks():
    records = example.season({"shake": 6, "steep": 6})
    records[0]["run"]["block"] = ""
    result = compare_runs(records)
    assert "run-without-block" in [flag.code for flag in result.flags]
    assert "shake-0" in " ".join(result.primary.remarks)
    for record in records:
        record["run"]["block"] = ""
    assert compare_runs(records).primary.design.kind == "unpaired"


@pytest.mark.parametrize("counts", [{"a": 1, "b": 3}, {"a": 2, "b": 1}])
def test_a_single_run_gives_no_verdict(counts):
    one = compare_runs(example.season(counts, blocks=("",))).primary
    assert one.verdict == "too few runs"
    assert "at least two runs" in one.sentence


def test_one_method_alone_is_described():
    one = compare_runs(example.season({"a": 4})).primary
    assert one.verdict == "one method"
    assert re.search(r"only a has it, [\d.]+ µg/g \(95 %: ", one.sentence)


# Uncertainty: own, shared, between runs


def test_budgets_part_into_own_and_shared():
    parts = parted(
        {
            "noise and baseline": 3.0,
            "made-up volume": 4.0,
            "absorptivity of lutein in hexane": 12.0,
            "absorptivities, common part": 1.0,
            "band shape of the reference": 2.0,
            "photometer gain": 0.5,
            "path length": 0.6,
        },
        "hexane",
    )
    assert parts.own == pytest.approx(5.0)
    assert parts.largest_own == "made-up volume"
    assert dict(parts.shared) == {
        "absorptivity of lutein in hexane": 12.0,
        "absorptivities, common part": 1.0,
        "band shape of the reference in hexane": 2.0,
        "photometer gain": 0.5,
        "path length": 0.6,
    }


def test_shared_errors_widen_means_and_not_differences():
    values = {"a": [10.0, 10.4, 9.8, 10.1], "b": [10.1, 9.9, 10.3, 10.2]}
    small, large = (compared(values, shared=size) for size in (0.0, 0.2))
    assert large.differences[0].standard_error == pytest.approx(
        small.differences[0].standard_error, rel=0.02
    )
    width = [one.methods[0].interval[1] - one.methods[0].interval[0] for one in (small, large)]
    assert width[1] > 5 * width[0]
    assert large.methods[0].shared_uncertainty == pytest.approx(0.2 * large.methods[0].mean)


def test_shared_errors_of_two_solvents_do_not_cancel():
    values = {"a": [10.0, 10.4, 9.8, 10.1], "b": [12.0, 11.9, 12.3, 12.2]}
    given = points(values)
    moved = [
        point
        if point.method == "a"
        else Point(
            point.run,
            "b",
            "",
            Value(point.value.value, 0.1, (("absorptivity of x in other", 2.0),), "dilution"),
        )
        for point in given
    ]
    same = compare_measure(MASS, given, SETTINGS, primary=True)
    other = compare_measure(MASS, moved, SETTINGS, primary=True)
    assert same.verdict == "wins" and other.verdict == "cannot tell"
    assert other.differences[0].foreign_part > 0.9
    assert other.differences[0].runs_needed is None  # more runs do not make references better


def enlarged(records, key, factor):
    """The same records with the shared contributions to a share or a conversion enlarged."""
    made = copy.deepcopy(records)
    for record in made:
        tubes, pools = record["fractions"], record["balance"]["porphyrins"]
        held = tubes[1]["purity"] if key == "target_share" else pools[0]
        budget = held[f"{key}_budget"]
        for source in budget:
            if source.startswith(("absorptivity", "band shape")):
                budget[source] *= factor
        held[f"{key}_standard_uncertainty"] = math.hypot(*budget.values())
    return made


@pytest.mark.parametrize(
    ("measure", "key"), [("share", "target_share"), ("conversion:a", "conversion")]
)
def test_errors_shared_by_shares_and_conversions_widen_no_difference(measure, key):
    records = example.season(
        {"shake": 6, "steep": 6},
        share={"shake": 0.95, "steep": 0.90},
        conversion={"shake": 0.05, "steep": 0.10},
    )
    small, large = (
        compare_runs(given).measure(measure) for given in (records, enlarged(records, key, 5.0))
    )
    one, two = small.differences[0], large.differences[0]
    assert one.shared_part == two.shared_part == 0.0
    assert two.interval == pytest.approx(one.interval, rel=1e-12)
    assert two.p_value == pytest.approx(one.p_value, rel=1e-9)
    assert (small.verdict, large.verdict) == ("wins", "wins")
    widths = [each.methods[0].interval[1] - each.methods[0].interval[0] for each in (small, large)]
    assert widths[1] > 2 * widths[0]
    assert large.methods[0].scatter.measurement == small.methods[0].scatter.measurement > 0
    assert large.methods[0].largest_own == "noise and baseline"


def test_a_record_without_budgets_leaves_the_parts_unknown():
    records = example.season({"shake": 6, "steep": 6})
    for record in records:
        del record["fractions"][1]["purity"]["target_share_budget"]
    one = compare_runs(records).measure("share")
    assert math.isnan(one.differences[0].measurement_part)
    assert "the records do not part the uncertainty" in " ".join(one.remarks)
    # unparted, the whole uncertainty counts as shared and stays out of the difference
    assert one.methods[0].shared_uncertainty == pytest.approx(
        math.hypot(*example.SHARE_BUDGET.values())
    )


def test_a_share_does_not_lie_beyond_the_whole():
    records = example.season({"shake": 6, "steep": 6}, share=0.995)
    one = compare_runs(enlarged(records, "target_share", 3.0)).measure("share")
    assert all(0.5 < held.interval[0] < held.interval[1] == 1.0 for held in one.methods)


def test_runs_that_agree_exactly_give_no_verdict():
    """Without scatter nothing is known of it, whatever is stated of shared errors."""
    one = compared({"a": [10.0, 10.0, 10.0], "b": [12.0, 12.0, 12.0]})
    assert one.verdict == "too few runs"
    records = example.season({"shake": 3, "steep": 3}, blocks=("",))
    for record in records:
        record["fractions"][1]["purity"]["target_share"] = 1.0
    told = compare_runs(records).measure("share").sentence
    assert "the runs of each method agree exactly, so no scatter is left to judge by" in told


def test_two_pairs_never_claim_more_than_a_paired_test_of_two_pairs_can():
    """Shared errors are known, the scatter of two pairs is not: they stay one degree of freedom."""
    from scipy import stats

    a, b = [50.0, 43.1], [36.0, 30.2]
    blocks = {"a": ["1", "2"], "b": ["1", "2"]}
    (bare,) = compared({"a": a, "b": b}, blocks, shared=0.0).differences
    (pair,) = compared({"a": a, "b": b}, blocks, shared=0.1).differences
    assert bare.p_value == pytest.approx(stats.ttest_rel(a, b).pvalue, rel=1e-9)
    assert pair.p_value > bare.p_value and pair.df == bare.df == pytest.approx(1.0)
    assert pair.interval[1] - pair.interval[0] > bare.interval[1] - bare.interval[0]


@pytest.mark.parametrize(
    ("own", "advice"),
    [(0.05, "more runs would help more"), (1.0, "better or repeated measurement would help more")],
)
def test_it_says_what_dominates(own, advice):
    rng = np.random.default_rng(5)
    records = example.season({"shake": 8, "steep": 8}, scatter=0.03, seed=7)
    for record in records:
        for row in record["fractions"][0]["pigments"]:
            row["content_ug_per_g"] += own * 2 * rng.standard_normal()
            row["content_budget_ug_per_g"]["noise and baseline"] = own * 2
    result = compare_runs(records)
    assert advice in " ".join(result.primary.remarks)


# Limits, zeros, scales


def test_limits_are_censored_and_not_zero():
    high = [8.0, 9.0, 10.0, 11.0, 12.0]
    limits = [Value(6.0, math.nan, (), "", "below")] * 5
    one = compared({"a": high, "b": limits})
    assert (one.verdict, one.winner) == ("wins", "a")
    assert one.method("b").censored == 5 and math.isnan(one.method("b").mean)
    (pair,) = one.differences
    assert math.isnan(pair.difference) and pair.direction == 1.0
    assert pair.p_value == pytest.approx(2 / math.comb(10, 5))
    # the same limits below and among the values tell nothing apart
    undecided = compared({"a": high, "b": [Value(20.0, math.nan, (), "", "below")] * 5})
    assert undecided.verdict == "cannot tell"


def test_a_censored_mean_lies_below_the_one_of_substituted_limits():
    mixed = [5.0, 6.0, 7.0, Value(4.0, math.nan, (), "", "below")]
    one = compared({"a": mixed, "b": [5.0, 6.0, 7.0, 5.5]})
    assert 0 < one.method("a").mean < (5 + 6 + 7 + 4) / 4


def test_negative_estimates_enter_averages_as_they_are():
    one = compared({"a": [-0.5, 0.5, -0.2, 0.2], "b": [0.1, -0.1, 0.3, -0.3]})
    assert one.method("a").mean == pytest.approx(0.0, abs=1e-12)
    assert one.method("a").censored == 0


def test_log_scale_where_the_spread_grows_or_is_asked_for():
    rng = np.random.default_rng(2)
    low, high = (level * np.exp(0.3 * rng.standard_normal(8)) for level in (3.0, 90.0))
    one = compared({"a": low, "b": high})
    assert one.scale == "log" and one.scale_reason == "the spread grows with the level"
    (pair,) = one.differences
    logs = [np.log(low).mean(), np.log(high).mean()]
    assert pair.ratio == pytest.approx(math.exp(logs[0] - logs[1]))
    assert one.method("a").mean == pytest.approx(math.exp(logs[0]))
    assert compared({"a": low, "b": high}, scale="linear").scale == "linear"
    spread = rng.standard_normal(8)
    even = {"a": 10 + spread, "b": 30 - spread}
    assert compared(even).scale == "linear"
    assert compared(even, scale="log").scale == "log"


def test_an_estimate_below_zero_is_a_limit_on_the_log_scale():
    limit = Value(-0.1, 0.2, (), "", "", 0.5)
    one = compared({"a": [1.0, 2.0, 3.0], "b": [1.5, 2.5, limit]}, scale="log")
    assert one.scale == "log" and one.method("b").censored == 1
    none = Value(-0.1, 0.2)
    assert compared({"a": [1.0, 2.0], "b": [1.5, none]}, scale="log").scale == "linear"


# Corrections


def test_secondary_measures_are_corrected_and_the_primary_is_not():
    result = compare_runs(example.season({"shake": 6, "steep": 6}, **BETTER))
    assert result.primary.differences[0].p_corrected == result.primary.differences[0].p_value
    secondary = result.measures[1:]
    raw = [one.differences[0].p_value for one in secondary]
    corrected = [one.differences[0].p_corrected for one in secondary]
    assert min(corrected) == pytest.approx(len(raw) * min(raw))
    assert all(c >= p for c, p in zip(corrected, raw, strict=True))


def test_a_primary_measure_can_be_declared():
    records = example.season({"shake": 4, "steep": 4})
    result = compare_runs(records, primary="closure:carotenoids")
    assert result.primary.measure.key == "closure:carotenoids"
    assert result.primary_reason == "declared by you"
    with pytest.raises(
        InputError, match=r"'extracted:lutin' is in no run. Did you mean 'extracted:lutein'"
    ):
        compare_runs(records, primary="extracted:lutin")  # fmt: skip


def test_rank_tests_say_when_they_cannot_reach():
    """3 + 3 runs have 20 orders, so 2/20 is the least a two-sided rank test can give."""
    result = compare_runs(example.season({"shake": 3, "steep": 3}, blocks=("",)))
    told = " ".join(result.primary.remarks)
    assert "cannot reach p < 0.05 with so few runs: its smallest p-value here is 0.1" in told
    assert result.primary.ranks.attainable_p == pytest.approx(2 / math.comb(6, 3))


def test_a_rank_test_is_set_beside_the_test_it_belongs_to():
    result = compare_runs(example.season({"shake": 8, "steep": 8}, **BETTER))
    assert any(one.startswith("The rank test") for one in result.primary.remarks)
    for one in result.measures[1:]:
        (told,) = [each for each in one.remarks if "rank test" in each]
        assert "before correction" in told.lower()


def test_one_sentence_says_what_is_claimed_of_the_other_measures():
    result = compare_runs(example.season({"shake": 6, "steep": 6}, scatter=0.02, **BETTER))
    told = others_sentence(result.measures)
    claimed = [one for one in result.measures[1:] if one.verdict in ("wins", "differ")]
    assert {one.measure.key for one in claimed} == {"extracted:carotenoids", "obtained"}
    assert f"{len(claimed)} differ: all carotenoids extracted (shake wins)" in told
    assert f"For {len(result.measures) - 1 - len(claimed)} the data cannot tell" in told
    assert told in comparison_html(result) and result.record()["others"] == told
    assert told in re.sub(r"\n\s+", " ", terminal_comparison(result))
    nothing = compare_runs(example.season({"shake": 4, "steep": 4}))
    assert "none is told apart" in others_sentence(nothing.measures)
    assert others_sentence(nothing.measures[:1]) == ""
    single = compare_runs(example.season({"a": 1, "b": 1}, blocks=("",)))
    assert others_sentence(single.measures).startswith("No other measure could be compared")


def test_runs_that_lack_a_measure_are_named_beside_its_conclusion():
    records = example.season({"shake": 6, "steep": 6})
    for row in records[0]["fractions"][1]["pigments"]:
        row["recovery"] = None
    one = compare_runs(records).measure("recovery")
    assert one.missing == ("shake-0",)
    assert "shake-0 gives no value. Where a run gives none" in " ".join(one.remarks)


def test_few_degrees_of_freedom_make_the_split_of_the_variance_rough():
    few, more = (compare_runs(example.season({"a": n, "b": n}, blocks=("",))) for n in (2, 8))
    assert "this split is rough" in " ".join(few.primary.remarks)
    assert "this split is rough" not in " ".join(more.primary.remarks)


# Runs that are less comparable


def test_another_basis_is_left_out_of_what_is_per_gram():
    records = example.season({"shake": 5, "steep": 5})
    records[0]["run"]["tissue_basis"] = "dry"
    for row in records[0]["fractions"][0]["pigments"]:
        row["content_ug_per_g"] *= 10
    result = compare_runs(records)
    (out,) = [point for point in result.primary.points if point.left_out]
    assert out.run == "shake-0" and out.left_out == "dry weight, the others fresh"
    assert result.primary.method("shake").count == 4
    assert result.measure("closure:carotenoids").method("shake").count == 5
    assert "other-basis" in [flag.code for flag in result.flags]
    assert "Left out, because per gram of another basis: shake-0." in result.primary.remarks


def test_methods_on_different_bases_are_not_compared():
    records = example.season({"shake": 4, "steep": 4}, basis={"shake": "fresh", "steep": "dry"})
    result = compare_runs(records)
    assert result.primary.verdict == "not comparable"
    assert "steep: dry weight" in result.sentences[0]
    assert result.measure("closure:carotenoids").verdict == "cannot tell"


def test_other_versions_are_marked_and_the_conclusion_is_tried_without():
    records = example.season({"shake": 6, "steep": 6}, **BETTER)
    records[3]["library_version"] = "1"
    result = compare_runs(records)
    assert [mark.run for mark in result.marks] == ["shake-6"]
    told = " ".join(result.primary.remarks)
    assert "shake-6 was analysed with other versions." in told
    assert "Without this run the conclusion is the same." in told
    odd = example.season({"shake": 4, "steep": 4}, library={"shake": "1", "steep": "2"}, **BETTER)
    told = " ".join(compare_runs(odd).primary.remarks)
    assert "there is nothing left to compare, so the conclusion rests on them" in told


def test_errors_of_two_libraries_do_not_cancel():
    same = compare_runs(example.season({"shake": 5, "steep": 5}, scatter=0.02))
    records = example.season({"shake": 5, "steep": 5}, scatter=0.02, library={"steep": "3"})
    for record in records[:5]:
        record["library_version"] = "2"
    other = compare_runs(records)
    one, two = (each.primary.differences[0] for each in (same, other))
    assert one.difference == pytest.approx(two.difference)
    assert two.standard_error > 1.5 * one.standard_error
    assert two.foreign_part > 0.4 > one.foreign_part == 0.0


def test_failed_qualification_and_estimate_grades_are_marked():
    records = example.season({"shake": 4, "steep": 4})
    records[0]["instrument"] = [{"code": "qualification-failed", "severity": "warn", "message": ""}]
    records[1]["fractions"][1]["flags"] = [
        {"code": "estimate-grade", "severity": "warn", "message": ""}
    ]
    result = compare_runs(records)
    assert {(mark.run, mark.kind) for mark in result.marks} == {
        ("shake-0", "qualification"),
        ("shake-2", "estimate-grade"),
    }
    assert "qualification-failed" in [flag.code for flag in result.flags]
    assert "without published scale" in " ".join(result.measure("share").remarks)
    assert "without published scale" not in " ".join(result.primary.remarks)


def test_a_failed_qualification_reaches_a_comparison_through_the_record(tmp_path):
    """`analyse` writes what it finds of the instrument; `compare` needs it to mark the run."""
    from specfrac.many_runs import run_jobs, write_run

    folder = tmp_path / "steep-1"
    shutil.copytree(Path(__file__).parents[1] / "demo" / "steep-1", folder)
    failed = {"format": 1, "passed": False, "date": "2026-03-01", "sentence": "stray light"}
    (folder / "qualification.json").write_text(json.dumps(failed), encoding="utf-8")
    (job,) = run_jobs([folder])
    write_run(job)
    assert "qualification-failed" in read_record(folder).flag_codes


def test_an_outlier_is_named_kept_and_tried_without():
    records = example.season({"shake": 8, "steep": 8}, scatter=0.03, seed=4, **BETTER)
    lost = records[2]
    for row in lost["fractions"][0]["pigments"]:
        row["content_ug_per_g"] *= 0.4
    result = compare_runs(records)
    assert result.primary.method("shake").count == 8
    told = " ".join(result.primary.remarks)
    assert re.search(r"shake-4 \(Grubbs p [=<] [\d.]+\) lies far from the other runs", told)
    assert "was kept. Left out, the conclusion" in told
    assert "outlying-run" in [flag.code for flag in result.flags]


def test_a_run_given_twice_counts_once():
    records = example.season({"shake": 3, "steep": 3})
    result = compare_runs([*records, copy.deepcopy(records[0])])
    assert len(result.runs) == 6
    assert "same-run-twice" in [flag.code for flag in result.flags]


def test_runs_without_method_are_named_and_left_out():
    records = example.season({"shake": 3, "steep": 3})
    records[0]["run"]["method"] = " "
    result = compare_runs(records)
    assert len(result.runs) == 5
    assert [flag.message for flag in result.flags if flag.code == "no-method"]
    for record in records:
        record["run"]["method"] = ""
    with pytest.raises(InputError, match="no run to compare"):
        compare_runs(records)


def test_alike_method_names_settings_and_targets_are_pointed_out():
    records = example.season({"Shake": 3, "shake": 3})
    records[0]["settings"] = {"linear_limit": 1.5}
    records[1]["run"]["target_pigment"] = "lutein"
    codes = {flag.code for flag in compare_runs(records).flags}
    assert {"similar-method-names", "other-settings", "other-target"} <= codes


# Over time


def test_control_charts_name_the_points_that_break_them():
    records = example.season({"shake": 12, "steep": 12}, scatter=0.02)
    rng = np.random.default_rng(1)
    for at, record in enumerate(sorted(records, key=lambda one: one["run"]["date"])):
        value = 2.0 + 0.01 * rng.standard_normal() - (0.3 if at == 15 else 0.0)
        record["fractions"].append(
            {
                "name": "stored carotene",
                "role": "standard",
                "flags": [],
                "pigments": [{"concentration_unconstrained_mg_per_L": value}],
            }
        )
    result = compare_runs(records)
    chart = result.charts[0]
    assert chart.key == "check:stored carotene" and len(chart.points) == 24
    beyond = [p.run for p in chart.points if "beyond the action limit" in p.broken]
    assert beyond == [chart.points[15].run]
    assert chart.points[15].run in chart.sentence
    assert any(flag.code == "out-of-control" for flag in result.flags)
    assert {"closure:coloured-pigment", "ratio:chlorophylls"} <= {c.key for c in result.charts}


def test_few_or_undated_points_make_no_chart():
    records = example.season({"shake": 2, "steep": 2})
    assert compare_runs(records).charts == ()
    records = example.season({"shake": 6, "steep": 6})
    records[0]["run"]["date"] = None
    result = compare_runs(records)
    assert len(result.charts[0].points) == 11
    assert "not-charted" in [flag.code for flag in result.flags]


# Reading


def written(folder, records):
    paths = []
    for record in records:
        path = folder / record["run"]["title"] / "specfrac-results" / "result.json"
        path.parent.mkdir(parents=True)
        path.write_text(json.dumps(record), encoding="utf-8")
        paths.append(path)
    return paths


def test_records_are_found_by_file_results_or_run_folder(tmp_path):
    import hashlib

    (path,) = written(tmp_path, example.season({"shake": 1}))
    for given in (path, path.parent, path.parent.parent):
        summary = read_record(given)
        assert summary.name == "shake-0"
        assert summary.inputs[0].path == "shake-0/specfrac-results/result.json"
        assert summary.inputs[0].sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
        assert [digest.path for digest in summary.inputs[1:]] == ["run.toml", "scans/crude.csv"]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("{", "this is not JSON"),
        ("[1]", "this is not the record of a run"),
        ('{"format": 99, "run": {}, "fractions": []}', "has format 99, but this version reads"),
        ('{"format": 1, "run": [], "fractions": []}', "damaged"),
        ('{"format": 1, "run": {}, "fractions": [{"role": "loaded", "pigments": [3]}]}', "damaged"),
    ],
)
def test_broken_records_say_which_file_and_why(tmp_path, content, message):
    path = tmp_path / "result.json"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match=message) as caught:
        read_record(path)
    assert "result.json" in str(caught.value)


def test_a_folder_without_record_says_what_to_do(tmp_path):
    with pytest.raises(InputError, match="Analyse the run first: specfrac analyse"):
        read_record(tmp_path)
    with pytest.raises(InputError, match="no such file or folder"):
        read_record(tmp_path / "nothing")


def test_other_things_are_refused_by_name():
    with pytest.raises(InputError, match="run 1 is str"):
        compare_runs(["folder"])
    with pytest.raises(InputError, match="no run to compare"):
        compare_runs([])
    with pytest.raises(InputError, match=r"scale is 'logs'\. Did you mean 'log'"):
        compare_runs(example.season({"a": 2}), scale="logs")
    with pytest.raises(InputError, match=r"'powr' is not known\. Did you mean 'power'"):
        compare_runs(example.season({"a": 2}), settings={"powr": 0.9})


def test_records_results_and_generators_give_the_same(tmp_path):
    records = example.season({"shake": 4, "steep": 4})
    paths = written(tmp_path, records)
    from_files = compare_runs(read_record(path) for path in paths)
    from_data = compare_runs(records)
    from_summaries = compare_runs([summarise_run(r, name=r["run"]["title"]) for r in records])
    for one, two, three in zip(
        from_files.measures, from_data.measures, from_summaries.measures, strict=True
    ):
        assert one.sentence == two.sentence == three.sentence


def test_the_order_of_the_runs_does_not_matter():
    records = example.season({"shake": 5, "steep": 4, "stir": 3})
    one, two = compare_runs(records), compare_runs(records[::-1])
    assert one.sentences == two.sentences
    assert comparison_html(one) == comparison_html(two)


# Files


@pytest.fixture(scope="module")
def result():
    records = example.season(
        {"shake <b>": 6, "=steep": 6}, effect={"=steep": {"beta-carotene": 0.7}}
    )
    records[0]["run"]["tissue_basis"] = "dry"
    records[1]["balance"]["rows"][0]["lower_bound"] = True
    return compare_runs(records)


def test_all_files_are_written_the_same_twice(result, tmp_path):
    first, second = (write_comparison(result, tmp_path / name) for name in "ab")
    assert [path.name for path in first] == [
        "compare.html",
        "comparison.json",
        "comparison-runs.csv",
        "comparison-values.csv",
        "comparison-methods.csv",
        "comparison-differences.csv",
        "comparison-charts.csv",
    ]
    for one, two in zip(first, second, strict=True):
        assert one.read_bytes() == two.read_bytes(), one.name
    assert sorted(path.name for path in (tmp_path / "a").iterdir()) == sorted(p.name for p in first)


def test_the_record_names_every_input(result, tmp_path):
    write_comparison(result, tmp_path)
    record = json.loads((tmp_path / "comparison.json").read_text(encoding="utf-8"))
    assert record["format"] == 1 and record["kind"] == "comparison"
    assert record["primary"]["sentence"] == result.primary.sentence
    for run in record["runs"]:
        assert len(run["inputs"]) == 2
        assert all(re.fullmatch("[0-9a-f]{64}", one["sha256"]) for one in run["inputs"])
    assert len(record["measures"]) == len(result.measures)


def test_tables_are_tidy_and_harmless(result, tmp_path):
    write_comparison(result, tmp_path)

    def table(name):
        text = (tmp_path / f"comparison-{name}.csv").read_text(encoding="utf-8")
        return list(csv.DictReader(io.StringIO(text)))

    assert len(table("runs")) == 12
    values = table("values")
    assert len(values) == sum(len(one.points) for one in result.measures)
    assert {row["method"] for row in values} == {"shake <b>", "'=steep"}
    assert sum(row["takes_part"] == "no" for row in values) > 0
    assert {row["bound"] for row in values} == {"", "above"}
    pairs = table("differences")
    assert float(pairs[0]["low"]) < float(pairs[0]["difference"]) < float(pairs[0]["high"])
    assert pairs[0]["winner"] == "shake <b>"
    assert len(table("methods")) == sum(len(one.methods) for one in result.measures)
    assert len(table("charts")) == sum(len(chart.points) for chart in result.charts)


def test_the_page_stands_alone_and_is_well_formed(result):
    import html.parser

    page = comparison_html(result)
    assert "<b>" not in re.sub(r"<(/?)b>(?=[A-Zβ])", "", page).split("shake ")[1][:10]
    assert "shake &lt;b&gt;" in page
    for outside in ("http://", "https://"):
        assert outside not in page.replace("http://www.w3.org/2000/svg", "")
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    targets = re.findall(r'href="#([^"]+)"', page)
    assert targets and set(targets) <= set(ids)

    class Balance(html.parser.HTMLParser):
        void = frozenset({"meta", "br", "wbr", "col", "hr", "input", "link"})

        def __init__(self):
            super().__init__()
            self.open = []

        def handle_starttag(self, name, attributes):
            if name not in self.void:
                self.open.append(name)

        def handle_endtag(self, name):
            assert self.open.pop() == name

    parser = Balance()
    parser.feed(page)
    assert parser.open == []


def test_every_picture_says_what_it_shows(result):
    page = comparison_html(result)
    labels = re.findall(r'role="img" aria-label="([^"]+)"', page)
    assert len(labels) >= len(result.measures) + len(result.charts)
    assert all(label.strip() for label in labels)


def test_the_terminal_shows_answer_and_table(result):
    told = terminal_comparison(result)
    assert "shake <b> wins over =steep" in " ".join(told.split())
    assert "extracted:beta-carotene *" in told
    assert "\x1b" not in told
    assert max(len(line) for line in told.splitlines() if " wins over " in line) <= 96


def test_a_notebook_shows_the_answer(result):
    shown = result._repr_html_()
    assert "shake &lt;b&gt; wins" in shown and 'href="#measure' not in shown


def test_frames_carry_the_same_numbers(result):
    frame = result.differences_frame()
    first = frame[frame["measure"] == "extracted:beta-carotene"].iloc[0]
    assert first["difference"] == result.primary.differences[0].difference
    assert set(result.values_frame()["measure"]) == {one.measure.key for one in result.measures}
    assert list(result.runs_frame()["run"]) == [run.name for run in result.runs]
    assert len(result.methods_frame()) and len(result.charts_frame())


def test_limits_of_a_comparison_can_be_set_on_the_command_line(tmp_path, capsys):
    from specfrac.cli import main

    paths = [str(path) for path in written(tmp_path, example.season({"a": 4, "b": 4}))]
    common = ["compare", *paths, "--out", str(tmp_path / "out")]
    assert main([*common, "--set", "wanted_difference=0.3", "--set", "power=0.9"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "with a chance of 90 %" in told and "to find 30 % of the mean takes" in told
    record = json.loads((tmp_path / "out" / "comparison.json").read_text(encoding="utf-8"))
    assert record["settings"]["power"] == 0.9
    assert "set by the user" in (tmp_path / "out" / "compare.html").read_text(encoding="utf-8")
    for words, message in (
        ("power", "Write name=value"),
        ("power=high", "Write name=value"),
        ("power=2", "must lie between 0.5 and 0.999"),
        ("powr=0.9", "Did you mean 'power'"),
        ("power=nan", "must lie between"),
    ):
        assert main([*common, "--set", words]) == 1
        assert message in capsys.readouterr().err


def test_a_failed_write_leaves_nothing(result, tmp_path):
    target = tmp_path / "file"
    target.write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="cannot be written"):
        write_comparison(result, target)
    assert target.read_text(encoding="utf-8") == "mine"


# Promises, in small; the large study is tests/benchmarks/bench_compare.py


def test_equal_methods_are_seldom_called_different():
    rng = np.random.default_rng(11)
    claims = 0
    for _ in range(400):
        values = {
            name: 50 + rng.uniform(2, 10) * rng.standard_normal(rng.integers(3, 13))
            for name in "ab"
        }
        claims += compared(values, scale="linear").verdict == "wins"
    # 95 % of binomial samples of 400 at 5 % lie within 3.0 to 7.3 %
    assert 0.03 <= claims / 400 <= 0.073


def test_a_difference_is_found_as_often_as_predicted():
    from specfrac.compare.power import Precision, detectable_difference

    rng = np.random.default_rng(12)
    precision = Precision(((25 / 6, 5.0), (25 / 6, 5.0)))
    wanted = detectable_difference(precision, significance=0.05, power=0.8)
    found = 0
    for _ in range(400):
        values = {
            "a": 50 + wanted + 5 * rng.standard_normal(6),
            "b": 50 + 5 * rng.standard_normal(6),
        }
        found += compared(values, scale="linear").winner == "a"
    assert found / 400 == pytest.approx(0.8, abs=0.05)
