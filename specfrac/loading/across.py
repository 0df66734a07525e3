"""Tables with the wavelengths across: one row a sample."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from specfrac.errors import ScanFileError
from specfrac.loading.axis import check_range, looks_like_axis, to_nm
from specfrac.loading.blocks import FEWEST_POINTS, Block, Interpretation, NotASpectrumError
from specfrac.loading.cells import number
from specfrac.loading.faults import not_measured, refuse_faults, refuse_short_rows, refuse_two_marks
from specfrac.loading.headings import Headings, heading_of
from specfrac.loading.layouts import told_apart
from specfrac.loading.table import Table
from specfrac.loading.words import axis_word, ordinate_word

_LONGEST = 40
_WITH_UNIT = re.compile(r"(.*\d)\s*(nm|cm-1|1/cm)", re.IGNORECASE)


def by_rows(table: Table, headings: Headings, file: str) -> Interpretation:
    """Read a table whose first row, or heading row, holds the wavelengths.

    Raises
    ------
    NotASpectrumError
        If no row does.
    ScanFileError
        If it is a spectrum with a fault.
    """
    if table.n_columns < FEWEST_POINTS:
        raise NotASpectrumError("no row holds wavelengths")
    axis = _axis_in_heading(table, headings)
    first = 0
    corner = tuple(headings.rows[-1]) if headings.rows else ()
    if axis is None:
        axis, first = table.values[0], 1
        corner = tuple(table.texts[column][0] for column in sorted(table.texts))
    columns = np.flatnonzero(np.isfinite(axis))
    if columns.size < FEWEST_POINTS or not looks_like_axis(axis[columns], strict=True):
        raise NotASpectrumError("no row holds wavelengths")
    if first == len(table):
        raise NotASpectrumError("it has a row of wavelengths and no readings below")
    _refuse_both_ways(table, headings, first, file)
    _refuse_gaps(table, axis, first, file)
    refuse_faults(table, file)
    refuse_short_rows(table, file)
    refuse_two_marks(table, columns.size, file)
    unit = next((unit for unit in map(axis_word, corner) if unit is not None), None)
    positions = [int(column) + 1 for column in columns]
    check_range(axis[columns], unit, file, positions, word="columns")
    values = np.ascontiguousarray(table.values[first:, columns])
    labels = [_label(table, row, set(columns.tolist())) for row in range(first, len(table))]
    said = [heading_of(label) for label in labels]
    words = [_word(table, row) for row in range(first, len(table))]
    block = Block(
        wavelength=to_nm(axis[columns], unit),
        values=values,
        names=tuple(told_apart([h.name for h in said], [h.title for h in said])),
        ordinates=tuple([heading.ordinate or _ordinate_of(corner) for heading in said]),
        headings=tuple([heading.title for heading in said]),
        points=positions,
        point_word="column",
        flags=not_measured(values, words, positions, "column"),
        places=[int(row) for row in table.rows[first:]],
    )
    return Interpretation("wavelengths across", (block,))


def _axis_in_heading(table: Table, headings: Headings) -> NDArray[np.float64] | None:
    """Return the numbers of the heading row, NaN where it has none, or None."""
    for row in reversed(headings.rows):
        if not any(cell[:1].isdigit() for cell in row[:FEWEST_POINTS]):
            continue  # a thousand sample names need no closer look
        values = np.array([_wavelength(cell, table.dialect.decimal) for cell in row])
        if np.count_nonzero(np.isfinite(values)) >= FEWEST_POINTS:
            return values
    return None


def _wavelength(cell: str, decimal: str) -> float:
    match = _WITH_UNIT.fullmatch(cell) if len(cell) <= _LONGEST else None
    value = (
        number(match[1].strip() if match else cell, decimal) if 0 < len(cell) <= _LONGEST else None
    )
    return np.nan if value is None else value


def _refuse_both_ways(table: Table, headings: Headings, first: int, file: str) -> None:
    """Numbers across and numbers down may both be wavelengths: sample numbers look like them."""
    if 0 in table.texts or len(table) - first < FEWEST_POINTS:
        return
    if not looks_like_axis(table.values[first:, 0], strict=True):
        return
    if headings.column(0).axis_unit is not None:
        raise NotASpectrumError("the wavelengths run down, and the samples have numbers for names")
    raise ScanFileError(
        f"{file}, row {table.rows[0]}: both the first row and the first column may be wavelengths. "
        "Head the wavelengths with 'wavelength_nm' and give the samples names with letters."
    )


def _refuse_gaps(table: Table, axis: NDArray[np.float64], first: int, file: str) -> None:
    """A row of wavelengths that lost a cell would move all readings by one."""
    known = np.isfinite(axis)
    start = int(np.flatnonzero(known)[0])
    readings = np.isfinite(table.values[first:]).any(axis=0)
    gaps = [c for c in np.flatnonzero(readings & ~known) if c > start and c not in table.texts]
    if gaps:
        raise ScanFileError(
            f"{file}, row {table.rows[first]}: column {gaps[0] + 1} has readings but no wavelength "
            "above them. Put back the missing cell of the row of wavelengths."
        )


def _label(table: Table, row: int, axis_columns: set[int]) -> tuple[str, ...]:
    """Return what a row says besides its readings."""
    cells = []
    for column in range(table.n_columns):
        if column in table.texts:
            cells.append(table.texts[column][row])
        elif column not in axis_columns and np.isfinite(table.values[row, column]):
            cells.append(f"{table.values[row, column]:g}")
    return tuple(cell for cell in cells if cell)


def _ordinate_of(corner: tuple[str, ...]) -> str | None:
    return next((word for word in map(ordinate_word, corner) if word is not None), None)


def _word(table: Table, row: int) -> str | None:
    """Return an overflow word of the row, if it has one."""
    return next((table.overflow_word[c] for c in table.overflow if row in table.overflow[c]), None)
