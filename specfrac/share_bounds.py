"""What share of the colour a pigment has, when no amount can be below zero.

The unconstrained estimate of a clean tube spreads over pigments that look alike, some of
them below zero. Taken with its covariance alone it allows a share that only negative
neighbours could make up. Here the shares that the data accept are those that some
composition without negative amounts has.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from specfrac.errors import InputError
from specfrac.fitting.quadratic import minimise_bounded
from specfrac.uncertainty import NORMAL_95

Array = NDArray[np.float64]

ONE_SIDED_95 = 1.6448536269514722
GRID = 17
BINDING = 1e7  # weight that holds a composition to its share, over the data's largest


@dataclass(frozen=True, slots=True)
class ShareBounds:
    """Share of some pigments in a sum of non-negative amounts.

    Attributes
    ----------
    value : float
        Of the most likely non-negative composition.
    low, high : float
        Ends of the 95 % interval.
    lower_bound : float
        One-sided 95 %: a share below it would contradict the data.
    """

    value: float
    low: float
    high: float
    lower_bound: float


def share_bounds(estimate: ArrayLike, covariance: ArrayLike, members: Sequence[int]) -> ShareBounds:
    """Profile the likelihood of a share over all compositions without negative amounts.

    q(p) = min over x >= 0 with Σ_members x = p Σ x of (x - x̂)' C⁻¹ (x - x̂); the interval
    holds every p with q(p) - min q <= 1.96², the one-sided bound those with 1.645².

    Parameters
    ----------
    estimate : array_like, shape (n,)
        Unconstrained estimate of the amounts, which may be below zero.
    covariance : array_like, shape (n, n)
    members : sequence of int
        Positions of the pigments whose share is asked for.

    Returns
    -------
    ShareBounds
        NaN when an amount or its covariance is not known, or nothing is there.

    Raises
    ------
    InputError
        If the sizes disagree or no member is named.
    """
    profile = _profile(estimate, covariance, members)
    if profile is None:
        return ShareBounds(math.nan, math.nan, math.nan, math.nan)
    if profile.chosen.all():
        return ShareBounds(1.0, 1.0, 1.0, 1.0)
    low, bound = _ends(profile.excess, profile.value, 0.0, (NORMAL_95, ONE_SIDED_95))
    (high,) = _ends(profile.excess, profile.value, 1.0, (NORMAL_95,))
    return ShareBounds(profile.value, low, high, bound)


def probability_above(
    estimate: ArrayLike, covariance: ArrayLike, members: Sequence[int], limit: float
) -> float:
    """Probability that a share exceeds a limit: 0.95 at its one-sided 95 % lower bound.

    Φ(±√(q(limit) - min q)), with + where the most likely share lies above the limit.

    Parameters
    ----------
    estimate, covariance, members
        As in `share_bounds`.
    limit : float
        Between 0 and 1.

    Returns
    -------
    float
        NaN when an amount or its covariance is not known, or nothing is there.
    """
    profile = _profile(estimate, covariance, members)
    if profile is None:
        return math.nan
    if profile.chosen.all():
        return float(limit < 1)
    depth = math.sqrt(max(float(profile.excess(np.array([limit]))[0]), 0.0))
    return 0.5 * math.erfc(-math.copysign(depth, profile.value - limit) / math.sqrt(2))


@dataclass(frozen=True, slots=True, eq=False)
class _Profile:
    """What the data say of the share of chosen amounts."""

    estimate: Array
    precision: Array
    chosen: NDArray[np.bool_]
    value: float
    least: float

    def excess(self, shares: Array) -> Array:
        """q(p) - min q."""
        row = np.where(self.chosen, 1 - shares[:, None], -shares[:, None])
        weight = BINDING * np.abs(np.diag(self.precision)).max()
        held = self.precision + weight * row[:, :, None] * row[:, None, :]
        linear = np.tile(self.precision @ self.estimate, (shares.size, 1))
        away = _closest(held, linear) - self.estimate
        return np.asarray(((away @ self.precision) * away).sum(axis=1) - self.least)


def _profile(estimate: ArrayLike, covariance: ArrayLike, members: Sequence[int]) -> _Profile | None:
    """Return the profile of a share; None when nothing is known or there."""
    x, c = np.asarray(estimate, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
    chosen = np.zeros(x.size, dtype=bool)
    chosen[list(members)] = True
    if x.ndim != 1 or c.shape != (x.size, x.size) or not chosen.any():
        raise InputError(
            f"share of {int(chosen.sum())} of {x.size} amounts with a covariance of shape "
            f"{c.shape}: name at least one member, and give a covariance that fits."
        )
    scale = float(np.abs(x).max(initial=0.0))
    if not (np.isfinite(x).all() and np.isfinite(c).all() and scale > 0):
        return None
    x, c = x / scale, c / scale**2
    # amounts known exactly would make the covariance singular
    precision = np.linalg.inv(c + 1e-12 * np.trace(c) * np.eye(x.size) + 1e-18 * np.eye(x.size))
    best = _closest(precision[None], (precision @ x)[None])[0]
    if not best.sum() > 0:
        return None
    value = float(best[chosen].sum() / best.sum())
    return _Profile(x, precision, chosen, value, float((best - x) @ precision @ (best - x)))


def _closest(matrix: Array, linear: Array) -> Array:
    """Non-negative minimisers of ½ x'Hx - b'x."""
    n, p = linear.shape
    everything = np.ones(p, dtype=bool)
    start = np.zeros((n, p), dtype=bool)
    found, _ = minimise_bounded(matrix, linear, np.zeros((n, p)), everything, ~everything, start)
    return np.maximum(found, 0.0)


def _ends(
    excess: Callable[[Array], Array], value: float, limit: float, factors: Sequence[float]
) -> list[float]:
    """Shares between the value and a limit at which √excess reaches each factor.

    √excess is all but straight beside the value, so a coarse and a fine grid do.
    """
    if value == limit:
        return [limit] * len(factors)
    coarse = np.linspace(value, limit, GRID)
    depth = np.sqrt(np.maximum(excess(coarse), 0.0))
    ends = []
    for factor in factors:
        beyond = np.flatnonzero(depth > factor)
        if not beyond.size:
            ends.append(limit)
            continue
        fine = np.linspace(coarse[max(beyond[0] - 1, 0)], coarse[beyond[0]], GRID)
        ends.append(float(np.interp(factor, np.sqrt(np.maximum(excess(fine), 0.0)), fine)))
    return ends
