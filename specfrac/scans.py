"""A scan: what an instrument measured, and nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from specfrac.errors import InputError
from specfrac.flags import Flag


@dataclass(frozen=True, slots=True, eq=False)
class Scan:
    """Absorbance against wavelength, as measured.

    A scan holds no solvent and no path length, and no mask: those belong to
    the analysis. Change one with `dataclasses.replace`.

    Attributes
    ----------
    name : str
        Sample name.
    wavelength : ndarray, shape (n_points,)
        nm, finite, strictly increasing.
    absorbance : ndarray, shape (n_points,)
        Decadic. NaN means "not measured".
    metadata : mapping
        What the file said besides, read-only.
    flags : tuple of Flag
        What was noticed while reading.

    Raises
    ------
    InputError
        If the arrays differ in shape, a wavelength is not finite or does not
        increase, or an absorbance is infinite.
    """

    name: str
    wavelength: NDArray[np.float64]
    absorbance: NDArray[np.float64]
    metadata: Mapping[str, Any] = field(default_factory=dict)
    flags: tuple[Flag, ...] = ()

    def __post_init__(self) -> None:
        wavelength = _read_only(self.wavelength)
        absorbance = _read_only(self.absorbance)
        where = f"scan {self.name!r}"
        if wavelength.ndim != 1 or wavelength.shape != absorbance.shape:
            raise InputError(
                f"{where}: wavelength has shape {wavelength.shape} and absorbance "
                f"{absorbance.shape}, but both must be one-dimensional and equally long."
            )
        if wavelength.size < 2:
            raise InputError(f"{where}: {wavelength.size} points; a scan needs at least two.")
        if not np.isfinite(wavelength).all():
            bad = int(np.flatnonzero(~np.isfinite(wavelength))[0])
            raise InputError(f"{where}: wavelength number {bad + 1} is not finite.")
        step = np.diff(wavelength)
        if not (step > 0).all():
            bad = int(np.flatnonzero(step <= 0)[0])
            raise InputError(
                f"{where}: wavelength {wavelength[bad + 1]:g} nm follows {wavelength[bad]:g} nm, "
                "but wavelengths must increase. Sort the points and remove repeats."
            )
        if wavelength[0] <= 0:
            raise InputError(f"{where}: wavelength {wavelength[0]:g} nm must be above zero.")
        if np.isinf(absorbance).any():
            bad = int(np.flatnonzero(np.isinf(absorbance))[0])
            raise InputError(
                f"{where}: absorbance at {wavelength[bad]:g} nm is infinite. "
                "Use NaN for a point that was not measured."
            )
        object.__setattr__(self, "wavelength", wavelength)
        object.__setattr__(self, "absorbance", absorbance)
        object.__setattr__(self, "metadata", MappingProxyType(dict(self.metadata)))
        object.__setattr__(self, "flags", tuple(self.flags))

    @classmethod
    def of_checked(
        cls,
        name: str,
        wavelength: NDArray[np.float64],
        absorbance: NDArray[np.float64],
        metadata: dict[str, Any],
        flags: tuple[Flag, ...] = (),
    ) -> Scan:
        """Make a scan of arrays that were checked already, without copying them.

        For readers, which check all samples of a file at once: checking and copying a shared
        axis a thousand times would cost more than reading the file. The caller vouches for
        what the class demands, and that nobody else has the arrays or the metadata; they
        become read-only.

        Parameters
        ----------
        name, wavelength, absorbance, metadata, flags
            As the attributes.

        Returns
        -------
        Scan
        """
        wavelength.setflags(write=False)
        absorbance.setflags(write=False)
        scan = object.__new__(cls)
        for attribute, value in (
            ("name", name),
            ("wavelength", wavelength),
            ("absorbance", absorbance),
            ("metadata", MappingProxyType(metadata)),
            ("flags", flags),
        ):
            object.__setattr__(scan, attribute, value)
        return scan

    def __len__(self) -> int:
        return int(self.wavelength.size)


def _read_only(values: ArrayLike) -> NDArray[np.float64]:
    array = np.array(values, dtype=np.float64)
    array.setflags(write=False)
    return array


def subtract_blank(scan: Scan, blank: Scan) -> Scan:
    """Return the scan less the blank, on the scan's own grid.

    The blank is interpolated linearly. A point of the scan outside the blank's range, or
    beside a reading the blank lacks, becomes NaN and is flagged; so is what was noticed
    while reading the blank.

    Parameters
    ----------
    scan, blank : Scan

    Returns
    -------
    Scan

    Raises
    ------
    InputError
        If the two ranges do not overlap, or the blank has no reading.
    """
    if blank.wavelength[-1] < scan.wavelength[0] or blank.wavelength[0] > scan.wavelength[-1]:
        raise InputError(
            f"blank {blank.name!r} ({blank.wavelength[0]:g}-{blank.wavelength[-1]:g} nm) does not "
            f"overlap scan {scan.name!r} ({scan.wavelength[0]:g}-{scan.wavelength[-1]:g} nm). "
            "Give a blank of the same range."
        )
    known = np.isfinite(blank.absorbance)
    if not known.any():
        raise InputError(f"blank {blank.name!r} has no reading. Scan the blank again.")
    background = np.interp(
        scan.wavelength,
        blank.wavelength[known],
        blank.absorbance[known],
        left=np.nan,
        right=np.nan,
    )
    gaps = np.interp(scan.wavelength, blank.wavelength, (~known).astype(float))
    background[gaps > 0] = np.nan
    lost = int(np.count_nonzero(np.isfinite(scan.absorbance) & np.isnan(background)))
    flags = [
        Flag(flag.code, f"blank {blank.name!r}: {flag.message}")
        for flag in blank.flags
        if flag.severity != "note"
    ]
    if lost:
        message = (
            f"the blank {blank.name!r} lacks readings at {lost} of {len(scan)} points; "
            "they count as not measured"
        )
        flags.append(Flag("not-measured", message))
    return replace(
        scan,
        absorbance=scan.absorbance - background,
        metadata={**scan.metadata, "blank": blank.name},
        flags=(*scan.flags, *flags),
    )
