"""What of the loaded pigment is in a tube, and when that ratio means something."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from specfrac.names import listed, spoken
from specfrac.quantities import closure, closure_interval, recovery, recovery_interval
from specfrac.uncertainty import Quantity

if TYPE_CHECKING:
    from specfrac.tubes import MeasuredTube

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Recovered:
    """A recovery, or why there is none.

    Attributes
    ----------
    value : Quantity or None
        Fraction of one.
    interval : (float, float) or None
        95 %, not symmetric.
    note : str
        Why there is no value, or only an interval.
    made_on_column : bool
        True for a pheophytin whose chlorophyll was loaded.
    """

    value: Quantity | None
    interval: Interval | None
    note: str
    made_on_column: bool = False


MADE_ON_COLUMN = (
    "made from chlorophyll on the column, so a recovery by itself means nothing; see the balance "
    "of chlorophyll and pheophytin in nmol"
)


def recovered(
    tube: MeasuredTube,
    loaded: MeasuredTube | None,
    members: Sequence[str],
    factors: Sequence[float],
) -> Recovered:
    """Return tube over loaded, or why that would compare unlike things."""
    if loaded is None:
        return Recovered(None, None, "")
    if loaded.made_on_column(members):
        words = f"{listed(map(spoken, members))} {'are' if len(members) > 1 else 'is'}"
        return Recovered(None, None, f"{words} {MADE_ON_COLUMN}.", made_on_column=True)
    why = loaded.why_not_counted(members) or tube.why_not_counted(members)
    why = why or _why_no_ratio(tube, loaded, members, factors)
    if why or tube.content is None or loaded.content is None:
        return Recovered(None, None, f"{why}.")
    interval = recovery_interval(tube.content, loaded.content, members, factors=factors)
    if not loaded.quantifies(members, factors):
        stated = "only an interval can" if interval else "no recovery can"
        note = f"detected in what was loaded, but not quantified: {stated} be stated."
        return Recovered(None, interval, f"{_was(members)} {note}")
    return Recovered(recovery(tube.content, loaded.content, members, factors=factors), interval, "")


def _why_no_ratio(
    tube: MeasuredTube,
    loaded: MeasuredTube,
    members: Sequence[str],
    factors: Sequence[float],
) -> str:
    words = listed(map(spoken, members))
    for one in (loaded, tube):
        if one.fit is None or not set(members) <= set(one.fit.pigments):
            return f"{_was(members)} no candidate in {one.fraction.name}"
        if not one.for_mass(members):
            solvent = one.fit.references.solvent.name
            return f"no absorptivity of {words} in {solvent} is published"
    if not loaded.detects(members, factors):
        return f"{_was(members)} not detected in what was loaded"
    return ""


def _was(members: Sequence[str]) -> str:
    return f"{listed(map(spoken, members))} {'were' if len(members) > 1 else 'was'}"


def recovered_in_all(tube: MeasuredTube, loaded: MeasuredTube | None) -> Recovered:
    """Return the amount of coloured pigment over that loaded; moles, as for porphyrins."""
    if loaded is None or loaded.content is None or tube.content is None:
        return Recovered(None, None, "")
    if not (tube.for_mass() and loaded.for_mass()):
        return Recovered(None, None, "")
    return Recovered(
        closure([tube.content], loaded.content, of="amount"),
        closure_interval([tube.content], loaded.content, of="amount"),
        "",
    )
