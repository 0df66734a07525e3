"""A comparison as tidy tables, as plain data, and as files written whole or not at all."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from specfrac.compare.sentences import others_sentence
from specfrac.records import csv_bytes, json_bytes, plain, write_files

if TYPE_CHECKING:
    import pandas as pd

    from specfrac.compare.analysis import Difference, MeasureComparison, MethodMean
    from specfrac.compare.charts import ControlChart
    from specfrac.compare.comparison import Comparison
    from specfrac.compare.measures import RunSummary
    from specfrac.compare.statistics import TestResult

FORMAT = 1

RUN_COLUMNS = (
    "run", "title", "method", "block", "date", "tissue_basis", "target", "library_version",
    "specfrac_version", "marks", "flags",
)  # fmt: skip
VALUE_COLUMNS = (
    "measure", "unit", "run", "method", "block", "value", "bound", "own_standard_uncertainty",
    "shared_standard_uncertainty", "takes_part", "left_out_because", "grubbs_p",
)  # fmt: skip
METHOD_COLUMNS = (
    "measure", "unit", "method", "runs", "censored", "mean", "adjusted_mean", "low", "high",
    "shared_standard_uncertainty", "spread", "spread_measurement", "spread_between_runs", "scale",
)  # fmt: skip
DIFFERENCE_COLUMNS = (
    "measure", "unit", "primary", "first", "second", "design", "scale", "test", "difference",
    "low", "high", "ratio", "ratio_low", "ratio_high", "standard_error", "df", "effect_size", "p",
    "p_corrected", "p_ignoring_blocks", "significant", "verdict", "winner", "detectable",
    "runs_needed", "variance_between_runs", "variance_measurement", "variance_shared",
)  # fmt: skip
CHART_COLUMNS = (
    "chart", "unit", "date", "run", "method", "value", "weighted_mean", "mean", "warning_low",
    "warning_high", "action_low", "action_high", "breaks",
)  # fmt: skip


def _frame(rows: Iterable[dict[str, Any]], columns: tuple[str, ...]) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(list(rows), columns=columns)


def runs_frame(comparison: Comparison) -> pd.DataFrame:
    """Return a row a run, by date and name."""
    return _frame((_run_row(comparison, one) for one in comparison.runs), RUN_COLUMNS)


def _run_row(comparison: Comparison, one: RunSummary) -> dict[str, Any]:
    return {
        "run": one.name,
        "title": one.title,
        "method": one.method,
        "block": one.block,
        "date": one.date,
        "tissue_basis": one.tissue_basis,
        "target": one.target,
        "library_version": one.library_version,
        "specfrac_version": one.program_version,
        "marks": "; ".join(mark.words for mark in comparison.marks if mark.run == one.name),
        "flags": "; ".join(one.flag_codes),
    }


def values_frame(comparison: Comparison) -> pd.DataFrame:
    """Return a row a measure and run; the unit of a fraction of one is blank."""
    return _frame(
        (
            {
                "measure": one.measure.key,
                "unit": one.measure.unit,
                "run": point.run,
                "method": point.method,
                "block": point.block,
                "value": point.value.value,
                "bound": point.value.bound,
                "own_standard_uncertainty": point.value.own,
                "shared_standard_uncertainty": point.value.shared_uncertainty,
                "takes_part": not point.left_out,
                "left_out_because": point.left_out,
                "grubbs_p": point.outlier_p,
            }
            for one in comparison.measures
            for point in one.points
        ),
        VALUE_COLUMNS,
    )


def methods_frame(comparison: Comparison) -> pd.DataFrame:
    """Return a row a measure and method."""
    return _frame(
        ({"measure": one.measure.key, "unit": one.measure.unit, **_method(held),
          "scale": one.scale} for one in comparison.measures for held in one.methods),
        METHOD_COLUMNS,
    )  # fmt: skip


def _method(held: MethodMean) -> dict[str, Any]:
    return {
        "method": held.method,
        "runs": held.count,
        "censored": held.censored,
        "mean": held.mean,
        "adjusted_mean": held.adjusted,
        "low": held.interval[0],
        "high": held.interval[1],
        "shared_standard_uncertainty": held.shared_uncertainty,
        "spread": held.spread,
        "spread_measurement": held.scatter.measurement,
        "spread_between_runs": held.scatter.between,
    }


def differences_frame(comparison: Comparison) -> pd.DataFrame:
    """Return a row a measure and pair of methods, the first minus the second."""
    return _frame(
        (
            {
                "measure": one.measure.key,
                "unit": one.measure.unit,
                "primary": one.primary,
                "design": one.design.kind,
                "scale": one.scale,
                "verdict": one.verdict,
                "winner": one.winner or "",
                **_difference(pair),
            }
            for one in comparison.measures
            for pair in one.differences
        ),
        DIFFERENCE_COLUMNS,
    )


def _difference(pair: Difference) -> dict[str, Any]:
    return {
        "first": pair.first,
        "second": pair.second,
        "test": pair.test,
        "difference": pair.difference,
        "low": pair.interval[0],
        "high": pair.interval[1],
        "ratio": pair.ratio,
        "ratio_low": pair.ratio_interval[0],
        "ratio_high": pair.ratio_interval[1],
        "standard_error": pair.standard_error,
        "df": pair.df,
        "effect_size": pair.effect_size,
        "p": pair.p_value,
        "p_corrected": pair.p_corrected,
        "p_ignoring_blocks": pair.p_ignoring_blocks,
        "significant": pair.significant,
        "detectable": pair.detectable,
        "runs_needed": pair.runs_needed,
        "variance_between_runs": pair.between_part,
        "variance_measurement": pair.measurement_part,
        "variance_shared": pair.shared_part,
    }


def charts_frame(comparison: Comparison) -> pd.DataFrame:
    """Return a row a control chart and point."""
    return _frame(
        (
            {
                "chart": chart.key,
                "unit": chart.unit,
                "date": point.date,
                "run": point.run,
                "method": point.method,
                "value": point.value,
                "weighted_mean": point.weighted_mean,
                "mean": chart.limits.mean,
                "warning_low": chart.limits.warning[0],
                "warning_high": chart.limits.warning[1],
                "action_low": chart.limits.action[0],
                "action_high": chart.limits.action[1],
                "breaks": "; ".join(point.broken),
            }
            for chart in comparison.charts
            for point in chart.points
        ),
        CHART_COLUMNS,
    )


# Plain data


def comparison_record(comparison: Comparison) -> dict[str, Any]:
    """Return a comparison as plain data, with the digest of every input.

    Parameters
    ----------
    comparison : Comparison

    Returns
    -------
    dict
        Without time, machine or absolute path; NaN is None.
    """
    from specfrac import __version__

    record: dict[str, Any] = plain(
        {
            "format": FORMAT,
            "kind": "comparison",
            "specfrac_version": __version__,
            "settings": comparison.settings.as_dict(),
            "primary": {
                "measure": comparison.primary.measure.key,
                "reason": comparison.primary_reason,
                "verdict": comparison.primary.verdict,
                "winner": comparison.primary.winner,
                "sentence": comparison.primary.sentence,
            },
            "others": others_sentence(comparison.measures),
            "methods": comparison.methods,
            "blocks": comparison.blocks,
            "runs": [
                {
                    **_run_row(comparison, one),
                    "flags": one.flag_codes,
                    "marks": [
                        {"kind": mark.kind, "words": mark.words}
                        for mark in comparison.marks
                        if mark.run == one.name
                    ],
                    "inputs": [
                        {"path": digest.path, "sha256": digest.sha256} for digest in one.inputs
                    ],
                }
                for one in comparison.runs
            ],
            "measures": [_measure(one) for one in comparison.measures],
            "charts": [_chart(chart) for chart in comparison.charts],
            "flags": [flag.as_dict() for flag in comparison.flags],
        }
    )
    return record


def _measure(one: MeasureComparison) -> dict[str, Any]:
    return {
        "measure": one.measure.key,
        "words": one.measure.words,
        "unit": one.measure.unit,
        "better": one.measure.better,
        "primary": one.primary,
        "verdict": one.verdict,
        "winner": one.winner,
        "sentence": one.sentence,
        "remarks": one.remarks,
        "design": one.design.kind,
        "scale": one.scale,
        "scale_reason": one.scale_reason,
        "missing": one.missing,
        "methods": [_method(held) for held in one.methods],
        "differences": [_difference(pair) for pair in one.differences],
        "overall": _test(one.overall),
        "ranks": _test(one.ranks),
        "interaction_p": one.interaction_p,
    }


def _test(test: TestResult | None) -> dict[str, Any] | None:
    if test is None:
        return None
    return {
        "name": test.name,
        "statistic": test.statistic,
        "df": test.df,
        "p": test.p_value,
        "smallest_possible_p": test.attainable_p,
    }


def _chart(chart: ControlChart) -> dict[str, Any]:
    limits = chart.limits
    return {
        "chart": chart.key,
        "words": chart.words,
        "unit": chart.unit,
        "points": len(chart.points),
        "mean": limits.mean,
        "mean_moving_range": limits.mean_range,
        "sigma": limits.sigma,
        "warning": limits.warning,
        "action": limits.action,
        "moving_range_limit": limits.range_limit,
        "weighted_mean_limits": chart.weighted_limits,
        "sentence": chart.sentence,
        "broken": [
            {"date": point.date, "run": point.run, "value": point.value, "rules": point.broken}
            for point in chart.points
            if point.broken
        ],
    }


# Files


def comparison_files(comparison: Comparison) -> dict[str, bytes]:
    """Return page, tables and record of a comparison by file name."""
    from specfrac.compare.page import comparison_html

    return {
        "compare.html": comparison_html(comparison).encode("utf-8"),
        "comparison.json": json_bytes(comparison_record(comparison)),
        "comparison-runs.csv": csv_bytes(runs_frame(comparison)),
        "comparison-values.csv": csv_bytes(values_frame(comparison)),
        "comparison-methods.csv": csv_bytes(methods_frame(comparison)),
        "comparison-differences.csv": csv_bytes(differences_frame(comparison)),
        "comparison-charts.csv": csv_bytes(charts_frame(comparison)),
    }


def write_comparison(comparison: Comparison, folder: str | Path) -> tuple[Path, ...]:
    """Write the page, the record and the tables of a comparison: all, or nothing.

    Parameters
    ----------
    comparison : Comparison
    folder : path
        Made when missing; files of the same names are replaced.

    Returns
    -------
    tuple of Path
        The files written, ``compare.html`` first.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    return write_files(folder, comparison_files(comparison))
