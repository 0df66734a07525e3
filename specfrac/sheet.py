"""The run sheet: a folder with ``run.toml`` and scans becomes a `Run`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

from specfrac.scans import Scan
from specfrac.uncertainty import Quantity

ROLES = ("loaded", "cut", "wash", "standard", "blank")


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit or setting, with where it comes from.

    Attributes
    ----------
    key : str
        What the sheet's ``[settings]`` calls it.
    value : float
    unit : str
    source : str
        ``"[J]"`` marks a working judgement, ``"[S]"`` a source that was read,
        ``"[M]"`` memory.
    note : str
        What it is for.
    changed : bool
        True when the sheet set it.
    """

    key: str
    value: float
    unit: str
    source: str
    note: str
    changed: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Settings:
    """Limits and settings of a run; ``settings["closure_low"]`` is the number."""

    limits: Mapping[str, Limit]

    def __post_init__(self) -> None:
        object.__setattr__(self, "limits", MappingProxyType(dict(self.limits)))

    def __getitem__(self, key: str) -> float:
        return self.limits[key].value

    def as_dict(self) -> dict[str, float]:
        """Return every setting by key, in the order of the data file."""
        return {key: limit.value for key, limit in self.limits.items()}


@dataclass(frozen=True, slots=True)
class InputFile:
    """A file the analysis read.

    Attributes
    ----------
    path : str
        Relative to the run folder, with forward slashes.
    sha256 : str
        Hexadecimal digest of its bytes.
    """

    path: str
    sha256: str


@dataclass(frozen=True, slots=True, eq=False)
class TubeScan:
    """One scan of a tube.

    Attributes
    ----------
    file : str
        As the sheet gives it.
    sample : str
        Name of the sample within the file.
    scan : Scan
        Blank subtracted where the sheet names a blank.
    dilution_factor : Quantity
        Volume after dilution over volume taken, >= 1 as a rule.
    blank : str
        File of the blank, or ``""``.
    """

    file: str
    sample: str
    scan: Scan
    dilution_factor: Quantity
    blank: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Fraction:
    """One tube of the column, as the sheet describes it.

    Attributes
    ----------
    name : str
    role : str
        One of `ROLES`.
    scans : tuple of TubeScan
        Empty when the tube was not scanned.
    solvent : str or None
        Key of the library; None when the sheet does not state it.
    path_length : Quantity
        cm.
    bandwidth : float or None
        nm, spectral bandwidth of the instrument.
    made_up_volume, eluted_volume : Quantity or None
        mL; `eluted_volume` is the place on the elution axis.
    candidates : tuple of str or None
        Pigments that may be in the tube; None for the eight of a green leaf.
    prepared, scanned : str or None
        ISO 8601.
    assumed : tuple of str
        Fields whose uncertainty the sheet does not give, so that the default of
        ``glassware.csv`` stands in.
    """

    name: str
    role: str
    scans: tuple[TubeScan, ...]
    solvent: str | None
    path_length: Quantity
    bandwidth: float | None
    made_up_volume: Quantity | None
    eluted_volume: Quantity | None
    candidates: tuple[str, ...] | None
    prepared: str | None
    scanned: str | None
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One column run: its sheet, its scans, and its settings.

    Attributes
    ----------
    folder : Path
        Where it was read; never part of a record.
    title, method, block : str
        Free text; ``""`` when not given.
    date : str or None
        ISO 8601.
    tissue_mass : Quantity or None
        g.
    tissue_basis : str or None
        ``"fresh"`` or ``"dry"``.
    extract_volume, loaded_volume, void_volume : Quantity or None
        mL. `loaded_volume` is the extract volume when only that is given.
    all_loaded : bool
        True when the whole extract went on the column.
    target_pigment : str or None
    target_share : float or None
        Fraction of one, by mass of the coloured pigment.
    fractions : tuple of Fraction
        In the order of the sheet.
    plates : tuple of mapping
        Thin-layer plates as the sheet gives them.
    settings : Settings
    inputs : tuple of InputFile
        Every file that was read, the sheet first.
    assumed : tuple of str
        As in `Fraction`.
    """

    folder: Path
    title: str
    method: str
    block: str
    date: str | None
    tissue_mass: Quantity | None
    tissue_basis: str | None
    extract_volume: Quantity | None
    loaded_volume: Quantity | None
    void_volume: Quantity | None
    all_loaded: bool
    target_pigment: str | None
    target_share: float | None
    fractions: tuple[Fraction, ...]
    plates: tuple[Mapping[str, Any], ...]
    settings: Settings
    inputs: tuple[InputFile, ...]
    assumed: tuple[str, ...] = field(default=())
