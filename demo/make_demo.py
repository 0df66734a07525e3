"""Make the demo: invented runs of an invented bench, with the truth behind them.

    python demo/make_demo.py [FOLDER]

writes the run folders and the truth tables into FOLDER, by default the one this
script stands in, and the rest of a season of runs into FOLDER/season. The same script,
reference library and random numbers give the same bytes. The scenario is in the tables
below; what a tube truly holds follows from it by arithmetic, and what the sheet and the
scans say differs from that by draws from the uncertainties they state.
"""

from __future__ import annotations

import argparse
import csv
import io
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from specfrac.references import References, load_references
from specfrac.scans import Scan
from specfrac.simulate import ShapeErrors, draw_shape_errors, simulate_scan

Array = NDArray[np.float64]
Draw = Callable[..., float]  # a standard normal number for what is named

# The scenario. All figures are invented; their sizes follow common practice of the trade.

SEED = 20260504
RUNS_PER_METHOD = 2
SEASON = 6  # runs of each method in all; those after the first stand in a folder of their own
SEASON_STEP = 2  # of their scans: every second nanometre, so that the files are small
FIRST_DAY = date(2026, 3, 9)
LOTS = ("lot 1", "lot 2")  # of leaf; every method is run on each lot
LOT_SCATTER = 0.08  # relative, of the pigment content between lots
LOT_PIGMENT_SCATTER = 0.03  # the same, of each pigment apart
RUN_SCATTER = 0.035  # relative, of what one extraction yields
RUN_PIGMENT_SCATTER = 0.015  # the same, of each pigment apart
COLUMN_SCATTER = 0.05  # relative, of what goes into a tube

# µg per g of fresh parsley
LEAF = {
    "beta-carotene": 52.0,
    "lutein": 58.0,
    "violaxanthin": 24.0,
    "neoxanthin": 14.0,
    "chlorophyll-a": 900.0,
    "chlorophyll-b": 350.0,
    "pheophytin-a": 12.0,
    "pheophytin-b": 4.0,
}

# Part of the leaf's pigment that an extraction brings into solution. The methods truly
# differ in carotene and in nothing else.
METHODS = {
    "shake": dict.fromkeys(LEAF, 0.92) | {"beta-carotene": 0.94},
    "steep": dict.fromkeys(LEAF, 0.92) | {"beta-carotene": 0.70},
}
METHOD_WORDS = {
    "shake": "cold shaking with glass beads",
    "steep": "warm steeping of leaf strips",
}

# Part of the loaded chlorophyll, by amount, that loses its magnesium on the silica
CONVERSION = {"chlorophyll-a": ("pheophytin-a", 0.07), "chlorophyll-b": ("pheophytin-b", 0.05)}

# Part of what is on the column that comes off in each tube; the rest stays behind
SPLIT = {
    "beta-carotene": {"yellow": 0.90, "grey": 0.01},
    "lutein": {"olive": 0.06, "green": 0.82, "rinse": 0.02},
    "violaxanthin": {"green": 0.78, "rinse": 0.05},
    "neoxanthin": {"green": 0.66, "rinse": 0.12},
    "chlorophyll-a": {"olive": 0.10, "green": 0.78, "rinse": 0.02},
    "chlorophyll-b": {"olive": 0.02, "green": 0.85, "rinse": 0.03},
    "pheophytin-a": {"grey": 0.82, "olive": 0.10},
    "pheophytin-b": {"grey": 0.12, "olive": 0.72},
}


@dataclass(frozen=True, slots=True)
class Step:
    """A tube of the column as every run makes it.

    Volumes in mL: `eluted` is where the tube ends on the elution axis. Minutes are
    counted from the start of the run.
    """

    tube: str
    role: str
    eluent: str
    solvent: str
    made_up: float
    dilutions: tuple[float, ...]
    eluted: float
    minutes: int


LOADED = Step("crude", "loaded", "", "acetone-90", 0.0, (10.0,), 0.0, 20)
COLUMN = (
    Step("yellow", "cut", "hexane", "hexane", 3.0, (1.0,), 3.5, 55),
    Step("grey", "cut", "hexane with 10 % ethyl acetate", "acetone-90", 3.0, (1.0,), 6.5, 75),
    Step("olive", "cut", "hexane with 25 % ethyl acetate", "acetone-90", 5.0, (1.0,), 8.5, 90),
    Step("green", "wash", "acetone", "acetone-90", 10.0, (4.0,), 14.0, 110),
    Step("rinse", "wash", "acetone", "acetone", 5.0, (1.0,), 18.0, 125),
)


@dataclass(frozen=True, slots=True)
class Incident:
    """What went differently with one tube of one run.

    Attributes
    ----------
    made_up, dilutions
        In place of the step's.
    split : mapping
        Part of each pigment that goes into this tube in place of `SPLIT`; taken from the
        tube that holds most of it.
    scatter : float
        Absorbance at 500 nm of fines that came through.
    band : tuple
        Centre, height and width of a band of something that is no leaf pigment.
    """

    made_up: float | None = None
    dilutions: tuple[float, ...] = ()
    split: Mapping[str, float] = field(default_factory=dict)
    scatter: float = 0.0
    band: tuple[float, float, float] | None = None


INCIDENTS = {
    # made up to half the volume and scanned as it was, then diluted
    ("shake-1", "green"): Incident(made_up=5.0, dilutions=(1.0, 10.0)),
    # ink of the tube's label, dissolved by a drop of acetone
    ("shake-2", "olive"): Incident(band=(584.0, 0.045, 14.0)),
    # changed to the grey cut too early and left it too late: carry-over from both sides
    ("steep-1", "grey"): Incident(split={"beta-carotene": 0.14, "chlorophyll-a": 0.01}),
    # silica fines through the frit
    ("steep-1", "green"): Incident(scatter=0.09),
    # the yellow cut caught the front of the grey band
    ("steep-2", "yellow"): Incident(split={"pheophytin-a": 0.04}),
}

# Standard uncertainties, as the sheet states them; relative unless the name says g or cm
U_TISSUE_G = 0.003
U_EXTRACT = 0.005
U_LOADED = 0.010
U_MADE_UP = 0.008
U_DILUTION = 0.008
U_PATH_CM = 0.003

TISSUE_G = 0.500
TISSUE_SPREAD_G = 0.012  # between runs
EXTRACT_ML = 10.0
LOADED_ML = 4.0

# The photometer: its errors are drawn once a run
WAVELENGTH = np.arange(350.0, 800.5, 1.0)
BANDWIDTH_NM = 2.0
U_GAIN = 0.003
U_SHIFT_NM = 0.6
U_GROUP_SHIFT_NM = 0.5  # of a group of bands in one solvent, once for the demo
NOISE = 0.0005
TRANSMITTANCE_NOISE = 0.0003
CEILING = 2.6
U_OFFSET = 0.003
SCATTER = 0.003  # mean, absorbance at 500 nm
LAYOUTS = ("comma", "semicolon", "percent", "together")


# Random numbers: one stream for each thing that is drawn, so that further runs leave the
# first ones as they are.


def stream(seed: int, *names: str) -> np.random.Generator:
    return np.random.default_rng([seed, *"/".join(names).encode()])


@dataclass(frozen=True, slots=True, eq=False)
class Nature:
    """What is true of every run: leaf, references, cuvette."""

    seed: int
    references: Mapping[str, References]
    scale: Mapping[tuple[str, str], float]  # (solvent, pigment): true over stated absorptivity
    shape: Mapping[str, ShapeErrors]
    group_shifts: Mapping[str, Mapping[str, float]]
    path: float
    leaf: Mapping[tuple[str, str], float]  # (lot, pigment): µg/g

    def molar_mass(self, pigment: str) -> float:
        return self.references[LOADED.solvent].molar_mass(pigment)


def draw_nature(seed: int) -> Nature:
    library = load_references()
    solvents = dict.fromkeys(step.solvent for step in (LOADED, *COLUMN))
    references = {key: library.select(solvent=key, pigments=tuple(LEAF)) for key in solvents}
    scale, shape, shifts = {}, {}, {}
    for key, chosen in references.items():
        for entry in chosen.entries:
            z = stream(seed, "absorptivity", key, entry.pigment).standard_normal()
            scale[key, entry.pigment] = 1 + entry.scale_uncertainty * z
        shape[key] = draw_shape_errors(chosen, stream(seed, "shape", key))
        groups = ("carotene", "xanthophyll", "soret", "red")
        drawn = stream(seed, "group shift", key).normal(0, U_GROUP_SHIFT_NM, len(groups))
        shifts[key] = dict(zip(groups, drawn.tolist(), strict=True))
    leaf = {
        (lot, pigment): content
        * (1 + LOT_SCATTER * stream(seed, lot).standard_normal())
        * (1 + LOT_PIGMENT_SCATTER * stream(seed, lot, pigment).standard_normal())
        for lot in LOTS
        for pigment, content in LEAF.items()
    }
    path = 1 + U_PATH_CM * float(stream(seed, "cuvette").standard_normal())
    return Nature(seed, references, scale, shape, shifts, path, leaf)


# What truly happened in a run


@dataclass(frozen=True, slots=True)
class Plan:
    """Which run: its method and number, its lot of leaf, its day and its file layout."""

    method: str
    number: int

    @property
    def position(self) -> int:
        return list(METHODS).index(self.method)

    @property
    def key(self) -> str:
        return f"{self.method}-{self.number}"

    @property
    def code(self) -> str:
        return f"PX{'ABCDEF'[self.position]}{self.number:02d}"

    @property
    def lot(self) -> str:
        return LOTS[(self.number - 1) % len(LOTS)]

    @property
    def day(self) -> date:
        return FIRST_DAY + timedelta(days=7 * (self.number - 1) + self.position)

    @property
    def in_season(self) -> bool:
        return self.number > RUNS_PER_METHOD

    @property
    def layout(self) -> str:
        return LAYOUTS[(2 * self.position + (self.number - 1) % 2) % len(LAYOUTS)]


@dataclass(frozen=True, slots=True, eq=False)
class Tube:
    """What a tube truly holds, µg by pigment, and the bench values that are true of it."""

    step: Step
    incident: Incident
    mass: Mapping[str, float]
    volume: float  # mL, true
    dilutions: tuple[float, ...]  # true factors


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """One run as it truly was."""

    plan: Plan
    stated_tissue: float  # g
    tissue: float  # g
    extract_volume: float  # mL
    loaded_volume: float  # mL
    extract: Mapping[str, float]  # µg in the whole extract
    converted: Mapping[str, float]  # part of each chlorophyll, by amount
    tubes: tuple[Tube, ...]
    gain: float
    shift: float

    @property
    def loaded(self) -> Mapping[str, float]:
        return self.tubes[0].mass


def draw_run(plan: Plan, nature: Nature) -> Truth:
    def z(*names: str) -> float:
        return float(stream(nature.seed, plan.key, *names).standard_normal())

    stated = round(TISSUE_G + TISSUE_SPREAD_G * z("weighing"), 3)
    tissue = stated + U_TISSUE_G * z("balance")
    extract_volume = EXTRACT_ML * (1 + U_EXTRACT * z("extract flask"))
    loaded_volume = LOADED_ML * (1 + U_LOADED * z("pipette"))
    extract = {
        pigment: tissue
        * nature.leaf[plan.lot, pigment]
        * METHODS[plan.method][pigment]
        * (1 + RUN_SCATTER * z("extraction"))
        * (1 + RUN_PIGMENT_SCATTER * z("extraction", pigment))
        for pigment in LEAF
    }
    loaded = {key: mass * loaded_volume / extract_volume for key, mass in extract.items()}
    converted = {
        key: part * (1 + 2 * COLUMN_SCATTER * z("conversion", key))
        for key, (_, part) in CONVERSION.items()
    }
    on_silica = after_conversion(loaded, converted, nature)
    crude = Tube(LOADED, Incident(), loaded, loaded_volume, dilutions(LOADED, z))
    tubes = [
        cut(step, INCIDENTS.get((plan.key, step.tube), Incident()), on_silica, plan, z)
        for step in COLUMN
    ]
    return Truth(
        plan=plan,
        stated_tissue=stated,
        tissue=tissue,
        extract_volume=extract_volume,
        loaded_volume=loaded_volume,
        extract=extract,
        converted=converted,
        tubes=(crude, *tubes),
        gain=U_GAIN * z("gain"),
        shift=U_SHIFT_NM * z("wavelength scale"),
    )


def after_conversion(
    loaded: Mapping[str, float], converted: Mapping[str, float], nature: Nature
) -> dict[str, float]:
    """µg on the column once part of the chlorophyll has become pheophytin, mole for mole."""
    held = dict(loaded)
    for chlorophyll, (pheophytin, _) in CONVERSION.items():
        lost = held[chlorophyll] * converted[chlorophyll]
        held[chlorophyll] -= lost
        held[pheophytin] += lost * nature.molar_mass(pheophytin) / nature.molar_mass(chlorophyll)
    return held


def split(pigment: str, run: str) -> dict[str, float]:
    """Mean part of a pigment in each tube of a run, incidents included."""
    parts = dict(SPLIT[pigment])
    home = max(parts, key=lambda tube: parts[tube])
    for (where, tube), incident in INCIDENTS.items():
        if where == run and pigment in incident.split:
            parts[home] -= incident.split[pigment] - parts.get(tube, 0.0)
            parts[tube] = incident.split[pigment]
    return parts


def cut(
    step: Step, incident: Incident, on_silica: Mapping[str, float], plan: Plan, z: Draw
) -> Tube:
    step = replace(
        step,
        made_up=incident.made_up or step.made_up,
        dilutions=incident.dilutions or step.dilutions,
    )
    mass = {}
    for pigment, held in on_silica.items():
        part = split(pigment, plan.key).get(step.tube, 0.0)
        mass[pigment] = held * part * (1 + COLUMN_SCATTER * z("column", step.tube, pigment))
    volume = step.made_up * (1 + U_MADE_UP * z("flask", step.tube))
    return Tube(step, incident, mass, volume, dilutions(step, z))


def dilutions(step: Step, z: Draw) -> tuple[float, ...]:
    return tuple(
        factor * (1 + U_DILUTION * z("dilution", step.tube, f"{factor:g}")) if factor > 1 else 1.0
        for factor in step.dilutions
    )


# What the photometer shows


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """A scan of a tube, or of a blank, as it is exported."""

    tube: str
    solvent: str
    dilution: float  # as stated
    sample: str
    scan: Scan


def read_tubes(truth: Truth, nature: Nature) -> list[Reading]:
    return [
        measure(truth, tube, position, nature)
        for tube in truth.tubes
        for position in range(len(tube.dilutions))
    ]


def measure(truth: Truth, tube: Tube, position: int, nature: Nature) -> Reading:
    """Scan a tube at one of its dilutions.

    The true absorptivity differs from the reference's; the simulation knows only the
    reference, so it is given the concentration that absorbs as much.
    """
    step, true_factor = tube.step, tube.dilutions[position]
    stated = step.dilutions[position]
    sample = sample_name(truth.plan, step, stated)
    rng = stream(nature.seed, truth.plan.key, "scan", step.tube, f"{stated:g}")
    seen = {
        pigment: mass / tube.volume / 1000 / true_factor * nature.scale[step.solvent, pigment]
        for pigment, mass in tube.mass.items()
    }
    scan = simulate_scan(
        nature.references[step.solvent],
        seen,
        wavelength=WAVELENGTH,
        name=sample,
        path_length=nature.path,
        bandwidth=BANDWIDTH_NM,
        shift=truth.shift,
        group_shifts=nature.group_shifts[step.solvent],
        offset=rng.normal(0, U_OFFSET),
        scatter=(SCATTER * rng.exponential() + tube.incident.scatter) / true_factor,
        scatter_exponent=rng.normal(2.5, 0.5),
        shape_errors=nature.shape[step.solvent],
        gain=truth.gain,
        noise=NOISE,
        transmittance_noise=TRANSMITTANCE_NOISE,
        rng=rng,
    )
    absorbance = scan.absorbance
    if tube.incident.band:
        centre, height, width = tube.incident.band
        absorbance = absorbance + height / true_factor * np.exp(
            -((WAVELENGTH - centre) ** 2) / (2 * width**2)
        )
    absorbance = np.minimum(absorbance, CEILING)
    return Reading(step.tube, step.solvent, stated, sample, replace(scan, absorbance=absorbance))


def sample_name(plan: Plan, step: Step, dilution: float) -> str:
    name = f"{plan.code}-{step.tube}"
    return f"{name}-1in{dilution:g}" if len(step.dilutions) > 1 and dilution > 1 else name


def with_blanks(truth: Truth, readings: list[Reading], nature: Nature) -> list[Reading]:
    """Readings against air, and the blanks of their solvents."""
    level = {}
    for solvent in dict.fromkeys(reading.solvent for reading in readings):
        rng = stream(nature.seed, truth.plan.key, "blank", solvent)
        # reflection at the cuvette's walls, and the solvent's edge
        level[solvent] = rng.uniform(0.03, 0.04) + 0.05 * np.exp(-(WAVELENGTH - 330) / 12)
    blanks = []
    for solvent, curve in level.items():
        rng = stream(nature.seed, truth.plan.key, "blank noise", solvent)
        sample = f"blank {solvent}"
        reading = curve + NOISE * rng.standard_normal(WAVELENGTH.size)
        blanks.append(Reading("", solvent, 1.0, sample, Scan(sample, WAVELENGTH, reading)))
    against_air = [
        replace(one, scan=replace(one.scan, absorbance=one.scan.absorbance + level[one.solvent]))
        for one in readings
    ]
    return [*blanks, *against_air]


# Files


def digits(value: float, places: int) -> str:
    """Decimal text without a negative zero."""
    return f"{round(float(value), places) + 0.0:.{places}f}"


def comma_file(reading: Reading) -> str:
    rows = zip(reading.scan.wavelength, reading.scan.absorbance, strict=True)
    lines = ["wavelength_nm,absorbance", *(f"{w:.0f},{digits(a, 4)}" for w, a in rows)]
    return "\n".join(lines) + "\n"


def semicolon_file(reading: Reading, truth: Truth) -> str:
    """Decimal comma, a preamble, from red to blue."""
    rows = list(zip(reading.scan.wavelength, reading.scan.absorbance, strict=True))[::-1]
    lines = [
        f"Sample;{reading.sample}",
        f"Date;{truth.plan.day.isoformat()}",
        "Mode;Absorbance",
        f"Bandwidth (nm);{digits(BANDWIDTH_NM, 1).replace('.', ',')}",
        "",
        "Wavelength (nm);Absorbance",
        *(f"{w:.1f};{digits(a, 4)}".replace(".", ",") for w, a in rows),
    ]
    return "\n".join(lines) + "\n"


def percent_file(reading: Reading) -> str:
    """Transmittance in percent between tabs, from red to blue."""
    rows = list(zip(reading.scan.wavelength, reading.scan.absorbance, strict=True))[::-1]
    lines = ["nm\t%T", *(f"{w:.1f}\t{digits(100 * 10**-a, 3)}" for w, a in rows)]
    return "\n".join(lines) + "\n"


def together_file(readings: list[Reading]) -> str:
    """All scans of a run side by side."""
    head = ",".join(["wavelength_nm", *(reading.sample for reading in readings)])
    columns = [reading.scan.absorbance for reading in readings]
    rows = (
        ",".join([f"{w:.0f}", *(digits(a, 4) for a in values)])
        for w, *values in zip(readings[0].scan.wavelength, *columns, strict=True)
    )
    return "\n".join([head, *rows]) + "\n"


SUFFIX = {"comma": ".csv", "semicolon": ".txt", "percent": ".tsv"}


def scan_files(truth: Truth, nature: Nature) -> tuple[dict[str, str], list[Reading]]:
    """Text of each scan file by its place in the run folder, and the tubes' readings."""
    readings = read_tubes(truth, nature)
    layout = truth.plan.layout
    if layout == "together":
        name = f"scans/{truth.plan.code}.csv"
        together = thinned(with_blanks(truth, readings, nature), truth.plan)
        return {name: together_file(together)}, readings
    readings = thinned(readings, truth.plan)
    writer = {
        "comma": comma_file,
        "semicolon": lambda reading: semicolon_file(reading, truth),
        "percent": percent_file,
    }[layout]
    return {scan_place(truth.plan, reading): writer(reading) for reading in readings}, readings


def thinned(readings: list[Reading], plan: Plan) -> list[Reading]:
    """Readings at the coarser step of the season's later runs."""
    if not plan.in_season:
        return readings
    step = slice(None, None, SEASON_STEP)
    return [
        replace(
            one,
            scan=Scan(one.scan.name, one.scan.wavelength[step], one.scan.absorbance[step]),
        )
        for one in readings
    ]


def scan_place(plan: Plan, reading: Reading) -> str:
    return f"scans/{reading.sample}{SUFFIX[plan.layout]}"


# The sheet


def sheet(truth: Truth, readings: list[Reading]) -> str:
    plan = truth.plan
    parts = [
        f"# Invented run of the demo; see {'../' * (1 + plan.in_season)}README.md.",
        "",
        "[run]",
        f'title = "{plan.code}: parsley, {METHOD_WORDS[plan.method]}"',
        f'method = "{METHOD_WORDS[plan.method]}"',
        f'block = "{plan.lot}"',
        f"date = {plan.day.isoformat()}",
        f"tissue_mass_g = {truth.stated_tissue:.3f}",
        f"u_tissue_mass_g = {U_TISSUE_G}",
        'tissue_basis = "fresh"',
        *measured("extract_volume_ml", EXTRACT_ML, U_EXTRACT),
        *measured("loaded_volume_ml", LOADED_ML, U_LOADED),
        "void_volume_ml = 1.1",
        "u_void_volume_ml = 0.1",
        'target_pigment = "beta-carotene"',
        "target_share = 0.95",
        "",
        "[defaults]",
        "path_length_cm = 1.0",
        f"u_path_length_cm = {U_PATH_CM}",
        f"bandwidth_nm = {BANDWIDTH_NM}",
    ]
    for tube in truth.tubes:
        parts += ["", *fraction(plan, tube.step, [r for r in readings if r.tube == tube.step.tube])]
    return "\n".join(parts) + "\n"


def measured(name: str, value: float, relative: float) -> list[str]:
    return [f"{name} = {value:g}", f"u_{name} = {round(value * relative, 6):g}"]


def fraction(plan: Plan, step: Step, readings: list[Reading]) -> list[str]:
    start = datetime.combine(plan.day, time(9, 0))
    prepared = start + timedelta(minutes=step.minutes)
    lines = ["[[fraction]]", f'name = "{step.tube}"', f'role = "{step.role}"']
    if step.eluent:
        lines[0] += f"  # eluted with {step.eluent}"
    lines.append(f'solvent = "{step.solvent}"')
    if len(readings) == 1:
        lines += scan_entry(plan, readings[0])
    else:
        lines += ["scans = [", *(f"  {scan_table(plan, one)}," for one in readings), "]"]
    if plan.layout == "together":
        lines.append(
            f'blank = {{ file = "scans/{plan.code}.csv", sample = "blank {step.solvent}" }}'
        )
    if step.role != "loaded":
        lines += measured("made_up_volume_ml", step.made_up, U_MADE_UP)
        lines += [f"eluted_volume_ml = {step.eluted}", "u_eluted_volume_ml = 0.1"]
    scanned = prepared + timedelta(minutes=25)
    return [*lines, f"prepared = {prepared.isoformat()}", f"scanned = {scanned.isoformat()}"]


def scan_entry(plan: Plan, reading: Reading) -> list[str]:
    if plan.layout == "together":
        lines = [f'scan = "scans/{plan.code}.csv"', f'sample = "{reading.sample}"']
    else:
        lines = [f'scan = "{scan_place(plan, reading)}"']
    if reading.dilution > 1:
        lines += measured("dilution_factor", reading.dilution, U_DILUTION)
    return lines


def scan_table(plan: Plan, reading: Reading) -> str:
    entries = scan_entry(plan, reading)
    entries[0] = entries[0].replace("scan = ", "file = ")
    if reading.dilution == 1:
        entries.append("dilution_factor = 1")
    return "{ " + ", ".join(entries) + " }"


# The truth tables


def truth_rows(truth: Truth, nature: Nature) -> list[list[str]]:
    """A row a tube and pigment, on the definitions of the analysis."""
    rows = []
    scale_up = truth.extract_volume / truth.loaded_volume / truth.tissue
    for tube in truth.tubes:
        total = sum(tube.mass.values())
        for pigment, mass in tube.mass.items():
            recovery = "" if tube is truth.tubes[0] else f"{mass / truth.loaded[pigment]:.6g}"
            rows.append(
                [
                    truth.plan.key,
                    tube.step.tube,
                    tube.step.role,
                    tube.step.solvent,
                    pigment,
                    f"{mass:.6g}",
                    f"{1000 * mass / nature.molar_mass(pigment):.6g}",
                    f"{mass / tube.volume:.6g}",
                    f"{mass / total:.6g}",
                    recovery,
                    f"{mass * scale_up:.6g}",
                ]
            )
    return rows


TRUTH_HEAD = ["run", "tube", "role", "solvent", "pigment", "mass_ug", "amount_nmol"]
TRUTH_HEAD += ["concentration_mg_per_L", "share_mass", "recovery", "content_ug_per_g"]
RUNS_HEAD = ["run", "method", "lot", "tissue_g", "extract_ml", "loaded_ml"]
RUNS_HEAD += ["converted_chlorophyll_a", "converted_chlorophyll_b", "gain", "shift_nm", "path_cm"]


def run_row(truth: Truth, nature: Nature) -> list[str]:
    figures = [
        truth.tissue,
        truth.extract_volume,
        truth.loaded_volume,
        *truth.converted.values(),
        truth.gain,
        truth.shift,
        nature.path,
    ]
    plan = truth.plan
    return [plan.key, METHOD_WORDS[plan.method], plan.lot, *(f"{x:.6g}" for x in figures)]


def table(head: list[str], rows: list[list[str]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(head)
    writer.writerows(rows)
    return text.getvalue()


def demo_files(seed: int = SEED, runs_per_method: int = RUNS_PER_METHOD) -> dict[str, str]:
    """Text of every file of the demo by its place in the demo folder."""
    return files_of(seed, range(1, runs_per_method + 1))


def season_files(seed: int = SEED, runs_per_method: int = SEASON) -> dict[str, str]:
    """Text of the files of the further runs of a season, by place in the demo folder."""
    further = files_of(seed, range(RUNS_PER_METHOD + 1, runs_per_method + 1))
    return {f"season/{place}": text for place, text in further.items()}


def files_of(seed: int, numbers: Iterable[int]) -> dict[str, str]:
    """Sheets, scans and truth tables of the runs with these numbers, of every method."""
    nature = draw_nature(seed)
    chosen = list(numbers)
    files: dict[str, str] = {}
    tubes, runs = [], []
    for plan in [Plan(method, number) for method in METHODS for number in chosen]:
        truth = draw_run(plan, nature)
        scans, readings = scan_files(truth, nature)
        files[f"{plan.key}/run.toml"] = sheet(truth, readings)
        files |= {f"{plan.key}/{place}": text for place, text in scans.items()}
        tubes += truth_rows(truth, nature)
        runs.append(run_row(truth, nature))
    files["truth.csv"] = table(TRUTH_HEAD, tubes)
    files["truth_runs.csv"] = table(RUNS_HEAD, runs)
    return files


def main() -> None:
    parser = argparse.ArgumentParser(description="Make the invented runs of the demo.")
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).parent)
    parser.add_argument("--seed", type=int, default=SEED, help="of the random numbers")
    parser.add_argument("--runs", type=int, default=RUNS_PER_METHOD, help="of each method")
    parser.add_argument(
        "--season", type=int, default=SEASON, help="runs of each method, season included"
    )
    options = parser.parse_args()
    files = demo_files(options.seed, options.runs)
    if options.season > RUNS_PER_METHOD:
        files |= season_files(options.seed, options.season)
    for place, text in files.items():
        path = options.folder / place
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
