"""Many scan files to one table, block by block: memory does not grow with their number."""

from __future__ import annotations

import csv
import io
import math
import os
import pickle
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from specfrac.errors import InputError, SpecfracError
from specfrac.fitting import MixtureFits, fit_mixtures
from specfrac.fitting.results import DETECTION_LIMIT, G_PER_L_TO_MG_PER_L
from specfrac.loading import read_scans
from specfrac.processes import Died, spread
from specfrac.records import DIGITS, safe_text
from specfrac.references import References
from specfrac.scans import Scan

BLOCK = 512  # files; the fit's own batches are smaller
NUMBER = f"%.{DIGITS}g"
YES_NO = ("no", "yes")

FIGURE_COLUMNS = (
    "file",
    "scan",
    "fitted",
    "pigment",
    "concentration_mg_per_L",
    "concentration_unconstrained_mg_per_L",
    "standard_uncertainty_mg_per_L",
    "detection_limit_mg_per_L",
    "detected",
    "quantified",
)
"""A row a scan and pigment."""

REPORT_COLUMNS = (*FIGURE_COLUMNS, "kind", "members", "merged_into", "unassigned_share", "flags")
"""The same, and after each scan's pigments their sums, with kind "sum"."""


@dataclass(frozen=True, slots=True, eq=False)
class FileFits:
    """The scans of a block of files and their fits.

    Attributes
    ----------
    files, scans : tuple of str
        Path as given and name of the scan, one a fit.
    fits : MixtureFits
        In the order of the files.
    problems : tuple of str
        Why a file could not be read, one a file that could not.
    """

    files: tuple[str, ...]
    scans: tuple[str, ...]
    fits: MixtureFits
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class WrittenTable:
    """What a table holds.

    Attributes
    ----------
    scans : int
    not_fitted : int
        Of them, those the fit gave up; the flags say why.
    problems : tuple of str
        Why files could not be read.
    """

    scans: int
    not_fitted: int
    problems: tuple[str, ...]


def fit_files(
    paths: Iterable[str | os.PathLike[str]],
    references: References,
    *,
    quantity: str | None = None,
    block: int = BLOCK,
    **options: Any,
) -> Iterator[FileFits]:
    """Read and fit the scans of many files, a block of files at a time.

    Nothing of a block is kept once the next is asked for.

    Parameters
    ----------
    paths : iterable of path
    references : References
    quantity : str, optional
        What the readings are, see `specfrac.read_scans`.
    block : int
        Files a block, >= 1.
    **options
        Of `specfrac.fit_mixtures`, for all scans alike: ``path_length``, ``bandwidth``...

    Yields
    ------
    FileFits
        A file that cannot be read is told in ``problems``; a scan that cannot be fitted
        has NaN and a flag.

    Raises
    ------
    InputError
        If an option cannot be right.
    """
    if block < 1:
        raise InputError(f"block is {block}, but a block holds at least 1 file.")
    remaining = iter(paths)
    while chosen := [os.fspath(path) for path in islice(remaining, block)]:
        files: list[str] = []
        scans: list[Scan] = []
        problems: list[str] = []
        for file in chosen:
            try:
                found = read_scans(file, quantity=quantity)
            except SpecfracError as error:
                problems.append(str(error))
                continue
            files += [file] * len(found)
            scans += found
        yield FileFits(
            tuple(files),
            tuple(scan.name for scan in scans),
            fit_mixtures(scans, references, **options),
            tuple(problems),
        )


def figure_rows(fitted: FileFits) -> list[list[str]]:
    """Return the figures of every pigment, see `FIGURE_COLUMNS`; unknown cells are blank.

    Text is made harmless for spreadsheets, see `specfrac.records.safe_text`.
    """
    if not fitted.files:
        return []
    table, pigments = fitted.fits.table(), fitted.fits.references.pigments
    columns = [
        _numbers(table.concentration),
        _numbers(table.concentration_unconstrained),
        _numbers(table.standard_uncertainty),
        _numbers(DETECTION_LIMIT * table.zero_uncertainty),
        [[YES_NO[one] for one in row] for row in table.detected.tolist()],
        [[YES_NO[one] for one in row] for row in table.quantified.tolist()],
    ]
    return [
        [file, scan, YES_NO[success], pigment, *cells]
        for file, scan, success, *rows in zip(
            map(safe_text, fitted.files),
            map(safe_text, fitted.scans),
            table.success.tolist(),
            *columns,
            strict=True,
        )
        for pigment, *cells in zip(pigments, *rows, strict=True)
    ]


def report_rows(fitted: FileFits) -> list[list[str]]:
    """Return figures, sums and flags, see `REPORT_COLUMNS`.

    Which members a scan cannot tell apart, and what is doubtful about it, takes several
    times as long to find as the figures alone.
    """
    found = iter(figure_rows(fitted))
    rows = []
    for fit in fitted.fits:
        end = [_number(fit.unassigned_share), "; ".join(flag.code for flag in fit.flags)]
        merged = {key: group.name for group in fit.groups if group.merged for key in group.members}
        for row in islice(found, len(fit.pigments)):
            rows.append([*row, "pigment", "", merged.get(row[3], ""), *end])
        for group in fit.groups:
            value, uncertainty = _numbers(fit.group_concentration(group))
            figures = [group.name, value, "", uncertainty, "", "", ""]
            rows.append([*row[:3], *figures, "sum", "; ".join(group.members), "", *end])
    return rows


def _numbers(values: ArrayLike) -> list:
    """Return g/L as text in mg/L, nested as it was."""
    array = np.asarray(values) * G_PER_L_TO_MG_PER_L
    cells = [_number(value) for value in array.ravel().tolist()]
    if array.ndim == 1:
        return cells
    width = array.shape[1]
    return [cells[start : start + width] for start in range(0, len(cells), width)]


def _number(value: float) -> str:
    return "" if math.isnan(value) else NUMBER % value


def write_table(
    paths: Iterable[str | os.PathLike[str]],
    references: References,
    target: str | Path,
    *,
    reported: bool = True,
    workers: int = 1,
    tell: Callable[[int, int], None] = lambda files, problems: None,
    **options: Any,
) -> WrittenTable:
    """Read and fit the scans of many files and write one CSV table, whole or not at all.

    Parameters
    ----------
    paths : iterable of path
    references : References
    target : path
        A file of that name is replaced. Its folder is made when missing.
    reported : bool
        True gives the rows of `report_rows`, False those of `figure_rows`.
    workers : int
        Processes, each with one thread and a block of files at a time; 1 works in this one.
        A script that asks for more must guard its own start with
        ``if __name__ == "__main__":``.
    tell : callable
        Called after each block with the number of its files and of its problems.
    **options
        Of `fit_files`.

    Returns
    -------
    WrittenTable

    Raises
    ------
    InputError
        If an option cannot be right, or the table is one of the files or cannot be written.
    """
    if workers < 1:
        raise InputError(f"{workers} workers were asked for, but it takes at least 1.")
    target = Path(target)
    files = [os.fspath(path) for path in paths]
    _check_apart(target, files)
    scans = not_fitted = 0
    problems: list[str] = []
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".unfinished-", dir=target.parent) as folder:
            waiting = Path(folder) / "table"
            with waiting.open(
                "w", encoding="utf-8", errors="backslashreplace", newline=""
            ) as stream:
                stream.write(_csv([REPORT_COLUMNS if reported else FIGURE_COLUMNS]))
                for part in _parts(files, references, reported, workers, options):
                    stream.write(part.text)
                    scans += part.scans
                    not_fitted += part.not_fitted
                    problems += part.problems
                    tell(part.files, len(part.problems))
            os.replace(waiting, target)
    except OSError as error:
        raise InputError(f"{target}: cannot be written ({error.strerror}).") from None
    return WrittenTable(scans, not_fitted, tuple(problems))


def _check_apart(target: Path, files: Sequence[str]) -> None:
    for file in files:
        if os.path.basename(file) == target.name and Path(file).resolve() == target.resolve():
            raise InputError(f"{target}: a scan would be overwritten. Choose another name.")


# In blocks, here or in other processes


@dataclass(frozen=True, slots=True)
class _Job:
    """A block of files, as a worker gets it."""

    files: tuple[str, ...]
    references: bytes
    reported: bool
    options: dict[str, Any]


@dataclass(frozen=True, slots=True)
class _Part:
    """The part of a table that a block of files makes."""

    text: str
    files: int
    scans: int
    not_fitted: int
    problems: tuple[str, ...]


def _parts(
    files: Sequence[str],
    references: References,
    reported: bool,
    workers: int,
    options: dict[str, Any],
) -> Iterator[_Part]:
    """Yield the parts of a table in the order of the files."""
    if workers == 1:
        for fitted in fit_files(files, references, **options):
            yield _part(fitted, reported)
        return
    block = options.get("block", BLOCK)
    packed = pickle.dumps(references)
    jobs = [
        _Job(tuple(files[start : start + block]), packed, reported, options)
        for start in range(0, len(files), block)
    ]
    ready: dict[int, _Part] = {}
    following = 0
    for position, part in spread(_part_of, jobs, workers=workers):
        ready[position] = _lost(jobs[position]) if isinstance(part, Died) else part
        while following in ready:
            yield ready.pop(following)
            following += 1


def _part_of(job: _Job) -> _Part:
    (fitted,) = fit_files(job.files, _unpacked(job.references), **job.options)
    return _part(fitted, job.reported)


@lru_cache(maxsize=1)
def _unpacked(references: bytes) -> References:
    """The same object for every block: the fit keeps what it works out once for references."""
    found: References = pickle.loads(references)
    return found


def _part(fitted: FileFits, reported: bool) -> _Part:
    return _Part(
        _csv(report_rows(fitted) if reported else figure_rows(fitted)),
        len(set(fitted.files)) + len(fitted.problems),
        len(fitted.files),
        int(np.sum(~fitted.fits.table().success)) if fitted.files else 0,
        fitted.problems,
    )


def _lost(job: _Job) -> _Part:
    count = len(job.files)
    message = f"{job.files[0]} and {count - 1} files after it: the process that read them ended."
    return _Part("", count, 0, 0, (message,))


def _csv(rows: Iterable[Sequence[str]]) -> str:
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerows(rows)
    return stream.getvalue()
