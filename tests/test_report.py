"""The report: complete, harmless, readable, the same every time, and alive in a real browser."""

from __future__ import annotations

import importlib.util
import itertools
import json
import os
import re
import shutil
import subprocess
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from specfrac.flags import Flag
from specfrac.plots import reported_lines
from specfrac.report import (
    fit_fragment,
    report_files,
    report_html,
    run_fragment,
    terminal_summary,
    tube_fragment,
    write_figures,
    write_report,
)
from specfrac.report.markup import VOID
from specfrac.report.numbers import limit, plus_minus, share
from specfrac.report.pictures import run_figures
from specfrac.settings import changed_settings
from specfrac.uncertainty import Quantity, rounded

_path = Path(__file__).with_name("report_example.py")
_spec = importlib.util.spec_from_file_location("report_example", _path)
example = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(example)

HOSTILE = '<script>alert("x")</script><img src=x onerror=alert(1)> & \u202eturned\x07 "\' =1+1'
CHROMIUM = next(
    (found for name in ("chromium", "chromium-browser", "google-chrome")
     if (found := shutil.which(name))), None
)  # fmt: skip


class Page(HTMLParser):
    """A page taken apart: its elements with attributes and the text inside."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.faults: list[str] = []
        self.text = ""
        self.texts: list[tuple[tuple[str, ...], str]] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> at {self.getpos()}")

    def handle_data(self, data):
        if not {"script", "style"} & set(self.open):
            self.text += data
            self.texts.append((tuple(self.open), data))

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]


@pytest.fixture(scope="module")
def result():
    return example.result()


@pytest.fixture(scope="module")
def html(result):
    return report_html(result)


@pytest.fixture(scope="module")
def files(result):
    return report_files(result)


@pytest.fixture(scope="module")
def page(html):
    return Page(html)


# The page as a document


def test_elements_are_closed_and_ids_are_unique(page):
    assert page.faults == []
    assert page.open == []
    ids = Counter(a["id"] for _, a in page.elements if "id" in a)
    assert [key for key, count in ids.items() if count > 1] == []


def test_links_lead_somewhere_in_the_page(page):
    ids = {attributes["id"] for _, attributes in page.elements if "id" in attributes}
    targets = [a["href"] for _, a in page.elements if a.get("href")]
    assert targets
    assert {target[0] for target in targets} == {"#"}
    assert {target[1:] for target in targets} <= ids


def test_nothing_is_loaded_from_elsewhere(html, page):
    assert not [a for _, a in page.elements if a.get("src") or a.get("srcset")]
    assert not page.all("link")
    assert not re.search(r"@import|url\((?!#)", html)
    # names of standards are no addresses that are fetched
    addresses = set(re.findall(r"https?://[^\s\"'<>]+", html))
    assert addresses <= {"http://www.w3.org/2000/svg"}
    policy = next(a["content"] for a in page.all("meta") if "http-equiv" in a)
    assert "default-src 'none'" in policy
    assert "'unsafe-inline'" not in policy.split("script-src")[1].split(";")[0]


def test_references_inside_figures_stay_in_their_figure(html):
    ids = set(re.findall(r'\bid="([^"]+)"', html))
    used = set(re.findall(r"url\(#([^)]+)\)", html)) | set(re.findall(r'href="#([^"]+)"', html))
    assert used <= ids


def test_page_is_accessible(page):
    assert page.all("html")[0]["lang"] == "en"
    assert len(page.all("h1")) == 1
    assert "Chard leaf, silica column 7" in page.text
    figures = [a for a in page.all("svg") if "role" in a]
    assert len(figures) == 9  # six scans, balance, elution and pools
    assert all(a["role"] == "img" and len(a["aria-label"] or "") > 40 for a in figures)
    ornaments = [a for a in page.all("svg") if "role" not in a]
    assert all(a["aria-hidden"] == "true" for a in ornaments)
    assert all(a.get("scope") in ("row", "col", "rowgroup") for a in page.all("th"))
    assert len(page.all("caption")) == len(page.all("table"))
    levels = [int(name[1]) for name, _ in page.elements if re.fullmatch(r"h[1-6]", name)]
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))


def luminance(colour: str) -> float:
    colour = colour if len(colour) == 7 else "#" + "".join(2 * one for one in colour[1:])
    channels = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def test_text_stands_out_from_its_ground(html):
    # WCAG 2.1, success criterion 1.4.3: 4.5 : 1 for text (from memory)
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{3,6})", html))
    used = set(re.findall(r"[{;]\s*color: var\(--(\w+)\)", html))
    assert {"ink", "soft", "leaf", "warn", "stop"} <= used
    for name in used:
        for ground in ("#ffffff", colours["tint"]):
            contrast = (luminance(ground) + 0.05) / (luminance(colours[name]) + 0.05)
            assert contrast >= 4.5, (name, ground)


def test_same_result_gives_the_same_bytes(files, html):
    again = report_files(example.result())
    assert again == files
    assert again["report.html"] == html.encode()
    assert set(again) >= {"report.html", "figures/balance.svg", "figures/balance.png"}


def test_page_tells_nothing_of_the_machine(html, result):
    assert str(Path.cwd()) not in html
    assert str(Path.home()) not in html or str(Path.home()) == "/"
    run = replace(result.run, folder=Path("/a/place/on/this/machine"))
    assert report_html(replace(result, run=run)) == html


# What it says


def plain(words: str) -> str:
    return " ".join(words.replace("\u00a0", " ").split())


def test_first_screen_answers_for_every_tube(result, html):
    table = html[html.index('class="tubes"') : html.index("</table>")]
    rows = [plain(Page(row).text) for row in table.split("<tr>")[2:]]
    assert len(rows) == len(result.fractions)
    for tube, row in zip(result.fractions, rows, strict=True):
        assert tube.fraction.name in row
        if tube.purity is None:
            assert "not measured" in row
            continue
        main = next(line for line in reported_lines(tube) if line.key == tube.purity.main)
        value, _, interval = share(tube.purity.share_mass, tube.purity.interval).partition(" (")
        assert value in row
        assert interval.rstrip(")") in row
        assert plain(plus_minus(main.result.mass)) in row


def test_every_number_is_rounded_by_its_uncertainty(result, page):
    words = plain(page.text)
    for tube in result.fractions:
        for line in reported_lines(tube):
            one = line.result
            if one.detected:
                assert rounded(one.concentration.value, one.concentration.uncertainty) in words
                assert rounded(one.mass.value, one.mass.uncertainty) in words
            else:
                assert plain(limit(one.detection_limit)) in words


def test_figures_of_a_row_agree_with_the_result(result, html):
    tube = result.fractions[1]
    section = html[html.index('aria-labelledby="tube-2"') : html.index('aria-labelledby="tube-3"')]
    row = plain(Page(section[section.index("β-carotene</a>") :].split("</tr>")[0]).text)
    found = tube.pigment("beta-carotene")
    for given, factor in ((found.concentration, 1), (found.mass, 1), (found.amount, 1),
                          (found.recovery, 100)):  # fmt: skip
        assert rounded(factor * given.value, factor * given.uncertainty) in row
    assert plain(share(found.share_mass, found.share_interval)).replace("(", "").replace(
        ")", ""
    ) in row.replace("(", "").replace(")", "")


def test_absent_pigments_are_below_a_limit_not_zero(result, html):
    section = html[html.index('aria-labelledby="tube-2"') : html.index('aria-labelledby="tube-3"')]
    absent = [line for line in reported_lines(result.fractions[1]) if not line.result.detected]
    assert len(absent) >= 5
    for line in absent:
        one = line.result
        row = plain(Page(section[section.index(f"tube-2-{line.key}") :].split("</tr>")[0]).text)
        assert "not detected" in row
        # mg/L times the made-up volume in mL is µg
        assert plain(limit(one.detection_limit * 5.0)) in row


def test_pigments_that_cannot_be_told_apart_are_one_row(page):
    assert "violaxanthin and neoxanthin together" in page.text
    assert "not to be told apart here" in page.text


def test_purity_is_of_coloured_pigment(page, result):
    words = plain(page.text)
    for tube in result.fractions:
        if tube.purity is not None:
            assert plain(tube.purity.sentence) in words
    assert "colourless matter" in words
    assert "not the purity of a solid" in words


def test_pheophytin_gets_no_recovery_of_its_own(result, html):
    found = result.fractions[3].pigment("pheophytin-a")
    assert found.recovery is None  # made on the column: its recovery would mislead
    section = html[html.index('aria-labelledby="tube-4"') : html.index('aria-labelledby="tube-5"')]
    row = Page(section[section.index("pheophytin a</a>") :].split("</tr>")[0]).text
    assert "see balance" in row


def test_flags_come_worst_first(html):
    section = html[html.index('aria-labelledby="tube-1"') : html.index('aria-labelledby="tube-2"')]
    marks = re.findall(r'class="severity (\w+)"', section)
    assert marks == sorted(marks, key=["fatal", "warn", "note"].index)
    assert "96 points above A 2 were left out" in plain(section)


def test_every_line_unfolds_to_formula_budget_and_source(result, page, html):
    for number, tube in enumerate(result.fractions, start=1):
        for line in reported_lines(tube):
            anchor = f'<details id="tube-{number}-{line.key.replace("+", "-")}"'
            fold = html[html.index(anchor) :]
            fold = Page(fold[: fold.index("</details>")]).text
            assert "whole-scan fit" in fold
            assert "Sketch of" in fold
            if line.result.mass is not None:
                assert "m = c V" in fold
                assert line.result.mass.largest_contributor in fold


def test_budget_contributions_add_up(result, html):
    tube = result.fractions[1]
    fold = html[html.index('<details id="tube-2-beta-carotene"') :]
    table = fold[fold.index('class="budget"') : fold.index("</table>")]
    rows = [re.findall(r"<td[^>]*>([^<]*)</td>", row) for row in table.split("<tr>")[2:]]
    column = [float(row[1]) for row in rows[:-1] if row[1]]
    together = tube.pigment("beta-carotene").mass.uncertainty
    assert float(rows[-1][1]) == pytest.approx(together, rel=0.05)
    assert np.sqrt(np.sum(np.square(column))) == pytest.approx(together, rel=0.06)


# What to do, elution and pools


def test_advice_comes_with_rule_number_and_limit(result, html):
    for number, tube in enumerate(result.fractions, start=1):
        section = html[html.index(f'<h2 id="tube-{number}"') :]
        section = plain(Page(section[: section.index("</section>")]).text)
        one = tube.decision
        if one is None:
            assert "Advice:" not in section
            continue
        assert f"Advice: {one.action}" in section
        assert plain(one.sentence) in section
        assert one.rule in section
        if one.setting is not None:
            assert f"setting {one.setting}" in section
    assert any(tube.decision is not None for tube in result.fractions)


@pytest.mark.parametrize("action", ["re-run", "dilute and rescan", "pool", "keep"])
def test_advice_to_handle_solvents_leads_to_the_cautions(result, action):
    tube = result.fractions[2]
    tube = replace(tube, decision=replace(tube.decision, action=action, partners=("yellow cut",)))
    fractions = (*result.fractions[:2], tube, *result.fractions[3:])
    html = report_html(replace(result, fractions=fractions, pooling=None, elution=None))
    section = html[html.index('aria-labelledby="tube-3"') : html.index('aria-labelledby="tube-4"')]
    assert ('href="#cautions"' in section) == (action != "keep")
    assert "pool of 2 yellow cut" in section


def test_a_remark_that_asks_to_evaporate_leads_to_the_cautions(result):
    tube = result.fractions[1]
    asked = Flag("estimate-grade", "yellow cut: no mass. Evaporate, redissolve and scan again.")
    for flags, led in (((asked,), True), (tube.flags, False)):
        changed = replace(tube, flags=flags, decision=None)
        html = report_html(
            replace(
                result,
                fractions=(result.fractions[0], changed, *result.fractions[2:]),
                pooling=None,
            )
        )
        section = html[html.index('aria-labelledby="tube-2"') :]
        section = section[: section.index("</section>")]
        assert ('href="#cautions"' in section) == led


def test_flags_name_pigments_and_not_their_keys(result):
    told = Flag("adapted-reference", "the shape of beta-carotene, chlorophyll-a was adapted.")
    tube = replace(result.fractions[1], flags=(told,))
    fractions = (result.fractions[0], tube, *result.fractions[2:])
    changed = replace(result, fractions=fractions, flags=(told,))
    words = plain(Page(report_html(changed)).text)
    assert words.count("the shape of β-carotene, chlorophyll a was adapted.") == 2
    assert "shape of β-carotene" in terminal_summary(changed)
    own = re.sub(r"Sketch of \S+, invented", "", words)  # the sources stay as they are cited
    assert "chlorophyll-a" not in own and "beta-carotene" not in own


def test_no_figure_can_be_cut_by_a_page(html):
    printed = html[html.index("@media print") : html.index("</style>")]
    kept = re.search(r"([^{}]*)\{ break-inside: avoid; \}", printed).group(1)
    assert ".specfrac figure" in kept
    heights = [float(one) for one in re.findall(r"> svg \{ max-height: (\d+)mm", printed)]
    # A4 (ISO 216) is 297 mm high; the margins and a caption take some of it
    assert len(heights) >= 4 and max(heights) < 297 - 60


def test_first_screen_and_terminal_name_the_action(result, html):
    table = html[html.index('class="tubes"') : html.index("</table>")]
    rows = [plain(Page(row).text) for row in table.split("<tr>")[2:]]
    printed = terminal_summary(result).splitlines()[2:]
    for tube, row, line in zip(result.fractions, rows, printed, strict=False):
        if tube.decision is not None:
            assert tube.decision.action in row
            assert tube.decision.action in line


def test_elution_table_gives_every_band(result, html):
    section = html[html.index('aria-labelledby="elution"') :]
    words = plain(Page(section[: section.index("</section>")]).text)
    assert len(result.elution.bands) >= 4
    for band in result.elution.bands:
        assert rounded(band.centre.value, band.centre.uncertainty) in words
        assert rounded(band.total.value, band.total.uncertainty) in words
        assert rounded(band.column_volumes.value, band.column_volumes.uncertainty) in words


def test_when_a_band_counts_as_incomplete_is_a_setting(result):
    first = result.elution.bands[0]
    assert not first.complete  # the first tube is its fullest
    lenient = example.result(settings=changed_settings({"band_edge_max": 1.0}))
    assert all(band.complete for band in lenient.elution.bands)


def test_pools_are_named_by_the_numbers_of_the_sheet(result, html):
    section = html[html.index('aria-labelledby="pooling"') :]
    words = plain(Page(section[: section.index("</section>")]).text)
    numbers = {tube.fraction.name: at for at, tube in enumerate(result.fractions, start=1)}
    for wanted, pool in result.pooling.best:
        assert f"{100 * wanted:g} %" in words
        if pool is not None:
            assert rounded(pool.mass.value, pool.mass.uncertainty) in words
            assert str(numbers[pool.names[0]]) in words


def test_sections_without_matter_are_left_out(result):
    html = report_html(replace(result, pooling=None, elution=None))
    assert 'id="elution"' not in html
    assert 'id="pooling"' not in html
    assert Page(html).faults == []


# Notebooks


@pytest.mark.parametrize("make", [
    run_fragment,
    lambda result: tube_fragment(result.fractions[3]),
    lambda result: tube_fragment(result.fractions[5]),
    lambda result: fit_fragment(result.fractions[4].fit),
])  # fmt: skip
def test_fragment_is_closed_harmless_and_reaches_nothing_else(make, hostile):
    html = make(hostile)
    page = Page(html)
    assert page.faults == []
    assert page.open == []
    assert page.all("script") == []
    assert [a for a in page.all("a") if a.get("href")] == []
    rules = re.findall(r"<style>(.*?)</style>", html, re.DOTALL)
    assert len(rules) == 1
    bare = re.sub(r"/\*.*?\*/", "", rules[0], flags=re.DOTALL)
    assert "@page" not in bare
    for selectors in re.findall(r"([^{}]+)\{", bare):
        if not selectors.strip().startswith("@media"):
            assert all(one.strip().startswith(".specfrac") for one in selectors.split(",")), (
                selectors
            )


def test_fragment_of_a_fit_gives_its_numbers(result):
    fit = result.fractions[4].fit
    words = plain(Page(fit_fragment(fit)).text)
    frame = fit.to_frame()
    for _, row in frame[frame["detected"]].iterrows():
        value, spread = (
            row["concentration_mg_per_L"],
            row["standard_uncertainty_mg_per_L"],
        )
        assert rounded(value, spread) in words
    assert "violaxanthin and neoxanthin together" in words


def test_record_names_inputs_settings_and_sources(page, result):
    words = plain(page.text)
    for one in result.run.inputs:
        assert one.path in words
        assert one.sha256 in words
    for key in result.run.settings.limits:
        assert key in words
    assert "reference library sketches 1" in words
    for pigment in example.SKETCHES:
        assert f"Sketch of {pigment}, invented for tests, p. 1." in words
    assert "adapted" in words


def test_cautions_defer_to_local_rules(page):
    words = plain(page.text)
    for danger in ("n-Hexane", "silica", "peroxides", "chloroform"):
        assert danger in words
    assert "local rules, the safety data sheets and trained supervision decide" in words


# Harmless whatever the files say


@pytest.fixture(scope="module")
def hostile(result):
    first = result.fractions[0]
    entry = replace(
        first.fraction,
        name=HOSTILE,
        scans=tuple(replace(scan, file=HOSTILE, sample=HOSTILE) for scan in first.fraction.scans),
    )
    flags = (*first.flags, Flag("noisy", HOSTILE))
    fractions = (replace(first, fraction=entry, flags=flags), *result.fractions[1:])
    run = replace(result.run, title=HOSTILE, method=HOSTILE, block=HOSTILE)
    balance = replace(result.balance, loaded_name=HOSTILE, unmeasured=(HOSTILE,))
    return replace(result, run=run, fractions=fractions, balance=balance)


@pytest.fixture(scope="module")
def hostile_html(hostile):
    return report_html(hostile)


def test_text_from_files_is_escaped(hostile_html, page):
    html = hostile_html
    attacked = Page(html)
    assert attacked.faults == []
    assert '<script>alert("x")</script>' in attacked.text
    for name in ("script", "img"):
        assert len(attacked.all(name)) == len(page.all(name))
    assert not [a for _, a in attacked.elements for key in a if key.startswith("on")]
    assert "\u202e" not in html
    assert "\x07" not in html


def test_file_names_of_figures_are_harmless(hostile):
    stems = [stem for stem, _ in run_figures(hostile)]
    assert len(stems) > 9
    for stem in stems:
        assert re.fullmatch(r"[a-z0-9-]+", stem), stem


def test_terminal_summary_moves_no_cursor(hostile):
    printed = terminal_summary(hostile)
    assert all(letter.isprintable() or letter == "\n" for letter in printed)


@pytest.mark.parametrize("name", ["Ωβ" * 400, "..", "/etc/x", "a\ud800b", "", " "])
def test_odd_names_are_written(result, name, tmp_path):
    entry = replace(result.fractions[5].fraction, name=name)
    odd = replace(result, fractions=(replace(result.fractions[5], fraction=entry),))
    odd = replace(odd, balance=replace(odd.balance, rows=()), pooling=None, elution=None)
    written = write_report(odd, tmp_path / "report.html")
    assert Page(written.read_text(encoding="utf-8")).faults == []
    assert write_figures(odd, tmp_path / "figures") == ()


# Tubes without a result


def test_tube_without_solvent_is_identified_without_mass(result):
    from specfrac.fitting import Identification

    first = result.fractions[0]
    guess = Identification("acetone-90", first.fit, -431.2)
    second = Identification("acetone", first.fit, -429.2)
    flag = Flag("no-solvent", "crude: no solvent is stated.")
    unknown = replace(
        first, fraction=replace(first.fraction, solvent=None), fit=None,
        identification=(guess, second),
        pigments=(), groups=(), purity=None, total_mass=None, equations=(), flags=(flag,),
    )  # fmt: skip
    alone = replace(
        result,
        fractions=(unknown,),
        balance=replace(result.balance, rows=(), porphyrins=()),
        pooling=None,
        elution=None,
    )
    page = Page(report_html(alone))
    words = plain(page.text)
    assert "does not state the solvent" in words
    assert "looks like" in words
    assert "µg" not in words.split("Method")[0]
    assert page.faults == []
    assert "best" in words
    assert "2.0" in words  # deviance of the second guess above the first
    assert "stop: no-solvent" in terminal_summary(alone)
    assert "named only" in terminal_summary(alone)


def test_tube_whose_fit_failed_keeps_its_place(result):
    flag = Flag("not-fitted", "grey cut: 12 points are usable, 50 are needed.")
    failed = replace(
        result.fractions[3], fit=None, pigments=(), groups=(), purity=None, total_mass=None,
        equations=(), flags=(flag,),
    )  # fmt: skip
    fractions = (*result.fractions[:3], failed, *result.fractions[4:])
    html = report_html(replace(result, fractions=fractions))
    assert "could not be fitted" in html
    assert "12 points are usable" in html
    assert Page(html).faults == []


def test_unknown_uncertainty_stays_visible(result):
    tube = result.fractions[1]
    pigment = replace(tube.pigments[0], mass=Quantity(11.7, float("nan"), "µg"))
    changed = replace(tube, pigments=(pigment, *tube.pigments[1:]))
    fractions = (result.fractions[0], changed, *result.fractions[2:])
    assert "± not known" in plain(Page(report_html(replace(result, fractions=fractions))).text)


def test_run_without_loaded_extract(result):
    rows = tuple(replace(row, loaded=None, closure=None) for row in result.balance.rows)
    balance = replace(result.balance, loaded_name=None, rows=rows, porphyrins=())
    words = plain(Page(report_html(replace(result, balance=balance))).text)
    assert "recovery and closure are not known" in words


# Terminal and files


def test_terminal_summary_is_aligned(result):
    printed = terminal_summary(result).splitlines()
    heads, rule = printed[:2]
    assert heads.split()[0] == "tube"
    starts = [0, *(at + 2 for at in range(len(rule) - 1) if rule[at : at + 2] == "  ")]
    for tube, line in zip(result.fractions, printed[2:], strict=False):
        assert line.startswith(tube.fraction.name)
        for start in starts[1:]:
            assert line[start - 2 : start] == "  ", line
            assert len(line) <= start or line[start] != " ", line
    assert "99 % (98 to 100 %)" in printed[3]
    assert "warning: unassigned-absorbance" in printed[4]


def test_figures_are_written_with_plain_names(result, files, tmp_path):
    written = write_figures(result, tmp_path / "figures")
    assert {f"figures/{path.name}" for path in written} == set(files) - {"report.html"}
    names = [path.name for path in written]
    assert "01-chard-extract-scan-2.svg" in names
    assert "02-yellow-cut-composition.png" in names
    stems = [name.rpartition(".")[0] for name in names]
    assert stems[-6::2] == stems[-5::2] == ["balance", "elution", "pooling"]
    assert sorted(path.name for path in (tmp_path / "figures").iterdir()) == sorted(names)
    for path in written:
        content = path.read_bytes()
        assert content.startswith(b"\x89PNG" if path.suffix == ".png" else b"<?xml")
        assert b"<dc:date>" not in content


def test_users_own_drawing_settings_do_not_matter(result, html):
    import matplotlib as mpl

    with mpl.rc_context({"lines.linewidth": 9, "font.size": 30, "axes.facecolor": "red"}):
        assert report_html(result) == html


def test_report_is_whole_or_absent(result, html, tmp_path):
    target = tmp_path / "new" / "report.html"
    assert write_report(result, target) == target
    assert [path.name for path in target.parent.iterdir()] == ["report.html"]
    assert target.read_text(encoding="utf-8") == html


# In a real browser

PROBE = """
<script>
window.addEventListener("load", function () {
  var faults = [], plots = document.querySelectorAll(".plot script.readings");
  function check(fine, words) { if (!fine) faults.push(words); }
  check(plots.length === PLOTS, "plots: " + plots.length);
  plots.forEach(function (source, at) {
    var plot = source.parentNode, svg = plot.querySelector("svg");
    var frame = svg.getBoundingClientRect(), slider = plot.querySelector("input");
    var output = plot.querySelector("output"), data = JSON.parse(source.textContent);
    var axes = data.axes[0], share = 0.3;
    svg.dispatchEvent(new PointerEvent("pointermove", {
      clientX: frame.left + frame.width * (axes.box[0] + share * axes.box[2]),
      clientY: frame.top + 20, bubbles: true }));
    var wanted = axes.x[0] + share * (axes.x[1] - axes.x[0]);
    var read = parseFloat(output.textContent.match(/[0-9.]+/)[0]);
    check(Math.abs(read - wanted) <= 1.01, "plot " + at + " reads " + read + " at " + wanted);
    var fit = data.fit[data.wavelength.indexOf(read)];
    var shown = output.textContent;
    check(shown.indexOf("fit " + fit.toFixed(4)) > 0, "no value: " + shown);
    var cursor = svg.querySelector("line.cursor");
    check(cursor.getAttribute("visibility") === "visible", "no cursor");
    slider.value = "5"; slider.dispatchEvent(new Event("input"));
    shown = output.textContent;
    check(shown.indexOf(data.wavelength[5].toFixed(1)) > 0, "slider: " + shown);
    check(frame.width > 200 && frame.height > 100, "plot " + at + " is too small");
  });
  // the keyboard: what can be unfolded or slid takes the focus, and it shows
  document.querySelectorAll("summary, a[href], .reader input").forEach(function (one) {
    check(one.tabIndex === 0, "not in the order of the keyboard: " + one.outerHTML.slice(0, 80));
  });
  var slider = document.querySelector(".reader input"), output = slider.parentNode.lastChild;
  slider.focus();
  check(document.activeElement === slider, "the slider takes no focus");
  slider.value = "7"; slider.stepUp(); slider.dispatchEvent(new Event("input"));
  check(output.textContent.indexOf(slider.getAttribute("aria-valuetext").split(" ")[0]) > 0,
        "the slider does not say what it reads");
  var links = [".composition tbody a", ".masses a.how", ".tubes a.how", ".bands a",
               ".pool-choice a.how"].map(function (one) { return document.querySelector(one); });
  links.forEach(function (link, at) {
    check(link, "no link to workings, table " + at);
    if (!link) return;
    var fold = document.getElementById(link.getAttribute("href").slice(1));
    // folded by hand, the same link unfolds it again
    [1, 2].forEach(function (time) {
      fold.open = false;
      link.click();
      check(fold.open && fold.parentNode.open, "table " + at + " stays folded, time " + time);
      check(fold.querySelector("ol").getBoundingClientRect().height > 20, "nothing unfolds");
    });
  });
  setTimeout(function () {
    check(document.documentElement.scrollWidth <= window.innerWidth + 1,
          "wider than the window: " + document.documentElement.scrollWidth);
    var answer = document.createElement("p");
    answer.id = "probe";
    answer.textContent = faults.length ? faults.join("; ") : "all is well";
    document.body.appendChild(answer);
  }, 50);
});
</script>
"""


@pytest.mark.skipif(CHROMIUM is None, reason="no browser: chromium is not installed")
class TestBrowser:
    @pytest.fixture
    def chromium(self, tmp_path):
        def run(*arguments: str) -> subprocess.CompletedProcess[str]:
            command = [
                str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic",
                "--no-first-run", "--disable-background-networking", "--disable-component-update",
                "--disable-sync", "--enable-logging=stderr", "--hide-scrollbars",
                f"--user-data-dir={tmp_path / 'profile'}", *arguments,
            ]  # fmt: skip
            return subprocess.run(
                command, capture_output=True, text=True, timeout=120, check=False,
                env={**os.environ, "LC_ALL": "C.UTF-8"},
            )  # fmt: skip

        return run

    @pytest.fixture
    def written(self, hostile_html, tmp_path):
        # the hostile names are the harder case, and every other thing is the same
        path = tmp_path / "report.html"
        path.write_text(hostile_html, encoding="utf-8")
        return path

    def test_script_runs_without_errors_under_the_pages_own_policy(self, chromium, written, result):
        done = chromium("--dump-dom", written.as_uri())
        console = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
        assert console == []
        page = Page(done.stdout)
        assert "scripted" in (page.all("body")[0]["class"] or "").split()
        scans = sum(len(tube.fit.scans) for tube in result.fractions if tube.fit is not None)
        assert sum(a.get("class") == "reader" for a in page.all("div")) == scans
        assert len(page.all("output")) == scans

    @pytest.mark.parametrize("width", [1200, 420])
    def test_values_can_be_read_and_links_unfold(self, chromium, written, result, width):
        scans = sum(len(tube.fit.scans) for tube in result.fractions if tube.fit is not None)
        html = written.read_text(encoding="utf-8")
        html = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", html)
        html = html.replace("</body>", PROBE.replace("PLOTS", str(scans)) + "</body>")
        probed = written.with_name("probed.html")
        probed.write_text(html, encoding="utf-8")
        done = chromium(
            "--dump-dom", f"--window-size={width},1000", "--virtual-time-budget=4000",
            probed.as_uri(),
        )  # fmt: skip
        answer = re.search(r'<p id="probe">(.*?)</p>', done.stdout, re.DOTALL)
        assert answer is not None, done.stderr[-2000:]
        assert answer.group(1) == "all is well"

    @pytest.mark.parametrize("width", [1200, 794, 420])
    def test_very_long_names_do_not_widen_the_page(self, chromium, result, tmp_path, width):
        first = result.fractions[1]
        name = "Ωβ\U0001f33f" * 300
        scans = tuple(replace(one, file=name, sample=name) for one in first.fraction.scans)
        renamed = replace(first, fraction=replace(first.fraction, name=name, scans=scans))
        fractions = (result.fractions[0], renamed, *result.fractions[2:])
        run = replace(result.run, title=name, method=name)
        rows = tuple(
            replace(
                row, tubes=tuple((name if n == first.fraction.name else n, m) for n, m in row.tubes)
            )
            for row in result.balance.rows
        )
        odd = replace(
            result, run=run, fractions=fractions, pooling=None, elution=None,
            balance=replace(result.balance, rows=rows),
        )  # fmt: skip
        html = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", report_html(odd))
        measure = (
            "<script>window.addEventListener('load', function () {"
            "var answer = document.createElement('p'); answer.id = 'probe';"
            "answer.textContent = document.documentElement.scrollWidth - window.innerWidth;"
            "document.body.appendChild(answer); });</script></body>"
        )
        path = tmp_path / "long.html"
        path.write_text(html.replace("</body>", measure), encoding="utf-8")
        done = chromium("--dump-dom", f"--window-size={width},1000", path.as_uri())
        assert int(re.search(r'<p id="probe">(-?\d+)</p>', done.stdout).group(1)) <= 1

    @pytest.mark.parametrize("size", [(1200, 2000), (794, 1123)])
    def test_screenshots_show_a_page(self, chromium, written, size, tmp_path):
        from matplotlib.image import imread

        picture = tmp_path / "page.png"
        width, height = size
        chromium(f"--screenshot={picture}", f"--window-size={width},{height}", written.as_uri())
        pixels = imread(picture)[..., :3]
        assert pixels.shape[:2] == (height, width)
        ink = (pixels < 0.6).any(axis=2)
        assert 0.005 < ink.mean() < 0.5
        # every third of the page has something on it
        assert all(part.any() for part in np.array_split(ink, 3, axis=0))
        keep = os.environ.get("SPECFRAC_SCREENSHOTS")
        if keep:
            Path(keep).mkdir(parents=True, exist_ok=True)
            shutil.copy(picture, Path(keep) / f"report-{width}x{height}.png")

    def test_prints_on_a4_with_a_sheet_a_tube(self, chromium, written, result, tmp_path):
        paper = tmp_path / "report.pdf"
        chromium(f"--print-to-pdf={paper}", "--no-pdf-header-footer", written.as_uri())
        content = paper.read_bytes()
        pages = re.findall(rb"/Type\s*/Page\b", content)
        boxes = set(re.findall(rb"/MediaBox\s*\[([^\]]+)\]", content))
        assert len(boxes) == 1
        left, bottom, right, top = (float(edge) for edge in boxes.pop().split())
        # A4 is 210 mm by 297 mm (ISO 216), in points of 1/72 inch
        assert (right - left, top - bottom) == pytest.approx(
            (210 / 25.4 * 72, 297 / 25.4 * 72), abs=1.0
        )
        measured = sum(bool(tube.pigments) for tube in result.fractions)
        # summary, balance, a sheet or two a tube, method and record
        assert measured + 4 <= len(pages) <= 2 * measured + 6


def test_values_for_the_pointer_are_those_of_the_fit(html, result):
    sources = re.findall(r'<script type="application/json" class="readings">(.*?)</script>', html)
    fits = [
        (tube.fit, index)
        for tube in result.fractions
        if tube.fit is not None
        for index in range(len(tube.fit.scans))
    ]
    assert len(sources) == len(fits)
    for source, (fit, index) in zip(sources, fits, strict=True):
        data, curves = json.loads(source), fit.curves(index)
        np.testing.assert_allclose(data["wavelength"], curves.wavelength)
        np.testing.assert_allclose(data["fit"], curves.fitted, atol=5.1e-5)
        np.testing.assert_allclose(data["scan"], curves.absorbance, atol=5.1e-5)
        assert data["used"] == curves.used.tolist()
        assert len(data["axes"]) == 2


def test_a_command_in_a_remark_is_set_as_one():
    from specfrac.report.summary import flag_list

    (flag,) = [Flag("no-scan", "name a`b: see `specfrac qualify` for <b>")]
    shown = flag_list([flag])
    assert "name a`b: see <code>specfrac qualify</code> for &lt;b&gt;" in shown
