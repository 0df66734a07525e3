"""Band shapes: from a fit, known by their maxima, moved to another solvent."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from specfrac.bands import BandFit, fit_bands, gaussian_bands

Array = NDArray[np.float64]

# Settings of the fits: the residual aimed at, and widths that keep a shape smooth enough for a
# Taylor series in its shift.
TARGET_RMS = 0.0015
MIN_WIDTH = 4.0
MAX_WIDTH = 60.0
MAX_BANDS = 16
# A shape that has fallen below this at its red end is known to be zero beyond it.
RED_END = 0.005
SORET_LIMIT = 490.0
GRID = np.arange(300.0, 800.0, 0.05)
# Published maxima are rounded to 1 nm, so a spacing of bands II and III is known to about 1 nm.
# One that differs by more from the source's is not believed: the vibronic spacing of a chain
# hardly depends on the solvent.
SPACING_TOLERANCE = 1.5
NARROWEST = 3.5
MOST_BROADENING = 100.0  # nm^2 added to the variance of a band
NEGLIGIBLE_HEIGHT = 1e-5


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """Bands of a pigment in a solvent, without scale.

    Attributes
    ----------
    centre, height, width : ndarray, shape (n_bands,)
    region : tuple of str
    valid_from, valid_to : float
        nm.
    """

    centre: Array
    height: Array
    width: Array
    region: tuple[str, ...]
    valid_from: float
    valid_to: float

    def __call__(self, wavelength: ArrayLike) -> Array:
        return gaussian_bands(wavelength, self.centre, self.height, self.width)

    @property
    def main_maximum(self) -> float:
        """Wavelength of the highest point in the valid range, nm, to 0.05 nm."""
        grid = self.grid()
        return float(grid[np.argmax(self(grid))])

    def normalised(self) -> Shape:
        """Return the shape with 1 at its main maximum."""
        return replace(self, height=self.height / self(self.grid()).max())

    def grid(self) -> Array:
        """Return wavelengths of the valid range in steps of 0.05 nm, nm."""
        return GRID[(self.valid_from <= GRID) & (self.valid_to >= GRID)]


@dataclass(frozen=True, slots=True)
class Maxima:
    """Positions a shape is known by, nm; NaN where there is none.

    For carotenoids `main` and `second` are bands II and III, and `ratio` is %III/II;
    for chlorophyll types the Soret and red maxima, and `ratio` is Soret over red.
    """

    main: float
    second: float
    ratio: float


@dataclass(frozen=True, slots=True)
class Flank:
    """How high the red band of a chlorophyll type stands beside its maximum.

    Attributes
    ----------
    distance : float
        nm from the red maximum, positive to the red.
    height : float
        Over that of the red maximum.
    """

    distance: float
    height: float


def fit_shape_bands(
    wavelength: ArrayLike,
    values: ArrayLike,
    *,
    target: float = TARGET_RMS,
    evidence: float = 0.0,
) -> BandFit:
    """Fit the bands of a spectrum that is to become a shape, with the library's settings.

    Parameters
    ----------
    wavelength, values : array_like, shape (n_points,)
        The offset removed.
    target : float
        Relative rms residual that is good enough.
    evidence : float
        As in `fit_bands`.
    """
    return fit_bands(
        wavelength,
        values,
        target=target,
        evidence=evidence,
        max_bands=MAX_BANDS,
        min_width=MIN_WIDTH,
        max_width=MAX_WIDTH,
    )


def shape_from_fit(
    fit: BandFit, *, chlorophyll_type: bool, valid_from: float, valid_to: float
) -> Shape:
    """Return the shape of a fitted spectrum, 1 at its main maximum.

    The range is open to the red where the shape has died out.
    """
    keep = fit.height > NEGLIGIBLE_HEIGHT * fit.height.max()
    centre = fit.centre[keep]
    region = tuple("whole" if not chlorophyll_type else _region(c) for c in centre)
    shape = Shape(centre, fit.height[keep], fit.width[keep], region, valid_from, valid_to)
    shape = shape.normalised()
    dead = float(shape([valid_to])[0]) < RED_END
    return replace(shape, valid_to=math.inf if dead else valid_to)


def _region(centre: float) -> str:
    return "soret" if centre < SORET_LIMIT else "red"


def local_maximum(wavelength: Array, values: Array, low: float, high: float) -> float:
    """Position of the highest inner local maximum between two wavelengths, nm, or NaN.

    The vertex of a parabola through the highest point and its neighbours.
    """
    inner = (values[1:-1] >= values[:-2]) & (values[1:-1] > values[2:])
    at = np.flatnonzero(inner) + 1
    at = at[(wavelength[at] >= low) & (wavelength[at] <= high)]
    if at.size == 0:
        return math.nan
    top = at[np.argmax(values[at])]
    around = slice(top - 1, top + 2)
    second, first, _ = np.polyfit(wavelength[around] - wavelength[top], values[around], 2)
    return float(wavelength[top] - first / (2 * second))


def find_maxima(wavelength: Array, values: Array, *, chlorophyll_type: bool) -> Maxima:
    """Find the maxima a curve is known by; the curve should be smooth.

    Parameters
    ----------
    wavelength, values : ndarray, shape (n_points,)
    chlorophyll_type : bool
    """

    def at(position: float) -> float:
        return (
            float(np.interp(position, wavelength, values)) if math.isfinite(position) else math.nan
        )

    if chlorophyll_type:
        soret = local_maximum(wavelength, values, 395.0, SORET_LIMIT)
        red = local_maximum(wavelength, values, 630.0, 690.0)
        return Maxima(soret, red, at(soret) / at(red))
    main = local_maximum(wavelength, values, 425.0, 460.0)
    third = local_maximum(wavelength, values, main + 15.0, main + 45.0)
    if math.isnan(third):
        return Maxima(main, math.nan, math.nan)
    valley = values[(wavelength > main) & (wavelength < third)].min()
    return Maxima(main, third, float(100 * (at(third) - valley) / (at(main) - valley)))


def smoothed(wavelength: Array, values: Array) -> Array:
    """Smooth by a local parabola over about 6 nm, for finding maxima (Savitzky and Golay 1964)."""
    from scipy.signal import savgol_filter

    step = float(np.median(np.diff(wavelength)))
    window = 2 * max(round(3.0 / step), 1) + 1
    return np.asarray(savgol_filter(values, max(window, 5), 2), dtype=np.float64)


def shape_maxima(shape: Shape) -> Maxima:
    """Find the maxima of a shape."""
    grid = shape.grid()
    return find_maxima(grid, shape(grid), chlorophyll_type="red" in shape.region)


def flank_height(shape: Shape, distance: float) -> float:
    """Return how high a shape stands beside its red maximum, over that maximum.

    Parameters
    ----------
    shape : Shape
        Of a chlorophyll type.
    distance : float
        nm from the red maximum.
    """
    red = shape_maxima(shape).second
    beside, top = shape([red + distance, red])
    return float(beside / top)


def adapted_shape(source: Shape, target: Maxima, flank: Flank | None = None) -> Shape:
    """Move a shape to the maxima another solvent has.

    Carotenoids: the bands move by the shift of band II, from band II to band III linearly to
    that of band III. When no band III is known, or its distance to band II is not that
    of the source, all move by the shift of band II. Then every variance σ² gets the
    same addition, of either sign and with the area kept, until %III/II is the target's.

    Chlorophyll types: the Soret and the red region each move by the shift of their
    maximum; every variance gets the same addition until the red band stands as high beside
    its maximum as `flank` says; the ratio of the regions is set to the target's by a factor
    on the Soret region.

    Parameters
    ----------
    source : Shape
    target : Maxima
        NaN for what is not known, which then stays as it is.
    flank : Flank, optional
        Of a chlorophyll type; without it the breadth stays as it is.

    Returns
    -------
    Shape
        1 at its main maximum; the range starts where the source's did, moved along.
    """
    move = _moved_regions if "red" in source.region else _moved_vibronic
    shape = source
    for _ in range(6):
        shape = move(shape, target)
        if flank is not None:
            shape = move(_with_flank(shape, flank), target)
    shift = shape_maxima(shape).main - shape_maxima(source).main
    return replace(
        shape.normalised(), valid_from=math.ceil(source.valid_from + max(shift, 0.0) - 1e-6)
    )


def _moved_regions(shape: Shape, target: Maxima) -> Shape:
    now = shape_maxima(shape)
    soret = np.array([region == "soret" for region in shape.region])
    shift = np.where(soret, _known(target.main - now.main), _known(target.second - now.second))
    factor = 1.0 if math.isnan(target.ratio) else target.ratio / now.ratio
    height = np.where(soret, factor, 1.0) * shape.height
    return replace(shape, centre=shape.centre + shift, height=height)


def _moved_vibronic(shape: Shape, target: Maxima) -> Shape:
    now = shape_maxima(shape)
    main = _known(target.main - now.main)
    spacing = target.second - target.main - (now.second - now.main)
    third = main + spacing if abs(spacing) <= SPACING_TOLERANCE else main
    shift = np.interp(shape.centre, [now.main, now.second], [main, third])
    moved = replace(shape, centre=shape.centre + shift)
    return moved if math.isnan(target.ratio) else _with_fine_structure(moved, target.ratio)


def _with_fine_structure(shape: Shape, wanted: float) -> Shape:
    """Broaden or sharpen all bands alike until %III/II is as wanted."""
    # not "<=": once the valley between them is gone, nothing is left to broaden for
    return _broadened_until(shape, lambda trial: not shape_maxima(trial).ratio > wanted)


def _with_flank(shape: Shape, flank: Flank) -> Shape:
    """Broaden or sharpen all bands alike until the red flank is as high as wanted."""
    return _broadened_until(
        shape, lambda trial: flank_height(trial, flank.distance) >= flank.height
    )


def _broadened_until(shape: Shape, enough: Callable[[Shape], bool]) -> Shape:
    """Return the shape with the least addition to its variances that is enough, by bisection."""
    low = NARROWEST**2 - float(shape.width.min()) ** 2
    high = MOST_BROADENING
    for _ in range(40):
        middle = (low + high) / 2
        if enough(_broadened(shape, middle)):
            high = middle
        else:
            low = middle
    return _broadened(shape, (low + high) / 2)


def _broadened(shape: Shape, variance: float) -> Shape:
    width = np.sqrt(np.maximum(shape.width**2 + variance, NARROWEST**2))
    return replace(shape, width=width, height=shape.height * shape.width / width)


def _known(value: float) -> float:
    return 0.0 if math.isnan(value) else value
