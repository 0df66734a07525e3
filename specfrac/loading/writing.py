"""Writing scans: CSV that reads back bit for bit, and JCAMP-DX.

A file appears whole or not at all: it is written under a temporary name in the
same folder and then renamed.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Sequence
from itertools import zip_longest

import numpy as np

from specfrac.errors import InputError
from specfrac.scans import Scan

FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")
"""A cell that opens with one of these is run as a formula by some spreadsheets."""

_LINE_LENGTH = 80  # the longest line of JCAMP-DX; from memory
_OUTSIDE_LINE = re.compile(r"\$\$|##")


def write_csv(path: str | os.PathLike[str], scans: Scan | Sequence[Scan]) -> None:
    """Write scans as CSV; reading it back gives the same numbers, bit for bit.

    Scans on one grid share a column of wavelengths; otherwise each has its own.
    A reading that is NaN becomes a blank cell. A sample name that a spreadsheet
    would run as a formula gets an apostrophe before it, which reading removes.

    Parameters
    ----------
    path : path
    scans : Scan or sequence of Scan

    Raises
    ------
    InputError
        If there is no scan, or the file cannot be written.
    """
    scans = _checked(scans)
    stream = io.StringIO()
    stream.write("# quantity: absorbance\n")
    table = csv.writer(stream, lineterminator="\n")
    names = [_harmless(scan.name) for scan in scans]
    columns: list[list[str]] = []
    if all(np.array_equal(scan.wavelength, scans[0].wavelength) for scan in scans):
        table.writerow(["wavelength_nm", *names])
        columns = [_cells(scans[0].wavelength), *(_cells(scan.absorbance) for scan in scans)]
    else:
        table.writerow([cell for name in names for cell in ("wavelength_nm", name)])
        for scan in scans:
            columns += [_cells(scan.wavelength), _cells(scan.absorbance)]
    table.writerows(zip_longest(*columns, fillvalue=""))
    write_whole(path, stream.getvalue())


def write_jcamp(
    path: str | os.PathLike[str],
    scans: Scan | Sequence[Scan],
    *,
    digits: int = 6,
    origin: str = "not stated",
    owner: str = "not stated",
) -> None:
    """Write scans as JCAMP-DX 4.24, one block each, several in a LINK block.

    An even grid is written as ``XYDATA=(X++(Y..Y))`` in whole numbers with a
    YFACTOR, any other, and a scan with readings that are NaN, as
    ``XYPOINTS=(XY..XY)`` without these.

    Parameters
    ----------
    path : path
    scans : Scan or sequence of Scan
    digits : int
        Decimals of the absorbance, 1 to 12.
    origin, owner : str
        Whose measurement it is; the format demands both.

    Raises
    ------
    InputError
        If there is no scan, `digits` is outside its range, a scan has no
        reading at all, or the file cannot be written.
    """
    scans = _checked(scans)
    if not 1 <= digits <= 12:
        raise InputError(f"digits is {digits}, but must lie between 1 and 12.")
    blocks = [_jcamp_block(scan, digits, _one_line(origin), _one_line(owner)) for scan in scans]
    if len(blocks) == 1:
        write_whole(path, blocks[0])
        return
    head = [
        f"##TITLE= {len(blocks)} scans",
        "##JCAMP-DX= 4.24",
        "##DATA TYPE= LINK",
        f"##BLOCKS= {len(blocks)}",
        f"##ORIGIN= {_one_line(origin)}",
        f"##OWNER= {_one_line(owner)}",
    ]
    write_whole(path, "\n".join([*head, *blocks]) + "##END=\n")


def write_whole(path: str | os.PathLike[str], text: str) -> None:
    """Write a text file whole or not at all.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    place = os.fspath(path)
    folder, name = os.path.split(place)
    temporary = os.path.join(folder, f".{name}.{os.getpid()}.part")
    try:
        with open(temporary, "x", encoding="utf-8", newline="") as stream:
            stream.write(text)
        os.replace(temporary, place)
    except OSError as error:
        if not isinstance(error, FileExistsError) and os.path.exists(temporary):
            os.unlink(temporary)
        raise InputError(
            f"{place} cannot be written ({error.strerror or error}). "
            "Check the folder and its permissions."
        ) from None


def _checked(scans: Scan | Sequence[Scan]) -> list[Scan]:
    several = [scans] if isinstance(scans, Scan) else list(scans)
    if not several:
        raise InputError("there is no scan to write. Give at least one.")
    return several


def _cells(values: np.ndarray) -> list[str]:
    return ["" if np.isnan(value) else repr(value) for value in values.tolist()]


def _harmless(name: str) -> str:
    name = re.sub(r"[\r\n]+", " ", name)
    return "'" + name if name.startswith(FORMULA_SIGNS) else name


def _one_line(text: str) -> str:
    return " ".join(_OUTSIDE_LINE.sub(" ", text).split())


def _jcamp_block(scan: Scan, digits: int, origin: str, owner: str) -> str:
    known = np.isfinite(scan.absorbance)
    if not known.any():
        raise InputError(f"scan {scan.name!r} has no reading, so there is nothing to write.")
    x = scan.wavelength[known]
    y = np.rint(scan.absorbance[known] * 10.0**digits)
    factor = f"1E-{digits}"
    steps = np.diff(scan.wavelength)
    even = bool(known.all()) and float(np.ptp(steps)) <= 1e-9 * float(scan.wavelength[-1])
    table = _even_table(x, y) if even else _pairs(x, y)
    head = [
        f"##TITLE= {_one_line(scan.name)}",
        "##JCAMP-DX= 4.24",
        "##DATA TYPE= UV/VIS SPECTRUM",
        f"##ORIGIN= {origin}",
        f"##OWNER= {owner}",
        "##XUNITS= NANOMETERS",
        "##YUNITS= ABSORBANCE",
        "##XFACTOR= 1",
        f"##YFACTOR= {factor}",
        f"##FIRSTX= {x[0].item()!r}",
        f"##LASTX= {x[-1].item()!r}",
        f"##MAXX= {x[-1].item()!r}",
        f"##MINX= {x[0].item()!r}",
        f"##FIRSTY= {y[0] / 10.0**digits:.{digits}f}",
        f"##MAXY= {y.max() / 10.0**digits:.{digits}f}",
        f"##MINY= {y.min() / 10.0**digits:.{digits}f}",
        f"##NPOINTS= {x.size}",
        "##XYDATA= (X++(Y..Y))" if even else "##XYPOINTS= (XY..XY)",
    ]
    return "\n".join([*head, *table, "##END="]) + "\n"


def _even_table(x: np.ndarray, y: np.ndarray) -> list[str]:
    lines: list[str] = []
    line = ""
    for abscissa, value in zip(x.tolist(), y.astype(np.int64).tolist(), strict=True):
        cell = f" {value}"
        if line and len(line) + len(cell) <= _LINE_LENGTH:
            line += cell
        else:
            lines.append(line)
            line = f"{abscissa!r}{cell}"
    return [*lines[1:], line]


def _pairs(x: np.ndarray, y: np.ndarray) -> list[str]:
    return [
        f"{abscissa!r}, {value}"
        for abscissa, value in zip(x.tolist(), y.astype(np.int64).tolist(), strict=True)
    ]
