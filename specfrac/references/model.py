"""What a reference is: pigments, solvents, and the absorption of one in the other.

The shape of a pigment in a solvent is a sum of Gaussian bands that is 1 at its
main maximum; a published absorptivity gives the scale.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from specfrac.bands import gaussian_bands
from specfrac.errors import InputError, ReferenceNotFoundError, did_you_mean

Array = NDArray[np.float64]

GRADES = ("measured", "band model", "adapted", "estimate", "none")
GROUPS = ("carotene", "xanthophyll", "chlorophyll", "pheophytin")
REGIONS = ("whole", "soret", "red")
GREEK = {"α": "alpha", "β": "beta"}


def normalised(name: str) -> str:
    """Return a name in the form of a key: lower case, words joined by hyphens.

    Examples
    --------
    >>> normalised("90 % Acetone"), normalised("β-Carotene")
    ('90-acetone', 'beta-carotene')
    """
    text = str(name).casefold()
    for letter, word in GREEK.items():
        text = text.replace(letter, word)
    return re.sub(r"[^0-9a-z]+", "-", text).strip("-")


@dataclass(frozen=True, slots=True, eq=False)
class Solvent:
    """A solvent of the trade.

    Attributes
    ----------
    key, name : str
    aliases : tuple of str
        Other names it is understood by.
    uv_limit_nm : float
        nm; below it the solvent itself absorbs.
    refractive_index : float
        At 20 °C and the sodium D line; NaN when not known.
    shift_prior_nm : float
        nm, standard deviation of the shift of a group of bands from the reference.
    mixture : bool
        True for a blend whose band positions lie between published tables.
    source : str
    """

    key: str
    name: str
    aliases: tuple[str, ...]
    uv_limit_nm: float
    refractive_index: float
    shift_prior_nm: float
    mixture: bool
    source: str = ""

    def __post_init__(self) -> None:
        for rule, value in (
            ("uv_limit_nm", self.uv_limit_nm),
            ("shift_prior_nm", self.shift_prior_nm),
        ):
            if not value > 0:
                raise InputError(f"solvent {self.key!r}: {rule} is {value:g}, but must be above 0.")


@dataclass(frozen=True, slots=True, eq=False)
class Pigment:
    """What is known of a pigment whatever the solvent.

    Attributes
    ----------
    key, name : str
    aliases : tuple of str
    group : str
        One of `GROUPS`.
    formula : str
    molar_mass : float
        g/mol.
    leaf : bool
        True for the eight pigments every green leaf fraction may hold.
    """

    key: str
    name: str
    aliases: tuple[str, ...]
    group: str
    formula: str
    molar_mass: float
    leaf: bool = False

    def __post_init__(self) -> None:
        if self.group not in GROUPS:
            raise InputError(
                f"pigment {self.key!r}: group {self.group!r} is not known. "
                + did_you_mean(self.group, GROUPS)
            )
        if not self.molar_mass > 0:
            raise InputError(
                f"pigment {self.key!r}: molar mass {self.molar_mass:g} g/mol must be above 0."
            )


@dataclass(frozen=True, slots=True, eq=False)
class PigmentReference:
    """The absorption of one pigment in one solvent.

    a(λ) = scale · shape(λ), with shape(λ) = Σ_k h_k exp(-(λ - λ_k)²/(2 σ_k²))

    Attributes
    ----------
    pigment, solvent : str
        Keys.
    group : str
        One of `GROUPS`; pheophorbide counts as pheophytin.
    molar_mass : float
        g/mol.
    centre, height, width : ndarray, shape (n_bands,)
        nm, relative, nm (standard deviation). The sum is 1 at its main maximum.
    region : tuple of str
        Per band: ``"whole"``, or ``"soret"`` and ``"red"`` for chlorophyll types.
    scale : float
        L/(g cm), specific absorptivity at the main maximum.
    scale_uncertainty : float
        Relative standard uncertainty of `scale`.
    valid_from, valid_to : float
        nm; `valid_to` is infinite where the red end of the shape has died out.
    bandwidth : float
        nm, spectral bandwidth the shape was measured with.
    grade : str
        One of `GRADES` but ``"none"``.
    shape_error : float
        Standard deviation of the shape, relative to the pigment's own absorbance.
    for_mass : bool
        False when the scale is too uncertain to state a mass.
    reason : str
        Why the grade is what it is.
    sources : tuple of str
        Citations.

    Raises
    ------
    InputError
        If a value cannot be right.
    """

    pigment: str
    solvent: str
    group: str
    molar_mass: float
    centre: Array
    height: Array
    width: Array
    region: tuple[str, ...]
    scale: float
    scale_uncertainty: float
    valid_from: float
    valid_to: float
    bandwidth: float
    grade: str
    shape_error: float
    for_mass: bool
    reason: str
    sources: tuple[str, ...]

    def __post_init__(self) -> None:
        for name in ("centre", "height", "width"):
            array = np.array(getattr(self, name), dtype=np.float64)
            array.setflags(write=False)
            object.__setattr__(self, name, array)
        _check_reference(self)

    def shape(self, wavelength: ArrayLike) -> Array:
        """Return the shape, 1 at the main maximum; defined at every wavelength."""
        return gaussian_bands(wavelength, self.centre, self.height, self.width)

    def specific_absorptivity(self, wavelength: ArrayLike) -> Array:
        """Return the decadic specific absorptivity at wavelengths in nm, L/(g cm)."""
        return self.scale * self.shape(wavelength)

    @property
    def main_maximum(self) -> float:
        """Wavelength of the highest point in the valid range, nm, to 0.1 nm."""
        last = min(self.valid_to, float((self.centre + 3 * self.width).max()))
        grid = np.arange(self.valid_from, max(last, self.valid_from + 1.0), 0.1)
        return float(grid[np.argmax(self.shape(grid))])


def _check_reference(entry: PigmentReference) -> None:
    where = f"reference {entry.pigment} in {entry.solvent}"
    n_bands = entry.centre.size
    if n_bands == 0 or not (
        entry.centre.shape == entry.height.shape == entry.width.shape == (len(entry.region),)
    ):
        raise InputError(
            f"{where}: centre, height, width and region must be equally long and not empty, "
            f"but have {n_bands}, {entry.height.size}, {entry.width.size} and "
            f"{len(entry.region)} values."
        )
    if not (np.isfinite(entry.centre).all() and np.isfinite(entry.height).all()):
        raise InputError(f"{where}: a band centre or height is not finite.")
    if not (entry.width > 0).all():
        raise InputError(f"{where}: band width {entry.width.min():g} nm must be above 0.")
    _check_words(where, entry)
    for name, value in (("scale", entry.scale), ("bandwidth", entry.bandwidth)):
        if not 0 < value < math.inf:
            raise InputError(f"{where}: {name} is {value:g}, but must be above 0 and finite.")
    for name, value in (
        ("scale_uncertainty", entry.scale_uncertainty),
        ("shape_error", entry.shape_error),
    ):
        if not 0 <= value < 1:
            raise InputError(f"{where}: {name} is {value:g}, but must be in 0 to 1 (relative).")
    if not entry.valid_from < entry.valid_to:
        raise InputError(
            f"{where}: valid from {entry.valid_from:g} to {entry.valid_to:g} nm is an empty range."
        )


def _check_words(where: str, entry: PigmentReference) -> None:
    words: list[tuple[str, str, tuple[str, ...]]] = [
        ("grade", entry.grade, GRADES[:-1]),
        ("group", entry.group, GROUPS),
    ]
    words += [("region", region, REGIONS) for region in entry.region]
    for name, word, known in words:
        if word not in known:
            raise InputError(f"{where}: {name} {word!r} is not known. {did_you_mean(word, known)}")


@dataclass(frozen=True, slots=True, eq=False)
class References:
    """The candidates of a fit: some pigments in one solvent.

    Attributes
    ----------
    solvent : Solvent
    entries : tuple of PigmentReference
    library_version : str
    """

    solvent: Solvent
    entries: tuple[PigmentReference, ...]
    library_version: str

    def __post_init__(self) -> None:
        if not self.entries:
            raise InputError("references: at least one pigment is needed.")
        object.__setattr__(self, "entries", tuple(self.entries))
        keys = self.pigments
        repeated = sorted({key for key in keys if keys.count(key) > 1})
        if repeated:
            raise InputError(f"references: {', '.join(repeated)} given twice. Name each once.")

    @property
    def pigments(self) -> tuple[str, ...]:
        """Keys of the pigments, in order."""
        return tuple(entry.pigment for entry in self.entries)

    def entry(self, pigment: str) -> PigmentReference:
        """Return the reference of a pigment.

        Raises
        ------
        ReferenceNotFoundError
            If the pigment is not among these references.
        """
        key = normalised(pigment)
        for entry in self.entries:
            if entry.pigment == key:
                return entry
        raise ReferenceNotFoundError(
            f"pigment {pigment!r} is not among these references. {did_you_mean(key, self.pigments)}"
        )

    def specific_absorptivity(self, pigment: str, wavelength: ArrayLike) -> Array:
        """Return the decadic specific absorptivity of a pigment, L/(g cm).

        Parameters
        ----------
        pigment : str
        wavelength : array_like
            nm.
        """
        return self.entry(pigment).specific_absorptivity(wavelength)

    def molar_mass(self, pigment: str) -> float:
        """Return the molar mass of a pigment, g/mol."""
        return self.entry(pigment).molar_mass
