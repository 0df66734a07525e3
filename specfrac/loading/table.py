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

from specfrac.loading.cells import BLANK, LITERAL, NUMBER, OVER, TEXT, kind_of, number
from specfrac.loading.dialect import Dialect

SURE_ROWS = 3
"""After so many rows of one shape a differing cell is a fault, not a new table."""
MOST_TABLES = 5000
"""Memory stays small; no file of scans comes in more parts."""
MOST_CELLS = 50_000
"""In a row; a longer line is no row of a scan file."""
_KEPT_FAULTS = 20
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

    kinds: list[str]  # of each column: NUMBER, TEXT, or BLANK while nothing is known
    rows: array[int] = field(default_factory=lambda: array("q"))
    values: array[float] = field(default_factory=lambda: array("d"))
    texts: dict[int, list[str]] = field(default_factory=dict)
    overflow: dict[int, array[int]] = field(default_factory=dict)
    overflow_word: dict[int, str] = field(default_factory=dict)
    short_rows: array[int] = field(default_factory=lambda: array("q"))
    faults: list[Fault] = field(default_factory=list)
    integers_only: bool = True
    seen: dict[str, str] = field(default_factory=dict)  # a label repeats; keep one copy

    @property
    def is_plain(self) -> bool:
        """Whether the rows so far are numbers and nothing else."""
        return len(self.rows) >= SURE_ROWS and self.kinds.count(NUMBER) == len(self.kinds)


def tables_of(lines: list[str], dialect: Dialect) -> list[Table]:
    """Part a file's lines into tables, in order."""
    runs: list[_Run] = []
    run: _Run | None = None
    for line_number, line in enumerate(lines, start=1):
        if not line or line.isspace():
            continue
        if run is not None and run.is_plain and _add_plain(run, line_number, line, dialect):
            continue
        if line.count(dialect.separator) > MOST_CELLS:
            run = None
            continue
        cells = dialect.split(line)
        kinds = [kind_of(cell, dialect.decimal) for cell in cells]
        if not (run is not None and _belongs(kinds, run)):
            if not _starts(kinds):
                run = None
                continue
            if len(runs) == MOST_TABLES:
                break  # a log or a text with numbers; what was read so far decides
            run = _Run([_column_kind(kind) for kind in kinds])
            runs.append(run)
        _add(run, line_number, cells, kinds, dialect)
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


def _column_kind(kind: str) -> str:
    return kind if kind in (TEXT, BLANK) else NUMBER


def _starts(kinds: list[str]) -> bool:
    """Whether a line can be the first row of a table: two cells at least, one a number."""
    return len(kinds) - kinds.count(BLANK) >= 2 and NUMBER in kinds


def _belongs(kinds: list[str], run: _Run) -> bool:
    """Whether a line goes on with a table, perhaps with a fault in it.

    A row whose first cell is of the wrong kind is another thing: a heading, a
    log line, a new table.
    """
    columns = run.kinds
    sure = len(run.rows) >= SURE_ROWS
    if len(kinds) < len(columns) and not sure:
        return False
    if any(kind != BLANK for kind in kinds[len(columns) :]):
        return False
    if columns[0] == BLANK and kinds[0] == NUMBER and len(run.rows) == 1:
        return False  # ",1,2,3" above rows of numbers is a heading with an empty corner
    fits = [
        BLANK in (column, kind) or column == _column_kind(kind)
        for column, kind in zip(columns, kinds, strict=False)
    ]
    if not any(kind in (NUMBER, OVER, LITERAL) for kind in kinds):
        return False
    return all(fits) or (sure and fits[0] and columns[0] != BLANK)


def _add(run: _Run, line: int, cells: list[str], kinds: list[str], dialect: Dialect) -> None:
    index, n_columns = len(run.rows), len(run.kinds)
    for column in range(n_columns):
        cell, kind = (cells[column], kinds[column]) if column < len(cells) else ("", BLANK)
        expected = run.kinds[column]
        if expected == BLANK and kind != BLANK:
            run.kinds[column] = expected = _column_kind(kind)
        value = np.nan
        if expected == TEXT:
            kept = run.texts.setdefault(column, [])
            kept.extend([""] * (index - len(kept)))
            kept.append(run.seen.setdefault(cell, cell) if len(run.seen) < _KEPT_WORDS else cell)
        elif kind == NUMBER:
            value = _read_number(run, line, column, cell, dialect)
        elif kind == OVER:
            run.overflow.setdefault(column, array("q")).append(index)
            run.overflow_word.setdefault(column, cell)
        elif kind != BLANK and len(run.faults) < _KEPT_FAULTS:
            rule = "literal" if kind == LITERAL else "not a number"
            run.faults.append(Fault(line, column, cell, rule))
        run.values.append(value)
    if len(cells) < n_columns:
        run.short_rows.append(index)
    run.rows.append(line)


def _read_number(run: _Run, line: int, column: int, cell: str, dialect: Dialect) -> float:
    value = number(cell, dialect.decimal)
    assert value is not None  # kind_of said so
    if run.integers_only and not cell.lstrip("+-−").isdigit():
        run.integers_only = False
    if np.isinf(value) and len(run.faults) < _KEPT_FAULTS:
        run.faults.append(Fault(line, column, cell, "infinite"))
    return value


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
