"""Which readings of a tube a fit may use, and why it may not use the others."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from specfrac.checks import (
    FLAT_TOP_FROM,
    FLAT_TOP_POINTS,
    PLATEAU_NM,
    PLATEAU_SHARE,
    digitisations,
    flat_top,
    peak_above_red_end,
    plateau,
    smoothed,
)
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
    """The readings that a fit may use, of tubes with the same grids, and why not others.

    Attributes
    ----------
    tubes : tuple of Tube
    absorbance, smoothed : ndarray, shape (n_tubes, n_points)
        A tube's scans one after the other; zero where unknown.
    used, inside, flat : ndarray of bool, shape (n_tubes, n_points)
        Usable; measured and within the references' range; on a detector's ceiling.
    floor : ndarray, shape (n_tubes, n_scans)
        Noise that digitisation alone makes.
    limit : float
        Linear limit.
    problems : tuple of str
        Why a tube cannot be fitted, or "".
    """

    tubes: tuple[Tube, ...]
    absorbance: Array
    smoothed: Array
    used: Mask
    inside: Mask
    flat: Mask
    floor: Array
    limit: float
    problems: tuple[str, ...]

    def flags(self, tube: int) -> list[Flag]:
        """What the readings of one tube want their reader to know."""
        flags: list[Flag] = []
        start = 0
        for scan in self.tubes[tube].scans:
            points = slice(start, start + len(scan))
            flags += _reading_flags(
                scan,
                self.smoothed[tube, points],
                self.inside[tube, points],
                self.flat[tube, points],
                self.limit,
            )
            start = points.stop
        return flags


def usable(
    tubes: Sequence[Tube], references: References, informative: Mask, limit: float
) -> Usable:
    """Choose the usable readings of tubes with the same grids.

    Parameters
    ----------
    tubes : sequence of Tube
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
    readings, levels, ranges, flats, floors = [], [], [], [], []
    for scans in zip(*(tube.scans for tube in tubes), strict=True):
        wavelength = scans[0].wavelength
        absorbance = np.array([scan.absorbance for scan in scans])
        steps = digitisations(absorbance)
        readings.append(absorbance)
        levels.append(smoothed(wavelength, absorbance))
        ranges.append(np.isfinite(absorbance) & (wavelength >= low) & (wavelength <= high))
        flats.append(flat_tops(absorbance, steps) | plateaus(wavelength, levels[-1]))
        floors.append(np.maximum(steps / math.sqrt(12), error_model()["noise_floor"]))
    absorbance, smooth = np.concatenate(readings, axis=1), np.concatenate(levels, axis=1)
    inside, flat = np.concatenate(ranges, axis=1), np.concatenate(flats, axis=1)
    used = inside & (np.where(np.isfinite(smooth), smooth, np.inf) <= limit) & ~flat
    counts = (used & informative).sum(axis=1)
    needed = int(error_model()["informative_points"])
    problems = tuple(
        ""
        if count >= needed
        else f"{tube.name}: {count} usable points tell of the candidates, but a "
        f"fit needs {needed} (usable: {low:g} nm and up, below absorbance {limit:g}). "
        "Dilute, scan a wider range, or use a finer step."
        for tube, count in zip(tubes, counts.tolist(), strict=True)
    )
    return Usable(
        tuple(tubes),
        np.where(used, absorbance, 0.0),
        np.where(np.isfinite(smooth), smooth, 0.0),
        used,
        inside,
        flat,
        np.column_stack(floors),
        limit,
        problems,
    )


def flat_tops(absorbance: Array, steps: Array) -> Mask:
    """Points on a detector's ceiling, of many scans (see `specfrac.checks.flat_top`)."""
    flat = np.zeros(absorbance.shape, dtype=bool)
    known = np.where(np.isfinite(absorbance), absorbance, -np.inf)
    highest = known.max(axis=1, keepdims=True)
    level = (known >= highest - 1e-9).sum(axis=1) >= FLAT_TOP_POINTS
    for row in np.flatnonzero(level & (highest[:, 0] >= FLAT_TOP_FROM)):
        flat[row] = flat_top(absorbance[row], float(steps[row]))
    return flat


def plateaus(wavelength: Array, smooth: Array) -> Mask:
    """Points on a noisy ceiling, of many scans (see `specfrac.checks.plateau`)."""
    flat = np.zeros(smooth.shape, dtype=bool)
    known = np.where(np.isfinite(smooth), smooth, -np.inf)
    highest = known.max(axis=1, keepdims=True)
    level = (known >= highest * (1 - PLATEAU_SHARE)) @ np.gradient(wavelength)
    for row in np.flatnonzero((level >= PLATEAU_NM) & (highest[:, 0] >= FLAT_TOP_FROM)):
        flat[row] = plateau(wavelength, smooth[row])
    return flat


def informative_points(references: References, wavelength: Array) -> Mask:
    shapes = np.array([entry.shape(wavelength) for entry in references.entries])
    return np.asarray((shapes > INFORMATIVE_SHARE).any(axis=0))


def _reading_flags(scan: Scan, smooth: Array, inside: Mask, flat: Mask, limit: float) -> list[Flag]:
    numbers = error_model()
    flags = list(scan.flags)
    if not inside.any():
        return flags
    level = np.where(inside, smooth, -np.inf)
    highest = float(level.max())
    place = float(scan.wavelength[int(level.argmax())])
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
                f"{scan.name}: the readings stay at {np.nanmax(smooth[flat]):.2f} from "
                f"{over[0]:.0f} to {over[-1]:.0f} nm, as at a detector's ceiling; they were left "
                "out. Dilute and rescan.",
            )
        )
    peak = peak_above_red_end(scan.wavelength, np.where(inside, smooth, np.nan))
    if peak < numbers["weak_signal"]:
        flags.append(
            Flag(
                "weak-signal",
                f"{scan.name}: the highest absorbance is {peak:.3f}, below "
                f"{numbers['weak_signal']:g}.",
            )
        )
    return flags
