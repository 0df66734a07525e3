"""Reading the records of analysed runs, one at a time and reduced at once."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

from specfrac.compare.measures import InputDigest, RunSummary, summarise_run
from specfrac.errors import InputError

RECORD_NAME = "result.json"
RESULTS_FOLDER = "specfrac-results"


def read_record(path: str | Path) -> RunSummary:
    """Read the record of an analysed run.

    Parameters
    ----------
    path : path
        A ``result.json``, the folder that holds it, or the folder of a run whose results
        lie in its ``specfrac-results``.

    Returns
    -------
    RunSummary
        What a comparison needs; the record itself is let go, so that many runs take
        little memory.

    Raises
    ------
    InputError
        If there is no record, or it cannot be read; the message names the file.
    """
    given = Path(path)
    file = _record_file(given)
    try:
        content = file.read_bytes()
    except OSError as error:
        raise InputError(f"{file}: cannot be read ({error.strerror}).") from None
    try:
        record = json.loads(content)
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as error:
        raise InputError(
            f"{file}: this is not JSON ({error}). Analyse the run again: specfrac analyse RUN."
        ) from None
    name, inside = _name(file)
    digest = InputDigest(inside, hashlib.sha256(content).hexdigest())
    try:
        return summarise_run(record, name=name, inputs=(digest,))
    except InputError as error:
        message = str(error)
        raise InputError(message.replace(f"{name}: ", f"{file}: ", 1)) from None
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(
            f"{file}: the record is damaged ({type(error).__name__}: {error}). "
            "Analyse the run again: specfrac analyse RUN."
        ) from None


def _record_file(given: Path) -> Path:
    if given.is_file():
        return given
    if not given.is_dir():
        raise InputError(f"{given}: there is no such file or folder. Give the folder of a run.")
    for candidate in (given / RECORD_NAME, given / RESULTS_FOLDER / RECORD_NAME):
        if candidate.is_file():
            return candidate
    raise InputError(
        f"{given}: the folder holds no {RECORD_NAME}. Analyse the run first: "
        f"specfrac analyse {given}."
    )


def _name(file: Path) -> tuple[str, str]:
    """Return what to call the run, and the path of the record from there."""
    folder = file.resolve().parent
    if folder.name == RESULTS_FOLDER:
        return folder.parent.name, f"{folder.parent.name}/{RESULTS_FOLDER}/{file.name}"
    return folder.name, f"{folder.name}/{file.name}"
