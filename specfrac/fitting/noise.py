"""Errors of a scan: independent noise, and smooth errors of the band shapes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from specfrac.fitting.blocks import Blocks, Products
from specfrac.fitting.error_model import error_model
from specfrac.fitting.model import EDGE, gaussian

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

COMB_SPACING = 0.7  # near 1 the comb misses smooth directions, which then count as exact
SPREAD_SPACING = 1.0  # enough where an error is only propagated: variances within 1.4 %
SMOOTHING_RIDGE = 1e-3
AUTOCORRELATED_FROM = 0.3  # lag-one value that white noise of 100 points reaches once in 1000
SMOOTHING_REACH_NM = 6.0  # widest smoothing an instrument applies
STRUCTURE_NM = 30.0  # longest period of structure that counts as short-range
MISFIT_DOUBT = 4.0  # standard deviations before a misfit of the tails counts
STRUCTURE_DOUBT = 3.0  # standard deviations before structure counts as more than expected


def shape_modes(
    wavelength: Array, *, length: float | None = None, spacing: float = COMB_SPACING
) -> Array:
    """Modes whose products sum to the correlation exp(-(λ-λ')²/(2 L²)).

    Gaussians of width L/√2 on a comb: their sum of products is that correlation times
    a theta function that is flat within 1.4 % at a step of L, and the diagonal is then
    set to one.

    Parameters
    ----------
    wavelength : ndarray, shape (n_points,)
        nm; grids of several scans may be stacked, equal wavelengths then share one error.
    length : float, optional
        nm, correlation length L; default that of the shape error.
    spacing : float
        Step of the comb over L.

    Returns
    -------
    ndarray, shape (n_modes, n_points)
    """
    length = error_model()["shape_correlation_length"] if length is None else length
    knots = shape_knots(wavelength, length=length, spacing=spacing)
    modes = gaussian(2**0.5 * (wavelength[None, :] - knots[:, None]) / length, end=EDGE)
    return np.asarray(modes / np.sqrt((modes**2).sum(axis=0)))


def shape_knots(
    wavelength: Array, *, length: float | None = None, spacing: float = COMB_SPACING
) -> Array:
    """Where the modes of `shape_modes` stand, nm: the same places for every grid."""
    length = error_model()["shape_correlation_length"] if length is None else length
    step = spacing * length
    first, last = (wavelength.min() - length) / step, (wavelength.max() + length) / step
    return np.asarray(step * np.arange(np.floor(first), np.ceil(last) + 1))


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
class Smoothing:
    """The smooth part of a curve: its projection on modes.

    Attributes
    ----------
    modes : ndarray, shape (n_modes, n_points)
    projection : ndarray, shape (n_modes, n_points)
        Ridge inverse of the modes' Gram matrix times the modes.
    left : float
        Share of white noise that is left when the smooth part is taken away.
    """

    modes: Array
    projection: Array
    left: float

    def without(self, curves: Array, used: Mask) -> Array:
        """Curves less their smooth part, zero where not used."""
        known = np.where(used, curves, 0.0)
        return np.where(used, known - (known @ self.modes.T) @ self.projection, 0.0)


def smoothing(modes: Array) -> Smoothing:
    """Return the smoothing by some modes, shape (n_modes, n_points)."""
    ridge = SMOOTHING_RIDGE * np.eye(modes.shape[0])
    projection = np.linalg.inv(modes @ modes.T + ridge) @ modes
    taken = float((projection * modes).sum()) / modes.shape[1]
    return Smoothing(modes, projection, max(0.1, 1.0 - taken))


@dataclass(frozen=True, slots=True, eq=False)
class NoiseGrid:
    """What the noise of every scan on one grid is found with.

    Attributes
    ----------
    step : float
        nm.
    blocks : Blocks
    fine, coarse : Smoothing
        On the scale of the shape error, and of `STRUCTURE_NM`.
    mixed : Products
        Modes of the shape error and coarse modes.
    projected : Products
        The coarse projection with itself.
    overlap : ndarray, shape (n_blocks, n_blocks)
        Coarse smoothing times the shape error's correlation, summed over blocks.
    """

    step: float
    blocks: Blocks
    fine: Smoothing
    coarse: Smoothing
    mixed: Products
    projected: Products
    overlap: Array

    def rough_shape_variance(self, deviation: Array, chosen: Mask) -> Array:
        """Variance that shape errors have below `STRUCTURE_NM`, summed over chosen points.

        Of a smooth error e = s Σ_m z_m u_m the part e - Pe is left by a smoothing P.

        Parameters
        ----------
        deviation : ndarray, shape (n_scans, n_blocks)
            Standard deviation s of the shape error.
        chosen : ndarray of bool, shape (n_scans, n_blocks)
            Blocks that count.
        """
        before = (chosen * self.blocks.sizes * deviation**2).sum(axis=1)
        common = (chosen * deviation * (deviation @ self.overlap)).sum(axis=1)
        onto = self.mixed.weighted(deviation)
        within = (onto.transpose(0, 2, 1) @ onto) * self.projected.weighted(chosen.astype(float))
        return np.asarray(before - 2 * common + within.sum(axis=(1, 2)))


def noise_grid(wavelength: Array, blocks: Blocks, comb: Array) -> NoiseGrid:
    """Return what finding the noise of scans on one grid needs.

    Parameters
    ----------
    wavelength : ndarray, shape (n_points,)
    blocks : Blocks
    comb : ndarray, shape (n_modes, n_points)
        Modes of the shape error's correlation.
    """
    fine, coarse = (
        smoothing(comb),
        smoothing(shape_modes(wavelength, length=STRUCTURE_NM / 2, spacing=1.0)),
    )
    correlation = comb.T @ comb
    smooth = coarse.modes.T @ coarse.projection
    overlap = blocks.sums(blocks.sums(smooth * correlation).T)
    return NoiseGrid(
        float(np.median(np.diff(wavelength))),
        blocks,
        fine,
        coarse,
        Products(comb, coarse.modes, blocks),
        Products(coarse.projection, coarse.projection, blocks),
        overlap,
    )


@dataclass(frozen=True, slots=True, eq=False)
class FirstFit:
    """What the first pass found on one scan's grid.

    Attributes
    ----------
    grid : NoiseGrid
    residual, fitted : ndarray, shape (n_scans, n_points)
    deviation : ndarray, shape (n_scans, n_blocks)
        Standard deviation of the shape error.
    weak, strong : ndarray of bool, shape (n_scans, n_points)
        Used points up to, and above, the median absorbance.
    transmittance : ndarray, shape (n_scans, n_points)
        Variance from the noise of the transmittance.
    """

    grid: NoiseGrid
    residual: Array
    fitted: Array
    deviation: Array
    weak: Mask
    strong: Mask
    transmittance: Array


def first_fit(
    grid: NoiseGrid, residual: Array, fitted: Array, used: Mask, deviation: Array
) -> FirstFit:
    """Part the used points of scans into a weak and a strong half.

    Parameters
    ----------
    grid : NoiseGrid
    residual, fitted : ndarray, shape (n_scans, n_points)
    used : ndarray of bool, shape (n_scans, n_points)
        Whole blocks.
    deviation : ndarray, shape (n_scans, n_blocks)
    """
    whole, level = grid.blocks.whole(used), grid.blocks.means(fitted)
    ordered = np.sort(np.where(whole, level, np.inf), axis=1)
    count, row = whole.sum(axis=1), np.arange(len(level))
    middle = (
        ordered[row, np.maximum(count - 1, 0) // 2] + ordered[row, np.maximum(count, 1) // 2]
    ) / 2
    weak = whole & (level <= np.where(count > 0, middle, np.inf)[:, None])
    return FirstFit(
        grid,
        residual,
        fitted,
        deviation,
        grid.blocks.spread(weak),
        grid.blocks.spread(whole & ~weak),
        transmittance_noise(fitted) ** 2,
    )


def independent_noise(first: FirstFit) -> Array:
    """Standard deviation of the noise at zero absorbance, shape (n_scans,).

    From the residual of the first fit where the scan is weak, less its smooth part, which
    band shapes can leave. Where what remains is correlated from point to point (a smoothed
    or oversampled scan), the long-run variance is used, which is what a band wider than the
    smoothing feels.
    """
    fine = first.grid.fine
    rough = np.where(first.weak, fine.without(first.residual, first.weak | first.strong), 0.0)
    factor = _long_run_factor(rough, int(SMOOTHING_REACH_NM / first.grid.step))
    variance = _mean(rough**2, first.weak) * factor / fine.left
    return np.sqrt(np.maximum(variance - _mean(first.transmittance, first.weak), 0.0))


def tail_misfit(first: FirstFit, at_zero: Array) -> Array:
    """Error at zero absorbance that neither noise nor shape error explains, shape (n_scans,).

    The shape error is in proportion to absorbance and says nothing of the tails of the
    bands. Where the weak half of a quiet scan departs from the fit by more than its noise,
    the excess counts as independent error of the same spectral density; otherwise the
    tails would outweigh the bands.
    """
    weak = first.weak
    left = np.where(weak, first.residual, 0.0)
    smooth = first.grid.blocks.spread(first.deviation**2)
    expected = at_zero**2 + _mean(first.transmittance + smooth, weak)
    found = _mean(left**2, weak)
    doubt = 1 + MISFIT_DOUBT * np.sqrt(2.0 / np.maximum(weak.sum(axis=1), 1))
    excess = np.where(found > doubt * expected, found - expected, 0.0)
    rows = np.flatnonzero(excess)
    excess[rows] *= _long_run_factor(left[rows], int(STRUCTURE_NM / first.grid.step))
    return np.sqrt(excess)


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
    coarse, blocks = first.grid.coarse, first.grid.blocks
    strong = first.strong
    rough = np.where(strong, coarse.without(first.residual, first.weak | strong), 0.0)
    found = _mean(rough**2, strong) / coarse.left
    count = strong.sum(axis=1)
    span = first.grid.step * count
    doubt = 1 + STRUCTURE_DOUBT * np.sqrt(2 * STRUCTURE_NM / np.maximum(span, STRUCTURE_NM))
    expected = at_zero**2 + _mean(first.transmittance, strong)
    # what shape errors add matters only where noise alone does not explain the structure
    rows = np.flatnonzero(found > doubt * expected)
    whole = blocks.whole(strong[rows])
    shapes = first.grid.rough_shape_variance(first.deviation[rows], whole)
    expected[rows] += shapes / np.maximum(count[rows], 1)
    excess = np.where(found > doubt * expected, found - expected, 0.0)
    rows = np.flatnonzero(excess)
    excess[rows] *= _long_run_factor(rough[rows], int(STRUCTURE_NM / 2 / first.grid.step))
    return np.sqrt(excess / np.maximum(_mean(first.fitted**2, strong), 1e-12))


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
        rows = np.flatnonzero(going)
        if not rows.size:
            break
        correlation = (rough[rows, lag:] * rough[rows, :-lag]).sum(axis=1) / power[rows]
        going[rows] = correlation > 0
        factor[rows] += np.where(correlation > 0, 2 * correlation, 0.0)
    return factor
