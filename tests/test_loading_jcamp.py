"""JCAMP-DX: published vectors, the rules of the tables, and a round trip."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from specfrac.errors import InputError, ScanFileError, SpecfracError
from specfrac.loading import describe, read_scans, write_jcamp
from specfrac.loading.asdf import AsdfError, unfold
from specfrac.scans import Scan

# McDonald and Wilks, Appl. Spectrosc. 42 (1988) 151; see external/data/SOURCES.csv
VECTORS = json.loads(
    (Path(__file__).parent / "external" / "data" / "asdf_vectors.json").read_text("utf-8")
)
GRID = 400.0 + np.arange(40)
COUNTS = np.rint(1e4 * (0.02 + 0.9 * np.exp(-(((GRID - 420) / 9) ** 2)))).astype(int)
HEAD = """##TITLE= yellow cut
##JCAMP-DX= 4.24 $$ a comment
##DATA TYPE= UV/VIS SPECTRUM
##ORIGIN= a test
##OWNER= nobody
##XUNITS= NANOMETERS
##YUNITS= ABSORBANCE
##PATHLENGTH= 5.0
##XFACTOR= 1
##YFACTOR= 0.0001
##FIRSTX= 400
##LASTX= 439
##NPOINTS= 40
"""


def affn(
    counts: np.ndarray = COUNTS, first: float = 400, step: float = 1, per_line: int = 8
) -> str:
    lines = [
        f"{first + step * i:g} " + " ".join(map(str, counts[i : i + per_line]))
        for i in range(0, len(counts), per_line)
    ]
    return "##XYDATA= (X++(Y..Y))\n" + "\n".join(lines) + "\n"


def pseudo(value: int, positive: str, negative: str) -> str:
    """Write a number with its first digit (and sign) as a pseudo-digit."""
    digits = str(abs(value))
    return (positive[int(digits[0])] if value >= 0 else negative[int(digits[0]) - 1]) + digits[1:]


def dif(counts: np.ndarray = COUNTS, per_line: int = 8) -> str:
    """Write the table in differences, with counts of repeats and Y-checks."""
    lines, i = [], 0
    while i < len(counts):
        line, j = f"{400 + i}" + pseudo(int(counts[i]), "@ABCDEFGHI", "abcdefghi"), i + 1
        while j < min(i + per_line, len(counts)):
            step, run = int(counts[j] - counts[j - 1]), 1
            while j + run < len(counts) and counts[j + run] - counts[j + run - 1] == step:
                run += 1
            line += pseudo(step, "%JKLMNOPQR", "jklmnopqr")
            line += pseudo(run, " STUVWXYZs", "") if run > 1 else ""
            j += run
        lines.append(line)
        i = j - 1 if j < len(counts) else j
    lines.append(f"{399 + len(counts)}" + pseudo(int(counts[-1]), "@ABCDEFGHI", "abcdefghi"))
    return "##XYDATA= (X++(Y..Y))\n" + "\n".join(lines) + "\n"


PACKED = affn().replace(" ", "+").replace("+(X++(Y..Y))", " (X++(Y..Y))")
PAIRS = "##XYPOINTS= (XY..XY)\n" + "".join(
    f"{x:g}, {y}\n" for x, y in zip(GRID, COUNTS, strict=True)
)


def read_text(folder: Path, text: str | bytes, **options: str) -> list[Scan]:
    path = folder / "file.dx"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_scans(path, **options)


def codes(scan: Scan) -> list[str]:
    return [flag.code for flag in scan.flags]


@pytest.mark.parametrize("vector", VECTORS["vectors"], ids=lambda v: v["text"][:20])
def test_published_vectors(vector: dict) -> None:
    assert unfold([(1, "1 " + vector["text"])]).values.tolist() == vector["values"]


@pytest.mark.parametrize("table", VECTORS["tables"][:2], ids=lambda t: t["name"])
def test_published_tables(table: dict, tmp_path: Path) -> None:
    unfolded = unfold(enumerate(table["lines"], start=1))
    assert unfolded.values.tolist() == table["y"]
    text = (
        "##TITLE= a\n##DATA TYPE= UV/VIS SPECTRUM\n##XUNITS= NANOMETERS\n##YUNITS= ABSORBANCE\n"
        f"##FIRSTX= 599.86\n##LASTX= 700.158\n##NPOINTS= {table['npoints']}\n##YFACTOR= 0.01\n"
        "##XYDATA= (X++(Y..Y))\n" + "\n".join(table["lines"]) + "\n##END=\n"
    )
    (scan,) = read_text(tmp_path, text)
    assert scan.absorbance.tolist() == [0.01 * y for y in table["y"]]
    # the same table in plain numbers prints these abscissas; its ends are rounded too
    assert scan.wavelength[[0, 25, 43, 52]] == pytest.approx(
        [599.860, 648.081, 682.799, 700.158], abs=1e-3
    )
    assert codes(scan) == []


def test_published_failing_y_check() -> None:
    table = VECTORS["tables"][2]
    with pytest.raises(AsdfError, match="Y-check fails"):
        unfold(enumerate(table["lines"], start=1))


@pytest.mark.parametrize("data", [affn(), dif(), dif(per_line=30), affn().replace(" ", "+")])
def test_forms_agree(tmp_path: Path, data: str) -> None:
    data = data.replace("+(X++(Y..Y))", " (X++(Y..Y))")
    (scan,) = read_text(tmp_path, HEAD + data + "##END=\n")
    assert scan.name == "yellow cut"
    assert scan.wavelength.tolist() == GRID.tolist()
    assert scan.absorbance.tolist() == (COUNTS * 0.0001).tolist()  # not divided by PATHLENGTH
    assert codes(scan) == []
    assert scan.metadata["labels"]["PATHLENGTH"] == "5.0"


def test_line_ends_and_decimal_commas(tmp_path: Path) -> None:
    rows = [f"{x:.1f} {y / 1e4:.4f}" for x, y in zip(GRID, COUNTS, strict=True)]
    data = HEAD.replace("0.0001", "1") + "##XYDATA=(X++(Y..Y))\n" + "\n".join(rows) + "\n##END=\n"
    for text in (data, data.replace(".", ",").replace("(X++(Y,,Y))", "(X++(Y..Y))")):
        for end in ("\r", "\r\n", "\n"):
            (scan,) = read_text(tmp_path, text.replace("\n", end))
            assert scan.absorbance.tolist() == [float(row.split()[1]) for row in rows]


def test_xypoints_and_descending(tmp_path: Path) -> None:
    pairs = "\n".join(f"{x:g}, {y}" for x, y in zip(GRID[::-1], COUNTS[::-1], strict=True))
    head = HEAD.replace("FIRSTX= 400", "FIRSTX= 439").replace("LASTX= 439", "LASTX= 400")
    (scan,) = read_text(tmp_path, head + "##XYPOINTS= (XY..XY)\n" + pairs + "\n##END=\n")
    assert scan.absorbance.tolist() == (COUNTS * 0.0001).tolist()
    assert codes(scan) == ["descending-wavelength"]
    (scan,) = read_text(tmp_path, head + affn(COUNTS[::-1], 439, -1) + "##END=\n")
    assert scan.absorbance.tolist() == (COUNTS * 0.0001).tolist()


def test_wavenumbers_become_nm(tmp_path: Path) -> None:
    numbers = 14000 + 250.0 * np.arange(40)
    head = HEAD.replace("NANOMETERS", "1/CM").replace("FIRSTX= 400", "FIRSTX= 14000")
    head = head.replace("LASTX= 439", "LASTX= 23750")
    (scan,) = read_text(tmp_path, head + affn(COUNTS, 14000, 250) + "##END=\n")
    assert scan.wavelength == pytest.approx((1e7 / numbers)[::-1], rel=1e-12)
    assert scan.absorbance.tolist() == (COUNTS * 0.0001).tolist()[::-1]


def test_linked_blocks(tmp_path: Path) -> None:
    peaks = (
        "##TITLE= peaks\n##DATA TYPE= UV/VIS PEAK TABLE\n##PEAK TABLE= (XY..XY)\n420, 9\n##END=\n"
    )
    infrared = (
        HEAD.replace("yellow", "film").replace("UV/VIS", "INFRARED").replace("NANOMETERS", "1/CM")
    )
    text = (
        "##TITLE= all\n##JCAMP-DX= 4.24\n##DATA TYPE= LINK\n##BLOCKS= 4\n"
        + HEAD + affn() + "##END=\n" + peaks + infrared + affn() + "##END=\n"
        + HEAD.replace("yellow", "green") + dif() + "##END=\n##END=\n"
    )  # fmt: skip
    path = tmp_path / "file.dx"
    path.write_text(text)
    reading = describe(path)
    assert [scan.name for scan in reading.scans] == ["yellow cut", "green cut"]
    assert [str(part) for part in reading.skipped] == [
        "block 3 (peaks): a peak table is no spectrum",
        "block 4 (film cut): its data type is 'INFRARED SPECTRUM'",
    ]
    assert codes(reading.scans[0]) == ["skipped-content"] * 2


def test_transmittance(tmp_path: Path) -> None:
    percent = np.rint(1e4 * 100 * 10 ** (-COUNTS * 1e-4)).astype(int)
    for unit in ("TRANSMITTANCE", "% TRANSMITTANCE"):
        (scan,) = read_text(tmp_path, HEAD.replace("ABSORBANCE", unit) + affn(percent) + "##END=")
        assert scan.absorbance == pytest.approx(COUNTS * 1e-4, abs=2e-5)
        assert scan.metadata["quantity"] == "percent-transmittance"


@pytest.mark.parametrize(
    ("label", "value"),
    [("NPOINTS= 40", "NPOINTS= 41"), ("LASTX= 439", "LASTX= 440"),
     ("YFACTOR", "MAXY= 3.0\n##YFACTOR"), ("YFACTOR", "FIRSTY= 0.9\n##YFACTOR"),
     ("UV/VIS", "INFRARED")],
)  # fmt: skip
def test_a_header_that_disagrees_is_flagged(tmp_path: Path, label: str, value: str) -> None:
    (scan,) = read_text(tmp_path, HEAD.replace(label, value) + affn() + "##END=\n")
    assert scan.wavelength.tolist() == GRID.tolist()
    assert scan.absorbance.tolist() == (COUNTS * 0.0001).tolist()
    assert "header-disagrees" in codes(scan)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (HEAD + affn().replace("416 ", "417 ") + "##END=\n", "row 17: the X-check fails"),
        (HEAD + affn().replace("\n416 ", ".416 ") + "##END=\n",
         "has the next point's abscissa 416 for its decimals"),
        (HEAD + affn().replace("416 ", "416 .") + "##END=\n", "opens with a point, and most other"),
        (HEAD + "##XYPOINTS= (XY..XY)\n" + "".join(
            f"{x:g}, {y}\n" for x, y in zip(GRID, COUNTS, strict=True)).replace("405, ", "405,.")
         + "##END=\n", "row 20: '.*' opens with a point"),
        (HEAD + dif()[:-2] + "1\n##END=\n", "row 2[0-9]: the Y-check fails"),
        (HEAD + affn().replace("408 ", "408 x"), r"row 16: 'x\d+ .*' is no ordinate"),
        (HEAD.replace("0.0001", "abc") + affn(), "row 10: ##YFACTOR= is 'abc'"),
        (HEAD.replace("0.0001", "1e999") + affn(), "is '1e999', which is no finite number"),
        (HEAD.replace("0.0001", "1e307") + affn(), "larger than any number"),
        (HEAD + "##PEAK TABLE= (XY..XY)\n420, 9\n##END=\n", "a peak table is no spectrum"),
        (HEAD + "##NTUPLES= x\n##END=\n", "a table ##NTUPLES= is not read"),
        (HEAD.replace("NANOMETERS", "SECONDS") + affn(), "##XUNITS= is 'SECONDS'"),
        (HEAD.replace("ABSORBANCE", "ARBITRARY UNITS") + affn(), "##YUNITS= is 'ARBITRARY UNITS'"),
        (HEAD.replace("ABSORBANCE", "Logarithm epsilon") + affn(), "says log absorptivity"),
        (HEAD.replace("ABSORBANCE", "REFLECTANCE") + affn(), "says reflectance"),
        (HEAD.replace("NANOMETERS", "1/CM") + affn(), "infrared"),
        (HEAD + affn(COUNTS[:10]), "points, but a scan needs at least 20"),
        (HEAD + "##XYDATA= (X++(Y..Y))\n400 1 s9999999999\n##END=\n", "unfolds to more than"),
        (HEAD + "##XYDATA= (XY..XY)\n400 1\n##END=\n", r"has the form '\(XY..XY\)'"),
        ("##TITLE= a\n" * 40, "nested more than 20 deep"),
    ],
)  # fmt: skip
def test_refusals(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(ScanFileError, match=message) as caught:
        read_text(tmp_path, text)
    assert str(caught.value).startswith("file.dx")
    assert "\n" not in str(caught.value)


def test_the_caller_may_say_what_arbitrary_units_are(tmp_path: Path) -> None:
    text = HEAD.replace("ABSORBANCE", "ARBITRARY UNITS") + affn() + "##END=\n"
    (scan,) = read_text(tmp_path, text, quantity="absorbance")
    assert scan.absorbance.tolist() == (COUNTS * 0.0001).tolist()


def test_missing_ordinate_is_not_measured(tmp_path: Path) -> None:
    first = str(COUNTS[0])
    (scan,) = read_text(tmp_path, HEAD + affn().replace(f"400 {first}", "400 ?") + "##END=\n")
    assert np.isnan(scan.absorbance[0]) and np.isfinite(scan.absorbance[1:]).all()
    assert "not-measured" in codes(scan)


@pytest.mark.parametrize("data", [affn(), dif(), dif(per_line=5), PACKED, PAIRS])
def test_a_cut_file_never_gives_another_number(tmp_path: Path, data: str) -> None:
    text = HEAD + data + "##END=\n"
    true = dict(zip(GRID.tolist(), (COUNTS * 0.0001).tolist(), strict=True))
    n_read = 0
    for end in range(len(HEAD), len(text)):
        try:
            (scan,) = read_text(tmp_path, text[:end])
        except SpecfracError:
            continue
        n_read += 1
        points = zip(scan.wavelength.tolist(), scan.absorbance.tolist(), strict=True)
        assert all(true[w] == a for w, a in points), end
        assert len(scan) == 40 or "truncated-file" in codes(scan)
    assert n_read


def test_round_trip(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    grids = [350 + 0.5 * np.arange(300), np.sort(rng.uniform(350, 700, 80)), GRID]
    scans = [
        Scan(f"cut {i}", grid, rng.normal(0.3, 0.4, grid.size)) for i, grid in enumerate(grids)
    ]
    gap = scans[2].absorbance.copy()
    gap[7] = np.nan
    scans[2] = Scan("cut $$ ## 2", GRID, gap)
    path = tmp_path / "all.dx"
    write_jcamp(path, scans, digits=5)
    assert max(map(len, path.read_text().splitlines())) <= 80
    back = read_scans(path)
    assert [scan.name for scan in back] == ["cut 0", "cut 1", "cut 2"]
    for scan, again in zip(scans, back, strict=True):
        known = np.isfinite(scan.absorbance)
        assert again.wavelength == pytest.approx(scan.wavelength[known], abs=1e-9)
        assert again.absorbance == pytest.approx(scan.absorbance[known], abs=0.5000001e-5)
        assert codes(again) == []
    assert list(tmp_path.iterdir()) == [path]


def test_writing_is_refused(tmp_path: Path) -> None:
    scan = Scan("a", GRID, np.full(GRID.size, np.nan))
    with pytest.raises(InputError, match="no reading"):
        write_jcamp(tmp_path / "a.dx", scan)
    with pytest.raises(InputError, match="no scan to write"):
        write_jcamp(tmp_path / "a.dx", [])
    with pytest.raises(InputError, match="digits is 0"):
        write_jcamp(tmp_path / "a.dx", Scan("a", GRID, GRID), digits=0)
    with pytest.raises(InputError, match="cannot be written"):
        write_jcamp(tmp_path / "none" / "a.dx", Scan("a", GRID, GRID))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "data",
    [affn(), PACKED, dif(), dif(per_line=5), affn(COUNTS - 3000), dif(COUNTS - 3000), PAIRS],
)
def test_a_general_reader_agrees(tmp_path: Path, data: str) -> None:
    """The package jcamp from the package registry reads these forms too."""
    jcamp = pytest.importorskip("jcamp")
    path = tmp_path / "file.dx"
    path.write_text(HEAD + data + "##END=\n")
    theirs = jcamp.readfile(str(path))
    (ours,) = read_scans(path)
    assert ours.absorbance == pytest.approx(theirs["y"], rel=1e-12)
    assert ours.wavelength == pytest.approx(theirs["x"], rel=1e-9)


def test_a_general_reader_agrees_on_linked_blocks(tmp_path: Path) -> None:
    jcamp = pytest.importorskip("jcamp")
    path = tmp_path / "file.dx"
    second = HEAD.replace("yellow", "green") + dif(COUNTS[::-1])
    path.write_text(
        "##TITLE= all\n##JCAMP-DX= 4.24\n##DATA TYPE= LINK\n##BLOCKS= 2\n"
        + HEAD + affn() + "##END=\n" + second + "##END=\n##END=\n"
    )  # fmt: skip
    theirs = jcamp.readfile(str(path))["children"]
    ours = read_scans(path)
    assert [scan.name for scan in ours] == [block["title"] for block in theirs]
    for scan, block in zip(ours, theirs, strict=True):
        assert scan.absorbance == pytest.approx(block["y"], rel=1e-12)
        assert scan.wavelength == pytest.approx(block["x"], rel=1e-9)


def test_a_general_reader_reads_what_is_written(tmp_path: Path) -> None:
    jcamp = pytest.importorskip("jcamp")
    rng = np.random.default_rng(6)
    path = tmp_path / "file.dx"
    for grid in (350 + 0.5 * np.arange(300), np.sort(rng.uniform(350, 700, 80))):
        scan = Scan("cut", grid, rng.normal(0.3, 0.4, grid.size))
        write_jcamp(path, scan, digits=6)
        theirs = jcamp.readfile(str(path))
        assert theirs["title"] == "cut"
        assert theirs["y"] == pytest.approx(scan.absorbance, abs=0.5000001e-6)
        assert theirs["x"] == pytest.approx(scan.wavelength, rel=1e-12)
