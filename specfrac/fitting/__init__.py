"""Scans and references become the composition of a solution."""

from specfrac.fitting.mixture import Identification, fit_mixture, fit_mixtures, fit_tube
from specfrac.fitting.results import (
    Curves,
    Group,
    MixtureFit,
    MixtureFits,
    UnassignedBand,
)

__all__ = [
    "Curves",
    "Group",
    "Identification",
    "MixtureFit",
    "MixtureFits",
    "UnassignedBand",
    "fit_mixture",
    "fit_mixtures",
    "fit_tube",
]
