"""The normal equations of a batch, with smooth errors as low-rank covariance."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from specfrac.fitting import model
from specfrac.fitting.batched import apply, apply_left, dot, squares, whitening
from specfrac.fitting.blocks import Products
from specfrac.fitting.error_model import error_model
from specfrac.fitting.grid import Expansion, Grid
from specfrac.fitting.noise import transmittance_noise
from specfrac.fitting.normal import Normal
from specfrac.fitting.problem import Errors, Prior, Problem

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Index = NDArray[np.intp]

IN_CACHE = 64  # tubes whose matrices, some hundred kilobytes each, a processor keeps at hand


@dataclass(frozen=True, slots=True, eq=False)
class Modes:
    """Smooth errors of some tubes: their covariance is the sum of the modes' products.

    Attributes
    ----------
    grid : Grid
    scale : ndarray, shape (n, n_blocks)
        Standard deviation of the band shapes; the first modes are scale times comb.
    extra : ndarray, shape (n, n_extra, n_points)
        Foreign bands and dilution factors.
    shapes : bool
        False leaves the band shapes out.
    """

    grid: Grid
    scale: Array
    extra: Array
    shapes: bool

    @property
    def comb(self) -> Array:
        return self.grid.comb if self.shapes else self.grid.comb[:0]

    @property
    def count(self) -> int:
        return len(self.comb) + self.extra.shape[1]

    def rows(self, index: Index | slice) -> Modes:
        return Modes(self.grid, self.scale[index], self.extra[index], self.shapes)

    def project(self, values: Array) -> Array:
        """Modes times curves, shape (n, n_modes)."""
        onto = (values * self.grid.blocks.spread(self.scale)) @ self.comb.T
        if not self.extra.shape[1]:
            return onto
        return np.concatenate([onto, apply(self.extra, values)], axis=1)

    def curves(self, coefficients: Array) -> Array:
        """Sum of the modes with given coefficients, shape (n, n_points)."""
        n = len(self.comb)
        found = self.grid.blocks.spread(self.scale) * (coefficients[:, :n] @ self.comb)
        if not self.extra.shape[1]:
            return found
        return found + apply_left(coefficients[:, n:], self.extra)

    def onto(self, products: Products, weight: Array) -> Array:
        """Modes times weight times some curves, shape (n, n_modes, n_curves).

        Parameters
        ----------
        products : Products
            Of the comb with the curves.
        weight : ndarray, shape (n, n_blocks)
        """
        n = len(self.comb)
        result = np.empty((len(weight), self.count, len(products.right)))
        if self.shapes:
            result[:, :n] = products.weighted(weight * self.scale)
        if self.extra.shape[1]:
            extra = self.extra * self.grid.blocks.spread(weight)[:, None, :]
            result[:, n:] = extra @ products.right.T
        return result

    def gram(self, weight: Array) -> Array:
        """Modes times weight times modes, shape (n, n_modes, n_modes)."""
        n = len(self.comb)
        result = np.empty((len(weight), self.count, self.count))
        if self.shapes:
            result[:, :n, :n] = self.grid.comb_gram.weighted(weight * self.scale**2)
        if self.extra.shape[1]:
            blocks = self.grid.blocks
            weighted = self.extra * blocks.spread(weight)[:, None, :]
            result[:, n:, n:] = weighted @ self.extra.transpose(0, 2, 1)
            mixed = (weighted * blocks.spread(self.scale)[:, None, :]) @ self.comb.T
            result[:, n:, :n] = mixed
            result[:, :n, n:] = mixed.transpose(0, 2, 1)
        return result


@dataclass(frozen=True, slots=True, eq=False)
class System:
    """What the normal equations of some tubes were made from.

    Attributes
    ----------
    problem : Problem
    normal : Normal
    tubes : ndarray of int, shape (n,)
        Rows of the problem.
    expansions : tuple of Expansion
        Around the expansion points of these tubes.
    which : ndarray of int, shape (n,)
        Expansion of each tube, ascending.
    weight : ndarray, shape (n, n_blocks)
        Inverse variance of the independent errors of a point, zero where not used.
    modes : Modes
    whitening : ndarray, shape (n, n_modes, n_modes)
        L^-1 with L L' = 1 + modes times weight times modes.
    white_cross : ndarray, shape (n, n_modes, n_columns)
        Whitening times modes times weight times basis.
    log_determinant : ndarray, shape (n,)
        Of L L'.
    """

    problem: Problem
    normal: Normal
    tubes: Index
    expansions: tuple[Expansion, ...]
    which: Index
    weight: Array
    modes: Modes
    whitening: Array
    white_cross: Array
    log_determinant: Array

    @property
    def prior(self) -> Prior:
        return self.normal.prior

    @property
    def grid(self) -> Grid:
        return self.problem.grid

    def rows(self, index: Index | slice) -> System:
        """Return the same system for some of its tubes."""
        if not isinstance(index, slice) and index.size == self.tubes.size:
            return self
        return System(
            self.problem,
            self.normal.rows(index),
            self.tubes[index],
            self.expansions,
            self.which[index],
            self.weight[index],
            self.modes.rows(index),
            self.whitening[index],
            self.white_cross[index],
            self.log_determinant[index],
        )

    def by_expansion(self) -> Iterator[tuple[Expansion, slice]]:
        """Some rows after the other, all of one expansion, few enough to work on in cache."""
        return _groups(self.expansions, self.which)

    def curves(self, coefficients: Array) -> Array:
        """Sum of the basis with given coefficients, shape (n, n_points)."""
        result = np.empty((len(coefficients), self.grid.n_points))
        for expansion, rows in self.by_expansion():
            result[rows] = coefficients[rows] @ expansion.basis
        return result

    def onto_basis(self, curves: Array) -> Array:
        """Basis times curves, shape (n, n_columns)."""
        result = np.empty((len(curves), self.grid.layout.n_columns))
        for expansion, rows in self.by_expansion():
            result[rows] = curves[rows] @ expansion.basis.T
        return result


def _groups(expansions: tuple[Expansion, ...], which: Index) -> Iterator[tuple[Expansion, slice]]:
    for number, expansion in enumerate(expansions):
        begin, end = np.searchsorted(which, [number, number + 1]).tolist()
        for start in range(begin, end, IN_CACHE):
            yield expansion, slice(start, min(start + IN_CACHE, end))


def assemble(
    problem: Problem,
    prior: Prior,
    tubes: Index,
    weight: Array,
    modes: Modes,
    points: Array,
) -> System:
    """Gram matrices of some tubes; the smooth errors enter by the Woodbury identity.

    Parameters
    ----------
    problem : Problem
    prior : Prior
    tubes : ndarray of int, shape (n,)
    weight : ndarray, shape (n, n_blocks)
    modes : Modes
    points : ndarray, shape (n, n_shift_groups + 1)
        Expansion point of each tube: shifts, then broadening; equal ones side by side.
    """
    grid = problem.grid
    first = np.ones(len(points), dtype=bool)
    first[1:] = (points[1:] != points[:-1]).any(axis=1)
    which = np.cumsum(first) - 1
    expansions = tuple(grid.expansion(point) for point in points[first])
    n, columns = len(tubes), grid.layout.n_columns
    normal = Normal(
        problem.layout,
        prior,
        points[:, :-1],
        points[:, -1],
        gram=np.empty((n, columns, columns)),
        right=np.empty((n, columns)),
        power=np.empty(n),
    )
    white = np.empty((n, modes.count, modes.count))
    white_cross = np.empty((n, modes.count, columns))
    log_determinant = np.zeros(n)
    for expansion, rows in _groups(expansions, which):
        spread = grid.blocks.spread(weight[rows])
        measured = problem.absorbance[tubes[rows]]
        weighted = measured * spread
        normal.power[rows] = dot(weighted, measured)
        gram = expansion.gram.weighted(weight[rows])
        right = weighted @ expansion.basis.T
        if modes.count:
            some = modes.rows(rows)
            white[rows], log_determinant[rows] = whitening(
                some.gram(weight[rows]) + np.eye(modes.count)
            )
            across = np.matmul(
                white[rows], some.onto(expansion.cross, weight[rows]), out=white_cross[rows]
            )
            along = apply(white[rows], some.project(weighted))
            gram -= squares(across)
            right -= apply_left(along, across)
            normal.power[rows] -= dot(along, along)
        normal.gram[rows], normal.right[rows] = gram, right
    return System(
        problem,
        normal,
        tubes,
        expansions,
        which,
        weight,
        modes,
        white,
        white_cross,
        log_determinant,
    )


def parts(system: System, parameters: Array) -> tuple[Array, Array, Array]:
    """Each pigment's absorbance in the blocks, and total and baseline at the points.

    Returns
    -------
    shapes : ndarray, shape (n, n_pigments, n_blocks)
    total, baseline : ndarray, shape (n, n_points)
    """
    lay = system.problem.layout
    t = system.normal.coefficients(parameters)
    start = lay.n_shape_columns
    shapes = np.zeros((len(t), lay.n_pigments, system.weight.shape[1]))
    total = np.empty((len(t), system.grid.n_points))
    baseline = np.empty_like(total)
    for expansion, rows in system.by_expansion():
        total[rows] = t[rows, :start] @ expansion.basis[:start]
        baseline[rows] = t[rows, start:] @ expansion.basis[start:]
        for number, part in enumerate(lay.components):
            own = slice(number * (model.ORDER + 1), (number + 1) * (model.ORDER + 1))
            shapes[rows, part.pigment] += t[rows, own] @ expansion.block_means[own]
    return shapes, total, baseline


def smooth_modes(problem: Problem, shapes: Array, total: Array, foreign: Array) -> Modes:
    """Modes of the smooth errors: band shapes, foreign bands, dilution factors.

    Parameters
    ----------
    problem : Problem
    shapes : ndarray, shape (n, n_pigments, n_blocks)
        Absorbance of each pigment.
    total : ndarray, shape (n, n_points)
        Of all pigments.
    foreign : ndarray, shape (n, n_foreign, n_points)
        Bands of no candidate; one mode each, zero where a tube has fewer.
    """
    scale = shape_deviation(problem, shapes)
    uncertain = [k for k, u in enumerate(problem.factor_uncertainties) if u > 0]
    if uncertain and problem.shape_covariance:
        factors = np.zeros((len(shapes), len(uncertain), total.shape[1]))
        for row, scan in enumerate(uncertain):
            points = problem.grid.scan_slices[scan]
            factors[:, row, points] = problem.factor_uncertainties[scan] * total[:, points]
        foreign = np.concatenate([foreign, factors], axis=1)
    return Modes(problem.grid, scale, foreign, problem.shape_covariance)


def shape_deviation(problem: Problem, shapes: Array) -> Array:
    """Standard deviation s(λ) of the band shapes: s² = Σ (τ_j c_j a_j)²."""
    return np.asarray(np.sqrt(problem.shape_errors**2 @ shapes**2))


def noise_variance(
    problem: Problem, fitted: Array, largest_deviation: Array, errors: Errors
) -> Array:
    """Variance of the independent errors, of the shape of `fitted`.

    Noise at zero absorbance, noise of the transmittance, and the roughness of the band
    shapes: sums of Gaussians leave a residual that is neither smooth nor in proportion.

    Parameters
    ----------
    problem : Problem
    fitted : ndarray, shape (n, n_points) or (n, n_blocks)
        Absorbance with baseline.
    largest_deviation : ndarray, shape (n,)
        Highest standard deviation of the band shapes.
    errors : Errors
    """
    variance = transmittance_noise(fitted) ** 2
    if problem.shape_covariance:
        variance += (error_model()["shape_roughness"] * largest_deviation[:, None]) ** 2
    grid = problem.grid
    whole = fitted.shape[1] == grid.n_points
    for scan, part in enumerate(grid.scan_slices if whole else grid.block_slices):
        variance[:, part] += errors.at_zero[:, scan, None] ** 2
        if errors.relative.any():
            variance[:, part] += (errors.relative[:, scan, None] * fitted[:, part]) ** 2
    return variance
