"""What was measured: absorbance, %T or T, decided from words first, values second.

Whatever cannot be turned into absorbance is refused by name, unless the caller
says what it is. A doubtful file is refused too: a wrong guess here would change
every number after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from specfrac.errors import InputError, ScanFileError, did_you_mean
from specfrac.flags import Flag
from specfrac.loading.blocks import Block
from specfrac.loading.words import EXACT_ORDINATES, is_refused, plain

QUANTITIES = ("absorbance", "milliabsorbance", "percent-transmittance", "transmittance")

# Rules of ours to tell the quantities apart, common practice, no source.
HIGHEST_ABSORBANCE = 10.0
"""No spectrometer reads more; ceilings such as 6, 9.999 and 10 occur."""
PLAIN_ABSORBANCE = 4.0
"""Up to here a reading without a heading is taken for absorbance."""
HIGHEST_FRACTION = 1.5
"""A transmittance as a fraction of one, with a poor blank, stays below."""
HIGHEST_PERCENT = 150.0
RED_END_NM = 700.0
"""Leaf pigments hardly absorb beyond: absorbance is near its lowest, %T near its highest."""
_RED_END_POINTS = 5
CLEAR = 0.8
"""T as a fraction of one is above it there; so high an absorbance would be an offset."""

_LIMITS = {  # of the highest reading
    "absorbance": (-np.inf, HIGHEST_ABSORBANCE),
    "milliabsorbance": (-np.inf, 1000 * HIGHEST_ABSORBANCE),
    "percent-transmittance": (HIGHEST_FRACTION, HIGHEST_PERCENT),
    "transmittance": (-np.inf, HIGHEST_FRACTION),
}
_ADVICE = (
    "state it with quantity='absorbance', 'percent-transmittance' or 'transmittance', "
    "or name it in the heading."
)


@dataclass(frozen=True, slots=True)
class Ordinate:
    """The quantity of one column and where it was learned: "header", "values" or "caller".

    `said` is another quantity that the file names, against the caller's word.
    """

    quantity: str
    source: str
    said: str = ""


@dataclass(frozen=True, slots=True)
class _Column:
    label: str
    word: str | None
    highest: float
    red_end: float  # lowest beyond RED_END_NM, or NaN


def check_quantity(quantity: str | None) -> None:
    """Raise InputError when the caller's word for the quantity is unknown."""
    if quantity is not None and quantity not in QUANTITIES:
        raise InputError(
            f"quantity {quantity!r} is unknown. {did_you_mean(str(quantity), QUANTITIES)}"
        )


def decide(
    blocks: Sequence[Block], preamble: str | None, quantity: str | None, file: str
) -> list[list[Ordinate]]:
    """Decide the quantity of every sample of every block.

    Parameters
    ----------
    blocks : sequence of Block
    preamble : str or None
        The quantity named above the data.
    quantity : str or None
        The caller's word.
    file : str
        For messages.

    Raises
    ------
    ScanFileError
        If it is no absorbance, or cannot be decided.
    """
    if quantity is not None:
        return [_as_told(block, preamble, quantity) for block in blocks]
    source = _plainly_absorbance(blocks, preamble)
    if source is not None:
        found = Ordinate("absorbance", source)
        return [[found] * len(block.names) for block in blocks]
    columns = [_columns(block, preamble) for block in blocks]
    _refuse_mixed([column for group in columns for column in group], file)
    decided = [[_decide_one(column, file) for column in group] for group in columns]
    guessed = {o.quantity for group in decided for o in group if o.source == "values"}
    if len(guessed) > 1:
        raise ScanFileError(
            f"{file}: no heading says what was measured, and some readings look like "
            f"{' and some like '.join(sorted(guessed))}. To decide, {_ADVICE}"
        )
    return decided


def _as_told(block: Block, preamble: str | None, quantity: str) -> list[Ordinate]:
    """Return the caller's word for every sample, with the file's where the two contradict."""
    told = []
    for word in _trusted_words(block, preamble):
        fits = word == quantity or (
            word == "transmittance-or-percent" and quantity.endswith("transmittance")
        )
        said = "" if word is None or fits or is_refused(word) else word
        told.append(Ordinate(quantity, "caller", said))
    return told


def _plainly_absorbance(blocks: Sequence[Block], preamble: str | None) -> str | None:
    """Return how all columns are known to be absorbance, in the two usual cases, or None.

    Either every heading says so, or none says anything and no value speaks for
    transmittance.
    """
    words = {word or preamble for block in blocks for word in set(block.ordinates)}
    if words not in ({"absorbance"}, {None}):
        return None
    top = max(float(np.fmax.reduce(block.values, axis=None)) for block in blocks)
    if words == {"absorbance"}:
        return "header" if top <= HIGHEST_ABSORBANCE else None
    if top < CLEAR:
        return "values"
    clear = any(bool((red_ends(block.wavelength, block.values) >= CLEAR).any()) for block in blocks)
    return "values" if top <= PLAIN_ABSORBANCE and not clear else None


def red_ends(wavelength: NDArray[np.float64], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return each sample's lowest reading where leaf pigments hardly absorb, or NaN.

    Parameters
    ----------
    wavelength : ndarray, shape (n_points,)
    values : ndarray, shape (n_samples, n_points)

    Returns
    -------
    ndarray, shape (n_samples,)
    """
    red = wavelength >= RED_END_NM
    if np.count_nonzero(red) < _RED_END_POINTS:
        return np.full(len(values), np.nan)
    return np.asarray(np.fmin.reduce(values[:, red], axis=1))


def _columns(block: Block, preamble: str | None) -> list[_Column]:
    words = _trusted_words(block, preamble)
    highest = np.fmax.reduce(block.values, axis=1).tolist()
    red_end = red_ends(block.wavelength, block.values).tolist()
    return [
        _Column(heading or name or f"reading {i}", word, top, end)
        for i, (heading, name, word, top, end) in enumerate(
            zip(block.headings, block.names, words, highest, red_end, strict=True), start=1
        )
    ]


def _trusted_words(block: Block, preamble: str | None) -> list[str | None]:
    """Return the words of the headings, but not "A" or "T" where these are sample names."""
    first = block.ordinates[0]
    if block.ordinates.count(first) == len(block.ordinates):
        return [preamble if first is None else first] * len(block.ordinates)
    return [
        preamble if word is None or plain(heading) in EXACT_ORDINATES else word
        for word, heading in zip(block.ordinates, block.headings, strict=True)
    ]


def _decide_one(column: _Column, file: str) -> Ordinate:
    word, top = column.word, column.highest
    if word is None:
        return Ordinate(_from_values(column, file), "values")
    if is_refused(word):
        raise ScanFileError(
            f"{file}: the heading of {column.label!r} says {word}, which is not absorbance or "
            f"transmittance. Export absorbance; if it is one of them after all, {_ADVICE}"
        )
    if word == "transmittance-or-percent":
        word = "transmittance" if top <= HIGHEST_FRACTION else "percent-transmittance"
        if HIGHEST_FRACTION < top <= HIGHEST_ABSORBANCE:
            raise ScanFileError(
                f"{file}: {column.label!r} is transmittance and its highest reading is {top:g}, "
                f"which may be a fraction or a percentage. To decide, {_ADVICE}"
            )
    low, high = _LIMITS[word]
    if not low < top <= high and not np.isnan(top):
        raise ScanFileError(
            f"{file}: {column.label!r} is {word.replace('-', ' ')} by its heading, but its highest "
            f"reading is {top:g}, outside what that can be. To decide, {_ADVICE}"
        )
    return Ordinate(word, "header")


def _from_values(column: _Column, file: str) -> str:
    """Decide from the numbers alone. Where leaf pigments are clear, A is low and T is high."""
    top, red = column.highest, column.red_end
    if top <= PLAIN_ABSORBANCE or np.isnan(top):
        if red >= 0.8 and top <= 1.1 and red >= 0.8 * top:
            return "transmittance"
        return "absorbance"
    if top <= HIGHEST_ABSORBANCE and red < 0.5:
        return "absorbance"
    if HIGHEST_ABSORBANCE < top <= HIGHEST_PERCENT and not red < 0.5 * top:
        return "percent-transmittance"
    if top > HIGHEST_PERCENT:
        raise ScanFileError(
            f"{file}: {column.label!r} reaches {top:g}, which is neither absorbance nor %T but "
            "looks like intensities or counts. Export absorbance; if it is one of them after all, "
            + _ADVICE
        )
    raise ScanFileError(
        f"{file}: {column.label!r} reaches {top:g} and no heading says what was measured; it may "
        f"be absorbance or %T. To decide, {_ADVICE}"
    )


def _refuse_mixed(columns: Sequence[_Column], file: str) -> None:
    """Columns without a word must all be absorbance, or all be percentages."""
    unnamed = [column for column in columns if column.word is None]
    large = next((c for c in unnamed if c.highest > HIGHEST_ABSORBANCE), None)
    small = next((c for c in unnamed if c.highest <= HIGHEST_ABSORBANCE), None)
    if large is not None and small is not None:
        raise ScanFileError(
            f"{file}: {large.label!r} reaches {large.highest:g} and {small.label!r} only "
            f"{small.highest:g}, so they are not one quantity, and no heading says which. "
            f"To decide, {_ADVICE}"
        )


def to_absorbance(values: NDArray[np.float64], quantity: str) -> NDArray[np.float64]:
    """Return absorbance; a transmittance of zero or less becomes NaN.

    A = -lg T
    """
    if quantity == "absorbance":
        return values
    if quantity == "milliabsorbance":
        return values / 1000.0
    fraction = values / 100.0 if quantity == "percent-transmittance" else values
    positive = np.where(fraction > 0, fraction, np.nan)
    return 0.0 - np.log10(positive)


def conversion_flags(values: NDArray[np.float64], ordinate: Ordinate) -> list[Flag]:
    """Return what a reader should know about how the quantity was found and turned."""
    flags = []
    shown = ordinate.quantity.replace("-", " ")
    if ordinate.said:
        said = ordinate.said.removesuffix("-or-percent").replace("-", " ")
        message = f"the file says {said}, but it was read as {shown}, as stated by the user"
        flags.append(Flag("header-disagrees", message))
    if ordinate.source == "values":
        flags.append(
            Flag("quantity-from-values", f"no heading says what was measured; taken for {shown}")
        )
    if ordinate.quantity == "absorbance":
        return flags
    if ordinate.quantity == "milliabsorbance":
        flags.append(Flag("converted-transmittance", f"{shown} was divided by 1000"))
        return flags
    flags.append(Flag("converted-transmittance", f"{shown} was turned into absorbance"))
    dark = int(np.count_nonzero(values <= 0))
    if dark:
        flags.append(
            Flag("nonpositive-transmittance", f"{dark} readings with T <= 0 count as not measured")
        )
    return flags
