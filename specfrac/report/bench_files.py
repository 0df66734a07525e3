"""Bench work as files: a qualification, a checked class, each whole or not at all."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from specfrac.qualify.files import RECORD_NAME
from specfrac.records import csv_bytes, json_bytes, write_files
from specfrac.report.bench_page import class_page
from specfrac.report.qualification import qualification_page

if TYPE_CHECKING:
    from specfrac.claims import ClassResult
    from specfrac.qualify import QualificationResult

FORMAT = 1


def write_qualification(result: QualificationResult, folder: str | Path) -> tuple[Path, ...]:
    """Write the record, the table and the page of a qualification.

    Parameters
    ----------
    result : QualificationResult
    folder : path
        Made when missing. Files of the same name are replaced.

    Returns
    -------
    tuple of Path
        ``qualification.json``, ``qualification.csv``, ``qualification.html``.
    """
    contents = {
        RECORD_NAME: json_bytes(result.record()),
        "qualification.csv": csv_bytes(result.to_frame()),
        "qualification.html": qualification_page(result).encode(),
    }
    return write_files(folder, contents)


def write_class(found: ClassResult, folder: str | Path) -> tuple[Path, ...]:
    """Write the check of a class: record, tables of people, steps and slips, and a page.

    Parameters
    ----------
    found : ClassResult
    folder : path
        Made when missing. Files of the same name are replaced.

    Returns
    -------
    tuple of Path
        ``claims.json``, ``people.csv``, ``steps.csv``, ``slips.csv``, ``claims.html``.
    """
    contents = {
        "claims.json": json_bytes({"format": FORMAT, **found.record()}),
        "people.csv": csv_bytes(found.people_frame()),
        "steps.csv": csv_bytes(found.steps_frame()),
        "slips.csv": csv_bytes(found.slips_frame()),
        "claims.html": class_page(found).encode(),
    }
    return write_files(folder, contents)
