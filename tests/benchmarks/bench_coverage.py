"""Do the intervals hold the truth? A seeded study on simulated scans.

    python tests/benchmarks/bench_coverage.py [--scans 500] [--solvent acetone] [--seed 1]

Scans are drawn with the errors of the measurement model: composition with zeros and strong
overlaps, peak absorbance 0.02 to 3, noise, offset, scatter, common and group shifts,
bandwidth 0.5 to 8 nm, photometer gain, and a smooth shape error at the size the references
state (and at twice that size, to see what then happens). The figures are printed, not
asserted; a small study of the same kind is part of the tests.
"""

from __future__ import annotations

import argparse

import numpy as np

from specfrac import fit_mixtures, load_references
from specfrac.fitting.results import MixtureFit
from specfrac.references import References
from specfrac.simulate import simulate_scan

WAVELENGTH = np.arange(400.0, 771.0)
NORMAL_95 = 1.96
ONE_SIDED_95 = 1.645


def composition(references: References, rng: np.random.Generator, peak: float) -> dict[str, float]:
    """Lognormal amounts, three in ten absent, scaled to a peak absorbance in 1 cm."""
    while True:
        amounts = rng.lognormal(0.0, 1.0, len(references.pigments))
        amounts *= rng.random(amounts.size) > 0.3
        if amounts.any():
            break
    shapes = np.array([e.specific_absorptivity(WAVELENGTH) for e in references.entries])
    amounts *= peak / (amounts @ shapes).max()
    return dict(zip(references.pigments, amounts.tolist(), strict=True))


def draw(references: References, rng: np.random.Generator, shape_scale: float):
    """One scan with its true composition and the bandwidth it was taken with."""
    truth = composition(references, rng, peak=10 ** rng.uniform(np.log10(0.02), np.log10(3.0)))
    bandwidth = float(rng.choice([0.5, 1.0, 2.0, 4.0, 5.0, 8.0]))
    common = rng.normal(0.0, 1.0)
    spread = references.solvent.shift_prior_nm
    scan = simulate_scan(
        references,
        truth,
        wavelength=WAVELENGTH,
        bandwidth=bandwidth,
        group_shifts={
            group: common + rng.normal(0.0, spread)
            for group in ("carotene", "xanthophyll", "soret", "red")
        },
        offset=rng.normal(0.0, 0.005),
        scatter=abs(rng.normal(0.0, 0.005)),
        scatter_exponent=rng.normal(2.5, 1.0),
        shape_error_scale=shape_scale,
        gain=rng.normal(0.0, 0.003),
        noise=10 ** rng.uniform(-4.0, -2.8),
        transmittance_noise=3e-4,
        rng=rng,
    )
    return scan, truth, bandwidth


def errors_over_uncertainty(
    fits: list[MixtureFit], truths: np.ndarray, members: np.ndarray
) -> np.ndarray:
    """Normalised error of a weighted sum of pigments, one a scan."""
    return np.array(
        [
            (fit.concentration_unconstrained - truth)
            @ members
            / np.sqrt(members @ fit.covariance @ members)
            for fit, truth in zip(fits, truths, strict=True)
        ]
    )


def table(references: References, fits: list[MixtureFit], truths: np.ndarray) -> list[str]:
    """Lines of coverage, one a pigment and one a group."""
    lines = [
        f"{'':<20}{'95 % holds':>11}{'present':>9}{'absent':>8}{'one-sided':>11}"
        f"{'false detection':>17}{'spread':>8}{'bias':>7}"
    ]
    for column, pigment in enumerate(references.pigments):
        unit = np.eye(len(references.pigments))[column]
        z = errors_over_uncertainty(fits, truths, unit)
        there = truths[:, column] > 0
        detected = np.array([fit.detected[column] for fit in fits])
        held = np.abs(z) < NORMAL_95
        lines.append(
            f"{pigment:<20}{held.mean():>11.3f}{held[there].mean():>9.3f}{held[~there].mean():>8.3f}"
            f"{(z[~there] < ONE_SIDED_95).mean():>11.3f}{detected[~there].mean():>17.3f}"
            f"{z.std():>8.2f}{z.mean():>7.2f}"
        )
    groups = {group.name: group for group in fits[0].groups if not group.merged}
    for name, group in groups.items():
        weights = np.zeros(len(references.pigments))
        for member, factor in zip(group.members, group.factors, strict=True):
            weights[references.pigments.index(member)] = factor
        z = errors_over_uncertainty(fits, truths, weights)
        held = (np.abs(z) < NORMAL_95).mean()
        lines.append(f"{name:<20}{held:>11.3f}{'':>45}{z.std():>8.2f}{z.mean():>7.2f}")
    return lines


def study(references: References, n: int, seed: int, shape_scale: float, known: bool) -> list[str]:
    """Simulate, fit and tabulate."""
    rng = np.random.default_rng(seed)
    drawn = [draw(references, rng, shape_scale) for _ in range(n)]
    fits = fit_mixtures(
        [scan for scan, _, _ in drawn],
        references,
        bandwidth=[width if known else None for _, _, width in drawn],
        absorptivity_uncertainty=False,
    )
    good = [i for i, fit in enumerate(fits) if fit.success]
    truths = np.array([[drawn[i][1][p] for p in references.pigments] for i in good])
    chosen = [fits[i] for i in good]
    flagged = np.mean([any(f.severity in ("fatal", "warn") for f in fit.flags) for fit in chosen])
    return [
        f"fitted {len(good)} of {n}; shape factor above 1 in "
        f"{np.mean([fit.shape_error_factor > 1 for fit in chosen]):.3f}, any fatal or warn flag in "
        f"{flagged:.3f}",
        *table(references, chosen, truths),
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scans", type=int, default=500)
    parser.add_argument("--solvent", nargs="+", default=["acetone-90", "acetone", "ethanol"])
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    for solvent in options.solvent:
        references = load_references().select(solvent=solvent)
        for known in (True, False):
            for scale in (1.0, 2.0):
                print(
                    f"\n{solvent}, bandwidth {'given' if known else 'fitted'}, "
                    f"shape error {scale:g} times the stated one"
                )
                print("\n".join(study(references, options.scans, options.seed, scale, known)))


if __name__ == "__main__":
    main()
