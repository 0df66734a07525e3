"""Errors of a scan: independent noise, and smooth errors of the band shapes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from specfrac.fitting.error_model import error_model

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SMOOTHING_RIDGE = 1e-3
AUTOCORRELATED_FROM = 0.3  # lag-one value that white noise of 100 points reaches once in 1000
CORRELATION_REACH_NM = 6.0


def shape_modes(wavelength: Array) -> Array:
    """Modes whose products sum to the correlation exp(-(λ-λ')²/(2 L²)).

    Gaussians of width L/√2 on a comb of step L: their sum of products is that
    correlation times a theta function that is flat within 1.4 %, and the diagonal
    is then set to one.

    Parameters
    ----------
    wavelength : ndarray, shape (n_points,)
        nm; grids of several scans may be stacked, equal wavelengths then share one error.

    Returns
    -------
    ndarray, shape (n_modes, n_points)
    """
    length = error_model()["shape_correlation_length"]
    knots = np.arange(wavelength.min() - length, wavelength.max() + 1.5 * length, length)
    modes = np.exp(-(((wavelength[None, :] - knots[:, None]) / length) ** 2))
    return np.asarray(modes / np.sqrt((modes**2).sum(axis=0)))


def transmittance_noise(absorbance: Array) -> Array:
    """Noise of a transmittance reading, in absorbance: σ_T 10^A / ln 10."""
    return np.asarray(
        error_model()["transmittance_noise"] * 10.0 ** np.clip(absorbance, -1.0, 6.0) / np.log(10)
    )


def noise_by_differences(absorbance: Array, used: Mask) -> Array:
    """First guess of the noise from fourth differences of the reading.

    Parameters
    ----------
    absorbance : ndarray, shape (n_scans, n_points)
    used : ndarray of bool, shape (n_scans, n_points)

    Returns
    -------
    ndarray, shape (n_scans,)
        Standard deviation; NaN with fewer than five points in a row.
    """
    known = np.where(used, absorbance, 0.0)
    fourth = (
        known[:, :-4] - 4 * known[:, 1:-3] + 6 * known[:, 2:-2] - 4 * known[:, 3:-1] + known[:, 4:]
    )
    whole = used[:, :-4] & used[:, 1:-3] & used[:, 2:-2] & used[:, 3:-1] & used[:, 4:]
    count = whole.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.sqrt((fourth**2 * whole).sum(axis=1) / count / 70.0)


def independent_noise(
    residual: Array, used: Mask, level: Array, modes: Array, step: float
) -> Array:
    """Noise at zero absorbance from the residual of one scan's first fit.

    The smooth part of the residual, which band shapes can leave, is removed with the
    modes of the shape error. Where what remains is correlated from point to point (a
    smoothed or oversampled scan), the long-run variance is used instead, which is what
    a band wider than the smoothing feels.

    Parameters
    ----------
    residual : ndarray, shape (n_scans, n_points)
    used : ndarray of bool, shape (n_scans, n_points)
    level : ndarray, shape (n_scans, n_points)
        Standard deviation that is there anyhow (transmittance noise).
    modes : ndarray, shape (n_modes, n_points)
    step : float
        nm between points.

    Returns
    -------
    ndarray, shape (n_scans,)
    """
    known = np.where(used, residual, 0.0)
    inner = np.linalg.inv(modes @ modes.T + SMOOTHING_RIDGE * np.eye(modes.shape[0]))
    rough = np.where(used, known - (known @ modes.T) @ inner @ modes, 0.0)
    share = max(0.1, 1.0 - float(np.sum((inner @ modes) * modes)) / residual.shape[1])
    # weak points of the scan tell about the noise at zero absorbance; strong ones do not
    middle = np.nanmedian(np.where(used, level, np.nan), axis=1)
    quiet = used & (level <= middle[:, None])
    count = np.maximum(quiet.sum(axis=1), 1)
    variance = (rough**2 * quiet).sum(axis=1) / (count * share)
    background = (level**2 * quiet).sum(axis=1) / count
    factor = _long_run_factor(np.where(used, rough / np.maximum(level, 1e-6), 0.0), step)
    return np.sqrt(np.maximum(variance * factor - background, 0.0))


def _long_run_factor(rough: Array, step: float) -> Array:
    """Long-run over short-run variance: 1 for white noise, more for a smoothed scan."""
    power = np.maximum((rough**2).sum(axis=1), 1e-300)
    factor = np.ones(rough.shape[0])
    reach = int(CORRELATION_REACH_NM / step)
    if reach < 1:
        return factor
    going = (rough[:, 1:] * rough[:, :-1]).sum(axis=1) / power > AUTOCORRELATED_FROM
    for lag in range(1, reach + 1):
        correlation = (rough[:, lag:] * rough[:, :-lag]).sum(axis=1) / power
        going &= correlation > 0
        factor += np.where(going, 2 * correlation, 0.0)
    return factor
