"""Which readings of a tube a fit may use, and why it may not use the others."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from specfrac.checks import digitisation, flat_top, peak_absorbance, smoothed
from specfrac.fitting.error_model import error_model
from specfrac.flags import Flag
from specfrac.references import References
from specfrac.scans import Scan

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

INFORMATIVE_SHARE = 0.01  # of a shape's maximum: below it a point tells nothing of the pigment


@dataclass(frozen=True, slots=True, eq=False)
class Tube:
    """Scans of one solution with what the fit must know of each."""

    name: str
    scans: tuple[Scan, ...]
    dilution_factors: tuple[float, ...]
    dilution_uncertainties: tuple[float, ...]
    path_lengths: tuple[float, ...]
    bandwidth: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Usable:
    """The readings of one tube that a fit may use, and why others may not."""

    absorbance: Array
    used: Mask
    smoothed: Array
    floor: Array
    flags: tuple[Flag, ...]
    problem: str  # why the tube cannot be fitted, or ""


def usable(tube: Tube, references: References, informative: Mask, limit: float) -> Usable:
    """Choose the usable readings of a tube.

    Parameters
    ----------
    tube : Tube
    references : References
    informative : ndarray of bool, shape (n_points,)
        Where some candidate absorbs.
    limit : float
        Linear limit, applied to the smoothed scan here and to the fit later.

    Returns
    -------
    Usable
    """
    low = max(references.solvent.uv_limit_nm, *(e.valid_from for e in references.entries))
    high = min(e.valid_to for e in references.entries)
    flags: list[Flag] = []
    masks, levels, floors = [], [], []
    for scan in tube.scans:
        wavelength, absorbance = scan.wavelength, scan.absorbance
        smooth = smoothed(wavelength, absorbance)
        step = digitisation(absorbance)
        flat = flat_top(absorbance, step)
        measured = np.isfinite(absorbance)
        inside = (wavelength >= low) & (wavelength <= high)
        linear = np.where(np.isfinite(smooth), smooth, np.inf) <= limit
        masks.append(measured & inside & linear & ~flat)
        levels.append(np.where(np.isfinite(smooth), smooth, 0.0))
        floors.append(max(step / math.sqrt(12), error_model()["noise_floor"]))
        flags += _reading_flags(scan, smooth, inside & measured, flat, limit)
    used = np.concatenate(masks)
    absorbance = np.concatenate([scan.absorbance for scan in tube.scans])
    count = int((used & informative).sum())
    needed = int(error_model()["informative_points"])
    problem = ""
    if count < needed:
        problem = (
            f"{tube.name}: {count} usable points tell of the candidates, but a "
            f"fit needs {needed} (usable: {low:g} nm and up, below absorbance {limit:g}). "
            "Dilute, scan a wider range, or use a finer step."
        )
    return Usable(
        np.where(used, absorbance, 0.0),
        used,
        np.concatenate(levels),
        np.array(floors),
        tuple(flags),
        problem,
    )


def informative_points(references: References, wavelength: Array) -> Mask:
    shapes = np.array([entry.shape(wavelength) for entry in references.entries])
    return np.asarray((shapes > INFORMATIVE_SHARE).any(axis=0))


def _reading_flags(scan: Scan, smooth: Array, inside: Mask, flat: Mask, limit: float) -> list[Flag]:
    numbers = error_model()
    flags = list(scan.flags)
    if not inside.any():
        return flags
    highest = float(np.nanmax(np.where(inside, smooth, np.nan)))
    place = float(scan.wavelength[int(np.nanargmax(np.where(inside, smooth, np.nan)))])
    if highest > limit:
        over = scan.wavelength[inside & (smooth > limit)]
        flags.append(
            Flag(
                "above-linear-limit",
                f"{scan.name}: absorbance reaches {highest:.2f} at {place:.0f} nm; "
                f"{over.size} points above {limit:g} ({over[0]:.0f}-{over[-1]:.0f} nm) "
                "were left out. Dilute and rescan.",
            )
        )
    elif highest > numbers["high_absorbance"]:
        flags.append(
            Flag(
                "high-absorbance",
                f"{scan.name}: absorbance {highest:.2f} at {place:.0f} nm lies above "
                f"{numbers['high_absorbance']:g}.",
            )
        )
    if flat.any():
        over = scan.wavelength[flat]
        flags.append(
            Flag(
                "flat-top",
                f"{scan.name}: equal readings of {np.nanmax(scan.absorbance):.3f} from "
                f"{over[0]:.0f} to {over[-1]:.0f} nm look like a detector's ceiling.",
            )
        )
    peak = peak_absorbance(scan)
    if peak < numbers["weak_signal"]:
        flags.append(
            Flag(
                "weak-signal",
                f"{scan.name}: the highest absorbance is {peak:.3f}, below "
                f"{numbers['weak_signal']:g}.",
            )
        )
    return flags
