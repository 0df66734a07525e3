"""Reference values for checking an instrument, each with source and standing."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from specfrac.errors import InputError, did_you_mean
from specfrac.references import read_table


@dataclass(frozen=True, slots=True)
class Reference:
    """One reference value of a standard.

    Attributes
    ----------
    check, standard, name : str
    wavelength, second_wavelength : float
        nm; the second NaN where there is none.
    bandwidth, concentration : float
        nm and mg/L it belongs to; NaN where it depends on neither.
    value, low, high : float
    uncertainty : float
        Standard uncertainty in nm of a position.
    source, status, note : str
        Status is ``"second-hand"``, ``"memory"`` or ``"certificate"``.
    """

    check: str
    standard: str
    name: str
    wavelength: float
    second_wavelength: float
    bandwidth: float
    concentration: float
    value: float
    low: float
    high: float
    uncertainty: float
    source: str
    status: str
    note: str


@lru_cache(maxsize=1)
def reference_values() -> tuple[Reference, ...]:
    """Return every reference value of the data file."""
    return tuple(
        Reference(
            row["check"],
            row["standard"],
            row["name"],
            _number(row["wavelength_nm"]),
            _number(row["second_wavelength_nm"]),
            _number(row["bandwidth_nm"]),
            _number(row["concentration_mg_per_L"]),
            _number(row["value"]),
            _number(row["low"]),
            _number(row["high"]),
            _number(row["uncertainty"]),
            row["source"],
            row["status"],
            row["note"],
        )
        for row in read_table("qualification.csv").rows
    )


def _number(text: str) -> float:
    return float(text) if text else math.nan


def standards(check: str) -> tuple[str, ...]:
    """Return the standards known for a kind of check."""
    return tuple(dict.fromkeys(one.standard for one in reference_values() if one.check == check))


def references_of(check: str, standard: str) -> tuple[Reference, ...]:
    """Return the reference values of a standard.

    Raises
    ------
    InputError
        If none are known for this kind of check.
    """
    found = tuple(
        one for one in reference_values() if (one.check, one.standard) == (check, standard)
    )
    if not found:
        raise InputError(
            f"no reference values of {standard!r} for the check of {check}. "
            f"{did_you_mean(standard, standards(check))}"
        )
    return found


def reference_positions(standard: str, bandwidth: float | None = None) -> tuple[Reference, ...]:
    """Return the band or line positions of a wavelength standard.

    Positions that depend on the spectral bandwidth are interpolated.

    Parameters
    ----------
    standard : str
    bandwidth : float, optional
        nm; needed for a standard tabulated by bandwidth.

    Raises
    ------
    InputError
        If the standard is not known, or its positions need a bandwidth within the table.

    Examples
    --------
    >>> found = reference_positions("holmium-perchlorate-by-bandwidth", 1.5)
    >>> round(found[8].wavelength, 2)
    416.45
    """
    rows = references_of("wavelength", standard)
    by_name: dict[str, list[Reference]] = {}
    for one in rows:
        by_name.setdefault(one.name, []).append(one)
    if not any(math.isfinite(one.bandwidth) for one in rows):
        return rows
    widths = sorted({one.bandwidth for one in rows})
    if bandwidth is None or not widths[0] <= bandwidth <= widths[-1]:
        raise InputError(
            f"the positions of {standard} depend on the bandwidth: give one within "
            f"{widths[0]:g} to {widths[-1]:g} nm, or take a standard without a table."
        )
    found = []
    for same in by_name.values():
        place = float(
            np.interp(bandwidth, [one.bandwidth for one in same], [one.wavelength for one in same])
        )
        found.append(replace(same[0], wavelength=place, bandwidth=bandwidth))
    return tuple(found)
