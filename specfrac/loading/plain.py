"""The short way for plain tables of numbers: one block of rows, nothing odd.

It must give exactly what the careful way (`specfrac.loading.table`) gives, or
step aside. It steps aside for quotes, gaps, words or remarks among the numbers,
text below them, thousands marks and doubtful decimal commas.
"""

from __future__ import annotations

import re

import numpy as np

from specfrac.loading.dialect import Dialect
from specfrac.loading.table import Table

_LOOKED_AT = 200
_ROW = re.compile(r"[\s+-]*[0-9.]")
_SURE_DECIMAL_COMMA = re.compile(r"(?:^|[;\t+-])0,[0-9]", re.MULTILINE)


def read_plain(lines: list[str], *, whole: bool) -> Table | None:
    """Return the table that ends a file, or None when the careful way is needed.

    Parameters
    ----------
    lines : list of str
        Without an empty line at the end.
    whole : bool
        Whether the file ends with a line end.
    """
    first = _first_row(lines)
    if first is None:
        return None
    rows = lines[first:]
    dialect = _dialect(lines[first])
    if dialect is None or not (whole or _ends_whole(rows, dialect)):
        return None
    if dialect.separator == "," or dialect.separator == " ":
        # "400,1" may be 400.1, and blanks may stand inside or between numbers
        if not _has_points(rows, dialect):
            return None
    elif "," in lines[first] or "," in rows[-1]:
        text = "\n".join(rows)
        if "." in text or not _SURE_DECIMAL_COMMA.search(text):
            return None
        dialect = Dialect(dialect.separator, ",")
        rows = text.replace(",", ".").split("\n")
    try:
        values = np.loadtxt(
            rows,
            delimiter=None if dialect.separator == " " else dialect.separator,
            comments=None,
            ndmin=2,
            dtype=np.float64,
        )
    except ValueError:
        return None
    if len(values) != len(rows) or values.shape[1] < 2 or not np.isfinite(values).all():
        return None
    if first and _may_be_data(lines[first - 1], dialect):
        return None
    return Table(values, range(first + 1, len(lines) + 1), dialect)


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
