"""The report as one page that needs nothing but itself."""

from __future__ import annotations

import base64
import hashlib
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING

from specfrac.report.column import elution_section, pooling_section
from specfrac.report.markup import Html, joined, tag
from specfrac.report.method import (
    cautions,
    method_section,
    record_section,
    references_section,
    version,
)
from specfrac.report.pictures import Drawings, drawings
from specfrac.report.recovered import balance_section
from specfrac.report.summary import heading, summary
from specfrac.report.tube import tube_section

if TYPE_CHECKING:
    from specfrac.claims import ClassResult
    from specfrac.plates.evidence import PlatesResult
    from specfrac.run import RunResult


@lru_cache(maxsize=2)
def asset(name: str) -> str:
    """Return style or script of the report as text."""
    return (files("specfrac.report") / name).read_text(encoding="utf-8")


def report_html(
    result: RunResult,
    *,
    plates: PlatesResult | None = None,
    claims: ClassResult | None = None,
) -> str:
    """Return the report of a run as one HTML page.

    Style, script and figures are inside; the page's own policy forbids it to load
    anything and to run any script but its own. The same result gives the same text.

    Parameters
    ----------
    result : RunResult
    plates : PlatesResult, optional
        The run's thin-layer plates beside its scans.
    claims : ClassResult, optional
        Figures worked by hand, checked.

    Returns
    -------
    str
    """
    drawn = drawings(result)
    return page_html(result, drawn, plates=plates, claims=claims)


def page_html(
    result: RunResult,
    drawn: Drawings,
    *,
    plates: PlatesResult | None = None,
    claims: ClassResult | None = None,
) -> str:
    """Return the page of `report_html` with figures that are drawn already."""
    script = asset("page.js")
    title = result.run.title or "Untitled run"
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=_policy(script)),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="generator", content=f"specfrac {version()}"),
        tag("title", f"{title}: column run"),
        tag("style", Html(asset("page.css"))),
    )
    body = tag(
        "body",
        tag("a", "Skip to the tubes", href="#tube-1", class_="skip"),
        heading(result.run),
        tag("main", _sections(result, drawn, plates, claims)),
        tag(
            "footer", tag("p", f"specfrac {version()}, reference library {result.library_version}")
        ),
        tag("script", Html(script)),
        class_="specfrac",
    )
    return f'<!DOCTYPE html>\n<html lang="en">{head}{body}</html>\n'


def _sections(
    result: RunResult, drawn: Drawings, plates: PlatesResult | None, claims: ClassResult | None
) -> Html:
    tubes = [tube_section(result, number + 1, drawn) for number in range(len(result.fractions))]
    return joined(
        summary(result),
        balance_section(result, drawn),
        elution_section(result, drawn),
        pooling_section(result, drawn),
        tubes,
        _plates(plates) if plates is not None else None,
        _claims(claims) if claims is not None else None,
        method_section(result),
        cautions(),
        references_section(result),
        record_section(result),
    )


def _plates(plates: PlatesResult) -> Html | None:
    from specfrac.report.plates import plates_html  # few runs have plates

    return plates_html(plates)


def _claims(claims: ClassResult) -> Html | None:
    from specfrac.report.claims import claims_html  # and fewer have figures worked by hand

    return claims_html(claims)


def _policy(script: str) -> str:
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return (
        f"default-src 'none'; script-src 'sha256-{digest}'; style-src 'unsafe-inline'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )
