"""What a mixture fit reports."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Protocol, overload

import numpy as np
from numpy.typing import NDArray

from specfrac.errors import InputError
from specfrac.flags import Flag
from specfrac.references import References
from specfrac.scans import Scan

if TYPE_CHECKING:
    import pandas as pd

    from specfrac.fitting.presence import Presence

Array = NDArray[np.float64]

G_PER_L_TO_MG_PER_L = 1e3
# of the standard uncertainty at zero: 5 % false alarms; 5 % missed at the limit (Currie 1995)
CRITICAL, DETECTION_LIMIT = 1.645, 3.29
QUANTIFIED = 10.0  # relative uncertainty of 10 % (Currie 1995)


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """The fit of one scan drawn on that scan's grid.

    Attributes
    ----------
    wavelength, absorbance : ndarray, shape (n_points,)
        The scan.
    used : ndarray of bool, shape (n_points,)
        Points the fit used.
    fitted, residual, baseline : ndarray, shape (n_points,)
        Total of the non-negative fit, scan less total, offset plus scatter.
    components : ndarray, shape (n_pigments, n_points)
        Absorbance of each pigment, in the order of the fit's ``pigments``.
    shape_uncertainty : ndarray, shape (n_points,)
        Standard uncertainty of the total from the references' band shapes.
    """

    wavelength: Array
    absorbance: Array
    used: NDArray[np.bool_]
    fitted: Array
    residual: Array
    baseline: Array
    components: Array
    shape_uncertainty: Array


@dataclass(frozen=True, slots=True)
class UnassignedBand:
    """Absorbance that no candidate explains.

    Attributes
    ----------
    wavelength : float
        nm, position of the band.
    absorbance : float
        Height of the band.
    significance : float
        Height over its standard uncertainty, shape error included.
    """

    wavelength: float
    absorbance: float
    significance: float


@dataclass(frozen=True, slots=True, eq=False)
class Group:
    """A sum of candidates, reported as one figure.

    Attributes
    ----------
    name : str
    members : tuple of str
        Pigment keys.
    factors : ndarray, shape (n_members,)
        Mass of the group's unit per mass of the member: 1, or the ratio of molar
        masses where the group is in equivalents of one pigment.
    merged : bool
        True when the members are summed because this scan cannot tell them apart.
    """

    name: str
    members: tuple[str, ...]
    factors: Array
    merged: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class MixtureFit:
    """Composition of the solution in one cuvette.

    Concentrations are in g/L, in the order of ``pigments``. With several scans of
    one tube they are those of the undiluted solution.

    Attributes
    ----------
    name : str
    success : bool
    message : str
        Why the fit stopped.
    references : References
    scans : tuple of Scan
        One, or the scans of one tube that were fitted together.
    dilution_factors, path_lengths : ndarray, shape (n_scans,)
    used : tuple of ndarray of bool
        Points used in each scan.
    concentration : ndarray, shape (n_pigments,)
        Non-negative estimate, for display.
    concentration_unconstrained : ndarray, shape (n_pigments,)
        All candidates free; for averages, detection and statistics.
    covariance_noise, covariance_shape, covariance_scale : ndarray, shape (n_pigments, n_pigments)
        (g/L)^2 of the unconstrained estimate: noise with baseline and shifts; the
        references' band shapes (shared by all scans that use them); photometer gain
        and absorptivities.
    zero_uncertainty : ndarray, shape (n_pigments,)
        Standard uncertainty the pigment would have if it were absent.
    group_shifts, group_shift_uncertainties : mapping of str to float
        nm by group of bands.
    offsets, scatters : ndarray, shape (n_scans,)
        Baseline at infinite wavelength and scatter at 500 nm, in absorbance.
    scatter_exponent : float
    bandwidth : float or None
        Spectral bandwidth given, nm.
    bandwidth_variance : float
        nm^2 by which the bands are broader than the references'; fitted when no
        bandwidth was given, otherwise 0 (then each reference's own difference is used).
    noise : ndarray, shape (n_scans,)
        Standard deviation of the independent noise at zero absorbance.
    shape_error_factor : float
        1, or more when the scan asked for a larger shape error than stated.
    misfit : float
        Absorbance by which the scan departs from model and stated errors; 0 when they
        cover it. It is counted in the uncertainties.
    reduced_chi_square : float
        At the stated errors.
    deviance : float
        Minus twice the log marginal likelihood at the stated errors, but for a constant
        of the points used; compares models of the same points.
    runs_p_value : float
        Of the runs test on the whitened residual.
    unassigned_share : float
        Share of the absorbance area the model leaves over.
    unassigned_bands : tuple of UnassignedBand
    groups : tuple of Group
    flags : tuple of Flag
    shape_gain : ndarray, shape (n_pigments, n_references, n_modes), or None
        g/L that each mode of each reference's band-shape error adds to each estimate, for
        standardised errors at `shape_knots`; what tubes fitted with the same references have
        in common. Its products sum to no more than `covariance_shape`. Kept by
        `fit_tube` and `fit_mixture`, and by `fit_mixtures` when asked.
    """

    name: str
    success: bool
    message: str
    references: References
    scans: tuple[Scan, ...]
    dilution_factors: Array
    path_lengths: Array
    used: tuple[NDArray[np.bool_], ...]
    concentration: Array
    concentration_unconstrained: Array
    covariance_noise: Array
    covariance_shape: Array
    covariance_scale: Array
    zero_uncertainty: Array
    group_shifts: Mapping[str, float]
    group_shift_uncertainties: Mapping[str, float]
    offsets: Array
    scatters: Array
    scatter_exponent: float
    bandwidth: float | None
    bandwidth_variance: float
    noise: Array
    shape_error_factor: float
    misfit: float
    reduced_chi_square: float
    deviance: float
    runs_p_value: float
    unassigned_share: float
    unassigned_bands: tuple[UnassignedBand, ...]
    groups: tuple[Group, ...]
    flags: tuple[Flag, ...]
    shape_gain: Array | None = None

    @property
    def pigments(self) -> tuple[str, ...]:
        """Keys of the candidates."""
        return self.references.pigments

    @property
    def shape_knots(self) -> Array:
        """nm, places of the modes of `shape_gain`, the same for every grid."""
        from specfrac.fitting.noise import SPREAD_SPACING, shape_knots

        wavelength = np.concatenate([scan.wavelength for scan in self.scans])
        return shape_knots(wavelength, spacing=SPREAD_SPACING)

    @property
    def covariance(self) -> Array:
        """Full covariance of the unconstrained estimate, (g/L)^2."""
        return self.covariance_noise + self.covariance_shape + self.covariance_scale

    @property
    def standard_uncertainty(self) -> Array:
        """Standard uncertainty of each concentration, g/L."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def critical_value(self) -> Array:
        """Above it a pigment counts as detected: 1.645 u(c=0), g/L (Currie 1995)."""
        return CRITICAL * self.zero_uncertainty

    @property
    def detection_limit(self) -> Array:
        """3.29 u(c=0), g/L (Currie 1995, Pure Appl. Chem. 67, 1699)."""
        return DETECTION_LIMIT * self.zero_uncertainty

    @property
    def detected(self) -> NDArray[np.bool_]:
        """Unconstrained estimate at or above the critical value, and displayed above zero.

        An unconstrained estimate that only balances a neighbour's negative one is no detection.
        """
        return detected(self.concentration, self.concentration_unconstrained, self.zero_uncertainty)

    @property
    def quantified(self) -> NDArray[np.bool_]:
        """Detected, and the unconstrained estimate at or above 10 u(c=0)."""
        return quantified(
            self.concentration, self.concentration_unconstrained, self.zero_uncertainty
        )

    def presence(self, *, adjust: str = "none", significance: float = 0.05) -> tuple[Presence, ...]:
        """Return whether each candidate is there (see `specfrac.fitting.presence.presence`)."""
        from specfrac.fitting.presence import presence

        return presence(self, adjust=adjust, significance=significance)

    def group_concentration(self, group: Group) -> tuple[float, float]:
        """Return concentration and standard uncertainty of a group, g/L."""
        weights = np.zeros(len(self.pigments))
        for member, factor in zip(group.members, group.factors, strict=True):
            weights[self.pigments.index(member)] = factor
        variance = float(weights @ self.covariance @ weights)
        return float(weights @ self.concentration), float(np.sqrt(variance))

    def curves(self, index: int = 0) -> Curves:
        """Return scan, fit, residual and each pigment's part on the scan's grid."""
        from specfrac.fitting.model import curves

        return curves(self, index)

    def _repr_html_(self) -> str:
        """Show the fit in a notebook."""
        from specfrac.report import fit_fragment

        return fit_fragment(self)

    def to_frame(self) -> pd.DataFrame:
        """Return a row a candidate, unmerged, numeric even when not detected."""
        import pandas as pd

        entries = self.references.entries
        return pd.DataFrame(
            {
                "pigment": list(self.pigments),
                "group": [entry.group for entry in entries],
                "concentration_mg_per_L": self.concentration * G_PER_L_TO_MG_PER_L,
                "concentration_unconstrained_mg_per_L": self.concentration_unconstrained
                * G_PER_L_TO_MG_PER_L,
                "standard_uncertainty_mg_per_L": self.standard_uncertainty * G_PER_L_TO_MG_PER_L,
                "detection_limit_mg_per_L": self.detection_limit * G_PER_L_TO_MG_PER_L,
                "detected": self.detected,
                "quantified": self.quantified,
            }
        )

    def groups_frame(self) -> pd.DataFrame:
        """Return a row a group."""
        import pandas as pd

        values = [self.group_concentration(group) for group in self.groups]
        return pd.DataFrame(
            {
                "group": [group.name for group in self.groups],
                "members": [group.members for group in self.groups],
                "concentration_mg_per_L": [v * G_PER_L_TO_MG_PER_L for v, _ in values],
                "standard_uncertainty_mg_per_L": [u * G_PER_L_TO_MG_PER_L for _, u in values],
            }
        )


@dataclass(frozen=True, slots=True, eq=False)
class FitTable:
    """The figures of many fits with the same candidates, g/L.

    Attributes
    ----------
    success : ndarray of bool, shape (n_scans,)
    concentration, concentration_unconstrained : ndarray, shape (n_scans, n_pigments)
    standard_uncertainty, zero_uncertainty : ndarray, shape (n_scans, n_pigments)
        As in `MixtureFit`.
    """

    success: NDArray[np.bool_]
    concentration: Array
    concentration_unconstrained: Array
    standard_uncertainty: Array
    zero_uncertainty: Array

    @property
    def detected(self) -> NDArray[np.bool_]:
        """As `MixtureFit.detected`, shape (n_scans, n_pigments)."""
        return detected(self.concentration, self.concentration_unconstrained, self.zero_uncertainty)

    @property
    def quantified(self) -> NDArray[np.bool_]:
        """As `MixtureFit.quantified`, shape (n_scans, n_pigments)."""
        return quantified(
            self.concentration, self.concentration_unconstrained, self.zero_uncertainty
        )


def detected(displayed: Array, free: Array, zero_uncertainty: Array) -> NDArray[np.bool_]:
    """Whether pigments count as detected (see `MixtureFit.detected`); arrays of one shape."""
    return np.asarray((free >= CRITICAL * zero_uncertainty) & (displayed > 0))


def quantified(displayed: Array, free: Array, zero_uncertainty: Array) -> NDArray[np.bool_]:
    """Whether pigments count as quantified (see `MixtureFit.quantified`)."""
    above = free >= QUANTIFIED * zero_uncertainty
    return np.asarray(above & detected(displayed, free, zero_uncertainty))


class FittedScans(Protocol):
    """Some of the fits of a call, kept as arrays."""

    def report(self, number: int) -> MixtureFit:
        """The fit of one scan."""

    def table(self) -> FitTable:
        """The figures of all."""

    def names(self) -> list[str]:
        """Names of the scans."""


class MixtureFits(Sequence[MixtureFit]):
    """Fits of many scans, in the order the scans were given.

    The figures of all are arrays (`table`, `to_frame`); the `MixtureFit` of one scan, with
    its groups and flags, is made when it is asked for.

    Parameters
    ----------
    references : References
    n_scans : int
    parts : sequence of (positions, FittedScans)
        Where each part's scans stand in the order given.
    """

    __slots__ = ("_known", "_part_of", "_parts", "_row_of", "references")

    def __init__(
        self,
        references: References,
        n_scans: int,
        parts: Sequence[tuple[Sequence[int], FittedScans]],
    ) -> None:
        self.references = references
        self._parts = tuple(part for _, part in parts)
        self._part_of = np.full(n_scans, -1, dtype=np.intp)
        self._row_of = np.zeros(n_scans, dtype=np.intp)
        for number, (positions, _) in enumerate(parts):
            self._part_of[list(positions)] = number
            self._row_of[list(positions)] = np.arange(len(positions))
        self._known: dict[int, MixtureFit] = {}

    def __len__(self) -> int:
        return len(self._part_of)

    @overload
    def __getitem__(self, index: int) -> MixtureFit: ...
    @overload
    def __getitem__(self, index: slice) -> MixtureFits: ...
    def __getitem__(self, index: int | slice) -> MixtureFit | MixtureFits:
        if isinstance(index, slice):
            some = MixtureFits(self.references, 0, ())
            some._parts = self._parts
            some._part_of, some._row_of = self._part_of[index], self._row_of[index]
            return some
        position = range(len(self))[index]
        if position not in self._known:
            self._known[position] = self._made(position)
        return self._known[position]

    def __iter__(self) -> Iterator[MixtureFit]:
        # not kept: a loop over many fits needs each once
        for position in range(len(self)):
            known = self._known.get(position)
            yield self._made(position) if known is None else known

    def _made(self, position: int) -> MixtureFit:
        return self._parts[self._part_of[position]].report(int(self._row_of[position]))

    def table(self) -> FitTable:
        """Return the figures of all scans as arrays."""
        tables = [part.table() for part in self._parts]
        first = np.cumsum([0, *(len(table.success) for table in tables)])
        order = first[self._part_of] + self._row_of
        columns = (
            np.concatenate([getattr(table, name.name) for table in tables])[order]
            for name in fields(FitTable)
        )
        return FitTable(*columns)

    def to_frame(self) -> pd.DataFrame:
        """Return a row a scan and candidate, with the scan's name and position."""
        import pandas as pd

        if not len(self):
            raise InputError("no fits: a frame needs at least one.")
        table, entries = self.table(), self.references.entries
        n, n_pigments = table.concentration.shape
        names = [part.names() for part in self._parts]
        scans = [names[part][row] for part, row in zip(self._part_of, self._row_of, strict=True)]
        return pd.DataFrame(
            {
                "position": np.repeat(np.arange(n), n_pigments),
                "scan": np.repeat(np.array(scans, dtype=object), n_pigments),
                "pigment": np.tile(np.array(self.references.pigments, dtype=object), n),
                "group": np.tile(np.array([e.group for e in entries], dtype=object), n),
                "concentration_mg_per_L": table.concentration.ravel() * G_PER_L_TO_MG_PER_L,
                "concentration_unconstrained_mg_per_L": (
                    table.concentration_unconstrained.ravel() * G_PER_L_TO_MG_PER_L
                ),
                "standard_uncertainty_mg_per_L": (
                    table.standard_uncertainty.ravel() * G_PER_L_TO_MG_PER_L
                ),
                "detection_limit_mg_per_L": (
                    DETECTION_LIMIT * table.zero_uncertainty.ravel() * G_PER_L_TO_MG_PER_L
                ),
                "detected": table.detected.ravel(),
                "quantified": table.quantified.ravel(),
            }
        )
