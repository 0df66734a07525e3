"""What a whole comparison says of published examples, not only the functions behind it."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from specfrac.compare.analysis import Point, compare_measure
from specfrac.compare.charts import control_chart
from specfrac.compare.limits import changed_limits, default_limits
from specfrac.compare.measures import Measure, Value
from specfrac.compare.statistics import one_way_anova

DATA = Path(__file__).parent / "data"
MEASURE = Measure("extracted:x", "extracted", "x", "µg/g", "higher")


def rows(name):
    with (DATA / name).open(encoding="utf-8", newline="") as handle:
        return list(csv.reader(text for text in handle if not text.startswith("#")))[1:]


def groups_of(name):
    found = {}
    for group, value in rows(name):
        found.setdefault(group, []).append(float(value))
    return list(found.values())


def compared(groups):
    """Each value as a run of a method, without uncertainty of its own."""
    points = [
        Point(f"{at}-{number}", f"method {at}", "", Value(value, math.nan))
        for at, group in enumerate(groups)
        for number, value in enumerate(group)
    ]
    return compare_measure(MEASURE, points, default_limits(), primary=True, scale="linear")


def test_welch_anova_of_a_published_example_is_what_a_comparison_reports():
    """F and p of R's oneway.test, as quoted in the tests of scipy."""
    one = compared(
        [
            [-50.42, 40.31, -18.09, 35.58, -6.8, 0.22],
            [23.44, 4.5, 15.1, 9.66],
            [11.94, 11.1, 9.87, 9.09, 3.33],
        ]
    )
    assert one.overall.statistic == pytest.approx(0.609740409019517, rel=1e-12)
    assert one.overall.p_value == pytest.approx(0.574838941286302, rel=1e-12)
    assert one.verdict == "cannot tell"


def test_welch_t_of_a_published_example_is_what_a_comparison_reports():
    """NIST/SEMATECH e-Handbook 1.3.5.3, miles per gallon, from its summaries.

    249 cars with mean 20.14458 and s 6.41470 against 79 with 30.48101 and 6.10771: Welch's
    t -12.94627 with 136.875 degrees of freedom, critical value 1.97745, by algebra from the
    printed summaries.
    """
    samples = []
    for count, mean, spread in ((249, 20.14458, 6.41470), (79, 30.48101, 6.10771)):
        numbers = np.cos(np.arange(1.0, count + 1))
        numbers = (numbers - numbers.mean()) / np.std(numbers, ddof=1)
        samples.append((mean + spread * numbers).tolist())
    one = compared(samples)
    (pair,) = one.differences
    assert pair.difference == pytest.approx(20.14458 - 30.48101, abs=1e-9)
    assert pair.difference / pair.standard_error == pytest.approx(-12.94627, abs=5e-5)
    assert pair.df == pytest.approx(136.875, abs=5e-3)
    half = (pair.interval[1] - pair.interval[0]) / 2
    assert half / pair.standard_error == pytest.approx(1.97745, abs=5e-6)
    assert (one.verdict, one.winner) == ("wins", "method 1")


def test_the_smallest_p_by_tukey_of_the_nist_handbook():
    """NIST/SEMATECH e-Handbook 7.4.7.1: intervals of 3-1, 2-1, 2-4 and 3-4 exclude zero.

    Games-Howell, which a comparison goes by, does not assume that groups scatter alike; of
    the four printed pairs it must keep the clearest, 3 over 1.
    """
    one = compared(groups_of("nist_tukey.csv"))
    assert one.equal_scatter_p == pytest.approx(
        float(stats.tukey_hsd(*groups_of("nist_tukey.csv")).pvalue[2, 0]), rel=1e-6
    )
    found = {(p.first[-1], p.second[-1]): p.significant for p in one.differences}
    assert found["0", "2"]
    assert not found["0", "3"] and not found["1", "2"]  # 1-4 and 2-3 include zero in print, too


# F and mean square of all four groups, p of the first three: computed from the handbook's
# data with another program; its F of the first three, 9.59, is printed.
def test_analysis_of_variance_of_the_nist_handbook_has_these_p_values():
    groups = groups_of("nist_tukey.csv")
    four, three = one_way_anova(groups), one_way_anova(groups[:3])
    assert four.statistic == pytest.approx(9.723840, abs=5e-7)
    assert four.p_value == pytest.approx(0.000684454, abs=5e-10)
    assert four.residual_sd**2 == pytest.approx(1.33075, abs=5e-9)
    assert four.df_within == 16
    assert three.p_value == pytest.approx(0.00325, abs=5e-6)


def test_a_chart_of_the_handbooks_flow_rates_has_its_limits():
    """NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81; 55.8041 and 45.8159 with d2 = 1.128.

    With the exact d2, 2/√π, the upper limit is 55.8024; no point of the example lies beyond.
    """
    values = [float(x) for _, x in rows("imr_flowrate.csv")]
    series = [(f"2026-01-{at + 1:02d}", f"batch {at}", "a", x) for at, x in enumerate(values)]
    chart = control_chart("check:flow", "flow", "", series, default_limits())
    assert chart.limits.mean == pytest.approx(50.81, abs=5e-3)
    assert chart.limits.action[1] == pytest.approx(55.8024, abs=1e-4)
    assert not any("beyond the action limit" in point.broken for point in chart.points)
    assert max(values) < 55.8041 and min(values) > 45.8159


def test_weighted_means_of_the_handbook_stay_within_their_limits():
    """NIST/SEMATECH e-Handbook 6.3.2.4: weight 0.3; no weighted mean leaves its limits."""
    table = np.array(rows("ewma.csv"), dtype=float)
    series = [(f"2026-01-{at + 1:02d}", f"{at}", "a", x) for at, x in enumerate(table[:, 1])]
    chart = control_chart("check:x", "x", "", series, changed_limits({"ewma_weight": 0.3}))
    # started at the mean of the data, not at the handbook's 50: what is left of that start
    # after t steps is 0.7^t of the difference
    start = table[:, 1].mean() - 50.0
    expected = table[:, 2] + start * 0.7 ** np.arange(1, len(table) + 1)
    found = [point.weighted_mean for point in chart.points]
    assert found == pytest.approx(expected.tolist(), abs=0.02)
    assert not any("the weighted mean left its limits" in point.broken for point in chart.points)
