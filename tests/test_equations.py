"""Published simultaneous equations: consistency, inversion, targets, reasons."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from specfrac.equations import (
    TOTALS,
    EquationSet,
    equation_set,
    equation_sets,
    evaluate,
    evaluate_acid_pair,
    evaluate_scan,
    implied_absorptivities,
    load_equations,
    second_opinion,
    simultaneous_concentrations,
    split,
)
from specfrac.errors import InputError, ReferenceNotFoundError
from specfrac.fitting.results import Curves

# Regression targets computed from the coefficients by others than this package: they
# guard evaluation, and are no evidence that a coefficient is right.
TARGETS = [
    ("LICHT87-ACE", {661.6: 0.80, 644.8: 0.30, 470.0: 0.60}, [8.3800, 2.6870, 11.0670, 1.9365]),
    ("LICHT87-ACE80", {663.2: 0.80, 646.8: 0.30, 470.0: 0.60}, [8.9630, 2.3700, 11.3330, 1.9303]),
    ("LICHT87-ETHER", {660.6: 0.80, 642.2: 0.30, 470.0: 0.60}, [7.7490, 2.9640, 10.7130, 2.3541]),
    ("LICHT87-ETOH95", {664.1: 0.80, 648.6: 0.35, 470.0: 0.60}, [8.8715, 3.1045, 11.9760, 1.3300]),
    ("LICHT87-MEOH", {665.2: 0.80, 652.4: 0.42, 470.0: 0.60}, [9.5288, 2.0938, 11.6226, 1.6502]),
    ("PORRA89-ACE80B", {663.6: 0.80, 646.6: 0.30}, [9.0350, 2.1650, 11.2000]),
    ("JH75-ACE90-3L", {664.0: 0.80, 647.0: 0.30, 630.0: 0.12}, [9.0084, 1.6458, -0.6736]),
]


@pytest.mark.parametrize(("set_id", "absorbances", "expected"), TARGETS)
def test_constructed_targets(set_id, absorbances, expected):
    result = evaluate(equation_set(set_id), absorbances)
    # printed to four decimals
    np.testing.assert_allclose([one.value for one in result.values], expected, atol=5.1e-5)


def test_forward_then_back_is_limited_by_the_rounding_of_the_coefficients():
    # Absorptivities 92.45/9.38 (661.6), 19.25/51.64 (644.8), 1.90/63.14/214 (470), L/(g cm):
    # 8.0, 3.0, 2.5 mg/L come back as 7.9992, 3.0017, 2.4995.
    a, b, x = 8e-3, 3e-3, 2.5e-3
    forward = {
        661.6: 92.45 * a + 9.38 * b,
        644.8: 19.25 * a + 51.64 * b,
        470.0: 1.90 * a + 63.14 * b + 214.0 * x,
    }
    np.testing.assert_allclose(list(forward.values()), [0.76774, 0.30892, 0.73962], atol=5.1e-6)
    result = evaluate(equation_set("LICHT87-ACE"), forward)
    found = [result.value(key) for key in ("chlorophyll-a", "chlorophyll-b", "carotenoids")]
    np.testing.assert_allclose(found, [7.9992, 3.0017, 2.4995], atol=5.1e-5)


def test_pheophytin_pair_after_acid():
    result = evaluate(equation_set("VERNON60-ACE80-PHEO"), {666.0: 0.50, 655.0: 0.35})
    found = [result.value(key) for key in ("pheophytin-a", "pheophytin-b")]
    np.testing.assert_allclose(found, [8.0205, 4.4650], atol=5.1e-5)


def lorenzen(before, after):
    result = evaluate_acid_pair(
        equation_set("LORENZEN67"),
        {664.0: before},
        {665.0: after},
        extract_volume=10.0,
        water_volume=1.0,
    )
    return result.value("chlorophyll-a"), result.value("pheophytin-a")


def test_acid_pair():
    assert lorenzen(0.400, 0.260) == (pytest.approx(37.380), pytest.approx(11.214))


def test_acid_pair_limits():
    # pure chlorophyll a falls by the factor 1.7 on acid, pure pheophytin a not at all
    assert lorenzen(0.400, 0.400 / 1.7)[1] == pytest.approx(0.0, abs=1e-12)
    assert lorenzen(0.400, 0.400)[0] == pytest.approx(0.0, abs=1e-12)


def test_acid_pair_scales_with_path_and_volumes():
    one = equation_set("ISO10260")
    first = evaluate_acid_pair(
        one, {665.0: 0.4}, {665.0: 0.2}, path_length=5.0, extract_volume=10.0, water_volume=2.0
    )
    assert first.value("chlorophyll-a") == pytest.approx(29.6 * 0.2 * 10 / (2.0 * 5.0))


def test_fall_of_absorbance_on_acid():
    result = evaluate_acid_pair(
        equation_set("VERNON60-ACE80-DELTA"), {662.0: 0.5, 645.0: 0.3}, {662.0: 0.3, 645.0: 0.2}
    )
    assert result.value("chlorophyll-a") == pytest.approx(25.38 * 0.2 + 3.64 * 0.1)


def test_every_set_is_there_and_complete():
    sets = load_equations()
    assert len(sets) == 36
    assert len({one.set_id for one in sets}) == 36
    for one in sets:
        assert one.source
        assert one.validity
        assert all(line.checked in {"seen", "memory", "computed"} for line in one.lines)
        assert all(line.divisor > 0 and line.terms for line in one.lines)
        assert all(600 < w < 700 or w in {470.0, 480.0} for w in one.wavelengths)


def test_set_wide_columns_do_not_change_within_a_set():
    from specfrac.references import read_table

    columns = ("solvent", "solvent_as_published", "solvent_match", "bandwidth_class")
    columns += ("bandwidth_from_nm", "bandwidth_to_nm", "validity", "source")
    seen: dict[str, tuple[str, ...]] = {}
    for row in read_table("equations.csv").rows:
        values = tuple(row[column] for column in columns)
        assert seen.setdefault(row["set_id"], values) == values


@pytest.mark.parametrize(
    "one",
    [one for one in load_equations() if set(one.outputs) & set(TOTALS)],
    ids=lambda one: one.set_id,
)
def test_total_equals_the_sum_of_its_parts(one):
    rng = np.random.default_rng(4)
    readings = {wavelength: float(rng.uniform(0.1, 1.0)) for wavelength in one.wavelengths}
    if one.from_scan:
        result = evaluate(one, readings)
    else:
        result = evaluate_acid_pair(one, readings, dict.fromkeys(readings, 0.0))
    for total, parts in TOTALS.items():
        if total in one.outputs and set(parts) <= set(one.outputs):
            summed = sum(result.value(part) for part in parts)
            # coefficients printed to 0.01, absorbances up to 1
            assert result.value(total) == pytest.approx(summed, abs=0.02)


# One digit wrong would throw these far out: chlorophyll a in its red band has 77 to 102,
# chlorophyll b 36 to 62 L/(g cm) in every solvent (range over all sets, computed by others
# and stated in whole numbers).
RED = {"chlorophyll-a": (76.5, 102.5), "chlorophyll-b": (35.5, 62.5)}


@pytest.mark.parametrize(
    "one",
    [
        one
        for one in load_equations()
        if one.from_scan
        and {"chlorophyll-a", "chlorophyll-b"} <= set(one.outputs)
        and one.line("chlorophyll-a").unit == "mg/L"
    ],
    ids=lambda one: one.set_id,
)
def test_inversion_gives_physical_absorptivities(one):
    values = implied_absorptivities(one)
    for pigment, (low, high) in RED.items():
        own = max(one.line(pigment).terms, key=lambda term: term.coefficient).wavelength
        assert low <= values[pigment, own] <= high, (pigment, own)
    assert all(value > 0 for value in values.values())


# Absorptivities known independently of the coefficients, L/(g cm).
KNOWN = [
    ("JH75-ACE90-2L", 664.0, 647.0, 87.67, 51.36),  # Jeffrey & Humphrey 1975
    ("RITCHIE06-ACE90", 664.0, None, 87.67, None),  # same, the basis of that set
    ("PORRA89-ACE80B", 663.6, 646.6, 85.95, 51.84),  # Porra et al. 1989
    ("CZ42-ETHER", 660.0, 642.5, 102.1, 57.5),  # Comar & Zscheile 1942
    ("WDM65-ETOH96", 665.0, 649.0, 83.4, 44.2),  # Wintermans & De Mots 1965
    ("LICHT87-ETHER", 660.6, 642.2, 100.9, 62.0),  # Smith & Benitez 1955
    ("VERNON60-ACE80-CHL", 665.0, None, 90.9, None),  # the constant 11.0 of Lorenzen 1967
]


@pytest.mark.parametrize(("set_id", "red_a", "red_b", "a", "b"), KNOWN)
def test_inversion_returns_absorptivities_known_otherwise(set_id, red_a, red_b, a, b):
    values = implied_absorptivities(equation_set(set_id))
    # coefficients of four digits: 0.15 %
    assert values["chlorophyll-a", red_a] == pytest.approx(a, rel=1.5e-3)
    if b is not None:
        assert values["chlorophyll-b", red_b] == pytest.approx(b, rel=1.5e-3)


def test_three_lines_invert_to_the_published_absorptivities():
    # Jeffrey & Humphrey 1975: 87.67 and 51.36 L/(g cm); the lines give 87.64 and 51.38.
    values = implied_absorptivities(equation_set("JH75-ACE90-3L"))
    assert values["chlorophyll-a", 664.0] == pytest.approx(87.64, abs=0.006)
    assert values["chlorophyll-b", 647.0] == pytest.approx(51.38, abs=0.006)
    assert values["chlorophyll-a", 664.0] == pytest.approx(87.67, rel=5e-4)


def test_a_set_that_is_not_square_cannot_be_inverted():
    with pytest.raises(InputError, match="cannot be inverted"):
        implied_absorptivities(equation_set("KIRK-ALLEN"))


def test_misprinted_total_line_in_circulation_is_refused():
    good = equation_set("LW83-ACE80")
    misprint = replace(
        good.line("chlorophylls"),
        terms=tuple(
            replace(term, coefficient={663.0: 7.43, 646.0: 17.76}[term.wavelength])
            for term in good.line("chlorophylls").terms
        ),
    )
    lines = [misprint if line.output == "chlorophylls" else line for line in good.lines]
    with pytest.raises(InputError, match="its parts sum to"):
        replace(good, lines=tuple(lines))


def test_negative_results_survive():
    result = evaluate(equation_set("JH75-ACE90-3L"), {664.0: 0.80, 647.0: 0.30, 630.0: 0.12})
    assert result.value("chlorophyll-c") < 0


def test_linear_in_absorbance_and_inverse_in_path():
    one = equation_set("LICHT87-ACE")
    grid = np.arange(400.0, 801.0)
    spectrum = 0.5 * np.exp(-(((grid - 662) / 20) ** 2))
    single = evaluate_scan(one, grid, spectrum)
    double = evaluate_scan(one, grid, 2 * spectrum, 2.0)
    for first, second in zip(single.values, double.values, strict=True):
        assert first.value == pytest.approx(second.value)


def test_interpolates_and_subtracts_the_offset():
    one = equation_set("PORRA89-ACE80B")
    grid = np.arange(600.0, 761.0, 2.0)
    slope = 0.001 * (grid - 600.0)
    result = evaluate_scan(one, grid, slope)
    assert result.offset_wavelength == 750.0
    assert result.offset == pytest.approx(0.150)
    assert result.absorbances[663.6] == pytest.approx(0.0636 - 0.150)
    shorter = evaluate_scan(one, grid[grid <= 730], slope[grid <= 730])
    assert (shorter.offset_wavelength, shorter.offset) == (720.0, pytest.approx(0.120))
    short = evaluate_scan(one, grid[grid <= 700], slope[grid <= 700])
    assert (short.offset_wavelength, short.offset) == (None, 0.0)
    assert any("no offset was subtracted" in reason for reason in short.reasons)


def test_not_measured_is_not_a_number():
    grid = np.arange(400.0, 801.0)
    spectrum = np.where(grid < 480, np.nan, 0.1)
    result = evaluate_scan(equation_set("LICHT87-ACE"), grid, spectrum)
    assert math.isnan(result.value("carotenoids"))
    assert math.isfinite(result.value("chlorophyll-a"))


def test_reasons_name_bandwidth_fraction_and_solvent():
    grid = np.arange(400.0, 801.0)
    flat = np.full(grid.size, 0.1)
    sharp = evaluate_scan(equation_set("LICHT87-ETOH95"), grid, flat, bandwidth=3.0)
    text = "; ".join(sharp.reasons)
    assert "bandwidth of 0 to 1 nm, the scan has 3 nm" in text
    assert "not for a fraction" in text
    assert "ethanol 95 % v/v" in text
    whole = evaluate_scan(
        equation_set("LICHT87-ACE"), grid, flat, bandwidth=0.5, whole_extract=True
    )
    assert not any("fraction" in reason or "bandwidth" in reason for reason in whole.reasons)


def test_parts_of_a_fit_add_up_to_the_scan():
    grid = np.arange(400.0, 801.0)
    components = np.array([np.exp(-(((grid - c) / 15) ** 2)) * 0.4 for c in (663.0, 647.0)])
    baseline = 0.02 * (500.0 / grid) ** 3
    residual = 0.001 * np.sin(grid / 7)
    fitted = components.sum(axis=0) + baseline
    scan = fitted + residual
    curves = Curves(
        grid, scan, np.ones(grid.size, bool), fitted, residual, baseline, components, 0 * grid
    )
    one = equation_set("LICHT87-ACE80")
    parts = split(one, curves, ("chlorophyll-a", "chlorophyll-b"), 0.5)
    for value in evaluate_scan(one, grid, scan, 0.5).values:
        assert sum(parts[value.output].values()) == pytest.approx(value.value)


def test_sets_of_a_solvent():
    assert equation_sets("hexane") == ()
    first = equation_sets("acetone-80", bandwidth=0.5)
    assert {first[0].set_id, first[1].set_id} == {"LICHT87-ACE80", "PORRA89-ACE80B"}
    assert first[-1].bandwidth_class == "historical"
    assert next(one.set_id for one in equation_sets("ethanol")) == "RITCHIE06-ETOH"


@pytest.mark.parametrize(
    ("call", "error", "message"),
    [
        (lambda: equation_set("LICHT87-ACF"), ReferenceNotFoundError, "Did you mean"),
        (lambda: evaluate(equation_set("LICHT87-ACE"), {661.6: 0.5}), InputError, "470, 644.8 nm"),
        (lambda: evaluate(equation_set("LORENZEN67"), {}), InputError, "before and after acid"),
        (
            lambda: evaluate_acid_pair(equation_set("LORENZEN67"), {664.0: 1}, {665.0: 1}),
            InputError,
            "need the extract volume in mL",
        ),
        (
            lambda: evaluate_acid_pair(equation_set("LICHT87-ACE"), {}, {}),
            InputError,
            "read one scan",
        ),
        (
            lambda: evaluate_scan(equation_set("LICHT87-ACE"), [500, 800], [0.1, 0.1]),
            InputError,
            "read 470 nm, but the scan covers 500-800 nm",
        ),
        (
            lambda: evaluate_scan(equation_set("LICHT87-ACE"), [400, 800], [0.1, 0.1], 0.0),
            InputError,
            "path length is 0 cm",
        ),
        (
            lambda: equation_set("LICHT87-ACE").line("pheophytin-a"),
            ReferenceNotFoundError,
            "do not give 'pheophytin-a'",
        ),
        (
            lambda: simultaneous_concentrations({"a": {1: 2.0}, "b": {1: 3.0}}, {1: 0.5}),
            InputError,
            "cannot be told apart",
        ),
        (
            lambda: simultaneous_concentrations({"a": {1: 2.0}}, {2: 0.5}),
            InputError,
            "no absorptivity of a at 2 nm",
        ),
    ],
)
def test_refusals(call, error, message):
    with pytest.raises(error, match=message):
        call()


def test_unknown_reading_is_refused():
    one = equation_set("PORRA89-DMF")
    line = one.lines[0]
    wrong = replace(line, terms=(replace(line.terms[0], reading="during"),))
    with pytest.raises(InputError, match="reading 'during' is not known"):
        EquationSet(
            one.set_id, one.solvent, "", "same", (wrong,), "sharp", 0.0, 1.0, one.validity, ""
        )


@pytest.fixture(scope="module")
def extract():
    """A whole extract with some pheophytin, fitted; truth known."""
    from specfrac.fitting import fit_mixture
    from specfrac.references import load_references
    from specfrac.simulate import simulate_scan

    references = load_references().select(solvent="acetone-80")
    truth = {"chlorophyll-a": 6e-3, "chlorophyll-b": 2e-3, "pheophytin-a": 1.5e-3, "lutein": 1e-3}
    scan = simulate_scan(
        references, truth, wavelength=np.arange(380.0, 801.0), bandwidth=1.0, path_length=0.5
    )
    return truth, fit_mixture(scan, references, path_length=0.5, bandwidth=1.0)


def test_second_opinion_explains_the_difference_by_pheophytin(extract):
    truth, fit = extract
    results = second_opinion(fit, bandwidth=1.0, whole_extract=True)
    assert {"LICHT87-ACE80", "PORRA89-ACE80B", "ARNON49-ACE80"} <= {
        one.equation_set.set_id for one in results
    }
    porra = next(one for one in results if one.equation_set.set_id == "PORRA89-ACE80B")
    excess = porra.value("chlorophyll-a") - truth["chlorophyll-a"] * 1e3
    sentence = porra.explained["chlorophyll-a"]
    assert porra.reasons[0] == f"chlorophyll a: {sentence}"
    assert "more than the fit" in sentence
    stated = float(re.search(r"from pheophytin a \(\+([\d.]+)\)", sentence)[1])
    # the reference of chlorophyll a has Porra's own absorptivity, so pheophytin is all of it
    assert stated == pytest.approx(excess, rel=0.1)
    assert stated > 0.3


SIGNED = re.compile(r"([^,;()]+) \(([+-][\d.e-]+)\)")


@pytest.mark.parametrize("seed", range(6))
def test_the_parts_named_carry_the_difference(seed):
    """Same sign, largest first, and with those against it they make up the difference."""
    from specfrac.fitting import fit_mixture
    from specfrac.references import load_references
    from specfrac.simulate import simulate_scan

    rng = np.random.default_rng(seed)
    references = load_references().select(solvent="acetone-90")
    content = {
        "chlorophyll-a": rng.uniform(2, 4) * 1e-3,
        "chlorophyll-b": rng.uniform(0.1, 0.4) * 1e-3,
        "pheophytin-a": rng.uniform(0, 1) * 1e-3,
        "pheophytin-b": rng.uniform(0.2, 1) * 1e-3,
    }
    scan = simulate_scan(
        references,
        content,
        wavelength=np.arange(380.0, 801.0),
        scatter=rng.uniform(0, 0.02),
        shape_error_scale=1.0,
        noise=5e-4,
        rng=rng,
    )
    fit = fit_mixture(scan, references)
    seen = 0
    for one in second_opinion(fit):
        for output, sentence in one.explained.items():
            fitted = 1e3 * fit.concentration[fit.pigments.index(output)]
            difference = one.value(output) - fitted
            assert ("more than the fit" in sentence) == (difference > 0)
            carrying, _, against = sentence.partition("; against that")
            parts = [float(size) for _, size in SIGNED.findall(carrying) if "%" not in _]
            opposed = [float(size) for _, size in SIGNED.findall(against)]
            assert parts and all(part * difference > 0 for part in parts)
            assert all(part * difference < 0 for part in opposed)
            assert [abs(p) for p in parts] == sorted((abs(p) for p in parts), reverse=True)
            # what is not named is below a tenth of the difference; two digits are printed
            rounding = 0.05 * sum(map(abs, parts + opposed))
            assert abs(sum(parts) + sum(opposed) - difference) <= 0.1 * abs(difference) + rounding
            seen += 1
    assert seen


def test_absorbance_that_the_fit_leaves_over_is_no_explanation():
    from specfrac.equations import _sentence

    text = _sentence(
        "chlorophyll-b", {"chlorophyll-b": 0.0, "residual": 4e-5, "lutein": 1e-5}, 4e-4
    )
    assert "not explained by a candidate alone: from absorbance that the fit leaves over" in text
    text = _sentence(
        "chlorophyll-b", {"chlorophyll-b": 0.0, "residual": 1e-5, "lutein": 4e-5}, 4e-4
    )
    assert "not explained" not in text and "(+12 %)" in text


def test_sets_for_algae_give_no_opinion_on_a_leaf(extract):
    from specfrac.fitting import fit_mixture
    from specfrac.references import load_references
    from specfrac.simulate import simulate_scan

    references = load_references().select(solvent="acetone-90")
    scan = simulate_scan(references, {"chlorophyll-a": 5e-3}, wavelength=np.arange(380.0, 801.0))
    sets = [one.equation_set for one in second_opinion(fit_mixture(scan, references))]
    assert sets
    assert not [one.set_id for one in sets if any("chlorophyll-c" in o for o in one.outputs)]


def test_second_opinion_is_one_of_an_undiluted_tube(extract):
    _, fit = extract
    diluted = replace(fit, dilution_factors=np.array([10.0]))
    once, tenfold = second_opinion(fit)[0], second_opinion(diluted)[0]
    for first, second in zip(once.values, tenfold.values, strict=True):
        assert second.value == pytest.approx(10 * first.value)


def test_pheophytin_equations_are_kept_for_what_is_pheophytin(extract):
    _, fit = extract
    assert "VERNON60-ACE80-PHEO" not in {one.equation_set.set_id for one in second_opinion(fit)}
    only = np.where(np.array(fit.pigments) == "pheophytin-a", 2e-3, 0.0)
    grey = replace(fit, concentration=only)
    assert "VERNON60-ACE80-PHEO" in {one.equation_set.set_id for one in second_opinion(grey)}


def test_no_opinion_where_nothing_was_published(extract):
    _, fit = extract
    hexane = replace(fit.references.solvent, key="hexane", name="hexane")
    assert second_opinion(replace(fit, references=replace(fit.references, solvent=hexane))) == ()
