"""What worked figures are checked against: scans, sheet, fit and published constants."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from specfrac.equations import OFFSET_WAVELENGTHS, EquationSet, equation_sets, load_equations
from specfrac.references import ReferenceLibrary, load_references, read_table

if TYPE_CHECKING:
    from specfrac.plates.measure import PlateResult
    from specfrac.run import RunResult
    from specfrac.scans import Scan
    from specfrac.sheet import Run
    from specfrac.tubes import FractionResult

CAROTENOID_GROUPS = ("carotene", "xanthophyll")
PERCENT_SOLUTION = 0.1  # specific absorptivity, L/(g cm), over A(1 %, 1 cm)


@dataclass(frozen=True, slots=True)
class Published:
    """A published absorptivity in L/(g cm).

    Attributes
    ----------
    pigment, solvent : str
    wavelength : float
        nm.
    value : float
    source : str
    """

    pigment: str
    solvent: str
    wavelength: float
    value: float
    source: str


@dataclass(frozen=True, slots=True, eq=False)
class ScanFacts:
    """One scan of a tube.

    Attributes
    ----------
    name : str
    scan : Scan
        Blank subtracted.
    blank : Scan or None
        What was subtracted.
    dilution_factor, path_length : float
        Path length in cm.
    """

    name: str
    scan: Scan
    blank: Scan | None
    dilution_factor: float
    path_length: float

    def reads(self, wavelength: float) -> float:
        """Return the absorbance at a wavelength, NaN outside the scan."""
        return _at(self.scan, wavelength)

    def offset(self) -> float:
        """Return the absorbance where no leaf pigment absorbs, 0 when not scanned."""
        for wavelength in OFFSET_WAVELENGTHS:
            value = _at(self.scan, wavelength)
            if math.isfinite(value):
                return value
        return 0.0

    def blank_reads(self, wavelength: float) -> float:
        """Return the blank's absorbance, 0 without one."""
        if self.blank is None:
            return 0.0
        value = _at(self.blank, wavelength)
        return value if math.isfinite(value) else 0.0

    def changes(self, wavelength: float, distance: float) -> float:
        """Return how far the reading moves within a distance in nm."""
        here = self.reads(wavelength)
        near = [self.reads(wavelength + step * distance) for step in (-1.0, 1.0)]
        moves = [abs(value - here) for value in near if math.isfinite(value)]
        return max(moves, default=0.0)

    def maximum_near(self, wavelength: float, reach: float) -> float:
        """Return the wavelength of the highest reading within a reach, nm."""
        points = self.scan.wavelength
        inside = (np.abs(points - wavelength) <= reach) & np.isfinite(self.scan.absorbance)
        if not inside.any():
            return math.nan
        return float(points[inside][np.argmax(self.scan.absorbance[inside])])


def _at(scan: Scan, wavelength: float) -> float:
    if not scan.wavelength[0] <= wavelength <= scan.wavelength[-1]:
        return math.nan
    return float(np.interp(wavelength, scan.wavelength, scan.absorbance))


@dataclass(frozen=True, slots=True, eq=False)
class TubeFacts:
    """One tube: its scans, its volume, and what the fit of its whole scan found.

    Attributes
    ----------
    name, role : str
    solvent : str or None
    bandwidth : float or None
        nm.
    scans : tuple of ScanFacts
    volume : float or None
        mL that turns a concentration into the mass asked for: made up, or loaded.
    fitted : mapping of str to float
        mg/L in the tube by pigment, ``"carotenoids"`` and ``"chlorophylls"`` included.
    shares : mapping of str to float
        By mass of the coloured pigment.
    """

    name: str
    role: str
    solvent: str | None
    bandwidth: float | None
    scans: tuple[ScanFacts, ...]
    volume: float | None
    fitted: Mapping[str, float] = field(default_factory=dict)
    shares: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class RunFacts:
    """All that the figures of one run are checked against.

    Attributes
    ----------
    tubes : tuple of TubeFacts
    extract_volume, loaded_volume : float or None
        mL.
    tissue_mass : float or None
        g.
    tissue_basis : str or None
    volumes : mapping of str to float
        Every volume of the sheet in mL by what it is.
    plates : tuple of PlateResult
    library : ReferenceLibrary
    """

    tubes: tuple[TubeFacts, ...]
    extract_volume: float | None
    loaded_volume: float | None
    tissue_mass: float | None
    tissue_basis: str | None
    volumes: Mapping[str, float]
    plates: tuple[PlateResult, ...]
    library: ReferenceLibrary

    def tube(self, name: str) -> TubeFacts | None:
        """Return a tube by name, or None."""
        return next((one for one in self.tubes if one.name == name), None)

    @property
    def loaded(self) -> TubeFacts | None:
        """The loaded extract, or None."""
        return next((one for one in self.tubes if one.role == "loaded"), None)

    def molar_mass(self, pigment: str) -> float | None:
        """Return the molar mass of a pigment in g/mol, None for a sum."""
        if pigment not in self.library.pigments:
            return None
        return self.library.molar_mass(pigment)


@lru_cache(maxsize=4)
def published(library: ReferenceLibrary) -> tuple[Published, ...]:
    """Return every published absorptivity in L/(g cm)."""
    found = []
    for row in read_table("absorptivities.csv").rows:
        if row["pigment"] not in library.pigments:
            continue
        value = float(row["value"])
        if row["unit"] == "A1%1cm":
            value *= PERCENT_SOLUTION
        elif row["unit"] == "L mol-1 cm-1":
            value /= library.molar_mass(row["pigment"])
        found.append(
            Published(
                row["pigment"], row["solvent"], float(row["wavelength_nm"]), value, row["source"]
            )
        )
    return tuple(found)


def scales(pigment: str, solvent: str | None, library: ReferenceLibrary) -> list[Published]:
    """Return the published absorptivities of a pigment in a solvent, maxima first."""
    rows = [one for one in published(library) if (one.pigment, one.solvent) == (pigment, solvent)]
    return sorted(rows, key=lambda one: -one.value)


def valid_sets(tube: TubeFacts, pigment: str) -> tuple[EquationSet, ...]:
    """Return the equation sets of a tube's solvent that give a pigment from one scan."""
    if tube.solvent is None:
        return ()
    found = equation_sets(tube.solvent, bandwidth=tube.bandwidth)
    return tuple(one for one in found if one.from_scan and pigment in one.outputs)


def foreign_sets(tube: TubeFacts, pigment: str) -> tuple[EquationSet, ...]:
    """Return the equation sets of other solvents that give a pigment from one scan."""
    return tuple(
        one
        for one in load_equations()
        if one.solvent != tube.solvent and one.from_scan and pigment in one.outputs
    )


# From a run


def run_facts(
    result: RunResult,
    *,
    blanks: Mapping[tuple[str, str], Scan] | None = None,
    plates: Sequence[PlateResult] = (),
    library: ReferenceLibrary | None = None,
) -> RunFacts:
    """Gather what the figures of a run are checked against.

    Parameters
    ----------
    result : RunResult
    blanks : mapping of (str, str) to Scan, optional
        Blank scans by file and sample as the sheet gives them; see `read_blanks`.
    plates : sequence of PlateResult
    library : ReferenceLibrary, optional

    Returns
    -------
    RunFacts
    """
    run = result.run
    known = blanks or {}
    return RunFacts(
        tubes=tuple(_tube(one, run, known) for one in result.fractions),
        extract_volume=run.extract_volume.value if run.extract_volume else None,
        loaded_volume=run.loaded_volume.value if run.loaded_volume else None,
        tissue_mass=run.tissue_mass.value if run.tissue_mass else None,
        tissue_basis=run.tissue_basis,
        volumes=_volumes(run),
        plates=tuple(plates),
        library=load_references() if library is None else library,
    )


def read_blanks(run: Run) -> dict[tuple[str, str], Scan]:
    """Read the blanks of a run once more, by file and sample.

    A scan of a run has its blank subtracted; a figure may not have.

    Raises
    ------
    ScanFileError
        If a file cannot be read any more.
    """
    from specfrac.loading import read_scans

    wanted = {
        (one.blank, one.blank_sample)
        for fraction in run.fractions
        for one in fraction.scans
        if one.blank
    }
    found = {}
    for file, sample in sorted(wanted):
        scans = read_scans(run.folder / file.replace("\\", "/"))
        chosen = [scan for scan in scans if scan.name.strip() == sample] if sample else scans
        if len(chosen) == 1:
            found[file, sample] = chosen[0]
    return found


def _tube(one: FractionResult, run: Run, blanks: Mapping[tuple[str, str], Scan]) -> TubeFacts:
    fraction = one.fraction
    volume = run.loaded_volume if fraction.role == "loaded" else fraction.made_up_volume
    scans = tuple(
        ScanFacts(
            scan.sample or scan.file,
            scan.scan,
            blanks.get((scan.blank, scan.blank_sample)),
            scan.dilution_factor.value,
            scan.path_length.value,
        )
        for scan in fraction.scans
    )
    fitted = {pigment.pigment: pigment.concentration.value for pigment in one.pigments}
    groups = {pigment.pigment: pigment.group for pigment in one.pigments}
    fitted |= _sums(fitted, groups)
    shares = {
        pigment.pigment: pigment.share_mass.value
        for pigment in one.pigments
        if pigment.share_mass is not None
    }
    return TubeFacts(
        fraction.name,
        fraction.role,
        fraction.solvent,
        fraction.bandwidth,
        scans,
        volume.value if volume is not None else None,
        MappingProxyType(fitted),
        MappingProxyType(shares),
    )


def _sums(fitted: Mapping[str, float], groups: Mapping[str, str]) -> dict[str, float]:
    if not fitted:
        return {}
    return {
        "carotenoids": _total(fitted, (k for k, g in groups.items() if g in CAROTENOID_GROUPS)),
        "chlorophylls": _total(fitted, (k for k, g in groups.items() if g == "chlorophyll")),
    }


def _total(fitted: Mapping[str, float], keys: Iterable[str]) -> float:
    return sum(fitted[key] for key in keys)


def _volumes(run: Run) -> Mapping[str, float]:
    found = {}
    for name, given in (
        ("the extract", run.extract_volume),
        ("the loaded part", run.loaded_volume),
        ("the void of the column", run.void_volume),
    ):
        if given is not None:
            found[name] = given.value
    for fraction in run.fractions:
        if fraction.made_up_volume is not None:
            found[f"tube {fraction.name!r}"] = fraction.made_up_volume.value
        if fraction.eluted_volume is not None:
            found[f"eluted volume of {fraction.name!r}"] = fraction.eluted_volume.value
    return MappingProxyType(found)
