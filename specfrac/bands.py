"""Bands: sums of Gaussians in wavelength, and fitting them to a measured curve."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from specfrac.errors import FitError, InputError, did_you_mean

if TYPE_CHECKING:
    import lmfit

Array = NDArray[np.float64]

BASELINES = {"none": (), "constant": ("offset",), "exponential": ("amplitude", "decay")}
TOLERANCE = 1e-14
# Many blended bands lie in a flat valley: their sum is settled long before each of them is.
GROWTH_TOLERANCE = 1e-7
GROWTH_EVALUATIONS = 80
POLISH_EVALUATIONS = 200
SETTLED = 1e-4  # fall of the relative rms residual in the last polish
CENTRE_MARGIN = 0.05
AT_BOUND = 1e-5
SQRT_2PI = math.sqrt(2 * math.pi)


def gaussian_bands(
    wavelength: ArrayLike, centre: ArrayLike, height: ArrayLike, width: ArrayLike
) -> Array:
    """Sum of Gaussian bands.

    y(λ) = Σ_k h_k exp(-(λ - λ_k)² / (2 σ_k²))

    Parameters
    ----------
    wavelength : array_like, shape (n_points,)
        nm.
    centre, height, width : array_like, shape (n_bands,)
        Centre in nm, height, standard deviation σ in nm (> 0).

    Returns
    -------
    ndarray, shape (n_points,)

    Examples
    --------
    >>> gaussian_bands([450.0, 460.0], [450.0], [2.0], [10.0]).round(4)
    array([2.    , 1.2131])
    """
    points = np.asarray(wavelength, dtype=np.float64)
    z = (points[..., np.newaxis] - np.asarray(centre)) / np.asarray(width)
    total: Array = np.exp(-0.5 * z * z) @ np.asarray(height, dtype=np.float64)
    return total


@dataclass(frozen=True, slots=True, eq=False)
class BandFit:
    """A measured curve as a sum of Gaussian bands on a baseline.

    Attributes
    ----------
    wavelength, values : ndarray, shape (n_points,)
        The curve that was fitted.
    centre, height, width : ndarray, shape (n_bands,)
        nm, in the unit of the values, nm (standard deviation σ); by rising centre
        unless the caller gave start values, whose order is kept.
    baseline : str
        ``"none"``, ``"constant"`` (offset) or ``"exponential"``
        (amplitude · exp(-decay · λ)).
    baseline_values : ndarray, shape (0,), (1,) or (2,)
        Offset, or amplitude and decay.
    covariance : ndarray, shape (n_parameters, n_parameters)
        Of all parameters in the order of `parameter_names`, scaled by the residual
        variance. Parameters held at a bound have zero rows.
    residual : ndarray, shape (n_points,)
        Values less fit.
    bic : float
        Bayesian information criterion, n ln(RSS/n) + p ln n (Schwarz 1978).
    success : bool
    message : str
    """

    wavelength: Array
    values: Array
    centre: Array
    height: Array
    width: Array
    baseline: str
    baseline_values: Array
    covariance: Array
    residual: Array
    bic: float
    success: bool
    message: str

    def __post_init__(self) -> None:
        for name in (
            "wavelength", "values", "centre", "height", "width",
            "baseline_values", "covariance", "residual",
        ):  # fmt: skip
            array = np.array(getattr(self, name), dtype=np.float64)
            array.setflags(write=False)
            object.__setattr__(self, name, array)

    @property
    def n_bands(self) -> int:
        """Number of bands."""
        return int(self.centre.size)

    @property
    def parameter_names(self) -> tuple[str, ...]:
        """Order of parameters: baseline, then centre, height and width of each band."""
        return _names(self.baseline, self.n_bands)

    @property
    def parameters(self) -> Array:
        """All parameters in the order of `parameter_names`."""
        bands = np.column_stack([self.centre, self.height, self.width]).ravel()
        return np.concatenate([self.baseline_values, bands])

    @property
    def standard_errors(self) -> Array:
        """Standard errors in the order of `parameter_names`."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def degrees_of_freedom(self) -> int:
        """Points less parameters."""
        return int(self.values.size - self.parameters.size)

    @property
    def residual_sum_of_squares(self) -> float:
        """Sum of squared residuals."""
        return float(self.residual @ self.residual)

    @property
    def residual_deviation(self) -> float:
        """Residual standard deviation, with n - p degrees of freedom."""
        return math.sqrt(self.residual_sum_of_squares / max(self.degrees_of_freedom, 1))

    @property
    def relative_rms(self) -> float:
        """Root mean square residual over the largest absolute value."""
        return float(np.sqrt(np.mean(self.residual**2)) / np.abs(self.values).max())

    @property
    def area(self) -> Array:
        """Area of each band, √(2π) h σ, in the unit of the values times nm."""
        return SQRT_2PI * self.height * self.width

    @property
    def area_uncertainty(self) -> Array:
        """Standard uncertainty of each area, with the covariance of h and σ."""
        first = len(BASELINES[self.baseline])
        variances = []
        for k in range(self.n_bands):
            at = [first + 3 * k + 1, first + 3 * k + 2]
            gradient = SQRT_2PI * np.array([self.width[k], self.height[k]])
            variances.append(gradient @ self.covariance[np.ix_(at, at)] @ gradient)
        return np.sqrt(np.array(variances))

    def bands(self, wavelength: ArrayLike) -> Array:
        """Return the sum of the bands at wavelengths in nm, without baseline."""
        return gaussian_bands(wavelength, self.centre, self.height, self.width)

    def curve(self, wavelength: ArrayLike) -> Array:
        """Return bands and baseline at wavelengths in nm."""
        points = np.asarray(wavelength, dtype=np.float64)
        return _model(self.parameters, points, self.baseline)


def fit_bands(
    wavelength: ArrayLike,
    values: ArrayLike,
    *,
    n_bands: int | None = None,
    start: Sequence[Sequence[float]] | None = None,
    baseline: str = "none",
    baseline_start: Sequence[float] | None = None,
    target: float = 0.0,
    evidence: float = 0.0,
    max_bands: int = 16,
    min_width: float = 0.0,
    max_width: float = math.inf,
    negative: bool = False,
) -> BandFit:
    """Fit a sum of Gaussian bands to a curve by least squares.

    Without `start`, bands are added one at a time where the residual holds most, and
    all are refitted each time. Without `n_bands` this stops when the Bayesian
    information criterion no longer falls, when the residual is below `target`, or at
    `max_bands`.

    Parameters
    ----------
    wavelength, values : array_like, shape (n_points,)
        nm, and any unit.
    n_bands : int, optional
        Number of bands.
    start : sequence of (centre, height, width), optional
        Start values; one band each. `n_bands` is then not needed.
    baseline : str
        ``"none"``, ``"constant"`` or ``"exponential"``.
    baseline_start : sequence of float, optional
        Offset, or amplitude and decay (1/nm).
    target : float
        Relative rms residual that is good enough. Scans are smoothed and oversampled,
        so their residuals are correlated and the criterion alone would go on to fit
        wiggles.
    evidence : float
        Least fall of the criterion that one more band must bring. Each is placed where the
        residual holds most, so that noise alone gives a small fall now and then.
    max_bands : int
    min_width, max_width : float
        Bounds of σ, nm.
    negative : bool
        Allow bands of negative height.

    Returns
    -------
    BandFit

    Raises
    ------
    InputError
        If the input cannot be right.
    FitError
        If there are fewer points than parameters.

    Examples
    --------
    >>> grid = np.linspace(400.0, 500.0, 101)
    >>> fit = fit_bands(grid, gaussian_bands(grid, [450.0], [0.8], [9.0]))
    >>> fit.n_bands, fit.centre.round(3), fit.width.round(3)
    (1, array([450.]), array([9.]))
    """
    points = np.array(wavelength, dtype=np.float64)
    curve = np.array(values, dtype=np.float64)
    _check_input(points, curve, baseline, min_width, max_width)
    # a grown band whose centre runs far off the scan would be a baseline in disguise
    margin = CENTRE_MARGIN * float(np.ptp(points)) if start is None else math.inf
    centre_range = (float(points.min()) - margin, float(points.max()) + margin)
    problem = _Problem(points, curve, baseline, min_width, max_width, negative, centre_range)
    base = problem.baseline_start(baseline_start)
    if start is not None:
        bands = np.array(start, dtype=np.float64).reshape(-1, 3)
        if n_bands is not None and n_bands != len(bands):
            raise InputError(
                f"band fit: n_bands is {n_bands} but start has {len(bands)} bands. "
                "Give one of them, or equal numbers."
            )
        return problem.result(problem.solve(np.concatenate([base, bands.ravel()])))
    if n_bands is not None and n_bands < 1:
        raise InputError(f"band fit: n_bands is {n_bands}, but at least one is needed.")
    return problem.result(
        _ordered(_grow(problem, base, n_bands, max_bands, target, evidence), baseline)
    )


def _check_input(
    points: Array, curve: Array, baseline: str, min_width: float, max_width: float
) -> None:
    if points.ndim != 1 or points.shape != curve.shape:
        raise InputError(
            f"band fit: wavelength has shape {points.shape} and values {curve.shape}, "
            "but both must be one-dimensional and equally long."
        )
    if not (np.isfinite(points).all() and np.isfinite(curve).all()):
        raise InputError("band fit: a wavelength or value is not finite. Leave such points out.")
    if not np.any(curve):
        raise InputError("band fit: all values are zero, so there is no band to fit.")
    if baseline not in BASELINES:
        raise InputError(
            f"band fit: baseline {baseline!r} is not known. {did_you_mean(baseline, BASELINES)}"
        )
    if not 0 <= min_width < max_width:
        raise InputError(
            f"band fit: widths from {min_width:g} to {max_width:g} nm are an empty range."
        )


def _names(baseline: str, n_bands: int) -> tuple[str, ...]:
    bands = [f"{part}_{k + 1}" for k in range(n_bands) for part in ("centre", "height", "width")]
    return (*BASELINES[baseline], *bands)


def _model(parameters: Array, points: Array, baseline: str) -> Array:
    first = len(BASELINES[baseline])
    bands = parameters[first:].reshape(-1, 3)
    total = gaussian_bands(points, bands[:, 0], bands[:, 1], bands[:, 2])
    if baseline == "constant":
        total = total + parameters[0]
    elif baseline == "exponential":
        total = total + parameters[0] * np.exp(-parameters[1] * points)
    return total


def _jacobian(parameters: Array, points: Array, baseline: str) -> Array:
    """Derivatives of the model, shape (n_points, n_parameters)."""
    first = len(BASELINES[baseline])
    centre, height, width = parameters[first:].reshape(-1, 3).T
    z = (points[:, np.newaxis] - centre) / width
    gauss = np.exp(-0.5 * z * z)
    slopes = np.empty((points.size, parameters.size))
    slopes[:, first::3] = height * gauss * z / width
    slopes[:, first + 1 :: 3] = gauss
    slopes[:, first + 2 :: 3] = height * gauss * z * z / width
    if baseline == "constant":
        slopes[:, 0] = 1.0
    elif baseline == "exponential":
        slopes[:, 0] = np.exp(-parameters[1] * points)
        slopes[:, 1] = -parameters[0] * points * slopes[:, 0]
    return slopes


@dataclass(frozen=True, slots=True, eq=False)
class _Solution:
    parameters: Array
    rss: float
    success: bool
    message: str


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    """One curve and the rules of its fit."""

    points: Array
    curve: Array
    baseline: str
    min_width: float
    max_width: float
    negative: bool
    centre_range: tuple[float, float]

    @property
    def span(self) -> float:
        return float(np.ptp(self.points))

    def baseline_start(self, given: Sequence[float] | None) -> Array:
        names = BASELINES[self.baseline]
        if given is not None:
            if len(given) != len(names):
                raise InputError(
                    f"band fit: baseline {self.baseline!r} needs {len(names)} start values, "
                    f"but {len(given)} were given."
                )
            return np.array(given, dtype=np.float64)
        if self.baseline == "constant":
            return np.array([float(self.curve.min())])
        if self.baseline == "exponential":
            first, last = np.maximum(np.abs(self.curve[[0, -1]]), 1e-12)
            decay = math.log(first / last) / max(self.span, 1e-12)
            return np.array([first * math.exp(decay * self.points[0]), decay])
        return np.empty(0)

    def solve(
        self, start: Array, tolerance: float = TOLERANCE, max_evaluations: int = 2000
    ) -> _Solution:
        """Least squares from start values, within the bounds."""
        import lmfit

        n_parameters = start.size
        if self.points.size < n_parameters:
            raise FitError(
                f"band fit: {self.points.size} points cannot determine {n_parameters} "
                "parameters. Ask for fewer bands or give more points."
            )
        scale = float(np.abs(self.curve).max())
        parameters = self._lmfit_parameters(start)

        def residual(trial: Any) -> Array:
            return (_model(_values(trial), self.points, self.baseline) - self.curve) / scale

        def slopes(trial: Any) -> Array:
            return _jacobian(_values(trial), self.points, self.baseline) / scale

        found = lmfit.minimize(
            residual,
            parameters,
            method="least_squares",
            jac=slopes,
            x_scale="jac",
            xtol=tolerance,
            ftol=tolerance,
            gtol=tolerance,
            max_nfev=max_evaluations,
        )
        return _Solution(
            _values(found.params),
            float(found.residual @ found.residual) * scale**2,
            bool(found.success),
            str(found.message),
        )

    def _lmfit_parameters(self, start: Array) -> lmfit.Parameters:
        import lmfit

        first = len(BASELINES[self.baseline])
        parameters = lmfit.Parameters()
        names = _names(self.baseline, (start.size - first) // 3)
        for index, (name, value) in enumerate(zip(names, start, strict=True)):
            low, high = -math.inf, math.inf
            part = (index - first) % 3 if index >= first else 0
            if index >= first and part == 0:
                low, high = self.centre_range
            elif part == 1 and not self.negative:
                low = 0.0
            elif part == 2:
                # not below the smallest positive number: a Gaussian needs a width
                low, high = max(self.min_width, 1e-9 * max(self.span, 1.0)), self.max_width
            parameters.add(name, value=float(np.clip(value, low, high)), min=low, max=high)
        return parameters

    def bic(self, solution: _Solution) -> float:
        n = self.points.size
        # rss of an exact fit is rounding error; the floor keeps the logarithm finite
        floor = n * (1e-13 * np.abs(self.curve).max()) ** 2
        rss = max(solution.rss, float(floor))
        return n * math.log(rss / n) + solution.parameters.size * math.log(n)

    def relative_rms(self, solution: _Solution) -> float:
        return math.sqrt(solution.rss / self.points.size) / float(np.abs(self.curve).max())

    def result(self, solution: _Solution) -> BandFit:
        parameters = solution.parameters
        first = len(BASELINES[self.baseline])
        centre, height, width = parameters[first:].reshape(-1, 3).T
        return BandFit(
            wavelength=self.points,
            values=self.curve,
            centre=centre,
            height=height,
            width=width,
            baseline=self.baseline,
            baseline_values=parameters[:first],
            covariance=self._covariance(parameters, solution.rss),
            residual=self.curve - _model(parameters, self.points, self.baseline),
            bic=self.bic(solution),
            success=solution.success,
            message=solution.message,
        )

    def _free(self, parameters: Array) -> NDArray[np.bool_]:
        """True where a parameter is not at a bound, which the solver nears but never touches."""
        scale = float(np.abs(self.curve).max())
        free = []
        for name, bound in self._lmfit_parameters(parameters).items():
            near = AT_BOUND * (scale if name.startswith("height") else 1.0)
            free.append(bound.min + near < bound.value < bound.max - near)
        return np.array(free, dtype=bool)

    def _covariance(self, parameters: Array, rss: float) -> Array:
        """s² (JᵀJ)⁻¹ of the parameters that are free, with the analytic Jacobian."""
        free = self._free(parameters)
        slopes = _jacobian(parameters, self.points, self.baseline)[:, free]
        scales = np.linalg.norm(slopes, axis=0)
        scales[scales == 0] = 1.0
        inverse = np.linalg.pinv(slopes / scales)
        variance = rss / max(self.points.size - parameters.size, 1)
        covariance = np.zeros((parameters.size, parameters.size))
        covariance[np.ix_(free, free)] = variance * (inverse @ inverse.T) / np.outer(scales, scales)
        return covariance


def _values(parameters: Any) -> Array:
    return np.array([parameter.value for parameter in parameters.values()], dtype=np.float64)


def _grow(
    problem: _Problem,
    base: Array,
    n_bands: int | None,
    max_bands: int,
    target: float,
    evidence: float,
) -> _Solution:
    """Add bands until their number, the target or the criterion says stop."""
    limit = n_bands if n_bands is not None else max_bands
    best: _Solution | None = None
    for _ in range(limit):
        start = base if best is None else best.parameters
        if problem.points.size < start.size + 3:
            break
        trials = [
            problem.solve(np.concatenate([start, band]), GROWTH_TOLERANCE, GROWTH_EVALUATIONS)
            for band in _candidates(problem, start)
        ]
        if not trials:
            break
        grown = min(trials, key=lambda trial: trial.rss)
        enough = best is None or problem.bic(best) - problem.bic(grown) > evidence
        if n_bands is None and not enough:
            break
        best = grown
        if n_bands is None and problem.relative_rms(best) <= target:
            break
    if best is None:
        raise FitError(
            f"band fit: {problem.points.size} points cannot determine one band. Give more points."
        )
    if n_bands is not None:
        return problem.solve(best.parameters)
    return _polished(problem, best)


def _polished(problem: _Problem, best: _Solution) -> _Solution:
    """Run the grown fit on until it ends, or its sum of squares has settled."""
    polished = problem.solve(best.parameters, GROWTH_TOLERANCE, POLISH_EVALUATIONS)
    fall = problem.relative_rms(best) - problem.relative_rms(polished)
    if polished.success or fall > SETTLED:
        return polished
    message = "the sum of squares has settled, single bands still move in a flat valley"
    return replace(polished, success=True, message=message)


def _candidates(problem: _Problem, start: Array, n_places: int = 3) -> list[Array]:
    """Start values for one more band: where a Gaussian would take most of the residual."""
    residual = problem.curve - _model(start, problem.points, problem.baseline)
    low = max(problem.min_width, problem.span / problem.points.size, 1e-9)
    high = min(problem.max_width, problem.span / 2)
    found: list[tuple[float, Array]] = []
    for width in np.geomspace(low, max(high, low), 8):
        z = (problem.points[:, np.newaxis] - problem.points) / width
        kernel = np.exp(-0.5 * z * z)
        height = residual @ kernel / np.sum(kernel**2, axis=0)
        if not problem.negative:
            height = np.maximum(height, 0.0)
        gain = height**2 * np.sum(kernel**2, axis=0)
        peak = int(np.argmax(gain))
        found.append((float(gain[peak]), np.array([problem.points[peak], height[peak], width])))
    found.sort(key=lambda item: -item[0])
    distinct: list[Array] = []
    for gain, band in found:
        far = all(abs(band[0] - other[0]) > min(band[2], other[2]) for other in distinct)
        if gain > 0 and (far or len(distinct) == 0) and len(distinct) < n_places:
            distinct.append(band)
    return distinct


def _ordered(solution: _Solution, baseline: str) -> _Solution:
    first = len(BASELINES[baseline])
    bands = solution.parameters[first:].reshape(-1, 3)
    bands = bands[np.argsort(bands[:, 0], kind="stable")]
    parameters = np.concatenate([solution.parameters[:first], bands.ravel()])
    return _Solution(parameters, solution.rss, solution.success, solution.message)
