"""Worked figures in a report: each step, what departs first, and a class at a glance."""

from __future__ import annotations

import math
from collections.abc import Sequence

from specfrac.claims.results import (
    CARRIED,
    DEPARTS,
    ClaimResult,
    ClaimsResult,
    ClassResult,
    StepCheck,
    person_row,
    plain_factor,
    slip_advice,
    slip_label,
)
from specfrac.report.markup import Html, joined, tag
from specfrac.report.names import full_name
from specfrac.report.numbers import NONE, counted, significant
from specfrac.report.plates import table

MARKS = {DEPARTS: "▲ departs", CARRIED: "carried"}


def claims_html(results: ClassResult | Sequence[ClaimsResult]) -> Html | None:
    """Return the section on worked figures of a run, or None when there are none.

    Parameters
    ----------
    results : ClassResult or sequence of ClaimsResult

    Returns
    -------
    Html or None
    """
    found = results if isinstance(results, ClassResult) else ClassResult(tuple(results))
    if not found.people and not found.refused:
        return None
    return tag(
        "section",
        tag("h2", "Figures worked by hand", id="claims"),
        tag(
            "div",
            _class(found) if len(found.people) > 1 or found.refused else None,
            [_person(one, folded=len(found.people) > 1) for one in found.people],
            tag(
                "p",
                "Each figure is recomputed from the person's own figures before it, and from scan, "
                "run sheet and published data. A carried figure follows from an earlier error and "
                "is no new one. The named slip is the likeliest single one; ask before you mark.",
                class_="legend",
            ),
        ),
        class_="claims",
        aria_labelledby="claims",
    )


def _class(found: ClassResult) -> Html:
    rows = [_person_row(one) for one in found.people]
    heads = ("code", "figures", "right", "new errors", "carried", "first new error", "factor", "")
    return joined(
        table("A line a person", heads, rows),
        _commonest(found),
        _refused(found),
    )


def _person_row(one: ClaimsResult) -> Html:
    row = person_row(one)
    factor = row["factor"]
    return tag(
        "tr",
        tag("th", one.person, scope="row"),
        tag("td", str(row["figures"]), class_="figure"),
        tag("td", str(row["right"]), class_="figure"),
        tag("td", str(row["departures"]), class_="figure"),
        tag("td", str(row["carried"]), class_="figure"),
        tag("td", row["first_departure"] or NONE),
        tag("td", _factor(factor) if factor is not None else NONE, class_="figure"),
        tag("td", slip_label(row["slip"]) if row["slip"] else NONE),
    )


def _factor(value: float) -> str:
    return plain_factor(value) if math.isfinite(value) else NONE


def _commonest(found: ClassResult) -> Html | None:
    rows = [
        tag(
            "tr",
            tag("td", str(count), class_="number"),
            tag("th", slip_label(code), scope="row"),
            tag("td", slip_advice(code)),
        )
        for code, count in found.commonest()
    ]
    if not rows:
        return tag("p", "No figure departs.", class_="sentence")
    return table("Commonest slips", ("people", "slip", "what to do"), rows)


def _refused(found: ClassResult) -> Html | None:
    if not found.refused:
        return None
    items = [tag("li", tag("span", file), tag("span", why)) for file, why in found.refused]
    return joined(tag("h3", "Sheets that could not be checked"), tag("ul", items, class_="flags"))


def _person(one: ClaimsResult, *, folded: bool) -> Html:
    first = one.first
    verdict = (
        "no figure departs"
        if first is None
        else (f"departs first at {first[1].label}, {_title(first[0])}")
    )
    body = [_claim(claim) for claim in one.claims]
    if folded:
        return tag("details", tag("summary", f"{one.person}: {verdict}"), body)
    count = counted(len(one.departures), "new error")
    return joined(tag("h3", one.person), tag("p", f"{verdict} ({count}).", class_="sentence"), body)


def _title(claim: ClaimResult) -> str:
    if not claim.fraction or claim.steps[-1].quantity == "rf":
        return claim.title
    return f"{full_name(claim.pigment)} in {claim.fraction}"


def _claim(claim: ClaimResult) -> Html:
    heads = ("figure", "written", "from own figures", "from scan and tables", "verdict", "")
    rows = [_step_row(step) for step in claim.steps]
    return table(_title(claim), heads, rows)


def _step_row(step: StepCheck) -> Html:
    return tag(
        "tr",
        tag("th", step.label, scope="row"),
        tag("td", step.written, class_="figure"),
        tag("td", _number(step.expected), class_="figure"),
        tag("td", _number(step.right), class_="figure"),
        tag("td", MARKS.get(step.verdict, step.verdict), class_="state"),
        tag("td", tag("small", _remark(step))),
    )


def _number(value: float) -> str:
    return significant(value, 4) if math.isfinite(value) else NONE


def _remark(step: StepCheck) -> str:
    if step.verdict == DEPARTS:
        sentence = step.sentence
        return sentence[0].upper() + sentence[1:]
    return step.note
