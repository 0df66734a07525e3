"""Linear algebra on many small matrices side by side; the first axis counts the tubes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
SMALL = 8  # rows of a matrix that is inverted whole


def apply(matrices: Array, vectors: Array) -> Array:
    """Matrix times vector, tube by tube."""
    return np.asarray((matrices @ vectors[:, :, None])[:, :, 0])


def apply_left(vectors: Array, matrices: Array) -> Array:
    """Vector times matrix, tube by tube."""
    return np.asarray((vectors[:, None, :] @ matrices)[:, 0, :])


def dot(first: Array, second: Array) -> Array:
    """Inner product, tube by tube."""
    return np.asarray((first * second).sum(axis=1))


def inverse(matrices: Array) -> Array:
    """Inverse, tube by tube."""
    return np.asarray(np.linalg.inv(matrices), dtype=np.float64)


def inverse_of_positive(matrices: Array) -> tuple[Array, Array]:
    """Inverse of positive definite matrices and the logarithm of their determinants.

    From the Cholesky factor, whose inverse is taken half by half: matrix products run
    side by side far faster than substitutions do.
    """
    factor = np.asarray(np.linalg.cholesky(matrices), dtype=np.float64)
    lower = _inverse_lower(factor)
    log_determinant = 2 * np.log(np.einsum("ijj->ij", factor)).sum(axis=1)
    return np.asarray(lower.transpose(0, 2, 1) @ lower), log_determinant


def _inverse_lower(factor: Array) -> Array:
    """Inverse of lower triangular matrices."""
    size = factor.shape[1]
    if size <= SMALL:
        return inverse(factor)
    half = size // 2
    result = np.zeros_like(factor)
    first = result[:, :half, :half] = _inverse_lower(factor[:, :half, :half])
    last = result[:, half:, half:] = _inverse_lower(factor[:, half:, half:])
    result[:, half:, :half] = -last @ (factor[:, half:, :half] @ first)
    return result


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
