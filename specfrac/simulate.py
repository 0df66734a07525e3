"""Simulated scans: the measurement model run forwards.

Used by the demo and by studies of coverage. It shares the references and the stated
sizes of the errors with the fitting engine and nothing else: model and errors are
written out again here, so that an engine that recovers the truth of these scans has
passed a fair test.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from specfrac.errors import InputError, did_you_mean
from specfrac.fitting.error_model import error_model
from specfrac.references import PigmentReference, References
from specfrac.scans import Scan

Array = NDArray[np.float64]

SCATTER_WAVELENGTH = 500.0  # nm; the scatter's size is stated here, a convention
TRIANGULAR_SLIT_VARIANCE = 1 / 6  # of a triangle whose full width at half height is 1
CORRELATION_LENGTH = error_model()["shape_correlation_length"]  # nm
SCATTER_EXPONENT = error_model()["scatter_exponent"]
BAND_GROUPS = ("carotene", "xanthophyll", "soret", "red")
CURVE_STEP = 0.5  # nm; grid on which smooth random curves are drawn
CURVE_MARGIN = 8.0  # correlation lengths beyond the ends, where the kernel has died out


@dataclass(frozen=True, slots=True, eq=False)
class ShapeErrors:
    """One draw of how the true band shapes differ from the references.

    Such an error belongs to the reference: hand the same draw to every scan that a
    reference is used for, and it does not average out over tubes and dilutions.

    Attributes
    ----------
    wavelength : ndarray, shape (n_grid,)
        nm.
    relative : ndarray, shape (n_pigments, n_grid)
        Error over the pigment's own absorbance, in the order of the references.
    """

    wavelength: Array
    relative: Array


def draw_shape_errors(
    references: References,
    rng: np.random.Generator,
    *,
    correlation_length: float = CORRELATION_LENGTH,
    scale: float = 1.0,
    from_wavelength: float = 200.0,
    to_wavelength: float = 1000.0,
) -> ShapeErrors:
    """Draw a smooth relative error for each reference.

    Parameters
    ----------
    references : References
        Their `shape_error` is the standard deviation of each curve.
    rng : numpy.random.Generator
    correlation_length : float
        nm; the covariance is exp(-d²/(2 · length²)).
    scale : float
        Factor on every `shape_error`.
    from_wavelength, to_wavelength : float
        nm, range of the curves.

    Returns
    -------
    ShapeErrors
    """
    grid = np.arange(from_wavelength, to_wavelength + CURVE_STEP, CURVE_STEP)
    curves = [
        scale * entry.shape_error * smooth_curve(grid, correlation_length, rng)
        for entry in references.entries
    ]
    return ShapeErrors(grid, np.array(curves))


def simulate_scan(
    references: References,
    concentrations: Mapping[str, float],
    *,
    wavelength: ArrayLike,
    name: str = "simulated",
    path_length: float = 1.0,
    bandwidth: float | None = None,
    shift: float = 0.0,
    group_shifts: Mapping[str, float] | None = None,
    offset: float = 0.0,
    scatter: float = 0.0,
    scatter_exponent: float = SCATTER_EXPONENT,
    shape_errors: ShapeErrors | None = None,
    shape_error_scale: float = 0.0,
    correlation_length: float = CORRELATION_LENGTH,
    gain: float = 0.0,
    stray_light_ratio: float = 0.0,
    noise: float = 0.0,
    transmittance_noise: float = 0.0,
    noise_correlation_length: float = 0.0,
    ceiling: float = math.inf,
    resolution: float = 0.0,
    rng: np.random.Generator | int | None = None,
) -> Scan:
    """Simulate the scan of a solution of known composition.

    A(λ) = l Σ_j c_j a_j(λ - δ; w) + b0 + b1 (500/λ)^n, then shape error, gain,
    stray light, noise, ceiling and digitisation in this order.

    Parameters
    ----------
    references : References
    concentrations : mapping of str to float
        g/L by pigment key; pigments not named are absent.
    wavelength : array_like, shape (n_points,)
        nm, strictly increasing.
    name : str
    path_length : float
        cm, > 0.
    bandwidth : float, optional
        nm, spectral bandwidth of a triangular slit; each reference's own by default.
    shift : float
        nm, added to the position of every band: the instrument's wavelength error.
    group_shifts : mapping of str to float, optional
        nm, added to that by group of bands: ``"carotene"``, ``"xanthophyll"``,
        ``"soret"`` and ``"red"`` (of chlorophyll types).
    offset : float
        Absorbance, either sign.
    scatter : float
        Absorbance at 500 nm.
    scatter_exponent : float
    shape_errors : ShapeErrors, optional
        A draw shared between scans.
    shape_error_scale : float
        Factor on the references' `shape_error` for an error drawn for this scan
        alone: covariance s(λ) s(λ') exp(-d²/(2 length²)), s² = Σ (τ_j l c_j a_j)².
    correlation_length : float
        nm, of that error.
    gain : float
        Relative error of the photometer's scale.
    stray_light_ratio : float
        See `stray_light`.
    noise, transmittance_noise : float
        Standard deviations σ0 of the absorbance and σ_T of the transmittance:
        σ² = σ0² + (σ_T 10^A / ln 10)².
    noise_correlation_length : float
        nm; above 0 neighbouring noise is alike, as after an instrument's smoothing.
    ceiling : float
        Absorbance the instrument cannot exceed.
    resolution : float
        Absorbance step of the display; 0 for none.
    rng : numpy.random.Generator or int, optional
        Needed when anything is drawn at random.

    Returns
    -------
    Scan

    Raises
    ------
    InputError
        If a pigment or group is not known, a value lies outside its range, or random
        numbers are needed and `rng` is not given.
    """
    points = np.asarray(wavelength, dtype=np.float64)
    content = _content(references, concentrations)
    shifts = _shifts(shift, group_shifts or {})
    _check(path_length=path_length, resolution=resolution, noise=noise, scatter=scatter)
    random = _generator(rng, needed=max(noise, transmittance_noise, shape_error_scale) > 0)

    parts = np.array(
        [
            path_length * amount * _absorptivity(entry, points, bandwidth, shifts)
            for entry, amount in zip(references.entries, content, strict=True)
        ]
    )
    absorbance = parts.sum(axis=0)
    if shape_errors is not None:
        absorbance = absorbance + _shared_shape_error(parts, points, shape_errors)
    if shape_error_scale > 0:
        tau = np.array([entry.shape_error for entry in references.entries])
        spread = shape_error_scale * np.sqrt(((tau[:, np.newaxis] * parts) ** 2).sum(axis=0))
        absorbance = absorbance + spread * smooth_curve(points, correlation_length, random)
    absorbance = absorbance + offset + scatter * (SCATTER_WAVELENGTH / points) ** scatter_exponent
    absorbance = absorbance * (1 + gain)
    if stray_light_ratio != 0:
        absorbance = stray_light(absorbance, stray_light_ratio)
    if noise > 0 or transmittance_noise > 0:
        spread = np.hypot(noise, transmittance_noise * 10**absorbance / math.log(10))
        absorbance = absorbance + spread * _noise(points, noise_correlation_length, random)
    absorbance = np.minimum(absorbance, ceiling)
    if resolution > 0:
        absorbance = np.round(absorbance / resolution) * resolution
    return Scan(name, points, absorbance, {"origin": "simulated"})


def stray_light(absorbance: ArrayLike, ratio: float) -> Array:
    """Absorbance as an instrument with stray light reads it.

    A_read = -log10((10^-A + s)/(1 + s))

    Parameters
    ----------
    absorbance : array_like
        Decadic.
    ratio : float
        Stray over useful radiant power, >= 0.

    Returns
    -------
    ndarray
        Same shape.

    Raises
    ------
    InputError
        If the ratio is negative.

    Examples
    --------
    >>> stray_light([1.0, 2.0], 0.001).round(3)
    array([0.996, 1.959])
    """
    if not 0 <= ratio < math.inf:
        raise InputError(f"stray light ratio is {ratio:g}, but must be 0 or above.")
    return -np.log10((10 ** -np.asarray(absorbance, dtype=np.float64) + ratio) / (1 + ratio))


def smooth_curve(
    wavelength: ArrayLike, correlation_length: float, rng: np.random.Generator
) -> Array:
    """Draw a smooth random curve of mean 0 and standard deviation 1.

    White noise through a Gaussian kernel: a stationary normal process of covariance
    exp(-d²/(2 length²)).

    Parameters
    ----------
    wavelength : array_like, shape (n_points,)
        nm.
    correlation_length : float
        nm, > 0.
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, shape (n_points,)

    Raises
    ------
    InputError
        If the correlation length is not above 0.
    """
    if not 0 < correlation_length < math.inf:
        raise InputError(f"correlation length is {correlation_length:g} nm, but must be above 0.")
    points = np.asarray(wavelength, dtype=np.float64)
    step = min(CURVE_STEP, correlation_length / 20)
    reach = math.ceil(CURVE_MARGIN / 2 * correlation_length / step)
    grid = np.arange(points.min(), points.max() + 2 * step, step)
    # A kernel exp(-x²/length²) convolved with itself is exp(-d²/(2 length²)).
    kernel = np.exp(-((step * np.arange(-reach, reach + 1) / correlation_length) ** 2))
    kernel /= np.sqrt((kernel**2).sum())
    white = rng.standard_normal(grid.size + 2 * reach)
    return np.interp(points, grid, np.convolve(white, kernel, mode="valid"))


def _noise(wavelength: Array, correlation_length: float, rng: np.random.Generator) -> Array:
    if correlation_length > 0:
        return smooth_curve(wavelength, correlation_length, rng)
    return rng.standard_normal(wavelength.size)


def _absorptivity(
    entry: PigmentReference,
    wavelength: Array,
    bandwidth: float | None,
    shifts: Mapping[str, float],
) -> Array:
    """Specific absorptivity as seen through the slit, bands moved, L/(g cm)."""
    total = np.zeros_like(wavelength)
    slit = 0.0 if bandwidth is None else bandwidth**2 - entry.bandwidth**2
    for centre, height, width, region in zip(
        entry.centre, entry.height, entry.width, entry.region, strict=True
    ):
        variance = width**2 + slit * TRIANGULAR_SLIT_VARIANCE
        if not variance > 0:
            raise InputError(
                f"bandwidth {bandwidth:g} nm is too narrow for {entry.pigment}, whose "
                f"reference was measured with {entry.bandwidth:g} nm."
            )
        group = entry.group if region == "whole" else region
        distance = wavelength - centre - shifts[""] - shifts.get(group, 0.0)
        # The area of a band does not change with the slit.
        lowered = height * width / math.sqrt(variance)
        total += lowered * np.exp(-(distance**2) / (2 * variance))
    return entry.scale * total


def _shared_shape_error(parts: Array, wavelength: Array, errors: ShapeErrors) -> Array:
    if errors.relative.shape[0] != parts.shape[0]:
        raise InputError(
            f"the shape errors are for {errors.relative.shape[0]} pigments, but the references "
            f"have {parts.shape[0]}. Draw them for the same references."
        )
    total = np.zeros_like(wavelength)
    for part, curve in zip(parts, errors.relative, strict=True):
        total += part * np.interp(wavelength, errors.wavelength, curve)
    return total


def _content(references: References, concentrations: Mapping[str, float]) -> list[float]:
    for pigment, value in concentrations.items():
        if pigment not in references.pigments:
            raise InputError(
                f"concentration of {pigment!r}: no reference in {references.solvent.name}. "
                + did_you_mean(pigment, references.pigments)
            )
        if not 0 <= value < math.inf:
            raise InputError(f"concentration of {pigment} is {value:g} g/L; it must be 0 or above.")
    return [float(concentrations.get(pigment, 0.0)) for pigment in references.pigments]


def _shifts(shift: float, group_shifts: Mapping[str, float]) -> dict[str, float]:
    for group in group_shifts:
        if group not in BAND_GROUPS:
            raise InputError(
                f"group of bands {group!r} is not known. {did_you_mean(group, BAND_GROUPS)}"
            )
    return {"": shift, **group_shifts}


def _check(*, path_length: float, **not_negative: float) -> None:
    if not 0 < path_length < math.inf:
        raise InputError(f"path length is {path_length:g} cm, but must be above 0.")
    for name, value in not_negative.items():
        if not 0 <= value < math.inf:
            raise InputError(f"{name} is {value:g}, but must be 0 or above.")


def _generator(rng: np.random.Generator | int | None, *, needed: bool) -> np.random.Generator:
    if rng is None and needed:
        raise InputError("noise and shape error are random: give rng, a seed or a generator.")
    return np.random.default_rng(rng)
