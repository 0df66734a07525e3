"""What the reader of a tube should know, beyond what scan and fit say themselves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from specfrac.fitting.results import G_PER_L_TO_MG_PER_L
from specfrac.flags import Flag
from specfrac.indices import too_high
from specfrac.names import listed, spoken
from specfrac.purity import percent
from specfrac.sheet import Fraction

if TYPE_CHECKING:
    from specfrac.equations import EquationResult
    from specfrac.fitting.results import MixtureFit
    from specfrac.tubes import GroupResult, MeasuredTube, PigmentResult


def scan_flags(fraction: Fraction, fit: MixtureFit, flags: list[Flag]) -> list[Flag]:
    """Return the flags with one for each saturated scan in place of three.

    Where another scan of the tube was used in place of the part that is too high, a
    note says so; otherwise the advice to dilute stays, and only the repeats go.
    """
    for index, scan in enumerate(fit.scans):
        own = {flag for flag in flags if flag.message.startswith(f"{scan.name}: ")}
        high = [flag for flag in own if flag.code in ("above-linear-limit", "flat-top")]
        if not high:
            continue
        instead = _used_instead(fit, index)
        said = [flag for flag in fraction.scans[index].scan.flags if flag.code == "ceiling"]
        if instead is not None:
            flags = [flag for flag in flags if flag not in (*high, *said)]
            flags.append(_diluted_flag(fit, index, instead))
        elif any(flag.code == "flat-top" for flag in high):
            flags = [flag for flag in flags if flag not in said]
    return flags


def _used_instead(fit: MixtureFit, index: int) -> int | None:
    """Return the scan of the tube that was used where this one reads too high, or None."""
    wavelength = fit.scans[index].wavelength[too_high(fit, index)]
    for other, scan in enumerate(fit.scans):
        if other == index or not wavelength.size or not fit.used[other].any():
            continue
        reach = scan.wavelength[fit.used[other]]
        share = np.interp(wavelength, scan.wavelength, fit.used[other].astype(float))
        if wavelength[0] >= reach[0] and wavelength[-1] <= reach[-1] and (share > 0.99).all():
            return other
    return None


def _diluted_flag(fit: MixtureFit, index: int, instead: int) -> Flag:
    scan, other = fit.scans[index], fit.scans[instead]
    high = too_high(fit, index)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], high, [False])).astype(int)))
    ranges = [
        f"{scan.wavelength[first]:.0f} to {scan.wavelength[last - 1]:.0f} nm"
        for first, last in zip(edges[::2], edges[1::2], strict=True)
    ]
    factor = float(fit.dilution_factors[instead] / fit.dilution_factors[index])
    diluted = f", {factor:g} times more dilute," if factor > 1 else ""
    return Flag(
        "dilution-used",
        f"{scan.name} is too strong from {listed(ranges)} (up to A "
        f"{np.nanmax(scan.absorbance):.2f}); there {other.name}{diluted} was used in its place.",
    )


def result_flags(
    tube: MeasuredTube,
    pigments: Sequence[PigmentResult],
    groups: Sequence[GroupResult],
    most: float,
) -> list[Flag]:
    flags = []
    name = tube.fraction.name
    unscaled = [one.pigment for one in pigments if one.detected and not one.for_mass]
    if unscaled and not any(flag.code == "estimate-grade" for flag in tube.flags):
        message = (
            f"{name}: no absorptivity of {listed(map(spoken, unscaled))} in "
            f"{tube.fraction.solvent} is published, so no mass is given. Evaporate, redissolve in "
            "a solvent with a measured reference (such as acetone or 90 % acetone) and scan again."
        )
        flags.append(Flag("estimate-grade", message))
    reported: list[tuple[str, PigmentResult | GroupResult]] = [
        *((spoken(one.pigment), one) for one in pigments if one.merged_into is None),
        *((listed(map(spoken, one.members)), one) for one in groups if one.merged),
    ]
    above = [
        f"{words} {percent(one.recovery.value, one.recovery_interval)}"
        for words, one in reported
        if one.recovery and one.recovery_interval and one.detected
        if one.recovery_interval[0] > most
    ]
    if above:
        message = (
            f"{name}: more than was loaded: {listed(above)} recovered. Check the dilution factors "
            "and volumes of this tube and of the loaded extract."
        )
        flags.append(Flag("recovery-above-one", message))
    return flags


def equation_flags(
    tube: MeasuredTube, equations: Sequence[EquationResult], limit: float
) -> list[Flag]:
    """Return a note for the first quantified pigment on which the best set differs."""
    fit = tube.fit
    if not equations or fit is None:
        return []
    best = equations[0]
    quantified = dict(zip(fit.pigments, fit.quantified, strict=True))
    for one in best.values:
        if one.unit != "mg/L" or not quantified.get(one.output, False):
            continue
        fitted = float(fit.concentration[fit.pigments.index(one.output)]) * G_PER_L_TO_MG_PER_L
        if fitted > 0 and abs(one.value / fitted - 1) > limit:
            why = best.explained.get(one.output) or f"the fit {fitted:.3g} mg/L."
            message = (
                f"{tube.fraction.name}: by the equations {best.equation_set.set_id} "
                f"{spoken(one.output)} is {one.value:.3g} mg/L, {why}"
            )
            return [Flag("equations-disagree", message)]
    return []
