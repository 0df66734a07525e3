"""Figures as files and as part of a page, the same bytes for the same inputs."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from specfrac.plots import (
    balance_figure,
    balance_rows,
    composition_figure,
    elution_figure,
    expected_uncertainty,
    fit_figure,
    pooling_figure,
    reported_lines,
    scan_parts,
)
from specfrac.report.markup import Html, slug, tag, text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from specfrac.fitting.results import MixtureFit
    from specfrac.run import FractionResult, RunResult

SALT = "specfrac"  # of the ids inside an SVG, which are random otherwise
PRINT_RESOLUTION = 150  # dots an inch, of PNG files; the SVG beside them has no limit
PNG_EFFORT = 3  # of 9; more takes several times as long for a tenth of the size
HOVER_STEP = 0.9  # nm; a reading every nanometre is fine enough to point at


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """Where an Axes stands in its figure, and what it spans.

    Attributes
    ----------
    box : tuple of float
        Left, bottom, width and height, fractions of the figure.
    x, y : tuple of float
        Limits of the axes.
    """

    box: tuple[float, ...]
    x: tuple[float, float]
    y: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """A figure that was drawn once, for its files and for the page.

    Attributes
    ----------
    svg : str
        The whole file.
    png : bytes
        The same; empty where it is not asked for.
    frames : tuple of Frame
        Of its Axes.
    """

    svg: str
    png: bytes
    frames: tuple[Frame, ...]


Drawings = Mapping[str, Drawing]
"""Drawings by the stem of their file name."""


@contextmanager
def house_style() -> Iterator[None]:
    """Draw with matplotlib's defaults, whatever the user's own settings are."""
    import matplotlib as mpl

    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(
            {
                "font.family": "DejaVu Sans",  # comes with matplotlib, so is the same everywhere
                "svg.hashsalt": SALT,
                "svg.fonttype": "none",
                "axes.unicode_minus": True,
            }
        )
        yield


def svg_text(figure: Figure) -> str:
    """Return a figure as SVG without date, creator or anything else that varies."""
    stream = io.StringIO()
    metadata = {"Date": None, "Creator": None, "Format": None, "Type": None}
    figure.savefig(stream, format="svg", metadata=metadata)
    # the layout stands now, and to find it again would cost as much as the drawing
    figure.set_layout_engine("none")
    return re.sub(r' d="([^"]+)"', _rounded_path, stream.getvalue())


def _rounded_path(match: re.Match[str]) -> str:
    """Round coordinates to 0.01 point, which nobody can see and halves the size."""
    path = re.sub(r"-?\d+\.\d{3,}", lambda one: f"{float(one.group()):.2f}", match.group(1))
    return f' d="{" ".join(path.split())}"'


def _relative_path(match: re.Match[str]) -> str:
    """Write a path of straight lines by its steps, which takes half the letters."""
    words = iter(match.group(1).split())
    pieces: list[str] = []
    x = y = 0  # in hundredths of a point, so that no rounding adds up
    for word in words:
        if word == "z":
            pieces.append("z")
            continue
        if word not in ("M", "L"):
            return match.group()
        to_x, to_y = round(100 * float(next(words))), round(100 * float(next(words)))
        if word == "M" or pieces[-1:] == ["z"]:
            pieces.append(f"{word}{_hundredths(to_x)} {_hundredths(to_y)}")
        else:
            pieces.append(f"l{_hundredths(to_x - x)} {_hundredths(to_y - y)}")
        x, y = to_x, to_y
    return f' d="{"".join(pieces).replace(" -", "-")}"'


def _hundredths(value: int) -> str:
    return f"{value / 100:g}".replace("0.", ".", 1) if abs(value) < 100 else f"{value / 100:.7g}"


def inline_svg(figure: Figure, *, key: str, label: str) -> Html:
    """Return a figure as an SVG element that can stand in a page beside others.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    key : str
        Put before every id, so that ids are unique in the page.
    label : str
        What the figure shows, for readers who cannot see it.
    """
    return inlined(svg_text(figure), key=key, label=label)


def inlined(written: str, *, key: str, label: str) -> Html:
    """Return an SVG file as an element for a page; parameters as in `inline_svg`."""
    written = written[written.index("<svg") :].strip()
    written = re.sub(r"<metadata>.*?</metadata>", "", written, flags=re.DOTALL)
    # This rule would reach the whole page; the page's own style sheet has it for figures.
    written = re.sub(r"<style[^>]*>.*?</style>", "", written, count=1, flags=re.DOTALL)
    written = re.sub(r"<!--.*?-->\n?", "", written, flags=re.DOTALL)
    used = set(re.findall(r'url\(#([^)]+)\)|xlink:href="#([^"]+)"', written))
    named = {name for pair in used for name in pair if name}

    def own_id(match: re.Match[str]) -> str:
        # most ids are of groups that nothing refers to
        return f' id="{key}-{match.group(1)}"' if match.group(1) in named else ""

    written = re.sub(r'\sid="([^"]+)"', own_id, written)
    written = re.sub(r"url\(#([^)]+)\)", rf"url(#{key}-\1)", written)
    written = re.sub(r'xlink:href="#([^"]+)"', rf'href="#{key}-\1"', written)
    written = re.sub(r' d="([^"]+)"', _relative_path, written)
    written = re.sub(r"\s*\n\s*", "", written)
    view_box = re.search(r'viewBox="([^"]+)"', written)
    box = view_box.group(1) if view_box else "0 0 1 1"
    written = re.sub(
        r"<svg[^>]*>",
        f'<svg viewBox="{box}" role="img" aria-label="{text(label)}" '
        'xmlns="http://www.w3.org/2000/svg">',
        written,
        count=1,
    )
    return Html(written)


def png_bytes(figure: Figure) -> bytes:
    """Return a figure as a PNG file that does not name the drawing library's version."""
    picture = io.BytesIO()
    figure.savefig(
        picture,
        format="png",
        dpi=PRINT_RESOLUTION,
        metadata={"Software": None},
        pil_kwargs={"compress_level": PNG_EFFORT},
    )
    return picture.getvalue()


def drawings(result: RunResult, *, files: bool = False) -> dict[str, Drawing]:
    """Return the figures of a run, drawn, by the stem of their file name.

    Parameters
    ----------
    result : RunResult
    files : bool
        Everything that becomes a file: also as PNG, and also each tube's composition,
        which the page gives as a table.
    """
    with house_style():
        return {
            stem: Drawing(svg_text(figure), png_bytes(figure) if files else b"", _frames(figure))
            for stem, figure in run_figures(result, composition=files)
        }


def _frames(figure: Figure) -> tuple[Frame, ...]:
    return tuple(
        Frame(
            tuple(round(float(edge), 5) for edge in axes.get_position().bounds),
            (float(axes.get_xlim()[0]), float(axes.get_xlim()[1])),
            (round(float(axes.get_ylim()[0]), 6), round(float(axes.get_ylim()[1]), 6)),
        )
        for axes in figure.axes
    )


def scan_picture(drawing: Drawing, fit: MixtureFit, index: int, *, key: str, label: str) -> Html:
    """Return scan, fit and residual as a figure whose values can be read point by point."""
    readings = _readings(fit, index, drawing.frames)
    written = json.dumps(readings, separators=(",", ":"), ensure_ascii=False)
    data = tag(
        "script",
        Html(written.replace("<", "\\u003c")),
        type="application/json",
        class_="readings",
    )
    return tag("div", inlined(drawing.svg, key=key, label=label), data, class_="plot")


def _readings(fit: MixtureFit, index: int, frames: tuple[Frame, ...]) -> dict[str, Any]:
    """Return what the page's script needs to show values: places of the axes, and the curves."""
    curves = fit.curves(index)
    step = float(np.median(np.diff(curves.wavelength)))
    keep = slice(None, None, max(1, round(1.0 / step) if step < HOVER_STEP else 1))

    def listed(values: Any, places: int) -> list[float | None]:
        return [
            None if not np.isfinite(value) else round(float(value), places)
            for value in values[keep]
        ]

    return {
        "axes": [{"box": one.box, "x": one.x, "y": one.y} for one in frames],
        "wavelength": listed(curves.wavelength, 2),
        "used": [bool(flag) for flag in curves.used[keep]],
        "scan": listed(curves.absorbance, 4),
        "fit": listed(curves.fitted, 4),
        "expected": listed(1.96 * expected_uncertainty(fit, curves, index=index), 4),
        "parts": [
            {"name": part.label, "colour": part.style.colour, "values": listed(part.absorbance, 4)}
            for part in scan_parts(fit, curves)
        ],
    }


def tube_numbers(result: RunResult) -> dict[str, int]:
    """Return the number of each tube by name, counted from 1 in the order of the sheet."""
    return {tube.fraction.name: at for at, tube in enumerate(result.fractions, start=1)}


def run_figures(result: RunResult, *, composition: bool = True) -> Iterator[tuple[str, Figure]]:
    """Return every figure of a run with the stem of its file name, in the order of the sheet."""
    for number, tube in enumerate(result.fractions, start=1):
        yield from _tube_figures(tube, number, composition)
    if balance_rows(result.balance):
        yield "balance", balance_figure(result.balance, numbers=tube_numbers(result))
    if result.elution is not None and result.elution.bands:
        yield "elution", elution_figure(result.elution, numbers=tube_numbers(result))
    if result.pooling is not None and len(result.pooling.order) > 1 and result.pooling.curve:
        yield "pooling", pooling_figure(result.pooling, numbers=tube_numbers(result))


def _tube_figures(
    tube: FractionResult, number: int, composition: bool
) -> Iterator[tuple[str, Figure]]:
    fit = tube.fit
    if fit is None or not fit.success:
        return
    for index in range(len(fit.scans)):
        yield scan_stem(tube, number, index), fit_figure(fit, index=index)
    if composition and any(line.result.share_mass is not None for line in reported_lines(tube)):
        yield f"{_tube_stem(tube, number)}-composition", composition_figure(tube)


def scan_stem(tube: FractionResult, number: int, index: int) -> str:
    """Return the stem of the file with one scan's figure; the number counts from 1."""
    many = tube.fit is not None and len(tube.fit.scans) > 1
    return f"{_tube_stem(tube, number)}-scan" + (f"-{index + 1}" if many else "")


def _tube_stem(tube: FractionResult, number: int) -> str:
    return f"{number:02d}-{slug(tube.fraction.name)}"
