"""Labelled records of JCAMP-DX: ``##LABEL=value`` in blocks from TITLE to END."""

from __future__ import annotations

import re
from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from specfrac.errors import ScanFileError
from specfrac.loading.faults import shown

NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[EeDd][+-]?[0-9]+)?")
_LABEL = re.compile(r"\s*##([^=]*)=?(.*)")
_IGNORED = re.compile(r"[\s\-/_]")
_COMMA_NUMBER = re.compile(r"[+-]?[0-9]+(?:,[0-9]+)?")
_DECIMAL_COMMA = re.compile(r"(?<=[0-9]),(?=[0-9])")
_MOST_DEEP = 20
_MOST_BLOCKS = 20_000


@dataclass(slots=True)
class Record:
    """One labelled record; ``label`` is folded, ``written`` as in the file."""

    label: str
    written: str
    line: int
    lines: list[str]

    @property
    def value(self) -> str:
        """The text after the equals sign, on one line."""
        return " ".join(part.strip() for part in self.lines).strip()


@dataclass(slots=True)
class Section:
    """A block of the file, from TITLE to END."""

    records: dict[str, Record] = field(default_factory=dict)
    ended: bool = False

    def text(self, label: str) -> str:
        """Return a record's text, empty when there is none."""
        return self.records[label].value if label in self.records else ""

    def number(self, label: str, file: str, missing: float = np.nan) -> float:
        """Return a record's number, `missing` when there is none."""
        text = self.text(label)
        if not text:
            return missing
        found = NUMBER.fullmatch(with_point(text))
        if found is None or not np.isfinite(value := float(with_point(text).replace("D", "E"))):
            line = self.records[label].line
            raise ScanFileError(
                f"{file}, row {line}: ##{label}= is {shown(text)}, which is no finite number. "
                "Correct the label or export the scan again."
            )
        return value


class NumberedLines:
    """Lines that are not empty, with their numbers in the file; small, for there may be many."""

    def __init__(self, lines: Sequence[str], first: int) -> None:
        self._numbers = array("q", (n for n, text in enumerate(lines, start=first) if text.strip()))
        self._texts = [text for text in lines if text.strip()]

    def __len__(self) -> int:
        return len(self._texts)

    def __iter__(self) -> Iterator[tuple[int, str]]:
        return zip(self._numbers, self._texts, strict=True)

    def pop(self) -> int:
        """Drop the last line and return its number."""
        self._texts.pop()
        return self._numbers.pop()


def fold(text: str) -> str:
    """Return a label as it is compared: without blanks, dashes and slashes, in capitals."""
    return _IGNORED.sub("", text).upper()


def sections_of(lines: Sequence[str], file: str) -> list[Section]:
    """Part the file into blocks; a block inside another is a block of its own."""
    found: list[Section] = []
    still_open: list[Section] = []
    record: Record | None = None
    for line_number, line in enumerate(lines, start=1):
        text = line.partition("$$")[0]
        match = _LABEL.match(text)
        if match is None:
            if record is not None:
                record.lines.append(text)
            continue
        label = fold(match[1])
        if label == "TITLE" or not still_open:
            section = Section()
            found.append(section)
            if len(found) > _MOST_BLOCKS:
                raise ScanFileError(
                    f"{file}, row {line_number}: there are more than {_MOST_BLOCKS} blocks, the "
                    "most that are read from one file. Split it."
                )
            still_open.append(section)
            if len(still_open) > _MOST_DEEP:
                raise ScanFileError(
                    f"{file}, row {line_number}: blocks are nested more than {_MOST_DEEP} deep. "
                    "An ##END= is missing; export the scan again."
                )
        if label == "END":
            still_open.pop().ended = True
            record = None
            continue
        record = Record(label, match[1].strip(), line_number, [match[2]])
        still_open[-1].records.setdefault(label, record)
    return found


def with_point(text: str) -> str:
    """Turn a decimal comma, one between digits, into a point."""
    return text if "." in text else _DECIMAL_COMMA.sub(".", text)


def with_points(lines: NumberedLines) -> Iterator[tuple[int, str]]:
    """Turn decimal commas of a table into points.

    Only where most numbers have one: a comma may also stand between two.
    """
    if _has_decimal_commas(lines):
        return ((number, text.replace(",", ".")) for number, text in lines)
    return iter(lines)


def _has_decimal_commas(lines: NumberedLines) -> bool:
    if not any("," in text for _, text in lines) or any("." in text for _, text in lines):
        return False
    n_cells = n_commas = 0
    for _, text in lines:
        cells = text.split()
        if not all(map(_COMMA_NUMBER.fullmatch, cells)):
            return False
        n_cells += len(cells)
        n_commas += text.count(",")
    return 2 * n_commas >= n_cells
