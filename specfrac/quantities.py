"""From absorbance to concentration, mass, share and recovery, with uncertainty.

First the plain formulas: Beer-Lambert and the conversions between the ways an
absorptivity is printed. Then what a tube holds. There every quantity is a
correlated variable of the `uncertainties` library, so that an error two tubes
share (an absorptivity, a band shape, the photometer's gain, one cuvette) cancels
in a ratio where it should, and only there.

Three estimates run side by side. The non-negative one is for display: a
concentration, a mass, a share. The unconstrained one, which may fall below zero
for a pigment that is not there, is for statistics. The counted one is for sums over
tubes, recoveries and contents: what is shown where a pigment was detected, and what
the scan then leaves for it, which may be below zero, where it was not. So the figures
of a run add up as a reader sees them, and clipping does not push sums up; see
`counted_estimate`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray
from uncertainties import UFloat, covariance_matrix, ufloat

from specfrac.errors import InputError, ReferenceNotFoundError, did_you_mean
from specfrac.fitting.error_model import PHOTOMETER_GAIN_UNCERTAINTY
from specfrac.names import spoken
from specfrac.share_bounds import probability_above, share_bounds
from specfrac.uncertainty import NORMAL_95, Quantity, measured, quantity

if TYPE_CHECKING:
    from specfrac.fitting.results import MixtureFit
    from specfrac.references import PigmentReference, References

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

MICROGRAM_PER_MILLIGRAM = 1e3
MILLIGRAM_PER_GRAM = 1e3
NANOMOL_PER_MICROMOL = 1e3
CUBIC_CENTIMETRE_PER_LITRE = 1e3
A1_PERCENT_PER_SPECIFIC = 10.0  # 1 g/100 mL is 10 g/L

NOISE = "noise and baseline"
SHAPE = "band shape of the reference"
GAIN = "photometer gain"
PATH_LENGTH = "path length"
DILUTION = "dilution"
MADE_UP_VOLUME = "made-up volume"
LOADED_VOLUME = "loaded volume"
EXTRACT_VOLUME = "extract volume"
TISSUE_MASS = "tissue mass"

Interval = tuple[float, float]

NEGLIGIBLE_DIRECTION = 1e-6  # of a fit's shape errors: less is rounding
MOVED = 0.25  # of its uncertainty; a study of simulated racks, see bench_run_coverage.py

# The chromophore that turns into the other when magnesium is lost; a and b never mix.
PORPHYRINS = {
    "a": (("chlorophyll-a",), ("pheophytin-a", "pheophorbide-a")),
    "b": (("chlorophyll-b",), ("pheophytin-b",)),
}


# Beer-Lambert and conversions


def concentration(
    absorbance: ArrayLike,
    molar_absorptivity: float,
    path_length: float,
    *,
    dilution_factor: float = 1.0,
) -> Array:
    """Concentration before dilution, by the Beer-Lambert law.

    c = A D / (ε l)

    Parameters
    ----------
    absorbance : array_like, shape (n_fractions,)
        Decadic, blank subtracted. NaN (not measured) gives NaN.
    molar_absorptivity : float
        L/(mol cm), > 0: the molar decadic absorption coefficient of IUPAC.
    path_length : float
        cm, > 0.
    dilution_factor : float
        Final volume over volume taken, >= 1.

    Returns
    -------
    ndarray, shape (n_fractions,)
        mol/L.

    Raises
    ------
    InputError
        If a value lies outside the range above.

    References
    ----------
    IUPAC Gold Book, doi:10.1351/goldbook.08269.

    Examples
    --------
    >>> concentration([0.5], 1.0e5, 1.0)
    array([5.e-06])
    """
    return _beer_lambert(
        absorbance, "molar absorptivity", molar_absorptivity, path_length, dilution_factor
    )


def mass_concentration(
    absorbance: ArrayLike,
    specific_absorptivity: float,
    path_length: float,
    *,
    dilution_factor: float = 1.0,
) -> Array:
    """Mass concentration before dilution, by the Beer-Lambert law.

    γ = A D / (a l)

    Parameters
    ----------
    absorbance : array_like, shape (n_fractions,)
        Decadic, blank subtracted. NaN (not measured) gives NaN.
    specific_absorptivity : float
        L/(g cm), > 0.
    path_length : float
        cm, > 0.
    dilution_factor : float
        Final volume over volume taken, >= 1.

    Returns
    -------
    ndarray, shape (n_fractions,)
        g/L.

    Raises
    ------
    InputError
        If a value lies outside the range above.

    Examples
    --------
    >>> float(mass_concentration(0.5, 250.0, 1.0, dilution_factor=10))
    0.02
    """
    return _beer_lambert(
        absorbance, "specific absorptivity", specific_absorptivity, path_length, dilution_factor
    )


def _beer_lambert(
    absorbance: ArrayLike, name: str, absorptivity: float, path_length: float, dilution: float
) -> Array:
    values = np.asarray(absorbance, dtype=np.float64)
    if np.isinf(values).any():
        raise InputError("absorbance is infinite. Use NaN for a reading that was not taken.")
    _above_zero(name, absorptivity)
    _above_zero("path length", path_length, "cm")
    if not 1 <= dilution < math.inf:
        raise InputError(
            f"dilution factor is {dilution:g}, but must be at least 1. "
            "It is the final volume over the volume taken."
        )
    return values * (dilution / (absorptivity * path_length))


def _above_zero(name: str, value: float, unit: str = "") -> None:
    if not 0 < value < math.inf:
        shown = f"{value:g} {unit}".strip()
        raise InputError(f"{name} is {shown}, but must be above 0 and finite.")


def specific_from_a1_percent(a1_percent: float) -> float:
    """Specific absorptivity from A(1 %, 1 cm).

    a = A(1 %, 1 cm) / 10, since a 1 % solution holds 1 g in 100 mL.

    Parameters
    ----------
    a1_percent : float
        Absorbance of 1 g/100 mL in 1 cm, > 0.

    Returns
    -------
    float
        L/(g cm).

    Raises
    ------
    InputError
        If the value is not above 0.

    Examples
    --------
    >>> specific_from_a1_percent(2592.0)
    259.2
    """
    _above_zero("A(1 %, 1 cm)", a1_percent)
    return a1_percent / A1_PERCENT_PER_SPECIFIC


def a1_percent_from_specific(specific_absorptivity: float) -> float:
    """A(1 %, 1 cm) from the specific absorptivity in L/(g cm), > 0.

    Raises
    ------
    InputError
        If the value is not above 0.
    """
    _above_zero("specific absorptivity", specific_absorptivity, "L/(g cm)")
    return specific_absorptivity * A1_PERCENT_PER_SPECIFIC


def molar_from_specific(specific_absorptivity: float, molar_mass: float) -> float:
    """Molar absorptivity from the specific one: ε = a M.

    Parameters
    ----------
    specific_absorptivity : float
        L/(g cm), > 0.
    molar_mass : float
        g/mol, > 0.

    Returns
    -------
    float
        L/(mol cm).

    Raises
    ------
    InputError
        If a value is not above 0.

    Examples
    --------
    >>> round(molar_from_specific(259.2, 536.888))
    139161
    """
    _above_zero("specific absorptivity", specific_absorptivity, "L/(g cm)")
    _above_zero("molar mass", molar_mass, "g/mol")
    return specific_absorptivity * molar_mass


def specific_from_molar(molar_absorptivity: float, molar_mass: float) -> float:
    """Specific absorptivity from the molar one: a = ε / M.

    Parameters
    ----------
    molar_absorptivity : float
        L/(mol cm), > 0.
    molar_mass : float
        g/mol, > 0.

    Returns
    -------
    float
        L/(g cm).

    Raises
    ------
    InputError
        If a value is not above 0.
    """
    _above_zero("molar absorptivity", molar_absorptivity, "L/(mol cm)")
    _above_zero("molar mass", molar_mass, "g/mol")
    return molar_absorptivity / molar_mass


def molar_from_cross_section(cross_section: float) -> float:
    """Molar decadic absorptivity from an absorption cross-section.

    ε = σ N_A / (1000 ln 10)

    A cross-section is defined with the natural logarithm, an absorptivity with the
    decadic one: forgetting ln 10 costs a factor 2.3.

    Parameters
    ----------
    cross_section : float
        cm² a molecule, > 0.

    Returns
    -------
    float
        L/(mol cm).

    Raises
    ------
    InputError
        If the value is not above 0.

    References
    ----------
    N_A as fixed by the SI (CODATA 2018, exact), from `scipy.constants`.

    Examples
    --------
    >>> round(molar_from_cross_section(3.1e-16))
    81077
    """
    from scipy.constants import Avogadro

    _above_zero("absorption cross-section", cross_section, "cm²")
    return cross_section * Avogadro / (CUBIC_CENTIMETRE_PER_LITRE * math.log(10))


def cross_section_from_molar(molar_absorptivity: float) -> float:
    """Absorption cross-section, cm² a molecule, from the molar decadic absorptivity.

    σ = 1000 ln 10 ε / N_A; see `molar_from_cross_section`.

    Raises
    ------
    InputError
        If the value is not above 0.
    """
    from scipy.constants import Avogadro

    _above_zero("molar absorptivity", molar_absorptivity, "L/(mol cm)")
    return molar_absorptivity * CUBIC_CENTIMETRE_PER_LITRE * math.log(10) / Avogadro


# What a tube holds


class SharedErrors:
    """The errors several tubes have in common, each kept as one variable.

    Make one for a run (or for several runs that are compared) and hand it to every
    `tube_content`. What is asked for twice is the same variable both times.

    Parameters
    ----------
    absorptivity_correlation : float
        Correlation, 0 to 1, between the absorptivity errors of different pigments or
        solvents. The error of one pigment in one solvent is always fully shared.
    absorptivity_uncertainty : bool
        False leaves the absorptivities' own uncertainty out.
    gain_uncertainty : float
        Relative standard uncertainty of a photometer's scale.

    Raises
    ------
    InputError
        If the correlation lies outside 0 to 1 or the gain's uncertainty below 0.
    """

    def __init__(
        self,
        *,
        absorptivity_correlation: float = 0.0,
        absorptivity_uncertainty: bool = True,
        gain_uncertainty: float = PHOTOMETER_GAIN_UNCERTAINTY,
    ) -> None:
        if not 0 <= absorptivity_correlation <= 1:
            raise InputError(
                f"absorptivity correlation is {absorptivity_correlation:g}, "
                "but must lie between 0 and 1."
            )
        self._correlation = absorptivity_correlation
        self._scale_known = not absorptivity_uncertainty
        self._gain_uncertainty = gain_uncertainty
        self._variables: dict[tuple[object, ...], UFloat] = {}
        self._modes: dict[tuple[object, ...], int] = {}
        self._directions: list[Array] = []
        self._direction_errors: list[UFloat] = []

    def measured(self, value: float, uncertainty: float, source: str, name: str = "") -> UFloat:
        """Return an input as a variable, the same one for the same source and name.

        Parameters
        ----------
        value, uncertainty : float
            Estimate and standard uncertainty (NaN when unknown).
        source : str
            What a budget calls it, e.g. ``"path length"``.
        name : str
            Which of them: one cuvette, one flask.

        Raises
        ------
        InputError
            If the same source and name were given before with other numbers.
        """
        variable = self._variable(
            ("input", source, name), lambda: measured(value, uncertainty, source)
        )
        if not (_same(variable.nominal_value, value) and _same(variable.std_dev, uncertainty)):
            raise InputError(
                f"{source} {name!r} is {value:g} ± {uncertainty:g}, but was "
                f"{variable.nominal_value:g} ± {variable.std_dev:g} before. "
                "Give different things different names."
            )
        return variable

    def gain(self, instrument: str = "") -> UFloat:
        """Return the relative gain, 1 ± u, of a photometer."""
        return self._variable(
            ("gain", instrument), lambda: measured(1.0, self._gain_uncertainty, GAIN)
        )

    def absorptivity(self, entry: PigmentReference, solvent_name: str) -> UFloat:
        """Return true over stated absorptivity, 1 ± u, of one reference."""
        if self._scale_known:
            return measured(1.0, 0.0, "")
        source = f"absorptivity of {spoken(entry.pigment)} in {solvent_name}"
        own = self._variable(("own", *_identity(entry)), lambda: ufloat(0, 1, tag=source))
        common = self._variable(
            ("common",), lambda: ufloat(0, 1, tag="absorptivities, common part")
        )
        r = self._correlation
        return 1 + entry.scale_uncertainty * (math.sqrt(1 - r) * own + math.sqrt(r) * common)

    def shapes(self, fit: MixtureFit, gain: Array) -> list[UFloat]:
        """Return what the references' band-shape errors add to each estimate of a fit.

        Each mode of each reference's error is one standardised variable. Fits see few
        combinations of them, so those that earlier fits have seen are kept as orthonormal
        directions, and a fit adds the directions it sees beyond them: exact, with few
        variables.

        Parameters
        ----------
        fit : MixtureFit
        gain : ndarray, shape (n_pigments, n_references, n_modes)
            Its `MixtureFit.shape_gain`.

        Returns
        -------
        list of UFloat
            Zero-valued, g/L.
        """
        knots = np.round(fit.shape_knots, 6).tolist()
        keys = [(_identity(entry), knot) for entry in fit.references.entries for knot in knots]
        columns = [self._modes.setdefault(key, len(self._modes)) for key in keys]
        wide = np.zeros((len(gain), len(self._modes)))
        wide[:, columns] = gain.reshape(len(gain), -1)
        known = np.zeros((len(self._directions), len(self._modes)))
        for row, direction in enumerate(self._directions):
            known[row, : direction.size] = direction
        beyond = wide - (wide @ known.T) @ known
        _, sizes, added = np.linalg.svd(beyond, full_matrices=False)
        added = added[sizes > NEGLIGIBLE_DIRECTION * np.linalg.norm(wide)]
        for direction in added:
            self._directions.append(direction)
            self._direction_errors.append(ufloat(0, 1, tag=SHAPE))
        return _mixed(wide @ np.concatenate([known, added]).T, self._direction_errors)

    def _variable(self, key: tuple[object, ...], make: Callable[[], UFloat]) -> UFloat:
        if key not in self._variables:
            self._variables[key] = make()
        return self._variables[key]


def _same(one: float, other: float) -> bool:
    return one == other or (math.isnan(one) and math.isnan(other))


def _identity(entry: PigmentReference) -> tuple[object, ...]:
    # A standard of the user's own has another scale or other bands than the
    # built-in reference of the same pigment and solvent: its errors are not shared.
    return entry.pigment, entry.solvent, float(entry.scale), entry.centre.tobytes()


@dataclass(frozen=True, slots=True, eq=False)
class TubeContent:
    """What one tube holds, as correlated variables.

    Made by `tube_content`, read through the functions below. The tuples follow
    the order of ``references.pigments``.

    Attributes
    ----------
    name : str
    references : References
    displayed, unconstrained, counted : tuple of UFloat
        g/L times the absorptivity's unknown factor and the common factor: the
        non-negative estimate, the unconstrained one, and the one that counts in
        sums and ratios across tubes (`counted_estimate`).
    absorptivity : tuple of UFloat
        True over stated absorptivity, 1 ± u.
    common : UFloat
        Factor 1 ± u of everything that scales the whole tube alike: gain, path
        length, dilution.
    volume : UFloat or None
        mL of solution; None when not known.
    unassigned_share : float
        Share of the scan's absorbance that no candidate explains.
    """

    name: str
    references: References
    displayed: tuple[UFloat, ...]
    unconstrained: tuple[UFloat, ...]
    counted: tuple[UFloat, ...]
    absorptivity: tuple[UFloat, ...]
    common: UFloat
    volume: UFloat | None
    unassigned_share: float

    @property
    def pigments(self) -> tuple[str, ...]:
        """Keys of the candidates."""
        return self.references.pigments


def tube_content(
    fit: MixtureFit,
    shared: SharedErrors,
    *,
    volume: UFloat | None = None,
    path_length: UFloat | None = None,
    dilution_factor: UFloat | None = None,
    instrument: str = "",
) -> TubeContent:
    """Rebuild a fit's concentrations as variables that know what they share.

    c = (estimate + noise + shape) / (absorptivity · gain · path) · dilution

    The noise of a tube is its own. The band-shape error belongs to the references; in
    `counted`, which is compared across tubes, it enters as Σ_jm g_jm z_jm: g the fit's
    `MixtureFit.shape_gain`, z_jm standard normal variables, one for each mode of the error
    of reference j. So tubes of like composition share it; a pure cut and the extract share
    it as far as the same reference does the same to both; tubes of other pigments or
    solvents do not. What `covariance_shape` has beyond that is the tube's own; without a
    `shape_gain` all of it is. An estimate that the bound at zero moved away from the
    unconstrained one errs in another way and shares nothing. Call it once a tube: a second
    call would make the same noise look independent.

    Parameters
    ----------
    fit : MixtureFit
    shared : SharedErrors
        The same object for every tube that is compared.
    volume : UFloat, optional
        mL of solution the concentration belongs to: made-up volume, or loaded volume.
    path_length : UFloat, optional
        cm. Only its relative uncertainty is used, the fit already divided by it.
    dilution_factor : UFloat, optional
        Multiplies the concentration. For a fit of the undiluted tube give a value of
        1 with the relative uncertainty of the dilution.
    instrument : str
        Tubes scanned on the same instrument share its gain.

    Returns
    -------
    TubeContent
        NaN throughout when the fit failed.

    Raises
    ------
    InputError
        If a volume, path length or dilution factor is not above 0.
    """
    for name, given, unit in (
        ("volume", volume, "mL"),
        ("path length", path_length, "cm"),
        ("dilution factor", dilution_factor, ""),
    ):
        if given is not None:
            _above_zero(f"{fit.name}: {name}", given.nominal_value, unit)
    entries = fit.references.entries
    solvent = fit.references.solvent.name
    scale = tuple(shared.absorptivity(entry, solvent) for entry in entries)
    common = 1 / shared.gain(instrument)
    if path_length is not None:
        common = common * (path_length.nominal_value / path_length)
    if dilution_factor is not None:
        common = common * dilution_factor
    own, by_reference = _errors(fit, shared)
    counted = counted_estimate(fit)
    across = [
        alone if moved else together
        for moved, alone, together in zip(_moved(fit, counted), own, by_reference, strict=True)
    ]
    return TubeContent(
        fit.name,
        fit.references,
        _with_errors(fit.concentration, own),
        _with_errors(fit.concentration_unconstrained, own),
        _with_errors(counted, across),
        scale,
        common,
        volume,
        float(fit.unassigned_share),
    )


def counted_estimate(fit: MixtureFit) -> Array:
    """The estimate of each pigment that counts in sums and ratios across tubes.

    d_D for the detected ones, as shown; c_A + C_AD C_DD⁻¹ (d_D - c_D) for those not
    detected: what the scan leaves for them when the others are as shown. c is the
    unconstrained estimate, d the non-negative one, C the covariance from noise and
    band shapes.

    Why not one of the others? The unconstrained estimate is unbiased, but a reader sees
    another mass than the sums and recoveries use: a neighbour estimated far below zero
    lifts the main pigment of a clean cut. The non-negative one pushes sums over many
    tubes up. With this one the shown masses add up to what is found, and estimates below
    zero survive in the sums. On simulated runs its recoveries scatter no more than those
    of the unconstrained one and 95 % intervals hold the truth as often (98 and 100 %).
    Fixing at zero whatever was not detected does better in a clean cut, but where traces
    are there its intervals hold the truth 52 % of the time
    (``tests/benchmarks/bench_run_coverage.py --estimates --runs 60 --seed 77``).

    Parameters
    ----------
    fit : MixtureFit

    Returns
    -------
    ndarray, shape (n_pigments,)
        g/L.
    """
    free, shown = fit.concentration_unconstrained, fit.concentration
    detected = fit.detected
    counted = np.where(detected, shown, free)
    covariance = fit.covariance_noise + fit.covariance_shape
    if not (np.isfinite(covariance).all() and detected.any() and not detected.all()):
        return counted
    between = covariance[np.ix_(~detected, detected)]
    within = covariance[np.ix_(detected, detected)]
    counted[~detected] += between @ np.linalg.pinv(within) @ (shown - free)[detected]
    return counted


def _moved(fit: MixtureFit, counted: Array) -> Mask:
    """Which estimates lie so far from the unconstrained one that they err in another way."""
    spread = np.sqrt(np.diag(fit.covariance_noise + fit.covariance_shape))
    return np.asarray(np.abs(counted - fit.concentration_unconstrained) > MOVED * spread)


def _errors(fit: MixtureFit, shared: SharedErrors) -> tuple[list[UFloat], list[UFloat]]:
    """Zero-valued variables with the covariance of the fit's noise and shape parts.

    Twice: with band-shape errors of the tube's own, which is all that matters within a
    tube, and with those shared through the references.
    """
    n = len(fit.references.entries)
    if not (np.isfinite(fit.covariance_noise).all() and np.isfinite(fit.covariance_shape).all()):
        unknown = [ufloat(0, math.nan, tag=NOISE) for _ in range(n)]
        return unknown, unknown
    noise = _mixed(symmetric_root(fit.covariance_noise), _normals(n, NOISE))
    alone = _mixed(symmetric_root(fit.covariance_shape), _normals(n, SHAPE))
    own = [a + b for a, b in zip(noise, alone, strict=True)]
    if fit.shape_gain is None:
        return own, own
    flat = fit.shape_gain.reshape(n, -1)
    rest = _mixed(symmetric_root(fit.covariance_shape - flat @ flat.T), _normals(n, SHAPE))
    together = shared.shapes(fit, fit.shape_gain)
    return own, [a + b + c for a, b, c in zip(noise, together, rest, strict=True)]


def _normals(count: int, source: str) -> list[UFloat]:
    return [ufloat(0, 1, tag=source) for _ in range(count)]


def _mixed(root: Array, variables: Sequence[UFloat]) -> list[UFloat]:
    return [
        sum(
            (float(row[k]) * variables[int(k)] for k in np.flatnonzero(row)),
            measured(0.0, 0.0, ""),
        )
        for row in root
    ]


def _with_errors(values: Array, errors: list[UFloat]) -> tuple[UFloat, ...]:
    return tuple(float(value) + error for value, error in zip(values, errors, strict=True))


def symmetric_root(covariance: ArrayLike) -> Array:
    """Symmetric square root of a covariance matrix.

    Parameters
    ----------
    covariance : array_like, shape (n, n)
        Symmetric; eigenvalues below zero, which rounding leaves, count as zero.

    Returns
    -------
    ndarray, shape (n, n)
        S with S S = covariance.
    """
    values, vectors = np.linalg.eigh(np.asarray(covariance, dtype=np.float64))
    root: Array = (vectors * np.sqrt(np.clip(values, 0.0, None))) @ vectors.T
    return root


# Sums over the pigments of a tube


def _weights(
    tube: TubeContent, members: Sequence[str] | None, factors: Sequence[float] | None
) -> list[tuple[int, float]]:
    """Positions and factors of the members among the tube's candidates."""
    if isinstance(members, str):
        members = (members,)
    if members is None:
        members = tube.pigments
    if factors is None:
        factors = (1.0,) * len(members)
    for member in members:
        if member not in tube.pigments:
            raise ReferenceNotFoundError(
                f"tube {tube.name!r}: pigment {member!r} was not among the candidates. "
                + did_you_mean(member, tube.pigments)
            )
    return [
        (tube.pigments.index(member), float(factor))
        for member, factor in zip(members, factors, strict=True)
    ]


def _shown(displayed: bool) -> str:
    return "displayed" if displayed else "unconstrained"


def _sum(
    tube: TubeContent, weights: list[tuple[int, float]], estimate: str, *, common: bool = True
) -> UFloat:
    """Weighted sum of concentrations, g/L; without `common` for ratios within a tube."""
    estimates: tuple[UFloat, ...] = getattr(tube, estimate)
    total = sum(
        (factor * estimates[j] / tube.absorptivity[j] for j, factor in weights),
        measured(0.0, 0.0, ""),
    )
    return total * tube.common if common else total


def _molar(tube: TubeContent, weights: list[tuple[int, float]]) -> list[tuple[int, float]]:
    """The same members weighted by 1/M: g/L become mol/L. Mass factors do not apply."""
    entries = tube.references.entries
    return [(j, 1.0 / entries[j].molar_mass) for j, _ in weights]


def _volume(tube: TubeContent) -> UFloat:
    if tube.volume is None:
        raise InputError(f"tube {tube.name!r}: no volume is known, so no mass can be stated.")
    return tube.volume


def concentration_in(
    tube: TubeContent,
    members: Sequence[str] | str | None = None,
    *,
    factors: Sequence[float] | None = None,
    displayed: bool = True,
) -> Quantity:
    """Concentration of a pigment, or sum over several, in mg/L.

    Parameters
    ----------
    tube : TubeContent
    members : str or sequence of str, optional
        Pigment keys; all candidates by default.
    factors : sequence of float, optional
        Mass of the reported unit per mass of each member, 1 by default; see
        `equivalent_factors`.
    displayed : bool
        True for the non-negative estimate, False for the unconstrained one. The
        uncertainty is that of the unconstrained one either way.

    Returns
    -------
    Quantity
        mg/L.

    Raises
    ------
    ReferenceNotFoundError
        If a member was no candidate of the tube.
    """
    weights = _weights(tube, members, factors)
    return quantity(_sum(tube, weights, _shown(displayed)) * MILLIGRAM_PER_GRAM, "mg/L")


def mass_in(
    tube: TubeContent,
    members: Sequence[str] | str | None = None,
    *,
    factors: Sequence[float] | None = None,
    displayed: bool = True,
) -> Quantity:
    """Mass of a pigment, or of several, in the tube.

    m = c V

    Parameters as in `concentration_in`.

    Returns
    -------
    Quantity
        µg.

    Raises
    ------
    InputError
        If the tube's volume is not known.
    ReferenceNotFoundError
        If a member was no candidate of the tube.
    """
    return quantity(_mass(tube, _weights(tube, members, factors), _shown(displayed)), "µg")


def _mass(tube: TubeContent, weights: list[tuple[int, float]], estimate: str) -> UFloat:
    # g/L is mg/mL
    return _sum(tube, weights, estimate) * _volume(tube) * MICROGRAM_PER_MILLIGRAM


def amount_in(
    tube: TubeContent,
    members: Sequence[str] | str | None = None,
    *,
    displayed: bool = True,
) -> Quantity:
    """Amount of substance of a pigment, or of several, in the tube.

    n = Σ c_j V / M_j

    Parameters as in `concentration_in`.

    Returns
    -------
    Quantity
        nmol.

    Raises
    ------
    InputError
        If the tube's volume is not known.
    ReferenceNotFoundError
        If a member was no candidate of the tube.
    """
    return quantity(_amount(tube, _weights(tube, members, None), _shown(displayed)), "nmol")


def _amount(tube: TubeContent, weights: list[tuple[int, float]], estimate: str) -> UFloat:
    return _mass(tube, _molar(tube, weights), estimate) * NANOMOL_PER_MICROMOL


def equivalent_factors(
    references: References, members: Sequence[str], unit_molar_mass: float
) -> tuple[float, ...]:
    """Factors that turn each member's mass into equivalents of one pigment.

    f_j = M_unit / M_j: the mass the same number of molecules would have as the unit.

    Parameters
    ----------
    references : References
    members : sequence of str
    unit_molar_mass : float
        g/mol of the pigment the sum is expressed in, > 0.

    Returns
    -------
    tuple of float

    Raises
    ------
    InputError
        If the molar mass is not above 0.
    ReferenceNotFoundError
        If a member is not among the references.
    """
    _above_zero("molar mass", unit_molar_mass, "g/mol")
    return tuple(unit_molar_mass / references.molar_mass(member) for member in members)


# Shares


@dataclass(frozen=True, slots=True)
class Share:
    """A share of the coloured pigment in a tube.

    Colourless material is invisible to a scan: this is never the purity of a solid.

    Attributes
    ----------
    members : tuple of str
    basis : str
        ``"mass"``, ``"amount"`` or ``"absorbance"``.
    value : Quantity
        Fraction of one, first-order uncertainty; NaN when nothing was found.
    interval : (float, float)
        95 %, within 0 and 1 and not symmetric near either end.
    lower_bound : float
        One-sided 95 % lower bound when the absorbance nobody explains counts as impurity
        with the mean absorptivity of what was found.
    """

    members: tuple[str, ...]
    basis: str
    value: Quantity
    interval: tuple[float, float]
    lower_bound: float


def share_by_mass(tube: TubeContent, members: Sequence[str] | str) -> Share:
    """Share of the coloured pigment by mass.

    p = m / Σ m, of the non-negative estimates; every candidate, found or not, adds
    its uncertainty to the total. The interval holds every p that some composition
    without negative amounts has and the data accept (`specfrac.share_bounds`): unlike
    value ± 2 u it stays honest, and inside, when the share is near an end.

    Parameters
    ----------
    tube : TubeContent
    members : str or sequence of str

    Returns
    -------
    Share

    Raises
    ------
    ReferenceNotFoundError
        If a member was no candidate of the tube.
    """
    return _share(tube, members, "mass", lambda entry: 1.0)


def share_by_amount(tube: TubeContent, members: Sequence[str] | str) -> Share:
    """Share of the coloured pigment by amount of substance; see `share_by_mass`."""
    return _share(tube, members, "amount", lambda entry: 1.0 / entry.molar_mass)


def share_by_absorbance(
    tube: TubeContent, members: Sequence[str] | str, wavelength: float
) -> Share:
    """Share of the pigments' absorbance at a wavelength; see `share_by_mass`.

    Absorptivity errors do not enter: absorbance is what was measured.

    Parameters
    ----------
    tube : TubeContent
    members : str or sequence of str
    wavelength : float
        nm.

    Returns
    -------
    Share

    Raises
    ------
    ReferenceNotFoundError
        If a member was no candidate of the tube.
    """
    return _share(
        tube,
        members,
        "absorbance",
        lambda entry: float(entry.specific_absorptivity([wavelength])[0]),
        absorptivity=False,
    )


def probability_share_above(tube: TubeContent, members: Sequence[str] | str, limit: float) -> float:
    """Probability that the share by mass exceeds a limit.

    From the same profile as the interval of `share_by_mass`, so 0.95 at its lower bound
    (when nothing is unassigned).

    Parameters
    ----------
    tube : TubeContent
    members : str or sequence of str
    limit : float
        Fraction of one.

    Returns
    -------
    float
        NaN when nothing was found or an uncertainty is not known.
    """
    chosen = [j for j, _ in _weights(tube, members, None)]
    if not sum(term.nominal_value for term in tube.displayed) > 0:
        return math.nan
    free = _terms(tube, tube.unconstrained, lambda entry: 1.0, True)
    return probability_above(
        [term.nominal_value for term in free], _covariance(free), chosen, limit
    )


def _parts_by_mass(tube: TubeContent, members: Sequence[str] | str) -> tuple[UFloat, UFloat]:
    return _parts(tube, _weights(tube, members, None), _weights(tube, None, None))


def _parts(
    tube: TubeContent, part: list[tuple[int, float]], whole: list[tuple[int, float]]
) -> tuple[UFloat, UFloat]:
    # Gain, path, dilution and volume are the same for part and whole and cancel.
    return (
        _sum(tube, part, "displayed", common=False),
        _sum(tube, whole, "displayed", common=False),
    )


def _share(
    tube: TubeContent,
    members: Sequence[str] | str,
    basis: str,
    weight: Callable[[PigmentReference], float],
    *,
    absorptivity: bool = True,
) -> Share:
    """Share of the displayed amounts; its interval is that of amounts not below zero."""
    names = (members,) if isinstance(members, str) else tuple(members)
    chosen = [j for j, _ in _weights(tube, members, None)]
    shown = _terms(tube, tube.displayed, weight, absorptivity)
    whole = sum(shown, measured(0.0, 0.0, ""))
    if not whole.nominal_value > 0:
        return Share(names, basis, Quantity(math.nan, math.nan, ""), (0.0, 1.0), 0.0)
    value = quantity(sum((shown[j] for j in chosen), measured(0.0, 0.0, "")) / whole, "")
    free = _terms(tube, tube.unconstrained, weight, absorptivity)
    bounds = share_bounds([term.nominal_value for term in free], _covariance(free), chosen)
    low, high = min(bounds.low, value.value), max(bounds.high, value.value)
    bound = min(bounds.lower_bound, value.value) * (1 - tube.unassigned_share)
    return Share(names, basis, value, (low, high), bound)


def _covariance(terms: Sequence[UFloat]) -> Array:
    """Covariance matrix, summed in an order that is always the same."""
    parts = [term.derivatives for term in terms]
    spread: dict[object, int] = {}
    for part in parts:
        for variable in part:
            spread.setdefault(variable, len(spread))
    wide = np.zeros((len(terms), len(spread)))
    for row, part in enumerate(parts):
        for variable, slope in part.items():
            wide[row, spread[variable]] = slope * variable.std_dev
    return wide @ wide.T


def _terms(
    tube: TubeContent,
    amounts: Sequence[UFloat],
    weight: Callable[[PigmentReference], float],
    absorptivity: bool,
) -> list[UFloat]:
    """Amount of each candidate; gain, path, dilution and volume cancel in a share."""
    return [
        weight(entry) * amount / (unknown if absorptivity else 1.0)
        for entry, amount, unknown in zip(
            tube.references.entries, amounts, tube.absorptivity, strict=True
        )
    ]


def ratio_interval(part: UFloat, whole: UFloat) -> Interval:
    """95 % interval of a ratio of two correlated normal quantities (Fieller 1954).

    All p with (part - p whole)² <= 1.96² var(part - p whole).

    Parameters
    ----------
    part, whole : UFloat

    Returns
    -------
    (float, float)
        Infinite ends when the whole is not clearly above zero; NaN when an
        uncertainty is not known.

    References
    ----------
    E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175.
    """
    (part_variance, shared), (_, whole_variance) = covariance_matrix([part, whole])
    squared = NORMAL_95**2
    n, t = part.nominal_value, whole.nominal_value
    a = t * t - squared * whole_variance
    b = n * t - squared * shared
    c = n * n - squared * part_variance
    if math.isnan(a + b + c):
        return math.nan, math.nan
    if a <= 0:
        return -math.inf, math.inf
    half = math.sqrt(max(b * b - a * c, 0.0))
    return (b - half) / a, (b + half) / a


# Across tubes


def recovery(
    tube: TubeContent,
    loaded: TubeContent,
    members: Sequence[str] | str | None = None,
    *,
    factors: Sequence[float] | None = None,
) -> Quantity:
    """Mass in a tube over mass of the same pigments loaded.

    Of counted estimates (`counted_estimate`), so that it is the ratio of the masses a
    reader is shown. The absorptivity cancels for a pigment measured in the same solvent
    with the same reference in both, and for nothing else. The first-order uncertainty
    means little where what was loaded is itself uncertain: `recovery_interval`.

    Parameters
    ----------
    tube, loaded : TubeContent
    members : str or sequence of str, optional
        Pigment keys; by default every candidate of each.
    factors : sequence of float, optional
        As in `concentration_in`.

    Returns
    -------
    Quantity
        Fraction of one; NaN when the estimate of what was loaded is not above zero.

    Raises
    ------
    InputError
        If a volume is not known.
    ReferenceNotFoundError
        If a member was no candidate of one of the two.
    """
    return _over(*_recovered(tube, loaded, members, factors))


def recovery_interval(
    tube: TubeContent,
    loaded: TubeContent,
    members: Sequence[str] | str | None = None,
    *,
    factors: Sequence[float] | None = None,
) -> Interval | None:
    """95 % interval of a recovery: every ratio the data accept (Fieller 1954).

    It is not symmetric, and is honest also where what was loaded is uncertain.

    Parameters as in `recovery`.

    Returns
    -------
    (float, float) or None
        Not below zero. None when the data accept any ratio, because what was loaded is
        not clearly above zero.

    References
    ----------
    E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175.
    """
    return _bounded_interval(*_recovered(tube, loaded, members, factors))


def _recovered(
    tube: TubeContent,
    loaded: TubeContent,
    members: Sequence[str] | str | None,
    factors: Sequence[float] | None,
) -> tuple[UFloat, UFloat]:
    found = _mass(tube, _weights(tube, members, factors), "counted")
    return found, _mass(loaded, _weights(loaded, members, factors), "counted")


def _bounded_interval(part: UFloat, whole: UFloat) -> Interval | None:
    if not whole.nominal_value > 0:
        return None
    low, high = ratio_interval(part, whole)
    if not (math.isfinite(low) and math.isfinite(high)):
        return None
    return max(low, 0.0), max(high, 0.0)


def found_in(
    tubes: Sequence[TubeContent],
    members: Sequence[str] | str | None = None,
    *,
    factors: Sequence[float] | None = None,
    of: str = "mass",
) -> Quantity:
    """Sum over tubes, of counted estimates (`counted_estimate`).

    Parameters
    ----------
    tubes : sequence of TubeContent
    members : str or sequence of str, optional
        Pigment keys; every candidate by default. A member that was no candidate of
        a tube counts as absent there.
    factors : sequence of float, optional
        As in `concentration_in`; for ``of="mass"`` only.
    of : str
        ``"mass"`` (µg) or ``"amount"`` (nmol).

    Returns
    -------
    Quantity

    Raises
    ------
    InputError
        If a volume is not known, or `of` is neither word.
    """
    return quantity(_found(tubes, members, factors, of), "µg" if of == "mass" else "nmol")


def closure(
    tubes: Sequence[TubeContent],
    loaded: TubeContent,
    members: Sequence[str] | str | None = None,
    *,
    factors: Sequence[float] | None = None,
    of: str = "mass",
) -> Quantity:
    """Sum of all tubes over what was loaded, of counted estimates.

    Parameters as in `found_in`.

    Returns
    -------
    Quantity
        Fraction of one; NaN when the estimate of what was loaded is not above zero.
    """
    return _over(_found(tubes, members, factors, of), _found([loaded], members, factors, of))


def closure_interval(
    tubes: Sequence[TubeContent],
    loaded: TubeContent,
    members: Sequence[str] | str | None = None,
    *,
    factors: Sequence[float] | None = None,
    of: str = "mass",
) -> Interval | None:
    """95 % interval of a closure, as `recovery_interval`.

    Parameters as in `found_in`.

    Returns
    -------
    (float, float) or None
        Not below zero; None when the data accept any ratio.
    """
    return _bounded_interval(
        _found(tubes, members, factors, of), _found([loaded], members, factors, of)
    )


def _found(
    tubes: Sequence[TubeContent],
    members: Sequence[str] | str | None,
    factors: Sequence[float] | None,
    of: str,
) -> UFloat:
    measures = {"mass": _mass, "amount": _amount}
    if of not in measures:
        raise InputError(f"of is {of!r}. {did_you_mean(of, measures)}")
    total = measured(0.0, 0.0, "")
    for tube in tubes:
        weights = _present(tube, members, factors)
        if weights:
            total = total + measures[of](tube, weights, "counted")
    return total


def _present(
    tube: TubeContent, members: Sequence[str] | str | None, factors: Sequence[float] | None
) -> list[tuple[int, float]]:
    if members is None:
        return _weights(tube, None, None)
    names = (members,) if isinstance(members, str) else tuple(members)
    pairs = zip(names, factors or (1.0,) * len(names), strict=True)
    kept = [(name, factor) for name, factor in pairs if name in tube.pigments]
    return _weights(tube, [name for name, _ in kept], [factor for _, factor in kept])


def _over(part: UFloat, whole: UFloat) -> Quantity:
    if not whole.nominal_value > 0:
        return Quantity(math.nan, math.nan, "")
    return quantity(part / whole, "")


def content(
    tube: TubeContent,
    members: Sequence[str] | str | None = None,
    *,
    tissue_mass: UFloat,
    extract_volume: UFloat,
    loaded_volume: UFloat,
    factors: Sequence[float] | None = None,
) -> Quantity:
    """Mass per gram of tissue: extracted, for the loaded tube; obtained, for a cut.

    m (extract volume / loaded volume) / tissue mass, of counted estimates. What the
    solvent left in the leaf is not in it.
    Hand over the very variable that is the volume of the loaded tube, and its error
    cancels for that tube; hand over one variable as both volumes when the whole
    extract was loaded.

    Parameters
    ----------
    tube : TubeContent
    members : str or sequence of str, optional
    tissue_mass : UFloat
        g, > 0.
    extract_volume, loaded_volume : UFloat
        mL, > 0.
    factors : sequence of float, optional
        As in `concentration_in`.

    Returns
    -------
    Quantity
        µg/g.

    Raises
    ------
    InputError
        If a mass or volume is not above 0, or the tube's volume is not known.
    ReferenceNotFoundError
        If a member was no candidate of the tube.
    """
    _above_zero(TISSUE_MASS, tissue_mass.nominal_value, "g")
    _above_zero(EXTRACT_VOLUME, extract_volume.nominal_value, "mL")
    _above_zero(LOADED_VOLUME, loaded_volume.nominal_value, "mL")
    mass = _mass(tube, _weights(tube, members, factors), "counted")
    return quantity(mass * (extract_volume / loaded_volume) / tissue_mass, "µg/g")


def enrichment(tube: TubeContent, loaded: TubeContent, members: Sequence[str] | str) -> Quantity:
    """Share by mass in a tube over share by mass in what was loaded.

    Returns
    -------
    Quantity
        NaN when either holds nothing, or the loaded extract none of the members.
    """
    part, whole = _parts_by_mass(tube, members)
    part_loaded, whole_loaded = _parts_by_mass(loaded, members)
    if not (whole.nominal_value > 0 and part_loaded.nominal_value > 0):
        return Quantity(math.nan, math.nan, "")
    return _over((part / whole) * whole_loaded, part_loaded)


@dataclass(frozen=True, slots=True)
class PorphyrinBalance:
    """Chlorophyll with the pheophytin made from it, in moles.

    Attributes
    ----------
    kind : str
        ``"a"`` or ``"b"``.
    loaded, found : Quantity
        nmol of chlorophyll and pheophytin together.
    closure : Quantity
        Found over loaded.
    pheophytin_loaded, pheophytin_found : Quantity
        Share of the pool, by amount, that is pheophytin.
    conversion : Quantity
        Share of the loaded chlorophyll that had turned to pheophytin by the end:
        (p_found - p_loaded) / (1 - p_loaded), if both forms were lost alike.
        Absorptivity errors do not cancel in it: the two forms have their own.
    """

    kind: str
    loaded: Quantity
    found: Quantity
    closure: Quantity
    pheophytin_loaded: Quantity
    pheophytin_found: Quantity
    conversion: Quantity


def porphyrin_balance(
    tubes: Sequence[TubeContent], loaded: TubeContent, kind: str
) -> PorphyrinBalance:
    """Balance one porphyrin pool, of counted estimates.

    Pheophytin is made on the column, so by mass of single pigments chlorophyll
    seems lost and pheophytin "recovers" above one; the pool closes in moles.

    Parameters
    ----------
    tubes : sequence of TubeContent
    loaded : TubeContent
    kind : str
        ``"a"`` or ``"b"``.

    Returns
    -------
    PorphyrinBalance

    Raises
    ------
    InputError
        If a volume is not known, or `kind` is neither word.
    """
    if kind not in PORPHYRINS:
        raise InputError(f"kind is {kind!r}. {did_you_mean(kind, PORPHYRINS)}")
    with_magnesium, without = PORPHYRINS[kind]
    pheophytin_loaded = _found([loaded], without, None, "amount")
    pheophytin_found = _found(tubes, without, None, "amount")
    all_loaded = _found([loaded], with_magnesium, None, "amount") + pheophytin_loaded
    all_found = _found(tubes, with_magnesium, None, "amount") + pheophytin_found
    conversion = Quantity(math.nan, math.nan, "")
    if all_loaded.nominal_value > 0 and all_found.nominal_value > 0:
        before = pheophytin_loaded / all_loaded
        if before.nominal_value < 1:
            conversion = quantity((pheophytin_found / all_found - before) / (1 - before), "")
    return PorphyrinBalance(
        kind,
        quantity(all_loaded, "nmol"),
        quantity(all_found, "nmol"),
        _over(all_found, all_loaded),
        _over(pheophytin_loaded, all_loaded),
        _over(pheophytin_found, all_found),
        conversion,
    )
