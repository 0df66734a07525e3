"""Which scan of a tube speaks for it, and the trade's indices of that scan."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from specfrac.indices import Index, fit_indices
from specfrac.sheet import Fraction
from specfrac.uncertainty import Quantity

if TYPE_CHECKING:
    from specfrac.fitting.results import MixtureFit
    from specfrac.references import ReferenceLibrary


def clearest_scan(fit: MixtureFit) -> int:
    """Return the position of the scan that shows most: most points used, then least dilute."""
    strength = fit.path_lengths / fit.dilution_factors
    return max(range(len(fit.scans)), key=lambda i: (int(fit.used[i].sum()), strength[i]))


def tube_indices(
    fraction: Fraction, fit: MixtureFit, library: ReferenceLibrary
) -> tuple[Index, ...]:
    """Return the indices of a tube's clearest scan, against its main pigment when clean.

    Parameters
    ----------
    fraction : Fraction
        With `after_acid`, the red absorbance before and after acid is among them.
    fit : MixtureFit
    library : ReferenceLibrary

    Returns
    -------
    tuple of Index
        Empty when the fit failed or found no pigment.
    """
    index = clearest_scan(fit)
    after = fraction.after_acid
    return fit_indices(
        fit,
        library,
        index=index,
        acidified=after.scan if after else None,
        thinning=_thinning(fraction, index),
        bandwidth=fraction.bandwidth,
    )


def _thinning(fraction: Fraction, index: int) -> Quantity | None:
    """How many times less the scan after acid reads for its dilution and path length alone.

    One cuvette and one dilution before and after leave no error of either.
    """
    before, after = fraction.scans[index], fraction.after_acid
    if after is None:
        return None
    value, squares = 1.0, 0.0
    for first, second, sign in (
        (before.dilution_factor, after.dilution_factor, 1),
        (before.path_length, after.path_length, -1),
    ):
        if first.value == second.value:
            continue
        value *= (second.value / first.value) ** sign
        squares += sum((one.uncertainty / one.value) ** 2 for one in (first, second))
    return Quantity(value, value * math.sqrt(squares), "")
