"""Elution profile: mass of each pigment against the volume that came off the column.

A tube collects over a range of volume, so a profile is a histogram. The centre of a
band is the mean volume weighted by mass; its width is the standard deviation, freed
of the part that the width of the tubes puts in (Sheppard's correction).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from uncertainties.core import AffineScalarFunc
from uncertainties.umath import sqrt

from specfrac.errors import InputError
from specfrac.pooling import correlated_mass
from specfrac.tubes import Bench, MeasuredTube
from specfrac.uncertainty import Quantity, quantity

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

ELUTED_VOLUME = "eluted volume"
VOID_VOLUME = "void volume"
BASE_WIDTHS = 4.0  # a band is counted four standard deviations wide at its base
OFF_COLUMN = ("cut", "wash")


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """One pigment coming off the column.

    Attributes
    ----------
    pigment : str
    masses : tuple of Quantity or None
        µg in each tube of the profile, of counted estimates; None where the tube
        was not measured.
    total : Quantity
        µg in the tubes where the pigment was detected.
    centre : Quantity
        mL.
    width : Quantity or None
        Standard deviation, mL; None when the band is narrower than its tubes.
    column_volumes : Quantity or None
        Centre over void volume.
    tubes : int
        Number of tubes in which the pigment was detected.
    complete : bool
        False when the first or the last tube still holds much of it, so that centre and
        width describe only a part of the band.
    """

    pigment: str
    masses: tuple[Quantity | None, ...]
    total: Quantity
    centre: Quantity
    width: Quantity | None
    column_volumes: Quantity | None
    tubes: int
    complete: bool


@dataclass(frozen=True, slots=True, eq=False)
class Neighbours:
    """Two bands that follow one another.

    Attributes
    ----------
    first, second : str
        Pigment keys, by rising volume.
    resolution : Quantity or None
        Distance of the centres over the mean width at the base; 1.5 and more is clean.
        None when a width is not known.
    overlap : float
        Share of the two bands that lies in common tubes: the sum over tubes of the
        smaller of the two shares; 0 apart, 1 together.
    """

    first: str
    second: str
    resolution: Quantity | None
    overlap: float


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """The elution profile of a run.

    Attributes
    ----------
    names : tuple of str
        Tubes by rising volume.
    start, end : ndarray, shape (n_tubes,)
        mL that had come off when the tube was put under and when it was full.
    bands : tuple of Band
        By rising centre.
    neighbours : tuple of Neighbours
    left_out : tuple of str
        Cuts and washes without an eluted volume.
    """

    names: tuple[str, ...]
    start: Array
    end: Array
    bands: tuple[Band, ...]
    neighbours: tuple[Neighbours, ...]
    left_out: tuple[str, ...]

    def band(self, pigment: str) -> Band | None:
        """Return the band of one pigment, or None."""
        return next((one for one in self.bands if one.pigment == pigment), None)

    def _repr_html_(self) -> str:
        """Show the profile in a notebook."""
        from specfrac.report import elution_fragment

        return elution_fragment(self)

    def to_frame(self) -> pd.DataFrame:
        """Return a row a pigment and tube; the mass is NaN where the tube was not measured."""
        import pandas as pd

        rows = [
            (band.pigment, name, start, end, *_pair(mass))
            for band in self.bands
            for name, start, end, mass in zip(
                self.names, self.start, self.end, band.masses, strict=True
            )
        ]
        return pd.DataFrame(rows, columns=PROFILE_COLUMNS)

    def bands_frame(self) -> pd.DataFrame:
        """Return a row a band, by rising centre; resolution and overlap with the one before."""
        import pandas as pd

        before = {pair.second: pair for pair in self.neighbours}
        rows = []
        for band in self.bands:
            pair = before.get(band.pigment)
            apart = pair.resolution if pair else None
            figures = (band.total, band.centre, band.width, band.column_volumes, apart)
            overlap = pair.overlap if pair else np.nan
            values = [value for one in figures for value in _pair(one)]
            rows.append((band.pigment, band.tubes, band.complete, *values, overlap))
        return pd.DataFrame(rows, columns=BAND_COLUMNS)


PROFILE_COLUMNS = (
    "pigment", "tube", "start_ml", "end_ml", "mass_ug", "mass_standard_uncertainty_ug",
)  # fmt: skip
BAND_COLUMNS = (
    "pigment", "tubes", "complete", "total_ug", "total_standard_uncertainty_ug", "centre_ml",
    "centre_standard_uncertainty_ml", "width_ml", "width_standard_uncertainty_ml",
    "column_volumes", "column_volumes_standard_uncertainty", "resolution",
    "resolution_standard_uncertainty", "overlap",
)  # fmt: skip


def _pair(given: Quantity | None) -> tuple[float, float]:
    return (np.nan, np.nan) if given is None else (given.value, given.uncertainty)


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """Mass, centre and width of a band as correlated variables.

    Attributes
    ----------
    total, centre : AffineScalarFunc
        µg, mL.
    width : AffineScalarFunc or None
        mL; None when the band is narrower than its tubes.
    """

    total: AffineScalarFunc
    centre: AffineScalarFunc
    width: AffineScalarFunc | None


def moments(
    masses: Sequence[AffineScalarFunc],
    starts: Sequence[AffineScalarFunc | float],
    ends: Sequence[AffineScalarFunc | float],
) -> Moments:
    """Return mass, centre and width of a band collected in tubes.

    c = Σ m v / Σ m, v the middle of a tube;
    w² = Σ m (v - c)² / Σ m - Σ m h² / (12 Σ m), h the volume of a tube.

    Parameters
    ----------
    masses : sequence of AffineScalarFunc, length n_tubes
        µg; their sum must be above zero.
    starts, ends : sequence of AffineScalarFunc or float, length n_tubes
        mL.

    Returns
    -------
    Moments

    Raises
    ------
    InputError
        If the masses do not sum to more than zero.

    References
    ----------
    W. F. Sheppard, Proc. London Math. Soc. 29 (1898) 353.
    """
    total = sum(masses[1:], masses[0])
    if not total.nominal_value > 0:
        raise InputError(
            f"the masses of the band sum to {total.nominal_value:g} µg; nothing is in it."
        )
    middles = [(a + b) / 2 for a, b in zip(starts, ends, strict=True)]
    heights = [b - a for a, b in zip(starts, ends, strict=True)]
    centre = sum(m * v for m, v in zip(masses, middles, strict=True)) / total
    spread = sum(
        m * ((v - centre) ** 2 - h**2 / 12)
        for m, v, h in zip(masses, middles, heights, strict=True)
    )
    variance = spread / total
    width = sqrt(variance) if variance.nominal_value > 0 and len(masses) > 1 else None
    return Moments(total, centre, width)


def resolution(first: Moments, second: Moments) -> AffineScalarFunc | None:
    """Return the resolution of two bands, or None when a width is not known.

    R = (c2 - c1) / ((b1 + b2) / 2), b = 4 w the width at the base.
    """
    if first.width is None or second.width is None:
        return None
    return (second.centre - first.centre) / (BASE_WIDTHS * (first.width + second.width) / 2)


def elution_profile(tubes: Sequence[MeasuredTube], bench: Bench) -> Profile | None:
    """Return the elution profile of a run.

    The eluted volume of a tube is the volume that had come off the column when it was
    full; the first tube begins at zero.

    Parameters
    ----------
    tubes : sequence of MeasuredTube
    bench : Bench

    Returns
    -------
    Profile or None
        None with fewer than two tubes of known eluted volume.
    """
    off = [tube for tube in tubes if tube.fraction.role in OFF_COLUMN]
    placed = sorted(
        (tube for tube in off if tube.fraction.eluted_volume),
        key=lambda tube: _end(tube).value,
    )
    if len(placed) < 2:
        return None
    ends = [
        bench.shared.measured(
            _end(tube).value, _end(tube).uncertainty, ELUTED_VOLUME, tube.fraction.name
        )
        for tube in placed
    ]
    starts = [0.0, *ends[:-1]]
    found = [(_band(key, placed, starts, ends, bench), key) for key in _pigments(placed)]
    pairs = sorted(
        ((band, moment) for (band, moment), _ in found), key=lambda pair: pair[0].centre.value
    )
    return Profile(
        names=tuple(tube.fraction.name for tube in placed),
        start=np.array([float(getattr(one, "nominal_value", one)) for one in starts]),
        end=np.array([one.nominal_value for one in ends]),
        bands=tuple(band for band, _ in pairs),
        neighbours=tuple(_neighbours(*pair) for pair in pairwise(pairs)),
        left_out=tuple(tube.fraction.name for tube in off if tube not in placed),
    )


def _end(tube: MeasuredTube) -> Quantity:
    volume = tube.fraction.eluted_volume
    assert volume is not None
    return volume


def _has(tube: MeasuredTube, pigment: str) -> bool:
    """Return whether a tube holds the pigment, detected and with a mass."""
    fit = tube.fit
    if fit is None or tube.content is None or tube.content.volume is None:
        return False
    if pigment not in fit.pigments:
        return False
    position = fit.pigments.index(pigment)
    return bool(fit.detected[position]) and fit.references.entries[position].for_mass


def _pigments(tubes: Sequence[MeasuredTube]) -> list[str]:
    keys = dict.fromkeys(key for tube in tubes if tube.fit for key in tube.fit.pigments)
    return [key for key in keys if any(_has(tube, key) for tube in tubes)]


def _band(
    pigment: str,
    tubes: Sequence[MeasuredTube],
    starts: Sequence[AffineScalarFunc | float],
    ends: Sequence[AffineScalarFunc],
    bench: Bench,
) -> tuple[Band, Moments]:
    held = [
        correlated_mass(tube.content, (pigment,))
        if tube.content is not None and tube.content.volume is not None
        else None
        for tube in tubes
    ]
    # far from the band noise alone would decide its width, so only tubes count that show it
    shown = [i for i, tube in enumerate(tubes) if _has(tube, pigment)]
    masses = [mass for i in shown if (mass := held[i]) is not None]
    found = moments(masses, [starts[i] for i in shown], [ends[i] for i in shown])
    largest = max(mass.nominal_value for mass in masses)
    edges = [mass for i, mass in zip(shown, masses, strict=True) if i in (0, len(tubes) - 1)]
    most = bench.run.settings["band_edge_max"] * largest  # more at an end cuts a band off
    void = bench.run.void_volume
    return (
        Band(
            pigment=pigment,
            masses=tuple(quantity(mass, "µg") if mass is not None else None for mass in held),
            total=quantity(found.total, "µg"),
            centre=quantity(found.centre, "mL"),
            width=quantity(found.width, "mL") if found.width is not None else None,
            column_volumes=quantity(
                found.centre / bench.shared.measured(void.value, void.uncertainty, VOID_VOLUME), ""
            )
            if void
            else None,
            tubes=len(shown),
            complete=all(edge.nominal_value <= most for edge in edges),
        ),
        found,
    )


def _neighbours(first: tuple[Band, Moments], second: tuple[Band, Moments]) -> Neighbours:
    (one, one_moments), (other, other_moments) = first, second
    apart = resolution(one_moments, other_moments)
    return Neighbours(
        one.pigment,
        other.pigment,
        quantity(apart, "") if apart is not None else None,
        overlap(
            [mass.value if mass else 0.0 for mass in one.masses],
            [mass.value if mass else 0.0 for mass in other.masses],
        ),
    )


def overlap(first: Sequence[float], second: Sequence[float]) -> float:
    """Return the common share of two bands over the same tubes.

    Σ min(p, q), p and q the shares of each band in each tube; estimates below zero
    count as zero.

    Examples
    --------
    >>> overlap([1.0, 1.0, 0.0], [0.0, 1.0, 1.0])
    0.5
    """
    one, other = np.maximum(first, 0.0), np.maximum(second, 0.0)
    if not (one.sum() > 0 and other.sum() > 0):
        return 0.0
    return float(np.minimum(one / one.sum(), other / other.sum()).sum())
