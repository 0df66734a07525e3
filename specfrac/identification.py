"""Which pigments in which solvent a scan shows, and whether the declared solvent can be right.

A scan alone is judged by where its bands lie. Every solvent of the library is weighed
against the others; those whose bands differ too little stay side by side: "cannot tell".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from specfrac.band_positions import Band, find_bands
from specfrac.fitting import Identification, MixtureFit, fit_mixtures
from specfrac.fitting.error_model import LINEAR_LIMIT
from specfrac.fitting.model import SHIFT_GROUPS, shift_group
from specfrac.flags import Flag
from specfrac.identification_limits import limits
from specfrac.references import PigmentReference, ReferenceLibrary
from specfrac.references.shapes import SORET_LIMIT, find_maxima
from specfrac.scans import Scan
from specfrac.solvent_evidence import Evidence, Hypothesis, each_alone, in_each_solvent, weigh
from specfrac.uncertainty import rounded

Array = NDArray[np.float64]

AGREES, CANNOT_TELL = "agrees", "cannot tell"
CONTRADICTED, NO_CANDIDATE = "contradicted", "no candidate"
VERDICTS = (AGREES, CANNOT_TELL, CONTRADICTED, NO_CANDIDATE)
MOST_CANDIDATES = 3
EXPECTED_STEP, EXPECTED_TO = 0.5, 760.0  # nm, grid on which a reference's own bands are found
EXPECTED_NOISE = 1e-4  # of the maximum; keeps ripples of a sum of Gaussians from being bands
KNOWN_NAMES = {"soret": ("Soret band", "red band"), "whole": ("band II", "band III")}


@dataclass(frozen=True, slots=True)
class SolventVerdict:
    """What the bands of a scan say of its solvent.

    Attributes
    ----------
    verdict : str
        ``"agrees"``: no other solvent fits. ``"cannot tell"``: others fit as well.
        ``"contradicted"``: the bands do not lie where the declared solvent has them.
        ``"no candidate"``: no solvent of the library describes the scan. Without a declared
        solvent it is about the best one.
    declared : str or None
    best : str
        Solvent that describes the scan best; ``""`` when none could be compared.
    as_well : tuple of str
        Other solvents the bands do not exclude.
    deviance : float
        Of the declared solvent (without one, of the best) above the best; NaN when it could
        not be compared.
    reason : str
        A sentence with the band that says most.
    """

    verdict: str
    declared: str | None
    best: str
    as_well: tuple[str, ...]
    deviance: float
    reason: str

    def as_dict(self) -> dict[str, object]:
        """Return the verdict as plain data."""
        return {
            "verdict": self.verdict,
            "declared": self.declared,
            "best_solvent": self.best,
            "fits_as_well": list(self.as_well),
            "deviance": self.deviance,
            "reason": self.reason,
        }


@dataclass(frozen=True, slots=True)
class AssignedBand:
    """A band of the scan and the pigments that have one there.

    Attributes
    ----------
    band : Band
    pigments : tuple of str
        Strongest there first; empty when no pigment found has a band within reach.
    expected : tuple of float
        nm, where each has it, the shift of its group included.
    """

    band: Band
    pigments: tuple[str, ...]
    expected: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Alone:
    """A single pigment that describes the scan by itself.

    Attributes
    ----------
    pigment, solvent : str
    deviance : float
        Above the best mixture of leaf pigments, or below it.
    """

    pigment: str
    solvent: str
    deviance: float


@dataclass(frozen=True, slots=True, eq=False)
class Identity:
    """What a scan shows, without its solvent being known.

    Attributes
    ----------
    name : str
    bands : tuple of AssignedBand
        By rising wavelength; assigned under the first candidate.
    candidates : tuple of Identification
        Solvents the bands do not exclude, best first, with the fit of the leaf pigments
        there; empty for ``"no candidate"``. The score is the deviance above the best.
    alone : tuple of Alone
        Single pigments that would do, best first; empty for a mixture.
    solvent : SolventVerdict
    flags : tuple of Flag
    """

    name: str
    bands: tuple[AssignedBand, ...]
    candidates: tuple[Identification, ...]
    alone: tuple[Alone, ...]
    solvent: SolventVerdict
    flags: tuple[Flag, ...]

    def as_dict(self) -> dict[str, object]:
        """Return what was found as plain data, without amounts."""
        return {
            **self.solvent.as_dict(),
            "bands": [
                {
                    "wavelength_nm": found.band.wavelength,
                    "uncertainty_nm": found.band.uncertainty,
                    "kind": found.band.kind,
                    "absorbance": found.band.absorbance,
                    "pigments": list(found.pigments),
                }
                for found in self.bands
            ],
            "candidates": [
                {
                    "solvent": candidate.solvent,
                    "deviance": candidate.score,
                    "pigments": detected_pigments(candidate.fit),
                }
                for candidate in self.candidates
            ],
            "alone": [
                {"pigment": one.pigment, "solvent": one.solvent, "deviance": one.deviance}
                for one in self.alone
            ],
        }

    def lines(self) -> list[str]:
        """Return what was found as lines of text."""
        return [*_band_lines(self.bands), *_candidate_lines(self)]


def detected_pigments(fit: MixtureFit) -> list[str]:
    """Return the keys of the pigments a fit detected."""
    return [pigment for pigment, seen in zip(fit.pigments, fit.detected, strict=True) if seen]


def identify(
    scan: Scan,
    library: ReferenceLibrary,
    *,
    declared: str | None = None,
    path_length: float = 1.0,
    bandwidth: float | None = None,
    linear_limit: float = LINEAR_LIMIT,
) -> Identity:
    """Say from a scan alone which pigments in which solvents it may show.

    Parameters
    ----------
    scan : Scan
    library : ReferenceLibrary
    declared : str, optional
        Solvent the sheet states; it is weighed against the others.
    path_length, bandwidth, linear_limit
        As in `fit_mixture`.

    Returns
    -------
    Identity
        Its concentrations are not to be used unless the solvent is known otherwise.

    Raises
    ------
    ReferenceNotFoundError
        If the declared solvent is not known.

    Examples
    --------
    >>> from specfrac import load_references
    >>> from specfrac.simulate import simulate_scan
    >>> library = load_references()
    >>> scan = simulate_scan(
    ...     library.select(solvent="ethanol"), {"chlorophyll-b": 4e-3},
    ...     wavelength=np.arange(380.0, 751.0), noise=5e-4, rng=1,
    ... )
    >>> found = identify(scan, library, declared="acetone")
    >>> found.solvent.verdict, found.solvent.best
    ('contradicted', 'ethanol')
    """
    key = None if declared is None else library.solvent(declared).key
    evidence, singles = _weighed(scan, library, bandwidth, linear_limit)
    joint = evidence.joined(singles)
    verdict = judge(joint, key)
    options = {"path_length": path_length, "bandwidth": bandwidth, "linear_limit": linear_limit}
    bands = find_bands(scan)
    reason = _why_nothing(bands, joint)
    candidates = () if reason else _candidates(scan, library, joint, verdict, options)
    if not any(_holds_pigment(candidate.fit) for candidate in candidates):
        reason = reason or "no pigment of the library was found."
        verdict = SolventVerdict(NO_CANDIDATE, key, "", (), math.nan, reason)
        return Identity(
            scan.name, _assigned(scan, bands, None), (), (), verdict, _flags(scan, verdict)
        )
    return Identity(
        scan.name,
        _assigned(scan, bands, candidates[0].fit),
        candidates,
        _alone(evidence, singles),
        verdict,
        _flags(scan, verdict),
    )


def _why_nothing(bands: Sequence[Band], joint: Evidence) -> str:
    """Why no pigment of the library can be named before any fit, or ""."""
    if not joint.n_cells:
        return "too few readings can be compared."
    if not bands:
        return "no band stands out."
    if joint.misfit <= limits()["largest_misfit"] and _strained(joint, joint.best):
        return _strain_text(joint, joint.best)
    return ""


def _weighed(
    scan: Scan, library: ReferenceLibrary, bandwidth: float | None, linear_limit: float
) -> tuple[Evidence, Evidence]:
    """Evidence of the leaf pigments together, and of every pigment by itself."""
    mixtures, singles = in_each_solvent(library), each_alone(library)
    low = max((hypothesis.low for hypothesis in (*mixtures, *singles)), default=0.0)
    evidence = weigh(scan, mixtures, bandwidth=bandwidth, linear_limit=linear_limit, low=low)
    by_itself = weigh(
        scan,
        singles,
        bandwidth=bandwidth,
        linear_limit=linear_limit,
        low=low,
        deviation=evidence.deviation if evidence.n_cells else None,
    )
    return evidence, by_itself


def check_solvent(scan: Scan, fit: MixtureFit, library: ReferenceLibrary) -> tuple[Flag, ...]:
    """Flag a fit whose solvent the bands of the scan contradict.

    All solvents in which the fit's candidates have references are weighed, with the fit's
    own noise and band-shape errors; it takes about 20 ms.

    Parameters
    ----------
    scan : Scan
        One of the fit's scans.
    fit : MixtureFit
    library : ReferenceLibrary

    Returns
    -------
    tuple of Flag
        ``"solvent-contradicted"``, or none.
    """
    return verdict_flags(scan, solvent_verdict(scan, fit, library))


def verdict_flags(scan: Scan, verdict: SolventVerdict) -> tuple[Flag, ...]:
    """Return the flag of a declared solvent that the bands contradict, or none."""
    return _flags(scan, verdict) if verdict.verdict == CONTRADICTED else ()


def identify_fitted(scan: Scan, fit: MixtureFit, library: ReferenceLibrary) -> Identity:
    """Say what a scan with a known solvent shows, from its fit.

    The bands are assigned under the fit, whose candidates stay as they are; only the solvent
    is weighed against the others (see `solvent_verdict`).

    Parameters
    ----------
    scan : Scan
        One of the fit's scans.
    fit : MixtureFit
    library : ReferenceLibrary

    Returns
    -------
    Identity
        Without candidates.
    """
    verdict = solvent_verdict(scan, fit, library)
    index = _index_of(scan, fit)
    bands = _assigned(scan, find_bands(scan), fit if fit.success else None, index)
    return Identity(scan.name, bands, (), (), verdict, verdict_flags(scan, verdict))


def _index_of(scan: Scan, fit: MixtureFit) -> int:
    return next((i for i, own in enumerate(fit.scans) if own is scan), 0)


def solvent_verdict(scan: Scan, fit: MixtureFit, library: ReferenceLibrary) -> SolventVerdict:
    """Weigh the solvent of a fit against all others (see `check_solvent`)."""
    declared = fit.references.solvent.key
    index = _index_of(scan, fit)
    others = [h for h in in_each_solvent(library, fit.pigments) if h.solvent != declared]
    if not others:
        return SolventVerdict(
            CANNOT_TELL, declared, "", (), math.nan, "no other solvent to compare with."
        )
    deviation, noise = None, None
    if fit.success:  # otherwise its composition means nothing, and the scan alone is weighed
        least = limits()["comparison_shape_error"]
        errors = np.array([max(entry.shape_error, least) for entry in fit.references.entries])
        parts = errors[:, None] * fit.curves(index).components
        deviation = np.sqrt((parts**2).sum(axis=0))
        noise = float(fit.noise[index])

    def weighed(*own: Hypothesis) -> SolventVerdict:
        evidence = weigh(
            scan, (*own, *others), bandwidth=fit.bandwidth, noise=noise, deviation=deviation
        )
        return judge(evidence, declared)

    verdict = weighed(_fitted(fit, ()))
    if verdict.verdict != CONTRADICTED:
        return verdict
    # a pigment that is no candidate must not speak against the solvent
    return weighed(_fitted(fit, ()), _fitted(fit, _others_known(fit, library)))


def _others_known(fit: MixtureFit, library: ReferenceLibrary) -> tuple[PigmentReference, ...]:
    solvent = fit.references.solvent.key
    return tuple(
        library.cell(pigment, solvent)
        for pigment in library.pigments
        if pigment not in fit.pigments and library.has(pigment, solvent)
    )


@lru_cache(maxsize=64)
def _hypothesis(
    solvent: str, entries: tuple[PigmentReference, ...], prior: float, low: float
) -> Hypothesis:
    return Hypothesis(solvent, tuple(entry.pigment for entry in entries), entries, prior, low)


def _fitted(fit: MixtureFit, more: tuple[PigmentReference, ...]) -> Hypothesis:
    entries = (*fit.references.entries, *more)
    solvent = fit.references.solvent
    low = max(solvent.uv_limit_nm, *(entry.valid_from for entry in entries))
    return _hypothesis(solvent.key, entries, solvent.shift_prior_nm, low)


# Judging


def judge(evidence: Evidence, declared: str | None = None) -> SolventVerdict:
    """Turn the deviances of the solvents into a word.

    A solvent is excluded when another describes the scan better by more than a limit, and
    has a band of a pigment present there at a place that differs by more than wavelength
    scale, water content and temperature explain.

    Parameters
    ----------
    evidence : Evidence
    declared : str, optional
        Key of a solvent.

    Returns
    -------
    SolventVerdict
    """
    if not evidence.n_cells:
        return SolventVerdict(
            CANNOT_TELL, declared, "", (), math.nan, "too few readings can be compared."
        )
    rows = _row_of_each_solvent(evidence)
    above = evidence.above_best
    best = min(rows, key=lambda solvent: above[rows[solvent]])
    subject = best if declared is None else declared
    if subject not in rows:
        reason = f"the library has no references to compare in {subject}."
        return SolventVerdict(CANNOT_TELL, declared, best, tuple(rows), math.nan, reason)
    kept = [
        solvent
        for solvent in sorted(rows, key=lambda name: above[rows[name]])
        if not _excluded(evidence, rows[solvent], rows[best])
    ]
    deviance = float(above[rows[subject]])
    problem = _problem(evidence, rows[best], best)
    if problem:
        others = tuple(solvent for solvent in kept if solvent != subject)
        return SolventVerdict(CANNOT_TELL, declared, best, others, deviance, problem)
    if subject not in kept:
        found = _displaced(evidence, rows[subject], rows[best])
        others = tuple(solvent for solvent in kept if solvent != best)
        return SolventVerdict(
            CONTRADICTED, declared, best, others, deviance, _position_text(found, subject, best)
        )
    others = tuple(solvent for solvent in kept if solvent != subject)
    if others:
        reason = f"the bands fit {subject}, and as well {_listed(others)}."
        return SolventVerdict(CANNOT_TELL, declared, best, others, deviance, reason)
    return SolventVerdict(
        AGREES, declared, best, (), deviance, f"the bands fit {subject} and no other solvent."
    )


def _row_of_each_solvent(evidence: Evidence) -> dict[str, int]:
    rows: dict[str, int] = {}
    for row, hypothesis in enumerate(evidence.hypotheses):
        known = rows.get(hypothesis.solvent)
        if known is None or evidence.deviance[row] < evidence.deviance[known]:
            rows[hypothesis.solvent] = row
    return rows


@dataclass(frozen=True, slots=True)
class _Displaced:
    """A band that lies elsewhere in two solvents, nm."""

    pigment: str
    name: str
    seen: float
    here: float
    there: float

    @property
    def distance(self) -> float:
        return abs(self.there - self.here)


def _excluded(evidence: Evidence, row: int, best: int) -> bool:
    above = evidence.above_best
    if above[row] - above[best] <= limits()["solvent_contradicted"]:
        return False
    found = _displaced(evidence, row, best)
    return found is not None and found.distance >= limits()["least_solvent_shift"]


def _displaced(evidence: Evidence, row: int, best: int) -> _Displaced | None:
    """The band of a pigment present that lies furthest apart in the two solvents."""
    there, here = evidence.hypotheses[row], evidence.hypotheses[best]
    amplitude = np.maximum(evidence.amplitudes[best], 0.0)
    least = limits()["present_share"] * amplitude.sum()
    found: list[_Displaced] = []
    for entry, own in zip(here.entries, amplitude, strict=True):
        other = _entry(evidence, there.solvent, entry.pigment)
        if own < least or own <= 0 or other is None:
            continue
        for place, elsewhere in zip(_known_bands(entry), _known_bands(other), strict=True):
            shift = evidence.shifts[best, SHIFT_GROUPS.index(place.group)]
            found.append(
                _Displaced(
                    entry.pigment,
                    place.name,
                    place.wavelength + shift,
                    place.wavelength,
                    elsewhere.wavelength,
                )
            )
    known = [band for band in found if math.isfinite(band.distance)]
    return max(known, key=lambda band: band.distance, default=None)


def _entry(evidence: Evidence, solvent: str, pigment: str) -> PigmentReference | None:
    """The reference of a pigment in a solvent among the hypotheses."""
    for hypothesis in evidence.hypotheses:
        if hypothesis.solvent == solvent and pigment in hypothesis.pigments:
            return hypothesis.entries[hypothesis.pigments.index(pigment)]
    return None


@dataclass(frozen=True, slots=True)
class _KnownBand:
    name: str
    group: str
    wavelength: float


@lru_cache(maxsize=512)
def _known_bands(entry: PigmentReference) -> tuple[_KnownBand, _KnownBand]:
    """The two maxima a reference is known by: bands II and III, or Soret and red."""
    grid = np.arange(entry.valid_from, EXPECTED_TO, EXPECTED_STEP)
    kind = "soret" if "red" in entry.region else "whole"
    found = find_maxima(grid, entry.shape(grid), chlorophyll_type=kind == "soret")
    first, second = KNOWN_NAMES[kind]
    regions = ("soret", "red") if kind == "soret" else ("whole", "whole")
    return (
        _KnownBand(first, shift_group(entry.group, regions[0]), found.main),
        _KnownBand(second, shift_group(entry.group, regions[1]), found.second),
    )


# Candidates


def _candidates(
    scan: Scan,
    library: ReferenceLibrary,
    evidence: Evidence,
    verdict: SolventVerdict,
    options: dict[str, float | None],
) -> tuple[Identification, ...]:
    """Fits in the solvents that are not excluded, best first."""
    rows = _row_of_each_solvent(evidence)
    above = evidence.above_best
    kept = {verdict.best, *verdict.as_well}
    if verdict.verdict != CONTRADICTED and verdict.declared:
        kept.add(verdict.declared)
    order = sorted((s for s in kept if s in rows), key=lambda solvent: above[rows[solvent]])
    found = []
    # where no solvent describes the scan, further fits would be slow and tell nothing
    most = MOST_CANDIDATES if evidence.misfit <= limits()["largest_misfit"] else 1
    for solvent in order[:most]:
        fit = fit_mixtures([scan], library.select(solvent=solvent), **options)[0]  # type: ignore[arg-type]
        if fit.success:
            found.append(Identification(solvent, fit, float(above[rows[solvent]])))
    return tuple(found)


def _holds_pigment(fit: MixtureFit) -> bool:
    """True when a pigment lies above its detection limit and most of the area is assigned.

    Above the critical value alone, eight candidates would give a false detection in every
    third scan; and a band of something else is often lent a little of a pigment.
    """
    above = fit.concentration_unconstrained >= fit.detection_limit
    found = bool((above & (fit.concentration > 0)).any())
    return found and fit.unassigned_share < limits()["largest_unassigned"]


def _alone(evidence: Evidence, singles: Evidence) -> tuple[Alone, ...]:
    """Single pigments that do as well as the best mixture, best first."""
    misfit = min(evidence.misfit, singles.misfit)
    if misfit > limits()["largest_misfit"]:
        return ()
    above = (singles.deviance - evidence.deviance.min()) / max(misfit, 1.0)
    return tuple(
        Alone(
            singles.hypotheses[row].pigments[0], singles.hypotheses[row].solvent, float(above[row])
        )
        for row in np.argsort(above)
        if above[row] <= limits()["alone_accepted"] and singles.amplitudes[row][0] > 0
    )


@lru_cache(maxsize=512)
def expected_bands(entry: PigmentReference) -> tuple[Band, ...]:
    """Return the bands of a reference, found as those of a scan are."""
    grid = np.arange(entry.valid_from, EXPECTED_TO, EXPECTED_STEP)
    return find_bands(Scan(entry.pigment, grid, entry.shape(grid)), noise=EXPECTED_NOISE)


def _assigned(
    scan: Scan, bands: Sequence[Band], fit: MixtureFit | None, index: int = 0
) -> tuple[AssignedBand, ...]:
    if fit is None:
        return tuple(AssignedBand(band, (), ()) for band in bands)
    parts = fit.curves(index).components
    found = []
    for band in bands:
        near = []
        for entry, present, part in zip(fit.references.entries, fit.detected, parts, strict=True):
            place = _nearest(entry, band, fit) if present else math.nan
            if abs(place - band.wavelength) <= limits()["band_reach"] + 2 * band.uncertainty:
                height = float(np.interp(band.wavelength, scan.wavelength, part))
                near.append((height, entry.pigment, place))
        near.sort(reverse=True)
        found.append(
            AssignedBand(band, tuple(name for _, name, _ in near), tuple(p for _, _, p in near))
        )
    return tuple(found)


def _nearest(entry: PigmentReference, band: Band, fit: MixtureFit) -> float:
    """Where a pigment has its band nearest to one seen, shifted as the fit says; NaN if none."""
    chlorophyll_type = "red" in entry.region
    places = []
    for own in expected_bands(entry):
        blue = "soret" if own.wavelength < SORET_LIMIT else "red"
        group = shift_group(entry.group, blue if chlorophyll_type else "whole")
        places.append(own.wavelength + fit.group_shifts.get(group, 0.0))
    return min(places, key=lambda place: abs(place - band.wavelength), default=math.nan)


# Words


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _position_text(found: _Displaced | None, subject: str, best: str) -> str:
    if found is None:
        return f"{best} describes the bands better than {subject}."
    return (
        f"the {found.name} of {found.pigment} lies at {found.seen:.1f} nm; it belongs at "
        f"{found.there:.1f} nm in {subject} and at {found.here:.1f} nm in {best}."
    )


def _problem(evidence: Evidence, row: int, best: str) -> str:
    """Why even the best solvent will not do, or ""."""
    numbers = limits()
    if evidence.misfit > numbers["largest_misfit"]:
        return (
            f"no solvent describes the scan: the best, {best}, leaves {evidence.misfit:.0f} "
            f"times what the stated errors allow (limit {numbers['largest_misfit']:g})."
        )
    return _strain_text(evidence, row) if _strained(evidence, row) else ""


def _strained(evidence: Evidence, row: int) -> bool:
    return bool(evidence.strain[row] > limits()["largest_strain"])


def _strain_text(evidence: Evidence, row: int) -> str:
    return (
        "the bands lie further from those of every solvent than wavelength error and solvent "
        f"explain (chi-square {evidence.strain[row]:.0f}, limit {limits()['largest_strain']:g})."
    )


def _flags(scan: Scan, verdict: SolventVerdict) -> tuple[Flag, ...]:
    if verdict.verdict == NO_CANDIDATE:
        return (
            Flag(
                "no-candidate",
                f"{scan.name}: {verdict.reason}",
            ),
        )
    if verdict.verdict == CONTRADICTED:
        as_well = f" ({_listed(verdict.as_well)} would do as well)" if verdict.as_well else ""
        return (
            Flag(
                "solvent-contradicted",
                f"{scan.name}: the bands contradict {verdict.declared}: {verdict.reason} "
                f"{verdict.best} describes the scan better by a deviance of "
                f"{verdict.deviance:.0f} (limit {limits()['solvent_contradicted']:g}){as_well}. "
                "Check which solvent the tube was made up in.",
            ),
        )
    if verdict.verdict == CANNOT_TELL and verdict.declared and verdict.as_well:
        return (Flag("solvent-open", f"{scan.name}: {verdict.reason}"),)
    return ()


def _band_lines(bands: Sequence[AssignedBand]) -> list[str]:
    lines = ["bands, nm (± one standard uncertainty, wavelength scale of the instrument apart)"]
    for found in bands:
        place = rounded(found.band.wavelength, max(found.band.uncertainty, 0.1))
        names = ", ".join(found.pigments) or "no pigment found here"
        lines.append(f"  {place:<14} {found.band.kind:<9} {names}")
    return lines if bands else ["no bands stand out"]


def _candidate_lines(identity: Identity) -> list[str]:
    if not identity.candidates and identity.solvent.verdict != NO_CANDIDATE:
        # the fit in the declared solvent stands for them
        return [f"{identity.solvent.verdict}: {identity.solvent.reason}"]
    if not identity.candidates:
        return [f"{NO_CANDIDATE}: {identity.solvent.reason}"]
    lines = ["solvents the bands do not exclude, best first"]
    for candidate in identity.candidates:
        names = ", ".join(detected_pigments(candidate.fit)) or "none"
        lines.append(f"  {candidate.solvent:<22}{names}  (deviance +{candidate.score:.1f})")
    shown = {candidate.solvent for candidate in identity.candidates}
    kept = (identity.solvent.best, *identity.solvent.as_well)
    rest = [solvent for solvent in kept if solvent and solvent not in shown]
    if rest:
        lines.append(f"  as well: {', '.join(rest)}")
    if identity.alone:
        lines.append("single pigments that would do alone")
        lines += [
            f"  {one.pigment} in {one.solvent}  (deviance {one.deviance:+.1f})"
            for one in identity.alone[:MOST_CANDIDATES]
        ]
    return [*lines, f"{identity.solvent.verdict}: {identity.solvent.reason}"]
