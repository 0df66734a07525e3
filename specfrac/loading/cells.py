"""One cell of a table: number, blank, overflow word or text.

Values are those of Python's ``float``; nothing is guessed about a cell alone.
Which mark is the decimal one is decided for the file as a whole
(`specfrac.loading.dialect`).
"""

from __future__ import annotations

import re

NUMBER, BLANK, OVER, LITERAL, TEXT = "n", "b", "o", "x", "t"

_NUMBERS = {
    ".": re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eEdD][+-]?[0-9]+)?"),
    ",": re.compile(r"[+-]?(?:[0-9]+(?:,[0-9]+)?|,[0-9]+)(?:[eEdD][+-]?[0-9]+)?"),
}
_THOUSANDS = {
    ".": re.compile(r"[+-]?[1-9][0-9]{0,2}(?:[,' \u00a0\u2009\u202f’][0-9]{3})+(?:\.[0-9]*)?"),
    ",": re.compile(r"[+-]?[1-9][0-9]{0,2}(?:[.' \u00a0\u2009\u202f’][0-9]{3})+(?:,[0-9]*)?"),
}
_LONGEST = 80
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
