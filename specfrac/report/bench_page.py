"""A page for bench work that belongs to no run: a qualification, a class, a plan."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from specfrac.report.markup import Html, tag
from specfrac.report.page import asset

if TYPE_CHECKING:
    from specfrac.claims.results import ClassResult


def bench_page(title: str, kind: str, sections: Iterable[Html | None]) -> str:
    """Return one HTML page in the look of a run's report, without any script.

    Parameters
    ----------
    title, kind : str
        Heading, and what kind of page it is.
    sections : iterable of Html or None

    Returns
    -------
    str
        The same sections give the same text.
    """
    from specfrac import __version__

    policy = (
        "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
        "form-action 'none'"
    )
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=policy),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="generator", content=f"specfrac {__version__}"),
        tag("title", title),
        tag("style", Html(asset("page.css"))),
    )
    body = tag(
        "body",
        tag("header", tag("p", kind, class_="kind"), tag("h1", title)),
        tag("main", [one for one in sections if one is not None]),
        tag("footer", tag("p", f"specfrac {__version__}")),
        class_="specfrac",
    )
    return f'<!DOCTYPE html>\n<html lang="en">{head}{body}</html>\n'


def class_page(found: ClassResult, title: str = "Figures worked by hand") -> str:
    """Return the check of a class as one page.

    Parameters
    ----------
    found : ClassResult
    title : str
    """
    from specfrac.report.claims import claims_html

    return bench_page(title, "Worked figures, checked", [claims_html(found)])
