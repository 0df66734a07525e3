"""Limits and settings of the bench work: plates, planning, qualification, worked figures.

They are data, ``bench.csv`` and ``qualification_limits.csv``, each number with its
source and the range a user may set it to.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

from specfrac.settings import Settings, read_settings, with_changes

RISING = (
    ("plate_resolution_acceptable", "plate_resolution_clean"),
    ("plate_choice_rf_low", "plate_choice_rf_high"),
    ("plate_slowest_rf", "plate_fastest_rf"),
    ("plan_absorbance_low", "plan_absorbance_aim"),
    ("plan_absorbance_aim", "plan_absorbance_high"),
    ("plan_extraction_low", "plan_extraction_high"),
    ("claims_dry_matter_low", "claims_dry_matter_high"),
)
"""Pairs of settings of the bench of which the second must not be below the first."""

SOURCE = "set by the user"


@lru_cache(maxsize=1)
def _bench() -> Settings:
    return read_settings("bench.csv")


@lru_cache(maxsize=1)
def _qualification() -> Settings:
    return read_settings("qualification_limits.csv")


def bench_settings(changes: Mapping[str, float] | None = None) -> Settings:
    """Return the settings of plates, planning and worked figures, some of them changed.

    Parameters and errors as in `specfrac.settings.with_changes`.

    Examples
    --------
    >>> bench_settings({"plan_absorbance_high": 1.2})["plan_absorbance_high"]
    1.2
    """
    return with_changes(_bench(), changes or {}, source=SOURCE, rising=RISING)


def qualification_limits(changes: Mapping[str, float] | None = None) -> Settings:
    """Return the limits of an instrument's qualification, some of them changed.

    Parameters and errors as in `specfrac.settings.with_changes`.
    """
    return with_changes(_qualification(), changes or {}, source=SOURCE, rising=())
