"""Is the top of a scan flattened, as stray light or a worn detector flattens it?

A fit takes most of a flattened top for less pigment, so neither a number nor the size of
the residual shows it. Its shape does: the strong readings lie low by an amount that grows
with 10^A, and only there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from specfrac.fitting.error_model import error_model
from specfrac.fitting.results import Curves, MixtureFit
from specfrac.flags import Flag
from specfrac.references import References

Array = NDArray[np.float64]

BLOCK_NM = 4.0  # readings are averaged over it; half the width of the narrowest band
RED_FROM_NM = 540.0  # parts the Soret and the red bands of chlorophyll types
SMALLEST_RATIO, N_RATIOS = 1e-5, 40
LARGEST_PART = 0.98  # of the ratio at which the highest reading would mean no light at all
FEWEST_STRONG = 3  # blocks above the level from which flattening is looked for


@dataclass(frozen=True, slots=True)
class Flattening:
    """Stray light that would flatten a scan as it is flattened.

    Attributes
    ----------
    scan : int
        Which scan of the tube.
    ratio : float
        Stray over useful radiant power.
    significance : float
        Of the ratio against none, in standard uncertainties; the misfit that the ratio
        leaves is counted as uncertainty.
    level : float
        Reading from which stray light of this size takes more than the stated share of
        absorbance.
    highest : float
        Highest used reading.
    """

    scan: int
    ratio: float
    significance: float
    level: float
    highest: float


def without_stray_light(absorbance: Array, ratio: float | Array) -> Array:
    """Absorbance that stray light of a ratio s made into a reading.

    A = -log10(10^-A_read (1 + s) - s)

    Parameters
    ----------
    absorbance : ndarray
        Readings, below -log10(s/(1 + s)).
    ratio : float or ndarray
        Stray over useful radiant power; broadcast with the readings.

    Returns
    -------
    ndarray

    Examples
    --------
    >>> without_stray_light(np.array([1.959]), 0.001).round(2)
    array([2.])
    """
    return np.asarray(-np.log10(10.0**-absorbance * (1 + ratio) - ratio))


def flattening_level(ratio: float, loss: float) -> float:
    """Reading at which stray light of a ratio takes `loss` of absorbance.

    Examples
    --------
    >>> round(flattening_level(0.001, 0.041), 2)
    1.96
    """
    true = math.log10(((1 + ratio) * 10**loss - 1) / ratio)
    return true - loss


def flattened_scans(fit: MixtureFit) -> tuple[Flattening, ...]:
    """Return the scans of a fit whose strong readings are flattened.

    For each ratio of stray light the readings are turned back, and the fit's model is
    taken as linear around its solution: amplitudes, shifts, breadth, offset and scatter
    are free, noise and shape errors are those of the error model. What is left is compared
    with what is left without stray light.

    Parameters
    ----------
    fit : MixtureFit

    Returns
    -------
    tuple of Flattening
        Empty when nothing is flattened or the scans are too weak to tell.
    """
    if not np.isfinite(fit.concentration).all():
        return ()
    limits = error_model()
    found = []
    for scan in range(len(fit.scans)):
        readings = fit.scans[scan].absorbance[fit.used[scan]]
        if readings.size == 0 or readings.max() < limits["flattening_from"]:
            continue
        one = _flattening(fit, scan)
        if (
            one is not None
            and one.significance > limits["flattening_significance"]
            and one.level < one.highest
        ):
            found.append(one)
    return tuple(found)


def lowered_limit(found: Sequence[Flattening]) -> float:
    """Linear limit below which no flattened scan is spoilt."""
    return max(min(one.level for one in found), error_model()["flattening_lowest_limit"])


def stray_light_flags(fit: MixtureFit, found: Sequence[Flattening]) -> list[Flag]:
    """Flags of a tube whose flattened readings were left out.

    Stray light is reported and its readings are left out; it is not subtracted, since its
    size is known only roughly and differs from wavelength to wavelength (ASTM E387).
    """
    return [
        Flag(
            "stray-light",
            f"{fit.scans[one.scan].name}: the strongest readings, up to {one.highest:.2f}, are "
            f"flattened as about {100 * one.ratio:.2g} % stray light would flatten them; those "
            f"above {lowered_limit(found):.2f} were left out. Dilute and rescan; check the "
            "instrument for stray light.",
        )
        for one in found
    ]


def _flattening(fit: MixtureFit, scan: int) -> Flattening | None:
    limits = error_model()
    curves = fit.curves(scan)
    average = _Blocks.of(curves.wavelength, curves.used)
    reading, fitted = average(curves.absorbance), average(curves.fitted)
    highest = float(reading.max())
    if (reading > limits["flattening_from"]).sum() < FEWEST_STRONG:
        return None
    root = _inverse_root(fit, scan, curves, average)
    columns = average(_free_columns(fit.references, curves))
    basis: Array = np.linalg.qr(root @ columns.T)[0]
    # from 10^A = 1 + 1/s on a reading would mean no light at all
    most = max(LARGEST_PART / (10**highest - 1), 2 * SMALLEST_RATIO)
    ratios = np.concatenate(([0.0], np.geomspace(SMALLEST_RATIO, most, N_RATIOS)))
    rest = root @ (without_stray_light(reading[:, None], ratios) - fitted[:, None])
    remains = ((rest - basis @ (basis.T @ rest)) ** 2).sum(axis=0)
    best = 1 + int(remains[1:].argmin())
    degrees = max(reading.size - basis.shape[1], 1)
    gain = (remains[0] - remains[best]) / max(1.0, remains[best] / degrees)
    return Flattening(
        scan,
        float(ratios[best]),
        math.sqrt(max(gain, 0.0)),
        flattening_level(float(ratios[best]), limits["flattening_loss"]),
        highest,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Blocks:
    """Averages over blocks of the used readings, along the last axis."""

    used: NDArray[np.bool_]
    first: NDArray[np.intp]
    size: Array

    @classmethod
    def of(cls, wavelength: Array, used: NDArray[np.bool_]) -> _Blocks:
        number = np.floor(wavelength[used] / BLOCK_NM)
        _, first, size = np.unique(number, return_index=True, return_counts=True)
        return cls(used, first, size.astype(np.float64))

    def __call__(self, values: Array) -> Array:
        return np.asarray(np.add.reduceat(values[..., self.used], self.first, axis=-1) / self.size)


def _inverse_root(fit: MixtureFit, scan: int, curves: Curves, average: _Blocks) -> Array:
    """Inverse root of the covariance of the blocks, as the error model states it."""
    limits = error_model()
    noise = limits["transmittance_noise"] * 10.0**curves.fitted / math.log(10)
    shape = curves.shape_uncertainty / fit.shape_error_factor
    variance = fit.noise[scan] ** 2 + noise**2 + (limits["shape_roughness"] * shape) ** 2
    middle, size = average(curves.wavelength), average(shape)
    away = (middle[:, None] - middle[None, :]) / limits["shape_correlation_length"]
    covariance = np.outer(size, size) * np.exp(-0.5 * away**2)
    covariance[np.diag_indices(middle.size)] += average(variance) / average.size
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)))


def _free_columns(references: References, curves: Curves) -> Array:
    """What a fit may change: amplitudes, shifts by group of bands, breadth, baseline."""
    wavelength = curves.wavelength
    kinds = np.array([entry.group for entry in references.entries])
    chlorophyll = ~np.isin(kinds, ("carotene", "xanthophyll"))
    shapes = [
        part if part.any() else entry.shape(wavelength)
        for entry, part in zip(references.entries, curves.components, strict=True)
    ]
    green = curves.components[chlorophyll].sum(axis=0)
    red = wavelength >= RED_FROM_NM
    moving = [curves.components[kinds == kind].sum(axis=0) for kind in ("carotene", "xanthophyll")]
    moving += [np.where(red, 0.0, green), np.where(red, green, 0.0)]
    slopes = np.gradient(np.array(moving), wavelength, axis=1)
    breadth = np.gradient(slopes.sum(axis=0), wavelength)
    ratio = wavelength / wavelength[-1]
    columns = np.array([*shapes, *slopes, breadth, np.ones_like(ratio), ratio**-2.5, ratio**-4.0])
    size = np.linalg.norm(columns, axis=1)
    return np.asarray(columns[size > 0] / size[size > 0, None])
