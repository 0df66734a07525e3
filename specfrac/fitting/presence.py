"""Is a pigment there? One test each, or all of them together at one risk of error."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from specfrac.errors import InputError, did_you_mean
from specfrac.fitting.results import MixtureFit

ADJUSTMENTS = ("none", "holm")


@dataclass(frozen=True, slots=True)
class Presence:
    """Test of one pigment's presence.

    Attributes
    ----------
    pigment : str
    statistic : float
        Unconstrained estimate over the standard uncertainty it would have if the pigment
        were absent.
    p_value : float
        One-sided probability of such an estimate without the pigment, adjusted as asked.
    detected : bool
        p at most the significance, and a displayed amount above zero: an unconstrained
        estimate that only balances a neighbour's negative one is no detection.
    """

    pigment: str
    statistic: float
    p_value: float
    detected: bool


def presence(
    fit: MixtureFit, *, adjust: str = "none", significance: float = 0.05
) -> tuple[Presence, ...]:
    """Test the presence of every candidate of a fit.

    Without adjustment each pigment that is absent is called present with probability
    `significance`; of eight absent ones more than one in three scans then shows some. With
    Holm's adjustment `significance` is the probability that any absent pigment is called
    present.

    Parameters
    ----------
    fit : MixtureFit
    adjust : str
        ``"none"``: as in `MixtureFit.detected` at 5 %; ``"holm"``: the whole set.
    significance : float
        Between 0 and 1.

    Returns
    -------
    tuple of Presence
        In the order of the candidates; NaN and not detected where the fit failed.

    Raises
    ------
    InputError
        If the adjustment is not known or the significance cannot be right.

    References
    ----------
    L. A. Currie, Pure Appl. Chem. 67 (1995) 1699; S. Holm, Scand. J. Stat. 6 (1979) 65.
    """
    if adjust not in ADJUSTMENTS:
        raise InputError(
            f"the adjustment {adjust!r} is not known. {did_you_mean(adjust, ADJUSTMENTS)}"
        )
    if not 0 < significance < 1:
        raise InputError(f"significance is {significance:g}, but must lie between 0 and 1.")
    with np.errstate(invalid="ignore", divide="ignore"):
        statistics = (fit.concentration_unconstrained / fit.zero_uncertainty).tolist()
    p_values = [0.5 * math.erfc(z / math.sqrt(2)) for z in statistics]
    if adjust == "holm":
        p_values = _holm(p_values)
    return tuple(
        Presence(pigment, z, p, bool(p <= significance and shown > 0))
        for pigment, z, p, shown in zip(
            fit.pigments, statistics, p_values, fit.concentration.tolist(), strict=True
        )
    )


def _holm(p_values: Sequence[float]) -> list[float]:
    """Holm's step-down adjustment; NaN stays NaN."""
    known = [at for at, p in enumerate(p_values) if not math.isnan(p)]
    adjusted, running = [math.nan] * len(p_values), 0.0
    for rank, at in enumerate(sorted(known, key=lambda at: p_values[at])):
        running = max(running, min(1.0, (len(known) - rank) * p_values[at]))
        adjusted[at] = running
    return adjusted
