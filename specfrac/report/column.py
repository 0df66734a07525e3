"""How the pigments came off the column, and which neighbouring tubes to pool."""

from __future__ import annotations

from typing import TYPE_CHECKING

from specfrac.plots import pigment_style, pool_label
from specfrac.report.markup import Html, tag
from specfrac.report.names import full_name, swatch
from specfrac.report.numbers import NONE, plus_minus, probability, share, significant, stacked
from specfrac.report.pictures import Drawings, inlined, tube_numbers
from specfrac.report.run_workings import (
    ELUTION,
    elution_workings,
    how_id,
    pool_id,
    pooling_workings,
)
from specfrac.report.workings import unfolding

if TYPE_CHECKING:
    from specfrac.elution import Band, Neighbours, Profile
    from specfrac.pooling import Pool, Pooling
    from specfrac.run import RunResult


def elution_section(result: RunResult, drawn: Drawings) -> Html | None:
    """Return the elution profile, or None without eluted volumes."""
    profile = result.elution
    if profile is None or not profile.bands:
        return None
    label = "Mass against eluted volume: " + "; ".join(
        f"{full_name(band.pigment)} centred at {plus_minus(band.centre, unit='mL')}"
        for band in profile.bands
    )
    missing = (
        f"Without an eluted volume, so not shown: {', '.join(profile.left_out)}. "
        if profile.left_out
        else ""
    )
    return tag(
        "section",
        tag("h2", "How it came off the column", id="elution"),
        tag(
            "div",
            tag(
                "figure",
                tag("div", inlined(drawn["elution"].svg, key="elu", label=label), class_="plot"),
                tag(
                    "figcaption",
                    tag("b", "Elution. "),
                    "Height is mass per millilitre, each row on its own scale, with the mass in "
                    "its fullest tube; whiskers are 95 % intervals. Hatched: what a band has in "
                    f"common tubes with the one before it. {missing}",
                ),
            ),
            band_table(profile),
            tag(
                "p",
                "A tube collects over a range of volume, so a profile is coarse: a width is given "
                "only where a band is wider than its tubes. An incomplete band still stands high "
                "in the first or last tube. Resolution is the distance of two centres over the "
                "mean width at the base; 1.5 and more is clean.",
                class_="legend",
            ),
            elution_workings(profile, tube_numbers(result)),
        ),
        class_="elution",
        aria_labelledby="elution",
    )


def band_table(profile: Profile, *, links: bool = True) -> Html:
    """Return a row a band; links lead to the workings of a run's page."""
    volumes = any(band.column_volumes is not None for band in profile.bands)
    heads = ["Pigment", "in the tubes, µg", "centre, mL", "width, mL"]
    heads += ["column volumes"] if volumes else []
    heads += ["resolution from the one before", "overlap with it"]
    before: dict[str, Neighbours] = {pair.second: pair for pair in profile.neighbours}
    rows = [_band_row(band, before.get(band.pigment), volumes, links) for band in profile.bands]
    return tag(
        "div",
        tag(
            "table",
            tag("caption", "Bands by rising volume", class_="unseen"),
            tag("thead", tag("tr", [tag("th", head, scope="col") for head in heads])),
            tag("tbody", rows),
            class_="bands",
        ),
        class_="wide",
    )


def _band_row(band: Band, pair: Neighbours | None, volumes: bool, links: bool) -> Html:
    style, name = pigment_style(band.pigment), full_name(band.pigment)
    part = None if band.complete else tag("small", " incomplete")
    figures = [stacked(band.total), stacked(band.centre), stacked(band.width)]
    figures += [stacked(band.column_volumes)] if volumes else []
    figures.append(stacked(pair.resolution if pair is not None else None))
    overlap = f"{100 * pair.overlap:.0f}\u00a0%" if pair is not None else NONE
    return tag(
        "tr",
        tag(
            "th",
            swatch(style),
            tag("a", name, href=f"#{how_id(ELUTION, band.pigment)}") if links else name,
            part,
            scope="row",
        ),
        [tag("td", figure, class_="figure") for figure in figures],
        tag("td", overlap, class_="figure"),
    )


def pooling_section(result: RunResult, drawn: Drawings) -> Html | None:
    """Return which tubes to pool, or None without a target or a choice."""
    found = result.pooling
    if found is None or len(found.order) < 2 or not found.curve:
        return None
    name = full_name(found.target)
    label = f"Trade-off for {name}: " + "; ".join(
        f"tubes {pool_label(pool, tube_numbers(result))} hold {plus_minus(pool.mass, unit='µg')} "
        f"at {share(pool.share, pool.interval)}"
        for pool in found.curve
    )
    return tag(
        "section",
        tag("h2", "Which tubes to pool", id="pooling"),
        tag(
            "div",
            pool_choice(found, tube_numbers(result)),
            tag(
                "p",
                "A pool adds what each scan leaves for pigments it does not detect, which may be "
                "below zero: cut at zero, sums over tubes would come out too high. So a pool is "
                "judged a little more strictly than a tube by itself. Before you pool, evaporate "
                "or run again: ",
                tag("a", "the cautions", href="#cautions"),
                ".",
                class_="legend",
            ),
            tag(
                "figure",
                tag(
                    "div",
                    inlined(drawn["pooling"].svg, key="poo", label=label),
                    class_="plot narrow",
                ),
                tag(
                    "figcaption",
                    tag("b", "Trade-off. "),
                    f"Every point is a pool of neighbouring tubes; none is both purer and larger "
                    f"in {name}. Whiskers are 95 % intervals, dashed lines the wanted shares.",
                ),
            ),
            pooling_workings(result, found),
        ),
        class_="pooling",
        aria_labelledby="pooling",
    )


def pool_choice(found: Pooling, numbers: dict[str, int], *, links: bool = True) -> Html:
    """Return a row a wanted share; links lead to the workings of a run's page."""
    heads = (
        "wanted share",
        "tubes",
        "µg",
        "share, 95 % interval",
        "how sure",
        "of all in the tubes",
    )
    rows = [_pool_row(numbers, wanted, pool, links) for wanted, pool in found.best]
    return tag(
        "div",
        tag(
            "table",
            tag(
                "caption",
                f"The largest pool of neighbouring tubes that holds the wanted share of "
                f"{full_name(found.target)} with a probability of at least "
                f"{probability(found.confidence)}",
            ),
            tag("thead", tag("tr", [tag("th", head, scope="col") for head in heads])),
            tag("tbody", rows),
            class_="pool-choice",
        ),
        class_="wide",
    )


def _pool_row(numbers: dict[str, int], wanted: float, pool: Pool | None, links: bool) -> Html:
    head = tag("th", f"{significant(100 * wanted, 3).rstrip('0').rstrip('.')} %", scope="row")
    if pool is None:
        return tag("tr", head, tag("td", "no pool reaches it", colspan="5"))
    anchor = pool_id(pool, numbers) if links else None
    sure = NONE if pool.probability is None else probability(pool.probability)
    return tag(
        "tr",
        head,
        tag("td", pool_label(pool, numbers), title=", ".join(pool.names)),
        tag("td", unfolding(stacked(pool.mass), anchor), class_="figure"),
        tag("td", share(pool.share, pool.interval)),
        tag("td", sure),
        tag("td", f"{100 * min(pool.yield_share, 1.0):.0f}\u00a0%", class_="figure"),
    )
