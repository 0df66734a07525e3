"""One measure over all runs: means, differences, and what may be claimed."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from specfrac.compare.censored import censored_mean
from specfrac.compare.design import (
    BLOCKED,
    CONFOUNDED,
    PAIRED,
    UNPAIRED,
    Design,
    design,
    named_blocks,
)
from specfrac.compare.known_errors import chance_beyond, half_width
from specfrac.compare.measures import HIGHER, LOWER, Measure, Value
from specfrac.compare.power import Precision, detectable_difference, runs_needed
from specfrac.compare.scatter import Scatter, scatter
from specfrac.compare.statistics import (
    LOG_SCALE_LIMIT,
    AdjustedMeans,
    TestResult,
    adjusted_means,
    block_anova,
    fieller,
    grubbs,
    hedges_factor,
    holm,
    interaction_test,
    log_scale_gain,
    pooled_df,
    rank_test,
    scores,
    tukey,
    welch_anova,
)
from specfrac.settings import Settings

Array = NDArray[np.float64]
Interval = tuple[float, float]

UNKNOWN: Interval = (math.nan, math.nan)

WINS = "wins"
DIFFER = "differ"
CANNOT_TELL = "cannot tell"
CONFOUNDED_VERDICT = "confounded"
TOO_FEW = "too few runs"
ONE_METHOD = "one method"
NOT_COMPARABLE = "not comparable"

LINEAR, LOGARITHMIC = "linear", "log"

AGREEMENT = 1e-12  # relative; a scatter below it is the rounding of equal values


@dataclass(frozen=True, slots=True)
class Point:
    """A run's value of a measure.

    Attributes
    ----------
    run, method, block : str
    value : Value
    left_out : str
        Why it takes no part, or ``""``.
    outlier_p : float
        Grubbs' two-sided p-value when this is the most distant run of its method.
    """

    run: str
    method: str
    block: str
    value: Value
    left_out: str = ""
    outlier_p: float = math.nan


@dataclass(frozen=True, slots=True, eq=False)
class MethodMean:
    """A method's mean of a measure.

    Attributes
    ----------
    method : str
    count, censored : int
        Runs, and how many of them are only known as limits.
    mean : float
        Of the runs; geometric on the logarithmic scale.
    adjusted : float
        Of the blocks, each counting alike for every method; the mean without blocks.
    interval : (float, float)
        With what all runs share: how far the true mean may lie; of a share within 0 and 1.
    shared_uncertainty : float
        Standard uncertainty of the mean from what runs share.
    spread : float
        Standard deviation of a run, blocks taken out where they were; relative on the
        logarithmic scale.
    scatter : Scatter
        The same parted into measurement and the rest; of all methods together when a
        method has too few runs by itself.
    largest_own : str
        Largest source of a run's own measurement uncertainty.
    """

    method: str
    count: int
    censored: int
    mean: float
    adjusted: float
    interval: Interval
    shared_uncertainty: float
    spread: float
    scatter: Scatter
    largest_own: str


@dataclass(frozen=True, slots=True, eq=False)
class Difference:
    """Difference between two methods, the first minus the second.

    Attributes
    ----------
    first, second : str
    test : str
        In words.
    difference, ratio : float
    interval, ratio_interval : (float, float)
        Simultaneous over all pairs of methods.
    standard_error, df : float
        On the scale of the analysis. The degrees of freedom are those of the scatter of
        the runs; what runs share is in the standard error with its stated uncertainty
        (`specfrac.compare.known_errors`).
    effect_size : float
        Difference over the scatter of a run, corrected for small samples.
    p_value : float
        Corrected for the number of methods.
    p_corrected : float
        Corrected also for the number of measures; equal to `p_value` for the primary.
    p_ignoring_blocks : float
        What Welch's test without blocks would say; NaN without blocks.
    detectable : float
        Smallest true difference this design would have found with the wanted power; a
        ratio minus one on the logarithmic scale.
    runs_needed : int or None
        Runs of each method for the wanted difference.
    between_part, measurement_part, shared_part : float
        Of the variance of the difference; NaN when not known.
    foreign_part : float
        What of `shared_part` comes from sources that only one of the methods has.
    direction : float
        1 when the first method lies higher, -1 when lower; known even where censored
        values leave no estimate of the size.
    significant : bool
    """

    first: str
    second: str
    test: str
    difference: float
    interval: Interval
    ratio: float
    ratio_interval: Interval
    standard_error: float
    df: float
    effect_size: float
    p_value: float
    p_corrected: float
    p_ignoring_blocks: float
    detectable: float
    runs_needed: int | None
    between_part: float
    measurement_part: float
    shared_part: float
    foreign_part: float
    direction: float
    significant: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class MeasureComparison:
    """One measure compared over methods.

    Attributes
    ----------
    measure : Measure
    primary : bool
    points : tuple of Point
        Every run that has the measure, those left out included.
    missing : tuple of str
        Runs without it.
    design : Design
        Of the runs that take part.
    scale : str
        ``"linear"`` or ``"log"``.
    scale_reason : str
    methods : tuple of MethodMean
    differences : tuple of Difference
        Of the methods that are linked.
    overall : TestResult or None
        Of all methods at once, when there are more than two.
    equal_scatter_p : float
        Smallest p-value by Tukey's method, which assumes that methods scatter alike; for
        more than two methods with as many runs each and no blocks, otherwise NaN.
    ranks : TestResult or None
    interaction_p : float
        That the differences are the same in all blocks; NaN without blocks or repeats.
    verdict : str
        One of the words at the top of this module.
    winner : str or None
    sentence : str
    remarks : tuple of str
        What limits the conclusion, each a sentence.
    """

    measure: Measure
    primary: bool
    points: tuple[Point, ...]
    missing: tuple[str, ...]
    design: Design
    scale: str
    scale_reason: str
    methods: tuple[MethodMean, ...]
    differences: tuple[Difference, ...]
    overall: TestResult | None
    equal_scatter_p: float
    ranks: TestResult | None
    interaction_p: float
    verdict: str
    winner: str | None = None
    sentence: str = ""
    remarks: tuple[str, ...] = ()

    @property
    def used(self) -> tuple[Point, ...]:
        """The runs that take part."""
        return tuple(point for point in self.points if not point.left_out)

    def method(self, name: str) -> MethodMean | None:
        """Return the mean of a method, or None."""
        return next((one for one in self.methods if one.method == name), None)


@dataclass(frozen=True, slots=True, eq=False)
class _Sample:
    """The runs that take part, on the scale of the analysis."""

    methods: tuple[str, ...]
    codes: NDArray[np.int64]
    blocks: tuple[str, ...]
    z: Array
    own: Array
    below: NDArray[np.bool_]
    above: NDArray[np.bool_]
    log: bool
    points: tuple[Point, ...]

    @property
    def censored(self) -> bool:
        return bool(self.below.any() or self.above.any())

    def only(self, keep: NDArray[np.bool_]) -> _Sample:
        """Return the part of the sample, with codes from 0 again."""
        names = tuple(
            name for at, name in enumerate(self.methods) if (self.codes[keep] == at).any()
        )
        places = {self.methods.index(name): new for new, name in enumerate(names)}
        return replace(
            self,
            methods=names,
            codes=np.array([places[int(code)] for code in self.codes[keep]], dtype=np.int64),
            blocks=tuple(block for block, kept in zip(self.blocks, keep, strict=True) if kept),
            z=self.z[keep],
            own=self.own[keep],
            below=self.below[keep],
            above=self.above[keep],
            points=tuple(point for point, kept in zip(self.points, keep, strict=True) if kept),
        )

    def block_codes(self) -> NDArray[np.int64]:
        order = {block: at for at, block in enumerate(dict.fromkeys(self.blocks))}
        return np.array([order[block] for block in self.blocks], dtype=np.int64)


def compare_measure(
    measure: Measure,
    points: Sequence[Point],
    settings: Settings,
    *,
    missing: Sequence[str] = (),
    primary: bool = False,
    scale: str = "auto",
) -> MeasureComparison:
    """Compare one measure over the methods.

    Parameters
    ----------
    measure : Measure
    points : sequence of Point
        One a run.
    settings : Settings
        Of the comparison, see ``limits.csv``.
    missing : sequence of str
        Runs that lack the measure.
    primary : bool
    scale : str
        ``"linear"``, ``"log"``, or ``"auto"``: logarithmic for masses whose spread grows
        with the level.

    Returns
    -------
    MeasureComparison
        Before the correction for the number of measures; see `judged`.
    """
    used = [point for point in points if not point.left_out]
    layout = design([point.method for point in used], [point.block for point in used])
    chosen, reason = _scale(measure, used, layout, scale)
    sample = _sample(used, layout, chosen)
    differences: list[Difference] = []
    adjusted: dict[str, float] = {}
    for group in layout.groups:
        linked = _linked(sample, layout, group)
        if linked is None:
            continue
        if linked.censored:
            differences += _censored_differences(linked, layout, settings)
            continue
        means = _adjusted(linked, layout)
        differences += _differences(linked, means, layout, settings)
        adjusted.update(zip(linked.methods, means.means.tolist(), strict=True))
    found = MeasureComparison(
        measure=measure,
        primary=primary,
        points=_with_outliers(points, sample),
        missing=tuple(missing),
        design=layout,
        scale=chosen,
        scale_reason=reason,
        methods=_means(measure, sample, layout, settings, adjusted),
        differences=tuple(differences),
        overall=_overall(sample, layout),
        equal_scatter_p=_tukey_p(sample, layout),
        ranks=_ranks(sample, layout),
        interaction_p=_interaction(sample, layout),
        verdict=CANNOT_TELL,
    )
    return judged([found], settings)[0]


# Scale


def _scale(measure: Measure, used: Sequence[Point], layout: Design, wanted: str) -> tuple[str, str]:
    if not measure.per_gram:
        return LINEAR, "a fraction stays on the linear scale"
    if wanted == LOGARITHMIC and not _log_limits(used):
        return LINEAR, "a logarithm was asked for, but a value at or below zero has no limit"
    if wanted in (LINEAR, LOGARITHMIC):
        return wanted, "asked for"
    if not any(point.value.bound for point in used) and _spread_grows(used, layout):
        return LOGARITHMIC, "the spread grows with the level"
    return LINEAR, "the spread does not clearly grow with the level"


def _spread_grows(used: Sequence[Point], layout: Design) -> bool:
    values = np.array([point.value.value for point in used])
    codes = _codes([point.method for point in used])
    blocks = None if layout.kind == UNPAIRED else _codes(named_blocks([p.block for p in used]))
    return log_scale_gain(values, codes, blocks) > LOG_SCALE_LIMIT


def _log_limits(used: Sequence[Point]) -> bool:
    return all(point.value.value > 0 or point.value.detection_limit > 0 for point in used)


def _codes(words: Sequence[str]) -> NDArray[np.int64]:
    order = {word: at for at, word in enumerate(dict.fromkeys(words))}
    return np.array([order[word] for word in words], dtype=np.int64)


def _sample(used: Sequence[Point], layout: Design, scale: str) -> _Sample:
    log = scale == LOGARITHMIC
    value = np.array([point.value.value for point in used], dtype=np.float64)
    own = np.array([point.value.own for point in used], dtype=np.float64)
    below = np.array([point.value.bound == "below" for point in used], dtype=bool)
    above = np.array([point.value.bound == "above" for point in used], dtype=bool)
    if log:
        # an estimate at or below zero has no logarithm: it is known to lie below its limit
        limits = np.array([point.value.detection_limit for point in used], dtype=np.float64)
        below = below | (value <= 0)
        value = np.where(value <= 0, limits, value)
        own, value = own / value, np.log(value)
    blocks = () if layout.kind == UNPAIRED else named_blocks([point.block for point in used])
    return _Sample(
        methods=layout.methods,
        codes=np.array([layout.methods.index(point.method) for point in used], dtype=np.int64),
        blocks=blocks or ("",) * len(used),
        z=value,
        own=own,
        below=below,
        above=above,
        log=log,
        points=tuple(used),
    )


# Means


def _means(
    measure: Measure,
    sample: _Sample,
    layout: Design,
    settings: Settings,
    adjusted: Mapping[str, float],
) -> tuple[MethodMean, ...]:
    together = _scatter_of(sample, layout)
    found = []
    for at, name in enumerate(sample.methods):
        held = _mean(measure, sample.only(sample.codes == at), layout, settings, together)
        if name in adjusted:
            value = math.exp(adjusted[name]) if sample.log else adjusted[name]
            held = replace(held, adjusted=value)
        found.append(held)
    return tuple(found)


def _mean(
    measure: Measure, part: _Sample, layout: Design, settings: Settings, together: Scatter
) -> MethodMean:
    estimate = censored_mean(part.z, part.below, part.above)
    mean = estimate.mean
    if math.isnan(mean) and not part.censored and part.z.size:
        mean = float(part.z.mean())
    shared = _shared(part)
    shared_variance = sum(value**2 for value in shared.values())
    half = half_width(
        estimate.uncertainty**2,
        estimate.df,
        shared_variance,
        coverage=1 - settings["significance"],
    )
    own = _scatter_of(part, layout)
    factor = math.exp(mean) if part.log else 1.0
    sources = [point.value.largest_own for point in part.points if point.value.largest_own]
    return MethodMean(
        method=part.methods[0],
        count=part.z.size,
        censored=int((part.below | part.above).sum()),
        mean=math.exp(mean) if part.log else mean,
        adjusted=math.exp(mean) if part.log else mean,
        interval=_possible(measure, _back(part.log, (mean - half, mean + half))),
        shared_uncertainty=math.sqrt(shared_variance) * factor,
        spread=own.total if not math.isnan(own.total) else together.total,
        scatter=together if math.isnan(own.total) else own,
        largest_own=max(sorted(set(sources)), key=sources.count, default=""),
    )


def _possible(measure: Measure, interval: Interval) -> Interval:
    """Cut the interval of a share to 0 and 1; NaN stays."""
    if measure.family != "share" or math.isnan(interval[0]):
        return interval
    return min(max(interval[0], 0.0), 1.0), max(min(interval[1], 1.0), 0.0)


def _back(log: bool, interval: Interval) -> Interval:
    return (math.exp(interval[0]), math.exp(interval[1])) if log else interval


def _scatter_of(sample: _Sample, layout: Design) -> Scatter:
    if sample.z.size == 0 or sample.censored:
        return Scatter(math.nan, math.nan, math.nan, math.nan, math.nan)
    columns = _columns(sample, blocked=layout.kind != UNPAIRED)
    return scatter(sample.z, sample.own, columns)


def _columns(sample: _Sample, *, blocked: bool) -> Array:
    """Return the indicators of the methods, and of the blocks where wanted."""
    columns = sample.codes[:, None] == np.arange(len(sample.methods))[None, :]
    if blocked:
        blocks = sample.block_codes()
        columns = np.hstack([columns, blocks[:, None] == np.unique(blocks)[None, :]])
    return columns.astype(np.float64)


def _shared(part: _Sample) -> dict[str, float]:
    """Mean contribution of each shared source over the runs, on the analysis' scale."""
    total: dict[str, float] = {}
    for point in part.points:
        scale = abs(point.value.value) if part.log else 1.0
        for source, contribution in point.value.shared:
            total[source] = total.get(source, 0.0) + (contribution / scale if scale > 0 else 0.0)
    return {source: value / len(part.points) for source, value in total.items()}


# Differences


def _linked(sample: _Sample, layout: Design, group: Sequence[str]) -> _Sample | None:
    """Return the runs of linked methods that say something about a difference, or None."""
    chosen = sample.only(np.array([sample.methods[code] in group for code in sample.codes]))
    if layout.kind != UNPAIRED and chosen.z.size:
        blocks = chosen.block_codes()
        chosen = chosen.only(np.bincount(blocks)[blocks] > 1)
    return chosen if len(chosen.methods) > 1 else None


def _adjusted(sample: _Sample, layout: Design) -> AdjustedMeans:
    blocks = None if layout.kind == UNPAIRED else sample.block_codes()
    return adjusted_means(sample.z, sample.codes, blocks)


def _differences(
    sample: _Sample, means: AdjustedMeans, layout: Design, settings: Settings
) -> list[Difference]:
    return [
        _difference(sample, means, layout, settings, i, j)
        for i, j in combinations(range(len(sample.methods)), 2)
    ]


TEST_WORDS = {
    (UNPAIRED, False): "Welch's t test",
    (PAIRED, False): "paired t test",
    (BLOCKED, False): "t test within blocks, unequal variances",
    (UNPAIRED, True): "Games-Howell",
    (PAIRED, True): "Games-Howell within blocks",
    (BLOCKED, True): "Games-Howell within blocks",
}


def _difference(
    sample: _Sample, means: AdjustedMeans, layout: Design, settings: Settings, i: int, j: int
) -> Difference:
    k = len(sample.methods)
    contrast = np.zeros(k)
    contrast[i], contrast[j] = 1.0, -1.0
    estimate = float(contrast @ means.means)
    own_variance, own_df = means.variance(contrast), means.df(contrast)
    if not own_variance > (AGREEMENT * float(np.abs(sample.z).max())) ** 2:
        own_df = math.nan  # runs that agree exactly say nothing about their scatter
    parts = _pair_shared(sample, i, j)
    variance = own_variance + parts.variance
    coverage = 1 - settings["significance"]

    def width(of: float, known: float) -> float:
        return half_width(of, own_df, known, coverage=coverage, methods=k)

    half = width(own_variance, parts.variance)
    p_value = chance_beyond(estimate, own_variance, own_df, parts.variance, methods=k)
    per_claim = chance_beyond(half, own_variance, own_df, parts.variance)
    measured = _measured_variance(sample, contrast @ means.weights)
    present = _presentation(sample, means, (i, j), width, parts)
    seen = detectable_difference(
        _precision(means, layout, (i, j), own_df, parts.foreign),
        significance=per_claim,
        power=settings["power"],
    )
    level = abs(float(means.means[i] + means.means[j])) / 2
    wanted = settings["wanted_difference"]
    return Difference(
        first=sample.methods[i],
        second=sample.methods[j],
        test=TEST_WORDS[layout.kind, k > 2],
        difference=present.difference,
        interval=present.interval,
        ratio=present.ratio,
        ratio_interval=present.ratio_interval,
        standard_error=math.sqrt(variance),
        df=own_df,
        effect_size=_effect(means, estimate, i, j, own_df),
        p_value=p_value,
        p_corrected=p_value,
        p_ignoring_blocks=_ignoring_blocks(sample, layout, i, j),
        detectable=math.expm1(seen) if sample.log else seen,
        runs_needed=runs_needed(
            math.log1p(wanted) if sample.log else wanted * level,
            *_spreads(means, i, j),
            significance=per_claim,
            power=settings["power"],
            blocks=len(set(sample.blocks)) if layout.kind == BLOCKED else 0,
            paired=layout.kind == PAIRED,
            known=parts.foreign,
            largest=int(settings["runs_searched"]),
        )
        if not math.isnan(per_claim)
        else None,
        between_part=_part(own_variance - measured, variance),
        measurement_part=_part(own_variance if measured > own_variance else measured, variance),
        shared_part=_part(parts.variance, variance),
        foreign_part=_part(parts.foreign, variance),
        direction=math.copysign(1.0, estimate),
    )


def _precision(
    means: AdjustedMeans, layout: Design, pair: tuple[int, int], df: float, foreign: float
) -> Precision:
    """Return how well a difference is known, for what could have been found.

    Paired, or by a chain over other methods, one variance is estimated; otherwise each of
    the two methods has its own, with the residual degrees of freedom of its runs.
    """
    i, j = pair
    contrast = np.zeros(means.means.size)
    contrast[i], contrast[j] = 1.0, -1.0
    if layout.kind == PAIRED or (layout.kind == BLOCKED and means.means.size > 2):
        return Precision(((means.variance(contrast), df),), foreign)
    weights = contrast @ means.weights
    parts = []
    for at in pair:
        own = means.codes == at
        variance = float(np.sum(weights[own] ** 2)) * float(means.spread[at]) ** 2
        parts.append((variance, float(np.sum(1 - means.leverage[own]))))
    return Precision(tuple(parts), foreign)


@dataclass(frozen=True, slots=True)
class _PairShared:
    """What shared errors leave in a difference: what does not cancel, and what only one has.

    `variance` and `foreign` are on the scale of the analysis, `mass_variance` in the unit
    of the measure.
    """

    variance: float
    foreign: float
    ratio_variance: float
    mass_variance: float


def _pair_shared(sample: _Sample, i: int, j: int) -> _PairShared:
    """Errors of one source move both methods alike; only the difference of sizes is left.

    For a ratio the relative sizes count, and they cancel where the source is a scale.
    """
    first, second = (sample.only(sample.codes == at) for at in (i, j))
    a, b = _shared(first), _shared(second)
    level_a, level_b = float(first.z.mean()), float(second.z.mean())
    variance = foreign = relative = mass = 0.0
    for source in {**a, **b}:
        left, right = a.get(source, 0.0), b.get(source, 0.0)
        variance += (left - right) ** 2
        if source not in a or source not in b:
            foreign += (left - right) ** 2
        if sample.log:
            relative += (left - right) ** 2
            mass += (left * math.exp(level_a) - right * math.exp(level_b)) ** 2
        elif level_a and level_b:
            relative += (left / level_a - right / level_b) ** 2
    return _PairShared(variance, foreign, relative, mass if sample.log else variance)


@dataclass(frozen=True, slots=True)
class _Presented:
    difference: float
    interval: Interval
    ratio: float
    ratio_interval: Interval


def _presentation(
    sample: _Sample,
    means: AdjustedMeans,
    pair: tuple[int, int],
    width: Callable[[float, float], float],
    shared: _PairShared,
) -> _Presented:
    """Difference and ratio with intervals, in the unit of the measure.

    `width` gives the half width for an estimated and a known variance.
    """
    i, j = pair
    a, b = float(means.means[i]), float(means.means[j])
    covariance = means.covariance[np.ix_([i, j], [i, j])]
    estimate = a - b
    own = float(covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1])
    half = width(own, shared.variance)
    if not sample.log:
        positive = a > 0 and b > 0
        return _Presented(
            estimate,
            (estimate - half, estimate + half),
            a / b if positive else math.nan,
            _ratio_interval(a, b, covariance, width, shared) if positive else UNKNOWN,
        )
    gradient = np.array([math.exp(a), -math.exp(b)])
    spread = width(max(float(gradient @ covariance @ gradient), 0.0), shared.mass_variance)
    difference = math.exp(a) - math.exp(b)
    return _Presented(
        difference,
        (difference - spread, difference + spread),
        math.exp(estimate),
        (math.exp(estimate - half), math.exp(estimate + half)),
    )


def _ratio_interval(
    a: float,
    b: float,
    covariance: Array,
    width: Callable[[float, float], float],
    shared: _PairShared,
) -> Interval:
    """Fieller's interval; a relative error that stays in the ratio is put on the first mean."""
    known = shared.ratio_variance * a * a
    weights = np.array([1.0, -a / b])
    own = float(weights @ covariance @ weights)
    if not own > 0:
        return UNKNOWN
    quantile = width(own, known) / math.sqrt(own + known)
    widened = covariance.copy()
    widened[0, 0] += known
    return fieller(a, b, widened, quantile)


def _spreads(means: AdjustedMeans, i: int, j: int) -> tuple[float, float]:
    return float(means.spread[i]), float(means.spread[j])


def _effect(means: AdjustedMeans, estimate: float, i: int, j: int, df: float) -> float:
    first, second = _spreads(means, i, j)
    root = math.sqrt((first**2 + second**2) / 2)
    if not root > 0:
        return math.nan
    counts = np.bincount(means.codes, minlength=means.means.size)
    pooled = pooled_df(first, second, int(counts[i]), int(counts[j]))
    return estimate / root * hedges_factor(min(pooled, df) if df > 0 else pooled)


def _part(variance: float, total: float) -> float:
    """Share of a variance, 0 to 1; NaN when not known."""
    if math.isnan(variance) or not total > 0:
        return math.nan
    return max(variance, 0.0) / total


def _measured_variance(sample: _Sample, weights: Array) -> float:
    """Part of a contrast's variance that is the runs' own measurement."""
    return float(np.sum(weights**2 * sample.own**2))


def _ignoring_blocks(sample: _Sample, layout: Design, i: int, j: int) -> float:
    from scipy import stats

    if layout.kind == UNPAIRED:
        return math.nan
    first, second = sample.z[sample.codes == i], sample.z[sample.codes == j]
    if min(first.size, second.size) < 2 or not np.ptp(first) + np.ptp(second) > 0:
        return math.nan
    return float(stats.ttest_ind(first, second, equal_var=False).pvalue)


# Censored values


def _censored_differences(sample: _Sample, layout: Design, settings: Settings) -> list[Difference]:
    """Differences where some values are only limits: rank scores decide, within blocks."""
    pairs = list(combinations(range(len(sample.methods)), 2))
    blocks = None if layout.kind == UNPAIRED else sample.block_codes()
    tests = []
    for i, j in pairs:
        both = (sample.codes == i) | (sample.codes == j)
        tests.append(
            rank_test(
                sample.z[both],
                sample.codes[both],
                None if blocks is None else blocks[both],
                below=sample.below[both],
                above=sample.above[both],
            )
        )
    corrected = holm([test.p_value for test in tests])
    return [
        _censored_difference(sample, settings, pair, test, p_value)
        for pair, test, p_value in zip(pairs, tests, corrected, strict=True)
    ]


def _censored_difference(
    sample: _Sample, settings: Settings, pair: tuple[int, int], test: TestResult, p_value: float
) -> Difference:
    parts = [sample.only(sample.codes == at) for at in pair]
    first, second = (censored_mean(part.z, part.below, part.above) for part in parts)
    estimate = first.mean - second.mean
    shared = _pair_shared(sample, *pair)
    a, b = first.uncertainty**2, second.uncertainty**2
    own_df = (a + b) ** 2 / (a * a / first.df + b * b / second.df) if a + b > 0 else math.nan

    def width(of: float, known: float) -> float:
        return half_width(of, own_df, known, coverage=1 - settings["significance"])

    half = width(a + b, shared.variance)
    if sample.log:
        ratio, ratio_interval = math.exp(estimate), _back(True, (estimate - half, estimate + half))
        difference = math.exp(first.mean) - math.exp(second.mean)
        interval = UNKNOWN
    else:
        difference, interval = estimate, (estimate - half, estimate + half)
        positive = first.mean > 0 and second.mean > 0
        ratio = first.mean / second.mean if positive else math.nan
        ratio_interval = UNKNOWN
        if positive:
            ratio_interval = _ratio_interval(
                first.mean, second.mean, np.diag([a, b]), width, shared
            )
    return Difference(
        first=sample.methods[pair[0]],
        second=sample.methods[pair[1]],
        test=f"{test.name}, limits as limits",
        difference=difference,
        interval=interval,
        ratio=ratio,
        ratio_interval=ratio_interval,
        standard_error=math.sqrt(a + b + shared.variance) if a + b >= 0 else math.nan,
        df=own_df,
        effect_size=math.nan,
        p_value=p_value,
        p_corrected=p_value,
        p_ignoring_blocks=math.nan,
        detectable=math.nan,
        runs_needed=None,
        between_part=math.nan,
        measurement_part=math.nan,
        shared_part=math.nan,
        foreign_part=math.nan,
        direction=math.copysign(1.0, _score_difference(sample, pair)),
    )


def _score_difference(sample: _Sample, pair: tuple[int, int]) -> float:
    both = sample.only((sample.codes == pair[0]) | (sample.codes == pair[1]))
    found = scores(both.z, both.below, both.above)
    return float(found[both.codes == 0].mean() - found[both.codes == 1].mean())


# All methods at once, and ranks


def _overall(sample: _Sample, layout: Design) -> TestResult | None:
    if len(sample.methods) < 3 or sample.censored or layout.kind == CONFOUNDED:
        return None
    if len(layout.groups) > 1:
        return None
    if layout.kind != UNPAIRED:
        return block_anova(sample.z, sample.codes, sample.block_codes())
    groups = [sample.z[sample.codes == at] for at in range(len(sample.methods))]
    return welch_anova(groups) if min(group.size for group in groups) > 1 else None


def _tukey_p(sample: _Sample, layout: Design) -> float:
    groups = [sample.z[sample.codes == at] for at in range(len(sample.methods))]
    alike = len({group.size for group in groups}) == 1
    if layout.kind != UNPAIRED or len(groups) < 3 or not alike or sample.censored:
        return math.nan
    if groups[0].size < 2 or not sum(float(np.ptp(group)) for group in groups) > 0:
        return math.nan
    found = tukey(groups).p_value
    return float(found[~np.eye(len(groups), dtype=bool)].min())


def _ranks(sample: _Sample, layout: Design) -> TestResult | None:
    linked = max(layout.groups, key=len, default=())
    if len(linked) < 2:
        return None
    chosen = sample.only(np.array([sample.methods[code] in linked for code in sample.codes]))
    blocks = None if layout.kind == UNPAIRED else chosen.block_codes()
    return rank_test(chosen.z, chosen.codes, blocks, below=chosen.below, above=chosen.above)


def _interaction(sample: _Sample, layout: Design) -> float:
    if layout.kind == UNPAIRED or len(sample.methods) < 2 or sample.censored:
        return math.nan
    return interaction_test(sample.z, sample.codes, sample.block_codes()).p_value


# Outliers


def _with_outliers(points: Sequence[Point], sample: _Sample) -> tuple[Point, ...]:
    """Note Grubbs' p-value at the most distant run of each method; blocks taken out."""
    found: dict[str, float] = {}
    if not sample.censored and sample.z.size:
        columns = _columns(sample, blocked=len(set(sample.blocks)) > 1)
        rest = sample.z - columns @ np.linalg.lstsq(columns, sample.z, rcond=None)[0]
        for at in range(len(sample.methods)):
            inside = np.flatnonzero(sample.codes == at)
            place, _, p_value = grubbs(rest[inside])
            if not math.isnan(p_value):
                found[sample.points[inside[place]].run] = p_value
    return tuple(
        replace(point, outlier_p=found[point.run])
        if point.run in found and not point.left_out
        else point
        for point in points
    )


# Verdicts


def judged(
    comparisons: Sequence[MeasureComparison], settings: Settings
) -> tuple[MeasureComparison, ...]:
    """Correct for the number of measures, and say what may be claimed.

    The primary measure stands by itself. The others are corrected together after Holm,
    by the smallest p-value each has.

    Parameters
    ----------
    comparisons : sequence of MeasureComparison
    settings : Settings

    Returns
    -------
    tuple of MeasureComparison
    """
    secondary = [one for one in comparisons if not one.primary]
    smallest = [_smallest(one) for one in secondary]
    corrected = holm(smallest)
    judged_by_key: dict[str, MeasureComparison] = {}
    for one, p_value, raw in zip(secondary, corrected, smallest, strict=True):
        factor = p_value / raw if raw > 0 else 1.0
        judged_by_key[one.measure.key] = _judge(one, factor, settings)
    return tuple(
        _judge(one, 1.0, settings) if one.primary else judged_by_key[one.measure.key]
        for one in comparisons
    )


def _smallest(one: MeasureComparison) -> float:
    known = [pair.p_value for pair in one.differences if not math.isnan(pair.p_value)]
    return min(known, default=math.nan)


def _judge(one: MeasureComparison, factor: float, settings: Settings) -> MeasureComparison:
    pairs = []
    for pair in one.differences:
        p_value = min(1.0, pair.p_value * factor) if not math.isnan(pair.p_value) else math.nan
        pairs.append(
            replace(pair, p_corrected=p_value, significant=p_value < settings["significance"])
        )
    judged_one = replace(one, differences=tuple(pairs))
    verdict, winner = _verdict(judged_one)
    return replace(judged_one, verdict=verdict, winner=winner)


def _verdict(one: MeasureComparison) -> tuple[str, str | None]:
    if len(one.design.methods) < 2:
        everyone = {point.method for point in one.points}
        return (NOT_COMPARABLE if len(everyone) > 1 else ONE_METHOD), None
    if one.design.kind == CONFOUNDED:
        return CONFOUNDED_VERDICT, None
    if all(math.isnan(pair.p_value) for pair in one.differences):
        return TOO_FEW, None
    if not any(pair.significant for pair in one.differences):
        return CANNOT_TELL, None
    if one.measure.better not in (HIGHER, LOWER):
        return DIFFER, None
    best = best_method(one)
    return (WINS, best) if best else (DIFFER, None)


def best_method(one: MeasureComparison) -> str | None:
    """Return the method that is better than every other it may be compared with, or None."""
    sign = 1.0 if one.measure.better == HIGHER else -1.0
    group = max(one.design.groups, key=len)
    for method in group:
        beaten = {
            pair.second if pair.first == method else pair.first
            for pair in one.differences
            if pair.significant
            and method in (pair.first, pair.second)
            and sign * (gain(pair, method)) > 0
        }
        if beaten == set(group) - {method}:
            return method
    return None


def gain(pair: Difference, method: str) -> float:
    """Return 1 when a method of a pair lies higher than the other, otherwise -1."""
    return pair.direction if pair.first == method else -pair.direction


def by_method(points: Sequence[Point]) -> Mapping[str, tuple[Point, ...]]:
    """Return the runs that take part, by method."""
    found: dict[str, list[Point]] = {}
    for point in points:
        if not point.left_out:
            found.setdefault(point.method, []).append(point)
    return {method: tuple(held) for method, held in found.items()}
