"""Published simultaneous equations: a second opinion beside the fit.

Each set turns absorbances at two or three wavelengths into concentrations of
chlorophylls, pheophytins or total carotenoids. The sets are data, in
``reference_spectra/equations.csv``: coefficients with solvent, bandwidth class,
validity and source. None of them knows pheophytin beside chlorophyll, or a fraction
that is not a whole green extract; a result therefore carries the reasons why it may
differ from a fit of the whole scan. Negative results are kept as they come.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from specfrac.errors import InputError, ReferenceNotFoundError, did_you_mean
from specfrac.names import listed, spoken
from specfrac.references import normalised, read_table

if TYPE_CHECKING:
    from specfrac.fitting.results import Curves, MixtureFit

Array = NDArray[np.float64]

READINGS = ("scan", "before", "after", "difference")
TOTALS = MappingProxyType(
    {
        "chlorophylls": ("chlorophyll-a", "chlorophyll-b"),
        "pheophytins": ("pheophytin-a", "pheophytin-b"),
    }
)
OFFSET_WAVELENGTHS = (750.0, 720.0)  # nm, where no leaf pigment absorbs; the first in range
TOTAL_TOLERANCE = 0.015  # two coefficients printed to 0.01 and their sum, each rounded
MG_PER_L_TO_G_PER_L = 1e-3
MOL_PER_MICROMOL = 1e-6
WORTH_SAYING = 0.02  # of the fitted value; a smaller difference needs no reason
MANIFOLD = 10.0  # times the fitted value; beyond, a percentage says nothing
PART_WORTH_SAYING = 0.1  # of the difference; parts that make no more are not named


@dataclass(frozen=True, slots=True)
class Term:
    """Coefficient of one absorbance.

    Attributes
    ----------
    wavelength : float
        nm.
    reading : str
        ``"scan"``; ``"before"`` or ``"after"`` acid; or their ``"difference"``.
    coefficient : float
        Unit of the line, for absorbance in 1 cm.
    """

    wavelength: float
    reading: str
    coefficient: float


@dataclass(frozen=True, slots=True)
class EquationLine:
    """One line of a set: (Σ k A + k_a C_a + k_b C_b) / divisor.

    Attributes
    ----------
    output : str
        What it gives: a pigment key, or ``"chlorophylls"``, ``"pheophytins"``,
        ``"carotenoids"``, ``"chlorophyll-c"``, ``"chlorophyll-c2"``.
    unit : str
        ``"mg/L"``, ``"µmol/L"``, or ``"µg/L"`` of the water that was filtered.
    terms : tuple of Term
    chlorophyll_a_coefficient, chlorophyll_b_coefficient : float
        k_a and k_b, for the carotenoid line; otherwise 0.
    divisor : float
    per_water_volume : bool
        True when the result is multiplied by extract volume (mL) over water volume (L).
    checked : str
        ``"seen"`` in print (at second hand), from ``"memory"``, or ``"computed"``.
    note : str
    """

    output: str
    unit: str
    terms: tuple[Term, ...]
    chlorophyll_a_coefficient: float
    chlorophyll_b_coefficient: float
    divisor: float
    per_water_volume: bool
    checked: str
    note: str

    def coefficient(self, wavelength: float) -> float:
        """Return the coefficient at a wavelength, 0 where the line does not read."""
        return sum(term.coefficient for term in self.terms if term.wavelength == wavelength)


@dataclass(frozen=True, slots=True)
class EquationSet:
    """A published set of simultaneous equations.

    Attributes
    ----------
    set_id : str
    solvent : str
        Key of the solvent, of the library where it has it.
    solvent_as_published : str
    solvent_match : str
        ``"same"``, or ``"near"`` when the published solvent differs in water content.
    lines : tuple of EquationLine
    bandwidth_class : str
        ``"sharp"``, ``"ordinary"``, ``"historical"`` or ``"not stated"``.
    bandwidth_from, bandwidth_to : float
        nm, instruments the set was made for; NaN when not stated.
    validity, source : str

    Raises
    ------
    InputError
        If a total line is not the sum of its parts, which a misprint in circulation
        is known for.
    """

    set_id: str
    solvent: str
    solvent_as_published: str
    solvent_match: str
    lines: tuple[EquationLine, ...]
    bandwidth_class: str
    bandwidth_from: float
    bandwidth_to: float
    validity: str
    source: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "lines", tuple(self.lines))
        for line in self.lines:
            for term in line.terms:
                if term.reading not in READINGS:
                    raise InputError(
                        f"equations {self.set_id}: reading {term.reading!r} is not known. "
                        + did_you_mean(term.reading, READINGS)
                    )
            if line.output in TOTALS:
                self._check_total(line)

    def _check_total(self, total: EquationLine) -> None:
        parts = [line for line in self.lines if line.output in TOTALS[total.output]]
        if len(parts) != len(TOTALS[total.output]):
            return
        for wavelength in self.wavelengths:
            summed = sum(line.coefficient(wavelength) for line in parts)
            stated = total.coefficient(wavelength)
            if abs(stated - summed) > TOTAL_TOLERANCE:
                raise InputError(
                    f"equations {self.set_id}: the line for {total.output} has {stated:g} at "
                    f"{wavelength:g} nm, but its parts sum to {summed:g}. One is a misprint."
                )

    @property
    def outputs(self) -> tuple[str, ...]:
        """What the set gives, in order."""
        return tuple(line.output for line in self.lines)

    @property
    def wavelengths(self) -> tuple[float, ...]:
        """All wavelengths the set reads, nm, in order of first use."""
        return tuple(dict.fromkeys(term.wavelength for line in self.lines for term in line.terms))

    @property
    def from_scan(self) -> bool:
        """True when one scan is enough; False for an acid pair."""
        return all(term.reading == "scan" for line in self.lines for term in line.terms)

    def line(self, output: str) -> EquationLine:
        """Return the line for an output.

        Raises
        ------
        ReferenceNotFoundError
            If the set does not give it.
        """
        for line in self.lines:
            if line.output == output:
                return line
        raise ReferenceNotFoundError(
            f"equations {self.set_id} do not give {output!r}. {did_you_mean(output, self.outputs)}"
        )


@dataclass(frozen=True, slots=True)
class EquationValue:
    """What one line gives; below zero where the readings make it so."""

    output: str
    value: float
    unit: str


@dataclass(frozen=True, slots=True, eq=False)
class EquationResult:
    """What a set of equations says of a solution.

    Attributes
    ----------
    equation_set : EquationSet
    values : tuple of EquationValue
        In the order of the set's lines.
    absorbances : mapping of float to float
        Readings used by wavelength in nm, in 1 cm, offset subtracted. Empty for an
        acid pair.
    offset : float
        Absorbance that was subtracted; 0 when none was.
    offset_wavelength : float or None
        nm, where it was read; None when none was subtracted.
    reasons : tuple of str
        Why the values may differ from a fit of the whole scan.
    explained : mapping of str to str
        By output that differs, by how much and which parts carry the difference, to
        follow "the output is ..."; these stand first among `reasons`. Empty without a fit.
    """

    equation_set: EquationSet
    values: tuple[EquationValue, ...]
    absorbances: Mapping[float, float]
    offset: float
    offset_wavelength: float | None
    reasons: tuple[str, ...]
    explained: Mapping[str, str] = field(default_factory=dict)

    def value(self, output: str) -> float:
        """Return the value for an output, in the unit of its line.

        Raises
        ------
        ReferenceNotFoundError
            If the set does not give it.
        """
        self.equation_set.line(output)
        return next(one.value for one in self.values if one.output == output)


# The sets


@lru_cache(maxsize=1)
def load_equations() -> tuple[EquationSet, ...]:
    """Return every published set, in the order of the data file."""
    grouped: dict[str, list[Mapping[str, str]]] = {}
    for row in read_table("equations.csv").rows:
        grouped.setdefault(row["set_id"], []).append(row)
    return tuple(_equation_set(rows) for rows in grouped.values())


def _equation_set(rows: Sequence[Mapping[str, str]]) -> EquationSet:
    first = rows[0]
    return EquationSet(
        first["set_id"],
        first["solvent"],
        first["solvent_as_published"],
        first["solvent_match"],
        tuple(_line(row) for row in rows),
        first["bandwidth_class"],
        _number(first["bandwidth_from_nm"], math.nan),
        _number(first["bandwidth_to_nm"], math.nan),
        first["validity"],
        first["source"],
    )


def _line(row: Mapping[str, str]) -> EquationLine:
    terms = tuple(
        Term(float(row[f"wavelength_{k}_nm"]), row[f"reading_{k}"], float(row[f"coefficient_{k}"]))
        for k in (1, 2, 3)
        if row[f"coefficient_{k}"]
    )
    return EquationLine(
        row["output"],
        row["unit"],
        terms,
        _number(row["chlorophyll_a_coefficient"], 0.0),
        _number(row["chlorophyll_b_coefficient"], 0.0),
        _number(row["divisor"], 1.0),
        row["per_water_volume"] == "yes",
        row["checked"],
        row["note"],
    )


def _number(text: str, blank: float) -> float:
    return float(text) if text else blank


def equation_set(set_id: str) -> EquationSet:
    """Return a set by its name, in capital or small letters.

    Raises
    ------
    ReferenceNotFoundError
        If there is none of that name.

    Examples
    --------
    >>> equation_set("PORRA89-ACE80B").wavelengths
    (663.6, 646.6)
    """
    known = {one.set_id.casefold(): one for one in load_equations()}
    try:
        return known[set_id.casefold()]
    except KeyError:
        raise ReferenceNotFoundError(
            f"equations {set_id!r} are not known. {did_you_mean(set_id, known)}"
        ) from None


def equation_sets(solvent: str, *, bandwidth: float | None = None) -> tuple[EquationSet, ...]:
    """Return the sets published for a solvent, best suited first.

    Parameters
    ----------
    solvent : str
        Key, e.g. ``"acetone-80"``.
    bandwidth : float, optional
        nm, of the instrument. Sets made for it come first.

    Returns
    -------
    tuple of EquationSet
        Those of the very solvent before those of a near one, then historical sets, last
        those for algae with chlorophyll c; empty when none was published.

    Examples
    --------
    >>> [one.set_id for one in equation_sets("acetone-80", bandwidth=2.0)][0]
    'LW83-ACE80'
    """
    key = normalised(solvent)
    found = [one for one in load_equations() if one.solvent == key]
    return tuple(sorted(found, key=lambda one: _suitability(one, bandwidth)))


def _for_algae(one: EquationSet) -> bool:
    return any(output.startswith("chlorophyll-c") for output in one.outputs)


def _suitability(one: EquationSet, bandwidth: float | None) -> tuple[bool, ...]:
    algae = _for_algae(one)
    misfit = bandwidth is not None and not one.bandwidth_from <= bandwidth <= one.bandwidth_to
    return algae, one.solvent_match != "same", one.bandwidth_class == "historical", misfit


def implied_absorptivities(equations: EquationSet) -> dict[tuple[str, float], float]:
    """Specific absorptivities a set of as many lines as wavelengths stands on.

    The matrix of coefficients is inverted: A = K⁻¹ C. A wrong digit in a coefficient
    shows here as an absorptivity no pigment has.

    Parameters
    ----------
    equations : EquationSet
        With as many single-pigment lines as wavelengths, in mg/L.

    Returns
    -------
    dict
        L/(g cm) by pigment and wavelength in nm.

    Raises
    ------
    InputError
        If the set cannot be inverted.

    Examples
    --------
    >>> values = implied_absorptivities(equation_set("JH75-ACE90-2L"))
    >>> round(values["chlorophyll-a", 664.0], 2)
    87.65
    """
    lines = [
        line
        for line in equations.lines
        if line.output not in TOTALS and line.unit == "mg/L" and line.divisor == 1.0
    ]
    wavelengths = tuple(dict.fromkeys(term.wavelength for line in lines for term in line.terms))
    if not lines or len(lines) != len(wavelengths):
        raise InputError(
            f"equations {equations.set_id}: {len(lines)} lines in mg/L and {len(wavelengths)} "
            "wavelengths cannot be inverted; both must be equally many."
        )
    matrix = np.array([[line.coefficient(w) for w in wavelengths] for line in lines])
    inverse = np.linalg.inv(matrix) / MG_PER_L_TO_G_PER_L
    return {
        (line.output, wavelength): float(inverse[i, j])
        for j, line in enumerate(lines)
        for i, wavelength in enumerate(wavelengths)
    }


def simultaneous_concentrations(
    absorptivities: Mapping[str, Mapping[float, float]],
    absorbances: Mapping[float, float],
    path_length: float = 1.0,
) -> dict[str, float]:
    """Concentrations from absorptivities at as many wavelengths, or more.

    A = l a c, solved exactly when pigments and wavelengths are equally many, otherwise
    by unweighted least squares without intercept. It is what every published set is
    made of, without the rounding of its coefficients.

    Parameters
    ----------
    absorptivities : mapping of str to mapping of float to float
        By pigment, then by wavelength in nm: L/(g cm), or L/(mol cm).
    absorbances : mapping of float to float
        By wavelength in nm, offset already subtracted.
    path_length : float
        cm, > 0.

    Returns
    -------
    dict
        By pigment: g/L, or mol/L.

    Raises
    ------
    InputError
        If there are fewer wavelengths than pigments, an absorptivity is missing, or
        the pigments cannot be told apart at these wavelengths.

    Examples
    --------
    >>> found = simultaneous_concentrations({"lutein": {445.0: 255.0}}, {445.0: 0.51})
    >>> round(found["lutein"], 6)
    0.002
    """
    _positive("path length", path_length, "cm")
    wavelengths = tuple(absorbances)
    for pigment, values in absorptivities.items():
        missing = [f"{w:g}" for w in wavelengths if w not in values]
        if missing:
            raise InputError(f"no absorptivity of {pigment} at {', '.join(missing)} nm was given.")
    matrix = path_length * np.array(
        [[values[w] for values in absorptivities.values()] for w in wavelengths]
    )
    read = np.array([absorbances[w] for w in wavelengths])
    found, _, rank, _ = np.linalg.lstsq(matrix, read, rcond=None)
    if rank < len(absorptivities):
        raise InputError(
            f"{len(absorptivities)} pigments cannot be told apart at {len(wavelengths)} "
            "wavelengths. Read at others, or at more."
        )
    return dict(zip(absorptivities, map(float, found), strict=True))


# Evaluation


def evaluate(equations: EquationSet, absorbances: Mapping[float, float]) -> EquationResult:
    """Evaluate a set on absorbances that were read at its wavelengths.

    Parameters
    ----------
    equations : EquationSet
    absorbances : mapping of float to float
        By wavelength in nm, for 1 cm, offset already subtracted.

    Returns
    -------
    EquationResult

    Raises
    ------
    InputError
        If a wavelength is missing, or the set needs readings before and after acid.

    Examples
    --------
    >>> result = evaluate(equation_set("PORRA89-ACE80B"), {663.6: 0.80, 646.6: 0.30})
    >>> [round(one.value, 3) for one in result.values]
    [9.035, 2.165, 11.2]
    """
    if not equations.from_scan:
        raise InputError(
            f"equations {equations.set_id} need readings before and after acid. "
            "Use evaluate_acid_pair."
        )
    _need(equations, "scan", absorbances)
    values = _values(equations, {"scan": absorbances})
    return EquationResult(equations, values, MappingProxyType(dict(absorbances)), 0.0, None, ())


def evaluate_acid_pair(
    equations: EquationSet,
    before: Mapping[float, float],
    after: Mapping[float, float],
    *,
    path_length: float = 1.0,
    extract_volume: float | None = None,
    water_volume: float | None = None,
) -> EquationResult:
    """Evaluate a set that reads an extract before and after acid.

    Parameters
    ----------
    equations : EquationSet
    before, after : mapping of float to float
        Absorbance by wavelength in nm, offset already subtracted, equal volumes.
    path_length : float
        cm, > 0.
    extract_volume : float, optional
        mL, > 0; for sets that report per litre of filtered water.
    water_volume : float, optional
        L, > 0; likewise.

    Returns
    -------
    EquationResult

    Raises
    ------
    InputError
        If a reading or volume is missing or not above 0, or the set reads one scan.
    """
    if equations.from_scan:
        raise InputError(f"equations {equations.set_id} read one scan. Use evaluate.")
    _positive("path length", path_length, "cm")
    factor = 1.0
    if any(line.per_water_volume for line in equations.lines):
        for name, volume, unit in (
            ("extract volume", extract_volume, "mL"),
            ("water volume", water_volume, "L"),
        ):
            if volume is None:
                raise InputError(f"equations {equations.set_id} need the {name} in {unit}.")
            _positive(name, volume, unit)
        assert extract_volume is not None and water_volume is not None
        factor = extract_volume / water_volume
    for reading, given in (("before", before), ("after", after)):
        _need(equations, reading, given)
        _need(equations, "difference", given)
    readings = {
        "before": {w: a / path_length for w, a in before.items()},
        "after": {w: a / path_length for w, a in after.items()},
        "difference": {w: (before[w] - after[w]) / path_length for w in before if w in after},
    }
    values = _values(equations, readings, factor)
    return EquationResult(equations, values, MappingProxyType({}), 0.0, None, ())


def evaluate_scan(
    equations: EquationSet,
    wavelength: ArrayLike,
    absorbance: ArrayLike,
    path_length: float = 1.0,
    *,
    bandwidth: float | None = None,
    whole_extract: bool = False,
) -> EquationResult:
    """Evaluate a set on a scan, as one would by cursor.

    Absorbances are interpolated linearly; the reading at 750 nm (or 720 nm where
    the scan ends earlier) is subtracted when the scan has it, and the result says so.

    Parameters
    ----------
    equations : EquationSet
    wavelength : array_like, shape (n_points,)
        nm, strictly increasing.
    absorbance : array_like, shape (n_points,)
        Decadic; NaN (not measured) makes the lines that read there NaN.
    path_length : float
        cm, > 0.
    bandwidth : float, optional
        nm, of the instrument.
    whole_extract : bool
        True for the extract of a whole green leaf; only there the carotenoid line
        means what it says.

    Returns
    -------
    EquationResult

    Raises
    ------
    InputError
        If the scan does not reach a wavelength of the set, or the set needs a scan
        before and one after acid.
    """
    _positive("path length", path_length, "cm")
    points = np.asarray(wavelength, dtype=np.float64)
    values = np.asarray(absorbance, dtype=np.float64)
    outside = [w for w in equations.wavelengths if not points[0] <= w <= points[-1]]
    if outside:
        raise InputError(
            f"equations {equations.set_id} read {', '.join(f'{w:g}' for w in outside)} nm, but the "
            f"scan covers {points[0]:g}-{points[-1]:g} nm."
        )
    offset, offset_wavelength = _offset(points, values)
    read = {
        w: (float(np.interp(w, points, values)) - offset) / path_length
        for w in equations.wavelengths
    }
    result = evaluate(equations, read)
    reasons = _general_reasons(
        equations, bandwidth, whole_extract, offset_subtracted=offset_wavelength is not None
    )
    return replace(result, offset=offset, offset_wavelength=offset_wavelength, reasons=reasons)


def _offset(points: Array, values: Array) -> tuple[float, float | None]:
    for wavelength in OFFSET_WAVELENGTHS:
        if points[0] <= wavelength <= points[-1]:
            value = float(np.interp(wavelength, points, values))
            if math.isfinite(value):
                return value, wavelength
    return 0.0, None


def _values(
    equations: EquationSet, readings: Mapping[str, Mapping[float, float]], factor: float = 1.0
) -> tuple[EquationValue, ...]:
    found: dict[str, float] = {}
    for line in equations.lines:
        total = sum(
            term.coefficient * readings[term.reading][term.wavelength] for term in line.terms
        )
        for pigment, coefficient in (
            ("chlorophyll-a", line.chlorophyll_a_coefficient),
            ("chlorophyll-b", line.chlorophyll_b_coefficient),
        ):
            if coefficient:
                total += coefficient * found[pigment]
        found[line.output] = total / line.divisor * (factor if line.per_water_volume else 1.0)
    return tuple(
        EquationValue(line.output, found[line.output], line.unit) for line in equations.lines
    )


def _need(equations: EquationSet, reading: str, given: Mapping[float, float]) -> None:
    wanted = {
        term.wavelength
        for line in equations.lines
        for term in line.terms
        if term.reading == reading
    }
    missing = sorted(wanted - set(given))
    if missing:
        raise InputError(
            f"equations {equations.set_id}: no absorbance at "
            f"{', '.join(f'{w:g}' for w in missing)} nm was given; they read "
            f"{', '.join(f'{w:g}' for w in sorted(wanted))} nm."
        )


def _positive(name: str, value: float, unit: str) -> None:
    if not 0 < value < math.inf:
        raise InputError(f"{name} is {value:g} {unit}, but must be above 0.")


# Why it may differ from a fit


def second_opinion(
    fit: MixtureFit,
    *,
    index: int = 0,
    bandwidth: float | None = None,
    whole_extract: bool = False,
) -> tuple[EquationResult, ...]:
    """Evaluate every set published for a fit's solvent that its scan covers.

    The equations are linear in absorbance, so each value splits exactly into what
    every fitted pigment, the baseline and the residual put into it. That names the
    parts of a difference with their sizes, those that carry it first. Sets made for
    algae with chlorophyll c are left out: no candidate is one.

    Parameters
    ----------
    fit : MixtureFit
    index : int
        Which of the fit's scans.
    bandwidth : float, optional
        nm, of the instrument.
    whole_extract : bool
        As in `evaluate_scan`.

    Returns
    -------
    tuple of EquationResult
        Values of the undiluted tube like the fit's own; empty when no set applies.
    """
    scan = fit.scans[index]
    path_length = float(fit.path_lengths[index])
    dilution = float(fit.dilution_factors[index])
    curves = fit.curves(index)
    results = []
    for equations in equation_sets(fit.references.solvent.key, bandwidth=bandwidth):
        if not _applies(equations, scan.wavelength, fit):
            continue
        result = evaluate_scan(
            equations,
            scan.wavelength,
            scan.absorbance,
            path_length,
            bandwidth=bandwidth,
            whole_extract=whole_extract,
        )
        parts = split(equations, curves, fit.pigments, path_length)
        explained = _explained(equations, parts, fit, dilution)
        results.append(
            replace(
                result,
                values=tuple(replace(one, value=one.value * dilution) for one in result.values),
                reasons=(
                    *(f"{spoken(output)}: {why}" for output, why in explained.items()),
                    *result.reasons,
                ),
                explained=MappingProxyType(explained),
            )
        )
    return tuple(results)


def _applies(equations: EquationSet, wavelength: Array, fit: MixtureFit) -> bool:
    if not equations.from_scan or _for_algae(equations):
        return False
    if "pheophytin-a" in equations.outputs:
        # made for an extract turned to pheophytin; a grey cut is as good when it is clean
        pool = _sum_of(fit, ("chlorophyll", "pheophytin"))
        if not _sum_of(fit, ("chlorophyll",)) <= WORTH_SAYING * pool:
            return False
    return all(wavelength[0] <= w <= wavelength[-1] for w in equations.wavelengths)


def _sum_of(fit: MixtureFit, groups: Sequence[str]) -> float:
    pairs = zip(fit.references.entries, fit.concentration, strict=True)
    return float(sum(value for entry, value in pairs if entry.group in groups))


def split(
    equations: EquationSet, curves: Curves, pigments: Sequence[str], path_length: float = 1.0
) -> dict[str, dict[str, float]]:
    """What each part of a fitted scan puts into each output of a set.

    Parameters
    ----------
    equations : EquationSet
    curves : Curves
        The fit drawn on the scan's grid.
    pigments : sequence of str
        Names of its components.
    path_length : float
        cm, > 0.

    Returns
    -------
    dict of dict
        By output, then by pigment, ``"baseline"`` and ``"residual"``, in the unit of
        the line. They add up to the value the scan itself gives.
    """
    spectra = dict(zip(pigments, curves.components, strict=True))
    spectra |= {"baseline": curves.baseline, "residual": curves.residual}
    parts: dict[str, dict[str, float]] = {output: {} for output in equations.outputs}
    for name, spectrum in spectra.items():
        for one in evaluate_scan(equations, curves.wavelength, spectrum, path_length).values:
            parts[one.output][name] = one.value
    return parts


def _explained(
    equations: EquationSet,
    parts: Mapping[str, Mapping[str, float]],
    fit: MixtureFit,
    dilution: float,
) -> dict[str, str]:
    """Sentence for each output that differs from the fit by enough to be worth one."""
    fitted = dict(zip(fit.pigments, map(float, fit.concentration), strict=True))
    floor = WORTH_SAYING * max(fitted.values())
    found = {}
    for line in equations.lines:
        members = _members(line.output, fit)
        if not members:
            continue
        factor = dilution * _grams_per_litre(line, fit)
        own = sum(fitted[member] for member in members)
        effects = {line.output: -own}
        for name, value in parts[line.output].items():
            source = line.output if name in members else name
            effects[source] = effects.get(source, 0.0) + value * factor
        if abs(sum(effects.values())) > WORTH_SAYING * max(own, floor):
            found[line.output] = _sentence(line.output, effects, own)
    return found


def _members(output: str, fit: MixtureFit) -> tuple[str, ...]:
    if output == "carotenoids":
        entries = fit.references.entries
        return tuple(one.pigment for one in entries if one.group in ("carotene", "xanthophyll"))
    return (output,) if output in fit.pigments else ()


def _grams_per_litre(line: EquationLine, fit: MixtureFit) -> float:
    if line.unit == "µmol/L":
        return fit.references.molar_mass(line.output) * MOL_PER_MICROMOL
    return MG_PER_L_TO_G_PER_L


def _sentence(output: str, effects: Mapping[str, float], own: float) -> str:
    """Say how far an output is off, which parts carry that, and which work against it.

    Effects are in g/L; they add up to the difference.
    """
    difference = sum(effects.values())
    named = _worth_naming(effects, PART_WORTH_SAYING * abs(difference))
    carrying = [(name, effect) for name, effect in named if effect * difference > 0]
    against = [(name, effect) for name, effect in named if effect * difference < 0]
    share = difference / own if own > 0 else math.inf
    relative = f" ({100 * share:+.0f} %)" if abs(share) < MANIFOLD else ""
    carriers = listed(_part(output, name, effect) for name, effect in carrying)
    unexplained = "not explained by a candidate alone: " if carrying[0][0] == "residual" else ""
    text = (
        f"{_size(difference)} {'more' if difference > 0 else 'less'} than the fit{relative}, "
        f"{unexplained}from {carriers}"
    )
    if against:
        opposed = listed(_part(output, name, effect) for name, effect in against)
        text += f"; against that {'work' if len(against) > 1 else 'works'} {opposed}"
    return f"{text}."


def _worth_naming(effects: Mapping[str, float], worth: float) -> list[tuple[str, float]]:
    """Return the largest parts, until what is left, each and together, is not worth it."""
    by_size = sorted(effects.items(), key=lambda pair: -abs(pair[1]))
    count = sum(abs(effect) >= worth for _, effect in by_size)
    while count < len(by_size) and abs(sum(effect for _, effect in by_size[count:])) > worth:
        count += 1
    return by_size[:count]


def _size(effect: float) -> str:
    return f"{abs(effect) / MG_PER_L_TO_G_PER_L:.2g} mg/L"


def _part(output: str, name: str, effect: float) -> str:
    words = {
        output: f"{spoken(output)} itself, by another absorptivity or band position",
        "residual": "absorbance that the fit leaves over",
        "baseline": "scatter that one subtracted reading does not remove",
    }
    return f"{words.get(name) or spoken(name)} ({effect / MG_PER_L_TO_G_PER_L:+.2g})"


def _general_reasons(
    equations: EquationSet,
    bandwidth: float | None,
    whole_extract: bool,
    *,
    offset_subtracted: bool,
) -> tuple[str, ...]:
    return tuple(_each_general_reason(equations, bandwidth, whole_extract, offset_subtracted))


def _each_general_reason(
    equations: EquationSet, bandwidth: float | None, whole_extract: bool, offset_subtracted: bool
) -> Iterable[str]:
    if "carotenoids" in equations.outputs and not whole_extract:
        yield (
            "the carotenoid line holds for the extract of a whole green leaf, not for a fraction"
        )
    if any(output == "chlorophyll-a" or output in TOTALS for output in equations.outputs):
        yield f"valid for: {equations.validity}"
    if equations.solvent_match != "same":
        yield f"the set was made in {equations.solvent_as_published}"
    limits = f"{equations.bandwidth_from:g} to {equations.bandwidth_to:g} nm"
    if bandwidth is not None and math.isfinite(equations.bandwidth_to):
        if bandwidth > equations.bandwidth_to or bandwidth < equations.bandwidth_from:
            yield f"the set was made for a bandwidth of {limits}, the scan has {bandwidth:g} nm"
    elif bandwidth is None and math.isfinite(equations.bandwidth_to):
        yield f"the set was made for a bandwidth of {limits}, that of the scan is not known"
    if equations.bandwidth_class == "historical":
        yield "the set is of historical interest; its absorptivities were revised since"
    if not offset_subtracted:
        yield "the scan does not reach 720 nm, so no offset was subtracted"
