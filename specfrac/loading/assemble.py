"""From blocks to scans: order, repeats, quantity, names.

All checks run on whole blocks, so a thousand samples cost little more than one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from specfrac.errors import ScanFileError
from specfrac.flags import Flag
from specfrac.loading.blocks import Block
from specfrac.loading.content import FileContent
from specfrac.loading.ordinate import Ordinate, conversion_flags, decide, to_absorbance
from specfrac.scans import Scan

FEWEST_POINTS = 20
"""A rule of this package: fewer points are no scan."""
REPEAT_TOLERANCE = 0.01
"""A; readings at a repeated wavelength must agree within it to be averaged."""
_STRAY_STEP = 20.0
"""A first or last point this many steps away from the rest is no part of the scan."""
_CEILING = 2.0


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
    scans: list[Scan] = []
    for block, kinds in zip(blocks, ordinates, strict=True):
        own = names[len(scans) : len(scans) + len(block.names)]
        scans.extend(_scans_of(content.name, block, kinds, own, metadata, flags))
    return tuple(scans)


def _names(blocks: Sequence[Block], stem: str) -> list[str]:
    """Name the unnamed after the file, and tell repeated names apart."""
    given = [name for block in blocks for name in block.names]
    if len(given) == 1:
        return [given[0] or stem]
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
    file: str,
    block: Block,
    ordinates: Sequence[Ordinate],
    names: Sequence[str],
    metadata: Mapping[str, Any],
    file_flags: tuple[Flag, ...],
) -> list[Scan]:
    n_points = block.wavelength.size
    _refuse_short(file, block, n_points)
    wavelength, values, order_flags = _in_order(file, block)
    same = ordinates[0] if len(set(ordinates)) == 1 else None
    if same is not None and same.quantity == "absorbance":
        absorbance = values
    else:
        absorbance = np.stack(
            [to_absorbance(v, o.quantity) for v, o in zip(values, ordinates, strict=True)]
        )
    wavelength, absorbance, repeats = _without_repeats(file, wavelength, absorbance, names)
    _refuse_short(file, block, wavelength.size)
    silent = same is not None and same.quantity == "absorbance"
    shared = [
        *(conversion_flags(values, same) if silent and same else ()),
        *order_flags,
        *file_flags,
    ]
    ceilings = _at_ceiling(absorbance)
    scans = []
    for i, name in enumerate(names):
        flags = list(shared) if silent else [*conversion_flags(values[i], ordinates[i]), *shared]
        if block.flags:
            flags += block.flags[i]
        if repeats is not None:
            flags.append(repeats)
        if ceilings[i]:
            flags.append(_ceiling_flag(wavelength, absorbance[i]))
        told = {
            **metadata,
            **(block.metadata[i] if block.metadata else {}),
            "heading": block.headings[i],
            "quantity": ordinates[i].quantity,
            "quantity_source": ordinates[i].source,
        }
        if scans:
            scans.append(_scan_on_same_grid(scans[0], name, absorbance[i], told, tuple(flags)))
        else:
            scans.append(Scan(name, wavelength, absorbance[i], told, tuple(flags)))
    return scans


def _scan_on_same_grid(
    first: Scan,
    name: str,
    absorbance: NDArray[np.float64],
    metadata: dict[str, Any],
    flags: tuple[Flag, ...],
) -> Scan:
    """Make a scan that shares the checked grid of another.

    A thousand samples share one axis here; checking and copying it a thousand
    times would cost more than reading the file. Values are known to hold no
    infinity (readers refuse it).
    """
    absorbance.setflags(write=False)
    scan = object.__new__(Scan)
    object.__setattr__(scan, "name", name)
    object.__setattr__(scan, "wavelength", first.wavelength)
    object.__setattr__(scan, "absorbance", absorbance)
    object.__setattr__(scan, "metadata", MappingProxyType(metadata))
    object.__setattr__(scan, "flags", flags)
    return scan


def _refuse_short(file: str, block: Block, n_points: int) -> None:
    if n_points < FEWEST_POINTS:
        name = next((name for name in block.names if name), "")
        which = f", {name!r}" if name else ""
        raise ScanFileError(
            f"{file}{which}: {n_points} points, but a scan needs at least {FEWEST_POINTS}. "
            "Export the whole scan, at a step of 1 nm or less."
        )


def _in_order(
    file: str, block: Block
) -> tuple[NDArray[np.float64], NDArray[np.float64], list[Flag]]:
    """Return wavelengths that do not fall, the values with them, and flags."""
    wavelength, values = block.wavelength, block.values
    steps = np.diff(wavelength)
    if (steps >= 0).all():
        _refuse_stray_ends(file, block, steps)
        return wavelength, values, []
    if (steps <= 0).all():
        _refuse_stray_ends(file, block, steps)
        message = f"the file runs from {wavelength[0]:g} to {wavelength[-1]:g} nm; the scan was turned round"
        flag = Flag("descending-wavelength", message)
        return wavelength[::-1], np.ascontiguousarray(values[:, ::-1]), [flag]
    _refuse_one_out_of_order(file, block, steps)
    order = np.argsort(wavelength, kind="stable")
    turn = int(np.flatnonzero(np.sign(steps) != np.sign(np.median(steps)))[0])
    message = (
        f"wavelength {wavelength[turn + 1]:g} nm follows {wavelength[turn]:g} nm in "
        f"{block.point_word} {block.points[turn + 1]}; the points were sorted"
    )
    return wavelength[order], values[:, order], [Flag("unsorted-wavelength", message)]


def _refuse_stray_ends(file: str, block: Block, steps: NDArray[np.float64]) -> None:
    """A first row such as "200, 1" above a scan from 350 nm is a setting, not a point."""
    size = np.abs(steps)
    if size.size < 3:
        return
    typical = float(np.median(size))
    for end, neighbour, point in ((0, 1, 0), (-1, -2, -1)):
        if size[end] > _STRAY_STEP * max(typical, size[neighbour]) > 0:
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
        f"{file}, {block.point_word} {block.points[point]}: wavelength {block.wavelength[point]:g} nm stands "
        "apart from the rest of the scan, as a setting among the data would. "
        "Delete it or mark it as a comment with '#'."
    )


def _without_repeats(
    file: str,
    wavelength: NDArray[np.float64],
    absorbance: NDArray[np.float64],
    names: Sequence[str],
) -> tuple[NDArray[np.float64], NDArray[np.float64], Flag | None]:
    """Average readings at one wavelength when they agree, refuse them when they do not."""
    if (np.diff(wavelength) > 0).all():
        return wavelength, absorbance, None
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
    message = f"{n_repeats} repeated wavelengths were averaged; their readings differ by {largest:.2g} A at most"
    return unique, mean, Flag("repeated-wavelength", message)


def _at_ceiling(absorbance: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether the highest reading of each scan is high and repeats, as at an instrument's end."""
    top = np.fmax.reduce(absorbance, axis=1)
    high = top >= _CEILING
    if high.any():
        high &= (absorbance == top[:, None]).sum(axis=1) >= 3
    return high


def _ceiling_flag(wavelength: NDArray[np.float64], absorbance: NDArray[np.float64]) -> Flag:
    top = np.nanmax(absorbance)
    where = wavelength[absorbance == top]
    return Flag(
        "ceiling",
        f"{where.size} points from {where[0]:g} to {where[-1]:g} nm read {top:g}, the highest value, "
        "as at the end of the instrument's range; the numbers were kept",
    )
