"""Checking an Rf somebody worked out from distances on a plate."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from specfrac.claims.facts import RunFacts
from specfrac.claims.results import (
    CARRIED,
    DEPARTS,
    LABELS,
    RIGHT,
    UNCHECKED,
    ClaimResult,
    StepCheck,
)
from specfrac.claims.sheet import RfClaim
from specfrac.claims.slips import Branch, Sight, best_match, figure_slips
from specfrac.errors import RunSheetError, did_you_mean
from specfrac.settings import Settings

if TYPE_CHECKING:
    from specfrac.plates.measure import PlateResult, SpotResult


def check_rf(facts: RunFacts, claim: RfClaim, settings: Settings) -> ClaimResult:
    """Check the distances and the Rf of one spot against the plate.

    Raises
    ------
    RunSheetError
        If the claim names a plate the run does not have.
    """
    spot = _plate_spot(facts, claim)
    steps: list[StepCheck] = []
    given = {key: one.value for key, one in claim.numbers.items()}
    right = {key: math.nan for key in ("distance_mm", "origin_mm", "front_mm", "rf")}
    if spot is not None:
        plate, found = spot
        right = {
            "distance_mm": found.spot.distance.value,
            "origin_mm": plate.plate.origin.value,
            "front_mm": plate.plate.front.value,
            "rf": found.rf.value,
        }
    departed = False
    for key in ("distance_mm", "origin_mm", "front_mm"):
        if key in claim.numbers:
            step = _distance_step(facts, claim, key, right, settings)
            steps.append(step)
            departed = departed or step.verdict == DEPARTS
    steps.append(_rf_step(facts, claim, given, right, (settings, departed)))
    name = claim.pigment or claim.spot or "spot"
    title = f"Rf of {name}" + (f" on {claim.plate}" if claim.plate else "")
    return ClaimResult(title, claim.plate, name, tuple(steps))


def _plate_spot(facts: RunFacts, claim: RfClaim) -> tuple[PlateResult, SpotResult] | None:
    plates = [one for one in facts.plates if claim.plate in ("", one.plate.name)]
    if claim.plate and not plates:
        names = [one.plate.name for one in facts.plates]
        raise RunSheetError(
            f"{claim.place}: plate is {claim.plate!r}, but the run has no such plate. "
            f"{did_you_mean(claim.plate, names) if names else 'It has none.'}"
        )
    found = [
        (plate, one)
        for plate in plates
        for one in plate.spots
        if claim.lane in ("", one.spot.lane)
        and claim.spot in ("", one.spot.name)
        and claim.pigment in (None, one.pigment)
    ]
    named = bool(claim.spot or claim.pigment)
    return found[0] if found and named else None


def _distance_step(
    facts: RunFacts, claim: RfClaim, key: str, right: Mapping[str, float], settings: Settings
) -> StepCheck:
    given = claim.numbers[key]
    true = right[key]
    step = StepCheck(key, LABELS[key], given.written, given.value, true, true, RIGHT)
    if not math.isfinite(true):
        return replace(step, verdict=UNCHECKED, note="no such spot in the run sheet")
    # an origin line may be zero, and its distance counts from another edge
    limit = 2 * (settings["plate_spot_uncertainty"] + settings["plate_line_uncertainty"])
    if abs(given.value - true) <= limit:
        return step
    factor = given.value / true if true else math.nan
    edges = _edges(facts, claim)
    if key == "front_mm" and any(abs(given.value - edge) <= limit for edge in edges):
        return replace(step, verdict=DEPARTS, factor=factor, slip="wrong-front",
                       note="the edge of the plate")  # fmt: skip
    slip = {"origin_mm": "origin-not-subtracted", "front_mm": "wrong-front"}.get(key, "unnamed")
    return replace(step, verdict=DEPARTS, factor=factor, slip=slip)


def _edges(facts: RunFacts, claim: RfClaim) -> list[float]:
    return [
        one.plate.height
        for one in facts.plates
        if claim.plate in ("", one.plate.name) and one.plate.height is not None
    ]


def _rf_step(
    facts: RunFacts,
    claim: RfClaim,
    given: Mapping[str, float],
    right: Mapping[str, float],
    state: tuple[Settings, bool],
) -> StepCheck:
    settings, departed = state
    figure = claim.numbers["rf"]
    spot = given.get("distance_mm", right["distance_mm"])
    front = given.get("front_mm", right["front_mm"])
    origin = given.get("origin_mm", right["origin_mm"] if "front_mm" not in given else 0.0)
    step = StepCheck("rf", LABELS["rf"], figure.written, figure.value, math.nan, right["rf"], RIGHT)
    if not (math.isfinite(spot) and math.isfinite(front) and front != origin):
        return replace(step, verdict=UNCHECKED, note="no distances to compute it from")
    expected = (spot - origin) / (front - origin)
    step = replace(step, expected=expected)
    limit = settings["claims_rf"]
    if abs(figure.value - expected) <= limit:
        return replace(step, verdict=CARRIED if departed else RIGHT)
    if abs(figure.value - right["rf"]) <= limit:
        note = "though it does not follow from the distances written"
        return replace(step, note=note)
    wrong = [*_rf_slips(spot, origin, front, _edges(facts, claim))]
    wrong += figure_slips(figure, [Branch(expected)], int(settings["claims_digits"]))
    widened = [
        replace(one, tolerance=limit / 2 / abs(one.value) if one.value else 0.0) for one in wrong
    ]
    match = best_match(
        figure, widened, Sight(settings["claims_arithmetic"], 1, odds={"digits-swapped": 0.2})
    )
    return replace(
        step,
        verdict=DEPARTS,
        factor=figure.value / expected if expected else math.nan,
        slip=match.branch.slip if match else "unnamed",
        others=match.others if match else (),
        note=match.branch.how if match else "",
    )


def _rf_slips(spot: float, origin: float, front: float, edges: Iterable[float]) -> list[Branch]:
    """Return what an Rf would be after each usual slip."""
    forgotten = "origin-not-subtracted"
    ratios = [
        (forgotten, "neither distance from the origin", spot, front),
        (forgotten, "the front not from the origin", spot - origin, front),
        (forgotten, "the spot not from the origin", spot, front - origin),
        ("inverted-ratio", "", front - origin, spot - origin),
        *(("wrong-front", "to the edge of the plate", spot - origin, e - origin) for e in edges),
    ]
    return [Branch(part / whole, code, how) for code, how, part, whole in ratios if whole]
