"""Everything a report consists of, as bytes, so that it can be written whole or not at all."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

from specfrac.report.page import report_html
from specfrac.report.pictures import PRINT_RESOLUTION, house_style, run_figures, svg_text

if TYPE_CHECKING:
    from specfrac.run import RunResult


def report_files(result: RunResult) -> dict[str, bytes]:
    """Return the page and its figures by relative path.

    Parameters
    ----------
    result : RunResult

    Returns
    -------
    dict of str to bytes
        ``report.html``, and each figure as SVG and PNG under ``figures/``.
    """
    files = {"report.html": report_html(result).encode("utf-8")}
    with house_style():
        for stem, figure in run_figures(result):
            files[f"figures/{stem}.svg"] = svg_text(figure).encode("utf-8")
            picture = io.BytesIO()
            # without this the file would name the drawing library's version
            figure.savefig(picture, format="png", dpi=PRINT_RESOLUTION, metadata={"Software": None})
            files[f"figures/{stem}.png"] = picture.getvalue()
    return files
