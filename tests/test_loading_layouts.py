"""Every layout gives back every value written, whole and cut off at every byte.

The writers below are the oracle: they print numbers, and reading must return
Python's float() of exactly that print.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from specfrac.errors import SpecfracError
from specfrac.loading import read_scans
from specfrac.scans import Scan

Printed = dict[str, dict[str, str]]  # sample -> printed wavelength -> printed reading
Written = tuple[bytes, dict[str, dict[float, float]]]  # file, and what it must give back


def curve(wavelength: np.ndarray, centre: float, height: float) -> np.ndarray:
    return 0.013 + height * np.exp(-(((wavelength - centre) / 25.0) ** 2))


def printed(
    n_points: int = 24, form: str = "{:.4f}", names: tuple[str, ...] = ("yellow", "green")
) -> Printed:
    wavelength = 430.0 + np.arange(n_points)
    return {
        name: {
            f"{w:.0f}": form.format(a)
            for w, a in zip(
                wavelength.tolist(),
                curve(wavelength, 445 + 3 * i, 0.8 + 0.2 * i).tolist(),
                strict=True,
            )
        }
        for i, name in enumerate(names)
    }


def in_percent(samples: Printed) -> Printed:
    return {
        name: {w: f"{100 * 10 ** -float(a):.3f}" for w, a in points.items()}
        for name, points in samples.items()
    }


def as_numbers(samples: Printed, convert: Callable[[float], float] = float) -> dict:
    return {
        name: {float(w): convert(float(a)) for w, a in points.items()}
        for name, points in samples.items()
    }


def from_percent(value: float) -> float:
    return float(0.0 - np.log10(value / 100.0))


def comma(text: str) -> str:
    return text.replace(".", ",")


def wide(samples: Printed, separator: str = ",", corner: str = "wavelength_nm") -> str:
    head = separator.join([corner, *samples])
    grid = next(iter(samples.values()))
    rows = [separator.join([w, *(points[w] for points in samples.values())]) for w in grid]
    return "\n".join([head, *rows]) + "\n"


def one(samples: Printed, separator: str = ",", head: str = "nm,A") -> str:
    points = next(iter(samples.values()))
    rows = [f"{w}{separator}{a}" for w, a in points.items()]
    return "\n".join([head, *rows] if head else rows) + "\n"


def first_of(samples: Printed) -> Printed:
    name = next(iter(samples))
    return {"file": samples[name]}


def pairs(samples: Printed, separator: str = ",") -> str:
    columns = [list(points.items()) for points in samples.values()]
    head = separator.join(f"{name}{separator}" for name in samples)
    units = separator.join(f"nm{separator}A" for _ in samples)
    rows = []
    for i in range(max(map(len, columns))):
        cells = [c[i] if i < len(c) else ("", "") for c in columns]
        rows.append(separator.join(separator.join(pair) for pair in cells))
    return "\n".join([head, units, *rows]) + "\n"


def long(samples: Printed, separator: str = ",", head: str = "sample,wavelength,absorbance") -> str:
    rows = [
        separator.join([name, w, a]) for name, points in samples.items() for w, a in points.items()
    ]
    return "\n".join([head.replace(",", separator), *rows]) + "\n"


def across(samples: Printed, separator: str = ",", corner: str = "sample", unit: str = "") -> str:
    grid = next(iter(samples.values()))
    rows = [separator.join([corner, *(w + unit for w in grid)])]
    rows += [separator.join([name, *points.values()]) for name, points in samples.items()]
    return "\n".join(rows) + "\n"


def below(samples: Printed) -> str:
    return "\n".join(
        f"Sample: {name}\nnm,A\n" + "\n".join(f"{w},{a}" for w, a in points.items()) + "\n"
        for name, points in samples.items()
    )


def grids(samples: Printed) -> str:
    wells = [points for points in samples.values()]
    return "Mode: Absorbance\n\n" + "\n".join(
        f"Wavelength: {w} nm\n,1,2\nA,{wells[0][w]},{wells[1][w]}\n" for w in wells[0]
    )


def downwards(text: str, n_head: int = 1) -> str:
    lines = text.rstrip("\n").split("\n")
    return "\n".join(lines[:n_head] + lines[n_head:][::-1]) + "\n"


def shorter_second(samples: Printed, n_points: int = 21) -> Printed:
    names = list(samples)
    return {
        names[0]: samples[names[0]],
        names[1]: dict(list(samples[names[1]].items())[:n_points]),
    }


def quoted(text: str) -> str:
    return "".join('"' + line.replace(",", '","') + '"\n' for line in text.splitlines())


def without_head(text: str) -> str:
    return text.partition("\n")[2]


def thousands(group: str, decimal: str) -> str:
    """Write wavenumbers with marks between thousands, and absorbances."""
    marks = str.maketrans(",.", group + decimal)
    points = first_of(THOUSANDS)["file"]
    rows = [f"{float(w):,.2f};{a}".translate(marks) for w, a in points.items()]
    return "\n".join(["Wavenumber (cm-1);A", *rows]) + "\n"


def in_nm(samples: Printed) -> dict:
    return {
        name: {1e7 / float(w): float(a) for w, a in points.items()}
        for name, points in samples.items()
    }


def quoted_commas(samples: Printed) -> str:
    rows = [f'"{comma(w)}","{comma(a)}"' for w, a in first_of(samples)["file"].items()]
    return "\n".join(['"nm","A"', *rows]) + "\n"


def short_rows(text: str) -> str:
    return "\n".join(line.rstrip(",") for line in text.splitlines()) + "\n"


def by_wavelength(text: str) -> str:
    head, *rows = text.splitlines()
    return "\n".join([head, *sorted(rows, key=lambda row: float(row.split(",")[1]))]) + "\n"


def with_column(text: str, title: str, cell: str, separator: str = "\t") -> str:
    """Put a column that is no spectrum after the first one."""
    rows = [line.split(separator) for line in text.splitlines()]
    told = [[row[0], cell if i else title, *row[1:]] for i, row in enumerate(rows)]
    return "\n".join(separator.join(row) for row in told) + "\n"


def three_ends(text: str) -> str:
    lines = text.splitlines()
    return (
        "\r\n".join(lines[:9]) + "\r" + "\r".join(lines[9:16]) + "\n" + "\n".join(lines[16:]) + "\n"
    )


S = printed()
SHORTER_FIRST = {"yellow": dict(list(S["yellow"].items())[:21]), "green": S["green"]}
WELLS = printed(names=("A1", "A2"))
THOUSANDS = {  # falling wavenumbers, so that wavelengths rise
    name: {f"{1e7 / float(w):.2f}": a for w, a in points.items()} for name, points in S.items()
}
FREE = "Made on the bench.\nOne scan of 24 points, 430 to 453 nm.\n\n"
KEYS = "Sample: leaf\nOperator = AB\nDate,2026-05-04\nPath length;1.0\nScan speed\t200\n\n"
JAPANESE = f"波長,吸光度\n{one(S, head='')}\n測定者,山田\n"
PERCENT = in_percent(S)
NUMBERED = printed(names=("7", "12"))
LONG_DIGITS = printed(form="{:.7g}")
REPR = printed(form="{!r}")
ONE = first_of(S)
PREAMBLE = "Operator: AB\nDate,2026-05-04\nScan speed,200\n\n"
LOG = "\nEvents\n10:02,lamp change at 340 nm\npeak,662.4,0.81\n"

LAYOUTS: dict[str, Written] = {
    name: (content.encode() if isinstance(content, str) else content, expected)
    for name, content, expected in [
        ("comma", one(S), as_numbers(ONE)),
        ("no heading", one(S, head=""), as_numbers(ONE)),
        ("semicolon, decimal comma", comma(one(S, ";", "nm;A")), as_numbers(ONE)),
        ("tab, decimal comma", comma(one(S, "\t", "nm\tA")), as_numbers(ONE)),
        ("blanks", one(S, "   ", "Wavelength (nm)   Abs"), as_numbers(ONE)),
        ("blanks, decimal comma", comma(one(S, "  ", "Wavelength (nm)  Abs")), as_numbers(ONE)),
        ("comma and blank", one(S, ", ", "nm, A"), as_numbers(ONE)),
        ("bars", one(S, "|", "nm|A"), as_numbers(ONE)),
        ("quoted", quoted(one(S)), as_numbers(ONE)),
        ("descending", downwards(one(S)), as_numbers(ONE)),
        ("many digits", one(REPR), as_numbers(first_of(REPR))),
        ("uneven digits", wide(LONG_DIGITS), as_numbers(LONG_DIGITS)),
        ("exponents", wide(printed(form="{:.5e}")), as_numbers(printed(form="{:.5e}"))),
        ("preamble and log", PREAMBLE + one(S) + LOG, as_numbers(ONE)),
        ("comments", "# made for a test\n# nm,A\n" + one(S, head=""), as_numbers(ONE)),
        ("units row", "Wavelength,Absorbance\nnm,a.u.\n" + one(S, head=""), as_numbers(ONE)),
        ("percent", one(PERCENT, head="nm,%T"), as_numbers(first_of(PERCENT), from_percent)),
        ("thousands", thousands(",", "."), in_nm(first_of(THOUSANDS))),
        ("thousands by apostrophe", thousands("'", "."), in_nm(first_of(THOUSANDS))),
        ("thousands by point", thousands(".", ","), in_nm(first_of(THOUSANDS))),
        ("quoted decimal commas", quoted_commas(S), as_numbers(ONE)),
        ("free preamble", FREE + one(S), as_numbers(ONE)),
        ("keys and values", KEYS + one(S), as_numbers(ONE)),
        ("slashes for comments", "// made, for a test\n" + one(S), as_numbers(ONE)),
        ("marks for comments", "! made for a test\n" + one(S), as_numbers(ONE)),
        (
            "comment among the rows",
            one(S).replace("\n440,", "\n# lamp change, 440\n440,"),
            as_numbers(ONE),
        ),
        ("blank lines", one(S).replace("\n", "\n\n"), as_numbers(ONE)),
        ("trailing commas", one(S).replace("\n", ",,\n"), as_numbers(ONE)),
        ("table of peaks below", one(S) + "\nNo,nm,A\n1,445,0.81\n", as_numbers(ONE)),
        ("wide", wide(S), as_numbers(S)),
        ("wide, decimal comma", comma(wide(S, ";")), as_numbers(S)),
        ("wide, trailing commas", wide(S).replace("\n", ",\n"), as_numbers(S)),
        ("wide, numbers for names", wide(NUMBERED), as_numbers(NUMBERED)),
        ("wide, empty corner", wide(S, corner=""), as_numbers(S)),
        (
            "wide, counts and times",
            "no,time (s)," + "\n".join(
                f"{i},{0.5 * i:.1f},{line}" if i else line
                for i, line in enumerate(wide(S).rstrip().split("\n"))
            ) + "\n",
            as_numbers(S),
        ),
        ("two heading rows", ",yellow,green\nnm,A,A\n" + without_head(wide(S)), as_numbers(S)),
        ("pairs", pairs(S), as_numbers(S)),
        ("pairs of different length", pairs(shorter_second(S)), as_numbers(shorter_second(S))),
        ("pairs, decimal comma", comma(pairs(S, ";")), as_numbers(S)),
        (
            "pairs, the first shorter",
            pairs(SHORTER_FIRST),
            as_numbers(SHORTER_FIRST),
        ),
        ("pairs, short rows", short_rows(pairs(shorter_second(S))), as_numbers(shorter_second(S))),
        ("long", long(S), as_numbers(S)),
        ("long, by wavelength", by_wavelength(long(S)), as_numbers(S)),
        ("long, decimal comma", comma(long(S, ";")), as_numbers(S)),
        ("across", across(S), as_numbers(S)),
        ("across, decimal comma", comma(across(S, ";", unit=" nm")), as_numbers(S)),
        ("across, one sample", across(ONE, corner="nm"), as_numbers(ONE)),
        ("wells across", across(WELLS, corner="Well"), as_numbers(WELLS)),
        (
            "wells with temperature",
            with_column(wide(WELLS, "\t"), "Temperature (°C)", "25.1"),
            as_numbers(WELLS),
        ),
        ("one below the other", below(S), as_numbers(S)),
        ("grids of wells", grids(S), as_numbers({"A1": S["yellow"], "A2": S["green"]})),
        ("UTF-8 mark", one(S).encode("utf-8-sig"), as_numbers(ONE)),
        ("UTF-16", one(S).encode("utf-16"), as_numbers(ONE)),
        ("UTF-16 without mark", one(S).encode("utf-16-be"), as_numbers(ONE)),
        ("Latin-1", one(S, head="Wellenlänge,Extinktion").encode("latin-1"), as_numbers(ONE)),
        ("Shift-JIS", JAPANESE.encode("cp932"), as_numbers(ONE)),
        ("CRLF", one(S).replace("\n", "\r\n"), as_numbers(ONE)),
        ("CR", one(S).replace("\n", "\r"), as_numbers(ONE)),
        ("Shift-JIS below", (one(S) + "\n測定者,山田太郎\n").encode("cp932"), as_numbers(ONE)),
        ("three line ends", three_ends(one(S)), as_numbers(ONE)),
        ("mixed line ends", one(S).replace("\n", "\r\n", 9), as_numbers(ONE)),
    ]
}  # fmt: skip


def read_bytes(folder: Path, data: bytes, **options: str) -> list[Scan]:
    path = folder / "file.csv"
    path.write_bytes(data)
    return read_scans(path, **options)


def as_points(scan: Scan) -> dict[float, float]:
    return dict(zip(scan.wavelength.tolist(), scan.absorbance.tolist(), strict=True))


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_value_comes_back(tmp_path: Path, layout: str) -> None:
    data, expected = LAYOUTS[layout]
    scans = read_bytes(tmp_path, data)
    assert {scan.name: as_points(scan) for scan in scans} == expected
    for scan in scans:
        again = Scan(scan.name, scan.wavelength, scan.absorbance)  # holds what Scan demands
        assert np.array_equal(again.absorbance, scan.absorbance)
        assert not scan.wavelength.flags.writeable and not scan.absorbance.flags.writeable
        assert "truncated-file" not in [flag.code for flag in scan.flags]


@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_cut_file_never_gives_another_number(tmp_path: Path, layout: str) -> None:
    data, expected = LAYOUTS[layout]
    n_read = 0
    for end in range(len(data) // 2, len(data)):  # the first half holds fewer than 20 points
        try:
            scans = read_bytes(tmp_path, data[:end])
        except SpecfracError:
            continue
        n_read += 1
        last_line = data[:end].replace(b"\r", b"\n").rsplit(b"\n", 1)[-1]
        for scan in scans:
            known = expected.get(scan.name) or next(iter(expected.values()))
            points = as_points(scan)
            wrong = {w: a for w, a in points.items() if known.get(w) != a}
            assert not wrong, f"cut at byte {end}, after {data[max(0, end - 20) : end]!r}"
            complete = len(points) == len(known) or cut_at_line_end(data, end)
            flagged = "truncated-file" in [flag.code for flag in scan.flags]
            assert complete or flagged or last_line[:1] in (b"W", b","), end
    assert n_read


def cut_at_line_end(data: bytes, end: int) -> bool:
    return any(data[at : at + 1] in b'\r\n\0"' for at in (end - 1, end))
