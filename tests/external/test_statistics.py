"""The statistics of a comparison against certified and published values."""

from __future__ import annotations

import csv
import hashlib
import math
import re
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from specfrac.compare.analysis import Point, compare_measure
from specfrac.compare.charts import individuals_limits, weighted_mean_limits, weighted_means
from specfrac.compare.limits import default_limits
from specfrac.compare.measures import Measure, Value
from specfrac.compare.statistics import (
    adjusted_means,
    block_anova,
    grubbs,
    line,
    one_way_anova,
    range_p_value,
    range_quantile,
    t_quantile,
    tukey,
    welch_anova,
)

DATA = Path(__file__).parent / "data"


def rows(name):
    with (DATA / name).open(encoding="utf-8", newline="") as handle:
        return list(csv.reader(text for text in handle if not text.startswith("#")))[1:]


def grouped(pairs):
    """Values by group, in order of appearance."""
    found = {}
    for group, value in pairs:
        found.setdefault(group, []).append(float(value))
    return [np.array(values) for values in found.values()]


def certified(name):
    """Data, and the certified numbers of a StRD analysis of variance by name."""
    lines = (DATA / f"{name}.dat").read_text(encoding="ascii").splitlines()
    between = next(text for text in lines if text.startswith("Between")).split()[2:]
    within = next(text for text in lines if text.startswith("Within")).split()[2:]
    after = {"R-Squared": 0.0, "Deviation": 0.0}
    for text in lines:
        for key in after:
            if match := re.search(rf"{key}\s+(\d\S+E\S+)", text):
                after[key] = float(match.group(1))
    numbers = {
        "df_between": int(between[0]),
        "between": float(between[1]),
        "statistic": float(between[3]),
        "df_within": int(within[0]),
        "within": float(within[1]),
        "r_squared": after["R-Squared"],
        "residual_sd": after["Deviation"],
    }
    first = max(at for at, text in enumerate(lines) if text.startswith("Data:")) + 1
    return [text.split() for text in lines[first:] if text.strip()], numbers


def exact_anova(groups):
    """Sums of squares and F of the numbers as doubles hold them, in exact fractions."""
    held = [[Fraction(float(value)) for value in group] for group in groups]
    everything = [value for group in held for value in group]
    grand = sum(everything) / len(everything)
    means = [sum(group) / len(group) for group in held]
    between = sum(len(g) * (m - grand) ** 2 for g, m in zip(held, means, strict=True))
    within = sum((v - m) ** 2 for g, m in zip(held, means, strict=True) for v in g)
    df = len(held) - 1, len(everything) - len(held)
    return float(between), float(within), float(between / df[0] / (within / df[1]))


def test_files_are_the_listed_ones():
    with (DATA / "SOURCES.csv").open(encoding="utf-8", newline="") as handle:
        listed = {row["file"]: row["sha256"] for row in csv.DictReader(handle)}
    used = ["SiRstv.dat", "AtmWtAg.dat", "SmLs01.dat", "SmLs07.dat", "Norris.dat"]
    used += ["nist_tukey.csv", "hardwood.csv", "imr_flowrate.csv", "ewma.csv"]
    for name in used:
        assert hashlib.sha256((DATA / name).read_bytes()).hexdigest() == listed[name], name


# NIST/ITL Statistical Reference Datasets, analysis of variance. How many digits a double
# can hold depends on the leading digits the data share: 0 lost of SmLs01, all but a few of
# SmLs07, whose values have 14 digits.
@pytest.mark.parametrize(
    ("name", "relative"),
    [("SiRstv", 2e-12), ("AtmWtAg", 2e-8), ("SmLs01", 1e-12), ("SmLs07", 1e-4)],
)
def test_strd_analysis_of_variance(name, relative):
    pairs, numbers = certified(name)
    table = one_way_anova(grouped(pairs))
    assert (table.df_between, table.df_within) == (numbers["df_between"], numbers["df_within"])
    for key in ("between", "within", "statistic", "r_squared", "residual_sd"):
        assert getattr(table, key) == pytest.approx(numbers[key], rel=relative), key


@pytest.mark.parametrize("name", ["SiRstv", "AtmWtAg", "SmLs01", "SmLs07"])
def test_nothing_is_lost_beyond_what_doubles_lose(name):
    """Against exact arithmetic on the same doubles the digits are all there."""
    groups = grouped(certified(name)[0])
    table = one_way_anova(groups)
    between, within, statistic = exact_anova(groups)
    assert table.between == pytest.approx(between, rel=1e-13)
    assert table.within == pytest.approx(within, rel=1e-13)
    assert table.statistic == pytest.approx(statistic, rel=1e-13)


def test_strd_norris():
    """NIST/ITL StRD, linear regression, Norris: parameters, errors, residual SD, R²."""
    lines = (DATA / "Norris.dat").read_text(encoding="ascii").splitlines()
    y, x = np.array([text.split() for text in lines[60:] if text.strip()], dtype=float).T
    found = line(x, y)
    assert found.intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert found.intercept_uncertainty == pytest.approx(0.232818234301152, rel=1e-11)
    assert found.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert found.slope_uncertainty == pytest.approx(0.429796848199937e-3, rel=1e-11)
    assert found.residual_sd == pytest.approx(0.884796396144373, rel=1e-11)
    assert found.r_squared == pytest.approx(0.999993745883712, rel=1e-13)


# Tukey. Sources beside the numbers; all seen as quoted in public tests.

# NIST/SEMATECH e-Handbook 7.4.7.1, intervals to 0.01
NIST_PAIRS = {
    (2, 1): (0.29, 4.47),
    (3, 1): (1.13, 5.31),
    (1, 4): (-2.25, 1.93),
    (2, 3): (-2.93, 1.25),
    (2, 4): (0.13, 4.31),
    (3, 4): (0.97, 5.15),
}
SAS_GROUPS = (
    [24.5, 23.5, 26.4, 27.1, 29.9],
    [28.4, 34.2, 29.5, 32.2, 30.1],
    [26.1, 28.3, 24.3, 26.2, 27.8],
)
# output of a statistics system, as quoted in the tests of scipy
SAS_PAIRS = {
    (2, 1): (4.6, 0.9508830568, 8.249116943),
    (2, 3): (4.34, 0.6908830568, 7.989116943),
    (3, 1): (0.26, -3.389116943, 3.909116943),
}
KRAMER_FIRST = [24.5, 23.5, 26.28, 26.4, 27.1, 29.9, 30.1, 30.1]
KRAMER_PAIRS = {
    (2, 1): (3.645, 0.2679292645, 7.022070736),
    (2, 3): (4.34, 0.5934764007, 8.086523599),
    (1, 3): (0.695, -2.682070736, 4.072070736),
}
# Montgomery and Runger, intervals to 0.001; recomputed values differ by up to 0.002
HARDWOOD_PAIRS = {
    (2, 1): (1.542, 9.791),
    (3, 1): (2.876, 11.124),
    (3, 2): (-2.791, 5.458),
    (4, 3): (0.042, 8.291),
}


def test_tukey_of_the_nist_handbook():
    table = tukey(grouped(rows("nist_tukey.csv")))
    for (i, j), (low, high) in NIST_PAIRS.items():
        assert table.low[i - 1, j - 1] == pytest.approx(low, abs=0.0051)
        assert table.high[i - 1, j - 1] == pytest.approx(high, abs=0.0051)


# The half width of the first, 3.6491, belongs to a quantile rounded to 3.7729.
@pytest.mark.parametrize(
    ("first", "pairs", "digits"),
    [(SAS_GROUPS[0], SAS_PAIRS, 1e-4), (KRAMER_FIRST, KRAMER_PAIRS, 1e-6)],
)
def test_tukey_and_tukey_kramer(first, pairs, digits):
    table = tukey([first, *SAS_GROUPS[1:]])
    for (i, j), (difference, low, high) in pairs.items():
        assert table.difference[i - 1, j - 1] == pytest.approx(difference, abs=1e-9)
        assert table.low[i - 1, j - 1] == pytest.approx(low, abs=digits)
        assert table.high[i - 1, j - 1] == pytest.approx(high, abs=digits)


def test_tukey_of_the_hardwood_example():
    groups = grouped(rows("hardwood.csv"))
    table = tukey(groups)
    for (i, j), (low, high) in HARDWOOD_PAIRS.items():
        assert table.low[i - 1, j - 1] == pytest.approx(low, abs=0.0025)
        assert table.high[i - 1, j - 1] == pytest.approx(high, abs=0.0025)
    anova = one_way_anova(groups)  # printed: 382.79 (3), 130.17 (20), F 19.61
    assert anova.between == pytest.approx(382.79, abs=0.005)
    assert anova.within == pytest.approx(130.17, abs=0.005)
    assert anova.statistic == pytest.approx(19.61, abs=0.005)


def test_one_way_anova_of_the_nist_handbook():
    """NIST/SEMATECH e-Handbook 7.4.3.3: SS 27.897 (2) and 17.452 (12), F 9.59."""
    table = one_way_anova(grouped(rows("nist_tukey.csv"))[:3])
    assert (table.df_between, table.df_within) == (2, 12)
    assert table.between == pytest.approx(27.897, abs=5e-4)
    assert table.within == pytest.approx(17.452, abs=5e-4)
    assert table.statistic == pytest.approx(9.59, abs=5e-3)


# Quantiles of the studentized range at 5 %: 4.65 printed in NIST/SEMATECH 7.4.6.1, the
# others computed with another program.
@pytest.mark.parametrize(
    ("k", "df", "q"), [(5, 10, 4.654), (4, 16, 4.046), (3, 12, 3.773), (4, 20, 3.958)]
)
def test_studentized_range(k, df, q):
    assert math.sqrt(2) * range_quantile(k, df, 0.95) == pytest.approx(q, abs=6e-4)
    assert range_p_value(q / math.sqrt(2), k, df) == pytest.approx(0.05, abs=1e-4)


@pytest.mark.parametrize("k", [3, 6])
@pytest.mark.parametrize("df", [1.4, 3.3, 7.7, 23.0, 400.0])
def test_interpolated_quantiles_are_those_of_scipy(k, df):
    expected = stats.studentized_range.ppf(0.95, k, df) / math.sqrt(2)
    assert range_quantile(k, df, 0.95) == pytest.approx(expected, rel=1e-5)


# Welch


def test_welch_analysis_of_variance():
    """F and p of R's oneway.test, as quoted in the tests of scipy."""
    found = welch_anova(
        [
            [-50.42, 40.31, -18.09, 35.58, -6.8, 0.22],
            [23.44, 4.5, 15.1, 9.66],
            [11.94, 11.1, 9.87, 9.09, 3.33],
        ]
    )
    assert found.statistic == pytest.approx(0.609740409019517, rel=1e-12)
    assert found.p_value == pytest.approx(0.574838941286302, rel=1e-12)


def sample(count, mean, spread):
    """Numbers with exactly this mean and standard deviation."""
    numbers = np.sin(np.arange(1.0, count + 1))
    numbers -= numbers.mean()
    return mean + spread * numbers / np.std(numbers, ddof=1)


# NIST/SEMATECH e-Handbook 1.3.5.3, miles per gallon: summaries seen in a reproduced page
MILEAGE = sample(249, 20.14458, 6.41470), sample(79, 30.48101, 6.10771)


def test_welch_t_from_the_handbooks_summaries():
    """Pooled t -12.62059 is printed there; Welch's follows by algebra from its numbers."""
    pooled = stats.ttest_ind(*MILEAGE)
    assert pooled.statistic == pytest.approx(-12.62059, abs=5e-5)
    means = adjusted_means(np.concatenate(MILEAGE), [0] * 249 + [1] * 79)
    t = (means.means[0] - means.means[1]) / math.sqrt(means.variance([1, -1]))
    assert t == pytest.approx(-12.94627, abs=5e-5)
    assert means.df([1, -1]) == pytest.approx(136.875, abs=5e-3)
    assert t_quantile(means.df([1, -1]), 0.95) == pytest.approx(1.97745, abs=5e-6)


def test_games_howell_against_another_implementation():
    groups = grouped(rows("nist_tukey.csv"))
    groups[1] = 3 * groups[1] - 12
    done = stats.tukey_hsd(*groups, equal_var=False)
    measure = Measure("extracted:x", "extracted", "x", "µg/g", "higher")
    points = [
        Point(f"{name}{at}", name, "", Value(float(value), math.nan))
        for name, group in zip("abcd", groups, strict=True)
        for at, value in enumerate(group)
    ]
    found = compare_measure(measure, points, default_limits(), primary=True, scale="linear")
    interval = done.confidence_interval()
    for pair in found.differences:
        i, j = "abcd".index(pair.first), "abcd".index(pair.second)
        assert pair.p_value == pytest.approx(done.pvalue[i, j], rel=1e-6)
        assert pair.interval[0] == pytest.approx(interval.low[i, j], abs=1e-4)
        assert pair.interval[1] == pytest.approx(interval.high[i, j], abs=1e-4)


def test_blocked_analysis_with_two_methods_is_the_paired_t():
    rng = np.random.default_rng(8)
    a, b = rng.normal(5, 2, 7), rng.normal(6, 2, 7)
    blocks = list(range(7)) * 2
    found = block_anova(np.r_[a, b], [0] * 7 + [1] * 7, blocks)
    paired = stats.ttest_rel(a, b)
    assert found.statistic == pytest.approx(paired.statistic**2, rel=1e-10)
    assert found.p_value == pytest.approx(paired.pvalue, rel=1e-10)


# One deviating value


def test_grubbs_example_of_the_nist_handbook():
    """NIST/SEMATECH e-Handbook 1.3.5.17.1: G = 2.4687; critical 2.0317 one-sided at 5 %."""
    values = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    at, g, p_value = grubbs(values)
    assert (at, round(g, 4)) == (7, 2.4688)
    assert p_value < 0.001


# One-sided 5 % and two-sided 5 % critical values, by the formula; the two-sided ones agree
# with the open table of chem.libretexts.org, appendix 07.
@pytest.mark.parametrize(
    ("n", "one_sided", "two_sided"),
    [(4, 1.4625, 1.4813), (6, 1.8221, 1.8872), (8, 2.0317, 2.1266), (10, 2.1761, 2.2900)],
)
def test_grubbs_critical_values(n, one_sided, two_sided):
    from scipy.optimize import brentq

    others = np.tile([-1.0, 1.0], n)[: n - 1]

    def g_of(far):
        return grubbs(np.r_[others, far])[1]

    for critical, p_value in ((one_sided, 0.10), (two_sided, 0.05)):
        far = brentq(lambda x, critical=critical: g_of(x) - critical, 1.5, 500)
        # below n = 7 or so the bound counts some cases twice; the table does the same
        assert grubbs(np.r_[others, far])[2] == pytest.approx(p_value, rel=0.01)


# Control charts


def test_individuals_chart_of_the_nist_handbook():
    """NIST/SEMATECH e-Handbook 6.3.2.2: it rounds 2/√π to 1.128, we do not."""
    values = [float(x) for _, x in rows("imr_flowrate.csv")]
    found = individuals_limits(values)
    assert found.mean == pytest.approx(50.81, abs=5e-3)
    assert found.mean_range == pytest.approx(1.8778, abs=5e-5)
    rounding = (2 / math.sqrt(math.pi)) / 1.128
    low, high = found.action
    assert found.mean + (high - found.mean) * rounding == pytest.approx(55.8041, abs=1e-4)
    assert found.mean - (found.mean - low) * rounding == pytest.approx(45.8159, abs=1e-4)
    assert high == pytest.approx(55.8024, abs=1e-4)
    # upper limit of the range: 3.267 mean ranges in the tables
    assert found.range_limit == pytest.approx(3.267 * found.mean_range, rel=2e-4)


def test_weighted_means_of_the_nist_handbook():
    """NIST/SEMATECH e-Handbook 6.3.2.4: weight 0.3, start 50, limits 52.5884 and 47.4116.

    The printed means follow from each other, rounded to two digits on the way.
    """
    table = np.array(rows("ewma.csv"), dtype=float)
    found = weighted_means(table[:, 1], weight=0.3, start=50.0)
    assert np.abs(found - table[:, 2]).max() < 0.02
    # s = 2.0539 is from memory; the limits that belong to it were seen
    low, high = weighted_mean_limits(50.0, 2.0539, weight=0.3)
    assert (low, high) == pytest.approx((47.4116, 52.5884), abs=1e-4)
