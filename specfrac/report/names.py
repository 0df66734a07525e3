"""What pigments, tubes and flags are called in a report."""

from __future__ import annotations

from specfrac.flags import CODES, Flag
from specfrac.plots import POOL_LABELS, PigmentStyle, pigment_style
from specfrac.report.markup import Html, slug, tag

FULL_NAMES = {
    "beta-carotene": "β-carotene",
    "alpha-carotene": "α-carotene",
    "chlorophyll-a": "chlorophyll a",
    "chlorophyll-b": "chlorophyll b",
    "pheophytin-a": "pheophytin a",
    "pheophytin-b": "pheophytin b",
    "pheophorbide-a": "pheophorbide a",
    "chlorophyll-a-pool": "chlorophyll a pool, as chlorophyll a",
    "chlorophyll-b-pool": "chlorophyll b pool, as chlorophyll b",
}

GROUP_NAMES = {
    "carotenoids": "all carotenoids",
    "chlorophyll-a-pool": "chl a + pheo a, as chl a",
    "chlorophyll-b-pool": "chl b + pheo b, as chl b",
}

ROLE_WORDS = {
    "loaded": "loaded on the column",
    "cut": "cut",
    "wash": "wash",
    "standard": "standard",
    "blank": "blank",
}

SEVERITY_WORDS = {"fatal": "stop", "warn": "warning", "note": "note"}


def full_name(key: str) -> str:
    """Return the name of a pigment, group or pool in full.

    Examples
    --------
    >>> full_name("beta-carotene"), full_name("lutein")
    ('β-carotene', 'lutein')
    """
    return FULL_NAMES.get(key) or POOL_LABELS.get(key) or pigment_style(key).label


def joint_name(members: tuple[str, ...]) -> str:
    """Return one name, or "lutein and neoxanthin together"."""
    names = [full_name(member) for member in members]
    if len(names) == 1:
        return names[0]
    return ", ".join(names[:-1]) + f" and {names[-1]} together"


def swatch(style: PigmentStyle) -> Html:
    """Return a short piece of the pigment's line, as in the figures."""
    line = tag(
        "line",
        x1="1",
        y1="4",
        x2="25",
        y2="4",
        stroke=style.colour,
        stroke_width="2.6",
        stroke_dasharray=" ".join(f"{2.2 * dash:g}" for dash in style.dashes) or None,
    )
    return tag("svg", line, class_="swatch", viewBox="0 0 26 8", aria_hidden="true")


def tube_id(number: int) -> str:
    """Return the anchor of a tube's section."""
    return f"tube-{number}"


def workings_id(number: int, key: str) -> str:
    """Return the anchor of the workings of one pigment in one tube."""
    return f"tube-{number}-{slug(key)}"


def flag_meaning(flag: Flag) -> str:
    """Return what a flag's code means, in the words of the table of codes."""
    return CODES[flag.code][1]
