"""What a qualification reports: numbers against limits, and the outcome."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from specfrac.flags import Flag
from specfrac.settings import Settings

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

KINDS = (
    "wavelength",
    "absorbance",
    "stray-light",
    "resolution",
    "noise",
    "drift",
    "baseline",
    "linearity",
)
SETS: Mapping[str, tuple[str, ...]] = {
    "full": KINDS,
    # a simple visible instrument: lamp lines, blank, and a dye diluted in steps
    "visible": ("wavelength", "noise", "baseline", "linearity"),
}


@dataclass(frozen=True, slots=True)
class CheckRow:
    """One number of a check against its limit.

    Attributes
    ----------
    name : str
    expected, found : float
        NaN where only a limit exists.
    difference : float
        What is compared with the limit.
    limit : float
    unit : str
    passed : bool or None
        None when it cannot be told.
    status : str
        Of the reference value; ``""`` where the row needs none.
    note : str
    """

    name: str
    expected: float
    found: float
    difference: float
    limit: float
    unit: str
    passed: bool | None
    status: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Check:
    """One kind of check with its numbers.

    Attributes
    ----------
    kind, standard : str
    rows : tuple of CheckRow
    sentence : str
    source : str
        Of the reference values.
    x, y, line : ndarray
        For the drawing: abscissa, readings, and what was expected there.
    x_label, y_label : str
    """

    kind: str
    standard: str
    rows: tuple[CheckRow, ...]
    sentence: str
    source: str = ""
    x: Array = field(default_factory=lambda: np.array([]))
    y: Array = field(default_factory=lambda: np.array([]))
    line: Array = field(default_factory=lambda: np.array([]))
    x_label: str = ""
    y_label: str = ""

    @property
    def passed(self) -> bool | None:
        """False when a row failed, None when nothing could be told, else True."""
        states = [row.passed for row in self.rows]
        if False in states:
            return False
        return True if True in states else None


@dataclass(frozen=True, slots=True, eq=False)
class QualificationResult:
    """All checks of one day on one instrument.

    Attributes
    ----------
    instrument : str
    date : str or None
        ISO 8601.
    set_name : str
        Which checks belong to it, ``"full"`` or ``"visible"``.
    checks : tuple of Check
    limits : Settings
    flags : tuple of Flag
    """

    instrument: str
    date: str | None
    set_name: str
    checks: tuple[Check, ...]
    limits: Settings
    flags: tuple[Flag, ...]

    def _repr_html_(self) -> str:
        """Show the qualification in a notebook."""
        from specfrac.report import qualification_fragment

        return qualification_fragment(self)

    @property
    def missing(self) -> tuple[str, ...]:
        """Kinds of the set that were not checked."""
        done = {check.kind for check in self.checks if check.passed is not None}
        return tuple(kind for kind in SETS[self.set_name] if kind not in done)

    @property
    def failed(self) -> tuple[Check, ...]:
        """Checks with a failed row."""
        return tuple(check for check in self.checks if check.passed is False)

    @property
    def passed(self) -> bool:
        """True when something was checked and nothing failed."""
        return not self.failed and any(check.passed for check in self.checks)

    @property
    def sentence(self) -> str:
        """The outcome in words."""
        if self.failed:
            words = f"Failed: {', '.join(dict.fromkeys(c.kind for c in self.failed))}."
        elif self.passed:
            words = "All that was checked passes."
        else:
            words = "Nothing could be checked."
        if self.missing:
            words += f" Not checked: {', '.join(self.missing)}."
        return words

    def to_frame(self) -> pd.DataFrame:
        """Return a row a number."""
        import pandas as pd

        return pd.DataFrame([_row(check, row) for check in self.checks for row in check.rows])

    def record(self) -> dict[str, Any]:
        """Return the qualification as plain data for JSON."""
        return {
            "format": 1,
            "instrument": self.instrument,
            "date": self.date,
            "set": self.set_name,
            "passed": self.passed,
            "failed": [check.kind for check in self.failed],
            "missing": list(self.missing),
            "sentence": self.sentence,
            "checks": [
                {
                    "kind": check.kind,
                    "standard": check.standard,
                    "passed": check.passed,
                    "sentence": check.sentence,
                    "source": check.source,
                    "rows": [_row(check, row) for row in check.rows],
                }
                for check in self.checks
            ],
            "limits": self.limits.as_dict(),
            "flags": [flag.as_dict() for flag in self.flags],
        }


def _row(check: Check, row: CheckRow) -> dict[str, Any]:
    return {
        "check": check.kind,
        "standard": check.standard,
        "name": row.name,
        "expected": row.expected,
        "found": row.found,
        "difference": row.difference,
        "limit": row.limit,
        "unit": row.unit,
        "passed": row.passed,
        "reference_status": row.status,
        "note": row.note,
    }
