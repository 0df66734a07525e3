"""Every number of a report leads to its workings, and the workings add up."""

from __future__ import annotations

import importlib.util
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from specfrac.balance import Uncounted
from specfrac.equations import equation_sets
from specfrac.plots import reported_lines
from specfrac.report import report_html
from specfrac.report.numbers import plus_minus, whole_units
from specfrac.report.run_workings import how_id
from specfrac.report.tube import _formula
from specfrac.report.tube_workings import sums_of
from specfrac.report.workings import budget_table, fold, step, unfolding
from specfrac.uncertainty import Quantity

_path = Path(__file__).with_name("report_example.py")
_spec = importlib.util.spec_from_file_location("report_example", _path)
example = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(example)


@pytest.fixture(scope="module")
def result():
    return example.result()


@pytest.fixture(scope="module")
def html(result):
    return report_html(result)


def plain(words: str) -> str:
    words = re.sub(r"<[^>]+>", " ", words)
    for entity, letter in (("&lt;", "<"), ("&gt;", ">"), ("&#x27;", "'"), ("&amp;", "&")):
        words = words.replace(entity, letter)
    return " ".join(words.replace("\u00a0", " ").split())


def opened(html: str, anchor: str) -> str:
    """The inside of a fold."""
    start = html.index(f'id="{anchor}"')
    return html[start : html.index("</details>", start)]


def table_of(html: str, kind: str) -> str:
    start = html.index(f'<table class="{kind}">')
    return html[start : html.index("</table>", start)]


def budget_of(html: str, anchor: str) -> tuple[list[str], np.ndarray, np.ndarray]:
    """Headings, contributions by source and column, and the line below them."""
    table = opened(html, anchor)
    table = table[table.index('class="budget"') :]
    heads = re.findall(r'<th scope="col">([^<]*)</th>', table)[1:]
    rows = [re.findall(r"<td>([^<]*)</td>", row) for row in table.split("<tr>")[2:]]
    numbers = np.array([[float(cell or 0) for cell in row] for row in rows if row])
    return heads, numbers[:-1], numbers[-1]


# Every number leads somewhere


@pytest.mark.parametrize("kind", ["tubes", "pools", "masses", "bands", "pool-choice"])
def test_every_figure_of_a_table_leads_to_its_workings(html, kind):
    folds = set(re.findall(r'<details id="([^"]+)"', html))
    rows = re.findall(r"<tr[^>]*>(.*?)</tr>", table_of(html, kind), re.DOTALL)
    checked = 0
    for row in rows:
        head = re.findall(r'<th[^>]*scope="row"[^>]*>(.*?)</th>', row, re.DOTALL)
        by_row = bool(head) and bool(set(re.findall(r'href="#([^"]+)"', head[0])) & folds)
        for cell in re.findall(r'<td class="figure">(.*?)</td>', row, re.DOTALL):
            words = plain(cell)
            # a limit (<) has its workings with its tube; a dash is no number
            if not re.search(r"\d", words) or words.startswith("<"):
                continue
            own = set(re.findall(r'href="#([^"]+)"', cell)) & folds
            assert own or by_row or kind == "pool-choice", (kind, words)
            checked += 1
    assert checked >= 5


def test_every_row_of_a_composition_leads_to_its_workings(result, html):
    folds = set(re.findall(r'<details id="([^"]+)"', html))
    for number, tube in enumerate(result.fractions, start=1):
        expected = {f"tube-{number}-{line.key.replace('+', '-')}" for line in reported_lines(tube)}
        expected |= {f"tube-{number}-{group.name}" for group in sums_of(tube)}
        expected |= {f"tube-{number}-{word}" for word in ("purity", "total") if tube.purity}
        assert expected <= folds


def test_all_links_of_numbers_lead_to_folds(html):
    targets = re.findall(r'<a href="#([^"]+)" class="how"', html)
    assert len(targets) > 60
    folds = set(re.findall(r'<details id="([^"]+)"', html))
    # a term of a pool that a tube has no line of leads to the tube
    assert {one for one in targets if not re.fullmatch(r"tube-\d+", one)} <= folds


def test_a_page_of_six_tubes_stays_under_a_megabyte(html):
    assert len(html.encode()) < 1_000_000


# What they say


def test_workings_of_a_balance_give_sum_ratio_and_limits(result, html):
    for row in result.balance.rows:
        words = plain(opened(html, how_id("balance", row.name)))
        assert plain(plus_minus(row.found, unit=row.unit)) in words
        if row.loaded is not None:
            assert plain(plus_minus(row.loaded, unit=row.unit)) in words
        if row.closure is not None and math.isfinite(row.closure.value):
            assert plain(plus_minus(row.closure, factor=100, unit="%")) in words
        if row.closure_interval is not None:
            low, high = (f"{100 * end:.0f}" for end in row.closure_interval)
            assert f"{low} to {high} %" in words
        assert row.verdict in words
    words = plain(opened(html, how_id("balance", "carotenoids")))
    for key in ("closure_low", "closure_note_low", "closure_note_high", "closure_high"):
        assert f"{key} {result.run.settings[key]:g}" in words


def test_terms_of_a_sum_add_up_to_it(result, html):
    for row in result.balance.rows:
        found = re.search(
            r"Found\.(.*?) (?:µg|nmol) =", plain(opened(html, how_id("balance", row.name)))
        )
        terms = re.sub(r"\( tube \d+ \)", "", found.group(1)).replace("− ", "-").replace("+ ", "")
        assert sum(map(float, terms.split())) == pytest.approx(row.found.value, rel=2e-3)


@pytest.mark.parametrize("name", ["carotenoids", "chlorophyll-a-pool", "beta-carotene"])
def test_budget_of_a_closure_adds_up(result, html, name):
    row = result.balance.row(name)
    heads, parts, together = budget_of(html, how_id("balance", name))
    assert heads == [f"loaded, {row.unit}", f"found, {row.unit}", "closure, %"]
    expected = (row.loaded.uncertainty, row.found.uncertainty, 100 * row.closure.uncertainty)
    np.testing.assert_allclose(together, expected, rtol=0.06)
    np.testing.assert_allclose(np.sqrt((parts**2).sum(axis=0)), expected, rtol=0.08)


def test_budget_of_a_pool_adds_up_and_names_what_its_tubes_share(result, html):
    pool = next(pool for _, pool in result.pooling.best if pool is not None)
    anchor = re.search(r'id="(how-pool-[^"]+)"', html).group(1)
    _, parts, together = budget_of(html, anchor)
    expected = (pool.mass.uncertainty, 100 * pool.share.uncertainty)
    np.testing.assert_allclose(together, expected, rtol=0.06)
    np.testing.assert_allclose(np.sqrt((parts**2).sum(axis=0)), expected, rtol=0.08)
    words = plain(opened(html, anchor))
    assert "errors of each tube alone" in words
    assert "absorptivity of β-carotene" in words
    assert "decision_confidence" in words


def test_workings_of_a_band_give_formulas_and_budget(result, html):
    for band in result.elution.bands:
        words = plain(opened(html, how_id("elution", band.pigment)))
        assert "Σ m v / Σ m" in words and "Sheppard 1898" in words
        assert plain(plus_minus(band.centre, unit="mL")) in words
        heads, parts, together = budget_of(html, how_id("elution", band.pigment))
        at = heads.index("centre, mL")
        assert together[at] == pytest.approx(band.centre.uncertainty, rel=0.06)
        assert math.hypot(*parts[:, at]) == pytest.approx(band.centre.uncertainty, rel=0.08)


def test_workings_of_conversion_and_content(result, html):
    for pool in result.balance.porphyrins:
        words = plain(opened(html, how_id("conversion", pool.kind)))
        assert "(p₁ − p₀) / (1 − p₀)" in words
        assert plain(plus_minus(pool.conversion, factor=100, unit="%")) in words
    tube = result.fractions[0]
    words = plain(opened(html, "tube-1-lutein"))
    assert "× 10 mL / 5 mL / 0.5030 ± 0.0060 g fresh" in words
    assert plain(plus_minus(tube.pigment("lutein").content, unit="µg/g")) in words


def test_workings_of_purity_give_enrichment_and_probability(result, html):
    tube = result.fractions[1]
    words = plain(opened(html, "tube-2-purity"))
    assert plain(plus_minus(tube.purity.enrichment)) in words
    assert "above the wanted p = 95 %" in words
    assert "share_usable" in words and "share_good" in words
    section = html[html.index('aria-labelledby="tube-2"') : html.index('aria-labelledby="tube-3"')]
    assert f"enriched {plain(plus_minus(tube.purity.enrichment))} times" in plain(section)


def test_a_sum_is_written_out_with_its_terms(result, html):
    tube = result.fractions[4]
    (group,) = [one for one in sums_of(tube) if one.name == "carotenoids"]
    words = plain(opened(html, "tube-5-carotenoids"))
    terms = re.search(r"points: (.*?) mg/L, with their correlations", words).group(1)
    values = [float(term.split(" (")[0]) for term in terms.split(" + ")]
    assert sum(values) == pytest.approx(group.concentration.value, rel=1e-3)
    assert "References: see" in words


def test_what_is_not_counted_is_said_with_its_reason(result):
    reason = "last rinse was bleached"
    rows = tuple(
        replace(row, uncounted=(Uncounted("last rinse", reason),), lower_bound=True)
        for row in result.balance.rows
    )
    html = report_html(replace(result, balance=replace(result.balance, rows=rows)))
    section = html[html.index('aria-labelledby="balance"') :]
    assert f"Not counted: {reason}. A sum that would hold it is a lower bound" in plain(section)
    assert f"Not counted: {reason}" in plain(opened(html, how_id("balance", "carotenoids")))


def test_a_ratio_known_as_an_interval_only_is_shown_as_one(result):
    rows = tuple(
        replace(row, closure=None, closure_interval=(0.42, 1.73)) if row.name == "lutein" else row
        for row in result.balance.rows
    )
    html = report_html(replace(result, balance=replace(result.balance, rows=rows)))
    for kind in ("pools", "masses"):
        assert "42 to 173" in plain(table_of(html, kind))
    assert "no single figure, 95 % interval 42 to 173 %" in plain(
        opened(html, how_id("balance", "lutein"))
    )


@pytest.mark.parametrize("solvent", ["acetone-90", "acetone", "ethanol"])
def test_equations_are_written_out_as_they_are_computed(solvent):
    for one in equation_sets(solvent):
        for line in one.lines:
            readings = {f"{t.wavelength:g}": 0.1 + t.wavelength / 1e4 for t in line.terms}
            given = _formula(line).replace("−", "-")
            for wavelength, value in readings.items():
                given = re.sub(rf"A\({re.escape(wavelength)}[^)]*\)", f"* {value}", given)
            given = given.replace("c(chlorophyll a)", "* 3").replace("c(chlorophyll b)", "* 2")
            expected = sum(t.coefficient * readings[f"{t.wavelength:g}"] for t in line.terms)
            expected += 3 * line.chlorophyll_a_coefficient + 2 * line.chlorophyll_b_coefficient
            assert eval(given) == pytest.approx(expected / line.divisor)


# The pattern


def test_a_number_without_workings_is_no_link():
    assert unfolding("1 < 2", None) == "1 &lt; 2"


def test_small_contributions_are_left_out_and_unknown_ones_are_not():
    one = Quantity(1.0, 1.0, "", (("large", 1.0), ("tiny", 0.01)))
    other = Quantity(1.0, math.nan, "", (("unknown", math.nan),))
    table = budget_table([("a", one, 1.0), ("b", other, 1.0)])
    assert "large" in table and "tiny" not in table
    assert "unknown" in table and "not known" in table


def test_a_fold_without_budgets_has_no_table():
    made = fold("x", "T", [step("One", "a < b")], [("c", None, 1.0)])
    assert "<table" not in made
    assert "<b>One. </b>a &lt; b.</li>" in made


def test_units_stay_with_their_numbers():
    assert whole_units("5 mL at 450 nm, 3 % of 2 g each").count("\u00a0") == 4
    assert whole_units("3 mLx, 2 gallons") == "3 mLx, 2 gallons"
