"""The report of a run: one self-contained page, figures, and a table for the terminal."""

from specfrac.report.files import report_files, write_figures, write_report
from specfrac.report.page import report_html
from specfrac.report.terminal import terminal_summary

__all__ = ["report_files", "report_html", "terminal_summary", "write_figures", "write_report"]
