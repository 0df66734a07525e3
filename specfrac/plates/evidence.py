"""Plate against scan, tube by tube: what both show, where they differ, what neither can see.

Neither side overrides the other. A scan sees sums and spectral twins; a plate sees
what is bright enough, and its acidic layer makes pheophytin of chlorophyll.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from specfrac.flags import Flag, ranked
from specfrac.plates.measure import PlateResult, SpotResult, measure_plate, spot_label
from specfrac.plates.order import pigment_name
from specfrac.plates.sheet import plate_pigments, plates_of
from specfrac.purity import percent
from specfrac.references import normalised
from specfrac.settings import Settings

if TYPE_CHECKING:
    import pandas as pd

    from specfrac.references import ReferenceLibrary
    from specfrac.run import RunResult
    from specfrac.tubes import FractionResult, PigmentResult

AGREE, DISAGREE, CANNOT_TELL = "agree", "disagree", "cannot tell"
MICROLITRE_PER_MILLILITRE = 1e3


@dataclass(frozen=True, slots=True)
class EvidenceRow:
    """One pigment in one tube, as scan and plate have it.

    Attributes
    ----------
    pigment : str
        Key, or a word for what neither can see.
    name : str
    scan, plate : str
        What each side shows, in words.
    verdict : str
        ``"agree"``, ``"disagree"`` or ``"cannot tell"``.
    reason : str
    """

    pigment: str
    name: str
    scan: str
    plate: str
    verdict: str
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class TubeEvidence:
    """Scan and plates of one tube side by side.

    Attributes
    ----------
    fraction : str
    plates : tuple of str
        Names of the plates the tube was spotted on.
    scan_count, spot_count : int
        Entries the scan reports as found (a sum it cannot part counts as one), and the
        most spots a lane of this tube shows.
    rows : tuple of EvidenceRow
    sentence : str
    """

    fraction: str
    plates: tuple[str, ...]
    scan_count: int
    spot_count: int
    rows: tuple[EvidenceRow, ...]
    sentence: str

    def with_verdict(self, verdict: str) -> tuple[EvidenceRow, ...]:
        """Return the rows of one verdict."""
        return tuple(row for row in self.rows if row.verdict == verdict)


@dataclass(frozen=True, slots=True, eq=False)
class PlatesResult:
    """All plates of a run, and what they say beside the scans.

    Attributes
    ----------
    plates : tuple of PlateResult
    tubes : tuple of TubeEvidence
        Tubes that were spotted, in the order of the sheet.
    flags : tuple of Flag
        Of all plates, and disagreements.
    """

    plates: tuple[PlateResult, ...]
    tubes: tuple[TubeEvidence, ...]
    flags: tuple[Flag, ...]

    def _repr_html_(self) -> str:
        """Show the plates in a notebook."""
        from specfrac.report import plates_fragment

        return plates_fragment(self)

    def spots_frame(self) -> pd.DataFrame:
        """Return a row a spot of every plate."""
        import pandas as pd

        return pd.concat([one.spots_frame() for one in self.plates], ignore_index=True)

    def pairs_frame(self) -> pd.DataFrame:
        """Return a row a pair of neighbours of every plate."""
        import pandas as pd

        return pd.concat([one.pairs_frame() for one in self.plates], ignore_index=True)

    def evidence_frame(self) -> pd.DataFrame:
        """Return a row a tube and pigment: scan, plate, verdict, reason."""
        import pandas as pd

        return pd.DataFrame(
            [_evidence_row(tube, row) for tube in self.tubes for row in tube.rows],
            columns=["fraction", "pigment", "scan", "plate", "verdict", "reason"],
        )

    def record(self) -> dict[str, Any]:
        """Return plates and evidence as plain data for JSON."""
        return {
            "plates": [one.record() for one in self.plates],
            "evidence": [
                {
                    "fraction": tube.fraction,
                    "plates": list(tube.plates),
                    "scan_count": tube.scan_count,
                    "spot_count": tube.spot_count,
                    "sentence": tube.sentence,
                    "rows": [_evidence_row(tube, row) for row in tube.rows],
                }
                for tube in self.tubes
            ],
            "flags": [flag.as_dict() for flag in self.flags],
        }


def _evidence_row(tube: TubeEvidence, row: EvidenceRow) -> dict[str, Any]:
    return {
        "fraction": tube.fraction,
        "pigment": row.pigment,
        "scan": row.scan,
        "plate": row.plate,
        "verdict": row.verdict,
        "reason": row.reason,
    }


def analyse_plates(result: RunResult, library: ReferenceLibrary | None = None) -> PlatesResult:
    """Measure every plate of a run and set it beside the scans.

    Parameters
    ----------
    result : RunResult
    library : ReferenceLibrary, optional

    Returns
    -------
    PlatesResult
        Empty tuples when the sheet has no plate.

    Raises
    ------
    RunSheetError
        If a ``[[plate]]`` breaks a rule.
    """
    run = result.run
    measured = tuple(
        measure_plate(plate, void_volume=run.void_volume) for plate in plates_of(run, library)
    )
    found = [tube_evidence(tube, measured) for tube in result.fractions]
    tubes = tuple(one for one in found if one is not None)
    flags = [flag for one in measured for flag in one.flags]
    for one in tubes:
        against = one.with_verdict(DISAGREE)
        if against:
            listed = "; ".join(f"{row.name}: {row.reason}" for row in against)
            flags.append(Flag("plate-disagrees", f"{one.fraction}: {listed}"))
    return PlatesResult(measured, tubes, ranked(flags))


def tube_evidence(tube: FractionResult, plates: Sequence[PlateResult]) -> TubeEvidence | None:
    """Set the scan of one tube beside its spots, or return None when it was not spotted.

    Parameters
    ----------
    tube : FractionResult
    plates : sequence of PlateResult
        Of the whole run.

    Returns
    -------
    TubeEvidence or None
    """
    name = tube.fraction.name
    lanes = [
        (plate, spots)
        for plate in plates
        for spots in plate.lanes().values()
        if any(one.spot.fraction == name for one in spots)
    ]
    if not lanes:
        return None
    view = _View(tube, [spots for _, spots in lanes], lanes[0][0].plate.settings)
    rows = [_row(pigment, view) for pigment in _pigments(view)]
    rows += _twin_rows(view)
    rows.append(_COLOURLESS)
    count = len(_entries(tube))
    spots = max(len(spots) for _, spots in lanes)
    plate_names = tuple(dict.fromkeys(plate.plate.name for plate, _ in lanes))
    sentence = _sentence(view, rows, count, spots)
    return TubeEvidence(name, plate_names, count, spots, tuple(rows), sentence)


_COLOURLESS = EvidenceRow(
    "colourless",
    "colourless matter",
    "cannot see it",
    "cannot see it without a stain",
    CANNOT_TELL,
    "lipid, wax, phytol and solvent left behind show in neither",
)


@dataclass(frozen=True, slots=True, eq=False)
class _View:
    """One tube with the lanes it was spotted in."""

    tube: FractionResult
    lanes: Sequence[Sequence[SpotResult]]
    settings: Settings

    @property
    def spots(self) -> list[SpotResult]:
        return [spot for lane in self.lanes for spot in lane]

    def named(self, pigment: str) -> list[SpotResult]:
        return [one for one in self.spots if one.pigment == pigment]

    def possible(self, pigment: str) -> list[SpotResult]:
        return [
            one
            for one in self.spots
            if one.pigment is None and pigment in [guess.pigment for guess in one.suggestions]
        ]

    def scanned(self) -> bool:
        return bool(self.tube.pigments)


def _entries(tube: FractionResult) -> set[str]:
    """Names of what a scan reports as found, a sum in place of its members."""
    merged = {group.name for group in tube.groups if group.merged and group.detected}
    single = {one.pigment for one in tube.pigments if one.detected and not one.merged_into}
    return merged | single


def _pigments(view: _View) -> list[str]:
    """Pigments either side knows of, in the order of the plate."""
    candidates = [one.pigment for one in view.tube.pigments]
    spotted = [one.pigment for one in view.spots if one.pigment]
    both = dict.fromkeys([*candidates, *spotted])
    order = {key: one.order for key, one in plate_pigments().items()}
    return sorted(both, key=lambda key: order.get(key, math.inf))


def _row(pigment: str, view: _View) -> EvidenceRow:
    scan, seen = _scan_words(pigment, view)
    plate, spotted = _plate_words(pigment, view)
    verdict, reason = _judged(pigment, view, seen, spotted)
    return EvidenceRow(pigment, pigment_name(pigment), scan, plate, verdict, reason)


def _scan_words(pigment: str, view: _View) -> tuple[str, str]:
    """Return what the scan shows, and its state: found, sum, absent, none or unknown."""
    if not view.scanned():
        return "no scan was fitted", "none"
    one = view.tube.pigment(pigment)
    if one is None:
        return "not among the candidates", "unknown"
    if one.merged_into:
        group = view.tube.group(one.merged_into)
        if group is not None and group.detected:
            others = ", ".join(
                pigment_name(member) for member in group.members if member != pigment
            )
            return f"found only as a sum with {others}", "sum"
    if one.detected:
        share = one.share_mass.value if one.share_mass is not None else math.nan
        part = f", {percent(share)} of the coloured pigment" if math.isfinite(share) else ""
        return f"found{part}", "found"
    return f"not detected (below {one.detection_limit:.2g} mg/L)", "absent"


def _plate_words(pigment: str, view: _View) -> tuple[str, str]:
    named = view.named(pigment)
    if named:
        listed = ", ".join(f"{one.rf.value:.2f}" for one in named)
        return f"spot at Rf {listed}", "spot"
    possible = view.possible(pigment)
    if possible:
        listed = ", ".join(f"{one.rf.value:.2f}" for one in possible)
        return f"an unnamed spot at Rf {listed} could be it", "possible"
    return "no spot", "none"


FIXED = {
    ("sum", "spot"): (AGREE, "the plate shows which members the scan's sum holds"),
    ("sum", "possible"): (CANNOT_TELL, "co-spot with a standard to name the spot"),
    ("sum", "none"): (CANNOT_TELL, "the scan cannot part the sum, and the plate shows no spot"),
    ("found", "possible"): (CANNOT_TELL, "co-spot with a standard to name the spot"),
    ("absent", "possible"): (
        CANNOT_TELL,
        "the spot may be another pigment; co-spot with a standard",
    ),
    ("unknown", "possible"): (
        CANNOT_TELL,
        "the fit was not asked for it; co-spot with a standard to name the spot",
    ),
    ("absent", "none"): (AGREE, "neither shows it"),
    ("unknown", "none"): (CANNOT_TELL, "neither was asked"),
}


def _judged(pigment: str, view: _View, seen: str, spotted: str) -> tuple[str, str]:
    if seen == "none":
        return CANNOT_TELL, "the plate stands alone"
    if (seen, spotted) in FIXED:
        return FIXED[seen, spotted]
    if spotted == "none":
        return _spectrum_without_spot(pigment, view)
    if seen == "found":
        known = plate_pigments().get(pigment)
        made = known is not None and known.made_on_plate
        return AGREE, "both show it" + ("; part may have been made on the plate" if made else "")
    return _spot_without_spectrum(pigment, view, seen)


def _spectrum_without_spot(pigment: str, view: _View) -> tuple[str, str]:
    one = view.tube.pigment(pigment)
    faint = _faint(one, view) if one is not None else ""
    if faint:
        return CANNOT_TELL, faint
    known = plate_pigments().get(pigment)
    near = [] if known is None else [key for key in known.close_to if view.named(key)]
    if near:
        return (
            CANNOT_TELL,
            f"it may lie under the spot of {pigment_name(near[0])}, which runs close",
        )
    return (
        DISAGREE,
        "spectrum without spot: a streak or an overlap on the plate, or another pigment that "
        "absorbs alike in the scan",
    )


def _faint(one: PigmentResult, view: _View) -> str:
    """Say why a spot may be too faint to see, or return nothing."""
    limit = view.settings["plate_visible_mass"]
    applied = [spot.spot.applied for spot in view.spots if spot.spot.applied is not None]
    if applied:
        # mg/L is µg/mL
        spotted = one.concentration.value * max(applied) / MICROLITRE_PER_MILLILITRE
        if spotted < limit:
            return (
                f"{spotted:.2g} µg were spotted, less than the {limit:g} µg an eye sees; a faint "
                "spot may be missed"
            )
        return ""
    share = one.share_mass.value if one.share_mass is not None else math.nan
    if share < view.settings["plate_twin_share"]:
        return f"{100 * share:.2g} % of the coloured pigment may give no visible spot"
    return ""


def _spot_without_spectrum(pigment: str, view: _View, seen: str) -> tuple[str, str]:
    known = plate_pigments().get(pigment)
    if known is not None and known.made_on_plate:
        return (
            CANNOT_TELL,
            "plates make it from chlorophyll on the acidic layer: a spot is no proof about the "
            "tube. Run the plate in two dimensions to see",
        )
    if known is not None and known.seen_as:
        return (
            CANNOT_TELL,
            f"a scan cannot tell it from {pigment_name(known.seen_as)} and counts it there",
        )
    if seen == "unknown":
        return CANNOT_TELL, "the fit was not asked for it; add it to the tube's candidates"
    return (
        DISAGREE,
        "spot without spectrum: carried over while spotting, below what the scan detects, or "
        "named wrongly",
    )


def _twin_rows(view: _View) -> list[EvidenceRow]:
    """Say what an origin spot means for chlorophyll, which no scan can."""
    if view.named("chlorophyllide"):
        return []
    chlorophylls = [view.tube.pigment(key) for key in ("chlorophyll-a", "chlorophyll-b")]
    if not any(one is not None and one.detected for one in chlorophylls):
        return []
    limit = view.settings["plate_origin_rf"]
    at_origin = [one for one in view.spots if one.rf.value < limit]
    green = [
        one for one in at_origin if one.pigment is None and "green" in normalised(one.spot.colour)
    ]
    scan = "cannot tell it from chlorophyll"
    if green:
        return [
            EvidenceRow(
                "chlorophyllide",
                "chlorophyllide",
                scan,
                f"a green spot at the origin (Rf {green[0].rf.value:.2f})",
                CANNOT_TELL,
                "part of what the scan counts as chlorophyll may be chlorophyllide, made by an "
                "enzyme during extraction",
            )
        ]
    return [
        EvidenceRow(
            "chlorophyllide",
            "chlorophyllide",
            scan,
            "no green spot at the origin",
            CANNOT_TELL,
            "only the plate can see it, and it shows none; faint ones are missed",
        )
    ]


def _sentence(view: _View, rows: Sequence[EvidenceRow], count: int, spots: int) -> str:
    shown = f"the plate shows {spots} spot" + ("" if spots == 1 else "s")
    pieces = [f"The scan lists {count}, {shown}"]
    if not view.scanned():
        pieces = [f"No scan was fitted; {shown}"]
    against = [row.name for row in rows if row.verdict == DISAGREE]
    alike = [row.name for row in rows if row.verdict == AGREE and row.plate != "no spot"]
    if alike:
        pieces.append(f"both show {', '.join(alike)}")
    if against:
        pieces.append(f"they disagree on {', '.join(against)}")
    elif view.scanned():
        pieces.append("they do not contradict each other")
    nameless = [spot_label(one.spot) for one in view.spots if one.pigment is None]
    if nameless:
        pieces.append(f"not named: {', '.join(dict.fromkeys(nameless))}")
    return "; ".join(pieces) + ". Neither side overrides the other."
