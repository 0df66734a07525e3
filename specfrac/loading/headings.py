"""The lines above a table: which of them head its columns, and what they say."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from specfrac.loading.cells import NUMBER, kind_of
from specfrac.loading.dialect import SEPARATORS, Dialect
from specfrac.loading.words import (
    axis_word,
    is_only_quantity,
    may_matter,
    names_no_spectrum,
    names_samples,
    ordinate_word,
)

_LOOKED_AT = 6
_FEW_COLUMNS = 8
_LONGEST_LOOSE = 300
_KEPT_LINES, _KEPT_LETTERS = 20, 2000
_COMMENT = re.compile(r"^\s*(?:#+|//+|!+|\"#+)\s*")
_KEY_VALUE = re.compile(r"([^:=;,\t]+?)\s*[:=;,\t]\s*(.*)")
_FORMULA_GUARD = re.compile(r"^'(?=[=+\-@])")  # written before names, see `writing`
_WIDE_BLANKS = re.compile(r"\s{2,}|\t")


@dataclass(frozen=True, slots=True)
class Heading:
    """What the cells above one column say.

    Attributes
    ----------
    title : str
        All of it.
    name : str
        The sample's name, or an empty string.
    axis_unit : str or None
        Unit of the axis named ("nm", "1/cm", "?" for none given), see `words.axis_word`.
    ordinate : str or None
        The quantity named, see `words.ordinate_word`.
    no_spectrum : bool
        Whether it names a count, a time, a temperature or the like.
    """

    title: str = ""
    name: str = ""
    axis_unit: str | None = None
    ordinate: str | None = None
    no_spectrum: bool = False


@lru_cache(maxsize=4096)
def heading_of(cells: tuple[str, ...]) -> Heading:
    """Understand the filled cells above a column, given from top to bottom."""
    units = [unit for unit in map(axis_word, cells) if unit is not None]
    words = [word for word in map(ordinate_word, cells) if word is not None]
    cells = tuple([_FORMULA_GUARD.sub("", cell) for cell in cells])
    useful = [c for c in cells if not is_only_quantity(c) and axis_word(c) is None]
    # "Wavelength" above "cm-1" or "x" above "nm": the row with a unit knows better
    unit = next((u for u in reversed(units) if u != "?"), units[0] if units else None)
    return Heading(
        title=" ".join(cells),
        name=" ".join(dict.fromkeys(useful)),
        axis_unit=unit,
        ordinate=words[-1] if words else None,
        no_spectrum=any(map(names_no_spectrum, cells)),
    )


_NO_HEADING = Heading()


@dataclass(frozen=True, slots=True)
class Headings:
    """The heading rows of a table.

    Attributes
    ----------
    n_columns : int
    rows : tuple of tuple of str, each of n_columns cells
        From top to bottom; empty when the table has no heading.
    telling : bool
        Whether any heading may hold more than sample names.
    """

    n_columns: int
    rows: tuple[tuple[str, ...], ...] = ()
    telling: bool = True

    def column(self, column: int) -> Heading:
        """Return what is written above a column."""
        if not self.rows:
            return _NO_HEADING
        return heading_of(tuple([row[column] for row in self.rows if row[column]]))


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
    if len(above) <= _KEPT_LINES and sum(map(len, above)) <= _KEPT_LETTERS:
        return _find_again(tuple(above), dialect, n_columns)
    return _find(above, dialect, n_columns)


def _find(above: Sequence[str], dialect: Dialect, n_columns: int) -> Headings:
    candidates = _candidates(above, dialect, n_columns)
    named = [any(axis_word(cell) for cell in set(row)) for row in candidates]
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
    telling = n_columns <= _FEW_COLUMNS or any(may_matter(tuple(row[1:])) for row in filled)
    return Headings(n_columns, tuple([tuple(row) for row in reversed(filled)]), telling)


_find_again = lru_cache(maxsize=64)(_find)
"""Files of one instrument have the same lines above their data."""


def _candidates(above: Sequence[str], dialect: Dialect, n_columns: int) -> list[list[str]]:
    """Return the lines directly above that part into the right number of cells, nearest first."""
    found: list[list[str]] = []
    for line in reversed(above[-4 * _LOOKED_AT :]):
        if not line.strip(" \t,;|"):
            continue
        row = _split_heading(line, dialect, n_columns, nearest=not found)
        if row is None or len(found) == _LOOKED_AT:
            break
        found.append(row)
    return found


def _split_heading(
    line: str, dialect: Dialect, n_columns: int, *, nearest: bool
) -> list[str] | None:
    text = _COMMENT.sub("", line)
    plainly = dialect.split(text)
    for cells in _ways_to_split(text, plainly, dialect, n_columns):
        while len(cells) > n_columns and not cells[-1]:
            cells.pop()
        while len(cells) > n_columns and not cells[0] and line.lstrip().startswith("#"):
            cells.pop(0)
        if len(cells) == n_columns:
            return cells
        missing_one = nearest and len(cells) == n_columns - 1 >= 2 and _alike(cells, dialect)
        if missing_one and not any(axis_word(cell) for cell in set(cells)):
            return ["", *cells]  # a table written without a heading for its first column
    if 2 <= len(plainly) < n_columns:
        return plainly + [""] * (n_columns - len(plainly))
    if n_columns == 2 and axis_word(text) is None and ordinate_word(text) is None:
        return None
    return _split_loosely(text) if n_columns == 2 else None


def _alike(cells: list[str], dialect: Dialect) -> bool:
    """Whether all cells are numbers, or none is."""
    return len({kind_of(cell, dialect.decimal) == NUMBER for cell in set(cells)}) == 1


def _ways_to_split(
    text: str, plainly: list[str], dialect: Dialect, n_columns: int
) -> list[list[str]]:
    ways = [list(plainly)]
    if dialect.separator == " " and len(text) <= _LONGEST_LOOSE:
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
    if len(text) > _LONGEST_LOOSE:
        return None
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
    numbers = {cell for cell in set(filled) if kind_of(cell, dialect.decimal) == NUMBER}
    words = [cell for cell in filled if cell not in numbers]
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


def title_above(above: Sequence[str], headings: Headings) -> str:
    """Return the sample name that stands on a line of its own above a table.

    "Sample: yellow cut" counts, and so does the only line of text when there
    is no other. Needed where tables stand one below the other.
    """
    texts = [line.strip(" \t,;|\"'#") for line in above]
    texts = [text for text in texts if text]
    for text in texts:
        match = _KEY_VALUE.fullmatch(text[:_LONGEST_LOOSE])
        if match and names_samples(match[1]) and match[2].strip(" \"'"):
            return match[2].strip(" \"'")
    free = texts[: len(texts) - len(headings.rows)]
    return free[0] if len(free) == 1 and not _KEY_VALUE.fullmatch(free[0][:_LONGEST_LOOSE]) else ""
