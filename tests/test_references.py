"""The reference library: what it holds, what it refuses, and outside checks of its numbers.

Published values are read from the library's own tables, where each has its source and
says whether it was seen or is from memory; a value from memory alone is used here to check
that two parts of the library agree, never as proof that a third is right.
"""

from __future__ import annotations

import math
import re
import subprocess
import sys

import numpy as np
import pytest

from specfrac.errors import InputError, ReferenceNotFoundError
from specfrac.references import (
    PigmentReference,
    References,
    cell_text,
    coverage_rows,
    coverage_text,
    load_references,
    normalised,
    pigment_text,
    read_table,
)
from specfrac.references.shapes import Shape, shape_maxima

LEAF = (
    "beta-carotene", "lutein", "violaxanthin", "neoxanthin",
    "chlorophyll-a", "chlorophyll-b", "pheophytin-a", "pheophytin-b",
)  # fmt: skip
SOLVENTS = (
    "hexane", "petroleum-ether", "acetone", "acetone-90", "acetone-80", "diethyl-ether",
    "ethanol", "methanol", "hexane-acetone-90-10",
)  # fmt: skip
GRID = np.arange(150.0, 1300.0, 0.5)

LIBRARY = load_references()
CELLS = [
    LIBRARY.cell(pigment, solvent)
    for pigment in LIBRARY.pigments
    for solvent in LIBRARY.solvents
    if LIBRARY.has(pigment, solvent)
]
IDS = [f"{entry.pigment} in {entry.solvent}" for entry in CELLS]


def shape_of(entry: PigmentReference) -> Shape:
    return Shape(
        entry.centre, entry.height, entry.width, entry.region, entry.valid_from, entry.valid_to
    )


def absorptivity(row: dict[str, str]) -> float:
    """L/(g cm) of a row of absorptivities.csv."""
    factor = {"A1%1cm": 0.1, "L g-1 cm-1": 1.0}
    per = factor.get(row["unit"]) or 1 / LIBRARY.molar_mass(row["pigment"])
    return float(row["value"]) * per


# what it holds


def test_default_candidates_are_the_eight_leaf_pigments_in_every_solvent():
    assert set(LIBRARY.solvents) == set(SOLVENTS)
    assert len(LIBRARY.pigments) == 12
    for solvent in SOLVENTS:
        references = LIBRARY.select(solvent=solvent)
        assert references.pigments == LEAF
        assert references.solvent.key == solvent
        assert references.library_version == LIBRARY.version


def test_every_cell_has_a_grade_and_a_reason():
    rows = coverage_rows(LIBRARY)
    assert len(rows) == 12 * 9
    assert all(row["reason"] for row in rows)
    grades = [row["grade"] for row in rows]
    assert grades.count("measured") == 11
    assert grades.count("band model") == 8
    assert {row["pigment"] for row in rows if row["grade"] == "none"} == {"pheophorbide-a"}


@pytest.mark.parametrize("entry", CELLS, ids=IDS)
def test_shape_is_one_at_its_maximum_and_dies_out(entry):
    assert entry.shape([entry.main_maximum])[0] == pytest.approx(1.0, abs=1e-3)
    everywhere = entry.shape(GRID)
    assert np.isfinite(everywhere).all() and (everywhere >= 0).all()
    assert everywhere[-1] < 1e-12
    assert entry.valid_to == math.inf
    # 0.5 % of the maximum is what opens a range to the red (design of the library)
    red = 620.0 if "whole" in entry.region else 750.0
    assert entry.shape([red])[0] < 0.005
    # smooth enough for a Taylor series in the shift
    assert entry.width.min() >= 3.5
    assert entry.sources


@pytest.mark.parametrize("entry", CELLS, ids=IDS)
def test_grade_sets_errors_and_use(entry):
    chlorophyll_type = entry.group in ("chlorophyll", "pheophytin")
    if entry.grade == "estimate":
        assert not entry.for_mass and entry.scale_uncertainty == 0.20
    else:
        assert entry.for_mass and 0.01 <= entry.scale_uncertainty <= 0.13
    if entry.grade in ("adapted", "estimate"):
        low, high = (0.04, 0.04) if chlorophyll_type else (0.01, 0.02)
    else:
        # two files whose notes call them fair carry more: zeaxanthin, antheraxanthin in ethanol
        low, high = {"measured": (0.005, 0.015), "band model": (0.01, 0.01)}[entry.grade]
    assert low <= entry.shape_error <= high


def test_chlorophylls_in_hexane_are_not_for_mass():
    for solvent in ("hexane", "petroleum-ether", "hexane-acetone-90-10"):
        for pigment in LEAF[4:]:
            assert LIBRARY.cell(pigment, solvent).grade == "estimate"


def test_regions_split_chlorophyll_types_only():
    for entry in CELLS:
        if entry.group in ("chlorophyll", "pheophytin"):
            assert set(entry.region) == {"soret", "red"}
            red = np.array(entry.region) == "red"
            assert entry.centre[~red].max() < entry.centre[red].min()
        else:
            assert set(entry.region) == {"whole"}


# scale


@pytest.mark.parametrize("entry", CELLS, ids=IDS)
def test_scale_is_the_recommended_absorptivity_at_the_maximum_it_was_read_at(entry):
    recipes = {(r["pigment"], r["solvent"]): r for r in read_table("recipes.csv").rows}
    recipe = recipes[entry.pigment, entry.solvent]
    rows = [
        row
        for row in read_table("absorptivities.csv").rows
        if (row["pigment"], row["solvent"]) == (recipe["scale_pigment"], recipe["scale_solvent"])
        and row["recommended"] == "yes"
    ]
    value = np.mean([absorptivity(row) for row in rows])
    # another pigment of the same chromophore lends its molar value
    value *= LIBRARY.molar_mass(recipe["scale_pigment"]) / entry.molar_mass
    maxima = shape_maxima(shape_of(entry))
    at = maxima.second if "red" in entry.region else maxima.main
    assert entry.specific_absorptivity([at])[0] == pytest.approx(value, rel=5e-4)


def test_recommended_rows_have_an_uncertainty_a_reason_and_a_source():
    citations = {row["source"] for row in read_table("sources.csv").rows}
    for row in read_table("absorptivities.csv").rows:
        assert set(row["source"].split("|")) <= citations
        assert row["status"].split(" (")[0] in ("seen", "memory", "computed")
        if row["recommended"] == "yes":
            assert 0.01 <= float(row["u_relative"]) <= 0.08
            assert row["note"]


def test_transfer_uncertainty_covers_what_solvents_do_to_a_carotenoid():
    """5 % is added where a carotenoid's value is taken over from another solvent.

    The published values of one carotenoid in several solvents scatter by less.
    """
    carotenoids = [p for p in LIBRARY.pigments if "caro" in p or "xanth" in p or p == "lutein"]
    solvents = ("hexane", "petroleum-ether", "acetone", "ethanol", "diethyl-ether")
    deviations = []
    for pigment in carotenoids:
        values = [
            absorptivity(row)
            for row in read_table("absorptivities.csv").rows
            if row["pigment"] == pigment
            and row["recommended"] == "yes"
            and row["solvent"] in solvents
        ]
        if len(values) > 1:
            deviations += list(np.array(values) / np.mean(values) - 1)
    assert len(deviations) >= 12
    assert np.std(deviations, ddof=1) < 0.05
    assert np.abs(deviations).max() < 0.05


EQUATION_SETS = ("L87", "JH75")
# published values of chlorophyll b at 470 nm in ether, 36 to 57 L/(g cm), differ by 12 % of its
# maximum
SOURCES_DIFFER_IN_ETHER = 0.08


def test_flanks_agree_with_the_published_equations():
    """The equations hold absorptivities away from the maxima, which the fits never used.

    Only their heights beside the red maximum set the breadth of chlorophylls in ether and
    methanol; what they say at 470 nm was used nowhere.

    Lichtenthaler 1987 (acetone, 80 % acetone, ethanol and ether sets; the 80 % acetone and ethanol
    sets seen, others from memory) and Jeffrey & Humphrey 1975 (three-line set seen): inverses
    in absorptivities.csv. Differences count against the pigment's main maximum.
    """
    checked = 0
    for row in read_table("absorptivities.csv").rows:
        pigment, solvent = row["pigment"], row["solvent"]
        if row["kind"] != "equation" or row["source"] not in EQUATION_SETS:
            continue
        entry = LIBRARY.cell(pigment, solvent)
        here = float(entry.specific_absorptivity([float(row["wavelength_nm"])])[0])
        limit = SOURCES_DIFFER_IN_ETHER if solvent == "diethyl-ether" else 0.045
        assert abs(here - absorptivity(row)) < limit * entry.scale, row
        checked += 1
    assert checked >= 30


# positions


def test_maxima_lie_within_2_5_nm_of_the_published_ones():
    """No exception is needed: published band III of violaxanthin in petroleum ether, 465 nm,
    is not among the targets, for the reason in maxima.csv."""
    checked = 0
    for entry in CELLS:
        chlorophyll_type = "red" in entry.region
        found = shape_maxima(shape_of(entry))
        bands = ("Soret", "Qy") if chlorophyll_type else ("II", "III")
        for row in read_table("maxima.csv").rows:
            if (row["pigment"], row["solvent"], row["target"]) != (
                entry.pigment, entry.solvent, "yes",
            ) or row["band"] not in bands:  # fmt: skip
                continue
            here = (found.main, found.second)[bands.index(row["band"])]
            assert abs(here - float(row["wavelength_nm"])) <= 2.5, row
            checked += 1
    assert checked >= 50


def test_minor_maxima_of_pheophytin_lie_where_published():
    # pheophytin a in acetone 505, 536, 608 nm and b 527, 599 nm (from memory, UNESCO 1997)
    for row in read_table("maxima.csv").rows:
        if row["pigment"].startswith("pheophytin") and row["solvent"] == "acetone":
            entry = LIBRARY.cell(row["pigment"], "acetone")
            expected = float(row["wavelength_nm"])
            near = np.arange(expected - 8, expected + 8, 0.1)
            y = entry.shape(near)
            peak = near[np.argmax(y)]
            assert near[0] < peak < near[-1]
            assert abs(peak - expected) <= 2.5, row


def test_published_soret_to_red_ratios_in_ether():
    # Smith & Benitez 1955, Strain et al. 1963, from memory: 1.29, 2.83, 2.07, 5.12
    for row in read_table("maxima.csv").rows:
        if row["band"] == "Soret/Qy":
            found = shape_maxima(shape_of(LIBRARY.cell(row["pigment"], row["solvent"])))
            assert found.ratio == pytest.approx(float(row["ratio_value"]), rel=0.005)


def test_every_reason_for_not_using_a_published_maximum_is_given():
    for row in read_table("maxima.csv").rows:
        if row["pigment"] == "violaxanthin" and row["wavelength_nm"] == "465":
            assert row["target"] == "no" and "spacing" in row["note"]
            return
    pytest.fail("the listed exception is gone from maxima.csv")


# facts


def test_molar_masses_follow_from_the_formulas():
    # IUPAC conventional atomic weights (2021), Mg 24.305
    weights = {"C": 12.011, "H": 1.008, "N": 14.007, "O": 15.999, "Mg": 24.305}
    for key in LIBRARY.pigments:
        pigment = LIBRARY.pigment(key)
        parts = re.findall(r"(Mg|[CHNO])(\d*)", pigment.formula)
        assert pigment.molar_mass == pytest.approx(
            sum(weights[element] * int(n or 1) for element, n in parts), abs=0.001
        )


def test_pheophytin_is_chlorophyll_less_magnesium_plus_two_hydrogen():
    for letter in "ab":
        lost = LIBRARY.molar_mass(f"chlorophyll-{letter}") - LIBRARY.molar_mass(
            f"pheophytin-{letter}"
        )
        assert lost == pytest.approx(24.305 - 2 * 1.008, abs=0.002)


# names


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("n-hexane", "hexane"), ("Hexane ", "hexane"), ("90 % acetone", "acetone-90"),
        ("acetone 90%", "acetone-90"), ("EtOH", "ethanol"), ("ether", "diethyl-ether"),
        ("light petroleum", "petroleum-ether"), ("hexane/acetone 9:1", "hexane-acetone-90-10"),
    ],
)  # fmt: skip
def test_solvents_answer_to_other_names(name, key):
    assert LIBRARY.solvent(name).key == key


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("β-carotene", "beta-carotene"), ("Chl a", "chlorophyll-a"),
        ("phaeophytin a", "pheophytin-a"), ("LUTEIN", "lutein"),
        ("9'-cis-neoxanthin", "neoxanthin"),
    ],
)  # fmt: skip
def test_pigments_answer_to_other_names(name, key):
    assert LIBRARY.pigment(name).key == key


def test_names_are_never_claimed_twice():
    for find, keys in ((LIBRARY.solvent, LIBRARY.solvents), (LIBRARY.pigment, LIBRARY.pigments)):
        names = [(normalised(n), key) for key in keys for n in (key, *find(key).aliases)]
        assert len({name for name, _ in names}) == len({*names})


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: LIBRARY.select(solvent="hexan"), "'hexan' is not known. Did you mean 'hexane'"),
        (lambda: LIBRARY.cell("luten", "hexane"), "'luten' is not known. Did you mean 'lutein'"),
        (
            lambda: LIBRARY.select(solvent="hexane", pigments=["pheophorbide-a"]),
            "no reference for pheophorbide-a in hexane .*known in acetone.*standard of your own",
        ),
        (
            lambda: LIBRARY.select(solvent="hexane").entry("zeaxanthin"),
            "'zeaxanthin' is not among these references",
        ),
    ],
)  # fmt: skip
def test_missing_references_name_what_there_is(call, message):
    with pytest.raises(ReferenceNotFoundError, match=message):
        call()


def test_select_refuses_repeats_and_bare_text():
    with pytest.raises(InputError, match="lutein given twice"):
        LIBRARY.select(solvent="hexane", pigments=["lutein", "Lutein"])
    with pytest.raises(InputError, match="give a list of names"):
        LIBRARY.select(solvent="hexane", pigments="lutein")
    with pytest.raises(InputError, match="at least one pigment"):
        LIBRARY.select(solvent="hexane", pigments=[])


# one reference


def one_band(**change) -> PigmentReference:
    values = {
        "pigment": "x", "solvent": "hexane", "group": "carotene", "molar_mass": 500.0,
        "centre": [450.0], "height": [1.0], "width": [10.0], "region": ("whole",),
        "scale": 250.0, "scale_uncertainty": 0.02, "valid_from": 340.0, "valid_to": math.inf,
        "bandwidth": 2.0, "grade": "measured", "shape_error": 0.005, "for_mass": True,
        "reason": "made here", "sources": (),
    }  # fmt: skip
    return PigmentReference(**{**values, **change})


def test_absorptivity_is_scale_times_shape():
    references = References(LIBRARY.solvent("hexane"), (one_band(),), "test")
    at = np.array([450.0, 460.0])
    expected = 250.0 * np.array([1.0, math.exp(-0.5)])
    np.testing.assert_allclose(references.specific_absorptivity("x", at), expected)
    assert references.molar_mass("x") == 500.0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"width": [0.0]}, "band width 0 nm must be above 0"),
        ({"centre": [math.nan]}, "centre or height is not finite"),
        ({"height": [1.0, 2.0]}, "equally long"),
        ({"scale": 0.0}, "scale is 0"),
        ({"scale_uncertainty": math.nan}, "scale_uncertainty is nan"),
        ({"shape_error": 1.5}, r"shape_error is 1.5, but must be in 0 to 1"),
        ({"grade": "none"}, "grade 'none' is not known"),
        ({"group": "carotin"}, "group 'carotin' is not known. Did you mean 'carotene'"),
        ({"region": ("blue",)}, "region 'blue' is not known"),
        ({"valid_from": 700.0, "valid_to": 600.0}, "from 700 to 600 nm is an empty range"),
    ],
)
def test_a_reference_that_cannot_be_right_raises(change, message):
    with pytest.raises(InputError, match=message):
        one_band(**change)


def test_arrays_are_copied_and_read_only():
    centre = np.array([450.0])
    entry = one_band(centre=centre)
    centre[0] = 1.0
    assert entry.centre[0] == 450.0
    with pytest.raises(ValueError, match="read-only"):
        entry.centre[0] = 2.0


# text


def test_texts_tell_grade_scale_and_sources():
    assert "chlorophyll-a  adapted     measured" in coverage_text(LIBRARY)
    assert "u 2.0 %" in pigment_text(LIBRARY, "lutein")
    assert "free acid" in pigment_text(LIBRARY, "pheophorbide-a")
    none = cell_text(LIBRARY, "pheophorbide a", "hexane")
    assert none.startswith("pheophorbide a in hexane: none\n  a free acid")
    text = cell_text(LIBRARY, "Chl a", "90 % acetone")
    for part in ("measured", "87.67 L g-1 cm-1", "Clementson", "Jeffrey", "bandwidth 2 nm"):
        assert part in text


def test_library_needs_no_heavy_module():
    code = (
        "import sys, specfrac.references as r\n"
        "r.load_references().select(solvent='hexane')\n"
        "print(','.join({'scipy', 'pandas', 'lmfit', 'matplotlib'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""
