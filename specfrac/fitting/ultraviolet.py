"""What a yellow tube shows below the range of its fit: a cis peak, or the solvent's edge.

The references of chlorophyll types end near 380 nm in some solvents, and with them the
fit. The scan often goes on, and carotenoids are known there: what stands above them is a
cis isomer's band, the edge of the solvent, or matter that absorbs in the ultraviolet.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from specfrac.checks import smoothed
from specfrac.fitting.error_model import error_model
from specfrac.fitting.model import SCATTER_REFERENCE_NM, pigment_shape
from specfrac.fitting.results import MixtureFit
from specfrac.flags import Flag

Array = NDArray[np.float64]

CAROTENOID_KINDS = ("carotene", "xanthophyll")
FEWEST_POINTS = 5
BESIDE_PEAK_NM = 12.0  # a cis peak, 20 nm broad, has fallen there by more than a third
FALL_BESIDE_PEAK = 0.85  # of the top, with the carotenoid's own absorbance below it


def ultraviolet_flags(fit: MixtureFit) -> list[Flag]:
    """Flags of what a tube of carotenoids absorbs below the range of its fit.

    Parameters
    ----------
    fit : MixtureFit

    Returns
    -------
    list of Flag
        ``cis-peak`` or ``ultraviolet-absorbance``, at most one a scan. Empty when
        chlorophyll types are there in more than traces: their ultraviolet bands are not
        known.
    """
    if not np.isfinite(fit.concentration).all() or not _yellow(fit):
        return []
    flags = []
    for number in range(len(fit.scans)):
        flag = _flag(fit, number)
        if flag is not None:
            flags.append(flag)
    return flags


def _yellow(fit: MixtureFit) -> bool:
    """Whether carotenoids make nearly all of the colour."""
    height = fit.concentration * np.array([entry.scale for entry in fit.references.entries])
    yellow = np.array([entry.group in CAROTENOID_KINDS for entry in fit.references.entries])
    most = error_model()["ultraviolet_chlorophyll_share"]
    return bool(height.sum() > 0 and height[~yellow].sum() <= most * height.sum())


def _flag(fit: MixtureFit, number: int) -> Flag | None:
    limits = error_model()
    scan, used = fit.scans[number], fit.used[number]
    if not used.any():
        return None
    begin = max(fit.references.solvent.uv_limit_nm, limits["ultraviolet_from"])
    window = (scan.wavelength >= begin) & (scan.wavelength < scan.wavelength[used][0])
    window &= np.isfinite(scan.absorbance)
    if window.sum() < FEWEST_POINTS:
        return None
    wavelength = scan.wavelength[window]
    excess = smoothed(wavelength, scan.absorbance[window] - _expected(fit, number, wavelength))
    at = int(excess.argmax())
    height, place = float(excess[at]), float(wavelength[at])
    peak = float(scan.absorbance[used].max() - fit.offsets[number])
    if height < max(limits["ultraviolet_excess"] * peak, limits["offset_limit"]):
        return None
    share = 100 * height / peak
    if _falls_to_the_blue(scan.wavelength, scan.absorbance, place):
        return Flag(
            "cis-peak",
            f"{scan.name}: a band at {place:.0f} nm stands {height:.3f} ({share:.0f} % of the main "
            "band) above the carotenoids found, as a cis isomer's does. The fit does not use it.",
        )
    seen = scan.wavelength[0] <= place - BESIDE_PEAK_NM
    likely = (
        "the solvent's edge, or matter that absorbs in the ultraviolet"
        if seen
        else "a cis isomer, the solvent's edge, or matter that absorbs in the ultraviolet; a scan "
        f"from {place - 2 * BESIDE_PEAK_NM:.0f} nm tells"
    )
    return Flag(
        "ultraviolet-absorbance",
        f"{scan.name}: at {place:.0f} nm absorbance stands {height:.3f} ({share:.0f} % of the "
        f"main band) above the carotenoids found and rises to the blue: {likely}. The fit does "
        "not use it.",
    )


def _expected(fit: MixtureFit, number: int, wavelength: Array) -> Array:
    """Baseline and carotenoids of the fit, continued below its range."""
    factor = fit.path_lengths[number] / fit.dilution_factors[number]
    ratio = SCATTER_REFERENCE_NM / wavelength
    total = fit.offsets[number] + fit.scatters[number] * ratio**fit.scatter_exponent
    for entry, concentration in zip(fit.references.entries, fit.concentration, strict=True):
        if concentration > 0 and entry.group in CAROTENOID_KINDS:
            total = total + factor * concentration * entry.scale * pigment_shape(
                entry,
                wavelength,
                shifts=fit.group_shifts,
                bandwidth=fit.bandwidth,
                variance=fit.bandwidth_variance,
            )
    return np.asarray(total)


def _falls_to_the_blue(wavelength: Array, absorbance: Array, place: float) -> bool:
    """Whether the scan goes on below a top and falls there."""
    smooth = smoothed(wavelength, absorbance)
    if wavelength[0] > place - BESIDE_PEAK_NM:
        return False
    top, beside = np.interp([place, place - BESIDE_PEAK_NM], wavelength, smooth)
    return bool(beside < FALL_BESIDE_PEAK * top)
