"""How each number came about: inputs, formula, uncertainty budget, source."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from specfrac.plots import ReportedLine, reported_lines
from specfrac.report.markup import Html, joined, tag
from specfrac.report.names import full_name, joint_name, workings_id
from specfrac.report.numbers import counted, plus_minus, pretty, share, significant
from specfrac.uncertainty import Quantity

if TYPE_CHECKING:
    from specfrac.references import PigmentReference
    from specfrac.run import FractionResult, GroupResult, PigmentResult, RunResult

SHOWN_FROM = 0.001  # of the variance; smaller contributions are summed up
PEAK_GRID_STEP = 0.1  # nm


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


def tube_workings(result: RunResult, number: int) -> Html:
    """Return the workings of every line of a tube's composition, folded."""
    tube = result.fractions[number - 1]
    return tag(
        "div",
        tag("h3", "How each number came about"),
        [_line(result, tube, number, line) for line in reported_lines(tube)],
        class_="workings",
    )


def _line(result: RunResult, tube: FractionResult, number: int, line: ReportedLine) -> Html:
    one = line.result
    best = one.mass if one.mass is not None else one.concentration
    title = joint_name(line.members)
    stated = (
        plus_minus(best, unit=best.unit)
        if one.detected
        else f"not detected; estimate {plus_minus(one.concentration, unit='mg/L')}"
    )
    return tag(
        "details",
        tag("summary", f"{title}: {stated}"),
        tag("ol", _steps(result, tube, line), class_="steps"),
        budget_table(_budgets(line)),
        _reference_note(tube, line),
        id=workings_id(number, line.key),
    )


def _steps(result: RunResult, tube: FractionResult, line: ReportedLine) -> list[Html]:
    one = line.result
    steps = [_step("Concentration", _concentration_text(tube, line))]
    volume = _volume(tube)
    if one.mass is not None and volume is not None:
        of = "loaded volume" if tube.fraction.role == "loaded" else "made-up volume"
        steps.append(
            _step(
                "Mass in the tube",
                f"m = c V = {pretty(significant(one.concentration.value, 4))} mg/L × "
                f"{significant(volume, 4)} mL ({of}) = {plus_minus(one.mass, unit='µg')}",
            )
        )
    if one.amount is not None and len(line.members) == 1 and tube.fit is not None:
        molar = tube.fit.references.molar_mass(line.key)
        steps.append(
            _step(
                "Amount",
                f"n = m / M, with M = {molar:g} g/mol: {plus_minus(one.amount, unit='nmol')}",
            )
        )
    if one.share_mass is not None:
        steps.append(
            _step(
                "Share of coloured pigment",
                f"its mass over the mass of all {counted(len(tube.pigments), 'candidate')}: "
                f"{share(one.share_mass, one.share_interval)}",
            )
        )
    if one.recovery is not None:
        steps.append(_step("Recovery", _recovery_text(result, tube, line)))
    if one.content is not None and result.run.tissue_mass is not None:
        steps.append(_step("Content of the tissue", _content_text(result, line, one.content)))
    return steps


def _step(name: str, words: str) -> Html:
    return tag("li", tag("b", f"{name}. "), words)


def _concentration_text(tube: FractionResult, line: ReportedLine) -> str:
    fit = tube.fit
    used = sum(int(mask.sum()) for mask in fit.used) if fit is not None else 0
    scans = counted(len(fit.scans), "scan") if fit is not None else "no scan"
    words = (
        f"whole-scan fit of {scans}, {used} points: "
        f"c = {plus_minus(line.result.concentration, unit='mg/L')} in the made-up solution"
    )
    factors = {scan.dilution_factor.value for scan in tube.fraction.scans}
    if factors != {1.0}:
        listed = " and ".join(f"{factor:g}" for factor in sorted(factors))
        words += f" (dilution factor {listed} allowed for)"
    free = line.result.concentration_unconstrained
    if abs(free - line.result.concentration.value) > 0.05 * line.result.concentration.uncertainty:
        words += f"; without the bound at zero: {pretty(significant(free, 3))} mg/L"
    return words


def _recovery_text(result: RunResult, tube: FractionResult, line: ReportedLine) -> str:
    stated = plus_minus(line.result.recovery, factor=100, unit="%")
    name = result.balance.loaded_name
    loaded = next((one for one in result.fractions if one.fraction.name == name), None)
    put_on = None
    if loaded is not None and len(line.members) == 1:
        found = loaded.pigment(line.key)
        put_on = found.mass_unconstrained if found is not None else None
    free = line.result.mass_unconstrained
    masses = ""
    if free is not None and put_on is not None:
        masses = f" ({_micrograms(free)} of {_micrograms(put_on)} in {name})"
    return (
        f"mass in the tube over mass of the same pigment loaded, a pigment that was not detected "
        f"counted without the bound at zero{masses}: {stated}. "
        "Errors both share (gain, absorptivity in the same solvent, cell) cancel."
    )


def _micrograms(mass: float) -> str:
    return f"{significant(mass, 4)}\u00a0µg"


def _content_text(result: RunResult, line: ReportedLine, content: Quantity) -> str:
    run = result.run
    tissue = plus_minus(run.tissue_mass, unit="g")
    part = ""
    if run.extract_volume is not None and run.loaded_volume is not None and not run.all_loaded:
        part = f" × {run.extract_volume.value:g} mL / {run.loaded_volume.value:g} mL"
    free = line.result.mass_unconstrained
    mass = "m" if free is None else _micrograms(free)
    return (
        f"{mass}{part} / {tissue} {run.tissue_basis or ''} = {plus_minus(content, unit='µg/g')}, "
        "again without the bound at zero"
    )


# Budgets


def _budgets(line: ReportedLine) -> list[tuple[str, Quantity, float]]:
    one = line.result
    named: list[tuple[str, Quantity | None, float]] = [
        ("c, mg/L", one.concentration, 1.0),
        ("m, µg", one.mass, 1.0),
        ("share, %", one.share_mass, 100.0),
        ("recovery, %", one.recovery, 100.0),
        ("content, µg/g", one.content, 1.0),
    ]
    return [
        (name, given, factor) for name, given, factor in named if given is not None and given.budget
    ]


def budget_table(columns: list[tuple[str, Quantity, float]]) -> Html | None:
    """Return what each source adds to the uncertainty, one column a quantity."""
    if not columns:
        return None
    sources = list(dict.fromkeys(source for _, given, _ in columns for source, _ in given.budget))
    shares = {
        (source, name): _variance_share(given, source)
        for source in sources
        for name, given, _ in columns
    }
    kept = [s for s in sources if max(shares[s, name] for name, _, _ in columns) >= SHOWN_FROM]
    kept.sort(key=lambda s: -max(shares[s, name] for name, _, _ in columns))
    rows = [
        tag(
            "tr",
            tag("th", source, scope="row"),
            [_budget_cell(given, factor, source) for _, given, factor in columns],
        )
        for source in kept
    ]
    total = [
        tag("td", significant(factor * given.uncertainty, 2), class_="figure")
        for _, given, factor in columns
    ]
    return tag(
        "div",
        tag(
            "table",
            tag("caption", "Uncertainty budget: contribution of each source, k = 1"),
            tag(
                "thead",
                tag(
                    "tr",
                    tag("th", "source", scope="col"),
                    [tag("th", name, scope="col") for name, _, _ in columns],
                ),
            ),
            tag("tbody", rows),
            tag("tfoot", tag("tr", tag("th", "together", scope="row"), total)),
            class_="budget",
        ),
        class_="wide",
    )


def _variance_share(given: Quantity, source: str) -> float:
    contribution = dict(given.budget).get(source, 0.0)
    if not (math.isfinite(contribution) and given.uncertainty > 0):
        return 1.0 if math.isnan(contribution) else 0.0
    return (contribution / given.uncertainty) ** 2


def _budget_cell(given: Quantity, factor: float, source: str) -> Html:
    contribution = dict(given.budget).get(source)
    if contribution is None or _variance_share(given, source) < SHOWN_FROM:
        return tag("td", "", class_="figure")
    return tag("td", significant(factor * contribution, 2), class_="figure")


# References


def _reference_note(tube: FractionResult, line: ReportedLine) -> Html | None:
    if tube.fit is None:
        return None
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
