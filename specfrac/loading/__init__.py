"""Reading scan files: any layout that a laboratory can hand over becomes scans.

A reader is a module with ``recognises(content)`` and ``read(content)``. The
first one that recognises a file's content reads it; delimited text comes last
and tries everything.
"""

from __future__ import annotations

import os

import numpy as np

from specfrac.errors import ScanFileError
from specfrac.loading import animl, delimited, jcamp, spreadsheet
from specfrac.loading.blocks import Reading, Skipped
from specfrac.loading.content import FileContent, open_content
from specfrac.loading.faults import tamed
from specfrac.loading.ordinate import QUANTITIES, check_quantity
from specfrac.loading.writing import write_csv, write_jcamp
from specfrac.scans import Scan

_LONGEST_MESSAGE = 600

READERS = (spreadsheet, animl, jcamp, delimited)

__all__ = [
    "QUANTITIES",
    "READERS",
    "Reading",
    "Skipped",
    "describe",
    "open_scan_file",
    "read_content",
    "read_scans",
    "write_csv",
    "write_jcamp",
]


def read_scans(
    path: str | os.PathLike[str],
    *,
    quantity: str | None = None,
    encoding: str | None = None,
) -> list[Scan]:
    """Read the scans of a file.

    Layout, separator, decimal mark, encoding and quantity are found from the
    content; each scan's metadata says what was found, its flags what to know.

    Parameters
    ----------
    path : path
    quantity : str, optional
        What the readings are, when the file does not say: "absorbance",
        "milliabsorbance", "percent-transmittance" or "transmittance" (a
        fraction of one).
    encoding : str, optional
        Name of the text's encoding, such as "latin-1".

    Returns
    -------
    list of Scan
        Named by the headings of their columns; a single scan without a name of
        its own takes the file's. Wavelengths in nm, rising; absorbance decadic.

    Raises
    ------
    ScanFileError
        If the file cannot be read, or holds what is no scan; the message says
        where, which rule, and what to do.
    InputError
        If an option is unknown.
    """
    return list(describe(path, quantity=quantity, encoding=encoding).scans)


def describe(
    path: str | os.PathLike[str],
    *,
    quantity: str | None = None,
    encoding: str | None = None,
) -> Reading:
    """Read a file and say how it was understood.

    Takes the parameters of `read_scans` and raises the same errors.

    Returns
    -------
    Reading
        Layout, separator, decimal mark, encoding, header, scans, and what was
        left out with the reason.
    """
    return read_content(open_scan_file(path, quantity=quantity, encoding=encoding))


def open_scan_file(
    path: str | os.PathLike[str],
    *,
    quantity: str | None = None,
    encoding: str | None = None,
) -> FileContent:
    """Return the bytes of a scan file, with what the caller says of it.

    For who needs the bytes too, as for a digest; takes the parameters of `read_scans`.

    Raises
    ------
    ScanFileError
        If the file cannot be opened.
    InputError
        If an option is unknown.
    """
    check_quantity(quantity)
    return open_content(path, encoding=encoding, quantity=quantity)


def read_content(content: FileContent) -> Reading:
    """Read a file that was opened with `open_scan_file`; see `describe`."""
    try:
        with np.errstate(all="ignore"):  # infinities are refused by name
            for reader in READERS:
                if reader.recognises(content):
                    return reader.read(content)
    except ScanFileError as error:  # it may quote a hostile file
        raise ScanFileError(tamed(str(error), _LONGEST_MESSAGE)) from None
    raise ScanFileError(f"{content.name}: no reader knows this content. Export the scan as CSV.")
