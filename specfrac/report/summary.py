"""The first screen: what is in each tube, how pure, how much."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from specfrac.flags import Flag
from specfrac.names import worded
from specfrac.plots import ReportedLine, reported_lines
from specfrac.report.markup import Html, joined, tag, text
from specfrac.report.names import (
    ROLE_WORDS,
    SEVERITY_WORDS,
    flag_meaning,
    full_name,
    joint_name,
    tube_id,
    workings_id,
)
from specfrac.report.numbers import (
    NONE,
    counted,
    plus_minus,
    pretty,
    probability,
    share,
    share_split,
    stacked,
    whole_units,
)
from specfrac.report.tube_workings import PURITY, TOTAL
from specfrac.report.workings import unfolding

if TYPE_CHECKING:
    from specfrac.decisions import Decision
    from specfrac.run import FractionResult, GroupResult, PigmentResult, Run, RunResult

COMMAND = re.compile(r"`(specfrac [^`]+)`")  # as messages write one
NAMED_FROM = 0.01  # share below which a pigment is not named in the summary
NAMED = 3


def heading(run: Run) -> Html:
    """Return title and the facts of the run in one line."""
    facts = [run.method and f"method: {run.method}", run.block, run.date]
    if run.tissue_mass is not None:
        basis = f" {run.tissue_basis}" if run.tissue_basis else ""
        facts.append(f"{plus_minus(run.tissue_mass, unit='g')}{basis} leaf")
    if run.loaded_volume is not None:
        part = "the whole extract" if run.all_loaded else _part(run)
        facts.append(f"loaded: {part}")
    return tag(
        "header",
        tag("p", "Column run: what each tube holds", class_="kind"),
        tag("h1", run.title or "Untitled run"),
        tag("p", joined((fact for fact in facts if fact), by=" · "), class_="facts"),
    )


def _part(run: Run) -> str:
    whole = f" of {run.extract_volume.value:g} mL extract" if run.extract_volume else ""
    loaded = run.loaded_volume
    return f"{loaded.value:g} mL{whole}" if loaded else ""


def summary(result: RunResult) -> Html:
    """Return the answer in a sentence and the table of all tubes."""
    return tag(
        "section",
        tag("h2", "In short", id="in-short"),
        tag("div", _answer(result), tube_table(result), _legend_line(), _run_flags(result.flags)),
        class_="summary",
        aria_labelledby="in-short",
    )


def _answer(result: RunResult) -> Html | None:
    """Return one sentence on the best tube of the target, or on the tubes in general."""
    name, wanted = result.run.target_pigment, result.run.target_share
    aimed = [
        (number, tube)
        for number, tube in enumerate(result.fractions, start=1)
        if tube.fraction.role in ("cut", "wash")
        and tube.purity is not None
        and tube.purity.target_share is not None
        and tube.purity.target_share.value > 0
    ]
    if name is None or not aimed:
        return None
    number, best = max(aimed, key=lambda pair: _merit(pair[1], wanted))
    purity = best.purity
    if purity is None:
        return None
    stated = share(purity.target_share, purity.target_interval)
    parts: list[str] = [
        "The best tube for ",
        full_name(name),
        " is ",
        tag("a", f"{number}, {best.fraction.name}", href=f"#{tube_id(number)}"),
        ": ",
        unfolding(whole_units(stated), workings_id(number, PURITY)),
        " of its coloured pigment",
    ]
    line = _line_of(best, name)
    if line is not None and line.result.mass is not None:
        how = workings_id(number, line.key)
        parts += [", ", unfolding(plus_minus(line.result.mass, unit="µg"), how)]
        recovery = line.result.recovery
        if recovery is not None:
            stated_recovery = plus_minus(recovery, factor=100, unit="%")
            parts += [", ", unfolding(stated_recovery, how), " of what was loaded"]
    parts.append(". ")
    if wanted is not None and purity.probability_above_target is not None:
        chance = probability(purity.probability_above_target)
        parts.append(
            whole_units(
                f"Wanted was {100 * wanted:g} %; the probability that it is reached is {chance}."
            )
        )
    return tag("p", *parts, class_="answer")


def _merit(tube: FractionResult, wanted: float | None) -> tuple[float, float]:
    """Order tubes: first whether the target share is likely reached, then the target's mass."""
    purity = tube.purity
    if purity is None or purity.target_share is None:
        return (-1.0, 0.0)
    chance = purity.probability_above_target if wanted is not None else None
    reached = 1.0 if chance is not None and chance >= 0.5 else 0.0
    line = _line_of(tube, purity.target or "")
    mass = line.result.mass.value if line is not None and line.result.mass is not None else 0.0
    return (reached, mass if reached or wanted is None else purity.target_share.value)


def _line_of(tube: FractionResult, key: str) -> ReportedLine | None:
    return next((line for line in reported_lines(tube) if line.key == key), None)


def tube_table(result: RunResult, *, links: bool = True) -> Html:
    """Return the table of all tubes.

    Parameters
    ----------
    result : RunResult
    links : bool
        Lead from each tube to its section; False where the table stands alone.
    """
    heads = (
        tag("span", "Number", class_="unseen"),
        "Tube",
        "What is in it",
        "How pure",
        "How much",
        "Recovered",
        "What to do, and know",
    )
    usable = result.run.settings["share_usable"]
    rows = [
        _tube_row(number, tube, usable=usable, links=links)
        for number, tube in enumerate(result.fractions, start=1)
    ]
    return tag(
        "div",
        tag(
            "table",
            tag(
                "caption", "All tubes: main pigment, its share, mass and recovery", class_="unseen"
            ),
            tag("thead", tag("tr", [tag("th", head, scope="col") for head in heads])),
            tag("tbody", rows),
            class_="tubes",
        ),
        class_="wide",
    )


def _tube_row(number: int, tube: FractionResult, *, usable: float, links: bool) -> Html:
    name: Html = text(tube.fraction.name)
    if links:
        name = tag("a", name, href=f"#{tube_id(number)}")
    known = tube.fit.references.solvent.name if tube.fit is not None else tube.fraction.solvent
    solvent = f"in {known}" if known else "solvent not stated"
    about = tag("small", f"{ROLE_WORDS.get(tube.fraction.role, tube.fraction.role)}; {solvent}")
    first = (tag("td", str(number), class_="number"), tag("th", name, about, scope="row"))
    return tag(
        "tr", *first, _contents(tube), *_main_cells(number, tube, usable, links), _to_know(tube)
    )


def _contents(tube: FractionResult) -> Html:
    """Return the cell with the composition as a strip and in words."""
    if not tube.pigments:
        guess = tube.identification[0] if tube.identification else None
        words = "not measured"
        if guess is not None:
            present = [
                full_name(key)
                for key, seen in zip(guess.fit.pigments, guess.fit.detected, strict=True)
                if seen
            ]
            words = f"looks like {', '.join(present) or 'nothing known'}; no solvent stated"
        return tag("td", tag("small", words))
    shown = sorted(
        (
            line
            for line in reported_lines(tube)
            if _share(line) >= NAMED_FROM and line.result.detected
        ),
        key=_share,
        reverse=True,
    )
    if not shown:
        return tag("td", "no pigment found")
    named = [f"{line.label} {100 * _share(line):.0f} %" for line in shown[:NAMED]]
    rest = len(shown) - NAMED
    if rest > 0:
        named.append(f"{rest} more")
    return tag("td", strip(shown), tag("small", whole_units(", ".join(named))))


def _share(line: ReportedLine) -> float:
    value = line.result.share_mass
    return value.value if value is not None and math.isfinite(value.value) else 0.0


def strip(lines: Sequence[ReportedLine]) -> Html:
    """Return a composition as one bar, each piece in its pigment's colour."""
    pieces, start = [], 0.0
    for line in lines:
        width = 100 * _share(line)
        pieces.append(
            tag(
                "rect",
                x=f"{start:.2f}",
                y="0",
                width=f"{max(width - 0.5, 0.3):.2f}",
                height="8",
                fill=line.style.colour,
            )
        )
        start += width
    return tag(
        "svg",
        pieces,
        class_="strip",
        viewBox="0 0 100 8",
        preserveAspectRatio="none",
        aria_hidden="true",
    )


def _main_cells(
    number: int, tube: FractionResult, usable: float, links: bool
) -> tuple[Html, Html, Html]:
    """Return share, mass and recovery of the main pigment."""
    purity = tube.purity
    line = _line_of(tube, purity.main) if purity is not None else None
    if purity is None or line is None:
        empty = tag("td", NONE, class_="figure")
        return empty, empty, empty
    anchor = workings_id(number, line.key) if links else None
    value, interval = share_split(purity.share_mass, purity.interval)
    name: Html | str = line.label if len(line.members) > 1 else full_name(line.key)
    if links:
        name = tag("a", name, href=f"#{anchor}", title=joint_name(line.members))
    how = workings_id(number, PURITY) if links else None
    small = [interval] if interval else []
    if purity.share_mass.value < usable:
        small.append("a mixture")
    pure = tag(
        "td",
        tag("b", unfolding(value, how)),
        " ",
        name,
        [tag("small", whole_units(words)) for words in small],
        class_="figure",
    )
    return pure, _mass_cell(tube, line, number, links), _recovery_cell(line, anchor)


def _mass_cell(tube: FractionResult, line: ReportedLine, number: int, links: bool) -> Html:
    if line.result.mass is None:
        why = "not for mass" if getattr(line.result, "for_mass", True) is False else "no volume"
        return tag("td", tag("small", why), class_="figure")
    anchor = workings_id(number, line.key) if links else None
    total = tube.total_mass
    small = None
    if total is not None and total.value > 1.02 * line.result.mass.value:
        whole = workings_id(number, TOTAL) if links else None
        small = tag("small", "of ", unfolding(plus_minus(total, unit="µg"), whole), " coloured")
    mass = unfolding(_whole(stacked(line.result.mass), "µg"), anchor)
    return tag("td", mass, small, class_="figure")


def _recovery_cell(line: ReportedLine, anchor: str | None) -> Html:
    one = line.result
    figure = recovery_figure(one, links=anchor is not None)
    if one.recovery is not None:
        figure = unfolding(_whole(figure, "%"), anchor)
    elif one.recovery_interval is not None:
        figure = unfolding(_whole(figure, "%"), anchor, title=one.recovery_note)
    return tag("td", figure, class_="figure")


def recovery_figure(found: PigmentResult | GroupResult, *, links: bool = True) -> Html:
    """Return a recovery in percent; what is made on the column balances as a pool only."""
    if found.made_on_column:
        return tag(
            "a" if links else "span",
            "see balance",
            href="#balance" if links else None,
            title=worded(found.recovery_note),
        )
    if found.recovery is not None:
        return stacked(found.recovery, factor=100)
    if found.recovery_interval is not None:
        low, high = found.recovery_interval
        return text(pretty(f"{100 * low:.0f} to {100 * high:.0f}"))
    return text(NONE)


def _whole(number: Html, unit: str) -> Html:
    return tag("span", number, f"\u00a0{unit}", class_="whole")


def _to_know(tube: FractionResult) -> Html:
    """Return the advised action, and what a reader must know before following it."""
    advice = None
    if tube.decision is not None:
        advice = tag("b", action_words(tube.decision), title=worded(tube.decision.sentence))
    return tag("td", advice, *_remarks(tube.flags, advised=advice is not None), class_="know")


def action_words(decision: Decision) -> str:
    """Return an action, with the dilution that is advised."""
    if decision.dilution_factor is not None:
        return f"{decision.action}, 1 : {decision.dilution_factor:g}"
    return decision.action


def _remarks(flags: Sequence[Flag], *, advised: bool) -> tuple[Html | None, ...]:
    if not flags:
        return (None if advised else tag("small", "nothing to note"),)
    worst, more = flags[0], len(flags) - 1
    if worst.severity == "note":
        return (tag("small", counted(len(flags), "remark")),)
    tail = f" ({counted(more, 'more remark')})" if more else ""
    return (tag("small", severity_mark(worst), f" {flag_meaning(worst)}{tail}"),)


def severity_mark(flag: Flag) -> Html:
    """Return "warning", "note" or "stop", in words and not by colour alone."""
    return tag("span", SEVERITY_WORDS[flag.severity], class_=f"severity {flag.severity}")


def flag_list(flags: Sequence[Flag]) -> Html | None:
    """Return flags, worst first."""
    if not flags:
        return None
    return tag(
        "ul",
        [
            tag("li", severity_mark(flag), tag("span", _with_commands(flag.message)))
            for flag in flags
        ],
        class_="flags",
    )


def _with_commands(message: str) -> Html:
    """A message in words, its commands set as such."""
    parts = COMMAND.split(message)
    return joined(
        tag("code", part) if place % 2 else whole_units(worded(part))
        for place, part in enumerate(parts)
    )


def _run_flags(flags: Sequence[Flag]) -> Html | None:
    if not flags:
        return None
    return joined(tag("h3", "For the run as a whole"), flag_list(flags))


def _legend_line() -> Html:
    return tag(
        "p",
        "± is one standard uncertainty (k = 1); a range in brackets or below a share is a 95 % "
        "interval. A share is of the coloured pigment by mass: colourless matter (lipid, wax, "
        "solvent left behind) cannot be seen in a scan. Recovery is against the same pigment in "
        "what was loaded. ",
        tag("span", "Every underlined number leads to how it came about.", class_="on-screen"),
        class_="legend",
    )
