"""Choosing a developing solvent: plates of one mixture, ranked by their critical pair."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from specfrac.errors import InputError
from specfrac.plates.measure import (
    PlateResult,
    SpotPair,
    SpotResult,
    column_volumes,
    spot_label,
    spot_pair,
)
from specfrac.settings import Settings
from specfrac.uncertainty import Quantity

if TYPE_CHECKING:
    import pandas as pd

COVERAGE = 2.0
POLAR_WORDS = "less of the more polar part"
WEAK_WORDS = "more of the more polar part"


@dataclass(frozen=True, slots=True, eq=False)
class SolventRank:
    """One plate's standing.

    Attributes
    ----------
    rank : int
        1 is best; plates the data cannot part share a rank.
    plate, developing_solvent : str
    spots, missing : int
        Spots of the mixture, and how many fewer than the best plate shows.
    critical : (str, str) or None
        The pair that is hardest to separate (or the pair that was asked for).
    separation : Quantity or None
        Of the critical pair: resolution, or difference in Rf where widths are not known.
    measure : str
        ``"resolution"`` or ``"difference in Rf"``.
    critical_rf : float
        Mean Rf of the critical pair.
    column_difference : float
        Column volumes between them, rough.
    reasons : tuple of str
    """

    rank: int
    plate: str
    developing_solvent: str
    spots: int
    missing: int
    critical: tuple[str, str] | None
    separation: Quantity | None
    measure: str
    critical_rf: float
    column_difference: float
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class SolventChoice:
    """Plates of one mixture, best first.

    Attributes
    ----------
    mixture : str
    ranks : tuple of SolventRank
    sentence : str
    """

    mixture: str
    ranks: tuple[SolventRank, ...]
    sentence: str

    def to_frame(self) -> pd.DataFrame:
        """Return a row a plate, best first."""
        import pandas as pd

        return pd.DataFrame([_row(one) for one in self.ranks])

    def record(self) -> dict[str, Any]:
        """Return the choice as plain data for JSON."""
        return {
            "mixture": self.mixture,
            "sentence": self.sentence,
            "ranks": [_row(one) | {"reasons": list(one.reasons)} for one in self.ranks],
        }


def _row(one: SolventRank) -> dict[str, Any]:
    return {
        "rank": one.rank,
        "plate": one.plate,
        "developing_solvent": one.developing_solvent,
        "spots": one.spots,
        "critical_pair": " / ".join(one.critical) if one.critical else None,
        "measure": one.measure,
        "separation": one.separation.value if one.separation else None,
        "separation_standard_uncertainty": one.separation.uncertainty if one.separation else None,
        "critical_rf": one.critical_rf,
        "column_volumes_between_rough": one.column_difference,
    }


@dataclass(frozen=True, slots=True, eq=False)
class _Candidate:
    plate: PlateResult
    spots: tuple[SpotResult, ...]
    critical: SpotPair | None
    separation: Quantity | None
    missing: int


def choose_developing_solvents(
    plates: Sequence[PlateResult], *, pair: tuple[str, str] | None = None
) -> tuple[SolventChoice, ...]:
    """Rank the developing solvents of every mixture that was run on several plates.

    Plates belong together by `Plate.mixture`, or else by a lane name they share.

    Parameters
    ----------
    plates : sequence of PlateResult
    pair : (str, str), optional
        Pigments that must be separated; otherwise the worst pair of each plate counts.

    Returns
    -------
    tuple of SolventChoice
        Empty when no mixture was run on two plates.
    """
    groups: dict[str, list[PlateResult]] = {}
    for plate in plates:
        for name in _mixtures(plate):
            groups.setdefault(name, []).append(plate)
    return tuple(
        choose_developing_solvent(found, mixture=name, pair=pair)
        for name, found in groups.items()
        if len(found) > 1
    )


def _mixtures(plate: PlateResult) -> Iterable[str]:
    return (plate.plate.mixture,) if plate.plate.mixture else tuple(plate.lanes())


def choose_developing_solvent(
    plates: Sequence[PlateResult], *, mixture: str = "", pair: tuple[str, str] | None = None
) -> SolventChoice:
    """Rank plates of one mixture: most spots first, then the best critical pair.

    Parameters
    ----------
    plates : sequence of PlateResult
    mixture : str
        Name of the lane, where a plate has several; otherwise its fullest lane counts.
    pair : (str, str), optional
        Pigments that must be separated.

    Returns
    -------
    SolventChoice

    Raises
    ------
    InputError
        If no plate is given.
    """
    if not plates:
        raise InputError("no plates of one mixture: develop at least one, better two or three.")
    lanes = [_lane(plate, mixture) for plate in plates]
    most = max(len(lane) for lane in lanes)
    found = [_candidate(plate, lane, most, pair) for plate, lane in zip(plates, lanes, strict=True)]
    if any(one.critical is not None and one.critical.resolution is None for one in found):
        measure = "difference in Rf"
        found = [_candidate(one.plate, one.spots, most, pair, by_rf=True) for one in found]
    else:
        measure = "resolution"
    ordered = sorted(found, key=lambda one: (one.missing, -_size(one.separation)))
    ranks = _ranked(ordered, measure, pair)
    return SolventChoice(mixture, ranks, _sentence(ranks))


def _lane(plate: PlateResult, mixture: str) -> tuple[SpotResult, ...]:
    lanes = plate.lanes()
    return lanes.get(mixture) or max(lanes.values(), key=len)


def _candidate(
    plate: PlateResult,
    lane: tuple[SpotResult, ...],
    most: int,
    pair: tuple[str, str] | None,
    *,
    by_rf: bool = False,
) -> _Candidate:
    if pair is not None:
        asked = _asked(plate, lane, pair)
        between: tuple[SpotPair, ...] = () if asked is None else (asked,)
        missing = 0 if between else 1
    else:
        between = tuple(one for one in plate.pairs if one.faster in lane)
        missing = most - len(lane)
    measured = [(one, _separation(one, by_rf)) for one in between]
    worst = min(measured, key=lambda item: _size(item[1]), default=None)
    critical, separation = worst if worst is not None else (None, None)
    return _Candidate(plate, lane, critical, separation, missing)


def _asked(
    plate: PlateResult, lane: tuple[SpotResult, ...], wanted: tuple[str, str]
) -> SpotPair | None:
    """Return the pair that was asked for, or None when a pigment of it has no spot."""
    found = [next((one for one in lane if one.pigment == name), None) for name in wanted]
    first, second = found
    if first is None or second is None or first is second:
        return None
    if first.rf.value < second.rf.value:
        first, second = second, first
    return spot_pair(plate, first, second)


def _separation(pair: SpotPair, by_rf: bool) -> Quantity:
    if by_rf or pair.resolution is None:
        return pair.rf_difference
    return pair.resolution


def _size(value: Quantity | None) -> float:
    return value.value if value is not None else -math.inf


def _ranked(
    ordered: Sequence[_Candidate], measure: str, pair: tuple[str, str] | None
) -> tuple[SolventRank, ...]:
    ranks: list[SolventRank] = []
    for at, one in enumerate(ordered, start=1):
        before = ordered[at - 2] if at > 1 else None
        tied = before is not None and _tied(before, one)
        rank = ranks[-1].rank if tied else at
        ranks.append(_rank(one, rank, measure, pair))
    return tuple(ranks)


def _tied(better: _Candidate, worse: _Candidate) -> bool:
    """True when the data cannot tell which critical pair is better apart."""
    if better.missing != worse.missing or better.separation is None or worse.separation is None:
        return False
    spread = math.hypot(better.separation.uncertainty, worse.separation.uncertainty)
    return better.separation.value - worse.separation.value <= COVERAGE * spread


def _rank(one: _Candidate, rank: int, measure: str, pair: tuple[str, str] | None) -> SolventRank:
    critical = one.critical
    middle = math.nan
    if critical is not None:
        middle = (critical.faster.rf.value + critical.slower.rf.value) / 2
    return SolventRank(
        rank,
        one.plate.plate.name,
        one.plate.plate.developing_solvent,
        len(one.spots),
        one.missing,
        critical.names if critical else None,
        one.separation,
        measure,
        middle,
        critical.column_difference if critical else math.nan,
        tuple(_reasons(one, measure, middle, pair)),
    )


def _reasons(
    one: _Candidate, measure: str, middle: float, pair: tuple[str, str] | None
) -> Iterable[str]:
    settings = one.plate.plate.settings
    if one.missing and pair is not None:
        yield f"{pair[0]} and {pair[1]} are not both seen as spots"
    elif one.missing:
        yield f"{one.missing} fewer spots than the best plate: some run together"
    if one.critical is not None and one.separation is not None:
        first, second = one.critical.names
        yield (
            f"critical pair {first} / {second}: {measure} {one.separation}"
            + _quality(one.separation, measure, settings)
        )
        yield _window(middle, settings)
        yield _on_the_column(one.critical, settings)
    yield from _extremes(one.spots, settings)


def _quality(separation: Quantity, measure: str, settings: Settings) -> str:
    if measure != "resolution":
        wanted = settings["plate_rf_difference"]
        return "" if separation.value >= wanted else f" (wanted: {wanted:g})"
    if separation.value >= settings["plate_resolution_clean"]:
        return ", clean"
    if separation.value >= settings["plate_resolution_acceptable"]:
        return ", acceptable"
    return ", not separated"


def _window(middle: float, settings: Settings) -> str:
    low, high = settings["plate_choice_rf_low"], settings["plate_choice_rf_high"]
    if middle > high:
        return f"it runs at Rf {middle:.2f}, above {low:g}-{high:g}: take {POLAR_WORDS}"
    if middle < low:
        return f"it runs at Rf {middle:.2f}, below {low:g}-{high:g}: take {WEAK_WORDS}"
    return f"it runs at Rf {middle:.2f}, within the wanted {low:g}-{high:g}"


def _on_the_column(pair: SpotPair, settings: Settings) -> str:
    spread = settings["plate_column_volume_spread"]
    faster = column_volumes(pair.faster.rf.value, spread)
    if faster is None or not math.isfinite(pair.column_difference):
        return "one of the pair stays at the origin and would stay on a column"
    wanted = settings["plate_column_difference"]
    enough = "should" if pair.column_difference > wanted else "may not"
    return (
        f"on a column about {pair.column_difference:.2g} column volumes apart (rough, "
        f"±{100 * spread:.0f} %), which {enough} separate them"
    )


def _extremes(spots: Sequence[SpotResult], settings: Settings) -> Iterable[str]:
    if not spots:
        return
    slowest, fastest = spots[-1], spots[0]
    low, high = settings["plate_slowest_rf"], settings["plate_fastest_rf"]
    if slowest.rf.value < low:
        yield f"{spot_label(slowest.spot)} runs slower than Rf {low:g}"
    if fastest.rf.value > high:
        yield f"{spot_label(fastest.spot)} runs faster than Rf {high:g}"


def _sentence(ranks: Sequence[SolventRank]) -> str:
    best = [one for one in ranks if one.rank == 1]
    if best[0].critical is None:
        return "No plate shows two spots, so none can be ranked."
    if len(ranks) == 1:
        return f"Only one plate: {best[0].developing_solvent or best[0].plate}."
    if len(best) > 1:
        listed = " and ".join(one.developing_solvent or one.plate for one in best)
        return (
            f"{listed} cannot be told apart: their critical pairs are equally well separated "
            "within uncertainty. Take the one whose pair runs nearer the wanted Rf."
        )
    first = best[0]
    poor = "not separated" in first.reasons[0]
    how = "is the best of these, though no plate is good yet" if poor else "separates best"
    return (
        f"{first.developing_solvent or first.plate} {how}: {first.reasons[0]}. Compare plates of "
        "the same layer, chamber and load only."
    )
