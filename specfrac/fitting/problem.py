"""What a batch of fits is given, assumes beforehand, and finds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from specfrac.fitting import model
from specfrac.fitting.error_model import error_model
from specfrac.fitting.grid import Grid

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Index = NDArray[np.intp]
SMALLEST_EXPONENT = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """A batch of tubes measured on the same grid.

    Attributes
    ----------
    grid : Grid
        Wavelengths, path ratios and bandwidth; the arrays below hold a tube's scans one
        after the other.
    factor_uncertainties : tuple of float
        Relative standard uncertainty of each dilution factor.
    absorbance : ndarray, shape (n_tubes, n_points)
        Zero where not used.
    used : ndarray of bool, shape (n_tubes, n_points)
        Whole blocks of the grid.
    smoothed : ndarray, shape (n_tubes, n_points)
        For the first weights.
    noise_floor : ndarray, shape (n_tubes, n_scans)
        From digitisation.
    linear_limit : float
    shape_errors : ndarray, shape (n_pigments,)
    shift_prior : float
        nm, of a group of bands beyond the instrument's own shift.
    """

    grid: Grid
    factor_uncertainties: tuple[float, ...]
    absorbance: Array
    used: Mask
    smoothed: Array
    noise_floor: Array
    linear_limit: float
    shape_errors: Array
    shift_prior: float
    noise: Array | None = None  # given instead of estimated, shape (n_tubes, n_scans)
    shape_covariance: bool = True
    keep_shape_gain: bool = False

    @property
    def layout(self) -> model.Layout:
        return self.grid.layout


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """Prior knowledge and bounds of the parameters."""

    mean: Array
    precision: Array
    lower: Array
    bounded: Mask
    fixed: Mask


def prior_of(problem: Problem) -> Prior:
    """Priors and bounds of the design's section 4."""
    numbers = error_model()
    lay = problem.layout
    p = lay.n_parameters
    mean = np.zeros(p)
    mean[lay.exponent] = numbers["scatter_exponent"]
    precision = np.zeros((p, p))
    n_groups = len(lay.shift_groups)
    shift_covariance = numbers["instrument_shift_prior"] ** 2 * np.ones(
        (n_groups, n_groups)
    ) + problem.shift_prior**2 * np.eye(n_groups)
    precision[lay.shifts, lay.shifts] = np.linalg.inv(shift_covariance)
    precision[lay.broadening, lay.broadening] = numbers["bandwidth_variance_prior"] ** -2
    precision[lay.exponent, lay.exponent] = 1.0  # its prior standard deviation is 1
    bounded = np.zeros(p, dtype=bool)
    bounded[lay.amplitudes] = True
    bounded[lay.scatters] = True
    bounded[lay.broadening] = problem.grid.bandwidth is None
    lower = np.zeros(p)
    # a slit cannot be narrower than nothing
    lower[lay.broadening] = -(min(part.bandwidth for part in lay.components) ** 2) / 6
    # towards exponent zero, scatter and offset cancel in a long valley
    bounded[lay.exponent] = True
    lower[lay.exponent] = SMALLEST_EXPONENT
    fixed = np.zeros(p, dtype=bool)
    if problem.grid.bandwidth is not None:
        fixed[lay.broadening] = True
        lower[lay.broadening] = 0.0
    if max(w[-1] for w in problem.grid.wavelengths) <= numbers["scatter_free_from"]:
        fixed[lay.exponent] = True
        lower[lay.exponent] = mean[lay.exponent]
    return Prior(mean, precision, lower, bounded, fixed)


@dataclass(frozen=True, slots=True, eq=False)
class Errors:
    """Independent errors of each scan of each tube.

    Attributes
    ----------
    at_zero, relative : ndarray, shape (n_tubes, n_scans)
        Standard deviation at zero absorbance, and over absorbance.
    stated : bool
        False when misfit beyond the stated errors is included.
    """

    at_zero: Array
    relative: Array
    stated: bool = True

    def rows(self, index: Index) -> Errors:
        return Errors(self.at_zero[index], self.relative[index], self.stated)


@dataclass(frozen=True, slots=True)
class ForeignBand:
    """A band of no candidate.

    Attributes
    ----------
    wavelength : float
        nm.
    height : float
        Absorbance.
    significance : float
        Height over its standard uncertainty.
    """

    wavelength: float
    height: float
    significance: float


@dataclass(slots=True, eq=False)
class Solution:
    """Everything a batch of fits knows, one row a tube (arrays filled as tubes finish)."""

    parameters: Array
    unconstrained: Array
    covariance_noise: Array
    covariance_shape: Array
    zero_noise_variance: Array
    zero_shape_variance: Array
    parameter_variance: Array
    shape_gain: Array  # (n_tubes, n_pigments, n_references * n_modes), or without modes
    noise: Array
    misfit: Array
    deviance: Array
    used: Mask
    chi_square: Array
    degrees: Array
    runs_z: Array
    shape_factor: Array
    highest: Array
    search_height: Array
    search_uncertainty: Array
    excess_share: Array
    converged: Mask
    search_places: Array
    foreign: list[list[ForeignBand]]
