"""A drawing of a thin-layer plate, true to scale along the run, on the Axes given."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from specfrac.plates.measure import PlateResult, SpotResult, spot_label
from specfrac.plots import BAND, INK, PAPER, SMALL, SOFT_INK, STYLES, pigment_style
from specfrac.references import normalised

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SPOT_WIDTH = 0.26  # of a lane, across the run
SPOT_LENGTH = 0.05  # of the run, where the sheet gives no width
LANE_INCHES, MARGIN_INCHES, HEIGHT_INCHES = 1.55, 1.1, 3.6
LABEL_ROOM = 0.075  # of the run; closer labels are moved apart

# For a spot nobody has named: the colour of the pigment it looks like.
LOOKS_LIKE = (
    ("orange", "beta-carotene"),
    ("olive", "pheophytin-b"),
    ("grey", "pheophytin-a"),
    ("gray", "pheophytin-a"),
    ("brown", "pheophorbide-a"),
    ("yellow-green", "chlorophyll-b"),
    ("green", "chlorophyll-a"),
    ("yellow", "lutein"),
)


def spot_colour(one: SpotResult) -> str:
    """Return the colour a spot is drawn in: of its pigment, else as it was described."""
    if one.pigment is not None:
        return pigment_style(one.pigment).colour
    word = normalised(one.spot.colour)
    for part, pigment in LOOKS_LIKE:
        if part in word:
            return STYLES[pigment].colour
    return SOFT_INK


def draw_plate(result: PlateResult, ax: Axes) -> Axes:
    """Draw a plate: lanes across, distance from the origin upward, Rf at each spot.

    Parameters
    ----------
    result : PlateResult
    ax : Axes

    Returns
    -------
    Axes
    """
    plate = result.plate
    run = plate.front.value - plate.origin.value
    lanes = result.lanes()
    _draw_frame(result, ax, len(lanes))
    for at, spots in enumerate(lanes.values()):
        for one in spots:
            _draw_spot(one, at, plate.origin.value, run, ax)
        _label(spots, at, plate.origin.value, run, ax)
    ax.set_xticks(range(len(lanes)), [_wrapped(lane) for lane in lanes], fontsize=SMALL)
    ax.set_xlim(-0.35, len(lanes) - 0.15)
    ax.set_ylabel("distance from the origin, mm", fontsize=SMALL, color=INK)
    ax.tick_params(axis="both", labelsize=SMALL, colors=INK, length=2)
    ax.tick_params(axis="x", length=0)
    for side in ("top", "right", "left", "bottom"):
        ax.spines[side].set_color(BAND)
    other = ax.secondary_yaxis(
        "right", functions=(partial(_scaled, 1 / run), partial(_scaled, run))
    )
    other.set_ylabel("Rf", fontsize=SMALL, color=INK)
    other.tick_params(labelsize=SMALL, colors=INK, length=2)
    return ax


def _scaled(factor: float, values: NDArray[np.float64]) -> NDArray[np.float64]:
    return factor * np.asarray(values)


def _draw_frame(result: PlateResult, ax: Axes, lanes: int) -> None:
    plate = result.plate
    run = plate.front.value - plate.origin.value
    bottom = min(-plate.origin.value, -0.06 * run)
    top = 1.06 * run if plate.height is None else plate.height - plate.origin.value
    ax.set_ylim(bottom, max(top, 1.06 * run))
    ax.set_facecolor(PAPER)
    for height, word in ((0.0, "origin"), (run, "front")):
        ax.axhline(
            height, color=SOFT_INK, linewidth=0.8, linestyle="-" if word == "origin" else "--"
        )
        ax.annotate(
            word,
            (-0.34, height),
            xytext=(0, 2),
            textcoords="offset points",
            fontsize=SMALL - 0.5,
            color=SOFT_INK,
        )


def _draw_spot(one: SpotResult, lane: int, origin: float, run: float, ax: Axes) -> None:
    from matplotlib.patches import Ellipse

    length = one.spot.width.value if one.spot.width is not None else SPOT_LENGTH * run
    colour = spot_colour(one)
    ax.add_patch(
        Ellipse(
            (lane, one.spot.distance.value - origin),
            SPOT_WIDTH,
            length,
            facecolor=colour,
            edgecolor=colour,
            alpha=0.85 if one.pigment is not None else 0.5,
            linewidth=0.8,
            linestyle="-" if one.pigment is not None else ":",
        )
    )


def _label(spots: tuple[SpotResult, ...], lane: int, origin: float, run: float, ax: Axes) -> None:
    """Write name and Rf beside each spot, moved apart where spots lie close."""
    ordered = sorted(spots, key=lambda one: one.spot.distance.value)
    below = -float("inf")
    for one in ordered:
        true = one.spot.distance.value - origin
        place = max(true, below + LABEL_ROOM * run)
        below = place
        ax.annotate(
            f"{spot_label(one.spot)}\u2002{one.rf.value:.2f}",
            (lane + SPOT_WIDTH / 2, true),
            xytext=(lane + SPOT_WIDTH / 2 + 0.06, place),
            fontsize=SMALL - 0.5,
            color=INK,
            va="center",
        )


def _wrapped(lane: str) -> str:
    return lane if len(lane) <= 14 else lane[:13] + "…"


def plate_figure(result: PlateResult) -> Figure:
    """Return a figure of one plate, as wide as its lanes ask."""
    from matplotlib.figure import Figure

    lanes = len(result.lanes())
    figure = Figure(
        figsize=(MARGIN_INCHES + LANE_INCHES * max(lanes, 2), HEIGHT_INCHES), layout="constrained"
    )
    draw_plate(result, figure.subplots())
    return figure
