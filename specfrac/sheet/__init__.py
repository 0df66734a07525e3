"""The run sheet: a folder with ``run.toml`` (``run.csv``, ``run.xlsx``) becomes a `Run`."""

from specfrac.sheet.reading import (
    SHEET_NAME,
    SHEET_NAMES,
    Fraction,
    InputFile,
    Run,
    TubeScan,
    new_sheet,
    read_run,
    write_new_sheet,
)

__all__ = [
    "SHEET_NAME",
    "SHEET_NAMES",
    "Fraction",
    "InputFile",
    "Run",
    "TubeScan",
    "new_sheet",
    "read_run",
    "write_new_sheet",
]
