"""Uncertainties of a batch at its solution, and what its residuals say of the model."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from specfrac.fitting.batched import (
    apply,
    apply_left,
    dot,
    inverse_of_free,
    inverse_of_lower,
    solve,
    squares,
    whitening,
)
from specfrac.fitting.error_model import error_model
from specfrac.fitting.grid import SEARCH_WIDTH_NM, bands_at
from specfrac.fitting.normal import Local
from specfrac.fitting.problem import Errors, ForeignBand, Problem, Solution
from specfrac.fitting.system import System, noise_variance, shape_deviation
from specfrac.residuals import runs_statistics

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Index = NDArray[np.intp]

SHAPE_FACTORS = np.array([1.0, 2**0.5, 2.0, 2**1.5, 4.0, 2**2.5, 8.0, 16.0])
LIKELIHOOD_GAIN = 2.0  # half the 95 % point of chi-square with one degree, rounded up
FOREIGN_LEAST = 0.2  # of the local absorbance; less cannot be told from a shape error
FOREIGN_COMB = np.arange(-36.0, 37.0, 6.0)  # nm; holds bands of FWHM 15 to 40 nm
FOREIGN_WIDTH_NM = 6.4
FOREIGN_PRIOR = 5.0  # prior standard deviation of a foreign band over its found height


def empty_solution(problem: Problem, noise: Array, used: Mask) -> Solution:
    """A solution of unknown values, to be filled."""
    n = len(problem.absorbance)
    lay, places = problem.layout, problem.grid.search_places
    kept = problem.keep_shape_gain and problem.shape_covariance
    n_modes = len(problem.grid.spread_means) if kept else 0
    return Solution(
        parameters=np.full((n, lay.n_parameters), np.nan),
        unconstrained=np.full((n, lay.n_parameters), np.nan),
        covariance_noise=np.full((n, lay.n_pigments, lay.n_pigments), np.nan),
        covariance_shape=np.full((n, lay.n_pigments, lay.n_pigments), np.nan),
        zero_noise_variance=np.full((n, lay.n_pigments), np.nan),
        zero_shape_variance=np.full((n, lay.n_pigments), np.nan),
        parameter_variance=np.full((n, lay.n_parameters), np.nan),
        shape_gain=np.zeros((n, lay.n_pigments, lay.n_pigments * n_modes)),
        noise=noise,
        misfit=np.zeros(n),
        deviance=np.full(n, np.nan),
        used=used,
        chi_square=np.full(n, np.nan),
        degrees=np.full(n, np.nan),
        runs_z=np.full(n, np.nan),
        shape_factor=np.ones(n),
        highest=np.full(n, np.nan),
        search_height=np.full((n, places.size), np.nan),
        search_uncertainty=np.full((n, places.size), np.nan),
        excess_share=np.full(n, np.nan),
        converged=np.zeros(n, dtype=bool),
        search_places=places,
        foreign=[[] for _ in range(n)],
    )


@dataclass(slots=True, eq=False)
class Summary:
    """Uncertainties and tests of some tubes at their solution.

    Attributes
    ----------
    system : System
    values, free : ndarray, shape (n, n_parameters)
        The non-negative and the unconstrained solution.
    shapes : ndarray, shape (n, n_pigments, n_blocks)
        Absorbance of each pigment, from the first pass.
    errors : Errors
    """

    system: System
    values: Array
    free: Array
    shapes: Array
    errors: Errors
    at_values: Local = field(init=False)  # normal equations at the non-negative solution
    at_free: Local = field(init=False)
    fitted: Array = field(init=False)  # the non-negative fit, (n, n_points)
    residual: Array = field(init=False)  # zero where not used

    def __post_init__(self) -> None:
        system = self.system
        self.at_values = system.normal.around(self.values)
        self.at_free = self.at_values
        freed = np.flatnonzero((self.free != self.values).any(axis=1))
        if freed.size:
            others = system.normal.rows(freed).around(self.free[freed])
            self.at_free = self.at_values.replaced(freed, others)
        self.fitted = system.curves(self.at_values.coefficients)
        used = system.grid.blocks.spread(system.weight > 0)
        measured = system.problem.absorbance[system.tubes]
        self.residual = np.where(used, measured - self.fitted, 0.0)

    @property
    def tubes(self) -> NDArray[np.intp]:
        return self.system.tubes

    def estimates(self, result: Solution) -> None:
        """Write the estimates of these tubes and their uncertainties."""
        system, tubes = self.system, self.tubes
        result.parameters[tubes] = self.values
        result.unconstrained[tubes] = self.free
        lay, fixed = system.problem.layout, system.prior.fixed
        amplitudes = lay.amplitudes
        jacobian = self.at_free.jacobian
        covariance = inverse_of_free(self.at_free.hessian, np.broadcast_to(fixed, self.free.shape))
        rows = covariance[:, amplitudes]
        lever = rows @ jacobian.transpose(0, 2, 1)
        gain = (rows @ (system.white_cross @ jacobian).transpose(0, 2, 1)) @ system.whitening
        shape_gain = gain[:, :, : len(system.modes.comb)]
        pooled = shape_gain @ shape_gain.transpose(0, 2, 1)
        result.covariance_noise[tubes] = covariance[:, amplitudes, amplitudes] - pooled
        result.parameter_variance[tubes] = np.einsum("ijj->ij", covariance)
        block_weights = self._block_weights(lever, gain)
        separate = self._separate_shape_errors(block_weights)
        result.covariance_shape[tubes] = _no_less_than(
            pooled, separate @ separate.transpose(0, 2, 1)
        )
        if result.shape_gain.shape[2]:
            result.shape_gain[tubes] = separate
        from_priors = ((rows @ system.prior.precision) * rows).sum(axis=2)
        variances = np.einsum("ijj->ij", covariance)[:, amplitudes]
        from_noise = np.maximum(variances - from_priors - (gain**2).sum(axis=2), 0.0)
        noise_ratio, smooth = self._variances_when_absent(block_weights, separate)
        result.zero_noise_variance[tubes] = from_priors + from_noise * noise_ratio
        result.zero_shape_variance[tubes] = smooth

    def _block_weights(self, lever: Array, gain: Array) -> Array:
        """How each amplitude depends on the readings of each block, shape (n, p, n_blocks)."""
        system = self.system
        modes, blocks = system.modes, system.grid.blocks
        n_comb = len(modes.comb)
        own = np.empty((*lever.shape[:2], system.weight.shape[1]))
        for expansion, rows in system.by_expansion():
            own[rows] = lever[rows] @ expansion.block_means
        own -= (gain[:, :, :n_comb] @ blocks.means(modes.comb)) * modes.scale[:, None, :]
        if modes.extra.shape[1]:
            own -= gain[:, :, n_comb:] @ blocks.means(modes.extra)
        return own * (system.weight * blocks.sizes)[:, None, :]

    def _separate_shape_errors(self, weights: Array) -> Array:
        """What a shape error of each reference alone does to each estimate, mode by mode.

        The weights use one pooled error of the whole mixture, s² = Σ (τ_j c_j a_j)²; in
        truth each reference has an error of its own, which moves a minor pigment's
        neighbours less in common. The intervals hold for both.

        Returns
        -------
        ndarray, shape (n, n_estimates, n_references * n_modes)
        """
        problem, grid = self.system.problem, self.system.grid
        n, n_pigments, _ = weights.shape
        if not problem.shape_covariance:
            return np.zeros((n, n_pigments, 0))
        means = grid.spread_means.T
        result = np.empty((n, n_pigments, n_pigments, means.shape[1]))
        for reference, error in enumerate(problem.shape_errors):
            moved = weights * (error * self.shapes[:, reference])[:, None, :]
            result[:, :, reference] = (moved.reshape(n * n_pigments, -1) @ means).reshape(
                n, n_pigments, -1
            )
        return result.reshape(n, n_pigments, -1)

    def _variances_when_absent(self, weights: Array, separate: Array) -> tuple[Array, Array]:
        """What noise and shapes would do if the pigment, with its errors, were absent.

        Returns
        -------
        noise_ratio : ndarray, shape (n, n_pigments)
            Variance from noise without the pigment over that with it.
        smooth : ndarray, shape (n, n_pigments)
            Variance from band shapes.
        """
        system = self.system
        problem, grid = system.problem, system.grid
        n, n_pigments, n_blocks = weights.shape
        squares_of = (problem.shape_errors[:, None] * self.shapes) ** 2
        # shape error and absorbance of all but one
        others = np.sqrt(np.maximum(squares_of.sum(axis=1, keepdims=True) - squares_of, 0.0))
        total = self.shapes.sum(axis=1, keepdims=True) - self.shapes
        without = noise_variance(
            problem,
            total.reshape(-1, n_blocks),
            others.max(axis=2).ravel(),
            self.errors.rows(np.repeat(np.arange(n), n_pigments)),
        ).reshape(n, n_pigments, n_blocks)
        # of the noise that readings of one block share nothing: square over count
        noise_weights = weights**2 / grid.blocks.sizes
        known = system.weight > 0
        variance = np.where(known, 1.0 / np.where(known, system.weight, 1.0), 0.0)
        absent = np.einsum("ijk,ijk->ij", noise_weights, without)
        ratio = absent / np.maximum(apply(noise_weights, variance), 1e-300)
        if not problem.shape_covariance:
            return ratio, np.zeros((n, n_pigments))
        projected = (weights * others).reshape(-1, n_blocks) @ grid.spread_means.T
        alone = separate.reshape(n, n_pigments, n_pigments, -1)
        alone = np.einsum("ijkm,ijkm->ijk", alone, alone)
        apart = alone.sum(axis=2) - np.einsum("ijj->ij", alone)
        smooth = np.maximum((projected**2).sum(axis=1).reshape(n, n_pigments), apart)
        return ratio, smooth

    def tests(self, result: Solution) -> None:
        """Write chi-square and runs of the residual at the stated errors."""
        system, tubes = self.system, self.tubes
        lay, blocks = system.problem.layout, system.grid.blocks
        result.highest[tubes] = self.fitted.max(axis=1)
        result.chi_square[tubes] = 2 * self.at_values.objective
        used = result.used[tubes]
        result.degrees[tubes] = np.maximum(used.sum(axis=1) - lay.n_pigments - 2 * lay.n_scans, 1)
        onto_modes = system.modes.project(self.residual * blocks.spread(system.weight))
        white = apply(system.whitening, onto_modes)
        explained = system.modes.curves(apply(system.whitening.transpose(0, 2, 1), white))
        result.runs_z[tubes] = runs_statistics(self.residual - explained, used)

    def shares(self, result: Solution) -> None:
        """Write deviance and the share of area left over, which belong to the first fit."""
        result.deviance[self.tubes] = self._deviance()
        result.excess_share[self.tubes] = self._excess_share()

    def _deviance(self) -> Array:
        """Minus twice the log marginal likelihood, but for constants of the used points."""
        system = self.system
        free = ~system.prior.fixed
        hessian = self.at_free.hessian
        spread = np.where(system.weight > 0, np.log(np.maximum(system.weight, 1e-300)), 0.0)
        return np.asarray(
            2 * self.at_values.objective
            - spread @ system.grid.blocks.sizes
            + system.log_determinant
            + np.linalg.slogdet(hessian[:, free][:, :, free])[1]
        )

    def search(self, result: Solution) -> None:
        """Write the height of a further band at each place of a comb, by a score test."""
        system, tubes = self.system, self.tubes
        grid, prior = system.grid, system.prior
        on_bound = (self.values <= prior.lower) & prior.bounded
        covariance = inverse_of_free(self.at_values.hessian, on_bound | prior.fixed)
        for expansion, rows in system.by_expansion():
            weight, modes = system.weight[rows], system.modes.rows(rows)
            jacobian = self.at_values.jacobian[rows]
            white = system.whitening[rows] @ modes.onto(grid.search_modes, weight)
            onto_model = expansion.search.weighted(weight) @ jacobian
            onto_model -= white.transpose(0, 2, 1) @ (system.white_cross[rows] @ jacobian)
            weighted = self.residual[rows] * grid.blocks.spread(weight)
            white_residual = apply(system.whitening[rows], modes.project(weighted))
            score = weighted @ grid.search_bands.T - apply_left(white_residual, white)
            alone = weight @ grid.search_power.T
            information = (
                alone
                - np.einsum("ijk,ijk->ik", white, white)
                - np.einsum("ijk,ijk->ij", onto_model @ covariance[rows], onto_model)
            )
            # where the scan says nothing about a band, its height stays unknown
            seen = information > 1e-9 * alone
            information = np.where(seen & (information > 0), information, np.nan)
            result.search_height[tubes[rows]] = score / information
            result.search_uncertainty[tubes[rows]] = information**-0.5

    def _excess_share(self) -> Array:
        """Area above what noise and band shapes explain, as a share of all area."""
        system = self.system
        grid, weight = system.grid, system.weight
        left = grid.blocks.sums(self.residual)
        s = shape_deviation(system.problem, self.shapes)
        total = self.shapes.sum(axis=1)
        excess, area = np.zeros(len(self.tubes)), np.zeros(len(self.tubes))
        for scan, part in enumerate(grid.block_slices):
            kernel, step, sizes = grid.excess[scan], grid.steps[part], grid.blocks.sizes[part]
            mask = weight[:, part] > 0
            count = np.maximum((mask * sizes) @ kernel, 1e-12)
            smooth = left[:, part] @ kernel / count
            variance = sizes / np.where(mask, weight[:, part], np.inf)
            sd = np.sqrt((variance @ kernel**2) / count**2 + s[:, part] ** 2)
            beyond = np.where(mask, np.maximum(smooth - 2 * sd, 0.0), 0.0)
            excess += beyond @ step / grid.factors[scan]
            area += total[:, part] @ step / grid.factors[scan]
        return np.asarray(excess / np.maximum(excess + area, 1e-30))


def strongest_foreign_bands(
    result: Solution, tubes: Index, assigned: Array, eligible: Mask
) -> dict[int, ForeignBand]:
    """The most significant band of no candidate in each tube where it matters.

    Parameters
    ----------
    result : Solution
        With a search at its latest fit.
    tubes : ndarray of int, shape (n,)
    assigned : ndarray, shape (n,)
        Area of the pigments, absorbance times nm.
    eligible : ndarray of bool, shape (n, n_places)
        Places to look at.

    Returns
    -------
    dict of int to ForeignBand
        By tube; those without such a band are missing.
    """
    numbers = error_model()
    with np.errstate(invalid="ignore"):
        z = result.search_height[tubes] / result.search_uncertainty[tubes]
    z = np.where(np.isfinite(z) & eligible, z, 0.0)
    place = z.argmax(axis=1)
    significance = z[np.arange(len(tubes)), place]
    height = result.search_height[tubes, place]
    area = height * SEARCH_WIDTH_NM * np.sqrt(2 * np.pi)
    found = significance >= numbers["unassigned_significance"]
    found &= area >= numbers["unassigned_minimum_share"] * (area + assigned)
    places = result.search_places
    return {
        int(tubes[i]): ForeignBand(
            float(places[place[i]]), float(height[i]), float(significance[i])
        )
        for i in np.flatnonzero(found)
    }


def tellable(problem: Problem, result: Solution, tubes: Index, total: Array) -> Mask:
    """Places where a foreign band of the height found would stand out from the pigments.

    Parameters
    ----------
    problem : Problem
    result : Solution
    tubes : ndarray of int, shape (n,)
    total : ndarray, shape (n, n_points)
        Absorbance of the pigments of these tubes.

    Returns
    -------
    ndarray of bool, shape (n, n_places)
    """
    grid = problem.grid
    strongest = int(np.argmax(grid.factors))
    points = grid.scan_slices[strongest]
    nearest = np.abs(grid.wavelengths[strongest][None, :] - grid.search_places[:, None]).argmin(
        axis=1
    )
    local = np.maximum(total[:, points][:, nearest], 0.0)
    with np.errstate(invalid="ignore"):
        return np.asarray(result.search_height[tubes] > FOREIGN_LEAST * local)


def foreign_modes(problem: Problem, bands: list[list[ForeignBand]]) -> Array:
    """Modes that leave the foreign bands of each tube free.

    A band's height, place and width are not known: a comb of narrow Gaussians around its
    place, each with a far wider prior than its height.

    Returns
    -------
    ndarray, shape (n, n_foreign, n_points)
        Zero where a tube has fewer bands.
    """
    grid = problem.grid
    width = FOREIGN_COMB.size
    modes = np.zeros((len(bands), width * max(map(len, bands), default=0), grid.n_points))
    for tube, found in enumerate(bands):
        for number, band in enumerate(found):
            places = band.wavelength + FOREIGN_COMB
            comb = bands_at(grid.wavelengths, grid.factors, places, FOREIGN_WIDTH_NM)
            rows = slice(width * number, width * (number + 1))
            modes[tube, rows] = FOREIGN_PRIOR * band.height * comb
    return modes


def _no_less_than(first: Array, second: Array) -> Array:
    """Smallest addition to the first covariance that makes it no less than the second."""
    values, vectors = np.linalg.eigh(second - first)
    excess = vectors * np.maximum(values, 0.0)[:, None, :]
    return np.asarray(first + excess @ vectors.transpose(0, 2, 1))


def asked_shape_factor(system: System, free: Array, chi_square: Array) -> Array:
    """Factor on the stated shape error that the scans make most likely.

    The restricted likelihood of the scan, linear in the parameters around their
    estimates, is compared on a grid of factors; 1 stays unless another is clearly
    more likely.

    Returns
    -------
    ndarray, shape (n,)
    """
    factor = np.ones(len(free))
    if not system.problem.shape_covariance:
        return factor
    degrees = (system.weight > 0) @ system.grid.blocks.sizes
    doubtful = np.flatnonzero(chi_square > degrees + 2 * np.sqrt(2 * degrees))
    if doubtful.size:
        likelihood = _restricted_likelihood(system.rows(doubtful), free[doubtful])
        best = likelihood.argmax(axis=1)
        gain = likelihood.max(axis=1) - likelihood[:, 0]
        factor[doubtful] = np.where(gain > LIKELIHOOD_GAIN, SHAPE_FACTORS[best], 1.0)
    return factor


def _restricted_likelihood(system: System, free: Array) -> Array:
    """Log restricted likelihood at each of `SHAPE_FACTORS`, shape (n, n_factors)."""
    prior = system.prior
    around = system.normal.around(free)
    jacobian = around.jacobian[:, :, ~prior.fixed]
    spread = system.grid.blocks.spread(system.weight)
    precision = prior.precision[np.ix_(~prior.fixed, ~prior.fixed)]
    away = (prior.mean - free)[:, ~prior.fixed]
    residual = system.problem.absorbance[system.tubes] - system.curves(around.coefficients)
    weighted = residual * spread
    power = dot(residual, weighted)
    onto_modes = system.modes.project(weighted)
    onto_model = apply(jacobian.transpose(0, 2, 1), system.onto_basis(weighted))
    full = system.normal.gram + squares(system.white_cross)
    normal = jacobian.transpose(0, 2, 1) @ full @ jacobian + precision
    unit = np.eye(system.modes.count)
    factor = inverse_of_lower(system.whitening)
    mode_gram = factor @ factor.transpose(0, 2, 1) - unit
    mixed = factor @ (system.white_cross @ jacobian)
    penalty = dot(away, away @ precision)
    result = np.empty((len(free), SHAPE_FACTORS.size))
    for column, kappa in enumerate(SHAPE_FACTORS):
        white, log_determinant = whitening(unit + kappa**2 * mode_gram)
        white_mixed, white_power = kappa * white @ mixed, kappa * apply(white, onto_modes)
        hessian = normal - white_mixed.transpose(0, 2, 1) @ white_mixed
        explained = apply(white_mixed.transpose(0, 2, 1), white_power)
        gradient = onto_model - explained + away @ precision
        gained = dot(gradient, solve(hessian, gradient))
        rest = power - dot(white_power, white_power)
        result[:, column] = -0.5 * (
            rest + penalty - gained + log_determinant + np.linalg.slogdet(hessian)[1]
        )
    return result
