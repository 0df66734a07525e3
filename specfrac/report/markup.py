"""HTML that cannot be broken by what a file says: text is escaped unless it is `Html`."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable


class Html(str):
    """Markup that is safe as it stands; any other string is escaped."""

    __slots__ = ()


Child = str | None | Iterable["str | None"]

VOID = frozenset({"br", "col", "hr", "input", "link", "meta", "wbr"})
# Control characters are not allowed in HTML; the bidirectional ones could turn a line round.
HARMFUL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufffe\uffff]")
LONGEST_WORD = 40


def text(value: object) -> Html:
    """Return text as markup: escaped, without control characters.

    Examples
    --------
    >>> text("<b> & 'c'")
    '&lt;b&gt; &amp; &#x27;c&#x27;'
    """
    if isinstance(value, Html):
        return value
    # a lone surrogate, as a broken file name has, cannot be written as UTF-8
    clean = str(value).encode("utf-8", "replace").decode("utf-8")
    return Html(html.escape(HARMFUL.sub("\ufffd", clean)))


def tag(name: str, /, *children: Child, **attributes: object) -> Html:
    """Return an element.

    Parameters
    ----------
    name : str
    *children : str, iterable of str, or None
        Plain text is escaped, None left out.
    **attributes : object
        A trailing underscore is dropped (``class_``), other underscores become
        hyphens. True gives a bare attribute; None and False give none.

    Examples
    --------
    >>> tag("p", "a < b", class_="note")
    '<p class="note">a &lt; b</p>'
    >>> tag("input", type="range", hidden=True)
    '<input type="range" hidden>'
    """
    written = "".join(
        f" {_attribute(key)}" if value is True else f' {_attribute(key)}="{text(value)}"'
        for key, value in attributes.items()
        if value is not None and value is not False
    )
    if name in VOID:
        return Html(f"<{name}{written}>")
    return Html(f"<{name}{written}>{joined(*children)}</{name}>")


def _attribute(key: str) -> str:
    return key.rstrip("_").replace("_", "-")


def joined(*children: Child, by: str = "") -> Html:
    """Return children one after the other, text escaped."""
    pieces: list[str] = []
    for child in children:
        if child is None:
            continue
        if isinstance(child, str):
            pieces.append(text(child))
        else:
            pieces.extend(text(one) for one in child if one is not None)
    return Html(by.join(pieces))


def slug(value: str) -> str:
    """Return text as part of an id or a file name: letters, digits and hyphens.

    Examples
    --------
    >>> slug("../Yellow cut <2>"), slug("β")
    ('yellow-cut-2', 'x')
    """
    return re.sub(r"[^a-z0-9]+", "-", value.casefold()).strip("-")[:LONGEST_WORD] or "x"
