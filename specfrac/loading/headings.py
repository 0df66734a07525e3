"""The lines above a table: which of them head its columns, and what they say."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from specfrac.loading.cells import NUMBER, kind_of
from specfrac.loading.dialect import SEPARATORS, Dialect
from specfrac.loading.words import axis_word, is_only_quantity, names_no_spectrum, ordinate_word

_LOOKED_AT = 6
_COMMENT = re.compile(r"^\s*(?:#+|//+|!+|\"#+)\s*")
_WIDE_BLANKS = re.compile(r"\s{2,}|\t")


@dataclass(frozen=True, slots=True)
class Headings:
    """The heading rows of a table.

    Attributes
    ----------
    rows : tuple of tuple of str, each of n_columns cells
        From top to bottom; empty when the table has no heading.
    """

    n_columns: int
    rows: tuple[tuple[str, ...], ...] = ()

    def cells(self, column: int) -> list[str]:
        """Return the filled cells above a column, from top to bottom."""
        return [row[column] for row in self.rows if row[column]]

    def axis_unit(self, column: int) -> str | None:
        """Return the unit of the axis that the column's heading names, or None."""
        named = [unit for unit in map(axis_word, self.cells(column)) if unit is not None]
        # "Wavelength" above "cm-1" or "x" above "nm": the row with a unit knows better
        return next((u for u in reversed(named) if u != "?"), named[0] if named else None)

    def ordinate(self, column: int) -> str | None:
        """Return the quantity that the column's heading names, or None."""
        words = (ordinate_word(cell) for cell in reversed(self.cells(column)))
        return next((word for word in words if word is not None), None)

    def no_spectrum(self, column: int) -> bool:
        """Whether the heading names a count, a time, a temperature or the like."""
        return any(names_no_spectrum(cell) for cell in self.cells(column))

    def name(self, column: int) -> str:
        """Return the sample name in a column's heading, or an empty string."""
        useful = [
            cell
            for cell in self.cells(column)
            if not is_only_quantity(cell) and axis_word(cell) is None
        ]
        return " ".join(dict.fromkeys(useful))


def find_headings(above: Sequence[str], dialect: Dialect, n_columns: int) -> Headings:
    """Find the heading rows among the lines above a table.

    A line heads the table when it has a word for the wavelength in it. Without
    one, it does when it stands alone, or fills more columns than a key and its
    value would.

    Parameters
    ----------
    above : sequence of str
    dialect : Dialect
    n_columns : int
    """
    candidates = _candidates(above, dialect, n_columns)
    named = [any(axis_word(cell) for cell in row) for row in candidates]
    if True in named:
        nearest = named.index(True)
        rows = candidates[: nearest + 1]
        if nearest + 1 < len(candidates) and _heads_samples(candidates[nearest + 1]):
            rows = [*rows, candidates[nearest + 1]]
    elif candidates and _heads_alone(candidates[0], above, dialect):
        rows = candidates[:1]
    else:
        rows = []
    filled = [_filled_forward(row) if i == len(rows) - 1 > 0 else row for i, row in enumerate(rows)]
    return Headings(n_columns, tuple(tuple(row) for row in reversed(filled)))


def _candidates(above: Sequence[str], dialect: Dialect, n_columns: int) -> list[list[str]]:
    """Return the lines directly above that part into the right number of cells, nearest first."""
    found: list[list[str]] = []
    for line in reversed(above[-4 * _LOOKED_AT :]):
        if not line.strip(" \t,;|"):
            continue
        row = _split_heading(line, dialect, n_columns)
        if row is None or len(found) == _LOOKED_AT:
            break
        found.append(row)
    return found


def _split_heading(line: str, dialect: Dialect, n_columns: int) -> list[str] | None:
    text = _COMMENT.sub("", line)
    for cells in _ways_to_split(text, dialect, n_columns):
        while len(cells) > n_columns and not cells[-1]:
            cells.pop()
        while len(cells) > n_columns and not cells[0] and line.lstrip().startswith("#"):
            cells.pop(0)
        if len(cells) == n_columns:
            return cells
        if len(cells) == n_columns - 1 >= 2 and not any(axis_word(cell) for cell in cells):
            return ["", *cells]  # a table written without a heading for its first column
    cells = dialect.split(text)
    if 2 <= len(cells) < n_columns:
        return cells + [""] * (n_columns - len(cells))
    if n_columns == 2 and axis_word(text) is None and ordinate_word(text) is None:
        return None
    return _split_loosely(text) if n_columns == 2 else None


def _ways_to_split(text: str, dialect: Dialect, n_columns: int) -> list[list[str]]:
    ways = [dialect.split(text)]
    if dialect.separator == " ":
        ways = [
            _WIDE_BLANKS.split(text.strip()),
            re.sub(r"\s+([(\[])", r"_\1", text).split(),
            *ways,
        ]
    for separator in SEPARATORS:
        if separator not in (dialect.separator, " ") and text.count(separator) == n_columns - 1:
            ways.append(Dialect(separator, ".").split(text))
    return ways


def _split_loosely(text: str) -> list[str] | None:
    """Split "Wavelength, nm, Absorbance, AU" at the word for the ordinate."""
    for match in re.finditer(r"[^\s,;|]+", text):
        left, right = text[: match.start()], text[match.start() :]
        if axis_word(left) and ordinate_word(match.group()) and not axis_word(right):
            return [left.strip(" ,;|\t"), right.strip(" ,;|\t")]
    return None


def _heads_samples(row: list[str]) -> bool:
    """Whether a row above the heading row holds sample names, not a key and its value."""
    filled = [i for i, cell in enumerate(row) if cell]
    if not filled or row[0].endswith((":", "=")):
        return False
    return not row[0] or any(i > 1 for i in filled)


def _heads_alone(row: list[str], above: Sequence[str], dialect: Dialect) -> bool:
    """Whether a row without a word for the wavelength heads the table all the same."""
    filled = [cell for cell in row if cell]
    words = [cell for cell in filled if kind_of(cell, dialect.decimal) != NUMBER]
    if row[0].endswith((":", "=")) or not filled:
        return False
    if len(row) > 2:
        return len(filled) >= len(row) - 1 and (bool(words) or not row[0])
    lines = [line for line in above if line.strip(" \t,;|")]
    alone = len(lines) == 1 and len(words) == len(filled)
    return alone or not row[0] or (bool(row[1]) and ordinate_word(row[1]) is not None)


def _filled_forward(row: list[str]) -> list[str]:
    """Spread a name over the blank cells after it, as a merged cell of a spreadsheet means."""
    spread = list(row)
    for i in range(2, len(spread)):
        if not spread[i]:
            spread[i] = spread[i - 1]
    return spread
