"""The demo's season: one true difference between the methods, and the sentence says just that.

The truth is the scenario of `demo/make_demo.py`: of the leaf's beta-carotene shaking brings
94 % into solution and steeping 70 %; of every other pigment both bring 92 %. Only the
extracts are analysed here, which are what the methods differ in; the columns take longer.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from specfrac.compare import compare_runs, comparison_html
from specfrac.compare.sentences import others_sentence
from specfrac.run import analyse_run
from specfrac.sheet import read_run

DEMO = Path(__file__).parents[1] / "demo"
SHAKE, STEEP = "cold shaking with glass beads", "warm steeping of leaf strips"
TRUE_RATIO = 0.94 / 0.70


def folders():
    return sorted(p.parent for p in (*DEMO.glob("*/run.toml"), *DEMO.glob("season/*/run.toml")))


def extract_only(folder):
    run = read_run(folder)
    loaded = tuple(one for one in run.fractions if one.role == "loaded")
    return analyse_run(replace(run, fractions=loaded))


@pytest.fixture(scope="module")
def comparison():
    return compare_runs(extract_only(folder) for folder in folders())


def true_contents(pigments):
    """µg per g of tissue that each run truly extracted, by method."""
    found = {"shake": [], "steep": []}
    for folder in (DEMO, DEMO / "season"):
        totals = {}
        with (folder / "truth.csv").open(encoding="utf-8", newline="") as stream:
            for row in csv.DictReader(stream):
                if row["tube"] == "crude" and row["pigment"] in pigments:
                    content = float(row["content_ug_per_g"])
                    totals[row["run"]] = totals.get(row["run"], 0.0) + content
        for run, total in totals.items():
            found[run.split("-")[0]].append(total)
    return found


def test_six_runs_a_method_in_two_blocks(comparison):
    assert len(comparison.runs) == 12
    assert comparison.methods == (SHAKE, STEEP)
    assert comparison.blocks == ("lot 1", "lot 2")
    assert [held.count for held in comparison.primary.methods] == [6, 6]
    assert comparison.primary.design.kind == "blocked"


def test_the_true_difference_is_found_and_named(comparison):
    one = comparison.primary
    assert one.measure.key == "extracted:beta-carotene"
    assert (one.verdict, one.winner) == ("wins", SHAKE)
    assert one.sentence.startswith(f"β-carotene extracted: {SHAKE} wins over {STEEP}, ")
    (pair,) = one.differences
    assert pair.ratio_interval[0] < TRUE_RATIO < pair.ratio_interval[1]
    truth = true_contents(["beta-carotene"])
    difference = np.mean(truth["shake"]) - np.mean(truth["steep"])
    assert pair.interval[0] < difference < pair.interval[1]


@pytest.mark.parametrize(
    "key", ["chlorophyll-a", "chlorophyll-b", "chlorophyll-a-pool", "lutein", "violaxanthin"]
)
def test_where_there_is_no_difference_none_is_claimed(comparison, key):
    one = comparison.measure(f"extracted:{key}")
    assert one.verdict == "cannot tell"
    assert f"the data cannot tell {SHAKE} and {STEEP} apart" in one.sentence


def test_the_report_claims_just_that(comparison):
    """Of all measures only those that hold the carotene may differ, and one sentence says so."""
    claimed = {one.measure.key for one in comparison.measures if one.verdict in ("wins", "differ")}
    hold_it = {"beta-carotene", "carotenoids", "coloured-pigment"}
    assert "extracted:beta-carotene" in claimed
    assert claimed <= {f"extracted:{name}" for name in hold_it}
    told = others_sentence(comparison.measures)
    page = comparison_html(comparison)
    assert told in page
    open_ones = len(comparison.measures) - len(claimed)
    assert f"{open_ones} the data cannot tell" in told or "none is told apart" in told


def test_two_runs_a_method_claim_no_more_than_two_pairs_can(comparison):
    """The first two runs of each method are two pairs: one degree of freedom, whatever is stated.

    A paired t test of them, by hand, is the least that any p-value may be.
    """
    pairs = [run for run in comparison.runs if run.name.endswith(("-1", "-2"))]
    one = compare_runs(pairs).primary
    assert one.design.kind == "paired"
    (pair,) = one.differences
    values = {(p.method, p.block): p.value.value for p in one.used}
    gaps = [values[SHAKE, lot] - values[STEEP, lot] for lot in ("lot 1", "lot 2")]
    t = np.mean(gaps) / (abs(gaps[0] - gaps[1]) / 2)
    bare = 1 - 2 * np.arctan(t) / np.pi  # Student's t with one degree of freedom
    assert pair.df == pytest.approx(1.0)
    assert pair.p_value >= bare > 1e-4


def test_runs_of_one_lot_are_not_taken_for_runs_of_one_method(comparison):
    """Both lots hold runs of both methods; without one lot's partner there is no verdict."""
    lonely = [run for run in comparison.runs if (run.method == SHAKE) == (run.block == "lot 1")]
    one = compare_runs(lonely).primary
    assert one.verdict == "confounded"
