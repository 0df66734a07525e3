"""Checking an instrument: wavelength, absorbance, stray light, resolution, noise, and more.

Each check compares readings with reference values that carry their source and whether
they were read second-hand or recalled; the certificate of the user's own filter goes
before them, and local quality rules go before all limits here. A check says pass or
fail with numbers; nothing here releases an instrument for use.
"""

from specfrac.qualify.checks import (
    band_position,
    check_absorbance,
    check_baseline,
    check_drift,
    check_linearity,
    check_noise,
    check_resolution,
    check_stray_light,
    check_two_path,
    check_wavelength,
    estimated_bandwidth,
    stray_light_ratio,
    two_path_ratio,
)
from specfrac.qualify.files import (
    find_qualification,
    qualification_path,
    qualification_template,
    qualification_text,
    read_qualification,
)
from specfrac.qualify.results import KINDS, SETS, Check, CheckRow, QualificationResult
from specfrac.qualify.values import (
    Reference,
    reference_positions,
    reference_values,
    references_of,
    standards,
)
from specfrac.qualify.whole import CAUTIONS, qualification, qualification_flags, qualify_scan

__all__ = [
    "CAUTIONS",
    "KINDS",
    "SETS",
    "Check",
    "CheckRow",
    "QualificationResult",
    "Reference",
    "band_position",
    "check_absorbance",
    "check_baseline",
    "check_drift",
    "check_linearity",
    "check_noise",
    "check_resolution",
    "check_stray_light",
    "check_two_path",
    "check_wavelength",
    "estimated_bandwidth",
    "find_qualification",
    "qualification",
    "qualification_flags",
    "qualification_path",
    "qualification_template",
    "qualification_text",
    "qualify_scan",
    "read_qualification",
    "reference_positions",
    "reference_values",
    "references_of",
    "standards",
    "stray_light_ratio",
    "two_path_ratio",
]
