"""Pictures: what they show and label, and colours that colour-blind readers can tell apart."""

from __future__ import annotations

import importlib.util
import itertools
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from specfrac.errors import InputError
from specfrac.plots import (
    MEASURED,
    STYLES,
    balance_figure,
    balance_rows,
    composition_figure,
    elution_figure,
    expected_uncertainty,
    fit_figure,
    left_out_ranges,
    pigment_style,
    plot_balance,
    plot_composition,
    plot_elution,
    plot_fit,
    plot_pooling,
    plot_residual,
    plot_scan,
    pool_label,
    pooling_figure,
    reported_lines,
    scan_parts,
    sum_label,
)

_path = Path(__file__).with_name("report_example.py")
_spec = importlib.util.spec_from_file_location("report_example", _path)
example = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(example)

LEAF = tuple(STYLES)[:8]


@pytest.fixture(scope="module")
def result():
    return example.result()


@pytest.fixture
def ax():
    return Figure(figsize=(6, 4)).subplots()


# Colours

# Severity 1.0 of Machado, Oliveira & Fernandes 2009, IEEE TVCG 15, 1291 (from memory; each row
# must sum to 1, so that greys stay grey: checked below).
MACHADO = {
    "red-blind": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "green-blind": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
}
# An independent simulation: Viénot, Brettel & Mollon 1999, Color Res. Appl. 24, 243 (from memory).
LMS = np.array(
    [[17.8824, 43.5161, 4.11935], [3.45565, 27.1554, 3.86714], [0.0299566, 0.184309, 1.46709]]
)
VIENOT = {
    "red-blind": [[0, 2.02344, -2.52581], [0, 1, 0], [0, 0, 1]],
    "green-blind": [[1, 0, 0], [0.494207, 0, 1.24827], [0, 0, 1]],
}
SIGHTS = {
    "normal": np.eye(3),
    **{f"{name}, 2009": np.array(matrix) for name, matrix in MACHADO.items()},
    **{
        f"{name}, 1999": np.linalg.inv(LMS) @ np.array(matrix) @ LMS
        for name, matrix in VIENOT.items()
    },
}
# IEC 61966-2-1 (sRGB, D65); from memory, rows give the white point.
TO_XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)


def linear(colour: str) -> np.ndarray:
    channels = np.array(to_rgb(colour))
    return np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    ratio = TO_XYZ @ np.clip(rgb, 0, 1) / TO_XYZ.sum(axis=1)
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def ciede2000(one: np.ndarray, other: np.ndarray) -> float:
    """CIE 142-2001, as in Sharma, Wu & Dalal 2005, Color Res. Appl. 30, 21."""
    chroma = [math.hypot(*colour[1:]) for colour in (one, other)]
    mean = sum(chroma) / 2
    stretch = 1.5 - 0.5 * math.sqrt(mean**7 / (mean**7 + 25.0**7))
    a = [stretch * colour[1] for colour in (one, other)]
    b = [colour[2] for colour in (one, other)]
    c1, c2 = (math.hypot(x, y) for x, y in zip(a, b, strict=True))
    h1, h2 = (math.degrees(math.atan2(y, x)) % 360 for x, y in zip(a, b, strict=True))
    turn = (h2 - h1 + 180) % 360 - 180
    if c1 * c2 == 0:
        turn, middle = 0.0, h1 + h2
    else:
        middle = (h1 + turn / 2) % 360
    d_light, d_chroma = other[0] - one[0], c2 - c1
    d_hue = 2 * math.sqrt(c1 * c2) * math.sin(math.radians(turn / 2))
    light, mean = (one[0] + other[0]) / 2, (c1 + c2) / 2

    def cos(angle: float) -> float:
        return math.cos(math.radians(angle))

    t = (
        1
        - 0.17 * cos(middle - 30)
        + 0.24 * cos(2 * middle)
        + 0.32 * cos(3 * middle + 6)
        - 0.20 * cos(4 * middle - 63)
    )
    s_light = 1 + 0.015 * (light - 50) ** 2 / math.sqrt(20 + (light - 50) ** 2)
    s_chroma, s_hue = 1 + 0.045 * mean, 1 + 0.015 * mean * t
    swing = 30 * math.exp(-(((middle - 275) / 25) ** 2))
    rotation = -2 * math.sqrt(mean**7 / (mean**7 + 25.0**7)) * math.sin(math.radians(2 * swing))
    return math.sqrt(
        (d_light / s_light) ** 2
        + (d_chroma / s_chroma) ** 2
        + (d_hue / s_hue) ** 2
        + rotation * d_chroma / s_chroma * d_hue / s_hue
    )


def distance(one: str, other: str, sight: np.ndarray) -> float:
    return ciede2000(lab(sight @ linear(one)), lab(sight @ linear(other)))


def test_colour_difference_agrees_with_published_pairs():
    # Sharma, Wu & Dalal 2005, table 1, pairs 1, 17, 18, 19 and 20 (from memory)
    published = [
        ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
        ((50, 2.5, 0), (73, 25, -18), 27.1492),
        ((50, 2.5, 0), (61, -5, 29), 22.8977),
        ((50, 2.5, 0), (56, -27, -3), 31.9030),
        ((50, 2.5, 0), (58, 24, 15), 19.4535),
    ]
    for one, other, expected in published:
        assert ciede2000(np.array(one), np.array(other)) == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize("sight", SIGHTS)
def test_simulated_sight_leaves_greys_alone(sight):
    grey = np.full(3, 0.4)
    # the 1999 matrices were derived with white rounded to three digits
    np.testing.assert_allclose(SIGHTS[sight] @ grey, grey, atol=4e-3)


@pytest.mark.parametrize("sight", SIGHTS)
def test_any_two_leaf_pigments_can_be_told_apart(sight):
    for one, other in itertools.combinations(LEAF, 2):
        apart = distance(STYLES[one].colour, STYLES[other].colour, SIGHTS[sight])
        assert apart > 12, f"{one} and {other}: {apart:.1f} for {sight} sight"


def test_line_style_tells_apart_what_colour_may_not():
    for one, other in itertools.combinations(STYLES, 2):
        nearest = min(
            distance(STYLES[one].colour, STYLES[other].colour, sight) for sight in SIGHTS.values()
        )
        if nearest < 12:
            assert STYLES[one].dashes != STYLES[other].dashes, (one, other)


@pytest.mark.parametrize("family", [LEAF[:4], LEAF[4:]])
def test_line_styles_differ_within_a_family(family):
    assert len({STYLES[pigment].dashes for pigment in family}) == len(family)


def test_lines_stand_out_on_white():
    # WCAG 2.1, success criterion 1.4.11: graphics need 3 : 1 (from memory)
    for pigment, style in STYLES.items():
        contrast = 1.05 / (float(TO_XYZ[1] @ linear(style.colour)) + 0.05)
        assert contrast > 3.0, pigment


def hue(pigment: str) -> float:
    _, a, b = lab(linear(STYLES[pigment].colour))
    return math.degrees(math.atan2(b, a)) % 360


def test_hues_mean_something():
    # hue angles of CIELAB: red 30 to yellow 100, green 135 to blue-green 225
    assert all(20 <= hue(pigment) <= 100 for pigment in LEAF[:4])
    assert all(135 <= hue(pigment) <= 225 for pigment in ("chlorophyll-a", "chlorophyll-b"))
    for pigment in ("pheophytin-a", "pheophytin-b"):
        assert math.hypot(*lab(linear(STYLES[pigment].colour))[1:]) < 11, pigment


def test_unknown_pigment_has_one_style_of_its_own():
    assert pigment_style("my-pigment") == pigment_style("my-pigment")
    assert pigment_style("my-pigment").label == "my pigment"


# One scan


def lines(ax) -> dict[str, object]:
    return {line.get_label(): line for line in ax.get_lines()}


def test_scan_picture_shows_scan_fit_and_parts(ax):
    fit = example.fit("tube", {"chlorophyll-a": 5.0, "beta-carotene": 1.0})
    assert plot_scan(fit, ax) is ax
    curves, drawn = fit.curves(0), lines(ax)
    assert ax.get_xlabel() == "wavelength (nm)"
    assert ax.get_ylabel() == "absorbance"
    assert {"scan", "fitted total", "chl a", "β-carotene", "baseline"} <= set(drawn)
    assert "lutein" not in drawn  # not there, so not drawn
    np.testing.assert_array_equal(drawn["scan"].get_ydata(), curves.absorbance)
    np.testing.assert_array_equal(drawn["fitted total"].get_ydata(), curves.fitted)
    at = fit.pigments.index("chlorophyll-a")
    np.testing.assert_array_equal(drawn["chl a"].get_ydata(), curves.components[at])
    assert drawn["chl a"].get_color() == STYLES["chlorophyll-a"].colour
    assert drawn["scan"].get_color() == MEASURED


def test_points_left_out_are_marked_and_not_drawn_as_used(ax):
    fit = example.fit("tube", {"chlorophyll-a": 40.0})
    curves = fit.curves(0)
    assert not curves.used.all()
    plot_scan(fit, ax)
    scan = lines(ax)["scan"].get_ydata()
    assert np.isnan(scan[~curves.used]).all()
    np.testing.assert_array_equal(scan[curves.used], curves.absorbance[curves.used])
    assert "left out" in lines(ax)
    covered = np.zeros(curves.used.size, dtype=bool)
    for start, stop in left_out_ranges(curves):
        covered |= (curves.wavelength > start) & (curves.wavelength < stop)
    np.testing.assert_array_equal(covered, ~curves.used)


def test_pigments_that_cannot_be_told_apart_are_drawn_as_their_sum():
    fit = example.fit(
        "tube", {"violaxanthin": 1.0, "neoxanthin": 0.5}, merged=("violaxanthin", "neoxanthin")
    )
    curves = fit.curves(0)
    (part,) = scan_parts(fit, curves)
    assert part.label == "violaxanthin + neoxanthin"
    assert part.style == STYLES["violaxanthin"]
    np.testing.assert_allclose(part.absorbance, curves.components[[2, 3]].sum(axis=0))


def test_names_of_sums():
    assert sum_label(["lutein"]) == "lutein"
    carotenoids = ["carotene", "xanthophyll", "xanthophyll"]
    assert sum_label(["beta-carotene", "lutein", "neoxanthin"], carotenoids) == "3 carotenoids"
    assert sum_label(["lutein", "chlorophyll-a", "pheophytin-a"], ["a", "b", "c"]) == "3 pigments"


def test_residual_picture_has_the_expected_band(ax):
    fit = example.fit("tube", {"chlorophyll-a": 5.0}, stranger=0.03)
    plot_residual(fit, ax)
    curves = fit.curves(0)
    np.testing.assert_allclose(lines(ax)["scan − fit"].get_ydata(), curves.residual)
    low, high = ax.get_ylim()
    assert low == -high
    assert any("520 nm" in text.get_text() for text in ax.texts)
    # far from every band only the noise is left; 0.0003 is the noise of the transmittance
    expected = expected_uncertainty(fit, curves)
    transmitted = 0.0003 * 10 ** curves.fitted[-1] / math.log(10)
    assert expected[-1] == pytest.approx(math.hypot(0.0006, transmitted), rel=1e-6)
    assert (expected >= curves.shape_uncertainty).all()


def test_fit_picture_draws_both_and_the_index_is_checked():
    fit = example.fit("tube", {"chlorophyll-a": 40.0}, dilutions=(1.0, 10.0))
    upper, lower = Figure().subplots(2, 1)
    assert plot_fit(fit, (upper, lower), index=1) == (upper, lower)
    top = float(np.nanmax(lines(upper)["fitted total"].get_ydata()))
    assert top == pytest.approx(float(fit.curves(1).fitted.max()))
    with pytest.raises(InputError, match="scan number 2 is asked for, but there are 2"):
        plot_scan(fit, upper, index=2)


def test_scan_above_the_ceiling_does_not_dwarf_the_used_points(ax):
    fit = example.fit("tube", {"chlorophyll-a": 200.0})
    curves = fit.curves(0)
    plot_scan(fit, ax)
    assert curves.fitted.max() > 10  # the sketched tube is far too strong
    assert ax.get_ylim()[1] < 1.4 * np.max(curves.absorbance)


def test_coarse_scans_show_their_points(ax):
    fit = example.fit("tube", {"chlorophyll-a": 5.0})
    plot_scan(fit, ax)
    assert lines(ax)["scan"].get_marker() == ""


# One tube and one run


def test_composition_picture_shows_intervals(result, ax):
    tube = result.fractions[4]  # its sheet name is "green wash"; two pigments are merged
    assert plot_composition(tube, ax) is ax
    shown = [tick.get_text() for tick in ax.get_yticklabels()]
    assert shown == [line.label for line in reported_lines(tube)]
    assert "violaxanthin + neoxanthin" in shown
    assert "95 % interval" in ax.get_xlabel()
    whiskers = ax.get_lines()
    for line, whisker in zip(reported_lines(tube), whiskers, strict=True):
        np.testing.assert_allclose(whisker.get_xdata(), 100 * np.array(line.result.share_interval))
    bars = [patch.get_width() for patch in ax.patches]
    detected = [line for line in reported_lines(tube) if line.result.detected]
    np.testing.assert_allclose(bars, [100 * line.result.share_mass.value for line in detected])


def test_balance_picture_adds_up_to_the_closure(result, ax):
    balance = result.balance
    numbers = {tube.fraction.name: at for at, tube in enumerate(result.fractions, start=1)}
    assert plot_balance(balance, ax, numbers=numbers) is ax
    assert ax.get_xlabel() == "found, % of what was loaded"
    rows = balance_rows(balance)
    for at, row in enumerate(rows):
        pieces = [p for p in ax.patches if abs(p.get_y() + p.get_height() / 2 - at) < 1e-9]
        held = sum(max(one.value, 0.0) for _, one in row.tubes if one is not None)
        assert sum(p.get_width() for p in pieces) == pytest.approx(100 * held / row.loaded.value)
    texts = {text.get_text() for text in ax.texts}
    assert {"2", "5"} <= texts
    assert "1" not in texts  # the loaded extract is no piece


def test_pheophytin_balances_with_its_chlorophyll(result):
    names = [row.name for row in balance_rows(result.balance)]
    assert "chlorophyll-a-pool" in names
    assert "pheophytin-a" not in names
    assert "chlorophyll-a" not in names
    assert "lutein" in names


def test_balance_picture_without_loaded_scan(result, ax):
    rows = tuple(replace(row, loaded=None, closure=None) for row in result.balance.rows)
    alone = replace(result.balance, loaded_name=None, rows=rows)
    plot_balance(alone, ax)
    assert ax.get_xlabel().startswith("found (")
    assert len(ax.get_yticks()) == len(balance_rows(alone)) > 3


# The column


def test_elution_picture_keeps_area_for_mass(result, ax):
    profile = result.elution
    numbers = {tube.fraction.name: at for at, tube in enumerate(result.fractions, start=1)}
    assert plot_elution(profile, ax, numbers=numbers) is ax
    assert ax.get_xlabel() == "eluted volume (mL)"
    names = [tick.get_text().split("\n")[0] for tick in ax.get_yticklabels()]
    assert names == [pigment_style(band.pigment).label for band in profile.bands]
    outlines = [
        line for line in ax.get_lines() if len(line.get_xdata()) == 2 * len(profile.names) + 2
    ]
    assert len(outlines) == len(profile.bands)
    for row, (band, line) in enumerate(zip(profile.bands, outlines, strict=True)):
        tops = line.get_ydata()[1:-1:2] - (len(profile.bands) - 1 - row)
        areas = tops * (profile.end - profile.start)
        masses = np.array([0.0 if one is None else max(one.value, 0.0) for one in band.masses])
        np.testing.assert_allclose(areas / areas.sum(), masses / masses.sum(), atol=1e-12)


def test_whiskers_of_the_elution_picture_stay_in_their_row(result, ax):
    profile = result.elution
    plot_elution(profile, ax)
    rows = len(profile.bands)
    for row, container in enumerate(ax.containers):
        (segments,) = [part.get_segments() for part in container.lines[2]]
        floor = rows - 1 - row
        for segment in segments:
            if np.isfinite(segment).all():
                assert segment[:, 1].min() >= floor - 1e-9
                assert segment[:, 1].max() <= floor + 1


def test_pooling_picture_shows_every_pool_of_the_curve(result, ax):
    pooling = result.pooling
    numbers = {tube.fraction.name: at for at, tube in enumerate(result.fractions, start=1)}
    assert plot_pooling(pooling, ax, numbers=numbers) is ax
    assert ax.get_xlabel() == "β-carotene in the pool (µg)"
    assert ax.get_ylabel() == "share of coloured pigment (%)"
    line = next(line for line in ax.get_lines() if len(line.get_xdata()) == len(pooling.curve))
    np.testing.assert_allclose(line.get_xdata(), [pool.mass.value for pool in pooling.curve])
    np.testing.assert_allclose(line.get_ydata(), [100 * p.share.value for p in pooling.curve])
    shown = {text.get_text(): np.array(text.xy) for text in ax.texts}
    labels = [pool_label(pool, numbers) for pool in pooling.curve]
    assert labels[0] in shown
    assert set(shown) <= set(labels)
    # labels that would run into each other are left out
    size = np.array([np.ptp(ax.get_xlim()), np.ptp(ax.get_ylim())])
    for one, other in itertools.combinations(shown.values(), 2):
        assert (np.abs(one - other) / size > [0.12, 0.06]).any()


def test_nothing_of_a_figure_is_cut_off_at_its_edges(result):
    from specfrac.report.pictures import house_style

    long = replace(result.elution.bands[0], pigment="a-pigment-with-quite-a-long-name-MMWW")
    with house_style():
        figures = {
            "scan": fit_figure(result.fractions[4].fit),
            "composition": composition_figure(result.fractions[4]),
            "balance": balance_figure(result.balance),
            "elution": elution_figure(result.elution),
            "long name": elution_figure(replace(result.elution, bands=(long,), neighbours=())),
            "pooling": pooling_figure(result.pooling),
        }
        for name, figure in figures.items():
            width, height = figure.get_size_inches()
            box = figure.get_tightbbox()
            assert box.x0 >= 0 and box.y0 >= 0, name
            assert box.x1 <= width and box.y1 <= height, name


def test_no_global_style_is_touched():
    import matplotlib as mpl

    before = dict(mpl.rcParams)
    fit = example.fit("tube", {"chlorophyll-a": 5.0})
    plot_fit(fit, Figure().subplots(2, 1))
    assert dict(mpl.rcParams) == before
