"""What a fit wants its reader to know."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from specfrac.fitting import model
from specfrac.fitting.error_model import error_model
from specfrac.fitting.results import MixtureFit
from specfrac.fitting.ultraviolet import ultraviolet_flags
from specfrac.flags import Flag
from specfrac.references import References

Array = NDArray[np.float64]


def fit_flags(
    fit: MixtureFit, offset_errors: Array, scatter_errors: Array, highest: float
) -> list[Flag]:
    numbers = error_model()
    flags = []
    if not fit.success:
        flags.append(Flag("not-converged", fit.message))
    if fit.bandwidth is not None and fit.bandwidth > numbers["wide_bandwidth"]:
        flags.append(
            Flag(
                "wide-bandwidth",
                f"spectral bandwidth {fit.bandwidth:g} nm; only points below absorbance "
                f"{numbers['wide_bandwidth_linear_limit']:g} were used.",
            )
        )
    flags += _shift_flags(fit)
    if fit.unassigned_bands:
        band = fit.unassigned_bands[0]
        flags.append(
            Flag(
                "unassigned-absorbance",
                f"a band near {band.wavelength:.0f} nm, height {band.absorbance:.3f}, belongs to "
                f"no candidate ({100 * fit.unassigned_share:.1f} % of the area).",
            )
        )
    if fit.shape_error_factor >= numbers["poor_fit_factor"] or (
        fit.misfit > numbers["poor_fit_share"] * highest
    ):
        flags.append(
            Flag(
                "poor-fit",
                f"the scan departs from the model {_departure(fit)}; the uncertainties were "
                "raised to match. Look at the residual.",
            )
        )
    elif fit.shape_error_factor > 1 or fit.misfit > 0:
        flags.append(
            Flag(
                "shape-error-raised",
                f"the scan departs from the model {_departure(fit)}; the uncertainties were "
                "raised to match.",
            )
        )
    if fit.runs_p_value < 1e-4:
        flags.append(
            Flag("structured-residual", f"runs test of the residual: p = {fit.runs_p_value:.1g}.")
        )
    for scan, offset, error in zip(fit.scans, fit.offsets, offset_errors, strict=True):
        beyond = abs(offset) - 2 * error
        if beyond > numbers["offset_note"]:
            large = beyond > numbers["offset_limit"]
            limit = numbers["offset_limit" if large else "offset_note"]
            flags.append(
                Flag(
                    "offset" if large else "small-offset",
                    f"{scan.name}: offset of {offset:+.3f} absorbance (limit {limit:g}); it was "
                    "fitted. Check blank and cuvette.",
                )
            )
    for scan, scatter, error in zip(fit.scans, fit.scatters, scatter_errors, strict=True):
        if scatter - 2 * error > numbers["scatter_limit"]:
            flags.append(
                Flag(
                    "scatter",
                    f"{scan.name}: scatter of {scatter:.3f} absorbance at 500 nm (limit "
                    f"{numbers['scatter_limit']:g}); it was fitted. Let settle or filter.",
                )
            )
    return flags + ultraviolet_flags(fit)


def _departure(fit: MixtureFit) -> str:
    """How far a scan departs from model and stated errors, in words."""
    words = []
    if fit.misfit > 0:
        words.append(f"by {fit.misfit:.4f} absorbance more than the stated errors")
    if fit.shape_error_factor > 1:
        words.append(f"by {fit.shape_error_factor:.1f} times the stated band-shape error")
    return " and ".join(words)


@lru_cache(maxsize=16)
def _shift_groups(references: References) -> tuple[frozenset[str], ...]:
    """Groups of bands that move together, of each candidate."""
    return tuple(
        frozenset(model.shift_group(entry.group, region) for region in entry.region)
        for entry in references.entries
    )


def _shift_flags(fit: MixtureFit) -> list[Flag]:
    numbers = error_model()
    groups = _shift_groups(fit.references)
    present = set().union(
        *(own for own, found in zip(groups, fit.detected.tolist(), strict=True) if found)
    )
    seen = {
        group: shift
        for group, shift in fit.group_shifts.items()
        if group in present and fit.group_shift_uncertainties[group] < 1.0
    }
    if not seen:
        return []
    group = max(seen, key=lambda name: abs(seen[name]))
    shift = seen[group]
    text = (
        f"the bands of the {group.replace(', ', ' (') + (')' if ', ' in group else '')} lie "
        f"{shift:+.1f} nm from the reference in {fit.references.solvent.name}; check the solvent "
        "and the wavelength scale."
    )
    if abs(shift) > numbers["shift_warn"]:
        return [Flag("implausible-shift", text)]
    if abs(shift) > numbers["shift_note"]:
        return [Flag("band-shift", text)]
    return []


def scan_disagreement(
    fits: Sequence[MixtureFit], dilution_uncertainties: Sequence[float]
) -> list[Flag]:
    """Flag scans of one tube whose own fits give different amounts of colour.

    Each scan's amount is the sum of its pigments' absorbances at their maxima, undiluted;
    its uncertainty has noise, band shapes and dilution, but no absorptivity, which the scans
    share.

    Parameters
    ----------
    fits : sequence of MixtureFit
        Each scan by itself.
    dilution_uncertainties : sequence of float
        Relative.
    """
    amounts = []
    for fit, doubt in zip(fits, dilution_uncertainties, strict=True):
        if not fit.success:
            continue
        scale = np.array([entry.scale for entry in fit.references.entries])
        total = float(scale @ fit.concentration_unconstrained)
        variance = float(scale @ (fit.covariance_noise + fit.covariance_shape) @ scale)
        if total > 0:
            amounts.append((fit.name, total, variance / total**2 + doubt**2))
    flags = []
    numbers = error_model()
    for name, total, square in amounts[1:]:
        first_name, first, first_square = amounts[0]
        difference = math.log(total / first)
        doubt = math.sqrt(square + first_square)
        if abs(difference) > numbers["disagreement_significance"] * doubt:
            flags.append(
                Flag(
                    "scans-disagree",
                    f"{name} gives {100 * abs(math.expm1(difference)):.1f} % "
                    f"{'more' if difference > 0 else 'less'} colour than "
                    f"{first_name}, beyond the {100 * doubt:.1f} % that noise and dilution allow. "
                    "Likely: evaporation or bleaching between the scans, pipetting, or "
                    "saturation.",
                )
            )
    return flags


def reference_flags(fit: MixtureFit) -> list[Flag]:
    flags = []
    entries = [
        entry for entry, found in zip(fit.references.entries, fit.quantified, strict=True) if found
    ]
    estimates = [entry.pigment for entry in entries if entry.grade == "estimate"]
    adapted = [entry.pigment for entry in entries if entry.grade == "adapted"]
    solvent = fit.references.solvent.name
    if estimates:
        flags.append(
            Flag(
                "estimate-grade",
                f"no published absorptivity of {', '.join(estimates)} in {solvent}: good for a "
                "share and an alarm, not for mass. Redissolve in a tabulated solvent.",
            )
        )
    if adapted:
        flags.append(
            Flag(
                "adapted-reference",
                f"the shape of {', '.join(adapted)} in {solvent} was adapted from another solvent.",
            )
        )
    return flags
