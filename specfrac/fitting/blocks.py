"""Blocks of neighbouring points that share one error, and sums over them.

The variance of a reading changes slowly along a spectrum, so one value a block does. The
model itself stays exact at every point: sums of weight times two curves become sums over
blocks of curves multiplied once and for all, for every tube of a grid.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Index = NDArray[np.intp]
T = TypeVar("T", np.float64, np.bool_)

BLOCK_CHANGE = 0.1  # of a shape's maximum; what a narrow band's flank does in 1.3 nm
WIDEST_BLOCK_NM = 5.0
WORTH_A_TABLE = 24  # tubes from which multiplying the curves beforehand pays
TOGETHER = 8  # left curves a table


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """A partition of the points of one tube's scans into runs of neighbours.

    Attributes
    ----------
    starts : ndarray of int, shape (n_blocks,)
    sizes : ndarray of int, shape (n_blocks,)
    """

    starts: Index
    sizes: Index

    def sums(self, values: Array) -> Array:
        """Sum over each block, shape (..., n_blocks)."""
        return np.asarray(np.add.reduceat(values, self.starts, axis=-1))

    def means(self, values: Array) -> Array:
        """Mean over each block, shape (..., n_blocks)."""
        return self.sums(values) / self.sizes

    def spread(self, values: NDArray[T]) -> NDArray[T]:
        """The block's value at each of its points, shape (..., n_points)."""
        return np.repeat(values, self.sizes, axis=-1)

    def apart(self, curves: Array) -> Array:
        """Curves cut into blocks, filled up with zeros, shape (n_blocks, n, longest)."""
        place = self.starts[:, None] + np.arange(int(self.sizes.max()))
        outside = place >= (self.starts + self.sizes)[:, None]
        cut = curves[:, np.minimum(place, curves.shape[1] - 1)]
        return np.ascontiguousarray(np.where(outside, 0.0, cut).transpose(1, 0, 2))

    def part(self, begin: int, end: int) -> Blocks:
        """The blocks of the points from begin to end, which must be borders."""
        first, last = np.searchsorted(self.starts, [begin, end]).tolist()
        return Blocks(self.starts[first:last] - begin, self.sizes[first:last])

    def whole(self, used: Mask) -> Mask:
        """Blocks of which every point is used, shape (..., n_blocks)."""
        return np.asarray(np.logical_and.reduceat(used, self.starts, axis=-1))


def blocks_of(wavelengths: tuple[Array, ...], shapes: Array, change: float) -> Blocks:
    """Cut the grids of one tube's scans into blocks in which no shape changes much.

    Parameters
    ----------
    wavelengths : tuple of ndarray
        Increasing grid of each scan, nm.
    shapes : ndarray, shape (n_shapes, n_points)
        Band shapes of the candidates over their maxima, on the grids one after the other.
    change : float
        Largest change of a shape within a block; zero makes every point a block of its own.
    """
    starts: list[int] = []
    first = 0
    for grid in wavelengths:
        lowest = highest = shapes[:, first]
        starts.append(first)
        for point in range(first, first + grid.size):
            here = shapes[:, point]
            low, high = np.minimum(lowest, here), np.maximum(highest, here)
            wide = grid[point - first] - grid[starts[-1] - first] > WIDEST_BLOCK_NM
            if point > starts[-1] and (wide or (high - low).max() > change or change == 0):
                starts.append(point)
                low = high = here
            lowest, highest = low, high
        first += grid.size
    index = np.array(starts, dtype=np.intp)
    return Blocks(index, np.diff(index, append=first))


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    """Products of a few left curves with the right ones, in the blocks where they are not zero.

    Attributes
    ----------
    columns : slice
        Of the result, one a product.
    blocks : slice
    products : ndarray, shape (n_blocks there, n_products)
    """

    columns: slice
    blocks: slice
    products: Array


@dataclass(slots=True, eq=False)
class Products:
    """Sums over points of weight times a left and a right curve.

    Attributes
    ----------
    left, right : ndarray, shape (n_left, n_points) and (n_right, n_points)
        Left curves that are zero in most places stand side by side.
    blocks : Blocks
    """

    left: Array
    right: Array
    blocks: Blocks
    _tables: tuple[_Table, ...] = field(default=(), init=False)
    _place: Index | None = field(default=None, init=False)

    def weighted(self, weight: Array) -> Array:
        """Sums for the weights of some tubes.

        Parameters
        ----------
        weight : ndarray, shape (n_tubes, n_blocks)
            The same at every point of a block.

        Returns
        -------
        ndarray, shape (n_tubes, n_left, n_right)
        """
        n, n_left, n_right = len(weight), len(self.left), len(self.right)
        if n < WORTH_A_TABLE and not self._tables:
            spread = self.blocks.spread(weight)[:, None, :]
            return np.asarray((self.left * spread) @ self.right.T)
        if not self._tables:
            self._tables = self._half() if self.left is self.right else self._local()
        values = np.empty((n, self._tables[-1].columns.stop))
        for part in self._tables:
            np.matmul(weight[:, part.blocks], part.products, out=values[:, part.columns])
        if self._place is not None:
            # mode "clip" only because it writes without a buffer
            whole = np.empty((n, n_left * n_right))
            values = np.take(values, self._place, axis=1, out=whole, mode="clip")
        return np.asarray(values.reshape(n, n_left, n_right))

    def _local(self) -> tuple[_Table, ...]:
        """Tables of a few left curves each."""
        left, right = self.blocks.apart(self.left), self.blocks.apart(self.right)
        there, n_right = (left != 0).any(axis=2), len(self.right)
        tables = []
        for first in range(0, len(self.left), TOGETHER):
            some = slice(first, min(first + TOGETHER, len(self.left)))
            held = np.flatnonzero(there[:, some].any(axis=1))
            blocks = slice(int(held[0]), int(held[-1]) + 1) if held.size else slice(0, 1)
            products = left[blocks, some] @ right[blocks].transpose(0, 2, 1)
            columns = slice(some.start * n_right, some.stop * n_right)
            tables.append(_Table(columns, blocks, products.reshape(len(products), -1)))
        return tuple(tables)

    def _half(self) -> tuple[_Table, ...]:
        """One table of half of the products of curves with each other."""
        curves = self.blocks.apart(self.left)
        n = len(self.left)
        table = (curves @ curves.transpose(0, 2, 1)).reshape(len(curves), -1)
        row, column = np.triu_indices(n)
        place = np.empty((n, n), dtype=np.intp)
        place[row, column] = place[column, row] = np.arange(row.size)
        self._place = place.ravel()
        half = np.ascontiguousarray(table[:, row * n + column])
        return (_Table(slice(0, row.size), slice(0, len(half)), half),)
