"""Runs side by side: which method is better, by how much, or that the data cannot tell."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from specfrac.compare.analysis import (
    CANNOT_TELL,
    DIFFER,
    WINS,
    MeasureComparison,
    Point,
    compare_measure,
    judged,
)
from specfrac.compare.charts import ControlChart, broken_words, control_chart
from specfrac.compare.limits import changed_limits
from specfrac.compare.measures import (
    REFERENCE_SOURCES,
    TOTAL,
    Measure,
    RunSummary,
    check_words,
    summarise_run,
    summary_of,
    unusable,
)
from specfrac.compare.sentences import measure_sentence, remarks_of
from specfrac.compare.wording import listed
from specfrac.errors import InputError, did_you_mean
from specfrac.flags import Flag, ranked
from specfrac.settings import Settings

if TYPE_CHECKING:
    import pandas as pd

    from specfrac.run import RunResult

SCALES = ("auto", "linear", "log")
UNQUALIFIED = "qualification-failed"  # the code `analyse` puts on a run
FAMILIES = ("extracted", "obtained", "recovery", "share", "conversion", "closure")


@dataclass(frozen=True, slots=True)
class Mark:
    """Why a run is less comparable than the others.

    Attributes
    ----------
    run : str
    kind : str
        ``"basis"``, ``"version"``, ``"settings"``, ``"qualification"`` or
        ``"estimate-grade"``.
    words : str
    """

    run: str
    kind: str
    words: str


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Methods compared over runs.

    Attributes
    ----------
    runs : tuple of RunSummary
        That take part, by date and name.
    methods, blocks : tuple of str
        In alphabetical order.
    measures : tuple of MeasureComparison
        The primary one first.
    primary_reason : str
        Why the primary measure is the primary one.
    marks : tuple of Mark
    charts : tuple of ControlChart
    flags : tuple of Flag
        Worst first.
    settings : Settings
    """

    runs: tuple[RunSummary, ...]
    methods: tuple[str, ...]
    blocks: tuple[str, ...]
    measures: tuple[MeasureComparison, ...]
    primary_reason: str
    marks: tuple[Mark, ...]
    charts: tuple[ControlChart, ...]
    flags: tuple[Flag, ...]
    settings: Settings

    @property
    def primary(self) -> MeasureComparison:
        """The measure that decides."""
        return self.measures[0]

    @property
    def sentences(self) -> tuple[str, ...]:
        """One plain sentence a measure, the primary first."""
        return tuple(one.sentence for one in self.measures)

    def measure(self, key: str) -> MeasureComparison | None:
        """Return the comparison of one measure by key, or None."""
        return next((one for one in self.measures if one.measure.key == key), None)

    def record(self) -> dict[str, Any]:
        """Return everything as plain data, as ``comparison.json`` holds it."""
        from specfrac.compare.tables import comparison_record

        return comparison_record(self)

    def runs_frame(self) -> pd.DataFrame:
        """Return a row a run."""
        from specfrac.compare.tables import runs_frame

        return runs_frame(self)

    def values_frame(self) -> pd.DataFrame:
        """Return a row a run and measure."""
        from specfrac.compare.tables import values_frame

        return values_frame(self)

    def methods_frame(self) -> pd.DataFrame:
        """Return a row a measure and method."""
        from specfrac.compare.tables import methods_frame

        return methods_frame(self)

    def differences_frame(self) -> pd.DataFrame:
        """Return a row a measure and pair of methods."""
        from specfrac.compare.tables import differences_frame

        return differences_frame(self)

    def charts_frame(self) -> pd.DataFrame:
        """Return a row a chart and point."""
        from specfrac.compare.tables import charts_frame

        return charts_frame(self)

    def _repr_html_(self) -> str:
        from specfrac.compare.page import notebook_html

        return notebook_html(self)


def compare_runs(
    runs: Iterable[RunResult | RunSummary | Mapping[str, Any]],
    *,
    primary: str | None = None,
    scale: str = "auto",
    settings: Mapping[str, float] | None = None,
) -> Comparison:
    """Compare the methods of several runs, measure by measure.

    The unit is the run. Methods are compared within blocks where runs state blocks, and
    not at all where no chain of blocks links them.

    Parameters
    ----------
    runs : iterable of RunResult, RunSummary or mapping
        Analysed runs, what `read_record` returns, or records as plain data. Taken one at
        a time, so that a generator keeps memory small.
    primary : str, optional
        Key of the measure that decides, e.g. ``"extracted:beta-carotene"``; choose it
        before you look. By default the target pigment extracted per gram of tissue.
    scale : str
        Of masses per gram: ``"linear"``, ``"log"``, or ``"auto"`` for logarithmic where
        the spread clearly grows with the level.
    settings : mapping of str to float, optional
        Changes to ``limits.csv``, e.g. ``{"wanted_difference": 0.2}``.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        If there is no run with a method, nothing to compare, or an option is not known.
    """
    if scale not in SCALES:
        raise InputError(f"scale is {scale!r}. {did_you_mean(scale, SCALES)}")
    limits = changed_limits(settings or {})
    summaries, flags = _taking_part(_summary(run, at) for at, run in enumerate(runs, start=1))
    summaries = _by_library(summaries)
    keys = _keys(summaries)
    if not keys:
        raise InputError(
            "the runs share no measure: no masses, recoveries or shares were found in them."
        )
    first, reason = _primary(summaries, keys, primary)
    keys = {first: keys[first], **{key: one for key, one in keys.items() if key != first}}
    marks, mark_flags = _marks(summaries)
    whole = _compared(summaries, keys, first, scale, limits)
    clean = _without_marked(summaries, marks, keys, first, scale, limits)
    measures = tuple(
        _worded(one, clean.get(one.measure.key), marks, whole, scale, limits) for one in whole
    )
    charts = _charts(summaries, limits)
    flags += [
        *mark_flags,
        *_measure_flags(measures, limits),
        *_chart_flags(summaries, charts, limits),
    ]
    return Comparison(
        runs=summaries,
        methods=tuple(sorted({one.method for one in summaries})),
        blocks=tuple(sorted({one.block for one in summaries if one.block})),
        measures=measures,
        primary_reason=reason,
        marks=marks,
        charts=charts,
        flags=ranked(flags),
        settings=limits,
    )


# Runs


def _summary(run: Any, number: int) -> RunSummary:
    if isinstance(run, RunSummary):
        return run
    if isinstance(run, Mapping):
        title = (run.get("run") or {}).get("title") if isinstance(run.get("run"), Mapping) else ""
        return summarise_run(run, name=title or f"run {number}")
    if hasattr(run, "fractions") and hasattr(run, "balance"):
        return summary_of(run)
    raise InputError(
        f"run {number} is {type(run).__name__}. Give analysed runs, or records read with "
        "specfrac.compare.read_record."
    )


def _taking_part(
    given: Iterable[RunSummary],
) -> tuple[tuple[RunSummary, ...], list[Flag]]:
    """Return the runs that count, once each, under names of their own."""
    flags: list[Flag] = []
    kept: list[RunSummary] = []
    seen: dict[object, str] = {}
    for one in given:
        flag = unusable(one)
        if flag is not None:
            flags.append(flag)
            continue
        digests = _fingerprint(one)
        if digests and digests in seen:
            message = f"{one.name} is the same run as {seen[digests]} (same files); it counts once."
            flags.append(Flag("same-run-twice", message))
            continue
        seen[digests] = one.name
        kept.append(one)
    if not kept:
        raise InputError(
            "there is no run to compare. Give at least one analysed run whose sheet names a method."
        )
    kept.sort(key=lambda one: (one.date or "9999", one.name))
    names: Counter[str] = Counter()
    for at, one in enumerate(kept):
        names[one.name] += 1
        if names[one.name] > 1:
            kept[at] = replace(one, name=f"{one.name} ({names[one.name]})")
    flags += _alike(kept)
    return tuple(kept), flags


def _by_library(runs: tuple[RunSummary, ...]) -> tuple[RunSummary, ...]:
    """Return the runs with errors of references named by library, when libraries differ.

    Another library may hold another scale or shape, so its errors do not cancel.
    """
    if len({one.library_version for one in runs}) < 2:
        return runs

    def named(source: str, one: RunSummary) -> str:
        own = source.startswith(REFERENCE_SOURCES)
        return f"{source}, library {one.library_version}" if own else source

    return tuple(
        replace(
            one,
            values={
                key: replace(
                    value, shared=tuple((named(name, one), part) for name, part in value.shared)
                )
                for key, value in one.values.items()
            },
        )
        for one in runs
    )


def _fingerprint(one: RunSummary) -> object:
    """Return the digests of the run's own scans and sheet, without its record."""
    return tuple(
        sorted(digest.sha256 for digest in one.inputs if not digest.path.endswith(".json"))
    )


def _alike(runs: Sequence[RunSummary]) -> list[Flag]:
    spellings: dict[str, list[str]] = {}
    for method in sorted({one.method for one in runs}):
        spellings.setdefault("".join(filter(str.isalnum, method.casefold())), []).append(method)
    return [
        Flag(
            "similar-method-names",
            f"{' and '.join(map(repr, alike))} count as different methods. "
            "If they are one, write them alike in the sheets.",
        )
        for alike in spellings.values()
        if len(alike) > 1
    ]


# Measures


def _keys(runs: Sequence[RunSummary]) -> dict[str, Measure]:
    """Return every measure that some run has, in a fixed order."""
    found: dict[str, Measure] = {}
    for one in runs:
        found.update({key: measure for key, measure in one.measures.items() if key not in found})
    order = {family: at for at, family in enumerate(FAMILIES)}
    position = {key: at for at, key in enumerate(found)}
    return dict(sorted(found.items(), key=lambda item: (order[item[1].family], position[item[0]])))


def _primary(
    runs: Sequence[RunSummary], keys: Mapping[str, Measure], wanted: str | None
) -> tuple[str, str]:
    if wanted is not None:
        if wanted not in keys:
            raise InputError(
                f"the primary measure {wanted!r} is in no run. {did_you_mean(wanted, keys)}"
            )
        return wanted, "declared by you"
    targets = Counter(one.target for one in runs if one.target)
    choices = []
    if targets:
        target = min(targets, key=lambda name: (-targets[name], name))
        choices.append((f"extracted:{target}", "the runs' target pigment"))
        choices.append(("obtained", "the runs' target pigment"))
    choices.append((f"extracted:{TOTAL}", "the runs name no target pigment"))
    for key, reason in choices:
        if key in keys:
            return key, f"by default ({reason}); none was declared"
    return next(iter(keys)), "by default (the first there is); none was declared"


def _points(runs: Sequence[RunSummary], measure: Measure, basis: str | None) -> list[Point]:
    points = []
    for one in runs:
        value = one.values.get(measure.key)
        if value is None:
            continue
        other = measure.per_gram and one.tissue_basis is not None and one.tissue_basis != basis
        why = f"{one.tissue_basis} weight, the others {basis}" if other else ""
        points.append(Point(one.name, one.method, one.block, value, why))
    return points


def usual_basis(runs: Sequence[RunSummary]) -> str | None:
    """Return the basis most runs have; fresh when as many have the other."""
    stated = Counter(one.tissue_basis for one in runs if one.tissue_basis)
    return min(stated, key=lambda name: (-stated[name], name != "fresh"), default=None)


def _compared(
    runs: Sequence[RunSummary],
    keys: Mapping[str, Measure],
    primary: str,
    scale: str,
    limits: Settings,
) -> tuple[MeasureComparison, ...]:
    basis = usual_basis(runs)
    runs = sorted(runs, key=lambda one: (one.method, one.block, one.date or "", one.name))
    found = [
        compare_measure(
            measure,
            _points(runs, measure, basis),
            limits,
            missing=[one.name for one in runs if key not in one.values],
            primary=key == primary,
            scale=scale,
        )
        for key, measure in keys.items()
    ]
    return judged(found, limits)


# Comparability


def _marks(runs: Sequence[RunSummary]) -> tuple[tuple[Mark, ...], list[Flag]]:
    """Return which runs are less comparable than the others, and flags that say so."""
    marks: list[Mark] = []
    flags: list[Flag] = []
    basis = usual_basis(runs)
    others = [one for one in runs if one.tissue_basis and one.tissue_basis != basis]
    marks += [Mark(one.name, "basis", f"{one.tissue_basis} weight") for one in others]
    if others:
        message = (
            f"{listed([one.name for one in others])} {'states' if len(others) == 1 else 'state'} "
            f"{others[0].tissue_basis} weight, the other runs {basis} weight: left out of what is "
            "counted per gram."
        )
        flags.append(Flag("other-basis", message))
    silent = [one.name for one in runs if not one.tissue_basis]
    if silent and any(key in one.values for one in runs for key in _per_gram(one)):
        message = f"no tissue_basis (fresh or dry) is stated in {listed(silent)}."
        flags.append(Flag("basis-not-stated", message))
    version_marks, version_flags = _versions(runs)
    marks += version_marks
    flags += version_flags
    failed = [one.name for one in runs if UNQUALIFIED in one.flag_codes]
    marks += [Mark(name, "qualification", "instrument not qualified") for name in failed]
    if failed:
        flags.append(
            Flag(UNQUALIFIED, f"the instrument failed its last check for {listed(failed)}.")
        )
    marks += [
        Mark(one.name, "estimate-grade", f"{mark} in the target cut")
        for one in runs
        for mark in dict.fromkeys(mark for value in one.values.values() for mark in value.marks)
    ]
    return tuple(marks), [*flags, *_settings_flags(runs), *_target_flags(runs)]


def _per_gram(one: RunSummary) -> list[str]:
    return [key for key, measure in one.measures.items() if measure.per_gram]


def _versions(runs: Sequence[RunSummary]) -> tuple[list[Mark], list[Flag]]:
    marks, flags = [], []
    for attribute, words in (
        ("library_version", "reference library"),
        ("program_version", "specfrac"),
    ):
        found = Counter(getattr(one, attribute) for one in runs)
        if len(found) < 2:
            continue
        usual = max(found, key=lambda name: (found[name], name))
        odd = [one for one in runs if getattr(one, attribute) != usual]
        marks += [Mark(one.name, "version", f"{words} {getattr(one, attribute)}") for one in odd]
        message = (
            f"{listed([one.name for one in odd])} {'was' if len(odd) == 1 else 'were'} analysed "
            f"with another version than {words} {usual} of the other runs. Analyse all runs again "
            "with one version."
        )
        flags.append(Flag("other-versions", message))
    return marks, flags


def _settings_flags(runs: Sequence[RunSummary]) -> list[Flag]:
    usual = dict(Counter(one.settings for one in runs).most_common(1)[0][0])
    odd: dict[str, list[str]] = {}
    for one in runs:
        for key, value in one.settings:
            if usual.get(key) != value:
                odd.setdefault(key, []).append(one.name)
    return [
        Flag(
            "other-settings",
            f"{key} is not {usual.get(key)} as in the other runs: {listed(names)}.",
        )
        for key, names in odd.items()
    ]


def _target_flags(runs: Sequence[RunSummary]) -> list[Flag]:
    targets = sorted({one.target for one in runs if one.target})
    if len(targets) < 2:
        return []
    message = (
        f"the runs are after {' and '.join(targets)}: what is obtained, recovered and the share of "
        "the target are not the same thing in all of them."
    )
    return [Flag("other-target", message)]


def applies(mark: Mark, measure: Measure) -> bool:
    """Return whether a mark touches a measure."""
    if mark.kind == "basis":
        return measure.per_gram
    if mark.kind == "estimate-grade":
        return measure.family == "share"
    return True


def _without_marked(
    runs: Sequence[RunSummary],
    marks: Sequence[Mark],
    keys: Mapping[str, Measure],
    primary: str,
    scale: str,
    limits: Settings,
) -> dict[str, MeasureComparison]:
    """Return every measure that a mark touches, compared again without the marked runs."""
    touched = [mark for mark in marks if mark.kind != "basis"]  # those are left out already
    if not touched:
        return {}
    basis = usual_basis(runs)
    ordered = sorted(runs, key=lambda one: (one.method, one.block, one.date or "", one.name))
    found = []
    for key, measure in keys.items():
        out = {mark.run for mark in touched if applies(mark, measure)}
        points = [point for point in _points(ordered, measure, basis) if point.run not in out]
        found.append(compare_measure(measure, points, limits, primary=key == primary, scale=scale))
    return {
        one.measure.key: one
        for one in judged(found, limits)
        if any(applies(mark, one.measure) for mark in touched)
    }


def _worded(
    one: MeasureComparison,
    clean: MeasureComparison | None,
    marks: Sequence[Mark],
    everything: Sequence[MeasureComparison],
    scale: str,
    limits: Settings,
) -> MeasureComparison:
    """Return the comparison with its sentence and remarks."""
    present = {point.run for point in one.points}
    concerned = [mark for mark in marks if applies(mark, one.measure) and mark.run in present]
    remarks = remarks_of(one, clean, concerned, _without_outliers(one, scale, limits), limits)
    sentence = measure_sentence(one, limits, measures=sum(not each.primary for each in everything))
    return replace(one, sentence=sentence, remarks=remarks)


def _without_outliers(
    one: MeasureComparison, scale: str, limits: Settings
) -> MeasureComparison | None:
    """Return the measure compared without its outlying runs, or None when there are none.

    The correction for the number of measures stays the one it was.
    """
    level = limits["outlier_significance"]
    out = {point.run for point in one.points if point.outlier_p < level}
    if not out or one.verdict not in (WINS, DIFFER, CANNOT_TELL):
        return None
    rest = [point for point in one.points if point.run not in out]
    return compare_measure(one.measure, rest, limits, primary=one.primary, scale=scale)


def _measure_flags(measures: Sequence[MeasureComparison], limits: Settings) -> list[Flag]:
    flags: list[Flag] = []
    primary = measures[0]
    if primary.verdict == "confounded":
        flags.append(Flag("confounded", "no block holds runs of two methods: nothing is compared."))
    alone = [primary.used[at] for at in primary.design.alone]
    without = [point.run for point in alone if not point.block]
    if without and primary.design.blocks:
        message = f"no block is stated in {listed(without)}; within blocks they say nothing."
        flags.append(Flag("run-without-block", message))
    level = limits["outlier_significance"]
    far = [point.run for point in primary.points if point.outlier_p < level]
    if far:
        message = f"{primary.measure.words}: {listed(far)} lies far from its method; it was kept."
        flags.append(Flag("outlying-run", message))
    missing = [one for one in measures if one.missing]
    if missing:
        message = "; ".join(
            f"{one.measure.words}: {listed(one.missing)}" for one in missing[:3]
        ) + (f"; {len(missing) - 3} more measures" if len(missing) > 3 else "")
        flags.append(Flag("missing-values", f"not in all runs: {message}."))
    return flags


# Over time


def _charts(runs: Sequence[RunSummary], limits: Settings) -> tuple[ControlChart, ...]:
    """Return control charts of stable checks, closures and the ratio of chlorophylls."""
    series: dict[str, list[tuple[str, str, str, float]]] = {}
    for one in runs:
        if one.date is None:
            continue
        numbers = dict(one.checks)
        for key in ("closure:coloured-pigment", "closure:carotenoids", "closure:porphyrins"):
            if key in one.values and not one.values[key].bound:
                numbers[key] = one.values[key].value
        for key, value in numbers.items():
            series.setdefault(key, []).append((one.date, one.name, one.method, value))
    order = sorted(series, key=lambda key: (not key.startswith("check:"), key))
    charts = [control_chart(key, *check_words(key), series[key], limits) for key in order]
    return tuple(chart for chart in charts if chart is not None)


def _broken_message(chart: ControlChart, limits: Settings) -> str:
    runs = [point.run for point in chart.points if point.broken]
    return f"{chart.words}: {broken_words(chart.points, limits)}: {listed(runs)}."


def _chart_flags(
    runs: Sequence[RunSummary], charts: Sequence[ControlChart], limits: Settings
) -> list[Flag]:
    flags = [
        Flag("out-of-control", _broken_message(chart, limits))
        for chart in charts
        if any(point.broken for point in chart.points)
    ]
    undated = [one.name for one in runs if one.date is None]
    if undated and charts:
        flags.append(Flag("not-charted", f"no date is stated in {listed(undated)}."))
    return flags
