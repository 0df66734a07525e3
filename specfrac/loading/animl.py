"""Reader of AnIML, the analytical information markup language: UV/Vis series.

Source: ASTM E2077/E2078 working documents, core schema draft 0.90 and the
UV/Vis technique definition. The document is read as a stream of events; a
document type declaration is refused before anything in it is looked at, so no
entity is ever resolved.
"""

from __future__ import annotations

import base64
import binascii
import math
import re
from array import array
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from specfrac.errors import ScanFileError
from specfrac.flags import Flag
from specfrac.loading.assemble import assemble
from specfrac.loading.axis import check_range, to_nm
from specfrac.loading.blocks import Block, NotASpectrumError, Reading, Skipped
from specfrac.loading.content import FileContent
from specfrac.loading.faults import shown
from specfrac.loading.words import axis_word, ordinate_word

_START = re.compile(rb"\s*<(?:[?!a-zA-Z])")
_TYPES = {"Float32": "<f4", "Float64": "<f8", "Int32": "<i4", "Int64": "<i8"}
_VALUES = ("I", "L", "F", "D")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[Ee][+-]?[0-9]+)?")
_MOST_DEEP = 60
_PIECE = 1_000_000
_MOST_VALUES = 1_000_000
_MOST_ELEMENTS = 1_500_000
"""Rules of ours: three thousand scans, one element a value, and more."""


@dataclass(slots=True)
class _Series:
    name: str
    kind: str
    dependency: str
    values: array[float] = field(default_factory=lambda: array("d"))
    start: float = math.nan
    increment: float = math.nan
    unit: str = ""
    quantity: str = ""
    si_unit: str = ""
    si_factor: float = 1.0
    si_exponent: float = 1.0


@dataclass(slots=True)
class _Set:
    length: str
    line: int
    series: list[_Series] = field(default_factory=list)


@dataclass(slots=True)
class _Step:
    name: str
    technique: str = ""
    samples: list[tuple[str, str]] = field(default_factory=list)  # role, sampleID
    parameters: dict[str, str] = field(default_factory=dict)
    sets: list[_Set] = field(default_factory=list)


def recognises(content: FileContent) -> bool:
    """Whether the file opens like a markup document."""
    head = content.data[:200].replace(b"\x00", b"").lstrip(b"\xef\xbb\xbf\xff\xfe")
    return _START.match(head) is not None


def read(content: FileContent) -> Reading:
    """Read an AnIML document; each UV/Vis series of readings becomes a scan.

    Raises
    ------
    ScanFileError
        If the document is another one, is damaged, declares a document type,
        or holds no UV-visible spectrum.
    """
    document = _Document(content.name)
    document.parse(content.data, content.encoding)
    blocks: list[Block] = []
    skipped: list[Skipped] = []
    for step in document.steps:
        for spectrum in step.sets:
            try:
                blocks += _blocks(step, spectrum, document.samples, content.name)
            except NotASpectrumError as error:
                skipped.append(Skipped(f"step {step.name!r}", str(error)))
    if not blocks:
        reasons = "; ".join(map(str, skipped[:3])) or "it has no series of values"
        raise ScanFileError(
            f"{content.name}: no UV-visible spectrum was found ({reasons}). "
            "Give a document with a series against wavelength."
        )
    metadata: dict[str, Any] = {"file": content.name, "layout": "AnIML", "header": ()}
    flags = tuple(Flag("skipped-content", str(part)) for part in skipped[:10])
    scans = assemble(content, blocks, metadata, flags=flags)
    return Reading(content.name, "AnIML", None, None, content.encoding, (), scans, tuple(skipped))


class _Document:
    """Collects what matters from the events of the parser."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.samples: dict[str, str] = {}
        self.steps: list[_Step] = []
        self._path: list[str] = []
        self._text: list[str] = []
        self._parameter = ""
        self._n_elements = 0
        self._parser: Any = None

    def parse(self, data: bytes, encoding: str | None) -> None:
        """Parse the document; every fault becomes one of our errors."""
        from xml.parsers import expat

        self._parser = expat.ParserCreate(encoding, namespace_separator=" ")
        self._parser.buffer_text = True
        self._parser.StartDoctypeDeclHandler = self._refuse_doctype
        self._parser.EntityDeclHandler = self._refuse_doctype
        self._parser.ExternalEntityRefHandler = self._refuse_doctype
        self._parser.StartElementHandler = self._start
        self._parser.EndElementHandler = self._end
        self._parser.CharacterDataHandler = self._text.append
        try:
            self._feed(data)
        except expat.ExpatError as error:
            reason = expat.errors.messages.get(error.code, "damaged")
            raise ScanFileError(
                f"{self.file}, row {error.lineno}: the document is not well-formed ({reason}). "
                "It may be cut off; export it again."
            ) from None
        except (LookupError, ValueError) as error:
            if isinstance(error, ScanFileError):
                raise
            raise ScanFileError(
                f"{self.file}: the document's encoding is unknown ({error}). Give its encoding."
            ) from None

    def _feed(self, data: bytes) -> None:
        """Hand the document over in pieces, to see a tag that never ends while it comes."""
        reached = -1
        for at in range(0, len(data), _PIECE):
            self._parser.Parse(data[at : at + _PIECE], False)
            now = self._parser.CurrentByteIndex
            if at and now <= reached:
                raise ScanFileError(
                    f"{self.file}, row {self._line}: a tag is longer than {_PIECE} bytes. "
                    "The document is damaged; export it again."
                )
            reached = now
        self._parser.Parse(b"", True)

    @property
    def _line(self) -> int:
        return int(self._parser.CurrentLineNumber)

    def _refuse_doctype(self, *_: Any) -> int:
        raise ScanFileError(
            f"{self.file}, row {self._line}: the document declares a document type or an entity, "
            "which may name other files or unfold without end. Remove the declaration."
        )

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(" ")[2]
        if not self._path and name != "AnIML":
            raise ScanFileError(
                f"{self.file}: a markup document with the root {shown(name)} is not read, only "
                "AnIML. Export the scan as text (CSV)."
            )
        self._path.append(name)
        self._n_elements += 1
        if self._n_elements > _MOST_ELEMENTS:
            raise ScanFileError(
                f"{self.file}, row {self._line}: the document has more than {_MOST_ELEMENTS} "
                "elements, more than is read from one file. Give the scans alone."
            )
        if len(self._path) > _MOST_DEEP:
            raise ScanFileError(
                f"{self.file}, row {self._line}: elements are nested more than {_MOST_DEEP} deep. "
                "The document is damaged; export it again."
            )
        self._text.clear()
        opened = getattr(self, f"_start_{name}", None)
        if opened is not None:
            opened(attributes)

    def _end(self, tag: str) -> None:
        name = self._path.pop()
        closed = getattr(self, f"_end_{name}", None)
        if closed is not None:
            closed("".join(self._text).strip())
        elif name in _VALUES or name == "S":
            self._value(name, "".join(self._text).strip())
        self._text.clear()

    def _start_Sample(self, attributes: dict[str, str]) -> None:
        self.samples[attributes.get("sampleID", "")] = attributes.get("name", "")

    def _start_ExperimentStep(self, attributes: dict[str, str]) -> None:
        self.steps.append(_Step(attributes.get("name", "")))

    def _start_Technique(self, attributes: dict[str, str]) -> None:
        if self.steps:
            self.steps[-1].technique = attributes.get("name", "") or attributes.get("uri", "")

    def _start_SampleReference(self, attributes: dict[str, str]) -> None:
        if self.steps:
            reference = (attributes.get("role", ""), attributes.get("sampleID", ""))
            self.steps[-1].samples.append(reference)

    def _start_Parameter(self, attributes: dict[str, str]) -> None:
        self._parameter = attributes.get("name", "")

    def _end_Parameter(self, _: str) -> None:
        self._parameter = ""

    def _start_SeriesSet(self, attributes: dict[str, str]) -> None:
        if self.steps:
            self.steps[-1].sets.append(_Set(attributes.get("length", ""), self._line))

    def _start_Series(self, attributes: dict[str, str]) -> None:
        if self.steps and self.steps[-1].sets:
            series = _Series(
                attributes.get("name", ""),
                attributes.get("seriesType", ""),
                attributes.get("dependency", ""),
            )
            self.steps[-1].sets[-1].series.append(series)

    @property
    def _series(self) -> _Series | None:
        inside = "Series" in self._path and self.steps and self.steps[-1].sets
        return self.steps[-1].sets[-1].series[-1] if inside else None

    def _start_IndividualValueSet(self, attributes: dict[str, str]) -> None:
        series, start = self._series, attributes.get("startIndex")
        if series is not None and start is not None and start.strip() != str(len(series.values)):
            raise ScanFileError(
                f"{self.file}, row {self._line}: a set of values starts at index {shown(start)}, "
                f"but {len(series.values)} values stand before it. Export the document again."
            )

    def _start_Unit(self, attributes: dict[str, str]) -> None:
        series = self._series
        if series is not None:
            series.unit = attributes.get("label", "")
            series.quantity = attributes.get("quantity", "")
        elif self._parameter and self.steps:
            kept = self.steps[-1].parameters
            kept[self._parameter] = f"{kept.get(self._parameter, '')} {attributes.get('label', '')}"

    def _start_SIUnit(self, attributes: dict[str, str]) -> None:
        series = self._series
        if series is not None:
            series.si_factor = self._number(attributes.get("factor", "1"))
            series.si_exponent = self._number(attributes.get("exponent", "1"))

    def _end_SIUnit(self, text: str) -> None:
        if self._series is not None:
            self._series.si_unit = text

    def _end_EncodedValueSet(self, text: str) -> None:
        series = self._series
        if series is None:
            return
        kind = _TYPES.get(series.kind)
        try:
            raw = base64.b64decode("".join(text.split()), validate=True)
        except (binascii.Error, ValueError):
            raw = b"?"
        if kind is None or len(raw) % np.dtype(kind).itemsize:
            raise ScanFileError(
                f"{self.file}, row {self._line}: the encoded values of {shown(series.name)} are no "
                f"base64 of whole {series.kind or 'unknown'} numbers. Export the document again."
            )
        series.values.extend(np.frombuffer(raw, dtype=kind).astype(np.float64).tolist())
        self._refuse_endless(series)

    def _value(self, name: str, text: str) -> None:
        series = self._series
        if series is None:
            if self._parameter and self.steps:
                self.steps[-1].parameters[self._parameter] = text
        elif self._path[-1] == "StartValue":
            series.start = self._number(text)
        elif self._path[-1] == "Increment":
            series.increment = self._number(text)
        elif self._path[-1] == "IndividualValueSet" and name in _VALUES:
            series.values.append(self._number(text))
            self._refuse_endless(series)

    def _number(self, text: str) -> float:
        value = float(text) if _NUMBER.fullmatch(text) else math.nan
        if not math.isfinite(value):
            raise ScanFileError(
                f"{self.file}, row {self._line}: {shown(text)} is no finite number. "
                "Correct the value, or leave the point out if it was not measured."
            )
        return value

    def _refuse_endless(self, series: _Series) -> None:
        if len(series.values) > _MOST_VALUES:
            raise ScanFileError(
                f"{self.file}, row {self._line}: series {shown(series.name)} has more than "
                f"{_MOST_VALUES} values, more than any scan. Give the scan alone."
            )


def _blocks(step: _Step, spectrum: _Set, samples: dict[str, str], file: str) -> list[Block]:
    """Turn a set of series into readings on a wavelength axis."""
    axes = [s for s in spectrum.series if s.dependency == "independent" or _is_axis(s)]
    readings = [s for s in spectrum.series if s not in axes and s.kind in _TYPES and len(s.values)]
    if not axes or not readings:
        raise NotASpectrumError("it has no readings against a wavelength")
    axis = next((s for s in axes if _is_axis(s)), None)
    if axis is None:
        raise NotASpectrumError(f"its axis is {axes[0].name or axes[0].unit!r}, not wavelength")
    where = f"{file}, row {spectrum.line}"
    n_points = len(readings[0].values)
    x = np.frombuffer(axis.values, dtype=np.float64)
    if math.isfinite(axis.start) and math.isfinite(axis.increment):
        x = np.round(axis.start + axis.increment * np.arange(n_points), 9)
    counted = spectrum.length.strip() == str(n_points)
    if math.isfinite(axis.start) and not counted:
        raise ScanFileError(
            f"{where}: the set says it has {shown(spectrum.length)} values, but it has {n_points}, "
            "and its axis only has a start and a step. Export the document again."
        )
    flags: list[Flag] = []
    for series in readings:
        if len(series.values) != x.size:
            raise ScanFileError(
                f"{where}: {shown(series.name)} has {len(series.values)} values and the axis "
                f"{x.size}. Export the document again."
            )
    if not counted:
        message = f"the set says it has {shown(spectrum.length)} values, but it has {n_points}"
        flags.append(Flag("header-disagrees", message))
    if "uv" not in step.technique.lower() and "vis" not in step.technique.lower():
        message = f"the technique is {shown(step.technique)}; read for its wavelength axis"
        flags.append(Flag("header-disagrees", message))
    unit = _axis_unit(axis, where)
    points = [spectrum.line] * n_points
    if not np.isfinite(x).all() or not all(np.isfinite(s.values).all() for s in readings):
        raise ScanFileError(
            f"{where}: a value is infinite or no number, and readings must be finite. "
            "Leave the point out if it was not measured."
        )
    check_range(x, unit, file, points)
    name = _sample_name(step, samples)
    several = len(readings) > 1
    return [
        Block(
            wavelength=to_nm(x, unit),
            values=np.array([series.values for series in readings]),
            names=tuple([f"{name} {s.name}".strip() if several else name for s in readings]),
            ordinates=tuple([_ordinate(series) for series in readings]),
            headings=tuple([series.quantity or series.unit for series in readings]),
            points=points,
            flags=(tuple(flags),) * len(readings),
            metadata=({"parameters": dict(step.parameters)},) * len(readings),
        )
    ]


def _is_axis(series: _Series) -> bool:
    return axis_word(series.name) is not None or axis_word(series.unit) is not None


def _axis_unit(series: _Series, where: str) -> str:
    """Return the axis' unit; its label and its SI unit must agree."""
    label = axis_word(series.unit)
    by_si = None
    if series.si_unit == "m" and series.si_exponent == 1:
        metres = {"nm": 1e-9, "um": 1e-6, "angstrom": 1e-10}
        by_si = next((u for u, m in metres.items() if math.isclose(m, series.si_factor)), "other")
    elif series.si_unit == "m" and series.si_exponent == -1:
        by_si = "1/cm" if math.isclose(series.si_factor, 1e-2) else "other"
    unit = by_si or label
    if unit not in ("nm", "um", "angstrom", "1/cm") or (label not in (None, "?", unit)):
        raise ScanFileError(
            f"{where}: the axis has the unit {shown(series.unit)} and the SI unit "
            f"{series.si_factor:g} {shown(series.si_unit)}, which is not one of nm, µm, ångström "
            "and 1/cm, or they disagree. Export the scan against wavelength in nm."
        )
    return unit


def _ordinate(series: _Series) -> str | None:
    words = [ordinate_word(text) for text in (series.quantity, series.unit) if text]
    if series.name.lower() != "intensity":  # what the technique calls any reading
        words.append(ordinate_word(series.name))
    return next((word for word in words if word is not None), None)


def _sample_name(step: _Step, samples: dict[str, str]) -> str:
    """Return the name of the test sample, else the step's."""
    tested = [key for role, key in step.samples if role == "Test Sample"]
    keys = tested or [key for _, key in step.samples][:1]
    return next((samples[key] for key in keys if samples.get(key)), "") or step.name
