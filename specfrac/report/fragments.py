"""Results as pieces of HTML, for notebooks.

A fragment carries its own style, which reaches nothing outside it, and no script.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from specfrac.plots import pigment_style
from specfrac.report.markup import Html, joined, tag, text
from specfrac.report.names import ROLE_WORDS, full_name, joint_name, swatch
from specfrac.report.numbers import limit, plus_minus, stacked
from specfrac.report.page import asset
from specfrac.report.pictures import house_style, inline_svg
from specfrac.report.summary import flag_list, heading, tube_table
from specfrac.report.tube import advice, composition_table, sentence
from specfrac.uncertainty import Quantity

if TYPE_CHECKING:
    from specfrac.fitting.results import MixtureFit
    from specfrac.run import FractionResult, RunResult

MG_PER_G = 1e3


def run_fragment(result: RunResult) -> str:
    """Return title and table of all tubes of a run as a piece of HTML."""
    return _fragment(heading(result.run), tube_table(result, links=False), flag_list(result.flags))


def tube_fragment(tube: FractionResult) -> str:
    """Return purity, flags and composition of a tube as a piece of HTML."""
    role = ROLE_WORDS.get(tube.fraction.role, tube.fraction.role)
    title = tag("p", tag("b", tube.fraction.name), f" ({role})")
    table = composition_table(tube, 0, links=False) if tube.pigments else None
    return _fragment(title, sentence(tube), advice(tube), flag_list(tube.flags), table)


def fit_fragment(fit: MixtureFit) -> str:
    """Return figure, concentrations and flags of a fit as a piece of HTML."""
    from specfrac.plots import fit_figure

    title = tag("p", tag("b", fit.name), f", in {fit.references.solvent.name}")
    if not fit.success:
        return _fragment(title, tag("p", f"Not fitted: {fit.message}"), flag_list(fit.flags))
    with house_style():
        drawn = inline_svg(
            fit_figure(fit), key="fit", label=f"scan, fit and residual of {fit.name}"
        )
    rows = [_pigment_row(fit, at) for at in range(len(fit.pigments))]
    rows += [_group_row(fit, at) for at in range(len(fit.groups))]
    heads = ("Pigment", "mg/L", "detection limit, mg/L", "state; reference")
    table = tag(
        "table",
        tag("caption", "Concentrations in the cuvette, ± standard uncertainty"),
        tag("thead", tag("tr", [tag("th", head, scope="col") for head in heads])),
        tag("tbody", rows),
        class_="composition",
    )
    return _fragment(title, tag("div", drawn, class_="plot"), table, flag_list(fit.flags))


def _pigment_row(fit: MixtureFit, at: int) -> Html:
    entry = fit.references.entries[at]
    value = Quantity(
        float(fit.concentration[at]) * MG_PER_G,
        float(fit.standard_uncertainty[at]) * MG_PER_G,
        "mg/L",
    )
    at_most = limit(float(fit.detection_limit[at]) * MG_PER_G)
    detected = bool(fit.detected[at])
    state = "quantified" if fit.quantified[at] else "detected" if detected else "not detected"
    name = joined(swatch(pigment_style(entry.pigment)), full_name(entry.pigment))
    return tag(
        "tr",
        tag("th", name, scope="row"),
        tag("td", stacked(value) if detected else text(at_most), class_="figure"),
        tag("td", at_most, class_="figure"),
        tag("td", tag("small", f"{state}; {entry.grade}")),
        class_=None if detected else "absent",
    )


def _group_row(fit: MixtureFit, at: int) -> Html:
    group = fit.groups[at]
    value, uncertainty = fit.group_concentration(group)
    shown = Quantity(value * MG_PER_G, uncertainty * MG_PER_G, "mg/L")
    name = joint_name(group.members) if group.merged else full_name(group.name)
    return tag(
        "tr",
        tag("th", name, scope="row"),
        tag("td", plus_minus(shown), class_="figure"),
        tag("td", ""),
        tag("td", tag("small", "a sum: not to be told apart here" if group.merged else "sum")),
        class_="group",
    )


def _fragment(*children: str | None) -> str:
    # what belongs to a whole page, such as the size of its paper, must not reach a notebook
    style = asset("page.css").partition("@media print")[0]
    return str(tag("div", tag("style", Html(style)), *children, class_="specfrac fragment"))
