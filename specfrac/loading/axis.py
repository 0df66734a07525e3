"""The wavelength axis: is this one, in which unit, and is it UV-visible?"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from specfrac.errors import ScanFileError

# Rules of ours, common practice, no source: spectrometers of this trade cover 190-1100 nm,
# some reach 3300 nm; below 150 nm air does not let light through.
LOWEST_NM = 150.0
HIGHEST_NM = 3300.0
HIGHEST_UNNAMED_NM = 1400.0
"""Beyond it, an axis without a unit may as well be infrared wavenumbers."""

LOWEST_UV_VISIBLE_PER_CM = 12_500.0
"""1/cm, 800 nm: a UV-visible scan against wavenumber reaches past it."""

NM_CM = 1e7
"""nm per cm, by definition: wavelength in nm times wavenumber in 1/cm."""


def looks_like_axis(values: NDArray[np.float64], *, strict: bool) -> bool:
    """Whether a column without heading can be wavelengths in nm.

    Parameters
    ----------
    values : ndarray
        NaN at the end is allowed.
    strict : bool
        Whether the values must all rise or all fall; otherwise they only have
        to be mostly different.
    """
    known = values[np.isfinite(values)]
    if known.size < 2 or known.min() < LOWEST_NM or known.max() > HIGHEST_NM:
        return False
    if strict:
        steps = np.diff(known)
        return bool((steps > 0).all() or (steps < 0).all())
    return np.unique(known).size > 0.5 * known.size and np.unique(known).size >= 10


def refuse_wavenumbers(values: NDArray[np.float64], file: str, points: Sequence[int]) -> None:
    """Refuse by name a first column without heading that looks like wavenumbers."""
    known = values[np.isfinite(values)]
    steps = np.diff(known)
    ordered = known.size > 1 and bool((steps > 0).all() or (steps < 0).all())
    if ordered and known.min() > 0 and HIGHEST_UNNAMED_NM < known.max() <= NM_CM / LOWEST_NM:
        check_range(known, None, file, points)


def check_range(
    values: NDArray[np.float64],
    unit: str | None,
    file: str,
    points: Sequence[int],
    *,
    word: str = "rows",
) -> None:
    """Refuse an axis that is infrared, or no wavelength at all.

    Raises
    ------
    ScanFileError
    """
    low, high = float(np.fmin.reduce(values)), float(np.fmax.reduce(values))
    if np.isnan(low):
        return
    if unit in ("nm", None, "?") and low >= LOWEST_NM and high <= HIGHEST_UNNAMED_NM:
        return
    where = f"{file}, {word} {points[0]}-{points[len(points) - 1]}"
    if unit in ("eV", "Hz"):
        raise ScanFileError(
            f"{where}: the axis is in {unit}, but only nm, µm, ångström and 1/cm are read. "
            "Export the scan against wavelength in nm."
        )
    if unit == "1/cm":
        if low <= 0 or NM_CM / low > HIGHEST_NM or high < LOWEST_UV_VISIBLE_PER_CM:
            raise ScanFileError(
                f"{where}: the axis runs from {low:g} to {high:g} 1/cm, which is infrared, not "
                "UV-visible. Give a UV-visible scan."
            )
        return
    factor = {"um": 1000.0, "angstrom": 0.1}.get(unit or "", 1.0)
    if low <= 0:
        raise ScanFileError(
            f"{where}: the wavelengths run from {low:g} to {high:g}, but must be above zero. "
            "Check which column holds wavelengths in nm."
        )
    limit = HIGHEST_NM if unit in ("nm", "um", "angstrom") else HIGHEST_UNNAMED_NM
    if high * factor > limit:
        advice = (
            "Give a UV-visible scan."
            if limit == HIGHEST_NM
            else "If it is wavelength in nm, say so in the heading, such as 'wavelength_nm'."
        )
        raise ScanFileError(
            f"{where}: the axis runs from {low * factor:g} to {high * factor:g}, past "
            f"{limit:g} nm, which points to an infrared range or to wavenumbers. {advice}"
        )
    if unit is not None and low * factor < LOWEST_NM:
        raise ScanFileError(
            f"{where}: the wavelengths start at {low * factor:g} nm, but none of this trade lies "
            f"below {LOWEST_NM:g} nm. Check which column holds wavelengths, and their unit."
        )


def to_nm(values: NDArray[np.float64], unit: str | None) -> NDArray[np.float64]:
    """Return the axis in nm; the unit was checked by `check_range`."""
    if unit == "1/cm":
        return NM_CM / values
    if unit == "um":
        return values * 1000.0
    if unit == "angstrom":
        return values / 10.0
    return values
