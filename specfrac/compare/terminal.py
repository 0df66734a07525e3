"""What a command prints of a comparison."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from specfrac.compare.sentences import conclusion_words, others_sentence
from specfrac.compare.wording import interval_words, number, p_words
from specfrac.report.markup import HARMFUL
from specfrac.report.names import SEVERITY_WORDS

if TYPE_CHECKING:
    from specfrac.compare.analysis import MeasureComparison
    from specfrac.compare.comparison import Comparison

WIDTH = 96
LONGEST = 40  # characters of a cell
SHOWN_FLAGS = 12


def terminal_comparison(comparison: Comparison) -> str:
    """Return the answer in a sentence, a row a measure, and what to know.

    Parameters
    ----------
    comparison : Comparison

    Returns
    -------
    str
        Plain text without a final line break.
    """
    first = comparison.primary
    counts = {name: sum(run.method == name for run in comparison.runs)
              for name in comparison.methods}  # fmt: skip
    told = ", ".join(f"{name} ({count})" for name, count in counts.items())
    lines = [
        *_wrapped(f"{len(comparison.runs)} runs; methods: {told}"),
        "",
        *_wrapped(first.sentence),
        *(line for remark in first.remarks for line in _wrapped(remark, "  ")),
        *_wrapped(others_sentence(comparison.measures), "  "),
        *_wrapped(f"Primary measure {comparison.primary_reason}.", "  "),
        "",
        *_table(comparison.measures),
        "",
        *_wrapped(
            "p is corrected for the number of methods and, except for the primary measure, of "
            "measures (Holm). The difference is the first method minus the second, with its 95 % "
            "interval; of fractions in percentage points (points)."
        ),
    ]
    for flag in comparison.flags[:SHOWN_FLAGS]:
        lines += _wrapped(f"{SEVERITY_WORDS[flag.severity]}: {flag.message}")
    if len(comparison.flags) > SHOWN_FLAGS:
        lines.append(f"{len(comparison.flags) - SHOWN_FLAGS} more remarks in the report")
    return "\n".join(line.rstrip() for line in lines)


def _table(measures: Sequence[MeasureComparison]) -> list[str]:
    rows = [("measure", "conclusion", "difference", "p"), *(_row(one) for one in measures)]
    widths = [max(len(row[at]) for row in rows) for at in range(4)]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
             for row in rows]  # fmt: skip
    lines.insert(1, "  ".join("-" * width for width in widths))
    return lines


def _row(one: MeasureComparison) -> tuple[str, str, str, str]:
    key = one.measure.key + (" *" if one.primary else "")
    if not one.differences:
        return _short(key), _short(conclusion_words(one)), "", ""
    pair = min(one.differences, key=lambda each: (each.p_corrected != each.p_corrected,
                                                  each.p_corrected))  # fmt: skip
    low, high = pair.interval
    half = (high - low) / 2
    size = number(one.measure, pair.difference, half)
    unit = one.measure.unit or "points"
    told = f"{size} {unit} ({interval_words(one.measure, pair.interval)})"
    return _short(key), _short(conclusion_words(one)), told, p_words(pair.p_corrected)


def _short(value: str) -> str:
    value = _clean(value)
    return value if len(value) <= LONGEST else value[: LONGEST - 1] + "…"


def _clean(value: str) -> str:
    """Drop what could move the cursor or turn a line round."""
    return HARMFUL.sub("?", " ".join(value.encode("utf-8", "replace").decode("utf-8").split()))


def _wrapped(value: str, indent: str = "") -> list[str]:
    return textwrap.wrap(
        _clean(value), WIDTH, initial_indent=indent, subsequent_indent=indent + "  "
    )
