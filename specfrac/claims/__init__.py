"""Checking figures somebody worked by hand, step by step, for one person or a class."""

from specfrac.claims.check import check_claims, check_class
from specfrac.claims.facts import RunFacts, ScanFacts, TubeFacts, read_blanks, run_facts
from specfrac.claims.files import (
    check_folder,
    check_run_claims,
    claims_paths,
    claims_text,
    class_text,
)
from specfrac.claims.results import ClaimResult, ClaimsResult, ClassResult, StepCheck
from specfrac.claims.sheet import Claim, Claimed, ClaimSheet, Reading, RfClaim, read_claims
from specfrac.claims.slips import Slip, slips

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
    "slips",
]
