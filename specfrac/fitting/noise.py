"""Errors of a scan: independent noise, and smooth errors of the band shapes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from specfrac.fitting.error_model import error_model

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SMOOTHING_RIDGE = 1e-3
AUTOCORRELATED_FROM = 0.3  # lag-one value that white noise of 100 points reaches once in 1000
SMOOTHING_REACH_NM = 6.0  # widest smoothing an instrument applies
STRUCTURE_NM = 30.0  # longest period of structure that counts as short-range
MISFIT_DOUBT = 4.0  # standard deviations before a misfit of the tails counts
STRUCTURE_DOUBT = 3.0  # standard deviations before structure counts as more than expected


def shape_modes(wavelength: Array, *, length: float | None = None) -> Array:
    """Modes whose products sum to the correlation exp(-(λ-λ')²/(2 L²)).

    Gaussians of width L/√2 on a comb of step L: their sum of products is that
    correlation times a theta function that is flat within 1.4 %, and the diagonal
    is then set to one.

    Parameters
    ----------
    wavelength : ndarray, shape (n_points,)
        nm; grids of several scans may be stacked, equal wavelengths then share one error.
    length : float, optional
        nm, correlation length L; default that of the shape error.

    Returns
    -------
    ndarray, shape (n_modes, n_points)
    """
    length = error_model()["shape_correlation_length"] if length is None else length
    knots = np.arange(wavelength.min() - length, wavelength.max() + 1.5 * length, length)
    modes = np.exp(-(((wavelength[None, :] - knots[:, None]) / length) ** 2))
    return np.asarray(modes / np.sqrt((modes**2).sum(axis=0)))


def transmittance_noise(absorbance: Array) -> Array:
    """Noise of a transmittance reading, in absorbance: σ_T 10^A / ln 10."""
    return np.asarray(
        error_model()["transmittance_noise"]
        / np.log(10)
        * np.exp(np.log(10) * np.clip(absorbance, -1.0, 6.0))
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


@dataclass(frozen=True, slots=True, eq=False)
class FirstFit:
    """What the first pass found on one scan's grid.

    Attributes
    ----------
    wavelength : ndarray, shape (n_points,)
    residual, fitted : ndarray, shape (n_scans, n_points)
    used : ndarray of bool, shape (n_scans, n_points)
    modes : ndarray, shape (n_modes, n_points)
        Of the shape error's correlation.
    deviation : ndarray, shape (n_scans, n_points)
        Standard deviation of the shape error.
    """

    wavelength: Array
    residual: Array
    fitted: Array
    used: Mask
    modes: Array
    deviation: Array

    @property
    def step(self) -> float:
        return float(np.median(np.diff(self.wavelength)))


def independent_noise(first: FirstFit) -> Array:
    """Standard deviation of the noise at zero absorbance, shape (n_scans,).

    From the residual of the first fit where the scan is weak, less its smooth part, which
    band shapes can leave. Where what remains is correlated from point to point (a smoothed
    or oversampled scan), the long-run variance is used, which is what a band wider than the
    smoothing feels.
    """
    rough, share = _without_smooth_part(first, first.modes)
    level = transmittance_noise(first.fitted)
    weak = first.used & (first.fitted <= _middle(first))
    scaled = np.where(weak, rough, 0.0)
    factor = _long_run_factor(scaled, int(SMOOTHING_REACH_NM / first.step))
    variance = _mean(rough**2, weak) * factor / share - _mean(level**2, weak)
    return np.sqrt(np.maximum(variance, 0.0))


def tail_misfit(first: FirstFit, at_zero: Array) -> Array:
    """Error at zero absorbance that neither noise nor shape error explains, shape (n_scans,).

    The shape error is in proportion to absorbance and says nothing of the tails of the
    bands. Where the weak half of a quiet scan departs from the fit by more than its noise,
    the excess counts as independent error of the same spectral density; otherwise the
    tails would outweigh the bands.
    """
    weak = first.used & (first.fitted <= _middle(first))
    left = np.where(weak, first.residual, 0.0)
    expected = (
        at_zero**2
        + _mean(transmittance_noise(first.fitted) ** 2, weak)
        + _mean(first.deviation**2, weak)
    )
    found = _mean(left**2, weak)
    doubt = 1 + MISFIT_DOUBT * np.sqrt(2.0 / np.maximum(weak.sum(axis=1), 1))
    excess = np.where(found > doubt * expected, found - expected, 0.0)
    return np.sqrt(excess * _long_run_factor(left, int(STRUCTURE_NM / first.step)))


def relative_noise(first: FirstFit, at_zero: Array) -> Array:
    """Errors in proportion to absorbance that noise and shape error do not explain.

    Band shapes of another laboratory differ on a shorter scale than the shape error's
    correlation length. Against a quiet scan such differences would weigh like a signal.
    Where the residual of the strong half of the scan has more structure below 30 nm than
    the stated errors allow, the excess counts as independent error of the same spectral
    density.

    Parameters
    ----------
    first : FirstFit
    at_zero : ndarray, shape (n_scans,)

    Returns
    -------
    ndarray, shape (n_scans,)
        Standard deviation over absorbance.
    """
    coarse = shape_modes(first.wavelength, length=STRUCTURE_NM / 2)
    rough, share = _without_smooth_part(first, coarse)
    strong = first.used & (first.fitted > _middle(first))
    found = _mean(rough**2, strong) / share
    smooth = first.deviation[:, None, :] * first.modes[None]
    left = smooth - ((smooth @ coarse.T) @ _ridge_inverse(coarse)) @ coarse
    expected = _mean((left**2).sum(axis=1), strong) + _mean(
        transmittance_noise(first.fitted) ** 2, strong
    )
    expected = expected + at_zero**2
    span = first.step * strong.sum(axis=1)
    doubt = 1 + STRUCTURE_DOUBT * np.sqrt(2 * STRUCTURE_NM / np.maximum(span, STRUCTURE_NM))
    excess = np.where(found > doubt * expected, found - expected, 0.0)
    factor = _long_run_factor(np.where(strong, rough, 0.0), int(STRUCTURE_NM / 2 / first.step))
    return np.sqrt(excess * factor / np.maximum(_mean(first.fitted**2, strong), 1e-12))


def _without_smooth_part(first: FirstFit, modes: Array) -> tuple[Array, float]:
    """Residual less its projection on modes, and the share of white noise that is left."""
    known = np.where(first.used, first.residual, 0.0)
    inner = _ridge_inverse(modes)
    rough = np.where(first.used, known - (known @ modes.T) @ inner @ modes, 0.0)
    taken = float(np.sum((inner @ modes) * modes)) / known.shape[1]
    return rough, max(0.1, 1.0 - taken)


def _ridge_inverse(modes: Array) -> Array:
    return np.asarray(np.linalg.inv(modes @ modes.T + SMOOTHING_RIDGE * np.eye(modes.shape[0])))


def _middle(first: FirstFit) -> Array:
    """Median fitted absorbance of the used points, a column."""
    return np.asarray(np.nanmedian(np.where(first.used, first.fitted, np.nan), axis=1)[:, None])


def _mean(values: Array, mask: Mask) -> Array:
    return np.asarray((values * mask).sum(axis=1) / np.maximum(mask.sum(axis=1), 1))


def _long_run_factor(rough: Array, reach: int) -> Array:
    """Long-run over short-run variance: 1 for white noise, more for a smoothed scan."""
    power = np.maximum((rough**2).sum(axis=1), 1e-300)
    factor = np.ones(rough.shape[0])
    if reach < 1:
        return factor
    going = (rough[:, 1:] * rough[:, :-1]).sum(axis=1) / power > AUTOCORRELATED_FROM
    for lag in range(1, reach + 1):
        correlation = (rough[:, lag:] * rough[:, :-lag]).sum(axis=1) / power
        going &= correlation > 0
        factor += np.where(going, 2 * correlation, 0.0)
    return factor
