"""Control charts of single values over time: limits, and the points that break them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import ArrayLike, NDArray

from specfrac.compare.statistics import Line, line
from specfrac.settings import Settings

Array = NDArray[np.float64]

# Mean range of two standard normal values, exact; tables round it to 1.128.
RANGE_OF_TWO = 2 / math.sqrt(math.pi)
# Upper limit of such a range in units of its mean: 1 + 3 d3/d2, d3 = sqrt(2 - 4/π).
RANGE_LIMIT_FACTOR = 1 + 3 * math.sqrt(2 - 4 / math.pi) / RANGE_OF_TWO

BEYOND_ACTION = "beyond the action limit"
TWICE_BEYOND_WARNING = "two of three beyond the warning limit"
LONG_RUN = "a run on one side of the mean"
EWMA_BROKEN = "the weighted mean left its limits"


@dataclass(frozen=True, slots=True)
class IndividualsLimits:
    """Limits of a chart of single values, from the mean moving range.

    Attributes
    ----------
    mean, mean_range, sigma : float
        sigma = mean range / d2.
    warning, action : (float, float)
    range_limit : float
    """

    mean: float
    mean_range: float
    sigma: float
    warning: tuple[float, float]
    action: tuple[float, float]
    range_limit: float


def individuals_limits(
    values: ArrayLike, *, warning: float = 2.0, action: float = 3.0
) -> IndividualsLimits:
    """Limits of an individuals chart.

    mean ± k MR / d2, with MR the mean of |x_t - x_{t-1}| and d2 = 2/√π.

    Parameters
    ----------
    values : array_like, shape (n,)
        In order of time, n >= 2.
    warning, action : float
        Standard deviations.

    Returns
    -------
    IndividualsLimits

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.2.
    """
    x = np.asarray(values, dtype=np.float64)
    mean, mean_range = float(x.mean()), float(np.abs(np.diff(x)).mean())
    sigma = mean_range / RANGE_OF_TWO
    return IndividualsLimits(
        mean,
        mean_range,
        sigma,
        (mean - warning * sigma, mean + warning * sigma),
        (mean - action * sigma, mean + action * sigma),
        RANGE_LIMIT_FACTOR * mean_range,
    )


def weighted_means(values: ArrayLike, *, weight: float, start: float) -> Array:
    """Exponentially weighted means, z_t = w x_t + (1 - w) z_{t-1}.

    Parameters
    ----------
    values : array_like, shape (n,)
    weight : float
        0 to 1, of the newest value.
    start : float
        The mean before the first value.

    Returns
    -------
    ndarray, shape (n,)

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.4.
    """
    found, now = [], start
    for value in np.asarray(values, dtype=np.float64).tolist():
        now = weight * value + (1 - weight) * now
        found.append(now)
    return np.array(found)


def weighted_mean_limits(
    centre: float, sigma: float, *, weight: float, action: float = 3.0
) -> tuple[float, float]:
    """Limits of exponentially weighted means after many points.

    centre ± action σ √(w / (2 - w)); see `weighted_means`.
    """
    half = action * sigma * math.sqrt(weight / (2 - weight))
    return centre - half, centre + half


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """A point of a control chart.

    Attributes
    ----------
    date, run, method : str
    value, weighted_mean : float
    broken : tuple of str
        Which rules it breaks.
    """

    date: str
    run: str
    method: str
    value: float
    weighted_mean: float
    broken: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class ControlChart:
    """A series over time with its limits.

    Attributes
    ----------
    key, words, unit : str
    points : tuple of ChartPoint
        In order of time.
    limits : IndividualsLimits
    weighted_limits : (float, float)
    drift : Line or None
        Against the days since the first point.
    sentence : str
        Which points break it, and how firm the limits are.
    """

    key: str
    words: str
    unit: str
    points: tuple[ChartPoint, ...]
    limits: IndividualsLimits
    weighted_limits: tuple[float, float]
    drift: Line | None
    sentence: str


def control_chart(
    key: str,
    words: str,
    unit: str,
    series: Sequence[tuple[str, str, str, float]],
    settings: Settings,
) -> ControlChart | None:
    """Return the control chart of a series, or None when it is too short.

    Parameters
    ----------
    key, words, unit : str
    series : sequence of (date, run, method, value)
        Dates as ISO 8601.
    settings : Settings
        Of the comparison.

    Returns
    -------
    ControlChart or None
    """
    ordered = sorted((one for one in series if math.isfinite(one[3])), key=lambda one: one[:2])
    if len(ordered) < settings["chart_minimum"]:
        return None
    values = np.array([one[3] for one in ordered])
    limits = individuals_limits(
        values, warning=settings["chart_warning"], action=settings["chart_action"]
    )
    weight = settings["ewma_weight"]
    means = weighted_means(values, weight=weight, start=limits.mean)
    bounds = weighted_mean_limits(
        limits.mean, limits.sigma, weight=weight, action=settings["chart_action"]
    )
    broken = _broken(values, limits, means, bounds, int(settings["chart_run"]))
    points = tuple(
        ChartPoint(day, run, method, value, float(mean), rules)
        for (day, run, method, value), mean, rules in zip(ordered, means, broken, strict=True)
    )
    drift = _drift(points)
    sentence = _sentence(points, drift, settings)
    return ControlChart(key, words, unit, points, limits, bounds, drift, sentence)


def _broken(
    x: Array, limits: IndividualsLimits, means: Array, bounds: tuple[float, float], run: int
) -> list[tuple[str, ...]]:
    """Return which rules each point breaks; without any scatter there are no limits."""
    if not limits.sigma > 0:
        return [()] * x.size
    side = np.sign(x - limits.mean)
    beyond = np.where(x > limits.warning[1], 1, np.where(x < limits.warning[0], -1, 0))
    found: list[tuple[str, ...]] = []
    for at in range(x.size):
        rules = []
        if not limits.action[0] <= x[at] <= limits.action[1]:
            rules.append(BEYOND_ACTION)
        last = beyond[max(at - 2, 0) : at + 1]
        if beyond[at] and np.sum(last == beyond[at]) >= 2:
            rules.append(TWICE_BEYOND_WARNING)
        tail = side[max(at - run + 1, 0) : at + 1]
        if tail.size == run and tail[0] != 0 and (tail == tail[0]).all():
            rules.append(LONG_RUN)
        if not bounds[0] <= means[at] <= bounds[1]:
            rules.append(EWMA_BROKEN)
        found.append(tuple(rules))
    return found


def _drift(points: Sequence[ChartPoint]) -> Line | None:
    days = [date.fromisoformat(point.date[:10]).toordinal() for point in points]
    if len(set(days)) < 3:
        return None
    return line([day - days[0] for day in days], [point.value for point in points])


NAMED_POINTS = 6


def _sentence(points: Sequence[ChartPoint], drift: Line | None, settings: Settings) -> str:
    broken = [point for point in points if point.broken]
    named = [
        f"{point.run} ({point.date}): {', '.join(point.broken)}" for point in broken[:NAMED_POINTS]
    ]
    if len(broken) > NAMED_POINTS:
        named.append(f"{len(broken) - NAMED_POINTS} more points")
    words = f"All {len(points)} points within limits."
    if named:
        words = f"{broken_words(points, settings)}: {'; '.join(named)}."
    if drift is not None and drift.p_value < settings["significance"]:
        words += f" It drifts {'up' if drift.slope > 0 else 'down'} (p = {drift.p_value:.2g})."
    if len(points) < settings["chart_settled"]:
        words += f" With {len(points)} points the limits are rough."
    return words


def broken_words(points: Sequence[ChartPoint], settings: Settings) -> str:
    """Return how many points break a rule, and how many would by chance."""
    count = sum(bool(point.broken) for point in points)
    chance = settings["chart_chance"] * len(points)
    told = "under 1" if chance < 1 else f"about {chance:.0f}"
    verb = "breaks" if count == 1 else "break"
    return f"{count} of {len(points)} points {verb} a rule (by chance alone {told})"
