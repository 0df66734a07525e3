"""Figures somebody worked by hand, read as they were written.

A sheet names its author by a code, never by a name. Numbers keep their printed digits,
because the digits say how far a figure was rounded; every key carries its unit.
"""

from __future__ import annotations

import csv
import io
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path
from types import MappingProxyType
from typing import Any

from specfrac.equations import EquationSet, equation_set
from specfrac.errors import ReferenceNotFoundError, RunSheetError, did_you_mean
from specfrac.plates.sheet import plate_pigment_key
from specfrac.references import ReferenceLibrary, load_references
from specfrac.sheet.entries import Entries, solvent_key

SUMS = ("carotenoids", "chlorophylls")
CODE = re.compile(r"[A-Za-z]{0,3}[-_ ]?\d{1,5}[A-Za-z]?")
SHORTEST_ROUNDING = 2  # significant digits that trailing zeros of a whole number keep
READINGS = 4  # columns of readings in a table

# Quantities a sheet may claim: key without unit -> unit -> factor to our unit.
_CONCENTRATION = {
    "mg_per_L": 1.0, "ug_per_mL": 1.0, "g_per_L": 1e3, "mg_per_mL": 1e3, "ug_per_L": 1e-3,
}  # fmt: skip
_MOLAR = {"umol_per_L": 1.0, "mol_per_L": 1e6, "nmol_per_mL": 1.0, "mmol_per_L": 1e3}
_MASS = {"ug": 1.0, "mg": 1e3, "g": 1e6, "ng": 1e-3}
_VOLUME = {"ml": 1.0, "L": 1e3, "ul": 1e-3}
_RATIO = {"fraction": 1.0, "percent": 0.01}
UNITS: Mapping[str, Mapping[str, float]] = MappingProxyType(
    {
        "concentration": _CONCENTRATION,
        "molar_concentration": _MOLAR,
        "tube_concentration": _CONCENTRATION,
        "mass": _MASS,
        "amount": {"nmol": 1.0, "umol": 1e3, "pmol": 1e-3},
        "loaded_mass": _MASS,
        "recovery": _RATIO,
        "share": _RATIO,
        "content": {"ug_per_g": 1.0, "mg_per_g": 1e3, "mg_per_100g": 10.0},
        "absorptivity": {"a1_percent": 0.1, "L_per_g_cm": 1.0, "L_per_mol_cm": 1.0},
        "molar_mass": {"g_per_mol": 1.0},
        "path_length": {"cm": 1.0, "mm": 0.1},
        "dilution_factor": {"": 1.0},
        "volume": _VOLUME,
        "loaded_volume": _VOLUME,
        "extract_volume": _VOLUME,
        "tissue_mass": {"g": 1.0, "mg": 1e-3},
    }
)
CLAIM_KEYS = {
    f"{quantity}_{unit}".rstrip("_"): (quantity, unit)
    for quantity, units in UNITS.items()
    for unit in units
}
UNIT_WORDS = {
    "mg_per_L": "mg/L", "ug_per_mL": "µg/mL", "g_per_L": "g/L", "mg_per_mL": "mg/mL",
    "ug_per_L": "µg/L", "umol_per_L": "µmol/L", "mol_per_L": "mol/L", "nmol_per_mL": "nmol/mL",
    "mmol_per_L": "mmol/L", "ug": "µg", "umol": "µmol", "percent": "%", "fraction": "",
    "ug_per_g": "µg/g", "mg_per_g": "mg/g", "mg_per_100g": "mg/100 g", "a1_percent": "A(1 %)",
    "L_per_g_cm": "L/(g cm)", "L_per_mol_cm": "L/(mol cm)", "g_per_mol": "g/mol", "ml": "mL",
    "ul": "µL",
}  # fmt: skip
RF_KEYS = ("distance_mm", "origin_mm", "front_mm", "rf")


@dataclass(frozen=True, slots=True)
class Claimed:
    """A number as somebody wrote it.

    Attributes
    ----------
    key : str
        Of the sheet, unit included.
    text : str
        As written.
    value : float
        In our unit: mg/L, µmol/L, mL, µg, nmol, µg/g, L/(g cm), g, cm, or a fraction.
    half_unit : float
        Half of its last printed place, in our unit.
    digits : int
        Significant digits.
    unit_factor : float
        Our unit over the written one.
    """

    key: str
    text: str
    value: float
    half_unit: float
    digits: int
    unit_factor: float

    @property
    def written(self) -> str:
        """The figure with the unit its key carries."""
        return f"{self.text} {_unit_word(self.key)}".strip()

    @property
    def rounding(self) -> float:
        """Relative half-width of the rounding."""
        return self.half_unit / abs(self.value) if self.value else 0.0


def _unit_word(key: str) -> str:
    """Return the unit a key ends with, as one writes it."""
    unit = CLAIM_KEYS[key][1] if key in CLAIM_KEYS else ("mm" if key.endswith("_mm") else "")
    return UNIT_WORDS.get(unit, unit)


@dataclass(frozen=True, slots=True)
class Reading:
    """An absorbance read at a wavelength.

    Attributes
    ----------
    wavelength : float
        nm.
    absorbance : Claimed
    """

    wavelength: float
    absorbance: Claimed


@dataclass(frozen=True, slots=True, eq=False)
class Claim:
    """The working for one pigment, or one sum, in one tube.

    Attributes
    ----------
    fraction : str
    pigment : str
        Key, or ``"carotenoids"`` or ``"chlorophylls"``.
    solvent : str or None
        Key, when the person states it.
    equations : EquationSet or None
    readings : tuple of Reading
    numbers : mapping of str to Claimed
        By quantity, a key of `UNITS`.
    place : str
        For messages.
    """

    fraction: str
    pigment: str
    solvent: str | None
    equations: EquationSet | None
    readings: tuple[Reading, ...]
    numbers: Mapping[str, Claimed]
    place: str


@dataclass(frozen=True, slots=True, eq=False)
class RfClaim:
    """The working of one Rf.

    Attributes
    ----------
    plate, lane, spot : str
        As in the run sheet; ``""`` when not given.
    pigment : str or None
    numbers : mapping of str to Claimed
        ``distance_mm``, ``origin_mm``, ``front_mm``, ``rf``.
    place : str
    """

    plate: str
    lane: str
    spot: str
    pigment: str | None
    numbers: Mapping[str, Claimed]
    place: str


@dataclass(frozen=True, slots=True, eq=False)
class ClaimSheet:
    """All one person claims.

    Attributes
    ----------
    person : str
        A code.
    claims : tuple of Claim
    rfs : tuple of RfClaim
    fresh_mass, dry_mass : float or None
        g, when the sheet gives both; tells a slip of basis.
    source : str
        File name.
    """

    person: str
    claims: tuple[Claim, ...]
    rfs: tuple[RfClaim, ...]
    fresh_mass: float | None
    dry_mass: float | None
    source: str


# Reading


def read_claims(
    path: str | Path, *, library: ReferenceLibrary | None = None
) -> tuple[ClaimSheet, ...]:
    """Read a sheet of worked figures: TOML for one person, CSV for one or many.

    Parameters
    ----------
    path : path
    library : ReferenceLibrary, optional
        Where names of pigments and solvents are looked up.

    Returns
    -------
    tuple of ClaimSheet
        One a person.

    Raises
    ------
    RunSheetError
        If the file cannot be read or an entry breaks a rule.
    """
    path = Path(path)
    library = load_references() if library is None else library
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise RunSheetError(f"{path}: cannot be read ({error.strerror}).") from None
    except UnicodeDecodeError as error:
        raise RunSheetError(
            f"{path.name}: byte {error.start + 1} is not UTF-8. Save the sheet as UTF-8."
        ) from None
    if path.suffix.lower() == ".csv":
        return parse_claims_table(text, place=path.name, library=library)
    return (parse_claims(text, place=path.name, library=library),)


def parse_claims(
    text: str, *, place: str = "claims.toml", library: ReferenceLibrary | None = None
) -> ClaimSheet:
    """Read the text of a ``claims.toml``; see `read_claims`."""
    library = load_references() if library is None else library
    try:
        # decimals keep the digits as written, which floating point would lose
        content = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise RunSheetError(
            f"{place}: {error}. Text needs quotes, numbers a decimal point and none."
        ) from None
    top = Entries(content, place)
    top.check_keys(("claims", "claim", "rf"))
    head = Entries(_table(top, "claims"), f"{place}, [claims]")
    head.check_keys(("person", "fraction", "solvent", "fresh_mass_g", "dry_mass_g"))
    defaults = {key: head.content[key] for key in ("fraction", "solvent") if key in head.content}
    claims = tuple(
        _claim(Entries({**defaults, **one}, f"{place}, [[claim]] {at}"), library)
        for at, one in enumerate(_tables(top, "claim"), start=1)
    )
    rfs = tuple(
        _rf_claim(Entries(one, f"{place}, [[rf]] {at}"), library)
        for at, one in enumerate(_tables(top, "rf"), start=1)
    )
    return _sheet(
        person_code(head),
        claims,
        rfs,
        (_mass(head, "fresh_mass_g"), _mass(head, "dry_mass_g")),
        place,
    )


def _sheet(
    person: str,
    claims: tuple[Claim, ...],
    rfs: tuple[RfClaim, ...],
    masses: tuple[float | None, float | None],
    place: str,
) -> ClaimSheet:
    if not claims and not rfs:
        raise RunSheetError(f"{place}: {person} claims nothing. Add a [[claim]] or an [[rf]].")
    seen: set[tuple[str, str]] = set()
    for claim in claims:
        pair = (claim.fraction, claim.pigment)
        if pair in seen:
            raise RunSheetError(
                f"{claim.place}: {claim.pigment} in {claim.fraction!r} is claimed twice by "
                f"{person}. Keep one of them."
            )
        seen.add(pair)
    return ClaimSheet(person, claims, rfs, *masses, place)


def person_code(table: Entries, key: str = "person") -> str:
    """Return the code of a person, or raise: a name has no place in a record.

    Examples
    --------
    >>> person_code(Entries({"person": "P07"}, "claims.toml"))
    'P07'
    """
    code = table.text(key)
    if not code:
        raise table.fail(key, 'is missing. Give a code such as "P07", never a name.')
    if not CODE.fullmatch(code):
        raise table.fail(
            key, 'is not a code: up to three letters, then a number, such as "P07". Never a name.'
        )
    return code


def _table(top: Entries, name: str) -> Mapping[str, Any]:
    content = top.content.get(name, {})
    if not isinstance(content, dict):
        raise RunSheetError(f"{top.place}: {name} must be a table. Begin it with [{name}].")
    return content


def _tables(top: Entries, name: str) -> list[Mapping[str, Any]]:
    content = top.content.get(name, [])
    if not isinstance(content, list) or not all(isinstance(one, dict) for one in content):
        raise RunSheetError(
            f"{top.place}: {name} must be a list of tables. Begin each with [[{name}]]."
        )
    return content


def _mass(table: Entries, key: str) -> float | None:
    if key not in table.content:
        return None
    return _number(table, key, 1.0).value


def _claim(table: Entries, library: ReferenceLibrary) -> Claim:
    table.check_keys(("fraction", "pigment", "solvent", "equations", "readings", *CLAIM_KEYS))
    fraction = table.text("fraction")
    if not fraction:
        raise table.fail("fraction", "is missing. Name the tube as the run sheet does.")
    numbers = _numbers(table, library)
    equations = _equations(table)
    if equations is not None and "absorptivity" in numbers:
        raise table.fail("equations", "and an absorptivity are both given. Keep what was used.")
    return Claim(
        fraction=fraction,
        pigment=_pigment(table, library),
        solvent=solvent_key(table, library),
        equations=equations,
        readings=_readings(table),
        numbers=MappingProxyType(numbers),
        place=table.place,
    )


def _numbers(table: Entries, library: ReferenceLibrary) -> dict[str, Claimed]:
    numbers: dict[str, Claimed] = {}
    for key in table.content:
        if key not in CLAIM_KEYS:
            continue
        quantity, unit = CLAIM_KEYS[key]
        if quantity in numbers:
            raise table.fail(key, f"and {numbers[quantity].key} are both given. Keep one of them.")
        factor = UNITS[quantity][unit]
        if key == "absorptivity_L_per_mol_cm":
            name = table.text("pigment")
            factor = 1 / library.pigment(_pigment(table, library)).molar_mass if name else 1.0
        numbers[quantity] = _number(table, key, factor)
    return numbers


def _pigment(table: Entries, library: ReferenceLibrary) -> str:
    name = table.text("pigment")
    if not name:
        raise table.fail("pigment", "is missing. Say which pigment or sum the figure is for.")
    if name in SUMS:
        return name
    try:
        return library.pigment(name).key
    except ReferenceNotFoundError:
        known = (*library.pigments, *SUMS)
        raise table.fail("pigment", f"is {name!r}. {did_you_mean(name, known)}") from None


def _equations(table: Entries) -> EquationSet | None:
    name = table.text("equations")
    if not name:
        return None
    try:
        found = equation_set(name)
    except ReferenceNotFoundError as error:
        raise table.fail("equations", f"is {name!r}: {error}") from None
    if not found.from_scan:
        raise table.fail(
            "equations",
            f"is {name!r}, which needs readings before and after acid. Not checked here.",
        )
    return found


def _readings(table: Entries) -> tuple[Reading, ...]:
    given = table.content.get("readings", [])
    if not isinstance(given, list) or not all(isinstance(one, dict) for one in given):
        raise table.fail("readings", "must be a list such as [{ nm = 450, absorbance = 0.512 }].")
    readings = []
    for at, one in enumerate(given, start=1):
        own = Entries(one, f"{table.place}, reading {at}")
        own.check_keys(("nm", "absorbance"))
        for key in ("nm", "absorbance"):
            if key not in one:
                raise own.fail(key, "is missing. A reading has a wavelength and an absorbance.")
        readings.append(Reading(_number(own, "nm", 1.0).value, _number(own, "absorbance", 1.0)))
    return tuple(readings)


def _rf_claim(table: Entries, library: ReferenceLibrary) -> RfClaim:
    table.check_keys(("plate", "lane", "spot", "pigment", *RF_KEYS))
    numbers = {key: _number(table, key, 1.0) for key in RF_KEYS if key in table.content}
    if "rf" not in numbers:
        raise table.fail("rf", "is missing. It is the figure to be checked.")
    name = table.text("pigment")
    return RfClaim(
        table.text("plate"),
        table.text("lane"),
        table.text("spot"),
        plate_pigment_key(name, table, "pigment", library) if name else None,
        MappingProxyType(numbers),
        table.place,
    )


def _number(table: Entries, key: str, factor: float) -> Claimed:
    given = table.content[key]
    if isinstance(given, bool) or not isinstance(given, int | Decimal | float):
        hint = " Write it without quotes." if isinstance(given, str) else ""
        raise table.fail(key, f"is {given!r}, but must be a number.{hint}")
    return claimed(key, str(given), factor, table.fail)


def claimed(
    key: str, text: str, factor: float, fail: Callable[[str, str], RunSheetError]
) -> Claimed:
    """Return a number with what its digits say of its rounding.

    Trailing zeros of a whole number are taken as filling when more than two digits
    would be left: 120 was rounded to 10, 99 and 100 to 1 and 10.

    Parameters
    ----------
    key, text : str
    factor : float
        Our unit over the written one.
    fail : callable
        Makes the error for a number that cannot be right.
    """
    try:
        number = Decimal(text)
    except InvalidOperation:
        raise fail(key, f"is {text!r}, but must be a number.") from None
    if not number.is_finite():
        raise fail(key, f"is {text}, but must be finite.")
    if key not in ("absorbance", "rf", "origin_mm") and not _may_be(number, key):
        raise fail(key, f"is {text}, but must be above zero.")
    _, digits, exponent = number.as_tuple()
    place, count = int(exponent), len(digits)
    while place >= 0 and count > SHORTEST_ROUNDING and number % (Decimal(10) ** (place + 1)) == 0:
        place, count = place + 1, count - 1
    value = float(number) * factor
    return Claimed(key, text, value, 0.5 * 10.0**place * factor, count, factor)


def _may_be(number: Decimal, key: str) -> bool:
    # a concentration of a pigment that is not there may come out negative by equations
    return number > 0 or CLAIM_KEYS.get(key, ("",))[0] in (
        "concentration", "molar_concentration", "tube_concentration", "mass", "amount",
        "recovery", "share", "content",
    )  # fmt: skip


# Tables


def parse_claims_table(
    text: str, *, place: str = "claims.csv", library: ReferenceLibrary | None = None
) -> tuple[ClaimSheet, ...]:
    """Read the text of a CSV of worked figures, one row a pigment and tube.

    Columns are those of ``claims.toml``, with ``person``, and ``nm_1``,
    ``absorbance_1`` and so on for readings. A row with an ``rf`` is one of a plate.
    Separated by commas, or by semicolons with a decimal comma or point.

    Parameters and errors as in `read_claims`.
    """
    library = load_references() if library is None else library
    first = text.partition("\n")[0]
    separator = ";" if first.count(";") > first.count(",") else ","
    rows = list(csv.reader(io.StringIO(text), delimiter=separator))
    rows = [row for row in rows if any(cell.strip() for cell in row)]
    if len(rows) < 2:
        raise RunSheetError(f"{place}: holds no row of figures below its head.")
    columns = [cell.strip() for cell in rows[0]]
    _check_columns(columns, place)
    people: dict[str, tuple[list[Claim], list[RfClaim]]] = {}
    for at, row in enumerate(rows[1:], start=2):
        if len(row) > len(columns):
            raise RunSheetError(
                f"{place}, row {at}: {len(row)} cells, but the head has {len(columns)}. "
                "Check separator and decimal mark."
            )
        cells = {key: cell.strip() for key, cell in zip(columns, row, strict=False) if cell.strip()}
        table = _row_table(cells, f"{place}, row {at}", separator)
        claims, rfs = people.setdefault(person_code(table), ([], []))
        body = Entries({k: v for k, v in table.content.items() if k != "person"}, table.place)
        if "rf" in cells:
            rfs.append(_rf_claim(body, library))
        else:
            claims.append(_claim(body, library))
    return tuple(
        _sheet(person, tuple(claims), tuple(rfs), (None, None), place)
        for person, (claims, rfs) in people.items()
    )


def _check_columns(columns: Sequence[str], place: str) -> None:
    readings = {f"{name}_{k}" for name in ("nm", "absorbance") for k in range(1, READINGS + 1)}
    known = {
        "person", "fraction", "pigment", "solvent", "equations", "plate", "lane", "spot",
        *readings, *CLAIM_KEYS, *RF_KEYS,
    }  # fmt: skip
    for column in columns:
        if column not in known:
            raise RunSheetError(
                f"{place}: the column {column!r} is not known. {did_you_mean(column, known)}"
            )
    repeated = next((column for column in columns if columns.count(column) > 1), None)
    if repeated is not None:
        raise RunSheetError(f"{place}: two columns are called {repeated!r}. Keep one of them.")


def _row_table(cells: Mapping[str, str], place: str, separator: str) -> Entries:
    """Return a row as a table like one of ``claims.toml``."""
    content: dict[str, Any] = {}
    readings: dict[str, dict[str, Any]] = {}
    for key, cell in cells.items():
        name, _, number = key.rpartition("_")
        if name in ("nm", "absorbance") and number.isdigit():
            readings.setdefault(number, {})[name] = _cell_number(cell, key, place, separator)
        elif key in CLAIM_KEYS or key in RF_KEYS:
            content[key] = _cell_number(cell, key, place, separator)
        else:
            content[key] = cell
    if readings:
        content["readings"] = [readings[number] for number in sorted(readings)]
    return Entries(content, place)


def _cell_number(cell: str, key: str, place: str, separator: str) -> Decimal:
    text = cell.replace(",", ".") if separator == ";" else cell
    try:
        return Decimal(text)
    except InvalidOperation:
        raise RunSheetError(f"{place}: {key} is {cell!r}, but must be a number.") from None


def people(sheets: Iterable[ClaimSheet]) -> tuple[str, ...]:
    """Return the codes of all sheets, or raise when one occurs twice.

    Raises
    ------
    RunSheetError
        If two sheets have the same code.
    """
    seen: dict[str, str] = {}
    for sheet in sheets:
        if sheet.person in seen:
            raise RunSheetError(
                f"{sheet.source} and {seen[sheet.person]} are both by {sheet.person}. Give each "
                "person a code of their own."
            )
        seen[sheet.person] = sheet.source
    return tuple(seen)
