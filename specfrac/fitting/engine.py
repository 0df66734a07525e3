"""The engine: many tubes that share a grid, fitted side by side.

Generalised least squares with low-rank covariance, in the small space of the
model's basis: once the Gram matrices of a batch are known, everything iterates on
matrices whose size does not depend on the number of points.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from specfrac.fitting import model
from specfrac.fitting.error_model import error_model
from specfrac.fitting.noise import (
    FirstFit,
    independent_noise,
    noise_by_differences,
    relative_noise,
    shape_modes,
    tail_misfit,
    transmittance_noise,
)
from specfrac.fitting.quadratic import minimise_bounded

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

MOST_STEPS = 60
MOST_MOVES = 12  # of the expansion point
STEP_TOLERANCE = 1e-14  # of the squared step in standard uncertainties
FIRST_SHAPE_ERROR = 0.005  # of the highest absorbance; the first pass need not be finer
FIRST_TOLERANCE = 1e-6  # the first pass only serves weights and errors
SHIFT_REACH, SHIFT_MOVE = 1.5, 1.0  # nm from the expansion point: trusted, moved beyond
BROADENING_REACH, BROADENING_MOVE, BROADENING_GRID = 3.0, 1.2, 2.0  # nm^2
EXCESS_DOUBT = 4.0  # standard deviations of chi-square
PENALTY_LIMIT = 20.0  # chi-square of six degrees exceeds it once in 360
SHAPE_FACTORS = np.array([1.0, 2**0.5, 2.0, 2**1.5, 4.0, 2**2.5, 8.0, 16.0])
LIKELIHOOD_GAIN = 2.0  # half the 95 % point of chi-square with one degree, rounded up
SEARCH_STEP_NM, SEARCH_WIDTH_NM = 8.0, 10.6  # unassigned bands: comb, and FWHM of 25 nm


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """A batch of tubes with the same grids, path ratios and bandwidth.

    Attributes
    ----------
    layout : model.Layout
    wavelengths : tuple of ndarray
        Grid of each scan of a tube; the arrays below hold them one after the other.
    factors : tuple of float
        Path length over dilution factor of each scan, relative to the amplitudes.
    factor_uncertainties : tuple of float
        Relative standard uncertainty of each dilution factor.
    bandwidth : float or None
    absorbance : ndarray, shape (n_tubes, n_points)
        Zero where not used.
    used : ndarray of bool, shape (n_tubes, n_points)
    smoothed : ndarray, shape (n_tubes, n_points)
        For the first weights.
    noise_floor : ndarray, shape (n_tubes, n_scans)
        From digitisation.
    linear_limit : float
    shape_errors : ndarray, shape (n_pigments,)
    shift_prior : float
        nm, of a group of bands beyond the instrument's own shift.
    """

    layout: model.Layout
    wavelengths: tuple[Array, ...]
    factors: tuple[float, ...]
    factor_uncertainties: tuple[float, ...]
    bandwidth: float | None
    absorbance: Array
    used: Mask
    smoothed: Array
    noise_floor: Array
    linear_limit: float
    shape_errors: Array
    shift_prior: float
    noise: Array | None = None  # given instead of estimated, shape (n_tubes, n_scans)
    shape_covariance: bool = True

    @property
    def scan_slices(self) -> tuple[slice, ...]:
        """Where each scan stands among the points."""
        ends = np.cumsum([w.size for w in self.wavelengths])
        return tuple(
            slice(int(end - w.size), int(end))
            for end, w in zip(ends, self.wavelengths, strict=True)
        )


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """Prior knowledge and bounds of the parameters."""

    mean: Array
    precision: Array
    lower: Array
    bounded: Mask
    fixed: Mask


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
    noise: Array
    misfit: Array
    deviance: Array
    used: Mask
    chi_square: Array
    degrees: Array
    runs_z: Array
    shape_factor: Array
    fitted: Array
    search_height: Array
    search_uncertainty: Array
    excess_share: Array
    converged: Mask
    search_wavelength: Array


@dataclass(frozen=True, slots=True, eq=False)
class System:
    """The normal equations of some tubes, each around its expansion point."""

    problem: Problem
    prior: Prior
    tubes: Array  # rows of the problem
    centres: Array  # (n, groups)
    variance: Array  # (n,)
    basis: Array  # (n, K, N)
    weight: Array  # (n, N)
    modes: Array  # (n, M, N), covariance of the smooth errors = modes' modes
    gram: Array  # (n, K, K), with the full covariance
    right: Array  # (n, K)
    power: Array  # (n,)
    cross: Array  # (n, K, M), B' D^-1 U
    mode_gram: Array  # (n, M, M)
    mode_inverse: Array  # (n, M, M), (I + U'D^-1 U)^-1

    def rows(self, index: Array) -> System:
        """Return the same system for some of its tubes."""
        return System(
            self.problem,
            self.prior,
            self.tubes[index],
            self.centres[index],
            self.variance[index],
            self.basis[index],
            self.weight[index],
            self.modes[index],
            self.gram[index],
            self.right[index],
            self.power[index],
            self.cross[index],
            self.mode_gram[index],
            self.mode_inverse[index],
        )

    def coefficients(self, parameters: Array) -> tuple[Array, Array]:
        return model.coefficients(
            self.problem.layout, parameters, self.centres, self.variance
        )

    def objective(self, parameters: Array) -> Array:
        """Half the penalised chi-square."""
        t, _ = self.coefficients(parameters)
        away = parameters - self.prior.mean
        return 0.5 * (
            self.power
            + _dot(t, _apply(self.gram, t) - 2 * self.right)
            + _dot(away, away @ self.prior.precision)
        )


def _apply(matrices: Array, vectors: Array) -> Array:
    """Matrix times vector, tube by tube."""
    return np.asarray((matrices @ vectors[:, :, None])[:, :, 0])


def _apply_left(vectors: Array, matrices: Array) -> Array:
    """Vector times matrix, tube by tube."""
    return np.asarray((vectors[:, None, :] @ matrices)[:, 0, :])


def _dot(first: Array, second: Array) -> Array:
    """Inner product, tube by tube."""
    return np.asarray((first * second).sum(axis=1))


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
    bounded[lay.broadening] = problem.bandwidth is None
    lower = np.zeros(p)
    # a slit cannot be narrower than nothing
    lower[lay.broadening] = -min(part.bandwidth for part in lay.components) ** 2 / 6
    fixed = np.zeros(p, dtype=bool)
    if problem.bandwidth is not None:
        fixed[lay.broadening] = True
        lower[lay.broadening] = 0.0
    if max(w[-1] for w in problem.wavelengths) <= numbers["scatter_free_from"]:
        fixed[lay.exponent] = True
        lower[lay.exponent] = mean[lay.exponent]
    return Prior(mean, precision, lower, bounded, fixed)


def assemble(
    problem: Problem,
    prior: Prior,
    tubes: Array,
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
    unique, inverse = np.unique(points, axis=0, return_inverse=True)
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
    )[inverse.ravel()]
    root = np.sqrt(weight)
    y = problem.absorbance[tubes] * root
    b = columns * root[:, None, :]
    u = modes * root[:, None, :]
    u_t = u.transpose(0, 2, 1)
    cross = b @ u_t
    mode_gram = u @ u_t
    mode_inverse = np.linalg.inv(mode_gram + np.eye(modes.shape[1]))
    mode_right = _apply(u, y)
    reduced = cross @ mode_inverse
    return System(
        problem,
        prior,
        tubes,
        points[:, :-1],
        points[:, -1],
        columns,
        weight,
        modes,
        b @ b.transpose(0, 2, 1) - reduced @ cross.transpose(0, 2, 1),
        _apply(b, y) - _apply(reduced, mode_right),
        _dot(y, y) - _dot(mode_right, _apply(mode_inverse, mode_right)),
        cross,
        mode_gram,
        mode_inverse,
    )


def normal_equations(system: System, parameters: Array) -> tuple[Array, Array, Array]:
    """Return Hessian (Gauss-Newton), minus gradient, and Jacobian of the coefficients."""
    t, jacobian = system.coefficients(parameters)
    transposed = jacobian.transpose(0, 2, 1)
    rest = system.right - _apply(system.gram, t)
    away = system.prior.mean - parameters
    gradient = _apply(transposed, rest) + away @ system.prior.precision
    hessian = transposed @ (system.gram @ jacobian) + system.prior.precision
    return hessian, gradient, jacobian


def minimise(
    system: System, start: Array, *, bounds: bool, tolerance: float = STEP_TOLERANCE
) -> tuple[Array, Mask]:
    """Damped Gauss-Newton within reach of the expansion point.

    Returns
    -------
    parameters : ndarray, shape (n, n_parameters)
    converged : ndarray of bool, shape (n,)
    """
    prior = system.prior
    bounded = prior.bounded if bounds else np.zeros_like(prior.bounded)
    parameters = start.copy()
    active = bounded & (parameters <= prior.lower)
    converged = np.zeros(len(start), dtype=bool)
    live = np.arange(len(start))
    part = system
    for _ in range(MOST_STEPS):
        here = parameters[live]
        hessian, gradient, _ = normal_equations(part, here)
        # a parameter without any information keeps its place
        diagonal = np.arange(hessian.shape[1])
        hessian[:, diagonal, diagonal] += 1e-12 + 1e-13 * hessian[:, diagonal, diagonal]
        target, active[live] = minimise_bounded(
            hessian,
            gradient + _apply(hessian, here),
            np.broadcast_to(prior.lower, here.shape),
            bounded,
            prior.fixed,
            active[live],
        )
        step = target - here
        step *= _within_reach(part, here, step)[:, None]
        step, stuck = _backtrack(part, here, step)
        parameters[live] = here + step
        done = (_dot(step, _apply(hessian, step)) < tolerance) | stuck
        converged[live[done]] = True
        if done.all():
            break
        live = live[~done]
        part = part.rows(np.flatnonzero(~done))
    return parameters, converged


def amplitudes_only(system: System, start: Array) -> Array:
    """Best amplitudes and baseline at the start's shifts, breadth and exponent."""
    prior = system.prior
    hessian, gradient, _ = normal_equations(system, start)
    held = prior.fixed.copy()
    held[[*_nonlinear(system.problem.layout), system.problem.layout.exponent]] = True
    found, _ = minimise_bounded(
        hessian,
        gradient + _apply(hessian, start),
        np.where(held, start, prior.lower),
        prior.bounded,
        held,
        np.zeros(start.shape, dtype=bool),
    )
    return found


def _within_reach(system: System, here: Array, step: Array) -> Array:
    """Largest share of a step that stays where the expansion can be trusted."""
    lay = system.problem.layout
    index = _nonlinear(lay)
    reach = np.array([SHIFT_REACH] * len(lay.shift_groups) + [BROADENING_REACH])
    centre = np.column_stack([system.centres, system.variance])
    move = step[:, index]
    room = np.maximum(reach - np.sign(move) * (here[:, index] - centre), 0.0)
    return np.asarray((room / np.maximum(np.abs(move), room + 1e-30)).min(axis=1))


def _nonlinear(lay: model.Layout) -> list[int]:
    """Parameters of the expansion: shifts, then broadening."""
    return [*range(lay.shifts.start, lay.shifts.stop), lay.broadening]


def _backtrack(system: System, here: Array, step: Array) -> tuple[Array, Mask]:
    """Halve a step until the objective does not rise; a step that never helps is dropped."""
    before = system.objective(here)
    slack = 1e-12 * (1.0 + np.abs(system.power))
    worse = system.objective(here + step) > before + slack
    for _ in range(20):
        if not worse.any():
            break
        step = np.where(worse[:, None], step / 2, step)
        worse = system.objective(here + step) > before + slack
    return np.where(worse[:, None], 0.0, step), worse


def relax(
    problem: Problem,
    prior: Prior,
    parameters: Array,
    tubes: Array,
    weight: Array,
    modes_of: Callable[[Array], Array],
    finish: Callable[[System, Array, Mask], None],
    *,
    tolerance: float = STEP_TOLERANCE,
    hold_first: bool = False,
) -> None:
    """Minimise each tube, moving its expansion point until the fit lies close to it.

    Parameters
    ----------
    problem : Problem
    prior : Prior
    parameters : ndarray, shape (n_tubes, n_parameters)
        Start, overwritten with the result.
    tubes : ndarray of int
        Which rows to fit.
    weight : ndarray, shape (n_tubes, n_points)
    modes_of : callable
        Modes of the smooth errors for some tubes.
    finish : callable
        Called with the system of the tubes that stay at their expansion point, their
        parameters and whether they converged.
    tolerance : float
        Of the squared step in standard uncertainties.
    hold_first : bool
        Solve for the amplitudes at the start's shifts before anything moves.
    """
    lay = problem.layout
    nearest = np.array([SHIFT_MOVE] * len(lay.shift_groups) + [BROADENING_MOVE])
    pending = tubes
    for move in range(MOST_MOVES):
        points = _expansion_points(lay, parameters[pending], prior)
        system = assemble(problem, prior, pending, weight[pending], modes_of(pending), points)
        if hold_first and move == 0:
            parameters[pending] = amplitudes_only(system, parameters[pending])
        parameters[pending], converged = minimise(
            system, parameters[pending], bounds=True, tolerance=tolerance
        )
        away = np.abs(parameters[pending][:, _nonlinear(lay)] - points)
        stays = (away <= nearest).all(axis=1)
        if move == MOST_MOVES - 1:
            converged &= stays
            stays[:] = True
        if stays.any():
            index = np.flatnonzero(stays)
            finish(system.rows(index), parameters[pending[index]], converged[index])
        pending = pending[~stays]
        if pending.size == 0:
            return


def _expansion_points(lay: model.Layout, parameters: Array, prior: Prior) -> Array:
    """Where to expand: one point for all groups of bands if they lie close together."""
    shifts = parameters[:, lay.shifts]
    middle = np.rint((shifts.max(axis=1) + shifts.min(axis=1)) / 2)[:, None]
    near = (np.abs(shifts - middle) <= SHIFT_MOVE).all(axis=1, keepdims=True)
    centres = np.where(near, middle, np.rint(shifts))
    broadening = BROADENING_GRID * np.rint(parameters[:, lay.broadening] / BROADENING_GRID)
    if prior.fixed[lay.broadening]:
        broadening = np.zeros_like(broadening)
    return np.column_stack([centres, broadening])


def solve(problem: Problem) -> Solution:
    """Fit every tube of a batch: a first pass for weights and errors, then the fit."""
    lay = problem.layout
    prior = prior_of(problem)
    n, n_points = problem.absorbance.shape
    stacked = np.concatenate(problem.wavelengths)
    comb = shape_modes(stacked)
    everyone = np.arange(n)

    # first pass: weights from the smoothed scan, no smooth errors
    used = problem.used
    sigma = np.empty((n, n_points))
    level = transmittance_noise(np.where(used, problem.smoothed, 0.0))
    for scan, points in enumerate(problem.scan_slices):
        guess = noise_by_differences(problem.absorbance[:, points], used[:, points])
        guess = np.fmax(np.nan_to_num(guess), problem.noise_floor[:, scan])
        sigma[:, points] = np.sqrt(
            guess[:, None] ** 2
            + level[:, points] ** 2
            + _first_shape_error(problem, np.where(used, problem.smoothed, 0.0)[:, points]) ** 2
        )
    parameters = np.tile(prior.mean, (n, 1))
    shapes = np.zeros((n, lay.n_pigments, n_points))
    baseline = np.zeros((n, n_points))

    def remember(system: System, values: Array, converged: Mask) -> None:
        shapes[system.tubes], baseline[system.tubes] = parts(system, values)

    none = np.zeros((n, 0, n_points))
    relax(
        problem,
        prior,
        parameters,
        everyone,
        used / sigma**2,
        lambda tubes: none[tubes],
        remember,
        tolerance=FIRST_TOLERANCE,
        hold_first=True,
    )

    # errors from what the first pass found
    fitted = shapes.sum(axis=1) + baseline
    used = used & (fitted <= problem.linear_limit)
    noise = np.empty((n, lay.n_scans))
    tail, relative = np.zeros((n, lay.n_scans)), np.zeros((n, lay.n_scans))
    deviation = shape_deviation(problem, shapes)
    for scan, points in enumerate(problem.scan_slices):
        if problem.noise is not None:
            noise[:, scan] = problem.noise[:, scan]
            continue
        first = FirstFit(
            problem.wavelengths[scan],
            problem.absorbance[:, points] - fitted[:, points],
            fitted[:, points],
            used[:, points],
            comb[:, points],
            deviation[:, points],
        )
        noise[:, scan] = np.maximum(independent_noise(first), problem.noise_floor[:, scan])
        if problem.shape_covariance:
            relative[:, scan] = relative_noise(first, noise[:, scan])
            tail[:, scan] = tail_misfit(first, noise[:, scan])
    errors = Errors(noise, np.zeros_like(relative))
    result = _empty_solution(problem, noise, used, stacked)
    result.misfit = np.hypot(tail, relative * fitted.max(axis=1, keepdims=True)).max(axis=1)

    def modes_of(tubes: Array) -> Array:
        return smooth_modes(problem, shapes[tubes], comb)

    def complete(system: System, values: Array, converged: Mask) -> None:
        tubes = system.tubes
        free, free_converged = minimise(system, values, bounds=False)
        summary = Summary(system, values, free, shapes[tubes], comb, errors.rows(tubes))
        summary.estimates(result)
        if errors.stated:
            summary.tests(result)
        result.converged[tubes] = converged & free_converged
        result.shape_factor[tubes] = asked_shape_factor(system, free)

    first_values = parameters.copy()
    weight = used / noise_variance(problem, shapes, baseline, errors)
    relax(problem, prior, parameters, everyone, weight, modes_of, complete)

    # A scan that the stated errors do not cover, or cover only by shifts and breadths no
    # instrument has, is fitted again with the excess as independent error. What the stated
    # errors left unexplained stays on record.
    result.misfit[~_doubtful(result, prior)] = 0.0
    again = np.flatnonzero(result.misfit > 0)
    if again.size:
        errors = Errors(np.hypot(noise, tail), relative, stated=False)
        parameters[again] = first_values[again]
        weight = used / noise_variance(problem, shapes, baseline, errors)
        relax(problem, prior, parameters, again, weight, modes_of, complete)

    # Larger shape errors widen the intervals and do not change the weights: with the errors
    # of a strong fit raised, its amplitude could hide in them.
    raised = result.shape_factor[:, None] ** 2
    result.covariance_shape *= raised[:, :, None]
    result.zero_shape_variance *= raised
    return result


def _doubtful(result: Solution, prior: Prior) -> Mask:
    """Fits whose chi-square, or whose distance from the priors, is improbable."""
    away = result.parameters - prior.mean
    away[:, prior.fixed] = 0.0
    penalty = _dot(away, away @ prior.precision)
    limit = result.degrees + EXCESS_DOUBT * np.sqrt(2 * result.degrees)
    return np.asarray((result.chi_square > limit) | (penalty > PENALTY_LIMIT))


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

    def rows(self, index: Array) -> Errors:
        return Errors(self.at_zero[index], self.relative[index], self.stated)


def _first_shape_error(problem: Problem, absorbance: Array) -> Array:
    """Shape error of the first pass: the same everywhere, a column for the tubes.

    In proportion to absorbance it would leave the tails of the bands to decide; left out,
    a quiet scan would drive shifts and breadths into copying the shape errors.
    """
    share = FIRST_SHAPE_ERROR if problem.shape_covariance else 0.0
    return np.asarray(share * np.abs(absorbance).max(axis=1, keepdims=True))


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


def parts(system: System, parameters: Array) -> tuple[Array, Array]:
    """Absorbance of each pigment, shape (n, n_pigments, n_points), and the baseline."""
    lay = system.problem.layout
    t, _ = system.coefficients(parameters)
    pigments = np.zeros((len(parameters), lay.n_pigments, system.basis.shape[2]))
    for number, part in enumerate(lay.components):
        rows = slice(number * (model.ORDER + 1), (number + 1) * (model.ORDER + 1))
        pigments[:, part.pigment] += _apply_left(t[:, rows], system.basis[:, rows])
    start = lay.n_shape_columns
    return pigments, _apply_left(t[:, start:], system.basis[:, start:])


def smooth_modes(problem: Problem, shapes: Array, comb: Array) -> Array:
    """Modes of the smooth errors: band shapes, then one a scan for its dilution factor.

    Parameters
    ----------
    shapes : ndarray, shape (n, n_pigments, n_points)
        Absorbance of each pigment.
    comb : ndarray, shape (n_modes, n_points)
    """
    if not problem.shape_covariance:
        return np.zeros((len(shapes), 0, shapes.shape[2]))
    modes = shape_deviation(problem, shapes)[:, None, :] * comb[None]
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
    def tubes(self) -> Array:
        return self.system.tubes

    def estimates(self, result: Solution) -> None:
        """Write the estimates of these tubes and their uncertainties."""
        system, tubes = self.system, self.tubes
        result.parameters[tubes] = self.values
        result.unconstrained[tubes] = self.free
        lay, fixed = system.problem.layout, system.prior.fixed
        amplitudes = lay.amplitudes
        hessian, _, jacobian = normal_equations(system, self.free)
        covariance = _inverse_of_free(hessian, np.broadcast_to(fixed, self.free.shape))
        lever = covariance[:, amplitudes] @ jacobian.transpose(0, 2, 1)
        gain = lever @ (system.cross @ system.mode_inverse)
        n_comb = self.comb.shape[0] if system.problem.shape_covariance else 0
        shape_gain = gain[:, :, :n_comb]
        shape = shape_gain @ shape_gain.transpose(0, 2, 1)
        result.covariance_shape[tubes] = shape
        result.covariance_noise[tubes] = covariance[:, amplitudes, amplitudes] - shape
        result.parameter_variance[tubes] = np.einsum("ijj->ij", covariance)
        # how each amplitude depends on each reading
        weights = (lever @ system.basis - gain @ system.modes) * system.weight[:, None, :]
        rows = covariance[:, amplitudes]
        from_priors = ((rows @ system.prior.precision) * rows).sum(axis=2)
        noise, smooth = self._variances_when_absent(weights)
        result.zero_noise_variance[tubes] = from_priors + noise
        result.zero_shape_variance[tubes] = smooth

    def _variances_when_absent(self, weights: Array) -> tuple[Array, Array]:
        """Variance from noise and from shapes if the pigment, with its errors, were absent."""
        problem = self.system.problem
        deviations = (problem.shape_errors[:, None] * self.shapes) ** 2
        variance, smooth = np.zeros(weights.shape[:2]), np.zeros(weights.shape[:2])
        for pigment in range(weights.shape[1]):
            others = self.shapes.copy()
            others[:, pigment] = 0.0
            without = noise_variance(problem, others, 0.0, self.errors)
            variance[:, pigment] = (weights[:, pigment] ** 2 * without).sum(axis=1)
            if problem.shape_covariance:
                s = np.sqrt(np.maximum(deviations.sum(axis=1) - deviations[:, pigment], 0.0))
                projected = (weights[:, pigment] * s) @ self.comb.T
                smooth[:, pigment] = (projected**2).sum(axis=1)
        return variance, smooth

    def tests(self, result: Solution) -> None:
        """Write what the residual of these tubes says of the model."""
        system, tubes = self.system, self.tubes
        lay = system.problem.layout
        t, _ = system.coefficients(self.values)
        fitted = _apply_left(t, system.basis)
        result.fitted[tubes] = fitted
        residual = np.where(result.used[tubes], system.problem.absorbance[tubes] - fitted, 0.0)
        result.chi_square[tubes] = 2 * system.objective(self.values)
        result.degrees[tubes] = np.maximum(
            result.used[tubes].sum(axis=1) - lay.n_pigments - 2 * lay.n_scans, 1
        )
        onto_modes = _apply(system.modes, residual * system.weight)
        explained = _apply_left(_apply(system.mode_inverse, onto_modes), system.modes)
        rough = (residual - explained) * np.sqrt(system.weight)
        result.runs_z[tubes] = [
            runs_statistic(row[mask]) for row, mask in zip(rough, result.used[tubes], strict=True)
        ]
        result.deviance[tubes] = self._deviance()
        self._search(result, residual)
        self._excess(result, residual)

    def _deviance(self) -> Array:
        """Minus twice the log marginal likelihood, but for constants of the used points."""
        system = self.system
        free = ~system.prior.fixed
        hessian, _, _ = normal_equations(system, self.free)
        spread = np.where(system.weight > 0, np.log(np.maximum(system.weight, 1e-300)), 0.0)
        unit = np.eye(system.mode_gram.shape[1])
        return np.asarray(
            2 * system.objective(self.values)
            - spread.sum(axis=1)
            + np.linalg.slogdet(unit + system.mode_gram)[1]
            + np.linalg.slogdet(hessian[:, free][:, :, free])[1]
        )

    def _search(self, result: Solution, residual: Array) -> None:
        """Height of a further band at each place of a comb, by a score test."""
        system, tubes = self.system, self.tubes
        problem, prior = system.problem, system.prior
        bands = _search_bands(problem, result.search_wavelength)
        hessian, _, jacobian = normal_equations(system, self.values)
        on_bound = (self.values <= prior.lower) & prior.bounded
        covariance = _inverse_of_free(hessian, on_bound | prior.fixed)
        weighted = bands[None] * system.weight[:, None, :]  # (n, Q, N)
        onto_modes = weighted @ system.modes.transpose(0, 2, 1)
        reduced = onto_modes @ system.mode_inverse
        onto_model = weighted @ system.basis.transpose(0, 2, 1) - reduced @ system.cross.transpose(0, 2, 1)
        onto_model = onto_model @ jacobian
        score = _apply(weighted, residual) - _apply(
            reduced, _apply(system.modes, residual * system.weight)
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


def _search_bands(problem: Problem, wavelength: Array) -> Array:
    """Gaussian bands of the search on the stacked grid, shape (n_search, n_points)."""
    rows = [
        factor * np.exp(-0.5 * ((grid[None, :] - wavelength[:, None]) / SEARCH_WIDTH_NM) ** 2)
        for grid, factor in zip(problem.wavelengths, problem.factors, strict=True)
    ]
    return np.concatenate(rows, axis=1)


def _inverse_of_free(matrix: Array, fixed: Mask) -> Array:
    """Inverse over the free parameters, zero for the others."""
    free = ~fixed
    masked = matrix * free[:, :, None] * free[:, None, :]
    diagonal = np.arange(matrix.shape[1])
    masked[:, diagonal, diagonal] += ~free
    inverse = np.linalg.inv(masked)
    return np.asarray(inverse * free[:, :, None] * free[:, None, :])


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
    chi_square, degrees = 2 * system.objective(free), (system.weight > 0).sum(axis=1)
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
    t, jacobian = system.coefficients(free)
    jacobian = jacobian[:, :, ~prior.fixed]
    precision = prior.precision[np.ix_(~prior.fixed, ~prior.fixed)]
    away = (prior.mean - free)[:, ~prior.fixed]
    residual = np.where(
        system.weight > 0, system.problem.absorbance[system.tubes] - _apply_left(t, system.basis), 0.0
    )
    weighted = residual * system.weight
    power = _dot(residual, weighted)
    onto_modes = _apply(system.modes, weighted)
    onto_model = _apply(jacobian.transpose(0, 2, 1), _apply(system.basis, weighted))
    full = system.gram + system.cross @ system.mode_inverse @ system.cross.transpose(0, 2, 1)
    normal = jacobian.transpose(0, 2, 1) @ full @ jacobian + precision
    mixed = system.cross.transpose(0, 2, 1) @ jacobian
    penalty = _dot(away, away @ precision)
    unit = np.eye(system.mode_gram.shape[1])
    result = np.empty((len(free), SHAPE_FACTORS.size))
    for column, kappa in enumerate(SHAPE_FACTORS):
        inverse = np.linalg.inv(unit / kappa**2 + system.mode_gram)
        hessian = normal - mixed.transpose(0, 2, 1) @ inverse @ mixed
        explained = _apply(inverse, onto_modes)
        gradient = (
            onto_model - _apply(mixed.transpose(0, 2, 1), explained) + away @ precision
        )
        gained = _dot(gradient, np.linalg.solve(hessian, gradient[:, :, None])[:, :, 0])
        rest = power - _dot(onto_modes, explained)
        result[:, column] = -0.5 * (
            rest
            + penalty
            - gained
            + np.linalg.slogdet(unit + kappa**2 * system.mode_gram)[1]
            + np.linalg.slogdet(hessian)[1]
        )
    return result


def _empty_solution(
    problem: Problem, noise: Array, used: Mask, stacked: Array
) -> Solution:
    n, n_points = problem.absorbance.shape
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
    )
