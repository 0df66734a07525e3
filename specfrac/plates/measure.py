"""What a thin-layer plate says: Rf and what follows from it, each with uncertainty.

Origin and front are shared by all spots of a plate, so differences and ratios of Rf
are computed with their correlation. Rf moves with humidity, chamber saturation, layer
and load: a pigment is named by colour, order and co-spotting, never by Rf alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, pairwise
from typing import TYPE_CHECKING, Any

from uncertainties import UFloat, umath

from specfrac.flags import Flag, ranked
from specfrac.plates.order import COVERAGE, OrderTest, order_test, pigment_name
from specfrac.plates.sheet import (
    Plate,
    Spot,
    mixture_parts,
    plate_pigments,
)
from specfrac.references import normalised, read_table
from specfrac.uncertainty import Quantity, measured, quantity

if TYPE_CHECKING:
    import pandas as pd

SAME_SHARE = 0.011  # two written mixtures are one when no part differs by more


@dataclass(frozen=True, slots=True)
class LiteratureRf:
    """A published Rf on the same layer in the same developing solvent.

    Attributes
    ----------
    pigment : str
    low, high : float
        Range the source gives.
    tolerance : float
        Half-width beyond that range within which another plate may fall.
    source, status : str
        Status is ``"seen"``, ``"seen second-hand"`` or ``"memory"``.
    note : str
    """

    pigment: str
    low: float
    high: float
    tolerance: float
    source: str
    status: str
    note: str

    def agrees(self, rf: float) -> bool:
        """Return whether an Rf lies within the wide tolerance."""
        return self.low - self.tolerance <= rf <= self.high + self.tolerance


@dataclass(frozen=True, slots=True)
class ColumnVolumes:
    """Where a spot would leave a column, in volumes of the column's solvent.

    About 1/Rf: rough, for the same solvent and an adsorbent of the same activity.

    Attributes
    ----------
    value, low, high : float
        The range is the rough ± 30 % of `plate_column_volume_spread`.
    eluted : tuple of float or None
        mL: value, low and high times the column's void volume.
    """

    value: float
    low: float
    high: float
    eluted: tuple[float, float, float] | None = None

    @property
    def label(self) -> str:
        """The value with its range and the word rough."""
        spread = (self.high - self.low) / 2 / self.value
        return f"about {self.value:.2g} column volumes (rough, ±{100 * spread:.0f} %)"


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A pigment that a spot nobody has named may be.

    Attributes
    ----------
    pigment : str
    reason : str
        What agrees: colour, Rf. Never a proof.
    """

    pigment: str
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class SpotResult:
    """One spot with what follows from its distance.

    Attributes
    ----------
    spot : Spot
    rf, r_m : Quantity
        Rf, and log10(1/Rf - 1); the latter NaN unless Rf lies below 1 and above twice
        its uncertainty.
    relative_rf : Quantity or None
        Rf over that of the reference spot; None without one.
    column_volumes : ColumnVolumes or None
        None for a spot that has not measurably left the origin.
    literature : tuple of LiteratureRf
        For the pigment it is named as.
    suggestions : tuple of Suggestion
        For a spot without a name.
    """

    spot: Spot
    rf: Quantity
    r_m: Quantity
    relative_rf: Quantity | None
    column_volumes: ColumnVolumes | None
    literature: tuple[LiteratureRf, ...]
    suggestions: tuple[Suggestion, ...]

    @property
    def pigment(self) -> str | None:
        """The pigment it is named as."""
        return self.spot.pigment


@dataclass(frozen=True, slots=True, eq=False)
class SpotPair:
    """Two neighbours in one lane, the faster first.

    Attributes
    ----------
    lane : str
    faster, slower : SpotResult
    rf_difference : Quantity
        With the shared lines' correlation.
    resolution : Quantity or None
        2 · distance / (sum of widths); None without both widths.
    column_difference : float
        Column volumes between them, rough; infinite beside a spot at the origin.
    """

    lane: str
    faster: SpotResult
    slower: SpotResult
    rf_difference: Quantity
    resolution: Quantity | None
    column_difference: float

    @property
    def names(self) -> tuple[str, str]:
        """What the two are called: pigment where known, else the spot's name."""
        return spot_label(self.faster.spot), spot_label(self.slower.spot)

    @property
    def told_apart(self) -> bool:
        """True when the difference in Rf exceeds its expanded uncertainty, k = 2."""
        return self.rf_difference.value > COVERAGE * self.rf_difference.uncertainty


@dataclass(frozen=True, slots=True, eq=False)
class PlateResult:
    """A plate with all that follows from its distances.

    Attributes
    ----------
    plate : Plate
    spots : tuple of SpotResult
        In the order of the sheet.
    pairs : tuple of SpotPair
        Neighbours in each lane.
    order : OrderTest or None
        None on another layer than silica or with fewer than two named pigments.
    flags : tuple of Flag
    """

    plate: Plate
    spots: tuple[SpotResult, ...]
    pairs: tuple[SpotPair, ...]
    order: OrderTest | None
    flags: tuple[Flag, ...]

    def lanes(self) -> dict[str, tuple[SpotResult, ...]]:
        """Return the spots by lane, fastest first."""
        found: dict[str, list[SpotResult]] = {}
        for one in self.spots:
            found.setdefault(one.spot.lane, []).append(one)
        return {lane: tuple(sorted(all_, key=_slowness)) for lane, all_ in found.items()}

    def spots_frame(self) -> pd.DataFrame:
        """Return a row a spot."""
        import pandas as pd

        return pd.DataFrame([_spot_row(self, one) for one in self.spots])

    def pairs_frame(self) -> pd.DataFrame:
        """Return a row a pair of neighbours."""
        import pandas as pd

        return pd.DataFrame([_pair_row(self, one) for one in self.pairs])

    def record(self) -> dict[str, Any]:
        """Return the plate as plain data for JSON."""
        order = self.order
        return {
            "name": self.plate.name,
            "developing_solvent": self.plate.developing_solvent,
            "layer": self.plate.layer,
            "mixture": self.plate.mixture,
            "spots": [_spot_row(self, one) for one in self.spots],
            "pairs": [_pair_row(self, one) for one in self.pairs],
            "order": None
            if order is None
            else {
                "pigments": list(order.pigments),
                "inverted": [[pair.faster, pair.slower] for pair in order.inverted],
                "chance": order.chance,
                "sentence": order.sentence,
            },
            "flags": [flag.as_dict() for flag in self.flags],
        }


def _slowness(one: SpotResult) -> float:
    return -one.rf.value


def _spot_row(result: PlateResult, one: SpotResult) -> dict[str, Any]:
    volumes = one.column_volumes
    return {
        "plate": result.plate.name,
        "lane": one.spot.lane,
        "spot": one.spot.name,
        "fraction": one.spot.fraction,
        "pigment": one.spot.pigment,
        "colour": one.spot.colour,
        "rf": one.rf.value,
        "rf_standard_uncertainty": one.rf.uncertainty,
        "relative_rf": one.relative_rf.value if one.relative_rf else None,
        "relative_rf_standard_uncertainty": (
            one.relative_rf.uncertainty if one.relative_rf else None
        ),
        "r_m": one.r_m.value,
        "r_m_standard_uncertainty": one.r_m.uncertainty,
        "column_volumes_rough": volumes.value if volumes else None,
        "column_volumes_low": volumes.low if volumes else None,
        "column_volumes_high": volumes.high if volumes else None,
        "suggestions": [suggestion.pigment for suggestion in one.suggestions],
    }


def _pair_row(result: PlateResult, pair: SpotPair) -> dict[str, Any]:
    return {
        "plate": result.plate.name,
        "lane": pair.lane,
        "faster": pair.names[0],
        "slower": pair.names[1],
        "rf_difference": pair.rf_difference.value,
        "rf_difference_standard_uncertainty": pair.rf_difference.uncertainty,
        "told_apart": pair.told_apart,
        "resolution": pair.resolution.value if pair.resolution else None,
        "resolution_standard_uncertainty": pair.resolution.uncertainty if pair.resolution else None,
        "column_volumes_between_rough": pair.column_difference,
    }


def spot_label(spot: Spot) -> str:
    """Return what a spot is called: its pigment where named, else its own name."""
    return spot.name if spot.pigment is None else pigment_name(spot.pigment)


# Plain formulas


def retardation_factor(distance: Quantity, origin: Quantity, front: Quantity) -> Quantity:
    """Rf of a spot.

    Rf = (spot - origin) / (front - origin)

    Parameters
    ----------
    distance, origin, front : Quantity
        mm from the same edge.

    Returns
    -------
    Quantity
        Dimensionless, with the part each distance adds to the uncertainty.

    Examples
    --------
    >>> line, spot = Quantity(0.0, 0.289, "mm"), Quantity(25.0, 0.577, "mm")
    >>> print(retardation_factor(spot, line, Quantity(50.0, 0.289, "mm")))
    0.500 ± 0.012
    """
    lines = _Lines(origin, front)
    return quantity(lines.rf(_spot_variable(distance)), "")


def column_volumes(
    rf: float, spread: float, void_volume: float | None = None
) -> ColumnVolumes | None:
    """Column volumes after which a spot would leave a column, about 1/Rf.

    Parameters
    ----------
    rf : float
    spread : float
        Half-width of the range, fraction of the value.
    void_volume : float, optional
        mL of one column volume.

    Returns
    -------
    ColumnVolumes or None
        None when Rf is not above 0: such a spot does not move.
    """
    if not rf > 0:
        return None
    value = 1 / rf
    three = value, value * (1 - spread), value * (1 + spread)
    eluted = None
    if void_volume is not None:
        eluted = (three[0] * void_volume, three[1] * void_volume, three[2] * void_volume)
    return ColumnVolumes(*three, eluted)


def resolution(
    faster: Quantity, slower: Quantity, faster_width: Quantity, slower_width: Quantity
) -> Quantity:
    """Resolution of two spots: twice their distance over the sum of their widths.

    Parameters
    ----------
    faster, slower : Quantity
        mm, centres of the spots.
    faster_width, slower_width : Quantity
        mm, lengths along the run.

    Returns
    -------
    Quantity
        Dimensionless; 1.5 counts as clean.

    Examples
    --------
    >>> mm = lambda value: Quantity(value, 0.5, "mm")
    >>> resolution(mm(30), mm(24), mm(4), mm(4)).value
    1.5
    """
    distance = _spot_variable(faster) - _spot_variable(slower)
    widths = measured(faster_width.value, faster_width.uncertainty, "spot widths") + measured(
        slower_width.value, slower_width.uncertainty, "spot widths"
    )
    return quantity(2 * distance / widths, "")


class _Lines:
    """Origin and front of a plate as variables that all its spots share."""

    def __init__(self, origin: Quantity, front: Quantity) -> None:
        self.origin = measured(origin.value, origin.uncertainty, "origin line")
        self.front = measured(front.value, front.uncertainty, "solvent front")

    def rf(self, spot: UFloat) -> UFloat:
        return (spot - self.origin) / (self.front - self.origin)


def _spot_variable(distance: Quantity) -> UFloat:
    return measured(distance.value, distance.uncertainty, "spot centre")


# Literature


@lru_cache(maxsize=1)
def _rf_rows() -> tuple[tuple[str, Mapping[str, float], LiteratureRf], ...]:
    return tuple(
        (
            row["layer"],
            mixture_parts(row["developing_solvent"]),
            LiteratureRf(
                row["pigment"],
                float(row["rf_low"]),
                float(row["rf_high"]),
                float(row["tolerance"]),
                "; ".join(filter(None, (row["source"], row["locator"]))),
                row["status"],
                row["note"],
            ),
        )
        for row in read_table("rf_values.csv").rows
    )


def literature_rf(
    developing_solvent: str, *, layer: str = "silica", pigment: str | None = None
) -> tuple[LiteratureRf, ...]:
    """Return published Rf values for a developing solvent.

    Parameters
    ----------
    developing_solvent : str
        As written, e.g. ``"hexane:acetone 70:30"``.
    layer : str
    pigment : str, optional
        Only this one.

    Returns
    -------
    tuple of LiteratureRf
        Empty when none is known for this very mixture.

    Examples
    --------
    >>> [one.high for one in literature_rf("acetone:hexane 3:7", pigment="chlorophyll-b")]
    [0.42]
    """
    wanted = mixture_parts(developing_solvent)
    if not wanted:
        return ()
    return tuple(
        one
        for known_layer, parts, one in _rf_rows()
        if known_layer == normalised(layer)
        and _same_mixture(wanted, parts)
        and pigment in (None, one.pigment)
    )


def _same_mixture(one: Mapping[str, float], other: Mapping[str, float]) -> bool:
    return one.keys() == other.keys() and all(
        abs(one[part] - other[part]) <= SAME_SHARE for part in one
    )


# A plate


def measure_plate(plate: Plate, *, void_volume: Quantity | None = None) -> PlateResult:
    """Return a plate with Rf and all that follows from it.

    Parameters
    ----------
    plate : Plate
    void_volume : Quantity, optional
        mL, of the column: turns column volumes into eluted volumes.

    Returns
    -------
    PlateResult
    """
    work = _Work(plate, void_volume)
    spots = tuple(_spot_result(spot, work) for spot in plate.spots)
    pairs = _neighbours(spots, work.values)
    order = _order(plate, spots, work.values)
    flags = [*_run_flags(plate, spots), *_literature_flags(plate, spots)]
    flags += _cospot_flags(plate, spots, work.values)
    flags += _pair_flags(plate, pairs)
    if order is not None and order.inverted:
        flags.append(Flag("plate-order", f"{plate.name}: {order.sentence}"))
    return PlateResult(plate, spots, pairs, order, ranked(flags))


class _Work:
    """A plate with its distances and Rf as correlated variables, by spot."""

    def __init__(self, plate: Plate, void_volume: Quantity | None) -> None:
        self.plate = plate
        self.lines = _Lines(plate.origin, plate.front)
        self.distances = {id(spot): _spot_variable(spot.distance) for spot in plate.spots}
        self.values = {key: self.lines.rf(one) for key, one in self.distances.items()}
        self.known = literature_rf(plate.developing_solvent, layer=plate.layer)
        self.void = void_volume.value if void_volume is not None else None


def _spot_result(spot: Spot, work: _Work) -> SpotResult:
    plate, rf = work.plate, work.values[id(spot)]
    r_m = Quantity(math.nan, math.nan, "")
    moved = rf.nominal_value > COVERAGE * rf.std_dev
    if moved and rf.nominal_value < 1:
        r_m = quantity(umath.log10(1 / rf - 1), "")
    spread = plate.settings["plate_column_volume_spread"]
    named = spot.pigment is not None
    return SpotResult(
        spot,
        quantity(rf, ""),
        r_m,
        _relative(spot, work),
        column_volumes(rf.nominal_value, spread, work.void) if moved else None,
        tuple(one for one in work.known if one.pigment == spot.pigment),
        () if named else _suggestions(spot, rf.nominal_value, plate, work.known),
    )


def _relative(spot: Spot, work: _Work) -> Quantity | None:
    reference = _reference_spot(work.plate, spot)
    if reference is None or reference is spot:
        return None
    # the front cancels: a ratio of distances from the origin
    below = work.distances[id(reference)] - work.lines.origin
    if not below.nominal_value > 0:
        return None
    return quantity((work.distances[id(spot)] - work.lines.origin) / below, "")


def _reference_spot(plate: Plate, spot: Spot) -> Spot | None:
    """Return the spot relative Rf refers to: in the same lane where there is one."""
    wanted = [plate.relative_to] if plate.relative_to else ["beta-carotene", "chlorophyll-a"]
    for name in wanted:
        found = [one for one in plate.spots if name in (one.name, one.pigment)]
        same = [one for one in found if one.lane == spot.lane]
        if same or found:
            return (same or found)[0]
    return None


def _suggestions(
    spot: Spot, rf: float, plate: Plate, known: Sequence[LiteratureRf]
) -> tuple[Suggestion, ...]:
    colour = normalised(spot.colour)
    published = {one.pigment: one for one in known}
    if normalised(plate.layer) != "silica" or not (colour or published):
        return ()
    found: list[tuple[float, Suggestion]] = []
    for pigment in plate_pigments().values():
        reasons = []
        if colour:
            if colour not in pigment.colours:
                continue
            reasons.append(f"its colour ({spot.colour})")
        distance = 0.0
        if published:
            row = published.get(pigment.key)
            if row is None or not row.agrees(rf):
                continue
            distance = max(row.low - rf, rf - row.high, 0.0)
            reasons.append(f"its Rf (published {_range(row)})")
        found.append((distance, Suggestion(pigment.key, " and ".join(reasons))))
    return tuple(suggestion for _, suggestion in sorted(found, key=lambda item: item[0]))


def _range(row: LiteratureRf) -> str:
    span = f"{row.low:.2f}" if row.low == row.high else f"{row.low:.2f}-{row.high:.2f}"
    return f"{span} ± {row.tolerance:.2f}, {row.status}"


def spot_pair(result: PlateResult, faster: SpotResult, slower: SpotResult) -> SpotPair:
    """Return two spots of one plate as a pair, neighbours or not.

    Parameters
    ----------
    result : PlateResult
        The plate both are on.
    faster, slower : SpotResult

    Returns
    -------
    SpotPair
        Its lane is that of `faster`.
    """
    values = _Work(result.plate, None).values
    return _pair(faster.spot.lane, faster, slower, values)


def _neighbours(spots: Sequence[SpotResult], values: Mapping[int, UFloat]) -> tuple[SpotPair, ...]:
    lanes: dict[str, list[SpotResult]] = {}
    for one in spots:
        lanes.setdefault(one.spot.lane, []).append(one)
    pairs = []
    for lane, found in lanes.items():
        ordered = sorted(found, key=_slowness)
        for faster, slower in pairwise(ordered):
            pairs.append(_pair(lane, faster, slower, values))
    return tuple(pairs)


def _pair(
    lane: str, faster: SpotResult, slower: SpotResult, values: Mapping[int, UFloat]
) -> SpotPair:
    one, other = faster.spot, slower.spot
    apart = None
    if one.width is not None and other.width is not None:
        apart = resolution(one.distance, other.distance, one.width, other.width)
    volumes = faster.column_volumes, slower.column_volumes
    between = math.inf
    if volumes[0] is not None and volumes[1] is not None:
        between = volumes[1].value - volumes[0].value
    return SpotPair(
        lane,
        faster,
        slower,
        quantity(values[id(one)] - values[id(other)], ""),
        apart,
        between,
    )


def _order(
    plate: Plate, spots: Sequence[SpotResult], values: Mapping[int, UFloat]
) -> OrderTest | None:
    """Return the order test; the known order holds for silica only."""
    if normalised(plate.layer) != "silica":
        return None
    named: dict[str, list[UFloat]] = {}
    for one in spots:
        if one.pigment is not None:
            named.setdefault(one.pigment, []).append(values[id(one.spot)])
    return order_test(named)


# Flags


def _pair_flags(plate: Plate, pairs: Iterable[SpotPair]) -> list[Flag]:
    flags = []
    for pair in pairs:
        if not pair.told_apart:
            message = (
                f"{plate.name}, lane {pair.lane}: the Rf of {pair.names[0]} and {pair.names[1]} "
                f"differ by {pair.rf_difference}, within uncertainty; tell them by colour and by "
                "co-spotting."
            )
            flags.append(Flag("plate-unresolved", message))
    return flags


def _run_flags(plate: Plate, spots: Iterable[SpotResult]) -> list[Flag]:
    flags = []
    run = plate.front.value - plate.origin.value
    if run < plate.settings["plate_run_minimum"]:
        message = (
            f"{plate.name}: the front ran {run:.0f} mm (advised: at least "
            f"{plate.settings['plate_run_minimum']:g}); Rf is coarse."
        )
        flags.append(Flag("plate-short-run", message))
    limit = plate.settings["plate_overload_width"]
    for one in spots:
        if one.spot.width is not None and one.spot.width.value > limit * run:
            message = (
                f"{plate.name}: {spot_label(one.spot)} in lane {one.spot.lane} is "
                f"{one.spot.width.value:g} mm long, more than {100 * limit:g} % of the run: "
                "overloaded or tailing, and its Rf is doubtful."
            )
            flags.append(Flag("plate-overloaded", message))
    return flags


def _literature_flags(plate: Plate, spots: Iterable[SpotResult]) -> list[Flag]:
    flags = []
    for one in spots:
        if one.literature and not any(row.agrees(one.rf.value) for row in one.literature):
            row = one.literature[0]
            message = (
                f"{plate.name}: {spot_label(one.spot)} has Rf {one.rf.value:.2f}, published "
                f"{_range(row)}. Check front and origin, the mixture of the developing solvent, "
                "and the name; humidity and load move Rf too."
            )
            flags.append(Flag("plate-rf-unusual", message))
    return flags


def _cospot_flags(
    plate: Plate, spots: Sequence[SpotResult], values: Mapping[int, UFloat]
) -> list[Flag]:
    """Flag one pigment that runs differently in two lanes of a plate."""
    flags = []
    for one, other in combinations([spot for spot in spots if spot.pigment], 2):
        if one.pigment != other.pigment or one.spot.lane == other.spot.lane:
            continue
        apart = values[id(one.spot)] - values[id(other.spot)]
        if abs(apart.nominal_value) > COVERAGE * apart.std_dev:
            message = (
                f"{plate.name}: {spot_label(one.spot)} has Rf {one.rf.value:.2f} in lane "
                f"{one.spot.lane} and {other.rf.value:.2f} in lane {other.spot.lane}. Not the "
                "same substance, or an uneven front."
            )
            flags.append(Flag("plate-lanes-differ", message))
    return flags
