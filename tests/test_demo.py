"""The demo: does the analysis recover the truth behind the invented runs?

The truth is `demo/truth.csv`, written by the demo's script from its scenario; the scans
come from `specfrac.simulate`, which shares the references and the stated sizes of the
errors with the fitting engine and nothing else.
"""

from __future__ import annotations

import csv
import hashlib
import importlib.util
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from specfrac.names import spoken
from specfrac.run import FractionResult, RunResult, analyse_run
from specfrac.sheet import read_run

DEMO = Path(__file__).parents[1] / "demo"
SEASON = DEMO / "season"
SCRIPT = DEMO / "make_demo.py"
RUNS = ("shake-1", "shake-2", "steep-1", "steep-2")
WRITTEN_RUNS = ("shake-1", "steep-2")  # two scans of one tube; all scans and blanks in one file
TUBES = ("crude", "yellow", "grey", "olive", "green", "rinse")
POOLS = ("carotenoids", "chlorophyll-a-pool")
OTHER_SEEDS = (1, 2, 3)

Row = dict[str, str]
TruthTable = dict[tuple[str, str], dict[str, Row]]


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of a result beside its truth."""

    run: str
    tube: str
    name: str
    kind: str
    error: float  # over the stated standard uncertainty
    main: bool  # what a reader looks at first: main pigment of a tube, and the pools

    def __str__(self) -> str:
        return f"{self.run} {self.tube} {self.name} {self.kind}: {self.error:+.2f} u"


def read_truth(folder: Path) -> TruthTable:
    table: TruthTable = {}
    with (folder / "truth.csv").open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream):
            table.setdefault((row["run"], row["tube"]), {})[row["pigment"]] = row
    return table


def analyse(folder: Path) -> dict[str, RunResult]:
    return {path.name: analyse_run(read_run(path)) for path in sorted(run_folders(folder))}


def run_folders(folder: Path) -> list[Path]:
    return [sheet.parent for sheet in folder.glob("*/run.toml")]


@pytest.fixture(scope="module")
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_demo", SCRIPT)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_demo"] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def truth() -> TruthTable:
    return read_truth(DEMO)


@pytest.fixture(scope="module")
def results() -> dict[str, RunResult]:
    return analyse(DEMO)


def codes(result: RunResult, tube: str) -> set[str]:
    found = result.fraction(tube)
    assert found is not None
    return {flag.code for flag in found.flags}


# The files


def test_the_script_makes_every_file_again_byte_for_byte(tmp_path: Path) -> None:
    subprocess.run([sys.executable, SCRIPT, tmp_path], check=True)
    made = {path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file()}
    kept = {
        path.relative_to(DEMO)
        for folder in (*run_folders(DEMO), *run_folders(SEASON))
        for path in (folder / "run.toml", *(folder / "scans").iterdir())
    } | {
        path.relative_to(DEMO)
        for folder in (DEMO, SEASON)
        for path in (folder / "truth.csv", folder / "truth_runs.csv")
    }
    assert made == kept
    stale = [str(p) for p in sorted(made) if (tmp_path / p).read_bytes() != (DEMO / p).read_bytes()]
    assert not stale, "the demo is older than its script or the library: run demo/make_demo.py"


def test_further_runs_leave_the_first_ones_as_they_are(script: ModuleType) -> None:
    few, more = script.demo_files(), script.demo_files(runs_per_method=6)
    first = {place for place in few if not place.startswith("truth")}
    assert all(more[place] == few[place] for place in first)
    assert {place.split("/")[0] for place in more if "/" in place} == {
        f"{method}-{n}" for method in script.METHODS for n in range(1, 7)
    }


def test_the_season_goes_on_where_the_first_runs_end(script: ModuleType) -> None:
    season = script.season_files()
    assert {place.split("/")[1] for place in season if place.count("/") > 1} == {
        f"{method}-{n}" for method in script.METHODS for n in range(3, 7)
    }
    whole = script.demo_files(runs_per_method=6)
    assert all(text == whole[place.removeprefix("season/")] for place, text in season.items()
               if "truth" not in place and not place.endswith("run.toml"))  # fmt: skip


def test_the_truth_balances(script: ModuleType, truth: TruthTable) -> None:
    """Chlorophyll becomes pheophytin mole for mole; no tube holds more than was loaded."""
    pools = (
        ("chlorophyll-a", "pheophytin-a"),
        ("chlorophyll-b", "pheophytin-b"),
        *((key,) for key in script.LEAF if "phyll-" not in key and "phytin" not in key),
    )
    for run in RUNS:
        for members in pools:
            amount = {
                tube: sum(float(truth[run, tube][key]["amount_nmol"]) for key in members)
                for tube in TUBES
            }
            loaded = amount.pop("crude")
            assert 0.5 < sum(amount.values()) / loaded < 1.0, (run, members)


# The figures


def figures(results: dict[str, RunResult], truth: TruthTable) -> Iterator[Figure]:
    """Yield every figure that has a truth, of tubes whose scan the candidates explain."""
    for run, result in results.items():
        loaded = truth[run, "crude"]
        in_crude = result.fraction("crude")
        assert in_crude is not None
        for one in result.fractions:
            tube, true = one.fraction.name, truth[run, one.fraction.name]
            assert one.purity is not None, f"{run} {tube} was not fitted"
            for part in (*one.pigments, *one.groups):
                pigment = hasattr(part, "pigment")
                name = part.pigment if pigment else part.name
                members = (name,) if pigment else part.members
                factors = (1.0,) if pigment else part.factors
                mass = total(true, members, factors, "mass_ug")
                main = name in (*one.purity.members, *POOLS) and part.detected
                found = {
                    "concentration": (
                        part.concentration_unconstrained,
                        part.concentration.uncertainty,
                        total(true, members, factors, "concentration_mg_per_L"),
                    )
                }
                if part.mass is not None:
                    found["mass"] = (part.mass_unconstrained, part.mass.uncertainty, mass)
                if part.content is not None:
                    content = total(true, members, factors, "content_ug_per_g")
                    found["content"] = (part.content.value, part.content.uncertainty, content)
                if part.recovery is not None and well_known(in_crude, members):
                    ratio = mass / total(loaded, members, factors, "mass_ug")
                    found["recovery"] = (part.recovery.value, part.recovery.uncertainty, ratio)
                for kind, (value, uncertainty, target) in found.items():
                    yield Figure(run, tube, name, kind, (value - target) / uncertainty, main)


def total(
    rows: dict[str, Row], members: tuple[str, ...], factors: tuple[float, ...], key: str
) -> float:
    pairs = zip(members, factors, strict=True)
    return sum(float(rows[name][key]) * factor for name, factor in pairs)


def well_known(crude: FractionResult, members: tuple[str, ...]) -> bool:
    """Whether the loaded extract holds enough for a ratio with a normal error."""
    found = [crude.pigment(name) for name in members]
    return all(one is not None and one.quantified for one in found)


def coverage(errors: list[float]) -> float:
    return float(np.mean(np.abs(errors) < 1.96))


@pytest.mark.parametrize("kind", ["concentration", "mass", "content", "recovery"])
def test_intervals_hold_the_truth(
    results: dict[str, RunResult], truth: TruthTable, kind: str
) -> None:
    """At least 90 % of the 95 % intervals; errors of one demo are not independent."""
    found = [one for one in figures(results, truth) if one.kind == kind]
    assert len(found) > 50
    share = coverage([one.error for one in found])
    beyond = sorted((str(one) for one in found if abs(one.error) > 3), key=str)
    assert share >= 0.90, f"{kind}: {share:.3f} of {len(found)}; beyond 3 u: {beyond}"


def test_no_main_figure_is_beyond_four_uncertainties(
    results: dict[str, RunResult], truth: TruthTable
) -> None:
    main = [one for one in figures(results, truth) if one.main]
    assert len(main) > 100
    assert not [str(one) for one in main if abs(one.error) > 4]


def test_intervals_of_shares_hold_the_truth(
    results: dict[str, RunResult], truth: TruthTable
) -> None:
    inside = []
    for run, result in results.items():
        for one in result.fractions:
            rows = truth[run, one.fraction.name]
            for part in one.pigments:
                assert part.share_interval is not None
                low, high = part.share_interval
                inside.append(low <= float(rows[part.pigment]["share_mass"]) <= high)
    assert len(inside) == 8 * len(RUNS) * len(TUBES)
    assert np.mean(inside) >= 0.90


def test_other_demos_are_recovered_as_well(script: ModuleType, tmp_path: Path) -> None:
    """Other draws of everything, so that one lucky or unlucky demo decides nothing."""
    errors: list[float] = []
    for seed in OTHER_SEEDS:
        folder = tmp_path / str(seed)
        for place, text in script.demo_files(seed, runs_per_method=1).items():
            path = folder / place
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8", newline="\n")
        found = figures(analyse(folder), read_truth(folder))
        errors += [one.error for one in found if one.kind == "mass"]
    assert len(errors) > 250
    assert 0.90 <= coverage(errors) <= 0.99
    assert abs(float(np.mean(errors))) < 0.3  # no bias that all pigments share


def test_absent_pigments_are_never_quantified(
    results: dict[str, RunResult], truth: TruthTable
) -> None:
    absent = [
        (run, one.fraction.name, part)
        for run, result in results.items()
        for one in result.fractions
        for part in one.pigments
        if float(truth[run, one.fraction.name][part.pigment]["mass_ug"]) == 0
    ]
    assert len(absent) > 60
    assert not [(run, tube, part.pigment) for run, tube, part in absent if part.quantified]
    # critical values are one-sided 95 % (Currie 1995)
    assert np.mean([part.detected for _, _, part in absent]) < 0.15


# What a chemist would say of each tube


@pytest.mark.parametrize("run", RUNS)
def test_the_main_pigment_is_named(
    results: dict[str, RunResult], truth: TruthTable, run: str
) -> None:
    for one in results[run].fractions:
        rows = truth[run, one.fraction.name]
        largest = max(rows, key=lambda key: float(rows[key]["mass_ug"]))
        assert one.purity is not None
        assert one.purity.main == largest, one.fraction.name


def test_the_saturated_scan_is_flagged_and_its_dilution_used(
    results: dict[str, RunResult], truth: TruthTable
) -> None:
    # one note at the tube: the dilution is there, so nobody need dilute and rescan
    assert "dilution-used" in codes(results["shake-1"], "green")
    for run in RUNS[1:]:
        assert "dilution-used" not in codes(results[run], "green")
    green = results["shake-1"].fraction("green")
    assert green is not None and green.fit is not None
    assert {"above-linear-limit", "flat-top"} <= {flag.code for flag in green.fit.flags}
    undiluted, diluted = green.fit.scans
    clipped = undiluted.absorbance >= undiluted.absorbance.max()
    assert clipped.sum() > 5 and not green.fit.used[0][clipped].any()
    assert green.fit.used[1][np.isin(diluted.wavelength, undiluted.wavelength[clipped])].all()
    chlorophyll = green.pigment("chlorophyll-a")
    assert chlorophyll is not None and chlorophyll.mass is not None
    true = float(truth["shake-1", "green"]["chlorophyll-a"]["mass_ug"])
    assert abs(chlorophyll.mass.value - true) < 2.58 * chlorophyll.mass.uncertainty
    assert chlorophyll.mass.uncertainty < 0.03 * true


@pytest.mark.parametrize("contaminant", ["beta-carotene", "chlorophyll-a"])
def test_carry_over_into_the_grey_cut_is_quantified(
    results: dict[str, RunResult], truth: TruthTable, contaminant: str
) -> None:
    grey = results["steep-1"].fraction("grey")
    assert grey is not None and grey.purity is not None
    part = grey.pigment(contaminant)
    assert part is not None and part.detected and part.quantified
    assert part.mass is not None and part.share_interval is not None
    true = truth["steep-1", "grey"][contaminant]
    assert abs(part.mass.value - float(true["mass_ug"])) < 2.58 * part.mass.uncertainty
    assert part.share_interval[0] > 0.02
    assert spoken(contaminant) in grey.purity.sentence
    for run in ("shake-1", "shake-2", "steep-2"):
        clean = results[run].fraction("grey")
        assert clean is not None
        assert not clean.pigment("chlorophyll-a").quantified
        assert clean.purity.share_mass.value > grey.purity.share_mass.value + 0.1


def test_pheophytin_in_hexane_raises_an_alarm_and_gets_no_mass(
    results: dict[str, RunResult],
) -> None:
    caught = results["steep-2"].fraction("yellow")
    assert caught is not None and caught.purity is not None
    pheophytin = caught.pigment("pheophytin-a")
    assert pheophytin.detected and pheophytin.mass is None and pheophytin.content is None
    assert "estimate-grade" in codes(results["steep-2"], "yellow")
    assert "pheophytin a" in caught.purity.sentence
    for run in RUNS[:3]:
        assert not results[run].fraction("yellow").pigment("pheophytin-a").detected
        assert "estimate-grade" not in codes(results[run], "yellow")


def test_an_unknown_band_is_reported_where_it_is_and_nowhere_else(
    results: dict[str, RunResult], script: ModuleType
) -> None:
    (key,) = (key for key, incident in script.INCIDENTS.items() if incident.band)
    centre, height, _ = script.INCIDENTS[key].band
    for run, result in results.items():
        for one in result.fractions:
            assert one.fit is not None
            if (run, one.fraction.name) == key:
                band = one.fit.unassigned_bands[0]
                assert band.wavelength == pytest.approx(centre, abs=4)
                assert band.absorbance == pytest.approx(height, rel=0.3)
                assert "unassigned-absorbance" in codes(result, one.fraction.name)
            else:
                assert "unassigned-absorbance" not in codes(result, one.fraction.name)


def test_fines_are_flagged_as_scatter(results: dict[str, RunResult]) -> None:
    assert "scatter" in codes(results["steep-1"], "green")
    for run in ("shake-1", "shake-2", "steep-2"):
        assert "scatter" not in codes(results[run], "green")


def test_conversion_to_pheophytin_is_recovered(results: dict[str, RunResult]) -> None:
    with (DEMO / "truth_runs.csv").open(encoding="utf-8", newline="") as stream:
        rows = {row["run"]: row for row in csv.DictReader(stream)}
    for run, result in results.items():
        for balance in result.balance.porphyrins:
            assert balance.closure is not None
            assert 0.7 < balance.closure.value < 1.05
            assert balance.conversion.uncertainty < 0.03
            true = float(rows[run][f"converted_chlorophyll_{balance.kind}"])
            error = (balance.conversion.value - true) / balance.conversion.uncertainty
            # defined over what is found: the loss on the column moves it a little
            assert abs(error) < 3, (run, balance.kind, error)


def test_conversion_holds_the_truth_by_its_own_definition(
    results: dict[str, RunResult], truth: TruthTable
) -> None:
    """(p_found - p_loaded) / (1 - p_loaded) of true amounts, p the share that is pheophytin."""
    for run, result in results.items():
        off = [one.fraction.name for one in result.fractions if one.fraction.role != "loaded"]
        for balance in result.balance.porphyrins:
            before = pheophytin_share(truth, run, ["crude"], balance.kind)
            after = pheophytin_share(truth, run, off, balance.kind)
            true = (after - before) / (1 - before)
            error = (balance.conversion.value - true) / balance.conversion.uncertainty
            assert abs(error) < 2.58, (run, balance.kind, error)  # 99 %


def pheophytin_share(truth: TruthTable, run: str, tubes: list[str], kind: str) -> float:
    intact, without = (
        sum(float(truth[run, tube][f"{word}-{kind}"]["amount_nmol"]) for tube in tubes)
        for word in ("chlorophyll", "pheophytin")
    )
    return without / (intact + without)


# The command line


def digests(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and "__pycache__" not in path.parts
    }


def test_the_command_line_writes_the_same_bytes_twice(tmp_path: Path) -> None:
    before = digests(DEMO)
    written = []
    for name in ("first", "second"):
        out = tmp_path / name
        folders = [str(DEMO / run) for run in WRITTEN_RUNS]
        command = [sys.executable, "-m", "specfrac.cli", "analyse", *folders, "--out", str(out)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        written.append(digests(out))
    for run in WRITTEN_RUNS:
        for file in ("report.html", "result.json", "fractions.csv", "pigments.csv"):
            assert f"{run}/{file}" in written[0]
        assert any(place.startswith(f"{run}/figures/") for place in written[0])
    assert written[0] == written[1]
    assert digests(DEMO) == before
