"""Sums that are reported as one figure: by kind of pigment, and where a scan cannot tell."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from specfrac.flags import Flag

if TYPE_CHECKING:
    from specfrac.fitting.results import Group, MixtureFit

CAROTENOIDS = "carotenoids"
CHLOROPHYLL_A_POOL = "chlorophyll-a-pool"
POOL_MEMBERS = ("chlorophyll-a", "pheophytin-a", "pheophorbide-a")  # one chromophore family
KINDS = {
    "carotene": "carotenoids",
    "xanthophyll": "carotenoids",
    "chlorophyll": "chlorophylls",
    "pheophytin": "pheophytins",
}


def report_groups(
    fit: MixtureFit, *, merge_limit: float
) -> tuple[tuple[Group, ...], tuple[Flag, ...]]:
    """Return the groups of a fit, and a flag for each that this scan forced.

    "carotenoids" and "chlorophyll-a-pool" are always there. The pool is in
    chlorophyll-a equivalents: masses are multiplied by M(chlorophyll a)/M(member).

    Parameters
    ----------
    fit : MixtureFit
        Its own groups are not looked at.
    merge_limit : float
        Largest expanded uncertainty (k = 2) of a member, as a share of its group's
        total, that still counts as telling it apart.
    """
    from specfrac.fitting.results import Group

    entries = fit.references.entries
    carotenoids = tuple(e.pigment for e in entries if KINDS[e.group] == CAROTENOIDS)
    pool = tuple(e.pigment for e in entries if e.pigment in POOL_MEMBERS)
    mass = {e.pigment: e.molar_mass for e in entries}
    base = mass["chlorophyll-a"] if "chlorophyll-a" in mass else _chlorophyll_a_mass(fit)
    groups = [
        Group(CAROTENOIDS, carotenoids, np.ones(len(carotenoids))),
        Group(CHLOROPHYLL_A_POOL, pool, np.array([base / mass[p] for p in pool])),
    ]
    flags = []
    for members in merged_pigments(fit, merge_limit):
        name = " + ".join(members)
        groups.append(Group(name, members, np.ones(len(members)), merged=True))
        flags.append(
            Flag(
                "merged-pigments",
                f"this scan cannot tell {' and '.join(members)} apart (expanded uncertainty over "
                f"{100 * merge_limit:.0f} % of their group); their sum is reported.",
            )
        )
    return tuple(groups), tuple(flags)


def _chlorophyll_a_mass(fit: MixtureFit) -> float:
    from specfrac.references import load_references

    if not any(p in POOL_MEMBERS for p in fit.pigments):
        return 1.0
    return load_references().pigment("chlorophyll-a").molar_mass


def merged_pigments(fit: MixtureFit, limit: float) -> list[tuple[str, ...]]:
    """Sets of pigments whose sum this scan knows but whose members it does not.

    Within each kind (carotenoids, chlorophylls, pheophytins), as long as a present
    member's expanded uncertainty from noise and shape exceeds `limit` times the kind's
    total, the two sets whose errors oppose each other most are put together.

    Parameters
    ----------
    fit : MixtureFit
    limit : float

    Returns
    -------
    list of tuple of str
    """
    if not np.isfinite(fit.concentration).all():
        return []
    covariance = fit.covariance_noise + fit.covariance_shape
    kinds = [KINDS[entry.group] for entry in fit.references.entries]
    found = []
    for kind in dict.fromkeys(kinds):
        index = [i for i, k in enumerate(kinds) if k == kind]
        total = float(fit.concentration[index].sum())
        # a kind that is not there itself has nothing to tell apart
        spread = float(np.sqrt(covariance[np.ix_(index, index)].sum()))
        if total <= 4 * spread:
            continue
        for sets in _merge(index, covariance, limit * total, fit.concentration):
            if len(sets) > 1:
                found.append(tuple(fit.pigments[i] for i in sets))
    return found


def _merge(
    index: list[int], covariance: np.ndarray, limit: float, concentration: np.ndarray
) -> list[tuple[int, ...]]:
    sets: list[tuple[int, ...]] = [(i,) for i in index]
    if 2 * math.sqrt(max(covariance[i, i] for i in index)) <= limit:
        return sets
    while len(sets) > 1:
        members = np.zeros((len(sets), covariance.shape[0]))
        for row, group in enumerate(sets):
            members[row, list(group)] = 1.0
        joint = members @ covariance @ members.T
        expanded = 2 * np.sqrt(np.diag(joint))
        worst = int(np.argmax(expanded))
        if expanded[worst] <= limit:
            break
        correlation = joint[worst] / np.sqrt(joint[worst, worst] * np.diag(joint))
        correlation[worst] = np.inf
        partner = int(np.argmin(correlation))
        if correlation[partner] > -0.3:
            break  # uncertain, but not for want of telling it from another
        joined = tuple(sorted(sets[worst] + sets[partner]))
        sets = [s for i, s in enumerate(sets) if i not in (worst, partner)] + [joined]
    return sets
