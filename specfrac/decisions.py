"""What to do with each tube: one action, by a stated rule, with number, limit and odds.

The rules stand in the order in which they are tried. Every limit is a setting of the
run. An action is advice: the chemist decides.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

import numpy as np

from specfrac.names import spoken
from specfrac.pooling import Cuts, Pool, all_pools, best_pool, cuts_of
from specfrac.purity import Part, Target, percent
from specfrac.quantities import Share, mass_in, probability_share_above, share_by_mass
from specfrac.references import read_table
from specfrac.settings import Settings
from specfrac.tubes import QUANTIFIED, FractionResult, MeasuredTube, parts_of
from specfrac.uncertainty import rounded

ACTIONS = ("keep", "pool", "re-run", "dilute and rescan", "discard", "cannot tell")
DECIDED_ROLES = ("cut", "wash")
ROUND_DILUTIONS = (2, 3, 4, 5, 8, 10, 15, 20, 25, 40, 50, 100)


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do with one tube.

    Attributes
    ----------
    fraction : str
    action : str
        One of `ACTIONS`.
    rule : str
        The rule in a few words.
    number, limit : float or None
        What was compared, in `unit`.
    unit : str
    setting : str or None
        Key of the setting that is the limit.
    probability : float or None
        That the share of the wanted pigment is above the wanted share.
    partners : tuple of str
        Tubes to pool with, in order, this one included.
    dilution_factor : float or None
        Advised, for the next scan.
    sentence : str
        All of it in plain words.
    """

    fraction: str
    action: str
    rule: str
    number: float | None
    limit: float | None
    unit: str
    setting: str | None
    probability: float | None
    partners: tuple[str, ...]
    dilution_factor: float | None
    sentence: str


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """What the rules look at for one tube."""

    tube: MeasuredTube
    result: FractionResult
    settings: Settings
    target: Target | None
    pool: Pool | None

    @property
    def name(self) -> str:
        """Name of the tube."""
        return self.tube.fraction.name

    def decision(
        self,
        action: str,
        rule: str,
        sentence: str,
        *,
        number: float | None = None,
        setting: str | None = None,
        limit: float | None = None,
        unit: str = "",
        probability: float | None = None,
        dilution_factor: float | None = None,
    ) -> Decision:
        """Return a decision on this tube; the limit is the setting's unless given."""
        if setting is not None and limit is None:
            limit, unit = self.settings[setting], unit or self.settings.limits[setting].unit
        return Decision(
            self.name,
            action,
            rule,
            number,
            limit,
            unit,
            setting,
            probability,
            self.pool.names if action == "pool" and self.pool else (),
            dilution_factor,
            sentence,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Wanted:
    """What a tube is judged by: the target where it is the main part, else the main part."""

    part: Part
    share: Share
    limit: float
    setting: str | None
    is_target: bool
    probability: float

    @property
    def limit_words(self) -> str:
        """The limit in words: what is wanted of the target, or what counts as good."""
        if self.is_target:
            return f"wanted is at least {percent(self.limit)}"
        return f"a tube of one pigment counts as good from {percent(self.limit)}"

    @property
    def below_words(self) -> str:
        """The limit in words, for a share below it."""
        if self.is_target:
            return f"below the wanted {percent(self.limit)}"
        return f"less than the {percent(self.limit)} from which a tube counts as good"


def decide(
    tubes: Sequence[MeasuredTube],
    results: Sequence[FractionResult],
    settings: Settings,
    target: Target | None,
) -> tuple[Decision, ...]:
    """Return a decision for every cut and wash of a run.

    Parameters
    ----------
    tubes : sequence of MeasuredTube
    results : sequence of FractionResult
        In the same order.
    settings : Settings
    target : Target or None

    Returns
    -------
    tuple of Decision
    """
    pool = _target_pool(tubes, settings, target)
    decisions = []
    for tube, result in zip(tubes, results, strict=True):
        if tube.fraction.role in DECIDED_ROLES:
            held = pool if pool and tube.fraction.name in pool.names else None
            decisions.append(_decide(Case(tube, result, settings, target, held)))
    return tuple(decisions)


def in_order(tubes: Sequence[MeasuredTube]) -> list[MeasuredTube]:
    """Return cuts and washes in the order they came off the column.

    By eluted volume when every one has it, otherwise in the order of the sheet.
    """
    off = [tube for tube in tubes if tube.fraction.role in DECIDED_ROLES]
    volumes = [tube.fraction.eluted_volume for tube in off]
    if any(volume is None for volume in volumes):
        return off
    return sorted(off, key=lambda tube: tube.fraction.eluted_volume.value)  # type: ignore[union-attr]


def target_cuts(tubes: Sequence[MeasuredTube], target: Target) -> Cuts:
    """Return cuts and washes as they came off, with what they hold of the target.

    A tube whose mass of the target is not known is a wall between pools.
    """
    pairs = [
        (tube.fraction.name, tube.content if tube.for_mass(_members(tube, target)) else None)
        for tube in in_order(tubes)
    ]
    return cuts_of(pairs, target.members)


def _target_pool(
    tubes: Sequence[MeasuredTube], settings: Settings, target: Target | None
) -> Pool | None:
    """Return the best pool of at least two tubes for the target, if there is one."""
    if target is None or target.share is None:
        return None
    pools = all_pools(target_cuts(tubes, target))
    found = best_pool(pools, target.share, confidence=settings["decision_confidence"])
    return found if found and len(found.names) > 1 else None


def _members(tube: MeasuredTube, target: Target) -> tuple[str, ...]:
    known = tube.fit.pigments if tube.fit else ()
    return tuple(member for member in target.members if member in known)


# The rules, in order


def _decide(case: Case) -> Decision:
    if case.tube.fit is None or case.tube.content is None or case.result.purity is None:
        return _without_result(case)
    wanted = _wanted(case)
    for rule in (_saturated, _too_little, _something_else, _good_enough, _wash, _other_tube):
        found = rule(case, wanted)
        if found is not None:
            return found
    return _impure(case, wanted)


def _without_result(case: Case) -> Decision:
    height = _highest_reading(case)
    limit = case.settings["linear_limit"]
    if height is not None and height > limit and case.tube.fit is None:
        return _dilute(case, height, None)
    if case.tube.fit is not None and case.tube.content is not None:
        return case.decision(
            "discard",
            "nothing was detected",
            "No pigment was detected, so there is nothing to keep. Check the scan first.",
        )
    return case.decision(
        "cannot tell",
        "no result",
        "There is no usable result for this tube: see its flags.",
    )


def _highest_reading(case: Case) -> float | None:
    readings = [np.nanmax(one.scan.absorbance) for one in case.tube.fraction.scans]
    return float(min(readings)) if readings else None


def _saturated(case: Case, wanted: Wanted) -> Decision | None:
    """A scan too strong to decide by wants a dilution, not a verdict."""
    fit = case.tube.fit
    assert fit is not None
    weakest = int(np.argmin(fit.path_lengths / fit.dilution_factors))
    height = float(np.nanmax(fit.curves(weakest).fitted))
    sure = case.settings["decision_sure"]
    doubtful = not (wanted.probability >= sure or wanted.probability <= 1 - sure)  # NaN doubts
    if height <= case.settings["linear_limit"] or not doubtful:
        return None
    return _dilute(case, height, wanted.probability)


def _dilute(case: Case, height: float, probability: float | None) -> Decision:
    limit, aim = case.settings["linear_limit"], case.settings["dilute_to"]
    factor = next((n for n in ROUND_DILUTIONS if height / n <= aim), ROUND_DILUTIONS[-1])
    return case.decision(
        "dilute and rescan",
        "scan above the linear limit",
        f"The highest band lies at A {height:.2g}, above the linear limit {limit:g}, and the rest "
        f"of the scan does not decide. Dilute about {factor}-fold and scan again.",
        number=height,
        setting="linear_limit",
        probability=probability,
        dilution_factor=float(factor),
    )


def _too_little(case: Case, wanted: Wanted) -> Decision | None:
    fit = case.tube.fit
    assert fit is not None
    if fit.quantified.any():
        return None
    ratio = float(np.max(fit.concentration_unconstrained / fit.zero_uncertainty))
    text = (
        f"No pigment reaches {QUANTIFIED:g} times its uncertainty at zero; the best has "
        f"{ratio:.1f} times."
    )
    diluted = float(np.min(fit.dilution_factors))
    if diluted > 1:
        return case.decision(
            "cannot tell",
            "below quantification",
            f"{text} The scan was of a {diluted:g}-fold dilution: scan it less diluted.",
            number=ratio,
            limit=QUANTIFIED,
            unit="times the uncertainty at zero",
            probability=wanted.probability,
        )
    return case.decision(
        "discard",
        "below quantification",
        f"{text} It is not worth keeping.",
        number=ratio,
        limit=QUANTIFIED,
        unit="times the uncertainty at zero",
        probability=wanted.probability,
    )


def _something_else(case: Case, wanted: Wanted) -> Decision | None:
    assert case.tube.content is not None
    left_over, limit = case.tube.content.unassigned_share, case.settings["unassigned_max"]
    if not left_over > limit:
        return None
    return case.decision(
        "re-run",
        "unexplained absorbance",
        f"No candidate explains {percent(left_over)} of the absorbance (limit {percent(limit)}): "
        "the tube holds something else. Find out what, or purify it again.",
        number=left_over,
        setting="unassigned_max",
        probability=wanted.probability,
    )


def _good_enough(case: Case, wanted: Wanted) -> Decision | None:
    """Above the wanted share, alone or with its neighbours."""
    stated = percent(wanted.share.value.value, wanted.share.interval)
    enough = wanted.probability >= case.settings["decision_confidence"]
    if case.pool is not None:
        pool = case.pool
        names = ", ".join(pool.names)
        odds = "" if pool.probability is None else f" (probability {_odds(pool.probability)})"
        alone = "is pure enough alone" if enough and wanted.is_target else "is not enough alone"
        return case.decision(
            "pool",
            "the pool has the wanted share",
            f"With {stated} {wanted.part.words} the tube {alone}; pooled, {names} hold "
            f"{rounded(pool.mass.value, pool.mass.uncertainty)} µg {_target_words(case)} at "
            f"{percent(pool.share.value, pool.interval)}{odds}.",
            number=pool.share.value,
            limit=pool.wanted_share,
            unit="share by mass",
            setting=None,
            probability=pool.probability,
        )
    if not enough:
        return None
    return case.decision(
        "keep",
        "the share is high enough",
        f"{stated} of the coloured pigment is {wanted.part.words}; {wanted.limit_words}, met with "
        f"a probability of {_odds(wanted.probability)}.",
        number=wanted.share.value.value,
        limit=wanted.limit,
        unit="share by mass",
        setting=wanted.setting,
        probability=wanted.probability,
    )


def _target_words(case: Case) -> str:
    return "of the target" if case.target is None else spoken(case.target.name)


def _wash(case: Case, wanted: Wanted) -> Decision | None:
    """A wash is a mixture by design, unless much of the target went into it."""
    if case.tube.fraction.role != "wash" or _lost_target(case, wanted) is not None:
        return None
    return case.decision(
        "keep",
        "a wash is a mixture by design",
        "The wash is a mixture by design: its composition is reported. Run it again only if one of "
        "its pigments is wanted.",
        number=wanted.share.value.value,
        limit=wanted.limit,
        unit="share by mass",
        setting=wanted.setting,
        probability=wanted.probability,
    )


def _lost_target(case: Case, wanted: Wanted) -> float | None:
    """Return the part of the loaded target in a tube of something else, where it is much."""
    if case.target is None or wanted.is_target:
        return None
    one = case.result.pigment(case.target.name) or case.result.group(case.target.name)
    if one is None or one.recovery is None or not one.detected:
        return None
    return one.recovery.value if one.recovery.value >= case.settings["rerun_recovery_min"] else None


def _other_tube(case: Case, wanted: Wanted) -> Decision | None:
    lost = _lost_target(case, wanted)
    if lost is None or case.target is None:
        return None
    return case.decision(
        "re-run",
        "much of the target is in it",
        f"The tube is mainly {wanted.part.words}, but holds {percent(lost)} of the "
        f"{spoken(case.target.name)} that was loaded (limit "
        f"{percent(case.settings['rerun_recovery_min'])}): another column would win it back.",
        number=lost,
        setting="rerun_recovery_min",
        probability=wanted.probability,
    )


def _impure(case: Case, wanted: Wanted) -> Decision:
    """Below the wanted share: another column where it can help and pays, else keep or discard."""
    held = case.tube.content
    assert held is not None
    share = wanted.share.value.value
    stated = (
        f"{percent(share, wanted.share.interval)} of the coloured pigment is {wanted.part.words}, "
        f"{wanted.below_words}"
    )
    mass = (
        mass_in(held, wanted.part.members).value
        if case.tube.for_mass(wanted.part.members)
        else None
    )
    least = case.settings["rerun_mass_min"]
    if mass is not None and mass < least:
        if share >= case.settings["share_usable"]:
            return _usable(case, wanted, stated, f"{mass:.2g} µg does not repay another column")
        return case.decision(
            "discard",
            "impure and too little",
            f"{stated}, and {mass:.2g} µg does not repay another column (limit {least:g} µg).",
            number=mass,
            setting="rerun_mass_min",
            probability=wanted.probability,
        )
    other = _contaminant(case, wanted)
    apart = _apart(wanted.part, other) if other else None
    words = other.words if other else "the rest"
    limit = case.settings["separable_rf"]
    if apart is None:
        known = "their Rf is not known here"
    else:
        known = f"Rf differs by {apart.difference:.2f} in {apart.solvent} (rough; limit {limit:g})"
    if apart is not None and apart.difference < limit:
        return _usable(
            case, wanted, stated, f"the main contaminant, {words}, runs with it: {known}"
        )
    return case.decision(
        "re-run",
        "a column can separate it",
        f"{stated}. The main contaminant is {words}; {known}. Run it again.",
        number=apart.difference if apart else None,
        setting="separable_rf",
        probability=wanted.probability,
    )


def _usable(case: Case, wanted: Wanted, stated: str, why: str) -> Decision:
    return case.decision(
        "keep",
        "no better by another column",
        f"{stated}, but {why}. Keep it as what it is.",
        number=wanted.share.value.value,
        limit=wanted.limit,
        unit="share by mass",
        setting=wanted.setting,
        probability=wanted.probability,
    )


# What the rules compare


def _wanted(case: Case) -> Wanted:
    held, fit, purity = case.tube.content, case.tube.fit, case.result.purity
    assert held is not None and fit is not None and purity is not None
    aim = _members(case.tube, case.target) if case.target else ()
    is_target = bool(set(aim) & set(purity.members))
    part = Part(purity.main, purity.members)
    limit = case.settings["share_good"]
    setting: str | None = "share_good"
    if is_target and case.target:
        part = Part(case.target.name, aim)
        if case.target.share is not None:
            limit, setting = case.target.share, None
    return Wanted(
        part,
        share_by_mass(held, part.members),
        limit,
        setting,
        is_target,
        probability_share_above(held, part.members, limit),
    )


def _contaminant(case: Case, wanted: Wanted) -> Part | None:
    """Return the largest part of the tube that is not wanted."""
    held, fit = case.tube.content, case.tube.fit
    assert held is not None and fit is not None
    others = [part for part in parts_of(fit) if not set(part.members) & set(wanted.part.members)]
    shares = [(share_by_mass(held, part.members).value.value, part) for part in others]
    shares = [pair for pair in shares if pair[0] > 0]
    return max(shares, key=lambda pair: pair[0])[1] if shares else None


@lru_cache(maxsize=1)
def _retention() -> Mapping[str, Mapping[str, float]]:
    """Rf by developing solvent and pigment, the middle of what the sources give."""
    found: dict[str, dict[str, float]] = {}
    for row in read_table("rf_values.csv").rows:
        middle = (float(row["rf_low"]) + float(row["rf_high"])) / 2
        found.setdefault(row["developing_solvent"], {})[row["pigment"]] = middle
    return MappingProxyType(found)


@dataclass(frozen=True, slots=True)
class _Apart:
    """How far two parts run from one another at best, and in which developing solvent."""

    difference: float
    solvent: str


def _apart(one: Part, other: Part) -> _Apart | None:
    """Return the best separation known of two parts, or None when none is known."""
    pairs = [(a, b) for a in one.members for b in other.members]
    found = [
        _Apart(min(abs(known[a] - known[b]) for a, b in pairs), solvent)
        for solvent, known in _retention().items()
        if all(a in known and b in known for a, b in pairs)
    ]
    return max(found, key=lambda best: best.difference) if found else None


def _odds(probability: float) -> str:
    if math.isnan(probability):
        return "not known"
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else percent(probability)
