"""Plates read well by well: one small grid of wells for each wavelength."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from specfrac.errors import ScanFileError
from specfrac.loading.axis import HIGHEST_NM, LOWEST_NM, check_range
from specfrac.loading.blocks import FEWEST_POINTS, Block, Interpretation
from specfrac.loading.cells import number
from specfrac.loading.faults import not_measured, refuse_faults, refuse_short_rows
from specfrac.loading.joining import refuse_torn_row
from specfrac.loading.table import Table
from specfrac.loading.words import axis_word, preamble_ordinate

_LONGEST = 200
_ROW_NAME = re.compile(r"[A-P]|A[A-F]")
_NUMBER = re.compile(r"(?<![\w.,])\d+(?:[.,]\d+)?(?![\w.,]*\d)")


def by_plates(tables: Sequence[Table], lines: Sequence[str], file: str) -> Interpretation | None:
    """Read a file of well grids, each headed by its wavelength, or return None.

    Raises
    ------
    ScanFileError
        If the grids differ in shape, or a cell is no reading.
    """
    grids = [table for table in tables if _is_grid(table)]
    if len(grids) < FEWEST_POINTS:
        return None
    wavelengths = []
    for table in grids:
        wavelength = _wavelength_above(table, lines)
        if wavelength is None:
            return None
        wavelengths.append(wavelength)
    wells = _wells(grids[0])
    columns = []
    for table in grids:
        refuse_faults(table, file)
        refuse_short_rows(table, file)
        refuse_torn_row(table, lines, file)
        if _wells(table) != wells:
            raise ScanFileError(
                f"{file}, row {table.rows[0]}: the wells differ from those of the first grid (row "
                f"{grids[0].rows[0]}). Export the same wells at every wavelength."
            )
        columns.append(table.values[_first(table) :, 1:].ravel())
    axis = np.array(wavelengths)
    rows = [int(table.rows[0]) for table in grids]
    check_range(axis, "nm", file, rows)
    values = np.array(columns).T
    used = [i for i in range(len(wells)) if np.isfinite(values[i]).any()]
    values = np.ascontiguousarray(values[used])
    names = tuple([wells[i] for i in used])
    word = preamble_ordinate(list(lines[: grids[0].rows[0]]))
    words = {word for table in grids for word in table.overflow_word.values()}
    flags = not_measured(values, [next(iter(sorted(words)), None)] * len(used), rows, "row")
    ordinates = (word,) * len(used)
    return Interpretation(
        "grids of wells", (Block(axis, values, names, ordinates, names, rows, flags=flags),)
    )


def _is_grid(table: Table) -> bool:
    labels = table.texts.get(0)
    return (
        labels is not None
        and list(table.texts) == [0]
        and all(_ROW_NAME.fullmatch(label) for label in labels[_first(table) :])
        and len(labels) > _first(table)
    )


def _first(table: Table) -> int:
    """Return the index of the first row of wells; a row of numbers 1, 2, 3 may stand above."""
    numbers = table.values[0, 1:]
    return int(not table.texts[0][0] and np.array_equal(numbers, np.arange(1, numbers.size + 1)))


def _wells(table: Table) -> list[str]:
    letters = table.texts[0][_first(table) :]
    return [f"{letter}{column}" for letter in letters for column in range(1, table.n_columns)]


def _wavelength_above(table: Table, lines: Sequence[str]) -> float | None:
    """Return the one wavelength named in the few lines above a grid."""
    for line in reversed(lines[max(0, table.rows[0] - 5) : table.rows[0] - 1]):
        found = _NUMBER.findall(line[:_LONGEST].replace("nm", " nm"))
        if len(found) == 1 and (
            axis_word(line) or "nm" in line.lower() or line.strip() == found[0]
        ):
            value = number(found[0], table.dialect.decimal)
            if value is not None and LOWEST_NM <= value <= HIGHEST_NM:
                return value
    return None
