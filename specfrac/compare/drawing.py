"""Pictures of a comparison as SVG that stands in the page: strips, intervals, charts.

Drawn by hand, because a page for hundreds of runs needs many small pictures and each
point should tell its name. Colour never carries anything alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from specfrac.compare.analysis import LOGARITHMIC, Difference, MeasureComparison, MethodMean, Point
from specfrac.compare.charts import ControlChart
from specfrac.compare.wording import factor_of, interval_words, number, unit_of
from specfrac.plots import INK, PAPER, SOFT_INK
from specfrac.report.markup import Html, joined, tag

WIDTH = 720.0
LEFT, RIGHT = 190.0, 16.0
LINE = 15.0
NAMED_UP_TO = 80  # runs; with more, points become dots without names
WHISKERS_UP_TO = 30  # runs of a picture that show their own uncertainty
LONGEST_NAME = 30  # characters beside a strip
LEAF = "#1d5b44"
WARN = "#7a4a00"
METHOD_COLOURS = ("#12596e", "#9f5502", "#1d5b44", "#7c2f40", "#6c5b9c", "#51618f", "#6b7e86")
SHAPES = ("circle", "square", "triangle", "diamond", "cross", "plus")


@dataclass(frozen=True, slots=True)
class Axis:
    """A linear axis.

    Attributes
    ----------
    low, high : float
        In data.
    start, end : float
        In the picture.
    """

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Return the place of a value, kept within the axis."""
        share = (value - self.low) / (self.high - self.low)
        return self.start + (self.end - self.start) * min(max(share, 0.0), 1.0)

    def ticks(self) -> tuple[float, ...]:
        """Return four to eight round values."""
        rough = (self.high - self.low) / 6
        power = 10 ** math.floor(math.log10(rough))
        step = next(size * power for size in (1, 2, 2.5, 5, 10) if size * power >= rough)
        first = math.ceil(self.low / step - 1e-9)
        last = math.floor(self.high / step + 1e-9)
        return tuple(round(at * step, 12) for at in range(first, last + 1))


def axis_for(values: Sequence[float], start: float, end: float, *, zero: bool = False) -> Axis:
    """Return an axis that holds all values with a little room; with zero where asked."""
    known = [value for value in values if math.isfinite(value)] or [0.0, 1.0]
    low, high = min(known), max(known)
    if zero:
        low, high = min(low, 0.0), max(high, 0.0)
    if high - low <= 1e-12 * max(abs(high), abs(low), 1.0):
        room = 0.1 * abs(high) or 1.0
        return Axis(low - room, high + room, start, end)
    room = 0.05 * (high - low)
    return Axis(low - room, high + room, start, end)


def _n(value: float) -> str:
    """Return a coordinate, to a hundredth of a unit."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _line(
    x1: float, y1: float, x2: float, y2: float, colour: str, width: float, **more: object
) -> Html:
    return tag(
        "line", x1=_n(x1), y1=_n(y1), x2=_n(x2), y2=_n(y2), stroke=colour, stroke_width=_n(width),
        **more,
    )  # fmt: skip


def _text(x: float, y: float, words: str, **more: object) -> Html:
    settings: dict[str, object] = {"font_size": "11", "fill": INK} | more
    return tag("text", words, x=_n(x), y=_n(y), **settings)


def _shortened(words: str, longest: int = LONGEST_NAME) -> str:
    return words if len(words) <= longest else words[: longest - 1] + "…"


def mark(
    shape: str, x: float, y: float, colour: str, *, hollow: bool = False, title: str = ""
) -> Html:
    """Return a point of one of `SHAPES`, about 7 units wide, with its name on hover."""
    fill = {"fill": PAPER if hollow else colour, "stroke": colour, "stroke_width": "1.1"}
    name = tag("title", title) if title else None
    r = 3.3
    if shape == "circle":
        return tag("circle", name, cx=_n(x), cy=_n(y), r=_n(r), **fill)
    paths = {
        "square": f"M{_n(x - 3)} {_n(y - 3)}h6v6h-6z",
        "triangle": f"M{_n(x)} {_n(y - 3.9)}l3.9 6.8h-7.8z",
        "diamond": f"M{_n(x)} {_n(y - 4.3)}l3.7 4.3l-3.7 4.3l-3.7 -4.3z",
        "cross": f"M{_n(x - 3)} {_n(y - 3)}l6 6m0 -6l-6 6",
        "plus": f"M{_n(x - 3.7)} {_n(y)}h7.4m-3.7 -3.7v7.4",
    }
    if shape in ("cross", "plus"):
        fill = {"fill": "none", "stroke": colour, "stroke_width": "1.5" if not hollow else "0.8"}
    return tag("path", name, d=paths[shape], **fill)


def shapes_of(blocks: Sequence[str]) -> Mapping[str, str]:
    """Return a shape for each block; all alike when there are more blocks than shapes."""
    named = [block for block in blocks if block]
    if len(named) > len(SHAPES):
        return dict.fromkeys(["", *named], SHAPES[0])
    return {"": SHAPES[0], **dict(zip(named, SHAPES, strict=False))}


def picture(width: float, height: float, label: str, *parts: Html) -> Html:
    """Return an SVG element that scales with the page."""
    return tag(
        "svg",
        *parts,
        viewBox=f"0 0 {_n(width)} {_n(height)}",
        role="img",
        aria_label=label,
        xmlns="http://www.w3.org/2000/svg",
    )


# One measure: strips and intervals


def measure_picture(one: MeasureComparison, blocks: Sequence[str]) -> Html | None:
    """Return strips of the runs by method over intervals of the differences.

    Parameters
    ----------
    one : MeasureComparison
    blocks : sequence of str
        Of the whole comparison, so that a block has one shape in every picture.

    Returns
    -------
    Html or None
        None without any value.
    """
    if not one.points:
        return None
    methods = sorted({point.method for point in one.points})
    strips, height = _strips(one, methods, shapes_of(blocks))
    pairs = shown_pairs(one)
    if pairs:
        lower, height = _intervals(one, pairs, height + 10)
        strips += lower
    label = f"{one.measure.words} by method: {one.sentence}"
    return picture(WIDTH, height + 4, label, *strips)


def shown_pairs(one: MeasureComparison) -> tuple[Difference, ...]:
    """Return the differences to draw: all of up to four methods, otherwise those of the best."""
    known = tuple(pair for pair in one.differences if math.isfinite(pair.interval[0]))
    if len(known) <= 6:
        return known
    best = max(one.methods, key=lambda held: _order(one, held)).method
    return tuple(pair for pair in known if best in (pair.first, pair.second))


def _order(one: MeasureComparison, held: MethodMean) -> float:
    if not math.isfinite(held.adjusted):
        return -math.inf
    return -held.adjusted if one.measure.better == "lower" else held.adjusted


def _strips(
    one: MeasureComparison, methods: Sequence[str], shapes: Mapping[str, str]
) -> tuple[list[Html], float]:
    factor = factor_of(one.measure)
    values = [factor * point.value.value for point in one.points]
    axis = axis_for([*values, *_mean_ends(one, values, factor)], LEFT, WIDTH - RIGHT)
    row = 40.0
    parts: list[Html] = []
    for at, method in enumerate(methods):
        y = 8 + row * at + row / 2
        parts.append(_text(0, y + 3.5, _shortened(method)))
        parts.append(_line(LEFT, y, WIDTH - RIGHT, y, "#e4e9e6", 1))
        held = one.method(method)
        if held is not None and math.isfinite(held.mean):
            parts += _mean(one, held, axis, y, factor)
        points = [point for point in one.points if point.method == method]
        parts += _dots(one, points, axis, y, factor, shapes)
    bottom = 8 + row * len(methods)
    parts += _axis(axis, bottom, f"{one.measure.words} ({unit_of(one.measure)})")
    return parts, bottom + 34


def _mean_ends(one: MeasureComparison, values: Sequence[float], factor: float) -> list[float]:
    """Return means and ends of their intervals; those far from all runs are cut."""
    room = 0.5 * (max(values) - min(values))
    low, high = min(values) - room, max(values) + room
    ends = [factor * end for held in one.methods for end in (held.mean, *held.interval)]
    return [min(max(end, low), high) for end in ends if math.isfinite(end)]


def _mean(
    one: MeasureComparison, held: MethodMean, axis: Axis, y: float, factor: float
) -> list[Html]:
    low, high = held.interval
    x = axis.at(factor * held.mean)
    words = f"{held.method}: mean {interval_label(one, held)}"
    parts = []
    if math.isfinite(low) and math.isfinite(high):
        parts.append(
            _line(axis.at(factor * low), y, axis.at(factor * high), y, "#d9dedb", 9,
                  stroke_linecap="butt")
        )  # fmt: skip
    parts.append(tag("g", tag("title", words), _line(x, y - 11, x, y + 11, INK, 2)))
    return parts


def interval_label(one: MeasureComparison, held: MethodMean) -> str:
    """Return a mean with its interval in words."""
    half = (held.interval[1] - held.interval[0]) / 2
    told = f"{number(one.measure, held.mean, half)} {unit_of(one.measure)}"
    if math.isfinite(half):
        told += f" (95 %: {interval_words(one.measure, held.interval)})"
    return told


def _dots(
    one: MeasureComparison,
    points: Sequence[Point],
    axis: Axis,
    y: float,
    factor: float,
    shapes: Mapping[str, str],
) -> list[Html]:
    """Return the runs of a method, set apart up and down where they would cover each other."""
    placed = list(
        zip(points, _lanes([axis.at(factor * p.value.value) for p in points]), strict=True)
    )
    if len(one.points) > NAMED_UP_TO:
        path = "".join(
            f"M{_n(axis.at(factor * point.value.value))} {_n(y + 3 * lane)}h.01"
            for point, lane in placed
        )
        style = "stroke-linecap:round"
        return [tag("path", d=path, stroke=LEAF, stroke_width="3.2", fill="none", style=style)]
    parts: list[Html] = []
    for point, lane in placed:
        place = y + 5 * lane
        x = axis.at(factor * point.value.value)
        colour = SOFT_INK if point.left_out else LEAF
        own = factor * point.value.own
        if len(one.points) <= WHISKERS_UP_TO and math.isfinite(own):
            value = factor * point.value.value
            parts.append(
                _line(axis.at(value - own), place, axis.at(value + own), place, colour, 0.9)
            )
        if point.value.bound:
            way = 12 if point.value.bound == "above" else -12
            arrow = f"M{_n(x)} {_n(place)}h{way}m{-way / 3:g} -3l{way / 3:g} 3l{-way / 3:g} 3"
            parts.append(tag("path", d=arrow, fill="none", stroke=colour, stroke_width="1.1"))
        shape = shapes.get(point.block, SHAPES[0])
        hollow = bool(point.left_out)
        parts.append(mark(shape, x, place, colour, hollow=hollow, title=point_words(one, point)))
    return parts


def _lanes(places: Sequence[float]) -> list[int]:
    """Return for each point a lane 0, 1, -1, 2, ... in which it covers no earlier one."""
    lanes: list[int] = [0] * len(places)
    last: dict[int, float] = {}
    for at in sorted(range(len(places)), key=lambda one: places[one]):
        for lane in (0, 1, -1, 2, -2, 3, -3):
            if places[at] - last.get(lane, -math.inf) >= 7.5 or lane == -3:
                lanes[at] = lane
                last[lane] = places[at]
                break
    return lanes


def point_words(one: MeasureComparison, point: Point) -> str:
    """Return what a run shows on hover."""
    sign = {"below": "< ", "above": "> "}.get(point.value.bound, "")
    own = point.value.own
    value = number(one.measure, point.value.value, 2 * own)
    told = f"{point.run}: {sign}{value} {unit_of(one.measure)}"
    if math.isfinite(own) and own > 0:
        told += f" ± {number(one.measure, own, own)} of its own"
    if point.block:
        told += f"; {point.block}"
    return told + (f"; left out: {point.left_out}" if point.left_out else "")


def _axis(axis: Axis, y: float, words: str) -> list[Html]:
    parts = [_line(axis.start, y, axis.end, y, SOFT_INK, 0.8)]
    for value in axis.ticks():
        x = axis.at(value)
        parts.append(_line(x, y, x, y + 3.5, SOFT_INK, 0.8))
        parts.append(_text(x, y + 14, _tick(value), text_anchor="middle", font_size="10"))
    middle = (axis.start + axis.end) / 2
    parts.append(
        _text(middle, y + 28, words, text_anchor="middle", font_size="10.5", fill=SOFT_INK)
    )
    return parts


def _tick(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def _intervals(
    one: MeasureComparison, pairs: Sequence[Difference], top: float
) -> tuple[list[Html], float]:
    factor = factor_of(one.measure)
    ends = [factor * end for pair in pairs for end in pair.interval]
    axis = axis_for(ends, LEFT, WIDTH - RIGHT, zero=True)
    row = 24.0
    bottom = top + row * len(pairs)
    zero = axis.at(0.0)
    parts = [_line(zero, top, zero, bottom, INK, 0.9, stroke_dasharray="4 2")]
    for at, pair in enumerate(pairs):
        y = top + row * (at + 0.5)
        name = f"{_shortened(pair.first, 14)} − {_shortened(pair.second, 14)}"
        colour = LEAF if pair.significant else SOFT_INK
        low, high = (axis.at(factor * end) for end in pair.interval)
        half = (pair.interval[1] - pair.interval[0]) / 2
        words = (
            f"{pair.first} minus {pair.second}: {number(one.measure, pair.difference, half)} "
            f"(95 %: {interval_words(one.measure, pair.interval)}) "
            f"{unit_of(one.measure, difference=True)}"
        )
        parts.append(_text(0, y + 3.5, name))
        parts.append(tag(
            "g", tag("title", words),
            _line(low, y, high, y, colour, 1.6), _line(low, y - 4, low, y + 4, colour, 1.6),
            _line(high, y - 4, high, y + 4, colour, 1.6),
            mark("circle", axis.at(factor * pair.difference), y, colour,
                 hollow=not pair.significant),
        ))  # fmt: skip
    unit = unit_of(one.measure, difference=True)
    scale = ", logarithmic analysis" if one.scale == LOGARITHMIC else ""
    parts += _axis(axis, bottom, f"difference with 95 % interval ({unit}{scale})")
    return parts, bottom + 34


# All measures side by side


def ratio_bar(pair: Difference, reach: float) -> Html | None:
    """Return ratio and interval of a pair on a logarithmic axis; 1 in the middle.

    Parameters
    ----------
    pair : Difference
    reach : float
        Largest ratio the axis shows, above 1.
    """
    low, high = pair.ratio_interval
    if not (math.isfinite(pair.ratio) and low > 0 and math.isfinite(high)):
        return None
    axis = Axis(-math.log(reach), math.log(reach), 3, 157)
    colour = LEAF if pair.significant else SOFT_INK
    a, b, x = (axis.at(math.log(value)) for value in (low, high, pair.ratio))
    return tag(
        "svg",
        _line(80, 1, 80, 15, INK, 0.9, stroke_dasharray="3 2"),
        _line(a, 8, b, 8, colour, 1.5),
        mark("circle", x, 8, colour, hollow=not pair.significant),
        class_="ratio-bar",
        viewBox="0 0 160 16",
        aria_hidden="true",
    )


# Two measures against each other


def trade_picture(
    across: MeasureComparison, up: MeasureComparison, methods: Sequence[str], blocks: Sequence[str]
) -> Html | None:
    """Return two measures of each run against each other, a colour and shape a method."""
    height_of = {point.run: point for point in up.points}
    pairs = [(p, height_of[p.run]) for p in across.points if p.run in height_of]
    if len(pairs) < 2:
        return None
    fx, fy = factor_of(across.measure), factor_of(up.measure)
    height = 300.0
    x_axis = axis_for([fx * p.value.value for p, _ in pairs], 60, WIDTH - RIGHT)
    y_axis = axis_for([fy * p.value.value for _, p in pairs], height, 14)
    parts = [_line(60, 14, 60, height, SOFT_INK, 0.8)]
    for value in y_axis.ticks():
        y = y_axis.at(value)
        parts.append(_line(56.5, y, 60, y, SOFT_INK, 0.8))
        parts.append(_text(53, y + 3.5, _tick(value), text_anchor="end", font_size="10"))
    words = f"{up.measure.words} ({unit_of(up.measure)})"
    parts.append(_text(0, 9, words, font_size="10.5", fill=SOFT_INK))
    parts += _axis(x_axis, height, f"{across.measure.words} ({unit_of(across.measure)})")
    for first, second in pairs:
        at = methods.index(first.method)
        title = f"{first.method}; {point_words(across, first)}; {point_words(up, second)}"
        x, y = x_axis.at(fx * first.value.value), y_axis.at(fy * second.value.value)
        parts.append(mark(method_shape(at), x, y, method_colour(at), title=title))
    label = f"{words} against {across.measure.words}, a point a run"
    return picture(WIDTH, height + 36, label, *parts)


def method_shape(at: int) -> str:
    """Return the shape of a method by its position."""
    return SHAPES[at % len(SHAPES)]


def method_colour(at: int) -> str:
    """Return the colour of a method by its position."""
    return METHOD_COLOURS[at % len(METHOD_COLOURS)]


def key_mark(shape: str, colour: str) -> Html:
    """Return a mark for a legend in the text."""
    return tag(
        "svg", mark(shape, 6, 6, colour), class_="spot", viewBox="0 0 12 12", aria_hidden="true"
    )


# Over time


def chart_picture(chart: ControlChart, methods: Sequence[str]) -> Html:
    """Return a control chart: points in order of time, mean, limits, broken points ringed."""
    percent = 1.0 if chart.unit or chart.key.startswith("ratio:") else 100.0
    unit = chart.unit or ("" if percent == 1.0 else "%")
    values = [percent * point.value for point in chart.points]
    limits = chart.limits
    ends = [percent * end for end in (*limits.action, limits.mean)]
    height = 190.0
    y_axis = axis_for([*values, *ends], height, 14)
    left = 60.0
    count = len(chart.points)
    x_axis = Axis(-0.5, count - 0.5, left, WIDTH - 92)
    parts: list[Html] = [_line(left, 14, left, height, SOFT_INK, 0.8)]
    for value in y_axis.ticks():
        y = y_axis.at(value)
        parts.append(_line(left - 3.5, y, left, y, SOFT_INK, 0.8))
        parts.append(_text(left - 7, y + 3.5, _tick(value), text_anchor="end", font_size="10"))
    for level, words, dash, colour in (
        (limits.mean, "mean", "", INK),
        (limits.warning[0], "warning", "3 3", SOFT_INK),
        (limits.warning[1], "warning", "3 3", SOFT_INK),
        (limits.action[0], "action", "7 3", WARN),
        (limits.action[1], "action", "7 3", WARN),
    ):
        y = y_axis.at(percent * level)
        dashes = {"stroke_dasharray": dash} if dash else {}
        parts.append(_line(left, y, WIDTH - 92, y, colour, 0.9, **dashes))
        parts.append(_text(WIDTH - 88, y + 3.5, words, font_size="10", fill=colour))
    means = " ".join(
        f"{_n(x_axis.at(at))},{_n(y_axis.at(percent * point.weighted_mean))}"
        for at, point in enumerate(chart.points)
    )
    parts.append(tag("polyline", points=means, fill="none", stroke="#9f5502", stroke_width="1"))
    parts += _chart_points(chart, methods, x_axis, y_axis, percent)
    parts += _dates(chart, x_axis, height)
    name = f"{chart.words}{f' ({unit})' if unit else ''}"
    parts.append(_text(0, 9, name, font_size="10.5", fill=SOFT_INK))
    return picture(WIDTH, height + 22, f"Control chart of {chart.words}: {chart.sentence}", *parts)


def _chart_points(
    chart: ControlChart, methods: Sequence[str], x_axis: Axis, y_axis: Axis, percent: float
) -> list[Html]:
    parts: list[Html] = []
    crowded = len(chart.points) > NAMED_UP_TO
    path = []
    for at, point in enumerate(chart.points):
        x, y = x_axis.at(at), y_axis.at(percent * point.value)
        if point.broken:
            ring = tag("circle", cx=_n(x), cy=_n(y), r="6.5", fill="none", stroke=WARN,
                       stroke_width="1.4")  # fmt: skip
            parts.append(ring)
        if crowded and not point.broken:
            path.append(f"M{_n(x)} {_n(y)}h.01")
            continue
        place = methods.index(point.method) if point.method in methods else 0
        title = f"{point.run}, {point.date}, {point.method}: {percent * point.value:.4g}"
        if point.broken:
            title += f"; {', '.join(point.broken)}"
        parts.append(mark(method_shape(place), x, y, method_colour(place), title=title))
    if path:
        style = "stroke-linecap:round"
        parts.append(tag("path", d="".join(path), stroke=SOFT_INK, stroke_width="3",
                         fill="none", style=style))  # fmt: skip
    return parts


def _dates(chart: ControlChart, x_axis: Axis, y: float) -> list[Html]:
    """Return the axis with up to six dates."""
    count = len(chart.points)
    shown = sorted({round(at * (count - 1) / 5) for at in range(6)}) if count > 6 else range(count)
    parts = [_line(x_axis.start, y, x_axis.end, y, SOFT_INK, 0.8)]
    for at in shown:
        x = x_axis.at(at)
        parts.append(_line(x, y, x, y + 3.5, SOFT_INK, 0.8))
        parts.append(
            _text(x, y + 15, chart.points[at].date[:10], text_anchor="middle", font_size="10")
        )
    return parts


def legend_of(entries: Sequence[tuple[str, str, str]]) -> Html:
    """Return a legend: shape, colour and words of each entry."""
    return joined(
        [tag("span", key_mark(shape, colour), f" {words}", class_="tube-key")
         for shape, colour, words in entries]
    )  # fmt: skip
