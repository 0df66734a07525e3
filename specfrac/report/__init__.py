"""The report of a run: one self-contained page, figures, and a table for the terminal."""

from specfrac.report.files import report_files, write_figures, write_report
from specfrac.report.fragments import (
    balance_fragment,
    class_fragment,
    elution_fragment,
    fit_fragment,
    plan_fragment,
    plates_fragment,
    pooling_fragment,
    qualification_fragment,
    run_fragment,
    tube_fragment,
)
from specfrac.report.page import report_html
from specfrac.report.terminal import terminal_summary

__all__ = [
    "balance_fragment",
    "class_fragment",
    "elution_fragment",
    "fit_fragment",
    "plan_fragment",
    "plates_fragment",
    "pooling_fragment",
    "qualification_fragment",
    "report_files",
    "report_html",
    "run_fragment",
    "terminal_summary",
    "tube_fragment",
    "write_figures",
    "write_report",
]
