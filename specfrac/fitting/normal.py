"""Damped Gauss-Newton, and Newton, in the small space of the basis."""

from __future__ import annotations

from dataclasses import dataclass, fields

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
NEWTON_TOLERANCE = 1e-6  # of a Newton step, which leaves about its square
CLOSE = 1.0  # squared step in standard uncertainties below which the exact Hessian serves
DIAGONAL_LEFT = 0.1  # of each diagonal element, else the exact Hessian does not serve
BOUND_ROUNDING = 1e-12
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

    def rows(self, index: Index | slice) -> Normal:
        """Return the same form for some of its tubes, in their order."""
        if not isinstance(index, slice) and index.size == self.power.size:
            return self
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
        return model.coefficients(self.layout, parameters, self._polynomials(parameters))

    def _polynomials(self, parameters: Array) -> Array:
        return model.polynomials(self.layout, parameters, self.centres, self.variance)

    def objective(self, parameters: Array) -> Array:
        """Half the penalised chi-square."""
        t = self.coefficients(parameters)
        return self._objective(parameters, t, apply(self.gram, t))

    def _objective(self, parameters: Array, t: Array, gram_t: Array) -> Array:
        away = parameters - self.prior.mean
        return 0.5 * (
            self.power + dot(t, gram_t - 2 * self.right) + dot(away, away @ self.prior.precision)
        )

    def around(self, parameters: Array) -> Local:
        """The objective and its derivatives around some parameters."""
        polynomials = self._polynomials(parameters)
        jacobian = model.jacobian(self.layout, parameters, polynomials)
        gram_jacobian = self.gram @ jacobian
        # the coefficients are linear in amplitudes and baselines: one product serves both
        linear = parameters[:, : self.layout.shifts.start]
        t = apply(jacobian[:, :, : linear.shape[1]], linear)
        gram_t = apply(gram_jacobian[:, :, : linear.shape[1]], linear)
        transposed = jacobian.transpose(0, 2, 1)
        rest = self.right - gram_t
        away = self.prior.mean - parameters
        return Local(
            self._objective(parameters, t, gram_t),
            transposed @ gram_jacobian + self.prior.precision,
            apply(transposed, rest) + away @ self.prior.precision,
            t,
            jacobian,
            rest,
            polynomials,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Local:
    """The objective around some parameters.

    Attributes
    ----------
    objective : ndarray, shape (n,)
    hessian : ndarray, shape (n, n_parameters, n_parameters)
        Of Gauss and Newton; its inverse is the covariance.
    descent : ndarray, shape (n, n_parameters)
        Minus the gradient.
    coefficients : ndarray, shape (n, n_columns)
        Of the basis.
    jacobian : ndarray, shape (n, n_columns, n_parameters)
        Of the coefficients.
    rest : ndarray, shape (n, n_columns)
        Minus the gradient by the coefficients.
    polynomials : ndarray, shape (n, n_shift_groups, ORDER + 1)
    """

    objective: Array
    hessian: Array
    descent: Array
    coefficients: Array
    jacobian: Array
    rest: Array
    polynomials: Array

    def rows(self, index: Index) -> Local:
        """Return the same for some of the tubes."""
        return Local(*(getattr(self, one.name)[index] for one in fields(self)))

    def replaced(self, index: Index, others: Local) -> Local:
        """Return a copy in which some of the tubes are taken from another."""
        columns = {one.name: getattr(self, one.name).copy() for one in fields(self)}
        for name, column in columns.items():
            column[index] = getattr(others, name)
        return Local(**columns)


def minimise(
    normal: Normal, start: Array, *, bounds: bool, tolerance: float = STEP_TOLERANCE
) -> tuple[Array, Mask]:
    """Damped Gauss-Newton within reach of the expansion point, Newton close to the minimum.

    Parameters
    ----------
    normal : Normal
    start : ndarray, shape (n, n_parameters)
    bounds : bool
        False lets amplitudes and baselines fall below zero.
    tolerance : float
        Of the squared step in standard uncertainties.

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
    close = np.zeros(len(start), dtype=bool)
    trusted = np.ones(len(start), dtype=bool)
    live = np.arange(len(start))
    part, around = normal, normal.around(start)
    for _ in range(MOST_STEPS):
        here = parameters[live]
        matrix, exact = _with_curvature(part, here, around, close[live] & trusted[live])
        target, active[live] = minimise_bounded(
            matrix,
            around.descent + apply(matrix, here),
            np.broadcast_to(prior.lower, here.shape),
            bounded,
            prior.fixed,
            active[live],
        )
        step = target - here
        step *= _within_reach(part, here, step)[:, None]
        moved = dot(step, apply(around.hessian, step))
        done = moved < np.where(exact, max(NEWTON_TOLERANCE, tolerance), tolerance)
        parameters[live] = here + step
        converged[live[done]] = True
        going = np.flatnonzero(~done)
        if not going.size:
            break
        live, part = live[going], part.rows(going)
        before, around = around.objective[going], part.around(parameters[live])
        close[live] = moved[going] < CLOSE
        risen = np.flatnonzero(around.objective > before + 1e-12 * (1.0 + np.abs(part.power)))
        if risen.size:
            # far from its minimum the exact Hessian may point uphill: then back to Gauss-Newton
            back, bent = going[risen], exact[going[risen]]
            some = part.rows(risen)
            step[back], stuck = _backtrack(some, here[back], step[back])
            parameters[live[risen]] = here[back] + step[back]
            around = around.replaced(risen, some.around(parameters[live[risen]]))
            trusted[live[risen[stuck & bent]]] = False
            resting = risen[stuck & ~bent]
            converged[live[resting]] = True
            going = np.delete(np.arange(live.size), resting)
            if not going.size:
                break
            live, part, around = live[going], part.rows(going), around.rows(going)
    # rounding must not decide who sits on a bound: the unconstrained fit starts from there
    lower = np.broadcast_to(prior.lower, parameters.shape)
    on_bound = active & (parameters - lower <= BOUND_ROUNDING)
    parameters[on_bound] = lower[on_bound]
    return parameters, converged


def _with_curvature(normal: Normal, here: Array, around: Local, wanted: Mask) -> tuple[Array, Mask]:
    """Hessian to step by, exact for the tubes that want it and where its diagonal allows it."""
    matrix = around.hessian.copy()
    rows = np.flatnonzero(wanted)
    exact = np.zeros(len(here), dtype=bool)
    if rows.size:
        bent = matrix[rows] + model.curvature(
            normal.layout, here[rows], around.polynomials[rows], around.rest[rows]
        )
        diagonal = np.einsum("ijj->ij", bent)
        good = (diagonal > DIAGONAL_LEFT * np.einsum("ijj->ij", matrix[rows])).all(axis=1)
        exact[rows[good]] = True
        matrix[rows[good]] = bent[good]
    # a parameter without any information keeps its place
    index = np.arange(matrix.shape[1])
    matrix[:, index, index] += 1e-12 + 1e-13 * matrix[:, index, index]
    return matrix, exact


def amplitudes_only(normal: Normal, start: Array) -> Array:
    """Best amplitudes and baseline at the start's shifts, breadth and exponent."""
    prior = normal.prior
    around = normal.around(start)
    held = prior.fixed.copy()
    held[[*nonlinear(normal.layout), normal.layout.exponent]] = True
    found, _ = minimise_bounded(
        around.hessian,
        around.descent + apply(around.hessian, start),
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
    highest = normal.objective(here)
    highest += 1e-12 * (1.0 + np.abs(normal.power))
    worse = normal.objective(here + step) > highest
    for _ in range(20):
        if not worse.any():
            break
        step = np.where(worse[:, None], step / 2, step)
        worse = normal.objective(here + step) > highest
    return np.where(worse[:, None], 0.0, step), worse
