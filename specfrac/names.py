"""What pigments and pools are called in sentences; in data they keep their keys."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import lru_cache
from types import MappingProxyType

from specfrac.references import read_table

POOL_NAMES = MappingProxyType(
    {
        "carotenoids": "carotenoids",
        "chlorophyll-a-pool": "chlorophyll a with its pheophytin",
        "chlorophyll-b-pool": "chlorophyll b with its pheophytin",
        "porphyrins": "all chlorophylls with their pheophytins",
        "coloured pigment": "coloured pigment",
    }
)


@lru_cache(maxsize=1)
def _library_names() -> Mapping[str, str]:
    return MappingProxyType(
        {row["pigment"]: row["name"] for row in read_table("pigments.csv").rows}
    )


def spoken(key: str) -> str:
    """Return a pigment or pool as it is said: the name the library gives it.

    Examples
    --------
    >>> spoken("chlorophyll-a"), spoken("beta-carotene"), spoken("chlorophyll-b-pool")
    ('chlorophyll a', 'β-carotene', 'chlorophyll b with its pheophytin')
    """
    known = POOL_NAMES.get(key) or _library_names().get(key)
    return known or re.sub(r"-([a-z])$", r" \1", key)


def listed(words: Iterable[str], *, last: str = "and") -> str:
    """Return "a", "a and b", "a, b and c", or "" for nothing.

    Examples
    --------
    >>> listed(["lutein", "β-carotene", "neoxanthin"])
    'lutein, β-carotene and neoxanthin'
    """
    each = list(words)
    if len(each) < 2:
        return "".join(each)
    return f"{', '.join(each[:-1])} {last} {each[-1]}"
