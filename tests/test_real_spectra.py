"""The main job on measured spectra of single pigments.

The folder of spectra is not part of the project; the environment variable
SPECFRAC_SPECTRA names it, and without it these tests are skipped. Its files hold
natural-log mass coefficients (m² mg⁻¹) of pigment standards (Clementson &
Wojtasiewicz 2019, Data in Brief 24:103875) and relative band models (Thrane et al.
2015, PLoS ONE 10:e0137645).

The built-in references were fitted to these same files, so what follows is a check
of consistency: that reading, scaling and fitting belong together. The cross-source
checks, one source's shape fitted with a reference from the other, are independent.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from specfrac import Scan, fit_mixture, load_references

FOLDER = os.environ.get("SPECFRAC_SPECTRA", "")
pytestmark = pytest.mark.skipif(
    not FOLDER, reason="SPECFRAC_SPECTRA does not name a folder of measured spectra"
)

DECADIC = 1e4 / np.log(10)  # m²/mg, base e, to L/(g cm), base 10
SOLVENTS = {"acetone90": "acetone-90", "acetone": "acetone", "ethanol": "ethanol"}
MEASURED = [
    ("beta-carotene", "acetone", 0.894),  # mg/L; the concentrations the data set was measured at
    ("chlorophyll-a", "acetone90", 1.2775),
    ("chlorophyll-b", "acetone90", 1.1156),
    ("pheophytin-a", "acetone90", 1.0),
    ("lutein", "ethanol", 1.0),
    ("violaxanthin", "ethanol", 1.0),
    ("neoxanthin", "ethanol", 1.0),
    ("zeaxanthin", "ethanol", 1.011),
    ("antheraxanthin", "ethanol", 1.0),
    ("alpha-carotene", "acetone", 1.0),
    ("pheophorbide-a", "acetone90", 1.0),
]
OWN_SCALE_DIFFERS = {"lutein": 0.10, "violaxanthin": 0.10, "zeaxanthin": 0.13}
LEAF = 8


def values(pigment: str, solvent: str, source: str) -> tuple[np.ndarray, np.ndarray]:
    """Wavelength and value of one file."""
    path = Path(FOLDER) / f"{pigment}__{solvent}__{source}.csv"
    lines = [line for line in path.read_text().splitlines() if line and line[0] in "0123456789"]
    return tuple(np.array([[float(x) for x in line.split(",")] for line in lines]).T)


def measured_scan(pigment: str, solvent: str, concentration: float) -> Scan:
    """The scan that a solution of `concentration` mg/L gives in 1 cm."""
    wavelength, value = values(pigment, solvent, "clementson2019")
    return Scan(pigment, wavelength, value * DECADIC * concentration * 1e-3)


@pytest.mark.parametrize(("pigment", "solvent", "concentration"), MEASURED)
def test_pure_pigment_is_named_with_its_share_and_concentration(pigment, solvent, concentration):
    library = load_references()
    leaf = library.select(solvent=SOLVENTS[solvent]).pigments
    if pigment in leaf:
        candidates = leaf
    elif pigment == "pheophorbide-a":
        # its shape is that of pheophytin a: only polarity tells them apart
        candidates = tuple(pigment if p == "pheophytin-a" else p for p in leaf)
    else:
        # spectral neighbours: the carotenoid asked for takes the place of its twin
        twin = {
            "zeaxanthin": "beta-carotene",
            "antheraxanthin": "lutein",
            "alpha-carotene": "lutein",
        }
        candidates = tuple(pigment if p == twin[pigment] else p for p in leaf)
    references = library.select(solvent=SOLVENTS[solvent], pigments=candidates)
    fit = fit_mixture(measured_scan(pigment, solvent, concentration), references)
    share = fit.concentration / fit.concentration.sum()
    main = references.pigments[int(np.argmax(share))]
    assert main == pigment
    assert share.max() >= 0.95
    found = fit.concentration[references.pigments.index(pigment)] * 1e3
    assert found == pytest.approx(concentration, rel=OWN_SCALE_DIFFERS.get(pigment, 0.06))


def test_sum_of_spectra_comes_back():
    # chlorophyll a, b, pheophytin a, beta-carotene, lutein; carotenoids from their own solvents
    truth = {
        "chlorophyll-a": ("acetone90", 3.0),
        "chlorophyll-b": ("acetone90", 1.0),
        "pheophytin-a": ("acetone90", 0.5),
        "beta-carotene": ("acetone", 0.3),
        "lutein": ("ethanol", 0.4),
    }
    grid = np.arange(400.0, 751.0)
    total = np.zeros_like(grid)
    for pigment, (solvent, concentration) in truth.items():
        scan = measured_scan(pigment, solvent, concentration)
        total += np.interp(grid, scan.wavelength, scan.absorbance)
    references = load_references().select(solvent="acetone-90")
    fit = fit_mixture(Scan("sum", grid, total), references)
    frame = fit.to_frame().set_index("pigment")["concentration_mg_per_L"]
    for pigment in ("chlorophyll-a", "chlorophyll-b", "pheophytin-a"):
        assert frame[pigment] == pytest.approx(truth[pigment][1], rel=0.04)
    carotenoids = fit.groups_frame().set_index("group")["concentration_mg_per_L"]["carotenoids"]
    assert carotenoids == pytest.approx(0.7, rel=0.06)


CROSS = [
    # shape of one source, reference of the other (beta-carotene: the built-in reference in
    # acetone is fitted to Clementson's file, the scan is Thrane's; and so on)
    ("beta-carotene", "acetone", "thrane2015-gauss", "acetone", "carotenoids"),
    ("pheophytin-a", "acetone", "thrane2015-gauss", "acetone-90", "chlorophyll-a-pool"),
    ("pheophytin-a", "acetone90", "clementson2019", "acetone", "chlorophyll-a-pool"),
    ("lutein", "ethanol", "clementson2019", "acetone", "carotenoids"),
    ("violaxanthin", "ethanol", "clementson2019", "acetone", "carotenoids"),
    ("neoxanthin", "ethanol", "clementson2019", "acetone", "carotenoids"),
    ("lutein", "acetone", "thrane2015-gauss", "ethanol", "carotenoids"),
    ("violaxanthin", "acetone", "thrane2015-gauss", "ethanol", "carotenoids"),
    ("neoxanthin", "acetone", "thrane2015-gauss", "ethanol", "carotenoids"),
]


@pytest.mark.parametrize(("pigment", "solvent", "source", "reference", "group"), CROSS)
def test_one_source_fitted_with_the_other(pigment, solvent, source, reference, group):
    references = load_references().select(solvent=reference)
    entry = references.entry(pigment)
    wavelength, value = values(pigment, solvent, source)
    if source == "clementson2019":
        # the residual offset beyond the bands is part of the file, see its own notes
        red = wavelength > (560 if group == "carotenoids" else 730)
        value = value - value[red].mean()
    inside = (wavelength >= 400) & (wavelength <= 720)
    wavelength, value = wavelength[inside], value[inside]
    concentration = 2e-3
    # same absorbance at the maximum as the reference gives: shape is compared, not scale
    absorbance = value / value.max() * entry.scale * concentration
    fit = fit_mixture(Scan(pigment, wavelength, absorbance), references)
    frame = fit.groups_frame().set_index("group")["concentration_mg_per_L"]
    expected = concentration * 1e3
    if group == "chlorophyll-a-pool":
        expected *= load_references().pigment("chlorophyll-a").molar_mass / entry.molar_mass
    assert frame[group] == pytest.approx(expected, rel=0.03)
