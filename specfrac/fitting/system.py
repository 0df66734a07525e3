"""The normal equations of a batch, with smooth errors as low-rank covariance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from specfrac.fitting import model
from specfrac.fitting.batched import apply, apply_left, dot, inverse
from specfrac.fitting.error_model import error_model
from specfrac.fitting.noise import transmittance_noise
from specfrac.fitting.normal import Normal
from specfrac.fitting.problem import Errors, Prior, Problem

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Index = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class System:
    """What the normal equations of some tubes were made from.

    Attributes
    ----------
    problem : Problem
    normal : Normal
    tubes : ndarray of int, shape (n,)
        Rows of the problem.
    basis : ndarray, shape (n, n_columns, n_points)
        Around each tube's expansion point.
    weight : ndarray, shape (n, n_points)
        Inverse variance of the independent errors, zero where not used.
    modes : ndarray, shape (n, n_modes, n_points)
        The smooth errors have covariance modes' modes.
    cross : ndarray, shape (n, n_columns, n_modes)
        Basis times weight times modes.
    mode_gram : ndarray, shape (n, n_modes, n_modes)
    mode_inverse : ndarray, shape (n, n_modes, n_modes)
        (1 + mode_gram)^-1.
    """

    problem: Problem
    normal: Normal
    tubes: Index
    basis: Array
    weight: Array
    modes: Array
    cross: Array
    mode_gram: Array
    mode_inverse: Array

    @property
    def prior(self) -> Prior:
        return self.normal.prior

    def rows(self, index: Index) -> System:
        """Return the same system for some of its tubes."""
        if index.size == self.tubes.size:
            return self
        return System(
            self.problem,
            self.normal.rows(index),
            self.tubes[index],
            self.basis[index],
            self.weight[index],
            self.modes[index],
            self.cross[index],
            self.mode_gram[index],
            self.mode_inverse[index],
        )


def assemble(
    problem: Problem,
    prior: Prior,
    tubes: Index,
    weight: Array,
    modes: Array,
    points: Array,
) -> System:
    """Gram matrices of some tubes; the smooth errors enter by the Woodbury identity.

    Parameters
    ----------
    problem : Problem
    prior : Prior
    tubes : ndarray of int, shape (n,)
    weight : ndarray, shape (n, n_points)
    modes : ndarray, shape (n, n_modes, n_points)
    points : ndarray, shape (n, n_shift_groups + 1)
        Expansion point of each tube: shifts, then broadening.
    """
    unique, which = np.unique(points, axis=0, return_inverse=True)
    columns = np.array(
        [
            model.basis(
                problem.layout,
                problem.wavelengths,
                problem.factors,
                centres=point[:-1],
                variance=float(point[-1]),
                bandwidth=problem.bandwidth,
            )
            for point in unique
        ]
    )[which.ravel()]
    root = np.sqrt(weight)
    y = problem.absorbance[tubes] * root
    b = columns * root[:, None, :]
    u = modes * root[:, None, :]
    u_t = u.transpose(0, 2, 1)
    cross = b @ u_t
    mode_gram = u @ u_t
    mode_inverse = inverse(mode_gram + np.eye(modes.shape[1]))
    mode_right = apply(u, y)
    reduced = cross @ mode_inverse
    normal = Normal(
        problem.layout,
        prior,
        points[:, :-1],
        points[:, -1],
        b @ b.transpose(0, 2, 1) - reduced @ cross.transpose(0, 2, 1),
        apply(b, y) - apply(reduced, mode_right),
        dot(y, y) - dot(mode_right, apply(mode_inverse, mode_right)),
    )
    return System(problem, normal, tubes, columns, weight, modes, cross, mode_gram, mode_inverse)


def parts(system: System, parameters: Array) -> tuple[Array, Array]:
    """Absorbance of each pigment, shape (n, n_pigments, n_points), and the baseline."""
    lay = system.problem.layout
    t = system.normal.coefficients(parameters)
    pigments = np.zeros((len(parameters), lay.n_pigments, system.basis.shape[2]))
    for number, part in enumerate(lay.components):
        rows = slice(number * (model.ORDER + 1), (number + 1) * (model.ORDER + 1))
        pigments[:, part.pigment] += apply_left(t[:, rows], system.basis[:, rows])
    start = lay.n_shape_columns
    return pigments, apply_left(t[:, start:], system.basis[:, start:])


def smooth_modes(problem: Problem, shapes: Array, comb: Array, foreign: Array) -> Array:
    """Modes of the smooth errors: band shapes, foreign bands, dilution factors.

    Parameters
    ----------
    problem : Problem
    shapes : ndarray, shape (n, n_pigments, n_points)
        Absorbance of each pigment.
    comb : ndarray, shape (n_modes, n_points)
    foreign : ndarray, shape (n, n_foreign, n_points)
        Bands of no candidate; one mode each, zero where a tube has fewer.

    Returns
    -------
    ndarray, shape (n, n_all_modes, n_points)
        The band shapes come first.
    """
    if not problem.shape_covariance:
        return foreign
    modes = np.concatenate(
        [shape_deviation(problem, shapes)[:, None, :] * comb[None], foreign], axis=1
    )
    uncertain = [k for k, u in enumerate(problem.factor_uncertainties) if u > 0]
    if not uncertain:
        return modes
    total = shapes.sum(axis=1)
    extra = np.zeros((len(shapes), len(uncertain), shapes.shape[2]))
    for row, scan in enumerate(uncertain):
        points = problem.scan_slices[scan]
        extra[:, row, points] = problem.factor_uncertainties[scan] * total[:, points]
    return np.concatenate([modes, extra], axis=1)


def shape_deviation(problem: Problem, shapes: Array) -> Array:
    """Standard deviation s(λ) of the band shapes: s² = Σ (τ_j c_j a_j)²."""
    return np.asarray(np.sqrt(((problem.shape_errors[:, None] * shapes) ** 2).sum(axis=1)))


def noise_variance(
    problem: Problem, shapes: Array, baseline: Array | float, errors: Errors
) -> Array:
    """Variance of the independent errors at each point, shape (n, n_points).

    Noise at zero absorbance, noise of the transmittance, and the roughness of the band
    shapes: sums of Gaussians leave a residual that is neither smooth nor in proportion.
    """
    fitted = shapes.sum(axis=1) + baseline
    variance = transmittance_noise(fitted) ** 2
    if problem.shape_covariance:
        largest = shape_deviation(problem, shapes).max(axis=1, keepdims=True)
        variance += (error_model()["shape_roughness"] * largest) ** 2
    for scan, points in enumerate(problem.scan_slices):
        variance[:, points] += errors.at_zero[:, scan, None] ** 2
        variance[:, points] += (errors.relative[:, scan, None] * fitted[:, points]) ** 2
    return variance
