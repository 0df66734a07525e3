"""Long tables: one row a reading, with the sample's name beside wavelength and value."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from specfrac.errors import ScanFileError
from specfrac.loading.axis import HIGHEST_NM, LOWEST_NM, check_range, looks_like_axis, to_nm
from specfrac.loading.blocks import FEWEST_POINTS, Block, Interpretation, NotASpectrumError, Skipped
from specfrac.loading.faults import not_measured, refuse_faults, refuse_short_rows, refuse_two_marks
from specfrac.loading.headings import Headings
from specfrac.loading.layouts import spectra_among
from specfrac.loading.table import Table
from specfrac.loading.words import names_samples, ordinate_word

_MOST_COLUMNS = 8


def by_named_labels(table: Table, headings: Headings, file: str) -> Interpretation:
    """Read a table in which a heading, or text, tells which column names the sample.

    Raises
    ------
    NotASpectrumError
        If no column does.
    ScanFileError
        If it is a spectrum with a fault.
    """
    if table.n_columns < 3 or (not table.texts and table.n_columns > _MOST_COLUMNS):
        raise NotASpectrumError("it has no column of sample names")
    headed = [c for c in range(table.n_columns) if _is_headed_label(table, headings, c)]
    labels = headed or _text_labels(table)
    if not labels:
        raise NotASpectrumError("it has no column of sample names")
    return _read(table, headings, labels, file, sure=bool(headed))


def by_numbered_labels(table: Table, headings: Headings, file: str) -> Interpretation:
    """Read a table without headings in which a column of numbers tells the samples apart."""
    if table.n_columns < 3 or table.n_columns > _MOST_COLUMNS or table.texts:
        raise NotASpectrumError("it has no column of sample names")
    whole = [
        c
        for c in range(table.n_columns)
        if _repeats(table.values[:, c]) and (table.values[:, c] % 1 == 0).all()
    ]
    if len(whole) != 1:
        raise NotASpectrumError("it has no column of sample names")
    return _read(table, headings, whole, file, sure=True)


def _read(
    table: Table, headings: Headings, labels: list[int], file: str, *, sure: bool
) -> Interpretation:
    codes, names = _groups(table, labels)
    numeric = [c for c in range(table.n_columns) if c not in table.texts and c not in labels]
    axis = _axis(table, headings, numeric, codes)
    if not sure and len(names) > 1 and looks_like_axis(table.values[:, axis], strict=True):
        raise NotASpectrumError("its text is remarks, for the wavelengths run through")
    refuse_faults(table, file)
    refuse_short_rows(table, file)
    refuse_two_marks(table, len(numeric), file)
    skipped: list[Skipped] = []
    columns = spectra_among(table, headings, [c for c in numeric if c != axis], skipped)
    columns = _one_quantity(headings, columns, skipped)
    if not columns:
        raise NotASpectrumError("it has wavelengths but no readings beside them")
    unit = headings.column(axis).axis_unit
    check_range(table.values[:, axis], unit, file, table.rows)
    _refuse_missing_wavelength(table, axis, file)
    wavelength = to_nm(table.values[:, axis], unit)
    starts = np.flatnonzero(np.diff(np.sort(codes))) + 1
    rows_of = np.split(np.argsort(codes, kind="stable"), starts)
    _refuse_short_samples(names, [rows.size for rows in rows_of], file)
    blocks = [_block(table, headings, columns, wavelength, rows) for rows in rows_of]
    blocks = [_named(block, name) for block, name in zip(blocks, names, strict=True)]
    skipped += [
        Skipped(f"column {column + 1}", "it holds text that names no sample")
        for column in sorted(table.texts)
        if column not in labels
    ]
    return Interpretation("long", tuple(blocks), tuple(skipped))


def _refuse_short_samples(names: list[str], sizes: list[int], file: str) -> None:
    for name, size in zip(names, sizes, strict=True):
        if size < FEWEST_POINTS:
            raise ScanFileError(
                f"{file}, {name!r}: {size} points, but a scan needs at least {FEWEST_POINTS}. "
                "Export the whole scan, at a step of 1 nm or less."
            )


def _refuse_missing_wavelength(table: Table, axis: int, file: str) -> None:
    missing = np.isnan(table.values[:, axis])
    if missing.any():
        raise ScanFileError(
            f"{file}, row {table.rows[int(np.flatnonzero(missing)[0])]}: the wavelength in column "
            f"{axis + 1} is missing. Put it back or delete the row."
        )


def _is_headed_label(table: Table, headings: Headings, column: int) -> bool:
    if not any(names_samples(row[column]) for row in headings.rows):
        return False
    return column in table.texts or _repeats(table.values[:, column])


def _text_labels(table: Table) -> list[int]:
    """Return the columns of text that repeats; those that never change only if all do not."""
    texts = [c for c in sorted(table.texts) if len(set(table.texts[c])) * 2 < len(table)]
    varied = [c for c in texts if len(set(table.texts[c])) > 1]
    return varied or texts[:1]


def _repeats(values: NDArray[np.float64]) -> bool:
    """Whether a column of numbers holds few values, each many times."""
    if not np.isfinite(values).all():
        return False
    count = np.unique(values, return_counts=True)[1]
    return bool(count.min() >= FEWEST_POINTS)


def _groups(table: Table, labels: list[int]) -> tuple[NDArray[np.intp], list[str]]:
    """Return each row's sample as a number, and the names in the order of the file."""
    columns = [
        table.texts[c] if c in table.texts else [f"{v:g}" for v in table.values[:, c]]
        for c in labels
    ]
    index: dict[str, int] = {}
    codes = np.empty(len(table), dtype=np.intp)
    for row, cells in enumerate(zip(*columns, strict=True)):
        name = " ".join(cell for cell in cells if cell)
        codes[row] = index.setdefault(name, len(index))
    return codes, list(index)


def _axis(table: Table, headings: Headings, numeric: list[int], codes: NDArray[np.intp]) -> int:
    headed = [c for c in numeric if headings.column(c).axis_unit is not None]
    if headed:
        return min(headed, key=lambda c: headings.column(c).axis_unit != "nm")
    for column in numeric:
        values = table.values[:, column]
        inside = np.isfinite(values).all() and values.min() >= LOWEST_NM
        if inside and values.max() <= HIGHEST_NM and _differ_within(values, codes):
            return column
    raise NotASpectrumError("no column holds wavelengths in nm")


def _differ_within(values: NDArray[np.float64], codes: NDArray[np.intp]) -> bool:
    """Whether values hardly repeat within a sample."""
    order = np.lexsort((values, codes))
    same = np.diff(codes[order]) == 0
    repeated = same & (np.diff(values[order]) == 0)
    return int(np.count_nonzero(repeated)) < 0.1 * values.size


def _one_quantity(headings: Headings, columns: list[int], skipped: list[Skipped]) -> list[int]:
    """Keep absorbance alone where transmittance of the same readings stands beside it."""
    absorbance = [c for c in columns if headings.column(c).ordinate == "absorbance"]
    if not absorbance or len(columns) == len(absorbance):
        return columns
    for column in columns:
        if column not in absorbance:
            title = headings.column(column).title
            skipped.append(Skipped(f"column {column + 1} ({title})", "absorbance stands beside it"))
    return absorbance


def _block(
    table: Table,
    headings: Headings,
    columns: list[int],
    wavelength: NDArray[np.float64],
    rows: NDArray[np.intp],
) -> Block:
    lines = [int(table.rows[row]) for row in rows]
    values = np.ascontiguousarray(table.values[rows][:, columns].T)
    titles = [headings.column(column) for column in columns]
    return Block(
        wavelength=wavelength[rows],
        values=values,
        names=tuple([title.name for title in titles]),
        ordinates=tuple([title.ordinate for title in titles]),
        headings=tuple([title.title for title in titles]),
        points=lines,
        flags=not_measured(values, [table.overflow_word.get(c) for c in columns], lines, "row"),
        places=[column + 1 for column in columns],
    )


def _named(block: Block, name: str) -> Block:
    """Give the readings of one sample its name, and their heading's beside it if several."""
    if len(block.names) > 1:
        return replace(block, names=tuple([f"{name} {title}".strip() for title in block.names]))
    ordinate = block.ordinates[0] or ordinate_word(name)
    return replace(block, names=(name,), ordinates=(ordinate,))
