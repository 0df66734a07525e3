"""The run sheet: a folder with ``run.toml`` (or ``run.csv``) and scans becomes a `Run`."""

from specfrac.sheet.reading import (
    SHEET_NAME,
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
    "Fraction",
    "InputFile",
    "Run",
    "TubeScan",
    "new_sheet",
    "read_run",
    "write_new_sheet",
]
