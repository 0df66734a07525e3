"""A run sheet kept as a table: ``run.csv`` or ``run.xlsx`` with a row a scan.

The columns have the names of the fields of ``run.toml``. Entries of the run as a whole
stand in any row, the same wherever they stand. Rows with the same name are scans of
one tube. Where ``run.toml`` has a table in an entry, its parts are columns of their own, as
``blank_sample`` beside ``blank``.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from specfrac.errors import RunSheetError, did_you_mean

SEPARATORS = (",", ";", "\t")
OF_A_SCAN = (
    "scan", "sample", "blank", "quantity", "dilution_factor", "u_dilution_factor",
    "path_length_cm", "u_path_length_cm",
)  # fmt: skip
PARTS = {
    "blank": ("sample", "quantity"),
    "after_acid": ("sample", "quantity", "dilution_factor", "u_dilution_factor"),
}
"""Columns that belong to a file named in another column."""
YES = ("yes", "true", "1")
NO = ("no", "false", "0")


@dataclass(frozen=True, slots=True, eq=False)
class SheetTable:
    """The content of such a table in the form of a ``run.toml``.

    Attributes
    ----------
    run : mapping
        Entries of the run as a whole.
    fractions : tuple of mapping
        One a tube.
    places : tuple of str
        Where each tube stands, for messages.
    """

    run: Mapping[str, Any]
    fractions: tuple[Mapping[str, Any], ...]
    places: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Fields:
    """Names of the fields a sheet may have.

    Attributes
    ----------
    run, fraction : frozenset of str
    numbers : frozenset of str
        Fields that hold a number.
    """

    run: frozenset[str]
    fraction: frozenset[str]
    numbers: frozenset[str]


def sheet_table(
    text: str, place: str, fields: Fields, *, separator: str | None = None
) -> SheetTable:
    """Read the text of a ``run.csv``.

    Parameters
    ----------
    text : str
        Separated by comma, semicolon or tab; with semicolons and tabs a decimal comma is read.
    place : str
        Name of the file, for messages.
    fields : Fields
    separator : str, optional
        Found from the first row by default.

    Returns
    -------
    SheetTable

    Raises
    ------
    RunSheetError
        If a column is not known, or rows contradict one another.
    """
    lines = text.split("\n")
    above = next((i for i, line in enumerate(lines) if line.strip()), len(lines))
    if above == len(lines):
        raise RunSheetError(f"{place}: the table is empty. Its first row names the fields.")
    if separator is None:
        separator = max(SEPARATORS, key=lines[above].count)
    try:
        rows = list(csv.reader(io.StringIO("\n".join(lines[above:])), delimiter=separator))
    except csv.Error as error:
        raise RunSheetError(
            f"{place}: the table cannot be read ({error}). Check its quotes."
        ) from None
    columns = [name.strip() for name in rows[0]]
    _check_columns(columns, place, fields)
    run: dict[str, Any] = {}
    tubes: dict[str, tuple[dict[str, Any], list[int]]] = {}
    for number, cells in enumerate(rows[1:], start=above + 2):
        if not any(cell.strip() for cell in cells):
            continue
        while len(cells) > len(columns) and not cells[-1].strip():
            cells.pop()
        if len(cells) > len(columns):
            raise RunSheetError(
                f"{place}, row {number}: {len(cells)} cells, but {len(columns)} columns. "
                "Put text that holds the separator in quotes."
            )
        entries = {
            key: _value(key, cell.strip(), fields, separator)
            for key, cell in zip(columns, cells, strict=False)
            if cell.strip()
        }
        entries = _with_parts(entries, f"{place}, row {number}")
        _add_to_run(run, entries, f"{place}, row {number}", fields)
        own = {key: value for key, value in entries.items() if key not in fields.run}
        if own:
            _add_to_tube(tubes, own, f"{place}, row {number}", number)
    return SheetTable(
        run,
        tuple(_with_scans(tube) for tube, _ in tubes.values()),
        tuple(f"{place}, row {numbers[0]}" for _, numbers in tubes.values()),
    )


def _with_parts(entries: dict[str, Any], place: str) -> dict[str, Any]:
    """Return a row with ``blank_sample`` and its like put into the entry they belong to."""
    for key, parts in PARTS.items():
        given = {part: entries.pop(f"{key}_{part}") for part in parts if f"{key}_{part}" in entries}
        if given and key not in entries:
            raise RunSheetError(
                f"{place}: {key}_{next(iter(given))} is given without {key}. Give both, or neither."
            )
        if given:
            entries[key] = {"file": entries[key], **given}
    return entries


def _check_columns(columns: Iterable[str], place: str, fields: Fields) -> None:
    known = fields.run | fields.fraction
    seen = set()
    for name in columns:
        if name and name not in known:
            raise RunSheetError(
                f"{place}: the column {name!r} is not known. {did_you_mean(name, known)}"
            )
        if name and name in seen:
            raise RunSheetError(f"{place}: the column {name!r} stands twice. Keep one.")
        seen.add(name)
    if "name" not in seen:
        raise RunSheetError(f"{place}: there is no column 'name'. It names the tubes.")


def _value(key: str, cell: str, fields: Fields, separator: str) -> Any:
    """Return a cell as the value it would be in ``run.toml``, or as text."""
    if key in fields.numbers:
        number = cell.replace(",", ".") if separator != "," else cell
        try:
            return float(number)
        except ValueError:
            return cell
    if key == "candidates":
        return [part.strip() for part in re.split(r"[|;,]", cell) if part.strip()]
    if key == "allow_outside_paths" and cell.casefold() in (*YES, *NO):
        return cell.casefold() in YES
    return cell


def _add_to_run(
    run: dict[str, Any], entries: Mapping[str, Any], place: str, fields: Fields
) -> None:
    for key in fields.run & set(entries):
        if run.setdefault(key, entries[key]) != entries[key]:
            raise RunSheetError(
                f"{place}: {key} is {entries[key]!r}, but an earlier row has {run[key]!r}. "
                "It belongs to the whole run: give one value."
            )


def _add_to_tube(
    tubes: dict[str, tuple[dict[str, Any], list[int]]],
    entries: dict[str, Any],
    place: str,
    number: int,
) -> None:
    name = str(entries.get("name", ""))
    if not name:
        raise RunSheetError(f"{place}: the name is missing. Give the tube a name.")
    scan = {key: entries[key] for key in OF_A_SCAN if key in entries}
    shared = {key: value for key, value in entries.items() if key not in OF_A_SCAN}
    if name not in tubes:
        tubes[name] = ({**shared, "scans": []}, [])
    tube, numbers = tubes[name]
    for key, value in shared.items():
        if tube.setdefault(key, value) != value:
            raise RunSheetError(
                f"{place}: {key} is {value!r}, but row {numbers[0]} has {tube[key]!r} for the same "
                "tube. Give one value, or other names."
            )
    numbers.append(number)
    tube["scans"].append(scan)


def _with_scans(tube: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return a tube with its scans as ``run.toml`` would hold them."""
    rest = {key: value for key, value in tube.items() if key != "scans"}
    rows = tube["scans"]
    given = [row for row in rows if "scan" in row]
    if not given:
        return {**rest, **rows[0]}
    if len(rows) == 1:
        return {**rest, **rows[0]}
    entries = [
        {("file" if key == "scan" else key): value for key, value in row.items()} for row in given
    ]
    return {**rest, "scans": entries}
