"""The measurement model written out for lmfit: another solver for the same fit."""

from __future__ import annotations

from collections.abc import Callable

import lmfit
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from specfrac.fitting import model
from specfrac.fitting.error_model import error_model
from specfrac.references import References
from specfrac.scans import Scan

Array = NDArray[np.float64]


def fit_through_lmfit(
    references: References,
    scan: Scan,
    used: NDArray[np.bool_],
    sigma: Array,
    bandwidth: float,
    *,
    tolerance: float = 1e-14,
    splines: bool = False,
) -> Array:
    """Concentrations of the candidates in 1 cm, g/L, with diagonal noise.

    Parameters
    ----------
    references : References
    scan : Scan
    used : ndarray of bool, shape (n_points,)
    sigma : ndarray, shape (n_points,)
        Standard deviation of each reading.
    bandwidth : float
        nm.
    tolerance : float
        Of lmfit's least-squares method.
    splines : bool
        True hands lmfit ready-made cubic splines of the shapes instead of their bands.
    """
    parameters, residual = problem(references, scan, used, sigma, bandwidth, splines=splines)
    found = lmfit.minimize(
        residual,
        parameters,
        method="least_squares",
        xtol=tolerance,
        ftol=tolerance,
        gtol=tolerance,
    )
    return np.array(
        [found.params[f"a{k}"].value / entry.scale for k, entry in enumerate(references.entries)]
    )


def problem(
    references: References,
    scan: Scan,
    used: NDArray[np.bool_],
    sigma: Array,
    bandwidth: float,
    *,
    splines: bool = False,
) -> tuple[lmfit.Parameters, Callable[[lmfit.Parameters], Array]]:
    """The same model and priors, written out for lmfit with diagonal noise."""
    numbers = error_model()
    groups = model.layout(references).shift_groups
    parameters = lmfit.Parameters()
    for number in range(len(references.entries)):
        parameters.add(f"a{number}", value=0.05, min=0)
    parameters.add("b0", value=0.0)
    parameters.add("b1", value=0.01, min=0)
    for number in range(len(groups)):
        parameters.add(f"d{number}", value=0.01)
    parameters.add("n", value=numbers["scatter_exponent"])
    covariance = numbers["instrument_shift_prior"] ** 2 + np.diag(
        [references.solvent.shift_prior_nm**2] * len(groups)
    )
    whiten = np.linalg.cholesky(np.linalg.inv(covariance)).T

    shapes = _shapes(references, bandwidth, scan.wavelength if splines else None)

    def residual(p):
        shift = dict(zip(groups, (p[f"d{k}"].value for k in range(len(groups))), strict=True))
        total = p["b0"] + p["b1"] * (500.0 / scan.wavelength) ** p["n"].value
        for amplitude, group, shape in shapes:
            total = total + p[amplitude] * shape(scan.wavelength - shift[group])
        weighted = ((scan.absorbance - total) / sigma)[used]
        away = whiten @ np.array([p[f"d{k}"].value for k in range(len(groups))])
        return np.concatenate([weighted, away, [p["n"].value - numbers["scatter_exponent"]]])

    return parameters, residual


def _shapes(
    references: References, bandwidth: float, splined_on: Array | None
) -> list[tuple[str, str, Callable[[Array], Array]]]:
    """Amplitude, shift group and shape of each part of a pigment that moves as one."""
    parts = []
    for number, entry in enumerate(references.entries):
        width = np.sqrt(entry.width**2 + (bandwidth**2 - entry.bandwidth**2) / 6)
        groups = np.array([model.shift_group(entry.group, region) for region in entry.region])
        for group in dict.fromkeys(groups.tolist()):
            own = groups == group
            height = entry.height[own] * entry.width[own] / width[own]

            def shape(w, centre=entry.centre[own], height=height, width=width[own]):
                return height @ np.exp(-0.5 * ((w - centre[:, None]) / width[:, None]) ** 2)

            if splined_on is not None:
                wide = np.arange(splined_on[0] - 20.0, splined_on[-1] + 20.5, 0.5)
                shape = CubicSpline(wide, shape(wide))
            parts.append((f"a{number}", group, shape))
    return parts
