"""The trade's indices of a tube, each beside what the clean pigment gives in its solvent."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from specfrac.report.markup import Html, tag
from specfrac.report.names import full_name
from specfrac.report.numbers import NONE, pretty
from specfrac.uncertainty import rounded

if TYPE_CHECKING:
    from specfrac.indices import Index
    from specfrac.run import FractionResult

HEADS = ("Index", "This scan", "Clean pigment", "Verdict", "What it means", "Source")


def indices_block(tube_result: FractionResult) -> Html | None:
    """Return the indices of a tube as a section to unfold, or None when there are none.

    Parameters
    ----------
    tube_result : FractionResult
    """
    found = tube_result.indices
    fit = tube_result.fit
    if not found or fit is None:
        return None
    pigment, solvent = full_name(found[0].clean.pigment), fit.references.solvent.name
    return tag(
        "details",
        tag("summary", f"Indices of the trade, against clean {pigment} in {solvent}"),
        tag(
            "div",
            tag(
                "table",
                tag("caption", "Indices of this scan and of the clean pigment", class_="unseen"),
                tag("thead", tag("tr", [tag("th", head, scope="col") for head in HEADS])),
                tag("tbody", [_row(one) for one in found]),
                class_="plain indices",
            ),
            class_="wide",
        ),
        tag(
            "p",
            tag(
                "small",
                "Clean values are computed from the reference library. Above and below: beyond "
                "twice the joint standard uncertainty.",
            ),
        ),
        class_="opinion",
    )


def _row(one: Index) -> Html:
    return tag(
        "tr",
        tag("th", one.name, scope="row"),
        tag("td", _figure(one.reading.value, one.reading.uncertainty), class_="figure"),
        tag(
            "td",
            _figure(one.clean.value, one.clean.uncertainty),
            tag("small", f" {one.clean.grade}") if math.isfinite(one.clean.value) else None,
            class_="figure",
        ),
        tag("td", one.verdict),
        tag("td", one.reason or NONE),
        tag("td", tag("small", one.source)),
    )


def _figure(value: float, uncertainty: float) -> str:
    return pretty(rounded(value, uncertainty)) if math.isfinite(value) else NONE
