"""The short way for plain tables of numbers: one block of rows, nothing odd.

It must give exactly what the careful way (`specfrac.loading.table`) gives, or
step aside. It steps aside for quotes, gaps, words or remarks among the numbers,
text below them, thousands marks and doubtful decimal commas.
"""

from __future__ import annotations

import math
import re

import numpy as np

from specfrac.loading.dialect import Dialect
from specfrac.loading.fixed import FEWEST_CELLS, read_fixed
from specfrac.loading.table import Table

_LOOKED_AT = 200
FEWEST_ROWS = 3
_ROW = re.compile(r"[\s+-]*[0-9.]")
_SURE_DECIMAL_COMMA = re.compile(r"(?:^|[;\t+-])0,[0-9]", re.MULTILINE)


def read_plain(lines: list[str], text: str, *, whole: bool) -> Table | None:
    """Return the table that ends a file, or None when the careful way is needed.

    Parameters
    ----------
    lines : list of str
        Without an empty line at the end.
    text : str
        The same, in one piece.
    whole : bool
        Whether the file ends with a line end.
    """
    first = _first_row(lines)
    dialect = None if first is None else _dialect(lines[first])
    if first is None or dialect is None or dialect.separator + "." in text:
        return None  # for the last, see `faults.refuse_lone_points`
    rows = lines[first:]
    if not (whole or _ends_whole(rows, dialect)) or (
        first and _may_be_data(lines[first - 1], dialect)
    ):
        return None
    if dialect.separator in ", ":
        # "400,1" may be 400.1, and blanks may stand inside or between numbers
        return _table(rows, first, dialect) if _has_points(rows, dialect) else None
    if "," in rows[0] or "," in rows[-1]:
        joined = "\n".join(rows)
        odd = "." in joined or dialect.separator + "," in joined
        if odd or not _SURE_DECIMAL_COMMA.search(joined):
            return None
        return _table(joined.replace(",", ".").split("\n"), first, Dialect(dialect.separator, ","))
    return _table(rows, first, dialect)


def _table(rows: list[str], first: int, dialect: Dialect) -> Table | None:
    delimiter = None if dialect.separator == " " else dialect.separator
    if delimiter and len(rows) * rows[0].count(delimiter) >= FEWEST_CELLS:
        fixed = read_fixed(rows, delimiter)
        if fixed is not None and math.isfinite(fixed.sum()):
            return Table(fixed, range(first + 1, first + 1 + len(rows)), dialect, complete=True)
    try:
        values = np.loadtxt(rows, delimiter=delimiter, comments=None, ndmin=2, dtype=np.float64)
    except ValueError:
        return None
    if len(values) != len(rows) or values.shape[1] < 2 or len(rows) < FEWEST_ROWS:
        return None
    if not math.isfinite(values.sum()):
        return None
    return Table(values, range(first + 1, first + 1 + len(rows)), dialect, complete=True)


def _first_row(lines: list[str]) -> int | None:
    """Return the index of the first line that opens like a row, with rows after it."""
    n_lines = len(lines)
    for i in range(min(_LOOKED_AT, n_lines - 1)):
        if _ROW.match(lines[i]) and _ROW.match(lines[i + 1]):
            return i
    return None


def _ends_whole(rows: list[str], dialect: Dialect) -> bool:
    """Whether the last number has as many decimals as all above it (see `endings`)."""
    last = rows[-1]
    if last.rfind(".") < last.rfind(dialect.separator) or any("e" in r or "E" in r for r in rows):
        return False
    return last[-1:].isdigit() and len({len(row) - row.rfind(".") for row in rows}) == 1


def _dialect(line: str) -> Dialect | None:
    if '"' in line or "|" in line:
        return None
    for separator in "\t;,":
        if separator in line:
            return Dialect(separator, ".")
    return Dialect(" ", ".")


def _has_points(rows: list[str], dialect: Dialect) -> bool:
    """Whether rows have decimal points (and, between blanks, no commas)."""
    some = rows[0] + "\n" + rows[len(rows) // 2] + "\n" + rows[-1]
    return "." in some and (dialect.separator == "," or "," not in some)


def _may_be_data(line: str, dialect: Dialect) -> bool:
    """Whether the line above the rows is a row too, with something odd in it."""
    return bool(_ROW.match(line)) or line[:1] == dialect.separator != " "
