"""One table of a run sheet, read strictly."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from specfrac.errors import ReferenceNotFoundError, RunSheetError, did_you_mean
from specfrac.references import ReferenceLibrary
from specfrac.settings import assumed_uncertainty
from specfrac.uncertainty import Quantity

UNITS = {"g": "g", "ml": "mL", "cm": "cm"}


@dataclass(frozen=True, slots=True, eq=False)
class Entries:
    """A table of the sheet, with its place for messages.

    Each method returns one entry checked, or raises a `RunSheetError` that names
    the place, the rule and the value.
    """

    content: Mapping[str, Any]
    place: str

    def fail(self, key: str, rule: str) -> RunSheetError:
        """Return the error for an entry that breaks a rule."""
        return RunSheetError(f"{self.place}: {key} {rule}")

    def check_keys(self, keys: Iterable[str], measured: Iterable[str] = ()) -> None:
        """Raise for a key that is not known, or an uncertainty without its value."""
        measured = tuple(measured)
        known = {*keys, *measured, *(f"u_{key}" for key in measured)}
        for key in self.content:
            if key not in known:
                raise RunSheetError(
                    f"{self.place}: the key {key!r} is not known. {did_you_mean(key, known)}"
                )
        for key in measured:
            if f"u_{key}" in self.content and key not in self.content:
                raise self.fail(f"u_{key}", f"is given without {key}. Give both, or neither.")

    def text(self, key: str, *, default: str = "") -> str:
        """Return a text, without blanks around it."""
        value = self.content.get(key, default)
        if not isinstance(value, str):
            raise self.fail(key, f"is {value!r}, but must be text. Write it in quotes.")
        return value.strip()

    def choice(self, key: str, known: tuple[str, ...], *, default: str = "") -> str:
        """Return one of some words, or the default."""
        value = self.text(key, default=default)
        if value != default and value not in known:
            raise self.fail(key, f"is {value!r}. {did_you_mean(value, known)}")
        return value

    def yes(self, key: str) -> bool:
        """Return true or false; false when not given."""
        value = self.content.get(key, False)
        if not isinstance(value, bool):
            raise self.fail(key, f"is {value!r}, but must be true or false, without quotes.")
        return value

    def words(self, key: str) -> tuple[str, ...] | None:
        """Return a list of texts that is not empty."""
        value = self.content.get(key)
        if value is None:
            return None
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise self.fail(key, f"is {value!r}, but must be a list of names in quotes.")
        if not value:
            raise self.fail(key, "is an empty list. Name at least one, or leave the key out.")
        return tuple(value)

    def number(self, key: str) -> float | None:
        """Return a finite number."""
        value = self.content.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float):
            hint = " Write it without quotes." if isinstance(value, str) else ""
            raise self.fail(key, f"is {value!r}, but must be a number.{hint}")
        if not math.isfinite(value):
            raise self.fail(key, f"is {value!r}, but must be finite.")
        return float(value)

    def positive(self, key: str) -> float | None:
        """Return a number above zero."""
        value = self.number(key)
        if value is not None and value <= 0:
            raise self.fail(
                key, f"is {value:g}, but must be above zero. Correct it, or leave the key out."
            )
        return value

    def measured(self, key: str) -> tuple[Quantity | None, bool]:
        """Return a measured value, and whether its uncertainty is the assumed one."""
        value = self.positive(key)
        if value is None:
            return None, False
        unit = UNITS.get(key.rsplit("_", 1)[-1], "")
        uncertainty = self.number(f"u_{key}")
        if uncertainty is None:
            assumed = assumed_uncertainty(key, value)
            return Quantity(value, assumed, unit), assumed > 0
        if uncertainty < 0:
            raise self.fail(f"u_{key}", f"is {uncertainty:g}, but must not be negative.")
        return Quantity(value, uncertainty, unit), False

    def day(self, key: str) -> str | None:
        """Return a date as ISO 8601 text."""
        value = self._time(key, "a date such as 2026-05-04")
        return None if value is None else value.isoformat()[:10]

    def moment(self, key: str) -> dt.datetime | None:
        """Return a date with a time."""
        rule = "a date and time such as 2026-05-04T10:20:00"
        value = self._time(key, rule)
        if value is not None and not isinstance(value, dt.datetime):
            raise self.fail(key, f"is {value}, but must be {rule}.")
        return value

    def _time(self, key: str, rule: str) -> dt.date | None:
        value = self.content.get(key)
        if isinstance(value, str):
            try:
                short = len(value) == len("2026-05-04")
                return (dt.date if short else dt.datetime).fromisoformat(value)
            except ValueError:
                raise self.fail(key, f"is {value!r}, but must be {rule}.") from None
        if value is not None and not isinstance(value, dt.date):
            raise self.fail(key, f"is {value!r}, but must be {rule}.")
        return value


def solvent_key(table: Entries, library: ReferenceLibrary) -> str | None:
    """Return the key of the solvent a table names, None when it names none.

    Raises
    ------
    RunSheetError
        If the library does not hold it.
    """
    name = table.text("solvent")
    if not name:
        return None
    try:
        return library.solvent(name).key
    except ReferenceNotFoundError as error:
        raise table.fail("solvent", f"names what the library does not hold: {error}") from None
