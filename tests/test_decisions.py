"""Decisions on tubes of known content: each rule once, with its number, limit and odds."""

from __future__ import annotations

import numpy as np
import pytest

from specfrac.decisions import ACTIONS
from specfrac.references import load_references
from specfrac.run import analyse_run
from specfrac.settings import default_settings
from specfrac.sheet import read_run
from specfrac.simulate import simulate_scan

WAVELENGTHS = np.arange(350.0, 781.0, 1.0)
HEAD = """
[run]
loaded_volume_ml = 5.0
target_pigment = "beta-carotene"
target_share = 0.9
[defaults]
solvent = "acetone-90"
bandwidth_nm = 2.0
made_up_volume_ml = 5.0
"""

# mg/L in the tube; invented
TUBES = {
    "extract": ("loaded", {"beta-carotene": 6.0, "pheophytin-a": 4.0, "chlorophyll-a": 6.0}),
    "pure": ("cut", {"beta-carotene": 2.5}),
    "mixed": ("cut", {"beta-carotene": 1.5, "pheophytin-a": 1.2}),
    "trace mix": ("cut", {"beta-carotene": 0.25, "pheophytin-a": 0.2}),
    "twins": ("cut", {"pheophytin-a": 3.0, "pheophytin-b": 0.8}),
    "green": ("wash", {"chlorophyll-a": 4.0, "chlorophyll-b": 1.5}),
    "leaky wash": ("wash", {"chlorophyll-a": 4.0, "beta-carotene": 1.0}),
    "empty": ("cut", {}),
}


def analysed(folder, names, *, head=HEAD, volumes=None):
    references = load_references().select(solvent="acetone-90")
    blocks = []
    for number, name in enumerate(names):
        role, content = TUBES[name]
        scan = simulate_scan(
            references,
            {pigment: value * 1e-3 for pigment, value in content.items()},
            wavelength=WAVELENGTHS,
            noise=3e-4,
            rng=number,
        )
        rows = [f"{w:g},{a:.5f}" for w, a in zip(WAVELENGTHS, scan.absorbance, strict=True)]
        text = "\n".join(["wavelength_nm,absorbance", *rows]) + "\n"
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
        block = f'[[fraction]]\nname = "{name}"\nrole = "{role}"\nscan = "{name}.csv"\n'
        if volumes:
            block += f"made_up_volume_ml = {volumes[number]}\n"
        blocks.append(block)
    (folder / "run.toml").write_text(head + "".join(blocks), encoding="utf-8")
    return analyse_run(read_run(folder))


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    return analysed(tmp_path_factory.mktemp("run"), TUBES)


@pytest.mark.parametrize(
    ("name", "action", "rule"),
    [
        ("pure", "keep", "the share is high enough"),
        ("mixed", "re-run", "a column can separate it"),
        ("trace mix", "discard", "impure and too little"),
        ("twins", "keep", "no better by another column"),
        ("green", "keep", "a wash is a mixture by design"),
        ("leaky wash", "re-run", "much of the target is in it"),
        ("empty", "discard", "nothing was detected"),
    ],
)
def test_each_rule_gives_its_action(result, name, action, rule):
    decision = result.fraction(name).decision
    assert (decision.action, decision.rule) == (action, rule)
    assert decision.action in ACTIONS
    assert decision.sentence.endswith(".")


def test_a_decision_states_number_limit_and_odds(result):
    pure = result.fraction("pure").decision
    assert pure.number > 0.9 and pure.limit == 0.9
    assert pure.probability > 0.5
    assert "wanted is at least 90 %" in pure.sentence
    mixed = result.fraction("mixed").decision
    assert mixed.probability < 0.01
    assert mixed.setting == "separable_rf" and mixed.limit == default_settings()["separable_rf"]
    assert "pheophytin a" in mixed.sentence
    trace = result.fraction("trace mix").decision
    assert trace.number == pytest.approx(0.25 * 5, rel=0.2)
    assert (trace.limit, trace.setting) == (5, "rerun_mass_min")
    leaky = result.fraction("leaky wash").decision
    assert leaky.number == pytest.approx(1.0 / 6.0, rel=0.3)


def test_only_cuts_and_washes_are_decided(result):
    assert result.fraction("extract").decision is None


def test_limits_of_the_sheet_change_the_decision(tmp_path):
    eager = HEAD.replace("target_share = 0.9", "target_share = 0.5")
    assert analysed(tmp_path, ["mixed"], head=eager).fractions[0].decision.action == "keep"
    patient = HEAD.replace("[defaults]", "[settings]\nrerun_mass_min = 0.5\n[defaults]")
    assert analysed(tmp_path, ["trace mix"], head=patient).fractions[0].decision.action == "re-run"
    strict = HEAD.replace("[defaults]", "[settings]\nrerun_recovery_min = 0.9\n[defaults]")
    tubes = ["extract", "leaky wash"]
    assert analysed(tmp_path, tubes, head=strict).fractions[1].decision.action == "keep"


def test_neighbours_that_are_enough_together_are_pooled(tmp_path):
    """10 mL of the pure tube and 1 mL of the mixed: 25 of 26.2 + 1.2 µg is 95 %."""
    result = analysed(tmp_path, ["pure", "mixed"], volumes=[10, 1])
    for tube in result.fractions:
        decision = tube.decision
        assert decision.action == "pool"
        assert decision.partners == ("pure", "mixed")
        assert decision.number == pytest.approx(26.5 / 27.7, abs=0.03)
        assert decision.probability >= 0.5
    assert "not enough alone" in result.fractions[1].decision.sentence
    best = dict(result.pooling.best)
    assert best[0.9].names == ("pure", "mixed")


def test_a_scan_too_strong_to_decide_by_is_to_be_diluted(tmp_path):
    head = HEAD.replace("[defaults]", "[settings]\nlinear_limit = 0.3\n[defaults]").replace(
        "target_share = 0.9", "target_share = 0.99"
    )
    decision = analysed(tmp_path, ["pure"], head=head).fractions[0].decision
    assert decision.action == "dilute and rescan"
    assert decision.number > decision.limit == 0.3
    assert decision.dilution_factor == 2  # from A 0.6 to below 0.8, by the smallest step


def test_how_sure_a_strong_scan_must_be_is_a_setting(tmp_path):
    limits = "[settings]\nlinear_limit = 0.3\ndecision_sure = 0.5\n[defaults]"
    head = HEAD.replace("[defaults]", limits).replace("target_share = 0.9", "target_share = 0.99")
    decision = analysed(tmp_path, ["pure"], head=head).fractions[0].decision
    assert decision.action != "dilute and rescan"


def test_without_a_result_nothing_is_decided(tmp_path):
    text = HEAD + '[[fraction]]\nname = "rinse"\nrole = "wash"\n'
    (tmp_path / "run.toml").write_text(text, encoding="utf-8")
    decision = analyse_run(read_run(tmp_path)).fractions[0].decision
    assert decision.action == "cannot tell"


def test_without_a_target_a_tube_is_judged_by_its_main_pigment(tmp_path):
    head = HEAD.replace('target_pigment = "beta-carotene"\ntarget_share = 0.9\n', "")
    result = analysed(tmp_path, ["pure", "twins"], head=head)
    assert result.fractions[0].decision.setting == "share_good"
    assert result.fractions[1].decision.action == "keep"
    assert result.pooling is None


def test_decision_and_pools_stand_in_the_record(result):
    record = result.record()
    pure = next(one for one in record["fractions"] if one["name"] == "pure")
    assert pure["decision"]["action"] == "keep"
    assert pure["decision"]["probability_share_above"] > 0.5
    shares = [one["wanted_share"] for one in record["pooling"]["best"]]
    assert shares == [0.9, 0.95, 0.98]
    frame = result.fractions_frame()
    assert list(frame["decision"])[:3] == ["", "keep", "re-run"]
