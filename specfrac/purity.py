"""How pure a tube is, in numbers and in one plain sentence.

A scan sees coloured pigment only. So the share is always a share of the coloured
pigment, never the purity of a solid.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from specfrac.names import listed, spoken
from specfrac.quantities import (
    Share,
    TubeContent,
    enrichment,
    probability_share_above,
    share_by_amount,
    share_by_mass,
)
from specfrac.uncertainty import Quantity

__all__ = ["Part", "Purity", "Target", "percent", "purity", "spoken"]

Interval = tuple[float, float]

LISTED_SHARE = 0.005  # what would be printed as 0 % is not worth a word
LISTED_PARTS = 5


@dataclass(frozen=True, slots=True)
class Part:
    """A pigment, or a sum of pigments that the scan cannot tell apart.

    Attributes
    ----------
    name : str
        Pigment key, or name of the merged group.
    members : tuple of str
    """

    name: str
    members: tuple[str, ...]

    @property
    def words(self) -> str:
        """The part in words."""
        together = " together" if len(self.members) > 1 else ""
        return listed(map(spoken, self.members)) + together


@dataclass(frozen=True, slots=True, eq=False)
class Purity:
    """How pure a tube is, as far as a scan can see.

    Attributes
    ----------
    main : str
        Pigment or merged group with the largest share by mass.
    members : tuple of str
        The pigment itself, or the members of the merged group.
    share_mass, share_amount : Quantity
        Of the coloured pigment, fractions of one.
    interval, amount_interval : (float, float)
        95 %.
    lower_bound : float
        Lower end of the interval by mass when absorbance that no candidate explains
        counts as impurity.
    unassigned_share : float
        Share of the scan's area that no candidate explains.
    enrichment : Quantity or None
        Share of the main part here over its share in what was loaded.
    target : str or None
        The run's target.
    target_share : Quantity or None
        Its share by mass in this tube.
    target_interval : (float, float) or None
        95 %.
    probability_above_target : float or None
        That the target's share is above the wanted one.
    sentence : str
        All of it in plain words.
    """

    main: str
    members: tuple[str, ...]
    share_mass: Quantity
    interval: Interval
    share_amount: Quantity
    amount_interval: Interval
    lower_bound: float
    unassigned_share: float
    enrichment: Quantity | None
    target: str | None
    target_share: Quantity | None
    target_interval: Interval | None
    probability_above_target: float | None
    sentence: str


@dataclass(frozen=True, slots=True)
class Target:
    """What the run is after.

    Attributes
    ----------
    name : str
        Pigment key or name of a pool.
    members : tuple of str
    share : float or None
        Wanted share of the coloured pigment by mass, fraction of one.
    """

    name: str
    members: tuple[str, ...]
    share: float | None


def percent(value: float, interval: Interval | None = None) -> str:
    """Return a share in percent, with its interval where given.

    One decimal where the interval is narrower than 2 %, otherwise none.

    Examples
    --------
    >>> percent(0.972, (0.951, 0.989))
    '97 % (95 to 99 %)'
    >>> percent(0.9972, (0.995, 0.999))
    '99.7 % (99.5 to 99.9 %)'
    """
    if interval is None:
        return f"{100 * value:.0f} %"
    low, high = interval
    places = 1 if high - low < 0.02 else 0
    return f"{100 * value:.{places}f} % ({100 * low:.{places}f} to {100 * high:.{places}f} %)"


def purity(
    tube: TubeContent,
    parts: Sequence[Part],
    *,
    usable_share: float,
    loaded: TubeContent | None = None,
    target: Target | None = None,
) -> Purity | None:
    """Return the purity of a tube by its largest part.

    Parameters
    ----------
    tube : TubeContent
    parts : sequence of Part
        Merged groups, and the pigments that are not merged.
    usable_share : float
        Below this share of the main part the tube is called a mixture.
    loaded : TubeContent, optional
        What was loaded, for the enrichment.
    target : Target, optional

    Returns
    -------
    Purity or None
        None when no pigment was found.
    """
    shares = [(part, share_by_mass(tube, part.members)) for part in parts]
    shares = sorted(
        ((part, share) for part, share in shares if share.value.value > 0),
        key=lambda pair: -pair[1].value.value,
    )
    if not shares:
        return None
    main, share = shares[0]
    amount = share_by_amount(tube, main.members)
    aim = _aim(tube, target)
    return Purity(
        main=main.name,
        members=main.members,
        share_mass=share.value,
        interval=share.interval,
        share_amount=amount.value,
        amount_interval=amount.interval,
        lower_bound=share.lower_bound,
        unassigned_share=tube.unassigned_share,
        enrichment=_enrichment(tube, loaded, main.members),
        target=target.name if target else None,
        target_share=aim.value if aim else None,
        target_interval=aim.interval if aim else None,
        probability_above_target=_probability(tube, target) if aim else None,
        sentence=_sentence(tube, shares, usable_share) + _target_sentence(tube, target, aim, main),
    )


def _aim(tube: TubeContent, target: Target | None) -> Share | None:
    if target is None:
        return None
    members = [member for member in target.members if member in tube.pigments]
    return share_by_mass(tube, members) if members else None


def _probability(tube: TubeContent, target: Target | None) -> float | None:
    if target is None or target.share is None:
        return None
    members = [member for member in target.members if member in tube.pigments]
    return probability_share_above(tube, members, target.share)


def _enrichment(
    tube: TubeContent, loaded: TubeContent | None, members: tuple[str, ...]
) -> Quantity | None:
    if loaded is None or loaded is tube or not set(members) <= set(loaded.pigments):
        return None
    return enrichment(tube, loaded, members)


def _sentence(tube: TubeContent, shares: Sequence[tuple[Part, Share]], usable_share: float) -> str:
    (main, share), *others = shares
    others = [(part, one) for part, one in others if one.value.value >= LISTED_SHARE]
    others = others[: LISTED_PARTS - 1]
    stated = percent(share.value.value, share.interval)
    if share.value.value < usable_share:
        listed = "; ".join(
            f"{percent(one.value.value, one.interval)} {part.words}" for part, one in others
        )
        text = f"A mixture. Of the coloured pigment, {stated} by mass is {main.words}"
        text += f"; {listed}." if listed else "."
    else:
        text = f"Of the coloured pigment, {stated} by mass is {main.words}"
        if others:
            rest = ", ".join(f"{part.words} {percent(one.value.value)}" for part, one in others)
            text += f"; the rest: {rest}."
        else:
            text += "."
    if tube.unassigned_share >= LISTED_SHARE:
        text += (
            f" No candidate explains {percent(tube.unassigned_share)} of the absorbance; counted "
            f"as impurity, it leaves at least {percent(share.lower_bound)} {main.words}."
        )
    return text


def _target_sentence(
    tube: TubeContent, target: Target | None, aim: Share | None, main: Part
) -> str:
    """Say whether the target's share is enough, in the tubes that are mainly the target."""
    if target is None or aim is None or target.share is None:
        return ""
    if not set(aim.members) & set(main.members):
        return ""
    chance = _probability(tube, target)
    if chance is None or math.isnan(chance):
        return ""
    name = spoken(target.name)
    return (
        f" Wanted: at least {percent(target.share)} {name}; here it is "
        f"{percent(aim.value.value, aim.interval)}, which is enough with a probability of "
        f"{_chance(chance)}."
    )


def _chance(probability: float) -> str:
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else percent(probability)
