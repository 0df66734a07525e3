"""Uncertainties of a batch at its solution, and what its residuals say of the model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from specfrac.fitting.batched import apply, apply_left, dot, inverse, inverse_of_free, solve
from specfrac.fitting.error_model import error_model
from specfrac.fitting.normal import normal_equations
from specfrac.fitting.problem import Errors, ForeignBand, Problem, Solution
from specfrac.fitting.system import System, noise_variance, shape_deviation

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SHAPE_FACTORS = np.array([1.0, 2**0.5, 2.0, 2**1.5, 4.0, 2**2.5, 8.0, 16.0])
LIKELIHOOD_GAIN = 2.0  # half the 95 % point of chi-square with one degree, rounded up
SEARCH_STEP_NM, SEARCH_WIDTH_NM = 8.0, 10.6  # unassigned bands: comb, and FWHM of 25 nm
FOREIGN_LEAST = 0.2  # of the local absorbance; less cannot be told from a shape error
FOREIGN_COMB = np.arange(-36.0, 37.0, 6.0)  # nm; holds bands of FWHM 15 to 40 nm
FOREIGN_WIDTH_NM = 6.4
FOREIGN_PRIOR = 5.0  # prior standard deviation of a foreign band over its found height


def empty_solution(problem: Problem, noise: Array, used: Mask) -> Solution:
    """A solution of unknown values, to be filled."""
    n, n_points = problem.absorbance.shape
    stacked = np.concatenate(problem.wavelengths)
    lay = problem.layout
    first = np.ceil(stacked.min() / SEARCH_STEP_NM) * SEARCH_STEP_NM
    places = np.arange(first, stacked.max(), SEARCH_STEP_NM)
    return Solution(
        parameters=np.full((n, lay.n_parameters), np.nan),
        unconstrained=np.full((n, lay.n_parameters), np.nan),
        covariance_noise=np.full((n, lay.n_pigments, lay.n_pigments), np.nan),
        covariance_shape=np.full((n, lay.n_pigments, lay.n_pigments), np.nan),
        zero_noise_variance=np.full((n, lay.n_pigments), np.nan),
        zero_shape_variance=np.full((n, lay.n_pigments), np.nan),
        parameter_variance=np.full((n, lay.n_parameters), np.nan),
        noise=noise,
        misfit=np.zeros(n),
        deviance=np.full(n, np.nan),
        used=used,
        chi_square=np.full(n, np.nan),
        degrees=np.full(n, np.nan),
        runs_z=np.full(n, np.nan),
        shape_factor=np.ones(n),
        fitted=np.full((n, n_points), np.nan),
        search_height=np.full((n, places.size), np.nan),
        search_uncertainty=np.full((n, places.size), np.nan),
        excess_share=np.full(n, np.nan),
        converged=np.zeros(n, dtype=bool),
        search_wavelength=places,
        foreign=[[] for _ in range(n)],
    )


@dataclass(frozen=True, slots=True, eq=False)
class Summary:
    """Uncertainties and tests of some tubes at their solution."""

    system: System
    values: Array
    free: Array
    shapes: Array
    comb: Array
    errors: Errors

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
        hessian, _, jacobian = normal_equations(system.normal, self.free)
        covariance = inverse_of_free(hessian, np.broadcast_to(fixed, self.free.shape))
        lever = covariance[:, amplitudes] @ jacobian.transpose(0, 2, 1)
        gain = lever @ (system.cross @ system.mode_inverse)
        n_comb = self.comb.shape[0] if system.problem.shape_covariance else 0
        shape_gain = gain[:, :, :n_comb]
        pooled = shape_gain @ shape_gain.transpose(0, 2, 1)
        result.covariance_noise[tubes] = covariance[:, amplitudes, amplitudes] - pooled
        result.parameter_variance[tubes] = np.einsum("ijj->ij", covariance)
        # how each amplitude depends on each reading
        weights = (lever @ system.basis - gain @ system.modes) * system.weight[:, None, :]
        separate = self._separate_shape_errors(weights)
        result.covariance_shape[tubes] = _no_less_than(
            pooled, np.einsum("ijpm,ijqm->ipq", separate, separate, optimize=True)
        )
        rows = covariance[:, amplitudes]
        from_priors = ((rows @ system.prior.precision) * rows).sum(axis=2)
        noise, smooth = self._variances_when_absent(weights, separate)
        result.zero_noise_variance[tubes] = from_priors + noise
        result.zero_shape_variance[tubes] = smooth

    def _separate_shape_errors(self, weights: Array) -> Array:
        """What a shape error of each reference alone does to each estimate, mode by mode.

        The weights use one pooled error of the whole mixture, s² = Σ (τ_j c_j a_j)²; in
        truth each reference has an error of its own, which moves a minor pigment's
        neighbours less in common. The intervals hold for both.

        Returns
        -------
        ndarray, shape (n, n_references, n_estimates, n_modes)
        """
        problem = self.system.problem
        n, n_pigments, _ = weights.shape
        if not problem.shape_covariance:
            return np.zeros((n, n_pigments, n_pigments, 0))
        deviations = problem.shape_errors[:, None] * self.shapes
        return np.stack(
            [(weights * deviations[:, j, None, :]) @ self.comb.T for j in range(n_pigments)],
            axis=1,
        )

    def _variances_when_absent(self, weights: Array, separate: Array) -> tuple[Array, Array]:
        """Variance from noise and from shapes if the pigment, with its errors, were absent."""
        problem = self.system.problem
        squares = (problem.shape_errors[:, None] * self.shapes) ** 2
        alone = (separate**2).sum(axis=3)  # (n, reference, estimate)
        variance, smooth = np.zeros(weights.shape[:2]), np.zeros(weights.shape[:2])
        for pigment in range(weights.shape[1]):
            others = self.shapes.copy()
            others[:, pigment] = 0.0
            without = noise_variance(problem, others, 0.0, self.errors)
            variance[:, pigment] = (weights[:, pigment] ** 2 * without).sum(axis=1)
            if problem.shape_covariance:
                s = np.sqrt(np.maximum(squares.sum(axis=1) - squares[:, pigment], 0.0))
                projected = (weights[:, pigment] * s) @ self.comb.T
                apart = alone[:, :, pigment].sum(axis=1) - alone[:, pigment, pigment]
                smooth[:, pigment] = np.maximum((projected**2).sum(axis=1), apart)
        return variance, smooth

    def tests(self, result: Solution) -> None:
        """Write chi-square and runs of the residual at the stated errors."""
        system, tubes = self.system, self.tubes
        lay = system.problem.layout
        fitted, residual = self._residual(result)
        result.fitted[tubes] = fitted
        result.chi_square[tubes] = 2 * system.normal.objective(self.values)
        result.degrees[tubes] = np.maximum(
            result.used[tubes].sum(axis=1) - lay.n_pigments - 2 * lay.n_scans, 1
        )
        onto_modes = apply(system.modes, residual * system.weight)
        explained = apply_left(apply(system.mode_inverse, onto_modes), system.modes)
        rough = (residual - explained) * np.sqrt(system.weight)
        result.runs_z[tubes] = [
            runs_statistic(row[mask]) for row, mask in zip(rough, result.used[tubes], strict=True)
        ]

    def shares(self, result: Solution) -> None:
        """Write deviance and the share of area left over, which belong to the first fit."""
        result.deviance[self.tubes] = self._deviance()
        self._excess(result, self._residual(result)[1])

    def _residual(self, result: Solution) -> tuple[Array, Array]:
        """Fitted curve and residual, zero where not used."""
        t = self.system.normal.coefficients(self.values)
        fitted = apply_left(t, self.system.basis)
        measured = self.system.problem.absorbance[self.tubes]
        return fitted, np.where(result.used[self.tubes], measured - fitted, 0.0)

    def _deviance(self) -> Array:
        """Minus twice the log marginal likelihood, but for constants of the used points."""
        system = self.system
        free = ~system.prior.fixed
        hessian, _, _ = normal_equations(system.normal, self.free)
        spread = np.where(system.weight > 0, np.log(np.maximum(system.weight, 1e-300)), 0.0)
        unit = np.eye(system.mode_gram.shape[1])
        return np.asarray(
            2 * system.normal.objective(self.values)
            - spread.sum(axis=1)
            + np.linalg.slogdet(unit + system.mode_gram)[1]
            + np.linalg.slogdet(hessian[:, free][:, :, free])[1]
        )

    def search(self, result: Solution) -> None:
        """Write the height of a further band at each place of a comb, by a score test."""
        system, tubes = self.system, self.tubes
        _, residual = self._residual(result)
        problem, prior = system.problem, system.prior
        bands = _bands_at(problem, result.search_wavelength, SEARCH_WIDTH_NM)
        hessian, _, jacobian = normal_equations(system.normal, self.values)
        on_bound = (self.values <= prior.lower) & prior.bounded
        covariance = inverse_of_free(hessian, on_bound | prior.fixed)
        weighted = bands[None] * system.weight[:, None, :]  # (n, Q, N)
        onto_modes = weighted @ system.modes.transpose(0, 2, 1)
        reduced = onto_modes @ system.mode_inverse
        onto_model = weighted @ system.basis.transpose(0, 2, 1) - reduced @ system.cross.transpose(
            0, 2, 1
        )
        onto_model = onto_model @ jacobian
        score = apply(weighted, residual) - apply(
            reduced, apply(system.modes, residual * system.weight)
        )
        alone = (weighted * bands).sum(axis=2)
        information = (
            alone
            - (reduced * onto_modes).sum(axis=2)
            - ((onto_model @ covariance) * onto_model).sum(axis=2)
        )
        # where the scan says nothing about a band, its height stays unknown
        seen = information > 1e-9 * alone
        information = np.where(seen & (information > 0), information, np.nan)
        result.search_height[tubes] = score / information
        result.search_uncertainty[tubes] = information**-0.5

    def _excess(self, result: Solution, residual: Array) -> None:
        """Area above what noise and band shapes explain, as a share of all area."""
        problem, used = self.system.problem, result.used[self.tubes]
        s = shape_deviation(problem, self.shapes)
        excess, area = np.zeros(len(self.tubes)), np.zeros(len(self.tubes))
        for scan, points in enumerate(problem.scan_slices):
            wavelength = problem.wavelengths[scan]
            kernel = np.exp(-0.5 * ((wavelength[:, None] - wavelength[None, :]) / 5.0) ** 2)
            mask = used[:, points]
            count = np.maximum(mask @ kernel, 1e-12)
            smooth = (residual[:, points] * mask) @ kernel / count
            noise = np.where(mask, 1.0 / np.maximum(self.system.weight[:, points], 1e-30), 0.0)
            sd = np.sqrt((noise @ kernel**2) / count**2 + s[:, points] ** 2)
            step = np.gradient(wavelength)
            beyond = np.where(mask, np.maximum(smooth - 2 * sd, 0.0), 0.0)
            excess += beyond @ step / problem.factors[scan]
            area += self.shapes[:, :, points].sum(axis=1) @ step / problem.factors[scan]
        result.excess_share[self.tubes] = excess / np.maximum(excess + area, 1e-30)


def strongest_foreign_band(
    result: Solution, tube: int, assigned: float, eligible: Mask
) -> ForeignBand | None:
    """The most significant band of no candidate, if it matters to the composition.

    Parameters
    ----------
    result : Solution
        With a search at its latest fit.
    tube : int
    assigned : float
        Area of the pigments, absorbance times nm.
    eligible : ndarray of bool, shape (n_places,)
        Places to look at.

    Returns
    -------
    ForeignBand or None
    """
    numbers = error_model()
    with np.errstate(invalid="ignore"):
        z = result.search_height[tube] / result.search_uncertainty[tube]
    z = np.where(np.isfinite(z) & eligible, z, 0.0)
    place = int(np.argmax(z))
    height = float(result.search_height[tube, place])
    area = height * SEARCH_WIDTH_NM * np.sqrt(2 * np.pi)
    if z[place] < numbers["unassigned_significance"]:
        return None
    if area < numbers["unassigned_minimum_share"] * (area + assigned):
        return None
    return ForeignBand(float(result.search_wavelength[place]), height, float(z[place]))


def tellable(problem: Problem, result: Solution, tube: int, shapes: Array) -> Mask:
    """Places where a foreign band of the height found would stand out from the pigments.

    Parameters
    ----------
    problem : Problem
    result : Solution
    tube : int
    shapes : ndarray, shape (n_pigments, n_points)
        Absorbance of each pigment of this tube.

    Returns
    -------
    ndarray of bool, shape (n_places,)
    """
    strongest = int(np.argmax(problem.factors))
    points = problem.scan_slices[strongest]
    local = np.interp(
        result.search_wavelength,
        problem.wavelengths[strongest],
        np.maximum(shapes[:, points].sum(axis=0), 0.0),
    )
    with np.errstate(invalid="ignore"):
        return np.asarray(result.search_height[tube] > FOREIGN_LEAST * local)


def foreign_modes(problem: Problem, bands: list[list[ForeignBand]]) -> Array:
    """Modes that leave the foreign bands of each tube free.

    A band's height, place and width are not known: a comb of narrow Gaussians around its
    place, each with a far wider prior than its height.

    Returns
    -------
    ndarray, shape (n, n_foreign, n_points)
        Zero where a tube has fewer bands.
    """
    n_points = problem.absorbance.shape[1]
    width = FOREIGN_COMB.size
    modes = np.zeros((len(bands), width * max(map(len, bands), default=0), n_points))
    for tube, found in enumerate(bands):
        for number, band in enumerate(found):
            comb = _bands_at(problem, band.wavelength + FOREIGN_COMB, FOREIGN_WIDTH_NM)
            rows = slice(width * number, width * (number + 1))
            modes[tube, rows] = FOREIGN_PRIOR * band.height * comb
    return modes


def _no_less_than(first: Array, second: Array) -> Array:
    """Smallest addition to the first covariance that makes it no less than the second."""
    values, vectors = np.linalg.eigh(second - first)
    excess = vectors * np.maximum(values, 0.0)[:, None, :]
    return np.asarray(first + excess @ vectors.transpose(0, 2, 1))


def _bands_at(problem: Problem, wavelength: Array, width: float) -> Array:
    """Gaussian bands on the stacked grid, shape (n_bands, n_points)."""
    rows = [
        factor * np.exp(-0.5 * ((grid[None, :] - wavelength[:, None]) / width) ** 2)
        for grid, factor in zip(problem.wavelengths, problem.factors, strict=True)
    ]
    return np.concatenate(rows, axis=1)


def runs_statistic(residual: Array) -> float:
    """Standard-normal statistic of the number of runs of sign (Wald & Wolfowitz 1940)."""
    signs = residual > 0
    above = int(signs.sum())
    below = signs.size - above
    if above == 0 or below == 0:
        return float("nan")
    runs = 1 + int((signs[1:] != signs[:-1]).sum())
    n = above + below
    mean = 1 + 2 * above * below / n
    variance = (mean - 1) * (mean - 2) / (n - 1)
    return float((runs - mean) / np.sqrt(variance)) if variance > 0 else float("nan")


def asked_shape_factor(system: System, free: Array) -> Array:
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
    chi_square, degrees = 2 * system.normal.objective(free), (system.weight > 0).sum(axis=1)
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
    t = system.normal.coefficients(free)
    jacobian = system.normal.jacobian(free)[:, :, ~prior.fixed]
    precision = prior.precision[np.ix_(~prior.fixed, ~prior.fixed)]
    away = (prior.mean - free)[:, ~prior.fixed]
    residual = np.where(
        system.weight > 0,
        system.problem.absorbance[system.tubes] - apply_left(t, system.basis),
        0.0,
    )
    weighted = residual * system.weight
    power = dot(residual, weighted)
    onto_modes = apply(system.modes, weighted)
    onto_model = apply(jacobian.transpose(0, 2, 1), apply(system.basis, weighted))
    full = system.normal.gram + system.cross @ system.mode_inverse @ system.cross.transpose(0, 2, 1)
    normal = jacobian.transpose(0, 2, 1) @ full @ jacobian + precision
    mixed = system.cross.transpose(0, 2, 1) @ jacobian
    penalty = dot(away, away @ precision)
    unit = np.eye(system.mode_gram.shape[1])
    result = np.empty((len(free), SHAPE_FACTORS.size))
    for column, kappa in enumerate(SHAPE_FACTORS):
        inner = inverse(unit / kappa**2 + system.mode_gram)
        hessian = normal - mixed.transpose(0, 2, 1) @ inner @ mixed
        explained = apply(inner, onto_modes)
        gradient = onto_model - apply(mixed.transpose(0, 2, 1), explained) + away @ precision
        gained = dot(gradient, solve(hessian, gradient))
        rest = power - dot(onto_modes, explained)
        result[:, column] = -0.5 * (
            rest
            + penalty
            - gained
            + np.linalg.slogdet(unit + kappa**2 * system.mode_gram)[1]
            + np.linalg.slogdet(hessian)[1]
        )
    return result
