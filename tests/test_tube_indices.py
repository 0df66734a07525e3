"""Indices of a tube: which scan and pigment speak for it, and the scan after acid.

Contents are invented; scans come from `specfrac.simulate`, which is written apart from the
fit and from the indices.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from specfrac.fitting import fit_mixture, fit_tube
from specfrac.indices import (
    ABOVE,
    AS_CLEAN,
    BELOW,
    CANNOT_TELL,
    clean_value,
    main_pigment,
    readable,
)
from specfrac.references import load_references
from specfrac.report.indices import indices_block
from specfrac.scans import Scan
from specfrac.sheet import Fraction
from specfrac.sheet.reading import TubeScan
from specfrac.simulate import simulate_scan
from specfrac.tube_indices import clearest_scan, tube_indices
from specfrac.uncertainty import Quantity, rounded

LIBRARY = load_references()
WAVELENGTH = np.arange(330.0, 781.0)
ONE_CM = Quantity(1.0, 0.003, "cm")


def scan(solvent, grams, *, seed=1, **options):
    references = LIBRARY.select(solvent=solvent)
    return simulate_scan(
        references, grams, wavelength=WAVELENGTH, noise=3e-4, bandwidth=2.0, rng=seed, **options
    )


def tube_scan(own, *, dilution=1.0, u_dilution=0.0, path=ONE_CM):
    return TubeScan(own.name, own.name, own, Quantity(dilution, u_dilution, ""), path)


def tube(solvent, *scans, after_acid=None):
    return Fraction(
        "tube", "cut", scans, solvent, ONE_CM, 2.0, None, None, None, None, None,
        after_acid=after_acid,
    )  # fmt: skip


def found(solvent, own, *, after_acid=None):
    fit = fit_mixture(own, LIBRARY.select(solvent=solvent), bandwidth=2.0)
    given = tube(solvent, tube_scan(own), after_acid=after_acid)
    return {one.key: one for one in tube_indices(given, fit, LIBRARY)}


def acidified(grams, thinner=1.0):
    """The same amount of substance as pheophytin a (893.49 and 871.20 g/mol)."""
    return {"pheophytin-a": grams * 871.20 / 893.49 / thinner}


# Which scan and pigment


def test_clean_pigment_reads_as_clean():
    for solvent, pigment in (("hexane", "beta-carotene"), ("acetone-90", "chlorophyll-a")):
        grams = 0.6 / LIBRARY.cell(pigment, solvent).scale
        rows = found(solvent, scan(solvent, {pigment: grams}))
        assert {one.clean.pigment for one in rows.values()} == {pigment}
        assert {one.verdict for one in rows.values()} <= {AS_CLEAN, CANNOT_TELL}, rows
        assert AS_CLEAN in {one.verdict for one in rows.values()}


def test_carry_over_of_two_per_cent_chlorophyll_raises_the_red_reading():
    # 1 % by mass adds about 0.004 (computed from the library, see indices.csv)
    grams = 0.8 / LIBRARY.cell("beta-carotene", "hexane").scale
    rows = found("hexane", scan("hexane", {"beta-carotene": grams, "chlorophyll-a": 0.02 * grams}))
    assert rows["carry-over"].verdict == ABOVE
    assert rows["carry-over"].reading.value == pytest.approx(0.008, abs=0.002)
    assert "carried over" in rows["carry-over"].reason


def test_main_pigment_has_the_highest_band_not_the_largest_mass():
    # 1 mg/L of beta-carotene stands 2.9 times as high as 1 mg/L of pheophytin a
    own = scan("acetone-90", {"beta-carotene": 2e-3, "pheophytin-a": 3e-3})
    fit = fit_mixture(own, LIBRARY.select(solvent="acetone-90"))
    assert fit.pigments[int(np.argmax(fit.concentration))] == "pheophytin-a"
    assert main_pigment(fit) == "beta-carotene"


def test_no_pigment_and_no_fit_have_no_index():
    rng = np.random.default_rng(3)
    empty = Scan("empty", WAVELENGTH, rng.normal(0.0, 1e-3, WAVELENGTH.size))
    fit = fit_mixture(empty, LIBRARY.select(solvent="hexane"))
    assert main_pigment(fit) is None
    assert tube_indices(tube("hexane", tube_scan(empty)), fit, LIBRARY) == ()


def test_the_clearest_scan_is_the_strongest_that_can_be_read():
    strong = scan("acetone-90", {"chlorophyll-a": 40e-3}, seed=4)  # above A 2 in the Soret band
    mild = scan("acetone-90", {"chlorophyll-a": 10e-3}, seed=5)
    weak = scan("acetone-90", {"chlorophyll-a": 2e-3}, seed=6)
    fit = fit_tube(
        [strong, weak, mild],
        LIBRARY.select(solvent="acetone-90"),
        dilution_factors=[1.0, 20.0, 4.0],
    )
    assert clearest_scan(fit) == 2


def test_a_maximum_too_high_to_be_used_is_not_read():
    """The shoulders left over beside it must not pass for the Soret maximum."""
    own = scan("acetone-90", {"chlorophyll-a": 30e-3})
    fit = fit_mixture(own, LIBRARY.select(solvent="acetone-90"), bandwidth=2.0)
    assert own.absorbance.max() > 2.5
    assert np.isnan(readable(fit, 0).absorbance).sum() > 5
    assert not np.isnan(own.absorbance).any()
    rows = found("acetone-90", own)
    assert math.isnan(rows["soret-red"].reading.value)
    assert rows["soret-red"].verdict == CANNOT_TELL
    assert "cannot be read" in rows["soret-red"].reason


# After acid


def test_acid_tells_chlorophyll_from_pheophytin():
    # Lorenzen 1967 gives 1.7 for chlorophyll a in 90 % acetone (from memory); the clean value
    # of the library is its own. A tube of pheophytin stays as it is: 1.0.
    own = scan("acetone-90", {"chlorophyll-a": 7e-3}, seed=7)
    after = scan("acetone-90", acidified(7e-3), seed=8)
    row = found("acetone-90", own, after_acid=tube_scan(after))["acid-ratio"]
    assert row.verdict in (AS_CLEAN, CANNOT_TELL)
    assert row.reading.value == pytest.approx(1.7, abs=0.1)
    grey = scan("acetone-90", acidified(7e-3), seed=9)
    row = found("acetone-90", grey, after_acid=tube_scan(after))["acid-ratio"]
    assert row.clean.pigment == "pheophytin-a"
    assert row.reading.value == pytest.approx(1.0, abs=0.03)


def test_a_third_of_pheophytin_lowers_the_acid_ratio():
    own = scan("acetone-90", {"chlorophyll-a": 5.4e-3, **acidified(2.6e-3)}, seed=10)
    after = scan("acetone-90", acidified(8e-3), seed=11)
    row = found("acetone-90", own, after_acid=tube_scan(after))["acid-ratio"]
    assert row.clean.pigment == "chlorophyll-a"
    assert row.verdict == BELOW
    assert "pheophytin" in row.reason


def test_dilution_and_path_after_acid_are_taken_out_with_their_error():
    own = scan("acetone-90", {"chlorophyll-a": 7e-3}, seed=12)
    plain = scan("acetone-90", acidified(7e-3), seed=13)
    thinner = scan("acetone-90", acidified(7e-3, thinner=1.1), seed=13)
    straight = found("acetone-90", own, after_acid=tube_scan(plain))["acid-ratio"].reading
    diluted = found(
        "acetone-90", own, after_acid=tube_scan(thinner, dilution=1.1, u_dilution=0.011)
    )["acid-ratio"].reading
    assert diluted.value == pytest.approx(straight.value, rel=0.004)
    extra = math.sqrt(diluted.uncertainty**2 - straight.uncertainty**2) / diluted.value
    assert extra == pytest.approx(0.01, abs=0.002)
    half = scan("acetone-90", acidified(7e-3, thinner=2.0), seed=13)
    short = tube_scan(half, path=Quantity(0.5, 0.0015, "cm"))
    short = found("acetone-90", own, after_acid=short)["acid-ratio"].reading
    assert short.value == pytest.approx(straight.value, rel=0.008)


def test_without_a_scan_after_acid_there_is_no_such_index():
    assert "acid-ratio" not in found("acetone-90", scan("acetone-90", {"chlorophyll-a": 7e-3}))


# In the report


class Tube:
    """What the block of the report reads of a tube."""

    def __init__(self, fit, indices):
        self.fit, self.indices = fit, indices


def test_the_report_has_a_row_an_index_with_reading_clean_value_and_source():
    own = scan("acetone-90", {"chlorophyll-a": 5e-3, "chlorophyll-b": 2e-3})
    fit = fit_mixture(own, LIBRARY.select(solvent="acetone-90"), bandwidth=2.0)
    rows = tube_indices(tube("acetone-90", tube_scan(own)), fit, LIBRARY)
    block = indices_block(Tube(fit, rows))
    assert block.count("<tr>") == len(rows) + 1
    clean = clean_value("soret-red", "chlorophyll-a", "acetone-90", LIBRARY, bandwidth=2.0)
    assert rounded(clean.value, clean.uncertainty).replace(" ± ", "\u00a0±\u00a0") in block
    assert "clean chlorophyll a in acetone with 10 % water" in block
    assert "Smith J.H.C." in block and "above" in block and "measured" in block
    assert "nan ±" not in block and ">nan" not in block


def test_a_tube_without_indices_has_no_block():
    assert indices_block(Tube(None, ())) is None


def test_an_index_is_plain_data_and_a_line():
    rows = found("hexane", scan("hexane", {"beta-carotene": 2e-3}))
    record = rows["fine-structure"].as_dict()
    assert (record["pigment"], record["index"]) == ("beta-carotene", "fine-structure")
    assert record["value"] == rows["fine-structure"].reading.value
    line = rows["fine-structure"].line()
    assert line.startswith("%III/II ") and "clean beta-carotene" in line
