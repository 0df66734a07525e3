"""From run folders to written results: one run, or many over the cores there are."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from specfrac import __version__
from specfrac.claims.paths import claims_paths
from specfrac.errors import InputError, SpecfracError
from specfrac.flags import ranked
from specfrac.processes import Died, available_cores, spread
from specfrac.qualify import find_qualification, qualification_flags, qualification_path
from specfrac.records import json_bytes, plain, write_outputs
from specfrac.redo import read_record
from specfrac.references import ReferenceLibrary, load_references
from specfrac.report import report_files, terminal_summary
from specfrac.run import analyse_run
from specfrac.settings import default_settings
from specfrac.sheet import read_run
from specfrac.terminal import undisturbed

if TYPE_CHECKING:
    from specfrac.claims.results import ClassResult
    from specfrac.plates.evidence import PlatesResult
    from specfrac.run import RunResult

RESULTS_FOLDER = "specfrac-results"
RECORD = "result.json"
OUTPUTS = (RECORD, "report.html", "fractions.csv", "pigments.csv")


@dataclass(frozen=True, slots=True)
class RunJob:
    """A run to be analysed.

    Attributes
    ----------
    run : Path
        Its folder, or the sheet in it.
    target : Path
        Where its results go.
    references : Path or None
        Folder of the user's own references.
    """

    run: Path
    target: Path
    references: Path | None = None

    @property
    def folder(self) -> Path:
        """Folder of the run."""
        return self.run.parent if self.run.is_file() else self.run


@dataclass(frozen=True, slots=True)
class RunOutcome:
    """What became of a run.

    Attributes
    ----------
    job : RunJob
    written : bool
        True when the results stand in the target and are whole.
    summary : str
        What to print of it; empty when it failed or was up to date.
    problem : str
        Why it failed; empty otherwise.
    """

    job: RunJob
    written: bool
    summary: str = ""
    problem: str = ""


def run_jobs(
    runs: Sequence[str | Path],
    *,
    out: str | Path | None = None,
    references: str | Path | None = None,
) -> tuple[RunJob, ...]:
    """Return where the results of each run go.

    Parameters
    ----------
    runs : sequence of path
        Run folders, or sheets in them; one that is given again counts once.
    out : path, optional
        With one run the folder of its results; with several a folder that gets one for
        each. Default: ``specfrac-results`` inside each run.
    references : path, optional

    Returns
    -------
    tuple of RunJob
        In the order given.

    Raises
    ------
    InputError
        If the results of two runs would go to the same place.
    """
    given: dict[Path, Path] = {}
    for run in map(Path, runs):
        given.setdefault(run.resolve(), run)
    own = None if references is None else Path(references)
    jobs = [RunJob(run, _target(run, out, alone=len(given) == 1), own) for run in given.values()]
    places: dict[Path, RunJob] = {}
    for job in jobs:
        other = places.setdefault(job.target.resolve(), job)
        if other is not job:
            raise InputError(
                f"{job.target}: the results of {other.run} and {job.run} would both be written "
                "there. Rename one, or analyse them one after the other with an --out each."
            )
    return tuple(jobs)


def _target(run: Path, out: str | Path | None, *, alone: bool) -> Path:
    folder = run.parent if run.is_file() else run
    if out is None:
        return folder / RESULTS_FOLDER
    return Path(out) if alone else Path(out) / folder.resolve().name


def write_run(job: RunJob, library: ReferenceLibrary | None = None) -> str:
    """Read a run, analyse it, and write record, tables, figures and page, all or nothing.

    Parameters
    ----------
    job : RunJob
    library : ReferenceLibrary, optional
        Default: the built-in one, with the job's own references.

    Returns
    -------
    str
        The summary to print.

    Raises
    ------
    SpecfracError
        If the run cannot be read or its results not be written.
    """
    library = load_references(job.references) if library is None else library
    beside = _digests(_beside(job))
    result = analyse_run(read_run(job.run, library=library), library)
    plates = _plates(result, library) if result.run.plates else None
    claims = _claims(result, library) if claims_paths(result.run.folder) else None
    # the record holds what the run's own inputs say; the report also what lies beside them
    instrument = qualification_flags(find_qualification(job.folder), run_date=result.run.date)
    shown = replace(
        result, flags=ranked([*result.flags, *instrument, *(plates.flags if plates else ())])
    )
    more = report_files(shown, plates=plates, claims=claims)
    if beside:
        # so that a comparison can tell runs of an instrument that failed its check
        told = [flag.as_dict() for flag in instrument]
        more[RECORD] = json_bytes({**result.record(), "beside": beside, "instrument": told})
    with undisturbed():
        write_outputs(result, job.target, more=more)
    return terminal_summary(shown)


def _plates(result: RunResult, library: ReferenceLibrary) -> PlatesResult:
    from specfrac.plates.evidence import analyse_plates  # takes a while, and few runs have plates

    return analyse_plates(result, library)


def _claims(result: RunResult, library: ReferenceLibrary) -> ClassResult:
    from specfrac.claims.files import check_run_claims  # takes a while too

    return check_run_claims(result, library=library)


def analyse_runs(
    jobs: Sequence[RunJob],
    *,
    workers: int | None = None,
    again: bool = False,
    stop: Callable[[], bool] = lambda: False,
) -> Iterator[tuple[int, RunOutcome]]:
    """Analyse many runs and write their results, over the cores there are.

    A run that fails costs the others nothing. One whose results are up to date is passed
    over, so that work that was stopped can be taken up again.

    Parameters
    ----------
    jobs : sequence of RunJob
    workers : int, optional
        Processes, each with one thread; default: one a core. With 1 the runs are analysed
        in this process. A script that asks for more must guard its own start with
        ``if __name__ == "__main__":``.
    again : bool
        True analyses also what is up to date.
    stop : callable, optional
        Asked before a run is begun; once it says True no other is.

    Yields
    ------
    tuple of int and RunOutcome
        Position of the job and what became of it, in the order they become ready.

    Raises
    ------
    InputError
        If there is less than one worker, or the user's references break a rule.
    """
    workers = available_cores() if workers is None else workers
    if workers < 1:
        raise InputError(f"{workers} workers were asked for, but it takes at least 1.")
    due = []
    libraries = {own: load_references(own) for own in {job.references for job in jobs}}
    for position, job in enumerate(jobs):
        if not again and is_up_to_date(job, libraries[job.references]):
            yield position, RunOutcome(job, written=True)
        else:
            due.append(position)
    chosen = [jobs[position] for position in due]
    if workers == 1:
        done: Iterator[tuple[int, RunOutcome | Died]] = _one_by_one(chosen, stop)
    else:
        done = spread(_outcome, chosen, workers=workers, stop=stop)
    for number, found in done:
        yield due[number], _died(chosen[number]) if isinstance(found, Died) else found


def _one_by_one(
    jobs: Sequence[RunJob], stop: Callable[[], bool]
) -> Iterator[tuple[int, RunOutcome]]:
    for position, job in enumerate(jobs):
        if stop():
            return
        yield position, _outcome(job)


def _outcome(job: RunJob) -> RunOutcome:
    try:
        return RunOutcome(job, written=True, summary=write_run(job))
    except SpecfracError as error:
        return RunOutcome(job, written=False, problem=str(error))
    except Exception as error:  # whatever it is, the other runs are not to pay for it
        fault = f"{type(error).__name__}: {error}"
        message = f"{job.run}: specfrac itself failed ({fault}). Please report it with this run."
        return RunOutcome(job, written=False, problem=message)


def _died(job: RunJob) -> RunOutcome:
    message = (
        f"{job.run}: its process ended before it had a result, twice. It may take more memory "
        "than there is: try it alone, with --workers 1."
    )
    return RunOutcome(job, written=False, problem=message)


# Up to date?


def is_up_to_date(job: RunJob, library: ReferenceLibrary) -> bool:
    """Say whether a run's results are there and an analysis now would give them again.

    True when record, page and tables exist and the record was made by this version of
    specfrac and of the library, with these settings, from files with these contents.
    Tables and page themselves are not compared.
    """
    if not all((job.target / name).is_file() for name in OUTPUTS):
        return False
    try:
        record = read_record(job.target / RECORD)
    except InputError:  # no record of ours
        return False
    made_by = (record.get("specfrac_version"), record.get("library_version"))
    return (
        made_by == (__version__, library.version)
        and _default_settings_hold(record)
        and _inputs_hold(record.get("inputs"), job.folder)
        and record.get("beside", []) == _digests(_beside(job))
    )


def _inputs_hold(inputs: Any, folder: Path) -> bool:
    if not isinstance(inputs, list) or not inputs:
        return False
    names = [str(one.get("path")) for one in inputs if isinstance(one, dict)]
    return bool(inputs == _digests({name: folder / name for name in names}))


def _default_settings_hold(record: Mapping[str, Any]) -> bool:
    """True when what the sheet does not set (the sheet is an input) has the value of today."""
    recorded, run = record.get("settings"), record.get("run")
    if not isinstance(recorded, dict) or not isinstance(run, dict):
        return False
    today = plain(default_settings().as_dict())
    changed = {key: recorded.get(key) for key in run.get("settings_changed", ()) if key in today}
    return bool(recorded == {**today, **changed})


def _beside(job: RunJob) -> dict[str, Path]:
    """Return what the page tells of besides the inputs: figures worked by hand, the
    instrument's qualification, the user's own references."""
    found = {path.relative_to(job.folder).as_posix(): path for path in claims_paths(job.folder)}
    qualification = qualification_path(job.folder)
    if qualification is not None:
        found[f"qualification/{qualification.name}"] = qualification
    if job.references is not None:
        found |= {f"references/{p.name}": p for p in sorted(Path(job.references).glob("*.toml"))}
    return found


def _digests(paths: Mapping[str, Path]) -> list[dict[str, str | None]]:
    return [{"path": name, "sha256": _sha256(path)} for name, path in paths.items()]


def _sha256(path: Path) -> str | None:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:  # gone or locked: as good as changed
        return None
