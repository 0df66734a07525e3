"""The run sheet: a folder with ``run.toml`` and scans becomes a `Run`.

The sheet is read strictly: a key that is not known, a value of the wrong kind or
out of its range is an error that names the place, the rule and the value.
"""

from __future__ import annotations

import hashlib
import os
import stat
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from specfrac.errors import (
    InputError,
    ReferenceNotFoundError,
    RunSheetError,
    ScanFileError,
    did_you_mean,
)
from specfrac.loading import QUANTITIES, open_scan_file, read_content, read_scans
from specfrac.loading.content import open_content
from specfrac.loading.spreadsheet import sheets_of
from specfrac.references import ReferenceLibrary, load_references
from specfrac.scans import Scan, subtract_blank
from specfrac.settings import Settings, assumed_uncertainty, changed_settings, default_settings
from specfrac.sheet.entries import Entries, solvent_key
from specfrac.sheet.table import PARTS, Fields, sheet_table
from specfrac.sheet.template import sheet_text
from specfrac.uncertainty import Quantity

ROLES = ("loaded", "cut", "wash", "standard", "blank")
SHEET_NAME = "run.toml"
TABLE_NAME, BOOK_NAME = "run.csv", "run.xlsx"
SHEET_NAMES = (SHEET_NAME, TABLE_NAME, BOOK_NAME)
_SHEET_OF_BOOK = "run"
BASES = ("fresh", "dry")
POOLS = ("carotenoids", "chlorophyll-a-pool")
SCAN_SUFFIXES = (
    ".csv",
    ".txt",
    ".tsv",
    ".tab",
    ".dat",
    ".asc",
    ".jdx",
    ".dx",
    ".jcm",
    ".animl",
    ".xlsx",
)

_RUN_MEASURED = ("tissue_mass_g", "extract_volume_ml", "loaded_volume_ml", "void_volume_ml")
_TUBE_MEASURED = ("path_length_cm", "made_up_volume_ml", "dilution_factor", "eluted_volume_ml")
_SCAN_MEASURED = ("path_length_cm", "dilution_factor")
_RUN_KEYS = (
    "title", "method", "block", "date", "tissue_basis", "target_pigment", "target_share",
    "allow_outside_paths",
)  # fmt: skip
_DEFAULT_KEYS = ("solvent", "bandwidth_nm", "blank", "quantity", "candidates", "role")
_FRACTION_KEYS = (
    "name", "role", "scan", "scans", "after_acid", "sample", "blank", "quantity", "solvent",
    "bandwidth_nm", "candidates", "prepared", "scanned",
)  # fmt: skip
_SCAN_KEYS = ("file", "sample", "blank", "quantity")
_BLANK_KEYS = ("file", "sample", "quantity")


@dataclass(frozen=True, slots=True)
class InputFile:
    """A file the analysis read.

    Attributes
    ----------
    path : str
        Relative to the run folder, with forward slashes.
    sha256 : str
        Hexadecimal digest of its bytes.
    """

    path: str
    sha256: str


@dataclass(frozen=True, slots=True, eq=False)
class TubeScan:
    """One scan of a tube.

    Attributes
    ----------
    file : str
        As the sheet gives it.
    sample : str
        Name of the sample within the file.
    scan : Scan
        Blank subtracted where the sheet names a blank.
    dilution_factor : Quantity
        Volume after dilution over volume taken, >= 1 as a rule.
    path_length : Quantity
        cm.
    blank, blank_sample : str
        File and sample of the blank as the sheet gives them, or ``""``.
    quantity : str
        What the readings are, where the sheet says it; else ``""``.
    """

    file: str
    sample: str
    scan: Scan
    dilution_factor: Quantity
    path_length: Quantity
    blank: str = ""
    blank_sample: str = ""
    quantity: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Fraction:
    """One tube of the column, as the sheet describes it.

    Attributes
    ----------
    name : str
    role : str
        One of `ROLES`.
    scans : tuple of TubeScan
        Empty when the tube was not scanned.
    solvent : str or None
        Key of the library; None when the sheet does not state it.
    path_length : Quantity
        cm; a scan may have its own.
    bandwidth : float or None
        nm, spectral bandwidth of the instrument.
    made_up_volume, eluted_volume : Quantity or None
        mL; `eluted_volume` is the place on the elution axis.
    candidates : tuple of str or None
        Pigments that may be in the tube; None for the eight of a green leaf.
    prepared, scanned : str or None
        ISO 8601.
    assumed : tuple of str
        Fields whose uncertainty the sheet does not give, so that the default of
        ``glassware.csv`` stands in.
    unused : tuple of str
        Entries that the analysis does not use.
    after_acid : TubeScan or None
        Scan of the same solution after acid has turned its chlorophylls into pheophytins.
        Never fitted with `scans`.
    """

    name: str
    role: str
    scans: tuple[TubeScan, ...]
    solvent: str | None
    path_length: Quantity
    bandwidth: float | None
    made_up_volume: Quantity | None
    eluted_volume: Quantity | None
    candidates: tuple[str, ...] | None
    prepared: str | None
    scanned: str | None
    assumed: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()
    after_acid: TubeScan | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One column run: its sheet, its scans, and its settings.

    Attributes
    ----------
    folder : Path
        Where it was read; never part of a record.
    title, method, block : str
        Free text; ``""`` when not given.
    date : str or None
        ISO 8601.
    tissue_mass : Quantity or None
        g.
    tissue_basis : str or None
        ``"fresh"`` or ``"dry"``.
    extract_volume, loaded_volume, void_volume : Quantity or None
        mL. `loaded_volume` is the extract volume when only that is given.
    all_loaded : bool
        True when the whole extract went on the column.
    target_pigment : str or None
    target_share : float or None
        Fraction of one, by mass of the coloured pigment.
    fractions : tuple of Fraction
        In the order of the sheet.
    plates : tuple of mapping
        Thin-layer plates as the sheet gives them.
    settings : Settings
    inputs : tuple of InputFile
        Every file that was read, the sheet first.
    assumed : tuple of str
        As in `Fraction`.
    """

    folder: Path
    title: str
    method: str
    block: str
    date: str | None
    tissue_mass: Quantity | None
    tissue_basis: str | None
    extract_volume: Quantity | None
    loaded_volume: Quantity | None
    void_volume: Quantity | None
    all_loaded: bool
    target_pigment: str | None
    target_share: float | None
    fractions: tuple[Fraction, ...]
    plates: tuple[Mapping[str, Any], ...]
    settings: Settings
    inputs: tuple[InputFile, ...]
    assumed: tuple[str, ...] = field(default=())


# Scan files


class _ScanFiles:
    """Reads each file of a run once, and remembers which were read."""

    def __init__(self, folder: Path, *, allow_outside: bool) -> None:
        self.folder = folder
        self.allow_outside = allow_outside
        self.inputs: dict[str, InputFile] = {}
        self._root = os.path.realpath(folder)
        self._inside = os.path.join(self._root, "")  # how the path of a file in it begins
        self._parents: dict[str, str] = {}
        self._scans: dict[tuple[str, str], list[Scan]] = {}

    def path(self, table: Entries, key: str, name: str) -> str:
        """Return the path of a file the sheet names, without links in it, or raise."""
        place, kind = self._without_links(name.replace("\\", "/"))
        if not (self.allow_outside or f"{place}{os.sep}".startswith(self._inside)):
            raise table.fail(
                key,
                f"is {name!r}, which lies outside the run folder. Copy the file into the folder, "
                "or set allow_outside_paths = true in [run].",
            )
        if stat.S_ISDIR(kind):
            raise table.fail(key, f"is {name!r}, which is a folder. Name a scan file.")
        if not stat.S_ISREG(kind):
            there = [path.relative_to(self.folder).as_posix() for path in _scan_files(self.folder)]
            hint = did_you_mean(name, there) if there else "The folder holds no scan file."
            raise table.fail(key, f"is {name!r}, but there is no such file. {hint}")
        return place

    def _without_links(self, name: str) -> tuple[str, int]:
        """Return the real path and the kind of a file; 0 when there is none.

        A folder of a thousand scans is followed once.
        """
        parent, base = os.path.split(name)
        if parent not in self._parents:
            self._parents[parent] = os.path.realpath(os.path.join(self._root, parent))
        place = os.path.join(self._parents[parent], base)
        try:
            kind = os.lstat(place).st_mode
            if stat.S_ISLNK(kind) or base in ("", ".", ".."):
                place = os.path.realpath(place)
                kind = os.stat(place).st_mode
        except (OSError, ValueError):
            return os.path.realpath(os.path.join(self._root, name.replace("\0", ""))), 0
        return place, kind

    def relative(self, place: str) -> str:
        """Return a path relative to the folder, so that a record does not name the machine."""
        if place.startswith(self._inside):
            return place[len(self._inside) :].replace(os.sep, "/")
        try:
            return Path(os.path.relpath(place, self._root)).as_posix()
        except ValueError:  # another drive
            return os.path.basename(place)

    def scan(self, table: Entries, key: str, name: str, sample: str, quantity: str = "") -> Scan:
        """Return the one scan that a file and a sample name select, or raise."""
        place = self.path(table, key, name)
        if (place, quantity) not in self._scans:
            content = open_scan_file(place, quantity=quantity or None)
            relative = self.relative(place)
            self.inputs.setdefault(relative, InputFile(relative, _digest(content.data)))
            self._scans[place, quantity] = list(read_content(content).scans)
        return _selected(table, key, name, sample, self._scans[place, quantity])


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _selected(table: Entries, key: str, name: str, sample: str, scans: list[Scan]) -> Scan:
    names = [scan.name for scan in scans]
    listed = ", ".join(repr(known) for known in names)
    if not sample:
        if len(scans) == 1:
            return scans[0]
        raise table.fail(
            key, f"{name!r} holds {len(scans)} samples; choose one with sample = ... : {listed}."
        )
    found = [scan for scan in scans if scan.name.strip() == sample]
    if len(found) == 1:
        return found[0]
    if found:
        raise table.fail(
            "sample", f"is {sample!r}, which {name!r} holds {len(found)} times. Rename them."
        )
    raise table.fail("sample", f"is {sample!r}, but {name!r} holds {listed}.")


def _scan_files(folder: Path) -> list[Path]:
    """Return what may be scan files in a folder and below, in a fixed order.

    Hidden files and folders of earlier results are passed over.
    """
    results = {path.parent for path in folder.rglob("result.json")}
    found = []
    for path in sorted(folder.rglob("*")):
        parts = path.relative_to(folder).parts
        if any(part.startswith((".", "_")) for part in parts) or path.parent in results:
            continue
        if parts[0] in ("claims", "claims.csv"):  # figures worked by hand
            continue
        if parts in ((TABLE_NAME,), (BOOK_NAME,)):
            continue
        if path.is_file() and path.suffix.lower() in SCAN_SUFFIXES:
            found.append(path)
    return found


# Reading a run


def read_run(folder: str | Path, *, library: ReferenceLibrary | None = None) -> Run:
    """Read a run folder: its sheet and the scans the sheet names.

    The sheet is ``run.toml``, or ``run.csv`` or ``run.xlsx`` with the same fields as columns.

    Parameters
    ----------
    folder : path
        The folder, or the sheet in it.
    library : ReferenceLibrary, optional
        Where names of solvents and pigments are looked up; the built-in one by default.

    Returns
    -------
    Run
        Blanks subtracted. Uncertainties the sheet does not give are those of
        ``glassware.csv``; `assumed` names the fields.

    Raises
    ------
    RunSheetError
        If the sheet is missing or an entry breaks a rule; the message names the
        place, the rule and the value.
    ScanFileError
        If a scan file cannot be read.
    """
    folder, sheet = _sheet_of(Path(folder))
    parts = _parts(sheet)
    parts.head.check_keys(_RUN_KEYS, _RUN_MEASURED)
    files = _ScanFiles(folder, allow_outside=parts.head.yes("allow_outside_paths"))
    files.inputs[sheet.name] = InputFile(sheet.name, _digest(sheet.read_bytes()))
    library = load_references() if library is None else library
    fractions = _fractions(parts, files, library)
    return replace(
        _header(parts.head, folder, library),
        fractions=fractions,
        plates=parts.plates,
        settings=_settings(parts.settings),
        inputs=tuple(files.inputs.values()),
    )


def _sheet_of(path: Path) -> tuple[Path, Path]:
    if path.is_file():
        return path.parent, path
    if not path.is_dir():
        raise RunSheetError(f"{path}: there is no such folder. Give the folder of a run.")
    found = [path / name for name in SHEET_NAMES if (path / name).is_file()]
    if not found:
        raise RunSheetError(
            f"{path}: the folder holds no {SHEET_NAME}. "
            "Write one with `specfrac new FOLDER`, then fill it in."
        )
    if len(found) > 1:
        raise RunSheetError(
            f"{path}: the folder holds both {' and '.join(one.name for one in found)}. "
            "Keep one of them."
        )
    return path, found[0]


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """A sheet taken apart, whichever form it has."""

    place: str
    head: Entries
    defaults: Entries
    settings: Entries
    fractions: tuple[Entries, ...]
    plates: tuple[Mapping[str, Any], ...]


def _parts(sheet: Path) -> _Parts:
    if sheet.suffix.lower() == ".xlsx":
        return _table_parts(_text_of_book(sheet), sheet.name, separator="\t")
    text = _text(sheet)
    if sheet.suffix.lower() == ".csv":
        return _table_parts(text, sheet.name)
    try:
        top = Entries(tomllib.loads(text), sheet.name)
    except tomllib.TOMLDecodeError as error:
        raise RunSheetError(
            f"{sheet.name}: {error}. Text needs quotes, numbers a decimal point and none."
        ) from None
    top.check_keys(("run", "defaults", "settings", "fraction", "plate"), ())
    fractions = tuple(
        Entries(content, f"{top.place}, [[fraction]] {number}")
        for number, content in enumerate(_several(top, "fraction"), start=1)
    )
    return _Parts(
        place=sheet.name,
        head=_section(top, "run"),
        defaults=_section(top, "defaults"),
        settings=_section(top, "settings"),
        fractions=fractions,
        plates=tuple(MappingProxyType(dict(plate)) for plate in _several(top, "plate")),
    )


def _text_of_book(sheet: Path) -> str:
    """Return the sheet "run" of a workbook, or its only one, as rows parted by tabs."""
    try:
        sheets = sheets_of(open_content(sheet))
    except ScanFileError as error:
        raise RunSheetError(str(error)) from None
    titles = [title for title in sheets if title.strip().casefold() == _SHEET_OF_BOOK]
    if len(sheets) > 1 and len(titles) != 1:
        raise RunSheetError(
            f"{sheet.name}: the workbook has the sheets {', '.join(map(repr, sheets))}. "
            f"Name the one with the tubes {_SHEET_OF_BOOK!r}."
        )
    return next((sheets[title] for title in titles or sheets), "")


def _table_parts(text: str, place: str, *, separator: str | None = None) -> _Parts:
    measured = (*_RUN_MEASURED, *_TUBE_MEASURED)
    numbers = {*measured, *(f"u_{key}" for key in measured), "target_share", "bandwidth_nm"}
    of_run = {*_RUN_KEYS, *_RUN_MEASURED, *(f"u_{key}" for key in _RUN_MEASURED)}
    of_tube = {*_FRACTION_KEYS, *_TUBE_MEASURED, *(f"u_{key}" for key in _TUBE_MEASURED)}
    parts = {f"{key}_{part}" for key, its in PARTS.items() for part in its}
    numbers |= {one for one in parts if one.endswith("_factor")}
    fields = Fields(frozenset(of_run), frozenset((of_tube - {"scans"}) | parts), frozenset(numbers))
    table = sheet_table(text, place, fields, separator=separator)
    return _Parts(
        place=place,
        head=Entries(table.run, place),
        defaults=Entries({}, place),
        settings=Entries({}, place),
        fractions=tuple(
            Entries(content, where)
            for content, where in zip(table.fractions, table.places, strict=True)
        ),
        plates=(),
    )


def _text(sheet: Path) -> str:
    try:
        return sheet.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise RunSheetError(
            f"{sheet.name}: byte {error.start + 1} is not UTF-8. Save the sheet as UTF-8."
        ) from None


def _section(top: Entries, name: str) -> Entries:
    content = top.content.get(name, {})
    if not isinstance(content, dict):
        raise RunSheetError(f"{top.place}: {name} must be a table. Begin it with [{name}].")
    return Entries(content, f"{top.place}, [{name}]")


def _several(top: Entries, name: str) -> list[Mapping[str, Any]]:
    content = top.content.get(name, [])
    if not isinstance(content, list) or not all(isinstance(item, dict) for item in content):
        raise RunSheetError(
            f"{top.place}: {name} must be a list of tables. Begin each with [[{name}]]."
        )
    return content


def _settings(table: Entries) -> Settings:
    changes = {key: table.number(key) for key in table.content}
    try:
        return changed_settings({key: value for key, value in changes.items() if value is not None})
    except InputError as error:
        raise RunSheetError(f"{table.place}: {error}") from None


def _header(table: Entries, folder: Path, library: ReferenceLibrary) -> Run:
    measured = {key: table.measured(key) for key in _RUN_MEASURED}
    extract, loaded = measured["extract_volume_ml"][0], measured["loaded_volume_ml"][0]
    if extract and loaded and loaded.value > extract.value * (1 + 1e-9):
        raise table.fail(
            "loaded_volume_ml",
            f"is {loaded.value:g}, more than extract_volume_ml = {extract.value:g}. "
            "It is the part of the extract put on the column.",
        )
    return Run(
        folder=folder,
        title=table.text("title"),
        method=table.text("method"),
        block=table.text("block"),
        date=table.day("date"),
        tissue_mass=measured["tissue_mass_g"][0],
        tissue_basis=table.choice("tissue_basis", BASES) or None,
        extract_volume=extract,
        loaded_volume=loaded or extract,
        void_volume=measured["void_volume_ml"][0],
        all_loaded=loaded is None,
        target_pigment=_target(table, library),
        target_share=_share(table, "target_share"),
        fractions=(),
        plates=(),
        settings=default_settings(),
        inputs=(),
        assumed=tuple(key for key, (_, assumed) in measured.items() if assumed),
    )


def _target(table: Entries, library: ReferenceLibrary) -> str | None:
    name = table.text("target_pigment")
    if not name:
        return None
    return name if name in POOLS else _pigment(table, "target_pigment", name, library)


def _share(table: Entries, key: str) -> float | None:
    value = table.positive(key)
    if value is not None and value > 1:
        raise table.fail(
            key, f"is {value:g}, but is a fraction of one. Write {value / 100:g} for {value:g} %."
        )
    return value


def _pigment(table: Entries, key: str, name: str, library: ReferenceLibrary) -> str:
    try:
        return library.pigment(name).key
    except ReferenceNotFoundError as error:
        raise table.fail(key, f"names a pigment that the library does not hold: {error}") from None


# Fractions


def _fractions(parts: _Parts, files: _ScanFiles, library: ReferenceLibrary) -> tuple[Fraction, ...]:
    if not parts.fractions:
        raise RunSheetError(f"{parts.place}: there is no [[fraction]]. Add one for each tube.")
    _check_defaults(parts.defaults, library)
    fractions = [_fraction(own, parts.defaults, files, library) for own in parts.fractions]
    _check_names(parts.place, fractions)
    _check_blanks(parts.place, fractions)
    return tuple(fractions)


def _check_defaults(defaults: Entries, library: ReferenceLibrary) -> None:
    """Raise here what would otherwise be said of every fraction."""
    defaults.check_keys(_DEFAULT_KEYS, _TUBE_MEASURED)
    for key in _TUBE_MEASURED:
        defaults.measured(key)
    defaults.positive("bandwidth_nm")
    defaults.choice("quantity", QUANTITIES)
    solvent_key(defaults, library)
    _candidates(defaults, library)


def _check_names(place: str, fractions: list[Fraction]) -> None:
    seen: dict[str, str] = {}
    for fraction in fractions:
        folded = fraction.name.casefold()
        if folded in seen:
            raise RunSheetError(
                f"{place}: the name {fraction.name!r} is given to two fractions. "
                "Give each tube its own name; several scans of one tube go into scans = [...]."
            )
        seen[folded] = fraction.name
    loaded = [fraction.name for fraction in fractions if fraction.role == "loaded"]
    if len(loaded) > 1:
        raise RunSheetError(
            f"{place}: {' and '.join(map(repr, loaded))} both have the role 'loaded'. "
            "Put several scans of the loaded extract into scans = [...] of one fraction."
        )


def _check_blanks(place: str, fractions: list[Fraction]) -> None:
    """Raise if a blank is itself a fraction of the sheet and in another solvent."""
    solvents = {
        (one.file, sample): fraction.solvent
        for fraction in fractions
        if fraction.role == "blank" and fraction.solvent
        for one in fraction.scans
        for sample in (one.sample, "")
    }
    for fraction in fractions:
        for one in (*fraction.scans, *((fraction.after_acid,) if fraction.after_acid else ())):
            solvent = solvents.get((one.blank, one.blank_sample))
            if solvent and fraction.solvent and solvent != fraction.solvent:
                raise RunSheetError(
                    f"{place}, fraction {fraction.name!r}: the blank {one.blank!r} is in "
                    f"{solvent}, but the scan is in {fraction.solvent}. Give a blank in the same "
                    "solvent."
                )


def _fraction(
    own: Entries, defaults: Entries, files: _ScanFiles, library: ReferenceLibrary
) -> Fraction:
    own.check_keys((*_FRACTION_KEYS, "u_bandwidth_nm"), _TUBE_MEASURED)
    name = own.text("name")
    if not name:
        raise own.fail("name", "is missing. Give the tube a name.")
    table = Entries(_over(defaults.content, own.content), f"{own.place} ({name!r})")
    made_up, made_up_assumed = table.measured("made_up_volume_ml")
    eluted, eluted_assumed = table.measured("eluted_volume_ml")
    scans, assumed = _tube_scans(table, files)
    after_acid = _after_acid(table, scans, files)
    prepared, scanned = _times(table)
    if made_up_assumed:
        assumed = (*assumed, "made_up_volume_ml")
    if eluted_assumed:
        assumed = (*assumed, "eluted_volume_ml")
    return Fraction(
        name=name,
        role=table.choice("role", ROLES, default="cut"),
        scans=scans,
        solvent=solvent_key(table, library),
        path_length=table.measured("path_length_cm")[0] or _assumed_path(),
        bandwidth=table.positive("bandwidth_nm"),
        made_up_volume=made_up,
        eluted_volume=eluted,
        candidates=_candidates(table, library),
        prepared=prepared,
        scanned=scanned,
        assumed=assumed,
        unused=_unused(table),
        after_acid=after_acid,
    )


def _times(table: Entries) -> tuple[str | None, str | None]:
    """Return when the tube was prepared and scanned, as ISO 8601 text."""
    prepared, scanned = table.moment("prepared"), table.moment("scanned")
    if prepared and scanned:
        if (prepared.tzinfo is None) != (scanned.tzinfo is None):
            raise table.fail("prepared", "and scanned must both have a time zone, or neither.")
        if scanned < prepared:
            raise table.fail("scanned", f"is {scanned}, before prepared = {prepared}.")
    return (
        prepared.isoformat() if prepared else None,
        scanned.isoformat() if scanned else None,
    )


def _unused(table: Entries) -> tuple[str, ...]:
    """Return the entries that are allowed here but change nothing."""
    unused = ["u_bandwidth_nm"] if "u_bandwidth_nm" in table.content else []
    if table.text("role") == "loaded" and "made_up_volume_ml" in table.content:
        unused.append("made_up_volume_ml")
    return tuple(unused)


def _over(defaults: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any]:
    """Return the defaults with a fraction's own entries over them.

    The uncertainty of a default belongs to its value: where the fraction gives
    another value, it does not carry over. Scans never do.
    """
    kept = {
        key: value
        for key, value in defaults.items()
        if key.removeprefix("u_") not in own and key not in own
    }
    return {**kept, **own}


def _candidates(table: Entries, library: ReferenceLibrary) -> tuple[str, ...] | None:
    names = table.words("candidates")
    if names is None:
        return None
    keys = tuple(_pigment(table, "candidates", name, library) for name in names)
    repeated = next((key for key in keys if keys.count(key) > 1), None)
    if repeated:
        raise table.fail("candidates", f"names {repeated!r} twice. Name each pigment once.")
    return keys


def _scan_entries(table: Entries) -> list[Mapping[str, Any]]:
    """Return ``scan`` or ``scans`` as a list of tables, each with a file."""
    if "scan" in table.content and "scans" in table.content:
        raise table.fail("scan", "and scans are both given. Keep one of them.")
    key = "scan" if "scan" in table.content else "scans"
    given = table.content.get(key, [])
    entries = given if isinstance(given, list) and key == "scans" else [given]
    tables = [{"file": entry} if isinstance(entry, str) else entry for entry in entries]
    for entry in tables:
        if not isinstance(entry, dict) or not isinstance(entry.get("file"), str):
            raise table.fail(
                key, f"is {given!r}, but must be a file name or {{ file = ..., sample = ... }}."
            )
        if not entry["file"].strip():
            raise table.fail(key, "is empty. Name a scan file, or leave the key out.")
    return tables


def _tube_scans(table: Entries, files: _ScanFiles) -> tuple[tuple[TubeScan, ...], tuple[str, ...]]:
    """Return the scans of a tube, and the fields whose uncertainty is assumed."""
    shared = _shared(table, "blank", "sample", "quantity")
    scans, assumed = [], []
    for number, entry in enumerate(_scan_entries(table), start=1):
        own = Entries(entry, f"{table.place}, scan {number}")
        own.check_keys(_SCAN_KEYS, _SCAN_MEASURED)
        merged = Entries(_over(shared, entry), own.place)
        one, default_fields = _tube_scan(merged, files)
        scans.append(one)
        assumed += default_fields
    return tuple(scans), tuple(dict.fromkeys(assumed))


def _shared(table: Entries, *keys: str) -> dict[str, Any]:
    """Return the entries of a tube that its scans take over."""
    return {
        key: value
        for key, value in table.content.items()
        if key.removeprefix("u_") in _SCAN_MEASURED or key in keys
    }


def _after_acid(table: Entries, scans: tuple[TubeScan, ...], files: _ScanFiles) -> TubeScan | None:
    """Return the scan after acid, or None.

    It takes over path length, dilution, blank and quantity of the tube, but not the sample:
    that names the scan before acid.
    """
    given = table.content.get("after_acid")
    if given is None:
        return None
    entry = {"file": given} if isinstance(given, str) else given
    if not isinstance(entry, dict) or not isinstance(entry.get("file"), str):
        raise table.fail(
            "after_acid",
            f"is {given!r}, but must be a file name or {{ file = ..., sample = ... }}.",
        )
    if not entry["file"].strip():
        raise table.fail("after_acid", "is empty. Name a scan file, or leave the key out.")
    if not scans:
        raise table.fail(
            "after_acid", "is given without a scan before acid. Give that too: scan = ..."
        )
    own = Entries(entry, f"{table.place}, after_acid")
    own.check_keys(_SCAN_KEYS, _SCAN_MEASURED)
    merged = Entries(_over(_shared(table, "blank", "quantity"), entry), own.place)
    after, _ = _tube_scan(merged, files)
    place = files.path(own, "file", after.file)
    if any(
        one.sample == after.sample and files.path(own, "file", one.file) == place for one in scans
    ):
        raise table.fail(
            "after_acid",
            f"is {after.sample!r} of {after.file!r}, which is a scan before acid too. Name the "
            "scan taken after acid.",
        )
    return after


def _tube_scan(table: Entries, files: _ScanFiles) -> tuple[TubeScan, list[str]]:
    path_length, path_assumed = table.measured("path_length_cm")
    dilution, dilution_assumed = table.measured("dilution_factor")
    if dilution is not None and dilution.value < 1:
        raise table.fail(
            "dilution_factor",
            f"is {dilution.value:g}, but the volume after dilution over the volume taken is "
            "at least 1. Give its inverse, or leave the key out.",
        )
    quantity = table.choice("quantity", QUANTITIES)
    scan = files.scan(table, "scan", table.text("file"), table.text("sample"), quantity)
    file, sample, blank_quantity = _blank(table, quantity)
    if file:
        blank = files.scan(table, "blank", file, sample, blank_quantity)
        try:
            scan = subtract_blank(scan, blank)
        except InputError as error:
            raise RunSheetError(f"{table.place}: {error}") from None
    one = TubeScan(
        file=table.text("file"),
        sample=scan.name,
        scan=scan,
        dilution_factor=dilution or Quantity(1.0, 0.0, ""),
        path_length=path_length or _assumed_path(),
        blank=file,
        blank_sample=sample,
        quantity=quantity,
    )
    assumed = ["path_length_cm"] if path_assumed or path_length is None else []
    return one, [*assumed, *(["dilution_factor"] if dilution_assumed else [])]


def _assumed_path() -> Quantity:
    return Quantity(1.0, assumed_uncertainty("path_length_cm", 1.0), "cm")


def _blank(table: Entries, quantity: str) -> tuple[str, str, str]:
    """Return file, sample and quantity of the blank; the file is empty when there is none.

    A blank is read as what its scan is, unless it has a quantity of its own.
    """
    blank = table.content.get("blank", "")
    if isinstance(blank, str):
        return blank.strip(), "", quantity
    own = Entries(blank if isinstance(blank, dict) else {}, f"{table.place}, blank")
    own.check_keys(_BLANK_KEYS, ())
    if not own.text("file"):
        raise table.fail(
            "blank", f"is {blank!r}, but must be a file name or {{ file = ..., sample = ... }}."
        )
    return (
        own.text("file"),
        own.text("sample"),
        own.choice("quantity", QUANTITIES, default=quantity),
    )


# Writing a new sheet


def new_sheet(folder: str | Path) -> str:
    """Return the text of a commented run sheet for the scan files in a folder.

    Every optional entry stands in it as a comment with its unit. The text is valid
    and `read_run` accepts it as it is; without a solvent the analysis only names
    pigments.

    Parameters
    ----------
    folder : path

    Returns
    -------
    str

    Raises
    ------
    RunSheetError
        If there is no such folder.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise RunSheetError(f"{folder}: there is no such folder. Make it and put the scans in.")
    found: list[tuple[str, list[str]]] = []
    refused: list[tuple[str, str]] = []
    for path in _scan_files(folder):
        name = path.relative_to(folder).as_posix()
        try:
            name.encode("utf-8")
            found.append((name, [scan.name for scan in read_scans(path)]))
        except UnicodeEncodeError:
            refused.append((ascii(name), "its name is not valid text"))
        except ScanFileError as error:
            refused.append((name, str(error)))
    return sheet_text(found, refused, load_references().solvents, QUANTITIES)


def write_new_sheet(folder: str | Path) -> Path:
    """Write a commented run sheet into a folder of scans.

    Parameters
    ----------
    folder : path

    Returns
    -------
    Path
        The sheet.

    Raises
    ------
    RunSheetError
        If the folder has a sheet already; it is never overwritten.
    """
    text = new_sheet(folder)
    sheet = Path(folder) / SHEET_NAME
    _refuse_other_sheet(Path(folder))
    try:
        with sheet.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except FileExistsError:
        _refuse_other_sheet(Path(folder))
        raise
    return sheet


def _refuse_other_sheet(folder: Path) -> None:
    for name in SHEET_NAMES:
        if (folder / name).exists():
            raise RunSheetError(
                f"{folder / name}: the folder has a run sheet already, and it is not overwritten. "
                "Edit it, or rename it first."
            ) from None
