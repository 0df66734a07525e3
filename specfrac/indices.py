"""Indices of the trade: a few readings of a scan against those of the clean pigment.

Each index is a pure function of a scan. Its clean value is computed from the reference
library in the scan's solvent, by the same function; nothing is copied from a table.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from specfrac.band_positions import Derivatives, differentiate
from specfrac.errors import InputError, did_you_mean
from specfrac.fitting.error_model import error_model
from specfrac.fitting.model import slit_variance
from specfrac.identification_limits import limits
from specfrac.references import PigmentReference, ReferenceLibrary, read_table
from specfrac.references.model import GRADES
from specfrac.references.shapes import Maxima, find_maxima
from specfrac.references.tables import listed
from specfrac.scans import Scan
from specfrac.uncertainty import Quantity, rounded

if TYPE_CHECKING:
    from specfrac.fitting import MixtureFit

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

AS_CLEAN, BELOW, ABOVE, CANNOT_TELL = "as clean", "below", "above", "cannot tell"
VERDICTS = (AS_CLEAN, BELOW, ABOVE, CANNOT_TELL)
COVERAGE = 2.0  # standard uncertainties; about 95 %
CLEAN_FROM, CLEAN_TO, CLEAN_STEP = 300.0, 800.0, 0.5  # nm
WIDE_BANDWIDTH_DOUBT = 0.5  # of the effect of the widest usual bandwidth, when none is stated
STEEPEST_SCATTER = 4.0  # exponent of a baseline that may also be flat
HIDDEN_REACH = 45.0  # nm, most that bands II and III lie apart; a gap further off hides neither
CARRIED_OVER = ("chlorophyll-a", "pheophytin-a")
ACID_PRODUCT = MappingProxyType({"chlorophyll-a": "pheophytin-a", "pheophytin-a": "pheophytin-a"})


@dataclass(frozen=True, slots=True)
class Reading:
    """An index of one scan.

    Attributes
    ----------
    value : float
        NaN when the scan does not show what the index needs.
    uncertainty : float
        Standard uncertainty from noise, baseline and, for fixed wavelengths, the
        instrument's wavelength error.
    wavelengths : tuple of float
        nm, where the scan was read.
    reason : str
        Why there is no value, or "".
    """

    value: float
    uncertainty: float
    wavelengths: tuple[float, ...]
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Clean:
    """What an index is for one pigment in one solvent.

    Attributes
    ----------
    value, uncertainty : float
        NaN when the library has no reference that reaches the wavelengths.
    pigment, solvent : str
    grade : str
        Of the reference; the worse one where two are needed.
    """

    value: float
    uncertainty: float
    pigment: str
    solvent: str
    grade: str


@dataclass(frozen=True, slots=True)
class Index:
    """An index of a scan beside its clean value.

    Attributes
    ----------
    key, name : str
        As in ``indices.csv``.
    reading : Reading
    clean : Clean
    verdict : str
        ``"as clean"``, ``"below"``, ``"above"`` or ``"cannot tell"``.
    reason : str
        What a departure means, or why it cannot be told.
    source : str
        Of the definition.
    """

    key: str
    name: str
    reading: Reading
    clean: Clean
    verdict: str
    reason: str
    source: str

    def as_dict(self) -> dict[str, object]:
        """Return the index as plain data."""
        return {
            "index": self.key,
            "name": self.name,
            "pigment": self.clean.pigment,
            "value": self.reading.value,
            "uncertainty": self.reading.uncertainty,
            "wavelengths_nm": list(self.reading.wavelengths),
            "clean_value": self.clean.value,
            "clean_uncertainty": self.clean.uncertainty,
            "clean_grade": self.clean.grade,
            "verdict": self.verdict,
            "reason": self.reason,
            "source": self.source,
        }

    def line(self) -> str:
        """Return the index as a line of text: reading, clean value, verdict and why."""
        read = rounded(self.reading.value, self.reading.uncertainty)
        clean = rounded(self.clean.value, self.clean.uncertainty)
        why = f": {self.reason}" if self.reason else ""
        return f"{self.name} {read} (clean {self.clean.pigment} {clean}), {self.verdict}{why}"


@dataclass(frozen=True, slots=True)
class Definition:
    """A row of ``indices.csv``.

    Attributes
    ----------
    key, name, kind : str
    wavelengths : tuple of float
        nm, where they are fixed.
    pigments, solvents : tuple of str
        Pigments with a clean value; solvents it is used in, all when empty.
    telling : float
        Smallest departure worth a word.
    telling_relative : bool
        True when that is a share of the clean value.
    between_laboratories : float
        Standard uncertainty of a clean value beyond that of the band shape.
    below_means, above_means, source : str
    """

    key: str
    name: str
    kind: str
    wavelengths: tuple[float, ...]
    pigments: tuple[str, ...]
    solvents: tuple[str, ...]
    telling: float
    telling_relative: bool
    between_laboratories: float
    below_means: str
    above_means: str
    source: str


@lru_cache(maxsize=1)
def definitions() -> MappingProxyType[str, Definition]:
    """Return the definitions of the indices by key."""
    return MappingProxyType(
        {
            row["index"]: Definition(
                row["index"],
                row["name"],
                row["kind"],
                tuple(float(part) for part in listed(row["wavelengths_nm"])),
                listed(row["pigments"]),
                listed(row["solvents"]),
                float(row["telling"]),
                row["telling_kind"] == "relative",
                float(row["between_laboratories"] or 0.0),
                row["below_means"],
                row["above_means"],
                row["source"],
            )
            for row in read_table("indices.csv").rows
        }
    )


def definition(key: str) -> Definition:
    """Return one definition.

    Raises
    ------
    InputError
        If the index is not known.
    """
    known = definitions()
    if key not in known:
        raise InputError(f"index {key!r} is not known. {did_you_mean(key, known)}")
    return known[key]


# The curve an index reads


@dataclass(frozen=True, slots=True, eq=False)
class _Curve:
    """A smoothed scan with the errors of its readings."""

    found: Derivatives
    level: float
    level_uncertainty: float
    exponent: float
    exponent_uncertainty: float
    reference: float

    def at(self, wavelength: float) -> float:
        """Absorbance above the baseline; NaN outside the scan."""
        grid, orders = self.found.wavelength, self.found.orders
        if not grid[0] <= wavelength <= grid[-1]:
            return math.nan
        near = int(np.argmin(np.abs(grid - wavelength)))
        d = wavelength - grid[near]
        value = orders[0, near] + d * orders[1, near] + d * d / 2 * orders[2, near]
        return float(value - self.level * (self.reference / wavelength) ** self.exponent)

    def covariance(self, wavelengths: Sequence[float]) -> Array:
        """Of readings at wavelengths in nm: noise, and a baseline that is flat or scatter."""
        places = np.asarray(wavelengths, dtype=np.float64)
        noise = np.interp(places, self.found.wavelength, self.found.noise[0])
        ratio = self.reference / places
        size = ratio**self.exponent * self.level_uncertainty
        bend = self.level * ratio**self.exponent * np.log(ratio) * self.exponent_uncertainty
        return np.diag(noise**2) + np.outer(size, size) + np.outer(bend, bend)

    @property
    def smooth(self) -> Array:
        """Smoothed absorbance above the baseline on the grid."""
        grid = self.found.wavelength
        return np.asarray(
            self.found.orders[0] - self.level * (self.reference / grid) ** self.exponent
        )


def _curve(scan: Scan, noise: float | None) -> _Curve:
    """Smooth a scan and take its baseline from what is left beyond the bands.

    What is left may be an offset, exponent 0, or scatter, up to 4; the exponent is 2 with
    the standard deviation of a uniform distribution over that range.
    """
    numbers = error_model()
    found = differentiate(scan, noise=noise)
    tail = (scan.wavelength > numbers["scatter_free_from"]) & np.isfinite(scan.absorbance)
    if not tail.any():
        end = float(scan.wavelength[-1])
        return _Curve(found, 0.0, numbers["offset_limit"], 0.0, 0.0, end)
    level = float(np.median(scan.absorbance[tail]))
    reference = float(np.median(scan.wavelength[tail]))
    # a median of smoothed values, of which one window holds about one (1.25: median over mean)
    windows = float(np.ptp(scan.wavelength[tail])) / limits()["smoothing_window"]
    doubt = float(np.median(found.noise[0])) * min(1.0, 1.25 / math.sqrt(max(windows, 1.0)))
    if level <= 0:
        return _Curve(found, level, doubt, 0.0, 0.0, reference)
    spread = STEEPEST_SCATTER / math.sqrt(12)
    return _Curve(found, level, doubt, STEEPEST_SCATTER / 2, spread, reference)


def _propagated(
    curve: _Curve,
    wavelengths: Sequence[float],
    function: Callable[[Array], float],
    *,
    fixed: bool,
) -> Reading:
    """An index of readings, with first-order uncertainty (JCGM 100:2008, 5.1 and 5.2)."""
    places = tuple(float(place) for place in wavelengths)
    readings = np.array([curve.at(place) for place in places])
    if not np.isfinite(readings).all():
        missing = places[int(np.flatnonzero(~np.isfinite(readings))[0])]
        return Reading(math.nan, math.nan, places, f"the scan cannot be read at {missing:.0f} nm")
    value, variance = _first_order(readings, curve.covariance(places), function)
    if fixed:
        variance += _moved(
            value, places, lambda moved: function(np.array(list(map(curve.at, moved))))
        )
    return Reading(value, math.sqrt(variance), places)


def _moved(
    value: float, places: Sequence[float], index: Callable[[Sequence[float]], float]
) -> float:
    """Variance from the instrument's wavelength error, which moves all readings alike.

    Readings beside a band top are curved in it, so the index is read one standard
    deviation to either side, and the larger change counts.
    """
    shift = error_model()["instrument_shift_prior"]
    sides = [index([place + step for place in places]) for step in (-shift, shift)]
    return max((side - value) ** 2 for side in sides)


def _first_order(
    readings: Array, covariance: Array, function: Callable[[Array], float]
) -> tuple[float, float]:
    """Value of a function, and its variance by numerical sensitivities."""
    step = 1e-6 * max(float(np.abs(readings).max()), 1e-6)
    value = function(readings)
    sensitivity = np.array(
        [
            (function(readings + step * unit) - function(readings - step * unit)) / (2 * step)
            for unit in np.eye(readings.size)
        ]
    )
    return value, float(sensitivity @ covariance @ sensitivity)


def _ratio(readings: Array) -> float:
    return float(readings[0] / readings[1]) if readings[1] > 0 else math.nan


def _fine_structure(readings: Array) -> float:
    second, third, valley = readings
    return float(100 * (third - valley) / (second - valley)) if second > valley else math.nan


UNREADABLE = Reading(math.nan, math.nan, (), "a maximum lies where the scan cannot be read")


def _maxima(curve: _Curve, *, chlorophyll_type: bool) -> Maxima | None:
    """The maxima of a curve; None when a gap, as of readings too high to use, may hide one."""
    grid, smooth = curve.found.wavelength, curve.smooth
    known = np.isfinite(smooth)
    found = find_maxima(grid[known], smooth[known], chlorophyll_type=chlorophyll_type)
    inner = np.flatnonzero(known)
    gaps = np.flatnonzero(np.diff(inner) > 1)
    for before, after in zip(inner[gaps], inner[gaps + 1], strict=True):
        edge = max(smooth[before], smooth[after])
        for place in (found.main, found.second):
            near = abs(place - (grid[before] + grid[after]) / 2) <= HIDDEN_REACH
            if near and edge >= curve.at(place):
                return None
        if math.isnan(found.main):
            return None
    return found


# The indices


def fine_structure(scan: Scan, *, noise: float | None = None) -> Reading:
    """%III/II of a carotenoid: band III over band II, both above the valley between.

    Parameters
    ----------
    scan : Scan
    noise : float, optional
        Standard deviation of a reading at zero absorbance; estimated when not given.

    Returns
    -------
    Reading
        Per cent; NaN when no two maxima stand 15 to 45 nm apart.

    References
    ----------
    Britton G. (1995) in: Carotenoids, vol. 1B: Spectroscopy. Birkhäuser, Basel.

    Examples
    --------
    >>> from specfrac.bands import gaussian_bands
    >>> grid = np.arange(380.0, 760.0)
    >>> bands = gaussian_bands(grid, [446.0, 474.0], [1.0, 0.9], [9.0, 9.0])
    >>> round(fine_structure(Scan("two bands", grid, bands)).value)
    78
    """
    return _of_fine_structure(_curve(scan, noise))


def _of_fine_structure(curve: _Curve) -> Reading:
    found = _maxima(curve, chlorophyll_type=False)
    if found is None:
        return UNREADABLE
    if not (math.isfinite(found.main) and math.isfinite(found.second)):
        return Reading(math.nan, math.nan, (), "bands II and III do not stand apart")
    grid, smooth = curve.found.wavelength, curve.smooth
    between = np.isfinite(smooth) & (grid > found.main) & (grid < found.second)
    valley = float(grid[between][np.argmin(smooth[between])])
    return _propagated(curve, (found.main, found.second, valley), _fine_structure, fixed=False)


def soret_to_red(scan: Scan, *, noise: float | None = None) -> Reading:
    """Soret over red maximum of a chlorophyll or pheophytin.

    Parameters
    ----------
    scan : Scan
    noise : float, optional
        As in `fine_structure`.

    Returns
    -------
    Reading

    References
    ----------
    Smith J.H.C., Benitez A. (1955) in: Moderne Methoden der Pflanzenanalyse, vol. 4.
    """
    return _of_maxima(_curve(scan, noise))


def _of_maxima(curve: _Curve) -> Reading:
    found = _maxima(curve, chlorophyll_type=True)
    if found is None:
        return UNREADABLE
    if not (math.isfinite(found.main) and math.isfinite(found.second)):
        return Reading(math.nan, math.nan, (), "the scan has no Soret or no red maximum")
    return _propagated(curve, (found.main, found.second), _ratio, fixed=False)


def cis_peak(scan: Scan, *, noise: float | None = None) -> Reading:
    """Absorbance at 340 nm over that of band II: the cis peak of a carotenoid in hexane.

    Parameters
    ----------
    scan : Scan
        In hexane or petroleum ether; other solvents move the peak or hide it.
    noise : float, optional
        As in `fine_structure`.

    Returns
    -------
    Reading

    References
    ----------
    Britton G. (1995); Zechmeister L. (1962), as in ``indices.csv``.
    """
    return _to_band_two(_curve(scan, noise), definition("cis-peak").wavelengths[0])


def _to_band_two(curve: _Curve, wavelength: float) -> Reading:
    found = _maxima(curve, chlorophyll_type=False)
    if found is None:
        return UNREADABLE
    if not math.isfinite(found.main):
        return Reading(math.nan, math.nan, (), "the scan has no band II")
    return _propagated(curve, (wavelength, found.main), _ratio, fixed=False)


def fixed_ratio(
    scan: Scan, numerator: float, denominator: float, *, noise: float | None = None
) -> Reading:
    """Ratio of the absorbances at two wavelengths: A435/A415, A662/A450, A663/A645.

    Parameters
    ----------
    scan : Scan
    numerator, denominator : float
        nm.
    noise : float, optional
        As in `fine_structure`.

    Returns
    -------
    Reading
        With the instrument's wavelength error, since the readings may lie on a slope.

    Examples
    --------
    >>> from specfrac.bands import gaussian_bands
    >>> grid = np.arange(380.0, 760.0)
    >>> scan = Scan("band", grid, gaussian_bands(grid, [450.0], [0.5], [20.0]))
    >>> round(fixed_ratio(scan, 470.0, 450.0).value, 3)  # exp(-1/2)
    0.607
    """
    curve = _curve(scan, noise)
    return _propagated(curve, (numerator, denominator), _ratio, fixed=True)


def acid_ratio(
    before: Scan,
    after: Scan,
    *,
    thinning: Quantity | None = None,
    noise: float | None = None,
) -> Reading:
    """Red absorbance before over after acid: 1.7 for chlorophyll a, 1.0 for pheophytin a.

    Parameters
    ----------
    before, after : Scan
        Of the same solution.
    thinning : Quantity, optional
        How many times less a reading after acid is for its dilution and path length alone;
        1 without error when not given, so that the acid's volume is taken as negligible.
    noise : float, optional
        As in `fine_structure`.

    Returns
    -------
    Reading

    References
    ----------
    Lorenzen C.J. (1967) Limnol. Oceanogr. 12:343.
    """
    places = definition("acid-ratio").wavelengths
    curves = (_curve(before, noise), _curve(after, noise))
    readings = np.array([curve.at(place) for curve, place in zip(curves, places, strict=True)])
    if not np.isfinite(readings).all():
        return Reading(math.nan, math.nan, places, "a scan cannot be read at 664 or 665 nm")
    own = [
        float(curve.covariance([place])[0, 0]) for curve, place in zip(curves, places, strict=True)
    ]
    factor = Quantity(1.0, 0.0, "") if thinning is None else thinning
    value, variance = _first_order(readings, np.diag(own), _ratio)

    # one instrument reads both scans, so its wavelength error is common
    def index(moved: Sequence[float]) -> float:
        return _ratio(np.array([curve.at(x) for curve, x in zip(curves, moved, strict=True)]))

    variance += _moved(value, places, index) + (value * factor.uncertainty / factor.value) ** 2
    return Reading(value / factor.value, math.sqrt(variance) / factor.value, places)


def reading(
    key: str,
    scan: Scan,
    *,
    acidified: Scan | None = None,
    thinning: Quantity | None = None,
    noise: float | None = None,
) -> Reading:
    """Return an index of a scan by its key.

    Parameters
    ----------
    key : str
        As in ``indices.csv``.
    scan : Scan
    acidified : Scan, optional
        The same solution after acid.
    thinning : Quantity, optional
        As in `acid_ratio`.
    noise : float, optional
        As in `fine_structure`.

    Raises
    ------
    InputError
        If the index is not known.
    """
    found = definition(key)
    if found.kind == "acid pair":
        if acidified is None:
            return Reading(math.nan, math.nan, found.wavelengths, "there is no scan after acid")
        return acid_ratio(scan, acidified, thinning=thinning, noise=noise)
    return _of_curve(found, _curve(scan, noise))


def _of_curve(found: Definition, curve: _Curve) -> Reading:
    if found.kind == "fine structure":
        return _of_fine_structure(curve)
    if found.kind == "ratio of maxima":
        return _of_maxima(curve)
    if found.kind == "to band II":
        return _to_band_two(curve, found.wavelengths[0])
    return _propagated(curve, found.wavelengths, _ratio, fixed=True)


# Clean values


def clean_value(
    key: str,
    pigment: str,
    solvent: str,
    library: ReferenceLibrary,
    *,
    bandwidth: float | None = None,
) -> Clean:
    """Return what an index is for a pure pigment, computed from its reference.

    Parameters
    ----------
    key : str
    pigment, solvent : str
    library : ReferenceLibrary
    bandwidth : float, optional
        nm, spectral bandwidth of the scan it is compared with. When not given, the
        uncertainty holds half the effect of the widest usual one.

    Returns
    -------
    Clean
        The uncertainty holds the reference's shape error, correlated over 10 nm, and for
        the acid ratio both absorptivities.

    Raises
    ------
    InputError
        If the index is not known.
    ReferenceNotFoundError
        If pigment or solvent is not known.

    Examples
    --------
    >>> from specfrac import load_references
    >>> found = clean_value("fine-structure", "lutein", "ethanol", load_references())
    >>> round(found.value, 1), found.grade
    (67.5, 'measured')
    """
    rule = definition(key)
    names = library.pigment(pigment).key, library.solvent(solvent).key
    product = ACID_PRODUCT.get(names[0], names[0]) if rule.kind == "acid pair" else names[0]
    if not (library.has(*names) and library.has(product, names[1])):
        return Clean(math.nan, math.nan, *names, "none")
    entry, after = library.cell(*names), library.cell(product, names[1])
    return _clean(rule, entry, after, bandwidth)


@lru_cache(maxsize=1024)
def _clean(
    rule: Definition, entry: PigmentReference, after: PigmentReference, bandwidth: float | None
) -> Clean:
    value, variance = _clean_parts(rule, entry, after, bandwidth)
    if bandwidth is None and math.isfinite(value):
        wide, _ = _clean_parts(rule, entry, after, error_model()["wide_bandwidth"])
        variance += (WIDE_BANDWIDTH_DOUBT * (wide - value)) ** 2
    variance += rule.between_laboratories**2
    grade = max((entry.grade, after.grade), key=GRADES.index)
    return Clean(value, math.sqrt(variance), entry.pigment, entry.solvent, grade)


def _clean_parts(
    rule: Definition, entry: PigmentReference, after: PigmentReference, bandwidth: float | None
) -> tuple[float, float]:
    """Value and variance of a clean index at one bandwidth."""
    curve = _reference_curve(entry, bandwidth)
    if rule.kind == "acid pair":
        return _clean_acid(rule, entry, after, bandwidth)
    found = _of_curve(rule, curve)
    low, high = entry.valid_from, entry.valid_to
    if not found.wavelengths or not all(low <= place <= high for place in found.wavelengths):
        return math.nan, math.nan
    function = _fine_structure if rule.kind == "fine structure" else _ratio
    readings = np.array([curve.at(place) for place in found.wavelengths])
    return _first_order(readings, _shape_covariance(entry, readings, found.wavelengths), function)


def _clean_acid(
    rule: Definition, entry: PigmentReference, after: PigmentReference, bandwidth: float | None
) -> tuple[float, float]:
    """Of the same amount of substance before and after; the chromophore loses magnesium."""
    first = _reference_curve(entry, bandwidth).at(rule.wavelengths[0])
    second = _reference_curve(after, bandwidth).at(rule.wavelengths[1])
    value = (first * entry.scale * entry.molar_mass) / (second * after.scale * after.molar_mass)
    if entry is after:  # one reference: its scale cancels
        pair = _shape_covariance(entry, np.array([first, second]), rule.wavelengths)
        return _first_order(np.array([first, second]), pair, _ratio)
    relative = [one.scale_uncertainty**2 + one.shape_error**2 for one in (entry, after)]
    return float(value), float(value**2 * sum(relative))


def _shape_covariance(
    entry: PigmentReference, readings: Array, wavelengths: Sequence[float]
) -> Array:
    places = np.asarray(wavelengths, dtype=np.float64)
    length = error_model()["shape_correlation_length"]
    distance = (places[:, None] - places[None, :]) / length
    spread = entry.shape_error * readings
    return np.asarray(np.outer(spread, spread) * np.exp(-(distance**2) / 2))


@lru_cache(maxsize=512)
def _reference_curve(entry: PigmentReference, bandwidth: float | None) -> _Curve:
    """A reference as a scan without noise or baseline."""
    grid = np.arange(CLEAN_FROM, CLEAN_TO + CLEAN_STEP, CLEAN_STEP)
    extra = 0.0 if bandwidth is None else slit_variance(bandwidth, entry.bandwidth)
    width = np.sqrt(np.maximum(entry.width**2 + extra, entry.width**2 / 4))
    z = (grid[:, None] - entry.centre) / width
    shape = np.exp(-0.5 * z * z) @ (entry.height * entry.width / width)
    found = differentiate(Scan(entry.pigment, grid, shape), noise=0.0)
    return _Curve(found, 0.0, 0.0, 0.0, 0.0, CLEAN_TO)


# Comparing


def compare(key: str, found: Reading, clean: Clean) -> Index:
    """Set an index beside its clean value and say what it tells.

    ``"above"`` and ``"below"`` when the two differ by more than twice their joint standard
    uncertainty; ``"as clean"`` when they do not, and a departure worth a word would have
    shown; else ``"cannot tell"``.

    Parameters
    ----------
    key : str
    found : Reading
    clean : Clean

    Returns
    -------
    Index
    """
    rule = definition(key)
    verdict, reason = _verdict(rule, found, clean)
    return Index(key, rule.name, found, clean, verdict, reason, rule.source)


def _verdict(rule: Definition, found: Reading, clean: Clean) -> tuple[str, str]:
    if not math.isfinite(found.value):
        return CANNOT_TELL, found.reason or "the scan does not show it"
    if not math.isfinite(clean.value):
        return CANNOT_TELL, (
            f"the library has no clean value for {clean.pigment} in {clean.solvent}"
        )
    doubt = COVERAGE * math.hypot(found.uncertainty, clean.uncertainty)
    difference = found.value - clean.value
    if abs(difference) > doubt:
        return (ABOVE, rule.above_means) if difference > 0 else (BELOW, rule.below_means)
    telling = rule.telling * (abs(clean.value) if rule.telling_relative else 1.0)
    if doubt <= telling:
        return AS_CLEAN, ""
    return CANNOT_TELL, f"uncertain by {doubt:.2g}, so that a departure of {telling:.2g} is lost"


def indices(
    scan: Scan,
    library: ReferenceLibrary,
    *,
    solvent: str,
    pigments: Sequence[str],
    acidified: Scan | None = None,
    thinning: Quantity | None = None,
    bandwidth: float | None = None,
    noise: float | None = None,
) -> tuple[Index, ...]:
    """Return the indices that say something of these pigments in this solvent.

    Parameters
    ----------
    scan : Scan
    library : ReferenceLibrary
    solvent : str
    pigments : sequence of str
        What the tube is meant to hold, or mainly holds.
    acidified : Scan, optional
        The same solution after acid.
    thinning : Quantity, optional
        As in `acid_ratio`.
    bandwidth : float, optional
        nm.
    noise : float, optional
        Of a reading at zero absorbance; estimated when not given.

    Returns
    -------
    tuple of Index
        In the order of ``indices.csv``, one for each pigment it is defined for.

    Raises
    ------
    ReferenceNotFoundError
        If solvent or a pigment is not known.
    """
    where = library.solvent(solvent).key
    names = [library.pigment(pigment).key for pigment in pigments]
    found = []
    for key, rule in definitions().items():
        if rule.solvents and where not in rule.solvents:
            continue
        if rule.kind == "acid pair" and acidified is None:
            continue
        own = reading(key, scan, acidified=acidified, thinning=thinning, noise=noise)
        found += [
            compare(key, own, clean_value(key, pigment, where, library, bandwidth=bandwidth))
            for pigment in names
            if pigment in rule.pigments
        ]
    return tuple(found)


# Of a fitted scan


def too_high(fit: MixtureFit, index: int) -> Mask:
    """Return the points of a fit's scan that were left out and lie above all that were used."""
    scan, used = fit.scans[index], fit.used[index]
    highest = np.max(scan.absorbance[used], initial=0.0)
    return np.asarray(~used & (np.nan_to_num(scan.absorbance) > highest))


def readable(fit: MixtureFit, index: int) -> Scan:
    """Return a scan of a fit without the readings that were too high to be used.

    What is too high for the fit is too high for an index.
    """
    scan = fit.scans[index]
    return replace(scan, absorbance=np.where(too_high(fit, index), np.nan, scan.absorbance))


def main_pigment(fit: MixtureFit) -> str | None:
    """Return the detected pigment with the highest band; None when there is none."""
    if not fit.success:
        return None
    height = fit.concentration * np.array([entry.scale for entry in fit.references.entries])
    strongest = int(np.argmax(np.where(fit.detected, height, 0.0)))
    return fit.pigments[strongest] if fit.detected[strongest] and height[strongest] > 0 else None


def fit_indices(
    fit: MixtureFit,
    library: ReferenceLibrary,
    *,
    index: int = 0,
    acidified: Scan | None = None,
    thinning: Quantity | None = None,
    bandwidth: float | None = None,
) -> tuple[Index, ...]:
    """Return the indices of a fitted scan, against the main pigment of the fit when clean.

    Parameters
    ----------
    fit : MixtureFit
    library : ReferenceLibrary
    index : int
        Of the scan in the fit.
    acidified, thinning, bandwidth
        As in `indices`.

    Returns
    -------
    tuple of Index
        Empty when the fit failed or found no pigment.
    """
    pigment = main_pigment(fit)
    if pigment is None:
        return ()
    return indices(
        readable(fit, index),
        library,
        solvent=fit.references.solvent.key,
        pigments=[pigment],
        acidified=acidified,
        thinning=thinning,
        bandwidth=bandwidth,
        noise=float(fit.noise[index]),
    )


def carry_over_per_percent(
    library: ReferenceLibrary, solvent: str, carotenoid: str, carried: str
) -> float:
    """What one per cent by mass of a green or grey pigment adds to A662/A450.

    0.01 a(662)/A(450), with a(662) of the pigment carried over and a(450) of the
    carotenoid; NaN without a reference.

    Parameters
    ----------
    library : ReferenceLibrary
    solvent, carotenoid, carried : str

    Returns
    -------
    float
    """
    if not (library.has(carotenoid, solvent) and library.has(carried, solvent)):
        return math.nan
    red, blue = definition("carry-over").wavelengths
    above = library.cell(carried, solvent).specific_absorptivity([red])[0]
    below = library.cell(carotenoid, solvent).specific_absorptivity([blue])[0]
    return float(0.01 * above / below)
