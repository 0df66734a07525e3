"""Reading: refusals one by one, quantities, order, repeats, and writing."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from specfrac.errors import InputError, ScanFileError
from specfrac.loading import QUANTITIES, describe, read_scans, write_csv
from specfrac.loading.fixed import read_fixed
from specfrac.scans import Scan

GRID = np.arange(400, 440)
VALUES = [f"{0.02 + 0.9 * np.exp(-(((w - 415) / 9) ** 2)):.4f}" for w in GRID]
ROWS = [f"{w},{a}" for w, a in zip(GRID, VALUES, strict=True)]
NUMBERS = [float(a) for a in VALUES]


def text_of(rows: list[str], head: str = "wavelength_nm,yellow") -> str:
    return "\n".join([head, *rows] if head else rows) + "\n"


def read_text(folder: Path, text: str | bytes, **options: str) -> list[Scan]:
    path = folder / "scan.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_scans(path, **options)


def codes(scan: Scan) -> list[str]:
    return [flag.code for flag in scan.flags]


def with_row(position: int, row: str, rows: list[str] = ROWS) -> list[str]:
    return [*rows[:position], row, *rows[position:]]


def moved(factor: float) -> list[str]:
    return [f"{w * factor},{a}" for w, a in zip(GRID, VALUES, strict=True)]


def scaled(factor: float) -> list[str]:
    return [f"{w},{float(a) * factor}" for w, a in zip(GRID, VALUES, strict=True)]


REFUSED = {
    "empty": ("", "scan.csv is empty"),
    "blank": (" \n\n\t\n", "scan.csv is empty"),
    "no numbers": ("hello\nworld\n", "none of its 2 lines holds two numbers"),
    "few points": (text_of(ROWS[:12]), "the longest table has 12 rows"),
    "nan": (text_of(with_row(5, "404.5,nan")), "row 7, column 2: 'nan' stands for"),
    "infinity": (text_of(with_row(5, "404.5,-Infinity")), "row 7, column 2: '-Infinity' stands"),
    "overflow": (text_of(with_row(5, "404.5,1e999")), "row 7, column 2: '1e999' is larger"),
    "spreadsheet error": (text_of(with_row(5, "404.5,#VALUE!")), "'#VALUE!' stands for"),
    "bad reading": (text_of(with_row(5, "404.5,0.1x")), "row 7, column 2: '0.1x' is not a number"),
    "bad wavelength": (text_of(with_row(5, "4o4.5,0.1")), "row 7: '4o4.5,0.1' does not fit"),
    "bad wavelength at the end": (text_of([*ROWS, "44o,0.1"]), "row 42: '44o,0.1' does not fit"),
    "long row": (text_of(with_row(5, "404.5,0.1,0.2")), "row 7: .* does not fit the 2 columns"),
    "short row": (text_of(with_row(5, "404.5")), "row 7: the row has fewer cells than the 2"),
    "point for a blank": (
        text_of([row.replace(",0.", "; ").replace("405; ", "405;.") for row in ROWS], "nm; mAU"),
        "row 7, column 2: '.*' opens with its"),
    "zero lost": (text_of(with_row(5, "404.5,.0600")), "row 7, column 2: '.0600' opens with its"),
    "no wavelength": (text_of(with_row(5, ",0.1")), "row 7: the wavelength in column 1 is missing"),
    "repeats disagree": (text_of([*ROWS, "404,0.9"]), "404 nm is repeated .* more than 0.01"),
    "setting before": (text_of(["200,1", *ROWS], ""), "row 1: wavelength 200 nm stands apart"),
    "setting after": (text_of([*ROWS, "900,1"]), "row 42: wavelength 900 nm stands apart"),
    "zero wavelength": (text_of(["0,0.1", *ROWS]), "must be above zero"),
    "short wavelengths": (text_of(moved(0.25)), "start at 100 nm, but none"),
    "infrared by unit": (text_of(moved(5), "Wavenumber (cm-1),A"), "which is infrared"),
    "infrared by range": (text_of(moved(9), ""), "past 1400 nm"),
    "energies": (text_of(ROWS, "photon energy (eV),A"), "the axis is in eV"),
    "times": (text_of(ROWS, "time (s),A"), "no column holds wavelengths"),
    "two commas": ("\n".join(f"{w},0,{a[2:]}" for w, a in zip(GRID, VALUES, strict=True)) + "\n",
                   "a decimal comma and a comma between cells cannot be told apart"),
    "log absorptivity": (text_of(ROWS, "nm,log ε"), "'log ε' says log absorptivity"),
    "molar absorptivity": (text_of(ROWS, "nm,ε / M-1 cm-1"), "says molar absorptivity"),
    "reflectance": (text_of(ROWS, "nm,%R"), "'%R' says reflectance"),
    "fluorescence": (text_of(ROWS, "nm,fluorescence"), "says intensity"),
    "counts": (text_of(ROWS, "nm,counts"), "says counts"),
    "derivative": (text_of(ROWS, "nm,dA/dλ"), "says a derivative"),
    "normalised": (text_of(ROWS, "nm,normalised absorbance"), "says normalised absorbance"),
    "absorptance": (text_of(ROWS, "nm,absorptance"), "says absorptance"),
    "reflectance above": ("Mode: Reflectance\n" + text_of(ROWS, "nm,leaf"), "says reflectance"),
    "counts by value": (text_of(scaled(5e4), ""), "looks like intensities or counts"),
    "absorbance too high": (text_of(scaled(90), "nm,Abs"), "absorbance by its heading, but"),
    "fraction as percent": (text_of(ROWS, "nm,%T"), "percent transmittance by its heading, but"),
    "no reading": (text_of([f"{w},OVER" for w in GRID]), "no reading is a number|no readings"),
    "binary": (bytes(range(256)) * 9, "is a binary file"),
    "both ways": ("\n".join([",".join(str(w) for w in range(400, 431))] + [
        ",".join([str(w)] + ["0.1"] * 30) for w in range(500, 530)]) + "\n", "may be wavelengths"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_refusals(tmp_path: Path, case: str) -> None:
    text, message = REFUSED[case]
    with pytest.raises(ScanFileError, match=message) as caught:
        read_text(tmp_path, text)
    told = str(caught.value)
    assert told.startswith("scan.csv") and "\n" not in told and len(told) < 500
    assert isinstance(caught.value, ValueError)


def test_files_that_cannot_be_opened(tmp_path: Path) -> None:
    with pytest.raises(ScanFileError, match=r"^none\.csv: there is no such file in"):
        read_scans(tmp_path / "none.csv")
    with pytest.raises(ScanFileError, match="is a folder, not a scan file"):
        read_scans(tmp_path)
    with pytest.raises(ScanFileError, match="cannot be opened"):
        read_scans("a\0b.csv")
    if os.path.exists("/dev/null"):
        with pytest.raises(ScanFileError, match="is empty"):
            read_scans("/dev/null")


def test_numbers_without_a_zero_before_the_point(tmp_path: Path) -> None:
    """Some programs leave the zero out everywhere, some only after a minus sign."""
    bare = [f"{w},{a.removeprefix('0')}" for w, a in zip(GRID, VALUES, strict=True)]
    (scan,) = read_text(tmp_path, text_of(bare))
    assert scan.absorbance.tolist() == NUMBERS
    (scan,) = read_text(tmp_path, text_of(with_row(5, "404.5,-.0123")))
    assert scan.absorbance[5] == -0.0123


def test_options_are_checked(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="Did you mean 'absorbance'"):
        read_text(tmp_path, text_of(ROWS), quantity="absorbanse")
    with pytest.raises(InputError, match="encoding 'utf-99' is unknown"):
        read_text(tmp_path, text_of(ROWS), encoding="utf-99")
    with pytest.raises(ScanFileError, match="bytes are not ascii text"):
        read_text(tmp_path, text_of(ROWS, "nm,grün"), encoding="ascii")


@pytest.mark.parametrize("head", ["nm,ε / M-1 cm-1", "nm,%R", "nm,counts", "nm,log ε"])
def test_the_caller_may_say_what_it_is(tmp_path: Path, head: str) -> None:
    (scan,) = read_text(tmp_path, text_of(ROWS, head), quantity="absorbance")
    assert scan.absorbance.tolist() == NUMBERS
    assert scan.metadata["quantity_source"] == "caller"


def test_a_caller_who_contradicts_the_file_is_told(tmp_path: Path) -> None:
    percent = [f"{w},{100 * 10 ** -float(a):.3f}" for w, a in zip(GRID, VALUES, strict=True)]
    for head, quantity, flagged in (
        ("nm,Absorbance", "percent-transmittance", True),
        ("Mode: Abs\nnm,leaf", "percent-transmittance", True),
        ("nm,%T", "percent-transmittance", False),
        ("nm,Transmittance", "percent-transmittance", False),
        ("nm,Transmittance", "transmittance", False),
        ("nm,Transmittance", "absorbance", True),
        ("nm,leaf", "percent-transmittance", False),
        ("nm,counts", "percent-transmittance", False),
    ):
        (scan,) = read_text(tmp_path, text_of(percent, head), quantity=quantity)
        assert scan.metadata["quantity"] == quantity
        assert ("header-disagrees" in codes(scan)) == flagged, head
    rows = [f"{row},{row[-6:]}" for row in ROWS]
    one, two = read_text(tmp_path, text_of(rows, "nm,yellow Abs,green %T"), quantity="absorbance")
    assert "header-disagrees" not in codes(one) and "header-disagrees" in codes(two)


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_quantities(tmp_path: Path, quantity: str) -> None:
    true = np.array(NUMBERS)
    raw = {
        "absorbance": true,
        "milliabsorbance": 1000 * true,
        "percent-transmittance": 100 * 10**-true,
        "transmittance": 10**-true,
    }[quantity]
    rows = [f"{w},{float(v)!r}" for w, v in zip(GRID, raw, strict=True)]
    heads = {
        "absorbance": ["nm,A", "nm,Abs", "wavelength,Absorbance (AU)", "nm,O.D.", "λ,Extinktion"],
        "milliabsorbance": ["nm,mAU", "nm,A (mAU)"],
        "percent-transmittance": ["nm,%T", "nm,T (%)", "nm,Transmittance", "x,Transmission [%]"],
        "transmittance": ["nm,T", "nm,transmittance", "Wellenlänge,Transmission"],
    }[quantity]
    for head in heads:
        (scan,) = read_text(tmp_path, text_of(rows, head))
        assert scan.metadata["quantity"] == quantity, head
        assert scan.metadata["quantity_source"] in ("header", "values")
        assert scan.absorbance == pytest.approx(true, abs=1e-12)
        assert scan.name == ("scan" if "O.D." not in head else scan.name)
        assert ("converted-transmittance" in codes(scan)) == (quantity != "absorbance")
    (scan,) = read_text(tmp_path, text_of(rows, ""), quantity=quantity)
    assert scan.absorbance == pytest.approx(true, abs=1e-12)
    assert "quantity-from-values" not in codes(scan)


def far(values: np.ndarray) -> list[str]:
    grid = np.linspace(400, 750, values.size)
    return [f"{w:.3f},{v:.6f}" for w, v in zip(grid, values, strict=True)]


def test_quantities_from_values_alone(tmp_path: Path) -> None:
    """Leaf pigments are clear beyond 700 nm: there A is low and T is high."""
    true = 0.003 + 1.1 * np.exp(-(((np.linspace(400, 750, 60) - 440) / 30) ** 2))
    for raw, quantity in (
        (true, "absorbance"),
        (100 * 10**-true, "percent-transmittance"),
        (10**-true, "transmittance"),
    ):  # fmt: skip
        (scan,) = read_text(tmp_path, text_of(far(raw), ""))
        assert scan.metadata["quantity"] == quantity
        assert scan.metadata["quantity_source"] == "values"
        assert "quantity-from-values" in codes(scan)
        assert scan.absorbance == pytest.approx(true, abs=2e-5)
    with pytest.raises(ScanFileError, match="may be absorbance or %T"):
        read_text(tmp_path, text_of(far(7.0 * np.ones(60) + true), ""))
    with pytest.raises(ScanFileError, match="may be absorbance or %T"):
        read_text(tmp_path, text_of(far(60 * true), ""))  # low where T would be high


def test_columns_of_two_quantities(tmp_path: Path) -> None:
    percent = [f"{100 * 10 ** -float(a):.3f}" for a in VALUES]
    rows = [f"{row},{p}" for row, p in zip(ROWS, percent, strict=True)]
    first, second = read_text(tmp_path, text_of(rows, "nm,yellow (Abs),green (%T)"))
    assert [scan.metadata["quantity"] for scan in (first, second)] == [
        "absorbance", "percent-transmittance",
    ]  # fmt: skip
    assert second.absorbance == pytest.approx(NUMBERS, abs=1e-4)
    with pytest.raises(ScanFileError, match="not one quantity"):
        read_text(tmp_path, text_of(rows, "nm,yellow,green"))


def test_dark_and_overflow_readings(tmp_path: Path) -> None:
    rows = [f"{w},{100 * 10 ** -float(a):.3f}" for w, a in zip(GRID, VALUES, strict=True)]
    rows[3], rows[4], rows[5] = "403,0.000", "404,-0.2", "405,****"
    (scan,) = read_text(tmp_path, text_of(rows, "nm,%T"))
    assert np.flatnonzero(np.isnan(scan.absorbance)).tolist() == [3, 4, 5]
    assert {"nonpositive-transmittance", "not-measured"} <= set(codes(scan))
    for word in ("OVER", "****", ">", ">6.000", "----", "OVRFLW", "", "n/a", "sat."):
        rows = [row if i != 7 else f"407,{word}" for i, row in enumerate(ROWS)]
        (scan,) = read_text(tmp_path, text_of(rows))
        assert np.flatnonzero(np.isnan(scan.absorbance)).tolist() == [7], word
        assert "not-measured" in codes(scan)


def test_a_ceiling_keeps_its_number(tmp_path: Path) -> None:
    rows = [f"{w},{min(4 * float(a), 3.0):.4f}" for w, a in zip(GRID, VALUES, strict=True)]
    (scan,) = read_text(tmp_path, text_of(rows, "nm,Abs"))
    assert scan.absorbance.max() == 3.0
    assert codes(scan) == ["ceiling"]


def test_order_and_repeats(tmp_path: Path) -> None:
    (scan,) = read_text(tmp_path, text_of(ROWS[::-1]))
    assert scan.absorbance.tolist() == NUMBERS
    assert "descending-wavelength" in codes(scan)
    shuffled = [ROWS[i] for i in np.random.default_rng(1).permutation(len(ROWS))]
    (scan,) = read_text(tmp_path, text_of(shuffled))
    assert scan.absorbance.tolist() == NUMBERS
    assert "unsorted-wavelength" in codes(scan)
    again = [f"{w},{float(a) + 0.008:.4f}" for w, a in zip(GRID, VALUES, strict=True)]
    (scan,) = read_text(tmp_path, text_of([*ROWS, *again]))
    assert scan.wavelength.tolist() == GRID.tolist()
    assert scan.absorbance == pytest.approx(np.array(NUMBERS) + 0.004, abs=1e-12)
    assert "repeated-wavelength" in codes(scan)
    rows = with_row(6, "405,OVER")  # a repeat that was not measured does not count
    (scan,) = read_text(tmp_path, text_of(rows))
    assert scan.absorbance.tolist() == NUMBERS


def test_names(tmp_path: Path) -> None:
    for head in ("nm,A", "Wavelength (nm),Absorbance", "x,y", ""):
        assert read_text(tmp_path, text_of(ROWS, head))[0].name == "scan"
    rows = [f"{row},0.1,0.2" for row in ROWS]
    for head, names in {
        "nm,yellow,grey cut,3": ["yellow", "grey cut", "3"],
        "nm,cut,cut,cut": ["cut", "cut (2)", "cut (3)"],
        "nm,cut,cut (2),cut": ["cut", "cut (2)", "cut (3)"],
        "nm,A,B,C": ["A", "B", "C"],
        "nm,N,S,T": ["N", "S", "T"],
        "nm,Abs,Abs,Abs": ["scan 1", "scan 2", "scan 3"],
        "": ["scan 1", "scan 2", "scan 3"],
    }.items():
        assert [s.name for s in read_text(tmp_path, text_of(rows, head))] == names, head


def test_text_from_a_file_is_fit_for_a_terminal(tmp_path: Path) -> None:
    (scan,) = read_text(tmp_path, text_of(ROWS, "nm,\x1b[31mred\u202e" + "x" * 1000))
    assert scan.name.startswith(" [31mred ") and len(scan.name) == 200
    with pytest.raises(ScanFileError) as caught:
        read_text(tmp_path, text_of(with_row(3, "403.5,\x1b[31m\u2028" + "x" * 9999)))
    assert str(caught.value).isprintable() and len(str(caught.value)) < 200


def test_what_was_understood_is_told(tmp_path: Path) -> None:
    path = tmp_path / "scan.txt"
    rows = "\r\n".join(
        f"{i};{row.replace(',', ';').replace('.', ',')}" for i, row in enumerate(ROWS)
    )
    path.write_bytes(
        f"Küvette: 1 cm\r\nNr;nm;Ext\r\n{rows}\r\nEnde der Messung\r\n".encode("latin-1")
    )
    reading = describe(path)
    assert (reading.file, reading.layout, reading.encoding) == (
        "scan.txt",
        "two columns",
        "latin-1",
    )
    assert (reading.separator, reading.decimal_mark) == ("semicolon", ",")
    assert reading.header == ("Küvette: 1 cm", "Nr;nm;Ext")
    assert [str(part) for part in reading.skipped] == [
        "column 1 (Nr): its heading names no spectrum",
        "rows 43-43: text below the data ('Ende der Messung')",
    ]
    (scan,) = reading.scans
    told = dict(scan.metadata)
    assert told["file"] == "scan.txt" and told["column"] == 3 and told["heading"] == "Ext"
    assert told["layout"] == "two columns" and told["header"] == reading.header
    assert told["quantity"] == "absorbance" and told["encoding"] == "latin-1"
    assert codes(scan) == ["skipped-content"] * 2
    assert reading.summary() == [
        "file        scan.txt",
        "layout      two columns",
        "separator   semicolon, decimal mark ','",
        "encoding    latin-1",
        "scan        scan: 40 points, 400 to 439 nm, step 1 nm; absorbance (known from the header)",
        "left out    column 1 (Nr): its heading names no spectrum",
        "left out    rows 43-43: text below the data ('Ende der Messung')",
    ]


def test_reading_leaves_the_file_alone(tmp_path: Path) -> None:
    path = tmp_path / "scan.csv"
    path.write_text(text_of(ROWS))
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    read_scans(path)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    assert list(tmp_path.iterdir()) == [path]


def test_csv_round_trip_is_bit_exact(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    grids = [GRID.astype(float), np.sort(rng.uniform(350, 900, 77)), 300 + 0.1 * np.arange(150)]
    for count, same in ((1, True), (3, True), (3, False)):
        scans = []
        for i in range(count):
            grid = grids[0 if same else i]
            absorbance = rng.normal(0.4, 0.3, grid.size) * 10.0 ** rng.integers(-9, 1, grid.size)
            absorbance[5 + i] = np.nan
            name = ("yellow, 1", "=2+3", "-x")[i]
            scans.append(Scan(name, grid, absorbance))
        path = tmp_path / "out.csv"
        write_csv(path, scans)
        assert "\n=" not in path.read_text() and ",=" not in path.read_text()
        back = read_scans(path)
        assert [scan.name for scan in back] == [scan.name for scan in scans]
        for scan, again in zip(scans, back, strict=True):
            assert again.wavelength.tobytes() == scan.wavelength.tobytes()
            assert np.array_equal(again.absorbance, scan.absorbance, equal_nan=True)
            assert again.metadata["quantity_source"] == "header"
    assert list(tmp_path.iterdir()) == [path]


def test_writing_is_whole_or_not_at_all(tmp_path: Path) -> None:
    scan = Scan("a", GRID, np.array(NUMBERS))
    with pytest.raises(InputError, match="cannot be written"):
        write_csv(tmp_path / "no folder" / "a.csv", scan)
    with pytest.raises(InputError, match="no scan to write"):
        write_csv(tmp_path / "a.csv", [])
    (tmp_path / "taken").mkdir()
    with pytest.raises(InputError, match="cannot be written"):
        write_csv(tmp_path / "taken", scan)
    assert [p.name for p in tmp_path.iterdir()] == ["taken"]


def test_fixed_decimals_are_read_like_float() -> None:
    """The quick conversion of many numbers of one form against Python's float."""
    rng = np.random.default_rng(11)
    for decimals in (1, 3, 4, 5, 8, 11):
        values = rng.normal(0, 10.0 ** rng.integers(-3, 4, (60, 30)))
        rows = [
            ",".join([f"{350 + 0.5 * i}", *(f"{v:.{decimals}f}" for v in row)])
            for i, row in enumerate(values.clip(-9999, 9999))
        ]
        expected = np.array([[float(cell) for cell in row.split(",")] for row in rows])
        found = read_fixed(rows, ",")
        assert found is not None and found.tobytes() == expected.tobytes()


@pytest.mark.parametrize(
    "cell",
    ["0.12", "0.12345", ".1234", "0.123x", "1e-4", "0,1234", "--.1234", "-.1234", "nan", "",
     "0.12 4",
     "999999.1234", "+1.2345", " 0.1234", "0.1234 ", "0.1.234", "\u06600.1234"],
)  # fmt: skip
def test_fixed_decimals_step_aside(cell: str) -> None:
    row = "350,0.1234,0.1234"
    assert read_fixed([row, f"351,{cell},0.1234", row], ",") is None
    assert read_fixed([row, f"351,0.1234,{cell}", row], ",") is None


def test_a_wide_file_is_read_like_float(tmp_path: Path) -> None:
    rng = np.random.default_rng(12)
    values = rng.normal(0.3, 0.4, (60, 400)).round(4)
    head = ",".join(["nm", *(f"cut {i}" for i in range(400))])
    rows = [
        ",".join([str(400 + i), *(f"{v:.4f}" for v in row)])
        for i, row in enumerate(values.tolist())
    ]
    for changed in (
        rows,
        [*rows[:-1], rows[-1] + "5"],
        [row.replace(",-0", ",-0") for row in rows],
    ):
        scans = read_text(tmp_path, text_of(changed, head))
        expected = np.array([[float(c) for c in row.split(",")[1:]] for row in changed])
        assert np.array([scan.absorbance for scan in scans]).tobytes() == expected.T.tobytes()
        assert scans[7].name == "cut 7" and scans[7].metadata["column"] == 9
    for broken in (rows[3].replace(".", "", 1), rows[3] + ",0.1", rows[3].rpartition(",")[0]):
        with pytest.raises(ScanFileError):
            read_text(tmp_path, text_of([*rows[:3], broken, *rows[4:]], head))


DATA = Path(__file__).parent / "data"


def invented(name: str) -> np.ndarray:
    """The curves of tests/data, by the recipe of its README."""
    grid = np.arange(400, 760, 5)
    bands = {
        "yellow cut": [(425, 10, 0.62), (450, 11, 0.90), (478, 11, 0.77)],
        "green cut": [(432, 12, 0.95), (460, 14, 0.40), (615, 15, 0.12), (663, 9, 0.78)],
    }[name]
    return np.round(0.004 + sum(h * np.exp(-(((grid - c) / w) ** 2) / 2) for c, w, h in bands), 4)


@pytest.mark.parametrize("path", sorted(DATA.glob("scans_*")), ids=lambda path: path.name)
def test_example_files(path: Path) -> None:
    if path.suffix == ".xlsx":
        pytest.importorskip("openpyxl")
    scans = read_scans(path)
    names = ["yellow cut", "green cut"] if "_one" not in path.stem else [path.stem]
    assert [scan.name for scan in scans] == names
    for scan, name in zip(scans, ["yellow cut", "green cut"], strict=False):
        assert scan.wavelength.tolist() == list(range(400, 760, 5))
        tolerance = 2e-5 if scan.metadata["quantity"] != "absorbance" else 1e-12
        assert scan.absorbance == pytest.approx(invented(name), abs=tolerance)
        assert all(flag.severity == "note" for flag in scan.flags)


def test_there_are_example_files() -> None:
    assert len(list(DATA.glob("scans_*"))) >= 10
