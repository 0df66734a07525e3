"""Limits and settings, each with its source, as the rows of a table."""

from __future__ import annotations

from specfrac.report.markup import Html, tag
from specfrac.settings import Settings

LIMIT_HEADS = ("setting", "value", "unit", "source", "what for")


def limit_rows(settings: Settings, *, changed: str = "") -> list[Html]:
    """Return a row a limit.

    Parameters
    ----------
    settings : Settings
    changed : str
        Added to the source of a limit that is not the default.
    """
    return [
        tag(
            "tr",
            tag("th", tag("code", limit.key), scope="row"),
            tag("td", f"{limit.value:g}", class_="figure"),
            tag("td", limit.unit),
            tag("td", limit.source + (changed if limit.changed else "")),
            tag("td", tag("small", limit.note)),
        )
        for limit in settings.limits.values()
    ]
