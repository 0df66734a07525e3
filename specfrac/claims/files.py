"""Folders of worked figures: one run a class shares, or a run each."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from specfrac.claims.check import check_claims
from specfrac.claims.facts import read_blanks, run_facts
from specfrac.claims.paths import CLAIMS_FOLDER, claims_paths
from specfrac.claims.results import ClaimsResult, ClassResult, plain_factor
from specfrac.claims.sheet import ClaimSheet, people, read_claims
from specfrac.errors import RunSheetError, SpecfracError
from specfrac.plates.evidence import analyse_plates
from specfrac.references import load_references
from specfrac.sheet import SHEET_NAME, SHEET_NAMES

if TYPE_CHECKING:
    from specfrac.claims.facts import RunFacts
    from specfrac.references import ReferenceLibrary
    from specfrac.run import RunResult
    from specfrac.settings import Settings


def check_run_claims(
    result: RunResult,
    *,
    paths: Sequence[Path] | None = None,
    library: ReferenceLibrary | None = None,
    settings: Settings | None = None,
) -> ClassResult:
    """Check the figures that lie with an analysed run.

    Parameters
    ----------
    result : RunResult
    paths : sequence of path, optional
        Sheets; by default those of the run's folder, see `claims_paths`.
    library : ReferenceLibrary, optional
    settings : Settings, optional

    Returns
    -------
    ClassResult
        A sheet that breaks a rule is listed as refused and costs no other its check.
        Nobody in it when there are no sheets.
    """
    paths = claims_paths(result.run.folder) if paths is None else tuple(paths)
    if not paths:
        return ClassResult(())
    library = load_references() if library is None else library
    facts = _facts(result, library)
    return _checked(facts, paths, library, settings)


def _facts(result: RunResult, library: ReferenceLibrary) -> RunFacts:
    return run_facts(
        result,
        blanks=read_blanks(result.run),
        plates=analyse_plates(result, library).plates,
        library=library,
    )


def _checked(
    facts: RunFacts, paths: Iterable[Path], library: ReferenceLibrary, settings: Settings | None
) -> ClassResult:
    sheets: list[ClaimSheet] = []
    refused: list[tuple[str, str]] = []
    for path in paths:
        try:
            sheets += read_claims(path, library=library)
        except RunSheetError as error:
            refused.append((path.name, str(error)))
    people(sheets)
    done: list[ClaimsResult] = []
    for sheet in sheets:
        try:
            done.append(check_claims(facts, sheet, settings=settings))
        except SpecfracError as error:
            refused.append((sheet.source, str(error)))
    return ClassResult(tuple(done), tuple(refused))


def check_folder(
    folder: str | Path,
    *,
    library: ReferenceLibrary | None = None,
    settings: Settings | None = None,
) -> ClassResult:
    """Check a class: one run folder with many sheets, or a folder of run folders.

    Parameters
    ----------
    folder : path
        Either a run folder (``run.toml``, scans, and ``claims/`` with a sheet a person
        or one ``claims.csv`` for all), or a folder whose subfolders are such runs.
    library : ReferenceLibrary, optional
    settings : Settings, optional

    Returns
    -------
    ClassResult

    Raises
    ------
    RunSheetError
        If the folder holds neither, or nobody's figures.
    """
    from specfrac.run import analyse_run
    from specfrac.sheet import read_run

    folder = Path(folder)
    if not folder.is_dir():
        raise RunSheetError(f"{folder}: there is no such folder. Give a run or a class folder.")
    library = load_references() if library is None else library
    own = any((folder / name).is_file() for name in SHEET_NAMES)
    below = sorted({one.parent for name in SHEET_NAMES for one in folder.glob(f"*/{name}")})
    runs = [folder] if own else below
    if not runs:
        raise RunSheetError(
            f"{folder}: holds no {SHEET_NAME}, and no subfolder does. Give a run folder, or a "
            "folder of run folders."
        )
    found = ClassResult(())
    for run in runs:
        if not claims_paths(run):
            continue
        try:
            result = analyse_run(read_run(run, library=library), library)
            part = check_run_claims(result, library=library, settings=settings)
        except SpecfracError as error:
            if own:
                raise
            part = ClassResult((), ((run.name, str(error)),))
        found = _joined(found, part, "" if own else run.name)
    if not found.people and not found.refused:
        raise RunSheetError(
            f"{folder}: holds no worked figures. Put claims.toml or claims.csv beside "
            f"{SHEET_NAME}, or sheets into {CLAIMS_FOLDER}/."
        )
    _check_codes(found)
    return found


def _joined(one: ClassResult, other: ClassResult, folder: str) -> ClassResult:
    refused = tuple(
        (f"{folder}/{file}" if folder and file != folder else file, why)
        for file, why in other.refused
    )
    return replace(one, people=one.people + other.people, refused=one.refused + refused)


def _check_codes(found: ClassResult) -> None:
    codes = [one.person for one in found.people]
    repeated = next((code for code in codes if codes.count(code) > 1), None)
    if repeated is not None:
        raise RunSheetError(
            f"the code {repeated} is used in two runs. Give each person a code of their own."
        )


# Text


def claims_text(result: ClaimsResult) -> str:
    """Return one person's check as plain text: a line a figure, the first departure first."""
    lines = [f"{result.person}: {_verdict(result)}"]
    for claim in result.claims:
        lines += ["", claim.title]
        for step in claim.steps:
            lines.append(f"  {step.label}: {step.written}  {step.sentence}")
    return "\n".join(lines)


def _verdict(result: ClaimsResult) -> str:
    first = result.first
    if first is None:
        return "no figure departs"
    claim, step = first
    return f"departs first at {step.label} of {claim.title}. {step.sentence}"


def class_text(result: ClassResult) -> str:
    """Return a class as plain text: a line a person, then the commonest slips."""
    lines = []
    for one in result.people:
        first = one.first
        if first is None:
            lines.append(f"{one.person:<8} all follow")
            continue
        claim, step = first
        factor = f"factor {plain_factor(step.factor)}, " if math.isfinite(step.factor) else ""
        more = len(one.departures) - 1
        tail = f"; {more} more" if more else ""
        lines.append(f"{one.person:<8} {claim.title}: {step.label}, {factor}{step.slip}{tail}")
    for file, reason in result.refused:
        lines.append(f"{file}: not checked. {reason}")
    commonest = result.commonest()
    if commonest:
        lines += ["", "Commonest slips:"]
        lines += [f"  {count} x {code}" for code, count in commonest]
    return "\n".join(lines)
