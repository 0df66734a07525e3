"""Linear algebra on many small matrices side by side; the first axis counts the tubes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


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
