"""Planning a measurement: how far to dilute, what can be seen, what to expect.

From a first scan, or from the mass of tissue and what leaves usually hold. The planned
scan is simulated and fitted, so that the smallest detectable mass is that of the
pigment in this mixture, not alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from specfrac.bench_settings import bench_settings
from specfrac.errors import InputError, did_you_mean
from specfrac.fitting import fit_mixture, fit_mixtures
from specfrac.flags import Flag, ranked
from specfrac.references import ReferenceLibrary, References, load_references, read_table
from specfrac.settings import Settings
from specfrac.simulate import simulate_scan

if TYPE_CHECKING:
    import pandas as pd

    from specfrac.fitting.results import MixtureFit
    from specfrac.scans import Scan

Array = NDArray[np.float64]

BASES = ("fresh", "dry")
GRID = np.arange(340.0, 780.5, 1.0)  # nm; as the trade scans leaf pigments
NEAT_FACTORS = (1.0, 2.0, 2.5, 4.0, 5.0)  # times powers of ten
FLASKS = (10.0, 5.0, 25.0, 50.0, 100.0)  # mL, as flasks are sold; the handiest first
SLIGHTLY = 1.05  # a window is not missed by less
ALIQUOT_STEP = 0.05  # mL, what a graduated pipette can be set to
MG_PER_L, UG_PER_MG = 1e3, 1e3
DRY_ROW = "dry-matter"
UG_PER_G = 1e6
QUANTIFIED_OVER_DETECTED = 10 / 3.29  # Currie 1995: 10 and 3.29 standard uncertainties
CHLOROPHYLL_OF = {"pheophytin-a": "chlorophyll-a", "pheophytin-b": "chlorophyll-b"}

CAUTIONS = (
    "Organic solvents burn and their vapours creep: no flame, hot plate or spark; work in a hood.",
    "Wear goggles and gloves that hold against the solvent. Keep extracts cool, dark and closed.",
    "Collect solvent waste, halogenated apart; nothing goes to the sink.",
    "These are reminders, not a clearance to start: local rules, the safety data sheets and "
    "trained supervision decide.",
)


@dataclass(frozen=True, slots=True)
class Span:
    """A number with the range it may lie in.

    Attributes
    ----------
    low, typical, high : float
    """

    low: float
    typical: float
    high: float

    def times(self, factor: float) -> Span:
        """Return the span times a factor above zero."""
        return Span(self.low * factor, self.typical * factor, self.high * factor)


@dataclass(frozen=True, slots=True)
class PlannedBand:
    """A main band of the undiluted solution.

    Attributes
    ----------
    name : str
        ``"blue"`` or ``"red"``.
    wavelength : float
        nm.
    absorbance : Span
        Undiluted, in the planned path.
    computed : bool
        True when it comes from a fit or from expected contents and was not read.
    """

    name: str
    wavelength: float
    absorbance: Span
    computed: bool


@dataclass(frozen=True, slots=True)
class PlannedDilution:
    """One dilution to prepare.

    Attributes
    ----------
    factor : float
        Volume after dilution over volume taken; 1 for none.
    serves : tuple of str
        Bands that then lie in the wanted range.
    absorbance : mapping of str to Span
        By band, after dilution.
    recipe : tuple of (float, float)
        Steps: mL taken, mL made up to. Empty for none.
    """

    factor: float
    serves: tuple[str, ...]
    absorbance: Mapping[str, Span]
    recipe: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class PlannedPigment:
    """What to expect of one pigment.

    Attributes
    ----------
    pigment : str
    concentration : Span
        mg/L in the tube.
    mass : Span or None
        µg in the tube; None without a volume.
    detection_limit : float
        mg/L in the tube, beside the others of this mixture and with the first dilution.
    smallest_mass : float or None
        µg that would just be detected; None without a volume.
    smallest_quantified : float or None
        µg that could be quantified.
    for_mass : bool
        False when the reference has no published scale in this solvent.
    """

    pigment: str
    concentration: Span
    mass: Span | None
    detection_limit: float
    smallest_mass: float | None
    smallest_quantified: float | None
    for_mass: bool


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """What to do before the measurement.

    Attributes
    ----------
    basis : str
        ``"first scan"`` or ``"tissue"``.
    solvent : str
    path_length : float
        cm.
    volume : float or None
        mL of the solution.
    bands : tuple of PlannedBand
    dilutions : tuple of PlannedDilution
        One, or one for each band where one dilution cannot serve both.
    pigments : tuple of PlannedPigment
    sentences : tuple of str
        What to do, in words.
    flags : tuple of Flag
    cautions : tuple of str
    """

    basis: str
    solvent: str
    path_length: float
    volume: float | None
    bands: tuple[PlannedBand, ...]
    dilutions: tuple[PlannedDilution, ...]
    pigments: tuple[PlannedPigment, ...]
    sentences: tuple[str, ...]
    flags: tuple[Flag, ...]
    cautions: tuple[str, ...] = CAUTIONS

    def _repr_html_(self) -> str:
        """Show the plan in a notebook."""
        from specfrac.report import plan_fragment

        return plan_fragment(self)

    def to_frame(self) -> pd.DataFrame:
        """Return a row a pigment."""
        import pandas as pd

        return pd.DataFrame([_pigment_row(one) for one in self.pigments])

    def record(self) -> dict[str, Any]:
        """Return the plan as plain data for JSON."""
        return {
            "basis": self.basis,
            "solvent": self.solvent,
            "path_length_cm": self.path_length,
            "volume_ml": self.volume,
            "bands": [
                {
                    "band": one.name,
                    "wavelength_nm": one.wavelength,
                    **_span("absorbance_undiluted", one.absorbance),
                    "computed": one.computed,
                }
                for one in self.bands
            ],
            "dilutions": [
                {
                    "dilution_factor": one.factor,
                    "serves": list(one.serves),
                    "absorbance": {name: _span("", span) for name, span in one.absorbance.items()},
                    "recipe_ml": [list(step) for step in one.recipe],
                }
                for one in self.dilutions
            ],
            "pigments": [_pigment_row(one) for one in self.pigments],
            "sentences": list(self.sentences),
            "cautions": list(self.cautions),
            "flags": [flag.as_dict() for flag in self.flags],
        }


def _span(name: str, span: Span | None) -> dict[str, float | None]:
    prefix = f"{name}_" if name else ""
    return {
        f"{prefix}low": span.low if span else None,
        f"{prefix}typical": span.typical if span else None,
        f"{prefix}high": span.high if span else None,
    }


def _pigment_row(one: PlannedPigment) -> dict[str, Any]:
    return {
        "pigment": one.pigment,
        **_span("concentration_mg_per_L", one.concentration),
        **_span("mass_ug", one.mass),
        "detection_limit_mg_per_L": one.detection_limit,
        "smallest_mass_ug": one.smallest_mass,
        "smallest_quantified_ug": one.smallest_quantified,
        "for_mass": one.for_mass,
    }


# Contents of leaves


@lru_cache(maxsize=2)
def typical_contents(basis: str = "fresh") -> Mapping[str, Span]:
    """Return what a green leaf holds per gram, µg/g by pigment.

    Parameters
    ----------
    basis : str
        ``"fresh"`` or ``"dry"``.

    Returns
    -------
    mapping of str to Span
        Pheophytins may be as much as `plan_pheophytin_high` of their chlorophyll later on;
        here they are zero.

    Raises
    ------
    InputError
        If the basis is neither word.
    """
    if basis not in BASES:
        raise InputError(f"basis is {basis!r}. {did_you_mean(basis, BASES)}")
    spans = {
        row["pigment"]: Span(
            float(row["low_ug_per_g"]),
            float(row["typical_ug_per_g"]),
            float(row["high_ug_per_g"]),
        )
        for row in read_table("typical_contents.csv").rows
    }
    dry = spans.pop(DRY_ROW)
    if basis == "dry":
        # little dry matter goes with much pigment in it, whatever the leaf
        share = Span(dry.low / UG_PER_G, dry.typical / UG_PER_G, dry.high / UG_PER_G)
        spans = {
            key: Span(one.low / share.high, one.typical / share.typical, one.high / share.low)
            for key, one in spans.items()
        }
    return spans


# Plans


def plan_from_scan(
    scan: Scan,
    *,
    solvent: str,
    volume: float | None = None,
    path_length: float = 1.0,
    planned_path_length: float | None = None,
    dilution_factor: float = 1.0,
    bandwidth: float | None = None,
    pigments: Sequence[str] | None = None,
    library: ReferenceLibrary | None = None,
    settings: Settings | None = None,
) -> Plan:
    """Plan the dilutions of a tube from a first scan, which may be far too strong.

    Parameters
    ----------
    scan : Scan
        Blank subtracted.
    solvent : str
        Key or alias.
    volume : float, optional
        mL of solution in the tube, > 0.
    path_length : float
        cm, of the first scan, > 0.
    planned_path_length : float, optional
        cm, of the next scans; the same by default.
    dilution_factor : float
        Of the first scan, >= 1.
    bandwidth : float, optional
        nm.
    pigments : sequence of str, optional
        Candidates; the eight pigments of a green leaf by default.
    library : ReferenceLibrary, optional
    settings : Settings, optional

    Returns
    -------
    Plan

    Raises
    ------
    InputError
        If a value lies outside its range.
    FitError
        If the scan has too few usable points.
    ReferenceNotFoundError
        If solvent or pigments are not in the library.
    """
    settings = bench_settings() if settings is None else settings
    _check(path_length=path_length, dilution_factor=dilution_factor, volume=volume)
    if dilution_factor < 1:
        raise InputError(f"dilution factor is {dilution_factor:g}, but must be at least 1.")
    path = path_length if planned_path_length is None else planned_path_length
    _check(planned_path_length=path)
    library = load_references() if library is None else library
    references = library.select(solvent=solvent, pigments=pigments)
    fit = fit_mixture(scan, references, path_length=path_length, bandwidth=bandwidth)
    spans = {
        key: _measured_span(fit, at, dilution_factor) for at, key in enumerate(references.pigments)
    }
    found = _bands(references, spans, path, settings)
    bands, flags = _read_where_possible(found, scan, fit, dilution_factor * path / path_length)
    return _plan("first scan", references, spans, bands, _Bench(path, volume, bandwidth, settings),
                 flags)  # fmt: skip


def plan_from_tissue(
    tissue_mass: float,
    *,
    solvent: str,
    volume: float,
    basis: str = "fresh",
    path_length: float = 1.0,
    bandwidth: float | None = None,
    pigments: Sequence[str] | None = None,
    recovered: tuple[float, float] | None = None,
    library: ReferenceLibrary | None = None,
    settings: Settings | None = None,
) -> Plan:
    """Plan an extract, or a cut of it, from the mass of leaf and usual contents.

    Parameters
    ----------
    tissue_mass : float
        g, > 0.
    solvent : str
        Of the made-up solution; key or alias.
    volume : float
        mL it is made up to, > 0.
    basis : str
        ``"fresh"`` or ``"dry"``.
    path_length : float
        cm, > 0.
    bandwidth : float, optional
        nm.
    pigments : sequence of str, optional
        What the solution will hold, e.g. only β-carotene for a yellow cut; by default
        all eight pigments of a green leaf.
    recovered : (float, float), optional
        Lowest and highest share of the leaf's pigment expected in the solution; by
        default that of an extraction.
    library : ReferenceLibrary, optional
    settings : Settings, optional

    Returns
    -------
    Plan

    Raises
    ------
    InputError
        If a value lies outside its range.
    ReferenceNotFoundError
        If solvent or pigments are not in the library.

    Examples
    --------
    >>> plan = plan_from_tissue(0.5, solvent="acetone", volume=10)
    >>> 4 < plan.dilutions[0].factor < 12
    True
    """
    settings = bench_settings() if settings is None else settings
    _check(tissue_mass=tissue_mass, volume=volume, path_length=path_length)
    shares = recovered or (settings["plan_extraction_low"], settings["plan_extraction_high"])
    if not 0 < shares[0] <= shares[1] <= 1:
        raise InputError(
            f"recovered is {shares[0]:g} to {shares[1]:g}, but must rise within 0 to 1."
        )
    library = load_references() if library is None else library
    references = library.select(solvent=solvent, pigments=pigments)
    spans = {
        key: _expected(key, basis, library, settings, shares).times(tissue_mass / volume)
        for key in references.pigments
    }
    bands = _bands(references, spans, path_length, settings)
    return _plan("tissue", references, spans, bands,
                 _Bench(path_length, volume, bandwidth, settings), [])  # fmt: skip


def _check(**values: float | None) -> None:
    for name, value in values.items():
        if value is not None and not 0 < value < math.inf:
            raise InputError(f"{name.replace('_', ' ')} is {value:g}, but must be above 0.")


def _measured_span(fit: MixtureFit, at: int, dilution_factor: float) -> Span:
    """Return the concentration in the tube, mg/L, with its 95 % interval."""
    factor = MG_PER_L * dilution_factor
    value = float(fit.concentration[at])
    half = 1.96 * float(fit.standard_uncertainty[at])
    return Span(max(0.0, value - half), value, value + half).times(factor)


def _expected(
    pigment: str,
    basis: str,
    library: ReferenceLibrary,
    settings: Settings,
    shares: tuple[float, float],
) -> Span:
    """Return µg of pigment in solution per gram of tissue."""
    contents = typical_contents(basis)
    if pigment in CHLOROPHYLL_OF:
        parent = contents[CHLOROPHYLL_OF[pigment]]
        ratio = library.molar_mass(pigment) / library.molar_mass(CHLOROPHYLL_OF[pigment])
        high = parent.high * settings["plan_pheophytin_high"] * ratio
        return Span(0.0, 0.0, high * shares[1])
    if pigment not in contents:
        raise InputError(
            f"no usual content of {pigment!r} is known. {did_you_mean(pigment, contents)} "
            "Plan from a first scan instead."
        )
    one = contents[pigment]
    return Span(one.low * shares[0], one.typical * sum(shares) / 2, one.high * shares[1])


# Bands


def _spectrum(references: References, concentrations: Mapping[str, float], path: float) -> Array:
    total = np.zeros_like(GRID)
    for entry in references.entries:
        amount = concentrations.get(entry.pigment, 0.0) / MG_PER_L
        total += path * amount * entry.specific_absorptivity(GRID)
    return total


def _bands(
    references: References, spans: Mapping[str, Span], path: float, settings: Settings
) -> list[PlannedBand]:
    """Return the highest band on either side of where leaf pigments absorb least."""
    curves = [
        _spectrum(references, {key: getattr(span, name) for key, span in spans.items()}, path)
        for name in ("low", "typical", "high")
    ]
    usable = references.solvent.uv_limit_nm
    split = settings["plan_band_split"]
    found = []
    blue = split > GRID
    for name, side in (("blue", blue), ("red", ~blue)):
        inside = np.flatnonzero(side & (usable < GRID))
        top = inside[np.argmax(curves[1][inside])]
        low, typical, high = (float(curve[top]) for curve in curves)
        found.append(PlannedBand(name, float(GRID[top]), Span(low, typical, high), True))
    strongest = max(band.absorbance.typical for band in found)
    weak = settings["plan_weak_band"] * strongest
    return [band for band in found if band.absorbance.typical > weak]


def _read_where_possible(
    bands: Sequence[PlannedBand], scan: Scan, fit: MixtureFit, factor: float
) -> tuple[list[PlannedBand], list[Flag]]:
    """Replace what the fit says of a band by the reading, where the fit used it."""
    used = scan.wavelength[fit.used[0]]
    done, flags = [], []
    for band in bands:
        near = np.abs(scan.wavelength - band.wavelength) <= 3.0
        clipped = near.any() and not fit.used[0][near].all()
        if near.any() and not clipped:
            read = float(np.nanmax(scan.absorbance[near])) - float(fit.offsets[0])
            span = Span(read, read, read).times(factor)
            done.append(PlannedBand(band.name, band.wavelength, span, False))
            continue
        done.append(band)
        if clipped and used.size:
            message = (
                f"the {band.name} band near {band.wavelength:.0f} nm is too high to be read; the "
                f"fit of the rest says A {_short(band.absorbance.typical)} undiluted."
            )
            flags.append(Flag("plan-band-clipped", message))
    return done, flags


# Dilutions


@dataclass(frozen=True, slots=True, eq=False)
class _Bench:
    """What the next scan is taken with."""

    path_length: float
    volume: float | None
    bandwidth: float | None
    settings: Settings


def _plan(
    basis: str,
    references: References,
    spans: Mapping[str, Span],
    bands: Sequence[PlannedBand],
    bench: _Bench,
    flags: Sequence[Flag],
) -> Plan:
    flags = list(flags)
    dilutions = _dilutions(bands, bench)
    sentences = list(_sentences(bands, dilutions, bench))
    strongest = max((band.absorbance.typical for band in bands), default=0.0)
    if strongest < bench.settings["plan_absorbance_low"]:
        flags.append(Flag("plan-concentrate", _thin(strongest, bench)))
    pigments = _pigments(references, spans, dilutions[0].factor, bench)
    return Plan(
        basis,
        references.solvent.key,
        bench.path_length,
        bench.volume,
        tuple(bands),
        dilutions,
        pigments,
        tuple(sentences),
        ranked(flags),
    )


def _thin(strongest: float, bench: _Bench) -> str:
    low = bench.settings["plan_absorbance_low"]
    if not strongest > 0:
        return "nothing absorbs in the main bands; concentrate, or check the tube."
    return (
        f"the strongest band reaches A {_short(strongest)} only: concentrate "
        f"{_short(low / strongest)} times under a gentle stream, or use a cuvette of "
        f"{_short(bench.path_length * low / strongest)} cm or more."
    )


def _dilutions(bands: Sequence[PlannedBand], bench: _Bench) -> tuple[PlannedDilution, ...]:
    """Return one dilution that serves all bands, or else one for each."""
    settings = bench.settings
    low, high = settings["plan_absorbance_low"], settings["plan_absorbance_high"]
    windows = {
        band.name: (max(1.0, band.absorbance.typical / high), band.absorbance.typical / low)
        for band in bands
    }
    start = max((window[0] for window in windows.values()), default=1.0)
    stop = min((window[1] for window in windows.values()), default=math.inf)
    strongest = max((band.absorbance.typical for band in bands), default=0.0)
    aim = max(1.0, strongest / settings["plan_absorbance_aim"])
    if start <= stop:
        factors = [neat_factor(aim, start, stop)]
    else:
        aims = [max(1.0, b.absorbance.typical / settings["plan_absorbance_aim"]) for b in bands]
        factors = [
            neat_factor(one, *windows[band.name]) for one, band in zip(aims, bands, strict=True)
        ]
    return tuple(_dilution(factor, bands, bench) for factor in dict.fromkeys(factors))


def neat_factor(aim: float, start: float, stop: float) -> float:
    """Return the neat dilution factor nearest an aim within a range, else the aim within it.

    Parameters
    ----------
    aim, start, stop : float
        >= 1.

    Returns
    -------
    float

    Examples
    --------
    >>> neat_factor(5.9, 3.5, 17.0), neat_factor(1.0, 1.0, 2.0), neat_factor(3.1, 3.0, 3.3)
    (5.0, 1.0, 3.1)
    """
    neat = [one * ten for ten in (1.0, 10.0, 100.0, 1000.0) for one in NEAT_FACTORS]
    inside = [one for one in neat if start <= one <= max(start, stop)]
    aim = min(max(aim, start), max(start, stop))
    return min(inside, key=lambda one: abs(math.log(one / aim)), default=round(aim, 2))


def _dilution(factor: float, bands: Sequence[PlannedBand], bench: _Bench) -> PlannedDilution:
    settings = bench.settings
    low, high = settings["plan_absorbance_low"], settings["plan_absorbance_high"]
    after = {band.name: band.absorbance.times(1 / factor) for band in bands}
    slack = 1 + 1e-9
    serves = tuple(n for n, span in after.items() if low / slack <= span.typical <= high * slack)
    return PlannedDilution(factor, serves, after, recipe(factor, settings, volume=bench.volume))


def recipe(
    factor: float, settings: Settings | None = None, *, volume: float | None = None
) -> tuple[tuple[float, float], ...]:
    """Return how to pipette a dilution: mL taken and mL made up to, in one or two steps.

    Of a tube whose volume (mL) is known not more than half is taken, where that works.

    Examples
    --------
    >>> recipe(10.0)
    ((1.0, 10.0),)
    >>> recipe(1.0), recipe(400.0)
    ((), ((0.5, 10.0), (0.5, 10.0)))
    """
    settings = bench_settings() if settings is None else settings
    if factor == 1:
        return ()
    flasks = [one for one in FLASKS if one <= settings["plan_largest_flask"]]
    some = [one for one in flasks if volume is None or one / factor <= volume / 2]
    for flask in some or flasks:
        aliquot = flask / factor
        if aliquot >= settings["plan_smallest_aliquot"] and _settable(aliquot):
            return ((round(aliquot, 3), flask),)
    if flasks and factor <= flasks[0] / settings["plan_smallest_aliquot"]:
        return ((round(flasks[0] / factor, 3), flasks[0]),)
    first = neat_factor(math.sqrt(factor), 1.0, factor)
    return recipe(first, settings) + recipe(factor / first, settings)


def _settable(aliquot: float) -> bool:
    steps = aliquot / ALIQUOT_STEP
    return math.isclose(steps, round(steps), rel_tol=1e-6)


def _sentences(
    bands: Sequence[PlannedBand], dilutions: Sequence[PlannedDilution], bench: _Bench
) -> list[str]:
    low, high = bench.settings["plan_absorbance_low"], bench.settings["plan_absorbance_high"]
    words = [_dilution_words(one, bands) for one in dilutions]
    if len(dilutions) > 1:
        words.append(
            "One dilution cannot serve both bands: scan both and give both to the tube, each with "
            "its dilution factor."
        )
    spread = max((band.absorbance.high for band in bands), default=0.0)
    if dilutions and spread / dilutions[0].factor > SLIGHTLY * high:
        extra = spread / dilutions[0].factor / high
        words.append(
            f"The pigment may be more than usual: if a band reads above {high:g}, dilute up to "
            f"{_short(extra)} times further."
        )
    words.append(
        f"Aim: every main band between A {low:g} and {high:g} in {bench.path_length:g} cm. Use the "
        "solvent of the made-up tube as blank, the same cuvette, and scan to at least 760 nm."
    )
    return words


def _dilution_words(one: PlannedDilution, bands: Sequence[PlannedBand]) -> str:
    places = {band.name: band.wavelength for band in bands}
    bands_words = ", ".join(
        f"{name} band ({places[name]:.0f} nm) at A {_span_words(span)}"
        for name, span in one.absorbance.items()
    )
    if one.factor == 1:
        return f"Scan undiluted: {bands_words}."
    steps = ", then ".join(f"{taken:g} mL made up to {total:g} mL" for taken, total in one.recipe)
    return f"Dilute {one.factor:g} times ({steps}): {bands_words}."


def _span_words(span: Span) -> str:
    if span.low == span.high:
        return _short(span.typical)
    return f"{_short(span.typical)} ({_short(span.low)} to {_short(span.high)})"


def _short(value: float) -> str:
    """Return a number with two digits, not in powers of ten."""
    return f"{float(f'{value:.2g}'):g}"


# Pigments


def _pigments(
    references: References, spans: Mapping[str, Span], factor: float, bench: _Bench
) -> tuple[PlannedPigment, ...]:
    limits = _detection_limits(references, spans, factor, bench)
    volume = bench.volume
    return tuple(
        PlannedPigment(
            entry.pigment,
            spans[entry.pigment],
            spans[entry.pigment].times(volume) if volume is not None else None,
            limits[entry.pigment],
            limits[entry.pigment] * volume if volume is not None else None,
            limits[entry.pigment] * volume * QUANTIFIED_OVER_DETECTED
            if volume is not None
            else None,
            entry.for_mass,
        )
        for entry in references.entries
    )


def _detection_limits(
    references: References, spans: Mapping[str, Span], factor: float, bench: _Bench
) -> dict[str, float]:
    """Return mg/L in the tube that would just be detected, from a simulated scan of the plan."""
    settings = bench.settings
    noise = settings["plan_absorbance_noise"]
    bandwidth = bench.bandwidth or settings["plan_bandwidth"]
    grid = GRID[references.solvent.uv_limit_nm < GRID]
    typical = {key: span.typical / factor / MG_PER_L for key, span in spans.items()}
    scans = [
        simulate_scan(
            references,
            {**typical, missing: 0.0},  # what an absent pigment could just be told from
            wavelength=grid,
            path_length=bench.path_length,
            bandwidth=bandwidth,
            noise=noise,
            rng=1,  # the same plan gives the same limits
        )
        for missing in references.pigments
    ]
    fits = fit_mixtures(
        scans, references, path_length=bench.path_length, bandwidth=bandwidth, noise=noise
    )
    return {
        pigment: MG_PER_L * factor * float(fit.detection_limit[at])
        for at, (pigment, fit) in enumerate(zip(references.pigments, fits, strict=True))
    }


# Text


def plan_text(plan: Plan) -> str:
    """Return a plan as plain text: what to do, what to expect, cautions."""
    source = "a first scan" if plan.basis == "first scan" else "tissue"
    head = f"Plan from {source} in {plan.solvent}"
    if plan.volume is not None:
        head += f", {plan.volume:g} mL"
    lines = [head + f", path {plan.path_length:g} cm", ""]
    lines += [f"- {sentence}" for sentence in plan.sentences]
    lines += [f"- {flag.message}" for flag in plan.flags]
    lines += ["", *_table_lines(plan), "", "Cautions"]
    return "\n".join([*lines, *(f"- {caution}" for caution in plan.cautions)])


def _table_lines(plan: Plan) -> list[str]:
    weighed = plan.volume is not None
    unit = "µg" if weighed else "mg/L"
    rows = [("pigment", f"expected, {unit}", f"smallest detectable, {unit}")]
    for one in plan.pigments:
        span = one.mass if one.mass is not None else one.concentration
        limit = one.smallest_mass if one.smallest_mass is not None else one.detection_limit
        mark = "" if one.for_mass else "  (no published scale in this solvent: not for mass)"
        rows.append((one.pigment, _span_words(span), _short(limit) + mark))
    widths = [max(len(row[at]) for row in rows) + 2 for at in (0, 1)]
    return [f"{row[0]:<{widths[0]}}{row[1]:<{widths[1]}}{row[2]}" for row in rows]
