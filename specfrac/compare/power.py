"""What a design can see: smallest detectable difference, runs needed.

One variance estimate: the noncentral t distribution, from scipy. Two (Welch's test): the
test's degrees of freedom vary from sample to sample, which with few runs costs power that
a noncentral t does not know of; so the power is averaged over the variances' own
distributions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from specfrac.compare.known_errors import half_widths, legendre

Array = NDArray[np.float64]

POWER_TOLERANCE = 1e-6
NODES = 40  # of the average over a variance; 3 + 3 runs are good to 1e-4
MANY_DF = 60  # from here on the degrees of freedom of Welch's test hardly vary
LARGEST_SHIFT = 5.0  # standard errors
HIGHEST_SHIFT = 1e6  # where a search ends; a single degree of freedom needs large ones


@dataclass(frozen=True, slots=True)
class Precision:
    """How well a difference is known.

    Attributes
    ----------
    parts : tuple of (float, float)
        Variance each estimated scatter adds, and its degrees of freedom; one or two.
    known : float
        Variance that is known and not estimated.
    """

    parts: tuple[tuple[float, float], ...]
    known: float = 0.0

    @property
    def variance(self) -> float:
        """Variance of the difference."""
        return sum(variance for variance, _ in self.parts) + self.known

    @property
    def usable(self) -> bool:
        """Whether anything can be said."""
        return (
            bool(self.parts)
            and all(v >= 0 and df > 0 for v, df in self.parts)
            and (0 < self.variance < math.inf)
        )


def power(difference: float, precision: Precision, *, significance: float) -> float:
    """Chance that a true difference is found by a two-sided t test.

    Parameters
    ----------
    difference : float
        True one.
    precision : Precision
        With the true variances.
    significance : float
        Of the test.

    Returns
    -------
    float
        NaN when the precision is not known.
    """
    if not precision.usable:
        return math.nan
    settled = min(df for _, df in precision.parts) >= MANY_DF
    if (len(precision.parts) == 1 and precision.known == 0) or settled:
        return _noncentral(difference, precision, significance)
    return _averaged(difference, precision, significance)


def _noncentral(difference: float, precision: Precision, significance: float) -> float:
    from scipy import stats

    spread = sum(variance**2 / df for variance, df in precision.parts)
    df = precision.variance**2 / spread if spread > 0 else math.inf
    limit = float(stats.t.ppf(1 - significance / 2, df))
    shift = abs(difference) / math.sqrt(precision.variance)
    upper = float(stats.nct.sf(limit, df, shift))
    if shift > LARGEST_SHIFT:
        return upper  # the lower tail is below 3e-7, where scipy gives NaN now and then
    return upper + float(stats.nct.cdf(-limit, df, shift))


def _averaged(difference: float, precision: Precision, significance: float) -> float:
    """Average over the estimated variances, each a chi-square over its df."""
    from scipy import special

    limit, weights = _limits(precision, significance)
    sigma = math.sqrt(precision.variance)
    found = special.ndtr((difference - limit) / sigma) + special.ndtr((-difference - limit) / sigma)
    return float(weights @ found)


@lru_cache(maxsize=64)
def _limits(precision: Precision, significance: float) -> tuple[Array, Array]:
    """Differences that are just significant with each estimated variance, and its chance."""
    from scipy import special

    grids = [_chi_square_nodes(df) for _, df in precision.parts]
    parts = [
        variance * factors
        for (variance, _), (factors, _) in zip(precision.parts, grids, strict=True)
    ]
    mesh = np.meshgrid(*parts, indexing="ij")
    weights = np.ones(())
    for _, chances in grids:
        weights = np.multiply.outer(weights, chances)
    total = np.zeros(mesh[0].shape)
    spread = np.full(mesh[0].shape, 1e-300)
    for part, (_, df) in zip(mesh, precision.parts, strict=True):
        total = total + part
        spread = spread + part**2 / df
    df = total**2 / spread
    if precision.known > 0:
        limit = half_widths(total, df, precision.known, significance)
    else:
        limit = special.stdtrit(df, 1 - significance / 2) * np.sqrt(total)
    return limit.ravel(), weights.ravel()


@lru_cache(maxsize=256)
def _chi_square_nodes(df: float) -> tuple[Array, Array]:
    from scipy import special

    chance, weights = legendre(NODES)
    return np.asarray(special.gammaincinv(df / 2, chance) * 2 / df), weights


def detectable_difference(precision: Precision, *, significance: float, power: float) -> float:
    """Smallest true difference that would have been found with the given chance.

    Parameters
    ----------
    precision : Precision
    significance, power : float

    Returns
    -------
    float
        NaN when the precision is not known.
    """
    from scipy import optimize

    if not precision.usable:
        return math.nan
    unit = math.sqrt(precision.variance)

    def missing(shift: float) -> float:
        return found_with(shift * unit, precision, significance) - power

    top = 4.0
    while missing(top) < 0 and top < HIGHEST_SHIFT:
        top *= 2
    if not missing(top) >= 0:
        return math.nan
    return unit * float(optimize.brentq(missing, 0.0, top, xtol=POWER_TOLERANCE))


def found_with(difference: float, precision: Precision, significance: float) -> float:
    """Return the power; see `power`, whose name a parameter takes here and there."""
    return power(difference, precision, significance=significance)


def runs_needed(
    difference: float,
    first_sd: float,
    second_sd: float,
    *,
    significance: float,
    power: float,
    blocks: int = 0,
    paired: bool = False,
    known: float = 0.0,
    largest: int = 1000,
) -> int | None:
    """Runs of each method that find a true difference with the given chance.

    Parameters
    ----------
    difference : float
        True one, not 0.
    first_sd, second_sd : float
        Scatter of a run of each method, blocks taken out.
    significance, power : float
    blocks : int
        Number of blocks the runs are spread over; 0 for none.
    paired : bool
        Each further run of both methods comes in a block of its own.
    known : float
        Variance that stays however many runs there are.
    largest : int
        Where the search ends.

    Returns
    -------
    int or None
        None when more than `largest` are needed or nothing is known.
    """
    if not (difference and first_sd >= 0 and second_sd >= 0 and first_sd + second_sd > 0):
        return None

    def enough(n: int) -> bool:
        precision = planned(n, first_sd, second_sd, blocks=blocks, paired=paired, known=known)
        return found_with(difference, precision, significance) >= power

    low, high = 1, 2
    while not enough(high):
        low, high = high, 2 * high
        if low >= largest:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high if high <= largest else None


def planned(
    runs: int,
    first_sd: float,
    second_sd: float,
    *,
    blocks: int = 0,
    paired: bool = False,
    known: float = 0.0,
) -> Precision:
    """Return the precision of a design with so many runs of each method."""
    a, b = first_sd**2 / runs, second_sd**2 / runs
    if paired:
        return Precision(((a + b, float(runs - 1)),), known)
    # one mean of each block is estimated besides the difference; each method bears half
    lost = (min(blocks, runs) + 1) / 2 if blocks else 1.0
    return Precision(((a, runs - lost), (b, runs - lost)), known)
