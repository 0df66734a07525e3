"""The files of the reference library as plain, checked data: built-in tables, own references."""

from __future__ import annotations

import csv
import json
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from specfrac.errors import InputError, did_you_mean

OWN_FORMAT = 1
OWN_SUFFIX = ".toml"


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """A table of the library: its first line, and its rows as text by column."""

    heading: str
    rows: tuple[Mapping[str, str], ...]


def read_table(name: str) -> Table:
    """Read one table of the built-in library as text.

    Parameters
    ----------
    name : str
        File name, e.g. ``"absorptivities.csv"``.
    """
    text = resources.files("specfrac.reference_spectra").joinpath(name).read_text("utf-8")
    lines = text.splitlines()
    heading = lines[0].lstrip("# ") if lines and lines[0].startswith("#") else ""
    rows = csv.reader(line for line in lines if line and not line.startswith("#"))
    columns = next(rows)
    return Table(heading, tuple(dict(zip(columns, row, strict=True)) for row in rows))


def listed(text: str) -> tuple[str, ...]:
    """Return the parts of a cell that holds several values, ``a|b|c``."""
    return tuple(part.strip() for part in text.split("|") if part.strip())


# Fields of a reference of one's own, by table: name and the type it must have.
OWN_FIELDS: dict[str, dict[str, type]] = {
    "pigment": {
        "key": str,
        "name": str,
        "group": str,
        "formula": str,
        "molar_mass_g_mol": float,
    },
    "reference": {
        "solvent": str,
        "grade": str,
        "scale_L_per_g_cm": float,
        "scale_uncertainty": float,
        "valid_from_nm": float,
        "valid_to_nm": float,
        "bandwidth_nm": float,
        "shape_error": float,
        "for_mass": bool,
        "reason": str,
        "sources": list,
    },
}
# "standard" is a record of where the reference comes from, of any content
OWN_TABLES = ("format", "pigment", "reference", "standard", "band")
BAND_FIELDS: dict[str, type] = {
    "centre_nm": float,
    "height": float,
    "width_nm": float,
    "region": str,
}


@dataclass(frozen=True, slots=True, eq=False)
class OwnFile:
    """The content of one file of an own reference, with the types checked.

    Attributes
    ----------
    path : Path
    pigment, reference : mapping
        Fields of `OWN_FIELDS`.
    bands : tuple of mapping
        Fields of `BAND_FIELDS`.
    """

    path: Path
    pigment: Mapping[str, Any]
    reference: Mapping[str, Any]
    bands: tuple[Mapping[str, Any], ...]


def own_files(folder: str | Path) -> tuple[OwnFile, ...]:
    """Read all references of a folder, in the order of their names.

    Raises
    ------
    InputError
        If the folder is missing, a file breaks a rule, or two files give the same
        pigment and solvent.
    """
    root = Path(folder)
    if not root.is_dir():
        raise InputError(
            f"{root}: no such folder of references. Make one with `specfrac standard`."
        )
    files = tuple(read_own_file(path) for path in sorted(root.glob("*" + OWN_SUFFIX)))
    seen: dict[tuple[str, str], Path] = {}
    for file in files:
        pair = (file.pigment["key"], file.reference["solvent"])
        if pair in seen:
            raise InputError(
                f"{file.path.name} and {seen[pair].name} in {root} both hold {pair[0]} in "
                f"{pair[1]}. Keep one of them."
            )
        seen[pair] = file.path
    return files


def read_own_file(path: Path) -> OwnFile:
    """Read one file of an own reference.

    Raises
    ------
    InputError
        If it cannot be read, or a field is missing, unknown or of the wrong type.
    """
    import tomllib

    try:
        data = tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}).") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: not a TOML file ({error}).") from error
    if data.get("format") != OWN_FORMAT:
        raise InputError(
            f"{path}: format is {data.get('format')!r}, but this version reads {OWN_FORMAT}. "
            "Make the reference again from its scan."
        )
    for name in data:
        if name not in OWN_TABLES:
            raise InputError(f"{path}: {name!r} is not known. {did_you_mean(name, OWN_TABLES)}")
    tables = {
        name: _checked(f"{path}, [{name}]", data.get(name, {}), fields)
        for name, fields in OWN_FIELDS.items()
    }
    bands = data.get("band", [])
    if not isinstance(bands, list) or not bands:
        raise InputError(f"{path}: no [[band]]. A reference needs at least one band.")
    checked = tuple(
        _checked(f"{path}, [[band]] {number}", band, BAND_FIELDS)
        for number, band in enumerate(bands, 1)
    )
    return OwnFile(path, tables["pigment"], tables["reference"], checked)


def _checked(where: str, given: Any, fields: Mapping[str, type]) -> dict[str, Any]:
    if not isinstance(given, dict):
        raise InputError(f"{where}: must be a table of fields.")
    for name in given:
        if name not in fields:
            raise InputError(f"{where}: field {name!r} is not known. {did_you_mean(name, fields)}")
    checked = {}
    for name, kind in fields.items():
        if name not in given:
            raise InputError(f"{where}: field {name!r} is missing.")
        value = given[name]
        number = kind is float and isinstance(value, int) and not isinstance(value, bool)
        if not (isinstance(value, kind) or number):
            raise InputError(f"{where}: {name} is {value!r}, but must be of type {kind.__name__}.")
        if kind is float and math.isnan(value):
            raise InputError(f"{where}: {name} is not a number.")
        checked[name] = float(value) if number else value
    return checked


def write_own_file(
    path: Path,
    tables: Mapping[str, Mapping[str, Any]],
    bands: Sequence[Mapping[str, Any]],
) -> None:
    """Write one own reference, whole or not at all.

    Parameters
    ----------
    path : Path
    tables : mapping of str to mapping
        ``pigment``, ``reference``, and any other table as a record of where it comes from.
    bands : sequence of mapping
    """
    lines = [f"format = {OWN_FORMAT}"]
    for name, fields in tables.items():
        lines += ["", f"[{name}]", *(f"{key} = {_toml(value)}" for key, value in fields.items())]
    for band in bands:
        lines += ["", "[[band]]", *(f"{key} = {_toml(value)}" for key, value in band.items())]
    temporary = path.with_name(path.name + ".part")
    temporary.write_text("\n".join(lines) + "\n", encoding="utf-8")
    os.replace(temporary, path)


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    if isinstance(value, str):
        # a JSON string is a TOML basic string, but for DEL, which JSON leaves bare
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return str(value)
