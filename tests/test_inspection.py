"""One scan file inspected: with its solvent, without, and with a wrong one.

Contents are invented; scans come from `specfrac.simulate`.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from specfrac.inspection import inspect_reading, inspection_json, inspection_text
from specfrac.loading import describe
from specfrac.references import load_references
from specfrac.simulate import simulate_scan

LIBRARY = load_references()
WAVELENGTH = np.arange(350.0, 761.0)
GREEN = {"chlorophyll-a": 4e-3, "chlorophyll-b": 1.5e-3, "lutein": 6e-4, "beta-carotene": 4e-4}
DYE = 0.5 * np.exp(-((WAVELENGTH - 560.0) ** 2) / (2 * 15.0**2))


@pytest.fixture
def reading(tmp_path):
    def save(solvent, grams, *, values=None):
        own = simulate_scan(
            LIBRARY.select(solvent=solvent), grams, wavelength=WAVELENGTH, noise=5e-4, rng=2
        )
        values = own.absorbance if values is None else values
        rows = [f"{x:g},{a:.5f}" for x, a in zip(WAVELENGTH, values, strict=True)]
        path = tmp_path / "green.csv"
        path.write_text("\n".join(["wavelength_nm,absorbance", *rows]) + "\n", encoding="utf-8")
        return describe(path)

    return save


def codes(found):
    return {flag.code for flag in found.flags[0]}


def test_without_a_solvent_only_names_are_given(reading):
    found = inspect_reading(reading("acetone-90", GREEN), LIBRARY)
    assert found.fits == (None,)
    assert found.indices == ((),)
    assert codes(found) == {"no-solvent"}
    assert found.identifications[0][0].solvent in ("acetone-90", "acetone-80")
    text = inspection_text(found)
    assert "solvents the bands do not exclude" in text
    assert "acetone-90" in text and "mg/L" not in text


def test_a_right_solvent_is_not_contradicted_and_bands_are_assigned(reading):
    found = inspect_reading(reading("acetone-90", GREEN), LIBRARY, solvent="90 % acetone")
    assert "solvent-contradicted" not in codes(found)
    (identity,) = found.identities
    assert identity.solvent.declared == "acetone-90"
    assert identity.solvent.verdict in ("agrees", "cannot tell")
    red = max(identity.bands, key=lambda one: one.band.wavelength)
    # chlorophyll a in 90 % acetone, 663 to 664 nm (Jeffrey & Humphrey 1975)
    assert red.band.wavelength == pytest.approx(663.5, abs=1.5)
    assert red.pigments[0] == "chlorophyll-a"
    assert found.identifications == ((),)
    assert {one.key for one in found.indices[0]} == {"soret-red", "a435-a415", "a663-a645"}
    text = inspection_text(found)
    assert "indices of the trade" in text and "Soret/red" in text
    assert f"{identity.solvent.verdict}: the bands fit acetone-90" in text


def test_a_wrong_solvent_is_contradicted(reading):
    """Chlorophyll b's Soret band lies 5 to 6 nm further in ethanol than in 90 % acetone."""
    found = inspect_reading(reading("acetone-90", GREEN), LIBRARY, solvent="ethanol")
    assert "solvent-contradicted" in codes(found)
    assert "contradicted: the Soret band of chlorophyll-b" in inspection_text(found)
    (entry,) = json.loads(inspection_json(found))["scans"]
    assert "solvent-contradicted" in {flag["code"] for flag in entry["flags"]}
    assert entry["identity"]["verdict"] == "contradicted"
    assert entry["identity"]["declared"] == "ethanol"


def test_where_solvents_are_alike_it_cannot_tell(reading):
    # bands of lutein in ethanol and petroleum ether lie within 1 nm (handbooks, from memory)
    own = reading("ethanol", {"lutein": 2e-3})
    found = inspect_reading(own, LIBRARY, solvent="petroleum-ether")
    assert found.identities[0].solvent.verdict == "cannot tell"
    assert "ethanol" in found.identities[0].solvent.as_well
    assert "solvent-contradicted" not in codes(found)


def test_a_foreign_dye_has_no_candidate(reading):
    found = inspect_reading(reading("acetone-90", GREEN, values=DYE), LIBRARY)
    assert codes(found) == {"no-solvent", "no-candidate"}
    assert found.identifications == ((),)
    assert "no candidate: " in inspection_text(found)


def test_the_record_keeps_its_promised_keys_and_adds_two(reading):
    found = inspect_reading(reading("acetone-90", GREEN), LIBRARY, solvent="acetone-90")
    (entry,) = json.loads(inspection_json(found))["scans"]
    assert {
        "name", "n_points", "wavelength_min_nm", "wavelength_max_nm", "solvent", "pigments",
        "groups", "unassigned_share", "shifts_nm", "flags",
    } <= set(entry)  # fmt: skip
    assert {one["index"] for one in entry["indices"]} == {"soret-red", "a435-a415", "a663-a645"}
    assert entry["identity"]["bands"][-1]["kind"] == "maximum"
    assert "concentration" not in json.dumps(entry["identity"])


def test_candidates_of_the_user_are_kept(reading):
    own = reading("acetone-90", {"beta-carotene": 2e-3})
    found = inspect_reading(own, LIBRARY, solvent="acetone-90", pigments=["beta-carotene"])
    assert found.fits[0].pigments == ("beta-carotene",)
    assert {one.clean.pigment for one in found.indices[0]} == {"beta-carotene"}
