"""The words of headings and header lines: wavelength, absorbance, time, sample.

Recognition is by the words of the trade in a few languages, not by the habits
of one instrument. All patterns work on `plain`, which folds case and width.
"""

from __future__ import annotations

import re
import sys
import unicodedata
from collections.abc import Sequence
from functools import lru_cache

# Ordinates that are no absorbance; the name is used in the refusal.
REFUSED_ORDINATES = (
    ("log absorptivity", r"\blog\w*\W{0,3}(?:10)?\W{0,3}(?:ε|ϵ|eps|e\b|molar|absorptiv|a\b)"),
    (
        "molar absorptivity",
        r"ε|ϵ|\bepsilon\b|absorptivity|(?:extinction|absorption|attenuation)\s*coeff|cross.?section"
        r"|extinktionskoeff|\bm-?1\s*\W?\s*cm-?1|mol-1|\b(?:l|dm3)\s*/\s*\(?\s*mol|/\s*\(?\s*mol?\W?\s*cm",
    ),
    ("reflectance", r"reflect|reflexion|remission|%\s*r\b|\br\s*\(?%|kubelka|\bk/s\b|反射"),
    ("a derivative", r"derivative|ableitung|dérivée|\bd\d?\s*a\s*/\s*d"),
    ("absorptance", r"absorptance|absorptanz"),
    ("normalised absorbance", r"normali[sz]|\brelative\s+abs"),
    (
        "intensity",
        r"intensit|fluoresc|emission|excitation|luminesc|\brfu\b|\brlu\b|irradiance|radiance|raman"
        r"|single.?beam|photocurrent|\bvolts?\b|\bmv\b|\bwatts?\b|蛍光|強度",
    ),
    ("counts", r"\bcounts?\b|\bcps\b|\bcts\b"),
)
ACCEPTED_ORDINATES = (
    ("milliabsorbance", r"\bm\s?au\b|\bm\s?abs\b|milli.?abs"),
    (
        "percent-transmittance",
        r"%\s*\(?t\b|\bt\s*[(\[]?\s*%|%\s*transm|(?:percent|pct|prozent)[\s_-]*(?:t\b|transm)|"
        r"transmi\w*[\s(\[,/_-]*(?:%|percent|pct)|durchl\w*[\s(\[]*%|透過率",
    ),
    (
        "transmittance-or-percent",
        r"\btrans\b|transm\b|transmitt|transmiss|transmitan|durchl[aä]ss|trasmitt",
    ),
    (
        "absorbance",
        r"absorban|\babs\b|\ba\.?u\b|\bod\b|\bod\d{3}\b|optical\s+density|extin[ck]tion\b|\bext\b|assorban|"
        r"absorption\b|吸光|吸収",
    ),
)
EXACT_ORDINATES = {
    "a": "absorbance",
    "a.u.": "absorbance",
    "%": "percent-transmittance",
    "t": "transmittance-or-percent",
}
_LONGEST = 200
_REFUSED = tuple((name, re.compile(pattern)) for name, pattern in REFUSED_ORDINATES)
_ACCEPTED = tuple((name, re.compile(pattern)) for name, pattern in ACCEPTED_ORDINATES)

_AXES = (
    (
        "1/cm",
        re.compile(
            r"wave\s*-?\s*numbers?|wellenzahl|nombre d'onde|\bcm\s*\^?-\s*1\b|\b1/cm\b|波数"
        ),
    ),
    ("eV", re.compile(r"\bev\b|photon energy")),
    ("Hz", re.compile(r"\b[tg]?hz\b|frequency")),
    ("um", re.compile(r"\bμm\b|\bum\b|micromet|micron")),
    ("angstrom", re.compile(r"(?<!\w)å|\bangstr")),
    (
        "nm",
        re.compile(
            r"wave\s*[-_]?\s*length|wellenl|longueur d'onde|longitud de onda|lunghezza d'onda"
            r"|golflengte|comprimento de onda|våglängd|длина|\blambda\b|λ|波長|波长|\bnm\b|nanomet"
            r"|\bwl\b|\bwvl?\b"
        ),
    ),
)
_EXACT_AXES = {"x": "?", "wave": "?", "w": "?", "nm": "nm"}
_NUMBER_BEFORE_NM = re.compile(r"\d\s*nm\b")

_NOT_A_SPECTRUM = re.compile(
    r"(?:#|no\.?|nr\.?|n|num|number|index|idx|id|points?|counts?|counter|rows?|lines?|pos(?:ition)?|scan\s*no\.?|"
    r"read(?:ing)?\s*(?:no\.?|number)?|(?:elapsed\s*|run\s*|scan\s*)?time|zeit|temps|tempo|tiempo|timestamps?|"
    r"date|datum|clock|seconds?|sec|minutes?|min|ms|s|temp(?:erature)?\.?|temperatur|t\s*°.*|°c|cycles?|zyklus|repeats?|"
    r"(?:std|standard)[\s._]*(?:dev(?:iation)?|err(?:or)?)\.?|s\.?d\.?|stdev|sigma|σ|error|uncertainty|noise|"
    r"flags?|status|state|remarks?|comments?|notes?|gain|lamp|slit|bandwidth|filter|units?)"
    r"(?:\s*[(\[].*[)\]]|\s(?:s|ms|min|h|c))?"
)
_SAMPLE = re.compile(
    r"(?:sample|specimen|probe|échantillon|echantillon|muestra|campione|cuvette|well|tube|fraction|cell|scan|spectrum|"
    r"label|name|title|series)s?(?:[\s_-]*(?:name|id|no\.?|number|label|nr\.?|position))?|試料\w*|サンプル\w*"
)
_ONLY_QUANTITY = re.compile(
    r"(?:[\s()\[\]/,;:._\-–%*#]|absorbance|absorbanz|absorbancia|absorption|assorbanza|extinktion|extinction|"
    r"optical density|transmittance|transmission|transmitancia|durchlässigkeit|percent|pct|m?abs|"
    r"m?au|od|"
    r"a\.u\.|units?|values?|data|signal|readings?|ordinate|measured|intensity|decadic|吸光度|吸収|透過率|"
    r"\ba\b|\bt\b|\by\b|\bnm\b|\bext\b|\btrans\b)+"
)
_PREAMBLE_KEY = re.compile(
    r"(?:y|ordinate)[\s_-]*(?:axis|units?|label|mode|type|scale)?|units?|mode|"
    r"(?:photometric|photometry|measur\w*|meas\.|data|display|scan|acquisition|read|detection|spectrum|signal)"
    r"[\s_-]*(?:mode|type|quantity|units?)|quantity|ordinate|signal|type"
)


def plain(text: str, longest: int = _LONGEST) -> str:
    """Fold width, case and odd signs so that one pattern fits all spellings.

    Only the beginning of a long text counts, lest a pattern take its time.
    """
    text = text[:longest].replace("_", " ")
    if text.isascii():
        return text.strip().lower()
    folded = unicodedata.normalize("NFKC", text).strip().lower()
    return folded.replace("−", "-").replace("µ", "μ").replace("·", " ").replace("⋅", " ")


@lru_cache(maxsize=4096)
def ordinate_word(heading: str) -> str | None:
    """Return the quantity a heading names: an accepted one, a refused one, or None."""
    text = plain(heading)
    if text in EXACT_ORDINATES:
        return EXACT_ORDINATES[text]
    for name, pattern in (*_REFUSED, *_ACCEPTED):
        if pattern.search(text):
            return name
    return None


@lru_cache(maxsize=4096)
def axis_word(heading: str) -> str | None:
    """Return the unit of the axis a heading names ("nm", "1/cm", "?" ...), or None."""
    text = plain(heading)
    if text in _EXACT_AXES:
        return _EXACT_AXES[text]
    if _NUMBER_BEFORE_NM.search(text) or ordinate_word(heading) is not None:
        return None
    for unit, pattern in _AXES:
        if pattern.search(text):
            return unit
    return None


def is_refused(quantity: str | None) -> bool:
    """Whether the quantity is one that cannot be turned into absorbance."""
    return any(quantity == name for name, _ in _REFUSED)


def names_no_spectrum(heading: str) -> bool:
    """Whether a heading names a count, a time, a temperature or the like."""
    return _NOT_A_SPECTRUM.fullmatch(plain(heading)) is not None


def is_weak(heading: str) -> bool:
    """Whether a heading that names no spectrum is so short that it may be a sample's name."""
    return plain(heading) in ("n", "s", "no", "nr", "id", "ms")


def names_samples(heading: str) -> bool:
    """Whether a heading says that its column holds sample names."""
    return _SAMPLE.fullmatch(plain(heading)) is not None


def is_only_quantity(heading: str) -> bool:
    """Whether a heading says what was measured but not on which sample."""
    text = plain(heading)
    return not text or _ONLY_QUANTITY.fullmatch(text) is not None


def preamble_ordinate(lines: Sequence[str]) -> str | None:
    """Return the quantity that key-value lines above the data name, or None.

    "Photometric mode: %T" counts, "Lamp intensity: 5" does not.
    """
    beginnings = tuple([line[:_LONGEST] for line in lines])
    return _preamble_ordinate(beginnings)


@lru_cache(maxsize=64)
def _preamble_ordinate(lines: tuple[str, ...]) -> str | None:
    for line in lines:
        parts = re.split(r"[:=;,\t]|\s{2,}", line.lstrip("#/%! \t"), maxsplit=1)
        if len(parts) == 2 and _PREAMBLE_KEY.fullmatch(plain(parts[0])):
            word = ordinate_word(parts[1].strip(' \t",;'))
            if word is not None:
                return word
    return None


# Every pattern above needs one of these, or is one of the short headings.
_STEMS = """
    wave welle onde onda golf våg длин lambda λ 波 nm wl wv cm hz freq energy μm um micro
    å angst log ε ϵ eps absor extin exten atten cross mol /m refl remis % kubel k/s 反
    deriv able dériv /d norm rel int fluor emis excit lumin rfu rlu rad raman beam photo
    volt mv watt 蛍 強 count cps cts mau abs milli transm pct percent prozent durch 透
    trasm assor ext a.u au od optic 吸 # num ind idx point row line pos scan read time
    zeit temp date datum clock sec min stamp °c std stand s.d sigma σ err unc noise flag
    stat remark comm note gain lamp slit band filt unit value data signal ordin meas
    decad cycle zykl repeat run elap tiempo '
""".split()  # noqa: SIM905
_SHORT = ("a", "t", "%", "x", "y", "w", "n", "s", "#", "no", "nr", "no.", "nr.", "id", "sd")


def may_matter(headings: tuple[str, ...]) -> bool:
    """Whether any heading could hold a word of this module; cheap, for a thousand columns."""
    joined = plain("\n".join(headings), sys.maxsize)
    if any(stem in joined for stem in _STEMS):
        return True
    return any(plain(heading) in _SHORT for heading in headings if len(heading) <= 3)
