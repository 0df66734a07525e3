"""Pictures of a fit, a tube and a run, drawn on the Axes the caller gives.

Nothing here shows, saves or sets a global style. A pigment has the same colour,
line style and short label in every picture. The colours are warm for carotenoids,
green to blue-green for chlorophylls, grey to olive for pheophytins, and were chosen
by a search so that any two differ by at least 12 units of CIEDE2000 for normal,
red-blind and green-blind sight; all of them stand out 3 : 1 or better on white.
The line style says the same again without colour.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from specfrac.errors import InputError
from specfrac.fitting.error_model import error_model
from specfrac.uncertainty import NORMAL_95

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from specfrac.elution import Band, Profile
    from specfrac.fitting.results import Curves, MixtureFit
    from specfrac.pooling import Pool, Pooling
    from specfrac.references import PigmentReference
    from specfrac.run import Balance, BalanceRow, FractionResult, GroupResult, PigmentResult

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

INK = "#22302b"
SOFT_INK = "#5c6963"
MEASURED = "#aab3ae"
LEFT_OUT = "#96785a"
LEFT_OUT_GROUND = "#f4efe6"
BAND = "#d9dedb"
PAPER = "#ffffff"

SMALL, NORMAL = 7.5, 8.5  # points
POINTS = 72.0  # in an inch
LETTER = 0.62  # of the height of the type; few letters are wider
FRAME_BELOW, FRAME_ABOVE, FRAME_RIGHT = 0.43, 0.08, 0.14  # inches
PERCENT = 100.0
DRAWN_FROM_SHARE = 0.004  # of the highest absorbance; a flatter part cannot be seen
BEYOND = 1.25  # of the highest reading; a fitted total above it leaves the frame
TINT_STEP = 2.0  # nm between the corners of a tint, a fraction of any band's width
COARSE_STEP = 2.5  # nm; coarser scans show their points
LEGEND_WINDOW = (508.0, 612.0)  # nm, where leaf pigments absorb least
BAR_HEIGHT = 0.66  # of a row of the balance
BALANCE_REACH = 1.4  # of what was loaded; longer bars are cut and labelled
ROW_HEIGHT, ROW_TOP = 0.80, 0.95  # of a row of the elution picture: bars, and whiskers
LABEL_DISTANCE = 0.06  # of an axis; nearer labels would run into each other
REFERENCE_END_NM = 750.0
NUMBERED_FROM = 0.035  # of the axis; a narrower piece has no room for its number


@dataclass(frozen=True, slots=True)
class PigmentStyle:
    """How a pigment looks in every picture.

    Attributes
    ----------
    label : str
        Short name.
    colour : str
        Hexadecimal.
    dashes : tuple of float
        Lengths of strokes and gaps in line widths; empty for a full line.
    """

    label: str
    colour: str
    dashes: tuple[float, ...] = ()

    @property
    def line(self) -> dict[str, Any]:
        """Keyword arguments for a line of this pigment."""
        style = (0, self.dashes) if self.dashes else "-"
        return {"color": self.colour, "linestyle": style}


STYLES: MappingProxyType[str, PigmentStyle] = MappingProxyType(
    {
        "beta-carotene": PigmentStyle("β-carotene", "#b64404"),
        "lutein": PigmentStyle("lutein", "#b29012", (5, 1.6)),
        "violaxanthin": PigmentStyle("violaxanthin", "#d8777c", (5, 1.5, 1.2, 1.5)),
        "neoxanthin": PigmentStyle("neoxanthin", "#7b0103", (1.4, 1.4)),
        "chlorophyll-a": PigmentStyle("chl a", "#0c555e"),
        "chlorophyll-b": PigmentStyle("chl b", "#00834d", (5, 1.6)),
        "pheophytin-a": PigmentStyle("pheo a", "#727786", (5, 1.5, 1.2, 1.5)),
        "pheophytin-b": PigmentStyle("pheo b", "#484e3e", (1.4, 1.4)),
        # Relatives the eye cannot part from the eight: set apart by their line alone.
        "alpha-carotene": PigmentStyle("α-carotene", "#c2571d", (8, 1.6, 1.2, 1.6)),
        "zeaxanthin": PigmentStyle("zeaxanthin", "#9c8210", (2.6, 1.6)),
        "antheraxanthin": PigmentStyle("antheraxanthin", "#c96a3d", (8, 2)),
        "pheophorbide-a": PigmentStyle("pheide a", "#7d7468", (2.6, 1.6)),
    }
)

OTHER_COLOURS = ("#6c5b9c", "#8a4f8d", "#51618f")
OTHER_DASHES = ((8.0, 2.0), (2.6, 1.6), (8.0, 1.6, 1.2, 1.6), (3.5, 1.2, 1.2, 1.2))

POOLS_BY_AMOUNT = ("chlorophyll-a-pool", "chlorophyll-b-pool")
POOL_LABELS = MappingProxyType(
    {
        "carotenoids": "carotenoids",
        "chlorophyll-a-pool": "chl a + pheo a",
        "chlorophyll-b-pool": "chl b + pheo b",
        "porphyrins": "all porphyrins",
        "coloured pigment": "all coloured pigment",
    }
)


def pigment_style(pigment: str) -> PigmentStyle:
    """Return colour, line style and short label of a pigment.

    A pigment of the user's own gets a violet by its name, the same one every time.

    Examples
    --------
    >>> pigment_style("chlorophyll-a").label
    'chl a'
    """
    if pigment in STYLES:
        return STYLES[pigment]
    code = crc32(pigment.encode())
    return PigmentStyle(
        pigment.replace("-", " "),
        OTHER_COLOURS[code % len(OTHER_COLOURS)],
        OTHER_DASHES[code // len(OTHER_COLOURS) % len(OTHER_DASHES)],
    )


def sum_label(members: Sequence[str], families: Sequence[str] = ()) -> str:
    """Return the short label of a sum that a scan cannot take apart.

    Parameters
    ----------
    members : sequence of str
        Pigment keys.
    families : sequence of str
        Their families; a sum of three or more of one family is called by it.

    Examples
    --------
    >>> sum_label(["lutein", "violaxanthin"])
    'lutein + violaxanthin'
    >>> sum_label(["lutein", "violaxanthin", "neoxanthin"], ["xanthophyll"] * 3)
    '3 xanthophylls'
    """
    if len(members) < 3:
        return " + ".join(pigment_style(member).label for member in members)
    kinds = set(families)
    if len(kinds) == 1:
        return f"{len(members)} {kinds.pop()}s"
    if kinds and kinds <= {"carotene", "xanthophyll"}:
        return f"{len(members)} carotenoids"
    return f"{len(members)} pigments"


@dataclass(frozen=True, slots=True, eq=False)
class ReportedLine:
    """One line of a tube's composition: a pigment, or a sum reported in its members' place.

    Attributes
    ----------
    key, label : str
    style : PigmentStyle
        That of the largest member.
    members : tuple of str
    result : PigmentResult or GroupResult
    """

    key: str
    label: str
    style: PigmentStyle
    members: tuple[str, ...]
    result: PigmentResult | GroupResult


def reported_lines(tube: FractionResult) -> tuple[ReportedLine, ...]:
    """Return what a reader should see of a tube, in the order of the fit.

    Pigments the scan cannot tell apart are replaced by their sum.
    """
    merged = {group.name: group for group in tube.groups if group.merged}
    lines: dict[str, ReportedLine] = {}
    for pigment in tube.pigments:
        group = merged.get(pigment.merged_into or "")
        if group is None:
            style = pigment_style(pigment.pigment)
            lines[pigment.pigment] = ReportedLine(
                pigment.pigment, style.label, style, (pigment.pigment,), pigment
            )
        elif group.name not in lines:
            lines[group.name] = _merged_line(tube, group)
    return tuple(lines.values())


def _merged_line(tube: FractionResult, group: GroupResult) -> ReportedLine:
    members = [one for one in tube.pigments if one.pigment in group.members]
    largest = max(members, key=lambda one: one.concentration.value)
    label = sum_label(group.members, [one.group for one in members])
    return ReportedLine(
        group.name, label, pigment_style(largest.pigment), tuple(group.members), group
    )


# One scan


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """What one pigment, or a sum that cannot be taken apart, adds to a scan.

    Attributes
    ----------
    label : str
    style : PigmentStyle
    absorbance : ndarray, shape (n_points,)
    """

    label: str
    style: PigmentStyle
    absorbance: Array


def scan_parts(fit: MixtureFit, curves: Curves) -> tuple[Part, ...]:
    """Return the parts of a fitted scan that are high enough to be seen.

    Parameters
    ----------
    fit : MixtureFit
    curves : Curves
        Of one of its scans.
    """
    families = [entry.group for entry in fit.references.entries]
    parts: list[Part] = []
    taken: set[int] = set()
    for position, pigment in enumerate(fit.pigments):
        if position in taken:
            continue
        together = [position]
        for group in fit.groups:
            if group.merged and pigment in group.members:
                together = [fit.pigments.index(member) for member in group.members]
        taken.update(together)
        absorbance = curves.components[together].sum(axis=0)
        largest = max(together, key=lambda at: float(fit.concentration[at]))
        label = sum_label([fit.pigments[at] for at in together], [families[at] for at in together])
        parts.append(Part(label, pigment_style(fit.pigments[largest]), absorbance))
    limit = DRAWN_FROM_SHARE * max(float(np.max(curves.fitted)), 0.0)
    return tuple(part for part in parts if np.max(part.absorbance) > limit)


def expected_uncertainty(fit: MixtureFit, curves: Curves, *, index: int = 0) -> Array:
    """Standard uncertainty a point's residual should have: noise and band shape.

    u² = u_shape² + σ0² + (σ_T 10^A / ln 10)²

    Parameters
    ----------
    fit : MixtureFit
    curves : Curves
        Of the scan number `index`.
    index : int

    Returns
    -------
    ndarray, shape (n_points,)
        Absorbance.
    """
    # above A 10 nothing is left of the light, and the power would overflow
    transmitted = error_model()["transmittance_noise"] * 10 ** np.clip(curves.fitted, 0, 10)
    return np.sqrt(
        curves.shape_uncertainty**2 + float(fit.noise[index]) ** 2 + (transmitted / np.log(10)) ** 2
    )


def plot_scan(
    fit: MixtureFit, ax: Axes, *, index: int = 0, filled: bool = True, legend: bool = True
) -> Axes:
    """Draw a scan with the fitted total and each pigment's part.

    Parameters
    ----------
    fit : MixtureFit
    ax : matplotlib.axes.Axes
    index : int
        Which of the fit's scans.
    filled : bool
        Tint the area under each part.
    legend : bool

    Returns
    -------
    matplotlib.axes.Axes
        The one given.
    """
    curves = _curves(fit, index)
    shade_left_out(ax, curves)
    x = curves.wavelength
    for part in scan_parts(fit, curves):
        if filled:
            few = _few(x)
            ax.fill_between(x[few], part.absorbance[few], color=part.style.colour, alpha=0.1, lw=0)
        ax.plot(x, part.absorbance, lw=1.3, label=part.label, **part.style.line)
    _draw_measured(ax, curves)
    ax.plot(x, curves.fitted, color=INK, lw=0.9, label="fitted total")
    if np.ptp(curves.baseline) > 0 or np.max(np.abs(curves.baseline)) > 0:
        ax.plot(x, curves.baseline, color=SOFT_INK, lw=0.7, ls=(0, (1, 2)), label="baseline")
    ax.set_xlim(float(x[0]), float(x[-1]))
    ax.set_ylim(*_height(curves))
    ax.set_xlabel("wavelength (nm)")
    ax.set_ylabel("absorbance")
    _plain(ax)
    if legend:
        _legend(ax, curves)
    return ax


def _curves(fit: MixtureFit, index: int) -> Curves:
    if not 0 <= index < len(fit.scans):
        raise InputError(
            f"fit {fit.name!r}: scan number {index} is asked for, "
            f"but there are {len(fit.scans)} (counted from 0)."
        )
    return fit.curves(index)


def left_out_ranges(curves: Curves) -> tuple[tuple[float, float], ...]:
    """Return the wavelength ranges the fit left out, nm, widened by half a step."""
    x = curves.wavelength
    edges = np.flatnonzero(np.diff(np.r_[True, curves.used, True].astype(int)))
    half = np.median(np.diff(x)) / 2
    return tuple(
        (float(x[start] - half), float(x[stop - 1] + half))
        for start, stop in zip(edges[::2], edges[1::2], strict=True)
    )


def shade_left_out(ax: Axes, curves: Curves) -> Axes:
    """Tint the ranges of a scan the fit did not use."""
    for start, stop in left_out_ranges(curves):
        ax.axvspan(start, stop, facecolor=LEFT_OUT_GROUND, edgecolor="none", zorder=0)
    return ax


def _few(wavelength: Array) -> NDArray[np.int64]:
    """Places of enough points for a tint; every point would make a page five times as heavy."""
    every = max(1, round(TINT_STEP / float(np.median(np.diff(wavelength)))))
    return np.unique(np.r_[np.arange(0, wavelength.size, every), wavelength.size - 1])


def _draw_measured(ax: Axes, curves: Curves) -> None:
    x = curves.wavelength
    used = np.where(curves.used, curves.absorbance, np.nan)
    coarse = np.median(np.diff(x)) > COARSE_STEP
    ax.plot(
        x,
        used,
        color=MEASURED,
        lw=3.0,
        solid_capstyle="round",
        marker="o" if coarse else "",
        ms=4,
        zorder=1.8,
        label="scan",
    )
    if not curves.used.all():
        # single left-out points would vanish in a line, so they are drawn as dots
        every = max(1, round(1.5 / float(np.median(np.diff(x)))))
        ax.plot(
            x[~curves.used][::every],
            curves.absorbance[~curves.used][::every],
            ls="",
            marker="o",
            ms=1.9,
            mfc="none",
            mec=LEFT_OUT,
            mew=0.6,
            zorder=1.7,
            label="left out",
        )


def _height(curves: Curves) -> tuple[float, float]:
    """Limits of the axis: what was measured and used, and the fit as far as it can be seen.

    Above a detector's ceiling the fitted total may be several times what was read;
    there it leaves the frame, so that the used points keep their size.
    """
    known = np.isfinite(curves.absorbance)
    used = curves.absorbance[curves.used & known]
    read = float(np.max(curves.absorbance[known], initial=0.0))
    top = max(
        float(np.max(used, initial=0.0)), min(float(np.max(curves.fitted)), BEYOND * read), 1e-3
    )
    bottom = min(float(np.min(used, initial=0.0)), float(np.min(curves.baseline)), 0.0)
    return bottom - 0.02 * top, 1.06 * top


def _legend(ax: Axes, curves: Curves) -> None:
    low, high = LEGEND_WINDOW
    x = curves.wavelength
    options: dict[str, Any] = {"loc": "best"}
    if x[0] < low - 60 and x[-1] > high + 40:
        left = (low - float(x[0])) / float(x[-1] - x[0])
        options = {"loc": "upper left", "bbox_to_anchor": (left, 1.0), "borderaxespad": 0.2}
    ax.legend(
        frameon=False,
        fontsize=SMALL,
        handlelength=2.6,
        labelspacing=0.32,
        labelcolor=INK,
        **options,
    )


def plot_residual(fit: MixtureFit, ax: Axes, *, index: int = 0) -> Axes:
    """Draw scan less fit, with the band that 95 % of the points should keep to.

    Parameters
    ----------
    fit : MixtureFit
    ax : matplotlib.axes.Axes
    index : int
        Which of the fit's scans.

    Returns
    -------
    matplotlib.axes.Axes
        The one given.
    """
    curves = _curves(fit, index)
    x = curves.wavelength
    band = NORMAL_95 * expected_uncertainty(fit, curves, index=index)
    used = np.where(curves.used, curves.residual, np.nan)
    shade_left_out(ax, curves)
    few = _few(x)
    ax.fill_between(x[few], -band[few], band[few], color=BAND, lw=0, label="expected, 95 %")
    ax.axhline(0, color=SOFT_INK, lw=0.6)
    ax.plot(x, used, color=INK, lw=0.8, label="scan − fit")
    reach = max(_reach(used, band, curves.used), 1e-4)
    reach *= 1.3 if fit.unassigned_bands else 1.0  # room for their labels
    ax.set_xlim(float(x[0]), float(x[-1]))
    ax.set_ylim(-reach, reach)
    for odd in fit.unassigned_bands:
        ax.annotate(
            f"{odd.wavelength:.0f} nm ?",
            (odd.wavelength, 0.97 * reach),
            ha="center",
            va="top",
            fontsize=SMALL,
            color=INK,
        )
    ax.set_xlabel("wavelength (nm)")
    ax.set_ylabel("scan − fit")
    _plain(ax)
    return ax


def _reach(residual: Array, band: Array, used: Mask) -> float:
    known = np.abs(residual[np.isfinite(residual)])
    inside = band[used]
    return 1.15 * max(
        float(np.quantile(known, 0.998)) if known.size else 0.0,
        float(np.quantile(inside, 0.9)) if inside.size else 0.0,
    )


def plot_fit(fit: MixtureFit, axes: Sequence[Axes], *, index: int = 0) -> tuple[Axes, Axes]:
    """Draw a scan with its fit on the first Axes and the residual on the second.

    Returns
    -------
    tuple of matplotlib.axes.Axes
        The two given.
    """
    upper, lower = axes
    plot_scan(fit, upper, index=index)
    plot_residual(fit, lower, index=index)
    upper.set_xlabel("")
    upper.tick_params(labelbottom=False)
    return upper, lower


def fit_figure(
    fit: MixtureFit, *, index: int = 0, width: float = 7.2, height: float = 3.6
) -> Figure:
    """Return a new figure of one scan, its fit and its residual; inches."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height))
    axes = figure.subplots(2, 1, sharex=True, height_ratios=(3.4, 1))
    figure.subplots_adjust(left=0.1, right=0.975, top=0.985, bottom=0.108, hspace=0.07)
    plot_fit(fit, axes, index=index)
    for ax in axes:
        # one fixed place, so that the labels line up and no tick label pushes them out
        ax.yaxis.set_label_coords(-0.085, 0.5)
    return figure


# One tube


def plot_composition(tube: FractionResult, ax: Axes) -> Axes:
    """Draw the share of each pigment of a tube as a bar with its 95 % interval.

    A pigment that was not detected has no bar, only the range it may hide in.

    Parameters
    ----------
    tube : FractionResult
    ax : matplotlib.axes.Axes

    Returns
    -------
    matplotlib.axes.Axes
        The one given.
    """
    lines = [line for line in reported_lines(tube) if line.result.share_mass is not None]
    for row, line in enumerate(lines):
        share, interval = line.result.share_mass, line.result.share_interval
        low, high = interval if interval is not None else (np.nan, np.nan)
        if line.result.detected and share is not None:
            ax.barh(row, PERCENT * share.value, height=0.62, color=line.style.colour, alpha=0.85)
        ax.plot(
            [PERCENT * low, PERCENT * high],
            [row, row],
            color=INK,
            lw=1.1,
            marker="|",
            ms=6,
            mew=1.1,
            ls="-" if line.result.detected else ":",
        )
    ax.set_yticks(range(len(lines)), [line.label for line in lines])
    ax.set_ylim(len(lines) - 0.4, -0.6)
    ax.set_xlim(0, PERCENT)
    ax.set_xlabel("share of pigment by mass (%), 95 % interval")
    _plain(ax)
    ax.tick_params(axis="y", length=0)
    return ax


def composition_figure(tube: FractionResult, *, width: float = 5.0) -> Figure:
    """Return a new figure of a tube's composition; width in inches."""
    from matplotlib.figure import Figure

    lines = reported_lines(tube)
    figure = Figure(figsize=(width, 0.55 + 0.24 * max(1, len(lines))))
    plot_composition(tube, _framed(figure, [line.label for line in lines]))
    return figure


# One run


def balance_rows(balance: Balance) -> tuple[BalanceRow, ...]:
    """Return the rows a balance picture shows.

    Pools, and the pigments that balance by themselves: pheophytin is made from
    chlorophyll on the column, so those two appear as pools only. What was not
    clearly loaded is left out, since a ratio to nothing says nothing.
    """
    pooled = {
        member for row in balance.rows if row.name in POOLS_BY_AMOUNT for member in row.members
    }
    rows = [row for row in balance.rows if row.kind == "pool" or row.name not in pooled]
    if balance.loaded_name is not None:
        return tuple(row for row in rows if row.closure is not None and _clear(row))
    return tuple(row for row in rows if row.found.value > 0)


def _clear(row: BalanceRow) -> bool:
    # below 2 u the loaded amount could be nothing, and a ratio to it says nothing
    loaded = row.loaded
    return loaded is not None and loaded.value > 2 * loaded.uncertainty and loaded.value > 0


def plot_balance(balance: Balance, ax: Axes, *, numbers: Mapping[str, int] | None = None) -> Axes:
    """Draw what was found, tube by tube, against what was loaded.

    One bar a pigment or pool. Its pieces are the numbered tubes; the dashed line is
    all that was loaded; the whisker is the 95 % interval of the sum. Without a
    loaded scan the bars are µg or nmol.

    Parameters
    ----------
    balance : Balance
    ax : matplotlib.axes.Axes
    numbers : mapping of str to int, optional
        Number of each tube by name; counted from 1 by default.

    Returns
    -------
    matplotlib.axes.Axes
        The one given.
    """
    rows = balance_rows(balance)
    relative = balance.loaded_name is not None
    reach = BALANCE_REACH * PERCENT if relative else _longest(rows)
    for at, row in enumerate(rows):
        unit = row.loaded.value / PERCENT if relative and row.loaded is not None else 1.0
        _draw_pieces(ax, at, _pieces(row, unit, numbers), row_colour(row), reach)
        _draw_total(ax, at, row, relative, reach)
    if relative:
        ax.axvline(PERCENT, color=INK, lw=1.0, ls=(0, (4, 2)), zorder=3)
        ax.set_xlabel("found, % of what was loaded")
    else:
        ax.set_xlabel("found (pigments in µg, porphyrin pools in nmol)")
    ax.set_xlim(0, reach)
    ax.set_yticks(range(len(rows)), [row_label(row) for row in rows])
    ax.set_ylim(max(len(rows), 1) - 0.4, -0.6)
    _plain(ax)
    ax.tick_params(axis="y", length=0)
    return ax


def row_label(row: BalanceRow) -> str:
    """Return the short label of a pigment or pool of a balance."""
    if row.kind == "pigment":
        return pigment_style(row.name).label
    return POOL_LABELS.get(row.name, row.name.replace("-", " "))


def row_colour(row: BalanceRow) -> str:
    """Return the colour of a pigment, or of a pool's best-known member."""
    leading = {
        "carotenoids": "lutein",
        "chlorophyll-a-pool": "chlorophyll-a",
        "chlorophyll-b-pool": "chlorophyll-b",
    }
    if row.kind == "pigment":
        return pigment_style(row.name).colour
    return pigment_style(leading[row.name]).colour if row.name in leading else SOFT_INK


def _longest(rows: Sequence[BalanceRow]) -> float:
    ends = [row.found.interval[1] for row in rows if np.isfinite(row.found.interval[1])]
    return 1.1 * max([*ends, *(row.found.value for row in rows), 1e-9])


@dataclass(frozen=True, slots=True)
class _Piece:
    """What one tube holds of a pigment, as a piece of a bar."""

    number: int
    start: float
    length: float
    dark: bool


def _pieces(row: BalanceRow, unit: float, numbers: Mapping[str, int] | None) -> list[_Piece]:
    pieces, start = [], 0.0
    for place, (name, held) in enumerate(row.tubes):
        length = max(held.value, 0.0) / unit if held is not None else 0.0
        number = place + 1 if numbers is None else numbers[name]
        pieces.append(_Piece(number, start, length, place % 2 == 0))
        start += length
    return pieces


def _draw_pieces(ax: Axes, at: int, pieces: Sequence[_Piece], colour: str, reach: float) -> None:
    for piece in pieces:
        shown = min(piece.start + piece.length, reach) - piece.start
        if shown <= 0:
            continue
        ax.barh(
            at,
            shown,
            left=piece.start,
            height=BAR_HEIGHT,
            color=colour,
            alpha=0.92 if piece.dark else 0.55,
            edgecolor=PAPER,
            lw=0.8,
        )
        if shown > NUMBERED_FROM * reach:
            ax.text(
                piece.start + shown / 2,
                at,
                str(piece.number),
                ha="center",
                va="center",
                fontsize=SMALL,
                color=PAPER if piece.dark else INK,
            )


def _draw_total(ax: Axes, at: int, row: BalanceRow, relative: bool, reach: float) -> None:
    total = row.closure if relative and row.closure is not None else row.found
    factor = PERCENT if relative else 1.0
    ends = row.closure_interval if relative and row.closure_interval else total.interval
    low, high = (factor * end for end in ends)
    if factor * total.value > reach:
        ax.annotate(
            f"{factor * total.value:.0f}{' %' if relative else ''} →",
            (0.985 * reach, at),
            ha="right",
            va="center",
            fontsize=SMALL,
            color=INK,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.2},
        )
    elif np.isfinite(low):
        # on the lower edge of the bar, where no number of a tube stands
        edge = at + BAR_HEIGHT / 2
        ax.plot([low, min(high, reach)], [edge, edge], color=INK, lw=1.1, marker="|", ms=6, mew=1.1)


def balance_figure(
    balance: Balance, *, numbers: Mapping[str, int] | None = None, width: float = 7.2
) -> Figure:
    """Return a new figure of a run's balance; width in inches."""
    from matplotlib.figure import Figure

    rows = balance_rows(balance)
    figure = Figure(figsize=(width, 0.6 + 0.27 * max(1, len(rows))))
    plot_balance(balance, _framed(figure, map(row_label, rows)), numbers=numbers)
    return figure


# The column


def plot_elution(profile: Profile, ax: Axes, *, numbers: Mapping[str, int] | None = None) -> Axes:
    """Draw what came off the column against eluted volume, one row a pigment.

    The height of a step is mass per millilitre, so that its area is the mass in the
    tube; each row has its own scale and names the mass of its fullest tube. Whiskers are
    95 % intervals. Hatched is what a band shares with the one that came before it.

    Parameters
    ----------
    profile : Profile
    ax : matplotlib.axes.Axes
    numbers : mapping of str to int, optional
        Number of each tube by name, written above its range; none by default.

    Returns
    -------
    matplotlib.axes.Axes
        The one given.
    """
    before: Array | None = None
    for row, band in enumerate(profile.bands):
        heights, spreads = _heights(band, profile)
        scale = ROW_HEIGHT / max(float(np.nanmax(heights, initial=0.0)), 1e-300)
        style = pigment_style(band.pigment)
        floor = len(profile.bands) - 1.0 - row
        tops = np.nan_to_num(heights) * scale
        _steps(ax, profile, floor, tops, color=style.colour, alpha=0.22, lw=0)
        if before is not None:
            common = np.minimum(tops, before)
            _steps(ax, profile, floor, common, facecolor="none", edgecolor=SOFT_INK, hatch="////")
        outline = np.r_[0.0, np.repeat(tops, 2), 0.0] + floor
        ax.plot(_corners(profile), outline, lw=1.2, **style.line)
        middle = (profile.start + profile.end) / 2
        # whiskers stay in their row: below zero there is nothing, above the row another pigment
        half = NORMAL_95 * spreads * scale
        ends = np.array([np.minimum(half, tops), np.minimum(half, ROW_TOP - tops)])
        ax.errorbar(middle, tops + floor, ends, fmt="none", ecolor=INK, elinewidth=0.9, capsize=2)
        before = tops
    _row_names(ax, profile)
    _tube_numbers(ax, profile, numbers)
    ax.set_xlim(float(profile.start[0]), float(profile.end[-1]))
    ax.set_ylim(-0.08, len(profile.bands) + 0.25)
    ax.set_xlabel("eluted volume (mL)")
    _plain(ax)
    ax.tick_params(axis="y", length=0)
    return ax


def _heights(band: Band, profile: Profile) -> tuple[Array, Array]:
    """Mass per millilitre in each tube with its standard uncertainty; negative ones as 0."""
    widths = profile.end - profile.start
    known = [(np.nan, 0.0) if one is None else (one.value, one.uncertainty) for one in band.masses]
    masses, spreads = np.array(known).T
    return np.maximum(masses, 0.0) / widths, spreads / widths


def _corners(profile: Profile) -> Array:
    edges = np.repeat(np.r_[profile.start, profile.end[-1]], 2)
    return np.asarray(edges, dtype=np.float64)


def _steps(ax: Axes, profile: Profile, floor: float, tops: Array, **style: Any) -> None:
    x = np.c_[profile.start, profile.end].ravel()
    ax.fill_between(x, floor, np.repeat(tops, 2) + floor, linewidth=style.pop("lw", 0), **style)


def _row_names(ax: Axes, profile: Profile) -> None:
    floors, names = [], []
    for row, band in enumerate(profile.bands):
        fullest = max((one for one in band.masses if one is not None), key=lambda one: one.value)
        floors.append(len(profile.bands) - 1.0 - row + 0.3)
        names.append(f"{pigment_style(band.pigment).label}\n{fullest.value:.3g} µg")
    ax.set_yticks(floors, names)


def _tube_numbers(ax: Axes, profile: Profile, numbers: Mapping[str, int] | None) -> None:
    for edge in profile.start[1:]:
        ax.axvline(edge, color=BAND, lw=0.6, zorder=0)
    if numbers is None:
        return
    reach = float(profile.end[-1] - profile.start[0])
    last = -np.inf
    for name, start, end in zip(profile.names, profile.start, profile.end, strict=True):
        if (start + end) / 2 - last > LABEL_DISTANCE * reach:
            last = (start + end) / 2
            place = ((start + end) / 2, len(profile.bands) + 0.18)
            ax.annotate(
                f"tube {numbers[name]}" if end - start > 0.1 * reach else str(numbers[name]),
                place,
                ha="center",
                va="top",
                fontsize=SMALL,
                color=SOFT_INK,
            )


def elution_figure(
    profile: Profile, *, numbers: Mapping[str, int] | None = None, width: float = 7.2
) -> Figure:
    """Return a new figure of an elution profile; width in inches."""
    from matplotlib.figure import Figure

    names = [pigment_style(band.pigment).label for band in profile.bands]
    figure = Figure(figsize=(width, 0.75 + 0.46 * len(profile.bands)))
    plot_elution(profile, _framed(figure, names), numbers=numbers)
    return figure


def plot_pooling(pooling: Pooling, ax: Axes, *, numbers: Mapping[str, int] | None = None) -> Axes:
    """Draw the trade-off between how much and how pure: each point is a pool of tubes.

    No other pool of neighbouring tubes is both purer and larger. Whiskers are 95 %
    intervals, dashed lines the shares that a best pool was sought for.

    Parameters
    ----------
    pooling : Pooling
    ax : matplotlib.axes.Axes
    numbers : mapping of str to int, optional
        Number of each tube by name; counted from 1 in their order by default.

    Returns
    -------
    matplotlib.axes.Axes
        The one given.
    """
    numbers = numbers or {name: at for at, name in enumerate(pooling.order, start=1)}
    style = pigment_style(pooling.target)
    masses = np.array([pool.mass.value for pool in pooling.curve])
    shares = PERCENT * np.array([pool.share.value for pool in pooling.curve])
    ends = PERCENT * np.array([pool.interval for pool in pooling.curve]).reshape(-1, 2)
    for wanted, _ in pooling.best:
        ax.axhline(PERCENT * wanted, color=BAND, lw=0.8, ls=(0, (4, 2)), zorder=0)
    ax.plot(masses, shares, lw=1.0, **style.line)
    ax.errorbar(
        masses,
        shares,
        np.clip(np.abs(ends.T - shares), 0.0, None),
        fmt="o",
        ms=4,
        color=style.colour,
        ecolor=INK,
        elinewidth=0.9,
        capsize=2,
    )
    reach = 1.15 * max(float(np.max(masses, initial=0.0)), 1e-9)
    shown: list[tuple[float, float]] = []
    for at, pool in enumerate(pooling.curve):
        place = (masses[at] / reach, shares[at] / 105)
        if any(_too_near(place, other) for other in shown):
            continue
        shown.append(place)
        ax.annotate(
            pool_label(pool, numbers),
            (masses[at], shares[at]),
            xytext=(6, 3),
            textcoords="offset points",
            fontsize=SMALL,
            color=INK,
        )
    ax.set_ylim(0, 105)
    ax.set_xlim(0, reach)
    ax.set_xlabel(f"{style.label} in the pool (µg)")
    ax.set_ylabel("share of coloured pigment (%)")
    _plain(ax)
    return ax


def _too_near(one: tuple[float, float], other: tuple[float, float]) -> bool:
    """Whether labels at two places, in fractions of the axes, would run into each other."""
    return abs(one[0] - other[0]) < 2 * LABEL_DISTANCE and abs(one[1] - other[1]) < LABEL_DISTANCE


def pool_label(pool: Pool, numbers: Mapping[str, int]) -> str:
    """Return the numbers of a pool's tubes: "2", or "2 to 5"."""
    first, last = numbers[pool.names[0]], numbers[pool.names[-1]]
    return str(first) if first == last else f"{first} to {last}"


def pooling_figure(
    pooling: Pooling, *, numbers: Mapping[str, int] | None = None, width: float = 5.0
) -> Figure:
    """Return a new figure of the trade-off of mass and share; width in inches."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, 2.9))
    # the turned title beside the numbers of the axis takes the room of four letters
    plot_pooling(pooling, _framed(figure, ["100" + 4 * " "]), numbers=numbers)
    return figure


def plot_reference(entry: PigmentReference, ax: Axes) -> Axes:
    """Draw the specific absorptivity of one reference, with its bands and shape error.

    Parameters
    ----------
    entry : PigmentReference
    ax : matplotlib.axes.Axes

    Returns
    -------
    matplotlib.axes.Axes
        The one given.
    """
    end = entry.valid_to if np.isfinite(entry.valid_to) else REFERENCE_END_NM
    wavelength = np.arange(entry.valid_from, end + 0.25, 0.5)
    curve = entry.specific_absorptivity(wavelength)
    style = pigment_style(entry.pigment)
    for centre, height, width in zip(entry.centre, entry.height, entry.width, strict=True):
        band = entry.scale * height * np.exp(-0.5 * ((wavelength - centre) / width) ** 2)
        ax.plot(wavelength, band, color=SOFT_INK, lw=0.6, ls=(0, (1, 2)))
    ax.fill_between(
        wavelength,
        curve * (1 - 2 * entry.shape_error),
        curve * (1 + 2 * entry.shape_error),
        color=style.colour,
        alpha=0.25,
        lw=0,
        label="shape, ± 2 standard uncertainties",
    )
    ax.plot(wavelength, curve, lw=1.3, label=f"{style.label}, {entry.grade}", **style.line)
    ax.set_xlim(float(wavelength[0]), float(wavelength[-1]))
    ax.set_ylim(0, None)
    ax.set_xlabel("wavelength (nm)")
    ax.set_ylabel("specific absorptivity (L g$^{-1}$ cm$^{-1}$)")
    ax.legend(frameon=False, fontsize="small")
    _plain(ax)
    return ax


def reference_figure(entry: PigmentReference) -> Figure:
    """Return a figure of one reference."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(6.5, 3.6), layout="constrained")
    ax = figure.add_subplot()
    plot_reference(entry, ax)
    ax.set_title(f"{pigment_style(entry.pigment).label} in {entry.solvent}", fontsize="medium")
    return figure


def _framed(figure: Figure, labels: Iterable[str]) -> Axes:
    """Return the one Axes of a figure, with room for its labels on the left.

    A layout engine would draw everything twice more to find as much.
    """
    width, height = figure.get_size_inches()
    longest = max((len(label) for label in labels), default=0)
    left = (LETTER * SMALL * longest + 12) / POINTS
    box = (left, FRAME_BELOW, width - left - FRAME_RIGHT, height - FRAME_BELOW - FRAME_ABOVE)
    return figure.add_axes(tuple(np.array(box) / (width, height, width, height)))


def _plain(ax: Axes) -> None:
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(SOFT_INK)
        ax.spines[side].set_linewidth(0.7)
    ax.tick_params(colors=SOFT_INK, labelcolor=INK, labelsize=SMALL, length=3, width=0.7)
    ax.xaxis.label.set(fontsize=NORMAL, color=INK)
    ax.yaxis.label.set(fontsize=NORMAL, color=INK)
