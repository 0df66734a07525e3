"""Scatter between runs, kept apart from the measurement uncertainty of each run."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Scatter:
    """What makes runs differ.

    Attributes
    ----------
    total : float
        Observed standard deviation of a run, blocks taken out.
    measurement : float
        Root mean square of the runs' own measurement uncertainties; NaN when one is
        not known.
    between : float
        Standard deviation between runs beyond that, by restricted maximum likelihood;
        0 when measurement explains all.
    p_excess : float
        Chance of at least this scatter from measurement alone (chi-square).
    p_deficit : float
        Chance of at most this scatter from measurement alone; small when the stated
        uncertainties are larger than the runs show.
    """

    total: float
    measurement: float
    between: float
    p_excess: float
    p_deficit: float

    @property
    def measurement_share(self) -> float:
        """Part of a run's variance that is measurement, 0 to 1; NaN when not known."""
        whole = self.between**2 + self.measurement**2
        return self.measurement**2 / whole if whole > 0 else math.nan


def scatter(
    values: ArrayLike, uncertainties: ArrayLike, design: ArrayLike | None = None
) -> Scatter:
    """Part the scatter of runs into measurement and the rest.

    value = mean (or block) + between + measurement; the measurement variances are known,
    the variance between runs is estimated.

    Parameters
    ----------
    values : array_like, shape (n,)
    uncertainties : array_like, shape (n,)
        Standard uncertainty of each run's own measurement, without what all runs share.
    design : array_like, shape (n, p), optional
        Columns of the mean; a column of ones by default.

    Returns
    -------
    Scatter
        NaN where nothing can be said.

    References
    ----------
    R. DerSimonian, N. Laird, Control. Clin. Trials 7 (1986) 177 (the model);
    W. Viechtbauer, J. Educ. Behav. Stat. 30 (2005) 261 (restricted likelihood).
    """
    from scipy import stats

    y = np.asarray(values, dtype=np.float64)
    v = np.asarray(uncertainties, dtype=np.float64) ** 2
    x = np.ones((y.size, 1)) if design is None else _full_rank(np.asarray(design, dtype=np.float64))
    df = y.size - x.shape[1]
    if df < 1:
        return Scatter(math.nan, math.nan, math.nan, math.nan, math.nan)
    solution = np.linalg.lstsq(x, y, rcond=None)[0]
    total = math.sqrt(float(np.sum((y - x @ solution) ** 2)) / df)
    if not np.isfinite(v).all():
        return Scatter(total, math.nan, math.nan, math.nan, math.nan)
    measurement = math.sqrt(float(v.mean()))
    between = math.sqrt(between_variance(y, v, x))
    if not (v > 0).all():
        return Scatter(total, measurement, between, math.nan, math.nan)
    q = _weighted_rest(y, v, x)[0]
    return Scatter(
        total, measurement, between, float(stats.chi2.sf(q, df)), float(stats.chi2.cdf(q, df))
    )


def between_variance(values: ArrayLike, variances: ArrayLike, design: ArrayLike) -> float:
    """Variance between runs by restricted maximum likelihood, known variances within.

    Parameters
    ----------
    values, variances : array_like, shape (n,)
    design : array_like, shape (n, p)
        Of full rank, p < n.

    Returns
    -------
    float
        Not below zero.
    """
    from scipy import optimize

    y, v, x = (np.asarray(each, dtype=np.float64) for each in (values, variances, design))
    largest = 4 * moment_variance(y, np.zeros_like(v), x)
    if not largest > 0:
        return 0.0

    def loss(tau: float) -> float:
        rest, information = _weighted_rest(y, v + tau * tau, x)
        return rest + float(np.sum(np.log(v + tau * tau))) + information

    if not (v > 0).any():
        return moment_variance(y, v, x)
    floor = 0.0 if (v > 0).all() else 1e-6 * math.sqrt(largest)
    done = optimize.minimize_scalar(
        loss,
        bounds=(floor, math.sqrt(largest)),
        method="bounded",
        options={"xatol": 1e-7 * math.sqrt(largest)},
    )
    tau = float(done.x)
    return tau * tau if loss(tau) < loss(floor) else 0.0


def moment_variance(values: ArrayLike, variances: ArrayLike, design: ArrayLike) -> float:
    """Variance between runs by the unweighted method of moments, not below zero.

    τ² = (RSS - tr(M V)) / (n - p), M the residual projector.
    """
    y, v, x = (np.asarray(each, dtype=np.float64) for each in (values, variances, design))
    hat = x @ np.linalg.pinv(x)
    rest = y - hat @ y
    df = y.size - x.shape[1]
    return max((float(rest @ rest) - float(np.sum((1 - np.diag(hat)) * v))) / df, 0.0)


def _weighted_rest(y: Array, variances: Array, x: Array) -> tuple[float, float]:
    """Weighted residual sum of squares, and log determinant of the information."""
    weights = 1 / variances
    information = (x.T * weights) @ x
    solution = np.linalg.solve(information, (x.T * weights) @ y)
    rest = y - x @ solution
    return float(np.sum(weights * rest**2)), float(np.linalg.slogdet(information)[1])


def _full_rank(x: Array) -> Array:
    """Columns with the same span and full rank."""
    u, singular, _ = np.linalg.svd(x, full_matrices=False)
    return u[:, singular > 1e-10 * singular.max()]
