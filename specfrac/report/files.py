"""Everything a report consists of, as bytes, so that it can be written whole or not at all."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from specfrac.records import write_files
from specfrac.report.page import page_html, report_html
from specfrac.report.pictures import Drawings, drawings, png_bytes, svg_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from specfrac.claims import ClassResult
    from specfrac.plates.evidence import PlatesResult
    from specfrac.run import RunResult


def report_files(
    result: RunResult,
    *,
    plates: PlatesResult | None = None,
    claims: ClassResult | None = None,
) -> dict[str, bytes]:
    """Return the page and its figures by relative path.

    Parameters
    ----------
    result : RunResult
    plates, claims : optional
        As in `report_html`.

    Returns
    -------
    dict of str to bytes
        ``report.html``, and each figure as SVG and PNG under ``figures/``. The same
        result gives the same bytes.
    """
    drawn = drawings(result, files=True)
    page = page_html(result, drawn, plates=plates, claims=claims)
    files = {"report.html": page.encode("utf-8")}
    files |= {f"figures/{name}": content for name, content in _figure_files(drawn).items()}
    return files


def write_report(result: RunResult, path: str | Path) -> Path:
    """Write the report of a run as one HTML file, whole or not at all.

    Parameters
    ----------
    result : RunResult
    path : path
        A file of that name is replaced. Its folder is made when missing.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    target = Path(path)
    (written,) = write_files(target.parent, {target.name: report_html(result).encode("utf-8")})
    return written


def write_figures(result: RunResult, folder: str | Path) -> tuple[Path, ...]:
    """Write every figure of a run as SVG and PNG, all or nothing.

    Parameters
    ----------
    result : RunResult
    folder : path
        Made when missing. Files of the same name are replaced, others left alone.

    Returns
    -------
    tuple of Path
        The files written, in the order of the sheet.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    return write_files(folder, _figure_files(drawings(result, files=True)))


def _figure_files(drawn: Drawings) -> dict[str, bytes]:
    files: dict[str, bytes] = {}
    for stem, drawing in drawn.items():
        files[f"{stem}.svg"] = drawing.svg.encode("utf-8")
        files[f"{stem}.png"] = drawing.png
    return files


def figure_bytes(figure: Figure, kind: str) -> bytes:
    """Return a figure as ``"svg"`` or ``"png"``, the same bytes for the same figure."""
    return svg_text(figure).encode("utf-8") if kind == "svg" else png_bytes(figure)
