"""The reference library: what each pigment absorbs in each solvent, and how well we know it.

The data are plain tables in the package ``specfrac.reference_spectra``, each value with its
source. A folder of the user's own references can be laid over them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Protocol, TypeVar

import numpy as np

from specfrac.errors import InputError, ReferenceNotFoundError, did_you_mean
from specfrac.references.model import (
    GRADES,
    GROUPS,
    REGIONS,
    Pigment,
    PigmentReference,
    References,
    Solvent,
    normalised,
)
from specfrac.references.tables import OwnFile, listed, own_files, read_table

__all__ = [
    "GRADES",
    "GROUPS",
    "REGIONS",
    "Pigment",
    "PigmentReference",
    "ReferenceLibrary",
    "References",
    "Solvent",
    "cell_text",
    "coverage_rows",
    "coverage_text",
    "load_facts",
    "load_references",
    "normalised",
    "pigment_text",
    "read_table",
]

MOLAR_MASS_TOLERANCE = 1e-3  # covers different tables of atomic weights
UNIT_HEIGHT_TOLERANCE = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class ReferenceLibrary:
    """All references, by pigment and solvent.

    Attributes
    ----------
    version : str
        Version and date of the data, and the own references laid over it.
    """

    version: str
    _pigments: Mapping[str, Pigment]
    _solvents: Mapping[str, Solvent]
    _cells: Mapping[tuple[str, str], PigmentReference]
    _reasons: Mapping[tuple[str, str], str] = field(default_factory=dict)
    _own: frozenset[tuple[str, str]] = frozenset()

    @property
    def pigments(self) -> tuple[str, ...]:
        """Keys of all pigments."""
        return tuple(self._pigments)

    @property
    def leaf_pigments(self) -> tuple[str, ...]:
        """Keys of the default candidates, the eight pigments of a green leaf."""
        return tuple(key for key, pigment in self._pigments.items() if pigment.leaf)

    @property
    def solvents(self) -> tuple[str, ...]:
        """Keys of all solvents."""
        return tuple(self._solvents)

    def pigment(self, name: str) -> Pigment:
        """Return a pigment by key or another of its names.

        Raises
        ------
        ReferenceNotFoundError
            If the name is not known.
        """
        return _found("pigment", name, self._pigments)

    def solvent(self, name: str) -> Solvent:
        """Return a solvent by key or another of its names.

        Raises
        ------
        ReferenceNotFoundError
            If the name is not known.
        """
        return _found("solvent", name, self._solvents)

    def molar_mass(self, pigment: str) -> float:
        """Return the molar mass of a pigment, g/mol."""
        return self.pigment(pigment).molar_mass

    def is_own(self, pigment: str, solvent: str) -> bool:
        """True when the reference comes from the user's folder."""
        return (self.pigment(pigment).key, self.solvent(solvent).key) in self._own

    def reason(self, pigment: str, solvent: str) -> str:
        """Return why a cell has its grade, also where there is no reference."""
        pair = (self.pigment(pigment).key, self.solvent(solvent).key)
        entry = self._cells.get(pair)
        return entry.reason if entry else self._reasons.get(pair, "no own reference here")

    def has(self, pigment: str, solvent: str) -> bool:
        """True when there is a reference for the pigment in the solvent."""
        return (self.pigment(pigment).key, self.solvent(solvent).key) in self._cells

    def cell(self, pigment: str, solvent: str) -> PigmentReference:
        """Return the reference of one pigment in one solvent.

        Raises
        ------
        ReferenceNotFoundError
            If the pigment or solvent is not known, or the library has no reference
            for the pair; the message says where one exists.
        """
        pigment_key = self.pigment(pigment).key
        solvent_key = self.solvent(solvent).key
        try:
            return self._cells[pigment_key, solvent_key]
        except KeyError:
            raise ReferenceNotFoundError(self._missing(pigment_key, solvent_key)) from None

    def _missing(self, pigment: str, solvent: str) -> str:
        elsewhere = [s for s in self.solvents if (pigment, s) in self._cells]
        present = [p for p in self.pigments if (p, solvent) in self._cells]
        reason = self._reasons.get((pigment, solvent), "")
        return (
            f"no reference for {pigment} in {solvent}"
            + (f" ({reason})" if reason else "")
            + f". {pigment} is known in {', '.join(elsewhere) or 'no solvent'}; in {solvent} "
            f"there is {', '.join(present) or 'nothing'}. Use another solvent, name other "
            "pigments, or add a standard of your own."
        )

    def select(self, *, solvent: str, pigments: Sequence[str] | None = None) -> References:
        """Return the references of some pigments in one solvent.

        Parameters
        ----------
        solvent : str
            Key or alias, e.g. ``"hexane"`` or ``"90 % acetone"``.
        pigments : sequence of str, optional
            Keys or aliases. Default: the eight pigments of a green leaf.

        Returns
        -------
        References

        Raises
        ------
        ReferenceNotFoundError
            If a name is not known or a reference is missing.
        InputError
            If a pigment is named twice.
        """
        found = self.solvent(solvent)
        if isinstance(pigments, str):
            raise InputError(f"pigments is the text {pigments!r}; give a list of names.")
        names = self.leaf_pigments if pigments is None else tuple(pigments)
        entries = tuple(self.cell(name, found.key) for name in names)
        return References(found, entries, self.version)


class _Named(Protocol):
    @property
    def key(self) -> str: ...
    @property
    def aliases(self) -> tuple[str, ...]: ...


Named = TypeVar("Named", bound=_Named)


def _found(kind: str, name: str, known: Mapping[str, Named]) -> Named:
    wanted = normalised(name)
    if wanted in known:
        return known[wanted]
    for item in known.values():
        if wanted in map(normalised, item.aliases):
            return item
    raise ReferenceNotFoundError(f"{kind} {name!r} is not known. {did_you_mean(wanted, known)}")


# Reading the tables


def _number(text: str) -> float:
    return float(text) if text else math.nan


@lru_cache(maxsize=1)
def load_facts() -> tuple[Mapping[str, Pigment], Mapping[str, Solvent]]:
    """Return the pigments and the solvents of the built-in library by key."""
    pigments = {row["pigment"]: _pigment(row) for row in read_table("pigments.csv").rows}
    solvents = {row["solvent"]: _solvent(row) for row in read_table("solvents.csv").rows}
    return MappingProxyType(pigments), MappingProxyType(solvents)


@lru_cache(maxsize=1)
def _built_in() -> ReferenceLibrary:
    pigments, solvents = load_facts()
    citations = {row["source"]: row["citation"] for row in read_table("sources.csv").rows}
    cells_table = read_table("cells.csv")
    bands = _grouped(read_table("bands.csv").rows)
    cells: dict[tuple[str, str], PigmentReference] = {}
    reasons: dict[tuple[str, str], str] = {}
    for row in cells_table.rows:
        pair = (row["pigment"], row["solvent"])
        if row["grade"] == "none":
            reasons[pair] = row["reason"]
        else:
            cells[pair] = _reference(row, bands[pair], pigments[pair[0]], citations)
    return ReferenceLibrary(
        cells_table.heading.split(")")[0] + ")",
        pigments,
        solvents,
        MappingProxyType(cells),
        MappingProxyType(reasons),
    )


def _grouped(
    rows: Iterable[Mapping[str, str]],
) -> dict[tuple[str, str], list[Mapping[str, str]]]:
    groups: dict[tuple[str, str], list[Mapping[str, str]]] = {}
    for row in rows:
        groups.setdefault((row["pigment"], row["solvent"]), []).append(row)
    return groups


def _pigment(row: Mapping[str, str]) -> Pigment:
    return Pigment(
        row["pigment"],
        row["name"],
        listed(row["aliases"]),
        row["group"],
        row["formula"],
        float(row["molar_mass_g_mol"]),
        row["leaf"] == "yes",
    )


def _solvent(row: Mapping[str, str]) -> Solvent:
    return Solvent(
        row["solvent"],
        row["name"],
        listed(row["aliases"]),
        float(row["uv_limit_nm"]),
        _number(row["refractive_index"]),
        float(row["shift_prior_nm"]),
        row["mixture"] == "yes",
        row["source"],
    )


def _reference(
    row: Mapping[str, str],
    bands: Sequence[Mapping[str, str]],
    pigment: Pigment,
    citations: Mapping[str, str],
) -> PigmentReference:
    return PigmentReference(
        pigment=pigment.key,
        solvent=row["solvent"],
        group=pigment.group,
        molar_mass=pigment.molar_mass,
        centre=np.array([float(band["centre_nm"]) for band in bands]),
        height=np.array([float(band["height"]) for band in bands]),
        width=np.array([float(band["width_nm"]) for band in bands]),
        region=tuple(band["region"] for band in bands),
        scale=float(row["scale_L_per_g_cm"]),
        scale_uncertainty=float(row["scale_uncertainty"]),
        valid_from=float(row["valid_from_nm"]),
        valid_to=float(row["valid_to_nm"]),
        bandwidth=float(row["bandwidth_nm"]),
        grade=row["grade"],
        shape_error=float(row["shape_error"]),
        for_mass=row["for_mass"] == "yes",
        reason=row["reason"],
        sources=tuple(citations[key] for key in listed(row["sources"])),
    )


def load_references(user_folder: str | Path | None = None) -> ReferenceLibrary:
    """Return the reference library.

    Parameters
    ----------
    user_folder : path, optional
        Folder of own references; each takes the place of the built-in one for the
        same pigment and solvent, and new pigments are added.

    Returns
    -------
    ReferenceLibrary
        The built-in library is read once and kept; a user's folder is read each time.

    Raises
    ------
    InputError
        If the folder is missing or a file in it breaks a rule.

    Examples
    --------
    >>> library = load_references()
    >>> references = library.select(solvent="hexane", pigments=["beta-carotene"])
    >>> references.specific_absorptivity("beta-carotene", [450.0]).round(1)
    array([259.2])
    """
    if user_folder is None:
        return _built_in()
    return _overlaid(_built_in(), own_files(user_folder))


def _overlaid(library: ReferenceLibrary, files: Sequence[OwnFile]) -> ReferenceLibrary:
    pigments, cells = dict(library._pigments), dict(library._cells)
    own: list[tuple[str, str]] = []
    for file in files:
        pigment = _own_pigment(file, pigments)
        entry = _own_reference(file, pigment, library)
        pigments[pigment.key] = pigment
        cells[pigment.key, entry.solvent] = entry
        own.append((pigment.key, entry.solvent))
    names = ", ".join(f"{pigment} in {solvent}" for pigment, solvent in own)
    return ReferenceLibrary(
        library.version + (f" with own {names}" if own else ""),
        MappingProxyType(pigments),
        library._solvents,
        MappingProxyType(cells),
        library._reasons,
        frozenset(own),
    )


def _own_pigment(file: OwnFile, pigments: Mapping[str, Pigment]) -> Pigment:
    given = file.pigment
    key = str(given["key"])
    if key != normalised(key) or not key:
        raise InputError(
            f"{file.path}: pigment key {key!r} must be lower case words joined by hyphens, "
            f"like {normalised(key) or 'my-pigment'!r}."
        )
    known = pigments.get(key)
    if known is None:
        return Pigment(
            key, given["name"], (), given["group"], given["formula"], given["molar_mass_g_mol"]
        )
    if known.group != given["group"] or not math.isclose(
        known.molar_mass, given["molar_mass_g_mol"], rel_tol=MOLAR_MASS_TOLERANCE
    ):
        raise InputError(
            f"{file.path}: {key} is given as {given['group']} of {given['molar_mass_g_mol']:g} "
            f"g/mol, but is known as {known.group} of {known.molar_mass:g} g/mol. "
            "Use another key for another substance."
        )
    return known


def _own_reference(file: OwnFile, pigment: Pigment, library: ReferenceLibrary) -> PigmentReference:
    given = file.reference
    try:
        entry = PigmentReference(
            pigment=pigment.key,
            solvent=library.solvent(given["solvent"]).key,
            group=pigment.group,
            molar_mass=pigment.molar_mass,
            centre=np.array([band["centre_nm"] for band in file.bands]),
            height=np.array([band["height"] for band in file.bands]),
            width=np.array([band["width_nm"] for band in file.bands]),
            region=tuple(band["region"] for band in file.bands),
            scale=given["scale_L_per_g_cm"],
            scale_uncertainty=given["scale_uncertainty"],
            valid_from=given["valid_from_nm"],
            valid_to=given["valid_to_nm"],
            bandwidth=given["bandwidth_nm"],
            grade=given["grade"],
            shape_error=given["shape_error"],
            for_mass=given["for_mass"],
            reason=given["reason"],
            sources=tuple(str(source) for source in given["sources"]),
        )
    except (InputError, ReferenceNotFoundError) as error:
        raise InputError(f"{file.path}: {error}") from error
    top = float(entry.shape([entry.main_maximum])[0])
    if not math.isclose(top, 1.0, abs_tol=UNIT_HEIGHT_TOLERANCE):
        raise InputError(
            f"{file.path}: the bands add up to {top:g} at their maximum, but must to 1. "
            "Divide the heights by it."
        )
    return entry


# What the library says of itself


def coverage_rows(library: ReferenceLibrary) -> list[dict[str, str | float | bool]]:
    """Return a row a cell: grade, errors, scale, range and reason.

    Cells without a reference have grade ``"none"`` and NaN numbers.
    """
    rows: list[dict[str, str | float | bool]] = []
    for pigment in library.pigments:
        for solvent in library.solvents:
            entry = library.cell(pigment, solvent) if library.has(pigment, solvent) else None
            rows.append(
                {
                    "pigment": pigment,
                    "solvent": solvent,
                    "grade": entry.grade if entry else "none",
                    "own": library.is_own(pigment, solvent),
                    "shape_error": entry.shape_error if entry else math.nan,
                    "scale_L_per_g_cm": entry.scale if entry else math.nan,
                    "scale_uncertainty": entry.scale_uncertainty if entry else math.nan,
                    "for_mass": bool(entry and entry.for_mass),
                    "valid_from_nm": entry.valid_from if entry else math.nan,
                    "valid_to_nm": entry.valid_to if entry else math.nan,
                    "reason": library.reason(pigment, solvent),
                }
            )
    return rows


def coverage_text(library: ReferenceLibrary) -> str:
    """Return the table of grades, pigments down and solvents across, as text."""
    short = {"hexane-acetone-90-10": "hex-ace"}
    names = [short.get(solvent, solvent) for solvent in library.solvents]
    widths = [max(len(name), len("band model*")) for name in names]
    first = max(map(len, library.pigments))
    lines = [f"Reference library {library.version}", ""]
    lines.append(" ".join([" " * first, *map(str.ljust, names, widths)]).rstrip())
    for pigment in library.pigments:
        grades = []
        for solvent in library.solvents:
            grade = library.cell(pigment, solvent).grade if library.has(pigment, solvent) else "-"
            grades.append(grade + ("*" if library.is_own(pigment, solvent) else ""))
        lines.append(" ".join([pigment.ljust(first), *map(str.ljust, grades, widths)]).rstrip())
    lines += [
        "",
        "measured: fitted to a measured spectrum; band model: to published bands; adapted: moved",
        "from another solvent; estimate: scale not published, not for mass; -: no reference;",
        "*: your own; hex-ace: hexane-acetone-90-10.",
    ]
    return "\n".join(lines)


def pigment_text(library: ReferenceLibrary, pigment: str) -> str:
    """Return what the library holds of one pigment, a line a solvent."""
    found = library.pigment(pigment)
    lines = [f"{found.name} ({found.key}), {found.group}, {found.formula}, "
             f"{found.molar_mass:.2f} g/mol", ""]  # fmt: skip
    for solvent in library.solvents:
        if not library.has(found.key, solvent):
            lines.append(f"{solvent:<21}none        {library.reason(found.key, solvent)}")
            continue
        entry = library.cell(found.key, solvent)
        own = " (own)" if library.is_own(found.key, solvent) else ""
        mass = "" if entry.for_mass else ", not for mass"
        lines.append(
            f"{solvent:<21}{entry.grade + own:<12}{entry.scale:6.1f} L/(g cm) at "
            f"{entry.main_maximum:.1f} nm, u {100 * entry.scale_uncertainty:.1f} %, shape "
            f"{100 * entry.shape_error:.1f} %{mass}"
        )
    return "\n".join(lines)


def cell_text(library: ReferenceLibrary, pigment: str, solvent: str) -> str:
    """Return all the library holds of one pigment in one solvent, with sources.

    A cell that is graded "none" says why.

    Raises
    ------
    ReferenceNotFoundError
        If the pigment or the solvent is not known.
    """
    if not library.has(pigment, solvent):
        names = f"{library.pigment(pigment).name} in {library.solvent(solvent).name}"
        return f"{names}: none\n  {library.reason(pigment, solvent)}"
    entry = library.cell(pigment, solvent)
    own = ", your own" if library.is_own(pigment, solvent) else ""
    lines = [
        f"{library.pigment(pigment).name} in {library.solvent(solvent).name}: {entry.grade}{own}",
        f"  {entry.reason}",
        f"  scale {entry.scale:.2f} L/(g cm) at {entry.main_maximum:.1f} nm "
        f"(A1% {10 * entry.scale:.0f}, {entry.scale * entry.molar_mass:.0f} L/(mol cm)), "
        f"standard uncertainty {100 * entry.scale_uncertainty:.1f} %",
        f"  shape error {100 * entry.shape_error:g} % of the absorbance; "
        + ("good for mass" if entry.for_mass else "not for mass"),
        f"  valid from {entry.valid_from:g} nm"
        + (f" to {entry.valid_to:g} nm" if math.isfinite(entry.valid_to) else "")
        + f"; spectral bandwidth {entry.bandwidth:g} nm",
        "",
        "  centre nm  height   width nm  region",
    ]
    for c, h, w, region in zip(entry.centre, entry.height, entry.width, entry.region, strict=True):
        lines.append(f"  {c:9.2f}  {h:7.4f}  {w:8.2f}  {region}")
    lines += _published_lines(entry.pigment, entry.solvent)
    lines += ["", "  sources", *(f"  - {source}" for source in entry.sources)]
    return "\n".join(lines)


def _published_lines(pigment: str, solvent: str) -> list[str]:
    lines = []
    for title, table, text in (
        ("absorptivities", "absorptivities.csv", _absorptivity_line),
        ("maxima", "maxima.csv", _maximum_line),
    ):
        rows = [
            row
            for row in read_table(table).rows
            if (row["pigment"], row["solvent"]) == (pigment, solvent)
            and row.get("kind") != "equation"
        ]
        if rows:
            lines += ["", f"  published {title}", *map(text, rows)]
    return lines


def _absorptivity_line(row: Mapping[str, str]) -> str:
    mark = "*" if row["recommended"] == "yes" else "-"
    note = f"; {row['note']}" if row["note"] else ""
    return (
        f"  {mark} {row['value']} {row['unit']} at {row['wavelength_nm']} nm "
        f"({row['source'].replace('|', ', ')}; {row['status']}{note})"
    )


def _maximum_line(row: Mapping[str, str]) -> str:
    place = f"{row['wavelength_nm']} nm" if row["wavelength_nm"] else ""
    ratio = f"{row['ratio_name']} {row['ratio_value']}" if row["ratio_name"] else ""
    what = ", ".join(part for part in (place, ratio) if part)
    note = f"; {row['note']}" if row["note"] else ""
    source = row["source"].replace("|", ", ") or "no primary source"
    return f"  - {row['band']} {what} ({source}; {row['status']}{note})"
