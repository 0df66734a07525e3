"""Qualification sheets and records as files.

A qualification is a folder with ``qualification.toml`` and the scans it names; its
outcome is ``qualification.json``, which a run's report looks for.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from specfrac.bench_settings import qualification_limits
from specfrac.claims.sheet import person_code
from specfrac.errors import InputError, RunSheetError, SpecfracError, did_you_mean
from specfrac.loading import read_scans
from specfrac.qualify.checks import (
    check_absorbance,
    check_baseline,
    check_drift,
    check_linearity,
    check_noise,
    check_resolution,
    check_stray_light,
    check_two_path,
    check_wavelength,
)
from specfrac.qualify.results import KINDS, SETS, Check, QualificationResult
from specfrac.qualify.whole import CAUTIONS, qualification
from specfrac.sheet.entries import Entries

if TYPE_CHECKING:
    from specfrac.scans import Scan
    from specfrac.settings import Settings

SHEET_NAME = "qualification.toml"
RECORD_NAME = "qualification.json"
FORMAT = 1

_CHECK_KEYS = (
    "kind", "standard", "scan", "sample", "readings", "series", "certified", "nm",
    "concentration_mg_per_L", "path_length_cm", "peak_absorbance",
)  # fmt: skip


def read_qualification(folder: str | Path) -> QualificationResult:
    """Read a qualification sheet with its scans and do every check in it.

    Parameters
    ----------
    folder : path
        The folder, or the sheet in it.

    Returns
    -------
    QualificationResult

    Raises
    ------
    RunSheetError
        If the sheet is missing or an entry breaks a rule.
    ScanFileError
        If a scan file cannot be read.
    """
    path = Path(folder)
    sheet = path if path.is_file() else path / SHEET_NAME
    if not sheet.is_file():
        raise RunSheetError(
            f"{path}: there is no {SHEET_NAME}. Write one; `specfrac qualify FOLDER --new` writes "
            "a commented example."
        )
    try:
        content = tomllib.loads(sheet.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise RunSheetError(f"{sheet.name}: {error}. Save the sheet as TOML in UTF-8.") from None
    top = Entries(content, sheet.name)
    top.check_keys(("instrument", "limits", "check"))
    head = Entries(_section(top, "instrument"), f"{sheet.name}, [instrument]")
    head.check_keys(("name", "date", "operator", "bandwidth_nm", "set"))
    if "operator" in head.content:
        person_code(head, "operator")
    limits = _limits(Entries(_section(top, "limits"), f"{sheet.name}, [limits]"))
    bench = _Bench(sheet.parent, head.positive("bandwidth_nm"), limits)
    checks = [
        _check(Entries(one, f"{sheet.name}, [[check]] {at}"), bench)
        for at, one in enumerate(_tables(top), start=1)
    ]
    return qualification(
        checks,
        instrument=head.text("name"),
        date=head.day("date"),
        set_name=head.choice("set", tuple(SETS), default="full"),
        limits=limits,
    )


def _section(top: Entries, name: str) -> Mapping[str, Any]:
    content = top.content.get(name, {})
    if not isinstance(content, dict):
        raise RunSheetError(f"{top.place}: {name} must be a table. Begin it with [{name}].")
    return content


def _tables(top: Entries) -> list[Mapping[str, Any]]:
    content = top.content.get("check", [])
    if not isinstance(content, list) or not all(isinstance(one, dict) for one in content):
        raise RunSheetError(f"{top.place}: check must be a list of tables. Begin with [[check]].")
    if not content:
        raise RunSheetError(f"{top.place}: there is no [[check]]. Add one for each test.")
    return content


def _limits(table: Entries) -> Settings:
    changes = {key: table.number(key) for key in table.content}
    try:
        return qualification_limits({k: v for k, v in changes.items() if v is not None})
    except InputError as error:
        raise RunSheetError(f"{table.place}: {error}") from None


_SERIES_KEYS = ("dilution_factor", "concentration_mg_per_L", "absorbance", "scan", "sample")


class _Bench:
    """Where a sheet's scans lie, and what its checks share."""

    def __init__(self, folder: Path, bandwidth: float | None, limits: Settings) -> None:
        self.folder, self.bandwidth, self.limits = folder, bandwidth, limits

    def scan(self, table: Entries, content: Mapping[str, Any]) -> Scan:
        own = Entries(content, table.place)
        name, sample = own.text("scan"), own.text("sample")
        path = self.folder / name.replace("\\", "/")
        if not path.resolve().is_relative_to(self.folder.resolve()):
            raise table.fail("scan", f"is {name!r}, outside the folder. Copy the file into it.")
        if not path.is_file():
            there = [one.name for one in sorted(self.folder.iterdir()) if one.is_file()]
            raise table.fail("scan", f"is {name!r}, but there is no such file. "
                             f"{did_you_mean(name, there)}")  # fmt: skip
        scans = read_scans(path)
        chosen = [one for one in scans if one.name.strip() == sample] if sample else scans
        if len(chosen) != 1:
            listed = ", ".join(repr(one.name) for one in scans)
            raise table.fail("sample", f"must name one of {listed} in {name!r}.")
        return chosen[0]


def _check(table: Entries, bench: _Bench) -> Check:
    table.check_keys(_CHECK_KEYS)
    kind = table.choice("kind", KINDS)
    if not kind:
        raise table.fail("kind", f"is missing. It is one of {', '.join(KINDS)}.")
    try:
        return _DOING[kind](table, bench)
    except RunSheetError:
        raise
    except SpecfracError as error:
        raise RunSheetError(f"{table.place} ({kind}): {error}") from None


def _found(table: Entries, bench: _Bench) -> Mapping[float, float] | Scan:
    """Return readings typed in by wavelength, or the scan a check names."""
    if table.text("scan"):
        return bench.scan(table, table.content)
    pairs = _pairs(table, "readings", ("nm", "found"))
    if not pairs:
        raise table.fail("readings", "or a scan is missing. Type in [{ nm = 436, found = 436.2 }].")
    return {nm: found for nm, found in pairs}


def _pairs(table: Entries, key: str, names: tuple[str, str]) -> list[tuple[float, float]]:
    rows = []
    for own in _rows(table, key):
        own.check_keys(names)
        first, second = own.number(names[0]), own.number(names[1])
        if first is None or second is None:
            raise own.fail(names[0] if first is None else names[1], "is missing.")
        rows.append((first, second))
    return rows


def _rows(table: Entries, key: str) -> list[Entries]:
    given = table.content.get(key, [])
    if not isinstance(given, list) or not all(isinstance(one, dict) for one in given):
        raise table.fail(key, "must be a list of { ... } entries.")
    return [Entries(one, f"{table.place}, {key} {at}") for at, one in enumerate(given, start=1)]


def _standard(table: Entries) -> str:
    name = table.text("standard")
    if not name:
        raise table.fail("standard", "is missing. Name what was measured.")
    return name


def _wavelength(table: Entries, bench: _Bench) -> Check:
    certified = [own.number("nm") for own in _rows(table, "certified")]
    return check_wavelength(
        _found(table, bench),
        _standard(table),
        bandwidth=bench.bandwidth,
        certified=[nm for nm in certified if nm is not None],
        limits=bench.limits,
    )


def _absorbance(table: Entries, bench: _Bench) -> Check:
    certified = {}
    for own in _rows(table, "certified"):
        own.check_keys(("nm", "value", "u"))
        nm, value = own.positive("nm"), own.number("value")
        if nm is None or value is None:
            raise own.fail("nm" if nm is None else "value", "is missing.")
        certified[nm] = (value, own.number("u") or 0.0)
    return check_absorbance(
        _found(table, bench),
        _standard(table),
        concentration=table.positive("concentration_mg_per_L"),
        path_length=table.positive("path_length_cm") or 1.0,
        certified=certified or None,
        limits=bench.limits,
    )


def _stray_light(table: Entries, bench: _Bench) -> Check:
    peak = table.positive("peak_absorbance")
    if peak is not None:
        return check_two_path(peak, _standard(table), limits=bench.limits)
    return check_stray_light(_found(table, bench), _standard(table), limits=bench.limits)


def _resolution(table: Entries, bench: _Bench) -> Check:
    standard = table.text("standard", default="toluene-hexane")
    return check_resolution(_found(table, bench), standard, limits=bench.limits)


def _noise(table: Entries, bench: _Bench) -> Check:
    if table.text("scan"):
        return check_noise(bench.scan(table, table.content), limits=bench.limits)
    series = table.content.get("series", [])
    if not isinstance(series, list) or not all(
        isinstance(one, int | float) and not isinstance(one, bool) for one in series
    ):
        raise table.fail("series", "must be a list of readings, such as [0.0002, -0.0001, ...].")
    return check_noise([float(one) for one in series], limits=bench.limits)


def _drift(table: Entries, bench: _Bench) -> Check:
    pairs = _pairs(table, "series", ("hours", "absorbance"))
    return check_drift([h for h, _ in pairs], [a for _, a in pairs], limits=bench.limits)


def _baseline(table: Entries, bench: _Bench) -> Check:
    if not table.text("scan"):
        raise table.fail("scan", "is missing. Scan the blank against itself.")
    return check_baseline(bench.scan(table, table.content), limits=bench.limits)


def _linearity(table: Entries, bench: _Bench) -> Check:
    wavelength = table.positive("nm")
    amounts, readings = [], []
    for own in _rows(table, "series"):
        own.check_keys(_SERIES_KEYS)
        dilution, amount = own.positive("dilution_factor"), own.positive("concentration_mg_per_L")
        if (dilution is None) == (amount is None):
            raise own.fail("dilution_factor", "or concentration_mg_per_L is needed, one of them.")
        amounts.append(amount if amount is not None else 1 / float(dilution or 1))
        readings.append(_series_reading(own, bench, wavelength))
    return check_linearity(
        amounts,
        readings,
        standard=table.text("standard", default="dye"),
        wavelength=wavelength,
        limits=bench.limits,
    )


def _series_reading(own: Entries, bench: _Bench, wavelength: float | None) -> float:
    import numpy as np

    value = own.number("absorbance")
    if value is not None:
        return value
    if not own.text("scan"):
        raise own.fail("absorbance", "or a scan is missing.")
    if wavelength is None:
        raise own.fail("scan", "needs nm in the check: where to read the scans.")
    scan = bench.scan(own, own.content)
    return float(np.interp(wavelength, scan.wavelength, scan.absorbance))


_DOING: Mapping[str, Callable[[Entries, _Bench], Check]] = {
    "wavelength": _wavelength,
    "absorbance": _absorbance,
    "stray-light": _stray_light,
    "resolution": _resolution,
    "noise": _noise,
    "drift": _drift,
    "baseline": _baseline,
    "linearity": _linearity,
}


# Records


def find_qualification(folder: str | Path) -> Mapping[str, Any] | None:
    """Return the record of the last qualification that lies with a run, or None.

    It is looked for in the run's folder and in the folder above, where runs of one
    instrument may share it.

    Parameters
    ----------
    folder : path

    Returns
    -------
    mapping or None
        For `qualification_flags`.

    Raises
    ------
    InputError
        If the file there is no record.
    """
    path = qualification_path(folder)
    return _record(path) if path is not None else None


def qualification_path(folder: str | Path) -> Path | None:
    """Return the file `find_qualification` reads for a run folder, or None."""
    folder = Path(folder).resolve()
    for place in (folder, folder.parent):
        path = place / RECORD_NAME
        if path.is_file():
            return path
    return None


def _record(path: Path) -> Mapping[str, Any]:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(f"{path.name}: not a record of a qualification ({error}).") from None
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise InputError(
            f"{path.name}: not a record of a qualification of format {FORMAT}. Write it again "
            "with `specfrac qualify`."
        )
    return content


TEMPLATE = """\
# Checks of an instrument. Lines that begin with # are comments: take the # away where it fits.
# Prefer sealed cells or glass filters with a certificate: acidic dichromate and perchloric
# holmium are hazardous. Local quality rules go before all limits here.

[instrument]
name = "bench 2"                 # a label
date = 2026-05-04
# operator = "P07"               # a code, never a name
bandwidth_nm = 2.0
set = "visible"                  # or "full"

# [limits]                       # limits of your quality rules, where they differ
# wavelength_visible_nm = 1.0

[[check]]                        # lamp lines: type in where they were found
kind = "wavelength"
standard = "mercury-lamp"        # deuterium-lamp, holmium-glass, didymium-glass, ...
readings = [{ nm = 435.83, found = 436.0 }, { nm = 546.07, found = 546.3 }]
# scan = "holmium.csv"           # for a filter: its scan instead of readings
# certified = [{ nm = 453.4 }]   # positions of your filter's own certificate

[[check]]                        # a blank against itself, many times at one wavelength
kind = "noise"
series = [0.0002, -0.0001, 0.0003, 0.0000, 0.0001, -0.0002]

# [[check]]
# kind = "baseline"
# scan = "blank.csv"

# [[check]]                      # the same blank over an hour
# kind = "drift"
# series = [{ hours = 0, absorbance = 0.0 }, { hours = 0.5, absorbance = 0.0003 },
#           { hours = 1, absorbance = 0.0004 }]

[[check]]                        # a dye in steps, read at its maximum
kind = "linearity"
nm = 630
series = [
  { dilution_factor = 16, absorbance = 0.101 }, { dilution_factor = 8, absorbance = 0.202 },
  { dilution_factor = 4, absorbance = 0.403 }, { dilution_factor = 2, absorbance = 0.805 },
]

# [[check]]                      # a grey glass filter with its certificate
# kind = "absorbance"
# standard = "my filter"
# readings = [{ nm = 546, found = 0.512 }]
# certified = [{ nm = 546, value = 0.510, u = 0.002 }]

# [[check]]
# kind = "stray-light"
# standard = "acetone"
# readings = [{ nm = 300, found = 2.6 }]

# [[check]]
# kind = "resolution"
# standard = "toluene-hexane"
# scan = "toluene.csv"
"""


def qualification_template() -> str:
    """Return a commented ``qualification.toml`` that works as it stands."""
    return TEMPLATE


# Text


def qualification_text(result: QualificationResult) -> str:
    """Return a qualification as plain text: outcome, a line a number, cautions."""
    name = result.instrument or "instrument"
    lines = [f"{name}{f', {result.date}' if result.date else ''}: {result.sentence}"]
    for check in result.checks:
        lines += ["", f"{check.kind} ({check.standard}): {check.sentence}"]
        for row in check.rows:
            mark = {True: "pass", False: "FAIL", None: "cannot tell"}[row.passed]
            status = f", reference {row.status}" if row.status else ""
            compared = f"{row.difference:+.4g} against {row.limit:.3g} {row.unit}"
            lines.append(f"  {row.name}: {compared}  {mark}{status}")
    lines += ["", *(f"{flag.severity}: {flag.message}" for flag in result.flags), CAUTIONS]
    return "\n".join(lines)
