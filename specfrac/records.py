"""Results as plain data: JSON, tables, and writing them whole or not at all.

A record holds no time, no machine and no absolute path, so that the same inputs
give the same bytes.
"""

from __future__ import annotations

import csv
import io
import json
import math
import os
import shutil
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from specfrac.errors import InputError
from specfrac.flags import Flag, ranked
from specfrac.uncertainty import Quantity

if TYPE_CHECKING:
    import pandas as pd

    from specfrac.balance import Balance, BalanceRow
    from specfrac.decisions import Decision
    from specfrac.elution import Profile
    from specfrac.equations import EquationResult
    from specfrac.fitting import Identification
    from specfrac.fitting.results import MixtureFit
    from specfrac.pooling import Pool, Pooling
    from specfrac.purity import Purity
    from specfrac.quantities import PorphyrinBalance
    from specfrac.run import RunResult
    from specfrac.scans import Scan
    from specfrac.sheet import Fraction, Run, TubeScan
    from specfrac.tubes import FractionResult, GroupResult, PigmentResult

FORMAT = 1  # raised when a key goes or changes its meaning; readers pass over keys they do not know
DIGITS = 10  # more would record the rounding of one machine's arithmetic
FORMULA_MARKS = ("=", "+", "-", "@")
MAXIMUM_IDENTIFICATIONS = 3

Record = dict[str, Any]


# Plain values


def plain(value: Any) -> Any:
    """Return a value as JSON can hold it: NaN and infinities become null.

    Floats keep ten significant digits.

    Examples
    --------
    >>> plain({"a": float("nan"), "b": (1.5, True)})
    {'a': None, 'b': [1.5, True]}
    """
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, str | bool | int) or value is None:
        return value
    if isinstance(value, Iterable):
        return [plain(item) for item in value]
    if hasattr(value, "item"):  # a numpy scalar
        value = value.item()
        if not isinstance(value, float):
            return value
    rounded = float(f"{value:.{DIGITS}g}")
    return rounded if math.isfinite(rounded) else None


def json_bytes(record: Mapping[str, Any]) -> bytes:
    """Return a record as JSON text in UTF-8, the same bytes for the same record."""
    text = json.dumps(plain(record), ensure_ascii=False, allow_nan=False, indent=1)
    # a name read from a damaged file may hold half a character pair
    return (text + "\n").encode("utf-8", errors="backslashreplace")


def _measured(name: str, value: Quantity | None, unit: str = "", *, budget: bool = False) -> Record:
    """Return value and standard uncertainty under keys that carry the unit."""
    suffix = f"_{unit}" if unit else ""
    record: Record = {
        f"{name}{suffix}": value.value if value else None,
        f"{name}_standard_uncertainty{suffix}": value.uncertainty if value else None,
    }
    if budget:
        sources = value.budget if value else ()
        record[f"{name}_budget{suffix}"] = {source: part for source, part in sources}
    return record


def _ends(name: str, interval: tuple[float, float] | None) -> Record:
    low, high = interval or (None, None)
    return {f"{name}_low": low, f"{name}_high": high}


# One scan


def inspect_record(
    scans: Sequence[Scan],
    fits: Sequence[MixtureFit | None] | None = None,
    *,
    identifications: Sequence[Sequence[Identification]] | None = None,
    flags: Sequence[Sequence[Flag]] | None = None,
) -> Record:
    """Return what `specfrac inspect --json` prints.

    Parameters
    ----------
    scans : sequence of Scan
    fits : sequence of MixtureFit or None, optional
        One a scan; None where no solvent was given or the fit failed.
    identifications : sequence of sequences of Identification, optional
        One list a scan whose solvent is not known.
    flags : sequence of sequences of Flag, optional
        Further flags, one list a scan, after those of scan and fit.

    Returns
    -------
    dict
        ``{"scans": [...]}``.

    Raises
    ------
    InputError
        If the sequences differ in length.
    """
    count = len(scans)
    fits = fits if fits is not None else [None] * count
    guesses = identifications if identifications is not None else [()] * count
    more = flags if flags is not None else [()] * count
    if not len(fits) == len(guesses) == len(more) == count:
        raise InputError(
            f"{count} scans, {len(fits)} fits, {len(guesses)} identifications and {len(more)} "
            "lists of flags: give one each."
        )
    records = []
    for scan, fit, guess, others in zip(scans, fits, guesses, more, strict=True):
        found = [*scan.flags, *(fit.flags if fit else ()), *others]
        records.append(
            {
                **_scan_record(scan),
                **_fit_record(fit),
                "identifications": _identifications(guess),
                "flags": _flags(found),
            }
        )
    return {"scans": plain(records)}


def _scan_record(scan: Scan) -> Record:
    return {
        "name": scan.name,
        "n_points": len(scan),
        "wavelength_min_nm": scan.wavelength[0],
        "wavelength_max_nm": scan.wavelength[-1],
    }


def _fit_record(fit: MixtureFit | None) -> Record:
    if fit is None:
        return {
            "solvent": None,
            "pigments": [],
            "groups": [],
            "unassigned_share": None,
            "shifts_nm": {},
        }
    return {
        "solvent": fit.references.solvent.key,
        "pigments": _rows(fit.to_frame()),
        "groups": _rows(fit.groups_frame()),
        "unassigned_share": fit.unassigned_share,
        "shifts_nm": dict(fit.group_shifts),
    }


def _rows(frame: pd.DataFrame) -> list[Record]:
    return [{str(key): value for key, value in row.items()} for row in frame.to_dict("records")]


def _flags(flags: Iterable[Flag]) -> list[dict[str, str]]:
    return [flag.as_dict() for flag in ranked(flags)]


def _identifications(guesses: Sequence[Identification]) -> list[Record]:
    """Return the best solvents with the pigments they would mean, without amounts."""
    return [
        {
            "solvent": guess.solvent,
            "score": guess.score,
            "pigments": [
                pigment
                for pigment, detected in zip(guess.fit.pigments, guess.fit.detected, strict=True)
                if detected
            ],
        }
        for guess in guesses[:MAXIMUM_IDENTIFICATIONS]
    ]


# A run


def run_record(result: RunResult) -> Record:
    """Return the record of a run, as ``result.json`` holds it.

    Parameters
    ----------
    result : RunResult

    Returns
    -------
    dict
        Plain data. Concentrations are those of the made-up solution, undiluted; every
        uncertainty is a standard uncertainty; budgets name the sources of uncertainty
        with their contributions.
    """
    from specfrac import __version__

    run = result.run
    record = {
        "format": FORMAT,
        "specfrac_version": __version__,
        "library_version": result.library_version,
        "settings": run.settings.as_dict(),
        "inputs": [{"path": one.path, "sha256": one.sha256} for one in run.inputs],
        "run": {**_header(run), "flags": _flags(result.flags)},
        "fractions": [_fraction(one) for one in result.fractions],
        "balance": _balance(result.balance),
        "extracted": [
            {
                "name": one.name,
                "members": one.members,
                **_measured("content", one.content, "ug_per_g", budget=True),
            }
            for one in result.extracted
        ],
        "pooling": _pooling(result.pooling),
        "elution": _elution(result.elution),
    }
    filled: Record = plain(record)
    return filled


def _header(run: Run) -> Record:
    return {
        "title": run.title,
        "method": run.method,
        "block": run.block,
        "date": run.date,
        **_measured("tissue_mass", run.tissue_mass, "g"),
        "tissue_basis": run.tissue_basis,
        **_measured("extract_volume", run.extract_volume, "ml"),
        **_measured("loaded_volume", run.loaded_volume, "ml"),
        "all_loaded": run.all_loaded,
        **_measured("void_volume", run.void_volume, "ml"),
        "target_pigment": run.target_pigment,
        "target_share": run.target_share,
        "settings_changed": [key for key, one in run.settings.limits.items() if one.changed],
        "assumed_uncertainties": run.assumed,
    }


def _fraction(result: FractionResult) -> Record:
    fraction, fit = result.fraction, result.fit
    first = fraction.scans[0].scan if fraction.scans else None
    return {
        "name": fraction.name,
        "role": fraction.role,
        **{**_EMPTY_SCAN, **(_scan_record(first) if first else {}), "name": fraction.name},
        "scans": [_tube_scan(one) for one in fraction.scans],
        "after_acid": _tube_scan(fraction.after_acid) if fraction.after_acid else None,
        **_tube(fraction),
        **_fit_record(fit),
        "solvent": fraction.solvent,
        "pigments": [_pigment(one) for one in result.pigments],
        "groups": [_group(one) for one in result.groups],
        **_measured("mass", result.total_mass, "ug", budget=True),
        **_measured("amount", result.total_amount, "nmol"),
        **_measured("recovery", result.total_recovery),
        **_ends("recovery", result.total_recovery_interval),
        **_share_of_main(result.purity),
        "purity": _purity(result.purity),
        "decision": _decision(result.decision),
        "fit": _fit_details(fit),
        "equations": [_equations(one) for one in result.equations],
        "identifications": _identifications(result.identification),
        "identity": result.identity.as_dict() if result.identity else None,
        "solvent_check": result.solvent_verdict.as_dict() if result.solvent_verdict else None,
        "indices": [one.as_dict() for one in result.indices],
        "flags": _flags(result.flags),
    }


_EMPTY_SCAN: Record = {"n_points": 0, "wavelength_min_nm": None, "wavelength_max_nm": None}


def _tube_scan(one: TubeScan) -> Record:
    return {
        "file": one.file,
        "sample": one.sample,
        "blank": one.blank or None,
        "blank_sample": one.blank_sample or None,
        **_measured("dilution_factor", one.dilution_factor),
        **_measured("path_length", one.path_length, "cm"),
    }


def _tube(fraction: Fraction) -> Record:
    return {
        "bandwidth_nm": fraction.bandwidth,
        **_measured("made_up_volume", fraction.made_up_volume, "ml"),
        **_measured("eluted_volume", fraction.eluted_volume, "ml"),
        "candidates": fraction.candidates,
        "prepared": fraction.prepared,
        "scanned": fraction.scanned,
        "assumed_uncertainties": fraction.assumed,
    }


def _pigment(one: PigmentResult) -> Record:
    return {
        "pigment": one.pigment,
        "group": one.group,
        "grade": one.grade,
        "for_mass": one.for_mass,
        "concentration_mg_per_L": one.concentration.value,
        "concentration_unconstrained_mg_per_L": one.concentration_unconstrained,
        "standard_uncertainty_mg_per_L": one.concentration.uncertainty,
        "detection_limit_mg_per_L": one.detection_limit,
        "detection_limit_ug": one.detection_limit_mass,
        "state": one.state,
        "detected": one.detected,
        "quantified": one.quantified,
        "merged_into": one.merged_into,
        **_contents(one),
        **_measured("share_amount", one.share_amount),
        **_ends("share_amount", one.share_amount_interval),
    }


def _group(one: GroupResult) -> Record:
    return {
        "group": one.name,
        "members": one.members,
        "factors": one.factors,
        "merged": one.merged,
        "detected": one.detected,
        "concentration_mg_per_L": one.concentration.value,
        "concentration_unconstrained_mg_per_L": one.concentration_unconstrained,
        "standard_uncertainty_mg_per_L": one.concentration.uncertainty,
        **_contents(one),
    }


def _contents(one: PigmentResult | GroupResult) -> Record:
    """Return mass, amount, share, recovery and content of a pigment or group."""
    return {
        **_measured("mass", one.mass, "ug", budget=True),
        "mass_unconstrained_ug": one.mass_unconstrained,
        **_measured("amount", one.amount, "nmol"),
        **_measured("share", one.share_mass),
        **_ends("share", one.share_interval),
        **_measured("recovery", one.recovery, budget=True),
        **_ends("recovery", one.recovery_interval),
        "recovery_note": one.recovery_note,
        "made_on_column": one.made_on_column,
        **_measured("content", one.content, "ug_per_g", budget=True),
    }


def _share_of_main(purity: Purity | None) -> Record:
    return {
        "main": purity.main if purity else None,
        **_measured("share", purity.share_mass if purity else None),
        **_ends("share", purity.interval if purity else None),
    }


def _purity(purity: Purity | None) -> Record | None:
    if purity is None:
        return None
    return {
        "main": purity.main,
        "members": purity.members,
        **_measured("share_mass", purity.share_mass),
        **_ends("share_mass", purity.interval),
        **_measured("share_amount", purity.share_amount),
        **_ends("share_amount", purity.amount_interval),
        "share_mass_lower_bound": purity.lower_bound,
        **_measured("enrichment", purity.enrichment),
        "target": purity.target,
        **_measured("target_share", purity.target_share, budget=True),
        **_ends("target_share", purity.target_interval),
        "probability_above_target": purity.probability_above_target,
        "sentence": purity.sentence,
    }


def _fit_details(fit: MixtureFit | None) -> Record | None:
    if fit is None:
        return None
    return {
        "success": fit.success,
        "message": fit.message,
        "points_used": [int(used.sum()) for used in fit.used],
        "shift_standard_uncertainties_nm": dict(fit.group_shift_uncertainties),
        "offsets": fit.offsets,
        "scatters_at_500_nm": fit.scatters,
        "scatter_exponent": fit.scatter_exponent,
        "bandwidth_variance_nm2": fit.bandwidth_variance,
        "noise": fit.noise,
        "shape_error_factor": fit.shape_error_factor,
        "reduced_chi_square": fit.reduced_chi_square,
        "runs_p_value": fit.runs_p_value,
        "unassigned_bands": [
            {
                "wavelength_nm": band.wavelength,
                "absorbance": band.absorbance,
                "significance": band.significance,
            }
            for band in fit.unassigned_bands
        ],
    }


def _equations(one: EquationResult) -> Record:
    return {
        "set": one.equation_set.set_id,
        "source": one.equation_set.source,
        "values": [
            {"output": value.output, "value": value.value, "unit": value.unit}
            for value in one.values
        ],
        "reasons": one.reasons,
    }


def _balance(balance: Balance) -> Record:
    return {
        "loaded": balance.loaded_name,
        "unmeasured": balance.unmeasured,
        "rows": [_balance_row(row) for row in balance.rows],
        "porphyrins": [_porphyrins(one) for one in balance.porphyrins],
    }


def _balance_row(row: BalanceRow) -> Record:
    unit = {"µg": "ug"}.get(row.unit, row.unit)
    return {
        "name": row.name,
        "kind": row.kind,
        "members": row.members,
        **_measured("loaded", row.loaded, unit),
        "tubes": [{"name": name, **_measured("held", held, unit)} for name, held in row.tubes],
        **_measured("found", row.found, unit),
        **_measured("closure", row.closure, budget=True),
        **_ends("closure", row.closure_interval),
        "lower_bound": row.lower_bound,
        "uncounted": [{"name": one.name, "reason": one.reason} for one in row.uncounted],
        "outcome": row.outcome,
        "verdict": row.verdict,
    }


def _porphyrins(one: PorphyrinBalance) -> Record:
    return {
        "kind": one.kind,
        **_measured("loaded", one.loaded, "nmol"),
        **_measured("found", one.found, "nmol"),
        **_measured("closure", one.closure),
        **_measured("pheophytin_share_loaded", one.pheophytin_loaded),
        **_measured("pheophytin_share_found", one.pheophytin_found),
        **_measured("conversion", one.conversion, budget=True),
    }


def _decision(one: Decision | None) -> Record | None:
    if one is None:
        return None
    return {
        "action": one.action,
        "rule": one.rule,
        "number": one.number,
        "limit": one.limit,
        "unit": one.unit,
        "setting": one.setting,
        "probability_share_above": one.probability,
        "pool_with": one.partners,
        "dilution_factor": one.dilution_factor,
        "sentence": one.sentence,
    }


def _pooling(pooling: Pooling | None) -> Record | None:
    if pooling is None:
        return None
    return {
        "target": pooling.target,
        "order": pooling.order,
        "confidence": pooling.confidence,
        "best": [
            {"wanted_share": share, "pool": _pool(pool) if pool else None}
            for share, pool in pooling.best
        ],
        "curve": [_pool(pool) for pool in pooling.curve],
    }


def _pool(pool: Pool) -> Record:
    return {
        "tubes": pool.names,
        **_measured("mass", pool.mass, "ug"),
        **_measured("share", pool.share),
        **_ends("share", pool.interval),
        "probability_share_above": pool.probability,
        "yield_share": pool.yield_share,
    }


def _elution(profile: Profile | None) -> Record | None:
    if profile is None:
        return None
    return {
        "tubes": profile.names,
        "start_ml": profile.start,
        "end_ml": profile.end,
        "left_out": profile.left_out,
        "bands": [
            {
                "pigment": band.pigment,
                "masses_ug": [mass.value if mass else None for mass in band.masses],
                "mass_standard_uncertainties_ug": [
                    mass.uncertainty if mass else None for mass in band.masses
                ],
                **_measured("total", band.total, "ug"),
                **_measured("centre", band.centre, "ml"),
                **_measured("width", band.width, "ml"),
                **_measured("column_volumes", band.column_volumes),
                "complete": band.complete,
            }
            for band in profile.bands
        ],
        "neighbours": [
            {
                "first": one.first,
                "second": one.second,
                **_measured("resolution", one.resolution),
                "overlap": one.overlap,
            }
            for one in profile.neighbours
        ],
    }


# Tables


def fractions_frame(result: RunResult) -> pd.DataFrame:
    """Return a row a tube, in the order of the sheet."""
    import pandas as pd

    return pd.DataFrame([_fraction_row(one) for one in result.fractions], columns=FRACTION_COLUMNS)


FRACTION_COLUMNS = (
    "fraction", "role", "solvent", "made_up_volume_ml", "eluted_volume_ml",
    "main", "share", "share_standard_uncertainty", "share_low", "share_high", "share_lower_bound",
    "main_mass_ug", "main_mass_standard_uncertainty_ug",
    "main_recovery", "main_recovery_standard_uncertainty", "main_recovery_low",
    "main_recovery_high", "main_recovery_note",
    "target", "target_share", "target_share_low", "target_share_high", "probability_above_target",
    "target_mass_ug", "target_mass_standard_uncertainty_ug", "target_recovery",
    "target_recovery_standard_uncertainty", "target_recovery_low", "target_recovery_high",
    "coloured_mass_ug", "coloured_mass_standard_uncertainty_ug",
    "coloured_amount_nmol", "coloured_amount_standard_uncertainty_nmol",
    "coloured_amount_recovery", "coloured_amount_recovery_standard_uncertainty",
    "carotenoids_ug", "carotenoids_standard_uncertainty_ug",
    "chlorophyll_a_pool_ug", "chlorophyll_a_pool_standard_uncertainty_ug",
    "unassigned_share", "decision", "flags", "purity",
)  # fmt: skip


def _fraction_row(one: FractionResult) -> Record:
    purity = one.purity
    carotenoids, pool = one.group("carotenoids"), one.group("chlorophyll-a-pool")
    fraction = one.fraction
    main = _part_named(one, purity.main) if purity else None
    target = _part_named(one, purity.target) if purity and purity.target else None
    return {
        "fraction": fraction.name,
        "role": fraction.role,
        "solvent": fraction.solvent,
        "made_up_volume_ml": fraction.made_up_volume.value if fraction.made_up_volume else None,
        "eluted_volume_ml": fraction.eluted_volume.value if fraction.eluted_volume else None,
        **_share_of_main(purity),
        "share_lower_bound": purity.lower_bound if purity else None,
        **_mass_and_recovery("main", main),
        "main_recovery_note": main.recovery_note if main else "",
        "target": purity.target if purity else None,
        "target_share": purity.target_share.value if purity and purity.target_share else None,
        **_ends("target_share", purity.target_interval if purity else None),
        "probability_above_target": purity.probability_above_target if purity else None,
        **_mass_and_recovery("target", target),
        **_measured("coloured_mass", one.total_mass, "ug"),
        **_measured("coloured_amount", one.total_amount, "nmol"),
        **_measured("coloured_amount_recovery", one.total_recovery),
        **_measured("carotenoids", carotenoids.mass if carotenoids else None, "ug"),
        **_measured("chlorophyll_a_pool", pool.mass if pool else None, "ug"),
        "unassigned_share": one.fit.unassigned_share if one.fit else None,
        "decision": one.decision.action if one.decision else "",
        "flags": "; ".join(flag.code for flag in one.flags),
        "purity": purity.sentence if purity else "",
    }


def _part_named(one: FractionResult, name: str) -> PigmentResult | GroupResult | None:
    return one.pigment(name) or one.group(name)


def _mass_and_recovery(name: str, one: PigmentResult | GroupResult | None) -> Record:
    return {
        **_measured(f"{name}_mass", one.mass if one else None, "ug"),
        **_measured(f"{name}_recovery", one.recovery if one else None),
        **_ends(f"{name}_recovery", one.recovery_interval if one else None),
    }


PIGMENT_COLUMNS = (
    "fraction", "role", "pigment", "group", "grade", "for_mass", "state", "merged_into",
    "concentration_mg_per_L", "standard_uncertainty_mg_per_L",
    "concentration_unconstrained_mg_per_L", "detection_limit_mg_per_L",
    "mass_ug", "mass_standard_uncertainty_ug", "mass_unconstrained_ug", "detection_limit_ug",
    "mass_largest_contributor", "amount_nmol", "amount_standard_uncertainty_nmol",
    "share", "share_standard_uncertainty", "share_low", "share_high",
    "share_amount", "share_amount_standard_uncertainty", "share_amount_low", "share_amount_high",
    "recovery", "recovery_standard_uncertainty", "recovery_low", "recovery_high", "recovery_note",
    "content_ug_per_g", "content_standard_uncertainty_ug_per_g",
    "detected", "quantified",
)  # fmt: skip


def pigments_frame(result: RunResult) -> pd.DataFrame:
    """Return a row a tube and pigment, in the order of the sheet and of the candidates."""
    import pandas as pd

    rows = [
        {
            "fraction": tube.fraction.name,
            "role": tube.fraction.role,
            **_pigment(one),
            "mass_largest_contributor": one.mass.largest_contributor if one.mass else "",
        }
        for tube in result.fractions
        for one in tube.pigments
    ]
    return pd.DataFrame(rows, columns=PIGMENT_COLUMNS)


def csv_bytes(frame: pd.DataFrame) -> bytes:
    """Return a table as CSV in UTF-8, with unknown cells blank and text made harmless.

    A spreadsheet takes a cell that begins with = + - or @ for a formula; text that
    does gets an apostrophe in front. Numbers stay numbers.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(frame.columns)
    for row in frame.itertuples(index=False):
        writer.writerow([_cell(value) for value in row])
    return stream.getvalue().encode("utf-8", errors="backslashreplace")


def _cell(value: Any) -> str | int | float:
    value = plain(value)
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return safe_text(value)
    return value if isinstance(value, int | float) else safe_text(json.dumps(value))


def safe_text(text: str) -> str:
    """Return text that a spreadsheet does not take for a formula.

    Examples
    --------
    >>> safe_text("=1+1"), safe_text("  -2"), safe_text("tube 1")
    ("'=1+1", "'  -2", 'tube 1')
    """
    text = "".join(c if c.isprintable() else " " for c in text)
    return f"'{text}" if text.lstrip().startswith(FORMULA_MARKS) else text


# Files


def output_files(result: RunResult) -> dict[str, bytes]:
    """Return the record and the tables of a run by file name."""
    return {
        "result.json": json_bytes(run_record(result)),
        "fractions.csv": csv_bytes(fractions_frame(result)),
        "pigments.csv": csv_bytes(pigments_frame(result)),
    }


def write_outputs(
    result: RunResult, folder: str | Path, *, more: Mapping[str, bytes] | None = None
) -> tuple[Path, ...]:
    """Write record, tables and whatever else belongs to them: all, or nothing.

    Parameters
    ----------
    result : RunResult
    folder : path
        Made when it does not exist.
    more : mapping of str to bytes, optional
        Further files by relative path, e.g. ``"report.html"`` or ``"figures/1.svg"``.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    InputError
        If a path leaves the folder, would overwrite an input of the run, or cannot be
        written.
    """
    run = result.run
    inputs = [run.folder / one.path for one in run.inputs]
    return write_files(folder, {**output_files(result), **(more or {})}, protected=inputs)


def write_files(
    folder: str | Path, files: Mapping[str, bytes], *, protected: Iterable[Path] = ()
) -> tuple[Path, ...]:
    """Write several files into a folder, all or nothing.

    Everything is first written beside its place; then the old files move out and the
    new ones in. If any step fails, the old ones are put back.

    Parameters
    ----------
    folder : path
    files : mapping of str to bytes
        By path relative to the folder.
    protected : iterable of Path
        Files that must not be touched.

    Returns
    -------
    tuple of Path

    Raises
    ------
    InputError
        If a path leaves the folder or names a protected file, or the folder cannot be
        written.
    """
    folder = Path(folder)
    targets = {name: folder / _checked(name) for name in files}
    guarded = {path.resolve() for path in protected}
    for target in targets.values():
        if target.resolve() in guarded:
            raise InputError(
                f"{target}: an input of the run would be overwritten. Choose another folder."
            )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        waiting = Path(tempfile.mkdtemp(prefix=".unfinished-", dir=folder))
    except OSError as error:
        raise InputError(f"{folder}: cannot be written ({error.strerror}).") from None
    try:
        for number, content in enumerate(files.values()):
            (waiting / f"new-{number}").write_bytes(content)
        _exchange(list(targets.values()), waiting)
    except OSError as error:
        raise InputError(
            f"{folder}: nothing was written ({error.strerror}). Check space and rights."
        ) from None
    finally:
        shutil.rmtree(waiting, ignore_errors=True)
    return tuple(targets.values())


def _checked(name: str) -> PurePosixPath:
    path = PurePosixPath(name)
    if path.is_absolute() or ".." in path.parts or not path.parts or "\\" in name:
        raise InputError(f"output {name!r} must be a path inside the output folder.")
    return path


def _exchange(targets: Sequence[Path], waiting: Path) -> None:
    """Move new files in; on failure put the old ones back."""
    done: list[tuple[Path, Path | None]] = []
    try:
        for number, target in enumerate(targets):
            target.parent.mkdir(parents=True, exist_ok=True)
            old = waiting / f"old-{number}" if target.exists() else None
            if old is not None:
                os.replace(target, old)
            done.append((target, old))
            os.replace(waiting / f"new-{number}", target)
    except OSError:
        for target, old in reversed(done):
            if old is not None:
                os.replace(old, target)
            else:
                target.unlink(missing_ok=True)
        raise
