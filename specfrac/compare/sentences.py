"""What a comparison says in plain words, and what limits it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Protocol

from specfrac.compare.analysis import (
    AGREEMENT,
    CANNOT_TELL,
    CONFOUNDED_VERDICT,
    DIFFER,
    LOGARITHMIC,
    NOT_COMPARABLE,
    ONE_METHOD,
    TOO_FEW,
    WINS,
    Difference,
    MeasureComparison,
    MethodMean,
    Point,
    by_method,
)
from specfrac.compare.design import PAIRED, UNPAIRED
from specfrac.compare.measures import HIGHER, LOWER
from specfrac.compare.wording import (
    capital,
    interval_words,
    joined_words,
    listed,
    number,
    p_words,
    percent_words,
    ratio_words,
    unit_of,
)
from specfrac.report.numbers import counted, significant
from specfrac.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Callable

ONE_SIDE = 0.5  # of a variance; what has more than half of it dominates
ROUGH_DF = 5.0  # a variance of fewer degrees of freedom is known to a factor of two at best


class Marked(Protocol):
    """What a remark needs to know of a mark."""

    @property
    def run(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def words(self) -> str: ...


def measure_sentence(one: MeasureComparison, settings: Settings, *, measures: int) -> str:
    """Return what the data say of one measure: who wins, by how much, or that they cannot tell.

    Parameters
    ----------
    one : MeasureComparison
    settings : Settings
        Of the comparison.
    measures : int
        Number of secondary measures, for which p-values were corrected.

    Returns
    -------
    str
    """
    words: dict[str, Callable[[MeasureComparison, Settings, int], str]] = {
        WINS: _wins,
        DIFFER: _differ,
        CANNOT_TELL: _cannot_tell,
        CONFOUNDED_VERDICT: _confounded,
        TOO_FEW: _too_few,
        ONE_METHOD: _one_method,
        NOT_COMPARABLE: _not_comparable,
    }
    sentence = words[one.verdict](one, settings, measures) + _apart(one)
    return capital(sentence)


# Who wins


def _wins(one: MeasureComparison, settings: Settings, measures: int) -> str:
    winner = one.winner or ""
    pairs = [pair for pair in one.differences if winner in (pair.first, pair.second)]
    nearest = min(pairs, key=lambda pair: abs(_size(one, pair)))
    others = "" if len(pairs) == 1 else f" over all {len(pairs)} others; the nearest is {{}}"
    loser = _other(nearest, winner)
    head = f"{one.measure.words}: {winner} wins"
    head += others.format(loser) if others else f" over {loser}"
    return f"{head}, {_by_how_much(one, nearest, winner)}; {_grounds(one, nearest, measures)}."


def _differ(one: MeasureComparison, settings: Settings, measures: int) -> str:
    clear = [pair for pair in one.differences if pair.significant]
    if len(one.differences) == 1:
        pair = clear[0]
        upper = pair.first if pair.direction > 0 else pair.second
        return (
            f"{one.measure.words} differs: it is higher with {upper} than with "
            f"{_other(pair, upper)}, {_by_how_much(one, pair, upper)}; "
            f"{_grounds(one, pair, measures)}."
        )
    told = "; ".join(_ordered(one, pair) + _by_size(one, pair) for pair in clear)
    open_pairs = [f"{p.first} and {p.second}" for p in one.differences if not p.significant]
    head = f"{one.measure.words}: "
    head += "no single method wins. " if one.measure.better else "methods differ. "
    tail = f" Not told apart: {'; '.join(open_pairs)}." if open_pairs else ""
    smallest = min(clear, key=lambda pair: pair.p_corrected)
    return f"{head}{told} ({_grounds(one, smallest, measures)}).{tail}"


def _ordered(one: MeasureComparison, pair: Difference) -> str:
    """Return "a beats b", or "a is higher than b" where neither is better."""
    upper = pair.first if pair.direction > 0 else pair.second
    lower = _other(pair, upper)
    if one.measure.better == LOWER:
        return f"{lower} beats {upper}"
    verb = "beats" if one.measure.better == HIGHER else "is higher than"
    return f"{upper} {verb} {lower}"


def _by_size(one: MeasureComparison, pair: Difference) -> str:
    """Return " by 20.1 µg/g (95 %: 18.0 to 22.2)", or ``""`` when the size is not known."""
    if not math.isfinite(pair.difference):
        return ""
    size, (low, high) = pair.difference, pair.interval
    if size < 0:
        size, low, high = -size, -high, -low
    half = (high - low) / 2
    told = f" by {number(one.measure, size, half)} {unit_of(one.measure, difference=True)}"
    if not math.isfinite(half):
        return told
    return f"{told} (95 %: {interval_words(one.measure, (low, high))})"


def _by_how_much(one: MeasureComparison, pair: Difference, of: str) -> str:
    """Return means, difference and ratio, seen from one of the two methods."""
    other = _other(pair, of)
    sign = 1.0 if pair.first == of else -1.0
    if not math.isfinite(pair.difference):
        return _without_size(one, of, other)
    low, high = sorted(sign * end for end in pair.interval)
    size = sign * pair.difference
    more = "more" if size >= 0 else "less"
    if size < 0:
        size, low, high = -size, -high, -low
    a, b = (_mean_of(one, pair, name) for name in (of, other))
    half = (high - low) / 2
    means = (
        f"{number(one.measure, a, half)} against {number(one.measure, b, half)} "
        f"{unit_of(one.measure)}"
    )
    unit = unit_of(one.measure, difference=True)
    told = f"{means}, {number(one.measure, size, half)} {unit} {more}"
    if math.isfinite(half):
        told += f" (95 %: {interval_words(one.measure, (low, high))})"
    ratio = _ratio(pair, sign)
    return told + (f", {ratio}" if ratio else "")


def _mean_of(one: MeasureComparison, pair: Difference, name: str) -> float:
    """Return the mean of a method, blocks taken out alike for both.

    The two means then differ by the stated difference, also where the methods have
    unequal numbers of runs in the blocks.
    """
    found = one.method(name)
    return found.adjusted if found else math.nan


def _ratio(pair: Difference, sign: float) -> str:
    if not math.isfinite(pair.ratio):
        return ""
    low, high = pair.ratio_interval
    if sign > 0:
        return ratio_words(pair.ratio, (low, high))
    if not pair.ratio > 0:
        return ""
    ends = (1 / high, 1 / low) if low > 0 and high > 0 else (math.nan, math.nan)
    return ratio_words(1 / pair.ratio, ends)


def _without_size(one: MeasureComparison, of: str, other: str) -> str:
    counts = {name: one.method(name) for name in (of, other)}
    limits = [
        f"{held.censored} of {held.count} runs of {name} are only known as limits"
        for name, held in counts.items()
        if held is not None and held.censored
    ]
    return f"by an unknown amount ({joined_words(limits)})"


def _grounds(one: MeasureComparison, pair: Difference, measures: int) -> str:
    """Return p-value, test, and the runs behind it."""
    told = p_words(pair.p_corrected)
    if not one.primary and measures > 1:
        told += f" after correction for {measures} measures"
    held = by_method(one.used)
    counts = " + ".join(str(len(held.get(name, ()))) for name in (pair.first, pair.second))
    told += f", {pair.test}, {counts} runs"
    if one.design.kind != UNPAIRED:
        told += f" in {counted(len(one.design.blocks), 'block')}"
    return told


def _other(pair: Difference, method: str) -> str:
    return pair.second if pair.first == method else pair.first


def _size(one: MeasureComparison, pair: Difference) -> float:
    return pair.difference if math.isfinite(pair.difference) else math.inf


# Cannot tell


def _cannot_tell(one: MeasureComparison, settings: Settings, measures: int) -> str:
    known = [pair for pair in one.differences if not math.isnan(pair.p_value)]
    if len(known) == 1:
        return _cannot_tell_two(one, known[0], settings, measures)
    widest = min(known, key=lambda pair: pair.p_corrected)
    methods = sorted({name for pair in known for name in (pair.first, pair.second)})
    upper = widest.first if widest.direction > 0 else widest.second
    return (
        f"{one.measure.words}: the data cannot tell {joined_words(methods)} apart. The clearest "
        f"difference is {upper} over {_other(widest, upper)}: "
        f"{_by_how_much(one, widest, upper)}; {_grounds(one, widest, measures)}."
        f"{_design_words(one, widest, settings)}"
    )


def _cannot_tell_two(
    one: MeasureComparison, pair: Difference, settings: Settings, measures: int
) -> str:
    upper = pair.first if pair.direction > 0 else pair.second
    return (
        f"{one.measure.words}: the data cannot tell {pair.first} and {pair.second} apart; "
        f"with {upper} it is {_by_how_much(one, pair, upper)}; "
        f"{_grounds(one, pair, measures)}.{_design_words(one, pair, settings)}"
    )


def _design_words(one: MeasureComparison, pair: Difference, settings: Settings) -> str:
    """Return what this design could have seen, and how many runs a wanted difference needs."""
    if not math.isfinite(pair.detectable):
        return ""
    chance = percent_words(settings["power"])
    if one.scale == LOGARITHMIC:
        seen = f"a ratio of {significant(1 + pair.detectable, 3)}"
    else:
        level = abs(_level(one, pair))
        relative = f" ({percent_words(pair.detectable / level)} of the mean)" if level else ""
        amount = number(one.measure, pair.detectable, pair.detectable)
        seen = f"{amount} {unit_of(one.measure, difference=True)}{relative}"
    words = f" A true difference of {seen} would have been found with a chance of {chance}"
    wanted = percent_words(settings["wanted_difference"])
    if pair.runs_needed is None and pair.foreign_part > 0:
        return (
            f"{words}; no number of runs finds {wanted} of the mean as long as the methods' "
            "references have errors of their own."
        )
    if pair.runs_needed is None:
        return f"{words}; {wanted} of the mean would take over {settings['runs_searched']:g} runs."
    return f"{words}; to find {wanted} of the mean takes about {pair.runs_needed} runs a method."


def _level(one: MeasureComparison, pair: Difference) -> float:
    means = [_mean_of(one, pair, name) for name in (pair.first, pair.second)]
    return sum(means) / 2


# No comparison


def _confounded(one: MeasureComparison, settings: Settings, measures: int) -> str:
    held: dict[str, set[str]] = {}
    for point in one.used:
        held.setdefault(point.method, set()).add(point.block or "no stated block")
    places_of = "; ".join(
        f"{method}: {listed(sorted(blocks))}" for method, blocks in sorted(held.items())
    )
    words = (
        f"{one.measure.words}: confounded. No block holds runs of two methods ({places_of}), so a "
        "difference between methods cannot be told from one between blocks. Run every method in "
        "every block"
    )
    if len({point.block for point in one.used}) == len(one.used):
        words += "; if each run has a block of its own, leave block out of the sheets"
    return f"{words}."


def _too_few(one: MeasureComparison, settings: Settings, measures: int) -> str:
    counts = joined_words(
        [f"{len(points)} of {method}" for method, points in by_method(one.used).items()]
    )
    if all(held.count > 1 and held.spread <= AGREEMENT * abs(held.mean) for held in one.methods):
        why = "the runs of each method agree exactly, so no scatter is left to judge by"
    elif one.design.kind == UNPAIRED:
        why = "each method needs at least two runs, or no scatter can be seen"
    else:
        why = "once method and block are taken out no scatter is left to judge by"
    return f"{one.measure.words}: too few runs for a verdict ({counts}); {why}."


def _one_method(one: MeasureComparison, settings: Settings, measures: int) -> str:
    if not one.methods:
        return f"{one.measure.words}: not measured in any run that counts."
    held = one.methods[0]
    return f"{one.measure.words}: only {held.method} has it, {mean_words(one, held)}."


def mean_words(one: MeasureComparison, held: MethodMean) -> str:
    """Return a method's mean with its interval and number of runs."""
    low, high = held.interval
    unit = unit_of(one.measure)
    if not math.isfinite(held.mean):
        return f"no mean ({held.censored} of {held.count} runs are only known as limits)"
    told = f"{number(one.measure, held.mean, (high - low) / 2)} {unit}"
    if math.isfinite(high - low):
        told += f" (95 %: {interval_words(one.measure, held.interval)})"
    return f"{told}, {counted(held.count, 'run')}"


def _not_comparable(one: MeasureComparison, settings: Settings, measures: int) -> str:
    out = {point.method: point.left_out for point in one.points if point.left_out}
    told = "; ".join(f"{method}: {why}" for method, why in sorted(out.items()))
    return (
        f"{one.measure.words}: not comparable. After leaving out what is not the same quantity "
        f"({told}) fewer than two methods remain."
    )


def _apart(one: MeasureComparison) -> str:
    """Return which methods share no block with the ones compared."""
    if one.design.kind == UNPAIRED or len(one.design.groups) < 2:
        return ""
    if one.verdict == CONFOUNDED_VERDICT:
        return ""
    rest = [method for group in one.design.groups[1:] for method in group]
    return f" Confounded, and so not compared: {joined_words(rest)} (no block links them)."


# What limits the conclusion


def remarks_of(
    one: MeasureComparison,
    clean: MeasureComparison | None,
    marks: Sequence[Marked],
    without_outliers: MeasureComparison | None,
    settings: Settings,
) -> tuple[str, ...]:
    """Return what limits a conclusion, each a sentence.

    Parameters
    ----------
    one : MeasureComparison
    clean : MeasureComparison or None
        The same without the marked runs.
    marks : sequence of Mark
        That touch this measure.
    without_outliers : MeasureComparison or None
    settings : Settings

    Returns
    -------
    tuple of str
    """
    remarks = [
        *_mark_remarks(one, clean, marks),
        *_outlier_remarks(one, without_outliers, settings),
        *_missing_remarks(one),
        *_interval_remarks(one),
        *_dominance_remarks(one),
        *_rank_remarks(one, settings),
        *_block_remarks(one, settings),
        *_other_remarks(one, settings),
    ]
    return tuple(remarks)


def others_sentence(measures: Sequence[MeasureComparison]) -> str:
    """Return what is claimed of all measures but the primary, or ``""`` without any.

    Parameters
    ----------
    measures : sequence of MeasureComparison
        The primary first.

    Returns
    -------
    str
    """
    others = measures[1:]
    if not others:
        return ""
    claimed = [one for one in others if one.verdict in (WINS, DIFFER)]
    told = "; ".join(f"{one.measure.words} ({conclusion_words(one)})" for one in claimed)
    open_ones = sum(one.verdict == CANNOT_TELL for one in others)
    if not claimed and not open_ones:
        return f"No other measure could be compared ({len(others)})."
    head = f"Of {counted(len(others), 'other measure')}, corrected for their number, "
    if not claimed:
        head += "none is told apart"
    else:
        verb = "differs" if len(claimed) == 1 else "differ"
        head += f"{len(claimed)} {verb}: {told}"
    if claimed and open_ones:
        head += f". For {open_ones} the data cannot tell"
    silent = len(others) - len(claimed) - open_ones
    if silent:
        head += f"; {silent} could not be compared"
    return f"{head}."


def conclusion_words(one: MeasureComparison) -> str:
    """Return a verdict as short as can be, for "without them the conclusion is ..."."""
    if one.verdict == WINS:
        return f"{one.winner} wins"
    if one.verdict == DIFFER:
        told = [_ordered(one, pair) for pair in one.differences if pair.significant]
        return "; ".join(told)
    return one.verdict


MARK_WORDS: Mapping[str, str] = {
    "basis": "per gram of another basis",
    "version": "analysed with other versions",
    "qualification": "measured on an instrument that failed its check",
    "estimate-grade": "measured with a reference without published scale",
}


def _mark_remarks(
    one: MeasureComparison, clean: MeasureComparison | None, marks: Sequence[Marked]
) -> list[str]:
    told = []
    for kind, words in MARK_WORDS.items():
        names = [mark.run for mark in marks if mark.kind == kind]
        if not names:
            continue
        verb = "was" if len(names) == 1 else "were"
        if kind == "basis":
            told.append(f"Left out, because {words}: {listed(names)}.")
            continue
        told.append(f"{listed(names)} {verb} {words}.")
    doubtful = {mark.run for mark in marks if mark.kind != "basis"}
    if clean is not None and doubtful:
        head = "Without this run" if len(doubtful) == 1 else "Without these runs"
        told.append(_compared_words(head, one, clean))
    return told


def _compared_words(head: str, one: MeasureComparison, other: MeasureComparison) -> str:
    now, then = conclusion_words(one), conclusion_words(other)
    if now == then:
        return f"{head} the conclusion is the same."
    if other.verdict in (TOO_FEW, ONE_METHOD, NOT_COMPARABLE):
        return f"{head} there is nothing left to compare, so the conclusion rests on them."
    return f"{head} the conclusion would be: {then}."


def _outlier_remarks(
    one: MeasureComparison, other: MeasureComparison | None, settings: Settings
) -> list[str]:
    level = settings["outlier_significance"]
    out = [point for point in one.points if point.outlier_p < level]
    if not out:
        return []
    named = joined_words([f"{point.run} (Grubbs {p_words(point.outlier_p)})" for point in out])
    verb = "lies" if len(out) == 1 else "lie"
    words = f"{named} {verb} far from the other runs of the method and {_was(out)} kept."
    if other is not None:
        words += f" {_compared_words('Left out,', one, other)}"
    return [words]


def _was(out: Sequence[Point]) -> str:
    return "was" if len(out) == 1 else "were"


def _missing_remarks(one: MeasureComparison) -> list[str]:
    """Name runs without the measure: a mean of the others may be moved by what they lack."""
    if not one.missing or one.verdict not in (WINS, DIFFER, CANNOT_TELL):
        return []
    verb = "gives" if len(one.missing) == 1 else "give"
    return [
        f"{listed(one.missing)} {verb} no value. Where a run gives none because it holds little, "
        "the mean of the others is not that of all."
    ]


def _interval_remarks(one: MeasureComparison) -> list[str]:
    """Explain an interval that excludes no difference although nothing is claimed."""
    if one.verdict != CANNOT_TELL or one.primary:
        return []
    tempting = [
        pair
        for pair in one.differences
        if math.isfinite(pair.interval[0]) and pair.interval[0] * pair.interval[1] > 0
    ]
    if not tempting:
        return []
    pair = tempting[0]
    return [
        f"Looked at alone this difference would count ({p_words(pair.p_value)}); among so many "
        f"measures one like it comes up by chance ({p_words(pair.p_corrected)} corrected)."
    ]


def _dominance_remarks(one: MeasureComparison) -> list[str]:
    """Say what the uncertainty of the clearest difference comes from."""
    known = [pair for pair in one.differences if math.isfinite(pair.between_part)]
    if not known:
        if one.verdict in (WINS, DIFFER, CANNOT_TELL) and one.differences:
            return _unknown_parts(one)
        return []
    pair = min(known, key=lambda each: each.p_value)
    told = f"{_parts_words(one, pair)}: {_advice(pair)}"
    if pair.df < ROUGH_DF:
        told += f" With {pair.df:.1f} degrees of freedom this split is rough."
    return [told]


def _parts_words(one: MeasureComparison, pair: Difference) -> str:
    source = _largest_own(one, pair)
    measured = percent_words(pair.measurement_part) + (f" (mostly {source})" if source else "")
    shared = f"errors of references and instrument {percent_words(pair.shared_part)}"
    if pair.between_part > 0:
        return (
            "Of the variance of the difference, scatter between runs makes up "
            f"{percent_words(pair.between_part)}, the runs' own measurement {measured}, {shared}"
        )
    return (
        "The runs scatter no more than their own measurement explains. Of the variance of the "
        f"difference it makes up {measured}, {shared}"
    )


def _advice(pair: Difference) -> str:
    """Say what would narrow the difference; more runs average own errors, too."""
    if pair.foreign_part > ONE_SIDE:
        return "measure both methods in the same solvent with the same reference."
    if pair.shared_part > ONE_SIDE:
        return (
            "better references would help more than more runs. Such errors scale the difference "
            "and hardly touch the ratio."
        )
    if pair.measurement_part > ONE_SIDE:
        return "better or repeated measurement would help more than more runs."
    return "more runs would help more than better measurement."


def _unknown_parts(one: MeasureComparison) -> list[str]:
    if any(math.isnan(point.value.own) for point in one.used):
        return [
            "How much of the scatter is measurement is not known: the records do not part the "
            "uncertainty of this measure."
        ]
    return []


def _largest_own(one: MeasureComparison, pair: Difference) -> str:
    sources = [held.largest_own for name in (pair.first, pair.second) if (held := one.method(name))]
    return max(sorted(set(sources)), key=sources.count, default="")


def _rank_remarks(one: MeasureComparison, settings: Settings) -> list[str]:
    ranks, level = one.ranks, settings["significance"]
    if ranks is None or math.isnan(ranks.p_value) or not one.differences:
        return []
    if any(held.censored for held in one.methods):
        return []  # ranks are the test itself there
    if ranks.attainable_p >= level:
        return [
            f"A rank test ({ranks.name}) cannot reach p < {level:g} with so few runs: its smallest "
            f"p-value here is {ranks.attainable_p:.2g}."
        ]
    smallest = min(pair.p_value for pair in one.differences)
    agrees = (ranks.p_value < level) == (smallest < level)
    if one.primary or agrees:
        verb = "agrees" if agrees else "disagrees"
        told = f"The rank test ({ranks.name}) {verb}: {p_words(ranks.p_value)}"
        return [f"{told}." if one.primary else f"{told} before correction."]
    return [
        f"Before correction the rank test ({ranks.name}) gives {p_words(ranks.p_value)}, the test "
        f"above {p_words(smallest)}."
    ]


def _block_remarks(one: MeasureComparison, settings: Settings) -> list[str]:
    told = []
    if one.design.alone and one.design.kind != UNPAIRED:
        names = [one.used[at].run for at in one.design.alone]
        verb = "has" if len(names) == 1 else "have"
        told.append(f"{listed(names)} {verb} no partner in the block and say nothing about it.")
    if one.interaction_p < settings["significance"]:
        told.append(
            "The differences are not the same in all blocks (interaction "
            f"{p_words(one.interaction_p)}): what is stated is their mean over these blocks."
        )
    if len(one.differences) == 1 and one.design.kind != UNPAIRED:
        ignoring = one.differences[0].p_ignoring_blocks
        if math.isfinite(ignoring):
            kind = "pairs" if one.design.kind == PAIRED else "blocks"
            told.append(f"Welch's test without regard to {kind} gives {p_words(ignoring)}.")
    return told


def _other_remarks(one: MeasureComparison, settings: Settings) -> list[str]:
    told = []
    if one.scale == LOGARITHMIC:
        told.append(f"On a logarithmic scale ({one.scale_reason}); means are geometric.")
    censored = sum(held.censored for held in one.methods)
    if censored:
        told.append(
            f"{counted(censored, 'value')} {'is' if censored == 1 else 'are'} only known as a "
            "limit and counted as such, never as zero: means are by maximum likelihood, the test "
            "is by ranks."
        )
    if one.overall is not None and math.isfinite(one.overall.p_value):
        told.append(f"All methods at once: {one.overall.name}, {p_words(one.overall.p_value)}.")
    if math.isfinite(one.equal_scatter_p):
        told.append(
            "Tukey's test, which assumes that all methods scatter alike, gives "
            f"{p_words(one.equal_scatter_p)} for the clearest difference."
        )
    level = settings["outlier_significance"]
    quiet = [held.method for held in one.methods if held.scatter.p_deficit < level]
    if quiet and one.measure.family == "share":
        told.append(
            "Shares come from estimates that stop at zero, so that close to 100 % they scatter "
            "less than their stated uncertainty."
        )
    elif quiet:
        told.append(
            f"Runs of {joined_words(quiet)} agree better than their stated measurement "
            "uncertainty: that may be stated too large."
        )
    return told
