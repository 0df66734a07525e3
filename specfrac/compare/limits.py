"""Limits and settings of a comparison, as data with their sources."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import lru_cache
from importlib import resources

from specfrac.errors import InputError, did_you_mean
from specfrac.settings import Limit, Settings


@lru_cache(maxsize=1)
def default_limits() -> Settings:
    """Return the limits of ``limits.csv`` beside this module."""
    text = resources.files("specfrac.compare").joinpath("limits.csv").read_text("utf-8")
    rows = csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))
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
            for row in rows
        }
    )


def changed_limits(changes: Mapping[str, float]) -> Settings:
    """Return the default limits with some of them changed.

    Parameters
    ----------
    changes : mapping of str to float

    Returns
    -------
    Settings

    Raises
    ------
    InputError
        If a key is not known or a value lies outside its range.

    Examples
    --------
    >>> changed_limits({"power": 0.9})["power"]
    0.9
    """
    limits = dict(default_limits().limits)
    for key, value in changes.items():
        if key not in limits:
            raise InputError(
                f"the comparison's setting {key!r} is not known. {did_you_mean(key, limits)}"
            )
        limit = limits[key]
        if not limit.minimum <= value <= limit.maximum:
            raise InputError(
                f"{key} is {value:g}, but must lie between {limit.minimum:g} and "
                f"{limit.maximum:g} ({limit.unit})."
            )
        limits[key] = replace(limit, value=float(value), source="set by the user", changed=True)
    return Settings(limits)


def read_changes(words: Iterable[str]) -> dict[str, float]:
    """Return changes of limits that are written as ``name=value``.

    Parameters
    ----------
    words : iterable of str

    Returns
    -------
    dict of str to float

    Raises
    ------
    InputError
        If there is no ``=``, or the value is no number.

    Examples
    --------
    >>> read_changes(["power=0.9"])
    {'power': 0.9}
    """
    changes = {}
    for given in words:
        name, _, value = given.partition("=")
        try:
            changes[name.strip()] = float(value)
        except ValueError:
            raise InputError(
                f"{given!r} is no limit of the comparison. Write name=value with a number, "
                "e.g. power=0.9."
            ) from None
    return changes
