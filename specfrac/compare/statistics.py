"""Tests and intervals for means of groups that scatter differently.

Everything works on plain arrays, one value a run. scipy does what scipy has; what it
lacks (adjusted means with unequal variances, Games-Howell over blocks, Welch's analysis
of variance in older releases, Holm, Grubbs) stands here with its source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from specfrac.errors import InputError

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

NO_WEIGHT = 1e-12
LEVERAGE_LIMIT = 1 - 1e-9  # a run that the model passes through exactly has no residual


@dataclass(frozen=True, slots=True)
class TestResult:
    """Outcome of a test.

    Attributes
    ----------
    name : str
        In words.
    statistic : float
    df : tuple of float
        Degrees of freedom; empty for rank tests.
    p_value : float
        NaN when the data do not allow the test.
    attainable_p : float
        Smallest p-value this design can give; 0 where there is no such bound.
    """

    __test__ = False  # not a test of pytest

    name: str
    statistic: float
    df: tuple[float, ...]
    p_value: float
    attainable_p: float = 0.0


# Analysis of variance


@dataclass(frozen=True, slots=True)
class AnovaTable:
    """One-way analysis of variance, equal variances assumed.

    Attributes
    ----------
    between, within : float
        Sums of squares.
    df_between, df_within : int
    statistic, p_value : float
    r_squared : float
    residual_sd : float
    """

    between: float
    within: float
    df_between: int
    df_within: int
    statistic: float
    p_value: float
    r_squared: float
    residual_sd: float


def one_way_anova(groups: Sequence[ArrayLike]) -> AnovaTable:
    """One-way analysis of variance.

    F = (Σ n_g (ȳ_g - ȳ)² / (k - 1)) / (Σ (y - ȳ_g)² / (N - k))

    The first value is subtracted first, so that leading digits all values share cost
    no precision.

    Parameters
    ----------
    groups : sequence of array_like
        At least two, each with at least one value; more values than groups.

    Returns
    -------
    AnovaTable

    Raises
    ------
    InputError
        If there are too few groups or values.

    References
    ----------
    NIST/ITL Statistical Reference Datasets, analysis of variance.

    Examples
    --------
    >>> table = one_way_anova([[1.0, 2.0, 3.0], [2.0, 3.0, 4.0]])
    >>> table.statistic, table.df_within
    (1.5, 4)
    """
    from scipy import stats

    arrays = [np.asarray(group, dtype=np.float64) for group in groups]
    count = sum(array.size for array in arrays)
    if len(arrays) < 2 or min((array.size for array in arrays), default=0) < 1:
        raise InputError("analysis of variance needs at least two groups with values.")
    if count <= len(arrays):
        raise InputError(
            f"analysis of variance needs more values ({count}) than groups ({len(arrays)})."
        )
    arrays = [array - arrays[0].item(0) if array.size else array for array in arrays]
    arrays = [array - np.mean(np.concatenate(arrays)) for array in arrays]
    grand = float(np.mean(np.concatenate(arrays)))
    means = [float(np.mean(array)) for array in arrays]
    between = math.fsum(
        array.size * (mean - grand) ** 2 for array, mean in zip(arrays, means, strict=True)
    )
    within = math.fsum(
        float(square)
        for array, mean in zip(arrays, means, strict=True)
        for square in (array - mean) ** 2
    )
    df_between, df_within = len(arrays) - 1, count - len(arrays)
    mean_within = within / df_within
    statistic = between / df_between / mean_within if mean_within > 0 else math.nan
    return AnovaTable(
        between,
        within,
        df_between,
        df_within,
        statistic,
        float(stats.f.sf(statistic, df_between, df_within)),
        between / (between + within) if between + within > 0 else math.nan,
        math.sqrt(mean_within),
    )


def welch_anova(groups: Sequence[ArrayLike]) -> TestResult:
    """Welch's analysis of variance: equal means, variances may differ.

    Parameters
    ----------
    groups : sequence of array_like
        At least two, each with at least two values.

    Returns
    -------
    TestResult

    Raises
    ------
    InputError
        If there are too few groups or values.

    References
    ----------
    B. L. Welch, Biometrika 38 (1951) 330.
    """
    from scipy import stats

    arrays = [np.asarray(group, dtype=np.float64) for group in groups]
    if len(arrays) < 2 or min((array.size for array in arrays), default=0) < 2:
        raise InputError("Welch's analysis of variance needs two or more values in each group.")
    k = len(arrays)
    sizes = np.array([array.size for array in arrays], dtype=np.float64)
    means = np.array([np.mean(array) for array in arrays])
    variances = np.array([np.var(array, ddof=1) for array in arrays])
    if not (variances > 0).all():
        return TestResult("Welch's analysis of variance", math.nan, (k - 1.0,), math.nan)
    weights = sizes / variances
    share = weights / weights.sum()
    grand = float(share @ means)
    lost = float(np.sum((1 - share) ** 2 / (sizes - 1)))
    statistic = float(weights @ (means - grand) ** 2) / (k - 1)
    statistic /= 1 + 2 * (k - 2) / (k**2 - 1) * lost
    df = (k**2 - 1) / (3 * lost)
    p_value = float(stats.f.sf(statistic, k - 1, df))
    return TestResult("Welch's analysis of variance", statistic, (k - 1.0, df), p_value)


def block_anova(values: ArrayLike, methods: ArrayLike, blocks: ArrayLike) -> TestResult:
    """F test of method after block, equal variances assumed.

    Parameters
    ----------
    values : array_like, shape (n,)
    methods, blocks : array_like of int, shape (n,)
        Codes from 0.

    Returns
    -------
    TestResult
        NaN when no degree of freedom is left.
    """
    from scipy import stats

    y = np.asarray(values, dtype=np.float64)
    y = y - y.mean()
    b, m = _indicators(blocks), _indicators(methods)
    rank_small, rest_small = _fit_rest(b, y)
    rank_large, rest_large = _fit_rest(np.hstack([b, m]), y)
    df1, df2 = rank_large - rank_small, y.size - rank_large
    name = "analysis of variance, method within block"
    if df1 < 1 or df2 < 1 or rest_large <= 0:
        return TestResult(name, math.nan, (float(df1), float(df2)), math.nan)
    statistic = (rest_small - rest_large) / df1 / (rest_large / df2)
    p_value = float(stats.f.sf(statistic, df1, df2))
    return TestResult(name, statistic, (float(df1), float(df2)), p_value)


def interaction_test(values: ArrayLike, methods: ArrayLike, blocks: ArrayLike) -> TestResult:
    """F test of whether the differences between methods change from block to block.

    Parameters
    ----------
    values : array_like, shape (n,)
    methods, blocks : array_like of int, shape (n,)
        Codes from 0.

    Returns
    -------
    TestResult
        NaN when no cell holds two runs, or the blocks leave nothing to test.
    """
    from scipy import stats

    y = np.asarray(values, dtype=np.float64)
    y = y - y.mean()
    b, m = np.asarray(blocks, dtype=np.int64), np.asarray(methods, dtype=np.int64)
    rank_small, rest_small = _fit_rest(np.hstack([_indicators(b), _indicators(m)]), y)
    _, cells = np.unique(b * (m.max() + 1) + m, return_inverse=True)
    counts = np.bincount(cells)
    means = np.bincount(cells, weights=y) / counts
    rank_large, rest_large = counts.size, float(np.sum((y - means[cells]) ** 2))
    df1, df2 = rank_large - rank_small, y.size - rank_large
    name = "interaction of method and block"
    if df1 < 1 or df2 < 1 or rest_large <= 0:
        return TestResult(name, math.nan, (float(df1), float(df2)), math.nan)
    statistic = (rest_small - rest_large) / df1 / (rest_large / df2)
    p_value = float(stats.f.sf(statistic, df1, df2))
    return TestResult(name, statistic, (float(df1), float(df2)), p_value)


def _indicators(codes: ArrayLike) -> Array:
    codes = np.asarray(codes, dtype=np.int64)
    columns: Array = (codes[:, None] == np.unique(codes)[None, :]).astype(np.float64)
    return columns


def _fit_rest(design: Array, y: Array) -> tuple[int, float]:
    solution, _, rank, _ = np.linalg.lstsq(design, y, rcond=None)
    return int(rank), float(np.sum((y - design @ solution) ** 2))


# Adjusted means with unequal variances


@dataclass(frozen=True, slots=True, eq=False)
class AdjustedMeans:
    """Means of methods, blocks taken out, and what is needed to compare them.

    Attributes
    ----------
    means : ndarray, shape (k,)
        Averaged over the blocks, each block counting alike.
    covariance : ndarray, shape (k, k)
        Of the means, given these blocks; variances of the methods may differ.
    spread : ndarray, shape (k,)
        Standard deviation of a run of each method, blocks taken out; NaN when the
        method has no residual of its own.
    codes : ndarray of int, shape (n,)
        Method of each run.
    weights : ndarray, shape (k, n)
        means = weights · values.
    residuals, leverage : ndarray, shape (n,)
    error_moments : ndarray, shape (n, n)
        M Σ M with M the residual projector and Σ the methods' variances.
    """

    means: Array
    covariance: Array
    spread: Array
    codes: Codes
    weights: Array
    residuals: Array
    leverage: Array
    error_moments: Array

    def variance(self, contrast: ArrayLike) -> float:
        """Variance of a contrast of the means; NaN when it rests on a run without residual."""
        c = np.asarray(contrast, dtype=np.float64)
        if self._rests_on_one_run(c):
            return math.nan
        return float(c @ self.covariance @ c)

    def _rests_on_one_run(self, contrast: Array) -> bool:
        # the model goes through such a run exactly, so nothing is known of its scatter
        exact = self.leverage >= LEVERAGE_LIMIT
        return bool((np.abs(contrast @ self.weights)[exact] > NO_WEIGHT).any())

    def df(self, contrast: ArrayLike) -> float:
        """Satterthwaite degrees of freedom of a contrast's variance; NaN without any.

        The variance is a quadratic form y'By; df = tr(BΣ)² / tr((BΣ)²), with the
        methods' own variances in Σ. For two groups without blocks that is Welch's df.
        """
        c = np.asarray(contrast, dtype=np.float64)
        if self._rests_on_one_run(c):
            return math.nan
        weights = c @ self.weights
        scale = np.where(
            self.leverage < LEVERAGE_LIMIT,
            weights / np.sqrt(np.maximum(1 - self.leverage, 1e-300)),
            0.0,
        )
        form = scale[:, None] * self.error_moments * scale[None, :]
        second = float(np.sum(form * form))
        return float(np.trace(form)) ** 2 / second if second > 0 else math.nan


def adjusted_means(
    values: ArrayLike, methods: ArrayLike, blocks: ArrayLike | None = None
) -> AdjustedMeans:
    """Means of the methods in the model value = method + block + error.

    Least squares; the covariance is the sandwich with residuals e² / (1 - h), which
    stays right when methods scatter differently. Two groups without blocks give
    Welch's variance, one run of each method in each block the paired variance.

    Parameters
    ----------
    values : array_like, shape (n,)
    methods : array_like of int, shape (n,)
        Codes 0 to k - 1, each present.
    blocks : array_like of int, shape (n,), optional
        The blocks must link all methods.

    Returns
    -------
    AdjustedMeans

    References
    ----------
    J. G. MacKinnon, H. White, J. Econometrics 29 (1985) 305 (the covariance);
    R. M. Bell, D. F. McCaffrey, Surv. Methodol. 28 (2002) 169 (its degrees of freedom).
    """
    y = np.asarray(values, dtype=np.float64)
    m = np.asarray(methods, dtype=np.int64)
    design = _indicators(m)
    k = design.shape[1]
    combine = np.eye(k)
    if blocks is not None:
        b = _indicators(blocks)
        design = np.hstack([design, b])
        combine = np.hstack([combine, np.full((k, b.shape[1]), 1.0 / b.shape[1])])
    inverse = np.linalg.pinv(design)
    weights = combine @ inverse
    hat = design @ inverse
    leverage = np.clip(np.diag(hat), 0.0, 1.0)
    residuals = y - y.mean() - hat @ (y - y.mean())
    free = leverage < LEVERAGE_LIMIT
    squares = np.zeros_like(y)
    squares[free] = residuals[free] ** 2 / (1 - leverage[free])
    variances = np.array(
        [squares[(m == j) & free].mean() if ((m == j) & free).any() else np.nan for j in range(k)]
    )
    known = np.where(np.isfinite(variances[m]), variances[m], 0.0)
    rest = np.eye(y.size) - hat
    return AdjustedMeans(
        means=weights @ y,
        covariance=(weights * squares) @ weights.T,
        spread=np.sqrt(variances),
        codes=m,
        weights=weights,
        residuals=residuals,
        leverage=leverage,
        error_moments=(rest * known) @ rest,
    )


def t_quantile(df: float, coverage: float) -> float:
    """Two-sided quantile of Student's t; NaN when df is."""
    from scipy import stats

    if not df > 0:
        return math.nan
    return float(stats.t.ppf(0.5 + coverage / 2, df))


def t_p_value(t: float, df: float) -> float:
    """Two-sided p-value of Student's t; NaN when either is."""
    from scipy import stats

    if math.isnan(t) or not df > 0:
        return math.nan
    return float(2 * stats.t.sf(abs(t), df))


def fieller(
    first: float, second: float, covariance: ArrayLike, quantile: float
) -> tuple[float, float]:
    """Interval of a ratio of two means: every ρ for which first - ρ second = 0 is accepted.

    Parameters
    ----------
    first, second : float
    covariance : array_like, shape (2, 2)
    quantile : float
        Of Student's t.

    Returns
    -------
    (float, float)
        NaN when the second mean is not clearly different from zero.

    References
    ----------
    E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175.
    """
    c = np.asarray(covariance, dtype=np.float64)
    q = quantile**2
    a = second**2 - q * c[1, 1]
    b = first * second - q * c[0, 1]
    d = first**2 - q * c[0, 0]
    if not a > 0 or math.isnan(a + b + d):
        return math.nan, math.nan
    half = math.sqrt(max(b * b - a * d, 0.0))
    return (b - half) / a, (b + half) / a


# Several methods


@dataclass(frozen=True, slots=True, eq=False)
class PairTable:
    """All pairwise differences of k means.

    Attributes
    ----------
    difference, low, high, p_value : ndarray, shape (k, k)
        Mean of the row minus mean of the column, simultaneous interval, corrected p.
    """

    difference: Array
    low: Array
    high: Array
    p_value: Array


def tukey(groups: Sequence[ArrayLike], *, coverage: float = 0.95) -> PairTable:
    """All differences by Tukey's method (Kramer's for unequal sizes), equal variances assumed.

    Parameters
    ----------
    groups : sequence of array_like
        At least two, each with two or more values.
    coverage : float
        Of the simultaneous intervals.

    Returns
    -------
    PairTable

    References
    ----------
    NIST/SEMATECH e-Handbook 7.4.7.1.
    """
    from scipy import stats

    done = stats.tukey_hsd(*(np.asarray(group, dtype=np.float64) for group in groups))
    interval = done.confidence_interval(coverage)
    found = (done.statistic, interval.low, interval.high, done.pvalue)
    return PairTable(*(np.asarray(each, dtype=np.float64) for each in found))


def range_p_value(t: float, k: int, df: float) -> float:
    """p-value of one of all pairwise differences of k means, by the studentized range."""
    from scipy import stats

    if math.isnan(t) or not df > 0:
        return math.nan
    if k == 2:
        return t_p_value(t, df)
    return float(stats.studentized_range.sf(abs(t) * math.sqrt(2), k, df))


def range_quantile(k: int, df: float, coverage: float) -> float:
    """What replaces t in simultaneous intervals of all differences of k means.

    q(coverage; k, df) / √2. scipy needs a third of a second for each quantile, so
    between nodes it is interpolated in 1/df (cubic; good to a few parts in 10^5).

    Parameters
    ----------
    k : int
    df : float
        At least 1; infinity allowed.
    coverage : float

    Returns
    -------
    float
        NaN when df is not a number.
    """
    if not df > 0:
        return math.nan
    if k == 2:
        return t_quantile(df, coverage)
    x = 1 / max(df, 1.0)
    nodes = np.array(RANGE_NODES)
    start = int(np.clip(np.searchsorted(nodes, x) - 2, 0, nodes.size - 4))
    chosen = nodes[start : start + 4]
    logs = np.array([math.log(_range_node(k, float(node), coverage)) for node in chosen])
    total = 0.0
    for at in range(4):
        others = np.delete(chosen, at)
        total += logs[at] * float(np.prod((x - others) / (chosen[at] - others)))
    return math.exp(total)


RANGE_NODES = (
    0.0, 0.01, 0.025, 0.05, 0.075, 0.1, 0.125, 0.15, 0.175, 0.2, 0.225, 0.25, 0.3, 0.35, 0.4,
    0.45, 0.5, 0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 1.0,
)  # fmt: skip


@lru_cache(maxsize=512)
def _range_node(k: int, x: float, coverage: float) -> float:
    from scipy import stats

    df = 1 / x if x > 0 else math.inf
    return float(stats.studentized_range.ppf(coverage, k, df)) / math.sqrt(2)


def holm(p_values: Sequence[float]) -> tuple[float, ...]:
    """p-values corrected for their number, step-down.

    Parameters
    ----------
    p_values : sequence of float
        NaN stays NaN and does not count.

    Returns
    -------
    tuple of float

    References
    ----------
    S. Holm, Scand. J. Stat. 6 (1979) 65.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03])
    (0.03, 0.06, 0.06)
    """
    order = [at for at in sorted(range(len(p_values)), key=lambda at: _sortable(p_values[at]))
             if not math.isnan(p_values[at])]  # fmt: skip
    corrected = [math.nan] * len(p_values)
    running = 0.0
    for rank, at in enumerate(order):
        running = max(running, min(1.0, (len(order) - rank) * p_values[at]))
        corrected[at] = running
    return tuple(corrected)


def _sortable(p_value: float) -> float:
    return math.inf if math.isnan(p_value) else p_value


def hedges_factor(df: float) -> float:
    """Small-sample correction of a standardised difference, exact.

    J = Γ(df/2) / (√(df/2) Γ((df-1)/2)); about 1 - 3/(4 df - 1).

    References
    ----------
    L. V. Hedges, J. Educ. Stat. 6 (1981) 107.
    """
    from scipy.special import gammaln

    if not df > 1:
        return math.nan
    return math.exp(gammaln(df / 2) - gammaln((df - 1) / 2)) / math.sqrt(df / 2)


def pooled_df(first_sd: float, second_sd: float, first_count: int, second_count: int) -> float:
    """Degrees of freedom of the root mean square of two standard deviations."""
    a, b = first_sd**2, second_sd**2
    if not a + b > 0 or min(first_count, second_count) < 2:
        return math.nan
    return (a + b) ** 2 / (a * a / (first_count - 1) + b * b / (second_count - 1))


# A single deviating run


def grubbs(values: ArrayLike) -> tuple[int, float, float]:
    """Position of the most distant value, Grubbs' statistic and its two-sided p-value.

    G = max |y - ȳ| / s; p = 2 n P(T > t), T with n - 2 degrees of freedom and
    t² = n (n - 2) G² / ((n - 1)² - n G²), at most 1.

    Parameters
    ----------
    values : array_like, shape (n,)
        n >= 3 and not all equal, otherwise NaN.

    Returns
    -------
    (int, float, float)

    References
    ----------
    F. E. Grubbs, Technometrics 11 (1969) 1; NIST/SEMATECH e-Handbook 1.3.5.17.1.
    """
    from scipy import stats

    y = np.asarray(values, dtype=np.float64)
    n = y.size
    if n < 3:
        return 0, math.nan, math.nan
    spread = float(np.std(y, ddof=1))
    if not spread > 0:
        return 0, math.nan, math.nan
    distance = np.abs(y - y.mean()) / spread
    at = int(np.argmax(distance))
    g = float(distance[at])
    rest = (n - 1) ** 2 - n * g * g
    if rest <= 0:
        return at, g, 0.0
    t = math.sqrt(n * (n - 2) * g * g / rest)
    return at, g, float(min(1.0, 2 * n * stats.t.sf(t, n - 2)))


# Ranks


def rank_test(
    values: ArrayLike,
    methods: ArrayLike,
    blocks: ArrayLike | None = None,
    *,
    below: ArrayLike | None = None,
    above: ArrayLike | None = None,
    rng: int = 0,
) -> TestResult:
    """Rank test of equal methods, for two or more, with or without blocks.

    Two methods: Mann-Whitney, or Wilcoxon's signed ranks when every block holds one run
    of each; otherwise, and with ties or censored values, a permutation test of scores
    within blocks, exact as long as there are few permutations. More methods:
    Kruskal-Wallis, or Friedman when every block holds one run of each.

    Parameters
    ----------
    values : array_like, shape (n,)
    methods, blocks : array_like of int, shape (n,)
    below, above : array_like of bool, shape (n,), optional
        True where the true value is only known to lie below or above the given one.
    rng : int
        Of the permutations, when there are too many to go through.

    Returns
    -------
    TestResult
        With the smallest p-value the design can reach.
    """
    y = np.asarray(values, dtype=np.float64)
    m = np.asarray(methods, dtype=np.int64)
    b = np.zeros(y.size, dtype=np.int64) if blocks is None else np.asarray(blocks, dtype=np.int64)
    low = np.zeros(y.size, dtype=bool) if below is None else np.asarray(below, dtype=bool)
    high = np.zeros(y.size, dtype=bool) if above is None else np.asarray(above, dtype=bool)
    kinds = np.unique(m).size
    if kinds < 2:
        return TestResult("rank test", math.nan, (), math.nan)
    exact = not (low.any() or high.any())
    complete, single = _one_each(m, b), np.unique(b).size == 1
    if exact and complete and kinds == 2:
        return _signed_ranks(y, m, b)
    untied = np.unique(y).size == y.size
    if exact and single and kinds == 2 and untied:
        return _mann_whitney(y, m)
    if exact and kinds > 2 and (complete or single):
        return _friedman(y, m, b) if complete else _kruskal(y, m)
    return _score_permutation(y, m, b, low, high, rng)


def _one_each(m: Codes, b: Codes) -> bool:
    kinds = np.unique(m).size
    if np.unique(b).size < 2 or m.size != kinds * np.unique(b).size:
        return False
    pairs = {(int(i), int(j)) for i, j in zip(m, b, strict=True)}
    return len(pairs) == m.size


def _mann_whitney(y: Array, m: Codes) -> TestResult:
    from scipy import stats

    first, second = (y[m == kind] for kind in np.unique(m))
    exact = min(first.size, second.size) <= 20
    done = stats.mannwhitneyu(first, second, method="exact" if exact else "asymptotic")
    bound = 2 / math.comb(y.size, first.size)
    return TestResult("Mann-Whitney", float(done.statistic), (), float(done.pvalue), bound)


def _signed_ranks(y: Array, m: Codes, b: Codes) -> TestResult:
    from scipy import stats

    first, second = np.unique(m)
    difference = np.array(
        [float(y[(m == second) & (b == kind)][0] - y[(m == first) & (b == kind)][0])
         for kind in np.unique(b)]
    )  # fmt: skip
    n = difference.size
    bound = 2.0 ** (1 - n)
    size = np.abs(difference[difference != 0])
    if np.unique(size).size == n:
        exact = n <= LARGEST_EXACT_SIGNS
        done = stats.wilcoxon(difference, method="exact" if exact else "approx")
        statistic, p_value = float(done.statistic), float(done.pvalue)
    else:  # ties: go through all signs of the mid-ranks
        ranks = stats.rankdata(size)
        statistic = float(abs(ranks @ np.sign(difference[difference != 0])))
        p_value = _sign_p_value(ranks, statistic)
    return TestResult("Wilcoxon's signed ranks", statistic, (), p_value, bound)


LARGEST_EXACT_SIGNS = 50  # as far as scipy goes


def _sign_p_value(ranks: Array, statistic: float) -> float:
    """Two-sided p-value of a sum of signed ranks, by convolution over all signs."""
    doubled = np.rint(2 * ranks).astype(np.int64)  # mid-ranks are halves
    chance = np.ones(1)
    for rank in doubled.tolist():
        shifted = np.zeros(chance.size + 2 * rank)
        shifted[: chance.size] += 0.5 * chance
        shifted[2 * rank :] += 0.5 * chance
        chance = shifted
    total = np.arange(chance.size) - (chance.size - 1) // 2
    return float(chance[np.abs(total) >= 2 * statistic - 1e-9].sum())


def _kruskal(y: Array, m: Codes) -> TestResult:
    from scipy import stats

    groups = [y[m == kind] for kind in np.unique(m)]
    if np.unique(y).size == 1:
        return TestResult("Kruskal-Wallis", 0.0, (), 1.0)
    done = stats.kruskal(*groups)
    arrangements = math.factorial(y.size) / math.prod(math.factorial(g.size) for g in groups)
    best = math.factorial(len(groups)) if len({g.size for g in groups}) == 1 else 2
    return TestResult(
        "Kruskal-Wallis", float(done.statistic), (), float(done.pvalue), best / arrangements
    )


def _friedman(y: Array, m: Codes, b: Codes) -> TestResult:
    from scipy import stats

    kinds, places = np.unique(m), np.unique(b)
    table = [[float(y[(m == kind) & (b == place)][0]) for place in places] for kind in kinds]
    done = stats.friedmanchisquare(*table)
    bound = math.factorial(kinds.size) ** float(1 - places.size)
    return TestResult("Friedman", float(done.statistic), (), float(done.pvalue), bound)


EXACT_PERMUTATIONS = 2_000  # up to here all are gone through
PERMUTED_VALUES = 500_000  # otherwise so many runs in all are drawn


def scores(y: Array, low: NDArray[np.bool_], high: NDArray[np.bool_]) -> Array:
    """Gehan's scores: how many others are surely smaller, minus how many surely larger.

    Without censoring these are ranks, centred and doubled.

    References
    ----------
    E. A. Gehan, Biometrika 52 (1965) 203.
    """
    lower = np.where(low, -np.inf, y)
    upper = np.where(high, np.inf, y)
    # i is surely larger than j when even its lowest possible value is at least j's highest
    larger = lower[:, None] > upper[None, :]
    touching = (lower[:, None] == upper[None, :]) & (low[None, :] | high[:, None])
    larger |= touching & (np.isfinite(lower)[:, None] & np.isfinite(upper)[None, :])
    result: Array = larger.sum(axis=1).astype(np.float64) - larger.sum(axis=0)
    return result


def _score_permutation(
    y: Array,
    m: Codes,
    b: Codes,
    low: NDArray[np.bool_],
    high: NDArray[np.bool_],
    rng: int,
) -> TestResult:
    """Permute scores within blocks; the statistic is the scatter of the methods' sums."""
    score = np.zeros(y.size)
    for place in np.unique(b):
        inside = b == place
        score[inside] = scores(y[inside], low[inside], high[inside])
    observed = float(_between(score, m[None, :])[0])
    if _arrangements(m, b) <= EXACT_PERMUTATIONS:
        labels, extra = _all_labels(m, b), 0
    else:
        labels, extra = m[_drawn_orders(b, rng)], 1  # the arrangement seen counts as drawn
    found = _between(score, labels)
    reached = int(np.sum(found >= observed * (1 - 1e-9))) + extra
    bound = float(np.mean(found >= found.max() * (1 - 1e-9))) if not extra else 0.0
    p_value = reached / (len(labels) + extra)
    return TestResult("permutation of scores", observed, (), p_value, bound)


def _drawn_orders(b: Codes, rng: int) -> Codes:
    """Random orders of the runs within their blocks."""
    generator = np.random.default_rng(rng)
    count = max(1_000, min(10_000, PERMUTED_VALUES // b.size))
    orders = np.tile(np.arange(b.size), (count, 1))
    for place in np.unique(b):
        inside = np.flatnonzero(b == place)
        orders[:, inside] = inside[generator.random((count, inside.size)).argsort(axis=1)]
    return orders


def _between(score: Array, labels: Codes) -> Array:
    """Scatter of the methods' sums of scores, for each row of labels."""
    found = np.zeros(len(labels))
    for kind in np.unique(labels[0]):
        chosen = labels == kind
        found += (chosen @ score) ** 2 / chosen[0].sum()
    return found


def _arrangements(m: Codes, b: Codes) -> float:
    total = 1.0
    for place in np.unique(b):
        counts = np.bincount(m[b == place])
        total *= math.factorial(int(counts.sum())) / math.prod(map(math.factorial, counts.tolist()))
        if total > EXACT_PERMUTATIONS:
            return math.inf
    return total


def _all_labels(m: Codes, b: Codes) -> Codes:
    """Every distinct way to hand out the methods' labels within blocks, a row each."""
    labels = np.tile(m, (1, 1))
    for place in np.unique(b):
        inside = np.flatnonzero(b == place)
        ways = np.array(_distinct(sorted(m[inside].tolist())))
        labels = np.repeat(labels, len(ways), axis=0)
        labels[:, inside] = np.tile(ways, (len(labels) // len(ways), 1))
    return labels


def _distinct(labels: list[int]) -> list[tuple[int, ...]]:
    if not labels:
        return [()]
    found = []
    for label in dict.fromkeys(labels):
        rest = labels.copy()
        rest.remove(label)
        found += [(label, *tail) for tail in _distinct(rest)]
    return found


# Which scale


def log_scale_gain(values: ArrayLike, methods: ArrayLike, blocks: ArrayLike | None = None) -> float:
    """Log-likelihood that a logarithmic scale gains over a linear one.

    Both with normal errors of one size around method (and block); on the logarithmic
    scale that means a spread that grows with the level. Above 1.92 the linear scale is
    rejected at 5 % (half the 95 % quantile of chi-square with one degree of freedom).

    Parameters
    ----------
    values : array_like, shape (n,)
    methods, blocks : array_like of int, shape (n,)

    Returns
    -------
    float
        Minus infinity when a value is not above zero, or nothing is left to judge by.

    References
    ----------
    G. E. P. Box, D. R. Cox, J. R. Stat. Soc. B 26 (1964) 211.
    """
    y = np.asarray(values, dtype=np.float64)
    if y.size < 4 or not (y > 0).all():
        return -math.inf
    design = _indicators(methods)
    if blocks is not None:
        design = np.hstack([design, _indicators(blocks)])
    rank, linear = _fit_rest(design, y)
    _, logarithmic = _fit_rest(design, np.log(y))
    if y.size - rank < 2 or not (linear > 0 and logarithmic > 0):
        return -math.inf
    return y.size / 2 * math.log(linear / logarithmic) - float(np.sum(np.log(y)))


LOG_SCALE_LIMIT = 1.9207294103470612  # half the 95 % quantile of chi-square, 1 df


# A line through points in time


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line fitted by least squares.

    Attributes
    ----------
    slope, intercept : float
    slope_uncertainty, intercept_uncertainty : float
        Standard uncertainties.
    residual_sd : float
    r_squared : float
    p_value : float
        Of a slope of zero.
    """

    slope: float
    intercept: float
    slope_uncertainty: float
    intercept_uncertainty: float
    residual_sd: float
    r_squared: float
    p_value: float


def line(x: ArrayLike, y: ArrayLike) -> Line:
    """Fit a straight line.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        n >= 3, x not all equal.

    Returns
    -------
    Line

    Raises
    ------
    InputError
        If there are too few points or all x are equal.
    """
    from scipy import stats

    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if x.size < 3 or x.size != y.size or np.ptp(x) == 0:
        raise InputError("a line needs at least three points at different places.")
    fit = stats.linregress(x, y)
    rest = y - (fit.intercept + fit.slope * x)
    return Line(
        float(fit.slope),
        float(fit.intercept),
        float(fit.stderr),
        float(fit.intercept_stderr),
        math.sqrt(float(rest @ rest) / (x.size - 2)),
        float(fit.rvalue) ** 2,
        float(fit.pvalue),
    )
