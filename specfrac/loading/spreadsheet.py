"""Reader of spreadsheets (.xlsx), through the optional package openpyxl.

Every sheet is turned into rows of text and read as delimited text is, so that
all layouts work in a spreadsheet too. Numbers are printed so that they read
back as the same floats.
"""

from __future__ import annotations

import csv
import io
import warnings
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from specfrac.errors import ScanFileError
from specfrac.loading import delimited
from specfrac.loading.blocks import NoScanError, Reading, Skipped
from specfrac.loading.content import FileContent
from specfrac.scans import Scan

_SIGN = b"PK\x03\x04"
_OLD_SIGN = b"\xd0\xcf\x11\xe0"
# Rules of ours: a small packed file may claim, or unfold to, gigabytes.
_UNPACKED_BYTES = 16 * 1024 * 1024
_UNPACKED_TIMES = 8
_MOST_CELLS = 1_000_000
_MOST_ROWS = 100_000


def recognises(content: FileContent) -> bool:
    """Whether the file is a packed or an old binary office document."""
    return content.data.startswith((_SIGN, _OLD_SIGN))


def read(content: FileContent) -> Reading:
    """Read the sheets of a spreadsheet that hold scans.

    Raises
    ------
    ScanFileError
        If openpyxl is not installed, the file is no spreadsheet, no sheet
        holds a scan, or a sheet holds one that breaks a rule.
    """
    sheets = sheets_of(content)
    readings: list[Reading] = []
    skipped: list[Skipped] = []
    for title, text in sheets.items():
        sheet = FileContent(
            name=f"{content.name}, sheet {title!r}",
            stem=content.stem if len(sheets) == 1 else title,
            data=text.encode(),
            encoding="utf-8",
            quantity=content.quantity,
        )
        try:
            readings.append(delimited.read(sheet))
        except NoScanError as error:
            skipped.append(Skipped(f"sheet {title!r}", str(error).partition(": ")[2]))
    if not readings:
        reasons = "; ".join(map(str, skipped[:3])) or "it has no sheet with cells"
        raise ScanFileError(
            f"{content.name}: no scan was found ({reasons}). "
            "Name a workbook with columns of wavelength and absorbance."
        )
    return _together(content, readings, skipped)


def sheets_of(content: FileContent) -> dict[str, str]:
    """Return the sheets that have cells, by title, as rows of text parted by tabs.

    Raises
    ------
    ScanFileError
        If openpyxl is not installed, or the file is no sound workbook.
    """
    if content.data.startswith(_OLD_SIGN):
        raise ScanFileError(
            f"{content.name} is a binary document of an old office program. "
            "Save it as .xlsx or as CSV."
        )
    _refuse_unfit(content)
    return _sheets(content)


def _refuse_unfit(content: FileContent) -> None:
    """Refuse what is no workbook, unfolds too far, or declares entities."""
    import zipfile

    try:
        with zipfile.ZipFile(io.BytesIO(content.data)) as package:
            parts = package.infolist()
            unpacked = sum(part.file_size for part in parts)
            if unpacked > _UNPACKED_BYTES + _UNPACKED_TIMES * len(content.data):
                raise ScanFileError(
                    f"{content.name} unfolds to {unpacked / 1e6:.0f} MB, more than a workbook of "
                    "its size holds. Save the sheet of scans as CSV."
                )
            if "xl/workbook.xml" not in package.namelist():
                raise ScanFileError(
                    f"{content.name} is a packed file but no .xlsx workbook. Save it as CSV."
                )
            for part in parts:
                with package.open(part) as stream:
                    head = stream.read(4096).replace(b"\x00", b"")
                if b"<!DOCTYPE" in head or b"<!ENTITY" in head:
                    raise ScanFileError(
                        f"{content.name}: part {part.filename} declares a document type, which "
                        "may unfold without end. Save the sheet of scans as CSV."
                    )
    except ScanFileError:
        raise
    except Exception as error:  # a damaged package may raise anything in there
        raise ScanFileError(
            f"{content.name}: the packed file is damaged ({type(error).__name__}). "
            "Export the workbook again."
        ) from None


def _sheets(content: FileContent) -> dict[str, str]:
    """Return the sheets with cells as tab-separated text, by title."""
    try:
        import openpyxl
    except ImportError:
        raise ScanFileError(
            f"{content.name}: reading .xlsx needs the package openpyxl. Install it with "
            "pip install 'specfrac[xlsx]', or save the sheet as CSV."
        ) from None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(
                io.BytesIO(content.data), read_only=True, data_only=True, keep_links=False
            )
            texts = {sheet.title: _as_text(sheet, content.name) for sheet in book.worksheets}
    except ScanFileError:
        raise
    except Exception as error:  # a damaged workbook may raise anything in there
        raise ScanFileError(
            f"{content.name}: the workbook is damaged ({type(error).__name__}). "
            "Save it again, or save the sheet as CSV."
        ) from None
    return {title: text for title, text in texts.items() if text.strip()}


def _as_text(sheet: Any, file: str) -> str:
    sheet.reset_dimensions()  # a workbook may claim a million empty rows
    rows: list[list[str]] = []
    n_cells = 0
    for n_rows, row in enumerate(sheet.iter_rows(values_only=True), start=1):
        n_cells += len(row)
        if n_cells > _MOST_CELLS or n_rows > _MOST_ROWS:
            raise ScanFileError(
                f"{file}, sheet {sheet.title!r}: the sheet has more than {_MOST_ROWS} rows or "
                f"{_MOST_CELLS} cells. Save the scans alone as CSV."
            )
        rows.append([_cell_text(value) for value in row])
    width = max(map(len, rows), default=0)
    stream = io.StringIO()
    table = csv.writer(stream, delimiter="\t", lineterminator="\n")
    table.writerows(row + [""] * (width - len(row)) for row in rows)
    return stream.getvalue()


def _cell_text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value)
    return " ".join(str(value).split())


def _together(content: FileContent, readings: list[Reading], skipped: list[Skipped]) -> Reading:
    scans = [scan for reading in readings for scan in reading.scans]
    names = [scan.name for scan in scans]
    if len(set(names)) < len(names):
        titles = [r.file.partition(", sheet ")[2].strip("'\"") for r in readings for _ in r.scans]
        scans = [
            replace(scan, name=f"{title} {scan.name}")
            for scan, title in zip(scans, titles, strict=True)
        ]
    return Reading(
        file=content.name,
        layout="spreadsheet, " + _listed(reading.layout for reading in readings),
        separator=None,
        decimal_mark=None,
        encoding=None,
        header=tuple(line for reading in readings for line in reading.header),
        scans=tuple(_retold(scan) for scan in scans),
        skipped=(*(part for reading in readings for part in reading.skipped), *skipped),
    )


def _listed(words: Iterable[str]) -> str:
    return " and ".join(dict.fromkeys(words))


def _retold(scan: Scan) -> Scan:
    told = {
        k: v for k, v in scan.metadata.items() if k not in ("separator", "decimal_mark", "encoding")
    }
    file, _, sheet = told["file"].partition(", sheet ")
    return replace(scan, metadata={**told, "file": file, "sheet": sheet.strip("'\"")})
