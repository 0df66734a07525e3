"""The numbers of the error model, read from the reference data.

The values, their units and sources stand in ``reference_spectra/error_model.toml``.
"""

from __future__ import annotations

import tomllib
from functools import lru_cache
from importlib.resources import files
from types import MappingProxyType


@lru_cache(maxsize=1)
def error_model() -> MappingProxyType[str, float]:
    """Return every number of the error model by name."""
    text = (files("specfrac.reference_spectra") / "error_model.toml").read_text(encoding="utf-8")
    return MappingProxyType(
        {name: float(entry["value"]) for name, entry in tomllib.loads(text).items()}
    )


PHOTOMETER_GAIN_UNCERTAINTY = error_model()["photometer_gain_uncertainty"]
"""Relative standard uncertainty of the photometer's scale, common to all scans."""

LINEAR_LIMIT = error_model()["linear_limit"]
"""Absorbance above which a point is left out unless the caller says otherwise."""
