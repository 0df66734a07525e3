"""Where a scan is usable, how it was digitised, and what looks wrong in it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from specfrac.scans import Scan

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

RED_END_NM = 710.0  # no pigment of a leaf absorbs beyond
SMOOTHING_NM = 5.0  # narrower than any band of a leaf pigment
POWERS_OF_TEN = 10.0 ** np.arange(1, 7)
DIGITISATION_SAMPLE = 8  # readings
FLAT_TOP_POINTS = 5
FLAT_TOP_FROM = 1.0  # a real band that reads flat to the last digit is weaker than this
# A noisy ceiling: the smoothed top stays this near its highest over this many nm, and
# beside it the scan falls this many times as steeply as a parabola of that breadth. Of 1500
# simulated mixtures none exceeds 2.0; tops cut by an eighth of their height and more 3.0.
PLATEAU_SHARE = 0.004
PLATEAU_NM = 7.0
PLATEAU_BESIDE_NM = 6.0
PLATEAU_STEEPNESS = 2.6


def smoothed(wavelength: Array, absorbance: Array) -> Array:
    """Running mean over 5 nm; weights and cuts use it, since a noisy reading biases them.

    Parameters
    ----------
    wavelength : ndarray, shape (n_points,)
    absorbance : ndarray, shape (..., n_points)
        NaN readings are left out of each mean.

    Returns
    -------
    ndarray, shape (..., n_points)
        NaN where a whole window is NaN.
    """
    known = np.isfinite(absorbance)
    before = np.zeros((*absorbance.shape[:-1], 1))
    total = np.concatenate([before, np.cumsum(np.where(known, absorbance, 0.0), axis=-1)], axis=-1)
    count = np.concatenate([before, np.cumsum(known, axis=-1)], axis=-1)
    first = np.searchsorted(wavelength, wavelength - SMOOTHING_NM / 2, side="left")
    last = np.searchsorted(wavelength, wavelength + SMOOTHING_NM / 2, side="right")
    n = count[..., last] - count[..., first]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(n > 0, (total[..., last] - total[..., first]) / n, np.nan)


def digitisation(absorbance: Array) -> float:
    """Step of the readings: the coarsest power of ten of which all are multiples.

    Returns
    -------
    float
        Absorbance, 0.1 to 1e-6, or 0 when finer.

    Examples
    --------
    >>> digitisation(np.array([0.123, 0.500, 1.042]))
    0.001
    """
    return float(digitisations(absorbance[None])[0])


def digitisations(absorbance: Array) -> Array:
    """Step of the readings of many scans, (n_scans, n_points) to (n_scans,): see `digitisation`."""
    known = np.where(np.isfinite(absorbance), absorbance, 0.0)
    steps = np.zeros(len(known))
    # a few readings tell that most scans are finer than any of these steps
    few = known[:, None, :DIGITISATION_SAMPLE] * POWERS_OF_TEN[:, None]
    possible = np.asarray(_are_multiples(few).all(axis=2))
    for number, power in enumerate(POWERS_OF_TEN):
        rows = np.flatnonzero(possible[:, number] & (steps == 0.0))
        rows = rows[_are_multiples(known[rows] * power).all(axis=1)]
        steps[rows] = 1.0 / power
    return steps


def _are_multiples(scaled: Array) -> Mask:
    off = np.abs(scaled - np.rint(scaled))
    return np.asarray(off < 1e-6 * np.maximum(1.0, np.abs(scaled)))


def flat_top(absorbance: Array, step: float) -> Mask:
    """Points on a flat top, as a detector's ceiling makes it.

    A run of at least five readings that equal the highest within one digit, above
    absorbance 1.

    Parameters
    ----------
    absorbance : ndarray, shape (n_points,)
    step : float
        Digitisation.

    Returns
    -------
    ndarray of bool, shape (n_points,)
    """
    flat = np.zeros(absorbance.size, dtype=bool)
    known = np.isfinite(absorbance)
    if not known.any() or np.nanmax(absorbance) < FLAT_TOP_FROM:
        return flat
    # a finely digitised band of A 1 and 8 nm width falls by 8e-5 within half a nanometre,
    # so one digit of a coarse instrument is no ceiling by itself: ask for exact equality
    top = known & (absorbance >= np.nanmax(absorbance) - 1e-9)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], top, [False])).astype(int)))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if end - begin >= max(FLAT_TOP_POINTS, _expected_flat(absorbance, step)):
            flat[begin:end] = True
    return flat


def plateau(wavelength: Array, smooth: Array) -> Mask:
    """Points on a noisy ceiling, told from a band's top by its shape.

    The smoothed scan stays level over more than the top of any band, and then falls more
    steeply than a top of that breadth would.

    Parameters
    ----------
    wavelength : ndarray, shape (n_points,)
        nm.
    smooth : ndarray, shape (n_points,)
        Smoothed absorbance, see `smoothed`; NaN where unknown.

    Returns
    -------
    ndarray of bool, shape (n_points,)
        Every reading at the ceiling, beside the plateau's edge as well.
    """
    none = np.zeros(smooth.size, dtype=bool)
    if not np.isfinite(smooth).any():
        return none
    place = int(np.nanargmax(smooth))
    top = float(smooth[place])
    level = smooth >= top * (1 - PLATEAU_SHARE)
    if top < FLAT_TOP_FROM or np.ptp(wavelength[level]) < PLATEAU_NM:
        return none
    edges = np.flatnonzero(~level)
    before, after = edges[edges < place], edges[edges > place]
    if not before.size or not after.size:
        return none  # the scan ends on it, and a slope cannot be seen
    begin, end = wavelength[before[-1] + 1], wavelength[after[0] - 1]
    if end - begin < PLATEAU_NM:
        return none
    known = np.isfinite(smooth)
    beside = np.interp(
        [begin - PLATEAU_BESIDE_NM, end + PLATEAU_BESIDE_NM], wavelength[known], smooth[known]
    )
    half = (end - begin) / 2
    parabola = PLATEAU_SHARE * ((half + PLATEAU_BESIDE_NM) / half) ** 2
    if 1 - beside.max() / top < PLATEAU_STEEPNESS * parabola:
        return none
    # smoothing wears the plateau's edges down by half its window
    reach = np.abs(wavelength[:, None] - wavelength[None, level]).min(axis=1)
    return np.asarray(reach <= SMOOTHING_NM / 2)


def _expected_flat(absorbance: Array, step: float) -> int:
    """Longest run that coarse digitisation alone would give a band top, in points.

    Near the top A falls by A x²/(2 σ²); with the narrowest band, σ = 7 nm, and a step of
    1 nm or less the readings stay within one digit over 2 σ sqrt(2 step/A) nm.
    """
    top = float(np.nanmax(absorbance))
    return int(np.ceil(2 * 7.0 * np.sqrt(2 * step / top))) + 1


def peak_absorbance(scan: Scan) -> float:
    """Highest smoothed absorbance above the level at the scan's red end."""
    return peak_above_red_end(scan.wavelength, smoothed(scan.wavelength, scan.absorbance))


def peak_above_red_end(wavelength: Array, smooth: Array) -> float:
    """Highest smoothed absorbance above the level at the red end; NaN where nothing is known."""
    known = np.isfinite(smooth)
    if not known.any():
        return float("nan")
    red = smooth[known & (wavelength > RED_END_NM)]
    return float(smooth[known].max() - (np.median(red) if red.size else 0.0))
