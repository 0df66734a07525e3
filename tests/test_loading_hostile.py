"""Hostile input: only scans or our own errors, soon and in little memory.

Also a law: whatever is written in a random layout comes back exactly, and the
short way through plain tables gives what the careful way gives.
"""

from __future__ import annotations

import contextlib
import tempfile
import time
import tracemalloc
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from specfrac.errors import SpecfracError
from specfrac.loading import delimited, read_scans
from specfrac.scans import Scan

LONGEST_SECONDS = 2.0
N_POINTS = 24
GRID = [f"{430 + i}" for i in range(N_POINTS)]
READINGS = [
    [f"{0.013 + (0.8 + j / 9) * np.exp(-(((i - 12) / 8) ** 2)):.4f}" for i in range(N_POINTS)]
    for j in range(2)
]


def _table(cells: list[list[str]], separator: str = ",") -> str:
    return "\n".join(separator.join(row) for row in cells) + "\n"


def _differences(counts: list[str]) -> str:
    """Write a JCAMP-DX table in squeezed and difference form, with Y-checks."""
    lines = []
    values = list(map(int, counts))
    for start in range(0, len(values) - 1, 6):
        some = values[start : start + 7]
        steps = [b - a for a, b in pairwise(some)]
        line = f"{430 + start}" + "@ABCDEFGHI"[int(str(some[0])[0])] + str(some[0])[1:]
        for step in steps:
            first, rest = str(abs(step))[0], str(abs(step))[1:]
            line += ("%JKLMNOPQR" if step >= 0 else "%jklmnopqr")[int(first)] + rest
        lines.append(line)
    last = str(values[-1])
    return "\n".join([*lines, f"{429 + len(values)}{'@ABCDEFGHI'[int(last[0])]}{last[1:]}\n"])


def corpus() -> dict[str, bytes]:
    """Return a small file of every layout."""
    columns = [GRID, *READINGS]
    wide = [["wavelength_nm", "yellow", "green"], *map(list, zip(*columns, strict=True))]
    one = [["nm", "A"], *map(list, zip(GRID, READINGS[0], strict=True))]
    percent = [[w, f"{100 * 10 ** -float(a):.3f}"] for w, a in one[1:]]
    whole = [[w, f"{1000 * float(a):.0f}"] for w, a in one[1:]]
    pairs = [["nm", "A", "nm", "A"]]
    pairs += [[w, a, w, b] for w, a, b in zip(*columns, strict=True)]
    long = [["sample", "wavelength", "absorbance"]]
    long += [["yellow", w, a] for w, a in zip(GRID, READINGS[0], strict=True)]
    long += [["green", w, a] for w, a in zip(GRID, READINGS[1], strict=True)]
    across = [["sample", *GRID], ["yellow", *READINGS[0]], ["green", *READINGS[1]]]
    grids = "".join(
        f"Wavelength: {w} nm\n,1,2\nA,{a},{b}\n\n" for w, a, b in zip(*columns, strict=True)
    )
    below = "".join(f"Sample: {name}\n{_table(one)}\n" for name in ("yellow", "green"))
    counts = [str(round(1e4 * float(a))) for a in READINGS[0]]
    jcamp = (
        "##TITLE= yellow\n##JCAMP-DX= 4.24\n##DATA TYPE= UV/VIS SPECTRUM\n##XUNITS= NANOMETERS\n"
        "##YUNITS= ABSORBANCE\n##XFACTOR= 1\n##YFACTOR= 1E-4\n##FIRSTX= 430\n##LASTX= 453\n"
        f"##FIRSTY= {READINGS[0][0]}\n##MAXY= {max(READINGS[0])}\n"
        f"##NPOINTS= {N_POINTS}\n##XYDATA= (X++(Y..Y))\n"
        + "\n".join(f"{430 + i} " + " ".join(counts[i : i + 6]) for i in range(0, N_POINTS, 6))
        + "\n##END=\n"
    )
    head = jcamp.partition("##XYDATA")[0]
    pairs_of = "".join(f"{w}, {count}\n" for w, count in zip(GRID, counts, strict=True))
    packed = "".join(f"{430 + i}+{'+'.join(counts[i : i + 6])}\n" for i in range(0, N_POINTS, 6))
    values = "".join(f"<D>{a}</D>" for a in READINGS[0])
    animl = (
        '<AnIML><ExperimentStepSet><ExperimentStep name="a"><Technique name="UV/Vis"/><Result>'
        f'<SeriesSet length="{N_POINTS}"><Series name="Wavelength" seriesType="Float64" '
        'dependency="independent"><AutoIncrementedValueSet><StartValue><D>430</D></StartValue>'
        '<Increment><D>1</D></Increment></AutoIncrementedValueSet><Unit label="nm"/></Series>'
        '<Series name="Intensity" seriesType="Float64" dependency="dependent">'
        f'<IndividualValueSet>{values}</IndividualValueSet><Unit label="AU"/></Series></SeriesSet>'
        "</Result></ExperimentStep></ExperimentStepSet></AnIML>"
    )
    texts = {
        "two columns": _table(one),
        "no heading": _table(one[1:]),
        "decimal comma": _table(wide, ";").replace(".", ","),
        "blanks": _table(one, "  "),
        "percent": _table([["nm", "%T"], *percent]),
        "whole numbers": _table([["nm", "mAU"], *whole], "; "),
        "whole numbers, blanks": _table([["nm", "mAU"], *whole], "  "),
        "wide": _table(wide),
        "quoted": _table([[f'"{cell}"' for cell in row] for row in wide]),
        "pairs": _table(pairs),
        "long": _table(long),
        "across": _table(across),
        "below": below,
        "wells": grids,
        "preamble": "Operator: AB\nMode;A\n\n" + _table(one) + "\nlog, 12:30\nlamp change\n",
        "jcamp": jcamp,
        "jcamp, packed": f"{head}##XYDATA= (X++(Y..Y))\n{packed}##END=\n",
        "jcamp, differences": f"{head}##XYDATA= (X++(Y..Y))\n{_differences(counts)}##END=\n",
        "jcamp, pairs": f"{head}##XYPOINTS= (XY..XY)\n{pairs_of}##END=\n",
        "animl": animl,
    }
    files = {name: text.encode() for name, text in texts.items()}
    files["utf-16"] = texts["wide"].encode("utf-16")
    files["carriage returns"] = texts["wide"].replace("\n", "\r").encode()
    return files


CORPUS = corpus()
TOKENS = [
    *b", ; \t . # ' 0 - \x00 \xff \x1a e5".split(b" "), b" ", b"\r", b"\n", b"\r\n", b'"',
    b"9" * 30,
    *b"nan inf 1e999 OVER **** %T nm wavelength 1,000 A1 counts time".split(),
    *b"##END= ##TITLE= $$ <D> </D> &a; s99999999".split(), b"<!DOCTYPE a>", b"PK\x03\x04",
    b"\xe2\x88\x92", b"\xc2\xa0", b"\xef\xbb\xbf", b"\xfe\xff",
]  # fmt: skip
Rng = np.random.Generator


def _span(data: bytes, rng: Rng) -> tuple[bytes, bytes, bytes]:
    at = int(rng.integers(0, len(data) + 1))
    to = min(len(data), at + int(rng.integers(1, 40)))
    return data[:at], data[at:to], data[to:]


def _token(rng: Rng) -> bytes:
    return TOKENS[int(rng.integers(len(TOKENS)))]


def _other_byte(data: bytes, rng: Rng) -> bytes:
    head, middle, tail = _span(data, rng)
    return head + bytes([int(rng.integers(256))]) + middle[1:] + tail


def _lost(data: bytes, rng: Rng) -> bytes:
    head, _, tail = _span(data, rng)
    return head + tail


def _inserted(data: bytes, rng: Rng) -> bytes:
    head, middle, tail = _span(data, rng)
    return head + _token(rng) + middle + tail


def _replaced(data: bytes, rng: Rng) -> bytes:
    head, _, tail = _span(data, rng)
    return head + _token(rng) + tail


def _repeated(data: bytes, rng: Rng) -> bytes:
    head, middle, tail = _span(data, rng)
    return head + middle * int(rng.integers(2, 60)) + tail


def _cut(data: bytes, rng: Rng) -> bytes:
    return _span(data, rng)[0]


def _line_changed(data: bytes, rng: Rng) -> bytes:
    lines = data.split(b"\n")
    at = int(rng.integers(len(lines)))
    kept = [lines[:at] + lines[at + 1 :], lines[:at] + lines[at - 1 :], lines[at:] + lines[:at]]
    return b"\n".join(kept[int(rng.integers(3))])


def _without_token(data: bytes, rng: Rng) -> bytes:
    return data.replace(_token(rng), b"")


def _spliced(data: bytes, rng: Rng) -> bytes:
    other = CORPUS[str(rng.choice(list(CORPUS)))]
    return _span(data, rng)[0] + _span(other, rng)[2]


MUTATIONS: list[Callable[[bytes, Rng], bytes]] = [
    _other_byte, _lost, _inserted, _replaced, _repeated, _cut, _line_changed, _without_token,
    _spliced,
]  # fmt: skip


def mutated(data: bytes, rng: Rng) -> bytes:
    """Damage a file one to three times, as people, programs and disks do."""
    for _ in range(int(rng.integers(1, 4))):
        data = MUTATIONS[int(rng.integers(len(MUTATIONS)))](data, rng)
    return data or b"0"


def check(path: Path, data: bytes) -> list[Scan] | None:
    """Read the bytes; only scans that hold what Scan demands, or our errors, and soon."""
    path.write_bytes(data)
    start = time.process_time()  # other programs on the machine do not count
    try:
        scans = read_scans(path)
    except SpecfracError as error:
        assert "\n" not in str(error), data
        assert len(str(error)) <= 600 and str(error).isprintable(), data
        scans = None
    assert time.process_time() - start < LONGEST_SECONDS, data
    for scan in scans or ():
        Scan(scan.name, scan.wavelength, scan.absorbance, scan.metadata, scan.flags)
        assert len(scan) >= 20 and scan.name, data
    return scans


@pytest.mark.parametrize("layout", CORPUS)
def test_mutated_files(tmp_path: Path, layout: str) -> None:
    rng = np.random.default_rng(list(layout.encode()))
    assert check(tmp_path / "file", CORPUS[layout])
    for _ in range(60):
        check(tmp_path / "file", mutated(CORPUS[layout], rng))


def numbers_of(scans: list[Scan]) -> set[tuple[float, float]]:
    return {
        point
        for scan in scans
        for point in zip(scan.wavelength.tolist(), scan.absorbance.tolist(), strict=True)
        if point[1] == point[1]
    }


@pytest.mark.parametrize("layout", sorted(set(CORPUS) - {"utf-16", "carriage returns", "animl"}))
def test_a_lost_or_doubled_sign_gives_no_wrong_number_in_silence(
    tmp_path: Path, layout: str
) -> None:
    """Take out, double and swap signs between and inside numbers, one at a time."""
    data = CORPUS[layout]
    true = numbers_of(check(tmp_path / "file", data) or [])
    signs = [i for i, byte in enumerate(data) if byte in b',;\t .\n"']
    for at in signs[:: max(1, len(signs) // 60)]:
        sign = data[at : at + 1]
        for new in (b"", sign * 2, b",", b".", b" ", b"\n"):
            scans = check(tmp_path / "file", data[:at] + new + data[at + 1 :]) or []
            wrong = numbers_of(scans) - true
            warned = any(f.severity == "warn" for scan in scans for f in scan.flags)
            assert not wrong or warned, (data[max(0, at - 15) : at + 15], sign, new, wrong)


@st.composite
def written(draw: st.DrawFn) -> tuple[str, list[str], list[float], list[list[float]]]:
    """Draw a table of scans, its print, and what must come back."""
    n_samples = draw(st.integers(1, 4))
    n_points = draw(st.integers(20, 60))
    step = draw(st.sampled_from([0.1, 0.5, 1.0, 2.0, 5.0]))
    start = draw(st.integers(190, 600))
    decimals = draw(st.integers(0, 2)) if step >= 1 else draw(st.integers(1, 2))
    grid = [f"{start + i * step:.{decimals}f}" for i in range(n_points)]
    finite = st.floats(-0.25, 3.75, allow_nan=False)
    form = draw(st.sampled_from(["{:.3f}", "{:.6f}", "{!r}", "{:.4e}", "{:.5g}"]))
    samples = [[form.format(draw(finite)) for _ in range(n_points)] for _ in range(n_samples)]
    separator, decimal = draw(
        st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), ("  ", ".")])
    )
    end = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    head = separator.join(["nm", *(f"cut{i}" for i in range(n_samples))])
    preamble = draw(st.sampled_from(["", "# a remark\n", "Quantity: Absorbance\n\n"]))
    rows = [separator.join(row) for row in zip(grid, *samples, strict=True)]
    if draw(st.booleans()):
        rows.reverse()
    text = "\n".join([head, *(row.replace(".", decimal) for row in rows)]) + "\n"
    numbers = [[float(cell) for cell in sample] for sample in samples]
    text = ("" if separator == "  " else preamble) + text
    return text.replace("\n", end), rows, [float(w) for w in grid], numbers


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(written())
def test_whatever_is_written_comes_back(
    case: tuple[str, list[str], list[float], list[list[float]]],
) -> None:
    text, _, grid, samples = case
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "file.csv"
        path.write_bytes(text.encode())
        scans = read_scans(path, quantity="absorbance")
    assert len(scans) == len(samples)
    for scan, sample in zip(scans, samples, strict=True):
        assert scan.wavelength.tolist() == grid
        assert scan.absorbance.tolist() == sample


@settings(max_examples=100, deadline=None, suppress_health_check=list(HealthCheck))
@given(written(), st.integers(0, 2**32))
def test_the_short_way_is_the_careful_way(
    case: tuple[str, list[str], list[float], list[list[float]]], seed: int
) -> None:
    rng = np.random.default_rng(seed)
    data = case[0].encode()
    for content in (data, mutated(data, rng), data.rstrip()):
        with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
            path = Path(folder) / "file.csv"
            path.write_bytes(content)
            short = told(lambda path=path: read_scans(path))
            patch.setattr(delimited, "read_plain", lambda *_, **__: None)
            assert told(lambda path=path: read_scans(path)) == short, content


def told(read: Callable[[], list[Scan]]) -> object:
    """Return all that reading says, in a form to compare."""
    try:
        return [
            (s.name, s.wavelength.tobytes(), s.absorbance.tobytes(), dict(s.metadata), s.flags)
            for s in read()
        ]
    except SpecfracError as error:
        return str(error)


def large(size: int) -> Iterator[tuple[str, bytes]]:
    """Yield files made to take time or memory, of about so many bytes."""
    yield "one line of cells", b"1," * (size // 2)
    yield "short lines", b"12\n" * (size // 3)
    yield "short rows", b"4,1\n" * (size // 4)
    yield "growing rows", b"\n".join(b"1," * i for i in range(int((size) ** 0.5)))
    yield "quotes", b'"' * size
    yield "quoted rows", b'"1","2"\n' * (size // 8)
    yield "blank cells", (b"," * 99 + b"\n") * (size // 100)
    yield "one word", b"a" * size
    yield "digits", b"9" * size
    yield "empty lines", b"400,1\n" + b"\n" * size
    yield "labels", b"".join(b"a%d,400,1\n" % i for i in range(size // 12))
    yield "overflow words", b"400,>\n" * (size // 6)
    yield "texts", b"400,0.1,abc\n" * (size // 12)
    yield "alternating", b"400,1\n400,1,2\n" * (size // 14)
    yield "emoji", "😀".encode() + b"400,0.1\n" * (size // 8)
    yield "repeats", b"##TITLE=a\n##XUNITS=nm\n##XYDATA=(X++(Y..Y))\n1 1" + b"s999" * (size // 4)
    yield "records", b"##TITLE=a\n" + b"##A=1\n" * (size // 6)
    yield "digits with a letter", b"1," + b"9" * size + b"x\n400,1\n"
    yield (
        "digits with points",
        b"##TITLE=a\n##XUNITS=nm\n##XYDATA=(X++(Y..Y))\n1 " + b"9" * size + b".1.",
    )
    table = b"##TITLE=a\n##XUNITS=nm\n##FIRSTX=1\n##XYDATA=(X++(Y..Y))\n"
    yield "short lines of a table", table + b"1 1\n" * (size // 4) + b"##END="
    yield "long lines of a table", table + (b"1" + b"+1" * 999 + b"\n") * (size // 2000)
    yield "differences", table + b"1A" + b"J" * (size - 1)
    yield "missing ordinates", table + b"1" + b"?" * size
    pairs = b"##TITLE=a\n##XUNITS=nm\n##XYPOINTS=(XY..XY)\n"
    yield "short lines of pairs", pairs + b"1,1\n" * (size // 4) + b"##END="
    yield "long lines of pairs", pairs + b"1,1 " * (size // 4) + b"\n##END="
    yield "decimal commas", pairs + b"1,1 1,1\n" * (size // 8) + b"##END="
    yield "blocks", b"##TITLE=a\n##END=\n" * (size // 18)
    yield "separators", b"1" + b";" * size
    yield "blanks inside", b"a" + b" " * size + b"b\n" + b"400 1.5\n" * 30
    yield "blanks and a bracket", (b"a" + b" " * 99) * (size // 100) + b"\n" + b"400 1.5\n" * 30
    yield "a word again and again", b"nm," + b"transmi" * (size // 7) + b"\n400,1.5\n" * 30
    yield "a long heading", b"log" * (size // 3) + b",nm\n" + b"400,1.5\n" * 30
    yield "key and value", b"a: " + b" " * size + b"\n400,1.5\n" * 30
    yield "comment signs", b"$$\n\n" * (size // 4)
    yield "comment signs in a row", b"$$ " * (size // 3)
    yield "numbers of a line", b"A,1,2\n" * 3 + b"1" * size + b"a1 nm\n" + b"A,1,2\n1 nm\n" * 30
    yield "elements", b"<AnIML>" + b"<a>" * (size // 3)
    yield "siblings", b"<AnIML>" + b"<a/>" * (size // 4) + b"</AnIML>"
    head = b"<AnIML><ExperimentStep><SeriesSet><Series><IndividualValueSet>"
    yield "values", head + b"<D>1</D>" * (size // 8)
    yield "attributes", b"<AnIML " + b" ".join(b'a%d="1"' % i for i in range(size // 11)) + b"/>"


@pytest.mark.parametrize("name", [name for name, _ in large(1000)])
def test_no_hang_and_little_memory(tmp_path: Path, name: str) -> None:
    path = tmp_path / "file"
    path.write_bytes(dict(large(500_000))[name])
    start = time.process_time()
    with contextlib.suppress(SpecfracError):
        read_scans(path)
    assert time.process_time() - start < LONGEST_SECONDS
    data = dict(large(150_000))[name]
    path.write_bytes(data)
    tracemalloc.start()
    try:
        read_scans(path)
    except SpecfracError:
        pass
    finally:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert peak < 10 * len(data) + 50e6


def test_entities_are_never_unfolded(tmp_path: Path) -> None:
    levels = "".join(
        f'<!ENTITY a{i} "{f"&a{i - 1};" * 10}">' if i else '<!ENTITY a0 "ha">' for i in range(12)
    )
    bomb = f'<?xml version="1.0"?><!DOCTYPE a [{levels}]><AnIML>&a11;</AnIML>'.encode()
    assert check(tmp_path / "file", bomb) is None
