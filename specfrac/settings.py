"""Limits and settings of a run, and the uncertainties that stand in for unknown ones.

All of them are data: ``plausibility.csv`` and ``glassware.csv`` in the reference
data, each number with its source and what it is for.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from types import MappingProxyType

from specfrac.errors import InputError, did_you_mean
from specfrac.fitting.error_model import LINEAR_LIMIT
from specfrac.references import read_table

RISING = (
    ("share_usable", "share_good"),
    ("closure_low", "closure_note_low"),
    ("closure_note_high", "closure_high"),
)
"""Pairs of settings of which the second must not be below the first."""


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit or setting, with where it comes from.

    Attributes
    ----------
    key : str
        What ``[settings]`` of a run sheet calls it.
    value : float
    unit : str
    minimum, maximum : float
        The range a sheet may set it to.
    source : str
        ``"[J]"`` marks a working judgement, ``"[S]"`` a source that was read,
        ``"[M]"`` memory.
    note : str
        What it is for.
    changed : bool
        True when the sheet set it.
    """

    key: str
    value: float
    unit: str
    minimum: float
    maximum: float
    source: str
    note: str
    changed: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Settings:
    """Limits and settings of a run; ``settings["closure_low"]`` is the number."""

    limits: Mapping[str, Limit]

    def __post_init__(self) -> None:
        object.__setattr__(self, "limits", MappingProxyType(dict(self.limits)))

    def __getitem__(self, key: str) -> float:
        return self.limits[key].value

    def as_dict(self) -> dict[str, float]:
        """Return every setting by key, in the order of the data file."""
        return {key: limit.value for key, limit in self.limits.items()}


def read_settings(table: str) -> Settings:
    """Return the limits of a table of the reference data; a blank value is NaN."""
    return Settings(
        {
            row["key"]: Limit(
                row["key"],
                float(row["value"] or "nan"),
                row["unit"],
                float(row["minimum"]),
                float(row["maximum"]),
                row["source"],
                row["note"],
            )
            for row in read_table(table).rows
        }
    )


def with_changes(
    settings: Settings,
    changes: Mapping[str, float],
    *,
    source: str,
    rising: Iterable[tuple[str, str]],
) -> Settings:
    """Return settings with some of them changed.

    Parameters
    ----------
    settings : Settings
    changes : mapping of str to float
    source : str
        Who changed them.
    rising : iterable of tuple of str
        Pairs of keys of which the second must not be below the first.

    Returns
    -------
    Settings

    Raises
    ------
    InputError
        If a key is not known, or a value lies outside its range or out of order.
    """
    limits = dict(settings.limits)
    for key, value in changes.items():
        if key not in limits:
            raise InputError(f"the setting {key!r} is not known. {did_you_mean(key, limits)}")
        limit = limits[key]
        if not limit.minimum <= value <= limit.maximum:
            raise InputError(
                f"{key} is {value:g}, but must lie between {limit.minimum:g} and "
                f"{limit.maximum:g} ({limit.unit})."
            )
        limits[key] = replace(limit, value=value, source=source, changed=True)
    for low, high in rising:
        if limits[low].value > limits[high].value:
            raise InputError(
                f"{low} is {limits[low].value:g}, above {high} = {limits[high].value:g}. "
                "Set both, the second not below the first."
            )
    return Settings(limits)


@lru_cache(maxsize=1)
def default_settings() -> Settings:
    """Return the limits of ``plausibility.csv``.

    The linear limit of the fit has its number in the error model of the fit.
    """
    limits = dict(read_settings("plausibility.csv").limits)
    limits["linear_limit"] = replace(limits["linear_limit"], value=LINEAR_LIMIT)
    return Settings(limits)


def changed_settings(changes: Mapping[str, float]) -> Settings:
    """Return the default settings with some of them changed by a run sheet.

    Parameters and errors as in `with_changes`.

    Examples
    --------
    >>> changed_settings({"closure_low": 0.6})["closure_low"]
    0.6
    """
    return with_changes(default_settings(), changes, source="run sheet", rising=RISING)


@lru_cache(maxsize=1)
def _glassware() -> Mapping[str, tuple[str, float]]:
    rows = read_table("glassware.csv").rows
    return MappingProxyType(
        {row["field"]: (row["kind"], float(row["standard_uncertainty"])) for row in rows}
    )


def assumed_uncertainty(key: str, value: float) -> float:
    """Return the standard uncertainty that stands in when a sheet gives none.

    Parameters
    ----------
    key : str
        As in the sheet, e.g. ``"made_up_volume_ml"``.
    value : float
        In the unit of the key. A dilution factor of exactly 1 means that nothing
        was diluted, and has no uncertainty.

    Returns
    -------
    float
        From ``glassware.csv``.

    Examples
    --------
    >>> assumed_uncertainty("made_up_volume_ml", 5.0)
    0.05
    """
    if key == "dilution_factor" and value == 1:
        return 0.0
    kind, size = _glassware()[key]
    return size * value if kind == "relative" else size
