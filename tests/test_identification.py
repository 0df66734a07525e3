"""Identification: published maxima, simulated scans, measured spectra, and words."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from specfrac import ReferenceNotFoundError, Scan, fit_mixture, load_references
from specfrac.bands import gaussian_bands
from specfrac.identification import (
    AGREES,
    CANNOT_TELL,
    CONTRADICTED,
    NO_CANDIDATE,
    check_solvent,
    expected_bands,
    identify,
    judge,
    solvent_verdict,
)
from specfrac.identification_limits import limits
from specfrac.references.tables import read_table
from specfrac.simulate import BAND_GROUPS, simulate_scan
from specfrac.solvent_evidence import each_alone, in_each_solvent, weigh

WAVELENGTH = np.arange(350.0, 751.0)
GREEN = {
    "beta-carotene": 0.10,
    "lutein": 0.13,
    "violaxanthin": 0.05,
    "neoxanthin": 0.03,
    "chlorophyll-a": 1.0,
    "chlorophyll-b": 0.35,
}


@pytest.fixture(scope="module")
def library():
    return load_references()


def tube(library, solvent, shares, seed, *, peak=0.2, errors=True, **options):
    """A scan with the errors of the measurement model, at a peak absorbance."""
    references = library.select(solvent=solvent, pigments=options.pop("pigments", None))
    rng = np.random.default_rng(seed)
    total = sum(
        share * references.specific_absorptivity(pigment, WAVELENGTH[50:])
        for pigment, share in shares.items()
    )
    settings = {"wavelength": WAVELENGTH, "noise": 1e-3, "rng": rng}
    if errors:
        common = rng.normal(0.0, 1.0)
        spread = references.solvent.shift_prior_nm
        settings |= {
            "group_shifts": {group: common + rng.normal(0.0, spread) for group in BAND_GROUPS},
            "offset": rng.normal(0.0, 0.003),
            "scatter": abs(rng.normal(0.0, 0.003)),
            "shape_error_scale": 1.0,
            "transmittance_noise": 3e-4,
        }
    return simulate_scan(
        references,
        {pigment: share * peak / total.max() for pigment, share in shares.items()},
        **(settings | options),
    )


# Bands of the references


@pytest.mark.parametrize(
    "pigment, solvent, published",
    [
        # Landrum & Bone 2001 / unit F4.3 of Current Protocols, seen: chlorophylls in ether
        ("chlorophyll-a", "diethyl-ether", (428.0, 661.0)),
        ("chlorophyll-b", "diethyl-ether", (453.0, 642.0)),
        # encyclopedia copy of Jeffrey & Humphrey's class of data, seen
        ("chlorophyll-a", "acetone-90", (430.0, 664.0)),
        ("chlorophyll-b", "acetone-90", (460.0, 647.0)),
    ],
)
def test_bands_of_a_reference_lie_where_they_are_published(library, pigment, solvent, published):
    places = [
        band.wavelength
        for band in expected_bands(library.cell(pigment, solvent))
        if band.kind == "maximum"
    ]
    for place in published:
        # published to 1 nm; the library's own tolerance to published maxima is 2.5 nm
        assert min(abs(place - found) for found in places) < 2.5


# The wrong solvent


@pytest.mark.parametrize("true, declared", [("acetone", "ethanol"), ("ethanol", "acetone")])
def test_chlorophyll_b_in_the_wrong_solvent_is_found(library, true, declared):
    references = library.select(solvent=declared)
    found = []
    for seed in range(20):
        scan = tube(library, true, {"chlorophyll-b": 1.0}, seed)
        flags = check_solvent(scan, fit_mixture(scan, references), library)
        found.append([flag.code for flag in flags] == ["solvent-contradicted"])
    assert np.mean(found) >= 0.95


def test_a_green_wash_in_the_wrong_solvent_is_found(library):
    scan = tube(library, "ethanol", GREEN, 1)
    (flag,) = check_solvent(scan, fit_mixture(scan, library.select(solvent="acetone-90")), library)
    assert flag.severity == "warn"
    assert "the bands contradict acetone-90" in flag.message
    assert "ethanol describes the scan better" in flag.message


@pytest.mark.parametrize("solvent", ["acetone", "acetone-80", "ethanol", "hexane", "methanol"])
def test_the_right_solvent_is_not_doubted(library, solvent):
    references = library.select(solvent=solvent)
    for seed, shares in enumerate([GREEN, {"beta-carotene": 1.0}, {"chlorophyll-b": 1.0}]):
        scan = tube(library, solvent, shares, 10 + seed)
        assert check_solvent(scan, fit_mixture(scan, references), library) == ()


@pytest.mark.parametrize(
    "pigment, true, declared",
    [
        ("lutein", "acetone", "ethanol"),  # 1.4 nm in the library
        ("chlorophyll-a", "acetone", "acetone-90"),  # 1.0 and 1.4 nm
        ("violaxanthin", "ethanol", "acetone"),  # 1.3 nm
        ("lutein", "ethanol", "hexane"),  # 1.0 nm
        ("beta-carotene", "hexane", "petroleum-ether"),  # alike
    ],
)
def test_a_shift_of_one_or_two_nanometres_cannot_be_told(library, pigment, true, declared):
    for seed in range(3):
        scan = tube(library, true, {pigment: 1.0}, seed, peak=0.5)
        fit = fit_mixture(scan, library.select(solvent=declared))
        verdict = solvent_verdict(scan, fit, library)
        assert verdict.verdict == CANNOT_TELL
        assert true in verdict.as_well or verdict.best == true


def test_a_pigment_that_is_no_candidate_does_not_speak_against_the_solvent(library):
    scan = tube(
        library, "acetone", {"alpha-carotene": 1.0}, 3, pigments=["alpha-carotene"], peak=0.5
    )
    fit = fit_mixture(scan, library.select(solvent="acetone"))
    assert check_solvent(scan, fit, library) == ()


def test_something_else_in_the_tube_contradicts_nothing(library):
    clean = tube(library, "acetone", GREEN, 4, peak=0.5)
    foreign = gaussian_bands(WAVELENGTH, [540.0], [0.2], [25.0])
    scan = replace(clean, absorbance=clean.absorbance + foreign)
    fit = fit_mixture(scan, library.select(solvent="acetone"))
    assert check_solvent(scan, fit, library) == ()


def test_a_fit_that_failed_is_judged_by_the_scan(library):
    scan = tube(library, "acetone", {"chlorophyll-b": 1.0}, 5)
    fit = fit_mixture(scan, library.select(solvent="ethanol"))
    (flag,) = check_solvent(scan, replace(fit, success=False), library)
    assert flag.code == "solvent-contradicted"


def test_one_solvent_alone_cannot_be_compared(library):
    scan = tube(library, "acetone", GREEN, 5)
    fit = fit_mixture(scan, library.select(solvent="acetone"))
    alone = replace(
        library,
        _cells={pair: cell for pair, cell in library._cells.items() if pair[1] == "acetone"},
    )
    verdict = solvent_verdict(scan, fit, alone)
    assert verdict.verdict == CANNOT_TELL
    assert verdict.reason == "no other solvent to compare with."
    assert check_solvent(scan, fit, alone) == ()


# From a scan alone


def test_a_scan_without_solvent_is_identified(library):
    found = identify(tube(library, "ethanol", {"chlorophyll-b": 1.0}, 7, peak=0.5), library)
    assert found.solvent.verdict == AGREES
    assert found.candidates[0].solvent == "ethanol"
    assert "chlorophyll-b" in found.lines()[-2]
    assert (found.alone[0].pigment, found.alone[0].solvent) == ("chlorophyll-b", "ethanol")
    strongest = max(found.bands, key=lambda one: one.band.curvature)
    assert strongest.pigments[0] == "chlorophyll-b"
    assert strongest.expected[0] == pytest.approx(strongest.band.wavelength, abs=1.0)


def test_a_mixture_is_no_pigment_alone(library):
    found = identify(tube(library, "acetone", GREEN, 8, peak=0.8), library)
    assert found.alone == ()
    assert found.candidates[0].solvent in ("acetone", "hexane-acetone-90-10")
    fit = found.candidates[0].fit
    named = [pigment for pigment, seen in zip(fit.pigments, fit.detected, strict=True) if seen]
    assert {"chlorophyll-a", "chlorophyll-b"} <= set(named)


def test_a_pigment_outside_the_leaf_eight_is_named(library):
    scan = tube(
        library, "acetone", {"alpha-carotene": 1.0}, 9, pigments=["alpha-carotene"], peak=0.5
    )
    found = identify(scan, library, declared="acetone")
    assert found.alone[0].pigment == "alpha-carotene"
    assert found.solvent.verdict != CONTRADICTED


def test_a_declared_solvent_is_weighed(library):
    scan = tube(library, "acetone", GREEN, 10, peak=0.5)
    found = identify(scan, library, declared="96 % ethanol")
    assert found.solvent.verdict == CONTRADICTED
    assert found.solvent.declared == "ethanol"
    assert [flag.code for flag in found.flags] == ["solvent-contradicted"]
    assert "chlorophyll-b" in found.solvent.reason
    assert "ethanol" not in [candidate.solvent for candidate in found.candidates]
    open_one = identify(scan, library, declared="acetone")
    assert open_one.solvent.verdict in (AGREES, CANNOT_TELL)


@pytest.mark.parametrize(
    "centre, width", [(520.0, 30.0), (560.0, 15.0), (620.0, 25.0), (430.0, 20.0)]
)
def test_a_foreign_dye_has_no_candidate(library, centre, width):
    rng = np.random.default_rng(11)
    values = gaussian_bands(WAVELENGTH, [centre], [0.5], [width])
    scan = Scan("dye", WAVELENGTH, values + rng.normal(0.0, 1e-3, WAVELENGTH.size))
    found = identify(scan, library)
    assert found.solvent.verdict == NO_CANDIDATE
    assert found.candidates == ()
    assert [flag.code for flag in found.flags] == ["no-candidate"]
    assert found.bands[0].band.wavelength == pytest.approx(centre, abs=2.0)
    assert found.bands[0].pigments == ()


def test_bands_far_from_every_reference_have_no_candidate(library):
    shape = library.cell("beta-carotene", "acetone").shape(WAVELENGTH - 15.0)
    rng = np.random.default_rng(12)
    scan = Scan("red", WAVELENGTH, 0.5 * shape + rng.normal(0.0, 1e-3, WAVELENGTH.size))
    found = identify(scan, library)
    assert found.solvent.verdict == NO_CANDIDATE
    assert "further from those of every solvent" in found.solvent.reason


@pytest.mark.parametrize("kind", ["blank", "scatter"])
def test_a_scan_without_bands_has_no_candidate(library, kind):
    rng = np.random.default_rng(13)
    smooth = 0.1 * (500.0 / WAVELENGTH) ** 3 if kind == "scatter" else 0.0
    scan = Scan(kind, WAVELENGTH, smooth + rng.normal(0.0, 1e-3, WAVELENGTH.size))
    found = identify(scan, library)
    assert found.solvent.verdict == NO_CANDIDATE
    assert found.solvent.reason == "no band stands out."
    assert found.lines()[0] == "no bands stand out"


def test_a_scan_too_short_has_no_candidate(library):
    scan = tube(library, "acetone", GREEN, 14, wavelength=np.arange(600.0, 620.0))
    found = identify(scan, library)
    assert found.solvent.verdict == NO_CANDIDATE
    assert "too few readings" in found.solvent.reason


def test_an_unknown_solvent_is_named_with_its_nearest(library):
    with pytest.raises(ReferenceNotFoundError, match=r"'ethanl' is not known\. Did you mean"):
        identify(tube(library, "acetone", GREEN, 15), library, declared="ethanl")


def test_the_record_is_plain_and_holds_no_amount(library):
    record = identify(tube(library, "acetone", GREEN, 16), library, declared="acetone")
    text = json.dumps(record.as_dict())
    assert "concentration" not in text
    assert {"bands", "candidates", "verdict", "fits_as_well"} <= set(json.loads(text))


# Weighing


def test_all_solvents_are_judged_with_the_same_errors(library):
    """A shape moved from another solvent does not lose to the one it came from."""
    # chlorophyll b in acetone is the measured shape of 90 % acetone, moved by 2.9 nm
    scan = tube(library, "acetone", {"chlorophyll-b": 1.0}, 17, errors=False, peak=0.5)
    evidence = weigh(scan, in_each_solvent(library))
    names = [hypothesis.solvent for hypothesis in evidence.hypotheses]
    above = dict(zip(names, evidence.above_best, strict=True))
    assert above["acetone"] < 2.0
    assert above["acetone-90"] > above["acetone"]


def test_shifts_and_amplitudes_of_the_right_solvent_are_those_of_the_scan(library):
    scan = tube(
        library,
        "ethanol",
        {"chlorophyll-b": 1.0},
        18,
        errors=False,
        noise=1e-4,
        shift=1.2,
        peak=0.5,
    )
    evidence = weigh(scan, in_each_solvent(library, ["chlorophyll-b"]))
    row = evidence.best
    assert evidence.hypotheses[row].solvent == "ethanol"
    # the prior of 1 nm pulls a little, since the band shapes count as uncertain by 4 %
    assert evidence.shifts[row, 2:] == pytest.approx([1.2, 1.2], abs=0.1)
    assert evidence.amplitudes[row] == pytest.approx([0.5], rel=0.01)
    assert evidence.misfit < 1.0


def test_weighing_does_not_depend_on_the_company(library):
    scan = tube(library, "acetone", {"beta-carotene": 1.0}, 19)
    every = each_alone(library)
    together = weigh(scan, every)
    few = [h for h in every if h.pigments == ("beta-carotene",)]
    low = max(h.low for h in every)
    apart = weigh(scan, few, low=low, deviation=together.deviation)
    rows = [row for row, h in enumerate(every) if h.pigments == ("beta-carotene",)]
    difference = together.deviance[rows] - apart.deviance
    # a hypothesis far behind is not followed to its very end
    assert difference == pytest.approx(np.zeros(len(rows)), abs=0.3)


def test_too_few_readings_give_no_evidence(library):
    scan = Scan("few", WAVELENGTH[:30], np.full(30, 0.1))
    evidence = weigh(scan, in_each_solvent(library))
    assert evidence.n_cells == 0
    assert np.isnan(evidence.above_best).all()
    verdict = judge(evidence, "acetone")
    assert verdict.verdict == CANNOT_TELL
    assert "too few readings" in verdict.reason


def test_every_limit_has_value_unit_and_source():
    import tomllib
    from importlib.resources import files

    text = (files("specfrac.reference_spectra") / "identification.toml").read_text("utf-8")
    for name, entry in tomllib.loads(text).items():
        assert set(entry) == {"value", "unit", "source"}, name
        assert entry["source"], name
        assert limits()[name] == entry["value"]


def test_limit_of_the_shift_lies_above_what_solvents_alike_differ_by():
    """Solvents whose published maxima differ by 1 nm must stay "cannot tell"."""
    rows = read_table("maxima.csv").rows
    place = {
        (row["pigment"], row["solvent"], row["band"]): float(row["wavelength_nm"])
        for row in rows
        if row["wavelength_nm"] and row["target"] == "yes"
    }
    # published maxima of lutein in ethanol and petroleum ether (handbooks, from memory)
    for band in ("II", "III"):
        shift = place["lutein", "ethanol", band] - place["lutein", "petroleum-ether", band]
        assert abs(shift) < limits()["least_solvent_shift"]


# Measured spectra (not part of the project)

SPECTRA = os.environ.get("SPECFRAC_SPECTRA")
SOLVENT_OF = {"acetone": "acetone", "acetone90": "acetone-90", "ethanol": "ethanol"}


def measured_files():
    return sorted(Path(SPECTRA).glob("*__*__*.csv")) if SPECTRA else []


@pytest.mark.skipif(not SPECTRA, reason="SPECFRAC_SPECTRA names no folder of measured spectra")
@pytest.mark.parametrize("path", measured_files(), ids=lambda path: path.stem)
def test_measured_spectra_do_not_contradict_their_solvent(library, path):
    pigment, solvent = path.stem.split("__")[:2]
    lines = [line for line in path.read_text("utf-8").splitlines() if line[:1].isdigit()]
    wavelength, values = np.array([[float(x) for x in row.split(",")[:2]] for row in lines]).T
    red = (wavelength > 730) & (wavelength < 750) if "ph" in pigment else wavelength > 600
    values = values - (values[red].mean() if red.any() else 0.0)
    rng = np.random.default_rng(20)
    scan = Scan(
        path.stem, wavelength, 0.5 * values / values.max() + rng.normal(0, 5e-4, values.size)
    )
    declared = SOLVENT_OF[solvent]
    found = identify(scan, library, declared=declared)
    assert found.solvent.verdict in (AGREES, CANNOT_TELL)
    assert found.alone, "a pure pigment is not recognised as one"
    twins = {"zeaxanthin": {"beta-carotene"}, "pheophorbide-a": {"pheophytin-a"}}
    assert found.alone[0].pigment in {pigment} | twins.get(pigment, set())
    assert check_solvent(scan, fit_mixture(scan, library.select(solvent=declared)), library) == ()


@pytest.mark.skipif(not SPECTRA, reason="SPECFRAC_SPECTRA names no folder of measured spectra")
@pytest.mark.parametrize(
    "stem, declared",
    [
        ("chlorophyll-b__acetone90__clementson2019", "ethanol"),
        ("chlorophyll-b__ethanol__thrane2015-gauss", "acetone-90"),
        ("chlorophyll-a__acetone90__clementson2019", "ethanol"),
    ],
)
def test_measured_chlorophylls_contradict_the_wrong_solvent(library, stem, declared):
    lines = (Path(SPECTRA) / f"{stem}.csv").read_text("utf-8").splitlines()
    wavelength, values = np.array(
        [[float(x) for x in line.split(",")[:2]] for line in lines if line[:1].isdigit()]
    ).T
    tail = (wavelength > 730) & (wavelength < 750)
    values = values - (values[tail].mean() if tail.any() else 0.0)
    rng = np.random.default_rng(21)
    # peak absorbance 0.2, the weakest tube the check is asked to judge
    values = 0.2 * values / values.max() + rng.normal(0.0, 1e-3, values.size)
    scan = Scan(stem, wavelength, values)
    flags = check_solvent(scan, fit_mixture(scan, library.select(solvent=declared)), library)
    assert [flag.code for flag in flags] == ["solvent-contradicted"]
