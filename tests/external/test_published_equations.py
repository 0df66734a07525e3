"""Simultaneous equations against published examples."""

from __future__ import annotations

import numpy as np
import pytest

from specfrac.equations import (
    equation_set,
    evaluate,
    implied_absorptivities,
    simultaneous_concentrations,
)
from specfrac.references import load_references

# Mackinney's absorptivities in 80 % acetone, L/(g cm), as a student practical on spinach
# prints them (public essay collection, "Plants Pigment").
MACKINNEY = {
    "chlorophyll-a": {663.0: 82.0, 645.0: 16.8},
    "chlorophyll-b": {663.0: 9.3, 645.0: 45.6},
}
READ = {663.0: 0.222, 645.0: 0.120}


def test_published_spinach_practical():
    # A663 0.222, A645 0.120; printed 2.513 and 1.705 mg/L, rounded early: 0.1 %.
    found = simultaneous_concentrations(MACKINNEY, READ)
    assert found["chlorophyll-a"] * 1e3 == pytest.approx(2.513, rel=1e-3)
    assert found["chlorophyll-b"] * 1e3 == pytest.approx(1.705, rel=1e-3)
    # The solution was a 1:5 dilution of 5 g leaf in 100 mL: 10 g/L; printed mg/g.
    assert found["chlorophyll-a"] * 1e3 / 10 == pytest.approx(0.2513, rel=1e-3)
    assert found["chlorophyll-b"] * 1e3 / 10 == pytest.approx(0.1705, rel=1e-3)


def test_rounded_lines_are_another_route():
    # The same readings through Arnon's rounded lines: 2.497 and 1.709 mg/L (computed
    # elsewhere), 0.7 % and 0.2 % away from solving with Mackinney's absorptivities.
    arnon = evaluate(equation_set("ARNON49-ACE80"), READ)
    assert arnon.value("chlorophyll-a") == pytest.approx(2.497, abs=5e-4)
    assert arnon.value("chlorophyll-b") == pytest.approx(1.709, abs=5e-4)


def test_mackinney_stands_behind_arnon():
    # Mackinney's absorptivities invert to 12.72, 2.59, 22.88, 4.67 (computed elsewhere from
    # more digits than the practical prints; its three digits allow 0.02). Arnon prints 2.69
    # where 2.59 belongs, which everyone copies: so do we, and here it shows.
    a = simultaneous_concentrations(MACKINNEY, {663.0: 1.0, 645.0: 0.0})
    b = simultaneous_concentrations(MACKINNEY, {663.0: 0.0, 645.0: 1.0})
    found = [a["chlorophyll-a"], -b["chlorophyll-a"], b["chlorophyll-b"], -a["chlorophyll-b"]]
    np.testing.assert_allclose(np.array(found) * 1e3, [12.72, 2.59, 22.88, 4.67], atol=0.02)
    printed = equation_set("ARNON49-ACE80").line("chlorophyll-a").coefficient(645.0)
    assert printed == -2.69
    assert abs(-printed - found[1] * 1e3) > 0.08


def test_mass_and_molar_lines_of_one_source_agree():
    # Porra, Thompson & Kriedemann (1989), both versions printed on a public protocol page.
    by_mass, by_amount = equation_set("PORRA89-ACE80B"), equation_set("PORRA89-ACE80B-NMOL")
    library = load_references()
    for pigment in ("chlorophyll-a", "chlorophyll-b"):
        molar_mass = library.pigment(pigment).molar_mass
        for term in by_mass.line(pigment).terms:
            molar = by_amount.line(pigment).coefficient(term.wavelength)
            # both are printed to 0.01
            assert term.coefficient / molar_mass * 1e3 == pytest.approx(molar, abs=0.0106)


def test_totals_as_printed():
    # 12.25-4.91, 20.31-2.55, 13.71-5.42, 22.39-2.85, same page
    by_mass = equation_set("PORRA89-ACE80B").line("chlorophylls")
    by_amount = equation_set("PORRA89-ACE80B-NMOL").line("chlorophylls")
    assert (by_mass.coefficient(663.6), by_mass.coefficient(646.6)) == (7.34, 17.76)
    assert (by_amount.coefficient(663.6), by_amount.coefficient(646.6)) == (8.29, 19.54)


def test_misprinted_total_is_three_percent_off():
    # A circulating version ends in 17.76 A645 + 7.43 A663: at 0.80 and 0.30 it gives
    # 11.272 where the parts sum to 10.940.
    result = evaluate(equation_set("LW83-ACE80"), {663.0: 0.80, 646.0: 0.30, 470.0: 0.60})
    assert result.value("chlorophyll-a") == pytest.approx(8.9250, abs=5e-5)
    assert result.value("chlorophyll-b") == pytest.approx(2.0150, abs=5e-5)
    assert result.value("chlorophylls") == pytest.approx(10.9400, abs=5e-5)
    misprint = 17.76 * 0.30 + 7.43 * 0.80
    assert misprint / result.value("chlorophylls") == pytest.approx(1.030, abs=5e-4)


def test_constant_of_the_acid_method():
    # Lorenzen (1967): 26.7 from 1000/11.0 = 90.91 L/(g cm) and R/(R-1) with R = 1.7.
    line = equation_set("LORENZEN67").line("chlorophyll-a")
    constant = line.terms[0].coefficient
    assert constant == pytest.approx(11.0 * 1.7 / 0.7, abs=0.05)
    # Vernon's absorptivity of chlorophyll a, the one inside that constant, is in his set too.
    vernon = implied_absorptivities(equation_set("VERNON60-ACE80-CHL"))
    assert vernon["chlorophyll-a", 665.0] == pytest.approx(1000 / 11.0, rel=2e-3)


def test_hot_ethanol_constant():
    # ISO 10260:1992 (from memory): 29.6 = 1000/82 · 1.7/0.7
    line = equation_set("ISO10260").line("chlorophyll-a")
    assert line.terms[0].coefficient == pytest.approx(1000 / 82 * 1.7 / 0.7, abs=0.05)


def test_dichromate_with_permanganate():
    # Public textbook problem: 1 mol/L sulfuric acid, 1 cm; pure 1.0e-3 mol/L dichromate
    # reads 0.374 and 0.009, pure 2.0e-4 mol/L permanganate 0.019 and 0.475 at 440 and
    # 545 nm; the mixture 0.405 and 0.712. Unrounded answer computed elsewhere.
    absorptivities = {
        "dichromate": {440.0: 374.0, 545.0: 9.0},
        "permanganate": {440.0: 95.0, 545.0: 2375.0},
    }
    found = simultaneous_concentrations(absorptivities, {440.0: 0.405, 545.0: 0.712})
    assert found["dichromate"] == pytest.approx(1.00771e-3, abs=5e-9)
    # by hand (374 · 0.712 - 9 · 0.405)/(374 · 2375 - 95 · 9) = 262.643/887395 = 2.959708e-4,
    # stated there as 2.95970e-4: cut, not rounded
    assert found["permanganate"] == pytest.approx(2.95970e-4, abs=1e-9)
    assert found["permanganate"] == pytest.approx(262.643 / 887395, rel=1e-12)


def test_titanium_and_vanadium_at_five_wavelengths():
    # Data of Blanco et al., J. Chem. Educ. 66 (1989) 178, as reprinted in a textbook
    # problem; least squares without intercept computed elsewhere: 32.0495 and 57.3042 ppm.
    wavelengths = (390.0, 430.0, 450.0, 470.0, 510.0)
    titanium = np.array([0.895, 0.884, 0.694, 0.481, 0.173]) / 63.1
    vanadium = np.array([0.326, 0.497, 0.528, 0.512, 0.374]) / 96.4
    mixture = (0.651, 0.743, 0.665, 0.547, 0.314)
    found = simultaneous_concentrations(
        {
            "titanium": dict(zip(wavelengths, titanium, strict=True)),
            "vanadium": dict(zip(wavelengths, vanadium, strict=True)),
        },
        dict(zip(wavelengths, mixture, strict=True)),
    )
    assert found["titanium"] == pytest.approx(32.0495, abs=5e-5)
    assert found["vanadium"] == pytest.approx(57.3042, abs=5e-5)
