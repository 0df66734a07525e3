"""The measurement model: band shapes moved and broadened, on a scattering baseline.

    A(λ) = l Σ_j c_j a_j(λ - δ; v) + b0 + b1 (500/λ)^n

A shape is a sum of Gaussians, so its derivatives are exact and broadening by a
variance v obeys ∂a/∂v = a''/2. Around an expansion point the model is therefore a
linear combination of each shape's derivatives with polynomial coefficients in
(δ, v): the basis is shared by every scan of a grid, the coefficients are small.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from specfrac.fitting.error_model import error_model
from specfrac.references import PigmentReference, References

if TYPE_CHECKING:
    from specfrac.fitting.results import Curves, MixtureFit

Array = NDArray[np.float64]

ORDER = 4  # of the Taylor expansion in shift; v counts twice
EXPONENT_ORDER = 3
FAR_TAIL = 150.0  # squared widths from a band; there it is down to 1e-33
EDGE = 60.0  # the same for curves of our own choice, which end at 1e-13
SCATTER_REFERENCE_NM = 500.0  # definition of b1

SHIFT_GROUPS = ("carotenes", "xanthophylls", "chlorophylls, Soret", "chlorophylls, red")
"""Groups of bands that move together between solvents."""


def shift_group(group: str, region: str) -> str:
    """Return the shift group of a band from its pigment's group and its region."""
    if region == "soret":
        return SHIFT_GROUPS[2]
    if region == "red":
        return SHIFT_GROUPS[3]
    return SHIFT_GROUPS[0] if group == "carotene" else SHIFT_GROUPS[1]


@dataclass(frozen=True, slots=True, eq=False)
class Component:
    """The bands of one pigment that move together.

    Attributes
    ----------
    pigment : int
        Position among the candidates.
    shift : int
        Position among the shift groups present.
    centre, height, width : ndarray, shape (n_bands,)
    bandwidth : float
        nm, spectral bandwidth of the reference.
    """

    pigment: int
    shift: int
    centre: Array
    height: Array
    width: Array
    bandwidth: float


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Which parameters a fit has and where they stand.

    The parameter vector is [amplitudes, offsets, scatters, shifts, v, n]; an
    amplitude is a pigment's absorbance at its main maximum in a cell of 1 cm.

    Attributes
    ----------
    components : tuple of Component
    n_pigments, n_scans : int
        Candidates; scans of one tube fitted together.
    shift_groups : tuple of str
        Those present among the candidates.
    pigment_of, shift_of : ndarray of int, shape (n_components,)
        Pigment and shift group of each component.
    n_parameters : int
    amplitudes, offsets, scatters, shifts : slice
    broadening, exponent : int
        Where the parameters stand.
    n_shape_columns, n_columns : int
        Columns of the basis for shapes, and with the baselines.
    """

    components: tuple[Component, ...]
    n_pigments: int
    n_scans: int
    shift_groups: tuple[str, ...]
    pigment_of: NDArray[np.intp]
    shift_of: NDArray[np.intp]
    n_parameters: int
    amplitudes: slice
    offsets: slice
    scatters: slice
    shifts: slice
    broadening: int
    exponent: int
    n_shape_columns: int
    n_columns: int


def layout(references: References, n_scans: int = 1) -> Layout:
    """Return the layout of a fit with these candidates."""
    keys = [
        [shift_group(entry.group, region) for region in dict.fromkeys(entry.region)]
        for entry in references.entries
    ]
    present = tuple(g for g in SHIFT_GROUPS if any(g in groups for groups in keys))
    components = []
    for position, entry in enumerate(references.entries):
        regions = np.array(entry.region)
        for region in dict.fromkeys(entry.region):
            part = regions == region
            components.append(
                Component(
                    position,
                    present.index(shift_group(entry.group, region)),
                    entry.centre[part],
                    entry.height[part],
                    entry.width[part],
                    entry.bandwidth,
                )
            )
    n_pigments, n_groups = len(references.entries), len(present)
    baseline = n_pigments + 2 * n_scans
    return Layout(
        tuple(components),
        n_pigments,
        n_scans,
        present,
        pigment_of=np.array([part.pigment for part in components]),
        shift_of=np.array([part.shift for part in components]),
        n_parameters=baseline + n_groups + 2,
        amplitudes=slice(0, n_pigments),
        offsets=slice(n_pigments, n_pigments + n_scans),
        scatters=slice(n_pigments + n_scans, baseline),
        shifts=slice(baseline, baseline + n_groups),
        broadening=baseline + n_groups,
        exponent=baseline + n_groups + 1,
        n_shape_columns=len(components) * (ORDER + 1),
        n_columns=len(components) * (ORDER + 1) + n_scans * (EXPONENT_ORDER + 2),
    )


def shape_derivatives(
    wavelength: Array,
    centre: Array,
    height: Array,
    width: Array,
    *,
    shift: float = 0.0,
    variance: float = 0.0,
    order: int = ORDER,
) -> Array:
    """Sum of Gaussian bands, moved and broadened at constant area, with derivatives.

    Parameters
    ----------
    wavelength : ndarray, shape (n_points,)
        nm.
    centre, height, width : ndarray, shape (n_bands,)
        nm, relative, nm (standard deviation).
    shift : float
        nm, added to each centre.
    variance : float
        nm^2, added to each squared width; a negative one may at most halve a width.
    order : int
        Highest derivative.

    Returns
    -------
    ndarray, shape (order + 1, n_points)
        Derivatives by wavelength of order 0, 1, ...
    """
    sigma = np.sqrt(np.maximum(width**2 + variance, width**2 / 4))
    u = (wavelength[None, :] - centre[:, None] - shift) / sigma[:, None]
    gauss = (height * width / sigma)[:, None] * gaussian(u)
    result = np.empty((order + 1, wavelength.size))
    # d^k/dλ^k of a Gaussian is (-1/σ)^k He_k(u) times it; He by recurrence
    previous, hermite = np.zeros_like(u), np.ones_like(u)
    factor = np.ones_like(sigma)
    for k in range(order + 1):
        result[k] = factor @ (hermite * gauss)
        previous, hermite = hermite, u * hermite - k * previous
        factor = -factor / sigma
    return result


def gaussian(u: Array, *, end: float = FAR_TAIL) -> Array:
    """exp(-u²/2), zero where u² is beyond the end: near underflow arithmetic takes ten times."""
    square = u * u
    return np.where(square < end, np.exp(-0.5 * np.minimum(square, end)), 0.0)


def slit_variance(bandwidth: float, reference_bandwidth: float) -> float:
    """Variance a triangular slit adds beyond the reference's own, nm^2: (B² - B_ref²)/6."""
    return (bandwidth**2 - reference_bandwidth**2) / 6


def basis(
    layout_: Layout,
    wavelengths: tuple[Array, ...],
    factors: tuple[float, ...],
    *,
    centres: Array,
    variance: float,
    bandwidth: float | None,
) -> Array:
    """Basis functions of the linear model on the stacked grids of one tube's scans.

    Parameters
    ----------
    layout_ : Layout
    wavelengths : tuple of ndarray
        Grid of each scan.
    factors : tuple of float
        Path length over dilution factor of each scan, relative to an amplitude.
    centres : ndarray, shape (n_shift_groups,)
        nm, shifts at the expansion point.
    variance : float
        nm^2, broadening at the expansion point.
    bandwidth : float or None
        nm; when given, each reference is broadened to it.

    Returns
    -------
    ndarray, shape (n_columns, n_points)
        Component by component its derivatives 0 to 4, then for each scan the offset
        and the derivatives of (500/λ)^n by n at the prior's exponent, over k!.
    """
    n_points = sum(w.size for w in wavelengths)
    columns = np.zeros((layout_.n_columns, n_points))
    n_prior = error_model()["scatter_exponent"]
    start = 0
    for scan, (wavelength, factor) in enumerate(zip(wavelengths, factors, strict=True)):
        points = slice(start, start + wavelength.size)
        for number, part in enumerate(layout_.components):
            extra = slit_variance(bandwidth, part.bandwidth) if bandwidth is not None else 0.0
            rows = slice(number * (ORDER + 1), (number + 1) * (ORDER + 1))
            columns[rows, points] = factor * shape_derivatives(
                wavelength,
                part.centre,
                part.height,
                part.width,
                shift=float(centres[part.shift]),
                variance=variance + extra,
            )
        row = layout_.n_shape_columns + scan * (EXPONENT_ORDER + 2)
        columns[row, points] = 1.0
        log_ratio = np.log(SCATTER_REFERENCE_NM / wavelength)
        for k in range(EXPONENT_ORDER + 1):
            columns[row + 1 + k, points] = (
                np.exp(n_prior * log_ratio) * log_ratio**k / math.factorial(k)
            )
        start += wavelength.size
    return columns


def coefficients(layout_: Layout, parameters: Array, polynomials: Array) -> Array:
    """Coefficients of the basis.

    Parameters
    ----------
    layout_ : Layout
    parameters : ndarray, shape (n, n_parameters)
    polynomials : ndarray, shape (n, n_shift_groups, ORDER + 1)
        Of `polynomials` at these parameters.

    Returns
    -------
    ndarray, shape (n, n_columns)
    """
    n = parameters.shape[0]
    values = np.empty((n, layout_.n_columns))
    pigment, shift = layout_.pigment_of, layout_.shift_of
    values[:, : layout_.n_shape_columns] = (
        parameters[:, pigment, None] * polynomials[:, shift]
    ).reshape(n, -1)
    powers, _ = _powers(parameters[:, layout_.exponent])
    baseline = values[:, layout_.n_shape_columns :].reshape(n, layout_.n_scans, -1)
    baseline[:, :, 0] = parameters[:, layout_.offsets]
    baseline[:, :, 1:] = parameters[:, layout_.scatters, None] * powers[:, None, :]
    return values


def jacobian(layout_: Layout, parameters: Array, polynomials: Array) -> Array:
    """Derivatives of the coefficients by the parameters, shape (n, n_columns, n_parameters)."""
    n = parameters.shape[0]
    result = np.zeros((n, layout_.n_columns, layout_.n_parameters))
    own = result[:, : layout_.n_shape_columns].reshape(n, -1, ORDER + 1, layout_.n_parameters)
    component = np.arange(len(layout_.components))
    moved = polynomials[:, layout_.shift_of]
    amplitude = parameters[:, layout_.pigment_of, None]
    shift = layout_.shifts.start + layout_.shift_of
    own[:, component, :, layout_.pigment_of] = moved.transpose(1, 0, 2)
    own[:, component, 1:, shift] = (-amplitude * moved[..., :-1]).transpose(1, 0, 2)
    own[:, :, 2:, layout_.broadening] = 0.5 * amplitude * moved[..., :-2]
    powers, slopes = _powers(parameters[:, layout_.exponent])
    for scan in range(layout_.n_scans):
        row = layout_.n_shape_columns + scan * (EXPONENT_ORDER + 2)
        rows = slice(row + 1, row + EXPONENT_ORDER + 2)
        scatter = layout_.scatters.start + scan
        result[:, row, layout_.offsets.start + scan] = 1.0
        result[:, rows, scatter] = powers
        result[:, rows, layout_.exponent] = parameters[:, scatter, None] * slopes
    return result


def curvature(layout_: Layout, parameters: Array, polynomials: Array, rest: Array) -> Array:
    """Minus the sum of `rest` times the second derivatives of the coefficients.

    Parameters
    ----------
    layout_, parameters, polynomials
        As in `coefficients`.
    rest : ndarray, shape (n, n_columns)

    Returns
    -------
    ndarray, shape (n, n_parameters, n_parameters)
    """
    n = len(parameters)
    result = np.zeros((n, layout_.n_parameters, layout_.n_parameters))
    shapes = rest[:, : layout_.n_shape_columns].reshape(n, -1, ORDER + 1)
    # a derivative by shift lowers the order by one, by the variance by two
    lowered = [
        (shapes[:, :, k:] * polynomials[:, layout_.shift_of, : ORDER + 1 - k]).sum(axis=2)
        for k in range(ORDER + 1)
    ]
    pigment, shift, v = (
        layout_.pigment_of,
        layout_.shifts.start + layout_.shift_of,
        layout_.broadening,
    )
    # which pigment, and which shift, each component belongs to
    of_pigment = (pigment[:, None] == np.arange(layout_.n_pigments)).astype(float)
    shifts = np.arange(layout_.shifts.start, layout_.shifts.stop)
    of_shift = (shift[:, None] == shifts).astype(float)
    amplitude = parameters[:, pigment]
    one, two, three, four = lowered[1:]
    result[:, pigment, shift] = one
    result[:, layout_.amplitudes, v] = -two @ of_pigment / 2
    result[:, shifts, shifts] = -(amplitude * two) @ of_shift
    result[:, layout_.shifts, v] = (amplitude * three) @ of_shift / 2
    result[:, v, v] = -(amplitude * four).sum(axis=1) / 4
    powers, slopes = _powers(parameters[:, layout_.exponent])
    order = np.arange(EXPONENT_ORDER + 1)
    bends = np.zeros_like(powers)
    bends[:, 2:] = (order * (order - 1))[2:] * powers[:, :-2]
    for scan in range(layout_.n_scans):
        row = layout_.n_shape_columns + scan * (EXPONENT_ORDER + 2)
        own = rest[:, row + 1 : row + EXPONENT_ORDER + 2]
        scatter = layout_.scatters.start + scan
        result[:, scatter, layout_.exponent] -= (own * slopes).sum(axis=1)
        result[:, layout_.exponent, layout_.exponent] -= parameters[:, scatter] * (own * bends).sum(
            axis=1
        )
    upper = np.triu(result, 1)
    return np.asarray(result + upper.transpose(0, 2, 1))


def polynomials(layout_: Layout, parameters: Array, centres: Array, variance: Array) -> Array:
    """Coefficient of each derivative of a shape, by shift group.

    Parameters
    ----------
    layout_ : Layout
    parameters : ndarray, shape (n, n_parameters)
    centres : ndarray, shape (n, n_shift_groups)
        Expansion points of the shifts, nm.
    variance : ndarray, shape (n,)
        Expansion points of the broadening, nm^2.

    Returns
    -------
    ndarray, shape (n, n_shift_groups, ORDER + 1)
    """
    shifts = parameters[:, layout_.shifts] - centres
    half_w = (parameters[:, layout_.broadening] - variance) / 2
    return _taylor(shifts, half_w[:, None])


def _powers(exponent: Array) -> tuple[Array, Array]:
    """Powers of the exponent's excess over its prior, and their derivatives."""
    excess = exponent - error_model()["scatter_exponent"]
    powers = np.ones((excess.size, EXPONENT_ORDER + 1))
    powers[:, 1:] = np.multiply.accumulate(
        np.broadcast_to(excess[:, None], (excess.size, EXPONENT_ORDER)), axis=1
    )
    slopes = np.zeros_like(powers)
    slopes[:, 1:] = np.arange(1, EXPONENT_ORDER + 1) * powers[:, :-1]
    return powers, slopes


def _taylor(shift: Array, half_variance: Array) -> Array:
    """Coefficient of each derivative: p_o = Σ_m (-d)^(o-2m)/(o-2m)! (w/2)^m/m!."""
    order = np.arange(1, ORDER + 1)
    moved = np.ones((*shift.shape, ORDER + 1))
    moved[..., 1:] = np.multiply.accumulate(-shift[..., None] / order, axis=-1)
    result, broadened = moved.copy(), np.ones_like(half_variance)
    for m in range(1, ORDER // 2 + 1):
        broadened = broadened * half_variance / m
        result[..., 2 * m :] += moved[..., : -2 * m] * broadened[..., None]
    return result


def pigment_shape(
    entry: PigmentReference,
    wavelength: Array,
    *,
    shifts: Mapping[str, float],
    bandwidth: float | None,
    variance: float,
) -> Array:
    """Exact shape of one pigment at fitted shifts and breadth, shape (n_points,)."""
    extra = slit_variance(bandwidth, entry.bandwidth) if bandwidth is not None else 0.0
    regions = np.array(entry.region)
    total = np.zeros(wavelength.size)
    for region in dict.fromkeys(entry.region):
        part = regions == region
        total += shape_derivatives(
            wavelength,
            entry.centre[part],
            entry.height[part],
            entry.width[part],
            shift=shifts[shift_group(entry.group, region)],
            variance=variance + extra,
            order=0,
        )[0]
    return total


def curves(fit: MixtureFit, index: int = 0) -> Curves:
    """Draw a fit on the grid of one of its scans (see `MixtureFit.curves`)."""
    from specfrac.fitting.results import Curves

    scan = fit.scans[index]
    wavelength = scan.wavelength
    factor = fit.path_lengths[index] / fit.dilution_factors[index]
    components = np.array(
        [
            factor
            * concentration
            * entry.scale
            * pigment_shape(
                entry,
                wavelength,
                shifts=fit.group_shifts,
                bandwidth=fit.bandwidth,
                variance=fit.bandwidth_variance,
            )
            for concentration, entry in zip(fit.concentration, fit.references.entries, strict=True)
        ]
    )
    ratio = SCATTER_REFERENCE_NM / wavelength
    baseline = fit.offsets[index] + fit.scatters[index] * ratio**fit.scatter_exponent
    fitted = components.sum(axis=0) + baseline
    errors = np.array([entry.shape_error for entry in fit.references.entries])
    return Curves(
        wavelength=wavelength,
        absorbance=scan.absorbance,
        used=fit.used[index],
        fitted=fitted,
        residual=scan.absorbance - fitted,
        baseline=baseline,
        components=components,
        shape_uncertainty=fit.shape_error_factor
        * np.sqrt(((errors[:, None] * components) ** 2).sum(axis=0)),
    )
