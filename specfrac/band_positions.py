"""Where the bands of a scan lie: maxima, and shoulders by the second derivative."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from specfrac.checks import digitisation
from specfrac.errors import InputError
from specfrac.fitting.error_model import error_model
from specfrac.fitting.noise import noise_by_differences, transmittance_noise
from specfrac.identification_limits import limits
from specfrac.scans import Scan

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

FINEST_STEP, COARSEST_STEP = 0.2, 3.0  # nm, of the even grid a scan is brought to
DEGREE = 4  # of the local polynomial: the lowest that gives a shoulder's uncertainty
CORRELATED_FROM = 2.0  # times white noise; more in the tail than this is noise of a smoothed scan


@dataclass(frozen=True, slots=True)
class Band:
    """A band seen in a scan.

    Attributes
    ----------
    wavelength : float
        nm.
    uncertainty : float
        nm, standard uncertainty from noise and baseline. The instrument's wavelength
        error is not in it: that moves all bands alike.
    kind : str
        ``"maximum"`` or ``"shoulder"``.
    absorbance : float
        Smoothed reading there, baseline included.
    curvature : float
        -A'' in 1/nm², which says how clearly the band stands out.
    """

    wavelength: float
    uncertainty: float
    kind: str
    absorbance: float
    curvature: float


@dataclass(frozen=True, slots=True, eq=False)
class Derivatives:
    """A scan smoothed by local polynomials, with derivatives by wavelength.

    Attributes
    ----------
    wavelength : ndarray, shape (n_grid,)
        nm, even steps.
    orders : ndarray, shape (5, n_grid)
        Smoothed absorbance and its derivatives of order 1 to 4; NaN within half a window
        of an end, or of readings that were not measured.
    noise : ndarray, shape (5, n_grid)
        Standard deviation of each.
    """

    wavelength: Array
    orders: Array
    noise: Array


def differentiate(
    scan: Scan, *, window: float | None = None, noise: float | None = None
) -> Derivatives:
    """Smooth a scan and differentiate it (Savitzky & Golay 1964, Anal. Chem. 36, 1627).

    Parameters
    ----------
    scan : Scan
        An uneven grid is brought to even steps of its median step by linear interpolation.
    window : float, optional
        nm over which a polynomial of degree 4 is fitted.
    noise : float, optional
        Standard deviation of a reading at zero absorbance; estimated when not given.

    Returns
    -------
    Derivatives

    Raises
    ------
    InputError
        If the window is not a number above zero.

    Examples
    --------
    >>> grid = np.arange(400.0, 500.0)
    >>> found = differentiate(Scan("parabola", grid, 1 - 1e-4 * (grid - 450.0) ** 2))
    >>> [round(float(value), 6) + 0.0 for value in found.orders[:3, 50]]
    [1.0, 0.0, -0.0002]
    """
    width = limits()["smoothing_window"] if window is None else float(window)
    if not 0 < width < math.inf:
        raise InputError(f"window is {width:g} nm, but must be a number above zero.")
    grid, values, known, step = _even_grid(scan)
    half = max(math.ceil(width / 2 / step), DEGREE // 2 + 1)
    offsets = step * np.arange(-half, half + 1.0)
    factorial = np.array([math.factorial(k) for k in range(DEGREE + 1)])
    kernel = factorial[:, None] * np.linalg.pinv(np.vander(offsets, DEGREE + 1, increasing=True))
    orders = np.full((DEGREE + 1, grid.size), np.nan)
    if grid.size > 2 * half:
        windows = np.lib.stride_tricks.sliding_window_view(values, 2 * half + 1)
        whole = np.lib.stride_tricks.sliding_window_view(known, 2 * half + 1).all(axis=1)
        orders[:, half : grid.size - half] = np.where(whole, kernel @ windows.T, np.nan)
    gain = np.sqrt((kernel**2).sum(axis=1))
    level = reading_noise(scan) if noise is None else float(noise)
    if noise is None:
        level *= _correlation_factor(grid, orders[1], level * gain[1])
    reading = np.hypot(level, transmittance_noise(np.nan_to_num(orders[0])))
    return Derivatives(grid, orders, gain[:, None] * reading)


def reading_noise(scan: Scan) -> float:
    """Standard deviation of a reading at zero absorbance, from differences of neighbours.

    At least what the digitisation makes, and the floor of the error model.
    """
    known = np.isfinite(scan.absorbance)
    found = float(noise_by_differences(scan.absorbance[None], known[None])[0])
    floor = max(digitisation(scan.absorbance) / math.sqrt(12), error_model()["noise_floor"])
    return max(found, floor) if math.isfinite(found) else floor


def _even_grid(scan: Scan) -> tuple[Array, Array, Mask, float]:
    """Grid, readings, which of them were measured, and the step."""
    step = float(np.clip(np.median(np.diff(scan.wavelength)), FINEST_STEP, COARSEST_STEP))
    n = math.floor((scan.wavelength[-1] - scan.wavelength[0]) / step + 1e-6) + 1
    grid = scan.wavelength[0] + step * np.arange(n)
    measured = np.isfinite(scan.absorbance)
    if measured.sum() < 2:
        return grid, np.zeros(n), np.zeros(n, dtype=bool), step
    values = np.interp(grid, scan.wavelength[measured], scan.absorbance[measured])
    lost = np.interp(grid, scan.wavelength, (~measured).astype(float)) > 0
    # a gap wider than any step of a scan was not measured either
    after = np.clip(np.searchsorted(scan.wavelength, grid), 1, len(scan) - 1)
    wide = np.diff(scan.wavelength)[after - 1] > max(3 * step, COARSEST_STEP)
    return grid, values, ~lost & ~wide, step


def _correlation_factor(grid: Array, slope: Array, expected: float) -> float:
    """How much more the slope varies beyond the bands than white noise would make it.

    A smoothed or oversampled scan has little noise between neighbours and more over a window.
    """
    tail = slope[(grid > error_model()["scatter_free_from"]) & np.isfinite(slope)]
    if tail.size < 15 or expected <= 0:
        return 1.0
    spread = float(np.median(np.abs(tail - np.median(tail)))) / 0.6745
    return spread / expected if spread > CORRELATED_FROM * expected else 1.0


def find_bands(
    scan: Scan,
    *,
    window: float | None = None,
    noise: float | None = None,
    significance: float | None = None,
) -> tuple[Band, ...]:
    """Find the bands of a scan, by rising wavelength.

    A maximum is where the smoothed slope falls through zero; a shoulder is where the
    curvature is strongest and no maximum is near. Position and uncertainty come from the
    local polynomial: u(λ) = u(A')/|A''| for a maximum, u(A''')/A'''' for a shoulder. A
    shoulder whose place the noise hides is left out.

    Parameters
    ----------
    scan : Scan
    window, noise
        As in `differentiate`.
    significance : float, optional
        Least curvature, in standard deviations.

    Returns
    -------
    tuple of Band

    Examples
    --------
    >>> from specfrac.bands import gaussian_bands
    >>> grid = np.arange(380.0, 520.0)
    >>> scan = Scan("two", grid, gaussian_bands(grid, [450.2, 425.0], [0.8, 0.3], [10.0, 10.0]))
    >>> [(round(band.wavelength, 1), band.kind) for band in find_bands(scan)]
    [(422.1, 'shoulder'), (449.8, 'maximum')]
    """
    numbers = limits()
    least = numbers["band_significance"] if significance is None else float(significance)
    found = differentiate(scan, window=window, noise=noise)
    curvature = -found.orders[2]
    strongest = np.nanmax(curvature) if np.isfinite(curvature).any() else 0.0
    threshold = np.maximum(least * found.noise[2], numbers["band_weakest"] * strongest)
    clear = np.nan_to_num(curvature) > threshold
    slope = _baseline_slope(scan, found.wavelength)
    maxima = [
        _maximum(found, at, slope)
        for at in _falls_through_zero(found.orders[1])
        if clear[at] or clear[at + 1]
    ]
    taken = [band.wavelength for band in maxima]
    shoulders: list[Band] = []
    places = [at for at in _falls_through_zero(-found.orders[3]) if clear[at]]
    for at in sorted(places, key=lambda place: -curvature[place]):
        band = _shoulder(found, at)
        near = [abs(band.wavelength - other) for other in taken]
        placed = band.uncertainty < numbers["band_separation"] / 2
        apart = min(near, default=math.inf) > numbers["band_separation"]
        if placed and apart and _stands_out(curvature, found.wavelength, at, taken, threshold):
            shoulders.append(band)
            taken.append(band.wavelength)
    return tuple(sorted(maxima + shoulders, key=lambda band: band.wavelength))


def _falls_through_zero(values: Array) -> list[int]:
    """Indices after which the values go from above zero to zero or below."""
    with np.errstate(invalid="ignore"):
        return np.flatnonzero((values[:-1] > 0) & (values[1:] <= 0)).tolist()


def _between(values: Array, at: int) -> float:
    """Share of the way from a point to the next at which the values pass zero."""
    return float(values[at] / (values[at] - values[at + 1]))


def _maximum(found: Derivatives, at: int, slope: Array) -> Band:
    share = _between(found.orders[1], at)
    step = found.wavelength[at + 1] - found.wavelength[at]
    curvature = -float(np.interp(share, [0, 1], found.orders[2, at : at + 2]))
    doubt = math.hypot(found.noise[1, at], slope[at]) / max(curvature, 1e-12)
    return Band(
        float(found.wavelength[at] + share * step),
        doubt,
        "maximum",
        float(found.orders[0, at : at + 2].max()),
        curvature,
    )


def _shoulder(found: Derivatives, at: int) -> Band:
    share = _between(-found.orders[3], at)
    step = found.wavelength[at + 1] - found.wavelength[at]
    fourth = float(np.interp(share, [0, 1], found.orders[4, at : at + 2]))
    return Band(
        float(found.wavelength[at] + share * step),
        float(found.noise[3, at]) / max(fourth, 1e-12),
        "shoulder",
        float(np.interp(share, [0, 1], found.orders[0, at : at + 2])),
        -float(np.interp(share, [0, 1], found.orders[2, at : at + 2])),
    )


def _stands_out(
    curvature: Array, wavelength: Array, at: int, taken: list[float], threshold: Array
) -> bool:
    """True when the curvature falls clearly between this place and its neighbours."""
    for side in (-1, 1):
        others = [other for other in taken if side * (other - wavelength[at]) > 0]
        if not others:
            continue
        neighbour = min(others, key=lambda other: abs(other - wavelength[at]))
        nearest = int(np.searchsorted(wavelength, neighbour))
        low, high = sorted((at, nearest))
        if np.nanmin(curvature[low : high + 1]) > curvature[at] - threshold[at]:
            return False
    return True


def _baseline_slope(scan: Scan, wavelength: Array) -> Array:
    """Standard uncertainty of the baseline's slope, 1/nm.

    What is left beyond the bands may be an offset or scatter, which rises to the blue.
    """
    numbers = error_model()
    tail = (scan.wavelength > numbers["scatter_free_from"]) & np.isfinite(scan.absorbance)
    level = abs(float(np.median(scan.absorbance[tail]))) if tail.any() else numbers["offset_limit"]
    reference = float(np.median(scan.wavelength[tail])) if tail.any() else wavelength[-1]
    exponent = numbers["scatter_exponent"]
    return np.asarray(level * exponent * (reference / wavelength) ** exponent / wavelength)
