"""From lines to tables: runs of lines that hold rows of one shape.

A table keeps numbers as numbers and notes everything else with its line, so
that whoever interprets it can name the place of a fault. Cells are kept as
arrays of numbers, not of strings: memory stays near the size of the file.
"""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from specfrac.loading.cells import BLANK, INFINITE, LITERAL, NUMBER, OVER, TEXT, Cell, CellReader
from specfrac.loading.dialect import Dialect

SURE_ROWS = 3
"""After so many rows of one shape a differing cell is a fault, not a new table."""
MOST_TABLES = 5000
"""Memory stays small; no file of scans comes in more parts."""
MOST_CELLS = 50_000
"""In a row; a longer line is no row of a scan file."""
_KEPT_FAULTS = 20
_RULES = {TEXT: "not a number", LITERAL: "literal", INFINITE: "infinite"}
_USUAL = {NUMBER: NUMBER + BLANK + OVER, TEXT: TEXT + BLANK + OVER + LITERAL, BLANK: BLANK}
_NO_CELL = Cell("", BLANK)
_KEPT_WORDS = 10_000
# Rows of nothing but numbers; the decimal mark of the other kind must not occur.
_PLAIN = {".": re.compile(r"[0-9.eE+\-,;|\t ]*"), ",": re.compile(r"[0-9,eE+\-;|\t ]*")}
_WHOLE = re.compile(r"[0-9+\-,;|\t ]*")


@dataclass(frozen=True, slots=True)
class Fault:
    """A cell that breaks its table; `rule` is "not a number", "literal" or "infinite"."""

    row: int
    column: int
    found: str
    rule: str


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """A run of rows of one shape.

    Attributes
    ----------
    values : ndarray, shape (n_rows, n_columns)
        NaN where a cell is no number.
    rows : sequence of int
        Line number of each row, counted from 1.
    dialect : Dialect
    texts : dict of int to list of str
        Columns that hold text.
    overflow : dict of int to sequence of int
        By column, the indices of rows whose cell is an overflow word.
    overflow_word : dict of int to str
        By column, the first such word.
    short_rows : sequence of int
        Indices of rows with fewer cells than the table has columns.
    faults : tuple of Fault
    integers_only : bool
        Whether no number has a decimal mark or an exponent.
    complete : bool
        Whether every cell is known to be a finite number.
    """

    values: NDArray[np.float64]
    rows: Sequence[int]
    dialect: Dialect
    texts: dict[int, list[str]] = field(default_factory=dict)
    overflow: dict[int, Sequence[int]] = field(default_factory=dict)
    overflow_word: dict[int, str] = field(default_factory=dict)
    short_rows: Sequence[int] = ()
    faults: tuple[Fault, ...] = ()
    integers_only: bool = False
    complete: bool = False

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def n_columns(self) -> int:
        """Number of columns."""
        return int(self.values.shape[1])


@dataclass(slots=True)
class _Run:
    """A table in the making."""

    kinds: str  # of each column: NUMBER, TEXT, or BLANK while nothing is known
    rows: array[int] = field(default_factory=lambda: array("q"))
    values: array[float] = field(default_factory=lambda: array("d"))
    texts: dict[int, list[str]] = field(default_factory=dict)
    overflow: dict[int, array[int]] = field(default_factory=dict)
    overflow_word: dict[int, str] = field(default_factory=dict)
    short_rows: array[int] = field(default_factory=lambda: array("q"))
    faults: list[Fault] = field(default_factory=list)
    integers_only: bool = True
    seen: dict[str, str] = field(default_factory=dict)  # a label repeats; keep one copy
    fitting: set[str] = field(default_factory=set)  # forms of rows that were found to belong
    plain_but_for: dict[str, list[int] | None] = field(default_factory=dict)  # see `_overflows`
    is_plain: bool = False  # whether the columns hold numbers and nothing else, as is now sure


def tables_of(lines: list[str], dialect: Dialect) -> list[Table]:
    """Part a file's lines into tables, in order."""
    runs: list[_Run] = []
    run: _Run | None = None
    read = CellReader(dialect.decimal)
    for line_number, line in enumerate(lines, start=1):
        if not line or line.isspace():
            continue
        if run is not None and run.is_plain and _add_plain(run, line_number, line, dialect):
            continue
        if line.count(dialect.separator) > MOST_CELLS:
            run = None
            continue
        row = [read[text] for text in dialect.split(line)]
        form = "".join([cell.kind for cell in row])
        if not (run is not None and _belongs(form, run)):
            if not _starts(form):
                run = None
                continue
            if len(runs) == MOST_TABLES:
                break  # a log or a text with numbers; what was read so far decides
            run = _Run(BLANK * len(form))
            runs.append(run)
        _add(run, line_number, row, form)
    return [_finish(run, dialect) for run in runs]


def _add_plain(run: _Run, line_number: int, line: str, dialect: Dialect) -> bool:
    """Add a row of plain numbers the short way; return False to leave it to the careful way."""
    if not _PLAIN[dialect.decimal].fullmatch(line):
        return False
    text = line if dialect.decimal == "." else line.replace(",", ".")
    cells = text.split() if dialect.separator == " " else text.split(dialect.separator)
    if len(cells) != len(run.kinds):
        return False
    try:
        values = [float(cell) for cell in cells]
    except ValueError:
        return False
    if not math.isfinite(sum(values)):
        return False
    run.values.extend(values)
    run.rows.append(line_number)
    if run.integers_only and not _WHOLE.fullmatch(line):
        run.integers_only = False
    return True


_COLUMN_KIND = str.maketrans(dict.fromkeys((OVER, LITERAL, INFINITE), NUMBER))


def _starts(form: str) -> bool:
    """Whether a line can be the first row of a table: two cells at least, one a number."""
    return len(form) - form.count(BLANK) >= 2 and (NUMBER in form or INFINITE in form)


def _belongs(form: str, run: _Run) -> bool:
    """Whether a line goes on with a table, perhaps with a fault in it.

    A row whose first cell is of the wrong kind is another thing: a heading, a
    log line, a new table.
    """
    if form in run.fitting:
        return True
    columns = run.kinds
    sure = len(run.rows) >= SURE_ROWS
    if len(form) < len(columns) and not sure:
        return False
    if form[len(columns) :].strip(BLANK):
        return False
    kinds = form.translate(_COLUMN_KIND)
    if NUMBER not in kinds:
        return False
    if columns[0] == BLANK and form[0] in (NUMBER, INFINITE) and len(run.rows) == 1:
        return False  # ",1,2,3" above rows of numbers is a heading with an empty corner
    fits = [
        BLANK in (column, kind) or column == kind
        for column, kind in zip(columns, kinds, strict=False)
    ]
    belongs = all(fits) or (sure and fits[0] and columns[0] != BLANK)
    if belongs and sure:  # from here on this form always belongs
        run.fitting.add(form)
    return belongs


def _add(run: _Run, line: int, row: list[Cell], form: str) -> None:
    index = len(run.rows)
    unsettled = BLANK in run.kinds
    if unsettled:
        _settle_kinds(run, form)
    if form not in run.plain_but_for:
        run.plain_but_for[form] = _overflows(run.kinds, form)
    overflows = run.plain_but_for[form]
    if overflows is not None:
        run.values.extend([cell.value for cell in row])
        for column in run.texts:
            _keep_text(run, column, index, row[column].text)
        for column in overflows:
            _note_overflow(run, column, index, row[column].text)
        if run.integers_only:
            run.integers_only = all([cell.whole for cell in row])
    else:
        if len(row) < len(run.kinds):
            run.short_rows.append(index)
        for column in range(len(run.kinds)):
            cell = row[column] if column < len(row) else _NO_CELL
            run.values.append(_value_in_odd_row(run, line, column, cell))
    run.rows.append(line)
    if index < SURE_ROWS or unsettled:
        run.is_plain = len(run.rows) >= SURE_ROWS and not run.kinds.strip(NUMBER)


def _overflows(kinds: str, form: str) -> list[int] | None:
    """Return which cells of a row are overflow words, or None when the row has odd cells.

    A row has none when its cells have the values to keep, as they are.
    """
    if len(kinds) != len(form) or any(
        cell not in _USUAL[column] for column, cell in zip(kinds, form, strict=True)
    ):
        return None
    pairs = enumerate(zip(kinds, form, strict=True))
    return [i for i, (column, cell) in pairs if column == NUMBER and cell == OVER]


def _settle_kinds(run: _Run, form: str) -> None:
    """Learn of columns that were blank so far what they hold."""
    kinds = form.translate(_COLUMN_KIND)
    for column, (known, kind) in enumerate(zip(run.kinds, kinds, strict=False)):
        if known == BLANK and kind == TEXT:
            run.texts[column] = []
    known_now = [
        kind if known == BLANK else known for known, kind in zip(run.kinds, kinds, strict=False)
    ]
    run.kinds = "".join(known_now) + run.kinds[len(known_now) :]
    run.plain_but_for.clear()


def _value_in_odd_row(run: _Run, line: int, column: int, cell: Cell) -> float:
    """Return the value of a cell that may be of another kind than its column, and note why."""
    index = len(run.rows)
    if run.kinds[column] == TEXT:
        _keep_text(run, column, index, cell.text)
        return math.nan
    if cell.kind == OVER:
        _note_overflow(run, column, index, cell.text)
    elif cell.kind not in (NUMBER, BLANK) and len(run.faults) < _KEPT_FAULTS:
        run.faults.append(Fault(line, column, cell.text, _RULES[cell.kind]))
    run.integers_only = run.integers_only and cell.whole
    return cell.value


def _note_overflow(run: _Run, column: int, index: int, word: str) -> None:
    run.overflow.setdefault(column, array("q")).append(index)
    run.overflow_word.setdefault(column, word)


def _keep_text(run: _Run, column: int, index: int, text: str) -> None:
    kept = run.texts[column]
    if len(kept) < index:
        kept.extend([""] * (index - len(kept)))
    kept.append(run.seen.setdefault(text, text) if len(run.seen) < _KEPT_WORDS else text)


def _finish(run: _Run, dialect: Dialect) -> Table:
    n_rows = len(run.rows)
    for kept in run.texts.values():
        kept.extend([""] * (n_rows - len(kept)))
    return Table(
        values=np.frombuffer(run.values, dtype=np.float64).reshape(n_rows, -1),
        rows=run.rows,
        dialect=dialect,
        texts=run.texts,
        overflow=dict(run.overflow),
        overflow_word=run.overflow_word,
        short_rows=run.short_rows,
        faults=tuple(run.faults),
        integers_only=run.integers_only,
    )
