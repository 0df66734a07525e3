"""The short table a command prints."""

from __future__ import annotations

from typing import TYPE_CHECKING
from unicodedata import combining, east_asian_width

from specfrac.names import worded
from specfrac.plots import reported_lines
from specfrac.report.markup import HARMFUL
from specfrac.report.names import SEVERITY_WORDS, full_name
from specfrac.report.numbers import NONE, plus_minus, share
from specfrac.report.summary import action_words

if TYPE_CHECKING:
    from specfrac.run import FractionResult, RunResult

HEADS = (
    "tube",
    "main pigment",
    "share of coloured (95 %)",
    "mass, µg",
    "recovered, %",
    "advice",
    "flags",
)
LONGEST = 28  # characters of a name


def terminal_summary(result: RunResult) -> str:
    """Return the run as a small plain table: what, how pure, how much.

    Parameters
    ----------
    result : RunResult

    Returns
    -------
    str
        Aligned text without a final line break.
    """
    # spaces that do not break are for paper; some terminals show them as marks
    rows = [tuple(cell.replace("\u00a0", " ") for cell in row) for row in _rows(result)]
    widths = [max(_width(row[at]) for row in rows) for at in range(len(HEADS))]
    lines = ["  ".join(_padded(cell, width) for cell, width in zip(row, widths, strict=True))
             for row in rows]  # fmt: skip
    lines.insert(1, "  ".join("-" * width for width in widths))
    lines = [line.rstrip() for line in lines]
    lines += ["", "± is one standard uncertainty. Colourless matter cannot be seen in a scan."]
    lines += [
        f"{SEVERITY_WORDS[flag.severity]}: {_clean(worded(flag.message))}" for flag in result.flags
    ]
    return "\n".join(lines)


def _rows(result: RunResult) -> list[tuple[str, ...]]:
    return [HEADS, *(_row(tube) for tube in result.fractions)]


def _row(tube: FractionResult) -> tuple[str, ...]:
    name = _shortened(_clean(tube.fraction.name))
    if tube.purity is None:
        state = "no pigment found" if tube.pigments else "not measured"
        state = "named only, no solvent" if tube.identification else state
        return name, state, NONE, NONE, NONE, _advice(tube), _flags(tube)
    purity = tube.purity
    line = next(line for line in reported_lines(tube) if line.key == purity.main)
    label = line.label if len(line.members) > 1 else full_name(line.key)
    found = line.result
    if found.made_on_column:
        recovery = "see balance"
    elif found.recovery is None and found.recovery_interval is not None:
        low, high = found.recovery_interval
        recovery = f"{100 * low:.0f} to {100 * high:.0f}"
    else:
        recovery = plus_minus(found.recovery, factor=100.0)
    return (
        name,
        label,
        share(purity.share_mass, purity.interval),
        plus_minus(line.result.mass),
        recovery,
        _advice(tube),
        _flags(tube),
    )


def _advice(tube: FractionResult) -> str:
    return NONE if tube.decision is None else action_words(tube.decision)


def _flags(tube: FractionResult) -> str:
    if not tube.flags:
        return NONE
    worst = tube.flags[0]
    more = len(tube.flags) - 1
    return f"{SEVERITY_WORDS[worst.severity]}: {worst.code}" + (f" (+{more})" if more else "")


def _clean(value: str) -> str:
    """Drop what could move the cursor or turn a line round."""
    return HARMFUL.sub("?", " ".join(value.encode("utf-8", "replace").decode("utf-8").split()))


def _shortened(value: str) -> str:
    return value if len(value) <= LONGEST else value[: LONGEST - 1] + "…"


def _width(value: str) -> int:
    """Columns of a terminal a text takes."""
    return sum(
        0 if combining(letter) else 2 if east_asian_width(letter) in "WF" else 1 for letter in value
    )


def _padded(value: str, width: int) -> str:
    return value + " " * (width - _width(value))
