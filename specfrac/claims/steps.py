"""The steps of a working, each with what it gives done right and after each slip."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from specfrac.claims.facts import (
    Published,
    RunFacts,
    ScanFacts,
    TubeFacts,
    foreign_sets,
    published,
    scales,
    valid_sets,
)
from specfrac.claims.sheet import Claim, Reading
from specfrac.claims.slips import Branch, slipped
from specfrac.equations import EquationLine, EquationSet, evaluate
from specfrac.settings import Settings

LN10 = math.log(10)
THOUSAND = 1e3
PERCENT = 100.0
SWAPPED = {"chlorophyll-a": "chlorophyll-b", "chlorophyll-b": "chlorophyll-a"}
MIXTURE = "one-band-in-mixture"
SCAN_STEP = 1.0  # nm; an observed maximum is known no better than the usual step
FOOT_OF_A_BAND = 0.2  # of the strongest reading; nobody takes an absorptivity for a weaker one
CURSOR_STEP = 0.5  # nm; finer, and the reading says nothing more of the place
SPREAD_LIMIT = 0.05  # a difference of two bands may cancel; beyond this no slip can be told

Readings = Mapping[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Working:
    """One claim with the tube it is about.

    Attributes
    ----------
    claim : Claim
    tube : TubeFacts
    scan : ScanFacts or None
        The scan the figures were read from.
    facts : RunFacts
    settings : Settings
    readings : tuple of Reading
        Of this tube, by this person; those of other claims of the same tube count too.
    """

    claim: Claim
    tube: TubeFacts
    scan: ScanFacts | None
    facts: RunFacts
    settings: Settings
    readings: tuple[Reading, ...]

    @property
    def pigment(self) -> str:
        """Key of the pigment, or name of the sum."""
        return self.claim.pigment

    @property
    def molar_mass(self) -> float | None:
        """g/mol, None for a sum."""
        return self.facts.molar_mass(self.pigment)

    def stated(self, quantity: str) -> float | None:
        """Return a claimed number in our unit, or None."""
        found = self.claim.numbers.get(quantity)
        return found.value if found is not None else None


# Readings


def reading_tolerance(working: Working, reading: Reading) -> float:
    """Return by how much a reading may differ from the scan, in absorbance."""
    assert working.scan is not None
    settings = working.settings
    keeps = reading.absorbance.digits >= settings["claims_digits"]
    return (
        settings["claims_reading"]
        + settings["claims_reading_share"] * abs(working.scan.reads(reading.wavelength))
        + working.scan.changes(reading.wavelength, settings["claims_reading_nm"])
        + (reading.absorbance.half_unit if keeps else 0.0)
    )


def reading_branches(working: Working, wavelength: float) -> list[Branch]:
    """Return what a reading at a wavelength may be, relative tolerances not yet set."""
    scan = working.scan
    assert scan is not None
    right = scan.reads(wavelength)
    if not math.isfinite(right):
        return []
    branches = [Branch(right), Branch(right - scan.offset(), how="offset subtracted")]
    blank = scan.blank_reads(wavelength)
    if abs(blank) > working.settings["claims_reading"]:
        branches.append(Branch(right + blank, "blank-not-subtracted"))
        branches.append(Branch(right - blank, "blank-twice"))
    branches += [
        Branch(10**-right, "transmittance-for-absorbance"),
        Branch(PERCENT * 10**-right, "transmittance-for-absorbance"),
        Branch(right * LN10, "ln-for-log"),
        Branch(right / LN10, "ln-for-log"),
    ]
    branches += _other_tubes(working, wavelength)
    return branches + _off_band(working, wavelength)


def _other_tubes(working: Working, wavelength: float) -> list[Branch]:
    found = []
    for tube in working.facts.tubes:
        for scan in tube.scans:
            if scan is working.scan or tube.name == working.tube.name:
                continue
            value = scan.reads(wavelength)
            if math.isfinite(value):
                found.append(Branch(value, "wrong-tube", f"as in {tube.name!r}"))
    return found


def _off_band(working: Working, wavelength: float) -> list[Branch]:
    assert working.scan is not None
    reach = round(working.settings["claims_off_band"] / CURSOR_STEP)
    found = []
    for count in range(-reach, reach + 1):
        place = wavelength + count * CURSOR_STEP
        value = working.scan.reads(place)
        if count and math.isfinite(value):
            found.append(Branch(value, "off-band", f"as at {place:g} nm"))
    return found


def needed_wavelengths(working: Working) -> tuple[float, ...]:
    """Return where the stated method reads, nm; empty when it says nothing."""
    claim = working.claim
    if claim.equations is not None:
        if claim.pigment in claim.equations.outputs:
            line = claim.equations.line(claim.pigment)
            own = tuple(term.wavelength for term in line.terms)
            uses_others = line.chlorophyll_a_coefficient or line.chlorophyll_b_coefficient
            return claim.equations.wavelengths if uses_others else own
        return claim.equations.wavelengths
    value = working.stated("absorptivity")
    if value is None:
        return ()
    limit = working.settings["claims_constant"]
    rows = scales(working.pigment, working.tube.solvent, working.facts.library)
    return tuple(one.wavelength for one in rows if abs(value / one.value - 1) <= limit)[:1]


def placed_wrong(working: Working, reading: Reading) -> float | None:
    """Return the wavelength a reading should have been taken at, when it was not.

    A reading at the observed maximum near the published wavelength is right.
    """
    scan = working.scan
    needed = needed_wavelengths(working)
    if scan is None or not needed:
        return None
    nearest = min(needed, key=lambda one: abs(one - reading.wavelength))
    distance = abs(nearest - reading.wavelength)
    reach = working.settings["claims_off_band"]
    # a reading far away belongs to another method or to another pigment
    if distance == 0 or distance > reach:
        return None
    top = scan.maximum_near(nearest, reach / 2)
    if abs(reading.wavelength - top) <= SCAN_STEP + working.settings["claims_reading_nm"]:
        return None
    there, here = scan.reads(nearest), scan.reads(reading.wavelength)
    if not math.isfinite(there) or abs(there - here) <= reading_tolerance(working, reading):
        return None
    return nearest


# Concentration


def _mapped(needed: Iterable[float], given: Readings, reach: float) -> dict[float, float] | None:
    """Return readings at the wavelengths a set needs, the nearest ones, or None."""
    found = {}
    for wavelength in needed:
        near = min(given, key=lambda one: abs(one - wavelength), default=None)
        if near is None or abs(near - wavelength) > reach:
            return None
        found[wavelength] = given[near]
    return found


def by_equations(
    equations: EquationSet, pigment: str, given: Readings, path_length: float, reach: float
) -> float | None:
    """Return mg/L (or µmol/L for a set in moles) by a set, or None without its readings."""
    line = equations.line(pigment)
    needed = (
        equations.wavelengths
        if _uses_chlorophylls(line)
        else [term.wavelength for term in line.terms]
    )
    readings = _mapped(needed, given, reach)
    if readings is None:
        return None
    # lines that are not asked for may read where nothing was read; only this one counts
    whole = {wavelength: readings.get(wavelength, 0.0) for wavelength in equations.wavelengths}
    scaled = {wavelength: value / path_length for wavelength, value in whole.items()}
    return evaluate(equations, scaled).value(pigment)


def _uses_chlorophylls(line: EquationLine) -> bool:
    return bool(line.chlorophyll_a_coefficient or line.chlorophyll_b_coefficient)


def by_absorptivity(absorbance: float, absorptivity: float, path_length: float) -> float:
    """Return mg/L from an absorbance and a specific absorptivity in L/(g cm)."""
    return THOUSAND * absorbance / (absorptivity * path_length)


Method = Callable[[Readings], "float | None"]


@dataclass(frozen=True, slots=True, eq=False)
class _Route:
    """One way from readings to a concentration."""

    method: Method
    slip: str | None
    how: str
    one_band: bool = False


def concentration_branches(
    working: Working,
    readings: Readings,
    halves: Readings,
    path_length: float,
    *,
    right: float = math.nan,
) -> list[Branch]:
    """Return what the concentration in the cuvette may be, mg/L, from given readings.

    Parameters
    ----------
    working : Working
    readings, halves : mapping of float to float
        Absorbance by wavelength in nm, and half of its last printed place.
    path_length : float
        cm.
    right : float
        mg/L, by a valid method from the scan. A method that was not stated counts as
        another valid one only near it: one absorptivity in a mixture is not.
    """
    routes = [*_right_routes(working, path_length), *_slip_routes(working, path_length)]
    branches = []
    for route in routes:
        value = route.method(readings)
        if value is None or not math.isfinite(value) or value == 0:
            continue
        spread = _spread(route.method, readings, halves, value)
        slip = route.slip
        if slip is None and route.how and _unfit(route.method, working, readings, right):
            slip = MIXTURE if route.one_band else "equation-of-another-solvent"
        branches.append(Branch(value, slip, route.how, min(spread, SPREAD_LIMIT)))
    return branches + slipped(branches, _concentration_factors(working, path_length))


def _unfit(method: Method, working: Working, readings: Readings, right: float) -> bool:
    """Return whether a method is far off even with what the scan itself reads."""
    sound = method(scan_readings(working, tuple(readings)))
    if sound is None or not math.isfinite(right):
        return False
    return abs(sound / right - 1) > working.settings["claims_method"]


def _spread(method: Method, readings: Readings, halves: Readings, value: float) -> float:
    """Return how far rounding of the readings may move a value, relative."""
    total = 0.0
    for wavelength, half in halves.items():
        moved = method({**readings, wavelength: readings[wavelength] + half})
        total += abs(moved - value) if moved is not None else 0.0
    return total / abs(value)


def _right_routes(working: Working, path_length: float) -> list[_Route]:
    """Stated method first, then every other valid one."""
    routes = []
    claim = working.claim
    if claim.equations is not None and working.pigment in claim.equations.outputs:
        routes.append(_set_route(working, claim.equations, path_length, None, ""))
    value = working.stated("absorptivity")
    if value is not None:
        routes.append(_scale_route(working, value, path_length))
    for equations in valid_sets(working.tube, working.pigment):
        if equations is not claim.equations:
            how = f"by {equations.set_id}"
            routes.append(_set_route(working, equations, path_length, None, how))
    for one in scales(working.pigment, working.tube.solvent, working.facts.library):
        how = f"by {one.value:.4g} L/(g cm) at {one.wavelength:g} nm"
        routes.append(_scale_route(working, one.value, path_length, one.wavelength, None, how))
    return routes


def _set_route(
    working: Working, equations: EquationSet, path_length: float, slip: str | None, how: str
) -> _Route:
    reach, pigment = working.settings["claims_off_band"], working.pigment
    line = equations.line(pigment)
    factor = 1.0
    if line.unit == "µmol/L":
        factor = (working.molar_mass or math.nan) / THOUSAND

    def method(given: Readings) -> float | None:
        value = by_equations(equations, pigment, given, path_length, reach)
        return None if value is None else value * factor

    return _Route(method, slip, how)


def _scale_route(
    working: Working,
    absorptivity: float,
    path_length: float,
    wavelength: float | None = None,
    slip: str | None = None,
    how: str = "",
) -> _Route:
    reach = working.settings["claims_off_band"]

    def method(given: Readings) -> float | None:
        if wavelength is None:
            own = _own_reading(working, given)
        else:
            own = min(given, key=lambda one: abs(one - wavelength), default=None)
            if own is not None and abs(own - wavelength) > reach:
                own = None
        return None if own is None else by_absorptivity(given[own], absorptivity, path_length)

    return _Route(method, slip, how, one_band=True)


def _own_reading(working: Working, given: Readings) -> float | None:
    """Return the wavelength of the reading an absorptivity was used with."""
    own = [one.wavelength for one in working.claim.readings if one.wavelength in given]
    if len(own) == 1:
        return own[0]
    needed = needed_wavelengths(working)
    candidates = own or list(given)
    if needed:
        return min(candidates, key=lambda one: abs(one - needed[0]), default=None)
    # without a published wavelength: the stronger reading
    return max(candidates, key=lambda one: given[one], default=None)


def _slip_routes(working: Working, path_length: float) -> list[_Route]:
    routes = []
    for equations in foreign_sets(working.tube, working.pigment):
        if equations is not working.claim.equations:
            how = f"as by {equations.set_id} for {equations.solvent_as_published}"
            routes.append(
                _set_route(working, equations, path_length, "equation-of-another-solvent", how)
            )
    routes += _line_slips(working, path_length)
    if working.claim.equations is None:
        routes += _scale_slips(working, path_length)
    return routes


def _line_slips(working: Working, path_length: float) -> list[_Route]:
    """Slips within the set that was used: lines, readings or signs mixed up."""
    claim = working.claim
    sets = (
        [claim.equations]
        if claim.equations is not None
        else list(valid_sets(working.tube, working.pigment)[:1])
    )
    routes = []
    for equations in sets:
        if working.pigment not in equations.outputs:
            continue
        other = SWAPPED.get(working.pigment)
        if other in equations.outputs:
            routes.append(_other_line(working, equations, str(other), path_length))
            routes.append(_swapped_readings(working, equations, path_length))
        routes += _signs(working, equations, path_length)
    return routes


def _other_line(working: Working, equations: EquationSet, other: str, path_length: float) -> _Route:
    reach = working.settings["claims_off_band"]
    return _Route(
        lambda given: by_equations(equations, other, given, path_length, reach),
        "a-b-swapped",
        f"as the line of {other}",
    )


def _swapped_readings(working: Working, equations: EquationSet, path_length: float) -> _Route:
    reach, pigment = working.settings["claims_off_band"], working.pigment

    def method(given: Readings) -> float | None:
        needed = [term.wavelength for term in equations.line(pigment).terms]
        found = _mapped(needed, given, reach)
        if found is None or len(needed) != 2:
            return None
        first, second = needed
        swapped = {**given, first: found[second], second: found[first]}
        return by_equations(equations, pigment, swapped, path_length, 0.0)

    return _Route(method, "a-b-swapped", "with the two readings exchanged")


def _signs(working: Working, equations: EquationSet, path_length: float) -> list[_Route]:
    reach = working.settings["claims_off_band"]
    line = equations.line(working.pigment)
    routes = []
    for at, term in enumerate(line.terms):
        if term.coefficient < 0:
            turned = replace(term, coefficient=-term.coefficient)
            terms = (*line.terms[:at], turned, *line.terms[at + 1 :])
            routes.append(
                _Route(
                    _line_method(replace(line, terms=terms), path_length, reach),
                    "sign-in-equation",
                    f"with + before the term at {term.wavelength:g} nm",
                )
            )
    return routes


def _line_method(line: EquationLine, path_length: float, reach: float) -> Method:
    def method(given: Readings) -> float | None:
        found = _mapped([term.wavelength for term in line.terms], given, reach)
        if found is None or _uses_chlorophylls(line):
            return None
        total = sum(term.coefficient * found[term.wavelength] for term in line.terms)
        return total / line.divisor / path_length

    return method


def _scale_slips(working: Working, path_length: float) -> list[_Route]:
    library = working.facts.library
    routes = []
    for one in published(library):
        if one.pigment == working.pigment and one.solvent != working.tube.solvent:
            code, what = "absorptivity-of-another-solvent", one.solvent
        elif one.solvent == working.tube.solvent and one.pigment != working.pigment:
            code, what = "wrong-pigment-absorptivity", one.pigment
        else:
            continue
        how = f"as by {one.value:.4g} L/(g cm) of {what}"
        # with the person's own reading: nobody reads at the wavelength of the other table
        routes.append(_scale_route(working, one.value, path_length, None, code, how))
    return routes


def _concentration_factors(working: Working, path_length: float) -> list[tuple[str, float, str]]:
    factors = [
        ("ln-for-log", LN10, ""),
        ("ln-for-log", 1 / LN10, ""),
        ("milligram-microgram", THOUSAND, ""),
        ("milligram-microgram", 1 / THOUSAND, ""),
    ]
    if abs(path_length - 1) > 1e-9:
        factors += [("path-forgotten", path_length, ""), ("path-inverted", path_length**2, "")]
    dilution = working.scan.dilution_factor if working.scan is not None else 1.0
    if dilution != 1:
        factors.append(("dilution-included", dilution, ""))
    if working.claim.equations is not None:
        return factors  # the sets give mg/L: neither absorptivity nor molar mass enters
    factors += [("a1-for-specific", 10.0, ""), ("a1-for-specific", 0.1, "")]
    return factors + molar_factors(working)


def molar_factors(working: Working) -> list[tuple[str, float, str]]:
    """Return slips between amount and mass for a figure in mass."""
    mass = working.molar_mass
    if mass is None:
        return []
    factors = [
        ("molar-for-mass", THOUSAND / mass, "µmol/L written as mg/L"),
        ("molar-for-mass", mass / THOUSAND, ""),
        ("molar-for-mass", 1 / mass, ""),
        ("molar-for-mass", mass, ""),
    ]
    given = working.claim.numbers
    scale = given.get("absorptivity")
    by_moles = scale is not None and scale.key.endswith("mol_cm")
    if by_moles or "molar_mass" in given or "molar_concentration" in given:
        factors += other_molar_masses(working)
    return factors


def other_molar_masses(working: Working) -> list[tuple[str, float, str]]:
    """Return the factors by which molar masses of other pigments would be off."""
    own = working.molar_mass
    if own is None:
        return []
    limit = working.settings["claims_input"]
    library = working.facts.library
    others = {library.molar_mass(key): key for key in library.pigments}
    return [
        ("wrong-molar-mass", mass / own, f"as with {mass:.1f} g/mol of {key}")
        for mass, key in others.items()
        if abs(mass / own - 1) > limit
    ]


# Later steps: factors on the right value, each a slip


def dilution_factors(dilution: float) -> list[tuple[str, float, str]]:
    """Return slips of the step from cuvette to tube."""
    factors = [("milligram-microgram", THOUSAND, ""), ("milligram-microgram", 1 / THOUSAND, "")]
    if dilution == 1:
        return factors
    return [
        ("dilution-forgotten", 1 / dilution, ""),
        ("inverse-dilution", dilution**-2, ""),
        ("dilution-twice", dilution, ""),
        ("dilution-parts", (dilution - 1) / dilution, f"as {dilution - 1:g} for {dilution:g}"),
        ("dilution-parts", (dilution + 1) / dilution, f"as {dilution + 1:g} for {dilution:g}"),
        *factors,
    ]


def mass_factors(working: Working, volume: float) -> list[tuple[str, float, str]]:
    """Return slips of the step from concentration to mass."""
    facts = working.facts
    factors = [
        ("ml-for-l", THOUSAND, ""),
        ("milligram-microgram", 1 / THOUSAND, ""),
        ("volume-forgotten", 1 / volume, ""),
        ("ml-for-l", 1 / THOUSAND**2, ""),
    ]
    loaded = working.tube.role == "loaded"
    for what, other in facts.volumes.items():
        if abs(other / volume - 1) <= working.settings["claims_input"]:
            continue
        whole = loaded and what == "the extract"
        code = "total-for-loaded" if whole else "wrong-volume"
        factors.append((code, other / volume, f"as with {other:g} mL of {what}"))
    return factors


def amount_factors(working: Working) -> list[tuple[str, float, str]]:
    """Return slips of the step from mass to amount."""
    mass = working.molar_mass
    if mass is None:
        return []
    factors = [
        ("molar-for-mass", mass / THOUSAND, ""),
        ("molar-for-mass", (mass / THOUSAND) ** 2, ""),
        ("milligram-microgram", THOUSAND, ""),
        ("milligram-microgram", 1 / THOUSAND, ""),
    ]
    return factors + [(code, 1 / factor, how) for code, factor, how in other_molar_masses(working)]


def loaded_factors(working: Working) -> list[tuple[str, float, str]]:
    """Return slips in the mass that was loaded."""
    facts = working.facts
    factors = [("milligram-microgram", THOUSAND, ""), ("milligram-microgram", 1 / THOUSAND, "")]
    if facts.extract_volume and facts.loaded_volume and facts.extract_volume != facts.loaded_volume:
        ratio = facts.extract_volume / facts.loaded_volume
        factors.append(("total-for-loaded", ratio, f"as of all {facts.extract_volume:g} mL"))
    loaded = facts.loaded
    if loaded is not None:
        factors += _totals(working, loaded)
        dilution = loaded.scans[0].dilution_factor if loaded.scans else 1.0
        if dilution != 1:
            factors.append(("dilution-forgotten", 1 / dilution, "of the loaded extract"))
    return factors


def _totals(working: Working, loaded: TubeFacts) -> list[tuple[str, float, str]]:
    own = loaded.fitted.get(working.pigment, 0.0)
    if not own > 0:
        return []
    return [
        ("group-total-for-pigment", loaded.fitted[name] / own, f"as of all {name}")
        for name in ("carotenoids", "chlorophylls")
        if name != working.pigment and loaded.fitted.get(name, 0.0) > own
    ]


def recovery_factors(
    working: Working, ratio: float, volumes: tuple[float | None, float | None]
) -> list[tuple[str, float, str]]:
    """Return slips of the ratio of found to loaded mass.

    Parameters
    ----------
    working : Working
    ratio : float
        The right recovery.
    volumes : (float or None, float or None)
        mL of the tube and of what was loaded.
    """
    factors = [
        ("percent-fraction", PERCENT, ""),
        ("percent-fraction", 1 / PERCENT, ""),
        ("inverted-ratio", ratio**-2, ""),
        ("milligram-microgram", THOUSAND, ""),
        ("milligram-microgram", 1 / THOUSAND, ""),
    ]
    found, loaded = volumes
    if found and loaded and found != loaded:
        factors.append(("concentration-for-mass", loaded / found, ""))
    for code, factor, how in loaded_factors(working):
        if code in ("total-for-loaded", "group-total-for-pigment"):
            factors.append((code, 1 / factor, how))
    return factors


def content_factors(
    working: Working, aliquot: float, tissue: float, bases: tuple[float | None, float | None]
) -> list[tuple[str, float, str]]:
    """Return slips of the step from mass to content.

    Parameters
    ----------
    working : Working
    aliquot : float
        Extract volume over loaded volume.
    tissue : float
        g, as used.
    bases : (float or None, float or None)
        g of fresh and of dry tissue, where the person gives both.
    """
    factors = [
        ("tissue-mass-forgotten", tissue, ""),
        ("milligram-microgram", THOUSAND, ""),
        ("milligram-microgram", 1 / THOUSAND, ""),
    ]
    if aliquot != 1:
        factors += [("aliquot-forgotten", 1 / aliquot, ""), ("aliquot-inverted", aliquot**-2, "")]
    for other in bases:
        if other and abs(other / tissue - 1) > working.settings["claims_input"]:
            factors.append(("wet-dry", tissue / other, f"as with {other:g} g"))
    return factors


def absorptivity_branches(working: Working) -> tuple[list[Branch], list[Published]]:
    """Return what an absorptivity may be, L/(g cm), and the published ones that count."""
    library = working.facts.library
    own = scales(working.pigment, working.tube.solvent, library)
    right = [Branch(one.value, how=f"published at {one.wavelength:g} nm") for one in own]
    right += _from_shape(working)
    branches = list(right)
    mass = working.molar_mass
    for one in own:
        branches += [
            Branch(one.value * 10, "a1-for-specific"),
            Branch(one.value / 10, "a1-for-specific"),
        ]
        if mass is not None:
            branches.append(Branch(one.value * mass, "molar-for-mass"))
            branches.append(Branch(one.value / mass, "molar-for-mass"))
    for one in published(library):
        if one.pigment == working.pigment and one.solvent != working.tube.solvent:
            how = f"that in {one.solvent}"
            branches.append(Branch(one.value, "absorptivity-of-another-solvent", how))
        elif one.solvent == working.tube.solvent and one.pigment != working.pigment:
            branches.append(
                Branch(one.value, "wrong-pigment-absorptivity", f"that of {one.pigment}")
            )
    return branches, own


def _from_shape(working: Working) -> list[Branch]:
    """The library's own absorptivity where the person read, for a grade fit for mass."""
    library, solvent = working.facts.library, working.tube.solvent
    if solvent is None or working.pigment not in library.pigments:
        return []
    if not library.has(working.pigment, solvent):
        return []
    cell = library.cell(working.pigment, solvent)
    if not cell.for_mass:
        return []
    values = [
        (one.wavelength, float(cell.specific_absorptivity([one.wavelength])[0]))
        for one in working.claim.readings
    ]
    top = max((value for _, value in values), default=0.0)
    return [
        Branch(value, how=f"the library's at {nm:g} nm")
        for nm, value in values
        if value > FOOT_OF_A_BAND * top
    ]


def claimed_readings(working: Working) -> tuple[dict[float, float], dict[float, float]]:
    """Return the person's readings and the halves of their last places, by wavelength."""
    values = {one.wavelength: one.absorbance.value for one in working.readings}
    halves = {one.wavelength: one.absorbance.half_unit for one in working.readings}
    return values, halves


def method_wavelengths(working: Working) -> tuple[float, ...]:
    """Return every wavelength in nm that some valid method reads."""
    found = list(needed_wavelengths(working))
    for equations in valid_sets(working.tube, working.pigment):
        found += equations.wavelengths
    rows = scales(working.pigment, working.tube.solvent, working.facts.library)
    return tuple(dict.fromkeys([*found, *(one.wavelength for one in rows)]))


def scan_readings(working: Working, wavelengths: Sequence[float]) -> dict[float, float]:
    """Return what the scan reads at some wavelengths, offset subtracted as one would."""
    if working.scan is None:
        return {}
    read = {w: working.scan.reads(w) - working.scan.offset() for w in wavelengths}
    return {w: value for w, value in read.items() if math.isfinite(value)}
