"""Values with standard uncertainty, and where the uncertainty comes from.

Propagation is first order with full correlations (JCGM 100:2008) and is done by
the `uncertainties` library: two results that share an input share its error.
Every input is tagged with the name of its source, so that a result can say
which one matters most.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from uncertainties import UFloat, ufloat
from uncertainties.core import AffineScalarFunc, LinearCombination

from specfrac.errors import InputError

ROUNDING = 1e-13  # relative; less is no contribution
NORMAL_95 = 1.959963984540054  # 97.5 % quantile of the standard normal distribution


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measured value with its standard uncertainty (k = 1) and unit.

    Attributes
    ----------
    value : float
    uncertainty : float
        Standard uncertainty; NaN when unknown, never zero in its place.
    unit : str
    budget : tuple of (str, float)
        Source of uncertainty and its contribution in `unit`, largest first.
        The contributions combine in quadrature to `uncertainty`.
    """

    value: float
    uncertainty: float
    unit: str
    budget: tuple[tuple[str, float], ...] = ()

    @property
    def interval(self) -> tuple[float, float]:
        """The 95 % interval, value -+ 1.96 standard uncertainties."""
        half = NORMAL_95 * self.uncertainty
        return self.value - half, self.value + half

    @property
    def largest_contributor(self) -> str:
        """Name of the source that contributes most, or ``""``."""
        return self.budget[0][0] if self.budget else ""

    def __str__(self) -> str:
        return f"{rounded(self.value, self.uncertainty)} {self.unit}".strip()


def measured(value: float, uncertainty: float, source: str) -> UFloat:
    """Return an input quantity tagged with the name of its source.

    Parameters
    ----------
    value, uncertainty : float
        The standard uncertainty must be >= 0 or NaN.
    source : str
        What a budget calls it, e.g. ``"made-up volume"``.

    Returns
    -------
    UFloat
        With an uncertainty of exactly zero, a constant that no budget lists.

    Raises
    ------
    InputError
        If the uncertainty is negative or infinite.
    """
    if uncertainty < 0 or math.isinf(uncertainty):
        raise InputError(
            f"{source}: standard uncertainty {uncertainty:g} must be 0 or above and finite. "
            "Use NaN when it is not known."
        )
    if uncertainty == 0:
        # The library warns of a variable without uncertainty; a constant says the same.
        return AffineScalarFunc(value, LinearCombination({}))
    return ufloat(value, uncertainty, tag=source)


def quantity(result: AffineScalarFunc | float, unit: str) -> Quantity:
    """Return a propagated result as a plain `Quantity` with its budget.

    Contributions of inputs with the same source name add in quadrature; those that only
    rounding leaves, where an input cancels, are not listed.
    """
    if not isinstance(result, AffineScalarFunc):
        return Quantity(float(result), 0.0, unit)
    squares: dict[str, float] = {}
    for variable, contribution in result.error_components().items():
        source = variable.tag or "other"
        squares[source] = squares.get(source, 0.0) + contribution**2
    sizes = (result.nominal_value**2, *squares.values())
    dust = ROUNDING**2 * math.fsum(size for size in sizes if not math.isnan(size))
    budget = sorted(
        (
            (source, math.sqrt(square))
            for source, square in squares.items()
            if square > dust or math.isnan(square)
        ),
        key=lambda item: -item[1] if not math.isnan(item[1]) else -math.inf,
    )
    return Quantity(float(result.nominal_value), float(result.std_dev), unit, tuple(budget))


def rounded(value: float, uncertainty: float) -> str:
    """Return "value ± uncertainty", rounded as the uncertainty deserves.

    The uncertainty keeps two significant digits (JCGM 100:2008, 7.2.6) and the
    value the same last place.

    Examples
    --------
    >>> rounded(12.3456, 0.0789)
    '12.346 ± 0.079'
    >>> rounded(1234.5, 67.0)
    '1234 ± 67'
    """
    if math.isnan(value):
        return "not known"
    if math.isnan(uncertainty):
        return f"{value:.3g} ± not known"
    if uncertainty == 0:
        return f"{value:.4g}"
    # the exponent after rounding: 0.0996 becomes 0.10, not 0.100
    places = 1 - int(f"{uncertainty:.1e}".partition("e")[2])
    if places >= 0:
        return f"{value:.{places}f} ± {uncertainty:.{places}f}"
    return f"{round(value, places):.0f} ± {round(uncertainty, places):.0f}"


def combined(uncertainties: Iterable[float]) -> float:
    """Return the root of the sum of squares of independent uncertainties."""
    return math.sqrt(sum(u * u for u in uncertainties))
