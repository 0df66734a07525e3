"""Which slip explains a figure: alternatives of a step, and the best match among them.

Each step of a working has branches: values it takes when all is done right (by one
valid method or another), and values it takes after one slip. A claimed figure is
compared with all of them; the likeliest that agrees within rounding is named. Two
slips in one step are not looked for.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import pairwise, product
from types import MappingProxyType

from specfrac.claims.sheet import Claimed
from specfrac.references import read_table

CARRY_LIMIT = 0.025  # a coarser figure may have been carried on unrounded
DIGIT_SHIFTS = (-3, -2, -1, 1, 2, 3)
BESIDE_ROUNDING = 0.2
LIKELY = 0.1  # of the best explanation's score; others are worth naming beside it


@dataclass(frozen=True, slots=True)
class Slip:
    """A kind of slip.

    Attributes
    ----------
    code, label, advice : str
    weight : float
        How common beside the others; a working judgement, used only for ties.
    """

    code: str
    label: str
    advice: str
    weight: float


@lru_cache(maxsize=1)
def slips() -> Mapping[str, Slip]:
    """Return every kind of slip that is looked for, by code."""
    return MappingProxyType(
        {
            row["slip"]: Slip(row["slip"], row["label"], row["advice"], float(row["weight"]))
            for row in read_table("slips.csv").rows
        }
    )


@dataclass(frozen=True, slots=True)
class Branch:
    """A value a step may take.

    Attributes
    ----------
    value : float
    slip : str or None
        Code, or None when nothing slipped.
    how : str
        What was done, e.g. ``"by PORRA89-ACE80B"``.
    tolerance : float
        Relative, what the rounding of the figures before may add.
    """

    value: float
    slip: str | None = None
    how: str = ""
    tolerance: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """How closely a figure is looked at.

    Attributes
    ----------
    floor : float
        Relative difference allowed beyond rounding and the branch's own tolerance.
    digits : int
        Significant digits a result must keep; of a figure with fewer the rounding is
        not granted.
    sharpness : float
        How fast a slip becomes unlikely with distance, 1 for rounding, which is as
        likely at the edge of its range as in the middle; more for the error of a reading.
    odds : mapping of str to float
        Factors by kind of slip, for what else speaks for or against it.
    """

    floor: float
    digits: int
    sharpness: float = 1.0
    odds: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Match:
    """The branch that explains a figure, and others that would too.

    Attributes
    ----------
    branch : Branch
    others : tuple of str
        Codes of other slips that agree as well, likeliest first.
    """

    branch: Branch
    others: tuple[str, ...]


def through(formula: Callable[..., float], *inputs: Sequence[Branch]) -> list[Branch]:
    """Return what a formula makes of branches, with at most one slip among them."""
    results = []
    for combination in product(*inputs):
        codes = [one.slip for one in combination if one.slip is not None]
        if len(codes) > 1:
            continue
        value = formula(*(one.value for one in combination))
        if math.isfinite(value):
            how = "; ".join(dict.fromkeys(one.how for one in combination if one.how))
            tolerance = sum(one.tolerance for one in combination)
            results.append(Branch(value, codes[0] if codes else None, how, tolerance))
    return results


def clean(branches: Iterable[Branch]) -> list[Branch]:
    """Return the branches without a slip."""
    return [one for one in branches if one.slip is None]


def slipped(branches: Sequence[Branch], factors: Iterable[tuple[str, float, str]]) -> list[Branch]:
    """Return the clean branches times factors, each a slip: code, factor, how."""
    return [
        replace(one, value=one.value * factor, slip=code, how=how or one.how)
        for one in clean(branches)[:1]
        for code, factor, how in factors
        if math.isfinite(factor) and factor > 0
    ]


def figure_slips(claimed: Claimed, branches: Sequence[Branch], digits: int) -> list[Branch]:
    """Return slips of pen and rounding that may turn a right figure into the claimed one."""
    found = []
    for one in clean(branches)[:1]:
        expected = one.value / claimed.unit_factor
        for power in DIGIT_SHIFTS:
            found.append(replace(one, value=one.value * 10.0**power, slip="decimal-point"))
        for text in _transposed(claimed.text):
            # as far from the claimed figure as the expected one is from the untangled one;
            # all other digits are right then, so it must agree more closely
            found.append(
                replace(
                    one,
                    value=claimed.value * expected / float(text),
                    slip="digits-swapped",
                    tolerance=one.tolerance / 3,
                )
            )
        if rounded_badly(claimed, expected, digits, one.tolerance):
            found.append(replace(one, value=claimed.value, slip="wrong-rounding"))
    return found


def _transposed(text: str) -> list[str]:
    """Return a number with two neighbouring digits exchanged, each way it can be done."""
    places = [at for at, letter in enumerate(text) if letter.isdigit()]
    found = []
    for first, second in pairwise(places):
        if text[first] != text[second]:
            letters = list(text)
            letters[first], letters[second] = letters[second], letters[first]
            found.append("".join(letters))
    return found


def rounded_badly(claimed: Claimed, expected: float, digits: int, tolerance: float) -> bool:
    """Return whether a figure is the expected one cut off, or kept to too few digits.

    Parameters
    ----------
    claimed : Claimed
    expected : float
        In the unit as written.
    digits : int
        Significant digits a result must keep.
    tolerance : float
        Relative, of the expected value.
    """
    written = claimed.value / claimed.unit_factor
    unit = 2 * claimed.half_unit / claimed.unit_factor
    spread = tolerance * abs(expected)
    kept = claimed.digits
    while kept > 1 and "." not in claimed.text and _whole(written / (10 * unit)):
        unit, kept = 10 * unit, kept - 1  # the zeros may be filling: 40 for 37.6
    if kept < digits:
        return abs(written - expected) <= unit / 2 * 1.001 + spread
    short = abs(expected) - abs(written)
    return short + spread > 0 and short - spread < unit


def _whole(value: float) -> bool:
    return math.isclose(value, round(value), rel_tol=1e-9)


def best_match(claimed: Claimed, branches: Sequence[Branch], sight: Sight) -> Match | None:
    """Return the branch that explains a claimed figure, or None.

    The first branch without a slip wins over all others. Among slips, each kind counts
    with its weight, shared by its branches, and with how well they agree.

    Parameters
    ----------
    claimed : Claimed
    branches : sequence of Branch
    sight : Sight

    Returns
    -------
    Match or None
    """
    close = near(claimed, branches, sight)
    right = next((one for _, one in close if one.slip is None), None)
    if right is not None:
        return Match(right, ())
    if not close:
        return None
    scores = _scores(close, Counter(one.slip for one in branches), sight)
    ordered = sorted(scores, key=lambda code: -scores[code])
    best = min((item for item in close if item[1].slip == ordered[0]), key=lambda item: item[0])
    likely = [code for code in ordered[1:] if scores[code] > LIKELY * scores[ordered[0]]]
    return Match(best[1], tuple(likely[:2]))


def near(claimed: Claimed, branches: Sequence[Branch], sight: Sight) -> list[tuple[float, Branch]]:
    """Return the branches a figure agrees with, each with its distance, 0 to 1."""
    rounding = claimed.rounding if claimed.digits >= sight.digits else 0.0
    # where rounding is coarse the floor hardly counts beside it
    allowed = max(rounding, sight.floor) + BESIDE_ROUNDING * sight.floor
    found = [(_distance(claimed.value, one, allowed), one) for one in branches]
    return [(distance, one) for distance, one in found if distance <= 1]


def _scores(
    close: Sequence[tuple[float, Branch]], counts: Mapping[str | None, int], sight: Sight
) -> dict[str, float]:
    """Return how well each kind of slip explains a figure: weight, shared by its branches."""
    scores: dict[str, float] = {}
    for distance, one in close:
        code = str(one.slip)
        share = slips()[code].weight / counts[code] * sight.odds.get(code, 1.0)
        share *= math.exp(-((sight.sharpness * distance) ** 2) / 2)
        scores[code] = scores.get(code, 0.0) + share
    return scores


def _distance(value: float, branch: Branch, tolerance: float) -> float:
    """Return the distance from a branch in units of what may separate them."""
    if branch.value == 0:
        return 0.0 if value == 0 else math.inf
    return abs(value / branch.value - 1) / (tolerance + branch.tolerance)


def carried(claimed: Claimed, stands_for: Sequence[Branch] = ()) -> list[Branch]:
    """Return what a person may have carried on from a figure.

    Parameters
    ----------
    claimed : Claimed
    stands_for : sequence of Branch
        Unrounded values it may stand for; they count for a coarse figure, since the
        rounding of a fine one covers them.
    """
    written = Branch(claimed.value, tolerance=min(claimed.rounding, CARRY_LIMIT))
    if claimed.rounding <= CARRY_LIMIT:
        return [written]
    return [written, *(replace(one, slip=None, how="") for one in stands_for[:3])]
