"""The order of pigments on a silica plate, against the known one."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from uncertainties import UFloat

from specfrac.plates.sheet import plate_pigments
from specfrac.uncertainty import Quantity, quantity

COVERAGE = 2.0  # k of the expanded uncertainty that decides whether two spots differ


@dataclass(frozen=True, slots=True)
class OrderPair:
    """Two named pigments of one plate against the known order.

    Attributes
    ----------
    faster, slower : str
        As the known order has it.
    rf_difference : Quantity
        Rf of `faster` less that of `slower`; negative when the plate has it the other way.
    verdict : str
        ``"in order"``, ``"inverted"``, ``"within uncertainty"``, or ``"may swap"`` for
        neighbours whose order depends on the developing solvent.
    """

    faster: str
    slower: str
    rf_difference: Quantity
    verdict: str


@dataclass(frozen=True, slots=True)
class OrderTest:
    """The named spots of a plate against the known order on silica.

    Attributes
    ----------
    pigments : tuple of str
        In the order of the plate, fastest first.
    pairs : tuple of OrderPair
    chance : float
        Probability that pigments named at random stand in as good an order (Kendall's
        statistic, exact); 1 with fewer than two.
    sentence : str
    """

    pigments: tuple[str, ...]
    pairs: tuple[OrderPair, ...]
    chance: float
    sentence: str

    @property
    def inverted(self) -> tuple[OrderPair, ...]:
        """Pairs that contradict the known order beyond uncertainty."""
        return tuple(pair for pair in self.pairs if pair.verdict == "inverted")


def order_test(named: Mapping[str, Sequence[UFloat]]) -> OrderTest | None:
    """Compare the named spots of a silica plate with the known order.

    Parameters
    ----------
    named : mapping of str to sequence of UFloat
        Rf by pigment, of every lane; they share the plate's lines. Pigments whose
        place is not known are left out.

    Returns
    -------
    OrderTest or None
        None with fewer than two pigments.
    """
    named = {pigment: all_ for pigment, all_ in named.items() if pigment in plate_pigments()}
    if len(named) < 2:
        return None
    means = {pigment: sum(all_) / len(all_) for pigment, all_ in named.items()}
    pairs = tuple(
        _order_pair(*_as_known(one, other), means)
        for one, other in combinations(means, 2)
        if plate_pigments()[one].order != plate_pigments()[other].order
    )
    standing = tuple(sorted(means, key=lambda pigment: -means[pigment].nominal_value))
    discordant = sum(pair.rf_difference.value < 0 for pair in pairs)
    chance = chance_of_order([plate_pigments()[pigment].order for pigment in means], discordant)
    return OrderTest(standing, pairs, chance, _order_sentence(standing, pairs, chance))


def _as_known(one: str, other: str) -> tuple[str, str]:
    known = plate_pigments()
    return (one, other) if known[one].order < known[other].order else (other, one)


def _order_pair(faster: str, slower: str, means: Mapping[str, UFloat]) -> OrderPair:
    apart = quantity(means[faster] - means[slower], "")
    if abs(apart.value) <= COVERAGE * apart.uncertainty:
        verdict = "within uncertainty"
    elif apart.value > 0:
        verdict = "in order"
    elif slower in plate_pigments()[faster].close_to or faster in plate_pigments()[slower].close_to:
        verdict = "may swap"
    else:
        verdict = "inverted"
    return OrderPair(faster, slower, apart, verdict)


def chance_of_order(places: Sequence[int], discordant: int) -> float:
    """Probability of at most so many discordant pairs when pigments are named at random.

    Kendall's distribution, exact: the number of orders by discordant pairs is the
    q-factorial of n, divided by that of every set of pigments of equal place.

    Parameters
    ----------
    places : sequence of int
        Place of each pigment in the known order.
    discordant : int
        Pairs that stand the other way round.

    Returns
    -------
    float
        1 with fewer than two places.

    Examples
    --------
    >>> round(1 / chance_of_order([1, 2, 4, 5, 6], 0))
    120
    """
    counts = [1]
    for size in range(2, len(places) + 1):
        counts = _times(counts, size)
    for tied in Counter(places).values():
        for size in range(2, tied + 1):
            counts = _over(counts, size)
    return sum(counts[: discordant + 1]) / sum(counts)


def _times(counts: list[int], size: int) -> list[int]:
    """Multiply a polynomial by 1 + q + ... + q^(size - 1)."""
    longer = [0] * (len(counts) + size - 1)
    for at, count in enumerate(counts):
        for step in range(size):
            longer[at + step] += count
    return longer


def _over(counts: list[int], size: int) -> list[int]:
    """Divide a polynomial by 1 + q + ... + q^(size - 1), which leaves nothing over."""
    quotient: list[int] = []
    for at in range(len(counts) - size + 1):
        quotient.append(counts[at] - sum(quotient[max(0, at - size + 1) : at]))
    return quotient


def _order_sentence(standing: Sequence[str], pairs: Sequence[OrderPair], chance: float) -> str:
    inverted = [pair for pair in pairs if pair.verdict == "inverted"]
    close = [pair for pair in pairs if pair.verdict == "within uncertainty"]
    swapped = [pair for pair in pairs if pair.verdict == "may swap"]
    by_chance = f"by chance one time in {1 / chance:.3g}"
    if inverted:
        listed = "; ".join(
            f"{pigment_name(pair.slower)} runs ahead of {pigment_name(pair.faster)} by "
            f"{-pair.rf_difference.value:.2f}"
            for pair in inverted
        )
        return (
            f"Against the known order on silica: {listed}. A spot may be named wrongly, or two "
            "spots be mixed up."
        )
    sentence = f"{len(standing)} named pigments stand in the known order on silica ({by_chance})"
    if swapped:
        listed = ", ".join(
            f"{pigment_name(pair.faster)} and {pigment_name(pair.slower)}" for pair in swapped
        )
        sentence += f"; {listed} are swapped, which depends on the developing solvent"
    if close:
        listed = ", ".join(
            f"{pigment_name(pair.faster)} and {pigment_name(pair.slower)}" for pair in close
        )
        sentence += f"; the plate cannot tell the order of {listed}"
    return sentence + "."


def pigment_name(pigment: str) -> str:
    """Return the name of a pigment a plate shows, or its key."""
    known = plate_pigments().get(pigment)
    return known.name if known else pigment
