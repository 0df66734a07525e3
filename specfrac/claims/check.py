"""Checking somebody's worked figures step by step.

Every figure is recomputed twice: from the person's own figures before it, so that an
error carried along is told from a new one; and from the scan, the run sheet and
published data. The first step that departs is named with its factor and the slip that
explains it best. Right work by another valid method is accepted as such.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from specfrac.bench_settings import bench_settings
from specfrac.claims.facts import (
    RunFacts,
    ScanFacts,
    TubeFacts,
    valid_sets,
)
from specfrac.claims.results import (
    CARRIED,
    DEPARTS,
    LABELS,
    OTHER_METHOD,
    RIGHT,
    UNCHECKED,
    ClaimResult,
    ClaimsResult,
    ClassResult,
    StepCheck,
)
from specfrac.claims.rf import check_rf
from specfrac.claims.sheet import Claim, Claimed, ClaimSheet, Reading
from specfrac.claims.slips import (
    Branch,
    Match,
    Sight,
    best_match,
    carried,
    clean,
    figure_slips,
    near,
    slipped,
    through,
)
from specfrac.claims.steps import (
    THOUSAND,
    Working,
    absorptivity_branches,
    amount_factors,
    claimed_readings,
    concentration_branches,
    content_factors,
    dilution_factors,
    loaded_factors,
    mass_factors,
    method_wavelengths,
    molar_factors,
    other_molar_masses,
    placed_wrong,
    reading_branches,
    reading_tolerance,
    recovery_factors,
    scan_readings,
)
from specfrac.claims.steps import by_equations as _by_equations
from specfrac.errors import RunSheetError, did_you_mean
from specfrac.flags import Flag, ranked
from specfrac.settings import Settings

WHOLE = "by the whole scan"
SAME_PLACE = 0.5  # nm; readings of a scan are taken at the very wavelengths of a set
READING_SHARPNESS = 5.0  # most readings agree far better than the widest allowed; a judgement
COMPUTED = {"digits-swapped": 0.2}  # digits are swapped in copying, less in computing; a judgement
TOGETHER = 5.0  # how much several readings that agree on a slip speak for it; a judgement
# Slips that spoil every reading of a scan alike.
WHOLE_SCAN = (
    "blank-not-subtracted",
    "blank-twice",
    "transmittance-for-absorbance",
    "ln-for-log",
    "wrong-tube",
)

# Checking


def check_claims(
    facts: RunFacts, sheet: ClaimSheet, *, settings: Settings | None = None
) -> ClaimsResult:
    """Check all figures one person claims for a run.

    Parameters
    ----------
    facts : RunFacts
        See `run_facts`.
    sheet : ClaimSheet
    settings : Settings, optional
        See `bench_settings`.

    Returns
    -------
    ClaimsResult

    Raises
    ------
    RunSheetError
        If a claim names a tube or plate that the run does not have.
    """
    settings = bench_settings() if settings is None else settings
    book = _Book(facts, sheet, settings)
    results: dict[int, ClaimResult] = {}
    # what was loaded first, since recoveries rest on it
    order = sorted(range(len(sheet.claims)), key=lambda at: not book.is_loaded(sheet.claims[at]))
    for at in order:
        results[at] = _check_claim(book, sheet.claims[at])
    claims = [results[at] for at in range(len(sheet.claims))]
    claims += [check_rf(facts, one, settings) for one in sheet.rfs]
    return ClaimsResult(sheet.person, tuple(claims), _claim_flags(sheet.person, claims))


def check_class(
    facts: RunFacts, sheets: Iterable[ClaimSheet], *, settings: Settings | None = None
) -> ClassResult:
    """Check the figures of a class that shares one run; see `check_claims`."""
    return ClassResult(tuple(check_claims(facts, one, settings=settings) for one in sheets))


def _claim_flags(person: str, claims: Sequence[ClaimResult]) -> tuple[Flag, ...]:
    flags = []
    for claim in claims:
        for step in claim.steps:
            where = f"{person}, {claim.title}, {step.label}"
            if step.verdict == DEPARTS:
                flags.append(Flag("claims-depart", f"{where}: {step.sentence}"))
            elif step.verdict == OTHER_METHOD:
                flags.append(Flag("claims-other-method", f"{where}: {step.sentence}"))
            if math.isfinite(step.method_gap):
                flags.append(Flag("claims-method-gap", f"{where}: {step.note}"))
    return ranked(flags)


class _Book:
    """What is known of one person's figures while they are checked."""

    def __init__(self, facts: RunFacts, sheet: ClaimSheet, settings: Settings) -> None:
        self.facts = facts
        self.sheet = sheet
        self.settings = settings
        # what a person may carry on from a figure, by tube, pigment and quantity
        self.believed: dict[tuple[str, str, str], list[Branch]] = {}
        self.right: dict[tuple[str, str, str], float] = {}

    def tube(self, claim: Claim) -> TubeFacts:
        found = self.facts.tube(claim.fraction)
        if found is None:
            names = [tube.name for tube in self.facts.tubes]
            raise RunSheetError(
                f"{claim.place}: fraction is {claim.fraction!r}, but the run has no such tube. "
                f"{did_you_mean(claim.fraction, names)}"
            )
        return found

    def is_loaded(self, claim: Claim) -> bool:
        return self.tube(claim).role == "loaded"

    def readings(self, claim: Claim) -> tuple[Reading, ...]:
        """Readings of this claim first, then those of other claims of the tube."""
        found = {one.wavelength: one for one in claim.readings}
        for other in self.sheet.claims:
            if other.fraction == claim.fraction:
                for one in other.readings:
                    found.setdefault(one.wavelength, one)
        return tuple(found.values())

    def working(self, claim: Claim) -> Working:
        tube = self.tube(claim)
        readings = self.readings(claim)
        scan = _scan_read(tube, claim, readings, self.settings)
        return Working(claim, tube, scan, self.facts, self.settings, readings)


def _scan_read(
    tube: TubeFacts, claim: Claim, readings: Sequence[Reading], settings: Settings
) -> ScanFacts | None:
    """Return the scan of a tube that the readings agree with best."""

    def agreement(scan: ScanFacts) -> tuple[int, bool]:
        close = 0
        for one in readings:
            value = scan.reads(one.wavelength)
            limit = settings["claims_reading"] + settings["claims_reading_share"] * abs(value)
            close += abs(value - one.absorbance.value) <= limit + scan.changes(one.wavelength, 1.0)
        dilution = claim.numbers.get("dilution_factor")
        return close, dilution is not None and math.isclose(dilution.value, scan.dilution_factor)

    return max(tube.scans, key=agreement, default=None)


# One claim


@dataclass(slots=True)
class _Trail:
    """The steps of one claim so far, and whether one of them departed."""

    working: Working
    book: _Book
    steps: list[StepCheck]
    departed: bool = False

    def add(self, step: StepCheck) -> None:
        self.steps.append(step)
        self.departed = self.departed or step.verdict == DEPARTS


def _check_claim(book: _Book, claim: Claim) -> ClaimResult:
    working = book.working(claim)
    trail = _Trail(working, book, [])
    _check_solvent(trail)
    inputs = _check_inputs(trail)
    _check_method(trail)
    odds = _reading_odds(working)
    for reading in claim.readings:
        _check_reading(trail, reading, odds)
    _check_chain(trail, inputs)
    title = f"{claim.pigment} in {claim.fraction}"
    return ClaimResult(title, claim.fraction, claim.pigment, tuple(trail.steps))


def _check_solvent(trail: _Trail) -> None:
    claim, tube = trail.working.claim, trail.working.tube
    if claim.solvent is None:
        return
    step = StepCheck(
        "solvent", LABELS["solvent"], claim.solvent, math.nan, math.nan, math.nan, RIGHT
    )
    if tube.solvent is None:
        step = replace(step, verdict=UNCHECKED, note="the run sheet states no solvent")
    elif claim.solvent != tube.solvent:
        code = "equation" if claim.equations is not None else "absorptivity"
        step = replace(
            step,
            verdict=DEPARTS,
            slip=f"{code}-of-another-solvent",
            note=f"the run sheet has {tube.solvent}",
        )
    trail.add(step)


# Inputs


def _check_inputs(trail: _Trail) -> dict[str, float]:
    """Check copied figures; return what the person used, or what the sheet has."""
    working, facts = trail.working, trail.working.facts
    scan, tube = working.scan, working.tube
    known: dict[str, float | None] = {
        "path_length": scan.path_length if scan else None,
        "dilution_factor": scan.dilution_factor if scan else None,
        "volume": tube.volume,
        "extract_volume": facts.extract_volume,
        "loaded_volume": facts.loaded_volume,
        "tissue_mass": facts.tissue_mass,
        "molar_mass": working.molar_mass,
    }
    used: dict[str, float] = {}
    for quantity, right in known.items():
        given = working.claim.numbers.get(quantity)
        if given is not None:
            trail.add(_input(trail, quantity, given, right))
            used[quantity] = given.value
        elif right is not None:
            used[quantity] = right
    return used


def _input(trail: _Trail, quantity: str, given: Claimed, right: float | None) -> StepCheck:
    label = LABELS[quantity]
    if right is None:
        return StepCheck(
            quantity, label, given.written, given.value, math.nan, math.nan, UNCHECKED,
            note="the run sheet does not give it",
        )  # fmt: skip
    limit = trail.working.settings["claims_input"]
    # a copied figure of a flask or balance is exact as written; its digits grant nothing
    if abs(given.value / right - 1) <= limit:
        return StepCheck(quantity, label, given.written, given.value, right, right, RIGHT)
    branches = [Branch(right)]
    branches += slipped(branches, _input_factors(trail, quantity, right))
    return _departed(trail, quantity, given, branches, right)


def _input_factors(trail: _Trail, quantity: str, right: float) -> list[tuple[str, float, str]]:
    working, facts = trail.working, trail.working.facts
    if quantity == "path_length":
        return [("path-forgotten", 1 / right, ""), ("path-inverted", right**-2, "")]
    if quantity == "dilution_factor":
        return [
            ("dilution-forgotten", 1 / right, ""),
            ("inverse-dilution", right**-2, ""),
            ("dilution-parts", (right - 1) / right, ""),
            ("dilution-parts", (right + 1) / right, ""),
        ]
    if quantity == "molar_mass":
        return other_molar_masses(working)
    thousands = "milligram-microgram" if quantity == "tissue_mass" else "ml-for-l"
    factors = [(thousands, THOUSAND, ""), (thousands, 1 / THOUSAND, "")]
    if quantity == "tissue_mass":
        sheet = trail.book.sheet
        bases = [mass for mass in (sheet.fresh_mass, sheet.dry_mass) if mass]
        return factors + [("wet-dry", mass / right, "") for mass in bases if mass != right]
    for what, volume in facts.volumes.items():
        whole = quantity == "loaded_volume" and what == "the extract"
        code = "total-for-loaded" if whole else "wrong-volume"
        factors.append((code, volume / right, f"that of {what}"))
    return factors


# Method


def _check_method(trail: _Trail) -> None:
    working = trail.working
    claim = working.claim
    if claim.equations is not None:
        trail.add(_equations_step(trail))
    given = claim.numbers.get("absorptivity")
    if given is not None:
        trail.add(_absorptivity_step(trail, given))


def _equations_step(trail: _Trail) -> StepCheck:
    working = trail.working
    equations = working.claim.equations
    assert equations is not None
    step = StepCheck(
        "equations", LABELS["equations"], equations.set_id, math.nan, math.nan, math.nan, RIGHT
    )
    if working.pigment not in equations.outputs:
        return replace(
            step, verdict=DEPARTS, slip="unnamed",
            note=f"the set gives {', '.join(equations.outputs)}, not {working.pigment}",
        )  # fmt: skip
    if working.tube.solvent is None:
        return replace(step, verdict=UNCHECKED, note="the run sheet states no solvent")
    if equations.solvent == working.tube.solvent:
        note = (
            ""
            if equations.solvent_match == "same"
            else (f"made in {equations.solvent_as_published}")
        )
        return replace(step, note=note)
    note = f"made for {equations.solvent_as_published}, the tube is in {working.tube.solvent}"
    if trail.departed:
        return replace(step, verdict=CARRIED, note=note)
    factor = _set_ratio(working)
    if math.isfinite(factor) and abs(factor - 1) <= working.settings["claims_constant"]:
        return replace(step, verdict=OTHER_METHOD, note=f"{note}; here it makes no difference")
    return replace(
        step, verdict=DEPARTS, slip="equation-of-another-solvent", factor=factor, note=note
    )


def _set_ratio(working: Working) -> float:
    """Return by what factor a stated set differs from a valid one, on this scan."""
    stated, right = working.claim.equations, valid_sets(working.tube, working.pigment)
    if stated is None or not right or working.scan is None:
        return math.nan
    values = []
    for one in (stated, right[0]):
        readings = scan_readings(working, one.wavelengths)
        values.append(
            _by_equations(one, working.pigment, readings, working.scan.path_length, SAME_PLACE)
        )
    first, second = values
    if first is None or not second:
        return math.nan
    return first / second


def _absorptivity_step(trail: _Trail, given: Claimed) -> StepCheck:
    working = trail.working
    branches, own = absorptivity_branches(working)
    right = own[0].value if own else (branches[0].value if clean(branches) else math.nan)
    settings = working.settings
    sight = Sight(settings["claims_constant"], int(settings["claims_digits"]), odds=COMPUTED)
    match = best_match(given, branches, sight)
    step = StepCheck(
        "absorptivity", LABELS["absorptivity"], given.written, given.value, right, right, RIGHT
    )
    if match is not None and match.branch.slip is None:
        how = match.branch.how
        return replace(step, expected=match.branch.value, right=match.branch.value, note=how)
    if not clean(branches):
        note = f"none is published for {working.pigment} in {working.tube.solvent}"
        return replace(step, verdict=UNCHECKED, note=note)
    if trail.departed and match is not None:
        return replace(step, verdict=CARRIED, note=match.branch.how)
    nearest = min(clean(branches), key=lambda one: abs(math.log(given.value / one.value)))
    return _departed(trail, "absorptivity", given, [nearest, *branches], nearest.value)


# Readings


def _reading_odds(working: Working) -> dict[str, float]:
    """Return what all readings of the tube together say of slips that spoil a whole scan."""
    explained = [
        codes
        for codes in (_explanations(working, one) for one in working.readings)
        if codes is not None
    ]
    if len(explained) < 2:
        return {}
    shared = {code for code in WHOLE_SCAN if all(code in codes for codes in explained)}
    return {code: TOGETHER if code in shared else 1 / TOGETHER for code in WHOLE_SCAN}


def _explanations(working: Working, reading: Reading) -> set[str | None] | None:
    """Return slips that explain a reading; holds None when it is right."""
    if working.scan is None or not math.isfinite(working.scan.reads(reading.wavelength)):
        return None
    limit = reading_tolerance(working, reading)
    branches = reading_branches(working, reading.wavelength)
    given = reading.absorbance.value
    return {one.slip for one in branches if abs(one.value - given) <= limit}


def _check_reading(trail: _Trail, reading: Reading, odds: Mapping[str, float]) -> None:
    working = trail.working
    given = reading.absorbance
    label = f"absorbance at {reading.wavelength:g} nm"
    if working.scan is None or not math.isfinite(working.scan.reads(reading.wavelength)):
        trail.add(
            StepCheck(
                "absorbance", label, given.written, given.value, math.nan, math.nan, UNCHECKED,
                note="the scan does not reach there" if working.scan else "the tube has no scan",
            )
        )  # fmt: skip
        return
    right = working.scan.reads(reading.wavelength)
    limit = reading_tolerance(working, reading)
    branches = reading_branches(working, reading.wavelength)
    close = [one for one in clean(branches) if abs(one.value - given.value) <= limit]
    should = placed_wrong(working, reading)
    if close and should is None:
        trail.add(
            StepCheck("absorbance", label, given.written, given.value, right, right, RIGHT,
                      note=close[0].how)
        )  # fmt: skip
    elif close:
        there = working.scan.reads(float(should or 0.0))
        trail.add(
            StepCheck(
                "absorbance", label, given.written, given.value, there, there, DEPARTS,
                given.value / there, "off-band", (),
                f"read at {reading.wavelength:g} nm, where {should:g} nm belongs",
            )
        )  # fmt: skip
    else:
        widened = [replace(one, tolerance=_relative(limit, one.value)) for one in branches]
        digits = int(working.settings["claims_digits"])
        sight = Sight(0.0, digits, sharpness=READING_SHARPNESS, odds=odds)
        step = _departed(trail, "absorbance", given, widened, right, sight)
        trail.add(replace(step, label=label))


def _relative(limit: float, value: float) -> float:
    return limit / abs(value) if value else 0.0


# The chain of computed figures


def _check_chain(trail: _Trail, used: Mapping[str, float]) -> None:
    working, claim = trail.working, trail.working.claim
    path = used.get("path_length", 1.0)
    right = _right_cuvette(trail)
    branches = _cuvette(trail, path, right)
    if "molar_concentration" in claim.numbers:
        branches, right = _molar_step(trail, branches, right, used)
    branches = _figure(trail, "concentration", branches, right)
    dilution = used.get("dilution_factor")
    if dilution is not None:
        branches = through(lambda c: c * dilution, branches)
        branches += slipped(branches, dilution_factors(dilution))
        right *= working.scan.dilution_factor if working.scan else math.nan
        branches = _figure(trail, "tube_concentration", branches, right)
        _mass_steps(trail, branches, right, used)
    _share_step(trail)


def _molar_step(
    trail: _Trail, branches: list[Branch], right: float, used: Mapping[str, float]
) -> tuple[list[Branch], float]:
    mass = used.get("molar_mass") or trail.working.molar_mass
    own = trail.working.molar_mass
    if mass is None or own is None:
        return branches, right
    molar = through(lambda c: THOUSAND * c / own, branches)
    molar += slipped(molar, [("molar-for-mass", own / THOUSAND, "mg/L written as µmol/L")])
    molar = _figure(trail, "molar_concentration", molar, THOUSAND * right / own)
    back = through(lambda c: c * mass / THOUSAND, molar)
    back += slipped(back, molar_factors(trail.working))
    back += slipped(back, [("milligram-microgram", THOUSAND, ""),
                           ("milligram-microgram", 1 / THOUSAND, "")])  # fmt: skip
    return back, right


def _cuvette(trail: _Trail, path: float, right: float) -> list[Branch]:
    """Return what the concentration in the cuvette may be, from readings or from the scan."""
    working = trail.working
    readings, halves = claimed_readings(working)
    if readings:
        branches = concentration_branches(working, readings, halves, path, right=right)
        if clean(branches):
            return branches
    wavelengths = method_wavelengths(working)
    found = scan_readings(working, wavelengths)
    if not found or working.scan is None:
        return _fitted_cuvette(working)
    branches = concentration_branches(working, found, {}, path, right=right)
    scan = working.scan
    raw = {w: scan.reads(w) + scan.blank_reads(w) for w in found}
    plain = {w: scan.reads(w) for w in found}
    branches += clean(concentration_branches(working, plain, {}, path, right=right))
    if any(scan.blank_reads(w) for w in found):
        wrong = clean(concentration_branches(working, raw, {}, path))
        branches += [replace(one, slip="blank-not-subtracted") for one in wrong[:1]]
    # a cursor on a slope: what the readings' own tolerance would allow
    limit = working.settings["claims_reading_share"] + working.settings["claims_constant"]
    return [replace(one, tolerance=one.tolerance + limit) for one in branches]


def _fitted_cuvette(working: Working) -> list[Branch]:
    value = working.tube.fitted.get(working.pigment)
    if not value or working.scan is None:
        return []
    limit = working.settings["claims_method"]
    return [Branch(value / working.scan.dilution_factor, how=WHOLE, tolerance=limit)]


def _right_cuvette(trail: _Trail) -> float:
    """Return the concentration by a valid method from the scan itself, mg/L."""
    working = trail.working
    if working.scan is None:
        return math.nan
    found = scan_readings(working, method_wavelengths(working))
    sound = _without_wrong_method(working)
    branches = clean(concentration_branches(sound, found, {}, working.scan.path_length))
    if branches:
        return branches[0].value
    fitted = _fitted_cuvette(working)
    return fitted[0].value if fitted else math.nan


def _without_wrong_method(working: Working) -> Working:
    """Return a working whose stated method is left out when it belongs to another solvent."""
    claim = working.claim
    if claim.equations is not None and claim.equations.solvent != working.tube.solvent:
        claim = replace(claim, equations=None)
    numbers = {key: one for key, one in claim.numbers.items() if key != "absorptivity"}
    return replace(working, claim=replace(claim, numbers=numbers))


def _mass_steps(
    trail: _Trail, branches: list[Branch], right: float, used: Mapping[str, float]
) -> None:
    working = trail.working
    volume, true_volume = used.get("volume"), working.tube.volume
    if volume is None:
        return
    branches = through(lambda c: c * volume, branches)
    branches += slipped(branches, mass_factors(working, volume))
    right *= true_volume if true_volume is not None else math.nan
    branches = _figure(trail, "mass", branches, right)
    molar_mass = used.get("molar_mass")
    if molar_mass is not None and working.molar_mass is not None:
        amounts = through(lambda m: THOUSAND * m / molar_mass, branches)
        amounts += slipped(amounts, amount_factors(working))
        _figure(trail, "amount", amounts, THOUSAND * right / working.molar_mass)
    _recovery_steps(trail, branches, right, used)
    _content_step(trail, branches, right, used)


def _recovery_steps(
    trail: _Trail, branches: list[Branch], right: float, used: Mapping[str, float]
) -> None:
    working, claim = trail.working, trail.working.claim
    if working.tube.role == "loaded":
        return
    loaded, true_loaded = _loaded(trail)
    if loaded:
        loaded = [*loaded, *slipped(loaded, loaded_factors(working))]
    loaded = _figure(trail, "loaded_mass", loaded, true_loaded)
    if "recovery" not in claim.numbers or not loaded:
        return
    ratios = through(lambda m, whole: m / whole, branches, loaded)
    first = clean(ratios)
    if first:
        tube = working.facts.loaded
        volumes = used.get("volume"), tube.volume if tube is not None else None
        ratios += slipped(ratios, recovery_factors(working, first[0].value, volumes))
    _figure(trail, "recovery", ratios, right / true_loaded if true_loaded else math.nan)


def _loaded(trail: _Trail) -> tuple[list[Branch], float]:
    """Return what was loaded, from the person's own figure where there is one, and truly."""
    working, book = trail.working, trail.book
    tube = working.facts.loaded
    if tube is None:
        return [], math.nan
    key = (tube.name, working.pigment, "mass")
    limit = working.settings["claims_method"]
    fitted = tube.fitted.get(working.pigment)
    true = book.right.get(key, math.nan)
    if not math.isfinite(true) and fitted and tube.volume:
        true = fitted * tube.volume
    branches = list(book.believed.get(key, ()))
    if fitted and tube.volume:
        branches.append(Branch(fitted * tube.volume, how=WHOLE, tolerance=limit))
    return branches, true


def _content_step(
    trail: _Trail, branches: list[Branch], right: float, used: Mapping[str, float]
) -> None:
    working, facts = trail.working, trail.working.facts
    tissue = used.get("tissue_mass")
    extract, loaded = used.get("extract_volume"), used.get("loaded_volume")
    if "content" not in working.claim.numbers or tissue is None:
        return
    aliquot = extract / loaded if extract and loaded else 1.0
    contents = through(lambda m: m * aliquot / tissue, branches)
    bases = trail.book.sheet.fresh_mass, trail.book.sheet.dry_mass
    contents += slipped(contents, content_factors(working, aliquot, tissue, bases))
    whole = 1.0
    if facts.extract_volume and facts.loaded_volume:
        whole = facts.extract_volume / facts.loaded_volume
    right = right * whole / facts.tissue_mass if facts.tissue_mass else math.nan
    _figure(trail, "content", contents, right)


def _share_step(trail: _Trail) -> None:
    working = trail.working
    given = working.claim.numbers.get("share")
    if given is None:
        return
    branches = _own_share(trail)
    limit = working.settings["claims_method"]
    fitted = working.tube.shares.get(working.pigment, math.nan)
    if math.isfinite(fitted) and fitted > 0:
        branches.append(Branch(fitted, how=WHOLE, tolerance=limit))
    branches += slipped(branches, [("percent-fraction", 100.0, ""), ("percent-fraction", 0.01, "")])
    _figure(trail, "share", branches, fitted)


def _own_share(trail: _Trail) -> list[Branch]:
    """Return the share among the masses the person claims in this tube."""
    claims = [one for one in trail.book.sheet.claims if one.fraction == trail.working.tube.name]
    masses = {one.pigment: one.numbers["mass"].value for one in claims if "mass" in one.numbers}
    own = masses.get(trail.working.pigment)
    if own is None or len(masses) < 2:
        return []
    return [Branch(own / sum(masses.values()), how="among the masses claimed")]


def _figure(trail: _Trail, quantity: str, branches: list[Branch], right: float) -> list[Branch]:
    """Check a claimed figure against its branches; return what may be carried on."""
    working, book = trail.working, trail.book
    key = (working.tube.name, working.pigment, quantity)
    book.right[key] = right
    given = working.claim.numbers.get(quantity)
    if given is None:
        if clean(branches):
            book.believed[key] = clean(branches)[:2]
        return branches
    step, stands_for = _checked_figure(trail, quantity, given, branches, right)
    trail.add(_with_method_gap(trail, step))
    believed = carried(given, stands_for)
    book.believed[key] = believed
    return believed


def _checked_figure(
    trail: _Trail, quantity: str, given: Claimed, branches: list[Branch], right: float
) -> tuple[StepCheck, list[Branch]]:
    label = LABELS[quantity]
    settings = trail.working.settings
    if not clean(branches):
        step = StepCheck(
            quantity, label, given.written, given.value, math.nan, right, UNCHECKED,
            note="nothing to compute it from",
        )  # fmt: skip
        return step, []
    digits = int(settings["claims_digits"])
    match = best_match(given, branches, _plain_sight(trail))
    expected = clean(branches)[0]
    if match is not None and match.branch.slip is None:
        sound = match.branch.how == WHOLE or _near(given, right, settings["claims_constant"], 1)
        verdict = CARRIED if trail.departed and not sound else RIGHT
        stated = trail.working.claim.equations or trail.working.stated("absorptivity")
        if verdict == RIGHT and match.branch.how not in ("", WHOLE) and stated:
            verdict = OTHER_METHOD
        step = StepCheck(
            quantity, label, given.written, given.value, match.branch.value, right, verdict,
            note=match.branch.how,
        )  # fmt: skip
        return step, [one for _, one in near(given, clean(branches), _plain_sight(trail))]
    if _near(given, right, settings["claims_constant"], digits):
        step = StepCheck(
            quantity, label, given.written, given.value, expected.value, right, RIGHT,
            note="though it does not follow from the figure written before it",
        )  # fmt: skip
        return step, []
    step = _departed(trail, quantity, given, branches, right)
    # a badly rounded figure has a small half-unit of its own; go on from either
    return step, clean(branches)[:2] if step.slip == "wrong-rounding" else []


def _with_method_gap(trail: _Trail, step: StepCheck) -> StepCheck:
    """Add what the whole scan says, where a right figure is far from it."""
    working = trail.working
    fitted = working.tube.fitted.get(working.pigment)
    if step.verdict not in (RIGHT, OTHER_METHOD) or not fitted or working.scan is None:
        return step
    if step.quantity == "concentration":
        fitted /= working.scan.dilution_factor
    elif step.quantity != "tube_concentration":
        return step
    gap = step.claimed / fitted - 1
    if step.note == WHOLE or abs(gap) <= working.settings["claims_method"]:
        return step
    words = (
        f"the working is right, but the whole scan gives {fitted:.3g} mg/L ({gap:+.0%}): equations "
        "and single absorptivities count what else absorbs there"
    )
    return replace(step, note="; ".join(filter(None, (step.note, words))), method_gap=gap)


def _near(given: Claimed, right: float, limit: float, digits: int) -> bool:
    if not math.isfinite(right) or right == 0 or given.digits < digits:
        return False
    return abs(given.value / right - 1) <= limit


def _departed(
    trail: _Trail,
    quantity: str,
    given: Claimed,
    branches: Sequence[Branch],
    right: float,
    sight: Sight | None = None,
) -> StepCheck:
    """Return the step of a figure that departs, with the likeliest slip."""
    sight = _plain_sight(trail) if sight is None else sight
    wrong = [one for one in branches if one.slip is not None]
    wrong += figure_slips(given, branches, sight.digits)
    match = best_match(given, wrong, sight)
    expected = clean(branches)[0].value
    factor = given.value / expected if expected else math.nan
    if match is None:
        match = _by_size(trail, quantity, factor)
    return StepCheck(
        quantity, LABELS.get(quantity, quantity), given.written, given.value, expected, right,
        DEPARTS, factor, match.branch.slip if match else "unnamed",
        match.others if match else (), match.branch.how if match else "",
    )  # fmt: skip


def _plain_sight(trail: _Trail) -> Sight:
    settings = trail.working.settings
    return Sight(settings["claims_arithmetic"], int(settings["claims_digits"]), odds=COMPUTED)


def _by_size(trail: _Trail, quantity: str, factor: float) -> Match | None:
    """Return a slip that only the size of the factor speaks for."""
    settings = trail.working.settings
    low, high = settings["claims_dry_matter_low"], settings["claims_dry_matter_high"]
    if quantity in ("content", "tissue_mass") and factor > 0:
        size = max(factor, 1 / factor)
        if 1 / high <= size <= 1 / low:
            how = "by the size of the factor only: a leaf holds 5 to 25 % dry matter"
            return Match(Branch(math.nan, "wet-dry", how), ())
    return None
