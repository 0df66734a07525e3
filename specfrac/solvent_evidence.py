"""How well one scan fits the pigments of each solvent, at the same errors for all.

Likelihoods of different references cannot be compared directly: a shape that was measured
carries a smaller error than one moved from another solvent, and wins by that alone. So every
hypothesis is judged here with the same covariance of the readings, at the size of the least
certain of them; what is left is where the bands lie. All hypotheses are solved side by side, on the
readings averaged over a few nanometres.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from specfrac.band_positions import reading_noise
from specfrac.checks import digitisation, flat_top, smoothed
from specfrac.errors import ReferenceNotFoundError
from specfrac.fitting.error_model import LINEAR_LIMIT, error_model
from specfrac.fitting.model import SCATTER_REFERENCE_NM, SHIFT_GROUPS, shift_group, slit_variance
from specfrac.fitting.noise import shape_modes, transmittance_noise
from specfrac.fitting.quadratic import minimise_bounded
from specfrac.identification_limits import limits
from specfrac.references import PigmentReference, ReferenceLibrary
from specfrac.scans import Scan

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Index = NDArray[np.intp]

FEWEST_CELLS = 20
MOST_STEPS = 15
LARGEST_MOVE = 2.0  # nm a step may shift a group of bands
SETTLED = 0.05  # fall of chi-square still expected when a hypothesis counts as solved
HOPELESS = 0.02  # the same, as a share of the distance from the best hypothesis
N_GROUPS = len(SHIFT_GROUPS)


@dataclass(frozen=True, slots=True, eq=False)
class Hypothesis:
    """Some pigments in one solvent.

    Attributes
    ----------
    solvent : str
    pigments : tuple of str
    entries : tuple of PigmentReference
    shift_prior : float
        nm, of a group of bands beyond the instrument's own shift.
    low : float
        nm, first wavelength at which solvent and references can be used.
    """

    solvent: str
    pigments: tuple[str, ...]
    entries: tuple[PigmentReference, ...]
    shift_prior: float
    low: float


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """How well each hypothesis describes one scan.

    Attributes
    ----------
    hypotheses : tuple of Hypothesis
    deviance : ndarray, shape (n,)
        Minus twice the log likelihood of where the bands lie. Amplitudes are free; shifts
        have the priors of instrument and solvent.
    shifts : ndarray, shape (n, 4)
        nm by group of bands, in the order of `SHIFT_GROUPS`.
    strain : ndarray, shape (n,)
        How improbable the shifts are, as a chi-square; part of the deviance.
    amplitudes : tuple of ndarray
        Absorbance of each pigment at its maximum.
    chi_square : float
        Of the best hypothesis.
    n_cells : int
        Averaged readings that were compared; 0 when too few could be.
    deviation : ndarray, shape (n_points,)
        Standard deviation of the band shapes on the scan's grid.
    """

    hypotheses: tuple[Hypothesis, ...]
    deviance: Array
    shifts: Array
    strain: Array
    amplitudes: tuple[Array, ...]
    chi_square: float
    n_cells: int
    deviation: Array

    @property
    def best(self) -> int:
        """Position of the best hypothesis."""
        return int(np.argmin(self.deviance))

    @property
    def misfit(self) -> float:
        """Chi-square of the best over the number of cells: above 1 when nothing describes
        the scan within the errors.
        """
        return self.chi_square / self.n_cells if self.n_cells else math.nan

    @property
    def above_best(self) -> Array:
        """Deviance above the best, over the misfit where that is above 1."""
        if not self.n_cells:
            return self.deviance
        return np.asarray((self.deviance - self.deviance.min()) / max(self.misfit, 1.0))

    def joined(self, other: Evidence) -> Evidence:
        """Return one evidence of both sets of hypotheses, weighed on the same readings."""
        better = min((self, other), key=lambda own: float(own.deviance[own.best]))
        return Evidence(
            (*self.hypotheses, *other.hypotheses),
            np.concatenate([self.deviance, other.deviance]),
            np.concatenate([self.shifts, other.shifts]),
            np.concatenate([self.strain, other.strain]),
            (*self.amplitudes, *other.amplitudes),
            better.chi_square,
            min(self.n_cells, other.n_cells),
            self.deviation,
        )


def in_each_solvent(
    library: ReferenceLibrary, pigments: Sequence[str] | None = None
) -> tuple[Hypothesis, ...]:
    """Return one hypothesis a solvent in which all these pigments have a reference.

    Parameters
    ----------
    library : ReferenceLibrary
    pigments : sequence of str, optional
        Default: the eight pigments of a green leaf.
    """
    names = library.leaf_pigments if pigments is None else tuple(pigments)
    return _hypotheses(library, (names,))


def each_alone(library: ReferenceLibrary) -> tuple[Hypothesis, ...]:
    """Return one hypothesis for every pigment in every solvent, by itself."""
    return _hypotheses(library, tuple((pigment,) for pigment in library.pigments))


@lru_cache(maxsize=32)
def _hypotheses(
    library: ReferenceLibrary, sets: tuple[tuple[str, ...], ...]
) -> tuple[Hypothesis, ...]:
    found = []
    for pigments in sets:
        for solvent in library.solvents:
            try:
                references = library.select(solvent=solvent, pigments=pigments)
            except ReferenceNotFoundError:
                continue
            solved = references.solvent
            low = max(solved.uv_limit_nm, *(entry.valid_from for entry in references.entries))
            found.append(
                Hypothesis(
                    solved.key, references.pigments, references.entries, solved.shift_prior_nm, low
                )
            )
    return tuple(found)


def weigh(
    scan: Scan,
    hypotheses: Sequence[Hypothesis],
    *,
    bandwidth: float | None = None,
    linear_limit: float = LINEAR_LIMIT,
    noise: float | None = None,
    deviation: Array | None = None,
    low: float | None = None,
) -> Evidence:
    """Compare hypotheses on the readings that all of them cover.

    Parameters
    ----------
    scan : Scan
    hypotheses : sequence of Hypothesis
    bandwidth : float, optional
        nm; fitted when not given.
    linear_limit : float
        Readings above this absorbance are left out.
    noise : float, optional
        Standard deviation of a reading at zero absorbance; estimated when not given.
    deviation : ndarray, shape (n_points,), optional
        Standard deviation of the band shapes on the scan's grid, from a fit. Otherwise it
        comes from the composition under the best hypothesis, found in a first pass.
    low : float, optional
        nm; use no reading below, so that the deviances compare with another's.

    Returns
    -------
    Evidence
    """
    stack = _stacked(tuple(hypotheses), bandwidth)
    level = reading_noise(scan) if noise is None else noise
    first = stack.low if low is None else max(stack.low, low)
    cells = _cells(scan, first, linear_limit, level)
    if cells is None:
        return _nothing(scan, tuple(hypotheses))
    if deviation is not None:
        spread = np.interp(cells.wavelength, scan.wavelength, deviation)
    else:
        spread = _deviation(stack, cells)
    solved = _solve(stack, cells, spread)
    deviance = solved.chi_square + solved.occam
    return Evidence(
        tuple(hypotheses),
        deviance,
        solved.parameters[:, stack.shifts],
        solved.strain,
        tuple(
            row[: len(hypothesis.pigments)]
            for row, hypothesis in zip(solved.parameters, hypotheses, strict=True)
        ),
        float(solved.chi_square[np.argmin(deviance)]),
        cells.wavelength.size,
        np.interp(scan.wavelength, cells.wavelength, spread),
    )


def _nothing(scan: Scan, hypotheses: tuple[Hypothesis, ...]) -> Evidence:
    unknown = np.full(len(hypotheses), np.nan)
    return Evidence(
        hypotheses,
        unknown,
        np.full((len(hypotheses), N_GROUPS), np.nan),
        unknown,
        tuple(np.full(len(hypothesis.pigments), np.nan) for hypothesis in hypotheses),
        math.nan,
        0,
        np.full(len(scan), np.nan),
    )


def _deviation(stack: _Stack, cells: _Cells) -> Array:
    """Standard deviation of the band shapes, from a first pass in which all count alike."""
    above = np.maximum(cells.absorbance - _tail_level(cells), 0.0)
    everywhere = stack.largest_error * above
    found = _solve(stack, cells, everywhere).deviation(stack)
    return found if found.max() > 0 else everywhere


@dataclass(frozen=True, slots=True, eq=False)
class _Cells:
    """A scan averaged over a few nanometres."""

    wavelength: Array
    absorbance: Array
    variance: Array


def _cells(scan: Scan, low: float, linear_limit: float, noise: float) -> _Cells | None:
    smooth = smoothed(scan.wavelength, scan.absorbance)
    used = (
        np.isfinite(scan.absorbance)
        & (scan.wavelength >= low)
        & (np.where(np.isfinite(smooth), smooth, np.inf) <= linear_limit)
        & ~flat_top(scan.absorbance, digitisation(scan.absorbance))
    )
    if used.sum() < FEWEST_CELLS:
        return None
    wavelength, absorbance = scan.wavelength[used], scan.absorbance[used]
    number = np.floor(wavelength / limits()["cell_width"])
    first = np.flatnonzero(np.concatenate(([True], np.diff(number) > 0)))
    count = np.diff(np.concatenate((first, [wavelength.size])))
    if count.size < FEWEST_CELLS:
        return None
    mean = np.add.reduceat(absorbance, first) / count
    variance = (noise**2 + transmittance_noise(mean) ** 2) / count
    return _Cells(np.add.reduceat(wavelength, first) / count, mean, variance)


def _tail_level(cells: _Cells) -> float:
    tail = cells.wavelength > error_model()["scatter_free_from"]
    return float(np.median(cells.absorbance[tail])) if tail.any() else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Stack:
    """The bands of all hypotheses in arrays, padded to equal length with empty bands.

    The parameters of each are [amplitudes, offset, scatter, shifts, v].

    Attributes
    ----------
    centre, area, width : ndarray, shape (n, n_bands)
        nm; height times width; nm.
    member : ndarray, shape (n, n_parts, n_bands)
        1 where a band belongs to a part, the bands of one pigment that move together.
    pigment_of : ndarray, shape (n, n_pigments, n_parts)
    group_of : ndarray, shape (n, N_GROUPS, n_parts)
        1 where a part belongs to a pigment, to a shift group.
    band_group : ndarray of int, shape (n, n_bands)
    shape_error : ndarray, shape (n, n_pigments)
        The largest of each pigment over the hypotheses.
    doubt : ndarray, shape (n, n_parts)
        nm, how uncertain the library is of a part's position.
    shift_prior : ndarray, shape (n,)
    n_pigments : int
    bandwidth_known : bool
    narrowest : float
        nm^2, lower limit of v.
    low : float
        nm, first wavelength that all cover.
    """

    centre: Array
    area: Array
    width: Array
    member: NDArray[np.float32]
    pigment_of: Array
    group_of: Array
    band_group: Index
    shape_error: Array
    doubt: Array
    shift_prior: Array
    n_pigments: int
    bandwidth_known: bool
    narrowest: float
    low: float

    @property
    def offset(self) -> int:
        return self.n_pigments

    @property
    def scatter(self) -> int:
        return self.n_pigments + 1

    @property
    def shifts(self) -> slice:
        return slice(self.n_pigments + 2, self.n_pigments + 2 + N_GROUPS)

    @property
    def broadening(self) -> int:
        return self.n_pigments + 2 + N_GROUPS

    @property
    def largest_error(self) -> float:
        return float(self.shape_error.max())


@lru_cache(maxsize=32)
def _stacked(hypotheses: tuple[Hypothesis, ...], bandwidth: float | None) -> _Stack:
    parts = [_parts(hypothesis, bandwidth) for hypothesis in hypotheses]
    n = len(hypotheses)
    n_pigments = max(len(hypothesis.pigments) for hypothesis in hypotheses)
    n_parts = max(len(own) for own in parts)
    n_bands = max(sum(part.centre.size for part in own) for own in parts)
    centre, area = np.zeros((n, n_bands)), np.zeros((n, n_bands))
    width = np.ones((n, n_bands))
    band_group = np.zeros((n, n_bands), dtype=np.intp)
    member = np.zeros((n, n_parts, n_bands), dtype=np.float32)
    pigment_of, group_of = np.zeros((n, n_pigments, n_parts)), np.zeros((n, N_GROUPS, n_parts))
    doubt = np.zeros((n, n_parts))
    worst: dict[str, float] = {}
    for hypothesis in hypotheses:
        for entry in hypothesis.entries:
            worst[entry.pigment] = max(
                worst.get(entry.pigment, limits()["comparison_shape_error"]), entry.shape_error
            )
    shape_error = np.zeros((n, n_pigments))
    for row, own in enumerate(parts):
        shape_error[row, : len(hypotheses[row].pigments)] = [
            worst[pigment] for pigment in hypotheses[row].pigments
        ]
        start = 0
        for number, part in enumerate(own):
            at = slice(start, start + part.centre.size)
            centre[row, at], width[row, at] = part.centre, part.width
            area[row, at] = part.height * part.width
            band_group[row, at] = part.group
            member[row, number, at] = 1.0
            pigment_of[row, part.pigment, number] = 1.0
            group_of[row, part.group, number] = 1.0
            doubt[row, number] = part.doubt
            start += part.centre.size
    finest = min(e.bandwidth for hypothesis in hypotheses for e in hypothesis.entries)
    return _Stack(
        centre,
        area,
        width,
        member,
        pigment_of,
        group_of,
        band_group,
        shape_error,
        doubt,
        np.array([hypothesis.shift_prior for hypothesis in hypotheses]),
        n_pigments,
        bandwidth is not None,
        slit_variance(0.0, finest),
        max(hypothesis.low for hypothesis in hypotheses),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    pigment: int
    group: int
    doubt: float
    centre: Array
    height: Array
    width: Array


def _parts(hypothesis: Hypothesis, bandwidth: float | None) -> list[_Part]:
    numbers = limits()
    doubts = {
        "adapted": numbers["position_doubt_adapted"],
        "estimate": numbers["position_doubt_estimate"],
    }
    averaging = numbers["cell_width"] ** 2 / 12  # variance of a uniform distribution
    found = []
    for position, entry in enumerate(hypothesis.entries):
        regions = np.array(entry.region)
        extra = 0.0 if bandwidth is None else slit_variance(bandwidth, entry.bandwidth)
        for region in dict.fromkeys(entry.region):
            inside = regions == region
            own = entry.width[inside]
            width = np.sqrt(np.maximum(own**2 + extra, own**2 / 4) + averaging)
            found.append(
                _Part(
                    position,
                    SHIFT_GROUPS.index(shift_group(entry.group, region)),
                    doubts.get(entry.grade, 0.0),
                    entry.centre[inside],
                    entry.height[inside] * own / width,
                    width,
                )
            )
    return found


@dataclass(slots=True, eq=False)
class _Solved:
    """Every hypothesis at its best parameters."""

    parameters: Array
    chi_square: Array
    occam: Array
    strain: Array
    pigments: Array  # absorbance of each pigment, shape (n, n_pigments, n_cells)

    def deviation(self, stack: _Stack) -> Array:
        """Standard deviation of the band shapes under the best hypothesis."""
        best = int(np.argmin(self.chi_square + self.occam))
        return np.sqrt(((stack.shape_error[best][:, None] * self.pigments[best]) ** 2).sum(axis=0))


def _solve(stack: _Stack, cells: _Cells, spread: Array) -> _Solved:
    """Damped Gauss-Newton for all hypotheses; those solved, or far behind, leave early."""
    n = len(stack.centre)
    n_parameters = stack.broadening + 1
    whiten = _whitening(cells, spread)
    target = whiten @ cells.absorbance
    rules = _Rules(stack)
    here = np.zeros((n, n_parameters))
    kept = here.copy()
    chi_square = np.full(n, np.inf)
    occam, strain = np.zeros(n), np.zeros(n)
    pigments = np.zeros((n, stack.n_pigments, cells.wavelength.size))
    active = np.zeros((n, n_parameters), dtype=bool)
    expected = np.full(n, np.inf)  # fall of chi-square
    live = np.arange(n)
    for _ in range(MOST_STEPS):
        design = _design(stack, live, here[live], cells.wavelength)
        whitened = design @ whiten.T
        linear = stack.shifts.start
        residual = target - np.einsum("ij,ijk->ik", here[live, :linear], whitened[:, :linear])
        precision = rules.precision(live, here[live])
        pull = np.einsum("ijk,ik->ij", precision, here[live])
        now = (residual**2).sum(axis=1) + (pull * here[live]).sum(axis=1)
        better = now < chi_square[live] + 1e-9
        rows = live[better]
        kept[rows], chi_square[rows] = here[rows], now[better]
        strain[rows] = (pull * here[live])[better][:, stack.shifts].sum(axis=1)
        pigments[rows] = here[rows, : stack.n_pigments, None] * design[better, : stack.n_pigments]
        hessian = whitened @ whitened.transpose(0, 2, 1)
        occam[rows] = rules.occam(rows, here[rows], hessian[better])
        hessian += precision
        diagonal = np.arange(n_parameters)
        hessian[:, diagonal, diagonal] += 1e-12 + 1e-10 * hessian[:, diagonal, diagonal]
        gradient = np.einsum("ijk,ik->ij", whitened, residual) - pull
        goal, active[live] = minimise_bounded(
            hessian,
            gradient + np.einsum("ijk,ik->ij", hessian, here[live]),
            np.broadcast_to(rules.lower, here[live].shape),
            rules.bounded,
            rules.fixed,
            active[live],
        )
        step = goal - here[live]
        expected[live] = np.where(better, np.einsum("ij,ijk,ik->i", step, hessian, step), np.inf)
        following = here[live] + _damped(step, stack)
        # a step that made things worse is halved
        here[live] = np.where(better[:, None], following, (here[live] + kept[live]) / 2)
        behind = chi_square - chi_square.min()
        live = np.flatnonzero(expected > np.maximum(SETTLED, HOPELESS * behind))
        if live.size == 0:
            break
    return _Solved(kept, chi_square, occam, strain, pigments)


def _whitening(cells: _Cells, spread: Array) -> Array:
    """Inverse Cholesky factor of the covariance of the cells."""
    numbers = limits()
    rough = error_model()["shape_roughness"] * spread.max()
    modes = shape_modes(cells.wavelength) * spread
    # one more mode: the height of the blue bands against that of the red ones
    blue = np.where(cells.wavelength < numbers["blue_region_below"], spread, 0.0)
    ratio = numbers["comparison_ratio_error"] / numbers["comparison_shape_error"] * blue
    covariance = modes.T @ modes + np.outer(ratio, ratio) + np.diag(cells.variance + rough**2)
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)))


def _damped(step: Array, stack: _Stack) -> Array:
    """Hold shifts and breadth within a distance over which the model is nearly linear."""
    moves = step.copy()
    furthest = np.abs(step[:, stack.shifts]).max(axis=1) / LARGEST_MOVE
    furthest = np.maximum(furthest, np.abs(step[:, stack.broadening]) / (3 * LARGEST_MOVE))
    moves[:, stack.shifts.start :] /= np.maximum(furthest, 1.0)[:, None]
    return moves


def _design(stack: _Stack, rows: Index, parameters: Array, wavelength: Array) -> Array:
    """Derivatives of the model by its parameters, shape (n, n_parameters, n_cells).

    Seven digits are enough against errors of the per cent, and twice as fast.
    """
    shift = np.take_along_axis(parameters[:, stack.shifts], stack.band_group[rows], axis=1)
    width = stack.width[rows]
    sigma = np.sqrt(np.maximum(width**2 + parameters[:, stack.broadening, None], width**2 / 4))
    narrow = (1 / sigma).astype(np.float32)[:, :, None]
    distance = wavelength - (stack.centre[rows] + shift)[:, :, None]
    u = distance.astype(np.float32) * narrow
    square = u * u
    # exp underflows silently to zero far from a band, which is right
    bands = np.exp(np.maximum(-0.5 * square, -80.0))
    bands *= (stack.area[rows] / sigma).astype(np.float32)[:, :, None]
    member = stack.member[rows]
    shapes = member @ bands
    bands *= narrow
    slopes = member @ (bands * u)
    square -= 1
    square *= 0.5 * narrow
    spreads = member @ (bands * square)
    pigment_of = stack.pigment_of[rows]
    amplitude = np.einsum("ij,ijk->ik", parameters[:, : stack.n_pigments], pigment_of)[:, :, None]
    result = np.empty((len(rows), stack.broadening + 1, wavelength.size))
    result[:, : stack.n_pigments] = pigment_of @ shapes
    result[:, stack.offset] = 1.0
    exponent = error_model()["scatter_exponent"]
    result[:, stack.scatter] = (SCATTER_REFERENCE_NM / wavelength) ** exponent
    result[:, stack.shifts] = stack.group_of[rows] @ (amplitude * slopes)
    result[:, stack.broadening] = (amplitude * spreads).sum(axis=1)
    return result


class _Rules:
    """Priors and bounds of the parameters."""

    def __init__(self, stack: _Stack) -> None:
        n_parameters = stack.broadening + 1
        self.stack = stack
        self.lower = np.zeros(n_parameters)
        self.bounded = np.zeros(n_parameters, dtype=bool)
        self.bounded[: stack.n_pigments] = True
        self.bounded[stack.scatter] = True
        self.fixed = np.zeros(n_parameters, dtype=bool)
        if stack.bandwidth_known:
            self.fixed[stack.broadening] = True
        else:
            self.bounded[stack.broadening] = True
            self.lower[stack.broadening] = stack.narrowest

    def _shift_covariance(self, rows: Index, parameters: Array) -> Array:
        """Prior of the shifts; a group's own part is as wide as its pigments are in doubt."""
        stack = self.stack
        amplitude = np.einsum(
            "ij,ijk->ik", parameters[:, : stack.n_pigments], stack.pigment_of[rows]
        )
        weight = np.einsum("ijk,ik->ij", stack.group_of[rows], amplitude**2)
        doubt = np.einsum("ijk,ik->ij", stack.group_of[rows], (amplitude * stack.doubt[rows]) ** 2)
        doubt /= np.where(weight > 0, weight, 1.0)
        own = stack.shift_prior[rows, None] ** 2 + doubt
        common = error_model()["instrument_shift_prior"] ** 2
        return common + own[:, :, None] * np.eye(N_GROUPS)

    def precision(self, rows: Index, parameters: Array) -> Array:
        """Inverse prior covariance, shape (n, n_parameters, n_parameters)."""
        stack = self.stack
        result = np.zeros((len(rows), stack.broadening + 1, stack.broadening + 1))
        result[:, stack.shifts, stack.shifts] = np.linalg.inv(
            self._shift_covariance(rows, parameters)
        )
        result[:, stack.broadening, stack.broadening] = (
            error_model()["bandwidth_variance_prior"] ** -2
        )
        return result

    def occam(self, rows: Index, parameters: Array, hessian: Array) -> Array:
        """Log determinant of prior times information of the shifts, amplitudes being free.

        A solvent whose bands may lie anywhere describes every scan; this is what it pays.
        """
        stack = self.stack
        others = np.ones(stack.broadening + 1, dtype=bool)
        others[stack.shifts] = False
        others &= ~self.fixed
        rest = hessian[:, others][:, :, others]
        diagonal = np.arange(rest.shape[1])
        rest[:, diagonal, diagonal] += 1e-12 + 1e-9 * rest[:, diagonal, diagonal]
        mixed = hessian[:, others][:, :, stack.shifts]
        information = hessian[:, stack.shifts, stack.shifts] - mixed.transpose(
            0, 2, 1
        ) @ np.linalg.solve(rest, mixed)
        covariance = self._shift_covariance(rows, parameters)
        return np.asarray(np.linalg.slogdet(np.eye(N_GROUPS) + covariance @ information)[1])
