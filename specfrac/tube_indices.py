"""Which scan of a tube speaks for it, and the trade's indices of that scan."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from specfrac.indices import Index, indices
from specfrac.scans import Scan
from specfrac.sheet import Fraction
from specfrac.tube_flags import too_high
from specfrac.uncertainty import Quantity

if TYPE_CHECKING:
    from specfrac.fitting.results import MixtureFit
    from specfrac.references import ReferenceLibrary


def clearest_scan(fit: MixtureFit) -> int:
    """Return the position of the scan that shows most: most points used, then least dilute."""
    strength = fit.path_lengths / fit.dilution_factors
    return max(range(len(fit.scans)), key=lambda i: (int(fit.used[i].sum()), strength[i]))


def main_pigment(fit: MixtureFit) -> str | None:
    """Return the detected pigment with the highest band; None when there is none."""
    if not fit.success:
        return None
    height = fit.concentration * np.array([entry.scale for entry in fit.references.entries])
    strongest = int(np.argmax(np.where(fit.detected, height, 0.0)))
    return fit.pigments[strongest] if fit.detected[strongest] and height[strongest] > 0 else None


def readable(fit: MixtureFit, index: int) -> Scan:
    """Return a scan of a fit without the readings that were too high to be used.

    What is too high for the fit is too high for an index.
    """
    scan = fit.scans[index]
    return replace(scan, absorbance=np.where(too_high(fit, index), np.nan, scan.absorbance))


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
    pigment = main_pigment(fit)
    if pigment is None:
        return ()
    index = clearest_scan(fit)
    after = fraction.after_acid
    return indices(
        readable(fit, index),
        library,
        solvent=fit.references.solvent.key,
        pigments=[pigment],
        acidified=after.scan if after else None,
        thinning=_thinning(fraction, index),
        bandwidth=fraction.bandwidth,
        noise=float(fit.noise[index]),
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
