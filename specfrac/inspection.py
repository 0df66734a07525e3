"""What a scan file holds: how it was understood, and which pigments its scans show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from specfrac.errors import FitError, InputError
from specfrac.fitting import Identification, MixtureFit, fit_mixtures, identify
from specfrac.flags import Flag
from specfrac.loading import Reading
from specfrac.records import inspect_record, json_bytes
from specfrac.references import ReferenceLibrary
from specfrac.scans import Scan
from specfrac.uncertainty import rounded


@dataclass(frozen=True, slots=True, eq=False)
class Inspection:
    """The scans of one file and what was found in each.

    Attributes
    ----------
    reading : Reading
    scans : tuple of Scan
    fits : tuple of MixtureFit or None
        None without a solvent, or where the fit failed.
    identifications : tuple of tuple of Identification
        One list a scan; empty when the solvent is known.
    flags : tuple of tuple of Flag
        One list a scan, beyond those of scan and fit.
    """

    reading: Reading
    scans: tuple[Scan, ...]
    fits: tuple[MixtureFit | None, ...]
    identifications: tuple[tuple[Identification, ...], ...]
    flags: tuple[tuple[Flag, ...], ...]


def inspect_reading(
    reading: Reading,
    library: ReferenceLibrary,
    *,
    solvent: str | None = None,
    pigments: Sequence[str] | None = None,
    path_length: float = 1.0,
    bandwidth: float | None = None,
) -> Inspection:
    """Fit every scan of a file, or identify its pigments when no solvent is given.

    Parameters
    ----------
    reading : Reading
    library : ReferenceLibrary
    solvent : str, optional
        Never guessed for an amount: without it no concentration is given.
    pigments : sequence of str, optional
        Candidates; by default the eight leaf pigments.
    path_length : float
        cm.
    bandwidth : float, optional
        nm.

    Returns
    -------
    Inspection

    Raises
    ------
    ReferenceNotFoundError
        If solvent or pigment is not known.
    InputError
        If path length or bandwidth cannot be right.
    """
    for name, value in (("path length", path_length), ("bandwidth", bandwidth)):
        if value is not None and not (np.isfinite(value) and value > 0):
            raise InputError(f"{name} is {value:g}, but must be a number above zero.")
    scans = tuple(reading.scans)
    if solvent is None:
        guesses = tuple(
            identify(scan, library, path_length=path_length, bandwidth=bandwidth) for scan in scans
        )
        message = Flag(
            "no-solvent",
            "no solvent is given: pigments are identified, concentrations are not given. "
            "Give the solvent.",
        )
        return Inspection(reading, scans, (None,) * len(scans), guesses, ((message,),) * len(scans))
    references = library.select(solvent=solvent, pigments=pigments)
    fits = fit_mixtures(scans, references, path_length=path_length, bandwidth=bandwidth)
    if len(fits) == 1 and not np.isfinite(fits[0].concentration).all():
        raise FitError(fits[0].message)
    return Inspection(reading, scans, tuple(fits), ((),) * len(scans), ((),) * len(scans))


def inspection_json(found: Inspection) -> str:
    """Return the one JSON object of ``specfrac inspect --json``."""
    record = inspect_record(
        found.scans, found.fits, identifications=found.identifications, flags=found.flags
    )
    return json_bytes(record).decode("utf-8").rstrip("\n")


def inspection_text(found: Inspection) -> str:
    """Return what was understood and found, as text for a terminal."""
    lines = found.reading.summary()
    for scan, fit, guesses, more in zip(
        found.scans, found.fits, found.identifications, found.flags, strict=True
    ):
        lines += ["", scan.name]
        if fit is not None:
            lines += _fit_lines(fit)
        elif guesses:
            lines += _identification_lines(guesses)
        # a fit carries its scan's flags already
        flags = [*(fit.flags if fit is not None else scan.flags), *more]
        lines += [f"  {flag.severity}: {flag.message}" for flag in flags]
    return "\n".join(lines)


def _fit_lines(fit: MixtureFit) -> list[str]:
    if not np.isfinite(fit.concentration).all():
        return []
    lines = [f"  in {fit.references.solvent.name}, mg/L (± one standard uncertainty)"]
    uncertainty, limit = fit.standard_uncertainty, fit.detection_limit
    for number, pigment in enumerate(fit.pigments):
        if fit.detected[number]:
            value = rounded(1e3 * fit.concentration[number], 1e3 * uncertainty[number])
            note = "" if fit.quantified[number] else "  (detected, below quantification)"
        else:
            value, note = f"not detected, < {1e3 * limit[number]:.2g}", ""
        lines.append(f"    {pigment:<18}{value}{note}")
    for group in fit.groups:
        if group.members:
            total, error = fit.group_concentration(group)
            lines.append(f"    {group.name:<18} {rounded(1e3 * total, 1e3 * error)}  (sum)")
    lines.append(f"  unassigned: {100 * fit.unassigned_share:.1f} % of the area")
    return lines


def _identification_lines(guesses: Sequence[Identification]) -> list[str]:
    lines = ["  solvents that describe the scan best, with the pigments they would mean"]
    best = guesses[0].score
    for guess in guesses[:3]:
        names = [
            pigment
            for pigment, found in zip(guess.fit.pigments, guess.fit.detected, strict=True)
            if found
        ]
        lines.append(
            f"    {guess.solvent:<22}{', '.join(names) or 'none'}"
            f"  (deviance +{guess.score - best:.1f})"
        )
    return lines
