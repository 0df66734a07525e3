"""Limits and settings of the bench work: plates, planning, qualification, worked figures.

They are data, ``bench.csv`` and ``qualification_limits.csv``, each number with its
source and the range a user may set it to.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache

from specfrac.errors import InputError, did_you_mean
from specfrac.references import read_table
from specfrac.settings import Limit, Settings

BENCH = "bench.csv"
QUALIFICATION = "qualification_limits.csv"

RISING = (
    ("plate_resolution_acceptable", "plate_resolution_clean"),
    ("plate_choice_rf_low", "plate_choice_rf_high"),
    ("plate_slowest_rf", "plate_fastest_rf"),
    ("plan_absorbance_low", "plan_absorbance_aim"),
    ("plan_absorbance_aim", "plan_absorbance_high"),
    ("plan_extraction_low", "plan_extraction_high"),
    ("claims_dry_matter_low", "claims_dry_matter_high"),
)
"""Pairs of settings of which the second must not be below the first."""


@lru_cache(maxsize=2)
def _defaults(table: str) -> Settings:
    return Settings(
        {
            row["key"]: Limit(
                row["key"],
                float(row["value"]),
                row["unit"],
                float(row["minimum"]),
                float(row["maximum"]),
                row["source"],
                row["note"],
            )
            for row in read_table(table).rows
        }
    )


def bench_settings(changes: Mapping[str, float] | None = None) -> Settings:
    """Return the settings of plates, planning and worked figures, some of them changed.

    Parameters
    ----------
    changes : mapping of str to float, optional

    Returns
    -------
    Settings

    Raises
    ------
    InputError
        If a key is not known, or a value lies outside its range or out of order.

    Examples
    --------
    >>> bench_settings({"plan_absorbance_high": 1.2})["plan_absorbance_high"]
    1.2
    """
    return _changed(BENCH, changes or {})


def qualification_limits(changes: Mapping[str, float] | None = None) -> Settings:
    """Return the limits of an instrument's qualification, some of them changed.

    Parameters and errors as in `bench_settings`.
    """
    return _changed(QUALIFICATION, changes or {})


def _changed(table: str, changes: Mapping[str, float]) -> Settings:
    limits = dict(_defaults(table).limits)
    for key, value in changes.items():
        if key not in limits:
            raise InputError(f"the setting {key!r} is not known. {did_you_mean(key, limits)}")
        limit = limits[key]
        if not limit.minimum <= value <= limit.maximum:
            raise InputError(
                f"{key} is {value:g}, but must lie between {limit.minimum:g} and "
                f"{limit.maximum:g} ({limit.unit})."
            )
        limits[key] = replace(limit, value=value, source="set by the user", changed=True)
    for low, high in RISING:
        if low in limits and limits[low].value > limits[high].value:
            raise InputError(
                f"{low} is {limits[low].value:g}, above {high} = {limits[high].value:g}. "
                "Set both, the second not below the first."
            )
    return Settings(limits)
