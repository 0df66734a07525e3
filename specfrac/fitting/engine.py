"""The engine: many tubes that share a grid, fitted side by side.

Generalised least squares with low-rank covariance, in the small space of the
model's basis: once the Gram matrices of a batch are known, everything iterates on
matrices whose size does not depend on the number of points.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from specfrac.fitting import model
from specfrac.fitting.batched import dot
from specfrac.fitting.noise import (
    first_fit,
    independent_noise,
    noise_by_differences,
    relative_noise,
    tail_misfit,
    transmittance_noise,
)
from specfrac.fitting.normal import STEP_TOLERANCE, amplitudes_only, minimise, nonlinear
from specfrac.fitting.problem import Errors, ForeignBand, Prior, Problem, Solution, prior_of
from specfrac.fitting.summary import (
    Summary,
    asked_shape_factor,
    empty_solution,
    foreign_modes,
    strongest_foreign_bands,
    tellable,
)
from specfrac.fitting.system import (
    IN_CACHE,
    Modes,
    System,
    assemble,
    noise_variance,
    parts,
    shape_deviation,
    smooth_modes,
)

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Index = NDArray[np.intp]

MOST_MOVES = 12  # of the expansion point
MOST_FOREIGN = 3  # bands of no candidate left free in one tube
FIRST_SHAPE_ERROR = 0.005  # of the highest absorbance; the first pass need not be finer
FIRST_TOLERANCE = 0.1  # the first pass only serves weights and errors
WHOLE_FROM = 0.75  # of the tubes of a system
SHIFT_MOVE = 1.0  # nm from the expansion point beyond which it moves
BROADENING_MOVE, BROADENING_GRID = 1.2, 2.0  # nm^2
EXCESS_DOUBT = 4.0  # standard deviations of chi-square
PENALTY_LIMIT = 20.0  # chi-square of six degrees exceeds it once in 360


def solve(problem: Problem) -> Solution:
    """Fit every tube of a batch.

    A first pass gives weights and errors; the fit uses them; tubes that the stated errors
    do not cover are fitted again with what is missing counted as error.
    """
    prior = prior_of(problem)
    first = first_pass(problem, prior)
    result = empty_solution(problem, first.stated.at_zero, first.used)
    everyone = np.arange(len(problem.absorbance))
    result.foreign = _fit_with_foreign_bands(problem, prior, first, first.stated, everyone, result)
    # A scan that all this does not cover, or covers only by shifts and breadths no instrument
    # has, is fitted again with the misfit as error. The foreign bands that the stated errors
    # leave unexplained stay on record.
    result.misfit = np.where(_doubtful(result, prior), first.misfit, 0.0)
    again = np.flatnonzero(result.misfit > 0)
    if again.size:
        _fit_with_foreign_bands(problem, prior, first, first.raised, again, result)
    # Larger shape errors widen the intervals and do not change the weights: with the errors
    # of a strong fit raised, its amplitude could hide in them.
    factor = result.shape_factor[:, None] ** 2
    result.covariance_shape *= factor[:, :, None]
    result.zero_shape_variance *= factor
    result.shape_gain *= result.shape_factor[:, None, None]
    return result


@dataclass(frozen=True, slots=True, eq=False)
class FirstPass:
    """What the first pass found.

    Attributes
    ----------
    parameters : ndarray, shape (n_tubes, n_parameters)
    shapes : ndarray, shape (n_tubes, n_pigments, n_blocks)
        Absorbance of each pigment in the blocks of the grid.
    total, baseline : ndarray, shape (n_tubes, n_points)
        Of all pigments; offset and scatter.
    used : ndarray of bool, shape (n_tubes, n_points)
        Points of blocks whose fitted absorbance is within the linear limit.
    stated, raised : Errors
        Independent errors without and with the misfit.
    misfit : ndarray, shape (n_tubes,)
        Largest error that the stated ones lack, in absorbance.
    """

    parameters: Array
    shapes: Array
    total: Array
    baseline: Array
    used: Mask
    stated: Errors
    raised: Errors
    misfit: Array


def first_pass(problem: Problem, prior: Prior) -> FirstPass:
    """Fit with independent errors from the smoothed scans, exponent held, loosely."""
    lay, grid = problem.layout, problem.grid
    n, n_points = problem.absorbance.shape
    parameters = np.tile(prior.mean, (n, 1))
    shapes = np.zeros((n, lay.n_pigments, grid.blocks.starts.size))
    total = np.zeros((n, n_points))
    baseline = np.zeros((n, n_points))

    def remember(system: System, values: Array, converged: Mask) -> None:
        rows = system.tubes
        shapes[rows], total[rows], baseline[rows] = parts(system, values)

    exponent = np.arange(prior.fixed.size) == lay.exponent
    held = replace(
        prior,
        fixed=prior.fixed | exponent,
        lower=np.where(exponent, prior.mean, prior.lower),
    )
    none = Modes(grid, np.zeros((n, shapes.shape[2])), np.zeros((n, 0, n_points)), False)
    relax(
        problem,
        held,
        parameters,
        np.arange(n),
        _weight(problem, problem.used, _first_variance(problem)),
        none.rows,
        remember,
        tolerance=FIRST_TOLERANCE,
        hold_first=True,
    )
    within = grid.blocks.whole(total + baseline <= problem.linear_limit)
    used = problem.used & grid.blocks.spread(within)
    stated, raised, misfit = _errors(problem, shapes, total + baseline, used)
    return FirstPass(parameters, shapes, total, baseline, used, stated, raised, misfit)


def _weight(problem: Problem, used: Mask, variance: Array) -> Array:
    """Weight of a point in each block, from the variance at the points."""
    blocks = problem.grid.blocks
    return np.asarray(np.where(blocks.whole(used), 1.0 / blocks.means(variance), 0.0))


def _first_variance(problem: Problem) -> Array:
    """Variance of the readings in the first pass.

    Noise from differences, and a shape error that is the same everywhere. In proportion to
    absorbance it would leave the tails of the bands to decide; left out, a quiet scan would
    drive shifts and breadths into copying the shape errors.
    """
    smooth = np.where(problem.used, problem.smoothed, 0.0)
    variance = transmittance_noise(smooth) ** 2
    share = FIRST_SHAPE_ERROR if problem.shape_covariance else 0.0
    for scan, points in enumerate(problem.grid.scan_slices):
        guess = noise_by_differences(problem.absorbance[:, points], problem.used[:, points])
        guess = np.fmax(np.nan_to_num(guess), problem.noise_floor[:, scan])
        highest = np.abs(smooth[:, points]).max(axis=1)
        variance[:, points] += (guess**2 + (share * highest) ** 2)[:, None]
    return variance


def _errors(
    problem: Problem, shapes: Array, fitted: Array, used: Mask
) -> tuple[Errors, Errors, Array]:
    """Independent errors from the residual, without and with misfit, and the misfit."""
    grid = problem.grid
    n, n_scans = len(shapes), problem.layout.n_scans
    if problem.noise is not None:
        given = Errors(problem.noise, np.zeros((n, n_scans)))
        return given, given, np.zeros(n)
    deviation = shape_deviation(problem, shapes)
    noise = np.empty((n, n_scans))
    tail, relative = np.zeros((n, n_scans)), np.zeros((n, n_scans))
    for scan, (points, part) in enumerate(zip(grid.scan_slices, grid.block_slices, strict=True)):
        first = first_fit(
            grid.noise[scan],
            problem.absorbance[:, points] - fitted[:, points],
            fitted[:, points],
            used[:, points],
            deviation[:, part],
        )
        noise[:, scan] = np.maximum(independent_noise(first), problem.noise_floor[:, scan])
        if problem.shape_covariance:
            relative[:, scan] = relative_noise(first, noise[:, scan])
            tail[:, scan] = tail_misfit(first, noise[:, scan])
    stated = Errors(noise, np.zeros_like(relative))
    raised = Errors(np.hypot(noise, tail), relative, stated=False)
    misfit = np.hypot(tail, relative * fitted.max(axis=1, keepdims=True)).max(axis=1)
    return stated, raised, misfit


def _fit_with_foreign_bands(
    problem: Problem,
    prior: Prior,
    first: FirstPass,
    errors: Errors,
    tubes: Index,
    result: Solution,
) -> list[list[ForeignBand]]:
    """Fit some tubes; leave the bands of no candidate free, one after the other.

    A band that is not left free would pull the fit, and make false bands elsewhere.

    Returns
    -------
    list of list of ForeignBand
        One list for every tube of the problem: those left free, strongest first, or the
        strongest that cannot be told from a shape error.
    """
    hidden: dict[int, ForeignBand] = {}
    foreign: list[list[ForeignBand]] = [[] for _ in range(len(first.parameters))]
    step = np.concatenate([np.gradient(w) for w in problem.grid.wavelengths])
    area = np.maximum(first.total, 0.0) @ step
    for _ in range(MOST_FOREIGN + 1):
        _fit(problem, prior, first, errors, foreign, tubes, result)
        if not problem.shape_covariance:
            break
        clear = tellable(problem, result, tubes, first.total[tubes])
        found = strongest_foreign_bands(result, tubes, area[tubes], clear)
        unclear = strongest_foreign_bands(result, tubes, area[tubes], ~clear)
        changed = []
        for tube in tubes:
            if tube in found and len(foreign[tube]) < MOST_FOREIGN:
                foreign[tube].append(found[tube])
                changed.append(tube)
            elif tube in unclear and not foreign[tube]:
                hidden[tube] = unclear[tube]
        if not changed:
            break
        tubes = np.array(changed, dtype=np.intp)
    return [bands or ([hidden[t]] if t in hidden else []) for t, bands in enumerate(foreign)]


def _fit(
    problem: Problem,
    prior: Prior,
    first: FirstPass,
    errors: Errors,
    foreign: list[list[ForeignBand]],
    tubes: Index,
    result: Solution,
) -> None:
    """Fit some tubes with given errors, non-negative and free, and write them down."""
    bands = foreign_modes(problem, [foreign[tube] for tube in tubes])
    row_of = np.zeros(len(first.parameters), dtype=np.intp)
    row_of[tubes] = np.arange(len(tubes))

    def modes_of(rows: Index) -> Modes:
        return smooth_modes(problem, first.shapes[rows], first.total[rows], bands[row_of[rows]])

    def complete(system: System, values: Array, converged: Mask) -> None:
        rows = system.tubes
        free, free_converged = _without_bounds(system, values)
        result.converged[rows] = converged & free_converged
        for start in range(0, len(rows), IN_CACHE):
            part = slice(start, start + IN_CACHE)
            some, tubes = system.rows(part), rows[part]
            summary = Summary(
                some, values[part], free[part], first.shapes[tubes], errors.rows(tubes)
            )
            summary.estimates(result)
            summary.search(result)
            if errors.stated:
                summary.tests(result)
                if bands.shape[1] == 0:
                    summary.shares(result)
            result.shape_factor[tubes] = asked_shape_factor(
                some, free[part], 2 * summary.at_free.objective
            )

    largest = shape_deviation(problem, first.shapes).max(axis=1)
    variance = noise_variance(problem, first.total + first.baseline, largest, errors)
    weight = _weight(problem, first.used, variance)
    relax(problem, prior, first.parameters.copy(), tubes, weight, modes_of, complete)


def _without_bounds(system: System, values: Array) -> tuple[Array, Mask]:
    """The unconstrained minimum: the same where the non-negative one touches no bound."""
    prior, last = system.prior, system.grid.layout.exponent
    bound = (values <= prior.lower) & prior.bounded & ~prior.fixed
    touching = np.flatnonzero(bound[:, :last].any(axis=1))
    free, converged = values.copy(), np.ones(len(values), dtype=bool)
    if touching.size:
        part = system.normal.rows(touching)
        free[touching], converged[touching] = minimise(part, values[touching], bounds=False)
    return free, converged


def relax(
    problem: Problem,
    prior: Prior,
    parameters: Array,
    tubes: Index,
    weight: Array,
    modes_of: Callable[[Index], Modes],
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
    weight : ndarray, shape (n_tubes, n_blocks)
    modes_of : callable
        Modes of the smooth errors for some tubes.
    finish : callable
        Called with a system, at least of the tubes that stay at their expansion point, their
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
        # tubes with the same expansion point side by side
        order = np.lexsort(points.T)
        pending, points = pending[order], points[order]
        system = assemble(problem, prior, pending, weight[pending], modes_of(pending), points)
        if hold_first and move == 0:
            parameters[pending] = amplitudes_only(system.normal, parameters[pending])
        parameters[pending], converged = minimise(
            system.normal, parameters[pending], bounds=True, tolerance=tolerance
        )
        away = np.abs(parameters[pending][:, nonlinear(lay)] - points)
        stays: Mask = np.asarray((away <= nearest).all(axis=1))
        if move == MOST_MOVES - 1:
            converged &= stays
            stays[:] = True
        if stays.any():
            # where nearly all stay, those that move on are finished too, and again later:
            # that costs less than copying the others
            some = stays.mean() < WHOLE_FROM
            index = np.flatnonzero(stays) if some else np.arange(stays.size)
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


def _doubtful(result: Solution, prior: Prior) -> Mask:
    """Fits whose chi-square, or whose distance from the priors, is improbable."""
    away = result.parameters - prior.mean
    away[:, prior.fixed] = 0.0
    penalty = dot(away, away @ prior.precision)
    limit = result.degrees + EXCESS_DOUBT * np.sqrt(2 * result.degrees)
    return np.asarray((result.chi_square > limit) | (penalty > PENALTY_LIMIT))
