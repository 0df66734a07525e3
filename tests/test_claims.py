"""Worked figures: right ones pass, and each kind of slip is called by its name.

A class is invented here: scans are simulated from known contents, and every figure is
worked with coefficients typed in below from the publications, not read from the
project's tables. Then one slip is put into one step.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from zlib import crc32

import numpy as np
import pytest

from specfrac.bench_settings import bench_settings
from specfrac.claims import check_claims, check_class
from specfrac.claims.facts import RunFacts, ScanFacts, TubeFacts
from specfrac.claims.sheet import parse_claims, parse_claims_table, people
from specfrac.claims.slips import slips
from specfrac.errors import RunSheetError
from specfrac.plates import measure_plate, read_plates
from specfrac.references import load_references
from specfrac.scans import Scan
from specfrac.simulate import simulate_scan

LIBRARY = load_references()
WAVELENGTHS = np.arange(350.0, 800.5, 0.5)

# Coefficients: chlorophyll a, then b, each (own band, other band).
# Lichtenthaler 1987 for 80 % and pure acetone and ether, Porra 1989 for buffered 80 %
# acetone, Lichtenthaler & Wellburn 1983 for 80 % acetone: as recalled or seen in print
# and repeated in the project's list of worked examples C3-C9.
SETS: dict[str, tuple[tuple[float, float], tuple[float, float], float, float]] = {
    "LICHT87-ACE80": ((12.25, -2.79), (21.50, -5.10), 663.2, 646.8),
    "PORRA89-ACE80B": ((12.25, -2.55), (20.31, -4.91), 663.6, 646.6),
    "LW83-ACE80": ((12.21, -2.81), (20.13, -5.03), 663.0, 646.0),
}
FOREIGN = {
    "LICHT87-ACE": ((11.24, -2.04), (20.13, -4.19)),
    "LICHT87-ETHER": ((10.05, -0.97), (16.36, -2.43)),
    "LICHT87-MEOH": ((16.72, -9.16), (34.09, -15.28)),
}
# A(1 %, 1 cm): handbook values as recalled (Britton 1995; Rodriguez-Amaya 2001).
CAROTENE_HEXANE, LUTEIN_ETHANOL = 2592.0, 2550.0
ALPHA_HEXANE, NEOXANTHIN_ETHANOL = 2710.0, 2270.0
MOLAR_MASS = {  # from the formulas with IUPAC atomic weights
    "beta-carotene": 536.87,
    "lutein": 568.87,
    "chlorophyll-a": 893.5,
    "chlorophyll-b": 907.5,
}


@dataclass
class World:
    """One run: its tubes with scans, and what the sheet says."""

    facts: RunFacts

    def tube(self, name: str) -> TubeFacts:
        found = self.facts.tube(name)
        assert found is not None
        return found


def blank_scan(rng: np.random.Generator) -> Scan:
    size = rng.uniform(0.035, 0.07)
    return Scan("solvent", WAVELENGTHS, size * (1 + 0.4 * (800 - WAVELENGTHS) / 450))


def tube(rng, name, role, solvent, amounts, *, dilution, path, volume):
    references = LIBRARY.select(solvent=solvent)
    scan = simulate_scan(
        references,
        {key: value / 1e3 / dilution for key, value in amounts.items()},
        wavelength=WAVELENGTHS,
        name=name,
        path_length=path,
        noise=0.0004,
        offset=rng.uniform(-0.001, 0.001),
        rng=rng,
    )
    fitted = dict(amounts)
    fitted["carotenoids"] = sum(
        value for key, value in amounts.items() if key in ("beta-carotene", "lutein")
    )
    fitted["chlorophylls"] = sum(v for k, v in amounts.items() if k.startswith("chlorophyll"))
    return TubeFacts(
        name,
        role,
        solvent,
        1.0,
        (ScanFacts(name, scan, blank_scan(rng), dilution, path),),
        volume,
        fitted,
        {},
    )


@cache
def world(seed: int) -> World:
    """An invented run of extract, yellow cut (hexane), golden cut (ethanol), green wash."""
    rng = np.random.default_rng(seed)
    pick: Callable[[list[float]], float] = lambda values: float(rng.choice(values))  # noqa: E731
    extract, loaded = pick([10.0, 20.0, 25.0]), pick([2.0, 4.0, 5.0])
    a = rng.uniform(30, 60)
    contents = {
        "chlorophyll-a": a,
        "chlorophyll-b": a / rng.uniform(2.4, 3.3),
        "beta-carotene": a * rng.uniform(0.25, 0.4),
        "lutein": a * rng.uniform(0.25, 0.4),
    }
    volumes = {
        "yellow cut": pick([3.0, 6.0, 8.0]),
        "golden cut": pick([3.0, 6.0, 8.0]),
        "green wash": pick([7.0, 12.0, 15.0]),
    }

    def left(pigment: str, name: str, share: float) -> float:
        return contents[pigment] * loaded * share / volumes[name]

    green = {p: left(p, "green wash", rng.uniform(0.5, 0.85)) for p in contents if "chl" in p}
    yellow = {"beta-carotene": left("beta-carotene", "yellow cut", rng.uniform(0.5, 0.9))}
    golden = {"lutein": left("lutein", "golden cut", rng.uniform(0.5, 0.9))}
    path = pick([0.5, 1.0, 2.0])

    def dilution(strongest: float) -> float:
        """One that brings the strongest band (absorbance undiluted) into a good range."""
        factors = [d for d in (2.5, 4.0, 5.0, 8.0, 10.0, 20.0) if 0.3 < strongest / d < 1.2]
        return pick(factors or [2.5])

    tubes = (
        tube(rng, "extract", "loaded", "acetone-80", contents,
             dilution=dilution(a * 0.086), path=1.0, volume=loaded),
        tube(rng, "yellow cut", "cut", "hexane", yellow,
             dilution=dilution(yellow["beta-carotene"] * 0.259 * path), path=path,
             volume=volumes["yellow cut"]),
        tube(rng, "golden cut", "cut", "ethanol", golden,
             dilution=dilution(golden["lutein"] * 0.255 * path), path=path,
             volume=volumes["golden cut"]),
        tube(rng, "green wash", "wash", "acetone-80", green,
             dilution=dilution(green["chlorophyll-a"] * 0.086), path=1.0,
             volume=volumes["green wash"]),
    )  # fmt: skip
    plate = {
        "name": "plate 1", "developing_solvent": "hexane-acetone 70:30", "origin_mm": 11.0,
        "front_mm": 64.0, "height_mm": 80.0,
        "spot": [{"name": "top", "distance_mm": float(rng.uniform(25, 58)), "lane": "x"}],
    }  # fmt: skip
    named = {f"tube {one.name!r}": one.volume for one in tubes if one.role != "loaded"}
    facts = RunFacts(
        tubes,
        extract,
        loaded,
        float(rng.uniform(0.4, 0.9)),
        "fresh",
        {"the extract": extract, "the loaded part": loaded, **named},
        tuple(measure_plate(one) for one in read_plates([plate])),
        LIBRARY,
    )
    return World(facts)


# Somebody works the figures


@dataclass
class Work:
    """One working: figures in the order they are worked, as (key, value)."""

    fraction: str
    pigment: str
    figures: dict[str, float] = field(default_factory=dict)
    words: dict[str, str] = field(default_factory=dict)
    readings: dict[float, float] = field(default_factory=dict)
    rf: dict[str, float] = field(default_factory=dict)
    digits: int = 3
    keep: dict[str, str] = field(default_factory=dict)  # figures written just so


def written(value: float, digits: int) -> str:
    """A figure as a person writes it: so many digits, never an exponent."""
    places = digits - 1 - math.floor(math.log10(abs(value)))
    return f"{round(value, places):.{max(places, 0)}f}"


EXACT = {"dilution_factor", "volume_ml", "volume_L", "path_length_cm", "molar_mass_g_per_mol",
         "absorptivity_a1_percent", "absorptivity_L_per_g_cm", "tissue_mass_g",
         "loaded_volume_ml", "extract_volume_ml"}  # fmt: skip


def toml(works: list[Work], person: str = "P01", head: str = "") -> str:
    lines = ["[claims]", f'person = "{person}"', head]
    for work in works:
        if work.rf:
            lines.append("[[rf]]")
            lines += [f'{key} = "{value}"' for key, value in work.words.items()]
            lines += [f"{key} = {value:.1f}" for key, value in work.rf.items() if key != "rf"]
            lines.append(f"rf = {work.keep.get('rf', format(work.rf['rf'], '.2f'))}")
            continue
        lines += ["[[claim]]", f'fraction = "{work.fraction}"', f'pigment = "{work.pigment}"']
        lines += [f'{key} = "{value}"' for key, value in work.words.items()]
        if work.readings:
            listed = ", ".join(
                f"{{ nm = {nm:g}, absorbance = {work.keep.get(f'A{nm:g}', format(a, '.3f'))} }}"
                for nm, a in work.readings.items()
            )
            lines.append(f"readings = [{listed}]")
        for key, value in work.figures.items():
            shown = f"{value:.6g}" if key in EXACT else written(value, work.digits)
            lines.append(f"{key} = {work.keep.get(key, shown)}")
    return "\n".join(lines)


class Clerk:
    """Works figures for a world; a slip changes one step and is carried on."""

    def __init__(self, world: World, slip: str = "", *, seed: int = 0) -> None:
        self.world, self.slip = world, slip
        self.rng = np.random.default_rng([seed, crc32(slip.encode())])
        self.digits = int(self.rng.choice([3, 4]))
        self.factor = 1.0  # by how much the slip moved its figure
        names = [one.name for one in world.facts.tubes]
        self.other = world.tube(str(self.rng.choice(names))).scans[0]

    def does(self, slip: str) -> bool:
        return self.slip == slip

    def moved(self, right: float, wrong: float) -> float:
        self.factor = wrong / right
        return wrong

    def rounds(self, value: float) -> float:
        """Carry on rounded as written, or all digits of a pocket calculator."""
        return float(written(value, self.digits)) if self.rng.random() < 0.5 else value

    def read(self, scan: ScanFacts, nm: float, *, first: bool = True) -> float:
        right = scan.reads(nm)
        value = right + self.rng.uniform(-0.001, 0.001)
        if self.does("off-band") and first:
            steps = [s for s in (-8, -7, -6, -5, -4, 4, 5, 6, 7, 8)
                     if abs(scan.reads(nm + s) / right - 1) > 0.06]  # fmt: skip
            return self.moved(right, scan.reads(nm + float(self.rng.choice(steps))))
        if self.does("blank-not-subtracted"):
            return self.moved(right, value + scan.blank_reads(nm))
        if self.does("transmittance-for-absorbance"):
            return self.moved(right, 10**-value)
        if self.does("ln-for-log"):
            return self.moved(right, value * 2.302585)
        if self.does("wrong-tube"):
            return self.moved(right, self.other.reads(nm))
        return value

    # chlorophylls by equations

    def green(self, fraction: str = "green wash", pigment: str = "chlorophyll-a") -> Work:
        here = self.world.tube(fraction)
        scan = here.scans[0]
        name = str(self.rng.choice(list(SETS)))
        a_line, b_line, red_a, red_b = SETS[name]
        first = pigment == "chlorophyll-a"
        own, other = (red_a, red_b) if first else (red_b, red_a)
        line = a_line if first else b_line
        work = Work(fraction, pigment, digits=self.digits, words={"equations": name})
        work.readings = {own: self.read(scan, own), other: self.read(scan, other, first=False)}
        self.pen(work.readings, work, own)
        read = work.readings[own], work.readings[other]
        value = line[0] * read[0] + line[1] * read[1]
        if self.does("equation-of-another-solvent"):
            choice = FOREIGN[str(self.rng.choice(list(FOREIGN)))][0 if first else 1]
            value = self.moved(value, choice[0] * read[0] + choice[1] * read[1])
        if self.does("a-b-swapped"):
            line = b_line if first else a_line
            value = self.moved(value, line[0] * read[1] + line[1] * read[0])
        if self.does("sign-in-equation"):
            value = self.moved(value, line[0] * read[0] - line[1] * read[1])
        self.later(work, here, value)
        return work

    def pen(self, readings: dict[float, float], work: Work, own: float) -> None:
        """A slip of the pen in a reading."""
        text = f"{readings[own]:.3f}"
        if self.does("digits-swapped"):
            digits = list(text)
            at = int(self.rng.choice([2, 3]))
            digits[at], digits[at + 1] = digits[at + 1], digits[at]
            self.moved(float(text), float("".join(digits)))
            readings[own] = float("".join(digits))

    # carotenoids by one absorptivity

    def golden(self, kind: str = "hexane") -> Work:
        fraction, pigment, a1, nm = {
            "hexane": ("yellow cut", "beta-carotene", CAROTENE_HEXANE, 450.0),
            "ethanol": ("golden cut", "lutein", LUTEIN_ETHANOL, 445.0),
        }[kind]
        here = self.world.tube(fraction)
        scan = here.scans[0]
        work = Work(fraction, pigment, digits=self.digits)
        work.readings = {nm: self.read(scan, nm)}
        self.pen(work.readings, work, nm)
        used = a1
        if self.does("wrong-pigment-absorptivity"):
            used = self.moved(a1, NEOXANTHIN_ETHANOL if kind == "ethanol" else ALPHA_HEXANE)
        if self.does("absorptivity-of-another-solvent"):
            used = self.moved(a1, 2480.0 if pigment == "lutein" else 2337.0)  # ether; benzene
        specific = used / 10
        if self.does("a1-for-specific"):
            specific = self.moved(used / 10, used)
        path = scan.path_length
        value = 1000 * work.readings[nm] / (specific * path)
        if self.does("path-forgotten"):
            value = self.moved(value, value * path)
        if self.does("molar-for-mass"):
            value = self.moved(value, value * 1000 / MOLAR_MASS[pigment])
        style = self.rng.random()
        if self.does("a1-for-specific") or style < 0.4:
            work.figures["absorptivity_a1_percent"] = used
        elif style < 0.7:
            work.figures["absorptivity_L_per_g_cm"] = used / 10
        if self.rng.random() < 0.5 or path != 1:
            work.figures["path_length_cm"] = path
        self.later(work, here, value)
        return work

    # cuvette to tube, mass, recovery

    def later(self, work: Work, here: TubeFacts, value: float) -> None:
        figures, dilution = work.figures, here.scans[0].dilution_factor
        self.put(work, "concentration_mg_per_L", value)
        value = self.rounds(value)
        tube = value * dilution
        for slip, factor in (
            ("dilution-forgotten", 1 / dilution),
            ("inverse-dilution", dilution**-2),
            ("dilution-parts", (dilution - 1) / dilution),
            ("dilution-twice", dilution),
        ):
            if self.does(slip):
                tube = self.moved(tube, tube * factor)
        if self.rng.random() < 0.6:
            figures["dilution_factor"] = dilution
        self.put(work, "tube_concentration_mg_per_L", tube)
        self.masses(work, here, self.rounds(tube))

    def put(self, work: Work, key: str, value: float) -> None:
        """Write a figure, rounded badly when that is the slip and the place fits."""
        work.figures[key] = value
        if self.does("wrong-rounding") and key == "tube_concentration_mg_per_L":
            places = 1 - math.floor(math.log10(value))
            cut = math.floor(value * 10**places) / 10**places
            # cut off where it should have been rounded up, or one digit only
            if self.rng.random() < 0.5 and (value - cut) * 10**places > 0.65:
                text = f"{cut:.{max(places, 0)}f}"
            else:
                text = written(value, 1)
            work.keep[key] = text
            work.figures[key] = self.moved(value, float(text))
            if float(text) in (round(value), float(written(value, 2))):
                self.factor = 1.0  # this is how it should be rounded
        if self.does("decimal-point") and key == "concentration_mg_per_L":
            work.figures[key] = self.moved(value, value * float(self.rng.choice([100, 0.01])))

    def masses(self, work: Work, here: TubeFacts, tube: float) -> None:
        facts = self.world.facts
        if work.keep or self.does("decimal-point"):  # go on from what was written
            tube = work.figures["tube_concentration_mg_per_L"]
        assert here.volume is not None
        volume = here.volume
        mass = tube * volume
        if self.does("ml-for-l"):
            mass = self.moved(mass, mass * 1000)
        if self.does("milligram-microgram"):
            mass = self.moved(mass, mass / 1000)
        if self.does("wrong-volume"):
            others = [v for n, v in facts.volumes.items() if v != volume and "tube" in n]
            mass = self.moved(mass, tube * float(self.rng.choice(others)))
        if self.does("volume-forgotten"):
            mass = self.moved(mass, tube)
        if self.does("total-for-loaded") and here.role == "loaded":
            mass = self.moved(mass, tube * float(facts.extract_volume or 0))
        work.figures["mass_ug"] = mass
        mass = self.rounds(mass)
        if self.rng.random() < 0.4 or self.does("wrong-molar-mass"):
            molar = MOLAR_MASS[work.pigment]
            if self.does("wrong-molar-mass"):
                others = [m for m in MOLAR_MASS.values() if abs(m / molar - 1) > 0.03]
                molar = self.moved(1 / molar, 1 / float(self.rng.choice(others))) ** -1
            work.figures["amount_nmol"] = 1000 * mass / molar
        if here.role == "loaded":
            self.content(work, mass)
        else:
            self.recovery(work, mass, here)

    def recovery(self, work: Work, mass: float, here: TubeFacts) -> None:
        facts, loaded = self.world.facts, self.world.facts.loaded
        assert loaded is not None and loaded.volume is not None and here.volume is not None
        start = loaded.fitted[work.pigment] * loaded.volume * self.rng.uniform(0.98, 1.02)
        if self.does("total-for-loaded"):
            ratio = float(facts.extract_volume or 0) / loaded.volume
            start = self.moved(start, start * ratio)
        if self.does("group-total-for-pigment"):
            name = "carotenoids" if "chl" not in work.pigment else "chlorophylls"
            start = self.moved(start, start * loaded.fitted[name] / loaded.fitted[work.pigment])
        work.figures["loaded_mass_ug"] = start
        ratio = mass / self.rounds(start)
        if self.does("inverted-ratio"):
            ratio = self.moved(ratio, 1 / ratio)
        if self.does("concentration-for-mass"):
            ratio = self.moved(ratio, ratio * loaded.volume / here.volume)
        shown = ratio
        if self.does("percent-fraction"):
            shown = self.moved(ratio, ratio * 100)
        if self.rng.random() < 0.5 and not self.does("percent-fraction"):
            work.figures["recovery_percent"] = 100 * shown
        else:
            work.figures["recovery_fraction"] = shown

    def content(self, work: Work, mass: float) -> None:
        facts = self.world.facts
        assert facts.extract_volume and facts.loaded_volume and facts.tissue_mass
        aliquot, tissue = facts.extract_volume / facts.loaded_volume, facts.tissue_mass
        value = mass * aliquot / tissue
        if self.does("aliquot-forgotten"):
            value = self.moved(value, mass / tissue)
        if self.does("wet-dry"):
            value = self.moved(value, mass * aliquot / (self.rng.uniform(0.07, 0.13) * tissue))
        if self.does("tissue-mass-forgotten"):
            value = self.moved(value, mass * aliquot)
        work.figures["content_ug_per_g"] = value

    # plates

    def spot(self) -> Work:
        plate = self.world.facts.plates[0]
        spot, origin = plate.spots[0].spot.distance.value, plate.plate.origin.value
        front, edge = plate.plate.front.value, float(plate.plate.height or 0)
        spot += self.rng.uniform(-0.4, 0.4)
        right = value = (spot - origin) / (front - origin)
        if self.does("wrong-front"):
            value = self.moved(right, (spot - origin) / (edge - origin))
        if self.does("origin-not-subtracted"):
            value = self.moved(right, spot / front)
        words = {"plate": "plate 1", "spot": "top"}
        rf = {"distance_mm": spot, "origin_mm": origin, "front_mm": front, "rf": value}
        return Work("", "", words=words, rf=rf)


GREEN, GOLDEN, LOADED, SPOT = "green", "golden", "loaded", "spot"
# Which slip is put into which working.
SEEDED = {
    "off-band": (GREEN, GOLDEN),
    "blank-not-subtracted": (GREEN, GOLDEN),
    "transmittance-for-absorbance": (GREEN, GOLDEN),
    "ln-for-log": (GREEN, GOLDEN),
    "wrong-tube": (GREEN, GOLDEN),
    "digits-swapped": (GREEN, GOLDEN),
    "equation-of-another-solvent": (GREEN,),
    "a-b-swapped": (GREEN,),
    "sign-in-equation": (GREEN,),
    "wrong-pigment-absorptivity": (GOLDEN,),
    "absorptivity-of-another-solvent": (GOLDEN,),
    "a1-for-specific": (GOLDEN,),
    "path-forgotten": (GOLDEN,),
    "molar-for-mass": (GOLDEN,),
    "decimal-point": (GREEN,),
    "dilution-forgotten": (GREEN, GOLDEN, LOADED),
    "inverse-dilution": (GREEN, GOLDEN, LOADED),
    "dilution-parts": (GREEN, GOLDEN, LOADED),
    "dilution-twice": (GREEN, GOLDEN, LOADED),
    "wrong-rounding": (GREEN, GOLDEN, LOADED),
    "ml-for-l": (GREEN, GOLDEN, LOADED),
    "milligram-microgram": (GREEN, GOLDEN, LOADED),
    "wrong-volume": (GREEN, GOLDEN),
    "volume-forgotten": (GREEN, GOLDEN),
    "wrong-molar-mass": (GREEN, GOLDEN),
    "total-for-loaded": (GREEN, GOLDEN, LOADED),
    "group-total-for-pigment": (GREEN, GOLDEN),
    "inverted-ratio": (GREEN, GOLDEN),
    "concentration-for-mass": (GREEN, GOLDEN),
    "percent-fraction": (GREEN, GOLDEN),
    "aliquot-forgotten": (LOADED,),
    "wet-dry": (LOADED,),
    "tissue-mass-forgotten": (LOADED,),
    "wrong-front": (SPOT,),
    "origin-not-subtracted": (SPOT,),
}
WORLDS = 40
MATERIAL = 0.03  # a slip that moves its figure less is not looked for


def one_working(clerk: Clerk, place: str) -> Work:
    if place == GREEN:
        return clerk.green(pigment=str(clerk.rng.choice(["chlorophyll-a", "chlorophyll-b"])))
    if place == LOADED:
        return clerk.green("extract", str(clerk.rng.choice(["chlorophyll-a", "chlorophyll-b"])))
    if place == SPOT:
        return clerk.spot()
    return clerk.golden(str(clerk.rng.choice(["hexane", "ethanol"])))


def seeded(slip: str, seed: int) -> tuple[World, str, float]:
    """One sheet with one slip that matters, and by what factor its figure is off."""
    for attempt in range(60):
        here = world((seed + 7 * attempt) % WORLDS)
        clerk = Clerk(here, slip, seed=1000 * seed + attempt)
        place = str(clerk.rng.choice(SEEDED[slip]))
        try:
            work = one_working(clerk, place)
        except ValueError:  # nothing to choose from in this world
            continue
        if abs(clerk.factor - 1) >= MATERIAL:
            return here, toml([work]), clerk.factor
    raise AssertionError(f"no world shows {slip}")


# The two promises


def named(slip: str, seed: int) -> str | None:
    here, text, _ = seeded(slip, seed)
    first = check_claims(here.facts, parse_claims(text)).first
    return first[1].slip if first else None


@pytest.mark.parametrize("slip", SEEDED)
def test_each_kind_of_slip_is_named(slip):
    found = Counter(named(slip, seed) for seed in range(40))
    assert found[slip] >= 36, found


def test_seeded_kinds_are_those_of_the_table():
    assert len(SEEDED) >= 20
    assert set(SEEDED) <= set(slips())


def test_correct_sheets_pass():
    passed = 0
    for seed in range(100):
        clerk = Clerk(world(seed % WORLDS), seed=seed)
        clerk.digits = int(clerk.rng.choice([2, 3, 4]))
        works = [one_working(clerk, place) for place in (GREEN, GOLDEN, LOADED, SPOT)]
        passed += check_claims(clerk.world.facts, parse_claims(toml(works))).passed
    assert passed >= 98


# What a departure says


def one_sheet(slip: str, seed: int = 0):
    here, text, factor = seeded(slip, seed)
    return check_claims(here.facts, parse_claims(text)), factor


def test_factor_is_claimed_over_expected():
    result, factor = one_sheet("dilution-forgotten")
    _, step = result.first
    assert step.quantity == "tube_concentration"
    assert step.factor == pytest.approx(factor, rel=0.02)
    assert "dilution" in step.sentence


def test_carried_errors_are_told_from_new_ones():
    result, _ = one_sheet("ln-for-log")
    claim, first = result.first
    after = claim.steps[claim.steps.index(first) + 1 :]
    computed = [s for s in after if s.quantity in ("concentration", "tube_concentration", "mass")]
    assert computed and all(step.verdict == "carried" for step in computed)
    assert not any(step.verdict == "departs" for step in computed)
    # what was loaded does not follow from this reading
    assert all(s.verdict != "carried" for s in after if s.quantity == "loaded_mass")


def test_a_second_new_error_is_found_behind_the_first():
    here, text, _ = seeded("ln-for-log", 3)
    sheet = parse_claims(text)
    mass = next(line for line in text.splitlines() if line.startswith("mass_ug"))
    wrong = f"mass_ug = {1000 * sheet.claims[0].numbers['mass'].value:.6g}"
    result = check_claims(here.facts, parse_claims(text.replace(mass, wrong)))
    assert result.slips[0] == "ln-for-log"
    assert "ml-for-l" in result.slips


def plain_tube(contents, solvent="acetone-80", *, dilution=5.0, path=1.0, volume=10.0):
    rng = np.random.default_rng(4)
    return tube(rng, "wash", "wash", solvent, contents, dilution=dilution, path=path, volume=volume)


def facts_of(one: TubeFacts) -> RunFacts:
    return RunFacts((one,), None, None, None, None, {}, (), LIBRARY)


GREEN_CONTENT = {"chlorophyll-a": 40.0, "chlorophyll-b": 15.0}


def green_claim(extra: str) -> str:
    head = '[claims]\nperson = "P02"\n[[claim]]\nfraction = "wash"\npigment = "chlorophyll-a"\n'
    return head + extra


def readings(**read: float) -> str:
    """A line of readings: nm663_6=0.5 and so on."""
    pairs = [(name.removeprefix("nm").replace("_", "."), value) for name, value in read.items()]
    listed = ", ".join(f"{{ nm = {nm}, absorbance = {value:.3f} }}" for nm, value in pairs)
    return f"readings = [{listed}]\n"


def read_green(one: TubeFacts, nm_a: float, nm_b: float) -> tuple[float, float]:
    return one.scans[0].reads(nm_a), one.scans[0].reads(nm_b)


def test_another_valid_set_is_accepted_as_such():
    one = plain_tube(GREEN_CONTENT)
    a, b = read_green(one, 663.2, 646.8)
    by_porra = 12.25 * a - 2.55 * b  # Porra 1989 on readings stated as of another set
    text = green_claim(
        'equations = "LICHT87-ACE80"\n'
        + readings(nm663_2=a, nm646_8=b)
        + f"concentration_mg_per_L = {by_porra:.3f}"
    )
    result = check_claims(facts_of(one), parse_claims(text))
    assert result.passed
    step = result.claims[0].steps[-1]
    assert step.verdict == "right by another valid method" and "PORRA89" in step.note
    assert [flag.code for flag in result.flags] == ["claims-other-method"]


def test_no_method_stated_is_found_among_the_valid_ones():
    one = plain_tube(GREEN_CONTENT)
    a, b = read_green(one, 663.6, 646.6)
    text = green_claim(
        readings(nm663_6=a, nm646_6=b) + f"concentration_mg_per_L = {12.25 * a - 2.55 * b:.3f}"
    )
    assert check_claims(facts_of(one), parse_claims(text)).passed


def test_one_absorptivity_in_a_mixture_is_no_valid_method():
    one = plain_tube({"chlorophyll-a": 20.0, "chlorophyll-b": 20.0})
    _, b = read_green(one, 663.2, 646.8)
    alone = 1000 * b / 51.84  # Porra 1989, chlorophyll b alone
    text = green_claim(
        f"readings = [{{ nm = 646.6, absorbance = {b:.3f} }}, "
        f"{{ nm = 663.6, absorbance = {one.scans[0].reads(663.6):.3f} }}]\n"
        f"concentration_mg_per_L = {alone:.3f}"
    ).replace("chlorophyll-a", "chlorophyll-b")
    result = check_claims(facts_of(one), parse_claims(text))
    assert result.first[1].slip == "one-band-in-mixture"


def test_stated_equations_of_another_solvent_depart_at_once():
    one = plain_tube(GREEN_CONTENT)
    a, b = one.scans[0].reads(660.6), one.scans[0].reads(642.2)
    text = green_claim(
        'equations = "LICHT87-ETHER"\n'
        + readings(nm660_6=a, nm642_2=b)
        + f"concentration_mg_per_L = {10.05 * a - 0.97 * b:.3f}"  # Lichtenthaler 1987, ether
    )
    result = check_claims(facts_of(one), parse_claims(text))
    step = result.first[1]
    assert (step.quantity, step.slip) == ("equations", "equation-of-another-solvent")
    assert step.factor < 0.97
    assert result.claims[0].steps[-1].verdict == "carried"


def test_molar_route_is_followed_and_its_molar_mass_checked():
    one = plain_tube({"beta-carotene": 8.0}, "hexane")
    a = one.scans[0].reads(451)
    molar = 1e6 * a / 139_500  # Zechmeister 1962, as recalled
    text = (
        '[claims]\nperson = "P03"\n[[claim]]\nfraction = "wash"\npigment = "beta-carotene"\n'
        f"readings = [{{ nm = 451, absorbance = {a:.4f} }}]\n"
        "absorptivity_L_per_mol_cm = 139500\n"
        f"molar_concentration_umol_per_L = {molar:.4f}\nmolar_mass_g_per_mol = 568.9\n"
        f"concentration_mg_per_L = {molar * 0.5689:.4f}"
    )
    result = check_claims(facts_of(one), parse_claims(text))
    verdicts = {step.quantity: (step.verdict, step.slip) for step in result.claims[0].steps}
    assert verdicts["molar_mass"] == ("departs", "wrong-molar-mass")
    assert verdicts["molar_concentration"][0] == "right"
    assert verdicts["concentration"][0] == "carried"
    right = check_claims(
        facts_of(one), parse_claims(text.replace("568.9", "536.9").replace(
            f"{molar * 0.5689:.4f}", f"{molar * 0.5369:.4f}"))
    )  # fmt: skip
    assert right.passed


def test_copied_figures_are_compared_with_the_sheet():
    one = plain_tube(GREEN_CONTENT, dilution=10.0, path=0.5)
    text = green_claim("dilution_factor = 0.1\npath_length_cm = 1.0\nvolume_L = 10.0")
    result = check_claims(facts_of(one), parse_claims(text))
    found = {step.quantity: step.slip for step in result.claims[0].steps}
    assert found == {
        "path_length": "path-forgotten",
        "dilution_factor": "inverse-dilution",
        "volume": "ml-for-l",
    }


def test_reading_taken_beside_the_wavelength_of_the_set():
    one = plain_tube(GREEN_CONTENT)
    scan = one.scans[0]
    text = green_claim(
        'equations = "LICHT87-ACE80"\n'
        f"readings = [{{ nm = 656, absorbance = {scan.reads(656):.3f} }}, "
        f"{{ nm = 646.8, absorbance = {scan.reads(646.8):.3f} }}]"
    )
    step = check_claims(facts_of(one), parse_claims(text)).first[1]
    assert step.slip == "off-band" and "663.2 nm belongs" in step.note
    assert step.factor == pytest.approx(scan.reads(656) / scan.reads(663.2), rel=1e-3)


def test_reading_at_the_observed_maximum_is_right():
    one = plain_tube({"beta-carotene": 8.0}, "hexane")
    scan = one.scans[0]
    top = scan.maximum_near(450, 5)
    text = green_claim(
        "absorptivity_a1_percent = 2592\n"
        f"readings = [{{ nm = {top:g}, absorbance = {scan.reads(top):.3f} }}]"
    ).replace("chlorophyll-a", "beta-carotene")
    assert check_claims(facts_of(one), parse_claims(text)).passed


def test_a_right_figure_far_from_the_whole_scan_says_so():
    # half the chlorophyll turned to pheophytin, which the equations take for chlorophyll
    references = LIBRARY.select(solvent="acetone-80")
    scan = simulate_scan(
        references, {"chlorophyll-a": 4e-3, "pheophytin-a": 4e-3, "chlorophyll-b": 2e-3},
        wavelength=WAVELENGTHS,
    )  # fmt: skip
    one = TubeFacts("wash", "wash", "acetone-80", 1.0, (ScanFacts("s", scan, None, 1.0, 1.0),), 5.0,
                    {"chlorophyll-a": 4.0})  # fmt: skip
    a, b = read_green(one, 663.6, 646.6)
    text = green_claim(
        'equations = "PORRA89-ACE80B"\n'
        + readings(nm663_6=a, nm646_6=b)
        + f"concentration_mg_per_L = {12.25 * a - 2.55 * b:.3f}"
    )
    result = check_claims(facts_of(one), parse_claims(text))
    assert result.passed
    step = result.claims[0].steps[-1]
    assert step.method_gap > 0.1 and "whole scan gives" in step.note
    assert "claims-method-gap" in [flag.code for flag in result.flags]


# Published workings as test of our own right path


def test_published_question_is_passed_and_its_slips_named():
    # Mackinney's coefficients, 80 % acetone, as printed in a student practical (seen):
    # A663 0.222, A645 0.120 give Ca 2.497 mg/L through Arnon's rounded lines.
    points = np.arange(600.0, 701.0)
    shape = np.interp(points, [600, 645, 663, 700], [0.05, 0.120, 0.222, 0.0])
    one = TubeFacts("wash", "wash", "acetone-80", None,
                    (ScanFacts("s", Scan("s", points, shape), None, 5.0, 1.0),), 100.0)  # fmt: skip
    head = (
        'equations = "ARNON49-ACE80"\n'
        "readings = [{ nm = 663, absorbance = 0.222 }, { nm = 645, absorbance = 0.120 }]\n"
        "concentration_mg_per_L = 2.497\ndilution_factor = 5\n"
    )
    tail = "tube_concentration_mg_per_L = 12.49\nvolume_ml = 100\nmass_ug = 1249"
    right = check_claims(facts_of(one), parse_claims(green_claim(head + tail)))
    assert right.passed, [step.sentence for step in right.claims[0].steps]
    tail = "tube_concentration_mg_per_L = 2.497\nvolume_ml = 100\nmass_ug = 249.7"
    wrong = check_claims(facts_of(one), parse_claims(green_claim(head + tail)))
    assert wrong.slips == ("dilution-forgotten",)


# Class


def test_class_counts_people_and_not_figures():
    sheets, facts = [], None
    for number, slip in enumerate(["dilution-forgotten", "dilution-forgotten", "", "ml-for-l"]):
        here = world(77)  # everybody has the same run
        facts = here.facts
        works = [Clerk(here, slip).green(), Clerk(here, slip).golden()]
        sheets.append(parse_claims(toml(works, f"P{number:02d}")))
    found = check_class(facts, sheets)
    assert found.commonest() == [("dilution-forgotten", 2), ("ml-for-l", 1)]
    frame = found.people_frame().set_index("person")
    assert frame.loc["P02", "departures"] == 0 and frame.loc["P00", "departures"] == 2
    assert frame.loc["P00", "slip"] == "dilution-forgotten"
    assert list(found.slips_frame()["people"]) == [2, 1]
    assert set(found.steps_frame()["person"]) == {"P00", "P01", "P02", "P03"}
    assert found.record()["people"][2]["passed"] is True


# Sheets


def test_table_and_text_give_the_same_claims():
    text = (
        "person,fraction,pigment,equations,nm_1,absorbance_1,nm_2,absorbance_2,concentration_mg_per_L\n"
        "P07,wash,chlorophyll-a,PORRA89-ACE80B,663.6,0.512,646.6,0.20,5.76\n"
        "P08,wash,chlorophyll-a,PORRA89-ACE80B,663.6,0.50,646.6,0.20,5.6\n"
    )
    first, second = parse_claims_table(text)
    assert people([first, second]) == ("P07", "P08")
    assert [one.absorbance.text for one in first.claims[0].readings] == ["0.512", "0.20"]
    assert first.claims[0].readings[1].absorbance.half_unit == pytest.approx(0.005)
    assert first.claims[0].numbers["concentration"].value == 5.76
    semicolons = text.replace(",", ";").replace("0.512", "0,512")
    assert parse_claims_table(semicolons)[0].claims[0].readings[0].absorbance.value == 0.512


@pytest.mark.parametrize(
    ("written", "half", "digits"),
    [("1.98", 0.005, 3), ("2.0", 0.05, 2), ("120", 5.0, 2), ("99", 0.5, 2), ("0.050", 0.0005, 2)],
)
def test_digits_say_how_far_a_figure_was_rounded(written, half, digits):
    sheet = parse_claims(green_claim(f"mass_ug = {written}"))
    given = sheet.claims[0].numbers["mass"]
    assert given.half_unit == pytest.approx(half)
    assert given.digits == digits


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (('person = "P02"', 'person = "Somebody Somewhere"'), "not a code"),
        (('person = "P02"', ""), "is missing"),
        (("mass_ug", "mas_ug"), "Did you mean 'mass_ug'"),
        (('"chlorophyll-a"', '"chlorophyl-a"'), "Did you mean 'chlorophyll-a'"),
        (("mass_ug = 5.0", "mass_ug = 5.0\nmass_mg = 0.005"), "Keep one of them"),
        (("mass_ug = 5.0", 'mass_ug = "5.0"'), "without quotes"),
        (("mass_ug = 5.0", "volume_ml = -1"), "above zero"),
        (("mass_ug = 5.0", 'equations = "LICHT87"'), "not known"),
        (("mass_ug = 5.0", 'equations = "LORENZEN67"'), "before and after acid"),
        (("mass_ug = 5.0", 'solvent = "hexan"'), "hexane"),
        (("mass_ug = 5.0", "readings = [{ nm = 450 }]"), "absorbance is missing"),
    ],
)
def test_a_sheet_that_breaks_a_rule_is_refused(change, message):
    with pytest.raises(RunSheetError, match=message):
        parse_claims(green_claim("mass_ug = 5.0").replace(*change))


def test_a_name_is_not_repeated_in_the_message():
    with pytest.raises(RunSheetError) as caught:
        parse_claims(green_claim("mass_ug = 5.0").replace("P02", "Ada Example"))
    assert "Ada" not in str(caught.value)


def test_a_tube_that_is_not_there_names_the_nearest():
    one = plain_tube(GREEN_CONTENT)
    text = green_claim("mass_ug = 5.0").replace('"wash"', '"wach"')
    with pytest.raises(RunSheetError, match="Did you mean 'wash'"):
        check_claims(facts_of(one), parse_claims(text))


def test_settings_can_be_changed():
    result, _ = one_sheet("dilution-parts")
    here, text, _ = seeded("dilution-parts", 0)
    loose = bench_settings({"claims_arithmetic": 0.5, "claims_input": 0.5})
    assert not result.passed
    assert check_claims(here.facts, parse_claims(text), settings=loose).passed


# A folder


RUN = """
[run]
extract_volume_ml = 10.0
loaded_volume_ml = 5.0
[defaults]
solvent = "acetone-80"
bandwidth_nm = 1.0
[[fraction]]
name = "extract"
role = "loaded"
scan = "extract.csv"
blank = "blank.csv"
dilution_factor = 10
[[fraction]]
name = "wash"
role = "wash"
scan = "wash.csv"
blank = "blank.csv"
made_up_volume_ml = 10.0
dilution_factor = 5
"""


def write_run(folder):
    references = LIBRARY.select(solvent="acetone-80")
    points = np.arange(400.0, 781.0)
    blank = 0.05 + 0 * points
    for name, amount, dilution in (("extract", 60e-3, 10), ("wash", 25e-3, 5)):
        scan = simulate_scan(
            references,
            {"chlorophyll-a": amount / dilution, "chlorophyll-b": 0.35 * amount / dilution},
            wavelength=points, noise=3e-4, rng=5,
        )  # fmt: skip
        rows = [f"{w:g},{a:.4f}" for w, a in zip(points, scan.absorbance + blank, strict=True)]
        (folder / f"{name}.csv").write_text("\n".join(["wavelength_nm,A", *rows]))
    rows = [f"{w:g},{a:.4f}" for w, a in zip(points, blank, strict=True)]
    (folder / "blank.csv").write_text("\n".join(["wavelength_nm,A", *rows]))
    (folder / "run.toml").write_text(RUN)


def test_a_class_folder_from_files_to_summary(tmp_path):
    from specfrac.claims.files import check_folder, claims_text, class_text
    from specfrac.loading import read_scans
    from specfrac.report.claims import claims_html

    write_run(tmp_path)
    (scan,) = read_scans(tmp_path / "wash.csv")
    raw = [float(np.interp(w, scan.wavelength, scan.absorbance)) for w in (663.6, 646.6)]
    claims = tmp_path / "claims"
    claims.mkdir()
    for code, (a, b) in {"P01": (raw[0] - 0.05, raw[1] - 0.05), "P02": (raw[0], raw[1])}.items():
        c = 12.25 * a - 2.55 * b
        (claims / f"{code}.toml").write_text(
            green_claim(
                'equations = "PORRA89-ACE80B"\n'
                + readings(nm663_6=a, nm646_6=b)
                + f"concentration_mg_per_L = {c:.2f}\ntube_concentration_mg_per_L = {5 * c:.1f}\n"
                f"mass_ug = {50 * c:.0f}"
            ).replace("P02", code)
        )
    (claims / "P03.toml").write_text(green_claim("mas_ug = 1.0").replace("P02", "P03"))
    found = check_folder(tmp_path)
    assert [one.person for one in found.people] == ["P01", "P02"]
    assert found.people[0].passed, claims_text(found.people[0])
    assert found.people[1].slips == ("blank-not-subtracted",)
    assert [file for file, _ in found.refused] == ["P03.toml"]
    text = class_text(found)
    assert "1 x blank-not-subtracted" in text and "P01" in text and "P03.toml: not checked" in text
    page = claims_html(found)
    assert "the blank was not subtracted" in page and "P02" in page
    assert "<script" not in page


def test_a_folder_without_figures_says_where_they_belong(tmp_path):
    from specfrac.claims.files import check_folder

    with pytest.raises(RunSheetError, match=r"holds no run\.toml"):
        check_folder(tmp_path)
    write_run(tmp_path)
    with pytest.raises(RunSheetError, match=r"claims\.toml"):
        check_folder(tmp_path)
