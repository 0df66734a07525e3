"""Does a residual look like chance? Number of runs of sign, and neighbours compared."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from specfrac.errors import InputError

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RunsTest:
    """Runs of sign in a residual.

    Attributes
    ----------
    runs : int
        Stretches of equal sign.
    above, below : int
        Values above the middle, and the others.
    mean, variance : float
        Of the number of runs, if the order were chance.
    statistic : float
        (runs - mean) / √variance; below zero when neighbours are alike. NaN when all
        values lie on one side.
    p_value : float
        Two-sided, normal approximation.
    """

    runs: int
    above: int
    below: int
    mean: float
    variance: float
    statistic: float
    p_value: float


def runs_test(values: ArrayLike, *, middle: float = 0.0) -> RunsTest:
    """Test whether the signs of a residual follow each other by chance.

    With n1 values above and n2 below the middle the number of runs has the mean
    1 + 2 n1 n2/n and the variance (mean - 1)(mean - 2)/(n - 1).

    Parameters
    ----------
    values : array_like, shape (n,)
        In the order of the wavelengths.
    middle : float
        What counts as zero.

    Returns
    -------
    RunsTest

    Raises
    ------
    InputError
        If there are fewer than two values or one is not finite.

    References
    ----------
    A. Wald and J. Wolfowitz, Ann. Math. Stat. 11 (1940) 147.

    Examples
    --------
    >>> runs_test([1.0, 2.0, -1.0, 3.0, -2.0]).runs
    4
    """
    signs = _checked(values) > middle
    above = int(signs.sum())
    below = int(signs.size - above)
    runs = 1 + int((signs[1:] != signs[:-1]).sum())
    expected = _expected_runs(np.array(float(above)), signs.size)
    mean, variance = (float(value) for value in expected)
    if not variance > 0:
        return RunsTest(runs, above, below, mean, variance, math.nan, math.nan)
    statistic = (runs - mean) / math.sqrt(variance)
    p_value = math.erfc(abs(statistic) / math.sqrt(2))
    return RunsTest(runs, above, below, mean, variance, statistic, p_value)


def runs_statistics(residual: Array, used: NDArray[np.bool_]) -> Array:
    """Runs tests of many residuals (see `runs_test`).

    Parameters
    ----------
    residual : ndarray, shape (n, n_points)
    used : ndarray of bool, shape (n, n_points)
        Points that count; those between them are passed over.

    Returns
    -------
    ndarray, shape (n,)
        Standard-normal statistics; NaN where all signs are the same.
    """
    result = np.full(len(residual), np.nan)
    rows_of: dict[bytes, list[int]] = {}
    for row, mask in enumerate(used):
        rows_of.setdefault(mask.tobytes(), []).append(row)
    for rows in rows_of.values():
        signs = residual[rows][:, used[rows[0]]] > 0
        above, runs = signs.sum(axis=1), 1 + (signs[:, 1:] != signs[:, :-1]).sum(axis=1)
        mean, variance = _expected_runs(above.astype(float), signs.shape[1])
        known = variance > 0
        result[rows] = np.where(
            known, (runs - mean) / np.sqrt(np.where(known, variance, 1.0)), np.nan
        )
    return result


def _expected_runs(above: Array, n: int) -> tuple[Array, Array]:
    """Mean and variance of the number of runs of n signs, some of them above the middle."""
    mean = 1 + 2 * above * (n - above) / max(n, 1)
    return mean, (mean - 1) * (mean - 2) / max(n - 1, 1)


def durbin_watson(residual: ArrayLike) -> float:
    """Durbin-Watson statistic of a residual: 2 when neighbours have nothing in common.

    d = Σ (e_i - e_{i-1})² / Σ e_i²

    Parameters
    ----------
    residual : array_like, shape (n,)
        In the order of the wavelengths.

    Returns
    -------
    float
        0 to 4; near 0 when neighbours are alike, near 4 when they alternate. NaN when
        the residual is zero throughout.

    Raises
    ------
    InputError
        If there are fewer than two values or one is not finite.

    References
    ----------
    J. Durbin and G. S. Watson, Biometrika 37 (1950) 409.

    Examples
    --------
    >>> durbin_watson([1.0, -1.0, 1.0, -1.0])
    3.0
    """
    values = _checked(residual)
    power = float(values @ values)
    steps = np.diff(values)
    return float(steps @ steps) / power if power > 0 else math.nan


def _checked(values: ArrayLike) -> Array:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1 or array.size < 2 or not np.isfinite(array).all():
        raise InputError(
            f"residual of shape {array.shape}: a row of at least two finite numbers is needed."
        )
    return array
