"""Tables that a remark or a page break parted are one scan; a broken row is a fault.

The trap: a row with a typing error in its wavelength starts a table of its own.
Left out, it would leave a hole in the scan that nobody sees.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from specfrac.errors import ScanFileError
from specfrac.loading.faults import shown
from specfrac.loading.headings import find_headings
from specfrac.loading.table import SURE_ROWS, Table

_NUMBER_LIKE = re.compile(r"[\s\"'+-]*[.,]?[0-9]")
_LONE_NUMBER = re.compile(r"[\s\"'+-]*[0-9.,]+[\s\"']*")
_MOST_LABELLED_COLUMNS = 8
_LARGEST_GAP = 5.0
"""Steps; a scan that goes on after a remark goes on at its own step, or nearly."""


def joined(tables: Sequence[Table], lines: Sequence[str], file: str) -> list[Table]:
    """Join tables where one goes on with another.

    Raises
    ------
    ScanFileError
        If a row between two parts, or at the end, is a broken row of the scan.
    """
    result: list[Table] = []
    aside: list[Table] = []
    for table in tables:
        before = result[-1] if result else None
        if before is not None and len(before) >= SURE_ROWS and _continues(before, table, lines):
            _refuse_broken(before, table, lines, file)
            result[-1] = _together(before, table)
            aside = []
        elif len(table) < SURE_ROWS:
            aside.append(table)
            if before is not None and table.rows[0] == before.rows[-1] + 1:
                _refuse_if_row_of(before, table, lines, file)
        else:
            result += [*aside, table]
            aside = []
    return result + aside


def refuse_torn_row(table: Table, lines: Sequence[str], file: str) -> None:
    """A number alone on the line after a table is the rest of a row that was torn apart."""
    row = table.rows[-1] + 1
    if row <= len(lines) and _LONE_NUMBER.fullmatch(lines[row - 1]):
        _refuse(file, row, lines[row - 1], table)


def _continues(first: Table, second: Table, lines: Sequence[str]) -> bool:
    """Whether the second table has the first one's shape and goes on along its axis."""
    if first.n_columns != second.n_columns or set(first.texts) != set(second.texts):
        return False
    between = lines[first.rows[-1] : second.rows[0] - 1]
    headings = find_headings(between, second.dialect, second.n_columns)
    if any(headings.column(column).axis_unit for column in range(second.n_columns)):
        above = lines[max(0, first.rows[0] - 7) : first.rows[0] - 1]
        if find_headings(above, first.dialect, first.n_columns) != headings:
            return False
    if first.texts and not headings.rows and first.n_columns <= _MOST_LABELLED_COLUMNS:
        return True  # rows with a name in them need no order
    return any(
        _goes_on(first.values[:, column], float(second.values[0, column]))
        for column in range(first.n_columns)
        if column not in first.texts
    )


def _goes_on(values: NDArray[np.float64], following: float) -> bool:
    steps = np.diff(values)
    if not steps.size or not ((steps > 0).all() or (steps < 0).all()):
        return False
    gap = (following - values[-1]) * np.sign(steps[0])
    return bool(0 < gap <= _LARGEST_GAP * float(np.median(np.abs(steps))))


def _refuse_broken(first: Table, second: Table, lines: Sequence[str], file: str) -> None:
    """Between two parts of a scan only remarks may stand, nothing that opens like a number."""
    for row in range(first.rows[-1] + 1, second.rows[0]):
        if _NUMBER_LIKE.match(lines[row - 1]):
            _refuse(file, row, lines[row - 1], first)


def _refuse_if_row_of(before: Table, table: Table, lines: Sequence[str], file: str) -> None:
    line = lines[table.rows[0] - 1]
    if not _NUMBER_LIKE.match(line):
        return
    first_cell = float(table.values[0, 0])
    if np.isnan(first_cell) or _goes_on(before.values[:, 0], first_cell):
        _refuse(file, table.rows[0], line, before)


def _refuse(file: str, row: int, line: str, table: Table) -> None:
    raise ScanFileError(
        f"{file}, row {row}: {shown(line)} does not fit the {table.n_columns} columns of the rows "
        "around it. Correct the row, or mark it as a comment with '#'."
    )


def _together(first: Table, second: Table) -> Table:
    n_first = len(first)
    columns = {*first.overflow, *second.overflow}
    return replace(
        first,
        values=np.concatenate([first.values, second.values]),
        rows=[*first.rows, *second.rows],
        texts={column: first.texts[column] + second.texts[column] for column in first.texts},
        overflow={
            c: [*first.overflow.get(c, ()), *(i + n_first for i in second.overflow.get(c, ()))]
            for c in columns
        },
        overflow_word={**second.overflow_word, **first.overflow_word},
        short_rows=[*first.short_rows, *(i + n_first for i in second.short_rows)],
        faults=first.faults + second.faults,
        integers_only=first.integers_only and second.integers_only,
    )
