"""Flags of a fit that have limits of their own."""

from __future__ import annotations

import numpy as np
import pytest

from specfrac import fit_mixture, load_references
from specfrac.simulate import simulate_scan


@pytest.fixture(scope="module")
def references():
    return load_references().select(solvent="acetone-90")


# limits of common practice: |A| beyond the pigments over 0.01 is a warning; 0.006 is three
# times what a good blank leaves
@pytest.mark.parametrize(
    ("offset", "code"),
    [
        (0.0, None),
        (0.004, None),
        (-0.004, None),
        (0.009, "small-offset"),
        (-0.009, "small-offset"),
        (0.02, "offset"),
        (-0.05, "offset"),
    ],
)
def test_offsets_are_noted_and_then_warned_of(references, offset, code):
    scan = simulate_scan(
        references,
        {"chlorophyll-a": 6e-3, "chlorophyll-b": 2e-3, "lutein": 1e-3},
        wavelength=np.arange(380.0, 781.0),
        bandwidth=2.0,
        offset=offset,
        noise=4e-4,
        rng=3,
    )
    flags = fit_mixture(scan, references, bandwidth=2.0).flags
    codes = {flag.code: flag for flag in flags if "offset" in flag.code}
    assert set(codes) == ({code} if code else set())
    if code:
        assert f"{offset:+.3f}"[:5] in codes[code].message
