"""An invented run for the tests of pictures and reports, built by hand.

The band shapes are rough sketches of leaf pigments (invented numbers, no source) and
the fits are written down, not fitted, so that a picture or report is tested apart
from engine and library.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from specfrac.balance import balance
from specfrac.decisions import decide, target_cuts
from specfrac.elution import elution_profile
from specfrac.fitting.results import Group, MixtureFit, UnassignedBand
from specfrac.flags import Flag
from specfrac.pooling import pooling
from specfrac.purity import Target
from specfrac.references import PigmentReference, References, Solvent, load_references
from specfrac.run import RunResult
from specfrac.scans import Scan
from specfrac.settings import default_settings
from specfrac.sheet import Fraction, InputFile, Run, TubeScan
from specfrac.tubes import MeasuredTube, _content, bench, result_of
from specfrac.uncertainty import Quantity

SKETCHES = {
    # pigment: (group, molar mass, scale, centres, heights, widths, regions)
    "beta-carotene": ("carotene", 536.888, 259, [425, 450, 478], [0.7, 0.95, 0.83], [13, 12, 10]),
    "lutein": ("xanthophyll", 568.886, 255, [422, 445, 474], [0.66, 0.95, 0.88], [13, 11, 10]),
    "violaxanthin": ("xanthophyll", 600.884, 255, [417, 440, 470], [0.6, 0.95, 0.93], [12, 10, 9]),
    "neoxanthin": ("xanthophyll", 600.884, 227, [414, 438, 467], [0.6, 0.95, 0.9], [12, 10, 9]),
    "chlorophyll-a": ("chlorophyll", 893.509, 113, [382, 412, 430, 580, 618, 662]),
    "chlorophyll-b": ("chlorophyll", 907.492, 146, [430, 455, 596, 645]),
    "pheophytin-a": ("pheophytin", 871.22, 132, [380, 409, 505, 535, 608, 666]),
    "pheophytin-b": ("pheophytin", 885.203, 180, [412, 434, 527, 599, 654]),
}
PORPHYRIN_HEIGHTS = {
    "chlorophyll-a": [0.45, 0.7, 0.8, 0.1, 0.16, 0.8],
    "chlorophyll-b": [0.35, 1.0, 0.1, 0.36],
    "pheophytin-a": [0.4, 0.98, 0.11, 0.09, 0.08, 0.45],
    "pheophytin-b": [0.4, 1.0, 0.08, 0.06, 0.2],
}
PORPHYRIN_WIDTHS = {
    "chlorophyll-a": [16, 15, 9, 13, 13, 9],
    "chlorophyll-b": [14, 9, 13, 9],
    "pheophytin-a": [15, 14, 9, 9, 11, 9],
    "pheophytin-b": [14, 10, 9, 11, 9],
}
WAVELENGTH = np.arange(350.0, 800.5, 1.0)
REPLACED = "violaxanthin", "neoxanthin"


def references(solvent: str = "hexane", *, estimate: tuple[str, ...] = ()) -> References:
    """Return eight sketched references."""
    entries = []
    for pigment, sketch in SKETCHES.items():
        group, molar_mass, scale, centres = sketch[:4]
        heights = PORPHYRIN_HEIGHTS.get(pigment) or sketch[4]
        widths = PORPHYRIN_WIDTHS.get(pigment) or sketch[5]
        porphyrin = pigment in PORPHYRIN_HEIGHTS
        regions = [("red" if c > 490 else "soret") if porphyrin else "whole" for c in centres]
        unscaled = pigment in estimate
        entries.append(
            PigmentReference(
                pigment=pigment,
                solvent=solvent,
                group=group,
                molar_mass=molar_mass,
                centre=np.array(centres, dtype=float),
                height=np.array(heights),
                width=np.array(widths, dtype=float),
                region=tuple(regions),
                scale=float(scale),
                scale_uncertainty=0.2 if unscaled else 0.02,
                valid_from=350.0,
                valid_to=np.inf,
                bandwidth=2.0,
                grade="estimate" if unscaled else "adapted" if porphyrin else "measured",
                shape_error=0.01 if porphyrin else 0.005,
                for_mass=not unscaled,
                reason="an invented sketch",
                sources=(f"Sketch of {pigment}, invented for tests, p. 1.",),
            )
        )
    known = Solvent(solvent, solvent.replace("-", " "), (), 200.0, 1.375, 0.5, False, "invented")
    return References(known, tuple(entries), "sketches 1")


def fit(
    name: str,
    amounts: dict[str, float],
    *,
    solvent: str = "hexane",
    dilutions: tuple[float, ...] = (1.0,),
    merged: tuple[str, ...] = (),
    stranger: float = 0.0,
    estimate: tuple[str, ...] = (),
    flags: tuple[Flag, ...] = (),
    seed: int = 1,
) -> MixtureFit:
    """Write down the fit of a tube that holds `amounts` (mg/L)."""
    refs = references(solvent, estimate=estimate)
    rng = np.random.default_rng(seed)
    true = np.array([amounts.get(key, 0.0) for key in refs.pigments]) / 1e3
    spread = 0.003 * true + 4e-6 * (1 + 4 * true.sum() / 1e-2)
    free = true + spread * rng.standard_normal(true.size) * 0.7
    parts = np.array([e.specific_absorptivity(WAVELENGTH) for e in refs.entries])
    scans, used = [], []
    for dilution in dilutions:
        clean = true @ parts / dilution
        wave = np.sin(WAVELENGTH / 11 + seed) * 0.004 * clean
        odd = stranger * np.exp(-0.5 * ((WAVELENGTH - 520) / 9) ** 2)
        baseline = 0.004 + 0.003 * (500 / WAVELENGTH) ** 2.5
        noise = 0.0006 * rng.standard_normal(WAVELENGTH.size)
        absorbance = clean + wave + odd + baseline + noise
        scans.append(Scan(f"{name} 1:{dilution:g}", WAVELENGTH, np.minimum(absorbance, 2.6)))
        used.append(clean < 2.0)
    scale = np.array([e.scale_uncertainty for e in refs.entries])
    groups = [
        Group("carotenoids", refs.pigments[:4], np.ones(4)),
        Group(
            "chlorophyll-a-pool",
            ("chlorophyll-a", "pheophytin-a"),
            np.array([1.0, 893.509 / 871.22]),
        ),
    ]
    if merged:
        groups.append(Group("+".join(merged), merged, np.ones(len(merged)), merged=True))
    bands = (UnassignedBand(520.0, stranger, 14.0),) if stranger else ()
    return MixtureFit(
        name=name,
        success=True,
        message="written down",
        references=refs,
        scans=tuple(scans),
        dilution_factors=np.array(dilutions),
        path_lengths=np.ones(len(dilutions)),
        used=tuple(used),
        concentration=np.maximum(free, 0.0),
        concentration_unconstrained=free,
        covariance_noise=np.diag(spread**2) * 0.6,
        covariance_shape=np.diag(spread**2) * 0.4,
        covariance_scale=np.diag((scale * true) ** 2) + 0.003**2 * np.outer(true, true),
        zero_uncertainty=spread,
        group_shifts={
            "carotenes": 0.31,
            "xanthophylls": 0.2,
            "chlorophylls, Soret": -0.1,
            "chlorophylls, red": 0.42,
        },
        group_shift_uncertainties={
            "carotenes": 0.05,
            "xanthophylls": 0.3,
            "chlorophylls, Soret": 0.1,
            "chlorophylls, red": 0.04,
        },
        offsets=np.full(len(dilutions), 0.004),
        scatters=np.full(len(dilutions), 0.003),
        scatter_exponent=2.5,
        bandwidth=2.0,
        bandwidth_variance=0.0,
        noise=np.full(len(dilutions), 0.0006),
        shape_error_factor=1.0,
        misfit=0.0,
        reduced_chi_square=1.07,
        deviance=0.0,
        runs_p_value=0.31,
        unassigned_share=0.021 if stranger else 0.0004,
        unassigned_bands=bands,
        groups=tuple(groups),
        flags=flags,
    )


def fraction(
    name: str, role: str, made: MixtureFit | None, volume: float, **more: object
) -> Fraction:
    """Return the sheet's entry of a tube."""
    scans = (
        ()
        if made is None
        else tuple(
            TubeScan(
                f"scans/{name.replace(' ', '_')}_{number}.csv",
                scan.name,
                scan,
                Quantity(float(dilution), 0.01 * float(dilution) if dilution > 1 else 0.0, ""),
                Quantity(1.0, 0.005, "cm"),
            )
            for number, (scan, dilution) in enumerate(
                zip(made.scans, made.dilution_factors, strict=True), start=1
            )
        )
    )
    entry = {
        "name": name,
        "role": role,
        "scans": scans,
        "solvent": made.references.solvent.key if made else "hexane",
        "path_length": Quantity(1.0, 0.005, "cm"),
        "bandwidth": 2.0,
        "made_up_volume": Quantity(volume, 0.01 * volume, "mL"),
        "eluted_volume": None,
        "candidates": None,
        "prepared": None,
        "scanned": None,
        "assumed": ("made_up_volume_ml",),
    }
    names = Fraction.__dataclass_fields__
    return Fraction(**{key: value for key, value in {**entry, **more}.items() if key in names})


EXTRACT = {
    "beta-carotene": 3.1,
    "lutein": 4.2,
    "violaxanthin": 1.6,
    "neoxanthin": 1.1,
    "chlorophyll-a": 31.0,
    "chlorophyll-b": 11.2,
    "pheophytin-a": 1.4,
}


def tubes() -> list[tuple[Fraction, MixtureFit | None]]:
    """Return the tubes of the run: sheet entry and written-down fit."""
    dilute = Flag("above-linear-limit", "chard extract 1:1: 96 points above A 2 were left out.")
    odd = Flag("unassigned-absorbance", "yellow tail: a band at 520 nm belongs to no candidate.")
    twins = Flag("merged-pigments", "green wash: violaxanthin and neoxanthin cannot be told apart.")
    offset = Flag("band-shift", "red bands of chlorophylls lie 0.4 nm to the red.")
    made = [
        ("chard extract", "loaded", 10.0, EXTRACT,
         {"solvent": "acetone-90", "dilutions": (1.0, 10.0), "flags": (dilute, offset)}),
        ("yellow cut", "cut", 5.0, {"beta-carotene": 2.35, "pheophytin-a": 0.012}, {"seed": 4}),
        ("yellow tail", "cut", 2.0, {"beta-carotene": 0.7, "pheophytin-a": 0.35},
         {"stranger": 0.03, "flags": (odd,), "seed": 5}),
        ("grey cut", "cut", 5.0, {"pheophytin-a": 3.6, "pheophytin-b": 0.4, "beta-carotene": 0.08},
         {"solvent": "acetone-90", "seed": 6}),
        ("green wash", "wash", 10.0,
         {"chlorophyll-a": 12.4, "chlorophyll-b": 4.6, "lutein": 1.9, "violaxanthin": 0.7,
          "neoxanthin": 0.45, "pheophytin-a": 0.8},
         {"solvent": "acetone-90", "merged": REPLACED, "flags": (twins,), "seed": 7}),
    ]  # fmt: skip
    result: list[tuple[Fraction, MixtureFit | None]] = []
    came_off = [None, 2.0, 3.0, 6.0, 12.0]
    for (name, role, volume, amounts, more), place in zip(made, came_off, strict=True):
        one = fit(name, amounts, **more)
        eluted = None if place is None else Quantity(place, 0.1, "mL")
        result.append((fraction(name, role, one, volume, eluted_volume=eluted), one))
    last = fraction("last rinse", "wash", None, 2.0, eluted_volume=Quantity(14.0, 0.1, "mL"))
    result.append((last, None))
    return result


def run(fractions: tuple[Fraction, ...], **more: object) -> Run:
    """Return the run's sheet."""
    entry = {
        "folder": Path("invented"),
        "title": "Chard leaf, silica column 7",
        "method": "acetone soak",
        "block": "Tuesday bench",
        "date": "2026-05-04",
        "tissue_mass": Quantity(0.503, 0.006, "g"),
        "tissue_basis": "fresh",
        "extract_volume": Quantity(10.0, 0.1, "mL"),
        "loaded_volume": Quantity(5.0, 0.1, "mL"),
        "void_volume": Quantity(0.9, 0.09, "mL"),
        "all_loaded": False,
        "target_pigment": "beta-carotene",
        "target_share": 0.95,
        "fractions": fractions,
        "plates": (),
        "settings": default_settings(),
        "inputs": (
            InputFile("run.toml", "a" * 64),
            *(
                InputFile(scan.file, f"{number:x}" * 64)
                for number, one in enumerate(fractions, start=1)
                for scan in one.scans[:1]
            ),
        ),
        "assumed": (),
    }
    names = Run.__dataclass_fields__
    return Run(**{key: value for key, value in {**entry, **more}.items() if key in names})


def result(**more: object) -> RunResult:
    """Return the analysis of the run."""
    pairs = tubes()
    sheet = run(tuple(one for one, _ in pairs), **more)
    shared = bench(sheet, load_references())
    measured = [
        MeasuredTube(
            entry,
            made,
            _content(entry, made, shared) if made else None,
            (),
            made.flags if made else (Flag("no-scan", f"{entry.name}: the tube has no scan."),),
        )
        for entry, made in pairs
    ]
    aim = Target("beta-carotene", ("beta-carotene",), 0.95)
    fractions = tuple(
        result_of(tube, shared, loaded=measured[0] if at else None, target=aim)
        for at, tube in enumerate(measured)
    )
    decisions = {one.fraction: one for one in decide(measured, fractions, sheet.settings, aim)}
    fractions = tuple(replace(one, decision=decisions.get(one.fraction.name)) for one in fractions)
    lost = Flag("closure-lower-bound", "1 tube was not scanned: the balance is a lower bound.")
    return RunResult(
        sheet,
        "sketches 1",
        fractions,
        balance(measured, sheet.settings),
        (lost,),
        pooling=pooling(target_cuts(measured, aim), aim.name, wanted_share=aim.share),
        elution=elution_profile(measured, shared),
    )
