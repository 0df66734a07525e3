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


def worded(sentence: str) -> str:
    """Return a sentence with the keys of pigments replaced by their names.

    A key inside a file name or a longer word stays as it is.

    Examples
    --------
    >>> worded("the shape of beta-carotene is doubtful in chlorophyll-a.csv; see chlorophyll-a.")
    'the shape of β-carotene is doubtful in chlorophyll-a.csv; see chlorophyll a.'
    """
    names = _library_names()
    return _keys().sub(lambda match: names[match.group()], sentence)


@lru_cache(maxsize=1)
def _keys() -> re.Pattern[str]:
    longest_first = sorted(_library_names(), key=len, reverse=True)
    alternatives = "|".join(map(re.escape, longest_first))
    return re.compile(rf"(?<![\w./\\-])(?:{alternatives})(?![\w/\\-]|\.\w)")


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
