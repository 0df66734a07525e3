"""Damped Gauss-Newton in the small space of the basis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from specfrac.fitting import model
from specfrac.fitting.batched import apply, dot
from specfrac.fitting.problem import Prior
from specfrac.fitting.quadratic import minimise_bounded

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Index = NDArray[np.intp]

MOST_STEPS = 60
STEP_TOLERANCE = 1e-12  # of the squared step in standard uncertainties
SHIFT_REACH = 1.5  # nm from the expansion point that can be trusted
BROADENING_REACH = 3.0  # nm^2


@dataclass(frozen=True, slots=True, eq=False)
class Normal:
    """The sum of squares of some tubes as a quadratic form in the basis coefficients.

    Attributes
    ----------
    layout : model.Layout
    prior : Prior
    centres : ndarray, shape (n, n_shift_groups)
        Expansion points of the shifts, nm.
    variance : ndarray, shape (n,)
        Expansion points of the broadening, nm^2.
    gram : ndarray, shape (n, n_columns, n_columns)
        With the full covariance of the readings.
    right : ndarray, shape (n, n_columns)
    power : ndarray, shape (n,)
    """

    layout: model.Layout
    prior: Prior
    centres: Array
    variance: Array
    gram: Array
    right: Array
    power: Array

    def rows(self, index: Index) -> Normal:
        """Return the same form for some of its tubes."""
        return Normal(
            self.layout,
            self.prior,
            self.centres[index],
            self.variance[index],
            self.gram[index],
            self.right[index],
            self.power[index],
        )

    def coefficients(self, parameters: Array) -> Array:
        """Coefficients of the basis, shape (n, n_columns)."""
        return model.coefficients(self.layout, parameters, self.centres, self.variance)

    def jacobian(self, parameters: Array) -> Array:
        """Their derivatives by the parameters, shape (n, n_columns, n_parameters)."""
        return model.jacobian(self.layout, parameters, self.centres, self.variance)

    def objective(self, parameters: Array) -> Array:
        """Half the penalised chi-square."""
        t = self.coefficients(parameters)
        away = parameters - self.prior.mean
        return 0.5 * (
            self.power
            + dot(t, apply(self.gram, t) - 2 * self.right)
            + dot(away, away @ self.prior.precision)
        )


def normal_equations(normal: Normal, parameters: Array) -> tuple[Array, Array, Array]:
    """Return Hessian (Gauss-Newton), minus gradient, and Jacobian of the coefficients."""
    t, jacobian = normal.coefficients(parameters), normal.jacobian(parameters)
    transposed = jacobian.transpose(0, 2, 1)
    rest = normal.right - apply(normal.gram, t)
    away = normal.prior.mean - parameters
    gradient = apply(transposed, rest) + away @ normal.prior.precision
    hessian = transposed @ (normal.gram @ jacobian) + normal.prior.precision
    return hessian, gradient, jacobian


def minimise(
    normal: Normal, start: Array, *, bounds: bool, tolerance: float = STEP_TOLERANCE
) -> tuple[Array, Mask]:
    """Damped Gauss-Newton within reach of the expansion point.

    Returns
    -------
    parameters : ndarray, shape (n, n_parameters)
    converged : ndarray of bool, shape (n,)
    """
    prior = normal.prior
    bounded = prior.bounded.copy()
    if not bounds:
        bounded[: normal.layout.exponent] = False
    parameters = start.copy()
    active = bounded & (parameters <= prior.lower)
    converged = np.zeros(len(start), dtype=bool)
    live = np.arange(len(start))
    part = normal
    for _ in range(MOST_STEPS):
        here = parameters[live]
        hessian, gradient, _ = normal_equations(part, here)
        # a parameter without any information keeps its place
        diagonal = np.arange(hessian.shape[1])
        hessian[:, diagonal, diagonal] += 1e-12 + 1e-13 * hessian[:, diagonal, diagonal]
        target, active[live] = minimise_bounded(
            hessian,
            gradient + apply(hessian, here),
            np.broadcast_to(prior.lower, here.shape),
            bounded,
            prior.fixed,
            active[live],
        )
        step = target - here
        step *= _within_reach(part, here, step)[:, None]
        step, stuck = _backtrack(part, here, step)
        parameters[live] = here + step
        done = (dot(step, apply(hessian, step)) < tolerance) | stuck
        converged[live[done]] = True
        if done.all():
            break
        live = live[~done]
        part = part.rows(np.flatnonzero(~done))
    return parameters, converged


def amplitudes_only(normal: Normal, start: Array) -> Array:
    """Best amplitudes and baseline at the start's shifts, breadth and exponent."""
    prior = normal.prior
    hessian, gradient, _ = normal_equations(normal, start)
    held = prior.fixed.copy()
    held[[*nonlinear(normal.layout), normal.layout.exponent]] = True
    found, _ = minimise_bounded(
        hessian,
        gradient + apply(hessian, start),
        np.where(held, start, prior.lower),
        prior.bounded,
        held,
        np.zeros(start.shape, dtype=bool),
    )
    return found


def _within_reach(normal: Normal, here: Array, step: Array) -> Array:
    """Largest share of a step that stays where the expansion can be trusted."""
    lay = normal.layout
    index = nonlinear(lay)
    reach = np.array([SHIFT_REACH] * len(lay.shift_groups) + [BROADENING_REACH])
    centre = np.column_stack([normal.centres, normal.variance])
    move = step[:, index]
    room = np.maximum(reach - np.sign(move) * (here[:, index] - centre), 0.0)
    return np.asarray((room / np.maximum(np.abs(move), room + 1e-30)).min(axis=1))


def nonlinear(lay: model.Layout) -> list[int]:
    """Parameters of the expansion: shifts, then broadening."""
    return [*range(lay.shifts.start, lay.shifts.stop), lay.broadening]


def _backtrack(normal: Normal, here: Array, step: Array) -> tuple[Array, Mask]:
    """Halve a step until the objective does not rise; a step that never helps is dropped."""
    before = normal.objective(here)
    slack = 1e-12 * (1.0 + np.abs(normal.power))
    worse = normal.objective(here + step) > before + slack
    for _ in range(20):
        if not worse.any():
            break
        step = np.where(worse[:, None], step / 2, step)
        worse = normal.objective(here + step) > before + slack
    return np.where(worse[:, None], 0.0, step), worse
