"""Whether the last line of a file was cut off.

A file cut in the middle of a number reads like a whole one: "0.1234" becomes
"0.12". Where a file ends without a line end, its last row is kept only if the
last number is as long as its column's numbers are; otherwise it is dropped.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

_FEWEST = 3
_LONGEST = 80
_FORM = re.compile(r"[+-]?[0-9]*([.,]?)([0-9]*)(?:[eEdD][+-]?([0-9]+))?")


def is_whole(last: str, others: Sequence[str]) -> bool:
    """Whether the last number of a file can be trusted not to be cut.

    True only if cutting any number of the column would show: the last one has
    as many decimals as the longest other, and an exponent if others have one.

    Parameters
    ----------
    last : str
        The last cell of the file.
    others : sequence of str
        The cells above it.

    Examples
    --------
    >>> is_whole("0.12", 5 * ["0.1234"]), is_whole("0.1200", 5 * ["0.1234"])
    (False, True)
    """
    match = _FORM.fullmatch(last.strip()) if len(last) <= _LONGEST else None
    if match is None or not match[1] or not match[2]:
        return False
    forms = [
        form
        for form in map(_FORM.fullmatch, (other.strip()[:_LONGEST] for other in others))
        if form
    ]
    if len(forms) < _FEWEST:
        return False
    exponents = {len(form[3]) for form in forms if form[3]}
    if match[3] is None:
        return not exponents and len(match[2]) >= max(len(form[2]) for form in forms)
    return exponents == {len(match[3])}
