"""Beer-Lambert and conversions against published examples.

"Published" means that a printed page gives the answer; "constructed" that the answer
follows from a published absorptivity by arithmetic done elsewhere.
"""

from __future__ import annotations

import pytest

from specfrac.quantities import (
    concentration,
    mass_concentration,
    molar_from_cross_section,
    molar_from_specific,
    specific_from_a1_percent,
)


def test_published_molar_absorptivity_of_beta_carotene():
    # Handbook A(1 %, 1 cm) 2592 in petroleum ether, 450 nm, M 536.87 g/mol, printed as
    # 1.3916e5 L/(mol cm) in a public laboratory note.
    molar = molar_from_specific(specific_from_a1_percent(2592), 536.87)
    assert molar == pytest.approx(1.3916e5, abs=5)
    # with today's atomic weights, 139 161
    assert round(molar_from_specific(specific_from_a1_percent(2592), 536.888)) == 139161


@pytest.mark.parametrize(
    ("biomass", "printed", "exact"), [(1.0, 4.26, 4.256), (0.5, 2.13, 2.128), (0.1, 0.43, 0.4256)]
)
def test_published_absorbance_of_a_biomass_extract(biomass, printed, exact):
    # Same note: 32.84 mg pigment per g biomass (0.0612 mmol/g), 1.3916e5 L/(mol cm), 0.5 cm.
    amount = 0.0612e-3 * biomass  # mol/L
    absorbance = 1.3916e5 * 0.5 * amount
    # 0.0612 has three digits: 0.05/612, which is 0.01 in the printed 4.26
    assert absorbance == pytest.approx(printed, abs=0.005 + 8.2e-4 * printed)
    by_mass = 32.84e-3 * biomass / 536.87
    assert float(concentration(exact, 1.3916e5, 0.5)) == pytest.approx(by_mass, rel=3e-4)


def test_dilution_chain_of_a_textbook_exercise():
    # Food-analysis exercise (question published, answer computed by arithmetic elsewhere):
    # 4 g ashed, made to 250 mL, 0.75 mL of it made to 50 mL, A 0.543 in 1 cm, 1574 L/(g cm).
    cell = mass_concentration(0.543, 1574.0, 1.0)
    assert float(cell) * 1e3 == pytest.approx(0.34498, abs=5e-6)  # mg/L
    stock = mass_concentration(0.543, 1574.0, 1.0, dilution_factor=50 / 0.75)
    assert float(stock) * 250 / 4 * 100 == pytest.approx(143.74, abs=0.005)  # mg/100 g


def test_cross_section_of_chlorophyll_a():
    # 3.1e-16 cm² for monomeric chlorophyll a in ether (public database of biological
    # numbers, entry 107056); ε = σ N_A/(1000 ln 10) = 81 077 L/(mol cm), computed.
    assert round(molar_from_cross_section(3.1e-16)) == 81077


def test_relative_spectrophotometric_purity():
    # Formula of AOAC 2016.13: A · V_total · 1000/(A1% · V_stock · C_w), C_w in mg/100 mL;
    # invented input, lutein at A(1 %, 1 cm) 2589: 0.9270.
    specific = specific_from_a1_percent(2589)
    measured = float(mass_concentration(0.480, specific, 1.0, dilution_factor=25.0))  # g/L
    assert measured / (5.00e-3 / 0.1) == pytest.approx(0.9270, abs=5e-5)


@pytest.mark.parametrize(
    ("percent", "molar_mass", "mg_per_l", "umol_per_l"),
    [
        (2550, 568.886, 1.9608, 3.4467),  # lutein, ethanol, 445 nm
        (2550, 600.884, 1.9608, 3.2632),  # violaxanthin, ethanol, 440 nm
        (2592, 536.888, 1.9290, 3.5930),  # beta-carotene, petroleum ether, 450 nm
    ],
)
def test_constructed_single_pigments(percent, molar_mass, mg_per_l, umol_per_l):
    specific = specific_from_a1_percent(percent)
    assert float(mass_concentration(0.5, specific, 1.0)) * 1e3 == pytest.approx(mg_per_l, abs=5e-5)
    molar = molar_from_specific(specific, molar_mass)
    assert float(concentration(0.5, molar, 1.0)) * 1e6 == pytest.approx(umol_per_l, abs=5e-5)


@pytest.mark.parametrize(
    ("wavelength", "percent", "absorbance"),
    [(235, 124.5, 0.7470), (257, 144.5, 0.8670), (313, 48.6, 0.2916), (350, 107.3, 0.6438)],
)
def test_dichromate_of_the_pharmacopoeia(wavelength, percent, absorbance):
    # Potassium dichromate in 0.005 mol/L sulfuric acid, A(1 %, 1 cm) of the Indian
    # Pharmacopoeia 1996 as quoted on a public page; A of 60.00 mg/L in 1 cm computed.
    found = mass_concentration(absorbance, specific_from_a1_percent(percent), 1.0)
    assert float(found) * 1e3 == pytest.approx(60.00, abs=0.005), wavelength
