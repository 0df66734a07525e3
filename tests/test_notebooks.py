"""Results in a notebook: they show themselves, give tidy tables, and draw where they are told."""

from __future__ import annotations

import importlib.util
import inspect
import re
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure

from specfrac import plots
from specfrac.claims import ClaimsResult, ClassResult
from specfrac.plan import plan_from_tissue
from specfrac.plates.evidence import PlatesResult, analyse_plates
from specfrac.qualify.results import QualificationResult
from specfrac.references import load_references

_path = Path(__file__).with_name("report_example.py")
_spec = importlib.util.spec_from_file_location("report_example", _path)
example = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(example)


@pytest.fixture(scope="module")
def result():
    return example.result()


SHOWN = {
    "run": lambda result: result,
    "tube": lambda result: result.fractions[1],
    "fit": lambda result: result.fractions[1].fit,
    "balance": lambda result: result.balance,
    "pooling": lambda result: result.pooling,
    "elution": lambda result: result.elution,
    "plates": analyse_plates,
    "plan": lambda result: plan_from_tissue(0.5, solvent="hexane", volume=5.0),
}


@pytest.mark.parametrize("name", SHOWN)
def test_results_show_themselves_without_script_or_links(result, name):
    shown = SHOWN[name](result)._repr_html_()
    assert shown.startswith('<div class="specfrac fragment">')
    assert "<script" not in shown
    assert 'href="#' not in re.sub(r"<use[^>]*>", "", shown)
    assert "@page" not in shown
    for opening in ("div", "table", "tr", "td", "th", "svg", "p"):
        assert len(re.findall(rf"<{opening}[ >]", shown)) == shown.count(f"</{opening}>"), opening


@pytest.mark.parametrize(
    "kind",
    [ClassResult, ClaimsResult, PlatesResult, QualificationResult],
    ids=lambda one: one.__name__,
)
def test_bench_results_show_themselves(kind):
    assert callable(kind._repr_html_)


def test_tables_are_tidy(result):
    tubes, pigments = result.fractions_frame(), result.pigments_frame()
    assert len(tubes) == len(result.fractions)
    assert len(pigments) == sum(len(one.pigments) for one in result.fractions)
    frame = result.balance.to_frame().set_index("name")
    row = result.balance.row("lutein")
    assert frame.loc["lutein", "found"] == row.found.value
    assert frame.loc["lutein", "closure_high"] == row.closure_interval[1]
    assert np.isnan(frame.loc["pheophytin-a", "closure"])
    profile = result.elution.to_frame()
    assert len(profile) == len(result.elution.bands) * len(result.elution.names)
    band = result.elution.band("beta-carotene")
    mine = profile[profile["pigment"] == "beta-carotene"]
    assert list(mine["tube"]) == list(result.elution.names)
    assert mine["mass_ug"].iloc[0] == band.masses[0].value
    bands = result.elution.bands_frame().set_index("pigment")
    assert bands.loc["beta-carotene", "centre_ml"] == band.centre.value
    assert np.isnan(bands["overlap"].iloc[0]) and bands["overlap"].iloc[1:].notna().all()
    pools = result.pooling.to_frame()
    assert list(pools["kind"]) == ["best"] * len(result.pooling.best) + ["trade-off"] * len(
        result.pooling.curve
    )
    for frame in (tubes, pigments, profile, bands, pools):
        assert frame.columns.is_unique
        assert not any(isinstance(value, (list, tuple, dict)) for value in frame.to_numpy().ravel())


def test_a_share_no_pool_reaches_has_an_empty_row(result):
    from dataclasses import replace

    none = replace(result.pooling, best=((0.98, None),))
    first = none.to_frame().iloc[0]
    assert first["wanted_share"] == 0.98 and first["tubes"] == "" and np.isnan(first["mass_ug"])
    assert "no pool reaches it" in none._repr_html_()


def test_figures_draw_on_the_axes_they_are_given_and_return_them(result):
    fit, ax = result.fractions[1].fit, lambda: Figure().subplots()
    given = {
        "plot_scan": (fit,),
        "plot_residual": (fit,),
        "plot_composition": (result.fractions[1],),
        "plot_balance": (result.balance,),
        "plot_elution": (result.elution,),
        "plot_pooling": (result.pooling,),
        "plot_reference": (load_references().cell("lutein", "ethanol"),),
    }
    names = {name for name, _ in inspect.getmembers(plots, inspect.isfunction)}
    assert {name for name in names if name.startswith("plot_")} - {"plot_fit"} == set(given)
    for name, arguments in given.items():
        axes = ax()
        assert getattr(plots, name)(*arguments, axes) is axes
        assert axes.get_xlabel()
    pair = Figure().subplots(2, 1)
    assert plots.plot_fit(fit, pair) == tuple(pair)
