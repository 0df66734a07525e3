"""What a scan file holds: how it was understood, and which pigments its scans show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from specfrac.errors import FitError, InputError
from specfrac.fitting import Identification, MixtureFit, fit_mixtures
from specfrac.flags import Flag
from specfrac.identification import Identity, identify, identify_fitted
from specfrac.indices import Index, fit_indices
from specfrac.loading import Reading
from specfrac.records import inspect_record, json_bytes, plain
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
    identities : tuple of Identity
        What each scan shows by itself: its bands, and the solvents they allow or contradict.
    indices : tuple of tuple of Index
        The trade's indices, one list a scan; empty without a solvent.
    flags : tuple of tuple of Flag
        One list a scan, beyond those of scan and fit.
    """

    reading: Reading
    scans: tuple[Scan, ...]
    fits: tuple[MixtureFit | None, ...]
    identities: tuple[Identity, ...]
    indices: tuple[tuple[Index, ...], ...]
    flags: tuple[tuple[Flag, ...], ...]

    @property
    def identifications(self) -> tuple[tuple[Identification, ...], ...]:
        """Fits in the solvents the bands do not exclude, best first; empty with a solvent."""
        return tuple(identity.candidates for identity in self.identities)


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
        Never guessed for an amount: without it no concentration is given. A stated one is
        weighed against all others, and flagged when the bands contradict it.
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
        found = tuple(
            identify(scan, library, path_length=path_length, bandwidth=bandwidth) for scan in scans
        )
        message = Flag(
            "no-solvent",
            "no solvent is given: pigments are identified, concentrations are not given. "
            "Give the solvent.",
        )
        flags = tuple((message, *identity.flags) for identity in found)
        return Inspection(reading, scans, (None,) * len(scans), found, ((),) * len(scans), flags)
    references = library.select(solvent=solvent, pigments=pigments)
    fits = fit_mixtures(scans, references, path_length=path_length, bandwidth=bandwidth)
    if len(fits) == 1 and not np.isfinite(fits[0].concentration).all():
        raise FitError(fits[0].message)
    found = tuple(
        identify_fitted(scan, fit, library) for scan, fit in zip(scans, fits, strict=True)
    )
    return Inspection(
        reading,
        scans,
        tuple(fits),
        found,
        tuple(fit_indices(fit, library, bandwidth=bandwidth) for fit in fits),
        tuple(identity.flags for identity in found),
    )


def inspection_json(found: Inspection) -> str:
    """Return the one JSON object of ``specfrac inspect --json``."""
    record = inspect_record(
        found.scans, found.fits, identifications=found.identifications, flags=found.flags
    )
    for entry, identity, rows in zip(record["scans"], found.identities, found.indices, strict=True):
        entry["identity"] = plain(identity.as_dict())
        entry["indices"] = plain([one.as_dict() for one in rows])
    return json_bytes(record).decode("utf-8").rstrip("\n")


def inspection_text(found: Inspection) -> str:
    """Return what was understood and found, as text for a terminal."""
    lines = found.reading.summary()
    for scan, fit, identity, rows, more in zip(
        found.scans, found.fits, found.identities, found.indices, found.flags, strict=True
    ):
        lines += ["", scan.name]
        if fit is not None:
            lines += _fit_lines(fit)
        lines += [f"  {line}" for line in identity.lines()]
        if rows:
            lines.append("  indices of the trade")
            lines += [f"    {one.line()}" for one in rows]
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
