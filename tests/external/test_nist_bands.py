"""The band fit against certified values of NIST/ITL StRD, Gauss1 to Gauss3 and Eckerle4.

The width w of the Gauss sets stands in exp(-(x-c)²/w²), so w = √2 σ. Eckerle4 is
(b1/b2) exp(-½((x-b3)/b2)²), so its b1 is height times σ. Parameters are asked for to
6 significant digits and standard errors to 4, from both start vectors of each file.
"""

from __future__ import annotations

import csv
import hashlib
import math
import re
from pathlib import Path

import numpy as np
import pytest

from specfrac.bands import fit_bands

DATA = Path(__file__).parent / "data"
PARAMETERS, ERRORS = 5e-7, 5e-5  # relative: 6 and 4 significant digits


def read(name):
    """Starts, certified values and errors, residual sum of squares, x and y of a file."""
    lines = (DATA / f"{name}.dat").read_text(encoding="ascii").splitlines()
    rows = [line.split("=")[1].split() for line in lines if re.match(r"\s*b\d =", line)]
    table = np.array(rows, dtype=float)
    rss = next(float(line.split()[-1]) for line in lines if line.startswith("Residual Sum"))
    first = max(k for k, line in enumerate(lines) if line.startswith("Data:")) + 1
    y, x = np.loadtxt(lines[first:]).T
    return table[:, :2].T, table[:, 2], table[:, 3], rss, x, y


def test_files_are_the_verbatim_ones():
    with (DATA / "SOURCES.csv").open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    kept = {path.name for path in DATA.iterdir()} - {"SOURCES.csv"}
    assert {row["file"] for row in rows} == kept
    for row in rows:
        digest = hashlib.sha256((DATA / row["file"]).read_bytes()).hexdigest()
        assert digest == row["sha256"], row["file"]


@pytest.mark.parametrize("start", [0, 1], ids=["start 1", "start 2"])
@pytest.mark.parametrize("name", ["Gauss1", "Gauss2", "Gauss3"])
def test_two_bands_on_a_decaying_baseline(name, start):
    starts, certified, errors, rss, x, y = read(name)
    b = starts[start]
    fit = fit_bands(
        x,
        y,
        start=[(b[3], b[2], b[4] / math.sqrt(2)), (b[6], b[5], b[7] / math.sqrt(2))],
        baseline="exponential",
        baseline_start=(b[0], b[1]),
    )
    assert fit.success
    # ours: amplitude, decay, then centre, height, σ of each band; theirs: height, centre, w
    order = [0, 1, 3, 2, 4, 6, 5, 7]
    unit = np.array([1, 1, 1, 1, math.sqrt(2), 1, 1, math.sqrt(2)])
    np.testing.assert_allclose((fit.parameters[order] * unit), certified, rtol=PARAMETERS)
    np.testing.assert_allclose((fit.standard_errors[order] * unit), errors, rtol=ERRORS)
    assert fit.residual_sum_of_squares == pytest.approx(rss, rel=1e-9)


@pytest.mark.parametrize("start", [0, 1], ids=["start 1", "start 2"])
def test_one_band_of_transmittance(start):
    starts, certified, errors, rss, x, y = read("Eckerle4")
    b1, b2, b3 = starts[start]
    fit = fit_bands(x, y, start=[(b3, b1 / b2, b2)])
    assert fit.success
    height, width = fit.height[0], fit.width[0]
    found = np.array([height * width, width, fit.centre[0]])
    np.testing.assert_allclose(found, certified, rtol=PARAMETERS)
    # u(b1) needs the covariance of height and width; b1 √(2π) is the band's area.
    own = [fit.area_uncertainty[0] / math.sqrt(2 * math.pi)]
    own += [fit.standard_errors[2], fit.standard_errors[0]]
    np.testing.assert_allclose(own, errors, rtol=ERRORS)
    assert fit.residual_sum_of_squares == pytest.approx(rss, rel=1e-9)
