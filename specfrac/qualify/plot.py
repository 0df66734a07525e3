"""Pictures of an instrument's checks on the Axes given: readings, expectation, limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from specfrac.plots import BAND, INK, MEASURED, SMALL, SOFT_INK
from specfrac.qualify.results import Check

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FAILED, PASSED = "#8c1d18", "#1d5b44"
DEVIATIONS = ("wavelength", "absorbance")


def draw_check(check: Check, ax: Axes) -> Axes:
    """Draw one check: deviations with their limits, or readings with what was expected.

    Parameters
    ----------
    check : Check
        With something to draw, see `can_draw`.
    ax : Axes

    Returns
    -------
    Axes
    """
    if check.kind in DEVIATIONS:
        _draw_deviations(check, ax)
    else:
        many = check.x.size > 40
        ax.plot(
            check.x, check.line, color=SOFT_INK, linewidth=1.0, linestyle="--", label="expected"
        )
        ax.plot(
            check.x,
            check.y,
            color=INK if many else MEASURED,
            linewidth=0.9,
            marker="" if many else "o",
            markersize=4,
            markeredgecolor=INK,
            markerfacecolor="white",
            label="read",
        )
    ax.set_xlabel(check.x_label, fontsize=SMALL, color=INK)
    ax.set_ylabel(check.y_label, fontsize=SMALL, color=INK)
    ax.tick_params(labelsize=SMALL, colors=INK, length=2)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(BAND)
    return ax


def _draw_deviations(check: Check, ax: Axes) -> None:
    limits = np.array([row.limit for row in check.rows])
    order = np.argsort(check.x)
    ax.axhline(0, color=SOFT_INK, linewidth=0.8)
    for sign in (1, -1):
        ax.plot(check.x[order], sign * limits[order], color=SOFT_INK, linewidth=0.9,
                linestyle="--", marker="_", markersize=10)  # fmt: skip
    for place, off, row in zip(check.x, check.y, check.rows, strict=True):
        # form says it as well as colour
        failed = row.passed is False
        ax.plot([place], [off], color=FAILED if failed else PASSED, marker="X" if failed else "o",
                markersize=5, linestyle="")  # fmt: skip


def can_draw(check: Check) -> bool:
    """Return whether a check has something to draw."""
    return check.x.size > 0 and check.x.size == check.y.size


def check_figure(check: Check) -> Figure:
    """Return a small figure of one check."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(4.6, 2.4), layout="constrained")
    draw_check(check, figure.subplots())
    return figure
