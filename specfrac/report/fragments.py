"""Results as pieces of HTML, for notebooks.

A fragment carries its own style, which reaches nothing outside it, and no script.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from specfrac.plots import pigment_style
from specfrac.report.column import band_table, pool_choice
from specfrac.report.markup import Child, Html, joined, tag, text
from specfrac.report.names import ROLE_WORDS, full_name, joint_name, swatch
from specfrac.report.numbers import NONE, limit, plus_minus, significant, stacked
from specfrac.report.page import asset
from specfrac.report.pictures import house_style, inline_svg
from specfrac.report.recovered import pool_table
from specfrac.report.summary import flag_list, heading, tube_table
from specfrac.report.tube import advice, composition_table, sentence
from specfrac.uncertainty import Quantity

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from specfrac.claims import ClaimsResult, ClassResult
    from specfrac.elution import Profile
    from specfrac.fitting.results import MixtureFit
    from specfrac.plan import Plan
    from specfrac.plates.evidence import PlatesResult
    from specfrac.pooling import Pooling
    from specfrac.qualify import QualificationResult
    from specfrac.run import Balance, FractionResult, RunResult

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


def balance_fragment(found: Balance) -> str:
    """Return figure and table of a balance as a piece of HTML."""
    from specfrac.plots import balance_figure, balance_rows

    drawn = None
    if balance_rows(found):
        with house_style():
            drawn = _picture(balance_figure(found), "balance", "found against loaded")
    return _fragment(drawn, pool_table(found, links=False) if found.rows else None)


def elution_fragment(profile: Profile) -> str:
    """Return figure and bands of an elution profile as a piece of HTML."""
    from specfrac.plots import elution_figure

    if not profile.bands:
        return _fragment(tag("p", "No pigment was found in these tubes."))
    with house_style():
        drawn = _picture(elution_figure(profile), "elution", "mass against eluted volume")
    return _fragment(drawn, band_table(profile, links=False))


def pooling_fragment(found: Pooling) -> str:
    """Return the best pools and the trade-off as a piece of HTML."""
    from specfrac.plots import pooling_figure

    numbers = {name: at for at, name in enumerate(found.order, start=1)}
    order = ", ".join(f"{at} {name}" for name, at in numbers.items())
    with house_style():
        drawn = _picture(pooling_figure(found), "pooling", "share against mass of each pool")
    table = pool_choice(found, numbers, links=False)
    return _fragment(table, drawn, tag("p", f"Tubes as they came off: {order}.", class_="legend"))


def plates_fragment(found: PlatesResult) -> str:
    """Return plates and their evidence as a piece of HTML."""
    from specfrac.report.plates import plates_html

    return _fragment(plates_html(found))


def class_fragment(found: ClassResult | Sequence[ClaimsResult]) -> str:
    """Return checked figures as a piece of HTML."""
    from specfrac.report.claims import claims_html

    return _fragment(claims_html(found))


def qualification_fragment(found: QualificationResult) -> str:
    """Return the qualification of an instrument as a piece of HTML."""
    from specfrac.report.qualification import qualification_html

    return _fragment(qualification_html(found))


def plan_fragment(found: Plan) -> str:
    """Return a plan in words, with what can be seen of each pigment, as a piece of HTML."""
    heads = ("Pigment", *(column.replace("_", " ") for column in found.to_frame().columns[1:]))
    rows = [
        tag(
            "tr",
            tag("th", full_name(str(row[0])), scope="row"),
            [tag("td", _cell(value), class_="figure") for value in row[1:]],
        )
        for row in found.to_frame().itertuples(index=False)
    ]
    table = tag(
        "table",
        tag("caption", f"What is expected, in {found.solvent}"),
        tag("thead", tag("tr", [tag("th", head, scope="col") for head in heads])),
        tag("tbody", rows),
        class_="plain",
    )
    return _fragment(
        [tag("p", words) for words in found.sentences],
        tag("div", table, class_="wide"),
        flag_list(found.flags),
        [tag("p", words, class_="legend") for words in found.cautions],
    )


def _cell(value: object) -> str:
    if isinstance(value, float):
        return significant(value, 3) if math.isfinite(value) else NONE
    return NONE if value is None else str(value)


def _picture(figure: Figure, key: str, label: str) -> Html:
    return tag("div", inline_svg(figure, key=key, label=label), class_="plot")


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


def _fragment(*children: Child) -> str:
    # what belongs to a whole page, such as the size of its paper, must not reach a notebook
    style = asset("page.css").partition("@media print")[0]
    return str(tag("div", tag("style", Html(style)), *children, class_="specfrac fragment"))
