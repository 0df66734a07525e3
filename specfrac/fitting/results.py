"""What a mixture fit reports."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, overload

import numpy as np
from numpy.typing import NDArray

from specfrac.errors import InputError
from specfrac.flags import Flag
from specfrac.references import References
from specfrac.scans import Scan

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

G_PER_L_TO_MG_PER_L = 1e3


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

    @property
    def pigments(self) -> tuple[str, ...]:
        """Keys of the candidates."""
        return self.references.pigments

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
        return 1.645 * self.zero_uncertainty

    @property
    def detection_limit(self) -> Array:
        """3.29 u(c=0), g/L (Currie 1995, Pure Appl. Chem. 67, 1699)."""
        return 3.29 * self.zero_uncertainty

    @property
    def detected(self) -> NDArray[np.bool_]:
        """Unconstrained estimate at or above the critical value, and displayed above zero.

        An unconstrained estimate that only balances a neighbour's negative one is no detection.
        """
        above = self.concentration_unconstrained >= self.critical_value
        return np.asarray(above & (self.concentration > 0))

    @property
    def quantified(self) -> NDArray[np.bool_]:
        """Detected, and the unconstrained estimate at or above 10 u(c=0)."""
        above = self.concentration_unconstrained >= 10 * self.zero_uncertainty
        return np.asarray(above & self.detected)

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
class MixtureFits(Sequence[MixtureFit]):
    """Fits of many scans, in the order the scans were given."""

    fits: tuple[MixtureFit, ...]

    def __len__(self) -> int:
        return len(self.fits)

    @overload
    def __getitem__(self, index: int) -> MixtureFit: ...
    @overload
    def __getitem__(self, index: slice) -> MixtureFits: ...
    def __getitem__(self, index: int | slice) -> MixtureFit | MixtureFits:
        if isinstance(index, slice):
            return MixtureFits(self.fits[index])
        return self.fits[index]

    def __iter__(self) -> Iterator[MixtureFit]:
        return iter(self.fits)

    def to_frame(self) -> pd.DataFrame:
        """Return a row a scan and candidate, with the scan's name and position."""
        import pandas as pd

        if not self.fits:
            raise InputError("no fits: a frame needs at least one.")
        frames = [fit.to_frame() for fit in self.fits]
        for position, (fit, frame) in enumerate(zip(self.fits, frames, strict=True)):
            frame.insert(0, "scan", fit.name)
            frame.insert(0, "position", position)
        return pd.concat(frames, ignore_index=True)
