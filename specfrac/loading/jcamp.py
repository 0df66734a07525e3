"""Reader of JCAMP-DX 4.24 to 5.01, UV-visible spectra.

A file is a list of labelled records, ``##LABEL=value``, in blocks from
``##TITLE=`` to ``##END=``; a LINK block holds others. Source of the labels:
the list of JCAMP-DX labels by Davies and Lampen (IUPAC and ASTM mapping
draft); of the tables: see `specfrac.loading.asdf`.
"""

from __future__ import annotations

import contextlib
import re
from array import array
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from specfrac.errors import ScanFileError
from specfrac.flags import Flag
from specfrac.loading.asdf import MOST_POINTS, AsdfError, Ordinates, unfold
from specfrac.loading.assemble import assemble
from specfrac.loading.axis import check_range, to_nm
from specfrac.loading.blocks import FEWEST_POINTS, Block, NotASpectrumError, Reading, Skipped
from specfrac.loading.content import FileContent, decode, lines_of
from specfrac.loading.faults import not_measured, shown
from specfrac.loading.jcamp_records import (
    NUMBER,
    NumberedLines,
    Section,
    fold,
    sections_of,
    with_point,
    with_points,
)
from specfrac.loading.words import axis_word, ordinate_word

_START = re.compile(rb"(?:\s*\$\$[^\r\n]*+)*+\s*##\s*(?:TITLE|JCAMP[-_ /]*DX)\s*=", re.IGNORECASE)
_POINT_FIRST = re.compile(r"(?:^|[\s,;])([+-]?\.[0-9]+)")
_LONGEST_LINE = 1_000_000
_OF_NUMBERS = re.compile(r"[-+.0-9eEdD\s,;]*")
_TABLES = ("XYDATA", "XYPOINTS", "PEAKTABLE", "PEAKASSIGNMENTS", "NTUPLES", "RADATA", "DATATABLE")


def recognises(content: FileContent) -> bool:
    """Whether the file opens with a labelled record ##TITLE= or ##JCAMP-DX=."""
    head = content.data[:4096].lstrip(b"\xef\xbb\xbf \t\r\n")
    return head.startswith((b"##", b"$$")) and _START.match(head) is not None


def read(content: FileContent) -> Reading:
    """Read a JCAMP-DX file; each block with a spectrum becomes a scan.

    Raises
    ------
    ScanFileError
        If it holds no UV-visible spectrum, or one that breaks a rule.
    """
    text = decode(content)
    sections = sections_of(lines_of(text, content.name), content.name)
    blocks: list[Block] = []
    skipped: list[Skipped] = []
    for number, section in enumerate(sections, start=1):
        title = section.text("TITLE")
        place = f"block {number}" + (f" ({title})" if title else "")
        try:
            blocks.append(_block(section, content))
        except NotASpectrumError as error:
            if "LINK" not in section.text("DATATYPE").upper():
                skipped.append(Skipped(place, str(error)))
    if not blocks:
        reasons = "; ".join(map(str, skipped[:3])) or "no block holds data"
        raise ScanFileError(
            f"{content.name}: no UV-visible spectrum was found ({reasons}). "
            "Give a file with ##XYDATA= or ##XYPOINTS= against wavelength."
        )
    header = _header(sections)
    metadata: dict[str, Any] = {
        "file": content.name,
        "layout": "JCAMP-DX",
        "encoding": text.encoding,
        "header": header,
    }
    flags = tuple(Flag("skipped-content", str(part)) for part in skipped[:10])
    scans = assemble(content, blocks, metadata, flags=flags)
    layout = f"JCAMP-DX {sections[0].text('JCAMPDX')}".strip()
    return Reading(content.name, layout, None, None, text.encoding, header, scans, tuple(skipped))


def _header(sections: Sequence[Section]) -> tuple[str, ...]:
    return tuple(
        f"##{record.written}={record.lines[0]}"
        for section in sections
        for record in section.records.values()
    )


def _block(section: Section, content: FileContent) -> Block:
    """Turn a block of the file into readings on a wavelength axis."""
    table = next((label for label in _TABLES if label in section.records), None)
    if table not in ("XYDATA", "XYPOINTS"):
        raise NotASpectrumError(_why_no_table(table))
    flags = _type_flags(section)
    unit = _unit(section, content.name)
    lines = _data_lines(section, table, content.name, flags)
    if table == "XYDATA":
        x, y, points = _from_xydata(section, lines, content.name, flags)
    else:
        x, y, points = _from_points(section, lines, content.name, flags)
    x = x * section.number("XFACTOR", content.name, 1.0) if table == "XYPOINTS" else x
    values = y * section.number("YFACTOR", content.name, 1.0)
    _refuse_infinite(values, points, content.name)
    _compare_with_header(section, x, values, content.name, flags)
    check_range(x, unit, content.name, points)
    ordinate = section.text("YUNITS")
    word = ordinate_word(ordinate) if ordinate else None
    if word is None and ordinate and content.quantity is None:
        raise ScanFileError(
            f"{content.name}: ##YUNITS= is {shown(ordinate)}, which is not absorbance or "
            "transmittance. State what it is with quantity='absorbance', 'percent-transmittance' "
            "or 'transmittance'."
        )
    values = values[None, :]
    flags += [f for group in not_measured(values, [None], points, "row") for f in group]
    labels = {
        record.written: record.value for record in section.records.values() if record.label != table
    }
    return Block(
        wavelength=to_nm(x, unit),
        values=values,
        names=(section.text("TITLE"),),
        ordinates=(word,),
        headings=(ordinate,),
        points=points,
        flags=(tuple(flags),),
        metadata=({"labels": labels},),
    )


def _why_no_table(table: str | None) -> str:
    if table is None:
        return "it holds no data"
    if table.startswith("PEAK"):
        return "a peak table is no spectrum"
    return f"a table ##{table}= is not read"


def _type_flags(section: Section) -> list[Flag]:
    """Accept a spectrum by its data type, or by its unit in nm with a flag."""
    kind = section.text("DATATYPE")
    folded = kind.upper()
    if "UV" in folded or "VIS" in folded:
        return []
    in_nm = axis_word(section.text("XUNITS")) == "nm" or "NANOM" in section.text("XUNITS").upper()
    if not in_nm:
        raise NotASpectrumError(f"its data type is {kind!r}" if kind else "it has no data type")
    message = f"##DATA TYPE= is {kind!r}, but the axis is in nm; read as UV-visible"
    return [Flag("header-disagrees", message)]


def _unit(section: Section, file: str) -> str:
    text = section.text("XUNITS")
    unit = axis_word(text) if text else None
    if unit in ("nm", "1/cm", "um", "angstrom"):
        return unit
    raise ScanFileError(
        f"{file}: ##XUNITS= is {shown(text)}, but only nm, µm, ångström and 1/cm are read. "
        "Export the scan against wavelength in nm."
    )


def _data_lines(section: Section, table: str, file: str, flags: list[Flag]) -> NumberedLines:
    """Return the numbered lines of a table; without ##END= the last one may be cut."""
    record = section.records[table]
    form = fold(record.lines[0])
    wanted = {"XYDATA": "(X++(Y..Y))", "XYPOINTS": "(XY..XY)"}[table]
    if form != wanted:
        raise ScanFileError(
            f"{file}, row {record.line}: ##{table}= has the form {shown(record.lines[0].strip())}, "
            f"but {wanted} is read. Export the scan in that form."
        )
    lines = NumberedLines(record.lines[1:], record.line + 1)
    is_last = list(section.records)[-1] == table
    if not section.ended and is_last and len(lines):
        number = lines.pop()
        message = f"##END= is missing; the last line, row {number}, may be cut off and was dropped"
        flags.append(Flag("truncated-file", message))
    return lines


def _from_xydata(
    section: Section, lines: NumberedLines, file: str, flags: list[Flag]
) -> tuple[NDArray[np.float64], NDArray[np.float64], Sequence[int]]:
    """Return abscissas (after XFACTOR), ordinates and the line of each point."""
    try:
        table = unfold(with_points(lines))
    except AsdfError as error:
        raise ScanFileError(
            f"{file}, row {error.line}: {error}. The table is damaged; export the scan again."
        ) from None
    starts = [anchor.index for anchor in table.anchors] + [len(table.values)]
    points = np.repeat([anchor.line for anchor in table.anchors], np.diff(starts)).tolist()
    _refuse_lone_points(lines, np.frombuffer(table.values, dtype=np.float64), file)
    x = _abscissas(section, table, file, flags)
    _refuse_swallowed_line_end(table, x / section.number("XFACTOR", file, 1.0), points, file)
    return x, np.frombuffer(table.values, dtype=np.float64).copy(), points


def _abscissas(
    section: Section, table: Ordinates, file: str, flags: list[Flag]
) -> NDArray[np.float64]:
    """Return the evenly spaced axis, verified against the abscissa of every line (X-check).

    The step comes from FIRSTX, LASTX and NPOINTS. When these contradict the
    lines, DELTAX and then the lines themselves are tried; one must fit all lines.
    """
    n_points = len(table.values)
    factor = section.number("XFACTOR", file, 1.0)
    first = section.number("FIRSTX", file)
    last = section.number("LASTX", file)
    declared = section.number("NPOINTS", file)
    delta = section.number("DELTAX", file)
    _refuse_few(section, n_points, file)
    if np.isnan(first):
        first = table.anchors[0].abscissa * factor
    steps = [(last - first) / (declared - 1) if declared > 1 else np.nan, delta]
    if np.isfinite(delta) and np.isfinite(last):
        steps.append(abs(delta) * np.sign(last - first))
    far = table.anchors[-1]
    if far.index:
        steps.append((far.abscissa - table.anchors[0].abscissa) * factor / far.index)
    if np.isfinite(last):
        steps.append((last - first) / (n_points - 1))
    index = np.arange(n_points)
    worst: tuple[float, int] = (0.0, table.anchors[0].line)
    for i, step in enumerate(steps):
        if not np.isfinite(step) or step == 0:
            continue
        off = _x_check(table, first, float(step), factor)
        if off is None:
            if i > 0:
                message = (
                    "FIRSTX, LASTX and NPOINTS do not give the step of the table's lines; "
                    f"{abs(step):.6g} was taken"
                )
                flags.append(Flag("header-disagrees", message))
            return np.round(first + step * index, 9)  # 350.3, not 350.29999999999995
        worst = off
    raise ScanFileError(
        f"{file}, row {worst[1]}: the X-check fails: the line's abscissa is {worst[0]:g} away from "
        "its place by FIRSTX, LASTX and NPOINTS. The table is damaged; export the scan again."
    )


def _refuse_few(section: Section, n_points: int, file: str) -> None:
    if n_points < FEWEST_POINTS:
        raise ScanFileError(
            f"{file}, {shown(section.text('TITLE'))}: {n_points} points, but a scan needs at least "
            f"{FEWEST_POINTS}. Export the whole scan, at a step of 1 nm or less."
        )


def _refuse_lone_points(lines: NumberedLines, ordinates: NDArray[np.float64], file: str) -> None:
    """Refuse ".1338" among whole numbers, where a point replaced a blank."""
    if 2 * np.count_nonzero(ordinates % 1 == 0) <= ordinates.size:
        return
    for row, text in lines:
        found = _POINT_FIRST.search(text) if "." in text else None
        if found is not None:
            raise ScanFileError(
                f"{file}, row {row}: {shown(found[1])} opens with a point, and most other "
                "ordinates are whole numbers. A blank before it may be damaged; export the scan "
                "again."
            )


def _refuse_swallowed_line_end(
    table: Ordinates, abscissas: NDArray[np.float64], points: Sequence[int], file: str
) -> None:
    """Refuse "3850.436" where "3850" ended a line and "436" began the next.

    The count of points and the X-check of the other lines still hold then. What gives it
    away are decimals among whole numbers that are the abscissa of the next point.
    """
    values = np.frombuffer(table.values, dtype=np.float64)
    broken = np.flatnonzero(np.isfinite(values) & (values % 1 != 0))
    if 2 * broken.size >= values.size:
        return
    for i in broken[broken + 1 < values.size].tolist():
        following = abscissas[i + 1]
        decimals = repr(float(values[i])).partition(".")[2]
        if decimals == f"{following:.0f}".rstrip("0") and following % 1 == 0:
            raise ScanFileError(
                f"{file}, row {points[i]}: the ordinate {values[i]:g} has the next point's "
                f"abscissa {following:g} for its decimals, and most others are whole numbers. "
                "A line end is damaged; export the scan again."
            )


def _x_check(
    table: Ordinates, first: float, step: float, factor: float
) -> tuple[float, int] | None:
    """Return the largest misfit of a line's abscissa and its line, or None when all fit.

    An abscissa may be off by a unit of its last printed digit (some programs
    cut instead of rounding), but never by half a step.
    """
    for anchor in table.anchors:
        unit = factor * 10.0 ** -len(anchor.printed.partition(".")[2].split("E")[0])
        allowed = min(1.01 * abs(unit), 0.45 * abs(step)) + 1e-6 * abs(first)
        off = abs(anchor.abscissa * factor - (first + step * anchor.index))
        if off > allowed:
            return off, anchor.line
    return None


def _from_points(
    section: Section, lines: NumberedLines, file: str, flags: list[Flag]
) -> tuple[NDArray[np.float64], NDArray[np.float64], Sequence[int]]:
    """Return the pairs of an XYPOINTS table, before the factors."""
    numbers, points = array("d"), array("q")
    for row, text in with_points(lines):
        found = _numbers(text, file, row)
        if len(found) % 2:
            raise ScanFileError(
                f"{file}, row {row}: {len(found)} numbers are no pairs. "
                "Write pairs of wavelength and reading."
            )
        numbers.extend(found)
        points.extend([row] * (len(found) // 2))
        if len(points) > MOST_POINTS:
            raise ScanFileError(
                f"{file}, row {row}: the table has more than {MOST_POINTS} points, more than any "
                "scan. Export the scan again."
            )
    _refuse_few(section, len(points), file)
    pairs = np.array(numbers)
    _refuse_lone_points(lines, pairs[1::2], file)
    return pairs[::2], pairs[1::2], points


def _numbers(text: str, file: str, row: int) -> list[float]:
    if len(text) > _LONGEST_LINE:
        raise ScanFileError(
            f"{file}, row {row}: the line has more than {_LONGEST_LINE} characters. "
            "Write a pair of wavelength and reading on each line."
        )
    cells = text.replace(",", " ").replace(";", " ").split()
    if _OF_NUMBERS.fullmatch(text):  # no "nan" and no "1_0", which float() would take
        with contextlib.suppress(ValueError):
            return [float(cell) for cell in cells]
        with contextlib.suppress(ValueError):  # the exponent mark D of older programs
            return [float(cell.upper().replace("D", "E")) for cell in cells]
    bad = next((cell for cell in cells if not NUMBER.fullmatch(cell)), "")
    raise ScanFileError(
        f"{file}, row {row}: {shown(bad)} is no number. Write pairs of wavelength and reading."
    )


def _refuse_infinite(values: NDArray[np.float64], points: Sequence[int], file: str) -> None:
    if np.isinf(values).any():
        line = points[int(np.flatnonzero(np.isinf(values))[0])]
        raise ScanFileError(
            f"{file}, row {line}: a reading is larger than any number can be (infinite). "
            "Correct the row or ##YFACTOR=."
        )


def _compare_with_header(
    section: Section,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    file: str,
    flags: list[Flag],
) -> None:
    """Flag where the header says another count or other ends than the table has."""
    if not np.isfinite(y).any():
        return
    factor = abs(section.number("YFACTOR", file, 1.0))
    found = {
        "NPOINTS": (float(y.size), 0.0),
        "FIRSTX": (float(x[0]), 1e-6 * abs(float(x[0]))),
        "LASTX": (float(x[-1]), 1e-6 * abs(float(x[-1]))),
        "FIRSTY": (float(y[0]), factor),
        "MAXY": (float(np.nanmax(y)), factor),
        "MINY": (float(np.nanmin(y)), factor),
    }
    for label, (value, allowed) in found.items():
        said = section.number(label, file)
        text = section.text(label).upper()
        digits = len(with_point(text).partition(".")[2].split("E")[0])
        rounding = (
            10.0**-digits if "." in with_point(text) and "E" not in text else 1e-3 * abs(said)
        )
        if label == "NPOINTS":
            rounding = 0.0
        if np.isfinite(said) and np.isfinite(value) and abs(said - value) > allowed + rounding:
            message = f"##{label}= says {said:g}, but the table has {value:g}"
            flags.append(Flag("header-disagrees", message))
