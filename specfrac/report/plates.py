"""The plates of a run in its report: drawing, Rf table, order, plate against scan."""

from __future__ import annotations

import math
from collections.abc import Sequence

from specfrac.plates import PlateResult, SpotResult, pigment_name
from specfrac.plates.choice import SolventChoice, choose_developing_solvents
from specfrac.plates.evidence import PlatesResult, TubeEvidence
from specfrac.plates.plot import plate_figure
from specfrac.plots import pigment_style
from specfrac.report.markup import Html, joined, slug, tag
from specfrac.report.names import swatch
from specfrac.report.numbers import NONE, significant, stacked
from specfrac.report.summary import flag_list

VERDICT_MARKS = {"agree": "=", "disagree": "≠", "cannot tell": "?"}


def plates_html(result: PlatesResult, *, pictures: bool = True) -> Html | None:
    """Return the section on the plates of a run, or None when there is none.

    Parameters
    ----------
    result : PlatesResult
    pictures : bool
        False leaves the drawings out.

    Returns
    -------
    Html or None
    """
    if not result.plates:
        return None
    choices = choose_developing_solvents(result.plates)
    return tag(
        "section",
        tag("h2", "On the plates", id="plates"),
        tag(
            "div",
            flag_list(result.flags),
            [_evidence(tube) for tube in result.tubes],
            [_plate(one, pictures) for one in result.plates],
            [_choice(one) for one in choices],
            tag(
                "p",
                "Rf moves with humidity, chamber, layer and load: a pigment is named by colour, "
                "order and co-spotting, never by Rf alone. Column volumes are about 1/Rf, rough: "
                "same solvent, same activity of the adsorbent. ± is one standard uncertainty.",
                class_="legend",
            ),
        ),
        class_="plates",
        aria_labelledby="plates",
    )


def table(
    caption: str, heads: Sequence[str], rows: Sequence[Html], *, unseen: bool = False
) -> Html:
    """Return a table that scrolls sideways where the page is narrow."""
    return tag(
        "div",
        tag(
            "table",
            tag("caption", caption, class_="unseen" if unseen else None),
            tag("thead", tag("tr", [tag("th", head, scope="col") for head in heads])),
            tag("tbody", rows),
        ),
        class_="wide",
    )


# Plate against scan


def _evidence(tube: TubeEvidence) -> Html:
    unseen = [row for row in tube.rows if row.verdict == "agree" and row.plate == "no spot"]
    rows = [
        tag(
            "tr",
            tag("th", row.name, scope="row"),
            tag("td", row.scan),
            tag("td", row.plate),
            tag("td", f"{VERDICT_MARKS[row.verdict]}\u00a0{row.verdict}", class_="state"),
            tag("td", tag("small", row.reason)),
        )
        for row in tube.rows
        if row not in unseen
    ]
    return joined(
        tag("h3", f"{tube.fraction}: plate against scan"),
        tag("p", tube.sentence, class_="sentence"),
        table(
            f"{tube.fraction}: plate against scan",
            ("pigment", "scan", f"plate ({', '.join(tube.plates)})", "", "why"),
            rows,
            unseen=True,
        ),
        tag("p", f"Neither shows {', '.join(row.name for row in unseen)}.", class_="legend")
        if unseen
        else None,
    )


# Plates


def _plate(result: PlateResult, pictures: bool) -> Html:
    plate = result.plate
    facts = [plate.layer, f"developed with {plate.developing_solvent or 'a solvent not stated'}"]
    facts.append(f"front {plate.front.value - plate.origin.value:g} mm above the origin")
    return joined(
        tag("h3", plate.name),
        tag("p", "; ".join(facts) + ".", class_="legend"),
        _picture(result) if pictures else None,
        _spot_table(result),
        tag("p", result.order.sentence) if result.order is not None else None,
        _pair_table(result),
    )


def _picture(result: PlateResult) -> Html:
    from specfrac.report.pictures import house_style, inline_svg

    lanes = "; ".join(
        f"lane {lane}: " + ", ".join(f"{_called(one)} at Rf {one.rf.value:.2f}" for one in spots)
        for lane, spots in result.lanes().items()
    )
    with house_style():
        figure = plate_figure(result)
        width = figure.get_size_inches()[0]
        drawn = inline_svg(figure, key=f"plate-{slug(result.plate.name)}", label=lanes)
    return tag(
        "figure",
        tag("div", drawn, class_="plot", style=f"max-width: {width:.1f}in"),
        tag(
            "figcaption",
            tag("b", f"{result.plate.name}. "),
            "Spots as measured, to scale along the run; a dotted edge marks a spot nobody has "
            "named.",
        ),
    )


def _called(one: SpotResult) -> str:
    return pigment_name(one.pigment) if one.pigment is not None else one.spot.name


def _spot_table(result: PlateResult) -> Html:
    heads = ("lane", "spot", "colour", "Rf", "relative Rf", "R_M", "column volumes", "published")
    rows = [_spot_row(one) for spots in result.lanes().values() for one in spots]
    return table("Spots", heads, rows)


def _spot_row(one: SpotResult) -> Html:
    volumes = one.column_volumes
    rough = NONE if volumes is None else f"{_short(volumes.low)} to {_short(volumes.high)}"
    if volumes is not None and volumes.eluted is not None:
        rough += f" ({_short(volumes.eluted[1])} to {_short(volumes.eluted[2])} mL)"
    return tag(
        "tr",
        tag("td", one.spot.lane),
        tag("th", _spot_name(one), scope="row"),
        tag("td", one.spot.colour or NONE),
        tag("td", stacked(one.rf), class_="figure"),
        tag("td", stacked(one.relative_rf), class_="figure"),
        tag("td", stacked(one.r_m), class_="figure"),
        tag("td", rough, class_="figure"),
        tag("td", tag("small", _published(one))),
    )


def _short(value: float) -> str:
    return significant(value, 2)


def _spot_name(one: SpotResult) -> Html:
    if one.pigment is not None:
        return joined(swatch(pigment_style(one.pigment)), pigment_name(one.pigment))
    if not one.suggestions:
        return joined(one.spot.name)
    guesses = ", ".join(pigment_name(guess.pigment) for guess in one.suggestions[:3])
    return joined(one.spot.name, tag("small", f" perhaps {guesses}: co-spot to be sure"))


def _published(one: SpotResult) -> str:
    if not one.literature:
        return NONE
    row = one.literature[0]
    span = f"{row.low:.2f}" if row.low == row.high else f"{row.low:.2f} to {row.high:.2f}"
    return f"{span} (± {row.tolerance:.2f}; {row.source}; {row.status})"


def _pair_table(result: PlateResult) -> Html | None:
    if not result.pairs:
        return None
    rows = [
        tag(
            "tr",
            tag("td", pair.lane),
            tag("th", f"{pair.names[0]} / {pair.names[1]}", scope="row"),
            tag("td", stacked(pair.rf_difference), class_="figure"),
            tag("td", "yes" if pair.told_apart else "no"),
            tag("td", stacked(pair.resolution), class_="figure"),
            tag("td", _between(pair.column_difference), class_="figure"),
        )
        for pair in result.pairs
    ]
    heads = ("lane", "neighbours", "ΔRf", "told apart", "resolution", "column volumes between")
    return table("Neighbouring spots (resolution from 1 acceptable, from 1.5 clean)", heads, rows)


def _between(volumes: float) -> str:
    return significant(volumes, 2) if math.isfinite(volumes) else NONE


# Choice of developing solvent


def _choice(choice: SolventChoice) -> Html:
    rows = [
        tag(
            "tr",
            tag("td", str(one.rank), class_="number"),
            tag(
                "th",
                one.developing_solvent or one.plate,
                tag("small", f" {one.plate}"),
                scope="row",
            ),
            tag("td", " / ".join(one.critical) if one.critical else NONE),
            tag("td", stacked(one.separation), class_="figure"),
            tag("td", tag("small", "; ".join(one.reasons))),
        )
        for one in choice.ranks
    ]
    measure = choice.ranks[0].measure
    return joined(
        tag("h3", f"Which developing solvent{_of(choice)}"),
        tag("p", choice.sentence),
        table("Plates, best first", ("rank", "plate", "critical pair", measure, "reasons"), rows),
    )


def _of(choice: SolventChoice) -> str:
    return f" for {choice.mixture}" if choice.mixture else ""
