"""The end of a report: method, references, inputs, settings, cautions."""

from __future__ import annotations

import platform
from importlib import metadata
from typing import TYPE_CHECKING

from specfrac.fitting.error_model import error_model
from specfrac.plots import pigment_style
from specfrac.report.limits import LIMIT_HEADS, limit_rows
from specfrac.report.markup import Html, joined, tag
from specfrac.report.names import full_name, swatch
from specfrac.report.numbers import plus_minus, whole_units
from specfrac.report.tube_workings import scale_text

if TYPE_CHECKING:
    from specfrac.references import PigmentReference, References
    from specfrac.run import RunResult

LIBRARIES = ("numpy", "scipy", "uncertainties", "matplotlib")


def version() -> str:
    """Return the version of specfrac, as installed."""
    from specfrac import __version__

    return str(__version__)


def method_section(result: RunResult) -> Html:
    """Return a paragraph ready for a notebook, with what was assumed."""
    return tag(
        "section",
        tag("h2", "Method", id="method"),
        tag(
            "div",
            [tag("p", words) for words in _paragraphs(result)],
            tag("h3", "What a scan cannot tell"),
            tag(
                "p",
                "Only coloured matter absorbs here: lipid, wax, phytol, salt and solvent left "
                "behind are invisible, so a share of coloured pigment is not the purity of a "
                "solid. Spectral twins (such as β-carotene and zeaxanthin, or chlorophyll and "
                "chlorophyllide) have one and the same scan, and epimers (a', b') nearly so; the "
                "column or a plate must tell them apart. Allomers, which chlorophyll left in "
                "alcohol turns into, count as chlorophyll.",
            ),
        ),
        class_="method",
        aria_labelledby="method",
    )


def _paragraphs(result: RunResult) -> list[str]:
    numbers = error_model()
    solvents = dict.fromkeys(refs.solvent.name for refs in _references(result))
    measured = sum(tube.fit is not None for tube in result.fractions)
    scans = sum(len(tube.fit.scans) for tube in result.fractions if tube.fit is not None)
    return [
        f"{scans} UV-visible scans of {measured} tubes (in {', '.join(solvents) or 'no solvent'}) "
        f"were fitted with specfrac {version()}, reference library {result.library_version}. Each "
        "scan is described at all its wavelengths at once as the sum of the candidates' reference "
        "spectra, each times its concentration and the path length (Beer-Lambert), on a baseline "
        "of an offset and a scatter term: A(λ) = l Σ c a(λ − δ) + b₀ + b₁ (500 nm/λ)ⁿ. Bands may "
        f"shift by group (prior: instrument ± {numbers['instrument_shift_prior']:g} nm, group by "
        "solvent); breadth follows the spectral bandwidth, and is fitted where that is not stated. "
        f"Points above A {result.run.settings['linear_limit']:g}, outside the references' range or "
        "below the solvent's limit were left out.",
        "Uncertainties combine the noise of each scan, the band shapes of the references (a smooth "
        f"error correlated over {numbers['shape_correlation_length']:g} nm), the photometer's gain "
        f"({100 * numbers['photometer_gain_uncertainty']:g} %), the published absorptivities, and "
        "the stated or assumed uncertainties of volumes, dilutions, path length and tissue mass, "
        "propagated to first order with their correlations (JCGM 100:2008). ± is one standard "
        "uncertainty, a range is a 95 % interval. A pigment is detected when its estimate exceeds "
        "1.645, and quantified when it exceeds 10 standard uncertainties of zero; the detection "
        "limit is 3.29 of them (Currie, Pure Appl. Chem. 67 (1995) 1699). Pigments a scan cannot "
        "tell apart are reported as their sum.",
    ]


def _references(result: RunResult) -> list[References]:
    return [tube.fit.references for tube in result.fractions if tube.fit is not None]


def references_section(result: RunResult) -> Html | None:
    """Return the references used, with grade, scale and sources."""
    entries: dict[tuple[str, str], tuple[str, PigmentReference]] = {}
    for refs in _references(result):
        for entry in refs.entries:
            entries.setdefault((entry.solvent, entry.pigment), (refs.solvent.name, entry))
    if not entries:
        return None
    sources = list(dict.fromkeys(s for _, entry in entries.values() for s in entry.sources))
    solvents = list(dict.fromkeys(solvent for solvent, _ in entries.values()))
    bodies = [
        tag(
            "tbody",
            tag("tr", tag("th", f"in {solvent}", scope="rowgroup", colspan="6", class_="over")),
            [_reference_row(one, sources) for name, one in entries.values() if name == solvent],
        )
        for solvent in solvents
    ]
    heads = ("Pigment", "Grade", "Scale", "Shape", "Sources", "Remark")
    return tag(
        "section",
        tag("h2", "References used", id="references"),
        tag(
            "div",
            tag(
                "p",
                "Grades: measured (bands fitted to a measured spectrum in this solvent), band "
                "model (published bands), adapted (moved from another solvent to published maxima "
                "of this one), estimate (no published scale: for a share and an alarm, not for a "
                "mass).",
            ),
            tag(
                "div",
                tag(
                    "table",
                    tag("caption", "References used", class_="unseen"),
                    tag("thead", tag("tr", [tag("th", head, scope="col") for head in heads])),
                    bodies,
                    class_="references",
                ),
                class_="wide",
            ),
            tag("ol", [tag("li", source) for source in sources], class_="sources"),
        ),
        class_="reference-section",
        aria_labelledby="references",
    )


def _reference_row(entry: PigmentReference, sources: list[str]) -> Html:
    numbers = ", ".join(str(sources.index(source) + 1) for source in entry.sources)
    return tag(
        "tr",
        tag("th", swatch(pigment_style(entry.pigment)), full_name(entry.pigment), scope="row"),
        [tag("td", cell) for cell in (entry.grade, whole_units(scale_text(entry)))],
        tag("td", f"{100 * entry.shape_error:g} %"),
        tag("td", numbers),
        tag("td", tag("small", entry.reason)),
    )


def record_section(result: RunResult) -> Html:
    """Return inputs with their digests, settings and versions."""
    inputs = [
        tag("tr", tag("th", one.path, scope="row"), tag("td", tag("code", _halved(one.sha256))))
        for one in result.run.inputs
    ]
    return tag(
        "section",
        tag("h2", "Inputs and settings", id="record"),
        tag(
            "div",
            tag(
                "div",
                tag(
                    "table",
                    tag("caption", "Files read"),
                    tag(
                        "thead",
                        tag("tr", tag("th", "file", scope="col"), tag("th", "sha256", scope="col")),
                    ),
                    tag("tbody", inputs),
                    class_="inputs",
                ),
                class_="wide",
            ),
            _sheet_table(result),
            _settings_table(result),
            tag("p", _versions(result), class_="legend"),
        ),
        class_="record",
        aria_labelledby="record",
    )


def _halved(digest: str) -> Html:
    """Return a digest that may break in the middle on paper."""
    half = len(digest) // 2
    return joined(digest[:half], tag("wbr"), digest[half:])


def _sheet_table(result: RunResult) -> Html:
    run = result.run
    assumed = set(run.assumed)
    entries = [
        ("tissue mass", plus_minus(run.tissue_mass, unit="g"), "tissue_mass_g" in assumed),
        (
            "extract volume",
            plus_minus(run.extract_volume, unit="mL"),
            "extract_volume_ml" in assumed,
        ),
        ("loaded volume", plus_minus(run.loaded_volume, unit="mL"), "loaded_volume_ml" in assumed),
    ]
    rows = [tag("tr", tag("th", name, scope="row"), tag("td", value, " (uncertainty assumed)"
            if guess and value != "–" else "")) for name, value, guess in entries]  # fmt: skip
    for number, tube in enumerate(result.fractions, start=1):
        one = tube.fraction
        facts = [f"made up {plus_minus(one.made_up_volume, unit='mL')}"]
        facts += [
            f"{scan.file}{f' [{scan.sample}]' if scan.sample else ''}: dilution factor "
            f"{plus_minus(scan.dilution_factor)}, path {plus_minus(scan.path_length, unit='cm')}"
            + (f", blank {scan.blank}" if scan.blank else "")
            for scan in one.scans
        ]
        if one.assumed:
            facts.append(f"uncertainty assumed for {', '.join(one.assumed)}")
        rows.append(
            tag(
                "tr",
                tag("th", f"tube {number}, {one.name}", scope="row"),
                tag("td", "; ".join(facts)),
            )
        )
    return tag(
        "details",
        tag("summary", "Quantities of the run sheet, as read"),
        tag(
            "table",
            tag("caption", "Quantities of the run sheet", class_="unseen"),
            tag("tbody", rows),
            class_="facts-table",
        ),
        class_="on-paper",
    )


def _settings_table(result: RunResult) -> Html:
    rows = limit_rows(result.run.settings, changed=" (set in the sheet)")
    return tag(
        "details",
        tag("summary", "Limits and settings: [J] working judgement, [S] read source, [M] memory"),
        tag(
            "div",
            tag(
                "table",
                tag("caption", "Limits and settings", class_="unseen"),
                tag("thead", tag("tr", [tag("th", head, scope="col") for head in LIMIT_HEADS])),
                tag("tbody", rows),
                class_="settings",
            ),
            class_="wide",
        ),
        class_="on-paper",
    )


def _versions(result: RunResult) -> str:
    libraries = ", ".join(f"{name} {metadata.version(name)}" for name in LIBRARIES)
    return (
        f"specfrac {version()}; reference library {result.library_version}; "
        f"Python {platform.python_version()}, {libraries}. The same inputs give the same page."
    )


def cautions() -> Html:
    """Return the usual cautions of the trade; it is no safety clearance."""
    return tag(
        "section",
        tag("h2", "Before you evaporate, dilute or run again", id="cautions"),
        tag(
            "div",
            tag(
                "p",
                "Hexane, acetone, ethanol and ethers catch fire readily and their vapours creep: "
                "no flame, hot plate or static spark, and work in a hood. n-Hexane harms the "
                "nerves on repeated exposure. Ethers form peroxides on standing: test before "
                "evaporating, never to dryness. Never bring chloroform together with acetone and "
                "base. Do not raise dust of dry silica. Collect halogen-free solvent, halogenated "
                "solvent and wet silica apart; nothing goes to the sink. This is a reminder, not a "
                "clearance: local rules, the safety data sheets and trained supervision decide.",
            ),
        ),
        class_="cautions",
        aria_labelledby="cautions",
    )
