"""Checking figures somebody worked by hand, step by step, for one person or a class.

The names are loaded when first used: most runs need none of them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from specfrac.lazy import loader

_HOMES = {
    "Claim": "sheet",
    "ClaimResult": "results",
    "ClaimSheet": "sheet",
    "Claimed": "sheet",
    "ClaimsResult": "results",
    "ClassResult": "results",
    "Reading": "sheet",
    "RfClaim": "sheet",
    "RunFacts": "facts",
    "ScanFacts": "facts",
    "Slip": "slips",
    "StepCheck": "results",
    "TubeFacts": "facts",
    "check_claims": "check",
    "check_class": "check",
    "check_folder": "files",
    "check_run_claims": "files",
    "claims_paths": "paths",
    "claims_text": "files",
    "class_text": "files",
    "read_blanks": "facts",
    "read_claims": "sheet",
    "run_facts": "facts",
}

__all__ = [
    "Claim",
    "ClaimResult",
    "ClaimSheet",
    "Claimed",
    "ClaimsResult",
    "ClassResult",
    "Reading",
    "RfClaim",
    "RunFacts",
    "ScanFacts",
    "Slip",
    "StepCheck",
    "TubeFacts",
    "check_claims",
    "check_class",
    "check_folder",
    "check_run_claims",
    "claims_paths",
    "claims_text",
    "class_text",
    "read_blanks",
    "read_claims",
    "run_facts",
]

if TYPE_CHECKING:
    from specfrac.claims.check import check_claims, check_class
    from specfrac.claims.facts import RunFacts, ScanFacts, TubeFacts, read_blanks, run_facts
    from specfrac.claims.files import (
        check_folder,
        check_run_claims,
        claims_text,
        class_text,
    )
    from specfrac.claims.paths import claims_paths
    from specfrac.claims.results import ClaimResult, ClaimsResult, ClassResult, StepCheck
    from specfrac.claims.sheet import Claim, Claimed, ClaimSheet, Reading, RfClaim, read_claims
    from specfrac.claims.slips import Slip


__getattr__ = loader(__name__, _HOMES)
