"""Numbers of a comparison as a reader should see them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from specfrac.compare.measures import Measure
from specfrac.report.numbers import pretty, significant

PERCENT = 100.0
RATIO_PLACES = 2
NARROW_RATIO = 0.01  # half width
NOT_KNOWN = "not known"


def factor_of(measure: Measure) -> float:
    """Return what a value is multiplied with for display: fractions become percent."""
    return 1.0 if measure.unit else PERCENT


def unit_of(measure: Measure, *, difference: bool = False) -> str:
    """Return the unit for display.

    Examples
    --------
    >>> share = Measure("share", "share", "share", "", "higher")
    >>> unit_of(share), unit_of(share, difference=True)
    ('%', 'percentage points')
    """
    if measure.unit:
        return measure.unit
    return "percentage points" if difference else "%"


def places(width: float) -> int:
    """Return decimal places that show two digits of an interval's half width."""
    if not (math.isfinite(width) and width > 0):
        return 2
    return 1 - int(f"{width:.1e}".partition("e")[2])


def fixed(value: float, digits: int) -> str:
    """Return a number with so many decimal places, none in powers of ten."""
    if not math.isfinite(value):
        return NOT_KNOWN
    value = round(value, digits) + 0.0  # no minus zero
    return pretty(f"{value:.{max(digits, 0)}f}")


def number(measure: Measure, value: float, width: float) -> str:
    """Return a value of a measure, rounded by the half width of its interval."""
    factor = factor_of(measure)
    if not math.isfinite(width) or width <= 0:
        return significant(factor * value, 3)
    return fixed(factor * value, places(factor * width))


def interval_words(measure: Measure, interval: Sequence[float]) -> str:
    """Return "9.7 to 15.3", or that it is not known."""
    low, high = interval
    if not (math.isfinite(low) and math.isfinite(high)):
        return NOT_KNOWN
    width = (high - low) / 2
    return f"{number(measure, low, width)} to {number(measure, high, width)}"


def ratio_words(ratio: float, interval: Sequence[float]) -> str:
    """Return "1.34 times as much (1.25 to 1.44)", or ``""`` when the ratio is not known."""
    if not math.isfinite(ratio):
        return ""
    told = ratio_range(interval)
    if not told:
        return f"{significant(ratio, 3)} times as much"
    return f"{fixed(ratio, ratio_places(interval))} times as much ({told})"


def ratio_places(interval: Sequence[float]) -> int:
    """Return decimal places of a ratio: two, or more where its interval is very narrow."""
    width = (interval[1] - interval[0]) / 2
    return min(places(width), RATIO_PLACES if width >= NARROW_RATIO else RATIO_PLACES + 2)


def ratio_range(interval: Sequence[float]) -> str:
    """Return "1.25 to 1.44", or ``""`` when an end is not known."""
    low, high = interval
    if not (math.isfinite(low) and math.isfinite(high)):
        return ""
    digits = ratio_places(interval)
    return f"{fixed(low, digits)} to {fixed(high, digits)}"


def p_words(p_value: float) -> str:
    """Return "p = 0.012" or "p < 0.0001".

    Examples
    --------
    >>> p_words(0.01234), p_words(1e-9), p_words(0.3)
    ('p = 0.012', 'p < 0.0001', 'p = 0.30')
    """
    if not math.isfinite(p_value):
        return f"p {NOT_KNOWN}"
    if p_value < 1e-4:
        return "p < 0.0001"
    digits = 2 if p_value >= 0.1 else 1 - math.floor(math.log10(p_value))
    return f"p = {p_value:.{digits}f}"


def percent_words(share: float) -> str:
    """Return a share of one in percent, two digits at most.

    Examples
    --------
    >>> percent_words(0.0004), percent_words(0.065), percent_words(0.34)
    ('under 1 %', '6.5 %', '34 %')
    """
    if not math.isfinite(share):
        return NOT_KNOWN
    if 0 < share < 0.01:
        return "under 1 %"
    return f"{PERCENT * share:.0f} %" if share >= 0.095 else f"{significant(PERCENT * share, 2)} %"


def joined_words(words: Sequence[str]) -> str:
    """Return "a", "a and b", or "a, b and c"."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


NAMED = 8


def listed(names: Sequence[str]) -> str:
    """Return names in a row, shortened when there are many."""
    if len(names) <= NAMED:
        return ", ".join(names)
    return f"{', '.join(names[: NAMED - 1])} and {len(names) - NAMED + 1} more"


def capital(words: str) -> str:
    """Return words with a capital to begin a sentence; a Greek letter stays small.

    Examples
    --------
    >>> capital("lutein"), capital("β-carotene")
    ('Lutein', 'β-carotene')
    """
    return words[0].upper() + words[1:] if words[:1].isascii() else words
