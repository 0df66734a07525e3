"""Numbers of one print form, such as 0.1234, converted all at once.

A file of a thousand samples holds hundreds of thousands of numbers with the
same count of decimals. Their digits are gathered as whole numbers and divided
once by a power of ten. Both are exact in double precision (below 2**53 and
10**22), so the quotient is rounded once and equals Python's ``float`` of the
print (Clinger, "How to read floating point numbers accurately", 1990; from
memory, and checked against ``float`` in the tests).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

FEWEST_CELLS = 20_000
"""With fewer numbers the usual way is as fast."""
_CELLS_AT_ONCE = 16_384
"""Pieces this small stay in the processor's cache."""
_MOST_DECIMALS = 11
_MOST_WHOLE_DIGITS = 4
_NEW_LINE, _MINUS, _POINT, _ZERO = b"\n-.0"


def read_fixed(rows: list[str], separator: str) -> NDArray[np.float64] | None:
    """Convert rows whose cells, but for the first of each, have one count of decimals.

    Parameters
    ----------
    rows : list of str
    separator : str
        One ASCII character.

    Returns
    -------
    ndarray, shape (n_rows, n_columns), or None
        None when any cell has another form.
    """
    last = rows[0].rpartition(separator)[2]
    decimals = len(last) - last.find(".") - 1
    first = _first_cells(rows, separator)
    if first is None or "." not in last or not 1 <= decimals <= _MOST_DECIMALS:
        return None
    n_columns = rows[0].count(separator) + 1
    values = np.empty((len(rows), n_columns))
    values[:, 0] = first
    height = max(1, _CELLS_AT_ONCE // n_columns)
    for top in range(0, len(rows), height):
        some = rows[top : top + height]
        cells = _convert_rows(some, separator, n_columns, decimals)
        if cells is None:
            return None
        values[top : top + height, 1:] = cells.reshape(len(some), n_columns - 1)
    return values


def _convert_rows(
    rows: list[str], separator: str, n_columns: int, decimals: int
) -> NDArray[np.float64] | None:
    """Convert all cells but the first of each row; the rows must all have `n_columns`."""
    text = "\n".join(rows) + "\n"
    if not text.isascii():
        return None
    letters = np.frombuffer(text.encode("ascii"), dtype=np.uint8)
    ends = np.flatnonzero((letters == ord(separator)) | (letters == _NEW_LINE))
    if ends.size != len(rows) * n_columns:
        return None
    grid = ends.reshape(len(rows), n_columns)
    if (letters[grid[:, -1]] != _NEW_LINE).any():
        return None
    return _convert(letters, grid[:, :-1].ravel() + 1, grid[:, 1:].ravel(), decimals)


def _first_cells(rows: list[str], separator: str) -> NDArray[np.float64] | None:
    try:
        return np.loadtxt(
            [row[: row.index(separator)] for row in rows], comments=None, dtype=np.float64, ndmin=1
        )
    except ValueError:
        return None


def _convert(
    letters: NDArray[np.uint8], starts: NDArray[np.intp], stops: NDArray[np.intp], decimals: int
) -> NDArray[np.float64] | None:
    """Convert the cells between starts and stops, or return None for another form."""
    spare = stops - starts - (decimals + 2)  # letters before the last whole digit
    at = stops - (decimals + 2)
    if spare.min() < 0 or spare.max() > _MOST_WHOLE_DIGITS:
        return None
    if (letters[at + 1] != _POINT).any():
        return None
    whole: NDArray[Any] = np.zeros(starts.size, dtype=np.int64)
    if decimals + 1 + _MOST_WHOLE_DIGITS < 10:  # half the memory to move
        whole = whole.astype(np.int32)
    for offset in (0, *range(2, decimals + 2)):
        digit = letters[at + offset] - np.uint8(_ZERO)  # anything below "0" wraps to above 9
        if digit.max() > 9:
            return None
        whole *= 10
        whole += digit
    longer = np.flatnonzero(spare)
    minus = letters[starts[longer]] == _MINUS
    n_digits = spare[longer] - minus
    for place in range(1, int(n_digits.max(initial=0)) + 1):
        chosen = longer[n_digits >= place]
        digit = letters[at[chosen] - place] - np.uint8(_ZERO)
        if digit.max() > 9:
            return None
        whole[chosen] += digit.astype(whole.dtype) * 10 ** (decimals + place)
    values: NDArray[np.float64] = whole / 10.0**decimals
    values[longer[minus]] *= -1.0
    return values
