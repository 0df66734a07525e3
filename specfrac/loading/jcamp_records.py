"""Labelled records of JCAMP-DX: ``##LABEL=value`` in blocks from TITLE to END."""

from __future__ import annotations

import re
from collections.abc import Sequence
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


def with_points(lines: list[tuple[int, str]]) -> list[tuple[int, str]]:
    """Turn decimal commas of a table into points.

    Only where most numbers have one: a comma may also stand between two.
    """
    if not any("," in text for _, text in lines) or any("." in text for _, text in lines):
        return lines
    cells = [cell for _, text in lines for cell in text.split()]
    n_commas = sum("," in cell for cell in cells)
    if 2 * n_commas < len(cells) or not all(map(_COMMA_NUMBER.fullmatch, set(cells))):
        return lines
    return [(number, text.replace(",", ".")) for number, text in lines]
