"""Where the pigment went: what was loaded, what the tubes hold, what is missing.

Single pigments balance by mass. Porphyrins balance in moles, chlorophyll and
pheophytin together, because pheophytin is made on the column.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from specfrac.flags import Flag
from specfrac.purity import percent, spoken
from specfrac.quantities import PORPHYRINS, PorphyrinBalance, closure, found_in, porphyrin_balance
from specfrac.settings import Settings
from specfrac.tubes import MeasuredTube
from specfrac.uncertainty import Quantity

BALANCED_ROLES = ("cut", "wash")
CAROTENOIDS = ("carotene", "xanthophyll")
SINGLE_PORPHYRINS = {key for forms in PORPHYRINS.values() for form in forms for key in form}


class _Wanted(NamedTuple):
    name: str
    kind: str
    members: tuple[str, ...]
    unit: str


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
        Sum over the tubes that were measured, of unconstrained estimates.
    closure : Quantity or None
        Found over loaded.
    lower_bound : bool
        True when a tube was not measured.
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
    lower_bound: bool
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

    def row(self, name: str) -> BalanceRow | None:
        """Return the row of one pigment or pool, or None."""
        return next((one for one in self.rows if one.name == name), None)


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


def _known(tube: MeasuredTube, members: Sequence[str]) -> bool:
    """Return whether the tube's content of these pigments can be stated.

    A candidate without a published scale that was not detected does no harm: it adds
    its uncertainty around zero. Detected, its mass is not known.
    """
    if tube.fit is None or tube.content is None or tube.content.volume is None:
        return False
    pairs = zip(tube.fit.references.entries, tube.fit.detected, strict=True)
    return not any(
        detected and not entry.for_mass and entry.pigment in members for entry, detected in pairs
    )


def _held(tube: MeasuredTube, members: Sequence[str], of: str) -> Quantity | None:
    if tube.content is None or not _known(tube, members):
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
    contents = [tube.content for tube in off if tube.content and _known(tube, members)]
    put_on = _held(loaded, members, of) if loaded else None
    if not contents and put_on is None:
        return None
    ratio = None
    if contents and put_on and loaded and loaded.content and put_on.interval[0] > 0:
        ratio = closure(contents, loaded.content, members, of=of)
    lower_bound = len(contents) < len(off)
    return BalanceRow(
        name=name,
        kind=kind,
        members=members,
        unit=unit,
        loaded=put_on,
        tubes=tuple(held),
        found=found_in(contents, members, of=of),
        closure=ratio,
        lower_bound=lower_bound,
        verdict=_PORPHYRIN_VERDICT
        if name in SINGLE_PORPHYRINS
        else _verdict(ratio, settings, [label for label, one in held if one is None]),
    )


_PORPHYRIN_VERDICT = (
    "No balance by itself: pheophytin is made from chlorophyll on the column. See the pool in nmol."
)


def _verdict(ratio: Quantity | None, settings: Settings, missing: Sequence[str]) -> str:
    """Return one sentence: the number, the limit, what to suspect."""
    if ratio is None or math.isnan(ratio.value):
        return "Not known: what was loaded was not measured, or holds too little of it."
    stated = percent(ratio.value, ratio.interval)
    if missing:
        listed = ", ".join(repr(name) for name in missing)
        return f"At least {stated}: not counted, for want of scan, volume or scale, is {listed}."
    limits = {key: settings[key] for key in settings.limits if key.startswith("closure_")}
    if ratio.value < limits["closure_low"]:
        return (
            f"{stated} was found, below {percent(limits['closure_low'])}: "
            "suspect retention on the column, a tube that is missing, or bleaching."
        )
    if ratio.value > limits["closure_high"]:
        return (
            f"{stated} was found, above {percent(limits['closure_high'])}: "
            "suspect a dilution factor, a volume or a solvent."
        )
    low, high = limits["closure_note_low"], limits["closure_note_high"]
    if low <= ratio.value <= high:
        return f"{stated} was found, within {percent(low)} to {percent(high)}: it closes."
    return f"{stated} was found, somewhat outside {percent(low)} to {percent(high)}."


def _porphyrins(
    loaded: MeasuredTube | None, measured: Sequence[MeasuredTube]
) -> tuple[PorphyrinBalance, ...]:
    if loaded is None or loaded.content is None:
        return ()
    balances = []
    for kind, (intact, without) in PORPHYRINS.items():
        members = (*intact, *without)
        contents = [tube.content for tube in measured if tube.content and _known(tube, members)]
        put_on = _held(loaded, members, "amount")
        if contents and put_on and put_on.interval[0] > 0:
            balances.append(porphyrin_balance(contents, loaded.content, kind))
    return tuple(balances)


def balance_flags(result: Balance, settings: Settings) -> list[Flag]:
    """Return flags for pools that do not close, and for tubes not measured.

    Pools only: single pigments that a scan tells apart badly have wide closures that
    would cry wolf. A limit counts as crossed when the whole 95 % interval lies beyond.
    """
    flags = []
    if result.loaded_name is not None and result.unmeasured:
        listed = ", ".join(repr(name) for name in result.unmeasured)
        message = f"not measured: {listed}; what is found is a lower bound."
        flags.append(Flag("closure-lower-bound", message))
    for row in result.rows:
        if row.kind != "pool" or row.name in ("coloured pigment", "porphyrins"):
            continue
        code = _closure_code(row, settings)
        if code:
            words = spoken(row.name.removesuffix("-pool"))
            words += " pool" if row.name.endswith("-pool") else ""
            flags.append(Flag(code, f"{words}: {row.verdict}"))
    return flags


def _closure_code(row: BalanceRow, settings: Settings) -> str | None:
    if row.closure is None or math.isnan(row.closure.value):
        return None
    value, (low, high) = row.closure.value, row.closure.interval
    if value > settings["closure_high"] and low > settings["closure_note_high"]:
        return "closure-high"
    if row.lower_bound:
        return None
    if value < settings["closure_low"] and high < settings["closure_note_low"]:
        return "closure-low"
    usual = settings["closure_note_low"] <= value <= settings["closure_note_high"]
    return None if usual else "closure-doubtful"
