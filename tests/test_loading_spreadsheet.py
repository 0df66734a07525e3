"""Spreadsheets, through the optional package openpyxl."""

from __future__ import annotations

import builtins
import io
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from specfrac.errors import ScanFileError
from specfrac.loading import describe, read_scans

GRID = 400.0 + np.arange(40)
ABSORBANCE = np.round(0.02 + 0.9 * np.exp(-(((GRID - 420) / 9) ** 2)), 5)


def workbook(path: Path, sheets: dict[str, list[list[Any]]]) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(path)


def rows(*names: str) -> list[list[Any]]:
    head: list[Any] = ["Wavelength (nm)", *names]
    return [head] + [
        [w, *(round(a - i / 8, 6) for i in range(len(names)))]
        for w, a in zip(GRID.tolist(), ABSORBANCE.tolist(), strict=True)
    ]


def test_every_value_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "run.xlsx"
    workbook(
        path, {"scans": [["Operator", "AB"], [], *rows("yellow", "green, 2")], "notes": [["a"]]}
    )
    reading = describe(path)
    assert [scan.name for scan in reading.scans] == ["yellow", "green, 2"]
    for i, scan in enumerate(reading.scans):
        assert scan.wavelength.tolist() == GRID.tolist()
        assert scan.absorbance.tolist() == [round(a - i / 8, 6) for a in ABSORBANCE.tolist()]
        assert scan.metadata["file"] == "run.xlsx" and scan.metadata["sheet"] == "scans"
    assert reading.layout == "spreadsheet, wide"
    assert [part.what for part in reading.skipped] == ["sheet 'notes'"]


def test_sheets_name_their_scans(tmp_path: Path) -> None:
    path = tmp_path / "run.xlsx"
    workbook(path, {"yellow": rows("Abs"), "green": rows("Abs")})
    assert [scan.name for scan in read_scans(path)] == ["yellow", "green"]
    workbook(path, {"day 1": rows("cut"), "day 2": rows("cut")})
    assert [scan.name for scan in read_scans(path)] == ["day 1 cut", "day 2 cut"]
    workbook(path, {"sheet": rows("Abs")})
    assert [scan.name for scan in read_scans(path)] == ["run"]


def test_blank_and_fault_cells(tmp_path: Path) -> None:
    path = tmp_path / "run.xlsx"
    table = rows("yellow")
    table[5][1] = None
    table[6][1] = "OVER"
    workbook(path, {"scans": table})
    (scan,) = read_scans(path)
    assert np.flatnonzero(np.isnan(scan.absorbance)).tolist() == [4, 5]
    assert "not-measured" in [flag.code for flag in scan.flags]
    table[7][1] = "#DIV/0!"
    workbook(path, {"scans": table})
    with pytest.raises(ScanFileError, match=r"run.xlsx, sheet 'scans', row 8, column 2: '#DIV/0!'"):
        read_scans(path)


def test_without_the_package_the_extra_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def without(name: str, *args: Any, **kwargs: Any) -> Any:
        if name == "openpyxl":
            raise ImportError(name)
        return real(name, *args, **kwargs)

    path = tmp_path / "run.xlsx"
    path.write_bytes(package({"xl/workbook.xml": b"<workbook/>"}))
    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(ScanFileError, match=r"pip install 'specfrac\[xlsx\]'"):
        read_scans(path)


def package(parts: dict[str, bytes]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in parts.items():
            packed.writestr(name, data)
    return stream.getvalue()


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (package({"xl/workbook.xml": bytes(200_000_000)}), "unfolds to 200 MB"),
        (package({"a.txt": b"a"}), "no .xlsx workbook"),
        (package({"xl/workbook.xml": b"<!DOCTYPE a>"}), "declares a document type"),
        (package({"xl/workbook.xml": b"<a/>"})[:-5], "damaged"),
        (package({"xl/workbook.xml": b"<a/>" * 99}).replace(b"\xb3", b"\xff", 1), "damaged"),
        (b"\xd0\xcf\x11\xe0" + bytes(100), "old office program"),
    ],
)
def test_refusals(tmp_path: Path, data: bytes, message: str) -> None:
    path = tmp_path / "run.xlsx"
    path.write_bytes(data)
    with pytest.raises(ScanFileError, match=message):
        read_scans(path)


def test_a_damaged_workbook_is_refused(tmp_path: Path) -> None:
    pytest.importorskip("openpyxl")
    path = tmp_path / "run.xlsx"
    path.write_bytes(package({"xl/workbook.xml": b"<a/>", "[Content_Types].xml": b"<Types/>"}))
    with pytest.raises(ScanFileError, match="damaged"):
        read_scans(path)


def test_a_far_cell_is_no_hang(tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    path = tmp_path / "run.xlsx"
    book = openpyxl.Workbook()
    book.active["XFD1048576"] = 1
    book.save(path)
    with pytest.raises(ScanFileError, match="more than 100000 rows"):
        read_scans(path)
