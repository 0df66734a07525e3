"""A whole column run: what each tube holds and where the pigment went."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from specfrac.flags import Flag
from specfrac.sheet import Fraction, Run
from specfrac.uncertainty import Quantity

if TYPE_CHECKING:
    import pandas as pd

    from specfrac.equations import EquationResult
    from specfrac.fitting import MixtureFit
    from specfrac.fitting.results import Identification

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class PigmentResult:
    """One pigment in one tube.

    Attributes
    ----------
    pigment, group : str
        Key, and family (carotene, xanthophyll, chlorophyll, pheophytin).
    grade : str
        Of the reference used.
    for_mass : bool
        False when that reference has no published scale.
    detected, quantified : bool
    merged_into : str or None
        Group that is reported in its place, because the scan cannot tell its members apart.
    concentration : Quantity
        mg/L in the made-up solution, before dilution for the scan. The value is the
        non-negative estimate, the uncertainty that of the unconstrained one.
    concentration_unconstrained : float
        mg/L; for averages and statistics.
    detection_limit : float
        mg/L.
    mass, amount : Quantity or None
        µg and nmol in the tube (for the loaded extract: on the column).
    mass_unconstrained : float or None
        µg.
    share_mass, share_amount : Quantity or None
        Of the coloured pigment, as fractions of one; None when nothing was found.
    share_interval, share_amount_interval : (float, float) or None
        95 %, within 0 and 1.
    recovery : Quantity or None
        Mass in the tube over mass of the same pigment loaded.
    content : Quantity or None
        µg per g of tissue.
    """

    pigment: str
    group: str
    grade: str
    for_mass: bool
    detected: bool
    quantified: bool
    merged_into: str | None
    concentration: Quantity
    concentration_unconstrained: float
    detection_limit: float
    mass: Quantity | None
    mass_unconstrained: float | None
    amount: Quantity | None
    share_mass: Quantity | None
    share_interval: Interval | None
    share_amount: Quantity | None
    share_amount_interval: Interval | None
    recovery: Quantity | None
    content: Quantity | None


@dataclass(frozen=True, slots=True, eq=False)
class GroupResult:
    """A sum of pigments in one tube.

    Attributes as in `PigmentResult`; `factors` convert each member's mass into the
    group's unit (1, or a ratio of molar masses for a group in equivalents).
    """

    name: str
    members: tuple[str, ...]
    factors: tuple[float, ...]
    merged: bool
    detected: bool
    concentration: Quantity
    concentration_unconstrained: float
    mass: Quantity | None
    mass_unconstrained: float | None
    amount: Quantity | None
    share_mass: Quantity | None
    share_interval: Interval | None
    recovery: Quantity | None
    content: Quantity | None


@dataclass(frozen=True, slots=True, eq=False)
class Purity:
    """How pure a tube is, as far as a scan can see.

    Attributes
    ----------
    main : str
        Pigment or merged group with the largest share by mass.
    members : tuple of str
        The pigment itself, or the members of the merged group.
    share_mass, share_amount : Quantity
        Of the coloured pigment, fractions of one.
    interval, amount_interval : (float, float)
        95 %.
    lower_bound : float
        Lower end of the interval by mass when unassigned absorbance counts as impurity.
    target : str or None
        The run's target pigment.
    target_share, target_interval
        Its share by mass in this tube, and the 95 % interval.
    probability_above_target : float or None
        That the target's share is above the wanted one.
    sentence : str
        All of it in plain words; never "purity of the solid".
    """

    main: str
    members: tuple[str, ...]
    share_mass: Quantity
    interval: Interval
    share_amount: Quantity
    amount_interval: Interval
    lower_bound: float
    target: str | None
    target_share: Quantity | None
    target_interval: Interval | None
    probability_above_target: float | None
    sentence: str


@dataclass(frozen=True, slots=True, eq=False)
class FractionResult:
    """What one tube holds.

    Attributes
    ----------
    fraction : Fraction
    fit : MixtureFit or None
        None without a scan, without a solvent, or when the scan could not be fitted.
    identification : tuple of Identification
        Ranked guesses when no solvent is stated.
    pigments : tuple of PigmentResult
        One a candidate, in the order of the fit; empty without a fit.
    groups : tuple of GroupResult
    purity : Purity or None
    total_mass : Quantity or None
        µg of coloured pigment.
    equations : tuple of EquationResult
        Published simultaneous equations, as a second opinion.
    flags : tuple of Flag
        Of scan, fit and tube, worst first.
    """

    fraction: Fraction
    fit: MixtureFit | None
    identification: tuple[Identification, ...]
    pigments: tuple[PigmentResult, ...]
    groups: tuple[GroupResult, ...]
    purity: Purity | None
    total_mass: Quantity | None
    equations: tuple[EquationResult, ...]
    flags: tuple[Flag, ...]

    def pigment(self, key: str) -> PigmentResult | None:
        """Return the result of one pigment, or None when it was no candidate."""
        return next((one for one in self.pigments if one.pigment == key), None)

    def group(self, name: str) -> GroupResult | None:
        """Return the result of one group, or None."""
        return next((one for one in self.groups if one.name == name), None)


@dataclass(frozen=True, slots=True, eq=False)
class BalanceRow:
    """Where one pigment, or one pool, went.

    Attributes
    ----------
    name : str
        Pigment key, or ``"carotenoids"``, ``"chlorophyll-a-pool"``, ``"chlorophyll-b-pool"``,
        ``"porphyrins"``, ``"coloured pigment"``.
    kind : str
        ``"pigment"`` or ``"pool"``.
    unit : str
        ``"µg"``, or ``"nmol"`` for porphyrins: pheophytin is made on the column.
    loaded : Quantity or None
    tubes : tuple of (str, Quantity)
        Name of the tube and what it holds.
    found : Quantity
        Sum over the tubes.
    closure : Quantity or None
        Found over loaded.
    lower_bound : bool
        True when a tube was not measured.
    verdict : str
        One sentence with the number and the limit.
    """

    name: str
    kind: str
    unit: str
    loaded: Quantity | None
    tubes: tuple[tuple[str, Quantity], ...]
    found: Quantity
    closure: Quantity | None
    lower_bound: bool
    verdict: str


@dataclass(frozen=True, slots=True, eq=False)
class Balance:
    """Mass and amount of every pigment and pool: loaded, found, closure.

    Attributes
    ----------
    loaded_name : str or None
        Name of the fraction that was loaded.
    rows : tuple of BalanceRow
        Pools first.
    unmeasured : tuple of str
        Tubes that hold something but have no usable scan or volume.
    """

    loaded_name: str | None
    rows: tuple[BalanceRow, ...]
    unmeasured: tuple[str, ...]

    def row(self, name: str) -> BalanceRow | None:
        """Return the row of one pigment or pool, or None."""
        return next((one for one in self.rows if one.name == name), None)


@dataclass(frozen=True, slots=True, eq=False)
class RunResult:
    """The analysis of a run.

    Attributes
    ----------
    run : Run
    library_version : str
    fractions : tuple of FractionResult
        In the order of the sheet; blanks are left out.
    balance : Balance
    flags : tuple of Flag
        Of the run as a whole, worst first.
    """

    run: Run
    library_version: str
    fractions: tuple[FractionResult, ...]
    balance: Balance
    flags: tuple[Flag, ...]

    def record(self) -> dict[str, Any]:
        """Return the whole result as plain data, see `specfrac.records.run_record`."""
        from specfrac.records import run_record

        return run_record(self)

    def fractions_frame(self) -> pd.DataFrame:
        """Return a row a tube."""
        from specfrac.records import fractions_frame

        return fractions_frame(self)

    def pigments_frame(self) -> pd.DataFrame:
        """Return a row a tube and pigment."""
        from specfrac.records import pigments_frame

        return pigments_frame(self)
