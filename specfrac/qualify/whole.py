"""A whole qualification from its checks, and what a run should say of it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from specfrac.bench_settings import qualification_limits
from specfrac.errors import InputError, did_you_mean
from specfrac.flags import Flag, ranked
from specfrac.qualify.checks import (
    check_absorbance,
    check_baseline,
    check_noise,
    check_resolution,
    check_stray_light,
    check_wavelength,
)
from specfrac.qualify.results import SETS, Check, QualificationResult
from specfrac.qualify.values import (
    standards,
)
from specfrac.scans import Scan
from specfrac.settings import Settings

CAUTIONS = (
    "Prefer sealed cells or glass filters: acidic dichromate is toxic and a carcinogen, "
    "perchloric holmium is strongly oxidising. Local quality rules, certificates and trained "
    "supervision go before these checks; none of them releases an instrument for use."
)


def qualification(
    checks: Sequence[Check],
    *,
    instrument: str = "",
    date: str | None = None,
    set_name: str = "full",
    limits: Settings | None = None,
) -> QualificationResult:
    """Put checks together as one qualification.

    Parameters
    ----------
    checks : sequence of Check
    instrument : str
    date : str, optional
        ISO 8601.
    set_name : str
        ``"full"`` or ``"visible"``.
    limits : Settings, optional

    Returns
    -------
    QualificationResult

    Raises
    ------
    InputError
        If the set is not known.
    """
    if set_name not in SETS:
        raise InputError(f"set is {set_name!r}. {did_you_mean(set_name, SETS)}")
    flags = []
    for check in checks:
        if check.passed is False:
            flags.append(Flag("qualification-failed", f"{check.kind}: {check.sentence}"))
        if any(row.status == "memory" and row.passed is not None for row in check.rows):
            message = (
                f"{check.kind} ({check.standard}): reference value or limit from memory; look it "
                "up in a certificate or your quality rules before acting on it."
            )
            flags.append(Flag("qualification-memory", message))
    limits = qualification_limits() if limits is None else limits
    return QualificationResult(instrument, date, set_name, tuple(checks), limits, ranked(flags))


def qualify_scan(
    scan: Scan,
    standard: str,
    *,
    bandwidth: float | None = None,
    concentration: float | None = None,
    path_length: float = 1.0,
    limits: Settings | None = None,
) -> QualificationResult:
    """Check an instrument by one scan of one standard, or of a blank against a blank.

    Parameters
    ----------
    scan : Scan
    standard : str
        A standard of the tables, or ``"blank"`` for noise and baseline.
    bandwidth, concentration, path_length : float
        nm, mg/L, cm, where the standard asks for them.
    limits : Settings, optional

    Returns
    -------
    QualificationResult

    Raises
    ------
    InputError
        If the standard is not known, or a number it needs is missing.
    """
    calls: dict[str, Callable[[], Check]] = {
        "wavelength": lambda: check_wavelength(scan, standard, bandwidth=bandwidth, limits=limits),
        "absorbance": lambda: check_absorbance(
            scan, standard, concentration=concentration, path_length=path_length, limits=limits
        ),
        "stray-light": lambda: check_stray_light(scan, standard, limits=limits),
        "resolution": lambda: check_resolution(scan, standard, limits=limits),
    }
    if standard == "blank":
        checks = [check_noise(scan, limits=limits), check_baseline(scan, limits=limits)]
        return qualification(checks, instrument=scan.name, limits=limits)
    kinds = [kind for kind in calls if standard in standards(kind)]
    if not kinds:
        known = ["blank", *(one for kind in calls for one in standards(kind))]
        raise InputError(f"the standard {standard!r} is not known. {did_you_mean(standard, known)}")
    return qualification([calls[kind]() for kind in kinds], instrument=scan.name, limits=limits)


# What a run should say of its instrument


def qualification_flags(
    record: Mapping[str, Any] | None,
    *,
    run_date: str | None = None,
    limits: Settings | None = None,
) -> tuple[Flag, ...]:
    """Return what a run's report should say of the instrument's last qualification.

    Parameters
    ----------
    record : mapping or None
        As `QualificationResult.record` gives it, see `find_qualification`; None when there
        is none.
    run_date : str, optional
        ISO 8601; with it the age is judged.
    limits : Settings, optional

    Returns
    -------
    tuple of Flag
    """
    limits = qualification_limits() if limits is None else limits
    if record is None:
        message = "no qualification of the instrument lies with this run; see `specfrac qualify`."
        return (Flag("qualification-missing", message),)
    flags = []
    name = f" of {record['instrument']}" if record.get("instrument") else ""
    when = f" ({record['date']})" if record.get("date") else ""
    if not record.get("passed"):
        message = f"the last qualification{name}{when}: {record.get('sentence', 'failed')}"
        flags.append(Flag("qualification-failed", message))
    if run_date and record.get("date"):
        passed_days = (
            dt.date.fromisoformat(run_date[:10]) - dt.date.fromisoformat(str(record["date"])[:10])
        ).days
        if passed_days > limits["maximum_age_days"]:
            message = f"the last qualification{name} is {passed_days} days older than this run."
            flags.append(Flag("qualification-old", message))
    return tuple(flags)
