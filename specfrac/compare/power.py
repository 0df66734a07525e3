"""What a design can see: smallest detectable difference, runs needed.

Power of a two-sided t test is that of the noncentral t distribution, from scipy.
"""

from __future__ import annotations

import math

POWER_TOLERANCE = 1e-6
LARGEST_SHIFT = 5.0  # standard errors
HIGHEST_SHIFT = 1e6  # where a search ends; a single degree of freedom needs large ones


def power(difference: float, standard_error: float, df: float, *, significance: float) -> float:
    """Chance that a true difference is found by a two-sided t test.

    Parameters
    ----------
    difference : float
        True one.
    standard_error : float
        Of the estimated difference.
    df : float
        Its degrees of freedom.
    significance : float
        Of the test.

    Returns
    -------
    float
        NaN when standard error or df is not known.
    """
    from scipy import stats

    if not (standard_error > 0 and df > 0):
        return math.nan
    limit = float(stats.t.ppf(1 - significance / 2, df))
    return _found(limit, df, abs(difference) / standard_error)


def _found(limit: float, df: float, shift: float) -> float:
    """Chance that a noncentral t lies beyond either limit."""
    from scipy import stats

    upper = float(stats.nct.sf(limit, df, shift))
    if shift > LARGEST_SHIFT:
        return upper  # the lower tail is below 3e-7, where scipy gives NaN now and then
    return upper + float(stats.nct.cdf(-limit, df, shift))


def detectable_difference(
    standard_error: float, df: float, *, significance: float, power: float
) -> float:
    """Smallest true difference that would have been found with the given chance.

    Parameters
    ----------
    standard_error : float
        Of the estimated difference.
    df : float
    significance, power : float

    Returns
    -------
    float
        In the unit of the standard error; NaN when it or df is not known.
    """
    from scipy import optimize, stats

    if not (standard_error > 0 and df > 0):
        return math.nan
    limit = float(stats.t.ppf(1 - significance / 2, df))

    def missing(shift: float) -> float:
        return _found(limit, df, shift) - power

    top = limit + 3.0
    while missing(top) < 0 and top < HIGHEST_SHIFT:
        top *= 2
    if not missing(top) >= 0:
        return math.nan
    return standard_error * float(optimize.brentq(missing, 0.0, top, xtol=POWER_TOLERANCE))


def runs_needed(
    difference: float,
    first_sd: float,
    second_sd: float,
    *,
    significance: float,
    power: float,
    blocks: int = 0,
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
        return _power_of(n, difference, first_sd, second_sd, significance, blocks) >= power

    low, high = 1, 2
    while not enough(high):
        low, high = high, 2 * high
        if low >= largest:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high if high <= largest else None


def _power_of(
    n: int, difference: float, first_sd: float, second_sd: float, significance: float, blocks: int
) -> float:
    a, b = first_sd**2, second_sd**2
    df = (n - 1) * (a + b) ** 2 / (a * a + b * b)
    if blocks:
        # one mean of each block is estimated besides the difference
        df *= max(2 * n - min(blocks, n) - 1, 0) / (2 * n - 2)
    found = power(difference, math.sqrt((a + b) / n), df, significance=significance)
    return 0.0 if math.isnan(found) else found
