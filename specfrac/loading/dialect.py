"""Which sign parts the cells and which one marks decimals.

Every pair is tried on lines of the file and the one that turns most lines into
rows of numbers wins. Two that do equally well and disagree are not decided by
taste: the file is refused.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass

from specfrac.loading.cells import NUMBER, OVER, TEXT, kind_of, uses_thousands

SEPARATORS = {"\t": "tab", ";": "semicolon", "|": "bar", ",": "comma", " ": "blanks"}
_CANDIDATES = (
    ("\t", "."), ("\t", ","), (";", "."), (";", ","), ("|", "."), ("|", ","),
    (",", "."), (" ", "."), (" ", ","), (",", ","),
)  # fmt: skip
_TRIED_LINES = 300
_TRIED_CELLS = 60
_DATE = re.compile(r"\d{1,4}([-/.:])\d{1,2}(?:\1\d{1,4})?(?:[T ,]\s*\d.*)?")
_BLANK = re.compile(r"\s")
_MAX_QUOTED = 100_000  # the csv module gives up near 131 072 characters in a cell


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a line parts into cells.

    Attributes
    ----------
    separator : str
        A key of `SEPARATORS`; ``" "`` stands for runs of blanks.
    decimal : str
        ``"."`` or ``","``.
    """

    separator: str
    decimal: str

    def split(self, line: str) -> list[str]:
        """Return the cells of a line, without quotes and blanks around them.

        A quote without its partner stays, so that its cell is no number.
        """
        if '"' in line and len(line) < _MAX_QUOTED and line.count('"') % 2 == 0:
            return self._split_quoted(line)
        if self.separator == " ":
            return line.split()
        cells = line.split(self.separator)
        return [cell.strip() for cell in cells] if _BLANK.search(line) else cells

    def _split_quoted(self, line: str) -> list[str]:
        if line[0] == line[-1] == '"':  # every cell in quotes, as whole exports have them
            inner = line[1:-1]
            cells = inner.split(f'"{self.separator}"')
            if inner.count('"') == 2 * (len(cells) - 1):
                return [cell.strip() for cell in cells]
        if self.separator == " ":
            line = re.sub(r"\s+", " ", line.strip())
        try:
            rows = list(csv.reader([line], delimiter=self.separator, skipinitialspace=True))
        except csv.Error:
            return [cell.strip() for cell in line.split(self.separator)]
        return [cell.strip() for cell in rows[0]] if rows else []


def find_dialect(lines: list[str]) -> Dialect | None:
    """Return the dialect that makes most lines rows of numbers, or None.

    Parameters
    ----------
    lines : list of str
        All lines of the file.
    """
    sample = _sample(lines)
    best: tuple[float, Dialect] | None = None
    for separator, decimal in _CANDIDATES:
        if separator != " " and not any(separator in line for line in sample):
            continue
        if separator == decimal and not any('"' in line for line in sample):
            continue  # only quotes can tell a comma in a number from one between two
        dialect = Dialect(separator, decimal)
        score = sum(_line_score(line, dialect) for line in sample)
        if score > 0 and (best is None or score > best[0]):
            best = (score, dialect)
    return None if best is None else best[1]


def _sample(lines: list[str]) -> list[str]:
    step = max(1, len(lines) // _TRIED_LINES)
    return [line for line in lines[::step] if line and not line.isspace()]


def _line_score(line: str, dialect: Dialect) -> float:
    """1 for a row of numbers, a little less when thousands marks are needed, else 0."""
    cells = dialect.split(line[:4000])[:_TRIED_CELLS]
    if len(line) > 4000:
        cells.pop()
    kinds = [kind_of(cell, dialect.decimal) for cell in cells]
    if kinds.count(NUMBER) + (NUMBER in kinds) * kinds.count(OVER) < 2:
        return 0.0
    if any(
        kind == TEXT and not any(c.isalpha() for c in cell) and not _DATE.fullmatch(cell)
        for kind, cell in zip(kinds, cells, strict=True)
    ):
        return 0.0  # "0 0,123" is not a name but two cells, or a number in another dialect
    thousands = any(
        kind == NUMBER and uses_thousands(cell, dialect.decimal)
        for kind, cell in zip(kinds, cells, strict=True)
    )
    return 0.9 if thousands else 1.0
