"""A whole column run: what each tube holds and where the pigment went."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from specfrac.balance import (
    Balance,
    BalanceRow,
    balance,
    balance_flags,
    loaded_volume_flags,
)
from specfrac.decisions import Decision, decide, target_cuts
from specfrac.elution import Profile, elution_profile
from specfrac.flags import Flag, ranked
from specfrac.names import listed
from specfrac.pooling import Pooling, pooling
from specfrac.purity import Purity, Target
from specfrac.quantities import PORPHYRINS, equivalent_factors
from specfrac.references import ReferenceLibrary, load_references
from specfrac.sheet import Fraction, InputFile, Run, TubeScan
from specfrac.tubes import (
    Bench,
    FractionResult,
    GroupResult,
    MeasuredTube,
    PigmentResult,
    bench,
    measure_all,
    per_gram,
    result_of,
)
from specfrac.uncertainty import Quantity

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "Balance",
    "BalanceRow",
    "Decision",
    "Extracted",
    "Fraction",
    "FractionResult",
    "GroupResult",
    "InputFile",
    "PigmentResult",
    "Pooling",
    "Profile",
    "Purity",
    "Run",
    "RunResult",
    "TubeScan",
    "analyse_run",
]

CHLOROPHYLLS = ("chlorophyll", "pheophytin")
CAROTENOIDS = ("carotene", "xanthophyll")


@dataclass(frozen=True, slots=True, eq=False)
class Extracted:
    """What the solvent brought into the extract of a pigment or pool, per gram of leaf.

    What stayed in the leaf is not in it.

    Attributes
    ----------
    name : str
        Pigment key, or ``"carotenoids"``, ``"chlorophyll-a-pool"``, ``"chlorophyll-b-pool"``.
    members : tuple of str
    content : Quantity
        µg per g of tissue; a chlorophyll pool counts its pheophytin as the chlorophyll
        it was.
    """

    name: str
    members: tuple[str, ...]
    content: Quantity


@dataclass(frozen=True, slots=True, eq=False)
class RunResult:
    """The analysis of a run.

    Attributes
    ----------
    run : Run
    library_version : str
    fractions : tuple of FractionResult
        In the order of the sheet.
    balance : Balance
    flags : tuple of Flag
        Of the run as a whole, worst first; each tube has its own.
    pooling : Pooling or None
        Which neighbouring tubes to pool; None without a target pigment.
    elution : Profile or None
        None when fewer than two tubes have an eluted volume.
    extracted : tuple of Extracted
        From the loaded extract: the target first, then carotenoids and chlorophylls;
        empty without tissue mass or loaded extract.
    """

    run: Run
    library_version: str
    fractions: tuple[FractionResult, ...]
    balance: Balance
    flags: tuple[Flag, ...]
    pooling: Pooling | None = None
    elution: Profile | None = None
    extracted: tuple[Extracted, ...] = ()

    def _repr_html_(self) -> str:
        """Show the result in a notebook."""
        from specfrac.report import run_fragment

        return run_fragment(self)

    def fraction(self, name: str) -> FractionResult | None:
        """Return the result of one tube, or None."""
        return next((one for one in self.fractions if one.fraction.name == name), None)

    def record(self) -> dict[str, Any]:
        """Return the whole result as plain data, see `specfrac.records.run_record`."""
        from specfrac.records import run_record

        return run_record(self)

    def fractions_frame(self) -> pd.DataFrame:
        """Return a row a tube."""
        from specfrac.records import fractions_frame

        return fractions_frame(self)

    def pigments_frame(self) -> pd.DataFrame:
        """Return a row a tube and pigment."""
        from specfrac.records import pigments_frame

        return pigments_frame(self)


def analyse_run(run: Run, library: ReferenceLibrary | None = None) -> RunResult:
    """Analyse every tube of a run, and the run as a whole.

    A tube whose scan cannot be fitted keeps its place with a fatal flag; the others
    are not lost.

    Parameters
    ----------
    run : Run
    library : ReferenceLibrary, optional
        Default: the built-in one.

    Returns
    -------
    RunResult
    """
    library = load_references() if library is None else library
    table = bench(run, library)
    tubes = measure_all(table)
    loaded = next((tube for tube in tubes if tube.fraction.role == "loaded"), None)
    target = _target(run, library)
    results = [
        result_of(
            tube,
            table,
            loaded=None if tube is loaded or tube.fraction.role == "standard" else loaded,
            target=target,
        )
        for tube in tubes
    ]
    decisions = {one.fraction: one for one in decide(tubes, results, run.settings, target)}
    results = [replace(one, decision=decisions.get(one.fraction.name)) for one in results]
    found = balance(tubes, run.settings)
    flags = [
        *_run_flags(run, results),
        *balance_flags(found, run.settings),
        *loaded_volume_flags(
            found,
            run.settings,
            loaded=run.loaded_volume.value if run.loaded_volume else None,
            extract=run.extract_volume.value if run.extract_volume else None,
        ),
        *(flag for result in results for flag in _content_flags(result, run)),
    ]
    return RunResult(
        run,
        library.version,
        tuple(results),
        found,
        ranked(flags),
        pooling=_pooling(tubes, run, target),
        elution=elution_profile(tubes, table),
        extracted=_extracted(loaded, table, target) if loaded else (),
    )


def _pooling(tubes: Sequence[MeasuredTube], run: Run, target: Target | None) -> Pooling | None:
    if target is None:
        return None
    return pooling(
        target_cuts(tubes, target),
        target.name,
        wanted_share=target.share,
        confidence=run.settings["decision_confidence"],
    )


def _target(run: Run, library: ReferenceLibrary) -> Target | None:
    name = run.target_pigment
    if name is None:
        return None
    members = {
        "carotenoids": [
            key for key in library.pigments if library.pigment(key).group in CAROTENOIDS
        ],
        "chlorophyll-a-pool": ["chlorophyll-a", "pheophytin-a", "pheophorbide-a"],
    }.get(name, [name])
    return Target(name, tuple(members), run.target_share)


def _extracted(loaded: MeasuredTube, table: Bench, target: Target | None) -> tuple[Extracted, ...]:
    if loaded.fit is None:
        return ()
    entries = loaded.fit.references.entries
    carotenoids = tuple(one.pigment for one in entries if one.group in CAROTENOIDS)
    wanted = {target.name: target.members} if target else {}
    wanted["carotenoids"] = carotenoids
    wanted |= {
        f"chlorophyll-{kind}-pool": (*intact, *without)
        for kind, (intact, without) in PORPHYRINS.items()
    }
    found = []
    for name, members in wanted.items():
        present = tuple(one for one in members if one in loaded.fit.pigments)
        unit = name.removesuffix("-pool") if name.endswith("-pool") else None
        factors = (
            equivalent_factors(loaded.fit.references, present, table.library.molar_mass(unit))
            if unit
            else (1.0,) * len(present)
        )
        held = per_gram(loaded, table, present, factors) if present else None
        if held is not None:
            found.append(Extracted(name, present, held))
    return tuple(found)


# Flags of the run


def _run_flags(run: Run, results: Sequence[FractionResult]) -> list[Flag]:
    flags = []
    nameless = [repr(one.fraction.name) for one in results if _has(one, "no-solvent")]
    if nameless:
        message = (
            f"no solvent is stated for {listed(nameless)}: pigments are named, masses are not "
            "given."
        )
        flags.append(Flag("no-solvent", message))
    for code in ("not-fitted", "not-converged"):
        failed = [repr(one.fraction.name) for one in results if _has(one, code)]
        if failed:
            flags.append(Flag(code, f"no result for {listed(failed)}; see the tube."))
    assumed = {*run.assumed, *(key for one in results for key in one.fraction.assumed)}
    if assumed:
        message = (
            f"the sheet gives no uncertainty for {', '.join(sorted(assumed))}; "
            "the defaults of glassware.csv stand in. Give yours as u_<field>."
        )
        flags.append(Flag("assumed-uncertainty", message))
    return flags


def _has(result: FractionResult, code: str) -> bool:
    return any(flag.code == code for flag in result.flags)


def _content_flags(result: FractionResult, run: Run) -> list[Flag]:
    """Return flags for what no leaf holds; low limits count for the whole extract only."""
    if result.fraction.role not in ("loaded", "cut", "wash"):
        return []
    basis = run.tissue_basis or "dry"  # the wider limits where the basis is not stated
    extract = result.fraction.role == "loaded"
    flags = []
    for name, families in (("chlorophylls", CHLOROPHYLLS), ("carotenoids", CAROTENOIDS)):
        parts = [one.content for one in result.pigments if one.group in families]
        known = [one.value for one in parts if one is not None]
        if not known:
            continue
        low, high = run.settings[f"{name}_{basis}_min"], run.settings[f"{name}_{basis}_max"]
        total = sum(known)
        if total > high or (extract and total < low):
            flags.append(_implausible(result, name, total, (low, high), basis))
    if extract:
        flags += _ratio_flags(result, run)
    return flags


def _implausible(
    result: FractionResult, name: str, total: float, limits: tuple[float, float], basis: str
) -> Flag:
    slip = (
        "a dilution factor that was not applied, or a volume of another step"
        if total > limits[1]
        else "a dilution factor left out, or a tissue mass in the wrong unit"
    )
    if total > 100 * limits[1] or total < limits[0] / 100:
        slip = "mL for L, or mg for g"
    what = "extracted" if result.fraction.role == "loaded" else "obtained"
    return Flag(
        "implausible-content",
        f"{result.fraction.name}: {total:.3g} µg {name} {what} per g of {basis} leaf, outside "
        f"{limits[0]:g} to {limits[1]:g} µg/g. Check for {slip}.",
    )


def _ratio_flags(result: FractionResult, run: Run) -> list[Flag]:
    a, b = result.pigment("chlorophyll-a"), result.pigment("chlorophyll-b")
    if not (a and b and a.quantified and b.quantified and b.concentration.value > 0):
        return []
    ratio = a.concentration.value / b.concentration.value
    low, high = run.settings["chlorophyll_ratio_min"], run.settings["chlorophyll_ratio_max"]
    if low <= ratio <= high:
        return []
    message = (
        f"{result.fraction.name}: chlorophyll a over b is {ratio:.2g}, outside {low:g} to "
        f"{high:g}. Check the solvent and the wavelength scale, and whether this is an extract "
        "of green leaf."
    )
    return [Flag("implausible-ratio", message)]
