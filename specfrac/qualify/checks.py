"""The single checks of an instrument, each from readings to numbers against limits."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from specfrac.bench_settings import qualification_limits
from specfrac.checks import smoothed
from specfrac.errors import InputError
from specfrac.qualify.results import Check, CheckRow
from specfrac.qualify.values import Reference, reference_positions, references_of, standards
from specfrac.scans import Scan
from specfrac.settings import Settings

Array = NDArray[np.float64]

A1_PERCENT_OF_MG_PER_L = 1e-4  # absorbance in 1 cm of 1 mg/L over A(1 %, 1 cm)
TWO_PATH_FACTOR = 0.25  # stray light from the peak of 10 mm against 5 mm: S = 0.25 · 10^(-2A)
TOP_SHARE = 0.5  # of a band's height above its surroundings: a parabola fits the top
SAME_PLACE = 0.6  # nm; a reading typed in at 269 nm is the one of 269.4 nm
SLACK = 1e-9


# Wavelength


def band_position(
    wavelength: Array,
    absorbance: Array,
    nominal: float,
    window: float,
    *,
    prominence: float = 0.0,
) -> float:
    """Return where a band has its maximum, by a parabola through its top.

    Parameters
    ----------
    wavelength, absorbance : ndarray, shape (n_points,)
        nm, rising.
    nominal : float
        nm, where it should be.
    window : float
        nm; the maximum is looked for this far on either side.
    prominence : float
        Absorbance by which it must stand above the lowest reading on both sides.

    Returns
    -------
    float
        nm; NaN when there is no maximum inside the window.
    """
    inside = np.flatnonzero((np.abs(wavelength - nominal) <= window) & np.isfinite(absorbance))
    if inside.size < 3:
        return math.nan
    tops = [
        k
        for k in inside[1:-1]
        if absorbance[k] >= absorbance[k - 1] and absorbance[k] >= absorbance[k + 1]
    ]
    if not tops:
        return math.nan
    top = max(tops, key=lambda k: absorbance[k])
    left, right = absorbance[inside[inside < top]], absorbance[inside[inside > top]]
    height, floor = absorbance[top], float(max(left.min(), right.min()))
    if not height - floor > prominence:
        return math.nan
    level = height - TOP_SHARE * (height - floor) / 2
    first = last = int(top)
    while first > 0 and absorbance[first - 1] >= level and top - first < window:
        first -= 1
    while last < absorbance.size - 1 and absorbance[last + 1] >= level and last - top < window:
        last += 1
    first, last = min(first, int(top) - 1), max(last, int(top) + 1)
    x, y = wavelength[first : last + 1], absorbance[first : last + 1]
    curve, slope, _ = np.polyfit(x - wavelength[top], y, 2)
    if not curve < 0:
        return math.nan
    place = float(wavelength[top] - slope / (2 * curve))
    return place if x[0] <= place <= x[-1] else math.nan


def check_wavelength(
    found: Mapping[float, float] | Scan,
    standard: str,
    *,
    bandwidth: float | None = None,
    certified: Sequence[float] = (),
    limits: Settings | None = None,
) -> Check:
    """Compare band or line positions with those of a standard.

    Parameters
    ----------
    found : mapping of float to float, or Scan
        Positions found by nominal position, nm; or a scan of the standard, in which each
        band's top is looked for. Lamp lines are typed in: an emission scan holds no
        absorbance.
    standard : str
        See `standards`; any word when `certified` is given.
    bandwidth : float, optional
        nm.
    certified : sequence of float
        nm, positions of the user's own certificate instead of the table.
    limits : Settings, optional

    Returns
    -------
    Check

    Raises
    ------
    InputError
        If the standard is not known, or needs a bandwidth.
    """
    limits = qualification_limits() if limits is None else limits
    references = (
        tuple(_certified_position(standard, place) for place in certified)
        if certified
        else reference_positions(standard, bandwidth)
    )
    rows = []
    for one in references:
        place = _found_position(found, one.wavelength, limits)
        if place is None:
            continue
        rows.append(_wavelength_row(one, place, limits))
    if not rows:
        raise InputError(
            f"no band of {standard} lies in the readings; it has "
            f"{', '.join(f'{one.wavelength:g}' for one in references)} nm."
        )
    places = np.array([row.expected for row in rows])
    off = np.array([row.difference for row in rows])
    return Check(
        "wavelength",
        standard,
        tuple(rows),
        _wavelength_sentence(rows),
        _sources(references),
        places,
        off,
        np.zeros_like(places),
        "reference position, nm",
        "found less reference, nm",
    )


def _certified_position(standard: str, place: float) -> Reference:
    nan = math.nan
    return Reference(
        "wavelength", standard, f"{place:g} nm", place, nan, nan, nan, nan, nan, nan, 0.0,
        "certificate of the user", "certificate", "",
    )  # fmt: skip


def _found_position(
    found: Mapping[float, float] | Scan, nominal: float, limits: Settings
) -> float | None:
    """Return where a band was found; NaN when it is not there, None when nobody looked."""
    window, prominence = limits["search_window_nm"], limits["band_prominence_min"]
    if isinstance(found, Mapping):
        near = [place for place in found if abs(place - nominal) <= SAME_PLACE]
        return found[min(near, key=lambda one: abs(one - nominal))] if near else None
    if not found.wavelength[0] + window <= nominal <= found.wavelength[-1] - window:
        return None
    return band_position(found.wavelength, found.absorbance, nominal, window, prominence=prominence)


def _wavelength_row(one: Reference, place: float, limits: Settings) -> CheckRow:
    visible = one.wavelength >= limits["visible_from_nm"]
    limit = limits["wavelength_visible_nm" if visible else "wavelength_ultraviolet_nm"]
    off = place - one.wavelength
    passed = abs(off) <= limit * (1 + SLACK) if math.isfinite(place) else None
    note = one.note if math.isfinite(place) else "no maximum found within the search window"
    return CheckRow(one.name, one.wavelength, place, off, limit, "nm", passed, one.status, note)


def _wavelength_sentence(rows: Sequence[CheckRow]) -> str:
    off = np.array([row.difference for row in rows if math.isfinite(row.difference)])
    if not off.size:
        return "No band was found; check range, step and standard."
    worst = off[np.abs(off).argmax()]
    words = f"{off.size} positions: mean {off.mean():+.2f} nm, largest {worst:+.2f} nm"
    if off.size > 1 and np.ptp(off) < 0.5 * abs(off.mean()):
        words += "; all moved alike, as by an offset of the scale"
    return words + "."


# Absorbance


def check_absorbance(
    found: Mapping[float, float] | Scan,
    standard: str,
    *,
    concentration: float | None = None,
    path_length: float = 1.0,
    certified: Mapping[float, tuple[float, float]] | None = None,
    limits: Settings | None = None,
) -> Check:
    """Compare absorbances with those of a standard or a certificate.

    Parameters
    ----------
    found : mapping of float to float, or Scan
        Absorbance by wavelength in nm, or a scan.
    standard : str
    concentration : float, optional
        mg/L of dichromate.
    path_length : float
        cm, > 0.
    certified : mapping of float to (float, float), optional
        Certified absorbance and its standard uncertainty by wavelength in nm.
    limits : Settings, optional

    Returns
    -------
    Check

    Raises
    ------
    InputError
        If the standard is not known or its concentration is missing.
    """
    limits = qualification_limits() if limits is None else limits
    if not path_length > 0:
        raise InputError(f"path length is {path_length:g} cm, but must be above 0.")
    if certified is not None:
        rows = _certified_rows(found, certified, limits)
        source = "certificate of the user"
    else:
        references = references_of("absorbance", standard)
        rows = _dichromate_rows(found, references, concentration, path_length, limits)
        source = _sources(references)
    if not rows:
        raise InputError(f"no wavelength of {standard} lies in the readings.")
    off = [row.difference for row in rows]
    worst = max(off, key=abs)
    return Check(
        "absorbance",
        standard,
        tuple(rows),
        f"{len(rows)} readings, the worst off by {worst:+.3f} A.",
        source,
        np.array([row.expected for row in rows]),
        np.array(off),
        np.zeros(len(rows)),
        "expected absorbance",
        "found less expected",
    )


def _reads(found: Mapping[float, float] | Scan, wavelength: float) -> float | None:
    if isinstance(found, Mapping):
        near = [place for place in found if abs(place - wavelength) <= SAME_PLACE]
        return found[min(near, key=lambda one: abs(one - wavelength))] if near else None
    if not found.wavelength[0] <= wavelength <= found.wavelength[-1]:
        return None
    value = float(np.interp(wavelength, found.wavelength, found.absorbance))
    return value if math.isfinite(value) else None


def _certified_rows(
    found: Mapping[float, float] | Scan,
    certified: Mapping[float, tuple[float, float]],
    limits: Settings,
) -> list[CheckRow]:
    rows = []
    for wavelength, (value, uncertainty) in certified.items():
        read = _reads(found, wavelength)
        if read is None:
            continue
        limit = max(limits["absorbance_absolute"], limits["absorbance_relative"] * value)
        passed = abs(read - value) <= (limit + 2 * uncertainty) * (1 + SLACK)
        note = f"limit widened by the certificate's own ± {2 * uncertainty:.2g}"
        rows.append(
            CheckRow(f"{wavelength:g} nm", value, read, read - value, limit + 2 * uncertainty,
                     "absorbance", passed, "certificate", note)
        )  # fmt: skip
    return rows


def _dichromate_rows(
    found: Mapping[float, float] | Scan,
    references: Sequence[Reference],
    concentration: float | None,
    path_length: float,
    limits: Settings,
) -> list[CheckRow]:
    if concentration is None or not concentration > 0:
        raise InputError("dichromate needs its concentration in mg/L, above 0.")
    rows = []
    for wavelength in dict.fromkeys(one.wavelength for one in references):
        same = [one for one in references if one.wavelength == wavelength]
        read = _reads(found, wavelength)
        if read is None:
            continue
        expected, limit = _expected_dichromate(same, concentration, path_length, limits)
        rows.append(
            CheckRow(f"{wavelength:g} nm", expected, read, read - expected, limit, "absorbance",
                     abs(read - expected) <= limit * (1 + SLACK), same[0].status, same[0].note)
        )  # fmt: skip
    return rows


def _expected_dichromate(
    same: Sequence[Reference], concentration: float, path_length: float, limits: Settings
) -> tuple[float, float]:
    """Return expected absorbance and its limit at one wavelength.

    From A(1 %, 1 cm) with its allowed range, or interpolated in a table of nominal
    absorbances, which includes the true small curvature.
    """
    first = same[0]
    if math.isfinite(first.concentration):
        amounts = np.array([one.concentration for one in same])
        if not amounts.min() <= concentration <= amounts.max():
            raise InputError(
                f"concentration is {concentration:g} mg/L, but the table of {first.standard} "
                f"covers {amounts.min():g} to {amounts.max():g}."
            )
        value = float(np.interp(concentration, amounts, [one.value for one in same]))
        value *= path_length
        return value, max(limits["absorbance_absolute"], limits["absorbance_relative"] * value)
    factor = A1_PERCENT_OF_MG_PER_L * concentration * path_length
    return first.value * factor, (first.high - first.low) / 2 * factor


# Stray light


def stray_light_ratio(absorbance: float) -> float:
    """Upper bound of the stray-light ratio from what a cut-off filter reads: 10^-A."""
    return 10.0**-absorbance


def two_path_ratio(peak: float) -> float:
    """Stray-light ratio from the peak of a filter in 10 mm against 5 mm.

    S = 0.25 · 10^(-2 A)

    Examples
    --------
    >>> round(two_path_ratio(0.7), 6)
    0.009953
    """
    return TWO_PATH_FACTOR * 10 ** (-2 * peak)


def check_stray_light(
    found: Mapping[float, float] | Scan, standard: str, *, limits: Settings | None = None
) -> Check:
    """Check that a cut-off filter or solution reads high where it lets nothing through.

    Its result is reported, never subtracted from readings.

    Parameters
    ----------
    found : mapping of float to float, or Scan
    standard : str
        See `standards`, e.g. ``"acetone"``.
    limits : Settings, optional

    Returns
    -------
    Check

    Raises
    ------
    InputError
        If the standard is not known or its wavelength was not read.
    """
    limits = qualification_limits() if limits is None else limits
    (one,) = references_of("stray-light", standard)
    read = _reads(found, one.wavelength)
    if read is None:
        raise InputError(f"{standard}: no reading at {one.wavelength:g} nm.")
    limit = limits["stray_light_absorbance_min"]
    row = _at_least_row(f"A at {one.wavelength:g} nm", read, limit, "absorbance", one)
    ratio = stray_light_ratio(read)
    sentence = f"A {read:.2f}: at most {100 * ratio:.2g} % of the light is stray there."
    return Check("stray-light", standard, (row,), sentence, one.source, **_drawn(found, one))


def _drawn(found: Mapping[float, float] | Scan, one: Reference) -> dict[str, Any]:
    if isinstance(found, Mapping):
        return {}
    near = np.abs(found.wavelength - one.wavelength) <= 30
    return {
        "x": found.wavelength[near],
        "y": found.absorbance[near],
        "line": np.full(int(near.sum()), one.value),
        "x_label": "wavelength, nm",
        "y_label": "absorbance",
    }


def check_two_path(peak: float, standard: str, *, limits: Settings | None = None) -> Check:
    """Check stray light by one filter in 10 mm against the same in 5 mm.

    Parameters
    ----------
    peak : float
        Highest absorbance of the difference near the cut-off.
    standard : str
    limits : Settings, optional

    Returns
    -------
    Check
    """
    limits = qualification_limits() if limits is None else limits
    ratio = two_path_ratio(peak)
    least, most = limits["stray_light_peak_min"], limits["stray_light_ratio_max"]
    rows = (
        CheckRow("peak of the difference", math.nan, peak, peak, least, "absorbance, at least",
                 peak >= least * (1 - SLACK), "second-hand"),
        CheckRow("stray-light ratio", math.nan, ratio, ratio, most, "ratio, at most",
                 ratio <= most * (1 + SLACK), "second-hand"),
    )  # fmt: skip
    sentence = f"Peak A {peak:.2f}, stray-light ratio {ratio:.2g}."
    return Check("stray-light", standard, rows, sentence)


def _at_least_row(
    name: str, found: float, limit: float, unit: str, reference: Reference
) -> CheckRow:
    passed = found >= limit * (1 - SLACK)
    return CheckRow(name, math.nan, found, found, limit, f"{unit}, at least", passed,
                    reference.status, reference.note)  # fmt: skip


# Resolution


def check_resolution(
    found: Mapping[float, float] | Scan,
    standard: str = "toluene-hexane",
    *,
    limits: Settings | None = None,
) -> Check:
    """Check the ratio of a narrow band's top to the valley beside it.

    Parameters
    ----------
    found : mapping of float to float, or Scan
    standard : str
    limits : Settings, optional

    Returns
    -------
    Check
        Its note estimates the spectral bandwidth from a table by bandwidth.

    Raises
    ------
    InputError
        If top or valley was not read.
    """
    limits = qualification_limits() if limits is None else limits
    (one,) = references_of("resolution", standard)
    top, valley = _top_and_valley(found, one)
    if top is None or valley is None or not valley > 0:
        raise InputError(
            f"{standard}: needs readings near {one.wavelength:g} and {one.second_wavelength:g} nm, "
            "both above 0."
        )
    ratio = top / valley
    limit = limits["resolution_ratio_min"]
    row = _at_least_row(one.name, ratio, limit, "ratio", one)
    return Check("resolution", standard, (row,), _bandwidth_sentence(ratio, standard), one.source,
                 **_drawn(found, one))  # fmt: skip


def _top_and_valley(
    found: Mapping[float, float] | Scan, one: Reference
) -> tuple[float | None, float | None]:
    if isinstance(found, Mapping):
        return _reads(found, one.wavelength), _reads(found, one.second_wavelength)
    values = []
    for place, extreme in ((one.wavelength, np.nanmax), (one.second_wavelength, np.nanmin)):
        near = np.abs(found.wavelength - place) <= 1.2
        values.append(float(extreme(found.absorbance[near])) if near.any() else None)
    return values[0], values[1]


def estimated_bandwidth(ratio: float, standard: str = "toluene-hexane") -> float:
    """Return the spectral bandwidth a resolution ratio stands for, nm; NaN outside the table.

    Examples
    --------
    >>> estimated_bandwidth(1.65)
    1.5
    """
    rows = sorted(references_of("resolution-by-bandwidth", standard), key=lambda one: one.value)
    ratios = [one.value for one in rows]
    if not rows[0].low <= ratio <= rows[-1].high:
        return math.nan
    return float(np.interp(ratio, ratios, [one.bandwidth for one in rows]))


def _bandwidth_sentence(ratio: float, standard: str) -> str:
    width = estimated_bandwidth(ratio, standard)
    words = f"Ratio {ratio:.2f}"
    if math.isfinite(width):
        return f"{words}, as of a bandwidth of about {width:.1f} nm."
    return words + ", outside the table by bandwidth."


# Noise, drift, baseline


def check_noise(readings: Sequence[float] | Scan, *, limits: Settings | None = None) -> Check:
    """Check the scatter of readings of a blank: at one wavelength, or along a blank scan.

    Parameters
    ----------
    readings : sequence of float, or Scan
        Absorbances one after the other (a straight line through them is taken off); or a
        scan of blank against blank, of which the running mean is taken off.
    limits : Settings, optional

    Returns
    -------
    Check

    Raises
    ------
    InputError
        If there are fewer than 5 readings.
    """
    limits = qualification_limits() if limits is None else limits
    x, y, spread = _noise(readings)
    limit = limits["noise_max"]
    status = "" if _changed(limits, "noise_max") else "memory"
    passed = spread <= limit * (1 + SLACK)
    row = CheckRow("standard deviation", math.nan, spread, spread, limit, "absorbance, at most",
                   passed, status)  # fmt: skip
    label = "reading" if not isinstance(readings, Scan) else "wavelength, nm"
    return Check("noise", "blank", (row,), f"Noise {spread:.2g} A over {y.size} readings.",
                 "", x, y, np.full(y.size, float(np.mean(y))), label, "absorbance")  # fmt: skip


def _changed(limits: Settings, key: str) -> bool:
    return limits.limits[key].changed


def _noise(readings: Sequence[float] | Scan) -> tuple[Array, Array, float]:
    if isinstance(readings, Scan):
        known = np.isfinite(readings.absorbance)
        x, y = readings.wavelength[known], readings.absorbance[known]
        _at_least(y.size, 5, "noise")
        step = float(np.median(np.diff(x)))
        # a running mean of n points takes 1/n of the variance of white noise with it
        n = max(1.0, round(5.0 / step)) if step > 0 else 1.0
        rest = y - smoothed(x, y)
        return x, y, float(np.std(rest) / math.sqrt(max(1 - 1 / n, 0.1)))
    y = np.asarray(readings, dtype=np.float64)
    _at_least(y.size, 5, "noise")
    x = np.arange(1.0, y.size + 1)
    rest = y - np.polyval(np.polyfit(x, y, 1), x)
    return x, y, float(np.sqrt((rest**2).sum() / (y.size - 2)))


def _at_least(count: int, least: int, what: str) -> None:
    if count < least:
        raise InputError(f"{what}: {count} readings; at least {least} are needed.")


def check_drift(
    hours: Sequence[float], absorbances: Sequence[float], *, limits: Settings | None = None
) -> Check:
    """Check the mean slope of a blank's readings against time.

    Parameters
    ----------
    hours, absorbances : sequence of float, equally long
    limits : Settings, optional

    Returns
    -------
    Check
        It cannot be told when the series is too short, or when the slope's own
        uncertainty is as large as the limit.

    Raises
    ------
    InputError
        If there are fewer than 3 readings or the times do not rise.
    """
    limits = qualification_limits() if limits is None else limits
    x, y = np.asarray(hours, dtype=np.float64), np.asarray(absorbances, dtype=np.float64)
    if x.shape != y.shape:
        raise InputError(f"drift: {x.size} times, but {y.size} readings; give one each.")
    _at_least(x.size, 3, "drift")
    if not (np.diff(x) > 0).all():
        raise InputError("drift: the times must rise.")
    slope, start = np.polyfit(x, y, 1)
    rest = y - (start + slope * x)
    spread = math.sqrt((rest**2).sum() / (x.size - 2)) / math.sqrt(((x - x.mean()) ** 2).sum())
    limit = limits["drift_max"]
    long_enough = np.ptp(x) >= limits["drift_time_min"]
    sure = 2 * spread < limit or abs(slope) - 2 * spread > limit
    passed = bool(abs(slope) <= limit * (1 + SLACK)) if long_enough and sure else None
    note = (
        ""
        if passed is not None
        else ("too short a series" if not long_enough else "the slope is not known well enough")
    )
    row = CheckRow("slope", 0.0, float(slope), float(slope), limit, "absorbance/h", passed,
                   "" if _changed(limits, "drift_max") else "memory", note)  # fmt: skip
    sentence = f"Drift {slope:+.2g} ± {spread:.1g} A/h over {np.ptp(x):.2g} h."
    return Check("drift", "blank", (row,), sentence, "", x, y, start + slope * x, "time, h",
                 "absorbance")  # fmt: skip


def check_baseline(scan: Scan, *, limits: Settings | None = None) -> Check:
    """Check that blank against blank is flat and near zero.

    Parameters
    ----------
    scan : Scan
    limits : Settings, optional

    Returns
    -------
    Check
    """
    limits = qualification_limits() if limits is None else limits
    smooth = smoothed(scan.wavelength, scan.absorbance)
    known = np.isfinite(smooth)
    _at_least(int(known.sum()), 5, "baseline")
    middle = float(np.median(smooth[known]))
    off = smooth - middle
    worst = int(np.nanargmax(np.abs(off)))
    flat, offset = limits["baseline_max"], limits["baseline_offset_max"]
    rows = (
        CheckRow(f"worst, at {scan.wavelength[worst]:.0f} nm", 0.0, float(off[worst]),
                 float(off[worst]), flat, "absorbance", bool(abs(off[worst]) <= flat * (1 + SLACK)),
                 "" if _changed(limits, "baseline_max") else "memory"),
        CheckRow("offset", 0.0, middle, middle, offset, "absorbance",
                 abs(middle) <= offset * (1 + SLACK)),
    )  # fmt: skip
    sentence = f"Flat within {abs(off[worst]):.2g} A, offset {middle:+.2g} A."
    return Check("baseline", "blank", rows, sentence, "", scan.wavelength, scan.absorbance,
                 np.full(scan.wavelength.size, middle), "wavelength, nm", "absorbance")  # fmt: skip


# Linearity


def check_linearity(
    amounts: Sequence[float],
    absorbances: Sequence[float],
    *,
    standard: str = "dye",
    wavelength: float | None = None,
    limits: Settings | None = None,
) -> Check:
    """Check that absorbance follows the amount in a dilution series.

    A straight line is laid through the points up to `linearity_fit_to`; every point is
    compared with it. Absorbance that rises slower than the line at the top is what stray
    light does. Rising faster is no sign of an instrument: association, evaporation or a
    pipette do that. For dichromate in perchloric acid, whose absorbance truly rises a
    little faster than its concentration, the amounts are replaced by the nominal
    absorbances of the table.

    Parameters
    ----------
    amounts : sequence of float
        Relative amounts, such as 1 / dilution factor; mg/L for a tabulated standard.
    absorbances : sequence of float
        Blank subtracted.
    standard : str
    wavelength : float, optional
        nm; needed for a tabulated standard.
    limits : Settings, optional

    Returns
    -------
    Check

    Raises
    ------
    InputError
        If there are fewer than 4 points, or an amount is not above 0.
    """
    limits = qualification_limits() if limits is None else limits
    x, y = np.asarray(amounts, dtype=np.float64), np.asarray(absorbances, dtype=np.float64)
    if x.shape != y.shape:
        raise InputError(f"linearity: {x.size} amounts, but {y.size} absorbances; give one each.")
    _at_least(x.size, 4, "linearity")
    if not (x > 0).all():
        raise InputError("linearity: amounts must be above 0. The blank is taken off beforehand.")
    order = np.argsort(x)
    x, y = x[order], y[order]
    ruled = _nominal(x, standard, wavelength)
    line = _line(ruled, y, limits)
    rows = tuple(
        _linearity_row(float(a), float(b), float(c), limits)
        for a, b, c in zip(x, y, line, strict=True)
    )
    rows, sentence = _linearity_verdict(rows, y, line)
    label = "concentration, mg/L" if ruled is not x else "relative amount"
    source = _sources(references_of("absorbance", standard)) if ruled is not x else ""
    return Check("linearity", standard, rows, sentence, source, x, y, line, label, "absorbance")


def _nominal(amounts: Array, standard: str, wavelength: float | None) -> Array:
    """Return nominal absorbances for a tabulated standard, else the amounts themselves."""
    if standard not in standards("absorbance"):
        return amounts
    rows = [
        one
        for one in references_of("absorbance", standard)
        if math.isfinite(one.concentration) and one.wavelength == wavelength
    ]
    if not rows:
        return amounts
    return np.interp(amounts, [one.concentration for one in rows], [one.value for one in rows])


def _line(x: Array, y: Array, limits: Settings) -> Array:
    """Return the weighted straight line through the lower points, at all points."""
    low = y <= limits["linearity_fit_to"]
    if low.sum() < 3:
        low = np.zeros_like(low)
        low[:3] = True
    spread = np.hypot(limits["noise_max"], limits["linearity_dilution_uncertainty"] * y)
    slope, start = np.polyfit(x[low], y[low], 1, w=1 / spread[low])
    # a blank subtracted leaves no intercept; one within its own uncertainty is none
    if abs(start) <= 2 * float(spread[low].min()):
        weight = 1 / spread[low] ** 2
        slope = (weight * x[low] * y[low]).sum() / (weight * x[low] ** 2).sum()
        start = 0.0
    return np.asarray(start + slope * x)


def _linearity_row(amount: float, read: float, expected: float, limits: Settings) -> CheckRow:
    limit = max(limits["linearity_max"] * abs(expected), limits["linearity_absolute"])
    passed = abs(read - expected) <= limit * (1 + SLACK)
    return CheckRow(f"amount {amount:.4g}", expected, read, read - expected, limit, "absorbance",
                    passed)  # fmt: skip


def _linearity_verdict(
    rows: tuple[CheckRow, ...], read: Array, line: Array
) -> tuple[tuple[CheckRow, ...], str]:
    if all(row.passed for row in rows):
        return rows, f"Straight up to A {read.max():.2g}."
    top = rows[-1]
    if np.polyfit(line, read, 2)[0] > 0:
        changed = tuple(replace(row, passed=row.passed or None) for row in rows)
        return changed, (
            "Absorbance rises faster than the amount. Stray light cannot do that: look for "
            "association, evaporation or a pipetting error before blaming the instrument."
        )
    good = [row.found for row in rows if row.passed]
    words = f"Bent: straight up to A {max(good):.2g} only." if good else "Bent from the start."
    if top.difference < 0 and not top.passed:
        ratio = _stray_from_bend(float(line[-1]), float(read[-1]))
        words += (
            f" Stray light of about {100 * ratio:.2g} % would read so; a wide bandwidth or a "
            "saturated detector as well."
        )
    return rows, words


def _stray_from_bend(true: float, read: float) -> float:
    """Invert A_read = -log10((10^-A + s)/(1 + s)) for the stray-light ratio s."""
    passed, seen = 10.0**-true, 10.0**-read
    return (seen - passed) / (1 - seen) if seen < 1 else math.nan


def _sources(references: Iterable[Reference]) -> str:
    found = dict.fromkeys(f"{one.source} ({one.status})" for one in references)
    return "; ".join(found)
