"""The reference library: what each pigment absorbs in each solvent, and how well we know it."""

from specfrac.references.library import (
    ReferenceLibrary,
    cell_text,
    coverage_rows,
    coverage_text,
    load_facts,
    load_references,
    pigment_text,
)
from specfrac.references.model import (
    Pigment,
    PigmentReference,
    References,
    Solvent,
    normalised,
)
from specfrac.references.tables import read_table

__all__ = [
    "Pigment",
    "PigmentReference",
    "ReferenceLibrary",
    "References",
    "Solvent",
    "cell_text",
    "coverage_rows",
    "coverage_text",
    "load_facts",
    "load_references",
    "normalised",
    "pigment_text",
    "read_table",
]
