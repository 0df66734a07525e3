"""Intervals and p-values where part of the variance is estimated and part is known.

Few runs estimate their scatter badly; what all runs share (absorptivity, band shape) comes
with a stated uncertainty. One effective number of degrees of freedom for both, after Welch
and Satterthwaite, goes wrong with few runs: where the scatter is small by chance the known
part makes up most of the sum, the degrees of freedom become many, and an error more makes
a difference *more* significant. Here the two parts stay two: the deviation is the sum of a
t variable and a normal one, and a known error can only widen.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from specfrac.compare.statistics import range_p_value, range_quantile

Array = NDArray[np.float64]

NODES = 200  # of the average over the estimated variance; good to p-values of 1e-8
TAIL = 4  # nodes crowd where the variance is estimated far too small, which makes the tail
LARGEST_RANGE = 36.0  # standard deviations; the chance beyond is 1e-140
RANGE_STEPS = 361
NORMAL_NODES = 160
TOLERANCE = 1e-9  # relative, of a half width
TABLE_STEPS = 17


def chance_beyond(
    difference: float, variance: float, df: float, known: float = 0.0, *, methods: int = 2
) -> float:
    """Two-sided p-value of a difference whose error is partly estimated, partly known.

    P(abs(s T + τ Z) >= abs(d)), T of Student's t with `df` degrees of freedom, Z normal; for
    one of all differences of k methods the same with the studentized range. It is the
    average over w, chi-square over its degrees of freedom, of the chance beyond d with the
    variance s²/w + τ². Without a known part it is Student's t (Games-Howell for several
    methods).

    Parameters
    ----------
    difference : float
    variance : float
        Estimated, s².
    df : float
        Degrees of freedom of the estimate.
    known : float
        Known variance, τ².
    methods : int
        k; more than two for the clearest of all their differences.

    Returns
    -------
    float
        NaN when nothing was estimated: a known error alone says nothing about how runs
        scatter.

    References
    ----------
    R. A. Fisher, Ann. Eugen. 6 (1935) 391, the sum of two t variables, of which one has
    infinite degrees of freedom here; JCGM 101:2008 6.4.9, a mean of few readings as a
    scaled and shifted t distribution.

    Examples
    --------
    A known error never makes a difference more significant:

    >>> round(chance_beyond(20.0, 1.0, 1.0), 4), round(chance_beyond(20.0, 1.0, 1.0, 4.0), 4)
    (0.0318, 0.0321)
    """
    if math.isnan(difference) or not (variance > 0 and df > 0 and known >= 0):
        return math.nan
    if known == 0:
        return range_p_value(difference / math.sqrt(variance), methods, df)
    factors, weights = _variance_factors(df)
    spread = np.sqrt(variance / factors + known)
    return float(weights @ _beyond(methods)(abs(difference) / spread))


def half_width(
    variance: float, df: float, known: float = 0.0, *, coverage: float, methods: int = 2
) -> float:
    """Half width of an interval; the difference that `chance_beyond` gives 1 - coverage.

    Parameters
    ----------
    variance, df, known : float
        As in `chance_beyond`.
    coverage : float
    methods : int

    Returns
    -------
    float
        NaN when nothing was estimated.

    Examples
    --------
    >>> round(half_width(1.0, 1.0, coverage=0.95), 3)
    12.706
    """
    from scipy import optimize

    if not (variance > 0 and df > 0 and known >= 0):
        return math.nan
    if known == 0:
        return range_quantile(methods, df, coverage) * math.sqrt(variance)
    top = _surely_above(variance, df, known, 1 - coverage, methods)

    def missing(size: float) -> float:
        return chance_beyond(size, variance, df, known, methods=methods) - (1 - coverage)

    return float(optimize.brentq(missing, 0.0, top, xtol=TOLERANCE * top, rtol=TOLERANCE))


def _surely_above(
    variance: float, df: float, known: float, significance: float, methods: int
) -> float:
    """A half width that is too large: each part by itself at half the chance, and added.

    For several methods after Bonferroni.
    """
    from scipy import special

    one_sided = significance / (methods * (methods - 1) / 2) / 4
    estimated = -float(special.stdtrit(df, one_sided)) * math.sqrt(variance)
    return estimated - float(special.ndtri(one_sided)) * math.sqrt(known)


def half_widths(variance: ArrayLike, df: ArrayLike, known: float, significance: float) -> Array:
    """Return `half_width` of two methods for many estimated variances at once.

    Interpolated between exact ones, good to a few parts in ten thousand.

    Parameters
    ----------
    variance, df : array_like
        Broadcast against each other.
    known : float
        Known variance, above zero.
    significance : float
        1 - coverage; two digits of it count, so that a few tables serve all pairs of
        several methods.

    Returns
    -------
    ndarray
    """
    v, n = np.broadcast_arrays(
        np.asarray(variance, dtype=np.float64), np.asarray(df, dtype=np.float64)
    )
    total = v + known
    found = _width_table(float(f"{significance:.2g}"))(
        np.sqrt(v / total).ravel(), (1 / np.maximum(n, 1.0)).ravel()
    )
    widths: Array = (np.exp(found) * np.sqrt(total.ravel())).reshape(v.shape)
    return widths


@lru_cache(maxsize=8)
def legendre(count: int) -> tuple[Array, Array]:
    """Nodes and weights of Gauss and Legendre between 0 and 1."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return (nodes + 1) / 2, weights / 2


@lru_cache(maxsize=256)
def _variance_factors(df: float) -> tuple[Array, Array]:
    """Values of an estimated over the true variance, and their chances."""
    from scipy import special

    place, weights = legendre(NODES)
    chance = weights * TAIL * place ** (TAIL - 1)
    # quantiles of chi-square over its degrees of freedom
    factors: Array = np.asarray(special.gammaincinv(df / 2, place**TAIL) * 2 / df)
    return factors, chance


def _beyond(methods: int) -> Callable[[Array], Array]:
    """Return the chance that a normal difference exceeds so many standard deviations."""
    from scipy import special

    if methods == 2:
        return lambda size: 2 * special.ndtr(-size)
    return _range_beyond(methods)


@lru_cache(maxsize=32)
def _range_beyond(methods: int) -> Callable[[Array], Array]:
    """The same for the range of several normal means, over √2; from a table of logarithms.

    P(range > q) = k ∫ φ(z) (1 - (1 - Q(z, q))^(k-1)) dz, Q the chance outside z to z + q.
    """
    from scipy import interpolate, special

    place, weights = legendre(NORMAL_NODES)
    size = np.linspace(0.0, LARGEST_RANGE, RANGE_STEPS)
    # the lowest mean lies at z; the others beyond z + q or below z make the range larger
    z = 10.0 * (2 * place[None, :] - 1) - np.minimum(size, 20.0)[:, None] / math.sqrt(2)
    density = np.exp(-0.5 * z**2) / math.sqrt(2 * math.pi) * 20.0 * weights
    inside = special.ndtr(-z) - special.ndtr(-z - math.sqrt(2) * size[:, None])
    lowest = special.ndtr(-z)
    others = methods - 1
    beyond = methods * np.sum(density * (lowest**others - inside**others), axis=1)
    table = interpolate.CubicSpline(size, np.log(np.maximum(beyond, 1e-300)))

    def chance(at: Array) -> Array:
        found: Array = np.exp(table(np.minimum(at, LARGEST_RANGE)))
        return np.minimum(found, 1.0)

    return chance


@lru_cache(maxsize=16)
def _width_table(significance: float) -> Callable[[Array, Array], Array]:
    """Logarithm of the half width over √(s² + τ²), by s/√(s² + τ²) and 1/df."""
    from scipy import interpolate

    shares = np.linspace(0.0, 1.0, TABLE_STEPS)
    inverse = np.linspace(0.0, 1.0, TABLE_STEPS)
    # variance and degrees of freedom of zero have no half width: their limits stand in
    widths = np.array(
        [
            [
                half_width(
                    max(share, 1e-4) ** 2,
                    1 / max(at, 1e-4),
                    max(1 - share**2, 0.0),
                    coverage=1 - significance,
                )
                for at in inverse
            ]
            for share in shares
        ]
    )
    table = interpolate.RectBivariateSpline(shares, inverse, np.log(widths), kx=3, ky=3)
    return lambda share, at: np.asarray(table.ev(share, at), dtype=np.float64)
