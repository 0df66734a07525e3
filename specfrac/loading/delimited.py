"""Reader of delimited text, whatever parts its cells and however its columns lie."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from specfrac.errors import ScanFileError
from specfrac.flags import Flag
from specfrac.loading.across import by_rows
from specfrac.loading.assemble import assemble
from specfrac.loading.blocks import (
    FEWEST_POINTS,
    Interpretation,
    NoScanError,
    NotASpectrumError,
    Reading,
    Skipped,
)
from specfrac.loading.content import FileContent, decode, lines_of
from specfrac.loading.dialect import SEPARATORS, Dialect, find_dialect
from specfrac.loading.endings import is_whole
from specfrac.loading.faults import refuse_lone_points, shown
from specfrac.loading.headings import Headings, find_headings, title_above
from specfrac.loading.joining import joined, refuse_torn_row
from specfrac.loading.layouts import by_columns
from specfrac.loading.long import by_named_labels, by_numbered_labels
from specfrac.loading.plain import read_plain
from specfrac.loading.plate import by_plates
from specfrac.loading.simple import read_simple
from specfrac.loading.table import SURE_ROWS, Table, tables_of
from specfrac.loading.words import preamble_ordinate

_Interpreter = Callable[[Table, Headings, str], Interpretation]
_INTERPRETERS: tuple[_Interpreter, ...] = (
    by_rows,
    by_named_labels,
    by_columns,
    by_numbered_labels,
)
_TWO_NUMBERS = re.compile(r"[\s\"'+-]*[0-9].*[\s;,|].*[0-9]")
_LONGEST = 200
_MAX_HEADER = 200
_MAX_SKIPPED = 10
_MOST_CELLS = 5_000_000
"""Where the short way does not serve; two thousand wells at a thousand wavelengths have less."""


def recognises(content: FileContent) -> bool:
    """Every text file is tried; this reader comes last."""
    return True


def read(content: FileContent) -> Reading:
    """Read a file of delimited text.

    Raises
    ------
    ScanFileError
        If it holds no scan, or one that breaks a rule.
    """
    text = decode(content)
    if text.text.lstrip()[:1] == "{":
        raise ScanFileError(
            f"{content.name} is a structured text with braces, not a table. Export the scan as CSV."
        )
    lines = lines_of(text, content.name)
    whole = lines[-1] == ""
    while lines and not lines[-1].strip():
        lines.pop()
    table = read_plain(lines, text.text, whole=whole)
    if table is not None:
        simple = read_simple(content, lines, table, text.encoding)
        if simple is not None:
            return simple
        return _read_tables(content, lines, [table], text.encoding, ())
    dialect = find_dialect(lines)
    if dialect is None:
        raise NoScanError(_no_numbers(content.name, lines))
    if text.text.count(dialect.separator) > _MOST_CELLS:
        raise ScanFileError(
            f"{content.name} has more than {_MOST_CELLS} cells and is no plain table of numbers, "
            "which is more than is read from one file. Split it, or name the file of scans."
        )
    cut: tuple[Flag, ...] = ()
    if not whole:
        lines, cut = _without_cut_row(lines, dialect)
    tables = tables_of(lines, dialect)
    plates = by_plates(tables, lines, content.name)
    if plates is not None:
        above = lines[: tables[0].rows[0] - 1]
        part = _Part(tables[0], Headings(tables[0].n_columns), above[-_MAX_HEADER:], plates)
        return _reading(content, [part], (), text.encoding, cut)
    tables = joined(tables, lines, content.name)
    return _read_tables(content, lines, tables, text.encoding, cut)


def _no_numbers(file: str, lines: list[str]) -> str:
    for row, line in enumerate(lines, start=1):
        if _TWO_NUMBERS.match(line[:_LONGEST]):
            return (
                f"{file}, row {row}: {shown(line.strip())} is no row of numbers with one sign "
                "between cells and one decimal mark. Export columns of bare numbers, without units."
            )
    return (
        f"{file}: none of its {len(lines)} lines holds two numbers, a wavelength and a reading. "
        "Name a file of scans, exported as text (CSV) with the wavelengths."
    )


def _without_cut_row(lines: list[str], dialect: Dialect) -> tuple[list[str], tuple[Flag, ...]]:
    """Drop a last line that may have been cut off."""
    tables = tables_of(lines[-FEWEST_POINTS * 2 :], dialect)
    offset = len(lines) - len(lines[-FEWEST_POINTS * 2 :])
    last = len(lines) - offset
    if not tables or tables[-1].rows[-1] < last - 1:
        return lines, ()  # the file ends with text, not with a row
    cells = dialect.split(lines[-1])
    above = [dialect.split(lines[offset + row - 1]) for row in tables[-1].rows if row < last]
    if tables[-1].rows[-1] == last and (not above or len(above[-1]) == len(cells)):
        others = [row[-1] for row in above] if len(above) >= SURE_ROWS else cells[1:-1]
        if is_whole(cells[-1], others):
            return lines, ()
    message = (
        f"the file ends in row {len(lines)} without a line end; that row, {shown(lines[-1])}, "
        "was dropped"
    )
    return lines[:-1], (Flag("truncated-file", message),)


def _read_tables(
    content: FileContent,
    lines: list[str],
    tables: list[Table],
    encoding: str,
    cut: tuple[Flag, ...],
) -> Reading:
    parts: list[_Part] = []
    skipped: list[Skipped] = []
    small: list[Skipped] = []
    end = 0
    for table in tables:
        place = f"rows {table.rows[0]}-{table.rows[-1]}"
        if len(table) < FEWEST_POINTS and table.n_columns < FEWEST_POINTS:
            small.append(Skipped(place, "its rows are too few for a scan"))
            continue
        above = lines[end : table.rows[0] - 1]
        headings = find_headings(above, table.dialect, table.n_columns)
        if not headings.rows and parts and parts[-1].headings.n_columns == table.n_columns:
            headings = parts[-1].headings  # one heading for tables one below the other
        try:
            found = _interpret(table, headings, content.name)
        except NotASpectrumError as error:
            skipped.append(Skipped(place, str(error)))
            continue
        refuse_torn_row(table, lines, content.name)
        refuse_lone_points(table, lines, content.name)
        end = table.rows[-1]
        small.clear()  # what stands above a table belongs to its header
        parts.append(_Part(table, headings, above[-_MAX_HEADER:], found))
        skipped += found.skipped
    if not parts:
        raise NoScanError(_no_scan(content.name, tables, skipped + small))
    skipped += small or _text_below(lines, end)
    return _reading(content, parts, skipped, encoding, cut)


@dataclass(frozen=True, slots=True)
class _Part:
    table: Table
    headings: Headings
    above: list[str]
    found: Interpretation


def _interpret(table: Table, headings: Headings, file: str) -> Interpretation:
    """Return the first interpretation that fits; the refusal by columns speaks for all."""
    reason = NotASpectrumError("nothing in it is a spectrum")
    for interpret in _INTERPRETERS:
        try:
            return interpret(table, headings, file)
        except NotASpectrumError as error:
            reason = error if interpret is by_columns else reason
    raise reason


def _no_scan(file: str, tables: Sequence[Table], skipped: Sequence[Skipped]) -> str:
    longest = max(tables, key=len, default=None)
    if longest is not None and len(longest) < FEWEST_POINTS:
        return (
            f"{file}: the longest table has {len(longest)} rows (from row {longest.rows[0]}), but "
            f"a scan needs at least {FEWEST_POINTS} points. "
            "Export the whole scan, at a step of 1 nm or less."
        )
    reasons = "; ".join(map(str, skipped[:3])) or "no rows of numbers"
    return (
        f"{file}: no scan was found ({reasons}). Give columns of wavelength in nm and absorbance, "
        "with a heading such as 'wavelength_nm,absorbance'."
    )


def _text_below(lines: Sequence[str], end: int) -> list[Skipped]:
    """Report text after the last table, such as a log."""
    below = [row for row, line in enumerate(lines[end:], start=end + 1) if line.strip(" \t,;|")]
    if not below:
        return []
    first = shown(lines[below[0] - 1].strip())
    return [Skipped(f"rows {below[0]}-{below[-1]}", f"text below the data ({first})")]


def _reading(
    content: FileContent,
    parts: Sequence[_Part],
    skipped: Sequence[Skipped],
    encoding: str,
    cut: tuple[Flag, ...],
) -> Reading:
    dialect = parts[0].table.dialect
    separator = SEPARATORS[dialect.separator]
    layouts = list(dict.fromkeys(part.found.layout for part in parts))
    layout = layouts[0] if len(parts) == 1 else "one below the other"
    header = [line for part in parts for line in part.above]
    metadata: dict[str, Any] = {
        "file": content.name,
        "layout": layout,
        "separator": separator,
        "decimal_mark": dialect.decimal,
        "encoding": encoding,
        "header": tuple(header),
    }
    titled = _with_titles(parts) if len(parts) > 1 else parts
    blocks = [block for part in titled for block in part.found.blocks]
    scans = assemble(
        content,
        blocks,
        metadata,
        preamble=preamble_ordinate(header),
        flags=cut + _skipped_flags(skipped),
    )
    return Reading(
        content.name,
        layout,
        separator,
        dialect.decimal,
        encoding,
        tuple(header),
        scans,
        tuple(skipped),
    )


def _with_titles(parts: Sequence[_Part]) -> list[_Part]:
    """Name unnamed single scans by the line above their table."""
    named = []
    for part in parts:
        blocks = part.found.blocks
        if len(blocks) == 1 and blocks[0].names == ("",):
            title = title_above(part.above, part.headings)
            found = replace(part.found, blocks=(replace(blocks[0], names=(title,)),))
            named.append(replace(part, found=found))
        else:
            named.append(part)
    return named


def _skipped_flags(skipped: Sequence[Skipped]) -> tuple[Flag, ...]:
    return tuple(Flag("skipped-content", str(part)) for part in skipped[:_MAX_SKIPPED])
