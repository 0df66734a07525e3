"""Statistics of a comparison by laws and by exhaustive counting; published values stand in
tests/external/test_statistics.py."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, special, stats

from specfrac.compare.censored import censored_mean
from specfrac.compare.charts import control_chart, individuals_limits
from specfrac.compare.design import design
from specfrac.compare.drawing import Axis, axis_for
from specfrac.compare.known_errors import chance_beyond, half_width, half_widths
from specfrac.compare.limits import changed_limits, default_limits
from specfrac.compare.measures import Measure
from specfrac.compare.power import (
    Precision,
    detectable_difference,
    planned,
    power,
    runs_needed,
)
from specfrac.compare.scatter import between_variance, scatter
from specfrac.compare.statistics import (
    adjusted_means,
    fieller,
    grubbs,
    hedges_factor,
    holm,
    interaction_test,
    line,
    log_scale_gain,
    one_way_anova,
    rank_test,
    scores,
)
from specfrac.compare.wording import (
    interval_words,
    number,
    p_words,
    percent_words,
    ratio_words,
    unit_of,
)
from specfrac.errors import InputError

MASS = Measure("extracted:x", "extracted", "x extracted", "µg/g", "higher")
SHARE = Measure("share", "share", "share", "", "higher")


# Layout of methods and blocks


@pytest.mark.parametrize(
    ("methods", "blocks", "kind", "groups"),
    [
        ("aabb", ["", "", "", ""], "unpaired", (("a", "b"),)),
        ("aabb", ["1", "1", "1", "1"], "unpaired", (("a", "b"),)),
        ("abab", ["1", "1", "2", "2"], "paired", (("a", "b"),)),
        ("ababab", ["1", "1", "2", "2", "2", "1"], "blocked", (("a", "b"),)),
        ("aabb", ["1", "1", "2", "2"], "confounded", (("a",), ("b",))),
        ("abbc", ["1", "1", "2", "2"], "blocked", (("a", "b", "c"),)),
        ("abcd", ["1", "1", "2", "2"], "blocked", (("a", "b"), ("c", "d"))),
        ("aab", ["1", "", ""], "confounded", (("a",), ("b",))),
    ],
)
def test_designs(methods, blocks, kind, groups):
    found = design(list(methods), blocks)
    assert (found.kind, found.groups) == (kind, groups)


def test_runs_alone_in_their_block_are_known():
    found = design(["a", "b", "a", "b"], ["1", "1", "2", ""])
    assert found.alone == (2, 3)
    assert found.linked("a", "b")


# Adjusted means


def test_one_run_of_a_method_leaves_no_verdict():
    found = adjusted_means([1.0, 2.0, 2.1], [0, 1, 1])
    assert math.isnan(found.variance([1, -1])) and math.isnan(found.df([1, -1]))


def test_adjusted_means_take_blocks_out_exactly():
    """Additive data without error: the difference of methods is found whatever the layout."""
    rng = np.random.default_rng(1)
    methods, blocks = np.array([0, 0, 1, 1, 1, 2, 0, 2, 1]), np.array([0, 1, 0, 1, 1, 2, 2, 1, 2])
    effect, shift = np.array([3.0, 5.0, -1.0]), rng.normal(0, 10, 3)
    found = adjusted_means(effect[methods] + shift[blocks], methods, blocks)
    assert found.means - found.means[0] == pytest.approx(effect - effect[0], abs=1e-9)
    assert found.means == pytest.approx(effect + shift.mean(), abs=1e-9)


def test_the_variance_within_blocks_is_unbiased_when_methods_scatter_alike():
    rng = np.random.default_rng(2)
    methods, blocks = np.array([0, 0, 1, 1, 0, 1, 1, 0]), np.array([0, 0, 0, 1, 1, 1, 2, 2])
    found = [
        adjusted_means(rng.standard_normal(8) + 5 * blocks, methods, blocks) for _ in range(3000)
    ]
    estimated = np.mean([one.variance([1, -1]) for one in found])
    actual = np.var([one.means[0] - one.means[1] for one in found])
    # relative standard deviation of a variance of 3000 is 2.6 %
    assert estimated == pytest.approx(actual, rel=0.08)


def test_an_interaction_is_seen_and_its_absence_too():
    rng = np.random.default_rng(3)
    m, b = np.tile([0, 1], 12), np.repeat([0, 1, 2], 8)
    noise = 0.1 * rng.standard_normal(24)
    assert interaction_test(m + b + noise, m, b).p_value > 0.05
    assert interaction_test(m * b + noise, m, b).p_value < 1e-6
    assert math.isnan(interaction_test([1.0, 2, 3, 4], [0, 1, 0, 1], [0, 0, 1, 1]).p_value)


# Ratios


@given(st.floats(0.5, 2.0), st.floats(0.01, 0.2), st.floats(0.01, 0.2))
@settings(max_examples=50, deadline=None)
def test_fieller_holds_exactly_the_accepted_ratios(ratio, first, second):
    a, b, q = 10 * ratio, 10.0, 2.3
    covariance = np.diag([(first * a) ** 2, (second * b) ** 2])
    low, high = fieller(a, b, covariance, q)
    for rho in (low, high):
        spread = math.sqrt(covariance[0, 0] + rho**2 * covariance[1, 1])
        assert abs(a - rho * b) == pytest.approx(q * spread, rel=1e-6)
    assert low < a / b < high


def test_a_ratio_to_nothing_has_no_interval():
    assert all(map(math.isnan, fieller(5.0, 0.1, np.eye(2), 2.0)))


# Scatter between runs


@given(st.lists(st.floats(-5, 5), min_size=3, max_size=12), st.floats(0.1, 3))
@settings(max_examples=60, deadline=None)
def test_with_equal_uncertainties_the_rest_is_the_difference(values, u):
    """REML has the closed form max(s² - u², 0) when all variances within are equal."""
    y = np.array(values)
    expected = max(float(np.var(y, ddof=1)) - u * u, 0.0)
    found = between_variance(y, np.full(y.size, u * u), np.ones((y.size, 1)))
    assert found == pytest.approx(expected, rel=1e-4, abs=1e-5 * (1 + float(np.var(y))))


def test_the_rest_is_found_on_average():
    rng = np.random.default_rng(4)
    own = rng.uniform(0.5, 2.0, 30)
    found = [
        scatter(1.5 * rng.standard_normal(30) + own * rng.standard_normal(30), own).between ** 2
        for _ in range(400)
    ]
    assert np.mean(found) == pytest.approx(1.5**2, rel=0.08)


def test_scatter_from_measurement_alone_is_recognised():
    rng = np.random.default_rng(5)
    chances = [scatter(rng.standard_normal(8), np.ones(8)).p_excess for _ in range(400)]
    assert np.mean(np.array(chances) < 0.1) == pytest.approx(0.1, abs=0.05)
    calm = scatter(0.05 * rng.standard_normal(8), np.ones(8))
    assert calm.between == 0.0 and calm.p_deficit < 1e-6
    assert calm.measurement_share == 1.0
    unknown = scatter([1.0, 2.0, 4.0], [0.1, math.nan, 0.1])
    assert unknown.total > 0 and math.isnan(unknown.between)


# Power


@pytest.mark.parametrize("df", [1.0, 2.5, 8.0, 60.0])
def test_the_detectable_difference_has_the_wanted_power(df):
    precision = Precision(((4.0, df),))
    found = detectable_difference(precision, significance=0.05, power=0.8)
    assert power(found, precision, significance=0.05) == pytest.approx(0.8, abs=1e-5)
    assert power(0.0, precision, significance=0.05) == pytest.approx(0.05, abs=1e-9)


# Two unpaired groups, 80 % power, 5 %, in percent of the mean at a relative standard
# deviation of 10 %: computed by others for planning in this trade, rounded to whole percent,
# with one variance for both groups.
@pytest.mark.parametrize(("runs", "percent"), [(3, 31), (5, 20), (8, 15), (12, 12), (20, 9)])
def test_a_planning_table_is_reproduced(runs, percent):
    pooled = Precision(((100 * 2 / runs, 2.0 * runs - 2),))
    found = detectable_difference(pooled, significance=0.05, power=0.8)
    assert found == pytest.approx(percent, abs=0.8)


def test_averaging_over_one_variance_is_the_noncentral_t():
    """The average over the estimate's distribution against scipy's own distribution."""
    one, same = Precision(((1.0, 5.0),)), Precision(((1.0, 5.0), (0.0, 5.0)))
    for difference in (0.0, 1.0, 3.0, 6.0):
        expected = power(difference, one, significance=0.05)
        assert power(difference, same, significance=0.05) == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize(("counts", "spreads"), [((3, 3), (1, 1)), ((4, 9), (2, 1))])
def test_the_power_of_the_welch_test_is_what_simulation_finds(counts, spreads):
    rng = np.random.default_rng(10)
    parts = [(float(s**2 / n), n - 1.0) for n, s in zip(counts, spreads, strict=True)]
    difference = 2.5
    samples = [s * rng.standard_normal((20_000, n)) for n, s in zip(counts, spreads, strict=True)]
    p = stats.ttest_ind(samples[0] + difference, samples[1], axis=1, equal_var=False).pvalue
    found = power(difference, Precision(tuple(parts)), significance=0.05)
    assert np.mean(p < 0.05) == pytest.approx(found, abs=0.012)


def test_runs_needed_are_the_fewest_that_do():
    needed = runs_needed(2.0, 1.0, 1.5, significance=0.05, power=0.8)
    assert needed is not None

    def reached(n):
        return power(2.0, planned(n, 1.0, 1.5), significance=0.05)

    assert reached(needed) >= 0.8 > reached(needed - 1)
    paired = runs_needed(2.0, 1.0, 1.5, significance=0.05, power=0.8, paired=True)
    assert paired is not None and paired >= needed
    assert runs_needed(0.001, 1.0, 1.0, significance=0.05, power=0.8) is None
    assert runs_needed(2.0, 0.0, 0.0, significance=0.05, power=0.8) is None


# A known error beside an estimated one


@pytest.mark.parametrize(("s", "tau", "d"), [(1.0, 1.0, 3.0), (0.2, 1.0, 4.0), (1.0, 0.3, 20.0)])
def test_with_one_degree_of_freedom_the_sum_is_a_voigt_profile(s, tau, d):
    """Student's t with one df is a Cauchy variable; scipy has its sum with a normal one."""
    inside = integrate.quad(special.voigt_profile, 0.0, d, args=(tau, s), epsabs=1e-12)[0]
    assert chance_beyond(d, s**2, 1.0, tau**2) == pytest.approx(1 - 2 * inside, rel=1e-6)


@pytest.mark.parametrize(("df", "methods"), [(1.6, 2), (4.0, 2), (30.0, 2), (4.0, 3), (9.0, 5)])
def test_a_known_error_of_next_to_nothing_changes_nothing(df, methods):
    for size in (0.5, 2.0, 5.0):
        bare = chance_beyond(size, 1.0, df, methods=methods)
        assert chance_beyond(size, 1.0, df, 1e-12, methods=methods) == pytest.approx(bare, rel=1e-5)
    if methods == 2:
        assert bare == pytest.approx(2 * stats.t.sf(5.0, df), rel=1e-9)
    else:
        expected = stats.studentized_range.sf(5.0 * math.sqrt(2), methods, df)
        assert bare == pytest.approx(expected, rel=1e-9)


@given(st.floats(0.05, 5), st.floats(1, 40), st.floats(0.01, 9), st.floats(0.1, 30))
@settings(max_examples=60, deadline=None)
def test_a_known_error_never_makes_a_difference_more_significant(variance, df, known, size):
    bare = chance_beyond(size, variance, df)
    assert chance_beyond(size, variance, df, known) >= bare * (1 - 1e-5) - 1e-12
    width = half_width(variance, df, known, coverage=0.95)
    assert width >= half_width(variance, df, coverage=0.95) * (1 - 1e-5)
    assert chance_beyond(width, variance, df, known) == pytest.approx(0.05, rel=1e-6)
    (fast,) = half_widths([variance], [df], known, 0.05)
    assert fast == pytest.approx(width, rel=1e-3)


def test_many_runs_and_a_known_error_give_the_normal_distribution():
    found = half_width(1.0, 1e7, 3.0, coverage=0.95)
    assert found == pytest.approx(2 * stats.norm.ppf(0.975), rel=1e-4)
    # of three methods, the range of three normal means
    several = half_width(1.0, 1e7, 3.0, coverage=0.95, methods=3)
    assert several == pytest.approx(
        2 * stats.studentized_range.ppf(0.95, 3, math.inf) / math.sqrt(2), rel=1e-3
    )


def test_without_scatter_nothing_is_said():
    assert math.isnan(chance_beyond(1.0, 0.0, 3.0, 1.0))
    assert math.isnan(half_width(0.0, math.nan, 1.0, coverage=0.95))


@pytest.mark.parametrize(("pairs", "tau"), [(2, 0.5), (2, 2.0), (3, 1.0), (6, 0.7)])
def test_intervals_of_few_runs_and_a_shared_error_hold_the_truth(pairs, tau):
    """With Welch and Satterthwaite's degrees of freedom two pairs hold it in 89 % only."""
    rng = np.random.default_rng(14)
    held = 0
    for _ in range(1500):
        error = rng.standard_normal(pairs)
        variance = float(np.var(error, ddof=1)) / pairs
        known = tau**2 / pairs
        off = abs(float(error.mean()) + math.sqrt(known) * rng.standard_normal())
        held += off <= half_width(variance, pairs - 1.0, known, coverage=0.95)
    assert held / 1500 >= 0.95 - 2 * math.sqrt(0.95 * 0.05 / 1500)


# Ranks


def all_arrangements(values, first):
    """p of the sum of ranks by going through every arrangement."""
    ranks = stats.rankdata(values)
    centre = first * (len(values) + 1) / 2
    seen = abs(ranks[:first].sum() - centre)
    sums = [
        abs(ranks[list(chosen)].sum() - centre)
        for chosen in itertools.combinations(range(len(values)), first)
    ]
    return np.mean(np.array(sums) >= seen - 1e-9)


@given(st.lists(st.integers(0, 6), min_size=5, max_size=9))
@settings(max_examples=60, deadline=None)
def test_rank_tests_of_two_methods_are_exact_also_with_ties(values):
    found = rank_test(values, [0, 0] + [1] * (len(values) - 2))
    assert found.p_value == pytest.approx(all_arrangements(np.array(values, dtype=float), 2))


def test_attainable_p_values():
    assert rank_test([1, 2, 3, 4, 5, 6], [0, 0, 0, 1, 1, 1]).attainable_p == 0.1
    pairs = rank_test([1.0, 2, 3, 5, 6, 9], [0, 1, 0, 1, 0, 1], [0, 0, 1, 1, 2, 2])
    assert (pairs.name, pairs.p_value, pairs.attainable_p) == (
        "Wilcoxon's signed ranks",
        0.25,
        0.25,
    )
    tied = rank_test([1.0, 2, 3, 4, 5, 6], [0, 1, 0, 1, 0, 1], [0, 0, 1, 1, 2, 2])
    assert tied.p_value == 0.25


def test_permutation_within_blocks_counts_every_arrangement():
    y, m, b = np.arange(8.0), np.array([0, 0, 1, 1, 0, 0, 1, 1]), np.repeat([0, 1], 4)
    found = rank_test(y, m, b)
    assert found.name == "permutation of scores"
    assert found.p_value == pytest.approx(2 / 36)  # 6 x 6 arrangements, two as far out


def test_many_runs_are_permuted_at_random_and_the_same_way_each_time():
    rng = np.random.default_rng(6)
    y, m, b = rng.standard_normal(60), np.tile([0, 1], 30), np.repeat([0, 1, 2], 20)
    one, two = rank_test(y, m, b), rank_test(y, m, b)
    assert one == two
    shifted = rank_test(y + 2 * m, m, b)
    assert shifted.p_value < 0.002 < one.p_value


def test_more_methods_have_their_rank_tests():
    rng = np.random.default_rng(7)
    m, b = np.tile([0, 1, 2], 6), np.repeat(np.arange(6), 3)
    y = m + 10 * b + 0.1 * rng.standard_normal(18)
    assert rank_test(y, m, b).name == "Friedman" and rank_test(y, m, b).p_value < 0.01
    assert rank_test(m + 0.1 * rng.standard_normal(18), m).name == "Kruskal-Wallis"


def test_scores_know_what_is_certain():
    y = np.array([5.0, 5.0, 7.0, 3.0])
    low, high = np.array([True, False, False, False]), np.array([False, False, False, True])
    # "< 5" is surely below 5 and 7, but not against "> 3"; 5 and 7 are not against "> 3" either
    assert scores(y, low, high).tolist() == [-2.0, 0.0, 2.0, 0.0]


# Censored means


def test_without_limits_a_censored_mean_is_the_mean():
    y = [1.0, 2.0, 4.0, 3.5]
    found = censored_mean(y, [False] * 4, [False] * 4)
    assert found.mean == pytest.approx(np.mean(y))
    assert found.uncertainty == pytest.approx(np.std(y, ddof=1) / 2)


def test_censored_means_are_right_on_average():
    rng = np.random.default_rng(8)
    means, pulls = [], []
    for _ in range(200):
        y = rng.normal(10, 2, 25)
        limit = 9.0
        below = y < limit
        found = censored_mean(np.where(below, limit, y), below, np.zeros(25, dtype=bool))
        means.append(found.mean)
        pulls.append((found.mean - 10) / found.uncertainty)
    assert np.mean(means) == pytest.approx(10.0, abs=0.12)
    assert np.std(pulls) == pytest.approx(1.0, abs=0.15)


def test_a_limit_alone_gives_no_mean():
    assert math.isnan(censored_mean([1.0, 1.0], [True, True], [False, False]).mean)


# Corrections, outliers, lines, scale


@given(st.lists(st.floats(0, 1), min_size=1, max_size=8))
def test_holm_lies_between_plain_and_bonferroni(p_values):
    corrected = holm(p_values)
    for p, c in zip(p_values, corrected, strict=True):
        assert p <= c <= min(1.0, len(p_values) * p) + 1e-12
    order = np.argsort(p_values, kind="stable")
    assert all(np.diff(np.array(corrected)[order]) >= 0)
    assert math.isnan(holm([math.nan, 0.5])[0]) and holm([math.nan, 0.5])[1] == 0.5


def test_the_small_sample_factor_is_near_its_usual_approximation():
    for df in (4, 10, 50):
        assert hedges_factor(df) == pytest.approx(1 - 3 / (4 * df - 1), abs=0.003)


def test_grubbs_says_nothing_where_nothing_can_be_said():
    assert math.isnan(grubbs([1.0, 2.0])[2]) and math.isnan(grubbs([3.0] * 5)[2])
    assert grubbs([0.0, 0.0, 0.0, 9.0])[0] == 3


def test_analysis_of_variance_and_lines_refuse_too_little():
    with pytest.raises(InputError, match="at least two groups"):
        one_way_anova([[1.0, 2.0]])
    with pytest.raises(InputError, match=r"more values \(2\) than groups \(2\)"):
        one_way_anova([[1.0], [2.0]])
    with pytest.raises(InputError, match="three points"):
        line([1.0, 1.0, 1.0], [1.0, 2.0, 3.0])


def test_log_scale_gain_does_not_depend_on_the_unit():
    rng = np.random.default_rng(9)
    y, m = np.exp(rng.normal(2, 0.5, 12)), [0, 1] * 6
    assert log_scale_gain(1000 * y, m) == pytest.approx(log_scale_gain(y, m), abs=1e-9)
    assert log_scale_gain([1.0, -1.0, 2.0, 3.0], [0, 0, 1, 1]) == -math.inf


# Control charts


def series(values):
    return [(f"2026-01-{at + 1:02d}", f"run {at}", "a", value) for at, value in enumerate(values)]


def long_series(values):
    return [
        (f"{2020 + at // 28}-01-{at % 28 + 1:02d}", f"{at}", "a", v) for at, v in enumerate(values)
    ]


def test_each_rule_of_a_chart_breaks_where_it_should():
    # alternating about 10: mean range 0.2, so sigma 0.177 and action limits at 10 +- 0.53
    calm = [10 + 0.1 * (-1) ** at for at in range(20)]
    chart = control_chart("check:x", "x", "mg/L", series(calm), default_limits())
    assert not any(point.broken for point in chart.points)
    assert chart.sentence.startswith("All 20 points within limits.")
    far = control_chart("check:x", "x", "", series([*calm, 12.0]), default_limits())
    assert far.points[20].broken[0] == "beyond the action limit"
    assert "1 of 21 points breaks a rule (by chance alone under 1): run 20" in far.sentence
    stay = [*calm, *[10.15 + 0.01 * (-1) ** at for at in range(8)]]
    long = control_chart("check:x", "x", "", series(stay), default_limits())
    assert "a run on one side of the mean" in long.points[-1].broken


def test_chance_breaks_as_many_points_as_stated():
    rng = np.random.default_rng(13)
    charts = [
        control_chart("check:x", "x", "", long_series(rng.standard_normal(200)), default_limits())
        for _ in range(60)
    ]
    broken = np.mean([bool(point.broken) for chart in charts for point in chart.points])
    assert broken == pytest.approx(default_limits()["chart_chance"], abs=0.005)


def test_a_drift_is_told_and_few_points_are_called_rough():
    rising = [10 + 0.05 * at + 0.02 * (-1) ** at for at in range(12)]
    told = control_chart("check:x", "x", "", series(rising), default_limits()).sentence
    assert "It drifts up (p = " in told and "With 12 points the limits are rough." in told
    assert control_chart("check:x", "x", "", series([1.0] * 3), default_limits()) is None
    flat = control_chart("check:x", "x", "", series([1.0] * 8), default_limits())
    assert not any(point.broken for point in flat.points)


@given(st.lists(st.floats(-100, 100), min_size=2, max_size=30), st.floats(0.1, 10))
def test_limits_scale_with_the_values(values, factor):
    one = individuals_limits(values)
    two = individuals_limits([factor * value for value in values])
    assert two.action == pytest.approx([factor * end for end in one.action], rel=1e-9, abs=1e-9)


# Limits, words, axes


def test_limits_refuse_what_is_out_of_range():
    with pytest.raises(InputError, match=r"power is 2, but must lie between 0.5 and 0.999"):
        changed_limits({"power": 2.0})
    assert changed_limits({"power": 0.9}).limits["power"].changed


def test_numbers_are_rounded_by_their_intervals():
    assert number(MASS, 12.3456, 1.234) == "12.3"
    assert interval_words(MASS, (-1.234, 15.678)) == "−1.2 to 15.7"
    assert number(SHARE, 0.12345, 0.0123) == "12.3"
    assert interval_words(SHARE, (math.nan, 1.0)) == "not known"
    assert unit_of(SHARE, difference=True) == "percentage points"
    assert ratio_words(1.2345, (1.1, 1.4)) == "1.23 times as much (1.10 to 1.40)"
    assert ratio_words(math.nan, (1.0, 2.0)) == ""
    assert p_words(math.nan) == "p not known"
    assert percent_words(0.003) == "under 1 %"


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6))
def test_axes_hold_their_values_and_have_round_ticks(low, width):
    axis = axis_for([low, low + width], 0, 100)
    assert 0 <= axis.at(low) < axis.at(low + width) <= 100
    ticks = axis.ticks()
    assert 3 <= len(ticks) <= 9
    assert all(axis.low - 1e-6 * width <= tick <= axis.high + 1e-6 * width for tick in ticks)
    assert isinstance(axis, Axis)
