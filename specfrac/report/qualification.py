"""A qualification as sections of a page: outcome, each check with numbers and picture."""

from __future__ import annotations

import math

from specfrac.qualify import CAUTIONS
from specfrac.qualify.plot import can_draw, check_figure
from specfrac.qualify.results import Check, CheckRow, QualificationResult
from specfrac.report.bench_page import bench_page
from specfrac.report.limits import LIMIT_HEADS, limit_rows
from specfrac.report.markup import Html, joined, slug, tag
from specfrac.report.numbers import NONE, significant
from specfrac.report.plates import table
from specfrac.report.summary import flag_list

MARKS = {True: "pass", False: "▲ fail", None: "cannot tell"}


def qualification_html(result: QualificationResult, *, pictures: bool = True) -> Html:
    """Return a qualification as one section.

    Parameters
    ----------
    result : QualificationResult
    pictures : bool
        False leaves the drawings out.
    """
    return tag(
        "section",
        tag("h2", "Instrument", id="qualification"),
        tag(
            "div",
            tag("p", result.sentence, class_="sentence"),
            flag_list(result.flags),
            [_check(check, number, pictures) for number, check in enumerate(result.checks)],
            _limits(result),
            tag("p", CAUTIONS, class_="legend"),
        ),
        class_="qualification",
        aria_labelledby="qualification",
    )


def qualification_page(result: QualificationResult) -> str:
    """Return a qualification as one self-contained page."""
    title = result.instrument or "Instrument"
    if result.date:
        title += f", {result.date}"
    return bench_page(title, "Qualification of an instrument", [qualification_html(result)])


def _check(check: Check, number: int, pictures: bool) -> Html:
    heads = ("", "expected", "found", "compared", "limit", "verdict", "reference")
    return joined(
        tag("h3", f"{check.kind.capitalize()}: {check.standard}"),
        tag("p", check.sentence),
        _picture(check, number) if pictures and can_draw(check) else None,
        table(f"{check.kind}, {check.standard}", heads, [_row(row) for row in check.rows],
              unseen=True),
        tag("p", f"Source: {check.source}.", class_="source") if check.source else None,
    )  # fmt: skip


def _row(row: CheckRow) -> Html:
    return tag(
        "tr",
        tag("th", row.name, scope="row"),
        tag("td", _number(row.expected), class_="figure"),
        tag("td", _number(row.found), class_="figure"),
        tag("td", _deviation(row.difference), class_="figure"),
        tag("td", f"{_deviation(row.limit)} {row.unit}", class_="figure"),
        tag("td", MARKS[row.passed], class_="state"),
        tag("td", tag("small", "; ".join(filter(None, (row.status, row.note))))),
    )


def _number(value: float) -> str:
    return significant(value, 4) if math.isfinite(value) else NONE


def _deviation(value: float) -> str:
    return significant(value, 2) if math.isfinite(value) else NONE


def _picture(check: Check, number: int) -> Html:
    from specfrac.report.pictures import house_style, inline_svg

    with house_style():
        drawn = inline_svg(
            check_figure(check), key=f"check-{number}-{slug(check.kind)}", label=check.sentence
        )
    return tag("figure", tag("div", drawn, class_="plot", style="max-width: 30rem"))


def _limits(result: QualificationResult) -> Html:
    return tag(
        "details",
        tag("summary", "Limits used: [J] working judgement, [S2] second-hand, [M] memory"),
        table("Limits used", ("limit", *LIMIT_HEADS[1:]), limit_rows(result.limits), unseen=True),
        class_="on-paper",
    )
