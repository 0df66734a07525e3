"""Numbers as a reader should see them: rounded by their uncertainty, with unit."""

from __future__ import annotations

import math
import re

from specfrac.purity import percent
from specfrac.report.markup import Html, joined, tag, text
from specfrac.uncertainty import Quantity, rounded

NONE = "–"
MINUS = "−"

UNIT_AFTER_NUMBER = re.compile(
    r"(?<=\d) (?=(?:%|nm|mL|µg|mg/L|nmol|cm|g|h)(?![\w/]))|(?<=\bA) (?=\d)"
)

Interval = tuple[float, float]


def pretty(written: str) -> str:
    """Return a number with a true minus sign and a space that does not break."""
    return written.replace("-", MINUS).replace(" ± ", "\u00a0±\u00a0")


def plus_minus(given: Quantity | None, *, factor: float = 1.0, unit: str = "") -> str:
    """Return "value ± standard uncertainty unit", or a dash.

    Examples
    --------
    >>> plus_minus(Quantity(0.7412, 0.0234, ""), factor=100, unit="%").replace(chr(160), " ")
    '74.1 ± 2.3 %'
    """
    if given is None:
        return NONE
    written = pretty(rounded(factor * given.value, factor * given.uncertainty))
    return f"{written}\u00a0{unit}" if unit else written


def stacked(given: Quantity | None, *, factor: float = 1.0) -> Html:
    """Return a value with its standard uncertainty set small after it."""
    if given is None:
        return text(NONE)
    value, sign, uncertainty = rounded(factor * given.value, factor * given.uncertainty).partition(
        " ± "
    )
    if not sign:
        return text(pretty(value))
    return joined(pretty(value), tag("small", f"\u00a0±\u00a0{uncertainty}"))


def limit(value: float) -> str:
    """Return "< value" with two significant digits.

    Examples
    --------
    >>> limit(0.03412).replace(chr(160), " ")
    '< 0.034'
    """
    if not math.isfinite(value):
        return "not known"
    return f"<\u00a0{significant(value, 2)}"


def significant(value: float, digits: int) -> str:
    """Return a number with so many significant digits, never in powers of ten.

    Examples
    --------
    >>> significant(1234.5, 2), significant(0.00098765, 3), significant(2.0, 3)
    ('1200', '0.000988', '2.00')
    """
    if not math.isfinite(value):
        return "not known"
    if value == 0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    return pretty(f"{round(value, places):.{max(places, 0)}f}")


def share(value: Quantity | None, interval: Interval | None) -> str:
    """Return a share as "97 % (95 to 99 %)", as the purity sentence writes it."""
    if value is None or not math.isfinite(value.value):
        return NONE
    if interval is None or not all(map(math.isfinite, interval)):
        return percent(value.value)
    return percent(value.value, interval)


def share_split(value: Quantity | None, interval: Interval | None) -> tuple[str, str]:
    """Return a share and its interval apart: ``("97 %", "95 to 99 %")``."""
    first, _, rest = share(value, interval).partition(" (")
    return first, rest.rstrip(")")


def between(interval: Interval) -> str:
    """Return an interval of fractions as "81 to 111 %".

    Examples
    --------
    >>> between((0.811, 1.108)).replace(chr(160), " ")
    '81 to 111 %'
    """
    low, high = (f"{100 * end:.0f}" for end in interval)
    return f"{pretty(low)} to {pretty(high)}\u00a0%"


def whole_units(words: str) -> str:
    """Return text in which no line ends between a number and its unit.

    Examples
    --------
    >>> whole_units("97 % of 3 mL").replace(chr(160), "_")
    '97_% of 3_mL'
    """
    if isinstance(words, Html):
        return words
    return UNIT_AFTER_NUMBER.sub("\u00a0", words)


def probability(value: float) -> str:
    """Return a probability in words that claim no more than they should.

    Examples
    --------
    >>> probability(0.9987), probability(0.42)
    ('over 99 %', '42 %')
    """
    if not math.isfinite(value):
        return "not known"
    if value > 0.99:
        return "over 99 %"
    return "under 1 %" if value < 0.01 else f"{100 * value:.0f} %"


def counted(number: int, word: str) -> str:
    """Return "1 tube", "2 tubes"."""
    return f"{number} {word}" + ("" if number == 1 else "s")
