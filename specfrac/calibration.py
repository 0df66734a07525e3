"""A straight calibration line: what it says of a reading, and the least it can find.

For standards of known concentration read at one wavelength. The slope of absorbance
against concentration is the absorptivity times the path length; a scan of a standard
becomes a whole reference in `specfrac.standards`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from specfrac.errors import InputError
from specfrac.uncertainty import Quantity

Array = NDArray[np.float64]

FEWEST_STANDARDS = 3


@dataclass(frozen=True, slots=True, eq=False)
class CalibrationLine:
    """y = intercept + slope · x, by least squares with equal weights.

    Made by `calibration_line`.

    Attributes
    ----------
    x, y : ndarray, shape (n_standards,)
        Concentrations, taken as exact, and readings.
    slope, intercept : float
    slope_uncertainty, intercept_uncertainty : float
        Standard, from the scatter of the readings.
    correlation : float
        Between intercept and slope.
    residual_deviation : float
        Standard deviation of the readings about the line, n - 2 degrees of freedom.
    unit : str
        Of x.
    """

    x: Array
    y: Array
    slope: float
    intercept: float
    slope_uncertainty: float
    intercept_uncertainty: float
    correlation: float
    residual_deviation: float
    unit: str

    def __post_init__(self) -> None:
        for name in ("x", "y"):
            array = np.array(getattr(self, name), dtype=np.float64)
            array.setflags(write=False)
            object.__setattr__(self, name, array)

    @property
    def residual(self) -> Array:
        """Readings less the line."""
        return self.y - (self.intercept + self.slope * self.x)

    @property
    def degrees_of_freedom(self) -> int:
        """Standards less two."""
        return int(self.x.size) - 2

    def at(self, x: float) -> Quantity:
        """Return the line's own value at a concentration, in the unit of the readings.

        u² = s² (1/n + (x - x̄)²/S_xx)
        """
        u = self.residual_deviation * math.sqrt(self._distance(x))
        return Quantity(self.intercept + self.slope * x, u, "")

    def read(self, readings: ArrayLike) -> Quantity:
        """Return the concentration of an unknown from one or more readings of it.

        x = (ȳ - intercept)/slope, u = s/|slope| · sqrt(1/p + 1/n + (x - x̄)²/S_xx) with p
        readings.

        Parameters
        ----------
        readings : array_like, shape (p,) or ()

        Returns
        -------
        Quantity
            First-order uncertainty; multiply with `t_factor` for an interval.

        Raises
        ------
        InputError
            If the line is level, or a reading is not finite.
        """
        values = np.atleast_1d(np.asarray(readings, dtype=np.float64))
        if values.size == 0 or not np.isfinite(values).all():
            raise InputError("readings of an unknown: at least one finite number is needed.")
        self._needs_slope()
        x = (float(values.mean()) - self.intercept) / self.slope
        return Quantity(x, self._method_deviation * self._spread(x, values.size), self.unit)

    def t_factor(self, coverage: float = 0.95, *, one_sided: bool = False) -> float:
        """Return Student's factor on a standard uncertainty, n - 2 degrees of freedom."""
        from scipy.special import stdtrit

        if not 0 < coverage < 1:
            raise InputError(f"coverage is {coverage:g}, but must lie between 0 and 1.")
        return float(
            stdtrit(self.degrees_of_freedom, coverage if one_sided else 0.5 + coverage / 2)
        )

    def decision_limit(self, *, alpha: float = 0.05, readings: int = 1) -> float:
        """Return the concentration above which a reading differs from a blank's.

        x_c = s/slope · t(1 - α) · sqrt(1/p + 1/n + x̄²/S_xx); below it: "not detected".

        References
        ----------
        DIN 32645:1994, calibration line method; ISO 11843-2 names it the critical value.
        """
        self._needs_slope()
        return (
            self.t_factor(1 - alpha, one_sided=True)
            * self._method_deviation
            * self._spread(0.0, readings)
        )

    def detection_limit(self, *, alpha: float = 0.05, readings: int = 1) -> float:
        """Return the concentration that is found with probability 1 - α.

        Twice the decision limit, for equal probabilities of both errors (DIN 32645:1994).
        """
        return 2 * self.decision_limit(alpha=alpha, readings=readings)

    def quantification_limit(
        self, *, alpha: float = 0.05, readings: int = 1, factor: float = 3.0
    ) -> float:
        """Return the concentration whose half interval is 1/factor of itself.

        Solves x = factor · s/slope · t(1 - α/2) · sqrt(1/p + 1/n + (x - x̄)²/S_xx)
        (DIN 32645:1994). NaN when no concentration is known so well.
        """
        self._needs_slope()
        scale = (factor * self.t_factor(1 - alpha) * self._method_deviation) ** 2
        # x² = scale (1/p + 1/n + (x - x̄)²/S_xx), a quadratic in x
        mean, power = float(self.x.mean()), self._power
        a = 1 - scale / power
        b = 2 * scale * mean / power
        c = -scale * (1 / readings + 1 / self.x.size + mean**2 / power)
        if a <= 0:
            return math.nan
        return (-b + math.sqrt(b * b - 4 * a * c)) / (2 * a)

    @property
    def _power(self) -> float:
        away = self.x - self.x.mean()
        return float(away @ away)

    @property
    def _method_deviation(self) -> float:
        return self.residual_deviation / abs(self.slope)

    def _distance(self, x: float) -> float:
        return 1 / self.x.size + (x - float(self.x.mean())) ** 2 / self._power

    def _spread(self, x: float, readings: int) -> float:
        if readings < 1:
            raise InputError(f"readings is {readings}, but must be at least 1.")
        return math.sqrt(1 / readings + self._distance(x))

    def _needs_slope(self) -> None:
        if self.slope == 0:
            raise InputError("the calibration line is level; its readings say nothing of x.")


def calibration_line(x: ArrayLike, y: ArrayLike, *, unit: str = "mg/L") -> CalibrationLine:
    """Fit a calibration line to standards.

    Parameters
    ----------
    x : array_like, shape (n_standards,)
        Concentrations, n >= 3, not all equal; their own errors do not enter.
    y : array_like, shape (n_standards,)
        Readings.
    unit : str
        Of x.

    Returns
    -------
    CalibrationLine

    Raises
    ------
    InputError
        If there are fewer than three standards, as many x as y are not given, all x are
        equal, or a number is not finite.

    Examples
    --------
    >>> line = calibration_line([1.0, 2.0, 3.0], [0.11, 0.19, 0.31])
    >>> round(line.slope, 3)
    0.1
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if xs.ndim != 1 or xs.shape != ys.shape or xs.size < FEWEST_STANDARDS:
        raise InputError(
            f"a calibration line needs at least {FEWEST_STANDARDS} standards with a reading each, "
            f"but has {xs.size} and {ys.size}."
        )
    if not (np.isfinite(xs).all() and np.isfinite(ys).all()):
        raise InputError("calibration line: a concentration or reading is not a finite number.")
    away = xs - xs.mean()
    power = float(away @ away)
    if not power > 0:
        raise InputError("calibration line: all standards have the same concentration.")
    slope = float(away @ (ys - ys.mean())) / power
    intercept = float(ys.mean()) - slope * float(xs.mean())
    rest = ys - (intercept + slope * xs)
    deviation = math.sqrt(float(rest @ rest) / (xs.size - 2))
    mean_square = float(xs @ xs) / xs.size
    return CalibrationLine(
        xs,
        ys,
        slope,
        intercept,
        deviation / math.sqrt(power),
        deviation * math.sqrt(mean_square / power),
        -float(xs.mean()) / math.sqrt(mean_square),
        deviation,
        unit,
    )
