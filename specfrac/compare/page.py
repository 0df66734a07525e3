"""The comparison as one page that needs nothing but itself, in the look of the run report."""

from __future__ import annotations

import base64
import hashlib
import math
import re
from collections.abc import Sequence
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING

from specfrac.compare.analysis import CANNOT_TELL, DIFFER, WINS, Difference, MeasureComparison
from specfrac.compare.drawing import (
    LEAF,
    chart_picture,
    legend_of,
    measure_picture,
    method_colour,
    method_shape,
    ratio_bar,
    shapes_of,
    trade_picture,
)
from specfrac.compare.sentences import conclusion_words, others_sentence
from specfrac.compare.wording import (
    capital,
    fixed,
    interval_words,
    number,
    p_words,
    percent_words,
    ratio_places,
    ratio_range,
    unit_of,
)
from specfrac.report.limits import LIMIT_HEADS, limit_rows
from specfrac.report.markup import Html, joined, slug, tag
from specfrac.report.method import version
from specfrac.report.numbers import NONE, counted, significant
from specfrac.report.page import asset
from specfrac.report.summary import flag_list

if TYPE_CHECKING:
    from specfrac.compare.comparison import Comparison
    from specfrac.compare.measures import InputDigest
    from specfrac.settings import Settings

FAMILY_WORDS = {
    "extracted": "Extracted, per gram of tissue",
    "obtained": "Obtained in the target cut",
    "recovery": "Recovered of what was loaded",
    "share": "Share of coloured pigment",
    "conversion": "Turned to pheophytin, if both forms were lost alike",
    "closure": "Closure: found in all tubes over loaded",
}
SMALLEST_REACH = 1.25  # ratio the axis of all measures shows at least
LARGEST_REACH = 4.0
OPEN_RUNS = 40  # with more the tables of runs and inputs start folded


@lru_cache(maxsize=1)
def _style() -> str:
    own = (files("specfrac.compare") / "compare.css").read_text(encoding="utf-8")
    return asset("page.css") + own


def comparison_html(comparison: Comparison) -> str:
    """Return a comparison as one HTML page.

    Style, script and pictures are inside; the page's own policy forbids it to load
    anything and to run any script but its own. The same comparison gives the same text.

    Parameters
    ----------
    comparison : Comparison

    Returns
    -------
    str
    """
    script = asset("page.js")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    policy = (
        f"default-src 'none'; script-src 'sha256-{digest}'; style-src 'unsafe-inline'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=policy),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="generator", content=f"specfrac {version()}"),
        tag("title", f"{_title(comparison)}: comparison of runs"),
        tag("style", Html(_style())),
    )
    body = tag(
        "body",
        tag("a", "Skip to all measures", href="#measures", class_="skip"),
        _heading(comparison),
        tag(
            "main",
            _summary(comparison),
            _measures_section(comparison),
            _trade_section(comparison),
            _each_section(comparison),
            _time_section(comparison),
            _runs_section(comparison),
            _method_section(comparison),
            _record_section(comparison),
        ),
        tag("footer", tag("p", f"specfrac {version()}. The same runs give the same page.")),
        tag("script", Html(script)),
        class_="specfrac",
    )
    return f'<!DOCTYPE html>\n<html lang="en">{head}{body}</html>\n'


def notebook_html(comparison: Comparison) -> str:
    """Return heading, answer and table of a comparison for a notebook."""
    return tag(
        "div",
        tag("style", Html(_style())),
        _heading(comparison),
        _answer(comparison),
        _measures_table(comparison, links=False),
        class_="specfrac fragment",
    )


# Head


def _title(comparison: Comparison) -> str:
    names = comparison.methods
    if len(names) > 3:
        return f"{len(names)} methods"
    return " against ".join(names) if len(names) > 1 else names[0]


def _heading(comparison: Comparison) -> Html:
    dates = sorted(run.date for run in comparison.runs if run.date)
    facts = [
        counted(len(comparison.runs), "run"),
        counted(len(comparison.methods), "method"),
        counted(len(comparison.blocks), "block") if comparison.blocks else "no blocks stated",
    ]
    bases = sorted({run.tissue_basis for run in comparison.runs if run.tissue_basis})
    if bases:
        facts.append(f"per gram of {' and '.join(bases)} tissue")
    if dates:
        facts.append(dates[0] if dates[0] == dates[-1] else f"{dates[0]} to {dates[-1]}")
    return tag(
        "header",
        tag("p", "Comparison of methods, run against run", class_="kind"),
        tag("h1", _title(comparison)),
        tag("p", " · ".join(facts), class_="facts"),
    )


def _answer(comparison: Comparison) -> Html:
    first = comparison.primary
    return joined(
        tag("p", unbroken(first.sentence), class_="answer"),
        _remarks(first.remarks),
        tag("p", others) if (others := others_sentence(comparison.measures)) else None,
        tag(
            "p",
            f"The measure that decides is chosen {comparison.primary_reason}. Declare it before "
            "the runs are made, not after they are seen.",
            class_="legend",
        ),
    )


def unbroken(words: str) -> str:
    """Return a sentence whose numbers do not part from unit or sign at the end of a line.

    Examples
    --------
    >>> unbroken("12 µg/g more; p < 0.05").count(chr(160))
    3
    """
    words = re.sub(r"(\d) (µg/g|%|percentage points|times)", "\\1\u00a0\\2", words)
    words = re.sub(r"\bt test\b", "t\u00a0test", words)
    return re.sub(r"\bp ([=<]) (\d)", "p\u00a0\\1\u00a0\\2", words)


def _remarks(remarks: Sequence[str]) -> Html | None:
    if not remarks:
        return None
    return tag("ul", [tag("li", unbroken(remark)) for remark in remarks], class_="remarks")


def _summary(comparison: Comparison) -> Html:
    return tag(
        "section",
        tag("h2", "In short", id="in-short"),
        tag(
            "div",
            _answer(comparison),
            _figure(comparison.primary, comparison),
            tag("h3", "To know before you rely on it") if comparison.flags else None,
            flag_list(comparison.flags),
        ),
        class_="summary",
        aria_labelledby="in-short",
    )


def _figure(one: MeasureComparison, comparison: Comparison) -> Html | None:
    drawn = measure_picture(one, comparison.blocks)
    if drawn is None:
        return None
    shapes = shapes_of(comparison.blocks)
    used = dict.fromkeys(point.block for point in one.points if point.block)
    blocks = [(shapes[block], LEAF, block) for block in used]
    told = (
        "A point is a run; its thin line is one standard uncertainty of its own measurement. The "
        "upright line is the method's mean, the grey band its 95 % interval, with errors all runs "
        "share. Below: difference with its 95 % interval; filled where it is claimed. "
    )
    if any(point.left_out for point in one.points):
        told += "Hollow: left out. "
    if any(point.value.bound for point in one.points):
        told += "An arrow: only known to lie beyond the point. "
    key = legend_of(blocks) if len({shapes[block] for block in used}) > 1 else None
    return tag("figure", tag("div", drawn, class_="plot"), tag("figcaption", told, key))


# All measures


def _measures_section(comparison: Comparison) -> Html:
    return tag(
        "section",
        tag("h2", "All measures", id="measures"),
        tag(
            "div",
            _measures_table(comparison, links=True),
            tag(
                "p",
                "Ratio and difference are the first method over, and minus, the second, with 95 % "
                "intervals; differences of fractions are in percentage points. p is corrected for "
                "the number of methods and, except for the measure that decides, for the number of "
                "measures (Holm). Intervals are not corrected for the number of measures. Measures "
                "overlap: what is true of one pigment shows in every sum and ratio that holds it. "
                "Where nothing is claimed, look at the interval: it says how large a difference "
                "could have stayed unseen.",
                class_="legend",
            ),
        ),
        class_="all",
        aria_labelledby="measures",
    )


def _measures_table(comparison: Comparison, *, links: bool) -> Html:
    reach = _reach(comparison.measures)
    several = len(comparison.methods) > 2
    scale = f"Ratio, ÷{reach:g} to ×{reach:g}"
    heads = ["Measure", "Conclusion", "Between", "Difference", scale, "p"]
    if not several:
        heads.remove("Between")
    rows = [_measure_row(comparison.primary, reach, links, several)]
    family = ""
    for one in comparison.measures[1:]:
        if one.measure.family != family:
            family = one.measure.family
            head = tag("th", FAMILY_WORDS[family], colspan=str(len(heads)), scope="rowgroup")
            rows.append(tag("tr", head, class_="family"))
        rows.append(_measure_row(one, reach, links, several))
    caption = "All measures: conclusion, difference, ratio, p"
    if len(comparison.methods) == 2:
        caption = f"{comparison.methods[0]} minus, and over, {comparison.methods[1]}"
    return tag(
        "div",
        tag(
            "table",
            tag("caption", caption),
            tag("thead", tag("tr", [tag("th", head, scope="col") for head in heads])),
            tag("tbody", rows),
            class_="measures",
        ),
        class_="wide",
    )


def _reach(measures: Sequence[MeasureComparison]) -> float:
    ends = [
        max(pair.ratio_interval[1], 1 / pair.ratio_interval[0])
        for one in measures
        if (pair := _clearest(one)) is not None
        and pair.ratio_interval[0] > 0
        and math.isfinite(pair.ratio_interval[1])
    ]
    wanted = min(max([SMALLEST_REACH, *ends]), LARGEST_REACH)
    return next(step for step in (1.25, 1.5, 2.0, 3.0, LARGEST_REACH) if step >= wanted)


def _clearest(one: MeasureComparison) -> Difference | None:
    known = [pair for pair in one.differences if not math.isnan(pair.p_corrected)]
    return min(known, key=lambda pair: pair.p_corrected, default=None)


def _measure_row(one: MeasureComparison, reach: float, links: bool, several: bool) -> Html:
    name = tag("a", one.measure.words, href=f"#{measure_id(one)}") if links else one.measure.words
    settled = one.verdict in (WINS, DIFFER)
    word = tag(
        "span", conclusion_words(one), class_="verdict-word" if settled else "verdict-word open"
    )
    pair = _clearest(one)
    cells = [tag("th", name, scope="row"), tag("td", word)]
    if pair is None:
        cells.append(tag("td", NONE, colspan="4" if several else "3"))
    else:
        if several:
            cells.append(tag("td", tag("small", f"{pair.first} − {pair.second}")))
        cells += [
            tag("td", _difference_words(one, pair), class_="size"),
            tag("td", ratio_bar(pair, reach) or NONE),
            tag("td", _bare_p(pair.p_corrected), class_="figure"),
        ]
    return tag("tr", *cells, class_="primary" if one.primary else None)


def _bare_p(p_value: float) -> str:
    """Return a p-value without its letter, for a column that is headed p."""
    return p_words(p_value).removeprefix("p = ").removeprefix("p ")


def _difference_words(one: MeasureComparison, pair: Difference) -> Html:
    if not math.isfinite(pair.difference):
        return tag("small", "size not known")
    half = (pair.interval[1] - pair.interval[0]) / 2
    unit = one.measure.unit or "points"
    told = f"{number(one.measure, pair.difference, half)}\u00a0{unit}"
    if not math.isfinite(half):
        return tag("span", told)
    return tag(
        "span",
        tag("span", told, class_="figure"),
        " ",
        tag("small", f"({interval_words(one.measure, pair.interval)})", class_="figure"),
    )


def measure_id(one: MeasureComparison) -> str:
    """Return the anchor of a measure's details."""
    return f"measure-{slug(one.measure.key)}"


# Yield against purity


def _trade_section(comparison: Comparison) -> Html | None:
    up, across = comparison.measure("share"), comparison.measure("obtained")
    if up is None or across is None:
        return None
    drawn = trade_picture(across, up, comparison.methods, comparison.blocks)
    if drawn is None:
        return None
    entries = [
        (method_shape(at), method_colour(at), method)
        for at, method in enumerate(comparison.methods)
    ]
    return tag(
        "section",
        tag("h2", "Yield against purity", id="trade"),
        tag(
            "div",
            tag(
                "p",
                "A cut can be made purer by taking less of it, so a method may win on one and lose "
                "on the other.",
            ),
            tag(
                "figure",
                tag("div", drawn, class_="plot"),
                tag("figcaption", "A point is a run. ", legend_of(entries)),
            ),
        ),
        class_="trade",
        aria_labelledby="trade",
    )


# Each measure


def _each_section(comparison: Comparison) -> Html:
    return tag(
        "section",
        tag("h2", "Measure by measure", id="each"),
        tag("div", [_details(one, comparison) for one in comparison.measures]),
        class_="each",
        aria_labelledby="each",
    )


def _details(one: MeasureComparison, comparison: Comparison) -> Html:
    missing = (
        tag("p", f"Without a value: {', '.join(one.missing)}.", class_="legend")
        if one.missing
        else None
    )
    return tag(
        "details",
        tag("summary", tag("b", capital(one.measure.words)), f": {conclusion_words(one)}"),
        tag("p", unbroken(one.sentence)),
        _remarks(one.remarks),
        None if one.primary else _figure(one, comparison),
        _methods_table(one),
        _pairs_table(one, comparison.settings),
        missing,
        # paper shows what decides and what is claimed; the table has the rest
        class_="measure on-paper" if one.primary or one.verdict in (WINS, DIFFER) else "measure",
        id=measure_id(one),
    )


def _table(caption: str, heads: Sequence[str], rows: Sequence[Html], class_: str = "") -> Html:
    return tag(
        "div",
        tag(
            "table",
            tag("caption", caption),
            tag("thead", tag("tr", [tag("th", head, scope="col") for head in heads])),
            tag("tbody", rows),
            class_=class_ or None,
        ),
        class_="wide",
    )


def _methods_table(one: MeasureComparison) -> Html | None:
    if not one.methods:
        return None
    relative = one.scale == "log"
    unit = unit_of(one.measure)
    rows = []
    for held in one.methods:
        half = (held.interval[1] - held.interval[0]) / 2
        spread, own, between = (
            _spread(one, size, held.mean, relative)
            for size in (held.spread, held.scatter.measurement, held.scatter.between)
        )
        cells = (
            str(held.count) + (f" ({counted(held.censored, 'limit')})" if held.censored else ""),
            number(one.measure, held.mean, half) if math.isfinite(held.mean) else NONE,
            interval_words(one.measure, held.interval) if math.isfinite(half) else NONE,
            number(one.measure, held.shared_uncertainty, held.shared_uncertainty),
            spread,
            own,
            between,
        )
        rows.append(
            tag(
                "tr",
                tag("th", held.method, scope="row"),
                [tag("td", cell, class_="figure") for cell in cells],
            )
        )
    heads = (
        "Method", "Runs", f"Mean, {unit}", "95 % interval", "Shared error", "Scatter seen",
        "Measurement", "Between runs",
    )  # fmt: skip
    caption = (
        "Means of the methods. Standard deviations: error that all runs share; scatter of a run as "
        "seen; what its own measurement explains of it; what is left between runs"
    )
    return _table(caption, heads, rows)


def _spread(one: MeasureComparison, size: float, mean: float, relative: bool) -> str:
    if not math.isfinite(size):
        return NONE
    share = size if relative else (size / abs(mean) if mean else math.nan)
    told = percent_words(share) if math.isfinite(share) else NONE
    if relative or not one.measure.unit:
        factor = 1.0 if relative else 100.0
        return told if relative else f"{significant(factor * size, 2)} points"
    return f"{significant(size, 2)} ({told})"


def _pairs_table(one: MeasureComparison, settings: Settings) -> Html | None:
    if not one.differences:
        return None
    rows = []
    for pair in one.differences:
        half = (pair.interval[1] - pair.interval[0]) / 2
        cells = (
            number(one.measure, pair.difference, half) if math.isfinite(pair.difference) else NONE,
            interval_words(one.measure, pair.interval) if math.isfinite(half) else NONE,
            _ratio_cell(pair),
            significant(pair.effect_size, 2) if math.isfinite(pair.effect_size) else NONE,
            _bare_p(pair.p_value),
            _bare_p(pair.p_corrected),
            _detectable_cell(one, pair),
            str(pair.runs_needed) if pair.runs_needed else NONE,
        )
        rows.append(
            tag(
                "tr",
                tag("th", f"{pair.first} − {pair.second}", scope="row"),
                [tag("td", cell, class_="figure") for cell in cells],
            )
        )
    unit = unit_of(one.measure, difference=True)
    chance, wanted = (percent_words(settings[key]) for key in ("power", "wanted_difference"))
    heads = (
        "Methods", f"Difference, {unit}", "95 % interval", "Ratio", "Effect size", "p",
        "p corrected", f"Found in {chance}", f"Runs for {wanted}",
    )  # fmt: skip
    caption = (
        f"Differences, by {one.differences[0].test}. The last two columns: the true difference "
        f"this design finds with a chance of {chance}, and the runs of each method that would find "
        f"{wanted} of the mean"
    )
    return _table(caption, heads, rows)


def _ratio_cell(pair: Difference) -> str:
    if not math.isfinite(pair.ratio):
        return NONE
    told = ratio_range(pair.ratio_interval)
    if not told:
        return significant(pair.ratio, 3)
    return f"{fixed(pair.ratio, ratio_places(pair.ratio_interval))} ({told})"


def _detectable_cell(one: MeasureComparison, pair: Difference) -> str:
    if not math.isfinite(pair.detectable):
        return NONE
    if one.scale == "log":
        return f"× {significant(1 + pair.detectable, 3)}"
    return number(one.measure, pair.detectable, pair.detectable)


# Over time


def _time_section(comparison: Comparison) -> Html | None:
    if not comparison.charts:
        return None
    entries = [
        (method_shape(at), method_colour(at), method)
        for at, method in enumerate(comparison.methods)
    ]
    warning, action = (comparison.settings[key] for key in ("chart_warning", "chart_action"))
    return tag(
        "section",
        tag("h2", "Over time", id="time"),
        tag(
            "div",
            tag(
                "p",
                f"Limits at {warning:g} (warning) and {action:g} (action) standard deviations, "
                "from the mean moving range; the brown line is the exponentially weighted mean. "
                "Ringed points break a rule. A point is a run, in order of its date. ",
                legend_of(entries),
                class_="legend",
            ),
            [
                tag(
                    "figure",
                    tag("div", chart_picture(chart, comparison.methods), class_="plot"),
                    tag(
                        "figcaption",
                        tag("b", f"{capital(chart.words)}. "),
                        chart.sentence,
                    ),
                )
                for chart in comparison.charts
            ],
        ),
        class_="time",
        aria_labelledby="time",
    )


# Runs


def _runs_section(comparison: Comparison) -> Html:
    words: dict[str, list[str]] = {}
    for mark in comparison.marks:
        words.setdefault(mark.run, []).append(mark.words)
    out = {
        point.run: point.left_out
        for one in comparison.measures
        for point in one.points
        if point.left_out
    }
    rows = [
        tag(
            "tr",
            tag("th", run.name, scope="row"),
            [
                tag("td", cell or NONE)
                for cell in (
                    run.method,
                    run.block,
                    run.date or "",
                    run.tissue_basis or "",
                    run.library_version,
                )
            ],
            tag(
                "td",
                tag("small", "; ".join(words.get(run.name, [])) or NONE),
                tag("small", f"; left out per gram: {out[run.name]}") if run.name in out else None,
            ),
        )
        for run in comparison.runs
    ]
    heads = (
        "Run",
        "Method",
        "Block",
        "Date",
        "Basis",
        "Reference library",
        "Less comparable because",
    )
    table = _table("Runs, by date", heads, rows, "runs")
    if len(rows) > OPEN_RUNS:
        table = tag("details", tag("summary", f"All {len(rows)} runs"), table, class_="on-paper")
    return tag(
        "section",
        tag("h2", "Runs", id="runs"),
        tag("div", table),
        class_="runs-section",
        aria_labelledby="runs",
    )


# Method


def _method_section(comparison: Comparison) -> Html:
    level = comparison.settings["significance"]
    return tag(
        "section",
        tag("h2", "How it was compared", id="method"),
        tag(
            "div",
            [tag("p", words) for words in _method_words(level, comparison.settings["power"])],
        ),
        class_="method",
        aria_labelledby="method",
    )


def _method_words(level: float, power: float) -> tuple[str, ...]:
    return (
        "The unit is the run, from leaf to result: repeat scans, dilutions and tubes are parts of "
        "one run and were summed up in its own analysis. Estimates enter without the bound at "
        "zero, so that means are not pushed up; what is only known as a limit enters as a limit.",
        "Without blocks two methods are compared by Welch's t test (unequal variances), several by "
        "Games-Howell. Where runs state blocks (day, section, leaf lot), methods are compared "
        "within blocks: value = method + block, with a covariance that allows each method its own "
        "scatter (MacKinnon and White 1985) and Satterthwaite degrees of freedom; with one run of "
        "each method in each block that is the paired t test. Where no chain of blocks links two "
        "methods, no p-value is given. The conclusion is about these blocks; whether it holds in "
        "others only more blocks can tell. Ratios have Fieller's interval, or come from the "
        "logarithmic scale. The effect size is the difference over the scatter of a run, corrected "
        "for small samples (Hedges 1981).",
        "The scatter that the test goes by is the one seen between runs, with its few degrees of "
        "freedom; stated measurement uncertainties do not replace it. Errors that all runs share "
        "(absorptivity and band shape of one reference, photometer, cuvette) widen absolute "
        "values; of a difference between methods measured the same way they widen only what is "
        "left after subtraction. They are added as a normal error of stated size beside the t "
        "distributed one, so that they can only widen an interval. To say what the scatter comes "
        "from, it is parted into the runs' own measurement, its uncertainty taken as stated, and "
        "the rest, by restricted maximum likelihood.",
        f"A difference is claimed at p < {level:g}; intervals hold {percent_words(1 - level)}. The "
        f"smallest detectable difference is the one this design finds with a chance of "
        f"{percent_words(power)}, taken over how variances vary with so few runs. Deviating runs "
        "are named by Grubbs' test and kept. That no difference was found is no proof that there "
        "is none.",
    )


# Inputs


def _record_section(comparison: Comparison) -> Html:
    rows = [
        tag(
            "tr",
            tag("th", run.name, scope="row"),
            tag("td", digest.path),
            tag("td", tag("code", digest.sha256[:32], Html("<wbr>"), digest.sha256[32:])),
        )
        for run in comparison.runs
        for digest in _shown_inputs(run.inputs)
    ]
    inputs = _table("Files read", ("run", "file", "sha256"), rows, "inputs")
    return tag(
        "section",
        tag("h2", "Inputs and settings", id="record"),
        tag(
            "div",
            tag("details", tag("summary", f"{counted(len(rows), 'file')}"), inputs)
            if len(rows) > OPEN_RUNS
            else inputs,
            tag(
                "p",
                "comparison.json names every file behind every run with its digest.",
                class_="legend",
            ),
            _settings_table(comparison),
        ),
        class_="record",
        aria_labelledby="record",
    )


def _shown_inputs(inputs: Sequence[InputDigest]) -> Sequence[InputDigest]:
    """Return the run's record where there is one, otherwise all of its files."""
    records = [digest for digest in inputs if digest.path.endswith(".json")]
    return records or inputs


def _settings_table(comparison: Comparison) -> Html:
    return tag(
        "details",
        tag("summary", "Limits and settings: [J] working judgement, [S] read source, [M] memory"),
        _table(
            "Limits and settings",
            LIMIT_HEADS,
            limit_rows(comparison.settings),
            "settings",
        ),
        class_="on-paper",
    )


__all__ = ["CANNOT_TELL", "comparison_html", "measure_id", "notebook_html"]
