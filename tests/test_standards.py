"""Standards become references: round trip, scale and its uncertainty, refusals, the file."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from specfrac import Scan, fit_mixture
from specfrac.errors import FitError, InputError, ReferenceNotFoundError
from specfrac.references import References, coverage_text, load_references
from specfrac.standards import (
    Standard,
    new_pigment,
    reference_from_standard,
    standard_text,
    write_reference,
)

LIBRARY = load_references()
GRID = np.arange(320.0, 801.0)


def scan(pigment: str, solvent: str, concentration: float, *, offset=0.003, noise=0.0, shift=0.0):
    """A scan the built-in reference gives in 1 cm; concentration in g/L."""
    absorbance = LIBRARY.cell(pigment, solvent).specific_absorptivity(GRID - shift) * concentration
    rng = np.random.default_rng(3)
    return Scan("standard", GRID, absorbance + offset + noise * rng.standard_normal(GRID.size))


def stated(pigment="lutein", solvent="ethanol", concentration=3e-3, **change) -> Standard:
    values = {
        "pigment": pigment, "solvent": solvent, "bandwidth": 2.0, "concentration": concentration,
        "concentration_uncertainty": 3e-5, "purity_uncertainty": 0.0,
    }  # fmt: skip
    return Standard(**{**values, **change})


@pytest.mark.parametrize(
    ("pigment", "solvent", "concentration"),
    [
        ("beta-carotene", "hexane", 3e-3),
        ("lutein", "ethanol", 3e-3),
        ("violaxanthin", "ethanol", 3e-3),
        ("chlorophyll-a", "acetone-90", 7e-3),
        ("pheophytin-b", "acetone", 5e-3),
    ],
)
@pytest.mark.parametrize("noise", [0.0, 3e-4])
def test_round_trip_gives_the_same_concentration(pigment, solvent, concentration, noise, tmp_path):
    """Built-in shape -> scan -> own reference -> the same concentration within 0.2 %."""
    standard = stated(pigment, solvent, concentration)
    own = reference_from_standard(
        scan(pigment, solvent, concentration, noise=noise), LIBRARY, standard
    )
    write_reference(own, tmp_path)
    references = load_references(tmp_path).select(solvent=solvent, pigments=[pigment])
    unknown = scan(pigment, solvent, 0.4 * concentration, offset=0.0)
    fit = fit_mixture(unknown, references, bandwidth=2.0)
    assert fit.concentration[0] == pytest.approx(0.4 * concentration, rel=2e-3)
    assert not own.flags


@pytest.mark.parametrize(
    ("pigment", "solvent", "concentration"),
    [
        ("beta-carotene", "hexane", 3e-3),
        ("lutein", "ethanol", 3e-3),
    ],
)
def test_a_noisier_standard_is_off_by_no_more_than_its_noise(pigment, solvent, concentration):
    """Within 0.2 % at noise 1e-3 cannot be promised of any fit of the bands.

    A concentration fitted with the very shape the scan was made of is uncertain by 0.07 to
    0.25 % then, by its noise alone.
    """
    noisy = scan(pigment, solvent, concentration, noise=1e-3)
    own = reference_from_standard(noisy, LIBRARY, stated(pigment, solvent, concentration))
    true_shape = fit_mixture(
        noisy, LIBRARY.select(solvent=solvent, pigments=[pigment]), bandwidth=2.0
    )
    limit = float(np.sqrt(true_shape.covariance_noise[0, 0])) / concentration
    assert limit > 5e-4
    references = References(LIBRARY.solvent(solvent), (own.reference,), "own")
    unknown = scan(pigment, solvent, 0.4 * concentration, offset=0.0)
    found = fit_mixture(unknown, references, bandwidth=2.0).concentration[0]
    assert abs(found / (0.4 * concentration) - 1) < 3 * limit


def test_scale_divides_by_concentration_purity_and_path():
    standard = stated(
        concentration=6e-3, purity=0.5, purity_uncertainty=0.02, path_length=2.0,
        path_length_uncertainty=0.01, concentration_uncertainty=6e-5,
    )  # fmt: skip
    # 3 mg/L of pigment are 6 mg/L of a half pure standard; twice the path halves the scale
    own = reference_from_standard(scan("lutein", "ethanol", 3e-3), LIBRARY, standard)
    assert own.reference.scale == pytest.approx(
        LIBRARY.cell("lutein", "ethanol").scale / 2, rel=2e-3
    )
    # concentration 1 %, purity 4 %, path 0.5 %, photometer 0.3 %
    expected = math.sqrt(0.01**2 + 0.04**2 + 0.005**2 + 0.003**2)
    assert own.reference.scale_uncertainty == pytest.approx(expected, rel=1e-3)


def test_impure_standard_is_noticed_by_its_scale():
    # a commercial chlorophyll of 36 % purity, taken for pure
    own = reference_from_standard(
        scan("chlorophyll-a", "acetone-90", 0.36 * 15e-3),
        LIBRARY,
        stated("chlorophyll-a", "acetone-90", 15e-3),
    )
    flag = next(flag for flag in own.flags if flag.code == "standard-scale-differs")
    assert flag.severity == "warn"
    assert "-64 %" in flag.message and "purity" in flag.message


def test_chlorophyll_scales_are_compared_at_the_red_maximum():
    """A standard whose Soret band differs (another solvent batch) but not its red one is no
    reason for alarm: published values belong to the red maximum."""
    entry = LIBRARY.cell("chlorophyll-a", "acetone-90")
    blue = np.where(GRID < 480, 1.08, 1.0)
    own = reference_from_standard(
        Scan("s", GRID, entry.specific_absorptivity(GRID) * 7e-3 * blue),
        LIBRARY,
        stated("chlorophyll-a", "acetone-90", 7e-3),
    )
    assert "standard-scale-differs" not in {flag.code for flag in own.flags}
    assert own.reference.specific_absorptivity([663.0])[0] == pytest.approx(
        entry.specific_absorptivity([663.0])[0], rel=0.01
    )


@pytest.mark.parametrize(
    "change",
    [
        {"concentration_source": "absorptivity"},
        {"concentration": None},
    ],
)
def test_concentration_from_an_absorptivity_brings_no_new_scale(change):
    own = reference_from_standard(scan("lutein", "ethanol", 2.7e-3), LIBRARY, stated(**change))
    builtin = LIBRARY.cell("lutein", "ethanol")
    assert own.reference.scale == pytest.approx(builtin.scale, rel=1e-4)
    assert own.reference.scale_uncertainty == builtin.scale_uncertainty
    assert [flag.code for flag in own.flags] == ["standard-no-new-scale"]
    assert set(builtin.sources) <= set(own.reference.sources)


def test_no_scale_at_all_is_refused():
    with pytest.raises(InputError, match="library has no scale for mass here"):
        reference_from_standard(
            scan("pheophytin-a", "hexane", 5e-3),
            LIBRARY,
            stated("pheophytin-a", "hexane", None),
        )


def test_weighed_standard_brings_mass_where_the_library_only_estimates(tmp_path):
    own = reference_from_standard(
        scan("pheophytin-a", "hexane", 5e-3), LIBRARY, stated("pheophytin-a", "hexane", 5e-3)
    )
    write_reference(own, tmp_path)
    library = load_references(tmp_path)
    entry = library.cell("pheophytin-a", "hexane")
    assert entry.for_mass and entry.grade == "measured"
    assert library.is_own("pheophytin-a", "hexane")
    assert not library.is_own("pheophytin-a", "acetone")
    assert "pheophytin-a in hexane" in library.version
    assert "measured*" in coverage_text(library)
    # the built-in library is as it was
    assert not load_references().cell("pheophytin-a", "hexane").for_mass


def test_new_pigments_are_allowed(tmp_path):
    pigment = new_pigment("Loroxanthin", group="xanthophyll", molar_mass=584.9, formula="C40H56O3")
    own = reference_from_standard(
        scan("lutein", "ethanol", 3e-3), LIBRARY, stated(pigment, concentration=3e-3)
    )
    write_reference(own, tmp_path)
    library = load_references(tmp_path)
    assert (
        library.select(solvent="ethanol", pigments=["loroxanthin"]).molar_mass("loroxanthin")
        == 584.9
    )
    with pytest.raises(ReferenceNotFoundError, match="loroxanthin is known in ethanol"):
        library.cell("loroxanthin", "hexane")
    assert "loroxanthin" in coverage_text(library)


def test_shape_of_another_place_is_flagged():
    own = reference_from_standard(scan("lutein", "ethanol", 3e-3, shift=4.0), LIBRARY, stated())
    assert "standard-shifted" in {flag.code for flag in own.flags}
    assert re.search(r"lies \+(3\.9|4\.0|4\.1) nm", standard_text(own))


def test_weak_short_and_saturated_scans():
    weak = reference_from_standard(
        scan("lutein", "ethanol", 4e-4), LIBRARY, stated(concentration=4e-4)
    )
    assert "weak-signal" in {flag.code for flag in weak.flags}
    full = scan("lutein", "ethanol", 3e-3, offset=0.0)
    cut = Scan("cut", GRID[:230], full.absorbance[:230])
    short = reference_from_standard(cut, LIBRARY, stated())
    assert "short-range" in {flag.code for flag in short.flags}
    with pytest.raises(FitError, match=r"reaches 3\.\d+, above the linear limit"):
        reference_from_standard(scan("lutein", "ethanol", 13e-3), LIBRARY, stated())
    with pytest.raises(FitError, match="30 readings between"):
        reference_from_standard(
            Scan("few", GRID[100:130], full.absorbance[100:130]), LIBRARY, stated()
        )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"concentration": 0.0}, "concentration is 0, but must be above 0"),
        ({"concentration_uncertainty": None}, "uncertainty of the concentration is missing"),
        ({"purity_uncertainty": None}, "uncertainty of the purity is missing"),
        ({"purity": 95.0}, "purity is 95, but must be above 0 and at most 1"),
        ({"path_length": -1.0}, "path_length is -1"),
        ({"bandwidth": math.nan}, "bandwidth is nan"),
        ({"concentration_source": "weigth"}, "'weigth' is not known"),
        ({"concentration_uncertainty": -1e-3}, "uncertainty of the concentration is -0.001"),
    ],
)
def test_statements_that_cannot_be_right_raise(change, message):
    with pytest.raises(InputError, match=message):
        stated(**change)


def test_new_pigment_needs_a_name_a_group_and_a_mass():
    with pytest.raises(InputError, match="no letter or digit"):
        new_pigment("??", group="carotene", molar_mass=500)
    with pytest.raises(InputError, match="group 'carotenoid' is not known"):
        new_pigment("x", group="carotenoid", molar_mass=500)


# the file


@pytest.fixture
def folder(tmp_path):
    own = reference_from_standard(scan("lutein", "ethanol", 3e-3), LIBRARY, stated())
    write_reference(own, tmp_path)
    return tmp_path


def test_write_then_read_gives_the_same_reference(folder):
    own = reference_from_standard(scan("lutein", "ethanol", 3e-3), LIBRARY, stated())
    read = load_references(folder).cell("lutein", "ethanol")
    for name in PLAIN:
        assert getattr(read, name) == getattr(own.reference, name), name
    for name in ("centre", "height", "width"):
        np.testing.assert_array_equal(getattr(read, name), getattr(own.reference, name))


PLAIN = (
    "pigment", "solvent", "group", "molar_mass", "region", "scale", "scale_uncertainty",
    "valid_from", "valid_to", "bandwidth", "grade", "shape_error", "for_mass", "reason", "sources",
)  # fmt: skip


def test_an_earlier_reference_is_not_overwritten_unasked(folder):
    own = reference_from_standard(scan("lutein", "ethanol", 3e-3), LIBRARY, stated())
    with pytest.raises(InputError, match="already a reference of lutein in ethanol"):
        write_reference(own, folder)
    write_reference(own, folder, overwrite=True)
    assert [path.name for path in folder.iterdir()] == ["lutein__ethanol.toml"]


def test_names_with_quotes_and_marks_survive(tmp_path):
    odd = Scan('a "b" \\ \t β\x7f', GRID, scan("lutein", "ethanol", 3e-3).absorbance)
    write_reference(reference_from_standard(odd, LIBRARY, stated()), tmp_path)
    assert odd.name in load_references(tmp_path).cell("lutein", "ethanol").reason


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("format = 1", "format = 2", "format is 2, but this version reads 1"),
        ("format = 1", "format = ", "not a TOML file"),
        ('solvent = "ethanol"', 'solvent = "etanol"', "Did you mean 'ethanol'"),
        ("bandwidth_nm = 2.0", "bandwith_nm = 2.0", "'bandwith_nm' is not known. Did you mean"),
        ("bandwidth_nm = 2.0", "", "field 'bandwidth_nm' is missing"),
        ("bandwidth_nm = 2.0", 'bandwidth_nm = "2"', "must be of type float"),
        ("bandwidth_nm = 2.0", "bandwidth_nm = -2", "bandwidth is -2"),
        ("bandwidth_nm = 2.0", "bandwidth_nm = nan", "bandwidth_nm is not a number"),
        ('group = "xanthophyll"', 'group = "carotene"', "but is known as xanthophyll"),
        ('key = "lutein"', 'key = "Lu tein"', "must be lower case words"),
        ("[[band]]", "[[bands]]", "'bands' is not known. Did you mean 'band'"),
    ],
)
def test_a_broken_file_says_what_is_wrong(folder, old, new, message):
    path = folder / "lutein__ethanol.toml"
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), "utf-8")
    with pytest.raises((InputError, ReferenceNotFoundError), match=message) as caught:
        load_references(folder)
    assert "lutein__ethanol.toml" in str(caught.value)


def test_heights_that_do_not_add_up_to_one_are_refused(folder):
    path = folder / "lutein__ethanol.toml"
    lines = path.read_text("utf-8").splitlines()
    doubled = [
        f"height = {2 * float(line.split('=')[1])}" if line.startswith("height") else line
        for line in lines
    ]
    path.write_text("\n".join(doubled), "utf-8")
    with pytest.raises(InputError, match="add up to 2 at their maximum, but must to 1"):
        load_references(folder)


def test_two_files_for_one_pair_and_a_missing_folder_are_refused(folder):
    path = folder / "lutein__ethanol.toml"
    (folder / "again.toml").write_text(path.read_text("utf-8"), "utf-8")
    with pytest.raises(InputError, match="both hold lutein in ethanol"):
        load_references(folder)
    with pytest.raises(InputError, match="no such folder of references"):
        load_references(folder / "nowhere")
