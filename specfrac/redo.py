"""Redo an analysis from its record: did inputs, settings or numbers change?"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from specfrac.errors import InputError, RunSheetError, SpecfracError
from specfrac.records import FORMAT
from specfrac.references import ReferenceLibrary
from specfrac.run import analyse_run
from specfrac.sheet import SHEET_NAME, SHEET_NAMES, read_run

TOLERANCE = 1e-6  # relative; another processor's arithmetic stays well below
SEARCHED_LEVELS = 3
COMPARED = ("run", "fractions", "balance", "extracted", "pooling", "elution")
NAMES = ("name", "pigment", "group", "set", "kind", "wanted_share", "file")
WHAT_TO_SHOW = 5


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that is not as the record says.

    Attributes
    ----------
    place : str
        Where, e.g. ``"fractions / green wash / pigments / lutein / mass_ug"``.
    before, after : object
        None where it was not there.
    """

    place: str
    before: Any
    after: Any

    def __str__(self) -> str:
        return f"{self.place}: {_shown(self.before)} before, {_shown(self.after)} now"


@dataclass(frozen=True, slots=True, eq=False)
class RecordCheck:
    """What became of a record when its analysis was repeated.

    Attributes
    ----------
    folder : Path
        Where the run was found.
    versions, inputs, settings, numbers : tuple of Change
        Of specfrac and library; digests of input files; settings; results. Numbers
        count as changed beyond one part in a million, the largest change first.
    repeated : bool
        False when the analysis could not be repeated, so that no number was compared.
    problem : str
        Why it could not.
    """

    folder: Path
    versions: tuple[Change, ...]
    inputs: tuple[Change, ...]
    settings: tuple[Change, ...]
    numbers: tuple[Change, ...]
    repeated: bool
    problem: str

    @property
    def same(self) -> bool:
        """True when inputs, settings and numbers are those of the record."""
        return self.repeated and not (self.inputs or self.settings or self.numbers)

    def text(self) -> str:
        """Return what was found in a few lines."""
        lines = []
        for title, changes in (
            ("versions", self.versions),
            ("inputs", self.inputs),
            ("settings", self.settings),
            ("results", self.numbers),
        ):
            if changes:
                lines.append(f"{title}: {len(changes)} changed")
                lines += [f"  {change}" for change in changes[:WHAT_TO_SHOW]]
                if len(changes) > WHAT_TO_SHOW:
                    lines.append(f"  and {len(changes) - WHAT_TO_SHOW} more")
            else:
                lines.append(f"{title}: the same")
        if not self.repeated:
            lines[-1] = f"results: not compared, {self.problem}"
        return "\n".join(lines)


def check_record(
    record: str | Path,
    *,
    folder: str | Path | None = None,
    library: ReferenceLibrary | None = None,
) -> RecordCheck:
    """Repeat an analysis from its record and say what changed.

    Parameters
    ----------
    record : path
        A ``result.json``.
    folder : path, optional
        The run; by default the nearest folder above the record that holds a run sheet.
    library : ReferenceLibrary, optional
        Default: the built-in one.

    Returns
    -------
    RecordCheck

    Raises
    ------
    InputError
        If the record cannot be read, is of a later format, or its run is not found.
    """
    path = Path(record)
    before = read_record(path)
    where = _run_folder(path) if folder is None else Path(folder)
    inputs = _input_changes(before, where)
    try:
        after = analyse_run(read_run(where, library=library), library).record()
    except SpecfracError as error:
        return RecordCheck(where, (), inputs, (), (), False, str(error))
    listed = {one["path"] for one in before.get("inputs", ())}
    new = [one for one in after["inputs"] if one["path"] not in listed]
    return RecordCheck(
        folder=where,
        versions=_changes(
            {key: before.get(key) for key in ("specfrac_version", "library_version")},
            {key: after[key] for key in ("specfrac_version", "library_version")},
        ),
        inputs=(*inputs, *(Change(one["path"], None, one["sha256"]) for one in new)),
        settings=_changes(before.get("settings", {}), after["settings"]),
        numbers=_changes(_compared(before), _compared(after)),
        repeated=True,
        problem="",
    )


def read_record(path: str | Path) -> dict[str, Any]:
    """Read a ``result.json`` of this format or an earlier one.

    Raises
    ------
    InputError
        If it is no such record, or of a later format.
    """
    path = Path(path)
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}).") from None
    except ValueError as error:
        raise InputError(f"{path}: is no record of a run: {error}.") from None
    if not isinstance(record, dict) or "format" not in record or "fractions" not in record:
        raise InputError(f"{path}: is no record of a run. Give a result.json of specfrac.")
    if not isinstance(record["format"], int) or record["format"] > FORMAT:
        raise InputError(
            f"{path}: has format {record['format']!r}, but this specfrac reads up to {FORMAT}. "
            "Use a later version."
        )
    inputs = record.get("inputs", [])
    if not isinstance(inputs, list) or not all(map(_names_a_file, inputs)):
        raise InputError(
            f"{path}: its inputs must be a list of a path and a sha256 each. Give a result.json as "
            "specfrac wrote it."
        )
    return record


def _names_a_file(given: Any) -> bool:
    return isinstance(given, dict) and all(
        isinstance(given.get(key), str) and "\0" not in given[key] for key in ("path", "sha256")
    )


def _run_folder(record: Path) -> Path:
    for folder in list(record.resolve().parents)[:SEARCHED_LEVELS]:
        if any((folder / name).is_file() for name in SHEET_NAMES):
            return folder
    raise RunSheetError(
        f"{record}: no {SHEET_NAME} in its folder or the {SEARCHED_LEVELS - 1} above. "
        "Say where the run is."
    )


def _input_changes(before: Mapping[str, Any], folder: Path) -> tuple[Change, ...]:
    changes = []
    for one in before.get("inputs", ()):
        path = folder / one["path"]
        found = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else None
        if found != one["sha256"]:
            changes.append(Change(one["path"], one["sha256"], found))
    return tuple(changes)


def _compared(record: Mapping[str, Any]) -> dict[str, Any]:
    return {key: record[key] for key in COMPARED if key in record}


def _changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[Change, ...]:
    """Return the leaves that differ, the largest relative change first."""
    old, new = dict(_leaves(before)), dict(_leaves(after))
    changes = [
        Change(" / ".join(place), old.get(place), new.get(place))
        for place in dict.fromkeys([*old, *new])
        if place not in old or place not in new or not _same(old[place], new[place])
    ]
    return tuple(sorted(changes, key=lambda one: -_size(one.before, one.after)))


def _leaves(value: Any, place: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Yield every leaf of nested data with the names that lead to it."""
    if isinstance(value, Mapping) and value:
        for key, item in value.items():
            yield from _leaves(item, (*place, str(key)))
    elif isinstance(value, Sequence) and not isinstance(value, str) and value:
        for name, item in zip(_item_names(value), value, strict=True):
            yield from _leaves(item, (*place, name))
    else:
        yield place, value


def _item_names(items: Sequence[Any]) -> list[str]:
    """Return names that tell list items apart: their own where they have one, or numbers."""
    for key in NAMES:
        names = [str(item.get(key)) for item in items if isinstance(item, Mapping) and key in item]
        if len(names) == len(items) == len(set(names)):
            return names
    return [str(number) for number in range(1, len(items) + 1)]


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _same(before: Any, after: Any) -> bool:
    if _number(before) and _number(after):
        return math.isclose(before, after, rel_tol=TOLERANCE, abs_tol=TOLERANCE * TOLERANCE)
    return bool(before == after)


def _size(before: Any, after: Any) -> float:
    if _number(before) and _number(after):
        largest = max(abs(before), abs(after))
        return abs(before - after) / largest if largest else 0.0
    return math.inf


def _shown(value: Any) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, float):
        return f"{value:.6g}"
    text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."
