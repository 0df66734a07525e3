"""From a table to scans: which columns are wavelengths, which are readings.

One rule serves one sample, many samples and pairs of columns: a column of
wavelengths rules the columns after it, up to the next column of wavelengths.
Headings decide first, values second.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from specfrac.errors import ScanFileError
from specfrac.loading.axis import LOWEST_NM, check_range, looks_like_axis, refuse_wavenumbers, to_nm
from specfrac.loading.blocks import FEWEST_POINTS, Block, Interpretation, NotASpectrumError, Skipped
from specfrac.loading.faults import (
    not_measured,
    refuse_faults,
    refuse_short_rows,
    refuse_two_marks,
)
from specfrac.loading.headings import Heading, Headings
from specfrac.loading.ordinate import HIGHEST_PERCENT
from specfrac.loading.table import Table
from specfrac.loading.words import is_refused, is_weak


def by_columns(table: Table, headings: Headings, file: str) -> Interpretation:
    """Read a table whose columns are wavelengths and readings.

    Raises
    ------
    NotASpectrumError
        If no column holds wavelengths, or nothing else is left to read.
    ScanFileError
        If it is a spectrum with a fault.
    """
    if len(table) < FEWEST_POINTS:
        raise NotASpectrumError(f"{len(table)} rows are too few for a scan")
    numeric = [c for c in range(table.n_columns) if c not in table.texts]
    axes = find_axes(table, headings, numeric, file)
    refuse_faults(table, file)
    refuse_two_marks(table, len(numeric), file)
    skipped = [Skipped(f"column {column + 1}", "it holds text") for column in sorted(table.texts)]
    groups = _groups(axes, numeric, headings)
    blocks = []
    for axis, columns in groups:
        kept = spectra_among(table, headings, columns, skipped)
        if kept:
            blocks.append(_block(table, headings, axis, kept, file, paired=len(groups) > 1))
    if not blocks:
        raise NotASpectrumError("it has wavelengths but no readings beside them")
    n_samples = sum(len(block.names) for block in blocks)
    layout = "pairs of columns" if len(blocks) > 1 else "wide" if n_samples > 1 else "two columns"
    return Interpretation(layout, tuple(blocks), tuple(skipped))


def find_axes(table: Table, headings: Headings, numeric: list[int], file: str) -> list[int]:
    """Return the columns that hold wavelengths."""
    likely = numeric
    if table.n_columns > 4:  # the words of a thousand headings cost more than this
        lowest = np.fmin.reduce(table.values, axis=0)
        likely = [c for c in numeric if c < 4 or lowest[c] >= LOWEST_NM]
    headed = [c for c in likely if headings.column(c).axis_unit is not None]
    if headed:
        return headed
    likely = [c for c in likely if not _says_no_axis(headings.column(c))]
    found = [c for c in likely if looks_like_axis(table.values[:, c], strict=True)]
    if len(found) > 1 and any(b - a == 1 for a, b in pairwise(found)):
        raise NotASpectrumError(
            "more than one column looks like wavelengths and no heading decides"
        )
    if not found:
        found = [c for c in likely[:1] if looks_like_axis(table.values[:, c], strict=False)]
    if found:
        return found
    if likely[:1] == [0]:
        refuse_wavenumbers(table.values[:, 0], file, table.rows)
    raise NotASpectrumError("no column holds wavelengths in nm")


def _says_no_axis(heading: Heading) -> bool:
    return heading.no_spectrum or heading.ordinate is not None


def _groups(axes: list[int], numeric: list[int], headings: Headings) -> list[tuple[int, list[int]]]:
    """Give each axis its columns; of two axes side by side the one in nm stays."""
    if len(axes) == 1:
        return [(axes[0], [c for c in numeric if c != axes[0]])]
    groups: list[tuple[int, list[int]]] = []
    for axis, until in pairwise([*axes, max(numeric) + 1]):
        columns = [c for c in numeric if axis < c < until]
        rivals = [groups.pop()[0], axis] if groups and not groups[-1][1] else [axis]
        best = min(rivals, key=lambda c: headings.column(c).axis_unit != "nm")
        groups.append((best, columns))
    return groups


def spectra_among(
    table: Table, headings: Headings, columns: list[int], skipped: list[Skipped]
) -> list[int]:
    """Return the columns that hold readings; note in `skipped` why others do not."""
    counting = _counting(table.values, columns)
    empty = set() if table.complete else _empty(table, columns)
    if not (counting or empty or (headings.rows and headings.telling)):
        return columns
    kept, left_out = [], []
    for column in columns:
        heading = headings.column(column)
        reason = ""
        if column in empty:
            reason = "no cell of it is a number"
        elif heading.ordinate in (None, "counts") and _names_no_spectrum(table, heading, column):
            reason = "its heading names no spectrum"
        elif heading.ordinate is None and column in counting:
            reason = "it counts up or down in whole numbers"
        if reason:
            label = f"column {column + 1}" + (f" ({heading.title})" if heading.title else "")
            left_out.append((column, Skipped(label, reason)))
        else:
            kept.append(column)
    kept = _without_raw_signals(table, headings, kept, left_out)
    if not kept:  # a column of counts alone is refused by name, not left out
        return [column for column, _ in left_out if headings.column(column).ordinate]
    skipped += [
        part
        for column, part in left_out
        if column not in empty or column in table.overflow or headings.column(column).title
    ]
    return kept


def _without_raw_signals(
    table: Table, headings: Headings, columns: list[int], left_out: list[tuple[int, Skipped]]
) -> list[int]:
    """Leave out intensities where a heading beside them says absorbance or transmittance."""
    words = {column: headings.column(column).ordinate for column in columns}
    if not any(word is not None and not is_refused(word) for word in words.values()):
        return columns
    kept = []
    for column, word in words.items():
        highest = float(np.fmax.reduce(table.values[:, column]))
        if is_refused(word) or (word is None and highest > HIGHEST_PERCENT):
            label = f"column {column + 1} ({headings.column(column).title})"
            reason = f"it is {word}" if word else f"it reaches {highest:g}, as raw signals do"
            left_out.append((column, Skipped(label, reason)))
        else:
            kept.append(column)
    return kept


def _names_no_spectrum(table: Table, heading: Heading, column: int) -> bool:
    """Whether a heading such as "time" is to be believed; "s" may be a sample's name."""
    if not heading.no_spectrum or not is_weak(heading.title):
        return heading.no_spectrum
    steps = np.diff(table.values[:, column])
    return bool((steps > 0).all() or (steps < 0).all())


def _empty(table: Table, columns: list[int]) -> set[int]:
    """Return the columns without a number; a column of remarks or of overflow words is one."""
    blank = np.logical_and.reduce(np.isnan(table.values), axis=0)
    return {c for c in columns if blank[c]}


def _counting(values: NDArray[np.float64], columns: list[int]) -> set[int]:
    """Return the columns that run 1, 2, 3, ... or 100, 99, 98, ..."""
    if len(values) < 3:
        return set()
    first, second, third = values[:3].tolist()
    likely = [
        c
        for c in columns
        if abs(second[c] - first[c]) == 1 and third[c] - second[c] == second[c] - first[c]
    ]
    return {
        c
        for c in likely
        if first[c] % 1 == 0 and (np.diff(values[:, c]) == second[c] - first[c]).all()
    }


def _block(
    table: Table, headings: Headings, axis: int, columns: list[int], file: str, *, paired: bool
) -> Block:
    unit = headings.column(axis).axis_unit
    axis_values = table.values[:, axis]
    adjacent = columns[-1] - columns[0] == len(columns) - 1
    values = table.values[:, columns[0] : columns[-1] + 1] if adjacent else table.values[:, columns]
    rows = table.rows
    if paired:
        used = ~(np.isnan(axis_values) & np.isnan(values).all(axis=1))
        n_used = int(np.flatnonzero(used)[-1]) + 1 if used.any() else 0
        axis_values, values, rows = axis_values[:n_used], values[:n_used], rows[:n_used]
        _refuse_half_rows(table, axis, columns, n_used, file)
    else:
        refuse_short_rows(table, file)
    if not table.complete and np.isnan(axis_values).any():
        missing = int(np.flatnonzero(np.isnan(axis_values))[0])
        raise ScanFileError(
            f"{file}, row {rows[missing]}: the wavelength in column {axis + 1} is missing. "
            "Put it back or delete the row."
        )
    check_range(axis_values, unit, file, rows)
    names, ordinates, titles = _titles(headings, axis, columns, paired=paired)
    return Block(
        wavelength=to_nm(axis_values, unit),
        values=np.ascontiguousarray(values.T),
        names=names,
        ordinates=ordinates,
        headings=titles,
        points=rows,
        flags=()
        if table.complete
        else not_measured(
            values.T, [table.overflow_word.get(column) for column in columns], rows, "row"
        ),
        places=[column + 1 for column in columns],
    )


def _titles(
    headings: Headings, axis: int, columns: list[int], *, paired: bool
) -> tuple[tuple[str, ...], tuple[str | None, ...], tuple[str, ...]]:
    """Return names, quantities and full headings of the columns."""
    if not headings.telling and len(headings.rows) == 1 and not paired:
        row = tuple([headings.rows[0][column] for column in columns])
        return row, (None,) * len(row), row
    found = [headings.column(column) for column in columns]
    names = [heading.name for heading in found]
    if paired and not any(names):
        names = [headings.column(axis).name] * len(columns)
    titles = [heading.title for heading in found]
    return (
        tuple(told_apart(names, titles)),
        tuple([heading.ordinate for heading in found]),
        tuple(titles),
    )


def told_apart(names: list[str], titles: list[str]) -> list[str]:
    """Take the whole heading where names are missing or repeated and headings are not.

    "A", "B" and "C", or "Abs" and "%T", tell columns apart though they name no sample.
    """
    if len(titles) < 2 or len(set(titles)) < len(titles) or not all(titles):
        return names
    return [
        title if not name or names.count(name) > 1 else name
        for name, title in zip(names, titles, strict=True)
    ]


def _refuse_half_rows(table: Table, axis: int, columns: list[int], n_used: int, file: str) -> None:
    """A short row may leave out whole pairs of columns, never half a pair."""
    for index in table.short_rows:
        half = (
            not np.isnan(table.values[index, axis]) and np.isnan(table.values[index, columns]).any()
        )
        if index < n_used and half:
            raise ScanFileError(
                f"{file}, row {table.rows[index]}: the row ends after a wavelength of column "
                f"{axis + 1}; its reading is missing. Put it back or delete the row."
            )
