"""How a number came about: the pattern in which every number of a report unfolds.

A fold has steps (formula with the numbers in it), an uncertainty budget with a column for
each number, and where its inputs come from.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from specfrac.report.markup import Html, joined, tag
from specfrac.report.numbers import significant, whole_units
from specfrac.uncertainty import Quantity

SHOWN_FROM = 0.001  # of the variance; smaller contributions are summed up

Column = tuple[str, Quantity, float]
"""Heading of a number in a budget, the number, and the factor into the heading's unit."""


def unfolding(number: Html | str, anchor: str | None, *, title: str | None = None) -> Html:
    """Return a number as a link to its workings; plain without an anchor.

    Examples
    --------
    >>> unfolding("97 %", "tube-2-lutein")
    '<a href="#tube-2-lutein" class="how">97 %</a>'
    """
    if anchor is None:
        return joined(number)
    return tag("a", number, href=f"#{anchor}", class_="how", title=title)


def workings(folds: Iterable[Html | None]) -> Html | None:
    """Return the folds of a section, folded once more to keep the page short, or None."""
    kept = [one for one in folds if one is not None]
    if not kept:
        return None
    return tag("details", tag("summary", "How each number came about"), kept, class_="workings")


def fold(
    anchor: str,
    title: str,
    steps: Sequence[Html],
    columns: Sequence[tuple[str, Quantity | None, float]] = (),
    notes: Html | None = None,
) -> Html:
    """Return the workings of one or several numbers, folded.

    Parameters
    ----------
    anchor : str
        Id to link to.
    title : str
    steps : sequence of Html
        See `step`.
    columns : sequence of (str, Quantity or None, float)
        Numbers with a budget; None and those without one are left out.
    notes : Html, optional
        Sources.
    """
    kept = [(name, one, factor) for name, one, factor in columns if one is not None and one.budget]
    return tag(
        "details",
        tag("summary", title),
        tag("ol", steps, class_="steps"),
        budget_table(kept),
        notes,
        id=anchor,
    )


def step(name: str, *words: str) -> Html:
    """Return one step: its name, and formula and numbers in words."""
    end = "" if words[-1].endswith((".", "?")) else "."
    return tag("li", tag("b", f"{name}. "), *(whole_units(one) for one in words), end)


def micrograms(mass: float) -> str:
    """Return a mass as a step writes it, with one digit to spare."""
    return f"{significant(mass, 4)}\u00a0µg"


def budget_table(columns: Sequence[Column]) -> Html | None:
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
            [_cell(given, factor, source) for _, given, factor in columns],
        )
        for source in kept
    ]
    total = [tag("td", significant(factor * given.uncertainty, 2)) for _, given, factor in columns]
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


def _cell(given: Quantity, factor: float, source: str) -> Html:
    contribution = dict(given.budget).get(source)
    if contribution is None or _variance_share(given, source) < SHOWN_FROM:
        return tag("td", "")
    return tag("td", significant(factor * contribution, 2))
