"""Where the pigment went: what was loaded, what the tubes hold, what is missing.

Single pigments balance by mass. Porphyrins balance in moles, chlorophyll and
pheophytin together, because pheophytin is made on the column.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from specfrac.flags import Flag
from specfrac.names import listed, spoken
from specfrac.purity import percent
from specfrac.quantities import (
    PORPHYRINS,
    PorphyrinBalance,
    closure,
    closure_interval,
    found_in,
    porphyrin_balance,
)
from specfrac.settings import Settings
from specfrac.tubes import MeasuredTube
from specfrac.uncertainty import Quantity

if TYPE_CHECKING:
    import pandas as pd

BALANCED_ROLES = ("cut", "wash")
CAROTENOIDS = ("carotene", "xanthophyll")
CHLOROPHYLL_OF = {made: kind for kind, (_, without) in PORPHYRINS.items() for made in without}
PHEOPHYTIN_OF = {intact: kind for kind, (intacts, _) in PORPHYRINS.items() for intact in intacts}

OUTCOMES = (
    "closes", "nearly", "less", "much less", "more", "much more", "cannot tell", "at least",
    "not known", "see pool",
)  # fmt: skip
"""What a balance allows to say, as far as its 95 % interval supports it.

``"closes"``: the interval lies within the usual range. ``"nearly"``: it overlaps it and
lies within the outer limits. ``"less"``, ``"more"``: it lies outside the usual range;
``"much"``: beyond the outer limit. ``"cannot tell"``: anything between is possible.
``"at least"``: a tube is not counted.
"""

Interval = tuple[float, float]


class _Wanted(NamedTuple):
    name: str
    kind: str
    members: tuple[str, ...]
    unit: str


@dataclass(frozen=True, slots=True)
class Uncounted:
    """A tube that is not in a sum.

    Attributes
    ----------
    name : str
    reason : str
        Begins with the tube's name: ``"yellow was not scanned"``.
    """

    name: str
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class BalanceRow:
    """Where one pigment, or one pool, went.

    Attributes
    ----------
    name : str
        Pigment key, or ``"carotenoids"``, ``"chlorophyll-a-pool"``, ``"chlorophyll-b-pool"``,
        ``"porphyrins"``, ``"coloured pigment"``.
    kind : str
        ``"pigment"`` or ``"pool"``.
    members : tuple of str
    unit : str
        ``"µg"``, or ``"nmol"`` where porphyrins take part.
    loaded : Quantity or None
        None when nothing was loaded, or not measured with a published scale.
    tubes : tuple of (str, Quantity or None)
        Name of each tube and what it holds; None when not measured.
    found : Quantity
        Sum over the tubes that could be counted, of counted estimates
        (`specfrac.quantities.counted_estimate`).
    closure : Quantity or None
        Found over loaded. None when what was loaded is not known, or not quantified, so
        that a single figure would mislead; and for pheophytin, which is made on the column.
    closure_interval : (float, float) or None
        95 %, not symmetric; also where what was loaded is detected but not quantified.
    lower_bound : bool
        True when a tube could not be counted.
    uncounted : tuple of Uncounted
        Those tubes, each with the reason.
    outcome : str
        One of `OUTCOMES`: what the interval allows to say.
    verdict : str
        One sentence with the number and the limit.
    """

    name: str
    kind: str
    members: tuple[str, ...]
    unit: str
    loaded: Quantity | None
    tubes: tuple[tuple[str, Quantity | None], ...]
    found: Quantity
    closure: Quantity | None
    closure_interval: Interval | None
    lower_bound: bool
    uncounted: tuple[Uncounted, ...]
    outcome: str
    verdict: str


@dataclass(frozen=True, slots=True, eq=False)
class Balance:
    """Mass and amount of every pigment and pool: loaded, found, closure.

    Attributes
    ----------
    loaded_name : str or None
        Name of the fraction that was loaded.
    rows : tuple of BalanceRow
        Pools first, then pigments.
    porphyrins : tuple of PorphyrinBalance
        Chlorophyll and the pheophytin made from it, kinds a and b.
    unmeasured : tuple of str
        Cuts and washes without a usable scan or volume.
    """

    loaded_name: str | None
    rows: tuple[BalanceRow, ...]
    porphyrins: tuple[PorphyrinBalance, ...]
    unmeasured: tuple[str, ...]

    def _repr_html_(self) -> str:
        """Show the balance in a notebook."""
        from specfrac.report import balance_fragment

        return balance_fragment(self)

    def to_frame(self) -> pd.DataFrame:
        """Return a row a pigment or pool: loaded, found, closure; amounts in the row's unit."""
        import pandas as pd

        return pd.DataFrame([_frame_row(row) for row in self.rows], columns=BALANCE_COLUMNS)

    def row(self, name: str) -> BalanceRow | None:
        """Return the row of one pigment or pool, or None."""
        return next((one for one in self.rows if one.name == name), None)


BALANCE_COLUMNS = (
    "name", "kind", "unit", "loaded", "loaded_standard_uncertainty", "found",
    "found_standard_uncertainty", "closure", "closure_standard_uncertainty", "closure_low",
    "closure_high", "lower_bound", "outcome",
)  # fmt: skip


def _frame_row(row: BalanceRow) -> tuple[object, ...]:
    figures = [
        value
        for one in (row.loaded, row.found, row.closure)
        for value in ((math.nan, math.nan) if one is None else (one.value, one.uncertainty))
    ]
    ends = row.closure_interval or (math.nan, math.nan)
    return (row.name, row.kind, row.unit, *figures, *ends, row.lower_bound, row.outcome)


def balance(tubes: Sequence[MeasuredTube], settings: Settings) -> Balance:
    """Return the balance of a run.

    Parameters
    ----------
    tubes : sequence of MeasuredTube
        All of the run; the role says which were loaded and which came off.
    settings : Settings

    Returns
    -------
    Balance
    """
    loaded = next((tube for tube in tubes if tube.fraction.role == "loaded"), None)
    off = [tube for tube in tubes if tube.fraction.role in BALANCED_ROLES]
    measured = [tube for tube in off if tube.content and tube.content.volume is not None]
    unmeasured = tuple(tube.fraction.name for tube in off if tube not in measured)
    usable = loaded if loaded and loaded.content and loaded.content.volume is not None else None
    pigments = _pigments([*([usable] if usable else []), *measured])
    rows = [_row(wanted, usable, off, settings) for wanted in _wanted(pigments)]
    return Balance(
        loaded_name=loaded.fraction.name if loaded else None,
        rows=tuple(row for row in rows if row is not None),
        porphyrins=_porphyrins(usable, measured),
        unmeasured=unmeasured,
    )


def _pigments(tubes: Sequence[MeasuredTube]) -> dict[str, str]:
    """Return every candidate of any tube with its family, in the order of the library."""
    return {
        entry.pigment: entry.group
        for tube in tubes
        if tube.fit is not None
        for entry in tube.fit.references.entries
    }


def _wanted(pigments: dict[str, str]) -> list[_Wanted]:
    """Return name, kind, members and unit of each row."""
    carotenoids = tuple(key for key, group in pigments.items() if group in CAROTENOIDS)
    pools = {
        kind: tuple(key for key in (*intact, *without) if key in pigments)
        for kind, (intact, without) in PORPHYRINS.items()
    }
    porphyrins = tuple(key for members in pools.values() for key in members)
    wanted = [
        _Wanted("coloured pigment", "pool", tuple(pigments), "nmol"),
        _Wanted("carotenoids", "pool", carotenoids, "µg"),
        _Wanted("porphyrins", "pool", porphyrins, "nmol"),
        *(
            _Wanted(f"chlorophyll-{kind}-pool", "pool", members, "nmol")
            for kind, members in pools.items()
        ),
        *(_Wanted(key, "pigment", (key,), "µg") for key in pigments),
    ]
    return [row for row in wanted if row.members]


def _held(tube: MeasuredTube, members: Sequence[str], of: str) -> Quantity | None:
    if tube.content is None or tube.why_not_counted(members):
        return None
    return found_in([tube.content], members, of=of)


def _row(
    wanted: _Wanted,
    loaded: MeasuredTube | None,
    off: Sequence[MeasuredTube],
    settings: Settings,
) -> BalanceRow | None:
    name, kind, members, unit = wanted
    of = "mass" if unit == "µg" else "amount"
    held = [(tube.fraction.name, _held(tube, members, of)) for tube in off]
    reasons = [(tube.fraction.name, tube.why_not_counted(members)) for tube in off]
    uncounted = tuple(Uncounted(label, why) for label, why in reasons if why)
    contents = [tube.content for tube in off if tube.content and not tube.why_not_counted(members)]
    put_on = _held(loaded, members, of) if loaded else None
    if not contents and put_on is None:
        return None
    made = loaded is not None and loaded.made_on_column(members)
    ratio, interval = None, None
    if contents and put_on and loaded and loaded.content and not made and loaded.detects(members):
        interval = closure_interval(contents, loaded.content, members, of=of)
        if loaded.quantifies(members):
            ratio = closure(contents, loaded.content, members, of=of)
    outcome = outcome_of(interval, settings, lower_bound=bool(uncounted))
    if kind == "pigment" and (made or (name in PHEOPHYTIN_OF and put_on)):
        outcome, verdict = "see pool", _pool_verdict(name)
    elif interval is None:
        verdict = f"Not known: {_why_unknown(loaded, put_on, members, contents)}."
    else:
        verdict = _verdict(outcome, ratio, interval, settings, uncounted)
    return BalanceRow(
        name=name,
        kind=kind,
        members=members,
        unit=unit,
        loaded=put_on,
        tubes=tuple(held),
        found=found_in(contents, members, of=of),
        closure=ratio,
        closure_interval=interval,
        lower_bound=bool(uncounted),
        uncounted=uncounted,
        outcome=outcome,
        verdict=verdict,
    )


def _pool_verdict(name: str) -> str:
    if name in PHEOPHYTIN_OF:
        return (
            "No balance by itself: on the column some of it becomes pheophytin. See "
            f"{spoken(f'chlorophyll-{PHEOPHYTIN_OF[name]}-pool')}, in nmol."
        )
    return (
        "No balance by itself: it is made from chlorophyll on the column. See "
        f"{spoken(f'chlorophyll-{CHLOROPHYLL_OF[name]}-pool')}, in nmol."
    )


def _why_unknown(
    loaded: MeasuredTube | None,
    put_on: Quantity | None,
    members: Sequence[str],
    contents: Sequence[object],
) -> str:
    if loaded is None:
        return "no loaded extract is in the sheet"
    if put_on is None:
        return loaded.why_not_counted(members)
    if not contents:
        return "no tube that came off the column could be counted"
    if loaded.fit is not None and not set(members) & set(loaded.fit.pigments):
        return "it was no candidate in what was loaded"
    if not loaded.detects(members):
        return "it was not detected in what was loaded"
    return "what was loaded is too uncertain for a ratio"


def outcome_of(interval: Interval | None, settings: Settings, *, lower_bound: bool = False) -> str:
    """Return what an interval of found over loaded supports, whatever its middle.

    Parameters
    ----------
    interval : (float, float) or None
    settings : Settings
    lower_bound : bool
        True when a tube is not counted.

    Returns
    -------
    str
        One of `OUTCOMES`.
    """
    if interval is None:
        return "not known"
    low, high = interval
    few, usual = settings["closure_low"], settings["closure_note_low"]
    most, many = settings["closure_note_high"], settings["closure_high"]
    rules = (
        (low > many, "much more"),
        (low > most, "more"),
        (lower_bound, "at least"),
        (high < few, "much less"),
        (high < usual, "less"),
        (usual <= low and high <= most, "closes"),
        (few <= low and high <= many, "nearly"),
    )
    return next((outcome for holds, outcome in rules if holds), "cannot tell")


def _verdict(
    outcome: str,
    ratio: Quantity | None,
    interval: Interval,
    settings: Settings,
    uncounted: Sequence[Uncounted],
) -> str:
    """Return one sentence: the number, what its interval supports, what to suspect."""
    low, high = (percent(end) for end in interval)
    if ratio is None and outcome in ("cannot tell", "at least"):
        return (
            "Cannot tell: what was loaded was detected, but not quantified; anything from "
            f"{low} to {high} is possible."
        )
    stated = percent(ratio.value, interval) if ratio is not None else f"between {low} and {high}"
    usual = f"{percent(settings['closure_note_low'])} to {percent(settings['closure_note_high'])}"
    missing = listed(one.reason for one in uncounted)
    if outcome == "at least":
        return f"At least {stated} was found; not counted: {missing}."
    below = percent(settings["closure_low" if outcome == "much less" else "closure_note_low"])
    above = percent(settings["closure_high" if outcome == "much more" else "closure_note_high"])
    found = {
        "closes": f"within {usual}: it closes.",
        "nearly": f"about {usual}: it closes, or nearly.",
        "less": f"less than {below}: {MISSING_CAUSES}",
        "much less": f"less than {below}: {MISSING_CAUSES}",
        "more": f"more than {above}: {SURPLUS_CAUSES}",
        "much more": f"more than {above}: {SURPLUS_CAUSES}",
        "cannot tell": f"whether that is within {usual} cannot be told.",
    }
    return f"{stated[:1].upper()}{stated[1:]} was found, {found[outcome]}"


FEWEST_POOLS = 2  # that must agree before a slip in a volume is suspected
MISSING_CAUSES = "suspect retention on the column, a tube that is missing, or bleaching."
SURPLUS_CAUSES = "suspect a dilution factor, a volume or a solvent."


def _porphyrins(
    loaded: MeasuredTube | None, measured: Sequence[MeasuredTube]
) -> tuple[PorphyrinBalance, ...]:
    if loaded is None or loaded.content is None:
        return ()
    balances = []
    for kind, (intact, without) in PORPHYRINS.items():
        members = (*intact, *without)
        contents = [
            tube.content for tube in measured if tube.content and not tube.why_not_counted(members)
        ]
        put_on = _held(loaded, members, "amount")
        if contents and put_on and loaded.quantifies(members):
            balances.append(porphyrin_balance(contents, loaded.content, kind))
    return tuple(balances)


def balance_flags(result: Balance, settings: Settings) -> list[Flag]:
    """Return flags for pools that do not close, and for tubes that are not counted.

    Pools only: single pigments that a scan tells apart badly have wide closures that
    would cry wolf. A limit counts as crossed when the whole 95 % interval lies beyond.
    """
    flags = []
    if result.loaded_name is not None:
        pools = [row for row in result.rows if row.kind == "pool" and row.uncounted]
        reasons = dict.fromkeys(one.reason for row in pools for one in row.uncounted)
        if reasons:
            which = listed(spoken(row.name) for row in pools)
            message = f"not counted: {listed(reasons)}. What is found of {which} is a lower bound."
            flags.append(Flag("closure-lower-bound", message))
    for row in result.rows:
        if row.kind != "pool" or row.name in ("coloured pigment", "porphyrins"):
            continue
        code = _closure_code(row, settings)
        if code:
            flags.append(Flag(code, f"{spoken(row.name)}: {row.verdict}"))
    return flags


def loaded_volume_flags(
    result: Balance, settings: Settings, *, loaded: float | None, extract: float | None
) -> list[Flag]:
    """Return a note when a slip in the loaded volume would explain all pools alike.

    Parameters
    ----------
    result : Balance
    settings : Settings
    loaded, extract : float or None
        mL put on the column, and of the whole extract, as the sheet has them.
    """
    ends = [
        row.closure_interval
        for row in result.rows
        if row.kind == "pool" and row.name not in ("coloured pigment", "porphyrins")
        if row.closure is not None and row.closure_interval and not row.lower_bound
    ]
    if len(ends) < FEWEST_POOLS or loaded is None or extract is None:
        return []
    few, many = settings["closure_low"], settings["closure_high"]
    part, words = loaded / extract, ""
    if part < 1 and all(
        low > many and few <= low * part <= high * part <= many for low, high in ends
    ):
        words = (
            f"the tubes hold what the whole extract of {extract:g} mL would give, not the "
            f"{loaded:g} mL that the sheet says were loaded. Was all of it put on the column?"
        )
    low, high = max(low for low, _ in ends), min(high for _, high in ends)
    if part == 1 and low <= high < few:
        words = (
            f"every pool lacks the same share, as when only {low * extract:.2g} to "
            f"{high * extract:.2g} mL of the {extract:g} mL were put on. Was only part of the "
            "extract loaded? Give loaded_volume_ml."
        )
    return [Flag("loaded-volume-doubtful", words)] if words else []


def _closure_code(row: BalanceRow, settings: Settings) -> str | None:
    if row.closure is None:
        return None
    value = row.closure.value
    if row.outcome in ("more", "much more"):
        return "closure-high" if value > settings["closure_high"] else "closure-doubtful"
    if row.outcome in ("less", "much less"):
        return "closure-low" if value < settings["closure_low"] else "closure-doubtful"
    return None
