"""What one tube of a run holds: fit, masses, shares, recoveries and flags."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from uncertainties import UFloat

from specfrac.equations import EquationResult, second_opinion
from specfrac.errors import SpecfracError
from specfrac.fitting import fit_mixtures, fit_tube
from specfrac.fitting.results import G_PER_L_TO_MG_PER_L
from specfrac.flags import Flag, ranked
from specfrac.identification import (
    Identity,
    SolventVerdict,
    identify,
    solvent_verdict,
    verdict_flags,
)
from specfrac.indices import Index
from specfrac.names import listed, spoken
from specfrac.purity import Part, Purity, Target, purity
from specfrac.quantities import (
    DILUTION,
    EXTRACT_VOLUME,
    LOADED_VOLUME,
    MADE_UP_VOLUME,
    PATH_LENGTH,
    PORPHYRINS,
    TISSUE_MASS,
    SharedErrors,
    TubeContent,
    amount_in,
    concentration_in,
    content,
    mass_in,
    share_by_amount,
    share_by_mass,
    tube_content,
)
from specfrac.recoveries import recovered, recovered_in_all
from specfrac.sheet import Fraction, Run
from specfrac.tube_flags import equation_flags, result_flags, scan_flags
from specfrac.tube_indices import clearest_scan, tube_indices
from specfrac.uncertainty import Quantity, measured

if TYPE_CHECKING:
    from specfrac.decisions import Decision
    from specfrac.fitting import Identification
    from specfrac.fitting.results import Group, MixtureFit
    from specfrac.references import ReferenceLibrary

Interval = tuple[float, float]

CRITICAL, QUANTIFIED = 1.645, 10.0  # times the uncertainty (Currie 1995), as in the fit's report


@dataclass(frozen=True, slots=True, eq=False)
class PigmentResult:
    """One pigment in one tube.

    Attributes
    ----------
    pigment, group : str
        Key, and family (carotene, xanthophyll, chlorophyll, pheophytin).
    grade : str
        Of the reference used.
    for_mass : bool
        False when that reference has no published scale.
    detected, quantified : bool
    merged_into : str or None
        Group that is reported in its place, because the scan cannot tell its members apart.
    concentration : Quantity
        mg/L in the made-up solution, before dilution for the scan. The value is the
        non-negative estimate, the uncertainty that of the unconstrained one.
    concentration_unconstrained : float
        mg/L; for averages and statistics.
    detection_limit : float
        mg/L.
    detection_limit_mass : float or None
        µg in the tube.
    mass, amount : Quantity or None
        µg and nmol in the tube (for the loaded extract: on the column).
    mass_unconstrained : float or None
        µg.
    share_mass, share_amount : Quantity or None
        Of the coloured pigment, as fractions of one; None when nothing was found.
    share_interval, share_amount_interval : (float, float) or None
        95 %, within 0 and 1.
    recovery : Quantity or None
        Mass in the tube over mass of the same pigment loaded, of counted estimates
        (`specfrac.quantities.counted_estimate`). None when the ratio cannot be stated:
        see `recovery_note`.
    recovery_interval : (float, float) or None
        95 % of that ratio, not symmetric. Also stated where what was loaded is detected
        but not quantified, so that a single figure would mislead.
    recovery_note : str
        Why there is no recovery, or only an interval; ``""`` otherwise.
    made_on_column : bool
        True for a pheophytin when its chlorophyll was loaded: like for like does not
        apply, the pool balances in moles.
    content : Quantity or None
        µg per g of tissue, of counted estimates: extracted, in the loaded tube;
        obtained, in a cut.
    """

    pigment: str
    group: str
    grade: str
    for_mass: bool
    detected: bool
    quantified: bool
    merged_into: str | None
    concentration: Quantity
    concentration_unconstrained: float
    detection_limit: float
    detection_limit_mass: float | None
    mass: Quantity | None
    mass_unconstrained: float | None
    amount: Quantity | None
    share_mass: Quantity | None
    share_interval: Interval | None
    share_amount: Quantity | None
    share_amount_interval: Interval | None
    recovery: Quantity | None
    recovery_interval: Interval | None
    recovery_note: str
    made_on_column: bool
    content: Quantity | None

    @property
    def state(self) -> str:
        """``"not detected"``, ``"detected"`` or ``"quantified"``."""
        if not self.detected:
            return "not detected"
        return "quantified" if self.quantified else "detected"


@dataclass(frozen=True, slots=True, eq=False)
class GroupResult:
    """A sum of pigments in one tube.

    Attributes as in `PigmentResult`; `factors` convert each member's mass into the
    group's unit (1, or a ratio of molar masses for a group in equivalents of one
    pigment). Recovery is that of the same sum.
    """

    name: str
    members: tuple[str, ...]
    factors: tuple[float, ...]
    merged: bool
    detected: bool
    concentration: Quantity
    concentration_unconstrained: float
    mass: Quantity | None
    mass_unconstrained: float | None
    amount: Quantity | None
    share_mass: Quantity | None
    share_interval: Interval | None
    recovery: Quantity | None
    recovery_interval: Interval | None
    recovery_note: str
    made_on_column: bool
    content: Quantity | None


@dataclass(frozen=True, slots=True, eq=False)
class FractionResult:
    """What one tube holds.

    Attributes
    ----------
    fraction : Fraction
    fit : MixtureFit or None
        None without a scan, without a solvent, for a blank, or when the scan could
        not be fitted.
    identification : tuple of Identification
        When no solvent is stated: the solvents the bands do not exclude, best first; empty
        when nothing of the library describes the scan.
    pigments : tuple of PigmentResult
        One a candidate, in the order of the fit; empty without a fit.
    groups : tuple of GroupResult
    purity : Purity or None
        None when no pigment was found.
    total_mass, total_amount : Quantity or None
        µg and nmol of coloured pigment whose references allow a mass.
    total_recovery : Quantity or None
        Amount of coloured pigment here over amount loaded.
    total_recovery_interval : (float, float) or None
        95 % of it.
    equations : tuple of EquationResult
        Published simultaneous equations, as a second opinion.
    flags : tuple of Flag
        Of scan, fit and tube, worst first.
    decision : Decision or None
        What to do with the tube; for cuts and washes.
    identity : Identity or None
        What the scan shows by itself, when no solvent is stated.
    solvent_verdict : SolventVerdict or None
        What the bands say of the stated solvent.
    indices : tuple of Index
        The trade's indices of the clearest scan, against the main pigment when clean.
    """

    fraction: Fraction
    fit: MixtureFit | None
    identification: tuple[Identification, ...]
    pigments: tuple[PigmentResult, ...]
    groups: tuple[GroupResult, ...]
    purity: Purity | None
    total_mass: Quantity | None
    total_amount: Quantity | None
    total_recovery: Quantity | None
    total_recovery_interval: Interval | None
    equations: tuple[EquationResult, ...]
    flags: tuple[Flag, ...]
    decision: Decision | None = None
    identity: Identity | None = None
    solvent_verdict: SolventVerdict | None = None
    indices: tuple[Index, ...] = ()

    def _repr_html_(self) -> str:
        """Show the result in a notebook."""
        from specfrac.report import tube_fragment

        return tube_fragment(self)

    def pigment(self, key: str) -> PigmentResult | None:
        """Return the result of one pigment, or None when it was no candidate."""
        return next((one for one in self.pigments if one.pigment == key), None)

    def group(self, name: str) -> GroupResult | None:
        """Return the result of one group, or None."""
        return next((one for one in self.groups if one.name == name), None)


@dataclass(frozen=True, slots=True, eq=False)
class Bench:
    """What the tubes of a run share.

    Attributes
    ----------
    run : Run
    library : ReferenceLibrary
    shared : SharedErrors
    loaded_volume, extract_volume, tissue_mass : UFloat or None
        mL, mL, g. One variable serves as both volumes when all was loaded.
    """

    run: Run
    library: ReferenceLibrary
    shared: SharedErrors
    loaded_volume: UFloat | None
    extract_volume: UFloat | None
    tissue_mass: UFloat | None


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredTube:
    """A tube after its fit, before masses.

    Attributes
    ----------
    fraction : Fraction
    fit : MixtureFit or None
    content : TubeContent or None
        The same as correlated variables; None without a usable fit.
    identification : tuple of Identification
    flags : tuple of Flag
    identity : Identity or None
    solvent_verdict : SolventVerdict or None
        As in `FractionResult`.
    """

    fraction: Fraction
    fit: MixtureFit | None
    content: TubeContent | None
    identification: tuple[Identification, ...]
    flags: tuple[Flag, ...]
    identity: Identity | None = None
    solvent_verdict: SolventVerdict | None = None

    def for_mass(self, members: Iterable[str] | None = None) -> bool:
        """Return whether a sum over these candidates may be stated as a mass.

        A candidate whose reference has no published scale spoils it when detected;
        when not, it only widens the uncertainty.
        """
        if self.content is None or self.content.volume is None or self.fit is None:
            return False
        chosen = self.fit.pigments if members is None else tuple(members)
        entries = [self.fit.references.entry(member) for member in chosen]
        detected = dict(zip(self.fit.pigments, self.fit.detected, strict=True))
        return any(entry.for_mass for entry in entries) and not any(
            detected[entry.pigment] and not entry.for_mass for entry in entries
        )

    def why_not_counted(self, members: Iterable[str]) -> str:
        """Return why what this tube holds of these pigments cannot be counted, or ``""``.

        A candidate without a published scale that was not detected does no harm: it adds
        its uncertainty around zero. Detected, its mass is not known. A pigment that was
        no candidate counts as absent.
        """
        name = self.fraction.name
        if self.fit is None or self.content is None:
            return f"{name} {self._without_result()}"
        if self.content.volume is None:
            return f"{name} has no volume"
        chosen = set(members)
        pairs = zip(self.fit.references.entries, self.fit.detected, strict=True)
        unscaled = [
            one.pigment
            for one, detected in pairs
            if detected and not one.for_mass and one.pigment in chosen
        ]
        if not unscaled:
            return ""
        return (
            f"{name} holds {listed(map(spoken, unscaled))}, of which no absorptivity in "
            f"{self.fit.references.solvent.name} is published"
        )

    def _without_result(self) -> str:
        codes = {flag.code for flag in self.flags}
        words = {
            "no-scan": "was not scanned",
            "no-solvent": "has no solvent stated",
            "not-converged": "has a fit that did not converge",
        }
        return next((text for code, text in words.items() if code in codes), "could not be fitted")

    def detects(self, members: Sequence[str], factors: Iterable[float] | None = None) -> bool:
        """Return whether one of the pigments, or their sum, stands out of the noise."""
        fit = self.fit
        if fit is None:
            return False
        detected = dict(zip(fit.pigments, fit.detected, strict=True))
        return any(detected.get(member, False) for member in members) or stands_out(
            fit, members, factors, CRITICAL
        )

    def quantifies(self, members: Sequence[str], factors: Iterable[float] | None = None) -> bool:
        """Return whether the pigment, or the sum, is large enough for a stated figure."""
        fit = self.fit
        if fit is None:
            return False
        if len(members) == 1:
            quantified = dict(zip(fit.pigments, fit.quantified, strict=True))
            return bool(quantified.get(members[0], False))
        return stands_out(fit, members, factors, QUANTIFIED)

    def made_on_column(self, members: Sequence[str]) -> bool:
        """Return whether these pigments are made, on the column, from what this tube holds.

        True for pheophytins when their chlorophyll is here.
        """
        kinds = [pair for pair in PORPHYRINS.values() if set(members) & set(pair[1])]
        made = {member for _, without in kinds for member in without}
        return (
            bool(kinds)
            and set(members) <= made
            and any(self.detects(intact) for intact, _ in kinds)
        )


def stands_out(
    fit: MixtureFit, members: Sequence[str], factors: Iterable[float] | None, times: float
) -> bool:
    """Return whether a sum is so many times its uncertainty from noise and band shapes.

    Parameters
    ----------
    fit : MixtureFit
    members : sequence of str
        One that was no candidate counts as absent.
    factors : iterable of float or None
        As in `specfrac.quantities.mass_in`.
    times : float
    """
    given = dict(
        zip(members, factors if factors is not None else [1.0] * len(members), strict=True)
    )
    weights = np.array([given.get(pigment, 0.0) for pigment in fit.pigments])
    spread = math.sqrt(weights @ (fit.covariance_noise + fit.covariance_shape) @ weights)
    return bool(weights @ fit.concentration_unconstrained > times * spread > 0)


def bench(run: Run, library: ReferenceLibrary) -> Bench:
    """Return what the tubes of a run share: errors, volumes, tissue."""
    shared = SharedErrors(absorptivity_correlation=run.settings["scale_correlation"])

    def variable(given: Quantity | None, source: str) -> UFloat | None:
        return shared.measured(given.value, given.uncertainty, source) if given else None

    loaded = variable(run.loaded_volume, LOADED_VOLUME)
    extract = loaded if run.all_loaded else variable(run.extract_volume, EXTRACT_VOLUME)
    return Bench(run, library, shared, loaded, extract, variable(run.tissue_mass, TISSUE_MASS))


# Fit


def measure_all(bench: Bench) -> list[MeasuredTube]:
    """Fit the scans of every tube; what cannot be fitted becomes a flag of its tube.

    Tubes with a single scan and the same candidates are fitted in one batch, which is
    many times faster and gives the same.
    """
    batches: dict[tuple[str, tuple[str, ...] | None], list[Fraction]] = {}
    for fraction in bench.run.fractions:
        if fraction.role != "blank" and len(fraction.scans) == 1 and fraction.solvent:
            batches.setdefault((fraction.solvent, fraction.candidates), []).append(fraction)
    fits: dict[str, MixtureFit] = {}
    for alike in batches.values():
        fits.update(_fit_batch(alike, bench))
    return [measure(fraction, bench, fits.get(fraction.name)) for fraction in bench.run.fractions]


def measure(fraction: Fraction, bench: Bench, fit: MixtureFit | None = None) -> MeasuredTube:
    """Fit the scans of one tube, unless that is done; a failure becomes a flag.

    Parameters
    ----------
    fraction : Fraction
    bench : Bench
    fit : MixtureFit, optional
        Of the undiluted tube.

    Returns
    -------
    MeasuredTube
    """
    flags = [flag for one in fraction.scans for flag in one.scan.flags]
    flags += _sheet_flags(fraction, bench.run)
    if fraction.role == "blank":
        return MeasuredTube(fraction, None, None, (), ranked(flags))
    if not fraction.scans:
        flags.append(Flag("no-scan", f"{fraction.name}: the tube has no scan."))
        return MeasuredTube(fraction, None, None, (), ranked(flags))
    try:
        if fraction.solvent is None:
            return _without_solvent(fraction, bench, flags)
        fit = _fit(fraction, bench) if fit is None else fit
    except SpecfracError as error:
        flags.append(Flag("not-fitted", f"{fraction.name}: {error}"))
        return MeasuredTube(fraction, None, None, (), ranked(flags))
    return _after_fit(fraction, fit, scan_flags(fraction, fit, [*flags, *fit.flags]), bench)


def _after_fit(
    fraction: Fraction, fit: MixtureFit, flags: list[Flag], bench: Bench
) -> MeasuredTube:
    if not fit.success:
        failed = any(flag.code == "not-fitted" for flag in flags)
        if not any(flag.severity == "fatal" for flag in flags):
            message = f"{fraction.name}: {fit.message or 'the fit did not succeed'}"
            flags.append(Flag("not-converged", message))
        return MeasuredTube(fraction, None if failed else fit, None, (), ranked(flags))
    scan = fit.scans[clearest_scan(fit)]
    verdict = solvent_verdict(scan, fit, bench.library)
    flags += verdict_flags(scan, verdict)
    tube = _content(fraction, fit, bench)
    if tube.volume is None:
        flags.append(_no_volume(fraction))
    return MeasuredTube(fraction, fit, tube, (), ranked(flags), solvent_verdict=verdict)


def _sheet_flags(fraction: Fraction, run: Run) -> list[Flag]:
    from datetime import datetime

    flags = [
        Flag("unused-entry", f"{fraction.name}: {key} is given, but not used for this tube.")
        for key in fraction.unused
    ]
    if fraction.prepared and fraction.scanned:
        waited = datetime.fromisoformat(fraction.scanned) - datetime.fromisoformat(
            fraction.prepared
        )
        hours, limit = waited.total_seconds() / 3600, run.settings["scan_delay_max"]
        if hours > limit:
            message = (
                f"{fraction.name}: scanned {hours:.1f} h after it was made up (limit {limit:g} h)."
            )
            flags.append(Flag("late-scan", message))
    return flags


def _no_volume(fraction: Fraction) -> Flag:
    field = "loaded_volume_ml in [run]" if fraction.role == "loaded" else "made_up_volume_ml"
    return Flag("no-volume", f"{fraction.name}: without {field} there is no mass. Add it.")


def _without_solvent(fraction: Fraction, bench: Bench, flags: list[Flag]) -> MeasuredTube:
    first = fraction.scans[0]
    found = identify(
        first.scan,
        bench.library,
        path_length=first.path_length.value,
        bandwidth=fraction.bandwidth,
        linear_limit=bench.run.settings["linear_limit"],
    )
    message = (
        f"{fraction.name}: no solvent is stated, so pigments are only named and no mass is given. "
        "Add solvent = ... to the sheet."
    )
    flags = [*flags, Flag("no-solvent", message), *found.flags]
    return MeasuredTube(fraction, None, None, found.candidates, ranked(flags), identity=found)


def _one_dilution(fraction: Fraction) -> Quantity | None:
    """Return the dilution factor all scans of the tube have, or None when they differ."""
    factors = {one.dilution_factor for one in fraction.scans}
    return factors.pop() if len(factors) == 1 else None


def _fit(fraction: Fraction, bench: Bench) -> MixtureFit:
    """Fit the scans of a tube together; the result is that of the undiluted solution.

    Different dilutions have errors of their own, which the fit knows. One dilution is
    one act: its error belongs to the whole tube, does not average out over repeated
    scans, and comes in with the volume.
    """
    references = bench.library.select(solvent=fraction.solvent or "", pigments=fraction.candidates)
    own_errors = _one_dilution(fraction) is None
    dilutions = [one.dilution_factor for one in fraction.scans]
    return fit_tube(
        [one.scan for one in fraction.scans],
        references,
        dilution_factors=[one.value for one in dilutions],
        dilution_uncertainties=[
            one.uncertainty / one.value if own_errors else 0.0 for one in dilutions
        ],
        path_length=[one.path_length.value for one in fraction.scans],
        bandwidth=fraction.bandwidth,
        linear_limit=bench.run.settings["linear_limit"],
        name=fraction.name,
    )


def _fit_batch(fractions: Sequence[Fraction], bench: Bench) -> dict[str, MixtureFit]:
    """Fit tubes with one scan each and the same candidates, by name of the tube."""
    first = fractions[0]
    try:
        references = bench.library.select(solvent=first.solvent or "", pigments=first.candidates)
    except SpecfracError:
        return {}  # each tube meets the error by itself and reports it
    scans = [fraction.scans[0] for fraction in fractions]
    fits = fit_mixtures(
        [one.scan for one in scans],
        references,
        path_length=[one.path_length.value for one in scans],
        bandwidth=[fraction.bandwidth for fraction in fractions],
        linear_limit=bench.run.settings["linear_limit"],
        shape_gain=True,
    )
    return {
        fraction.name: undiluted(fit, one.dilution_factor.value, fraction.name)
        for fraction, one, fit in zip(fractions, scans, fits, strict=True)
    }


def undiluted(fit: MixtureFit, dilution_factor: float, name: str) -> MixtureFit:
    """Return the fit of one scan as that of the solution before it was diluted.

    Parameters
    ----------
    fit : MixtureFit
        Of the solution in the cuvette.
    dilution_factor : float
        Volume after dilution over volume taken.
    name : str
        Of the tube.

    Returns
    -------
    MixtureFit
    """
    squared = dilution_factor**2
    return replace(
        fit,
        name=name,
        dilution_factors=fit.dilution_factors * dilution_factor,
        concentration=fit.concentration * dilution_factor,
        concentration_unconstrained=fit.concentration_unconstrained * dilution_factor,
        covariance_noise=fit.covariance_noise * squared,
        covariance_shape=fit.covariance_shape * squared,
        covariance_scale=fit.covariance_scale * squared,
        zero_uncertainty=fit.zero_uncertainty * dilution_factor,
    )


def _content(fraction: Fraction, fit: MixtureFit, bench: Bench) -> TubeContent:
    shared = bench.shared
    dilution = _one_dilution(fraction)
    made_up = fraction.made_up_volume
    volume = (
        shared.measured(made_up.value, made_up.uncertainty, MADE_UP_VOLUME, fraction.name)
        if made_up
        else None
    )
    held = tube_content(
        fit,
        shared,
        volume=bench.loaded_volume if fraction.role == "loaded" else volume,
        path_length=_path_length(fraction, shared),
        dilution_factor=shared.measured(
            1.0, dilution.uncertainty / dilution.value, DILUTION, fraction.name
        )
        if dilution
        else None,
    )
    for variable in (*held.displayed, *held.unconstrained, *held.counted):
        # Expands a sum of sums once; every later quantity then is a third cheaper.
        _ = variable.derivatives
    return held


def _path_length(fraction: Fraction, shared: SharedErrors) -> UFloat:
    """Return the path length as a variable; equal ones are one and the same cuvette.

    With cuvettes of different length the one known worst stands for all.
    """
    worst = max(
        (one.path_length for one in fraction.scans), key=lambda one: one.uncertainty / one.value
    )
    name = f"{worst.value!r} {worst.uncertainty!r}"
    return shared.measured(worst.value, worst.uncertainty, PATH_LENGTH, name)


# Results


def result_of(
    tube: MeasuredTube,
    bench: Bench,
    *,
    loaded: MeasuredTube | None,
    target: Target | None,
) -> FractionResult:
    """Return masses, shares, recoveries and purity of a measured tube.

    Parameters
    ----------
    tube : MeasuredTube
    bench : Bench
    loaded : MeasuredTube or None
        What went on the column, for recoveries; not the tube itself.
    target : Target or None

    Returns
    -------
    FractionResult
    """
    if tube.fit is None or tube.content is None:
        return FractionResult(
            fraction=tube.fraction,
            fit=tube.fit,
            identification=tube.identification,
            pigments=(),
            groups=(),
            purity=None,
            total_mass=None,
            total_amount=None,
            total_recovery=None,
            total_recovery_interval=None,
            equations=(),
            flags=tube.flags,
            identity=tube.identity,
        )
    found = bool(share_by_mass(tube.content, tube.content.pigments).value.value > 0)
    pigments = tuple(
        _pigment(tube, bench, position, loaded, found) for position in range(len(tube.fit.pigments))
    )
    groups = tuple(_group(tube, bench, group, loaded, found) for group in tube.fit.groups)
    equations = _equations(tube.fraction, tube.fit)
    whole = _countable(tube)
    whole_recovery = recovered_in_all(tube, loaded)
    flags = [
        *tube.flags,
        *result_flags(tube, pigments, groups, bench.run.settings["recovery_max"]),
        *equation_flags(tube, equations, bench.run.settings["equations_differ"]),
    ]
    return FractionResult(
        fraction=tube.fraction,
        fit=tube.fit,
        identification=(),
        pigments=pigments,
        groups=groups,
        purity=_purity(tube, bench, loaded, target),
        total_mass=mass_in(tube.content, whole) if whole else None,
        total_amount=amount_in(tube.content, whole) if whole else None,
        total_recovery=whole_recovery.value,
        total_recovery_interval=whole_recovery.interval,
        equations=equations,
        flags=ranked(flags),
        solvent_verdict=tube.solvent_verdict,
        indices=tube_indices(tube.fraction, tube.fit, bench.library),
    )


def _merged_into(fit: MixtureFit, pigment: str) -> str | None:
    return next(
        (group.name for group in fit.groups if group.merged and pigment in group.members), None
    )


def _pigment(
    tube: MeasuredTube, bench: Bench, position: int, loaded: MeasuredTube | None, found: bool
) -> PigmentResult:
    fit, held = tube.fit, tube.content
    assert fit is not None and held is not None
    entry = fit.references.entries[position]
    key = entry.pigment
    has_mass = entry.for_mass and held.volume is not None
    by_mass, by_amount = share_by_mass(held, key), share_by_amount(held, key)
    limit = float(fit.detection_limit[position]) * G_PER_L_TO_MG_PER_L
    ratio = recovered(tube, loaded, (key,), (1.0,))
    return PigmentResult(
        pigment=key,
        group=entry.group,
        grade=entry.grade,
        for_mass=entry.for_mass,
        detected=bool(fit.detected[position]),
        quantified=bool(fit.quantified[position]),
        merged_into=_merged_into(fit, key),
        concentration=concentration_in(held, key),
        concentration_unconstrained=concentration_in(held, key, displayed=False).value,
        detection_limit=limit,
        detection_limit_mass=limit * float(held.volume.nominal_value)
        if has_mass and held.volume is not None
        else None,
        mass=mass_in(held, key) if has_mass else None,
        mass_unconstrained=mass_in(held, key, displayed=False).value if has_mass else None,
        amount=amount_in(held, key) if has_mass else None,
        share_mass=by_mass.value if found else None,
        share_interval=by_mass.interval if found else None,
        share_amount=by_amount.value if found else None,
        share_amount_interval=by_amount.interval if found else None,
        recovery=ratio.value,
        recovery_interval=ratio.interval,
        recovery_note=ratio.note,
        made_on_column=ratio.made_on_column,
        content=per_gram(tube, bench, (key,), (1.0,)),
    )


def _group(
    tube: MeasuredTube, bench: Bench, group: Group, loaded: MeasuredTube | None, found: bool
) -> GroupResult:
    fit, held = tube.fit, tube.content
    assert fit is not None and held is not None
    members, factors = group.members, tuple(float(factor) for factor in group.factors)
    has_mass = tube.for_mass(members)
    share = share_by_mass(held, members)
    free = concentration_in(held, members, factors=factors, displayed=False)
    ratio = recovered(tube, loaded, members, factors)
    return GroupResult(
        name=group.name,
        members=members,
        factors=factors,
        merged=group.merged,
        detected=tube.detects(members, factors),
        concentration=concentration_in(held, members, factors=factors),
        concentration_unconstrained=free.value,
        mass=mass_in(held, members, factors=factors) if has_mass else None,
        mass_unconstrained=mass_in(held, members, factors=factors, displayed=False).value
        if has_mass
        else None,
        amount=amount_in(held, members) if has_mass else None,
        share_mass=share.value if found else None,
        share_interval=share.interval if found else None,
        recovery=ratio.value,
        recovery_interval=ratio.interval,
        recovery_note=ratio.note,
        made_on_column=ratio.made_on_column,
        content=per_gram(tube, bench, members, factors),
    )


def per_gram(
    tube: MeasuredTube, bench: Bench, members: Sequence[str], factors: Sequence[float]
) -> Quantity | None:
    """Return µg per g of tissue of these pigments in a tube, or None.

    Extracted, for the loaded tube; obtained, for a cut. What stayed in the leaf is in
    neither.
    """
    if bench.tissue_mass is None or tube.content is None or not tube.for_mass(members):
        return None
    if tube.fraction.role == "standard":
        return None
    extract, volume = bench.extract_volume, bench.loaded_volume
    if bench.run.all_loaded and volume is None:
        extract = volume = measured(1.0, 0.0, "")  # only their ratio counts, and it is 1
    if extract is None or volume is None:
        return None
    return content(
        tube.content,
        members,
        tissue_mass=bench.tissue_mass,
        extract_volume=extract,
        loaded_volume=volume,
        factors=factors,
    )


def _countable(tube: MeasuredTube) -> tuple[str, ...]:
    """Return the pigments whose sum may be stated as a mass; empty when there is none."""
    if tube.fit is None:
        return ()
    pairs = zip(tube.fit.references.entries, tube.fit.detected, strict=True)
    members = tuple(entry.pigment for entry, detected in pairs if entry.for_mass or not detected)
    return members if tube.for_mass(members) else ()


def parts_of(fit: MixtureFit) -> tuple[Part, ...]:
    """Return merged groups, and the pigments that are not merged."""
    merged = [Part(group.name, group.members) for group in fit.groups if group.merged]
    taken = {member for part in merged for member in part.members}
    single = [Part(key, (key,)) for key in fit.pigments if key not in taken]
    return (*merged, *single)


def _purity(
    tube: MeasuredTube, bench: Bench, loaded: MeasuredTube | None, target: Target | None
) -> Purity | None:
    if tube.fit is None or tube.content is None:
        return None
    if not any(tube.detects(group.members, group.factors) for group in tube.fit.groups) and not (
        tube.fit.detected.any()
    ):
        return None
    return purity(
        tube.content,
        parts_of(tube.fit),
        usable_share=bench.run.settings["share_usable"],
        loaded=loaded.content if loaded else None,
        target=target,
    )


def _equations(fraction: Fraction, fit: MixtureFit) -> tuple[EquationResult, ...]:
    """Evaluate published equations on the scan of the tube that shows most of it."""
    return second_opinion(
        fit,
        index=clearest_scan(fit),
        bandwidth=fraction.bandwidth,
        whole_extract=fraction.role == "loaded",
    )
