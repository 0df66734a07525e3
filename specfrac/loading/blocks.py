"""What a reader hands over: readings on a shared axis, as they stand in the file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from specfrac.errors import ScanFileError
from specfrac.flags import Flag
from specfrac.scans import Scan

FEWEST_POINTS = 20
"""A rule of this package: fewer points are no scan."""


class NotASpectrumError(Exception):
    """A table holds something else; ``str(error)`` says why. Never leaves this package."""


class NoScanError(ScanFileError):
    """A text holds no table of wavelengths and readings at all; a sheet of notes is one."""


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Readings of one or several samples on one axis, in the order of the file.

    Attributes
    ----------
    wavelength : ndarray, shape (n_points,)
        nm.
    values : ndarray, shape (n_samples, n_points)
        In the file's own quantity. NaN means "not measured".
    names : tuple of str
        Empty for a sample the file does not name.
    ordinates : tuple of str or None
        The quantity each sample's heading names, see `specfrac.loading.words`.
    headings : tuple of str
        The heading itself, for messages.
    points : sequence of int
        The row (or column, see `point_word`) of each point in the file, from 1.
    flags : tuple of tuple of Flag
        By sample; empty when nothing was noticed.
    places : sequence of int
        The column (or row) of each sample in the file, from 1; empty when it has none.
    metadata : tuple of dict
        By sample; empty when the file says nothing besides.
    """

    wavelength: NDArray[np.float64]
    values: NDArray[np.float64]
    names: tuple[str, ...]
    ordinates: tuple[str | None, ...]
    headings: tuple[str, ...]
    points: Sequence[int]
    point_word: str = "row"
    flags: tuple[tuple[Flag, ...], ...] = ()
    places: Sequence[int] = ()
    metadata: tuple[dict[str, Any], ...] = ()


@dataclass(frozen=True, slots=True)
class Skipped:
    """A part of a file that was left out: what, and why."""

    what: str
    why: str

    def __str__(self) -> str:
        return f"{self.what}: {self.why}"


@dataclass(frozen=True, slots=True)
class Interpretation:
    """What a table turned out to be."""

    layout: str
    blocks: tuple[Block, ...]
    skipped: tuple[Skipped, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """A scan file as it was understood.

    Attributes
    ----------
    file : str
        File name.
    layout : str
        For instance "two columns", "wide", "pairs of columns", "long", "transposed", "JCAMP-DX".
    separator, decimal_mark, encoding : str or None
        In words; None where the format has none.
    header : tuple of str
        The lines above the data, as in the file.
    scans : tuple of Scan
    skipped : tuple of Skipped
    """

    file: str
    layout: str
    separator: str | None
    decimal_mark: str | None
    encoding: str | None
    header: tuple[str, ...]
    scans: tuple[Scan, ...]
    skipped: tuple[Skipped, ...] = field(default=())

    def summary(self) -> list[str]:
        """Return what was understood, in lines to print."""
        told = [f"file        {self.file}", f"layout      {self.layout}"]
        if self.separator is not None:
            told.append(f"separator   {self.separator}, decimal mark {self.decimal_mark!r}")
        if self.encoding is not None:
            told.append(f"encoding    {self.encoding}")
        for scan in self.scans:
            steps = np.unique(np.round(np.diff(scan.wavelength), 6))
            step = f"{steps[0]:g}" if steps.size == 1 else f"{steps[0]:g} to {steps[-1]:g}"
            told.append(
                f"scan        {scan.name}: {len(scan)} points, {scan.wavelength[0]:g} to "
                f"{scan.wavelength[-1]:g} nm, step {step} nm; {scan.metadata['quantity']} "
                f"(known from the {scan.metadata['quantity_source']})"
            )
        told += [f"left out    {part}" for part in self.skipped]
        return told
