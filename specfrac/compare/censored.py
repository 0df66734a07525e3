"""Means of values of which some are only known to lie below or above a limit."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

STEP = 1e-3  # of the spread, for second differences of the log-likelihood


@dataclass(frozen=True, slots=True)
class CensoredMean:
    """Mean of a normal sample with censored values, by maximum likelihood.

    Attributes
    ----------
    mean, uncertainty, spread : float
        `spread` corrected by √(n/(n-1)), so that without censoring it is the usual
        standard deviation; NaN when fewer than two values are known exactly.
    df : float
        Number of exactly known values minus one.
    """

    mean: float
    uncertainty: float
    spread: float
    df: float


def censored_mean(values: ArrayLike, below: ArrayLike, above: ArrayLike) -> CensoredMean:
    """Mean and spread by maximum likelihood, censored values as what they are.

    Parameters
    ----------
    values : array_like, shape (n,)
        Estimates, or limits.
    below, above : array_like of bool, shape (n,)
        True where the true value lies below or above the limit.

    Returns
    -------
    CensoredMean

    References
    ----------
    D. R. Helsel, Statistics for Censored Environmental Data (2012), ch. 6 (maximum
    likelihood in place of substituted values); from memory.
    """
    from scipy import stats

    y = np.asarray(values, dtype=np.float64)
    low, high = np.asarray(below, dtype=bool), np.asarray(above, dtype=bool)
    known = ~(low | high)
    if known.sum() < 2 or np.ptp(y[known]) == 0:
        return CensoredMean(math.nan, math.nan, math.nan, math.nan)
    df = float(known.sum() - 1)
    if known.all():
        spread = float(np.std(y, ddof=1))
        return CensoredMean(float(y.mean()), spread / math.sqrt(y.size), spread, df)
    centre, unit = float(y[known].mean()), float(np.std(y[known]))
    z = (y - centre) / unit
    data = stats.CensoredData(uncensored=z[known], left=z[low], right=z[high])
    mean, spread = (float(one) for one in stats.norm.fit(data))
    correction = math.sqrt(y.size / (y.size - 1))
    uncertainty = _uncertainty(z, low, high, mean, spread) * correction
    return CensoredMean(centre + unit * mean, unit * uncertainty, unit * spread * correction, df)


def _uncertainty(
    z: Array, low: NDArray[np.bool_], high: NDArray[np.bool_], mean: float, spread: float
) -> float:
    """Standard uncertainty of the mean from the curvature of the log-likelihood."""
    from scipy import stats

    known = ~(low | high)

    def loss(at: Array) -> float:
        normal = stats.norm(at[0], at[1])
        return -float(
            normal.logpdf(z[known]).sum()
            + normal.logcdf(z[low]).sum()
            + normal.logsf(z[high]).sum()
        )

    centre, step = np.array([mean, spread]), STEP * spread
    shifts = np.eye(2) * step
    curvature = np.empty((2, 2))
    for i in range(2):
        for j in range(2):
            curvature[i, j] = (
                loss(centre + shifts[i] + shifts[j])
                - loss(centre + shifts[i] - shifts[j])
                - loss(centre - shifts[i] + shifts[j])
                + loss(centre - shifts[i] - shifts[j])
            ) / (4 * step * step)
    if not np.linalg.det(curvature) > 0:
        return math.nan
    return math.sqrt(float(np.linalg.inv(curvature)[0, 0]))
