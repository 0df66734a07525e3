"""Rebuild the band tables of the library from measured spectra and published values.

    python -m specfrac.references.build SPECTRA_FOLDER [--library FOLDER]

Cells graded "measured" and "band model" are fitted to the spectra that
``spectra.csv`` names; all others are moved from another solvent by
`adapted_shape` as ``recipes.csv`` says. The result is ``bands.csv``, ``cells.csv``,
``leave_one_out.csv`` and ``fits.csv``, each written whole. Without a spectra folder the
fitted bands are kept and only the adapted cells are made again.
"""

from __future__ import annotations

import argparse
import csv
import io
import math
import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from specfrac.bands import BandFit, gaussian_bands
from specfrac.errors import InputError, SpecfracError
from specfrac.references import load_facts, load_references, read_table
from specfrac.references.shapes import (
    Flank,
    Maxima,
    Shape,
    adapted_shape,
    find_maxima,
    fit_shape_bands,
    flank_height,
    shape_from_fit,
    shape_maxima,
    smoothed,
)

Array = NDArray[np.float64]
Pair = tuple[str, str]

ESTIMATE_UNCERTAINTY = 0.20
# Published %III/II are given to about 5 points; only what exceeds that changes a shape.
FINE_STRUCTURE_TOLERANCE = 5.0
# Published heights of a red flank scatter by 0.025 between sets of equations for one solvent (a
# test holds this), their mean by about half of that, and 1 nm of the maximum is worth as much.
FLANK_TOLERANCE = 0.02
FEWEST_FLANKS = 2  # one set alone may hold a slip
RED_FROM = 640.0  # nm, beyond which an equation reads the red bands of chlorophyll types
FLANK_REACH = 1.5  # nm, between a set's own wavelength and the published maximum


@dataclass(frozen=True, slots=True, eq=False)
class FittedSpectrum:
    """A spectrum of the folder and the shape fitted to it.

    Attributes
    ----------
    row : mapping
        Its row of ``spectra.csv``.
    fit : BandFit
    shape : Shape
    measured, fitted : Maxima
        Of the file and of the shape.
    """

    row: Mapping[str, str]
    fit: BandFit
    shape: Shape
    measured: Maxima
    fitted: Maxima


def read_spectrum(path: Path) -> tuple[Array, Array]:
    """Read a two-column spectrum with ``#`` comments and one header line.

    Returns
    -------
    wavelength, values : ndarray, shape (n_points,)

    Raises
    ------
    InputError
        If the file is missing or holds anything but two columns of numbers.
    """
    try:
        lines = [line for line in path.read_text("utf-8").splitlines() if line[:1] != "#"]
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}).") from error
    try:
        columns = np.array([[float(cell) for cell in line.split(",")] for line in lines[1:]]).T
        wavelength, values = columns
    except ValueError as error:
        raise InputError(f"{path}: not two columns of numbers ({error}).") from error
    return wavelength, values


def prepared_spectrum(path: Path, row: Mapping[str, str]) -> tuple[Array, Array]:
    """Read a spectrum, remove its long-wavelength offset, cut its range, scale to 1.

    Parameters
    ----------
    path : Path
    row : mapping
        Row of ``spectra.csv``.
    """
    wavelength, values = read_spectrum(path)
    if row["offset_from_nm"]:
        low, high = float(row["offset_from_nm"]), float(row["offset_to_nm"])
        values = values - values[(wavelength >= low) & (wavelength <= high)].mean()
    used = (wavelength >= float(row["from_nm"])) & (wavelength <= float(row["to_nm"]))
    return wavelength[used], values[used] / values[used].max()


def fit_spectrum(folder: Path, row: Mapping[str, str], *, chlorophyll_type: bool) -> FittedSpectrum:
    """Fit the bands of one spectrum of the folder."""
    wavelength, values = prepared_spectrum(folder / row["file"], row)
    fit = fit_shape_bands(wavelength, values)
    shape = shape_from_fit(
        fit,
        chlorophyll_type=chlorophyll_type,
        valid_from=float(row["from_nm"]),
        valid_to=float(row["to_nm"]),
    )
    measured = find_maxima(
        wavelength, smoothed(wavelength, values), chlorophyll_type=chlorophyll_type
    )
    return FittedSpectrum(row, fit, shape, measured, shape_maxima(shape))


def published_maxima(pigment: str, solvent: str, *, chlorophyll_type: bool) -> Maxima:
    """Return the published maxima of a pigment that serve as a target."""
    bands = ("Soret", "Qy", "Soret/Qy") if chlorophyll_type else ("II", "III", "III")
    values = {}
    for row in read_table("maxima.csv").rows:
        if (row["pigment"], row["solvent"], row["target"]) == (pigment, solvent, "yes"):
            values[row["band"]] = row
    main, second, ratio = (values.get(band, {}) for band in bands)
    return Maxima(
        _float(main.get("wavelength_nm")),
        _float(second.get("wavelength_nm")),
        _float(ratio.get("ratio_value")),
    )


def _float(text: str | None) -> float:
    return float(text) if text else math.nan


def recommended_absorptivity(pigment: str, solvent: str) -> tuple[float, float, tuple[str, ...]]:
    """Return specific absorptivity, relative uncertainty and sources.

    Several recommended rows are averaged.

    Raises
    ------
    InputError
        If no row is recommended.
    """
    molar_mass = load_facts()[0][pigment].molar_mass
    rows = [
        row
        for row in read_table("absorptivities.csv").rows
        if (row["pigment"], row["solvent"], row["recommended"]) == (pigment, solvent, "yes")
    ]
    if not rows:
        raise InputError(f"absorptivities.csv: no recommended row for {pigment} in {solvent}.")
    per_unit = {"A1%1cm": 0.1, "L g-1 cm-1": 1.0, "L mol-1 cm-1": 1 / molar_mass}
    values = [float(row["value"]) * per_unit[row["unit"]] for row in rows]
    sources = dict.fromkeys(key for row in rows for key in row["source"].split("|"))
    return float(np.mean(values)), max(float(row["u_relative"]) for row in rows), tuple(sources)


def _scale(recipe: Mapping[str, str], shape: Shape) -> tuple[float, float, tuple[str, ...]]:
    """Scale of a cell at the main maximum of its shape.

    A published absorptivity is read at the maximum of a band, so it belongs to the maximum of
    the shape even where that lies up to 2.5 nm from the wavelength in print: band II of a
    carotenoid, the red maximum of a chlorophyll type.
    """
    pigments = load_facts()[0]
    owner = recipe["scale_pigment"]
    value, uncertainty, sources = recommended_absorptivity(owner, recipe["scale_solvent"])
    value *= pigments[owner].molar_mass / pigments[recipe["pigment"]].molar_mass
    if recipe["grade"] == "estimate":
        uncertainty = ESTIMATE_UNCERTAINTY
    else:
        uncertainty = math.hypot(uncertainty, float(recipe["transfer"] or 0.0))
    if "red" in shape.region:
        value /= float(shape([shape_maxima(shape).second])[0])
    return value, uncertainty, sources


@dataclass(frozen=True, slots=True, eq=False)
class BuiltCell:
    """One cell of the library, ready to be written."""

    recipe: Mapping[str, str]
    shape: Shape | None
    scale: float
    scale_uncertainty: float
    shape_error: float
    bandwidth: float
    sources: tuple[str, ...]


def build_cells(fitted: Mapping[Pair, FittedShape]) -> list[BuiltCell]:
    """Make every cell of ``recipes.csv``, given the fitted ones.

    Parameters
    ----------
    fitted : mapping of (pigment, solvent) to FittedShape

    Raises
    ------
    InputError
        If a recipe starts from a cell that no built-in spectrum gives.
    """
    recipes = read_table("recipes.csv").rows
    cells: dict[Pair, BuiltCell] = {}
    # a pigment that moves as a relative does needs the relative's cells first
    for recipe in sorted(recipes, key=_follows_relative):
        cells[recipe["pigment"], recipe["solvent"]] = _built(recipe, fitted, cells)
    return [cells[recipe["pigment"], recipe["solvent"]] for recipe in recipes]


def _follows_relative(recipe: Mapping[str, str]) -> bool:
    return recipe["maxima_pigment"] not in ("", recipe["pigment"])


@dataclass(frozen=True, slots=True, eq=False)
class FittedShape:
    """A fitted shape with what its spectrum says of it."""

    shape: Shape
    shape_error: float
    bandwidth: float
    source: str


def _built(
    recipe: Mapping[str, str], fitted: Mapping[Pair, FittedShape], cells: Mapping[Pair, BuiltCell]
) -> BuiltCell:
    if recipe["grade"] == "none":
        return BuiltCell(recipe, None, math.nan, math.nan, math.nan, math.nan, ())
    pair = (recipe["pigment"], recipe["from_solvent"] or recipe["solvent"])
    if pair not in fitted:
        raise InputError(
            f"recipes.csv: {recipe['pigment']} in {recipe['solvent']} is made from {pair[1]}, "
            "but spectra.csv has no built-in spectrum there."
        )
    base = fitted[pair]
    shape, sources = base.shape, [base.source]
    if recipe["maxima_solvent"]:
        if _follows_relative(recipe):
            target = relative_target(recipe, shape, cells)
        else:
            target = published_target(recipe, shape)
        shape, flank_sources = moved_shape(recipe, shape, target)
        sources += _maxima_sources(recipe["maxima_pigment"], recipe["maxima_solvent"])
        sources += flank_sources
    scale, uncertainty, scale_sources = _scale(recipe, shape)
    error = recipe["shape_error"]
    return BuiltCell(
        recipe,
        shape,
        scale,
        uncertainty,
        float(error) if error else base.shape_error,
        base.bandwidth,
        tuple(dict.fromkeys([*sources, *scale_sources])),
    )


def published_target(recipe: Mapping[str, str], shape: Shape) -> Maxima:
    """Return where a shape goes by the published values of the pigment itself.

    Published %III/II of one pigment in one solvent differ between sources by more than
    a solvent changes them (the measured spectra lie 4 to 12 points above the handbook), so the
    *change* of the published value between the two solvents is applied, as far
    as it exceeds `FINE_STRUCTURE_TOLERANCE`.

    Parameters
    ----------
    recipe : mapping
        With ``from_solvent``, ``maxima_pigment`` and ``maxima_solvent``.
    shape : Shape
        The source.
    """
    owner, chlorophyll_type = recipe["maxima_pigment"], "red" in shape.region
    there = published_maxima(owner, recipe["maxima_solvent"], chlorophyll_type=chlorophyll_type)
    if chlorophyll_type:
        return there
    here = published_maxima(owner, recipe["from_solvent"], chlorophyll_type=False)
    change = there.ratio - here.ratio
    if not abs(change) > FINE_STRUCTURE_TOLERANCE:
        return replace(there, ratio=math.nan)
    excess = change - math.copysign(FINE_STRUCTURE_TOLERANCE, change)
    return replace(there, ratio=shape_maxima(shape).ratio + excess)


def published_flanks(pigment: str, solvent: str, red: float) -> list[tuple[Flank, str]]:
    """Return the heights of a red flank behind published equations, each with its source.

    Simultaneous equations hold the absorptivity of each chlorophyll at its own red maximum
    and at that of the other. Sets read further than `FLANK_REACH` from the maximum are left out:
    there the ratio says more of the place than of the breadth.

    Parameters
    ----------
    pigment, solvent : str
    red : float
        nm, published red maximum.
    """
    sets: dict[str, list[Mapping[str, str]]] = {}
    for row in read_table("absorptivities.csv").rows:
        if (row["pigment"], row["solvent"], row["kind"]) == (pigment, solvent, "equation"):
            sets.setdefault(row["locator"], []).append(row)
    found = []
    for rows in sets.values():
        places = [float(row["wavelength_nm"]) for row in rows]
        values = [float(row["value"]) for row in rows]
        top = max(range(len(rows)), key=lambda at: values[at] if places[at] > RED_FROM else 0.0)
        if not abs(places[top] - red) <= FLANK_REACH:
            continue
        found += [
            (Flank(place - places[top], value / values[top]), rows[top]["source"])
            for place, value in zip(places, values, strict=True)
            if place > RED_FROM and place != places[top]
        ]
    return found


def moved_shape(
    recipe: Mapping[str, str], source: Shape, target: Maxima
) -> tuple[Shape, list[str]]:
    """Return a shape moved as a recipe says, and the sources of its breadth.

    The breadth of a chlorophyll type follows the mean height of its red flank in the published
    equations of the target solvent, as far as it exceeds `FLANK_TOLERANCE`.

    Parameters
    ----------
    recipe : mapping
        With ``maxima_pigment`` and ``maxima_solvent``.
    source : Shape
    target : Maxima
    """
    shape = adapted_shape(source, target)
    known = published_flanks(recipe["maxima_pigment"], recipe["maxima_solvent"], target.second)
    if "red" not in source.region or len(known) < FEWEST_FLANKS:
        return shape, []
    distance = float(np.mean([flank.distance for flank, _ in known]))
    now = flank_height(shape, distance)
    change = float(np.mean([flank.height for flank, _ in known])) - now
    if not abs(change) > FLANK_TOLERANCE:
        return shape, []
    wanted = Flank(distance, now + change - math.copysign(FLANK_TOLERANCE, change))
    return adapted_shape(source, target, wanted), [source for _, source in known]


def relative_target(
    recipe: Mapping[str, str], shape: Shape, cells: Mapping[Pair, BuiltCell]
) -> Maxima:
    """Return where a shape goes when it moves as a relative's shape does in the library.

    A relative of the same chromophore gives its ratio of Soret to red as well.
    """
    owner = recipe["maxima_pigment"]
    here = _maxima_of(cells[owner, recipe["from_solvent"]])
    there = _maxima_of(cells[owner, recipe["maxima_solvent"]])
    now = shape_maxima(shape)
    ratio = now.ratio * there.ratio / here.ratio if "red" in shape.region else math.nan
    return Maxima(now.main + there.main - here.main, now.second + there.second - here.second, ratio)


def _maxima_of(cell: BuiltCell) -> Maxima:
    if cell.shape is None:
        raise InputError(
            f"recipes.csv: {cell.recipe['pigment']} in {cell.recipe['solvent']} is graded none, "
            "so no other pigment can follow it."
        )
    return shape_maxima(cell.shape)


def _maxima_sources(pigment: str, solvent: str) -> list[str]:
    rows = read_table("maxima.csv").rows
    return [
        key
        for row in rows
        if (row["pigment"], row["solvent"], row["target"]) == (pigment, solvent, "yes")
        for key in row["source"].split("|")
        if key
    ]


def fit_folder(folder: Path) -> list[FittedSpectrum]:
    """Fit every spectrum that ``spectra.csv`` names.

    Raises
    ------
    InputError
        If a file is missing.
    """
    pigments = load_facts()[0]
    return [
        fit_spectrum(folder, row, chlorophyll_type=is_chlorophyll_type(pigments[row["pigment"]]))
        for row in read_table("spectra.csv").rows
    ]


def is_chlorophyll_type(pigment: Any) -> bool:
    """True for chlorophylls, pheophytins and pheophorbides."""
    return pigment.group in ("chlorophyll", "pheophytin")


def fitted_shapes(spectra: Iterable[FittedSpectrum]) -> dict[Pair, FittedShape]:
    """Return the built-in shapes among fitted spectra."""
    datasets = {row["dataset"]: row for row in read_table("datasets.csv").rows}
    shapes = {}
    for spectrum in spectra:
        row = spectrum.row
        if row["role"] == "built-in":
            dataset = datasets[row["dataset"]]
            shapes[row["pigment"], row["solvent"]] = FittedShape(
                _as_stored(spectrum.shape),
                float(row["shape_error"]),
                float(dataset["bandwidth_nm"]),
                dataset["source"],
            )
    return shapes


def _as_stored(shape: Shape) -> Shape:
    """Round as the table does, so that a build from the table gives the same adapted cells."""
    rows = [tuple(map(float, numbers)) for *numbers, _ in _band_rows(shape)]
    centre, height, width = np.array(rows).T
    return replace(shape, centre=centre, height=height, width=width)


def stored_shapes() -> dict[Pair, FittedShape]:
    """Return the fitted shapes as the library holds them."""
    library = load_references()
    datasets = {row["dataset"]: row for row in read_table("datasets.csv").rows}
    shapes = {}
    for row in read_table("spectra.csv").rows:
        if row["role"] == "built-in":
            entry = library.cell(row["pigment"], row["solvent"])
            shape = Shape(
                entry.centre, entry.height, entry.width, entry.region,
                entry.valid_from, entry.valid_to,
            )  # fmt: skip
            dataset = datasets[row["dataset"]]
            shapes[row["pigment"], row["solvent"]] = FittedShape(
                shape,
                float(row["shape_error"]),
                float(dataset["bandwidth_nm"]),
                dataset["source"],
            )
    return shapes


@dataclass(frozen=True, slots=True)
class LeaveOneOut:
    """How well a shape adapted from one solvent meets the one known in another.

    Attributes
    ----------
    pigment, from_solvent, to_solvent : str
    rms : float
        Relative to the maximum, with scale and the shifts of the groups free.
    rms_breadth : float
        With the breadth free besides.
    shifts : tuple of float
        nm, of the whole shape, or of its Soret and red regions.
    """

    pigment: str
    from_solvent: str
    to_solvent: str
    rms: float
    rms_breadth: float
    shifts: tuple[float, ...]


def leave_one_out(shapes: Mapping[Pair, FittedShape]) -> list[LeaveOneOut]:
    """Adapt every shape known in two solvents from each to the other, and compare.

    The residual is what the fit of a scan would meet: it lets the scale and the shift of
    each group of bands go free.
    """
    pairs = [
        (pigment, start, end)
        for pigment, start in shapes
        for other, end in shapes
        if pigment == other and start != end
    ]
    return [_left_out(shapes, *pair) for pair in pairs]


def _left_out(
    shapes: Mapping[Pair, FittedShape], pigment: str, start: str, end: str
) -> LeaveOneOut:
    source, truth = shapes[pigment, start].shape, shapes[pigment, end].shape
    recipe = {
        "from_solvent": start,
        "maxima_pigment": pigment,
        "maxima_solvent": end,
    }
    adapted, _ = moved_shape(recipe, source, published_target(recipe, source))
    red = 700.0 if "red" in adapted.region else 580.0
    grid = np.arange(max(adapted.valid_from, truth.valid_from), red)
    rms, shifts = _free_fit(adapted, grid, truth(grid), breadth=False)
    rms_breadth, _ = _free_fit(adapted, grid, truth(grid), breadth=True)
    return LeaveOneOut(pigment, start, end, rms, rms_breadth, shifts)


def _free_fit(
    shape: Shape, grid: Array, truth: Array, *, breadth: bool
) -> tuple[float, tuple[float, ...]]:
    from scipy.optimize import least_squares

    regions = list(dict.fromkeys(shape.region))
    of_band = np.array([regions.index(region) for region in shape.region])
    n_shifts = len(regions)

    def residual(x: Array) -> Array:
        variance = x[1 + n_shifts] if breadth else 0.0
        width = np.sqrt(np.maximum(shape.width**2 + variance, 1.0))
        height = shape.height * shape.width / width
        centre = shape.centre + x[1 : 1 + n_shifts][of_band]
        return x[0] * gaussian_bands(grid, centre, height, width) - truth

    found = least_squares(residual, np.array([1.0] + [0.0] * (n_shifts + breadth)))
    rms = float(np.sqrt(np.mean(found.fun**2)) / truth.max())
    return rms, tuple(float(shift) for shift in found.x[1 : 1 + n_shifts])


def write_tables(
    cells: Sequence[BuiltCell],
    left_out: Sequence[LeaveOneOut],
    spectra: Sequence[FittedSpectrum],
    folder: Path,
) -> None:
    """Write the tables that are computed; ``fits.csv`` only when spectra were fitted."""
    heading = read_table("recipes.csv").heading.split(")")[0] + ")"
    bands = [
        [cell.recipe["pigment"], cell.recipe["solvent"], *numbers, region]
        for cell in cells
        if cell.shape is not None
        for *numbers, region in _band_rows(cell.shape)
    ]
    _write(
        folder / "bands.csv",
        f"{heading} bands of each shape, h exp(-(x - centre)^2 / (2 width^2)); written by "
        "specfrac.references.build",
        ["pigment", "solvent", "centre_nm", "height", "width_nm", "region"],
        bands,
    )
    _write(
        folder / "cells.csv",
        f"{heading} written by specfrac.references.build from recipes.csv",
        CELL_COLUMNS,
        [_cell_row(cell) for cell in cells],
    )
    _write(
        folder / "leave_one_out.csv",
        f"{heading} shapes adapted from one solvent against those known in the other, rms in "
        "percent of the maximum; written by specfrac.references.build",
        [
            "pigment",
            "from_solvent",
            "to_solvent",
            "rms_percent",
            "rms_breadth_percent",
            "shifts_nm",
        ],
        [_leave_one_out_row(item) for item in left_out],
    )
    if spectra:
        _write(
            folder / "fits.csv",
            f"{heading} quality of the fits; written by specfrac.references.build",
            FIT_COLUMNS,
            [_fit_row(spectrum) for spectrum in spectra],
        )


CELL_COLUMNS = [
    "pigment", "solvent", "grade", "shape_error", "scale_L_per_g_cm", "scale_uncertainty",
    "valid_from_nm", "valid_to_nm", "bandwidth_nm", "for_mass", "reason", "sources",
]  # fmt: skip
FIT_COLUMNS = [
    "pigment", "solvent", "dataset", "n_bands", "rms_percent", "largest_percent",
    "main_file_nm", "main_nm", "second_file_nm", "second_nm", "ratio_file", "ratio",
]  # fmt: skip


def _band_rows(shape: Shape) -> Iterable[tuple[str, str, str, str]]:
    for c, h, w, region in zip(shape.centre, shape.height, shape.width, shape.region, strict=True):
        yield f"{c:.3f}", f"{h:.6f}", f"{w:.4f}", region


def _cell_row(cell: BuiltCell) -> list[str]:
    recipe, shape = cell.recipe, cell.shape
    if shape is None:
        blanks = [""] * 6
        return [
            recipe["pigment"], recipe["solvent"], "none", *blanks, "no", recipe["reason"], "",
        ]  # fmt: skip
    return [
        recipe["pigment"],
        recipe["solvent"],
        recipe["grade"],
        f"{cell.shape_error:g}",
        f"{cell.scale:.2f}",
        f"{cell.scale_uncertainty:.4f}",
        f"{shape.valid_from:g}",
        f"{shape.valid_to:g}",
        f"{cell.bandwidth:g}",
        recipe["for_mass"],
        recipe["reason"],
        "|".join(cell.sources),
    ]


def _leave_one_out_row(item: LeaveOneOut) -> list[str]:
    return [
        item.pigment,
        item.from_solvent,
        item.to_solvent,
        f"{100 * item.rms:.2f}",
        f"{100 * item.rms_breadth:.2f}",
        "|".join(f"{shift:.2f}" for shift in item.shifts),
    ]


def _fit_row(spectrum: FittedSpectrum) -> list[str]:
    row, measured, fitted = spectrum.row, spectrum.measured, spectrum.fitted
    residual = spectrum.fit.residual
    return [
        row["pigment"],
        row["solvent"],
        row["dataset"],
        str(len(spectrum.shape.centre)),
        f"{100 * spectrum.fit.relative_rms:.3f}",
        f"{100 * float(np.abs(residual).max()):.2f}",
        *(
            f"{value:.2f}"
            for pair in (
                (measured.main, fitted.main),
                (measured.second, fitted.second),
                (measured.ratio, fitted.ratio),
            )
            for value in pair
        ),
    ]


def _write(path: Path, heading: str, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    text = io.StringIO()
    text.write(f"# {heading}\n")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    temporary = path.with_name(path.name + ".part")
    temporary.write_text(text.getvalue(), encoding="utf-8")
    os.replace(temporary, path)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the build from the command line; return the exit status."""
    from importlib import resources

    parser = argparse.ArgumentParser(
        prog="python -m specfrac.references.build", description=__doc__.splitlines()[0]
    )
    parser.add_argument("spectra", nargs="?", type=Path, help="folder of the measured spectra")
    parser.add_argument("--library", type=Path, help="where to write the tables")
    options = parser.parse_args(arguments)
    library = options.library or Path(str(resources.files("specfrac.reference_spectra")))
    try:
        spectra = fit_folder(options.spectra) if options.spectra else []
        shapes = fitted_shapes(spectra) if spectra else stored_shapes()
        write_tables(build_cells(shapes), leave_one_out(shapes), spectra, library)
    except SpecfracError as error:
        print(error, file=sys.stderr)
        return 1
    for spectrum in spectra:
        print(*_fit_row(spectrum), sep="\t")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
