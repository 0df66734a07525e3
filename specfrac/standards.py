"""Standards: a scan of a pure pigment of known concentration becomes a reference."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from specfrac.bands import BandFit
from specfrac.errors import FitError, InputError, did_you_mean
from specfrac.fitting.error_model import error_model
from specfrac.flags import Flag, ranked
from specfrac.references import ReferenceLibrary
from specfrac.references.model import Pigment, PigmentReference, Solvent, normalised
from specfrac.references.shapes import Shape, fit_shape_bands, shape_from_fit, shape_maxima
from specfrac.references.tables import OWN_SUFFIX, write_own_file
from specfrac.scans import Scan
from specfrac.uncertainty import combined

Array = NDArray[np.float64]

# Ranges by kind of pigment, nm: where the fit ends, and where the pigment no longer absorbs so
# that the mean there is the offset. As for the built-in shapes.
CAROTENOID_END, CAROTENOID_OFFSET = 600.0, (560.0, 700.0)
CHLOROPHYLL_END, CHLOROPHYLL_OFFSET = 750.0, (730.0, 780.0)
FIRST_WAVELENGTH = 300.0
# Just above a solvent's limit its own absorbance is still steep.
SOLVENT_MARGIN = 10.0
TARGET_RMS = 0.0005  # of the fit; the criterion stops earlier when the scan's noise is larger
# A difference of the criterion above 10 is very strong evidence (Kass & Raftery 1995, J. Am. Stat.
# Assoc. 90:773); with less, a noisy scan is given bands of its noise.
EVIDENCE = 10.0
FEWEST_POINTS = 50
FEWEST_OFFSET_POINTS = 5
SCALE_TOLERANCE = 0.05  # judgement: published absorptivities agree to 2-5 %
SHIFT_TOLERANCE = 2.5  # nm; how far built-in shapes may lie from published maxima
WEAK_ABSORBANCE = 0.2  # judgement: below it a scan determines a shape poorly
SHAPE_ERROR = 0.005  # of a measured shape, as for the built-in ones
CONCENTRATION_SOURCES = ("weighed", "absorptivity")


@dataclass(frozen=True, slots=True, eq=False)
class OwnReference:
    """A reference made from a standard, not yet written.

    Attributes
    ----------
    pigment : Pigment
    reference : PigmentReference
    scan : Scan
        The scan it was made from.
    fit : BandFit
        Bands fitted to the scan over its maximum, offset removed.
    offset : float
        Absorbance taken off.
    published_scale : float
        L/(g cm), what the library held at the same maximum; NaN when nothing for mass.
    record : mapping
        What was stated of the standard.
    flags : tuple of Flag
    """

    pigment: Pigment
    reference: PigmentReference
    scan: Scan
    fit: BandFit
    offset: float
    published_scale: float
    record: Mapping[str, Any]
    flags: tuple[Flag, ...]

    @property
    def file_name(self) -> str:
        """Name of the file `write_reference` makes."""
        return f"{self.pigment.key}__{self.reference.solvent}{OWN_SUFFIX}"


def new_pigment(name: str, *, group: str, molar_mass: float, formula: str = "") -> Pigment:
    """Describe a pigment the library does not know.

    Parameters
    ----------
    name : str
        Its key is made of it: ``"Capsanthin"`` becomes ``capsanthin``.
    group : str
        ``"carotene"``, ``"xanthophyll"``, ``"chlorophyll"`` or ``"pheophytin"``: which
        pigments it shifts with.
    molar_mass : float
        g/mol.
    formula : str

    Returns
    -------
    Pigment

    Raises
    ------
    InputError
        If the name is empty, the group not known or the molar mass not above 0.
    """
    key = normalised(name)
    if not key:
        raise InputError(f"pigment name {name!r} holds no letter or digit.")
    return Pigment(key, name.strip(), (), group, formula, molar_mass)


@dataclass(frozen=True, slots=True, eq=False)
class Standard:
    """What is stated of a standard.

    Without a concentration, or when the concentration was itself computed from a published
    absorptivity, a scan gives the shape only: dividing the absorbance by such a
    concentration would only return the published value.

    Attributes
    ----------
    pigment : str or Pigment
        A pigment of the library, or one from `new_pigment`.
    solvent : str
    bandwidth : float
        nm, spectral bandwidth of the scan.
    concentration, concentration_uncertainty : float or None
        g/L of the weighed standard, and its standard uncertainty.
    concentration_source : str
        ``"weighed"``, or ``"absorptivity"`` when it was computed from an absorbance.
    purity, purity_uncertainty : float
        Mass of pigment over mass weighed, (0, 1], and its standard uncertainty.
    path_length, path_length_uncertainty : float
        cm.

    Raises
    ------
    InputError
        If a value cannot be right, or the concentration comes without uncertainties.
    """

    pigment: str | Pigment
    solvent: str
    bandwidth: float
    concentration: float | None = None
    concentration_uncertainty: float | None = None
    concentration_source: str = "weighed"
    purity: float = 1.0
    purity_uncertainty: float | None = None
    path_length: float = 1.0
    path_length_uncertainty: float = 0.0

    def __post_init__(self) -> None:
        if self.concentration_source not in CONCENTRATION_SOURCES:
            raise InputError(
                f"concentration_source {self.concentration_source!r} is not known. "
                + did_you_mean(self.concentration_source, CONCENTRATION_SOURCES)
            )
        for name, value in (
            ("path_length", self.path_length),
            ("bandwidth", self.bandwidth),
            ("concentration", 1.0 if self.concentration is None else self.concentration),
        ):
            if not 0 < value < math.inf:
                raise InputError(f"standard: {name} is {value:g}, but must be above 0 and finite.")
        if not 0 < self.purity <= 1:
            raise InputError(
                f"standard: purity is {self.purity:g}, but must be above 0 and at most 1, "
                "a share of mass."
            )
        self._check_uncertainty("path_length", self.path_length_uncertainty, self.path_length)
        if self.concentration is not None:
            given = self.concentration_uncertainty
            self._check_uncertainty("concentration", given, self.concentration)
            self._check_uncertainty("purity", self.purity_uncertainty, 1.0)

    @staticmethod
    def _check_uncertainty(name: str, given: float | None, below: float) -> None:
        if given is None:
            raise InputError(
                f"standard: the standard uncertainty of the {name} is missing. State it: the "
                "scale of a reference is worth no more than its uncertainty."
            )
        if not 0 <= given < below:
            raise InputError(
                f"standard: the standard uncertainty of the {name} is {given:g}, but must be "
                f"at least 0 and below {below:g}."
            )

    @property
    def brings_scale(self) -> bool:
        """True when the concentration is independent of published absorptivities."""
        return self.concentration is not None and self.concentration_source == "weighed"

    @property
    def relative_uncertainty(self) -> float:
        """Of a scale made with it: concentration, purity, path length and photometer."""
        return combined(
            (
                (self.concentration_uncertainty or 0.0) / (self.concentration or 1.0),
                (self.purity_uncertainty or 0.0) / self.purity,
                self.path_length_uncertainty / self.path_length,
                error_model()["photometer_gain_uncertainty"],
            )
        )

    def record(self) -> dict[str, Any]:
        """Return what was stated, as plain data; NaN for what was not."""
        return {
            "concentration_g_per_L": _or_nan(self.concentration),
            "u_concentration_g_per_L": _or_nan(self.concentration_uncertainty),
            "concentration_source": self.concentration_source,
            "purity": self.purity,
            "u_purity": _or_nan(self.purity_uncertainty),
            "path_length_cm": self.path_length,
            "u_path_length_cm": self.path_length_uncertainty,
        }


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def reference_from_standard(
    scan: Scan,
    library: ReferenceLibrary,
    standard: Standard,
    *,
    linear_limit: float | None = None,
) -> OwnReference:
    """Make a reference of a scan of a standard.

    scale = A(maximum) / (l c p), with path length l, concentration c and purity p. When
    the standard brings no scale, the library's is kept.

    Parameters
    ----------
    scan : Scan
        Blank subtracted.
    library : ReferenceLibrary
    standard : Standard
    linear_limit : float, optional
        Highest absorbance allowed; default that of the error model.

    Returns
    -------
    OwnReference

    Raises
    ------
    InputError
        If no scale is known.
    FitError
        If too few points are usable or the scan exceeds the linear limit.
    ReferenceNotFoundError
        If the solvent or pigment is not known.
    """
    named = standard.pigment
    pigment = library.pigment(named) if isinstance(named, str) else named
    solvent = library.solvent(standard.solvent)
    limit = error_model()["linear_limit"] if linear_limit is None else linear_limit
    points, absorbance, offset, flags = _prepared(scan, pigment, solvent, limit)
    top = float(absorbance.max())
    fit = fit_shape_bands(points, absorbance / top, target=TARGET_RMS, evidence=EVIDENCE)
    shape = shape_from_fit(
        fit,
        chlorophyll_type=_chlorophyll_type(pigment),
        valid_from=float(points[0]),
        valid_to=float(points[-1]),
    )
    # of the fit, not of the highest reading, which is the luckiest of the noise
    height = top * float(fit.bands([shape.main_maximum])[0])
    known = _known_entry(library, pigment, solvent)
    published = _published_scale(known, shape)
    keeps = not standard.brings_scale and known is not None and known.for_mass
    if keeps and known is not None:
        scale, uncertainty = published, known.scale_uncertainty
    elif standard.concentration is None:
        raise InputError(
            f"{pigment.key} in {solvent.key}: the library has no scale for mass here, so the "
            "concentration of the standard must be stated, with its uncertainty."
        )
    else:
        scale = height / (standard.path_length * standard.concentration * standard.purity)
        uncertainty = standard.relative_uncertainty
    reference = PigmentReference(
        pigment=pigment.key,
        solvent=solvent.key,
        group=pigment.group,
        molar_mass=pigment.molar_mass,
        centre=shape.centre,
        height=shape.height,
        width=shape.width,
        region=shape.region,
        scale=scale,
        scale_uncertainty=uncertainty,
        valid_from=shape.valid_from,
        valid_to=shape.valid_to,
        bandwidth=standard.bandwidth,
        grade="measured",
        shape_error=max(SHAPE_ERROR, fit.relative_rms),
        for_mass=True,
        reason=f"own standard, scan {scan.name}: bands fitted to it; "
        + ("the library's scale is kept" if keeps else "scale from the stated concentration"),
        sources=(f"own standard, scan {scan.name}", *(known.sources if keeps and known else ())),
    )
    flags += _scale_flags(reference, published, standard)
    flags += _shape_flags(fit, shape, known)
    record = {"scan": scan.name, **standard.record(), "offset": offset}
    return OwnReference(pigment, reference, scan, fit, offset, published, record, ranked(flags))


def _chlorophyll_type(pigment: Pigment) -> bool:
    return pigment.group in ("chlorophyll", "pheophytin")


def _prepared(
    scan: Scan, pigment: Pigment, solvent: Solvent, limit: float
) -> tuple[Array, Array, float, list[Flag]]:
    """Cut a scan to the range of its pigment and take the offset off."""
    flags: list[Flag] = []
    chlorophyll_type = _chlorophyll_type(pigment)
    end = CHLOROPHYLL_END if chlorophyll_type else CAROTENOID_END
    low, high = CHLOROPHYLL_OFFSET if chlorophyll_type else CAROTENOID_OFFSET
    measured = np.isfinite(scan.absorbance)
    wavelength, absorbance = scan.wavelength[measured], scan.absorbance[measured]
    dark = (wavelength >= low) & (wavelength <= high)
    offset = float(absorbance[dark].mean()) if dark.sum() >= FEWEST_OFFSET_POINTS else 0.0
    if dark.sum() < FEWEST_OFFSET_POINTS:
        flags.append(
            Flag(
                "short-range",
                f"the scan has no reading at {low:g}-{high:g} nm, so its offset was not removed",
            )
        )
    first = max(solvent.uv_limit_nm + SOLVENT_MARGIN, FIRST_WAVELENGTH)
    used = (wavelength >= first) & (wavelength <= end)
    if used.sum() < FEWEST_POINTS:
        raise FitError(
            f"scan {scan.name!r}: {int(used.sum())} readings between {first:g} and {end:g} nm, "
            f"but a standard of {pigment.key} in {solvent.key} needs {FEWEST_POINTS}. "
            "Scan a wider range or with a finer step."
        )
    points, values = wavelength[used], absorbance[used] - offset
    if absorbance[used].max() > limit:
        raise FitError(
            f"scan {scan.name!r}: absorbance reaches {absorbance[used].max():.2f}, above the "
            f"linear limit {limit:g}, so the shape is flattened. Dilute the standard."
        )
    if not values.max() > 0:
        raise FitError(f"scan {scan.name!r}: no absorbance above the offset {offset:.4f}.")
    if values.max() < WEAK_ABSORBANCE:
        flags.append(
            Flag(
                "weak-signal",
                f"the highest absorbance is {values.max():.3f}; a standard should reach "
                f"{WEAK_ABSORBANCE:g} or more",
            )
        )
    return points, values, offset, flags


def _known_entry(
    library: ReferenceLibrary, pigment: Pigment, solvent: Solvent
) -> PigmentReference | None:
    if pigment.key not in library.pigments or not library.has(pigment.key, solvent.key):
        return None
    return library.cell(pigment.key, solvent.key)


def _anchor(shape: Shape) -> float:
    """Where published absorptivities are read: the red maximum, or the main one, nm."""
    red = shape_maxima(shape).second if "red" in shape.region else math.nan
    return shape.main_maximum if math.isnan(red) else red


def _shape_of(entry: PigmentReference) -> Shape:
    return Shape(
        entry.centre, entry.height, entry.width, entry.region, entry.valid_from, entry.valid_to
    )


def _published_scale(known: PigmentReference | None, shape: Shape) -> float:
    """Scale the library's absorptivity gives this shape; NaN when there is none for mass."""
    if known is None or not known.for_mass:
        return math.nan
    value = float(known.specific_absorptivity([_anchor(_shape_of(known))])[0])
    return value / float(shape([_anchor(shape)])[0])


def _scale_flags(reference: PigmentReference, published: float, standard: Standard) -> list[Flag]:
    if not standard.brings_scale:
        text = (
            "a concentration computed from a published absorptivity, or none, brings no new scale"
        )
        if not math.isnan(published):
            text = f"the library's scale {published:.1f} L/(g cm) is kept: {text}"
        return [Flag("standard-no-new-scale", text)]
    difference = reference.scale / published - 1
    if not abs(difference) > SCALE_TOLERANCE:
        return []
    return [
        Flag(
            "standard-scale-differs",
            f"the scale of {reference.pigment} in {reference.solvent} is {reference.scale:.1f} "
            f"L/(g cm), {100 * difference:+.0f} % from the library's {published:.1f} (limit "
            f"{100 * SCALE_TOLERANCE:g} %). Check purity and weighing: commercial chlorophylls "
            "of 32-36 % purity exist",
        )
    ]


def _shape_flags(fit: BandFit, shape: Shape, known: PigmentReference | None) -> list[Flag]:
    flags = []
    if fit.relative_rms > SHAPE_ERROR:
        flags.append(
            Flag(
                "poor-fit",
                f"the bands leave {100 * fit.relative_rms:.2f} % rms of the maximum, above "
                f"{100 * SHAPE_ERROR:g} %; this becomes the shape error",
            )
        )
    if known is None:
        return flags
    shift = _anchor(shape) - _anchor(_shape_of(known))
    if abs(shift) > SHIFT_TOLERANCE:
        flags.append(
            Flag(
                "standard-shifted",
                f"the maximum lies {shift:+.1f} nm from the library's (limit {SHIFT_TOLERANCE:g} "
                "nm). Check the solvent, the pigment and the wavelength scale",
            )
        )
    return flags


def write_reference(own: OwnReference, folder: str | Path, *, overwrite: bool = False) -> Path:
    """Write an own reference into a folder that `load_references` can lay over the library.

    Parameters
    ----------
    own : OwnReference
    folder : path
        Made when it does not exist.
    overwrite : bool
        Replace an earlier reference of the same pigment and solvent.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        If the file exists and `overwrite` is false, or the folder cannot be written.
    """
    path = Path(folder) / own.file_name
    if path.exists() and not overwrite:
        raise InputError(
            f"{path}: there is already a reference of {own.pigment.key} in "
            f"{own.reference.solvent}. Remove it, or ask to overwrite it."
        )
    entry, pigment = own.reference, own.pigment
    tables: dict[str, Mapping[str, Any]] = {
        "pigment": {
            "key": pigment.key,
            "name": pigment.name,
            "group": pigment.group,
            "formula": pigment.formula,
            "molar_mass_g_mol": pigment.molar_mass,
        },
        "reference": {
            "solvent": entry.solvent,
            "grade": entry.grade,
            "scale_L_per_g_cm": entry.scale,
            "scale_uncertainty": entry.scale_uncertainty,
            "valid_from_nm": entry.valid_from,
            "valid_to_nm": entry.valid_to,
            "bandwidth_nm": entry.bandwidth,
            "shape_error": entry.shape_error,
            "for_mass": entry.for_mass,
            "reason": entry.reason,
            "sources": list(entry.sources),
        },
        "standard": own.record,
    }
    bands = [
        {"centre_nm": float(c), "height": float(h), "width_nm": float(w), "region": region}
        for c, h, w, region in zip(
            entry.centre, entry.height, entry.width, entry.region, strict=True
        )
    ]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_own_file(path, tables, bands)
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror}).") from error
    return path


def standard_text(own: OwnReference) -> str:
    """Return the fit of a standard in words and numbers, for the terminal."""
    entry, fit = own.reference, own.fit
    lines = [
        f"{own.pigment.name} in {entry.solvent}, from scan {own.scan.name}",
        f"  {fit.n_bands} bands, residual {100 * fit.relative_rms:.2f} % rms of the maximum, "
        f"offset {own.offset:+.4f}",
        f"  scale {entry.scale:.2f} L/(g cm) at {entry.main_maximum:.1f} nm, standard uncertainty "
        f"{100 * entry.scale_uncertainty:.1f} %",
    ]
    if not math.isnan(own.published_scale):
        difference = 100 * (entry.scale / own.published_scale - 1)
        lines.append(f"  library: {own.published_scale:.2f} L/(g cm), {difference:+.1f} %")
    lines += ["", "  centre nm  height   width nm  region"]
    for c, h, w, region in zip(entry.centre, entry.height, entry.width, entry.region, strict=True):
        lines.append(f"  {c:9.2f}  {h:7.4f}  {w:8.2f}  {region}")
    lines += [f"  {flag.severity}: {flag.message}" for flag in own.flags]
    return "\n".join(lines)
