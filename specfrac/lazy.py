"""Public names of a package, loaded when they are first used (PEP 562)."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any


def loader(package: str, homes: Mapping[str, str]) -> Callable[[str], Any]:
    """Return the ``__getattr__`` of a package whose names are loaded when first used.

    Parameters
    ----------
    package : str
        Its full name.
    homes : mapping of str to str
        Module of the package in which each public name lives.
    """

    def load(name: str) -> Any:
        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        value = getattr(import_module(f"{package}.{homes[name]}"), name)
        setattr(sys.modules[package], name, value)
        return value

    return load
