"""AnIML: three ways to hold values, units, and documents that must be refused."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from specfrac.errors import ScanFileError
from specfrac.loading import describe, read_scans
from specfrac.scans import Scan

GRID = 400 + 0.5 * np.arange(40)
READINGS = [float(f"{0.02 + 0.9 * np.exp(-(((x - 410) / 5) ** 2)):.4f}") for x in GRID]
NM = '<Unit label="nm"><SIUnit factor="1e-9" exponent="1">m</SIUnit></Unit>'
AU = '<Unit label="AU" quantity="Absorbance"><SIUnit>1</SIUnit></Unit>'
AXIS = (
    '<Series name="Wavelength" seriesID="x" seriesType="Float64" dependency="independent">'
    "<AutoIncrementedValueSet><StartValue><D>400</D></StartValue><Increment><D>0.5</D></Increment>"
    f"</AutoIncrementedValueSet>{NM}</Series>"
)


def individual(values: Sequence[object] = READINGS) -> str:
    cells = "".join(f"<D>{value}</D>" for value in values)
    return f"<IndividualValueSet>{cells}</IndividualValueSet>"


def encoded(values: list[float] = READINGS, kind: str = "<f8") -> str:
    raw = base64.b64encode(np.array(values, dtype=kind).tobytes()).decode()
    return f"<EncodedValueSet>\n{raw[:60]}\n{raw[60:]}\n</EncodedValueSet>"


def series(values: str, kind: str = "Float64", unit: str = AU, name: str = "Intensity") -> str:
    return (
        f'<Series name="{name}" seriesID="y" seriesType="{kind}" dependency="dependent">'
        f"{values}{unit}</Series>"
    )


def document(inside: str, *, length: int = 40, technique: str = "UV/Vis", before: str = "") -> str:
    """Element names follow the open core schema, draft 0.90 (ASTM working document)."""
    return f"""<?xml version="1.0" encoding="UTF-8"?>{before}
<AnIML xmlns="urn:org:astm:animl:schema:core:draft:0.90" version="0.90">
  <SampleSet>
    <Sample name="grün 1" sampleID="S1"/><Sample name="hexane" sampleID="S2"/>
  </SampleSet>
  <ExperimentStepSet><ExperimentStep name="scan 1" experimentStepID="E1">
    <Technique name="{technique}" uri="https://example.org/technique"/>
    <Infrastructure><SampleReferenceSet>
      <SampleReference sampleID="S2" role="Blank" samplePurpose="consumed"/>
      <SampleReference sampleID="S1" role="Test Sample" samplePurpose="consumed"/>
    </SampleReferenceSet></Infrastructure>
    <Method><Category name="Common Method">
      <Parameter name="Sample Path Length" parameterType="Float64"><D>1.0</D>
        <Unit label="cm"><SIUnit factor="1e-2" exponent="1">m</SIUnit></Unit></Parameter>
    </Category></Method>
    <Result name="Spectrum">
      <SeriesSet name="Spectrum" length="{length}">{inside}</SeriesSet></Result>
  </ExperimentStep></ExperimentStepSet>
</AnIML>
"""


def read_text(folder: Path, text: str | bytes) -> list[Scan]:
    path = folder / "file.animl"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_scans(path)


@pytest.mark.parametrize(
    "values",
    [series(individual()), series(encoded()), series(individual().replace("D>", "F>"), "Float32")],
)
def test_values_come_back(tmp_path: Path, values: str) -> None:
    (scan,) = read_text(tmp_path, document(AXIS + values))
    assert scan.name == "grün 1"
    assert scan.wavelength.tolist() == GRID.tolist()
    assert scan.absorbance.tolist() == READINGS
    assert scan.flags == ()
    assert scan.metadata["quantity"] == "absorbance"
    assert scan.metadata["parameters"] == {"Sample Path Length": "1.0 cm"}


def test_single_precision_and_whole_numbers(tmp_path: Path) -> None:
    (scan,) = read_text(tmp_path, document(AXIS + series(encoded(kind="<f4"), "Float32")))
    assert scan.absorbance.tolist() == np.array(READINGS, dtype="<f4").astype(float).tolist()
    percent = [float(round(100 * 10**-a)) for a in READINGS]
    unit = '<Unit label="%" quantity="Transmittance"><SIUnit>1</SIUnit></Unit>'
    (scan,) = read_text(tmp_path, document(AXIS + series(encoded(percent, "<i4"), "Int32", unit)))
    assert scan.absorbance == pytest.approx(-np.log10(np.array(percent) / 100))


def test_wavenumbers_and_descending(tmp_path: Path) -> None:
    numbers = [14000.0 + 250 * i for i in range(40)]
    axis = (
        '<Series name="Wavenumber" seriesID="x" seriesType="Float64" dependency="independent">'
        + individual(numbers)
        + '<Unit label="1/cm"><SIUnit factor="1e-2" exponent="-1">m</SIUnit></Unit></Series>'
    )
    (scan,) = read_text(tmp_path, document(axis + series(individual())))
    assert scan.wavelength == pytest.approx([1e7 / n for n in numbers[::-1]])
    assert scan.absorbance.tolist() == READINGS[::-1]


def test_other_encodings(tmp_path: Path) -> None:
    text = document(AXIS + series(individual()))
    for encoding in ("utf-16", "latin-1"):
        (scan,) = read_text(tmp_path, text.replace("UTF-8", encoding).encode(encoding))
        assert scan.name == "grün 1"


def test_disagreement_is_flagged(tmp_path: Path) -> None:
    axis = AXIS[: AXIS.index("<Auto")] + individual(GRID.tolist()) + NM + "</Series>"
    text = document(axis + series(individual()), length=10**12, technique="Chromatography")
    (scan,) = read_text(tmp_path, text)
    assert [flag.code for flag in scan.flags] == ["header-disagrees"] * 2
    assert len(scan) == 40


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (document("", before='<!DOCTYPE a [<!ENTITY b "c">]>'), "declares a document type"),
        (document("", before='<!DOCTYPE a SYSTEM "file:///etc/hostname">'), "declares a document"),
        (document(AXIS), "no readings against a wavelength"),
        (document(AXIS + series(individual()))[:-30], "not well-formed"),
        (document(AXIS + series(individual(READINGS[:10]))), "40' values, but it has 10"),
        (document(AXIS + series(individual([*READINGS[1:], "NaN"]))), "'NaN' is no finite"),
        (document(AXIS + series(individual([*READINGS[1:], "INF"]))), "'INF' is no finite"),
        (document(AXIS + series(encoded([float("nan"), *READINGS[1:]]))), "infinite or no number"),
        (document(AXIS + series(encoded().replace("\n", "!"))), "no base64 of whole Float64"),
        (document(AXIS + series(encoded(kind="<f4"))), "says it has '40' values, but it has 20"),
        (document(AXIS.replace('label="nm"', 'label="1/cm"') + series(individual())), "disagree"),
        (document(AXIS.replace("1e-9", "1e-3") + series(individual())), "not one of nm"),
        (document(AXIS.replace("Wavelength", "Time").replace("nm", "s") + series(individual())),
         "its axis is 'Time', not wavelength"),
        (document(AXIS + series(individual(), unit='<Unit label="cps"/>')), "counts"),
        ("<html><body>no</body></html>", "root 'html' is not read"),
        ("<a>" * 50, "root 'a'"),
        (document("<b>" * 100 + "</b>" * 100), "nested more than 60 deep"),
        (document(AXIS + series(individual().replace("<Ind", '<Ind', 1).replace(
            "Set>", 'Set startIndex="7">', 1))), "starts at index '7'"),
    ],
)  # fmt: skip
def test_refusals(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(ScanFileError, match=message) as caught:
        read_text(tmp_path, text)
    assert str(caught.value).startswith("file.animl")
    assert "\n" not in str(caught.value)


def test_a_cut_document_is_refused(tmp_path: Path) -> None:
    text = document(AXIS + series(individual())).encode().rstrip()
    for end in range(1, len(text), 7):
        with pytest.raises(ScanFileError):
            read_text(tmp_path, text[:end])


def test_describe_says_what_was_left_out(tmp_path: Path) -> None:
    other = '<Series name="Time" seriesID="t" seriesType="Float64" dependency="independent">'
    text = document(AXIS + series(individual()))
    text = text.replace(
        "</Result>",
        f'<SeriesSet name="b" length="2">{other}{individual([1.0, 2.0])}</Series>'
        f"{series(individual([1.0, 2.0]))}</SeriesSet></Result>",
    )
    path = tmp_path / "file.animl"
    path.write_text(text, encoding="utf-8")
    reading = describe(path)
    assert [str(part) for part in reading.skipped] == [
        "step 'scan 1': its axis is 'Time', not wavelength"
    ]
