"""The errors specfrac raises, and how it names the nearest known word.

Every message says where, which rule was broken by which value, and what to do.
Each class is also the builtin a caller would expect, so ``except ValueError``
keeps working.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class SpecfracError(Exception):
    """Base of every error specfrac raises on purpose."""


class InputError(SpecfracError, ValueError):
    """A value given by the caller cannot be right."""


class ScanFileError(InputError):
    """A scan file cannot be read, or its content breaks a rule."""


class RunSheetError(InputError):
    """A run sheet cannot be read, or an entry breaks a rule."""


class FitError(InputError):
    """A scan cannot be fitted, for instance because too few points are usable."""


class ReferenceNotFoundError(SpecfracError, LookupError):
    """The library holds no reference for this pigment in this solvent."""

    def __str__(self) -> str:
        # LookupError's own __str__ of a single argument is fine; KeyError's quotes it.
        return str(self.args[0]) if self.args else ""


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return a sentence naming the nearest known words, or all of them.

    Parameters
    ----------
    word : str
        What was given.
    known : iterable of str
        What would have been understood.

    Returns
    -------
    str
        ``"Did you mean 'hexane'?"`` when something is near, otherwise
        ``"Known: ..."``.

    Examples
    --------
    >>> did_you_mean("hexan", ["hexane", "acetone"])
    "Did you mean 'hexane'?"
    """
    choices = sorted(set(known))
    near = difflib.get_close_matches(word.lower(), choices, n=2, cutoff=0.6)
    if near:
        return "Did you mean " + " or ".join(f"'{name}'" for name in near) + "?"
    return "Known: " + ", ".join(choices) + "."
