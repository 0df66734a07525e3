"""Flags: what a result wants its reader to know, ranked.

Analysis never warns through Python's warnings; each result carries flags. All
codes stand in one table, `CODES`, with their severity and their meaning.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from types import MappingProxyType

SEVERITIES = ("fatal", "warn", "note")

CODES: MappingProxyType[str, tuple[str, str]] = MappingProxyType(
    {
        # reading
        "descending-wavelength": (
            "note",
            "the file runs from red to blue; the scan was turned round",
        ),
        "unsorted-wavelength": ("warn", "the wavelengths were in disorder and were sorted"),
        "repeated-wavelength": ("note", "a repeated wavelength was averaged"),
        "converted-transmittance": ("note", "transmittance was turned into absorbance"),
        "nonpositive-transmittance": ("warn", "readings with T <= 0 count as not measured"),
        "not-measured": ("warn", "some readings were blank or out of the instrument's range"),
        "skipped-content": ("note", "part of the file is not a spectrum and was left out"),
        "quantity-from-values": ("note", "no heading says what was measured; the values decided"),
        "ceiling": ("warn", "the highest reading repeats, as at the end of an instrument's range"),
        "header-disagrees": ("warn", "the file's header and its data say different things"),
        "truncated-file": ("warn", "the last line of the file is cut off and was dropped"),
        # scan checks
        "above-linear-limit": (
            "warn",
            "part of the scan lies above the linear limit and was left out",
        ),
        "high-absorbance": ("note", "part of the scan lies above the range of best accuracy"),
        "flat-top": (
            "warn",
            "the scan has a flat top, as at a detector's ceiling; it was left out",
        ),
        "stray-light": (
            "warn",
            "the strongest readings are flattened, as stray light does; they were left out",
        ),
        "weak-signal": ("warn", "the highest absorbance is low; uncertainties are large"),
        "offset": ("warn", "the scan is offset where leaf pigments do not absorb"),
        "small-offset": ("note", "the scan is slightly offset where leaf pigments do not absorb"),
        "scatter": ("warn", "absorbance rises smoothly to the blue, as with turbidity"),
        "noisy": ("note", "the scan is noisier than usual"),
        "coarse-step": ("note", "the scan's step is coarse for bands this narrow"),
        "short-range": ("note", "the scan does not cover all bands of the candidates"),
        "wide-bandwidth": ("warn", "the spectral bandwidth is wide for these bands"),
        # fit
        "implausible-shift": (
            "warn",
            "the bands lie further from the reference than solvents explain",
        ),
        "band-shift": ("note", "the bands lie off the reference position"),
        "unassigned-absorbance": ("warn", "part of the absorbance belongs to no candidate"),
        "cis-peak": ("warn", "a band in the near ultraviolet, as cis isomers of carotenoids have"),
        "ultraviolet-absorbance": (
            "note",
            "absorbance rises to the ultraviolet beyond what the pigments explain",
        ),
        "poor-fit": ("warn", "the model does not describe the scan within its stated errors"),
        "shape-error-raised": (
            "note",
            "the band-shape uncertainty was raised to what the scan asks for",
        ),
        "structured-residual": ("note", "the residual has structure"),
        "not-converged": ("fatal", "the fit did not converge"),
        "not-fitted": ("fatal", "the scan could not be fitted"),
        "spectral-twins": (
            "note",
            "some candidates have the same shape; no scan can tell them apart",
        ),
        "merged-pigments": (
            "note",
            "this scan cannot tell some pigments apart; their sum is reported",
        ),
        "estimate-grade": ("warn", "a reference without published scale was used; not for mass"),
        "adapted-reference": ("note", "a reference was adapted from another solvent"),
        "scans-disagree": ("warn", "scans of one tube disagree beyond their uncertainty"),
        # identify
        "solvent-contradicted": (
            "warn",
            "the bands do not lie where they do in the declared solvent",
        ),
        "solvent-open": ("note", "the bands fit other solvents as well as the declared one"),
        "no-candidate": ("warn", "no pigments of the library describe the bands in any solvent"),
        # own standards
        "standard-scale-differs": ("warn", "the scale of a standard is far from the published one"),
        "standard-no-new-scale": ("note", "a published absorptivity gave the scale of a standard"),
        "standard-shifted": ("warn", "the maxima of a standard lie off those of the library"),
        # run
        "no-solvent": (
            "fatal",
            "no solvent is stated; pigments are identified, masses are not given",
        ),
        "no-scan": ("note", "the tube was not scanned"),
        "dilution-used": ("note", "a scan is too strong; a more dilute one was used in its place"),
        "no-volume": ("warn", "no made-up volume is stated; masses are not given"),
        "recovery-above-one": ("warn", "more was recovered than was loaded"),
        "closure-low": ("warn", "much of what was loaded is not found in the tubes"),
        "closure-high": ("warn", "the tubes hold more than was loaded"),
        "loaded-volume-doubtful": ("note", "the loaded volume may not be what was put on"),
        "closure-lower-bound": ("note", "a tube is not counted, so the balance is a lower bound"),
        "implausible-content": (
            "warn",
            "the content per gram of tissue is outside what leaves hold",
        ),
        "closure-doubtful": ("note", "the balance is somewhat outside the usual range"),
        "implausible-ratio": (
            "warn",
            "the ratio of chlorophylls is outside what green leaves show",
        ),
        "late-scan": ("note", "the tube stood long before its scan; pigments may have bleached"),
        "assumed-uncertainty": (
            "note",
            "the sheet gives no uncertainty for a field; a default stands in",
        ),
        "unused-entry": ("note", "the sheet has an entry that the analysis does not use"),
        "equations-disagree": ("note", "the simultaneous equations differ from the fit"),
        "candidate-uncertain": (
            "note",
            "the sheet's candidates leave out a pigment the scan shows",
        ),
        # compare
        "no-method": ("warn", "a run names no method and takes no part in the comparison"),
        "same-run-twice": ("warn", "a run was given more than once; it counts once"),
        "similar-method-names": ("warn", "two methods have nearly the same name"),
        "other-basis": ("warn", "runs on fresh and on dry weight cannot be compared per gram"),
        "basis-not-stated": ("note", "runs do not say whether the tissue was fresh or dry"),
        "other-versions": ("warn", "runs were analysed with different versions"),
        "other-settings": ("note", "runs were analysed with different settings"),
        "other-target": ("warn", "runs are after different pigments"),
        "confounded": (
            "warn",
            "no block links the methods, so a difference could be one of blocks",
        ),
        "run-without-block": ("note", "a run states no block, so it says nothing within blocks"),
        "missing-values": ("note", "a measure is missing in some runs"),
        "outlying-run": ("note", "a run lies far from the others of its method; it was kept"),
        "out-of-control": ("warn", "a point breaks the limits of a control chart"),
        "not-charted": ("note", "runs without a date are not in the control charts"),
        # bench
        "plate-order": ("warn", "the named spots of a plate stand against the known order"),
        "plate-unresolved": ("note", "the plate cannot tell two neighbouring spots apart by Rf"),
        "plate-short-run": ("note", "the solvent front ran a short way, so Rf is coarse"),
        "plate-overloaded": ("warn", "a spot is so long that its Rf is doubtful"),
        "plate-rf-unusual": ("note", "an Rf lies outside the wide range of published ones"),
        "plate-lanes-differ": ("warn", "one pigment runs differently in two lanes of a plate"),
        "plate-disagrees": ("warn", "plate and scan disagree on what a tube holds"),
        "plan-band-clipped": ("note", "a band of the first scan is too high to be read"),
        "plan-concentrate": ("note", "the solution is too thin for the wanted absorbance"),
        "qualification-failed": ("warn", "the last qualification of the instrument failed"),
        "qualification-missing": ("note", "no qualification of the instrument is on record"),
        "qualification-old": ("note", "the last qualification of the instrument is old"),
        "qualification-memory": ("note", "a check stands on a value from memory"),
        "claims-depart": ("warn", "a worked figure departs from what its own inputs give"),
        "claims-carried": ("note", "a worked figure carries an error of an earlier step"),
        "claims-other-method": ("note", "a worked figure is right by another valid method"),
        "claims-method-gap": (
            "note",
            "a figure worked rightly is far from what the whole scan says",
        ),
    }
)


@dataclass(frozen=True, slots=True)
class Flag:
    """One thing a reader of a result should know.

    Attributes
    ----------
    code : str
        A key of `CODES`.
    message : str
        What was seen, with the number and the limit.
    """

    code: str
    message: str

    def __post_init__(self) -> None:
        if self.code not in CODES:
            raise ValueError(f"flag code {self.code!r} is not in the table of codes")

    @property
    def severity(self) -> str:
        """One of ``"fatal"``, ``"warn"``, ``"note"``."""
        return CODES[self.code][0]

    def as_dict(self) -> dict[str, str]:
        """Return the flag as plain data for JSON."""
        return {"code": self.code, "severity": self.severity, "message": self.message}


def ranked(flags: Iterable[Flag]) -> tuple[Flag, ...]:
    """Return the flags without repeats, worst first, otherwise in their order."""
    unique = dict.fromkeys(flags)
    return tuple(sorted(unique, key=lambda flag: SEVERITIES.index(flag.severity)))
