"""How the numbers of a run came about: balance, conversion, content, elution, pools."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from specfrac.names import listed, spoken
from specfrac.plots import pool_label
from specfrac.report.markup import Html, joined, slug
from specfrac.report.names import full_name, tube_id, workings_id
from specfrac.report.numbers import MINUS, between, plus_minus, probability, share, significant
from specfrac.report.pictures import tube_numbers
from specfrac.report.tube_workings import content_formula, sums_of
from specfrac.report.workings import fold, step, unfolding, workings
from specfrac.uncertainty import Quantity

if TYPE_CHECKING:
    from specfrac.elution import Band, Neighbours, Profile
    from specfrac.pooling import Pool, Pooling
    from specfrac.quantities import PorphyrinBalance
    from specfrac.run import Balance, BalanceRow, Extracted, RunResult
    from specfrac.settings import Settings

BALANCE, CONVERSION, CONTENT, ELUTION, POOL = "balance", "conversion", "content", "elution", "pool"
CLOSURE_SETTINGS = ("closure_low", "closure_note_low", "closure_note_high", "closure_high")


def how_id(section: str, key: str) -> str:
    """Return the anchor of the workings of a number of the run."""
    return f"how-{section}-{slug(key)}"


# Balance


def balance_workings(result: RunResult) -> Html | None:
    """Return the workings of what was loaded and found, of conversions and of contents."""
    found = result.balance
    return workings(
        [
            *(_balance_row(result, found, row) for row in found.rows),
            *(_conversion(pool) for pool in found.porphyrins if converts(pool)),
            *(_content(result, one) for one in result.extracted),
        ]
    )


def converts(pool: PorphyrinBalance) -> bool:
    """Return whether a conversion to pheophytin is known."""
    return math.isfinite(pool.conversion.value)


def _balance_row(result: RunResult, found: Balance, row: BalanceRow) -> Html:
    steps = []
    if row.loaded is not None:
        steps.append(
            step(
                "Loaded",
                f"{_whose(row)} in {found.loaded_name}, c × loaded volume"
                f"{_in_moles(row)}: {plus_minus(row.loaded, unit=row.unit)}",
            )
        )
    steps.append(_found_step(result, row))
    if row.closure_interval is not None:
        figure = (
            plus_minus(row.closure, factor=100, unit="%") + ", "
            if row.closure is not None and math.isfinite(row.closure.value)
            else "no single figure, "
        )
        steps.append(
            step(
                "Closure",
                f"found over loaded: {figure}95 % interval {between(row.closure_interval)}. It "
                "holds every ratio that the data accept (Fieller 1954), so it need not be "
                "symmetric. Errors that both share (gain, cell, and absorptivity and band shape "
                "of one reference) cancel",
            )
        )
    limits = "" if row.outcome == "see pool" else f" {_limits(result.run.settings)}"
    steps.append(step("Verdict", row.verdict + limits))
    closure = row.closure if row.closure is not None and row.closure.uncertainty > 0 else None
    return fold(
        how_id(BALANCE, row.name),
        f"{spoken(row.name)}: {plus_minus(row.found, unit=row.unit)} found",
        steps,
        [
            (f"loaded, {row.unit}", row.loaded, 1.0),
            (f"found, {row.unit}", row.found, 1.0),
            ("closure, %", closure, 100.0),
        ],
    )


def _whose(row: BalanceRow) -> str:
    return "its mass" if len(row.members) == 1 else f"sum of {listed(map(full_name, row.members))}"


def _in_moles(row: BalanceRow) -> str:
    return " / molar mass" if row.unit == "nmol" else ""


def _found_step(result: RunResult, row: BalanceRow) -> Html:
    """Return the sum tube by tube; each term leads to its own workings."""
    numbers = tube_numbers(result)
    terms: list[Html] = []
    for name, held in row.tubes:
        if held is None:
            continue
        sign = MINUS if held.value < 0 else "+" if terms else ""
        tube = unfolding(f"tube {numbers[name]}", _tube_anchor(result, row, numbers[name]))
        terms.append(joined(f"{sign} {significant(abs(held.value), 4)} (".lstrip(), tube, ")"))
    words = (
        f" {row.unit} = {plus_minus(row.found, unit=row.unit)}, with the correlations of the "
        "tubes; what was not detected counts as the scan leaves it, without the bound at zero"
    )
    if row.uncounted:
        words += f". Not counted: {listed(one.reason for one in row.uncounted)}"
    return step("Found", joined(terms, by=" ") if terms else "nothing", words)


def _tube_anchor(result: RunResult, row: BalanceRow, number: int) -> str:
    tube = result.fractions[number - 1]
    one = tube.pigment(row.name)
    if one is not None:
        return workings_id(number, one.merged_into or row.name)
    # what a pool sums in moles may have no line of its own in a tube
    known = any(group.name == row.name for group in sums_of(tube))
    return workings_id(number, row.name) if known else tube_id(number)


def _limits(settings: Settings) -> str:
    given = ", ".join(
        f"{key} {settings[key]:g} {settings.limits[key].source}" for key in CLOSURE_SETTINGS
    )
    return f"Limits of found over loaded: {given}."


def _conversion(pool: PorphyrinBalance) -> Html:
    before, after = (
        plus_minus(one, factor=100, unit="%")
        for one in (pool.pheophytin_loaded, pool.pheophytin_found)
    )
    return fold(
        how_id(CONVERSION, pool.kind),
        f"chlorophyll {pool.kind} turned to pheophytin {pool.kind}: "
        f"{plus_minus(pool.conversion, factor=100, unit='%')}",
        [
            step(
                "Share of pheophytin",
                f"pheophytin over chlorophyll and pheophytin {pool.kind}, in moles: loaded "
                f"p₀ = {before}; in all tubes p₁ = {after}",
            ),
            step(
                "Conversion",
                "(p₁ − p₀) / (1 − p₀), if both forms were lost alike: "
                f"{plus_minus(pool.conversion, factor=100, unit='%')}. The absorptivities of the "
                "two forms are different numbers, so their errors do not cancel",
            ),
        ],
        [
            ("p₀, %", pool.pheophytin_loaded, 100.0),
            ("p₁, %", pool.pheophytin_found, 100.0),
            ("conversion, %", pool.conversion, 100.0),
        ],
    )


def _content(result: RunResult, one: Extracted) -> Html:
    stated = plus_minus(one.content, unit="µg/g")
    equivalents = (
        ", pheophytin counted as the chlorophyll it was" if one.name.endswith("-pool") else ""
    )
    return fold(
        how_id(CONTENT, one.name),
        f"{spoken(one.name)} extracted per gram: {stated}",
        [
            step(
                "Content",
                f"m of {listed(map(full_name, one.members))} in {result.balance.loaded_name}"
                f"{equivalents}: {content_formula(result, 'm')} = {stated}. The loaded volume is "
                "in m as well and cancels. What stayed in the leaf is not in it",
            )
        ],
        [("content, µg/g", one.content, 1.0)],
    )


# The column


def elution_workings(profile: Profile, numbers: dict[str, int]) -> Html | None:
    """Return the workings of every band of an elution profile."""
    before = {pair.second: pair for pair in profile.neighbours}
    return workings(
        _band(profile, band, before.get(band.pigment), numbers) for band in profile.bands
    )


def _band(profile: Profile, band: Band, pair: Neighbours | None, numbers: dict[str, int]) -> Html:
    tubes = zip(profile.names, profile.start, profile.end, band.masses, strict=True)
    terms = [
        f"tube {numbers[name]}, {start:.4g} to {end:.4g} mL: {plus_minus(mass, unit='µg')}"
        for name, start, end, mass in tubes
        if mass is not None
    ]
    width = "narrower than its tubes" if band.width is None else plus_minus(band.width, unit="mL")
    steps = [
        step("Masses", f"{'; '.join(terms)}. Only tubes that show the pigment count below"),
        step(
            "Centre",
            f"Σ m v / Σ m, v the middle of a tube's range: {plus_minus(band.centre, unit='mL')}",
        ),
        step(
            "Width",
            "√(Σ m ((v − centre)² − h²/12) / Σ m), h the tube's range (Sheppard 1898): " + width,
        ),
    ]
    if band.column_volumes is not None:
        steps.append(
            step("Column volumes", f"centre over void volume: {plus_minus(band.column_volumes)}")
        )
    if pair is not None:
        steps.append(_neighbour_step(pair))
    return fold(
        how_id(ELUTION, band.pigment),
        f"{full_name(band.pigment)}: centre {plus_minus(band.centre, unit='mL')}",
        steps,
        [
            ("sum, µg", band.total, 1.0),
            ("centre, mL", band.centre, 1.0),
            ("width, mL", band.width, 1.0),
            ("column volumes", band.column_volumes, 1.0),
            ("resolution", pair.resolution if pair is not None else None, 1.0),
        ],
    )


def _neighbour_step(pair: Neighbours) -> Html:
    apart = "not known, for want of a width"
    if pair.resolution is not None:
        apart = plus_minus(pair.resolution)
    return step(
        "Beside " + full_name(pair.first),
        f"resolution, distance of the centres over 2 (w₁ + w₂): {apart}; overlap, Σ of the smaller "
        f"share of each tube: {100 * pair.overlap:.0f} %",
    )


def pooling_workings(result: RunResult, found: Pooling) -> Html | None:
    """Return the workings of the pools that are advised."""
    chosen: dict[tuple[str, ...], list[tuple[float, Pool]]] = {}
    for wanted, pool in found.best:
        if pool is not None:
            chosen.setdefault(pool.names, []).append((wanted, pool))
    return workings(_pool(result, found, pools) for pools in chosen.values())


def pool_id(pool: Pool, numbers: dict[str, int]) -> str:
    """Return the anchor of the workings of a pool."""
    return how_id(POOL, pool_label(pool, numbers))


def _pool(result: RunResult, found: Pooling, pools: Sequence[tuple[float, Pool]]) -> Html:
    numbers = tube_numbers(result)
    pool = pools[0][1]
    name = full_name(found.target)
    odds = "; ".join(
        f"p = {100 * wanted:g} %: {probability(one.probability)}"
        for wanted, one in pools
        if one.probability is not None
    )
    label = pool_label(pool, numbers)
    return fold(
        pool_id(pool, numbers),
        f"tubes {label}: {plus_minus(pool.mass, unit='µg')} {name}",
        [
            step(
                "Choice",
                f"of all pools of neighbouring tubes in {', '.join(found.order)}, the one with "
                "most of the wanted pigment whose share is above the wanted one with a "
                f"probability of at least {found.confidence:g} (setting decision_confidence). A "
                "pool does not reach over a tube whose content is not known",
            ),
            step(
                "Mass",
                f"m = Σ over tubes {label} = {plus_minus(pool.mass, unit='µg')}, "
                f"{100 * pool.yield_share:.3g} % of what all tubes hold of it",
            ),
            step(
                "Share",
                f"m / M, M all coloured pigment in them: {share(pool.share, pool.interval)}",
            ),
            step("Probability", f"Φ((m − p M) / u(m − p M)): {odds}"),
        ],
        [("m, µg", _budgeted(pool.mass), 1.0), ("share, %", _budgeted(pool.share), 100.0)],
    )


def _budgeted(given: Quantity) -> Quantity | None:
    return given if math.isfinite(given.uncertainty) else None
