"""Many small quadratic problems with lower bounds, solved side by side."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from specfrac.fitting.batched import apply, solve

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

FULL_EXCHANGES = 3
MOST_EXCHANGES = 60
TOLERANCE = 1e-11


def minimise_bounded(
    matrix: Array, linear: Array, lower: Array, bounded: Mask, fixed: Mask, active: Mask
) -> tuple[Array, Mask]:
    """Minimise ½ x'Hx - b'x subject to x >= lower where bounded.

    Block principal pivoting: all variables that break a condition change sides at
    once, and one at a time when that does not help, which ends after finitely many
    exchanges (Portugal, Judice & Vicente 1994, Math. Comput. 63, 625; Kim & Park
    2011, SIAM J. Sci. Comput. 33, 3261).

    Parameters
    ----------
    matrix : ndarray, shape (n, p, p)
        Symmetric positive definite.
    linear : ndarray, shape (n, p)
    lower : ndarray, shape (n, p)
        Bound, or the value of a fixed variable.
    bounded, fixed : ndarray of bool, shape (p,)
    active : ndarray of bool, shape (n, p)
        First guess of the variables that sit on their bound.

    Returns
    -------
    x : ndarray, shape (n, p)
    active : ndarray of bool, shape (n, p)
    """
    n, p = linear.shape
    scale = 1.0 / np.sqrt(np.einsum("ijj->ij", matrix))
    scaled = matrix * scale[:, :, None] * scale[:, None, :]
    floor = np.where(bounded | fixed, lower, 0.0) / scale
    # x = lower + y with y >= 0 where bounded
    right = linear * scale - apply(scaled, floor)
    active = (active & bounded) | fixed
    solution = np.zeros((n, p))
    best = np.full(n, p + 1)
    budget = np.full(n, FULL_EXCHANGES)
    todo = np.arange(n)
    for _ in range(MOST_EXCHANGES):
        y, dual = _solve_free(scaled[todo], right[todo], active[todo])
        solution[todo] = y
        size = 1.0 + np.abs(right[todo]).max(axis=1, keepdims=True)
        wrong = (
            bounded
            & ~fixed
            & (
                (~active[todo] & (y < -TOLERANCE * size))
                | (active[todo] & (dual < -TOLERANCE * size))
            )
        )
        count = wrong.sum(axis=1)
        going = count > 0
        if not going.any():
            break
        todo, wrong, count = todo[going], wrong[going], count[going]
        better = count < best[todo]
        best[todo] = np.where(better, count, best[todo])
        budget[todo] = np.where(better, FULL_EXCHANGES, budget[todo] - 1)
        single = budget[todo] < 0
        if single.any():
            last = p - 1 - np.argmax(wrong[single][:, ::-1], axis=1)
            only = np.zeros((int(single.sum()), p), dtype=bool)
            only[np.arange(only.shape[0]), last] = True
            wrong[single] = only
        active[todo] ^= wrong
    return (solution + floor) * scale, active & bounded & ~fixed


def _solve_free(matrix: Array, right: Array, active: Mask) -> tuple[Array, Array]:
    """Solve with the active variables at zero; return the solution and the gradient."""
    free = ~active
    masked = matrix * free[:, :, None] * free[:, None, :]
    diagonal = np.arange(matrix.shape[1])
    masked[:, diagonal, diagonal] += active
    y = solve(masked, right * free)
    return y, apply(matrix, y) - right
