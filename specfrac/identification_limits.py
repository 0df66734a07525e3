"""The limits of identification and of indices, read from the reference data.

The values, their units and sources stand in ``reference_spectra/identification.toml``.
"""

from __future__ import annotations

import tomllib
from functools import lru_cache
from importlib.resources import files
from types import MappingProxyType


@lru_cache(maxsize=1)
def limits() -> MappingProxyType[str, float]:
    """Return every limit by name."""
    text = (files("specfrac.reference_spectra") / "identification.toml").read_text("utf-8")
    return MappingProxyType(
        {name: float(entry["value"]) for name, entry in tomllib.loads(text).items()}
    )
