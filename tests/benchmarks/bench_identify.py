"""How often a wrong solvent is found out, and how often a right one is doubted.

    python tests/benchmarks/bench_identify.py [--scans 40] [--peak 0.2] [--false-alarms]

Scans are drawn with the errors of the measurement model: noise 1e-3, offset and scatter, a
wavelength error of 1 nm, 0.5 nm more a group of bands, band-shape errors of the stated size,
2 nm bandwidth that the analysis does not know. Every scan is judged once with each
solvent declared. The figures are printed, not asserted.
"""

from __future__ import annotations

import argparse

import numpy as np

from specfrac import Scan, fit_mixtures, load_references
from specfrac.identification import CONTRADICTED, check_solvent, judge
from specfrac.references import ReferenceLibrary, References
from specfrac.simulate import BAND_GROUPS, simulate_scan
from specfrac.solvent_evidence import each_alone, in_each_solvent, weigh

WAVELENGTH = np.arange(350.0, 751.0)
SHORT = {
    "acetone": "acet",
    "acetone-90": "ac90",
    "acetone-80": "ac80",
    "ethanol": "etoh",
    "methanol": "meoh",
    "hexane": "hex",
    "petroleum-ether": "petr",
    "diethyl-ether": "ethr",
    "hexane-acetone-90-10": "h+ac",
}
TUBES = {
    "chlorophyll b": {"chlorophyll-b": 1.0},
    "chlorophyll a": {"chlorophyll-a": 1.0},
    "green wash": {
        "beta-carotene": 0.10,
        "lutein": 0.13,
        "violaxanthin": 0.05,
        "neoxanthin": 0.03,
        "chlorophyll-a": 1.0,
        "chlorophyll-b": 0.35,
    },
    "carotene cut": {"beta-carotene": 1.0},
    "lutein": {"lutein": 1.0},
    "yellow mixture": {
        "beta-carotene": 0.30,
        "lutein": 0.13,
        "violaxanthin": 0.05,
        "neoxanthin": 0.03,
    },
}


def draw(
    references: References,
    shares: dict[str, float],
    rng: np.random.Generator,
    *,
    peak: float,
    shape: float = 1.0,
    noise: float = 1e-3,
) -> Scan:
    """One scan of a tube with this composition, by mass, at this peak absorbance."""
    total = sum(
        share * references.specific_absorptivity(pigment, WAVELENGTH[50:])
        for pigment, share in shares.items()
    )
    common = rng.normal(0.0, 1.0)
    spread = references.solvent.shift_prior_nm
    return simulate_scan(
        references,
        {pigment: share * peak / total.max() for pigment, share in shares.items()},
        wavelength=WAVELENGTH,
        group_shifts={group: common + rng.normal(0.0, spread) for group in BAND_GROUPS},
        offset=rng.normal(0.0, 0.003),
        scatter=abs(rng.normal(0.0, 0.003)),
        shape_error_scale=shape,
        gain=rng.normal(0.0, 0.003),
        noise=noise,
        transmittance_noise=3e-4,
        rng=rng,
    )


def table(library: ReferenceLibrary, tube: str, n: int, peak: float, seed: int) -> list[str]:
    """Per cent of scans on which each declared solvent is contradicted, and the best found."""
    hypotheses = in_each_solvent(library)
    names = [hypothesis.solvent for hypothesis in hypotheses]
    lines = [f"{tube:<15}" + "".join(f"{SHORT[name]:>6}" for name in names)]
    doubts, alone = [], []
    for true in names:
        rng = np.random.default_rng(seed)
        references = library.select(solvent=true)
        found = np.zeros(len(names))
        for _ in range(n):
            scan = draw(references, TUBES[tube], rng, peak=peak)
            evidence = weigh(scan, hypotheses)
            found += [judge(evidence, name).verdict == CONTRADICTED for name in names]
            doubts.append(evidence.above_best[names.index(true)])
            if len(TUBES[tube]) == 1:
                singles = weigh(scan, each_alone(library), deviation=evidence.deviation)
                wanted = (tuple(TUBES[tube]), true)
                alone += [
                    float(deviance - evidence.deviance.min())
                    for hypothesis, deviance in zip(
                        singles.hypotheses, singles.deviance, strict=True
                    )
                    if (hypothesis.pigments, hypothesis.solvent) == wanted
                ]
        lines.append(f"  {SHORT[true]:<13}" + "".join(f"{100 * x:>6.0f}" for x in found / n))
    worst = np.quantile(doubts, [0.5, 0.98, 1.0])
    lines.append(
        f"  deviance of the right solvent: median {worst[0]:.1f}, 98 % {worst[1]:.1f}, "
        f"most {worst[2]:.1f}"
    )
    if alone:
        lines.append(
            "  right pigment in the right solvent alone, above the best mixture: median "
            f"{np.median(alone):.1f}, 98 % {np.quantile(alone, 0.98):.1f}, most {max(alone):.1f}"
        )
    return lines


def false_alarms(library: ReferenceLibrary, n: int, seed: int) -> list[str]:
    """Share of right solvents contradicted by `check_solvent`, by tube and severity of error."""
    lines = [f"{'':<15}{'peak 0.2':>10}{'peak 0.05':>10}{'peak 1.5':>10}{'shape x 2':>10}"]
    settings = ({"peak": 0.2}, {"peak": 0.05}, {"peak": 1.5}, {"peak": 0.5, "shape": 2.0})
    for tube, shares in TUBES.items():
        rates = []
        for setting in settings:
            rng = np.random.default_rng(seed)
            flagged = []
            for solvent in library.solvents:
                references = library.select(solvent=solvent)
                scans = [draw(references, shares, rng, **setting) for _ in range(n)]  # type: ignore[arg-type]
                fits = fit_mixtures(scans, references)
                flagged += [
                    bool(check_solvent(scan, fit, library))
                    for scan, fit in zip(scans, fits, strict=True)
                ]
            rates.append(np.mean(flagged))
        lines.append(f"{tube:<15}" + "".join(f"{100 * rate:>9.1f}%" for rate in rates))
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scans", type=int, default=40)
    parser.add_argument("--peak", type=float, default=0.2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--false-alarms", action="store_true")
    options = parser.parse_args()
    library = load_references()
    if options.false_alarms:
        print("\n".join(false_alarms(library, options.scans, options.seed)))
        return
    for tube in TUBES:
        print("\n".join(table(library, tube, options.scans, options.peak, options.seed)))


if __name__ == "__main__":
    main()
