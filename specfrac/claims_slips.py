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
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise, product
from types import MappingProxyType

from specfrac.claims_sheet import Claimed
from specfrac.references import read_table

CARRY_LIMIT = 0.025  # a coarser figure may have been carried on unrounded
DIGIT_SHIFTS = (-3, -2, -1, 1, 2, 3)


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
            if _agrees(float(text), expected, 0.5 * 10.0 ** -_places(text), one.tolerance):
                found.append(replace(one, value=claimed.value, slip="digits-swapped"))
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


def _places(text: str) -> int:
    return len(text.partition(".")[2])


def _agrees(value: float, expected: float, half_unit: float, tolerance: float) -> bool:
    return abs(value - expected) <= half_unit * 1.001 + tolerance * abs(expected)


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
    if claimed.digits < digits:
        return abs(written - expected) <= unit / 2 * 1.001 + spread
    short = abs(expected) - abs(written)
    return short + spread > 0 and short - spread < unit


def best_match(
    claimed: Claimed, branches: Sequence[Branch], *, floor: float, digits: int
) -> Match | None:
    """Return the branch that explains a claimed figure, or None.

    A branch without a slip wins over all others. Among slips the weight of the kind,
    shared by its branches, counts, and then how well the figure agrees.

    Parameters
    ----------
    claimed : Claimed
    branches : sequence of Branch
    floor : float
        Relative difference allowed beyond rounding.
    digits : int
        Significant digits a result must keep; of a figure with fewer the rounding is
        not granted.

    Returns
    -------
    Match or None
    """
    rounding = claimed.rounding if claimed.digits >= digits else 0.0
    counts = Counter(one.slip for one in branches)
    scored = []
    for one in branches:
        distance = _distance(claimed.value, one, rounding + floor)
        if distance > 1:
            continue
        if one.slip is None:
            scored.append((math.inf, -distance, one))
        else:
            weight = slips()[one.slip].weight / counts[one.slip]
            scored.append((math.log(weight) - distance**2 / 2, -distance, one))
    if not scored:
        return None
    scored.sort(key=lambda item: (-item[0], -item[1]))
    best = scored[0][2]
    others = [str(one.slip) for _, _, one in scored if one.slip not in (None, best.slip)]
    return Match(best, tuple(dict.fromkeys(others))[:2] if best.slip is not None else ())


def _distance(value: float, branch: Branch, tolerance: float) -> float:
    """Return the distance from a branch in units of what may separate them."""
    if branch.value == 0:
        return 0.0 if value == 0 else math.inf
    return abs(value / branch.value - 1) / (tolerance + branch.tolerance)


def carried(claimed: Claimed, expected: Branch | None = None) -> list[Branch]:
    """Return what a person may have carried on from a figure.

    Parameters
    ----------
    claimed : Claimed
    expected : Branch, optional
        The unrounded value it stands for, where it does.
    """
    written = Branch(claimed.value, tolerance=min(claimed.rounding, CARRY_LIMIT))
    return [written] if expected is None else [written, replace(expected, slip=None, how="")]
