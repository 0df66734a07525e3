"""From blocks to scans: order, repeats, quantity, names.

All checks run on whole blocks, so a thousand samples cost little more than one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from specfrac.errors import ScanFileError
from specfrac.flags import Flag
from specfrac.loading.blocks import FEWEST_POINTS, Block
from specfrac.loading.content import FileContent
from specfrac.loading.faults import tamed
from specfrac.loading.ordinate import Ordinate, conversion_flags, decide, to_absorbance
from specfrac.scans import Scan

REPEAT_TOLERANCE = 0.01
"""A; readings at a repeated wavelength must agree within it to be averaged."""
STRAY_STEP = 20.0
"""A first or last point this many steps away from the rest is no part of the scan."""
CEILING = 2.0
"""A; a repeated highest reading below it is no instrument's end of range."""
_LONGEST_NAME = 200


@dataclass(frozen=True, slots=True)
class _Shared:
    """What holds for all scans of a file."""

    metadata: Mapping[str, Any]
    flags: tuple[Flag, ...]


def assemble(
    content: FileContent,
    blocks: Sequence[Block],
    metadata: Mapping[str, Any],
    *,
    preamble: str | None = None,
    flags: tuple[Flag, ...] = (),
) -> tuple[Scan, ...]:
    """Turn blocks into scans.

    Parameters
    ----------
    content : FileContent
    blocks : sequence of Block
    metadata : mapping
        What holds for the whole file.
    preamble : str or None
        The quantity named outside the columns' headings.
    flags : tuple of Flag
        What holds for the whole file.

    Raises
    ------
    ScanFileError
        If a block breaks a rule.
    """
    ordinates = decide(blocks, preamble, content.quantity, content.name)
    names = _names(blocks, content.stem)
    shared = _Shared(metadata, flags)
    scans: list[Scan] = []
    for block, kinds in zip(blocks, ordinates, strict=True):
        own = names[len(scans) : len(scans) + len(block.names)]
        scans.extend(_scans_of(content, block, kinds, own, shared))
    return tuple(scans)


def name_of(name: str, stem: str) -> str:
    """Return the name of a file's only scan: the file's where it has none of its own."""
    return tamed(name, _LONGEST_NAME) or stem


def _names(blocks: Sequence[Block], stem: str) -> list[str]:
    """Name the unnamed after the file, and tell repeated names apart."""
    given = [tamed(name, _LONGEST_NAME) for block in blocks for name in block.names]
    if len(given) == 1:
        return [name_of(given[0], stem)]
    names = [name or f"{stem} {i}" for i, name in enumerate(given, start=1)]
    if len(set(names)) == len(names):
        return names
    seen: dict[str, int] = {}
    taken = set(names)
    unique = []
    for name in names:
        seen[name] = seen.get(name, 0) + 1
        new = name
        while seen[name] > 1 and new in taken:
            new = f"{name} ({seen[name]})"
            seen[name] += new in taken
        taken.add(new)
        unique.append(new)
    return unique


def _scans_of(
    content: FileContent,
    block: Block,
    ordinates: Sequence[Ordinate],
    names: Sequence[str],
    shared: _Shared,
) -> list[Scan]:
    file = content.name
    _refuse_short(file, block, block.wavelength.size)
    points = _in_order(file, block)
    wavelength, flags = points.wavelength, (*points.flags, *shared.flags)
    one = ordinates[0] if ordinates.count(ordinates[0]) == len(ordinates) else None
    if one is not None and one.quantity == "absorbance":
        absorbance = points.values
        flags = (*conversion_flags(absorbance, one), *flags)
    else:
        one = None
        pairs = zip(points.values, ordinates, strict=True)
        absorbance = np.stack([to_absorbance(values, o.quantity) for values, o in pairs])
    if points.repeats:
        wavelength, absorbance, repeats = _without_repeats(file, wavelength, absorbance, names)
        flags = (*flags, repeats)
        _refuse_short(file, block, wavelength.size)
    wavelength = np.array(wavelength)  # the table it is a column of may be large
    tops = np.fmax.reduce(absorbance, axis=1).tolist()
    special = bool(block.flags) or one is None or not max(tops) < CEILING
    place_word = "column" if block.point_word == "row" else "row"
    scans: list[Scan] = []
    for i, name in enumerate(names):
        own = flags
        if special:
            _refuse_all_missing(file, name, tops[i])
            own = _own_flags(block, i, None if one else ordinates[i], points.values[i], flags)
            own = (*own, *_ceiling_flags(wavelength, absorbance[i], tops[i]))
        told = {**shared.metadata, **block.metadata[i]} if block.metadata else {**shared.metadata}
        told["heading"] = block.headings[i]
        told["quantity"] = ordinates[i].quantity
        told["quantity_source"] = ordinates[i].source
        if block.places:
            told[place_word] = block.places[i]
        scans.append(Scan.of_checked(name, wavelength, absorbance[i], told, own))
    return scans


def _own_flags(
    block: Block,
    i: int,
    ordinate: Ordinate | None,
    values: NDArray[np.float64],
    shared: tuple[Flag, ...],
) -> tuple[Flag, ...]:
    converted = () if ordinate is None else conversion_flags(values, ordinate)
    return (*converted, *shared, *(block.flags[i] if block.flags else ()))


def _refuse_short(file: str, block: Block, n_points: int) -> None:
    if n_points < FEWEST_POINTS:
        name = next((name for name in block.names if name), "")
        which = f", {name!r}" if name else ""
        raise ScanFileError(
            f"{file}{which}: {n_points} points, but a scan needs at least {FEWEST_POINTS}. "
            "Export the whole scan, at a step of 1 nm or less."
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Points:
    """Wavelengths that do not fall, and the values with them."""

    wavelength: NDArray[np.float64]
    values: NDArray[np.float64]
    repeats: bool
    flags: tuple[Flag, ...] = ()


def _in_order(file: str, block: Block) -> _Points:
    wavelength, values = block.wavelength, block.values
    steps = wavelength[1:] - wavelength[:-1]
    smallest, largest = float(np.minimum.reduce(steps)), float(np.maximum.reduce(steps))
    if smallest >= 0 or largest <= 0:
        even = 0 < max(smallest, -largest) * STRAY_STEP >= max(largest, -smallest)
        if not even:
            _refuse_stray_ends(file, block, steps)
        repeats = 0 in (smallest, largest)
        if smallest >= 0:
            return _Points(wavelength, values, repeats)
        ends = f"{wavelength[0]:g} to {wavelength[-1]:g} nm"
        message = f"the file runs from {ends}; the scan was turned round"
        turned = np.ascontiguousarray(values[:, ::-1])
        flag = Flag("descending-wavelength", message)
        return _Points(wavelength[::-1], turned, repeats, (flag,))
    _refuse_one_out_of_order(file, block, steps)
    order = np.argsort(wavelength, kind="stable")
    turn = int(np.flatnonzero(np.sign(steps) != np.sign(np.median(steps)))[0])
    message = (
        f"wavelength {wavelength[turn + 1]:g} nm follows {wavelength[turn]:g} nm in "
        f"{block.point_word} {block.points[turn + 1]}; the points were sorted"
    )
    wavelength = wavelength[order]
    repeats = bool((wavelength[1:] == wavelength[:-1]).any())
    return _Points(wavelength, values[:, order], repeats, (Flag("unsorted-wavelength", message),))


def _refuse_stray_ends(file: str, block: Block, steps: NDArray[np.float64]) -> None:
    """A first row such as "200, 1" above a scan from 350 nm is a setting, not a point."""
    size = np.abs(steps)
    if size.size < 3:
        return
    typical = float(np.median(size))
    for end, neighbour, point in ((0, 1, 0), (-1, -2, -1)):
        if size[end] > STRAY_STEP * max(typical, size[neighbour]) > 0:
            _refuse_stray(file, block, point)


def _refuse_one_out_of_order(file: str, block: Block, steps: NDArray[np.float64]) -> None:
    """All in order but for a first or last point out of range: that one does not belong."""
    if steps.size < FEWEST_POINTS - 1:
        return
    for point, others in ((0, slice(1, None)), (-1, slice(None, -1))):
        inner, rest = steps[others], block.wavelength[others]
        ordered = (inner > 0).all() or (inner < 0).all()
        if ordered and not rest.min() <= block.wavelength[point] <= rest.max():
            _refuse_stray(file, block, point)


def _refuse_stray(file: str, block: Block, point: int) -> None:
    raise ScanFileError(
        f"{file}, {block.point_word} {block.points[point]}: wavelength "
        f"{block.wavelength[point]:g} nm stands apart from the rest of the scan, as a setting "
        "among the data would. Delete it or mark it as a comment with '#'."
    )


def _without_repeats(
    file: str,
    wavelength: NDArray[np.float64],
    absorbance: NDArray[np.float64],
    names: Sequence[str],
) -> tuple[NDArray[np.float64], NDArray[np.float64], Flag]:
    """Average readings at one wavelength when they agree, refuse them when they do not."""
    unique, first = np.unique(wavelength, return_index=True)
    highest = np.fmax.reduceat(absorbance, first, axis=1)
    lowest = np.fmin.reduceat(absorbance, first, axis=1)
    spread = np.where(np.isfinite(highest), highest - lowest, 0.0)
    if (spread > REPEAT_TOLERANCE * (1 + 1e-9)).any():
        i, k = (int(v[0]) for v in np.nonzero(spread > REPEAT_TOLERANCE * (1 + 1e-9)))
        raise ScanFileError(
            f"{file}, {names[i]!r}: wavelength {unique[k]:g} nm is repeated and its readings are "
            f"{spread[i, k]:.3g} A apart, more than {REPEAT_TOLERANCE:g}. Delete the wrong one."
        )
    known = np.isfinite(absorbance)
    count = np.add.reduceat(known, first, axis=1)
    total = np.add.reduceat(np.where(known, absorbance, 0.0), first, axis=1)
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    n_repeats = wavelength.size - unique.size
    largest = float(spread.max())
    message = (
        f"{n_repeats} repeated wavelengths were averaged; "
        f"their readings differ by {largest:.2g} A at most"
    )
    return unique, mean, Flag("repeated-wavelength", message)


def _refuse_all_missing(file: str, name: str, top: float) -> None:
    if np.isnan(top):
        raise ScanFileError(
            f"{file}, {name!r}: no reading is a number above zero transmittance. "
            "Dilute the sample or leave the scan out."
        )


def _ceiling_flags(
    wavelength: NDArray[np.float64], absorbance: NDArray[np.float64], top: float
) -> tuple[Flag, ...]:
    """Flag a highest reading that is high and repeats; its number is kept."""
    if top < CEILING:
        return ()
    where = wavelength[absorbance == top]
    if where.size < 3:
        return ()
    message = (
        f"{where.size} points from {where[0]:g} to {where[-1]:g} nm read {top:g}, the highest "
        "value, as at the end of the instrument's range; the numbers were kept"
    )
    return (Flag("ceiling", message),)
