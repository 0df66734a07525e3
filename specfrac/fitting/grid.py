"""What every tube measured on the same grids shares: curves, and their products."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from specfrac.fitting import model
from specfrac.fitting.blocks import Blocks, Products, blocks_of
from specfrac.fitting.noise import SPREAD_SPACING, NoiseGrid, noise_grid, shape_modes

Array = NDArray[np.float64]

SEARCH_STEP_NM, SEARCH_WIDTH_NM = 8.0, 10.6  # unassigned bands: comb, and FWHM of 25 nm
EXCESS_WIDTH_NM = 5.0  # standard deviation over which left-over absorbance is averaged
MOST_EXPANSIONS = 12  # kept; each holds some megabytes of products


@dataclass(frozen=True, slots=True, eq=False)
class Expansion:
    """The basis of the model around one point, and its products with the other curves.

    Attributes
    ----------
    basis : ndarray, shape (n_columns, n_points)
    block_means : ndarray, shape (n_columns, n_blocks)
    gram : Products
        Basis and basis.
    cross : Products
        Modes of the shape error and basis.
    search : Products
        Bands of the search and basis.
    """

    basis: Array
    block_means: Array
    gram: Products
    cross: Products
    search: Products


@dataclass(slots=True, eq=False)
class Grid:
    """Grids of the scans of one tube, with all that does not depend on the readings.

    Attributes
    ----------
    layout : model.Layout
    wavelengths : tuple of ndarray
        Grid of each scan of a tube; other arrays hold them one after the other.
    factors : tuple of float
        Path length over dilution factor of each scan, relative to the amplitudes.
    bandwidth : float or None
    blocks : Blocks
        Neighbouring points that share one error.
    comb : ndarray, shape (n_modes, n_points)
        Modes of the shape error's correlation.
    comb_gram : Products
    spread_means : ndarray, shape (n_spread_modes, n_blocks)
        Modes to propagate the shape error with, means over the blocks: they need not span
        every direction and stand further apart.
    search_places : ndarray, shape (n_places,)
        Wavelengths at which bands of no candidate are looked for, nm.
    search_bands : ndarray, shape (n_places, n_points)
    search_modes : Products
        Modes of the shape error and bands of the search.
    search_power : ndarray, shape (n_places, n_blocks)
        Sum of a band's squares over each block.
    scan_slices, block_slices : tuple of slice
        Where each scan stands among the points, and among the blocks.
    steps : ndarray, shape (n_blocks,)
        nm that each block covers.
    excess : tuple of ndarray, shape (n_blocks of the scan, n_blocks of the scan)
        Weights over which left-over absorbance is averaged.
    noise : tuple of NoiseGrid
        One for each scan of a tube.
    """

    layout: model.Layout
    wavelengths: tuple[Array, ...]
    factors: tuple[float, ...]
    bandwidth: float | None
    blocks: Blocks
    comb: Array
    comb_gram: Products
    spread_means: Array
    search_places: Array
    search_bands: Array
    search_modes: Products
    search_power: Array
    scan_slices: tuple[slice, ...]
    block_slices: tuple[slice, ...]
    steps: Array
    excess: tuple[Array, ...]
    noise: tuple[NoiseGrid, ...]
    _expansions: OrderedDict[tuple[float, ...], Expansion] = field(default_factory=OrderedDict)

    @property
    def n_points(self) -> int:
        return self.comb.shape[1]

    def expansion(self, point: Array) -> Expansion:
        """Return the basis around shifts and broadening, shape (n_shift_groups + 1,)."""
        key = tuple(point.tolist())
        found = self._expansions.get(key)
        if found is None:
            basis = model.basis(
                self.layout,
                self.wavelengths,
                self.factors,
                centres=point[:-1],
                variance=float(point[-1]),
                bandwidth=self.bandwidth,
            )
            found = Expansion(
                basis,
                self.blocks.means(basis),
                Products(basis, basis, self.blocks),
                Products(self.comb, basis, self.blocks),
                Products(self.search_bands, basis, self.blocks),
            )
            self._expansions[key] = found
            if len(self._expansions) > MOST_EXPANSIONS:
                self._expansions.popitem(last=False)
        self._expansions.move_to_end(key)
        return found


def grid_of(
    layout: model.Layout,
    wavelengths: tuple[Array, ...],
    factors: tuple[float, ...],
    bandwidth: float | None,
    block_change: float,
) -> Grid:
    """Return the grid of tubes with these scans.

    Parameters
    ----------
    layout : model.Layout
    wavelengths : tuple of ndarray
    factors : tuple of float
    bandwidth : float or None
    block_change : float
        Of `blocks_of`; zero makes every point a block of its own.
    """
    stacked = np.concatenate(wavelengths)
    blocks = blocks_of(wavelengths, _shapes(layout, stacked), block_change)
    comb = shape_modes(stacked)
    points_of = _scan_slices(wavelengths)
    blocks_of_scan = tuple(
        slice(*np.searchsorted(blocks.starts, [points.start, points.stop]).tolist())
        for points in points_of
    )
    first = np.ceil(stacked.min() / SEARCH_STEP_NM) * SEARCH_STEP_NM
    places = np.arange(first, stacked.max(), SEARCH_STEP_NM)
    bands = bands_at(wavelengths, factors, places, SEARCH_WIDTH_NM)
    return Grid(
        layout,
        wavelengths,
        factors,
        bandwidth,
        blocks,
        comb,
        Products(comb, comb, blocks),
        blocks.means(shape_modes(stacked, spacing=SPREAD_SPACING)),
        places,
        bands,
        Products(comb, bands, blocks),
        blocks.sums(bands**2),
        points_of,
        blocks_of_scan,
        blocks.sums(np.concatenate([np.gradient(w) for w in wavelengths])),
        tuple(_averaging(blocks.means(stacked)[part]) for part in blocks_of_scan),
        tuple(
            noise_grid(wavelength, blocks.part(points.start, points.stop), comb[:, points])
            for wavelength, points in zip(wavelengths, points_of, strict=True)
        ),
    )


def _averaging(places: Array) -> Array:
    """Gaussian weights between places, nm."""
    return model.gaussian((places[:, None] - places[None, :]) / EXCESS_WIDTH_NM)


def _shapes(layout: model.Layout, wavelength: Array) -> Array:
    """Band shapes of the candidates where their references have them, (n_pigments, n_points)."""
    shapes = np.zeros((layout.n_pigments, wavelength.size))
    for part in layout.components:
        shapes[part.pigment] += model.shape_derivatives(
            wavelength, part.centre, part.height, part.width, order=0
        )[0]
    return shapes


def _scan_slices(wavelengths: tuple[Array, ...]) -> tuple[slice, ...]:
    ends = np.cumsum([w.size for w in wavelengths])
    return tuple(
        slice(int(end - w.size), int(end)) for end, w in zip(ends, wavelengths, strict=True)
    )


def bands_at(
    wavelengths: tuple[Array, ...], factors: tuple[float, ...], places: Array, width: float
) -> Array:
    """Gaussian bands on the stacked grid, shape (n_places, n_points)."""
    rows = [
        factor * model.gaussian((grid[None, :] - places[:, None]) / width, end=model.EDGE)
        for grid, factor in zip(wavelengths, factors, strict=True)
    ]
    return np.concatenate(rows, axis=1)
