"""How the numbers of a tube came about."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from specfrac.names import listed, spoken
from specfrac.plots import ReportedLine, pigment_style, reported_lines
from specfrac.report.markup import Html, joined, tag
from specfrac.report.names import GROUP_NAMES, full_name, joint_name, workings_id
from specfrac.report.numbers import (
    between,
    counted,
    plus_minus,
    pretty,
    probability,
    share,
    significant,
)
from specfrac.report.workings import fold, micrograms, step, workings
from specfrac.uncertainty import Quantity

if TYPE_CHECKING:
    from specfrac.purity import Purity
    from specfrac.references import PigmentReference
    from specfrac.run import FractionResult, GroupResult, PigmentResult, RunResult

PEAK_GRID_STEP = 0.1  # nm
PURITY, TOTAL = "purity", "total"  # what is unfolded beside pigments and sums


def mass_limit(tube: FractionResult, one: PigmentResult | GroupResult) -> float | None:
    """Return the detection limit as a mass in the tube, µg, where a mass can be stated.

    The concentration's own detection limit times the volume that turned the tube's
    concentrations into masses.
    """
    at_most = getattr(one, "detection_limit", math.nan)
    if one.mass is None or not math.isfinite(at_most):
        return None
    volume = _volume(tube)
    return None if volume is None else float(at_most) * volume


def _volume(tube: FractionResult) -> float | None:
    """Return the volume in mL by which concentrations became masses."""
    for one in tube.pigments:
        if one.mass is not None and one.concentration.value > 0:
            return one.mass.value / one.concentration.value
    return None


def sums_of(tube: FractionResult) -> list[GroupResult]:
    """Return the sums that a report gives beside single pigments."""
    return [group for group in tube.groups if not group.merged and group.detected]


def tube_workings(result: RunResult, number: int) -> Html | None:
    """Return the workings of every number of a tube, folded."""
    tube = result.fractions[number - 1]
    sums = [
        ReportedLine(group.name, "", pigment_style(group.members[0]), group.members, group)
        for group in sums_of(tube)
    ]
    return workings(
        [
            *(_line(result, tube, number, line) for line in reported_lines(tube)),
            *(_line(result, tube, number, line) for line in sums),
            _total(tube, number),
            _purity(result, tube, tube.purity, number) if tube.purity is not None else None,
        ]
    )


def _line(result: RunResult, tube: FractionResult, number: int, line: ReportedLine) -> Html:
    one = line.result
    best = one.mass if one.mass is not None else one.concentration
    title = GROUP_NAMES.get(line.key, joint_name(line.members))
    stated = (
        plus_minus(best, unit=best.unit)
        if one.detected
        else f"not detected; estimate {plus_minus(one.concentration, unit='mg/L')}"
    )
    return fold(
        workings_id(number, line.key),
        f"{title}: {stated}",
        _steps(result, tube, line),
        [
            ("c, mg/L", one.concentration, 1.0),
            ("m, µg", one.mass, 1.0),
            ("share, %", one.share_mass, 100.0),
            ("recovery, %", one.recovery, 100.0),
            ("content, µg/g", one.content, 1.0),
        ],
        _reference_note(tube, line),
    )


def _steps(result: RunResult, tube: FractionResult, line: ReportedLine) -> list[Html]:
    one = line.result
    steps = [step("Concentration", _concentration_text(tube, line))]
    volume = _volume(tube)
    if one.mass is not None and volume is not None:
        of = "loaded volume" if tube.fraction.role == "loaded" else "made-up volume"
        steps.append(
            step(
                "Mass in the tube",
                f"m = c V = {pretty(significant(one.concentration.value, 4))} mg/L × "
                f"{significant(volume, 4)} mL ({of}) = {plus_minus(one.mass, unit='µg')}",
            )
        )
    if one.amount is not None:
        steps.append(step("Amount", _amount_text(tube, line, one.amount)))
    if one.share_mass is not None and not _equivalents(one):
        steps.append(
            step(
                "Share of coloured pigment",
                f"its mass over the mass of all {counted(len(tube.pigments), 'candidate')}: "
                f"{share(one.share_mass, one.share_interval)}; the interval holds every share "
                "that some amounts not below zero have and the data accept, so it need not be "
                "symmetric",
            )
        )
    recovery = _recovery_text(result, tube, line)
    if recovery:
        steps.append(step("Recovery", recovery))
    if one.content is not None and result.run.tissue_mass is not None:
        steps.append(step("Content of the tissue", _content_text(result, line, one.content)))
    return steps


def _equivalents(one: PigmentResult | GroupResult) -> bool:
    """Return whether a sum counts its members as the mass of another pigment."""
    return any(factor != 1 for factor in getattr(one, "factors", ()))


def _amount_text(tube: FractionResult, line: ReportedLine, amount: Quantity) -> str:
    stated = plus_minus(amount, unit="nmol")
    if tube.fit is None:
        return stated
    molar = [f"{tube.fit.references.molar_mass(member):g}" for member in line.members]
    if len(molar) == 1:
        return f"n = m / M, with M = {molar[0]} g/mol: {stated}"
    return f"n = Σ m / M, with M = {', '.join(molar)} g/mol: {stated}"


def _concentration_text(tube: FractionResult, line: ReportedLine) -> str:
    fit = tube.fit
    used = sum(int(mask.sum()) for mask in fit.used) if fit is not None else 0
    scans = counted(len(fit.scans), "scan") if fit is not None else "no scan"
    words = (
        f"whole-scan fit of {scans}, {used} points: {_summed(tube, line)}"
        f"c = {plus_minus(line.result.concentration, unit='mg/L')} in the made-up solution"
    )
    factors = {scan.dilution_factor.value for scan in tube.fraction.scans}
    if factors != {1.0}:
        listed_factors = " and ".join(f"{factor:g}" for factor in sorted(factors))
        words += f" (dilution factor {listed_factors} allowed for)"
    free = line.result.concentration_unconstrained
    if abs(free - line.result.concentration.value) > 0.05 * line.result.concentration.uncertainty:
        words += f"; without the bound at zero: {pretty(significant(free, 3))} mg/L"
    return words


def _summed(tube: FractionResult, line: ReportedLine) -> str:
    """Return the terms of a sum, each with its factor."""
    if len(line.members) == 1:
        return ""
    factors = getattr(line.result, "factors", (1.0,) * len(line.members))
    terms = []
    for member, factor in zip(line.members, factors, strict=True):
        found = tube.pigment(member)
        if found is not None and found.concentration.value > 0:
            times = "" if factor == 1 else f"{factor:.4g} × "
            value = significant(found.concentration.value, 4)
            terms.append(f"{times}{value} ({full_name(member)})")
    why = " (each times its ratio of molar masses)" if _equivalents(line.result) else ""
    return f"{' + '.join(terms) or '0'} mg/L{why}, with their correlations, so "


def _recovery_text(result: RunResult, tube: FractionResult, line: ReportedLine) -> str:
    one = line.result
    if one.recovery is None and one.recovery_interval is None:
        return one.recovery_note
    figures = [] if one.recovery is None else [plus_minus(one.recovery, factor=100, unit="%")]
    if one.recovery_interval is not None:
        figures.append(f"95 % interval {between(one.recovery_interval)}")
    stated = f"{', '.join(figures)}. {one.recovery_note}".strip()
    name = result.balance.loaded_name
    loaded = next((one for one in result.fractions if one.fraction.name == name), None)
    put_on = None
    if loaded is not None and len(line.members) == 1:
        found = loaded.pigment(line.key)
        put_on = found.mass_unconstrained if found is not None else None
    masses = ""
    if one.mass_unconstrained is not None and put_on is not None:
        masses = f" ({micrograms(one.mass_unconstrained)} of {micrograms(put_on)} in {name})"
    return (
        f"mass in the tube over mass of the same pigment loaded, a pigment that was not detected "
        f"counted without the bound at zero{masses}: {stated} "
        "Errors both share (gain, absorptivity in the same solvent, cell) cancel."
    )


def _content_text(result: RunResult, line: ReportedLine, content: Quantity) -> str:
    free = line.result.mass_unconstrained
    mass = "m" if free is None else micrograms(free)
    return f"{content_formula(result, mass)} = {plus_minus(content, unit='µg/g')}"


def content_formula(result: RunResult, mass: str) -> str:
    """Return mass per gram of tissue as a formula with the volumes and masses of the sheet."""
    run = result.run
    part = ""
    if run.extract_volume is not None and run.loaded_volume is not None and not run.all_loaded:
        part = f" × {run.extract_volume.value:g} mL / {run.loaded_volume.value:g} mL"
    tissue = plus_minus(run.tissue_mass, unit="g")
    return f"{mass}{part} / {tissue} {run.tissue_basis or 'tissue'}"


def _total(tube: FractionResult, number: int) -> Html | None:
    total = tube.total_mass
    if total is None:
        return None
    terms = [
        f"{spoken(one.pigment)} {significant(one.mass.value, 4)}"
        for one in tube.pigments
        if one.mass is not None and one.mass.value > 0
    ]
    steps = [
        step(
            "Mass of all coloured pigment",
            f"Σ m = {' + '.join(terms) or '0'} µg = {plus_minus(total, unit='µg')}, with the "
            "correlations of the terms",
        )
    ]
    if tube.total_amount is not None:
        steps.append(step("Amount", f"Σ m / M = {plus_minus(tube.total_amount, unit='nmol')}"))
    if tube.total_recovery is not None:
        recovered = plus_minus(tube.total_recovery, factor=100, unit="%")
        ends = tube.total_recovery_interval
        words = f" (95 % interval {between(ends)})" if ends is not None else ""
        steps.append(
            step("Recovery", f"that amount over the amount loaded, in moles: {recovered}{words}")
        )
    return fold(
        workings_id(number, TOTAL),
        f"all coloured pigment: {plus_minus(total, unit='µg')}",
        steps,
        [
            ("m, µg", total, 1.0),
            ("n, nmol", tube.total_amount, 1.0),
            ("recovery, %", tube.total_recovery, 100.0),
        ],
    )


def _purity(result: RunResult, tube: FractionResult, found: Purity, number: int) -> Html:
    main = joint_name(found.members)
    settings = result.run.settings
    steps = [
        step(
            "Share",
            f"the largest part by mass is {main}: m / Σ m = "
            f"{share(found.share_mass, found.interval)}, by amount "
            f"{share(found.share_amount, found.amount_interval)}. Below "
            f"{100 * settings['share_usable']:g} % (setting share_usable) a tube is called a "
            f"mixture; from {100 * settings['share_good']:g} % (share_good) it counts as good",
        ),
        step(
            "Unexplained absorbance",
            f"{100 * found.unassigned_share:.2g} % of the area belongs to no candidate; counted as "
            f"impurity of mean absorptivity it leaves at least {100 * found.lower_bound:.3g} %, "
            "the lower end of the interval times the explained part",
        ),
    ]
    enriched = _known(found.enrichment)
    if enriched is not None:
        steps.append(
            step(
                "Enrichment",
                f"share by mass here over share by mass in {result.balance.loaded_name}: "
                f"{plus_minus(enriched)} times",
            )
        )
    aim = found.target_share
    if aim is not None and found.target is not None:
        steps.append(step("Target", _target_text(result, found, aim)))
    same = aim is not None and aim.value == found.share_mass.value
    return fold(
        workings_id(number, PURITY),
        f"purity: {share(found.share_mass, found.interval)} {main}",
        steps,
        [
            (f"share of {main}, %", found.share_mass, 100.0),
            ("share by amount, %", found.share_amount, 100.0),
            ("enrichment", enriched, 1.0),
            ("share of the target, %", None if same else aim, 100.0),
        ],
    )


def _known(given: Quantity | None) -> Quantity | None:
    return given if given is not None and math.isfinite(given.value) else None


def _target_text(result: RunResult, found: Purity, aim: Quantity) -> str:
    words = f"share of {spoken(found.target or '')}: {share(aim, found.target_interval)}"
    wanted, chance = result.run.target_share, found.probability_above_target
    if wanted is None or chance is None:
        return words
    return (
        f"{words}. Probability that it is above the wanted p = {100 * wanted:g} %: "
        f"Φ((m − p Σ m) / u(m − p Σ m)) = {probability(chance)}"
    )


# References


def _reference_note(tube: FractionResult, line: ReportedLine) -> Html | None:
    if tube.fit is None:
        return None
    group = tube.group(line.key)
    if group is not None and not group.merged:
        each = listed(full_name(member) for member in line.members)
        return tag("p", f"References: see {each}.", class_="source")
    notes = []
    for member in line.members:
        entry = tube.fit.references.entry(member)
        notes.append(
            tag(
                "p",
                f"Reference for {full_name(member)}: {scale_text(entry)}; grade {entry.grade}"
                + (f" ({entry.reason})" if entry.reason else "")
                + f", band-shape error {100 * entry.shape_error:g} %. ",
                "Sources: " + "; ".join(entry.sources) if entry.sources else None,
                class_="source",
            )
        )
    return joined(notes)


def scale_text(entry: PigmentReference) -> str:
    """Return the scale of a reference in words."""
    import numpy as np

    # the shape is 1 at its main maximum by definition, so that is where the scale holds
    start = max(entry.valid_from, float(entry.centre.min()) - 3 * float(entry.width.max()))
    stop = float(entry.centre.max()) + 3 * float(entry.width.max())
    grid = np.arange(start, min(entry.valid_to, stop), PEAK_GRID_STEP)
    peak = float(grid[np.argmax(entry.shape(grid))])
    return (
        f"a = {entry.scale:.4g} L/(g cm) ± {100 * entry.scale_uncertainty:.2g} % at {peak:.0f} nm"
    )
