"""The usual file, at little cost: wavelengths that rise and one column of absorbance.

Racks give such files by the thousand, all with the same lines above their data. What
these lines say is worked out once; of the numbers, only what the usual file has is
asked. Whatever is not as usual is left to `specfrac.loading.layouts` and
`specfrac.loading.assemble`, which must give the same for what is.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from specfrac.flags import Flag
from specfrac.loading.assemble import CEILING, STRAY_STEP, name_of
from specfrac.loading.axis import HIGHEST_UNNAMED_NM, LOWEST_NM
from specfrac.loading.blocks import FEWEST_POINTS, Reading
from specfrac.loading.content import FileContent
from specfrac.loading.dialect import SEPARATORS, Dialect
from specfrac.loading.headings import find_headings
from specfrac.loading.ordinate import CLEAR, Ordinate, conversion_flags, red_ends
from specfrac.loading.table import Table
from specfrac.loading.words import preamble_ordinate
from specfrac.scans import Scan

LAYOUT = "two columns"
_LONGEST_HEADER = 2000


@dataclass(frozen=True, slots=True)
class _Known:
    """What the lines above the data say."""

    name: str
    title: str
    source: str
    flags: tuple[Flag, ...]


def read_simple(
    content: FileContent, lines: list[str], table: Table, encoding: str
) -> Reading | None:
    """Return the reading of a usual file, or None when it is not one.

    Parameters
    ----------
    content : FileContent
    lines : list of str
        All lines of the file; the table ends them.
    table : Table
        Read the short way, see `specfrac.loading.plain`.
    encoding : str
    """
    usual = table.n_columns == 2 and len(table) >= FEWEST_POINTS and content.quantity is None
    header = tuple(lines[: table.rows[0] - 1])
    if not usual or sum(map(len, header)) > _LONGEST_HEADER:
        return None
    known = _known(header, table.dialect)
    if known is None:
        return None
    wavelength, absorbance = columns = np.ascontiguousarray(table.values.T)
    if not (_is_usual_axis(wavelength) and _is_plain_absorbance(columns, known)):
        return None
    separator, decimal = SEPARATORS[table.dialect.separator], table.dialect.decimal
    scan = Scan.of_checked(
        name_of(known.name, content.stem),
        wavelength,
        absorbance,
        {
            "file": content.name,
            "layout": LAYOUT,
            "separator": separator,
            "decimal_mark": decimal,
            "encoding": encoding,
            "header": header,
            "heading": known.title,
            "quantity": "absorbance",
            "quantity_source": known.source,
            "column": 2,
        },
        known.flags,
    )
    return Reading(content.name, LAYOUT, separator, decimal, encoding, header, (scan,))


@lru_cache(maxsize=64)
def _known(above: tuple[str, ...], dialect: Dialect) -> _Known | None:
    """Return what the lines above say, or None when it is anything but absorbance over nm."""
    headings = find_headings(above, dialect, 2)
    axis, reading = headings.column(0), headings.column(1)
    if headings.rows and axis.axis_unit not in ("nm", "?"):
        return None
    if reading.axis_unit is not None or reading.no_spectrum:
        return None
    word = reading.ordinate or preamble_ordinate(above)
    if word == "absorbance":
        return _Known(reading.name, reading.title, "header", ())
    if word is None:
        told = tuple(conversion_flags(np.empty(0), Ordinate("absorbance", "values")))
        return _Known(reading.name, reading.title, "values", told)
    return None


def _is_usual_axis(wavelength: NDArray[np.float64]) -> bool:
    """Whether the values rise evenly enough and lie where nobody doubts that they are nm."""
    steps = wavelength[1:] - wavelength[:-1]
    smallest, largest = float(np.minimum.reduce(steps)), float(np.maximum.reduce(steps))
    return (
        smallest > 0.0
        and largest <= smallest * STRAY_STEP
        and float(wavelength[0]) >= LOWEST_NM
        and float(wavelength[-1]) <= HIGHEST_UNNAMED_NM
    )


def _is_plain_absorbance(columns: NDArray[np.float64], known: _Known) -> bool:
    """Whether nothing in the readings speaks for another quantity, a ceiling or a count."""
    readings = columns[1]
    top = float(np.maximum.reduce(readings))
    if top >= CEILING or abs(float(readings[1] - readings[0])) == 1:
        return False
    if known.source == "header" or top < CLEAR:
        return True
    return not red_ends(columns[0], columns[1:])[0] >= CLEAR
