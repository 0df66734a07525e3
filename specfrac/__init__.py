"""What each tube of a leaf-pigment column holds, from UV-visible scans.

The public names are loaded when first used, so that importing the package is fast.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from specfrac.lazy import loader

__version__ = "0.1.0"

_HOMES = {
    "Flag": "flags",
    "FitError": "errors",
    "InputError": "errors",
    "ReferenceNotFoundError": "errors",
    "RunSheetError": "errors",
    "ScanFileError": "errors",
    "SpecfracError": "errors",
    "Quantity": "uncertainty",
    "Scan": "scans",
    "subtract_blank": "scans",
    "read_scans": "loading",
    "BandFit": "bands",
    "fit_bands": "bands",
    "ReferenceLibrary": "references",
    "References": "references",
    "load_references": "references",
    "MixtureFit": "fitting",
    "MixtureFits": "fitting",
    "fit_mixture": "fitting",
    "fit_mixtures": "fitting",
    "fit_tube": "fitting",
    "identify": "identification",
    "Run": "sheet",
    "read_run": "sheet",
    "RunResult": "run",
    "analyse_run": "run",
    "Comparison": "compare",
    "compare_runs": "compare",
}

__all__ = [
    "BandFit",
    "Comparison",
    "FitError",
    "Flag",
    "InputError",
    "MixtureFit",
    "MixtureFits",
    "Quantity",
    "ReferenceLibrary",
    "ReferenceNotFoundError",
    "References",
    "Run",
    "RunResult",
    "RunSheetError",
    "Scan",
    "ScanFileError",
    "SpecfracError",
    "__version__",
    "analyse_run",
    "compare_runs",
    "fit_bands",
    "fit_mixture",
    "fit_mixtures",
    "fit_tube",
    "identify",
    "load_references",
    "read_run",
    "read_scans",
    "subtract_blank",
]

if TYPE_CHECKING:
    from specfrac.bands import BandFit, fit_bands
    from specfrac.compare import Comparison, compare_runs
    from specfrac.errors import (
        FitError,
        InputError,
        ReferenceNotFoundError,
        RunSheetError,
        ScanFileError,
        SpecfracError,
    )
    from specfrac.fitting import (
        MixtureFit,
        MixtureFits,
        fit_mixture,
        fit_mixtures,
        fit_tube,
    )
    from specfrac.flags import Flag
    from specfrac.identification import identify
    from specfrac.loading import read_scans
    from specfrac.references import ReferenceLibrary, References, load_references
    from specfrac.run import RunResult, analyse_run
    from specfrac.scans import Scan, subtract_blank
    from specfrac.sheet import Run, read_run
    from specfrac.uncertainty import Quantity


__getattr__ = loader(__name__, _HOMES)


def __dir__() -> list[str]:
    return sorted(__all__)
