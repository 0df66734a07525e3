"""Molar masses of the library, recomputed from formula and standard atomic weights."""

from __future__ import annotations

import re

import pytest

from specfrac.references import load_references

# Standard atomic weights 2021, abridged to five digits, g/mol (Prohaska et al., Pure Appl.
# Chem. 94 (2022) 573).
ATOMIC_WEIGHT = {"C": 12.011, "H": 1.008, "N": 14.007, "O": 15.999, "Mg": 24.305}

# Formulas from organic chemistry at large, written here once more on purpose.
FORMULA = {
    "beta-carotene": "C40H56",
    "alpha-carotene": "C40H56",
    "lutein": "C40H56O2",
    "zeaxanthin": "C40H56O2",
    "antheraxanthin": "C40H56O3",
    "violaxanthin": "C40H56O4",
    "neoxanthin": "C40H56O4",
    "chlorophyll-a": "C55H72MgN4O5",
    "chlorophyll-b": "C55H70MgN4O6",
    "pheophytin-a": "C55H74N4O5",
    "pheophytin-b": "C55H72N4O6",
    "pheophorbide-a": "C35H36N4O5",
}


def atoms(formula):
    parts = re.findall(r"([A-Z][a-z]?)(\d*)", formula)
    assert "".join(symbol + count for symbol, count in parts) == formula
    return {symbol: int(count or 1) for symbol, count in parts}


def mass(formula):
    return sum(ATOMIC_WEIGHT[symbol] * count for symbol, count in atoms(formula).items())


@pytest.mark.parametrize("pigment", FORMULA)
def test_molar_mass(pigment):
    entry = load_references().pigment(pigment)
    assert atoms(entry.formula) == atoms(FORMULA[pigment])
    assert entry.molar_mass == pytest.approx(mass(FORMULA[pigment]), abs=6e-4)


def test_every_pigment_of_the_library_is_checked():
    assert set(load_references().pigments) == set(FORMULA)


def test_pheophytin_is_chlorophyll_with_two_hydrogens_for_magnesium():
    difference = ATOMIC_WEIGHT["Mg"] - 2 * ATOMIC_WEIGHT["H"]
    library = load_references()
    for letter in "ab":
        with_metal = library.pigment(f"chlorophyll-{letter}").molar_mass
        without = library.pigment(f"pheophytin-{letter}").molar_mass
        assert with_metal - without == pytest.approx(difference, abs=1e-3)
    # trade figure: the masses differ by a factor 0.975
    assert library.pigment("pheophytin-a").molar_mass / library.pigment(
        "chlorophyll-a"
    ).molar_mass == pytest.approx(0.975, abs=5e-4)
