"""Where the pigment went: picture of the balance, masses of all tubes, closure."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from specfrac.names import spoken
from specfrac.plots import balance_rows, reported_lines, row_colour, row_label
from specfrac.report.markup import Html, tag
from specfrac.report.names import joint_name, tube_id
from specfrac.report.numbers import NONE, limit, plus_minus, stacked
from specfrac.report.pictures import Drawings, inlined, tube_numbers
from specfrac.report.workings import mass_limit

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
        ),
        class_="balance",
        aria_labelledby="balance",
    )


def _caveat(found: Balance) -> Html | None:
    words = []
    if found.loaded_name is None:
        words.append("No loaded extract was scanned, so recovery and closure are not known.")
    if found.unmeasured:
        listed = ", ".join(found.unmeasured)
        words.append(f"Not measured, so every sum is a lower bound: {listed}.")
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
        return plus_minus(row.closure, factor=100, unit="%")
    return plus_minus(row.found, unit=row.unit)


def pool_table(found: Balance) -> Html:
    """Return loaded, found and closure of what balances by itself, with the verdict."""
    heads = ("", "unit", "loaded", "found", "closure, %", "verdict")
    rows = [
        tag(
            "tr",
            tag("th", _spot(row), row_label(row), scope="row"),
            tag("td", row.unit),
            tag("td", stacked(row.loaded), class_="figure"),
            tag("td", "≥\u00a0" if row.lower_bound else None, stacked(row.found), class_="figure"),
            tag("td", stacked(_plain_closure(row), factor=100), class_="figure"),
            tag("td", tag("small", row.verdict), class_="verdict"),
            class_=row.kind,
        )
        for row in (balance_rows(found) or found.rows)
    ]
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


def _plain_closure(row: BalanceRow) -> Quantity | None:
    closure = row.closure
    # a ratio to nothing is no figure: the verdict says so in words
    return closure if closure is not None and math.isfinite(closure.value) else None


def _spot(row: BalanceRow) -> Html:
    circle = tag("circle", cx="4", cy="4", r="3.4", fill=row_colour(row))
    return tag("svg", circle, class_="spot", viewBox="0 0 8 8", aria_hidden="true")


def _conversion(pools: tuple[PorphyrinBalance, ...]) -> Html | None:
    sentences = []
    for pool in pools:
        if not math.isfinite(pool.conversion.value):
            continue
        sentences.append(
            f"Of the chlorophyll {pool.kind} that was loaded, "
            f"{plus_minus(pool.conversion, factor=100, unit='%')} had turned to pheophytin "
            f"{pool.kind} by the end (pheophytin share of the pool: "
            f"{plus_minus(pool.pheophytin_loaded, factor=100, unit='%')} loaded, "
            f"{plus_minus(pool.pheophytin_found, factor=100, unit='%')} found)."
        )
    return tag("p", " ".join(sentences)) if sentences else None


def mass_table(result: RunResult) -> Html:
    """Return a row a tube and a column a pigment or pool, with sum, loaded and closure."""
    columns = [row for row in result.balance.rows if row.unit == "µg" and _anywhere(row, result)]
    heads = ["", "Tube", *(row_label(row) for row in columns)]
    rows = [
        _tube_row(number, tube, columns) for number, tube in enumerate(result.fractions, start=1)
    ]
    feet: list[tuple[str, list[tuple[Quantity | None, float]]]] = [
        ("sum of the tubes", [(row.found, 1.0) for row in columns]),
        ("loaded", [(row.loaded, 1.0) for row in columns]),
        ("found of loaded, %", [(_plain_closure(row), 100.0) for row in columns]),
    ]
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
                        [tag("td", stacked(one, factor=by), class_="figure") for one, by in values],
                    )
                    for name, values in feet
                ],
            ),
            class_="masses",
        ),
        class_="wide",
    )


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
        [_mass_cell(tube, row) for row in columns],
    )


def _mass_cell(tube: FractionResult, row: BalanceRow) -> Html:
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
    return tag("td", stacked(one.mass), class_="figure")


def content_words(result: RunResult) -> Html | None:
    """Return what the loaded extract says of the leaf, per gram."""
    parts = [
        f"{spoken(one.name)} {plus_minus(one.content, unit='µg/g')}" for one in result.extracted
    ]
    if not parts:
        return None
    basis = f"{result.run.tissue_basis} leaf" if result.run.tissue_basis else "tissue"
    return tag("p", f"Extracted per gram of {basis}: " + "; ".join(parts) + ".")
