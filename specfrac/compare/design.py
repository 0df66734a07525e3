"""Which methods met in which blocks, and so what may be compared."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

UNPAIRED = "unpaired"
PAIRED = "paired"
BLOCKED = "blocked"
CONFOUNDED = "confounded"


@dataclass(frozen=True, slots=True)
class Design:
    """How the runs of a measure are laid out.

    Attributes
    ----------
    kind : str
        ``"unpaired"`` (no blocks), ``"paired"`` (every block holds one run of each
        method), ``"blocked"`` or ``"confounded"`` (no two methods are linked).
    methods, blocks : tuple of str
        In order of appearance; `blocks` is empty when unpaired.
    groups : tuple of tuple of str
        Methods that a chain of blocks links, the largest group first.
    alone : tuple of int
        Positions of runs without a partner in their block; they say nothing about a
        difference.
    """

    kind: str
    methods: tuple[str, ...]
    blocks: tuple[str, ...]
    groups: tuple[tuple[str, ...], ...]
    alone: tuple[int, ...]

    def linked(self, first: str, second: str) -> bool:
        """Return whether two methods may be compared."""
        return any(first in group and second in group for group in self.groups)


def design(methods: Sequence[str], blocks: Sequence[str]) -> Design:
    """Return how runs are laid out over methods and blocks.

    A run without a stated block counts as a block of its own, unless no run states one.
    One single block for all is no block.

    Parameters
    ----------
    methods, blocks : sequence of str
        One a run.

    Returns
    -------
    Design

    Examples
    --------
    >>> design(["a", "b", "a", "b"], ["mon", "mon", "tue", "tue"]).kind
    'paired'
    >>> design(["a", "a", "b", "b"], ["mon", "mon", "tue", "tue"]).kind
    'confounded'
    """
    kinds = tuple(dict.fromkeys(methods))
    if not any(blocks) or len(set(blocks)) == 1:
        return Design(UNPAIRED, kinds, (), (kinds,) if kinds else (), ())
    named = named_blocks(blocks)
    size = Counter(named)
    alone = tuple(at for at, block in enumerate(named) if size[block] == 1)
    members: dict[str, list[str]] = {}
    for method, block in zip(methods, named, strict=True):
        members.setdefault(block, []).append(method)
    groups = _components(kinds, list(members.values()))
    used = tuple(block for block, held in members.items() if len(held) > 1)
    if len(kinds) > 1 and len(groups) == len(kinds):
        kind = CONFOUNDED
    elif all(sorted(held) == sorted(kinds) for held in members.values()):
        kind = PAIRED
    else:
        kind = BLOCKED
    return Design(kind, kinds, used, groups, alone)


def named_blocks(blocks: Sequence[str]) -> tuple[str, ...]:
    """Return the blocks, with a name of its own for every run that states none."""
    return tuple(block or f"\x00{at}" for at, block in enumerate(blocks))


def _components(
    methods: Sequence[str], together: Sequence[Sequence[str]]
) -> tuple[tuple[str, ...], ...]:
    group_of = {method: {method} for method in methods}
    for held in together:
        merged = set().union(*(group_of[method] for method in held))
        for method in merged:
            group_of[method] = merged
    groups = {tuple(one for one in methods if one in group): None for group in group_of.values()}
    return tuple(sorted(groups, key=lambda group: (-len(group), methods.index(group[0]))))
