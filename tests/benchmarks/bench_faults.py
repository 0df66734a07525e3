"""What each fault of the bench does, and whether it is noticed.

    python tests/benchmarks/bench_faults.py [--scans 40] [--markdown]

Each fault is simulated at three strengths on two tubes: a green extract in 90 % acetone and
a yellow carotene cut in hexane, peak absorbance 0.3 to 1.0. The table gives the share of
scans on which a flag that fits the fault was raised, and the median bias of the main total
with the fault, less that of the same scans without it. Clean scans give the false alarms.
The figures are printed, not asserted.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from specfrac import Scan, fit_mixtures, fit_tube, load_references
from specfrac.fitting.results import MixtureFit
from specfrac.references import References
from specfrac.simulate import simulate_scan

WAVELENGTH = np.arange(340.0, 801.0)
GREEN = {
    "beta-carotene": 0.10,
    "lutein": 0.13,
    "violaxanthin": 0.05,
    "neoxanthin": 0.03,
    "chlorophyll-a": 1.0,
    "chlorophyll-b": 0.35,
}
YELLOW = {"beta-carotene": 1.0}


@dataclass(frozen=True)
class Setting:
    """A tube on which faults are tried."""

    name: str
    solvent: str
    composition: dict[str, float]
    total: str

    @property
    def references(self) -> References:
        return load_references().select(solvent=self.solvent)


SETTINGS = {
    "green": Setting("green", "acetone-90", GREEN, "chlorophyll-a-pool"),
    "yellow": Setting("yellow", "hexane", YELLOW, "carotenoids"),
}


def amounts(setting: Setting, peak: float) -> dict[str, float]:
    """Concentrations in g/L that give this peak absorbance in 1 cm."""
    references = setting.references
    total = sum(
        share * references.specific_absorptivity(p, WAVELENGTH)
        for p, share in setting.composition.items()
    )
    return {p: share * peak / total.max() for p, share in setting.composition.items()}


def clean(setting: Setting, rng: np.random.Generator, **change) -> tuple[Scan, dict[str, float]]:
    """A scan without a fault but with the usual errors, and its composition."""
    composition = change.pop("composition", None) or amounts(
        setting, change.pop("peak", rng.uniform(0.3, 1.0))
    )
    common = rng.normal(0.0, 0.5) + change.pop("shift", 0.0)
    spread = 0.5
    options = {
        "wavelength": WAVELENGTH,
        "group_shifts": {
            g: common + rng.normal(0.0, spread) for g in ("carotene", "xanthophyll", "soret", "red")
        },
        "offset": rng.normal(0.0, 0.002),
        "scatter": abs(rng.normal(0.0, 0.002)),
        "shape_error_scale": 1.0,
        "gain": rng.normal(0.0, 0.003),
        "noise": 4e-4,
        "transmittance_noise": 3e-4,
        "rng": rng,
    }
    references = change.pop("references", setting.references)
    return simulate_scan(references, composition, **{**options, **change}), composition


def total_of(fit: MixtureFit, name: str) -> float:
    """Concentration of a group."""
    (group,) = [group for group in fit.groups if group.name == name]
    return fit.group_concentration(group)[0]


def true_total(setting: Setting, composition: dict[str, float]) -> float:
    """True concentration of the setting's main group."""
    references = setting.references
    if setting.total == "carotenoids":
        return sum(
            c
            for p, c in composition.items()
            if references.entry(p).group in ("carotene", "xanthophyll")
        )
    ratio = references.molar_mass("chlorophyll-a") / references.molar_mass("pheophytin-a")
    return composition.get("chlorophyll-a", 0.0) + ratio * composition.get("pheophytin-a", 0.0)


def band(scan: Scan, centre: float, fwhm: float, share: float) -> Scan:
    """Add a foreign band with this share of the area."""
    sigma = fwhm / 2.3548
    area = share / (1 - share) * float(scan.absorbance.sum())
    height = area / (sigma * np.sqrt(2 * np.pi))
    extra = height * np.exp(-0.5 * ((scan.wavelength - centre) / sigma) ** 2)
    return replace(scan, absorbance=scan.absorbance + extra)


Tube = Scan | tuple[Scan, Scan]
Case = Callable[[np.random.Generator, Setting], tuple[Tube, dict[str, float]]]


def fitted(setting: Setting, tubes: list[Tube]) -> list[MixtureFit]:
    """Fits of single scans, side by side, or of pairs of one tube."""
    if isinstance(tubes[0], Scan):
        return list(fit_mixtures(tubes, setting.references, bandwidth=2.0))
    return [fit_tube(pair, setting.references, bandwidth=2.0) for pair in tubes]


def simple(**change) -> Case:
    """A fault that is a change of the simulation."""

    def case(rng: np.random.Generator, setting: Setting):
        return clean(setting, rng, **change)

    return case


def after(alter: Callable[[Scan], Scan]) -> Case:
    """A fault that is a change of the finished scan."""

    def case(rng: np.random.Generator, setting: Setting):
        scan, composition = clean(setting, rng)
        return alter(scan), composition

    return case


def other_solvent(solvent: str) -> Case:
    """Scanned in another solvent than stated; the amount of colour is that of the stated one."""

    def case(rng: np.random.Generator, setting: Setting):
        there = load_references().select(solvent=solvent)
        return clean(setting, rng, references=there)

    return case


def converted(share: float) -> Case:
    """Part of the chlorophyll a has become pheophytin a."""

    def case(rng: np.random.Generator, setting: Setting):
        composition = amounts(setting, rng.uniform(0.3, 1.0))
        lost = share * composition["chlorophyll-a"]
        references = setting.references
        ratio = references.molar_mass("pheophytin-a") / references.molar_mass("chlorophyll-a")
        composition = {
            **composition,
            "chlorophyll-a": composition["chlorophyll-a"] - lost,
            "pheophytin-a": lost * ratio,
        }
        return clean(setting, rng, composition=composition)

    return case


def carried(share: float) -> Case:
    """Chlorophyll a carried over into the yellow cut, by mass."""

    def case(rng: np.random.Generator, setting: Setting):
        composition = amounts(setting, rng.uniform(0.3, 1.0))
        composition = {**composition, "chlorophyll-a": share * sum(composition.values())}
        return clean(setting, rng, composition=composition)

    return case


def repeated(factor: float) -> Case:
    """Two scans of one tube, the second stronger by a factor."""

    def case(rng: np.random.Generator, setting: Setting):
        first, composition = clean(setting, rng, peak=0.6)
        more = {p: factor * c for p, c in composition.items()}
        second, _ = clean(setting, rng, composition=more)
        return (first, second), composition

    return case


def codes(*names: str) -> Callable[[MixtureFit], bool]:
    return lambda fit: bool(set(names) & {flag.code for flag in fit.flags})


def detects(pigment: str) -> Callable[[MixtureFit], bool]:
    return lambda fit: bool(fit.detected[fit.pigments.index(pigment)])


def edge(strength: float) -> Callable[[Scan], Scan]:
    """The solvent's own absorption, growing to the ultraviolet."""
    return lambda scan: replace(
        scan,
        absorbance=scan.absorbance + strength * np.exp(-(scan.wavelength - 340.0) / 6.0),
    )


def cis(share: float) -> Callable[[Scan], Scan]:
    """A cis peak at 338 nm, as a share of the main maximum."""
    return lambda scan: replace(
        scan,
        absorbance=scan.absorbance
        + share * scan.absorbance.max() * np.exp(-0.5 * ((scan.wavelength - 338.0) / 9.0) ** 2),
    )


SCATTER_500 = (750 / 500) ** 2.5  # scatter at 500 nm over that at 750

FAULTS: list[tuple[str, str, list[tuple[str, Case]], Callable[[MixtureFit], bool]]] = [
    (
        "wrong blank (offset)",
        "green",
        [(f"A {a}", simple(offset=a)) for a in (0.01, 0.02, 0.05)],
        codes("offset", "small-offset"),
    ),
    (
        "turbidity",
        "green",
        [(f"A750 {a}", simple(scatter=a * SCATTER_500)) for a in (0.005, 0.01, 0.02)],
        codes("scatter"),
    ),
    (
        "turbidity",
        "yellow",
        [(f"A750 {a}", simple(scatter=a * SCATTER_500)) for a in (0.005, 0.01, 0.02)],
        codes("scatter"),
    ),
    (
        "saturation (ceiling)",
        "green",
        [(f"peak {p}, ceiling 2", simple(peak=p, ceiling=2.0)) for p in (2.2, 2.6, 3.0)],
        codes("above-linear-limit", "flat-top"),
    ),
    (
        "stray light, peak A 2.5",
        "green",
        [(f"{100 * s:g} %", simple(peak=2.5, stray_light_ratio=s)) for s in (0.001, 0.003, 0.01)],
        codes("stray-light", "flat-top", "poor-fit", "shape-error-raised"),
    ),
    (
        "wavelength error",
        "green",
        [(f"{d} nm", simple(shift=d)) for d in (1.0, 2.0, 4.0)],
        codes("band-shift", "implausible-shift"),
    ),
    (
        "wavelength error",
        "yellow",
        [(f"{d} nm", simple(shift=d)) for d in (1.0, 2.0, 4.0)],
        codes("band-shift", "implausible-shift"),
    ),
    (
        "wide bandwidth, stated 2 nm",
        "green",
        [(f"{b} nm", simple(bandwidth=b)) for b in (4.0, 6.0, 8.0)],
        codes("poor-fit", "shape-error-raised", "unassigned-absorbance"),
    ),
    (
        "water in acetone",
        "green",
        [("20 % instead of 10 %", other_solvent("acetone-80"))],
        codes("band-shift", "implausible-shift", "poor-fit", "shape-error-raised"),
    ),
    (
        "wrong solvent",
        "green",
        [(f"{s}", other_solvent(s)) for s in ("acetone", "diethyl-ether", "ethanol")],
        codes("band-shift", "implausible-shift", "poor-fit", "shape-error-raised"),
    ),
    (
        "wrong solvent",
        "yellow",
        [(f"{s}", other_solvent(s)) for s in ("ethanol", "acetone")],
        codes("band-shift", "implausible-shift", "poor-fit", "shape-error-raised"),
    ),
    (
        "solvent edge at 340 nm",
        "yellow",
        [(f"A {a}", after(edge(a))) for a in (0.05, 0.2, 0.5)],
        codes("ultraviolet-absorbance", "cis-peak"),
    ),
    (
        "cis-carotene",
        "yellow",
        [(f"cis peak {100 * s:.0f} %", after(cis(s))) for s in (0.1, 0.2, 0.4)],
        codes("cis-peak", "ultraviolet-absorbance"),
    ),
    (
        "pheophytinisation",
        "green",
        [(f"{100 * s:.0f} %", converted(s)) for s in (0.02, 0.05, 0.2)],
        detects("pheophytin-a"),
    ),
    (
        "carry-over of chlorophyll a",
        "yellow",
        [(f"{100 * s:g} % by mass", carried(s)) for s in (0.005, 0.01, 0.05)],
        detects("chlorophyll-a"),
    ),
    (
        "evaporation between repeats",
        "green",
        [(f"{100 * (f - 1):.0f} %", repeated(f)) for f in (1.02, 1.05, 1.1)],
        codes("scans-disagree"),
    ),
    (
        "bleaching between repeats",
        "green",
        [(f"{100 * (1 - f):.0f} %", repeated(f)) for f in (0.98, 0.95, 0.9)],
        codes("scans-disagree"),
    ),
]
for place in (370, 400, 430, 480, 520, 545, 570, 595, 620, 640, 700, 730):
    FAULTS.append(
        (
            f"foreign band at {place} nm, 3 % of the area",
            "green",
            [
                (f"FWHM {w} nm", after(lambda s, p=place, w=w: band(s, p, w, 0.03)))
                for w in (15, 25, 40)
            ],
            codes("unassigned-absorbance"),
        )
    )


def drawn(setting: Setting, case: Case, n: int, seed: int) -> tuple[list[MixtureFit], np.ndarray]:
    """Fits of a case, and the relative error of the main total of each."""
    pairs = [case(np.random.default_rng([seed, number]), setting) for number in range(n)]
    fits = fitted(setting, [tube for tube, _ in pairs])
    found = np.array([total_of(fit, setting.total) for fit in fits])
    return fits, found / [true_total(setting, composition) for _, composition in pairs] - 1


@lru_cache
def bias_without(name: str, n: int, seed: int) -> float:
    """Median error of the main total of the same scans without a fault."""
    return float(np.median(drawn(SETTINGS[name], simple(), n, seed)[1]))


def false_alarms(setting: Setting, n: int) -> tuple[float, dict[str, float]]:
    """Share of clean scans with any fatal or warn flag, and the share by code."""
    alarms, by_code = [], {}
    for fit in drawn(setting, simple(), n, seed=999)[0]:
        loud = {f.code for f in fit.flags if f.severity in ("fatal", "warn")}
        alarms.append(bool(loud))
        for code in loud:
            by_code[code] = by_code.get(code, 0) + 1 / n
    return float(np.mean(alarms)), by_code


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scans", type=int, default=40)
    options = parser.parse_args()
    print("| fault | tube | strength | noticed | bias of the main total | without the fault |")
    print("|---|---|---|---|---|---|")
    for fault, where, strengths, noticed in FAULTS:
        setting = SETTINGS[where]
        for strength, case in strengths:
            fits, error = drawn(setting, case, options.scans, seed=7)
            seen = np.mean([noticed(fit) for fit in fits])
            sound = bias_without(where, options.scans, seed=7)
            print(
                f"| {fault} | {where} | {strength} | {100 * seen:.0f} % | "
                f"{100 * np.median(error):+.1f} % | {100 * sound:+.1f} % |",
                flush=True,
            )
    print()
    for setting in SETTINGS.values():
        share, by_code = false_alarms(setting, 5 * options.scans)
        listed = ", ".join(f"{code} {100 * s:.1f} %" for code, s in sorted(by_code.items()))
        print(
            f"clean {setting.name} scans with a fatal or warn flag: {100 * share:.1f} % ({listed})"
        )


if __name__ == "__main__":
    main()
