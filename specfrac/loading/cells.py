"""One cell of a table: number, blank, overflow word or text.

Values are those of Python's ``float``; nothing is guessed about a cell alone.
Which mark is the decimal one is decided for the file as a whole
(`specfrac.loading.dialect`).
"""

from __future__ import annotations

import math
import re
from functools import lru_cache
from typing import NamedTuple

NUMBER, BLANK, OVER, LITERAL, TEXT = "n", "b", "o", "x", "t"
INFINITE = "i"
"""Of a `Cell` only: a number beyond the largest one."""

_NUMBERS = {
    ".": re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eEdD][+-]?[0-9]+)?"),
    ",": re.compile(r"[+-]?(?:[0-9]+(?:,[0-9]+)?|,[0-9]+)(?:[eEdD][+-]?[0-9]+)?"),
}
_THOUSANDS = {
    ".": re.compile(r"[+-]?[1-9][0-9]{0,2}(?:[,' \u00a0\u2009\u202f’][0-9]{3})+(?:\.[0-9]*)?"),
    ",": re.compile(r"[+-]?[1-9][0-9]{0,2}(?:[.' \u00a0\u2009\u202f’][0-9]{3})+(?:,[0-9]*)?"),
}
_LONGEST = 80
_KEPT_CELLS = 8192
_MARKS = str.maketrans("", "", ",.' \u00a0\u2009\u202f’")
_MISSING = re.compile(r"-|n\.?a\.?|n/a|null|none|n\.?d\.?|n\.?m\.?|missing|blank", re.IGNORECASE)
_OVER = re.compile(
    r"over(?:flow|range|load|\s*range)?|ovrflw|ovr|ovf|ovrng|o\.?l\.?|sat(?:urated|uration|\.)?"
    r"|(?:out of|above|off) (?:range|scale)|high|>+\s*[\d.,]*|<+\s*[\d.,]*|\*+|#+|\?+"
    r"|-{2,}|\+{2,}|-\.-+"
    r"|under(?:flow|range|\s*range)?",
    re.IGNORECASE,
)
_LITERAL = re.compile(
    r"[+-]?(?:nan|inf(?:inity)?|1[.,]?#(?:inf|qnan|snan|ind|nan)\w*|∞)|nan\(\w*\)"
    r"|#(?:n/a|value!|ref!|num!|div/0!|name\?|null!)",
    re.IGNORECASE,
)


def kind_of(cell: str, decimal: str) -> str:
    """Return what a stripped cell is: NUMBER, BLANK, OVER, LITERAL or TEXT."""
    if not cell:
        return BLANK
    if len(cell) > _LONGEST:
        return TEXT
    return _kind_of(cell, decimal)


@lru_cache(maxsize=_KEPT_CELLS)
def _kind_of(cell: str, decimal: str) -> str:
    if _NUMBERS[decimal].fullmatch(cell) or (
        cell[0] in "0123456789+-−" and number(cell, decimal) is not None
    ):
        return NUMBER
    if _LITERAL.fullmatch(cell):
        return LITERAL
    if _OVER.fullmatch(cell):
        return OVER
    return BLANK if _MISSING.fullmatch(cell) else TEXT


def number(cell: str, decimal: str) -> float | None:
    """Return the number a cell holds, or None.

    Parameters
    ----------
    cell : str
        Without blanks around it.
    decimal : str
        The decimal mark, ``"."`` or ``","``. The other one may mark thousands.

    Examples
    --------
    >>> number("0,125", ","), number("1,000.5", "."), number("0,125", ".")
    (0.125, 1000.5, None)
    """
    if cell[:1] == "−":
        cell = "-" + cell[1:]
    if _NUMBERS[decimal].fullmatch(cell):
        if decimal == ",":
            cell = cell.replace(",", ".")
        try:
            return float(cell)
        except ValueError:  # the exponent mark D of older programs
            return float(cell.replace("D", "e").replace("d", "e"))
    if _THOUSANDS[decimal].fullmatch(cell):
        whole, _, part = cell.partition(decimal)
        return float(whole.translate(_MARKS) + "." + part)
    return None


def uses_thousands(cell: str, decimal: str) -> bool:
    """Whether the cell is a number only if its marks part thousands."""
    return not _NUMBERS[decimal].fullmatch(cell.replace("−", "-")) and bool(
        _THOUSANDS[decimal].fullmatch(cell)
    )


class Cell(NamedTuple):
    """A cell as it was read.

    Attributes
    ----------
    text : str
    kind : str
        As of `kind_of`, or INFINITE.
    value : float
        NaN where it is no number.
    whole : bool
        False for a number with a decimal mark, thousands marks or an exponent.
    """

    text: str
    kind: str
    value: float = math.nan
    whole: bool = True


class CellReader(dict[str, Cell]):
    """Reads stripped cells, each of the first few thousand different ones once.

    The same labels, wavelengths and readings come again and again in a long table.
    """

    def __init__(self, decimal: str) -> None:
        super().__init__()
        self._decimal = decimal

    def __missing__(self, text: str) -> Cell:
        cell = _read(text, self._decimal)
        if len(self) < _KEPT_CELLS:
            self[text] = cell
        return cell


def _read(text: str, decimal: str) -> Cell:
    kind = kind_of(text, decimal)
    value = number(text, decimal) if kind == NUMBER else None
    if value is None:
        return Cell(text, kind)
    whole = text.lstrip("+-−").isdigit()
    return Cell(text, INFINITE if math.isinf(value) else NUMBER, value, whole)
