"""Runs side by side: which extraction method is better, or that the data cannot tell.

The names load when first used, so that importing the package stays fast.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from specfrac.lazy import loader

_HOMES = {
    "Comparison": "comparison",
    "compare_runs": "comparison",
    "RunSummary": "measures",
    "read_record": "reading",
    "terminal_comparison": "terminal",
    "write_comparison": "tables",
    "comparison_html": "page",
}

__all__ = [
    "Comparison",
    "RunSummary",
    "compare_runs",
    "comparison_html",
    "read_record",
    "terminal_comparison",
    "write_comparison",
]

if TYPE_CHECKING:
    from specfrac.compare.comparison import Comparison, compare_runs
    from specfrac.compare.measures import RunSummary
    from specfrac.compare.page import comparison_html
    from specfrac.compare.reading import read_record
    from specfrac.compare.tables import write_comparison
    from specfrac.compare.terminal import terminal_comparison


__getattr__ = loader(__name__, _HOMES)
