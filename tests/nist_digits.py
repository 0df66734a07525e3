"""How many digits of the certificates of NIST/ITL StRD come back.

    python tests/nist_digits.py

Log relative error, -log10(|found - certified|/|certified|), the worst of the parameters
and the worst of the standard errors, from both starts of each file: about as many digits
as are right. It is cut at the 11 digits the certificates print (15 of Norris). Bands go
through our own band fit, the line through our own calibration line; the other sets have
no model of ours and show what the solver below the band fit (lmfit over scipy) does with
the settings we give it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from specfrac.bands import fit_bands
from specfrac.calibration import calibration_line

DATA = Path(__file__).parent / "external" / "data"
PRINTED_DIGITS = 11
NORRIS_DIGITS = 15
TOLERANCE = 1e-14
COMPLEX_STEP = 1e-20  # relative
MOST_EVALUATIONS = 2000

MODELS = {
    "DanWood": lambda b, x: b[0] * x ** b[1],
    "Misra1a": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "Misra1b": lambda b, x: b[0] * (1 - (1 + b[1] * x / 2) ** -2.0),
    "Lanczos3": lambda b, x: sum(b[2 * k] * np.exp(-b[2 * k + 1] * x) for k in range(3)),
    "Bennett5": lambda b, x: b[0] * (b[1] + x) ** (-1 / b[2]),
}
MODELS["Lanczos1"] = MODELS["Lanczos3"]


@dataclass(frozen=True)
class Certificate:
    """A nonlinear set: two starts, certified parameters and errors, and the data."""

    starts: np.ndarray
    parameters: np.ndarray
    errors: np.ndarray
    residual_sum: float
    x: np.ndarray
    y: np.ndarray


@dataclass(frozen=True)
class Digits:
    """Right digits of the worst parameter and of the worst standard error."""

    name: str
    start: int
    way: str
    parameters: float
    errors: float


def certificate(name: str) -> Certificate:
    """Read a nonlinear set."""
    lines = (DATA / f"{name}.dat").read_text(encoding="ascii").splitlines()
    rows = [line.split("=")[1].split() for line in lines if re.match(r"\s*b\d =", line)]
    table = np.array(rows, dtype=float)
    residual_sum = next(float(line.split()[-1]) for line in lines if line.startswith("Residual Su"))
    first = max(k for k, line in enumerate(lines) if line.startswith("Data:")) + 1
    y, x = np.loadtxt(lines[first:]).T
    return Certificate(table[:, :2].T, table[:, 2], table[:, 3], residual_sum, x, y)


def digits(found: np.ndarray, certified: np.ndarray, printed: int) -> float:
    """Log relative error of the worst value."""
    error = np.abs(np.asarray(found) - certified) / np.abs(certified)
    worst = float(error.max())
    return printed if worst < 10.0**-printed else -math.log10(worst)


def two_bands(set_: Certificate, start: int) -> tuple[np.ndarray, np.ndarray]:
    """Gauss1 to Gauss3 by our band fit: parameters and errors in the certificate's order."""
    b = set_.starts[start]
    root = math.sqrt(2)  # the certificate's width is √2 σ
    fit = fit_bands(
        set_.x,
        set_.y,
        start=[(b[3], b[2], b[4] / root), (b[6], b[5], b[7] / root)],
        baseline="exponential",
        baseline_start=(b[0], b[1]),
    )
    order = [0, 1, 3, 2, 4, 6, 5, 7]
    unit = np.array([1, 1, 1, 1, root, 1, 1, root])
    return fit.parameters[order] * unit, fit.standard_errors[order] * unit


def one_band(set_: Certificate, start: int) -> tuple[np.ndarray, np.ndarray]:
    """Eckerle4 by our band fit; its b1 is height times σ."""
    b1, b2, b3 = set_.starts[start]
    fit = fit_bands(set_.x, set_.y, start=[(b3, b1 / b2, b2)])
    height, width, centre = fit.height[0], fit.width[0], fit.centre[0]
    errors = [fit.area_uncertainty[0] / math.sqrt(2 * math.pi), *fit.standard_errors[[2, 0]]]
    return np.array([height * width, width, centre]), np.array(errors)


def by_solver(name: str, set_: Certificate, start: int) -> tuple[np.ndarray, np.ndarray]:
    """A set without a model of ours, by the solver and with the settings of the band fit."""
    import lmfit

    parameters = lmfit.Parameters()
    for number, value in enumerate(set_.starts[start]):
        parameters.add(f"b{number}", value=float(value))

    def residual(trial) -> np.ndarray:
        return MODELS[name]([p.value for p in trial.values()], set_.x) - set_.y

    def slopes(trial) -> np.ndarray:
        """Exact derivatives by a step into the complex plane, as ours are analytic."""
        values = np.array([p.value for p in trial.values()])
        steps = values + 1j * np.diag(COMPLEX_STEP * np.abs(values))
        columns = [MODELS[name](row, set_.x).imag for row in steps]
        return np.array(columns).T / (COMPLEX_STEP * np.abs(values))

    found = lmfit.minimize(
        residual,
        parameters,
        method="least_squares",
        jac=slopes,
        x_scale="jac",
        xtol=TOLERANCE,
        ftol=TOLERANCE,
        gtol=TOLERANCE,
        max_nfev=MOST_EVALUATIONS,
    )
    values = found.params.values()
    return np.array([p.value for p in values]), np.array([p.stderr for p in values], dtype=float)


def table() -> Iterator[Digits]:
    """A row a set and start."""
    for name in ("Gauss1", "Gauss2", "Gauss3", "Eckerle4", *sorted(MODELS)):
        set_ = certificate(name)
        for start in (0, 1):
            if name.startswith("Gauss"):
                way, (found, errors) = "our band fit", two_bands(set_, start)
            elif name == "Eckerle4":
                way, (found, errors) = "our band fit", one_band(set_, start)
            else:
                way, (found, errors) = "solver below", by_solver(name, set_, start)
            yield Digits(
                name,
                start + 1,
                way,
                digits(found, set_.parameters, PRINTED_DIGITS),
                digits(errors, set_.errors, PRINTED_DIGITS),
            )
    yield norris()


def norris() -> Digits:
    """The straight line, with the certified values of its header."""
    text = (DATA / "Norris.dat").read_text(encoding="ascii")
    rows = re.findall(r"B[01]\s+(-?\d\S+)\s+(\d\S+)", text)
    certified = np.array(rows, dtype=float)
    lines = text.splitlines()
    y, x = np.array([row.split() for row in lines[60:] if row.strip()], dtype=float).T
    line = calibration_line(x, y)
    return Digits(
        "Norris",
        1,
        "our calibration line",
        digits(np.array([line.intercept, line.slope]), certified[:, 0], NORRIS_DIGITS),
        digits(
            np.array([line.intercept_uncertainty, line.slope_uncertainty]),
            certified[:, 1],
            NORRIS_DIGITS,
        ),
    )


def main() -> None:
    print("| set | start | by | parameters | standard errors |")
    print("|---|---|---|---|---|")
    for row in table():
        print(f"| {row.name} | {row.start} | {row.way} | {row.parameters:.1f} | {row.errors:.1f} |")


if __name__ == "__main__":
    main()
