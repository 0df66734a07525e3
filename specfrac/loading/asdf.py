"""Ordinates of JCAMP-DX tables, plain or squeezed (ASDF).

Source: McDonald and Wilks, Appl. Spectrosc. 42 (1988) 151, clauses 5.2-5.10,
as reworded in the tests' SOURCES note. A pseudo-digit stands for separator,
sign and first digit of a number:

=====  =====================  ===========================
form   characters             meaning
=====  =====================  ===========================
SQZ    ``@A..I``, ``a..i``    a value
DIF    ``%J..R``, ``j..r``    difference from the one before
DUP    ``S..Z``, ``s``        how often the one before stands
=====  =====================  ===========================
"""

from __future__ import annotations

import re
from array import array
from collections.abc import Iterable
from dataclasses import dataclass

MOST_POINTS = 1_000_000
"""A rule of ours: a table that unfolds to more is no scan; a count can claim billions."""

_SQUEEZED = {c: str(i) for i, c in enumerate("@ABCDEFGHI")} | {
    c: f"-{i}" for i, c in enumerate("abcdefghi", start=1)
}
_DIFFERENCE = {c: str(i) for i, c in enumerate("%JKLMNOPQR")} | {
    c: f"-{i}" for i, c in enumerate("jklmnopqr", start=1)
}
_DUPLICATE = {c: str(i) for i, c in enumerate("STUVWXYZs", start=1)}
_ABSCISSA = re.compile(r"\s*([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[Ee][+-][0-9]+)?)[\s,;]*")
_TOKEN = re.compile(
    r"(?P<plain>[+-]?(?:[0-9]++(?:\.[0-9]*+)?|\.[0-9]++)(?:[Ee][+-][0-9]++)?)(?!\.)"
    r"|(?P<coded>[@A-Ia-i%J-Rj-rS-Zs])(?P<digits>[0-9]*)|(?P<missing>\?)|(?P<gap>[\s,;]+)"
)


class AsdfError(ValueError):
    """A line breaks a rule of the table; ``line`` is its number in the file."""

    def __init__(self, line: int, message: str) -> None:
        super().__init__(message)
        self.line = line


@dataclass(frozen=True, slots=True)
class Anchor:
    """The abscissa that opens a line: of which point, its value, its print, its line number."""

    index: int
    abscissa: float
    printed: str
    line: int


@dataclass(frozen=True, slots=True)
class Ordinates:
    """An unfolded table: values before YFACTOR, NaN where the file says "?"."""

    values: array[float]
    anchors: list[Anchor]


def unfold(lines: Iterable[tuple[int, str]]) -> Ordinates:
    """Unfold the lines of an XYDATA table.

    Parameters
    ----------
    lines : iterable of (line number, text)
        Each opens with an abscissa.

    Raises
    ------
    AsdfError
        If a character is unknown, a Y-check fails, or the table never ends.
    """
    values: array[float] = array("d")
    anchors: list[Anchor] = []
    check = False  # whether the next line must repeat the last value
    for line, text in lines:
        match = _ABSCISSA.match(text)
        if match is None:
            if text.strip():
                raise AsdfError(line, f"{text[:20]!r} does not open with an abscissa")
            continue
        start = len(values)
        ends_in_difference = _unfold_line(line, text[match.end() :], values)
        if len(values) == start:
            raise AsdfError(line, "an abscissa stands alone, without ordinates")
        if check:
            repeated = values.pop(start)
            start -= 1
            if repeated != values[start]:
                raise AsdfError(
                    line,
                    f"the Y-check fails: the line opens with {repeated:g}, "
                    f"the one before ended with {values[start]:g}",
                )
        anchors.append(Anchor(start, float(match[1]), match[1], line))
        check = ends_in_difference
    return Ordinates(values, anchors)


def _unfold_line(line: int, text: str, values: array[float]) -> bool:
    """Append a line's values; return whether it ends in a difference."""
    last: float | None = None
    step: float | None = None
    at = 0
    while at < len(text):
        token = _TOKEN.match(text, at)
        if token is None:
            raise AsdfError(line, f"{text[at : at + 10]!r} is no ordinate of any form")
        at = token.end()
        code = token["coded"]
        if token["gap"]:
            continue
        if code in _DUPLICATE:
            last = _repeat(line, int(_DUPLICATE[code] + token["digits"]), last, step, values)
            continue
        if code in _DIFFERENCE:
            if last is None:
                raise AsdfError(line, "a difference stands before any value")
            step = float(_DIFFERENCE[code] + token["digits"])
            last += step
        else:
            step = None
            text_of = token["plain"] or (_SQUEEZED[code] + token["digits"] if code else "nan")
            last = float(text_of)
        values.append(last)
        _refuse_endless(line, len(values))
    return step is not None


def _repeat(
    line: int, count: int, last: float | None, step: float | None, values: array[float]
) -> float:
    """Let the value, or the difference, before a count stand that often in all."""
    if last is None or count < 1:
        raise AsdfError(line, "a count of repeats stands before any value")
    _refuse_endless(line, len(values) + count)
    for _ in range(count - 1):
        last += step or 0.0
        values.append(last)
    return last


def _refuse_endless(line: int, n_points: int) -> None:
    if n_points > MOST_POINTS:
        raise AsdfError(line, f"the table unfolds to more than {MOST_POINTS} points")
