"""The section of one tube: purity in words, figure, composition, details."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from specfrac.names import worded
from specfrac.plots import ReportedLine, left_out_ranges, reported_lines
from specfrac.references import load_references
from specfrac.report.indices import indices_block
from specfrac.report.markup import Html, joined, tag, text
from specfrac.report.names import (
    GROUP_NAMES,
    ROLE_WORDS,
    full_name,
    joint_name,
    swatch,
    tube_id,
    workings_id,
)
from specfrac.report.numbers import (
    MINUS,
    NONE,
    counted,
    limit,
    plus_minus,
    pretty,
    probability,
    share,
    share_split,
    significant,
    stacked,
    whole_units,
)
from specfrac.report.pictures import Drawings, scan_picture, scan_stem, tube_numbers
from specfrac.report.summary import action_words, flag_list, recovery_figure
from specfrac.report.tube_workings import PURITY, mass_limit, sums_of, tube_workings
from specfrac.report.workings import unfolding

if TYPE_CHECKING:
    from specfrac.equations import EquationLine, EquationResult
    from specfrac.fitting.results import MixtureFit
    from specfrac.run import FractionResult, GroupResult, RunResult

HANDLED = ("pool", "re-run", "dilute and rescan")  # solvents are handled again
READING_WORDS = {"scan": "", "before": " before acid", "after": " after acid",
                 "difference": " before less after acid"}  # fmt: skip
ASKS_TO_HANDLE = re.compile(r"\b(evaporate|redissolve|dilute|re-run|run it again)\b", re.IGNORECASE)
STATES = {True: "quantified", False: "detected"}


def tube_section(result: RunResult, number: int, drawn: Drawings) -> Html:
    """Return the section of the tube with this number, counted from 1."""
    tube = result.fractions[number - 1]
    anchor = tube_id(number)
    return tag(
        "section",
        tag(
            "h2",
            tag("span", str(number), class_="number"),
            text(tube.fraction.name),
            tag("small", _about(tube), class_="about"),
            id=anchor,
        ),
        tag(
            "div",
            sentence(tube),
            _more_on_purity(result, tube, number),
            advice(tube, tube_numbers(result)),
            flag_list(tube.flags),
            _cautions_for(tube),
            *_measured(result, tube, number, drawn),
        ),
        class_="tube" if tube.pigments else "tube brief",
        aria_labelledby=anchor,
    )


def _about(tube: FractionResult) -> Html:
    """Return the facts of a tube in short lines."""
    entry = tube.fraction
    lines = [ROLE_WORDS.get(entry.role, entry.role)]
    solvent = tube.fit.references.solvent.name if tube.fit is not None else entry.solvent
    lines.append(f"in {solvent}" if solvent else "solvent not stated")
    if entry.made_up_volume is not None:
        lines.append(f"made up to {plus_minus(entry.made_up_volume, unit='mL')}")
    if entry.scans:
        paths = {scan.path_length.value for scan in entry.scans}
        lines.append(f"cell of {' and '.join(f'{path:g}' for path in sorted(paths))} cm")
        diluted = [scan.dilution_factor.value for scan in entry.scans]
        if any(value != 1 for value in diluted):
            lines.append("diluted " + " and ".join(f"1 : {value:g}" for value in diluted))
    return joined(tag("span", line) for line in lines)


def sentence(tube: FractionResult) -> Html:
    """Return what is in a tube in plain words."""
    if tube.purity is not None:
        return tag("p", whole_units(worded(tube.purity.sentence)), class_="sentence")
    if tube.identification:
        return _identified(tube)
    if tube.pigments:
        words = "No leaf pigment stands out of the noise of this scan."
    elif tube.identity is not None:
        words = (
            "The sheet does not state the solvent, and no pigment of the library describes this "
            "scan in any of its solvents."
        )
    elif not tube.fraction.scans:
        words = "This tube was not scanned, so nothing can be said of it."
    else:
        words = "This scan could not be fitted; the remarks say why."
    return tag("p", words, class_="sentence")


def _more_on_purity(result: RunResult, tube: FractionResult, number: int) -> Html | None:
    """Return share in moles and enrichment, with the way to how they came about."""
    found = tube.purity
    if found is None:
        return None
    words = f"By amount {share(found.share_amount, found.amount_interval)} "
    words += joint_name(found.members)
    enriched = found.enrichment
    if enriched is not None and math.isfinite(enriched.value):
        words += (
            f"; by mass enriched {plus_minus(enriched)} times over {result.balance.loaded_name}"
        )
    how = unfolding("How the purity came about", workings_id(number, PURITY))
    return tag(
        "p",
        whole_units(f"{words}. "),
        tag("span", how, ".", class_="on-screen"),
        class_="legend",
    )


def advice(tube: FractionResult, numbers: Mapping[str, int] | None = None) -> Html | None:
    """Return what to do with a tube, with the rule, the number and the limit.

    Parameters
    ----------
    tube : FractionResult
    numbers : mapping of str to int, optional
        Number of each tube by name, written before the name of a tube to pool with.
    """
    one = tube.decision
    if one is None:
        return None
    basis = [one.rule]
    if one.number is not None and one.limit is not None:
        basis.append(f"{significant(one.number, 3)} against {significant(one.limit, 3)} {one.unit}")
    if one.setting is not None:
        basis.append(f"setting {one.setting}")
    chance = math.nan if one.probability is None else one.probability
    basis.append(f"probability that the share is enough: {probability(chance)}")
    if one.partners:
        known = numbers or {}
        named = [f"{known.get(name, '')} {name}".strip() for name in one.partners]
        basis.append(f"pool of {', '.join(named)}")
    return tag(
        "p",
        tag("b", f"Advice: {action_words(one)}. "),
        whole_units(worded(one.sentence)),
        " ",
        tag("small", whole_units(f"Rule: {'; '.join(basis)}.")),
        # a fragment stands alone and has no section of cautions to lead to
        _cautions_link() if numbers is not None and one.action in HANDLED else None,
        class_="advice",
    )


def _cautions_link() -> Html:
    return joined(" ", tag("a", "First read the cautions", href="#cautions"), ".")


def _cautions_for(tube: FractionResult) -> Html | None:
    """Return the way to the cautions where a remark asks to handle solvents again."""
    if tube.decision is not None and tube.decision.action in HANDLED:
        return None  # the advice has led there already
    if not any(ASKS_TO_HANDLE.search(flag.message) for flag in tube.flags):
        return None
    return tag("p", "To evaporate, dilute or run again: ", _cautions_link(), class_="legend")


def _solvent_seen(tube: FractionResult) -> Html | None:
    """Return what the bands tell of the solvent that the sheet states."""
    verdict = tube.solvent_verdict
    if verdict is None or not verdict.reason:
        return None
    words, library = verdict.reason, load_references()
    named = {verdict.declared or "", verdict.best, *verdict.as_well} & set(library.solvents)
    for key in sorted(named, key=len, reverse=True):
        words = re.sub(rf"(?<![\w-]){re.escape(key)}(?![\w-])", library.solvent(key).name, words)
    return tag("p", f"Solvent, judged by the bands: {words}", class_="legend")


def _identified(tube: FractionResult) -> Html:
    rows = []
    best = tube.identification[0].score
    for guess in tube.identification[:4]:
        seen = [
            full_name(key)
            for key, flag in zip(guess.fit.pigments, guess.fit.detected, strict=True)
            if flag
        ]
        cells = (
            tag("td", ", ".join(seen) or NONE),
            tag(
                "td", f"{guess.score - best:.1f}" if guess.score > best else "best", class_="figure"
            ),
        )
        rows.append(tag("tr", tag("th", guess.solvent, scope="row"), cells))
    heads = ("if the solvent is", "the scan looks like", "deviance above the best")
    return joined(
        tag(
            "p",
            "The sheet does not state the solvent. It is never guessed: below is what the scan "
            "looks like in the solvents that its bands do not exclude, best first. No mass is "
            "given.",
            class_="sentence",
        ),
        _table(
            "What the scan looks like in the solvents its bands allow", heads, rows, class_="plain"
        ),
    )


def _table(caption: str, heads: Sequence[str], rows: Sequence[Html], *, class_: str) -> Html:
    return tag(
        "div",
        tag(
            "table",
            tag("caption", caption, class_="unseen"),
            tag("thead", tag("tr", [tag("th", head, scope="col") for head in heads])),
            tag("tbody", rows),
            class_=class_,
        ),
        class_="wide",
    )


def _measured(
    result: RunResult, tube: FractionResult, number: int, drawn: Drawings
) -> list[Html | None]:
    if tube.fit is None or not tube.pigments:
        return []
    return [
        *[_figure(tube, tube.fit, number, index, drawn) for index in range(len(tube.fit.scans))],
        composition_table(tube, number),
        _details(tube.fit),
        _second_opinion(tube, tube.equations),
        _solvent_seen(tube),
        indices_block(tube),
        tube_workings(result, number),
    ]


def _figure(
    tube: FractionResult, fit: MixtureFit, number: int, index: int, drawn: Drawings
) -> Html:
    scan = fit.scans[index]
    many = f" (scan {index + 1} of {len(fit.scans)}{_dilution(tube, index)})"
    many = many if len(fit.scans) > 1 else ""
    main = f" Main pigment: {full_name(tube.purity.main)}." if tube.purity is not None else ""
    label = (
        f"Scan of {tube.fraction.name}{many} from {scan.wavelength[0]:g} to "
        f"{scan.wavelength[-1]:g} nm with the fitted total and each pigment's part; below, scan "
        f"less fit with the range 95 % of the points should keep to.{main}"
    )
    caption = (
        tag("b", f"Tube {number}{many}. "),
        "Scan (grey), fit (black) and the part of each pigment; below, scan less fit, with the "
        "band that 95 % of the points should keep to. ",
        "Tinted: left out. " if not fit.used[index].all() else None,
        tag(
            "span", "Point at the figure, or use the slider, to read values.", class_="with-script"
        ),
    )
    return tag(
        "figure",
        scan_picture(
            drawn[scan_stem(tube, number, index)], fit, index, key=f"t{number}s{index}", label=label
        ),
        tag("figcaption", *caption),
    )


def _dilution(tube: FractionResult, index: int) -> str:
    scans = tube.fraction.scans
    if index >= len(scans):
        return ""
    factor = scans[index].dilution_factor.value
    return ", undiluted" if factor == 1 else f", diluted 1 : {factor:g}"


# Composition


def composition_table(tube: FractionResult, number: int, *, links: bool = True) -> Html:
    """Return the composition of a tube, a row a pigment or sum that cannot be taken apart."""
    heads = (
        "Pigment",
        "mg/L",
        "µg",
        "nmol",
        "Share by mass, 95 % interval",
        "Recovered, %",
        "State; reference",
    )
    rows = [_line_row(tube, line, number, links) for line in reported_lines(tube)]
    rows += [_group_row(group, number, links) for group in sums_of(tube)]
    return _table("Composition with uncertainties", heads, rows, class_="composition")


def _line_row(tube: FractionResult, line: ReportedLine, number: int, links: bool) -> Html:
    name: Html | str = joint_name(line.members)
    if links:
        name = tag("a", name, href=f"#{workings_id(number, line.key)}")
    head = tag("th", swatch(line.style), name, scope="row")
    one = line.result
    if not one.detected:
        return tag("tr", head, _absent_cells(tube, line), class_="absent")
    figures = (
        stacked(one.concentration),
        stacked(one.mass) if one.mass is not None else text(_why_no_mass(line)),
        stacked(one.amount),
    )
    return tag(
        "tr",
        head,
        [tag("td", figure, class_="figure") for figure in figures],
        _share_cell(line),
        tag("td", recovery_figure(one, links=links), class_="figure"),
        tag("td", tag("small", _state(line)), class_="state"),
    )


def _why_no_mass(line: ReportedLine) -> str:
    return "not for mass" if getattr(line.result, "for_mass", True) is False else NONE


def _absent_cells(tube: FractionResult, line: ReportedLine) -> list[Html]:
    one = line.result
    at_most = getattr(one, "detection_limit", math.nan)
    mass = mass_limit(tube, one)
    interval = one.share_interval
    upper = f"<\u00a0{significant(100 * interval[1], 2)}\u00a0%" if interval else NONE
    return [
        tag("td", limit(at_most) if math.isfinite(at_most) else NONE, class_="figure"),
        tag("td", limit(mass) if mass is not None else NONE, class_="figure"),
        tag("td", NONE, class_="figure"),
        tag("td", tag("span", upper, class_="beside-bar"), class_="share"),
        tag("td", NONE, class_="figure"),
        tag("td", tag("small", "not detected"), class_="state"),
    ]


def _state(line: ReportedLine) -> str:
    if len(line.members) > 1:
        return "a sum: not to be told apart here"
    one = line.result
    state = STATES[bool(getattr(one, "quantified", True))]
    return f"{state}; {getattr(one, 'grade', '')}"


def _share_cell(line: ReportedLine) -> Html:
    one = line.result
    value, interval = share_split(one.share_mass, one.share_interval)
    words = tag("span", value, tag("small", f" {interval}"), class_="beside-bar")
    if one.share_mass is None or one.share_interval is None:
        return tag("td", words, class_="share")
    return tag("td", _bar(one.share_mass.value, one.share_interval, line.style.colour), words,
               class_="share")  # fmt: skip


def _bar(value: float, interval: tuple[float, float], colour: str) -> Html:
    """Return a share as a bar with its interval as a whisker, over a scale of 0 to 100 %."""
    if not all(map(math.isfinite, (value, *interval))):
        return Html("")
    low, high = (100 * end for end in interval)
    whisker = f"M{low:.2f} 3.5V8.5M{low:.2f} 6H{high:.2f}M{high:.2f} 3.5V8.5"
    return tag(
        "svg",
        tag("path", d="M0 11.5H100", class_="scale"),
        tag("rect", x="0", y="1", width=f"{100 * value:.2f}", height="10", fill=colour),
        tag("path", d=whisker, class_="halo"),
        tag("path", d=whisker, class_="whisker"),
        class_="bar",
        viewBox="-1 0 102 12",
        aria_hidden="true",
    )


def _group_row(group: GroupResult, number: int, links: bool) -> Html:
    words = GROUP_NAMES.get(group.name, joint_name(group.members))
    name = tag("a", words, href=f"#{workings_id(number, group.name)}") if links else text(words)
    interval = share_split(group.share_mass, group.share_interval)
    equivalents = any(factor != 1 for factor in group.factors)
    shown = NONE if equivalents else interval[0]
    return tag(
        "tr",
        tag("th", name, scope="row"),
        [
            tag("td", stacked(one), class_="figure")
            for one in (group.concentration, group.mass, group.amount)
        ],
        tag("td", tag("span", shown, class_="beside-bar"), class_="share"),
        tag("td", recovery_figure(group, links=links), class_="figure"),
        tag("td", tag("small", "sum")),
        class_="group",
    )


# Second opinion


def _second_opinion(tube: FractionResult, found: Sequence[EquationResult]) -> Html | None:
    """Return published equations beside the fit: one table, then sources and reasons."""
    if not found:
        return None
    outputs = dict.fromkeys((value.output, value.unit) for one in found for value in one.values)
    rows = [
        tag(
            "tr",
            tag("th", full_name(output), scope="row"),
            tag("td", _fitted(tube, output, unit), class_="figure"),
            [tag("td", _from_set(one, output, unit), class_="figure") for one in found],
        )
        for output, unit in outputs
    ]
    heads = ("", "fit", *(f"set {at}" for at in range(1, len(found) + 1)))
    return tag(
        "details",
        tag("summary", "Second opinion: published simultaneous equations beside the fit"),
        tag(
            "div",
            _table("Equations and fit", heads, rows, class_="plain"),
            tag("ol", [tag("li", _set_words(one)) for one in found], class_="sources"),
            class_="side-by-side",
        ),
        _reasons(found),
        class_="opinion",
        open=True,
    )


def _from_set(one: EquationResult, output: str, unit: str) -> str:
    for value in one.values:
        if (value.output, value.unit) == (output, unit):
            return f"{significant(value.value, 3)}\u00a0{unit}"
    return NONE


def _set_words(one: EquationResult) -> str:
    published = one.equation_set
    return f"{published.source}; for {published.solvent_as_published}."


def _formulas(one: EquationResult) -> list[str]:
    """Return the lines of a set as published."""
    return [
        f"{full_name(line.output)} ({line.unit}) = {_formula(line)}"
        for line in one.equation_set.lines
    ]


def _formula(line: EquationLine) -> str:
    terms = [
        (term.coefficient, f"A({term.wavelength:g}{READING_WORDS[term.reading]})")
        for term in line.terms
    ]
    terms += [
        (line.chlorophyll_a_coefficient, "c(chlorophyll a)"),
        (line.chlorophyll_b_coefficient, "c(chlorophyll b)"),
    ]
    written = " ".join(
        f"{'+' if factor > 0 else MINUS} {abs(factor):g} {what}" for factor, what in terms if factor
    ).removeprefix("+ ")
    return written if line.divisor == 1 else f"({written}) / {line.divisor:g}"


def _readings(one: EquationResult) -> list[str]:
    read = ", ".join(
        f"A({wavelength:g} nm) {pretty(f'{value:.4f}')}"
        for wavelength, value in one.absorbances.items()
    )
    offset = (
        f", less {pretty(f'{one.offset:.4f}')} at {one.offset_wavelength:g} nm"
        if one.offset_wavelength is not None
        else ""
    )
    return [f"read in 1 cm: {read}{offset}"] if read else []


def _reasons(found: Sequence[EquationResult]) -> Html | None:
    listed = [
        (at, words)
        for at, one in enumerate(found, start=1)
        for words in (*_readings(one), *_formulas(one), *map(worded, dict.fromkeys(one.reasons)))
    ]
    if not listed:
        return None
    return tag(
        "details",
        tag("summary", "What the equations read, and why they may differ from the fit"),
        tag("ul", [tag("li", f"set {at}: {reason}") for at, reason in listed], class_="sources"),
    )


def _fitted(tube: FractionResult, output: str, unit: str) -> str:
    """Return the fit's own figure for what an equation gives, where it is of one unit."""
    if unit != "mg/L":
        return NONE
    pigment, group = tube.pigment(output), tube.group(output)
    if pigment is not None:
        return plus_minus(pigment.concentration, unit="mg/L")
    if group is not None:
        return plus_minus(group.concentration, unit="mg/L")
    members = [one for one in tube.pigments if f"{one.group}s" == output]
    if not members:
        return NONE
    return f"{significant(sum(one.concentration.value for one in members), 3)}\u00a0mg/L"


# Details


def _details(fit: MixtureFit) -> Html:
    facts = [tag("div", tag("dt", name), tag("dd", value)) for name, value in _facts(fit)]
    return tag(
        "details",
        tag("summary", "How the fit went: points, shifts, baseline, noise, chi-square"),
        tag("dl", facts),
        class_="fit-details",
        open=True,
    )


def _facts(fit: MixtureFit) -> list[tuple[str, str]]:
    facts = [("converged", "yes" if fit.success else f"no: {fit.message}")]
    for index, scan in enumerate(fit.scans):
        facts.append((_of_scan("points used", fit, index), _points(fit, index, len(scan))))
    facts += [
        (
            f"shift of {group}",
            f"{pretty(f'{shift:+.2f}')}\u00a0±\u00a0{fit.group_shift_uncertainties[group]:.2f} nm",
        )
        for group, shift in fit.group_shifts.items()
    ]
    for index in range(len(fit.scans)):
        facts += [
            (_of_scan("offset", fit, index), f"{pretty(f'{fit.offsets[index]:+.4f}')}"),
            (
                _of_scan("scatter at 500 nm", fit, index),
                f"{pretty(f'{fit.scatters[index]:.4f}')}, "
                f"exponent {pretty(f'{fit.scatter_exponent:.1f}')}",
            ),
            (_of_scan("noise at A = 0", fit, index), f"{fit.noise[index]:.5f}"),
        ]
    given = "not given" if fit.bandwidth is None else f"{fit.bandwidth:g} nm"
    facts += [
        ("spectral bandwidth", given),
        (
            "variance added to the bands",
            f"{pretty(f'{fit.bandwidth_variance:.2f}')} nm²"
            + (" (fitted)" if fit.bandwidth is None else ""),
        ),
        ("reduced chi-square (1 as stated)", f"{fit.reduced_chi_square:.2f}"),
        ("misfit beyond the stated errors", f"{fit.misfit:.4f}"),
        ("runs test of the residual, p", _p_value(fit.runs_p_value)),
        ("band-shape error, times the stated", f"{fit.shape_error_factor:.2f}"),
        ("absorbance left unexplained", f"{100 * fit.unassigned_share:.2f} % of the area"),
    ]
    facts += [
        (
            "unassigned band",
            f"{band.wavelength:.0f} nm, height {pretty(f'{band.absorbance:.4f}')}, "
            f"{band.significance:.1f} standard uncertainties",
        )
        for band in fit.unassigned_bands
    ]
    return facts


def _p_value(value: float) -> str:
    return "under 0.001" if value < 0.001 else f"{value:.2g}"


def _of_scan(name: str, fit: MixtureFit, index: int) -> str:
    return f"{name}, scan {index + 1}" if len(fit.scans) > 1 else name


def _points(fit: MixtureFit, index: int, total: int) -> str:
    used = int(fit.used[index].sum())
    ranges = left_out_ranges(fit.curves(index))
    if not ranges:
        return f"all {total}"
    listed = ", ".join(f"{start:.0f}–{stop:.0f}" for start, stop in ranges[:6])
    more = f" and {counted(len(ranges) - 6, 'more range')}" if len(ranges) > 6 else ""
    return f"{used} of {total}; left out: {listed}{more} nm"
