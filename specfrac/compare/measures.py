"""What is compared: one number a run and measure, taken from the run's record.

Repeat scans, dilutions and tubes are parts of a run and are already summed up in its
record. What each number's uncertainty shares with other runs (the absorptivity and band
shape of a reference, the photometer, the cuvette) is kept apart from what is the run's
own (noise, volumes, dilutions, weighing): the first does not average out over runs, and
the second does.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from specfrac.errors import InputError
from specfrac.flags import Flag
from specfrac.names import spoken
from specfrac.quantities import GAIN, LOADED_VOLUME, PATH_LENGTH, SHAPE

if TYPE_CHECKING:
    from specfrac.run import RunResult

Record = Mapping[str, Any]

KNOWN_FORMAT = 1

NOT_PARTED = "measurement, not parted in the record"
# Sources of uncertainty that two runs have in common, by the start of their name. One
# photometer and one cuvette for all runs is an assumption; it widens absolute values.
REFERENCE_SOURCES = ("absorptivity", "absorptivities", SHAPE, NOT_PARTED)
SHARED_SOURCES = ("absorptivity", "absorptivities", SHAPE, GAIN, PATH_LENGTH)

HIGHER, LOWER, NEITHER = "higher", "lower", ""

SINGLE_PORPHYRINS = ("chlorophyll", "pheophytin")
OFF_THE_COLUMN = ("cut", "wash")
CAROTENOID_FAMILIES = ("carotene", "xanthophyll")
TOTAL = "coloured-pigment"


@dataclass(frozen=True, slots=True)
class Measure:
    """One thing that is compared.

    Attributes
    ----------
    key : str
        E.g. ``"extracted:lutein"``.
    family : str
        ``"extracted"``, ``"obtained"``, ``"share"``, ``"recovery"``, ``"closure"`` or
        ``"conversion"``.
    words : str
        In words, to begin a sentence with.
    unit : str
        ``"µg/g"`` or ``""`` for a fraction of one.
    better : str
        ``"higher"``, ``"lower"``, or ``""`` where neither is.
    """

    key: str
    family: str
    words: str
    unit: str
    better: str

    @property
    def per_gram(self) -> bool:
        """Whether it depends on fresh or dry weight; such masses may go on a log scale."""
        return self.unit == "µg/g"


@lru_cache(maxsize=1024)
def _measure(key: str, family: str, words: str, unit: str, better: str) -> Measure:
    """Return the same object for the same measure: hundreds of runs have it."""
    return Measure(key, family, words, unit, better)


@dataclass(frozen=True, slots=True)
class Value:
    """A measure in one run.

    Attributes
    ----------
    value : float
        Unconstrained estimate, or the limit where `bound` says so.
    own : float
        Standard uncertainty of the run's own measurement; NaN when not known.
    shared : tuple of (str, float)
        Source and contribution of what other runs share.
    largest_own : str
        Name of the largest own source, or ``""``.
    bound : str
        ``"below"`` or ``"above"`` when the true value is only known to lie there.
    detection_limit : float
        In the unit of the measure; NaN when there is none.
    marks : tuple of str
        What makes this value less comparable, e.g. ``"estimate-grade reference"``.
    """

    value: float
    own: float
    shared: tuple[tuple[str, float], ...] = ()
    largest_own: str = ""
    bound: str = ""
    detection_limit: float = math.nan
    marks: tuple[str, ...] = ()

    @property
    def shared_uncertainty(self) -> float:
        """Standard uncertainty of what other runs share."""
        return math.sqrt(sum(part * part for _, part in self.shared))


@dataclass(frozen=True, slots=True)
class InputDigest:
    """A file behind a run.

    Attributes
    ----------
    path, sha256 : str
        Path relative to what the record or the reader calls the run.
    """

    path: str
    sha256: str


@dataclass(frozen=True, slots=True, eq=False)
class RunSummary:
    """What a comparison keeps of one run.

    Attributes
    ----------
    name : str
    title, method, block : str
        ``""`` when not given.
    date : str or None
        ISO 8601.
    tissue_basis : str or None
    target : str or None
        Pigment or pool the run is after.
    library_version, program_version : str
    settings : tuple of (str, float)
        That the analysis used.
    values : mapping of str to Value
        By key of the measure.
    measures : mapping of str to Measure
    checks : mapping of str to float
        Series for control charts: stable checks, ratio of chlorophylls.
    inputs : tuple of InputDigest
        The record itself first when it was read from a file, then what it names.
    flag_codes : tuple of str
        Of the run, its tubes and its instrument.
    """

    name: str
    title: str
    method: str
    block: str
    date: str | None
    tissue_basis: str | None
    target: str | None
    library_version: str
    program_version: str
    settings: tuple[tuple[str, float], ...]
    values: Mapping[str, Value]
    measures: Mapping[str, Measure]
    checks: Mapping[str, float]
    inputs: tuple[InputDigest, ...]
    flag_codes: tuple[str, ...]


def summarise_run(
    record: Record, *, name: str = "", inputs: Sequence[InputDigest] = ()
) -> RunSummary:
    """Return what a comparison needs of a run's record; the record can then be let go.

    Parameters
    ----------
    record : mapping
        As `specfrac.records.run_record` makes it and ``result.json`` holds it.
    name : str
        What to call the run; its title by default.
    inputs : sequence of InputDigest
        Files the record itself came from.

    Returns
    -------
    RunSummary

    Raises
    ------
    InputError
        If the record is no record of a run, or of a later format.
    """
    _checked(record, name or "record")
    head = record["run"]
    measures: dict[str, tuple[Measure, Value]] = {}
    loaded = _loaded(record)
    target = head.get("target_pigment")
    if loaded is not None:
        measures.update(_extracted(loaded, record))
    measures.update(_closures(record))
    measures.update(_conversions(record))
    if target:
        measures.update(_target_measures(record, target))
    return RunSummary(
        name=name or head.get("title") or "run",
        title=head.get("title") or "",
        method=" ".join((head.get("method") or "").split()),
        block=" ".join((head.get("block") or "").split()),
        date=head.get("date"),
        tissue_basis=head.get("tissue_basis"),
        target=target,
        library_version=str(record.get("library_version") or ""),
        program_version=str(record.get("specfrac_version") or ""),
        settings=tuple(sorted((record.get("settings") or {}).items())),
        values={key: value for key, (_, value) in measures.items()},
        measures={key: measure for key, (measure, _) in measures.items()},
        checks=_checks(record, loaded),
        inputs=(
            *inputs,
            *(InputDigest(one["path"], one["sha256"]) for one in record.get("inputs") or ()),
        ),
        flag_codes=_flag_codes(record),
    )


def summary_of(result: RunResult) -> RunSummary:
    """Return the summary of an analysed run."""
    from specfrac.records import run_record

    return summarise_run(run_record(result), name=result.run.folder.name)


def _checked(record: Record, where: str) -> None:
    if not isinstance(record, Mapping) or not {"format", "run", "fractions"} <= set(record):
        raise InputError(
            f"{where}: this is not the record of a run. Give the result.json that "
            "`specfrac analyse` wrote."
        )
    number = record["format"]
    if not isinstance(number, int) or not 1 <= number <= KNOWN_FORMAT:
        raise InputError(
            f"{where}: the record has format {number!r}, but this version reads formats 1 to "
            f"{KNOWN_FORMAT}. Analyse the run again, or use a newer version."
        )
    if not isinstance(record["run"], Mapping) or not isinstance(record["fractions"], list):
        raise InputError(f"{where}: run or fractions of the record are damaged. Analyse it again.")


def _loaded(record: Record) -> Record | None:
    return next((one for one in record["fractions"] if one.get("role") == "loaded"), None)


def _flag_codes(record: Record) -> tuple[str, ...]:
    flags = [*(record["run"].get("flags") or ()), *(record.get("instrument") or ())]
    for one in record["fractions"]:
        flags += one.get("flags") or ()
    return tuple(dict.fromkeys(flag["code"] for flag in flags))


# Uncertainty: own and shared


@dataclass(frozen=True, slots=True)
class _Parts:
    own: float
    shared: tuple[tuple[str, float], ...]
    largest_own: str


def parted(budget: Mapping[str, float | None], place: str) -> _Parts:
    """Part a budget into what is a run's own and what other runs share.

    Parameters
    ----------
    budget : mapping of str to float
        Contribution of each source.
    place : str
        Where the tube or tubes were measured (their solvents): the band shapes of two
        solvents are two errors.
    """
    own: dict[str, float] = {}
    shared: dict[str, float] = {}
    for source, part in budget.items():
        if source.startswith(SHARED_SOURCES):
            name = sys.intern(f"{source} in {place}" if source == SHAPE else source)
            shared[name] = math.nan if part is None else abs(part)
        else:
            own[source] = math.nan if part is None else abs(part)
    size = math.sqrt(sum(part * part for part in own.values()))
    largest = max(own, key=lambda source: own[source], default="")
    return _Parts(size, tuple(shared.items()), sys.intern(largest))


def _number(given: Any) -> float:
    return (
        float(given) if isinstance(given, int | float) and not isinstance(given, bool) else math.nan
    )


def _value(
    value: Any,
    uncertainty: Any,
    budget: Mapping[str, float | None] | None,
    place: str,
    **more: Any,
) -> Value | None:
    """Return a value, or None when there is none.

    Without a budget the whole uncertainty counts as shared: it then widens absolute
    values, and the scatter between runs is taken as it is seen.
    """
    number = _number(value)
    if not math.isfinite(number):
        return None
    if budget:
        parts = parted(budget, place)
        return Value(number, parts.own, parts.shared, parts.largest_own, **more)
    size = _number(uncertainty)
    shared = ((f"{NOT_PARTED} ({place})", size),) if math.isfinite(size) else ()
    return Value(number, math.nan, shared, "", **more)


# Measures of a run

_Found = dict[str, tuple[Measure, Value]]


def _extracted(loaded: Record, record: Record) -> _Found:
    """Return µg per g of tissue in the extract, of each pigment, pool and of all."""
    place = str(loaded.get("solvent") or "")
    pigments = loaded.get("pigments") or []
    factor = _per_gram_factor(pigments)
    found: _Found = {}
    for row in [*(loaded.get("groups") or []), *pigments]:
        key = row.get("pigment") or row.get("group")
        if row.get("merged") or key is None:
            continue
        value = _value(
            row.get("content_ug_per_g"),
            row.get("content_standard_uncertainty_ug_per_g"),
            row.get("content_budget_ug_per_g"),
            place,
            detection_limit=_number(row.get("detection_limit_mg_per_L")) * factor,
        )
        if value is not None:
            found[f"extracted:{key}"] = (_extracted_measure(key), value)
    total = _total_extracted(loaded, record, found, place)
    if total is not None:
        found[f"extracted:{TOTAL}"] = (_extracted_measure(TOTAL), total)
    return found


def _extracted_measure(key: str) -> Measure:
    return _measure(f"extracted:{key}", "extracted", f"{name_of(key)} extracted", "µg/g", HIGHER)


NAMES = {
    "chlorophyll-a-pool": "chlorophyll a with its pheophytin",
    "chlorophyll-b-pool": "chlorophyll b with its pheophytin",
    "porphyrins": "all chlorophylls and pheophytins",
    "coloured pigment": "all coloured pigment",
    TOTAL: "all coloured pigment",
    "carotenoids": "all carotenoids",
}


def name_of(key: str) -> str:
    """Return a pigment or pool in words.

    Examples
    --------
    >>> name_of("pheophytin-a"), name_of("carotenoids")
    ('pheophytin a', 'all carotenoids')
    """
    return NAMES.get(key) or spoken(key)


def _per_gram_factor(pigments: Iterable[Record]) -> float:
    """Return µg/g for each mg/L of the extract: the same for all pigments of a tube."""
    best = max(
        (row for row in pigments if row.get("content_ug_per_g") is not None),
        key=lambda row: abs(_number(row.get("concentration_unconstrained_mg_per_L"))),
        default=None,
    )
    if best is None:
        return math.nan
    concentration = _number(best["concentration_unconstrained_mg_per_L"])
    return _number(best["content_ug_per_g"]) / concentration if concentration else math.nan


def _total_extracted(loaded: Record, record: Record, found: _Found, place: str) -> Value | None:
    """Return the sum over the pigments; its budget is that of the tube's total mass.

    The mass is c V and the content c V (extract / loaded) / tissue, so that the loaded
    volume drops out where it is not the extract volume itself.
    """
    keys = [row["pigment"] for row in loaded.get("pigments") or []]
    mass = _number(loaded.get("mass_ug"))
    if not keys or any(f"extracted:{key}" not in found for key in keys) or not mass > 0:
        return None
    value = sum(found[f"extracted:{key}"][1].value for key in keys)
    head = record["run"]
    budget = {
        source: (math.nan if part is None else part) * value / mass
        for source, part in (loaded.get("mass_budget_ug") or {}).items()
        if head.get("all_loaded") or source != LOADED_VOLUME
    }
    for field, source in (("tissue_mass", "g"), ("extract_volume", "ml")):
        if field == "extract_volume" and head.get("all_loaded"):
            continue
        relative = _number(head.get(f"{field}_standard_uncertainty_{source}")) / _number(
            head.get(f"{field}_{source}")
        )
        budget[field.replace("_", " ")] = abs(value * relative)
    return _value(value, None, budget, place)


def _closures(record: Record) -> _Found:
    """Return found over loaded of pools, and of single pigments that are not made or lost."""
    balance = record.get("balance") or {}
    place = ", ".join(sorted({str(one.get("solvent")) for one in record["fractions"]}))
    found: _Found = {}
    for row in balance.get("rows") or ():
        name = row["name"]
        if row["kind"] == "pigment" and name.startswith(SINGLE_PORPHYRINS):
            continue
        value = _value(
            row.get("closure"),
            row.get("closure_standard_uncertainty"),
            row.get("closure_budget"),
            place,
            bound="above" if row.get("lower_bound") else "",
        )
        if value is not None:
            key = f"closure:{name.replace(' ', '-')}"
            words = f"closure of {name_of(name)}"
            found[key] = (_measure(key, "closure", words, "", NEITHER), value)
    return found


def _conversions(record: Record) -> _Found:
    balance = record.get("balance") or {}
    place = ", ".join(sorted({str(one.get("solvent")) for one in record["fractions"]}))
    found: _Found = {}
    for row in balance.get("porphyrins") or ():
        value = _value(
            row.get("conversion"),
            row.get("conversion_standard_uncertainty"),
            row.get("conversion_budget"),
            place,
        )
        if value is not None:
            key = f"conversion:{row['kind']}"
            words = f"chlorophyll {row['kind']} turned to pheophytin"
            found[key] = (_measure(key, "conversion", words, "", LOWER), value)
    return found


def _target_measures(record: Record, target: str) -> _Found:
    """Return yield, recovery and share of the target in the tube that holds most of it."""
    tubes = [
        (row, one)
        for one in record["fractions"]
        if one.get("role") in OFF_THE_COLUMN and (row := _row_of(one, target)) is not None
    ]
    if not tubes:
        return {}
    row, tube = max(tubes, key=lambda pair: _held(pair[0]))
    place = str(tube.get("solvent") or "")
    unscaled = any(flag["code"] == "estimate-grade" for flag in tube.get("flags") or ())
    marks = ("estimate-grade reference",) if unscaled else ()
    words = name_of(target)
    loaded = _loaded(record)
    across = f"{place}, {loaded.get('solvent')}" if loaded else place
    purity = tube.get("purity") or {}
    share, share_u, share_budget = _share_of(purity, row)
    candidates = (
        (
            _measure("obtained", "obtained", f"{words} obtained in the target cut", "µg/g", HIGHER),
            _value(
                row.get("content_ug_per_g"),
                row.get("content_standard_uncertainty_ug_per_g"),
                row.get("content_budget_ug_per_g"),
                place,
            ),
        ),
        (
            _measure("recovery", "recovery", f"recovery of {words} in the target cut", "", HIGHER),
            _value(
                row.get("recovery"),
                row.get("recovery_standard_uncertainty"),
                row.get("recovery_budget"),
                across,
            ),
        ),
        (
            _measure(
                "share", "share", f"share of {words} in the pigment of the target cut", "", HIGHER
            ),
            _value(share, share_u, share_budget, place, marks=marks),
        ),
    )
    return {measure.key: (measure, value) for measure, value in candidates if value is not None}


def _row_of(fraction: Record, key: str) -> Record | None:
    for row in fraction.get("pigments") or ():
        if row.get("pigment") == key:
            return dict(row)
    for row in fraction.get("groups") or ():
        if row.get("group") == key:
            return dict(row)
    return None


def _held(row: Record) -> float:
    """Order tubes by the mass of the target, or by its concentration without a volume."""
    mass = _number(row.get("mass_unconstrained_ug"))
    if math.isfinite(mass):
        return mass
    return _number(row.get("concentration_unconstrained_mg_per_L")) * 1e-12


def _share_of(purity: Record, row: Record) -> tuple[Any, Any, Any]:
    if purity.get("target_share") is not None:
        return (
            purity["target_share"],
            purity.get("target_share_standard_uncertainty"),
            purity.get("target_share_budget"),
        )
    return row.get("share"), row.get("share_standard_uncertainty"), row.get("share_budget")


# Series for control charts


def _checks(record: Record, loaded: Record | None) -> dict[str, float]:
    """Return stable checks and the extract's ratio of chlorophylls."""
    series: dict[str, float] = {}
    for one in record["fractions"]:
        if one.get("role") != "standard":
            continue
        total = [
            _number(row.get("concentration_unconstrained_mg_per_L"))
            for row in one.get("pigments") or ()
        ]
        if total and math.isfinite(sum(total)):
            series[f"check:{one['name']}"] = sum(total)
    a, b = (_row_of(loaded or {}, f"chlorophyll-{kind}") for kind in "ab")
    if a and b and a.get("quantified") and b.get("quantified"):
        series["ratio:chlorophylls"] = _number(
            a.get("concentration_unconstrained_mg_per_L")
        ) / _number(b.get("concentration_unconstrained_mg_per_L"))
    return series


CHECK_PREFIX = "check:"


def check_words(key: str) -> tuple[str, str]:
    """Return a series in words, and its unit.

    Examples
    --------
    >>> check_words("check:stored beta-carotene")
    ('check stored beta-carotene, all coloured pigment', 'mg/L')
    """
    if key.startswith(CHECK_PREFIX):
        return f"check {key.removeprefix(CHECK_PREFIX)}, all coloured pigment", "mg/L"
    if key == "ratio:chlorophylls":
        return "chlorophyll a over b in the extract", ""
    return f"closure of {name_of(key.removeprefix('closure:'))}", ""


def unusable(summary: RunSummary) -> Flag | None:
    """Return a flag for a run that cannot take part, or None."""
    if not summary.method:
        return Flag(
            "no-method",
            f"{summary.name}: the run names no method, so it takes no part. "
            "Add method = ... to its sheet.",
        )
    return None
