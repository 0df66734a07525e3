"""Many scan files to one table: what stands in it, and that it comes whole."""

from __future__ import annotations

import csv
import tracemalloc
from itertools import repeat
from pathlib import Path

import numpy as np
import pytest

from specfrac.errors import InputError
from specfrac.fitting import fit_mixtures
from specfrac.loading import read_scans, write_csv
from specfrac.many_scans import (
    FIGURE_COLUMNS,
    REPORT_COLUMNS,
    FileFits,
    figure_rows,
    fit_files,
    report_rows,
    write_table,
)
from specfrac.processes import Died
from specfrac.references import References, load_references
from specfrac.simulate import simulate_scan

GREEN = (3e-4, 4e-4, 1.5e-4, 1e-4, 3e-3, 1e-3, 5e-4, 1e-4)  # g/L, invented


@pytest.fixture(scope="module")
def references() -> References:
    return load_references().select(solvent="acetone-90")


@pytest.fixture(scope="module")
def folder(tmp_path_factory, references) -> Path:
    """Seven files: a scan each, but the second has two scans and the fifth none."""
    made = tmp_path_factory.mktemp("scans")
    rng = np.random.default_rng(1)
    for number in range(7):
        scans = [
            simulate_scan(
                references,
                dict(zip(references.pigments, GREEN * rng.lognormal(0, 0.3, 8), strict=True)),
                wavelength=np.arange(380.0, 751.0),
                noise=5e-4,
                rng=rng,
                name=f"tube {number}{letter}",
            )
            for letter in ("ab" if number == 1 else "a")
        ]
        write_csv(made / f"{number}.csv", scans)
    (made / "4.csv").write_text("no scan\n", encoding="utf-8")
    return made


@pytest.fixture(scope="module")
def paths(folder) -> list[Path]:
    return sorted(folder.iterdir())


def read_table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_files_are_fitted_in_order_and_a_broken_one_is_told(paths, references):
    blocks = list(fit_files(paths, references, bandwidth=2.0, block=3))
    assert [Path(file).stem for block in blocks for file in block.files] == list("0112356")
    assert [len(block.problems) for block in blocks] == [0, 1, 0]
    assert "4.csv" in blocks[1].problems[0]
    for block in blocks:
        assert tuple(fit.name for fit in block.fits) == block.scans


def test_blocks_do_not_change_a_figure(paths, references):
    def rows(block: int) -> list[list[str]]:
        fitted = fit_files(paths, references, bandwidth=2.0, block=block)
        return [row for one in fitted for row in report_rows(one)]

    for few, many in zip(rows(2), rows(100), strict=True):
        # scans are solved side by side, which may move the last of ten digits
        figures = [[float(row[at] or 0) for at in range(4, 8)] for row in (few, many)]
        assert figures[0] == pytest.approx(figures[1], rel=1e-8, abs=1e-12)
        assert few[:4] + few[8:] == many[:4] + many[8:]


def test_the_table_holds_the_figures_of_the_fits(paths, references, tmp_path):
    target = tmp_path / "new" / "table.csv"
    written = write_table(paths, references, target, reported=False, block=4)
    assert (written.scans, written.not_fitted, len(written.problems)) == (7, 0, 1)
    assert [path.name for path in target.parent.iterdir()] == ["table.csv"]
    rows = read_table(target)
    assert tuple(rows[0]) == FIGURE_COLUMNS
    scans = [scan for path in paths if path.stem != "4" for scan in read_scans(path)]
    frame = fit_mixtures(scans, references).to_frame()
    assert [row["scan"] for row in rows] == list(frame["scan"])
    assert [row["pigment"] for row in rows] == list(frame["pigment"])
    for column in FIGURE_COLUMNS[4:8]:
        found = [float(row[column]) for row in rows]
        assert found == pytest.approx(frame[column].to_numpy(), rel=1e-9, abs=1e-15)
    for column in ("detected", "quantified"):
        assert [row[column] == "yes" for row in rows] == list(frame[column])


def test_a_reported_table_adds_sums_and_flags(paths, references, tmp_path):
    target = tmp_path / "table.csv"
    write_table(paths[:1], references, target)
    rows = read_table(target)
    assert tuple(rows[0]) == REPORT_COLUMNS
    (fit,) = fit_mixtures(read_scans(paths[0]), references)
    sums = [row for row in rows if row["kind"] == "sum"]
    assert [row["pigment"] for row in sums] == [group.name for group in fit.groups]
    frame = fit.groups_frame()
    for row, (_, expected) in zip(sums, frame.iterrows(), strict=True):
        assert tuple(row["members"].split("; ")) == expected["members"]
        for column in ("concentration_mg_per_L", "standard_uncertainty_mg_per_L"):
            assert float(row[column]) == pytest.approx(expected[column], rel=1e-9)
    assert [row["pigment"] for row in rows if row["kind"] == "pigment"] == list(fit.pigments)
    assert {row["flags"] for row in rows} == {"; ".join(flag.code for flag in fit.flags)}


def test_a_scan_that_cannot_be_fitted_has_rows_without_figures(references, tmp_path, folder):
    (scan,) = read_scans(folder / "0.csv")
    short = tmp_path / "short.csv"
    lines = [f"{w:.0f},{a:.4f}" for w, a in zip(scan.wavelength, scan.absorbance, strict=True)]
    short.write_text("\n".join(["wavelength_nm,A", *lines[:30]]) + "\n", encoding="utf-8")
    target = tmp_path / "table.csv"
    written = write_table([short, folder / "0.csv"], references, target)
    assert (written.scans, written.not_fitted) == (2, 1)
    rows = [row for row in read_table(target) if row["file"] == str(short)]
    assert len(rows) >= 8  # pigments, then sums
    for row in rows:
        assert row["fitted"] == "no"
        assert row["concentration_mg_per_L"] == ""
        assert "not-fitted" in row["flags"]


def test_workers_write_the_same_table(paths, references, tmp_path):
    told: list[tuple[int, int]] = []
    tables = [tmp_path / f"{workers}.csv" for workers in (1, 2)]
    for workers, target in enumerate(tables, start=1):
        options = {"workers": workers, "block": 3, "bandwidth": 2.0}
        written = write_table(
            paths, references, target, tell=lambda *counts: told.append(counts), **options
        )
        assert (written.scans, written.not_fitted, len(written.problems)) == (7, 0, 1)
    assert tables[0].read_bytes() == tables[1].read_bytes()
    assert told == 2 * [(3, 0), (3, 1), (1, 0)]


def test_a_block_whose_process_died_is_told(paths, references, tmp_path, monkeypatch):
    monkeypatch.setattr(
        "specfrac.many_scans.spread", lambda *_args, **_options: iter([(0, Died())])
    )
    written = write_table(paths, references, tmp_path / "table.csv", workers=2)
    assert written.scans == 0
    assert written.problems[0].startswith(str(paths[0]))


def test_text_from_files_is_no_formula(references, tmp_path, folder):
    path = tmp_path / "=1+1.csv"
    path.write_bytes((folder / "0.csv").read_bytes())
    (fitted,) = fit_files([path], references)
    named = FileFits(("=1+1.csv",), ("@tube",), fitted.fits)
    assert figure_rows(named)[0][:2] == ["'=1+1.csv", "'@tube"]


def test_what_breaks_leaves_the_old_table_and_nothing_else(paths, references, tmp_path):
    target = tmp_path / "table.csv"
    target.write_text("old\n", encoding="utf-8")

    def interrupted(files: int, problems: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_table(paths[:2], references, target, block=1, tell=interrupted)
    assert target.read_text(encoding="utf-8") == "old\n"
    assert list(tmp_path.iterdir()) == [target]


def test_no_scan_is_overwritten_and_options_are_checked(paths, references, folder):
    before = paths[0].read_bytes()
    with pytest.raises(InputError, match="would be overwritten"):
        write_table(paths, references, folder / "0.csv")
    assert paths[0].read_bytes() == before
    with pytest.raises(InputError, match="0 workers"):
        write_table(paths, references, folder / "table.csv", workers=0)
    with pytest.raises(InputError, match="block is 0"):
        list(fit_files(paths, references, block=0))
    with pytest.raises(InputError, match="path_length is -1"):
        list(fit_files(paths, references, path_length=-1.0))
    assert figure_rows(next(fit_files(paths[4:5], references))) == []


def test_memory_does_not_grow_with_the_number_of_files(paths, references, tmp_path):
    """Goal of the project: under 20 kB a scan beyond the table. Here: blocks leave nothing."""

    def peak(files: int) -> int:
        tracemalloc.start()
        target, same = tmp_path / "table.csv", repeat(paths[0], files)
        write_table(same, references, target, reported=False, bandwidth=2.0, block=10)
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return found

    peak(10)  # what is read once
    assert peak(80) < peak(20) + 60 * 2_000
