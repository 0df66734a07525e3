"""What is wrong with a table, or missing in it, whatever its layout."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from specfrac.errors import ScanFileError
from specfrac.flags import Flag
from specfrac.loading.table import Table


def shown(text: str, longest: int = 40) -> str:
    """Quote a piece of a file for a message, cut to a bearable length."""
    return repr(text if len(text) <= longest else text[: longest - 3] + "...")


def tamed(text: str, longest: int) -> str:
    """Return text from a file fit for a terminal: no control characters, not endless."""
    if not text.isprintable():
        text = "".join(letter if letter.isprintable() else " " for letter in text)
    return text if len(text) <= longest else text[: longest - 3] + "..."


def refuse_faults(table: Table, file: str) -> None:
    """Raise for the first cell that is no reading at all."""
    if not table.faults:
        return
    fault = table.faults[0]
    place = f"{file}, row {fault.row}, column {fault.column + 1}: {shown(fault.found)}"
    if fault.rule == "not a number":
        raise ScanFileError(f"{place} is not a number. Correct the cell or delete the row.")
    if fault.rule == "infinite":
        raise ScanFileError(
            f"{place} is larger than any number a reading can be (infinite). "
            "Correct the cell, or leave it blank if it was not measured."
        )
    raise ScanFileError(
        f"{place} stands for an infinite value or none at all, and readings must be finite. "
        "Leave the cell blank if the point was not measured."
    )


def refuse_short_rows(table: Table, file: str) -> None:
    """Raise when a row lacks cells that its columns should have."""
    if table.short_rows:
        raise ScanFileError(
            f"{file}, row {table.rows[table.short_rows[0]]}: the row has fewer cells than the "
            f"{table.n_columns} of the rows before it. "
            "Put back the missing cells or delete the row."
        )


def refuse_lone_points(table: Table, lines: Sequence[str], file: str) -> None:
    """Raise for ".1338" where no other number is printed so: a point replaced a blank.

    A column printed without the zero before the point lacks it everywhere, but for "-.5".
    """
    mark = table.dialect.decimal
    if table.complete:  # the short way met none
        return
    opening = rf"(?:^|[\s\"{re.escape(table.dialect.separator)}]){re.escape(mark)}[0-9]"
    opens = re.compile(opening)
    if not any(mark in lines[row - 1] and opens.search(lines[row - 1]) for row in table.rows):
        return
    lone: dict[int, list[tuple[int, str]]] = {}
    others: dict[int, list[str]] = {}
    for row in table.rows:
        for column, cell in enumerate(table.dialect.split(lines[row - 1])):
            if cell[:1] == mark:
                lone.setdefault(column, []).append((row, cell))
            elif cell[:1].isdigit():
                form = "0." if cell.startswith("0" + mark) else "1.5" if mark in cell else "15"
                others.setdefault(column, []).append(form)
    for column, found in lone.items():
        forms = others.get(column, [])
        among_whole = set(forms) == {"15"} and 2 * len(found) < len(forms)
        if column not in table.texts and ("0." in forms or among_whole):
            row, cell = found[0]
            raise ScanFileError(
                f"{file}, row {row}, column {column + 1}: {shown(cell)} opens with its decimal "
                "mark, as no other number of the column does. A sign before it may be damaged; "
                "correct the cell."
            )


def refuse_two_marks(table: Table, n_numeric: int, file: str) -> None:
    """Raise when whole numbers between commas may be halves of numbers with a decimal comma."""
    if table.dialect.separator == "," and table.integers_only and n_numeric > 2:
        raise ScanFileError(
            f"{file}, row {table.rows[0]}: commas part {n_numeric} whole numbers and no number has "
            "a decimal mark, so a decimal comma and a comma between cells cannot be told apart. "
            "Export with semicolons or tabs between cells, or with decimal points."
        )


def not_measured(
    values: NDArray[np.float64],
    words: Sequence[str | None],
    points: Sequence[int],
    point_word: str,
) -> tuple[tuple[Flag, ...], ...]:
    """Flag the samples with readings that are no numbers.

    Parameters
    ----------
    values : ndarray, shape (n_samples, n_points)
    words : sequence of str or None
        The overflow word met in each sample, if any.
    points : sequence of int
        The row or column of each point.
    point_word : str
        "row" or "column".

    Returns
    -------
    tuple of tuple of Flag
        By sample; empty when nothing is missing.
    """
    missing = np.isnan(values)
    if not missing.any():
        return ()
    flags: list[tuple[Flag, ...]] = []
    for sample, word in zip(missing, words, strict=True):
        where = np.flatnonzero(sample)
        if not where.size:
            flags.append(())
            continue
        said = "blank" if word is None else f"blank or {shown(word)}"
        message = (
            f"{where.size} of {sample.size} readings are no numbers ({said}), the first in "
            f"{point_word} {points[int(where[0])]}; they count as not measured"
        )
        flags.append((Flag("not-measured", message),))
    return tuple(flags)
