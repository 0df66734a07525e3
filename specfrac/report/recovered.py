"""Where the pigment went: picture of the balance, masses of all tubes, closure."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from specfrac.names import listed, spoken
from specfrac.plots import balance_rows, reported_lines, row_colour, row_label
from specfrac.report.markup import Html, joined, tag, text
from specfrac.report.names import joint_name, tube_id, workings_id
from specfrac.report.numbers import NONE, between, limit, plus_minus, stacked, whole_units
from specfrac.report.pictures import Drawings, inlined, tube_numbers
from specfrac.report.run_workings import (
    BALANCE,
    CONTENT,
    CONVERSION,
    balance_workings,
    converts,
    how_id,
)
from specfrac.report.tube_workings import mass_limit
from specfrac.report.workings import unfolding

if TYPE_CHECKING:
    from specfrac.quantities import PorphyrinBalance
    from specfrac.run import Balance, BalanceRow, FractionResult, RunResult
    from specfrac.uncertainty import Quantity


def balance_section(result: RunResult, drawn: Drawings) -> Html | None:
    """Return the section on the run as a whole, or None when nothing has a mass."""
    found = result.balance
    if not found.rows:
        return None
    return tag(
        "section",
        tag("h2", "Where the pigment went", id="balance"),
        tag(
            "div",
            _caveat(found),
            _figure(result, drawn),
            pool_table(found),
            _conversion(found.porphyrins),
            tag("h3", "Mass of each pigment in each tube, µg"),
            tag(
                "p",
                "Sums and recoveries count a detected pigment as shown, and one that was not "
                "detected (<) as what the scan leaves for it, which may be negative. Porphyrins "
                "balance in nmol, because pheophytin is made on the column.",
                class_="legend",
            ),
            mass_table(result),
            content_words(result),
            balance_workings(result),
        ),
        class_="balance",
        aria_labelledby="balance",
    )


def _caveat(found: Balance) -> Html | None:
    words = []
    if found.loaded_name is None:
        words.append("No loaded extract was scanned, so recovery and closure are not known.")
    reasons = dict.fromkeys(one.reason for row in found.rows for one in row.uncounted)
    if reasons:
        words.append(
            f"Not counted: {listed(reasons)}. A sum that would hold it is a lower bound (≥)."
        )
    return tag("p", " ".join(words), class_="sentence") if words else None


def _figure(result: RunResult, drawn: Drawings) -> Html | None:
    rows = balance_rows(result.balance)
    if not rows:
        return None
    numbers = tube_numbers(result)
    against = (
        "the dashed line is all that was loaded"
        if result.balance.loaded_name is not None
        else "no loaded extract was scanned"
    )
    label = "Found, tube by tube, against loaded: " + "; ".join(
        f"{row_label(row)} {_closure_words(row)}" for row in rows
    )
    key = [
        tag("span", tag("b", str(numbers[name])), f" {name}", class_="tube-key")
        for name, _ in rows[0].tubes
    ]
    return tag(
        "figure",
        tag("div", inlined(drawn["balance"].svg, key="bal", label=label), class_="plot"),
        tag(
            "figcaption",
            tag("b", "Balance. "),
            f"Pieces of a bar are the tubes that came off the column; {against}; the whisker is "
            "the 95 % interval of the sum. ",
            *key,
        ),
    )


def _closure_words(row: BalanceRow) -> str:
    if row.closure is not None:
        ends = f" ({between(row.closure_interval)})" if row.closure_interval is not None else ""
        return plus_minus(row.closure, factor=100, unit="%") + ends
    return plus_minus(row.found, unit=row.unit)


def pool_table(found: Balance, *, links: bool = True) -> Html:
    """Return loaded, found and closure of what balances by itself, with the verdict.

    Parameters
    ----------
    found : Balance
    links : bool
        Lead to the workings; False where the table stands alone.
    """
    heads = ("pigment or pool", "unit", "loaded", "found", "closure, %", "verdict")
    rows = [_pool_row(row, links) for row in (_balanced(found) or found.rows)]
    return tag(
        "div",
        tag(
            "table",
            tag("caption", "Loaded, found and closure", class_="unseen"),
            tag("thead", tag("tr", [tag("th", head, scope="col") for head in heads])),
            tag("tbody", rows),
            class_="pools",
        ),
        class_="wide",
    )


def _balanced(found: Balance) -> list[BalanceRow]:
    """Return the rows of the picture, and those of which only an interval is known."""
    drawn = {row.name for row in balance_rows(found)}
    return [
        row
        for row in found.rows
        if row.name in drawn or (row.closure is None and row.closure_interval is not None)
    ]


def _pool_row(row: BalanceRow, links: bool) -> Html:
    name: Html | str = row_label(row)
    if links:
        name = tag("a", name, href=f"#{how_id(BALANCE, row.name)}")
    return tag(
        "tr",
        tag("th", _spot(row), name, scope="row"),
        tag("td", row.unit),
        tag("td", stacked(row.loaded), class_="figure"),
        tag("td", "≥\u00a0" if row.lower_bound else None, stacked(row.found), class_="figure"),
        tag("td", closure_figure(row), class_="figure"),
        tag("td", tag("small", whole_units(row.verdict)), class_="verdict"),
        class_=row.kind,
    )


def closure_figure(row: BalanceRow) -> Html:
    """Return a closure in percent, or its interval where only that is known."""
    plain = _plain_closure(row)
    if plain is None and row.closure_interval is not None:
        return text(between(row.closure_interval).removesuffix("\u00a0%"))
    return stacked(plain, factor=100)


def _plain_closure(row: BalanceRow) -> Quantity | None:
    closure = row.closure
    # a ratio to nothing is no figure: the verdict says so in words
    return closure if closure is not None and math.isfinite(closure.value) else None


def _spot(row: BalanceRow) -> Html:
    circle = tag("circle", cx="4", cy="4", r="3.4", fill=row_colour(row))
    return tag("svg", circle, class_="spot", viewBox="0 0 8 8", aria_hidden="true")


def _conversion(pools: tuple[PorphyrinBalance, ...]) -> Html | None:
    sentences = [
        joined(
            f"Of the chlorophyll {pool.kind} that was loaded, ",
            unfolding(
                plus_minus(pool.conversion, factor=100, unit="%"), how_id(CONVERSION, pool.kind)
            ),
            f" had turned to pheophytin {pool.kind} by the end (pheophytin share of the pool: "
            f"{plus_minus(pool.pheophytin_loaded, factor=100, unit='%')} loaded, "
            f"{plus_minus(pool.pheophytin_found, factor=100, unit='%')} found).",
        )
        for pool in pools
        if converts(pool)
    ]
    return tag("p", joined(sentences, by=" ")) if sentences else None


def mass_table(result: RunResult) -> Html:
    """Return a row a tube and a column a pigment or pool, with sum, loaded and closure."""
    columns = [row for row in result.balance.rows if row.unit == "µg" and _anywhere(row, result)]
    heads = [tag("span", "Number", class_="unseen"), "Tube", *(row_label(row) for row in columns)]
    rows = [
        _tube_row(number, tube, columns) for number, tube in enumerate(result.fractions, start=1)
    ]
    feet = [
        ("sum of the tubes", [stacked(row.found) for row in columns]),
        ("loaded", [stacked(row.loaded) for row in columns]),
        ("found of loaded, %", [closure_figure(row) for row in columns]),
    ]
    anchors = [how_id(BALANCE, row.name) for row in columns]
    return tag(
        "div",
        tag(
            "table",
            tag("caption", "Mass of each pigment in each tube, micrograms", class_="unseen"),
            tag("thead", tag("tr", [tag("th", head, scope="col") for head in heads])),
            tag("tbody", rows),
            tag(
                "tfoot",
                [
                    tag(
                        "tr",
                        tag("td", ""),
                        tag("th", name, scope="row"),
                        [
                            tag("td", _linked(one, anchor), class_="figure")
                            for one, anchor in zip(values, anchors, strict=True)
                        ],
                    )
                    for name, values in feet
                ],
            ),
            class_="masses",
        ),
        class_="wide",
    )


def _linked(figure: Html, anchor: str) -> Html:
    return figure if figure == NONE else unfolding(figure, anchor)


def _anywhere(row: BalanceRow, result: RunResult) -> bool:
    """Return whether a pigment was detected in some tube, so that it deserves a column."""
    if row.kind == "pool":
        return row.name == "carotenoids"
    found = (tube.pigment(row.name) for tube in result.fractions)
    return any(one is not None and one.detected for one in found)


def _tube_row(number: int, tube: FractionResult, columns: list[BalanceRow]) -> Html:
    return tag(
        "tr",
        tag("td", str(number), class_="number"),
        tag("th", tag("a", tube.fraction.name, href=f"#{tube_id(number)}"), scope="row"),
        [_mass_cell(number, tube, row) for row in columns],
    )


def _mass_cell(number: int, tube: FractionResult, row: BalanceRow) -> Html:
    """Return a mass; "<" when not detected; a mark when only the sum is known."""
    one = tube.pigment(row.name) if row.kind == "pigment" else tube.group(row.name)
    if one is None or one.mass is None:
        return tag("td", NONE, class_="figure")
    if not one.detected:
        at_most = mass_limit(tube, one)
        return tag("td", limit(at_most) if at_most else NONE, class_="figure faint")
    if getattr(one, "merged_into", None) is not None:
        line = next(line for line in reported_lines(tube) if row.name in line.members)
        return tag(
            "td",
            "in a sum",
            class_="figure faint",
            title=f"only {joint_name(line.members)} is known",
        )
    anchor = workings_id(number, row.name)
    return tag("td", unfolding(stacked(one.mass), anchor), class_="figure")


def content_words(result: RunResult) -> Html | None:
    """Return what the loaded extract says of the leaf, per gram."""
    parts = [
        joined(
            f"{spoken(one.name)} ",
            unfolding(plus_minus(one.content, unit="µg/g"), how_id(CONTENT, one.name)),
        )
        for one in result.extracted
    ]
    if not parts:
        return None
    basis = f"{result.run.tissue_basis} leaf" if result.run.tissue_basis else "tissue"
    return tag("p", f"Extracted per gram of {basis}: ", joined(parts, by="; "), ".")
