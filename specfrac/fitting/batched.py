"""Linear algebra on many small matrices side by side; the first axis counts the tubes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
SMALL = 8  # rows of a matrix that is inverted by substitution


def apply(matrices: Array, vectors: Array) -> Array:
    """Matrix times vector, tube by tube."""
    return np.asarray((matrices @ vectors[:, :, None])[:, :, 0])


def apply_left(vectors: Array, matrices: Array) -> Array:
    """Vector times matrix, tube by tube."""
    return np.asarray((vectors[:, None, :] @ matrices)[:, 0, :])


def dot(first: Array, second: Array) -> Array:
    """Inner product, tube by tube."""
    return np.asarray((first * second).sum(axis=1))


def squares(matrices: Array) -> Array:
    """A'A, tube by tube; a copy of A' is worth it, for it halves the time of the product."""
    return np.asarray(np.ascontiguousarray(matrices.transpose(0, 2, 1)) @ matrices)


def inverse(matrices: Array) -> Array:
    """Inverse, tube by tube."""
    return np.asarray(np.linalg.inv(matrices), dtype=np.float64)


def whitening(matrices: Array) -> tuple[Array, Array]:
    """Inverse L^-1 of the Cholesky factor of positive definite matrices L L', and log det L L'."""
    factor = np.asarray(np.linalg.cholesky(matrices), dtype=np.float64)
    log_determinant = 2 * np.log(np.einsum("ijj->ij", factor)).sum(axis=1)
    return inverse_of_lower(factor), log_determinant


def inverse_of_lower(factor: Array) -> Array:
    """Inverse of lower triangular matrices, from small blocks on the diagonal upwards.

    Matrix products run side by side far faster than substitutions do, and substitutions
    run fast only where one element of every matrix stands beside the next.
    """
    result = np.zeros_like(factor)
    size = factor.shape[1]
    starts = range(0, size, SMALL)
    blocks = np.zeros((SMALL, SMALL, len(starts), len(factor)))
    blocks[np.arange(SMALL), np.arange(SMALL)] = 1.0  # fills up the last one
    for number, start in enumerate(starts):
        part = factor[:, start : start + SMALL, start : start + SMALL]
        width = part.shape[1]
        blocks[:width, :width, number] = part.transpose(1, 2, 0)
    inverses = _substitute(blocks)
    for number, start in enumerate(starts):
        part = result[:, start : start + SMALL, start : start + SMALL]
        width = part.shape[1]
        part[:] = inverses[:width, :width, number].transpose(2, 0, 1)
    _join(factor, result)
    return result


def _substitute(blocks: Array) -> Array:
    """Inverse of small lower triangular matrices by substitution, row and column first."""
    inverses = np.zeros_like(blocks)
    for row in range(len(blocks)):
        pivot = 1.0 / blocks[row, row]
        for before in range(row):
            inverses[row, : before + 1] -= blocks[row, before] * inverses[before, : before + 1]
        inverses[row, :row] *= pivot
        inverses[row, row] = pivot
    return inverses


def _join(factor: Array, result: Array) -> None:
    """Fill in the inverse below blocks on the diagonal that are inverted already."""
    size = factor.shape[1]
    if size <= SMALL:
        return
    half = SMALL * ((size + 2 * SMALL - 1) // (2 * SMALL))
    _join(factor[:, :half, :half], result[:, :half, :half])
    _join(factor[:, half:, half:], result[:, half:, half:])
    beside = factor[:, half:, :half] @ result[:, :half, :half]
    np.negative(result[:, half:, half:] @ beside, out=result[:, half:, :half])


def solve(matrices: Array, vectors: Array) -> Array:
    """Solution of matrix times x = vector, tube by tube."""
    return np.asarray(np.linalg.solve(matrices, vectors[:, :, None])[:, :, 0], dtype=np.float64)


def inverse_of_free(matrix: Array, fixed: Mask) -> Array:
    """Inverse over the free parameters, zero for the others."""
    free = ~fixed
    masked = matrix * free[:, :, None] * free[:, None, :]
    diagonal = np.arange(matrix.shape[1])
    masked[:, diagonal, diagonal] += ~free
    return np.asarray(inverse(masked) * free[:, :, None] * free[:, None, :])
