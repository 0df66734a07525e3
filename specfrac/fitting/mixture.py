"""Scans and references become a `MixtureFit`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from specfrac.errors import FitError, InputError
from specfrac.fitting import engine, model
from specfrac.fitting.blocks import BLOCK_CHANGE
from specfrac.fitting.error_model import (
    LINEAR_LIMIT,
    PHOTOMETER_GAIN_UNCERTAINTY,
    error_model,
)
from specfrac.fitting.fit_flags import fit_flags, reference_flags, scan_disagreement
from specfrac.fitting.flattening import (
    Flattening,
    flattened_scans,
    lowered_limit,
    stray_light_flags,
)
from specfrac.fitting.grid import SEARCH_WIDTH_NM, Grid, grid_of
from specfrac.fitting.groups import report_groups
from specfrac.fitting.problem import Problem, Solution
from specfrac.fitting.results import FitTable, MixtureFit, MixtureFits, UnassignedBand
from specfrac.fitting.usable import Tube, Usable, informative_points, usable
from specfrac.flags import Flag, ranked
from specfrac.references import References
from specfrac.scans import Scan

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

MOST_LOST_TO_BLOCKS = 0.02  # of the usable points, before blocks are given up
BATCH = 512  # tubes solved side by side: enough to share the cost of each step, some 150 MB at work


@dataclass(frozen=True, slots=True)
class Options:
    """Settings of a fit."""

    linear_limit: float
    absorptivity_uncertainty: bool
    merge_limit: float
    noise: float | None
    shape_covariance: bool
    keep_shape_gain: bool = False
    flattened: tuple[Flattening, ...] = ()  # scans fitted again below the limit


def fit_mixture(
    scan: Scan,
    references: References,
    *,
    path_length: float = 1.0,
    bandwidth: float | None = None,
    linear_limit: float = LINEAR_LIMIT,
    absorptivity_uncertainty: bool = True,
    merge_limit: float | None = None,
    noise: float | None = None,
    shape_covariance: bool = True,
) -> MixtureFit:
    """Fit one scan with a mixture of reference pigments.

    A(λ) = l Σ_j c_j a_j(λ - δ; v) + b0 + b1 (500/λ)^n

    by generalised least squares: independent noise, and smooth errors of the band
    shapes as covariance.

    Parameters
    ----------
    scan : Scan
    references : References
        Candidates in the scan's solvent.
    path_length : float
        cm, > 0.
    bandwidth : float, optional
        Spectral bandwidth of the instrument, nm; fitted when not given.
    linear_limit : float
        Points above this absorbance are left out.
    absorptivity_uncertainty : bool
        False leaves the uncertainty of the references' scale out.
    merge_limit : float, optional
        Pigments whose expanded uncertainty exceeds this share of their group are
        reported as a sum.
    noise : float, optional
        Standard deviation of the reading at zero absorbance; estimated when not given.
    shape_covariance : bool
        False treats the band shapes as exact.

    Returns
    -------
    MixtureFit
        Concentrations are those of the solution in the cuvette.

    Raises
    ------
    FitError
        If fewer than 50 usable points tell anything of the candidates.
    InputError
        If path length, bandwidth or linear limit cannot be right.
    """
    fit = fit_mixtures(
        [scan],
        references,
        path_length=path_length,
        bandwidth=bandwidth,
        linear_limit=linear_limit,
        absorptivity_uncertainty=absorptivity_uncertainty,
        merge_limit=merge_limit,
        noise=noise,
        shape_covariance=shape_covariance,
        shape_gain=True,
    )[0]
    if any(flag.code == "not-fitted" for flag in fit.flags):
        raise FitError(fit.message)
    return fit


def fit_mixtures(
    scans: Sequence[Scan],
    references: References,
    *,
    path_length: float | Sequence[float] = 1.0,
    bandwidth: float | Sequence[float | None] | None = None,
    linear_limit: float = LINEAR_LIMIT,
    absorptivity_uncertainty: bool = True,
    merge_limit: float | None = None,
    noise: float | None = None,
    shape_covariance: bool = True,
    shape_gain: bool = False,
) -> MixtureFits:
    """Fit many scans; one that cannot be fitted has ``success`` False and NaN.

    Parameters are those of `fit_mixture`; path length and bandwidth may be one value
    or one a scan. Scans may have different grids. ``shape_gain=True`` keeps each fit's
    `MixtureFit.shape_gain`, some 30 kB a scan.

    Returns
    -------
    MixtureFits
        In the order of the scans.
    """
    paths = _one_each(path_length, len(scans), "path_length")
    bandwidths = _one_each(bandwidth, len(scans), "bandwidth")
    tubes = [
        Tube(scan.name, (scan,), (1.0,), (0.0,), (_positive(path, "path_length"),), width)
        for scan, path, width in zip(scans, paths, bandwidths, strict=True)
    ]
    options = _options(
        linear_limit, absorptivity_uncertainty, merge_limit, noise, shape_covariance, shape_gain
    )
    return _fit_tubes(tubes, references, options)


def fit_tube(
    scans: Sequence[Scan],
    references: References,
    *,
    dilution_factors: Sequence[float] | None = None,
    dilution_uncertainties: Sequence[float] | None = None,
    path_length: float | Sequence[float] = 1.0,
    bandwidth: float | None = None,
    linear_limit: float = LINEAR_LIMIT,
    absorptivity_uncertainty: bool = True,
    merge_limit: float | None = None,
    name: str | None = None,
) -> MixtureFit:
    """Fit several scans of one tube together: repeats, dilutions.

    The scans share the composition, the shifts and the band-shape errors; each has
    its own baseline, noise and dilution factor.

    Parameters
    ----------
    scans : sequence of Scan
    references : References
    dilution_factors : sequence of float, optional
        Final volume over volume taken, >= 1; default 1 each.
    dilution_uncertainties : sequence of float, optional
        Relative standard uncertainties; default 0.
    path_length, bandwidth, linear_limit, absorptivity_uncertainty, merge_limit
        As in `fit_mixture`.
    name : str, optional
        Default: the first scan's.

    Returns
    -------
    MixtureFit
        Concentrations are those of the undiluted tube.

    Raises
    ------
    FitError, InputError
        As in `fit_mixture`.
    """
    if not scans:
        raise InputError("fit_tube: no scans given; it needs at least one.")
    n = len(scans)
    factors = [1.0] * n if dilution_factors is None else [float(d) for d in dilution_factors]
    doubts = (
        [0.0] * n if dilution_uncertainties is None else [float(u) for u in dilution_uncertainties]
    )
    if len(factors) != n or len(doubts) != n:
        raise InputError(
            f"fit_tube: {n} scans, {len(factors)} dilution factors and {len(doubts)} "
            "uncertainties, but there must be one each."
        )
    for factor in factors:
        if not (math.isfinite(factor) and factor >= 1):
            raise InputError(f"dilution_factor is {factor:g}, but must be a number of at least 1.")
    paths = _one_each(path_length, n, "path_length")
    tube = Tube(
        name or scans[0].name,
        tuple(scans),
        tuple(factors),
        tuple(doubts),
        tuple(_positive(path, "path_length") for path in paths),
        bandwidth,
    )
    options = _options(linear_limit, absorptivity_uncertainty, merge_limit, None, True, True)
    fit = _fit_tubes([tube], references, options)[0]
    if any(flag.code == "not-fitted" for flag in fit.flags):
        raise FitError(fit.message)
    if n == 1 or not fit.success:
        return fit
    apart = [
        Tube(scan.name, (scan,), (factor,), (0.0,), (path,), bandwidth)
        for scan, factor, path in zip(tube.scans, tube.dilution_factors, paths, strict=True)
    ]
    singles = _fit_tubes(apart, references, options)
    disagreement = scan_disagreement(singles, tube.dilution_uncertainties)
    return replace(fit, flags=ranked([*fit.flags, *disagreement]))


@dataclass(frozen=True, slots=True, eq=False)
class Identification:
    """How well the pigments in one solvent describe a scan whose solvent is unknown.

    Attributes
    ----------
    solvent : str
    fit : MixtureFit
        Its concentrations are not to be used: the solvent is a guess.
    score : float
        Deviance of the fit; the lowest describes the scan best.
    """

    solvent: str
    fit: MixtureFit
    score: float


def _options(
    linear_limit: float,
    absorptivity_uncertainty: bool,
    merge_limit: float | None,
    noise: float | None,
    shape_covariance: bool,
    shape_gain: bool,
) -> Options:
    limit = error_model()["merge_limit"] if merge_limit is None else merge_limit
    if noise is not None:
        _positive(noise, "noise")
    return Options(
        _positive(linear_limit, "linear_limit"),
        absorptivity_uncertainty,
        _positive(limit, "merge_limit"),
        noise,
        shape_covariance,
        shape_gain,
    )


def _positive(value: float, name: str) -> float:
    number = float(value)
    if not (math.isfinite(number) and number > 0):
        raise InputError(f"{name} is {number:g}, but must be a number above zero.")
    return number


def _one_each(value: object, n: int, name: str) -> list:
    """One value for all, or one each."""
    if value is None or np.ndim(value) == 0:  # type: ignore[arg-type]
        return [value] * n
    values = list(value)  # type: ignore[call-overload]
    if len(values) != n:
        raise InputError(f"{name} has {len(values)} values for {n} scans; give one, or one each.")
    return values


def _fit_tubes(tubes: Sequence[Tube], references: References, options: Options) -> MixtureFits:
    """Sort tubes into batches with the same grids, path ratios and bandwidth; fit each."""
    batches: dict[tuple, list[int]] = {}
    for position, tube in enumerate(tubes):
        if tube.bandwidth is not None:
            _positive(tube.bandwidth, "bandwidth")
        key = (
            _grids(tube),
            _relative_factors(tube),
            tube.dilution_uncertainties,
            tube.bandwidth,
        )
        batches.setdefault(key, []).append(position)
    fitted: list[tuple[list[int], FittedBatch]] = []
    for positions in batches.values():
        for start in range(0, len(positions), BATCH):
            chosen = positions[start : start + BATCH]
            fitted += _fit_batch([tubes[i] for i in chosen], chosen, references, options)
    return MixtureFits(references, len(tubes), fitted)


def _relative_factors(tube: Tube) -> tuple[float, ...]:
    """Path length over dilution factor, relative to the scan with the most pigment."""
    pairs = zip(tube.path_lengths, tube.dilution_factors, strict=True)
    factors = [path / dilution for path, dilution in pairs]
    strongest = max(factors)
    return tuple(factor / strongest for factor in factors)


def _grids(tube: Tube) -> tuple[bytes, ...]:
    return tuple(scan.wavelength.tobytes() for scan in tube.scans)


@lru_cache(maxsize=16)
def _layout(references: References, n_scans: int) -> model.Layout:
    return model.layout(references, n_scans)


@lru_cache(maxsize=8)
def _grid(
    references: References,
    wavelengths: tuple[bytes, ...],
    factors: tuple[float, ...],
    bandwidth: float | None,
    block_change: float,
) -> Grid:
    """What tubes with these grids share; kept, for it pays over many batches."""
    return grid_of(
        _layout(references, len(wavelengths)),
        tuple(np.frombuffer(grid) for grid in wavelengths),
        factors,
        bandwidth,
        block_change,
    )


def _fit_batch(
    tubes: list[Tube], positions: list[int], references: References, options: Options
) -> list[tuple[list[int], FittedBatch]]:
    """Fit tubes with the same grids; in blocks, or point by point where those lose much."""
    limit = options.linear_limit
    width = tubes[0].bandwidth
    if width is not None and width > error_model()["wide_bandwidth"]:
        # a wide slit averages transmittance; below absorbance 1 that hardly matters
        limit = min(limit, error_model()["wide_bandwidth_linear_limit"])
    grids, factors = _grids(tubes[0]), _relative_factors(tubes[0])
    choice = usable(tubes, references, _informative(references, grids), limit)
    possible = np.array([not problem for problem in choice.problems])
    blocks = _grid(references, grids, factors, width, BLOCK_CHANGE).blocks
    whole = blocks.whole(choice.used)
    lost = 1 - whole @ blocks.sizes / np.maximum(choice.used.sum(axis=1), 1)
    ragged = lost > MOST_LOST_TO_BLOCKS
    result = []
    for block_change, chosen in ((BLOCK_CHANGE, possible & ~ragged), (0.0, possible & ragged)):
        rows = np.flatnonzero(chosen)
        if not rows.size:
            continue
        grid = _grid(references, grids, factors, width, block_change)
        used = grid.blocks.spread(grid.blocks.whole(choice.used[rows]))
        problem = Problem(
            grid=grid,
            factor_uncertainties=tubes[0].dilution_uncertainties,
            absorbance=np.where(used, choice.absorbance[rows], 0.0),
            used=used,
            smoothed=choice.smoothed[rows],
            noise_floor=choice.floor[rows],
            linear_limit=limit,
            shape_errors=np.array([entry.shape_error for entry in references.entries]),
            shift_prior=references.solvent.shift_prior_nm,
            noise=None
            if options.noise is None
            else np.full((rows.size, len(grids)), options.noise),
            shape_covariance=options.shape_covariance,
            keep_shape_gain=options.keep_shape_gain,
        )
        batch = FittedBatch(choice, rows, references, options, engine.solve(problem))
        places = [positions[row] for row in rows]
        result.append((places, batch))
        result += _without_flattened(batch, places)
    rows = np.flatnonzero(~possible)
    if rows.size:
        unfitted = FittedBatch(choice, rows, references, options, None)
        result.append(([positions[row] for row in rows], unfitted))
    return result


def _without_flattened(
    batch: FittedBatch, positions: list[int]
) -> list[tuple[list[int], FittedBatch]]:
    """Fit tubes again whose strongest readings are flattened, without those readings.

    The new parts come after the batch and so stand in its place.
    """
    if batch.options.flattened or not batch.options.shape_covariance:
        return []
    choice = batch.choice
    highest = np.where(choice.used, choice.smoothed, 0.0)[batch.rows].max(axis=1)
    result = []
    for number in np.flatnonzero(highest > error_model()["flattening_from"]):
        found = flattened_scans(batch.report(int(number)))
        if not found:
            continue
        limit = min(lowered_limit(found), batch.options.linear_limit)
        options = replace(batch.options, linear_limit=limit, flattened=found)
        tube = choice.tubes[batch.rows[number]]
        (part,) = _fit_batch([tube], [positions[number]], batch.references, options)
        if part[1].solution is not None:
            result.append(part)
    return result


@lru_cache(maxsize=8)
def _informative(references: References, grids: tuple[bytes, ...]) -> Mask:
    return informative_points(references, np.concatenate([np.frombuffer(g) for g in grids]))


@dataclass(frozen=True, slots=True, eq=False)
class FittedBatch:
    """Tubes with the same grids after the fit; each tube's report is made when asked for.

    Attributes
    ----------
    choice : Usable
    rows : ndarray of int, shape (n,)
        The tubes of this batch among those of `choice`.
    references : References
    options : Options
    solution : Solution or None
        None when these tubes could not be fitted.
    """

    choice: Usable
    rows: NDArray[np.intp]
    references: References
    options: Options
    solution: Solution | None

    @property
    def tubes(self) -> list[Tube]:
        return [self.choice.tubes[row] for row in self.rows]

    def names(self) -> list[str]:
        """Names of the tubes."""
        return [tube.name for tube in self.tubes]

    def report(self, number: int) -> MixtureFit:
        """The fit of one tube, with groups and flags."""
        row = int(self.rows[number])
        if self.solution is None:
            return _failed(self.choice, row, self.references)
        return _report(self, self.solution, number)

    def table(self) -> FitTable:
        """The figures of all tubes."""
        n, n_pigments = len(self.rows), len(self.references.entries)
        if self.solution is None:
            unknown = np.full((n, n_pigments), np.nan)
            return FitTable(np.zeros(n, dtype=bool), *[unknown] * 4)
        per_amplitude = np.array([_per_amplitude(tube, self.references) for tube in self.tubes])
        amplitudes = slice(0, n_pigments)
        concentration = self.solution.parameters[:, amplitudes] * per_amplitude
        relative = np.array([entry.scale_uncertainty for entry in self.references.entries])
        relative = relative * self.options.absorptivity_uncertainty
        variances = np.einsum(
            "ijj->ij", self.solution.covariance_noise + self.solution.covariance_shape
        )
        scale = (PHOTOMETER_GAIN_UNCERTAINTY**2 + relative**2) * concentration**2
        zero = self.solution.zero_noise_variance + self.solution.zero_shape_variance
        return FitTable(
            self.solution.converged,
            concentration,
            self.solution.unconstrained[:, amplitudes] * per_amplitude,
            np.sqrt(variances * per_amplitude**2 + scale),
            np.sqrt(np.maximum(zero, 0.0)) * per_amplitude,
        )


def _per_amplitude(tube: Tube, references: References) -> Array:
    """Amplitude (absorbance at the maximum in the strongest scan) to g/L, shape (p,)."""
    factors = zip(tube.path_lengths, tube.dilution_factors, strict=True)
    strongest = max(path / dilution for path, dilution in factors)
    return np.array([1.0 / (strongest * entry.scale) for entry in references.entries])


def _report(batch: FittedBatch, solution: Solution, row: int) -> MixtureFit:
    tube, references, options = batch.choice.tubes[batch.rows[row]], batch.references, batch.options
    lay = _layout(references, len(tube.scans))
    values, free = solution.parameters[row], solution.unconstrained[row]
    per_amplitude = _per_amplitude(tube, references)
    outer = np.outer(per_amplitude, per_amplitude)
    concentration = values[lay.amplitudes] * per_amplitude
    errors = np.sqrt(np.maximum(solution.parameter_variance[row], 0.0))
    shifts = dict(zip(lay.shift_groups, values[lay.shifts].tolist(), strict=True))
    bands, share = _unassigned(solution, row, values[lay.amplitudes], references)
    runs_z = solution.runs_z[row]
    success = bool(solution.converged[row])
    bounds = np.cumsum([len(scan) for scan in tube.scans])[:-1]
    fit = MixtureFit(
        name=tube.name,
        success=success,
        message="converged" if success else f"{tube.name}: the fit did not converge.",
        references=references,
        scans=tube.scans,
        dilution_factors=np.array(tube.dilution_factors),
        path_lengths=np.array(tube.path_lengths),
        used=tuple(np.split(solution.used[row], bounds)),
        concentration=concentration,
        concentration_unconstrained=free[lay.amplitudes] * per_amplitude,
        covariance_noise=solution.covariance_noise[row] * outer,
        covariance_shape=solution.covariance_shape[row] * outer,
        covariance_scale=_scale_covariance(
            concentration, references, options.absorptivity_uncertainty
        ),
        zero_uncertainty=np.sqrt(
            np.maximum(solution.zero_noise_variance[row] + solution.zero_shape_variance[row], 0.0)
        )
        * per_amplitude,
        group_shifts=shifts,
        group_shift_uncertainties=dict(
            zip(lay.shift_groups, errors[lay.shifts].tolist(), strict=True)
        ),
        offsets=values[lay.offsets],
        scatters=values[lay.scatters],
        scatter_exponent=float(values[lay.exponent]),
        bandwidth=tube.bandwidth,
        bandwidth_variance=float(values[lay.broadening]),
        noise=solution.noise[row],
        shape_error_factor=float(solution.shape_factor[row]),
        misfit=float(solution.misfit[row]),
        reduced_chi_square=float(solution.chi_square[row] / solution.degrees[row]),
        deviance=float(solution.deviance[row]),
        runs_p_value=math.erfc(abs(runs_z) / math.sqrt(2)) if math.isfinite(runs_z) else math.nan,
        unassigned_share=share,
        unassigned_bands=bands,
        groups=(),
        flags=(),
        shape_gain=_shape_gain(solution.shape_gain[row] * per_amplitude[:, None]),
    )
    groups, group_flags = report_groups(fit, merge_limit=options.merge_limit)
    flags = [
        *batch.choice.flags(int(batch.rows[row])),
        *fit_flags(fit, errors[lay.offsets], errors[lay.scatters], float(solution.highest[row])),
        *reference_flags(fit),
        *stray_light_flags(fit, options.flattened),
        *group_flags,
    ]
    return replace(fit, groups=groups, flags=ranked(flags))


def _shape_gain(gain: Array) -> Array | None:
    """One row a pigment, one slab a reference, one column a mode; None when not kept."""
    n = len(gain)
    return gain.reshape(n, n, -1) if gain.shape[1] else None


def _scale_covariance(concentration: Array, references: References, absorptivity: bool) -> Array:
    """Photometer gain, common to all, and the absorptivities, one each."""
    covariance = PHOTOMETER_GAIN_UNCERTAINTY**2 * np.outer(concentration, concentration)
    if absorptivity:
        relative = np.array([entry.scale_uncertainty for entry in references.entries])
        covariance += np.diag((relative * concentration) ** 2)
    return covariance


def _unassigned(
    solution: Solution, row: int, amplitudes: Array, references: References
) -> tuple[tuple[UnassignedBand, ...], float]:
    """Significant further bands, strongest first, and the share of area left over."""
    assigned = float(_areas(references) @ amplitudes)
    found = solution.foreign[row]
    extra = sum(band.height for band in found) * SEARCH_WIDTH_NM * math.sqrt(2 * math.pi)
    share = float(solution.excess_share[row])
    if found:
        share = max(share, extra / (extra + assigned))
    bands = [UnassignedBand(b.wavelength, b.height, b.significance) for b in found]
    return tuple(bands), share


@lru_cache(maxsize=16)
def _areas(references: References) -> Array:
    """Area under each band shape, nm."""
    areas = [float(np.sum(entry.height * entry.width)) for entry in references.entries]
    return np.array(areas) * math.sqrt(2 * math.pi)


def _failed(choice: Usable, row: int, references: References) -> MixtureFit:
    tube, problem = choice.tubes[row], choice.problems[row]
    n, n_scans = len(references.entries), len(tube.scans)
    unknown = np.full(n, np.nan)
    square = np.full((n, n), np.nan)
    groups = _layout(references, n_scans).shift_groups
    sizes = np.cumsum([len(scan) for scan in tube.scans])[:-1]
    fit = MixtureFit(
        name=tube.name,
        success=False,
        message=problem,
        references=references,
        scans=tube.scans,
        dilution_factors=np.array(tube.dilution_factors),
        path_lengths=np.array(tube.path_lengths),
        used=tuple(np.split(choice.used[row], sizes)),
        concentration=unknown,
        concentration_unconstrained=unknown,
        covariance_noise=square,
        covariance_shape=square,
        covariance_scale=square,
        zero_uncertainty=unknown,
        group_shifts=dict.fromkeys(groups, math.nan),
        group_shift_uncertainties=dict.fromkeys(groups, math.nan),
        offsets=np.full(n_scans, np.nan),
        scatters=np.full(n_scans, np.nan),
        scatter_exponent=math.nan,
        bandwidth=tube.bandwidth,
        bandwidth_variance=math.nan,
        noise=np.full(n_scans, np.nan),
        shape_error_factor=math.nan,
        misfit=math.nan,
        reduced_chi_square=math.nan,
        deviance=math.nan,
        runs_p_value=math.nan,
        unassigned_share=math.nan,
        unassigned_bands=(),
        groups=(),
        flags=ranked([*choice.flags(row), Flag("not-fitted", problem)]),
    )
    return replace(fit, groups=report_groups(fit, merge_limit=1.0)[0])
