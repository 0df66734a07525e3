"""Which neighbouring tubes to pool for a wanted share of a wanted pigment.

Pooling can only be of tubes that came off the column one after the other. All such
pools are looked at, so the best one is exact. Errors that tubes share (absorptivity,
band shape, gain, cuvette) are kept apart from errors of one tube alone: only the
latter average out in a pool.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from uncertainties.core import AffineScalarFunc, Variable

from specfrac.errors import InputError
from specfrac.quantities import MICROGRAM_PER_MILLIGRAM, TubeContent
from specfrac.uncertainty import NORMAL_95, Quantity, measured

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

ROUNDING = 1e-12
OWN_ERRORS = "errors of each tube alone"
SHARED_ERRORS = "errors the tubes share"
SHARES = (0.90, 0.95, 0.98)
"""Shares for which a pool is always sought."""


@dataclass(frozen=True, slots=True, eq=False)
class Cuts:
    """Tubes in the order they came off, with what they hold.

    Attributes
    ----------
    names : tuple of str, length n_tubes
    target, total : ndarray, shape (n_tubes,)
        µg of the wanted pigment and of all coloured pigment; counted estimates
        (`specfrac.quantities.counted_estimate`), as shown where detected.
    own_covariance : ndarray, shape (n_tubes, 2, 2)
        Covariance of (target, total) from errors of that tube alone, µg².
    shared : ndarray, shape (n_tubes, 2, n_shared)
        Change of (target, total) for one standard deviation of each error that
        several tubes share, µg.
    segment : ndarray of int, shape (n_tubes,)
        A pool may not reach over a tube that was not measured: tubes with such a tube
        between them have different numbers here.
    sources : tuple of str, length n_shared
        What each shared error is called in a budget.
    """

    names: tuple[str, ...]
    target: Array
    total: Array
    own_covariance: Array
    shared: Array
    segment: NDArray[np.int64]
    sources: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        n = len(self.names)
        shapes = {
            "target": (n,),
            "total": (n,),
            "own_covariance": (n, 2, 2),
            "shared": (n, 2, self.shared.shape[-1]),
            "segment": (n,),
        }
        if self.sources and len(self.sources) != self.shared.shape[-1]:
            raise InputError(
                f"cuts: {len(self.sources)} sources are named for {self.shared.shape[-1]} shared "
                "errors; name each, or none."
            )
        for name, shape in shapes.items():
            values = np.array(getattr(self, name))
            if values.shape != shape:
                raise InputError(f"cuts: {name} has shape {values.shape}, but must be {shape}.")
            values.setflags(write=False)
            object.__setattr__(self, name, values)


@dataclass(frozen=True, slots=True)
class Pool:
    """Neighbouring tubes put together.

    Attributes
    ----------
    names : tuple of str
        The tubes, in order.
    mass : Quantity
        µg of the wanted pigment.
    share : Quantity
        Its share of the coloured pigment by mass, fraction of one, kept within 0 and 1.
    interval : (float, float)
        95 % of the share, within 0 and 1.
    wanted_share : float or None
        The limit the pool was chosen for.
    probability : float or None
        That the share is above that limit.
    yield_share : float
        Of all the wanted pigment in the tubes, the part that is in the pool.
    """

    names: tuple[str, ...]
    mass: Quantity
    share: Quantity
    interval: tuple[float, float]
    wanted_share: float | None
    probability: float | None
    yield_share: float


@dataclass(frozen=True, slots=True, eq=False)
class Pools:
    """Every pool of neighbouring tubes.

    Attributes
    ----------
    cuts : Cuts
    first, last : ndarray of int, shape (n_pools,)
        Positions of the first and last tube.
    target, total : ndarray, shape (n_pools,)
        µg.
    covariance : ndarray, shape (n_pools, 2, 2)
        Of (target, total), µg².
    """

    cuts: Cuts
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    target: Array
    total: Array
    covariance: Array

    def __len__(self) -> int:
        return int(self.first.size)

    @property
    def share(self) -> Array:
        """Share of the wanted pigment; NaN where a pool holds nothing."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self.total > 0, self.target / self.total, np.nan)

    def probability_above(self, share: float) -> Array:
        """Return the probability that each pool's share is above a limit.

        Φ((m - p M) / u(m - p M)), m the wanted pigment, M all of it; exact for errors
        that are normal, also where the share is near 1.
        """
        margin = self.target - share * self.total
        # differences of running sums leave a rounding error where a share is met exactly
        margin = np.where(np.abs(margin) < ROUNDING * np.abs(self.total), 0.0, margin)
        weights = np.array([1.0, -share])
        spread = np.sqrt(np.maximum(np.einsum("i,pij,j->p", weights, self.covariance, weights), 0))
        sure = np.where(margin >= 0, np.inf, -np.inf)
        ratio = np.divide(margin, spread, out=sure, where=spread > 0)
        return np.where(self.total > 0, _normal_cdf(ratio), 0.0)

    def pool(self, position: int, *, wanted_share: float | None = None) -> Pool:
        """Return one pool by its position."""
        i = int(position)
        covariance = self.covariance[i]
        target, total = float(self.target[i]), float(self.total[i])
        share = target / total if total > 0 else math.nan
        weights = np.array([1.0, -share]) / total if total > 0 else np.full(2, math.nan)
        held = slice(int(self.first[i]), int(self.last[i]) + 1)
        everything = float(self.cuts.target.sum())
        probability = None
        if wanted_share is not None:
            probability = float(self.probability_above(wanted_share)[i])
        return Pool(
            names=self.cuts.names[held],
            mass=self._quantity(target, np.array([1.0, 0.0]), i, "µg"),
            share=self._quantity(min(max(share, 0.0), 1.0), weights, i, ""),
            interval=_fieller(target, total, covariance),
            wanted_share=wanted_share,
            probability=probability,
            yield_share=target / everything if everything > 0 else math.nan,
        )

    def _quantity(self, value: float, weights: Array, i: int, unit: str) -> Quantity:
        """Return a weighted sum of (target, total) of one pool with its budget."""
        held = slice(int(self.first[i]), int(self.last[i]) + 1)
        own = weights @ self.cuts.own_covariance[held].sum(axis=0) @ weights
        shared = (weights @ self.cuts.shared[held].sum(axis=0)) ** 2
        squares = {OWN_ERRORS: float(own)}
        for source, square in zip(self.cuts.sources or ("",) * shared.size, shared, strict=True):
            name = source or SHARED_ERRORS
            squares[name] = squares.get(name, 0.0) + float(square)
        spread = math.sqrt(max(float(weights @ self.covariance[i] @ weights), 0.0))
        parts = ((name, math.sqrt(square)) for name, square in squares.items() if square > 0)
        return Quantity(value, spread, unit, tuple(sorted(parts, key=lambda part: -part[1])))


@dataclass(frozen=True, slots=True, eq=False)
class TradeOff:
    """The purest pool for each mass: no other pool is both purer and larger.

    Attributes
    ----------
    pools : tuple of Pool
        By rising mass and falling share.
    """

    pools: tuple[Pool, ...]


def cuts_of(tubes: Sequence[tuple[str, TubeContent | None]], members: Sequence[str]) -> Cuts:
    """Return what tubes hold of a pigment and of all pigment, errors kept apart.

    Parameters
    ----------
    tubes : sequence of (str, TubeContent or None)
        Name and content, in the order they came off the column. A tube that was not
        measured, or has no volume, has None; no pool reaches over it.
    members : sequence of str
        The wanted pigment, or the pigments of a wanted sum.

    Returns
    -------
    Cuts
    """
    names, masses, segments = [], [], []
    segment = 0
    for name, held in tubes:
        if held is None or held.volume is None:
            segment += 1
            continue
        names.append(name)
        segments.append(segment)
        masses.append((correlated_mass(held, members), correlated_mass(held, held.pigments)))
    variables = [_contributions(pair) for pair in masses]
    counts: dict[Variable, int] = {}
    for contributions in variables:
        for variable in contributions:
            counts[variable] = counts.get(variable, 0) + 1
    column = {v: k for k, v in enumerate(v for v, n in counts.items() if n > 1)}
    own = np.zeros((len(names), 2, 2))
    shared = np.zeros((len(names), 2, len(column)))
    for i, contributions in enumerate(variables):
        for variable, change in contributions.items():
            if variable in column:
                shared[i, :, column[variable]] = change
            else:
                own[i] += np.outer(change, change)
    values = np.array([[float(one.nominal_value) for one in pair] for pair in masses])
    values = values.reshape(-1, 2)
    return Cuts(
        tuple(names),
        values[:, 0],
        values[:, 1],
        own,
        shared,
        np.array(segments, dtype=np.int64),
        tuple(str(variable.tag or SHARED_ERRORS) for variable in column),
    )


def correlated_mass(held: TubeContent, members: Sequence[str]) -> AffineScalarFunc:
    """Mass in the tube, µg, of counted estimates, with its correlations."""
    concentration = sum(
        (
            estimate / absorptivity
            for pigment, estimate, absorptivity in zip(
                held.pigments, held.counted, held.absorptivity, strict=True
            )
            if pigment in members
        ),
        measured(0.0, 0.0, ""),
    )
    return concentration * held.common * held.volume * MICROGRAM_PER_MILLIGRAM


def _contributions(pair: tuple[AffineScalarFunc, AffineScalarFunc]) -> dict[Variable, Array]:
    """Change of both for one standard deviation of each variable."""
    found: dict[Variable, Array] = {}
    for place, one in enumerate(pair):
        for variable, slope in one.derivatives.items():
            change = slope * variable.std_dev
            if change != 0:
                found.setdefault(variable, np.zeros(2))[place] = change
    return found


def all_pools(cuts: Cuts) -> Pools:
    """Return every pool of neighbouring tubes, single tubes included.

    Sums over neighbours are differences of running sums, so that all
    n (n + 1) / 2 pools cost little more than one.

    Parameters
    ----------
    cuts : Cuts

    Returns
    -------
    Pools
        In order of the first tube, then of the last.
    """
    n = len(cuts.names)
    first, last = np.triu_indices(n)
    together = cuts.segment[first] == cuts.segment[last]
    first, last = first[together], last[together]

    def sums(values: Array) -> Array:
        running = np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0)])
        return running[last + 1] - running[first]

    shared = sums(cuts.shared)
    covariance = sums(cuts.own_covariance) + np.einsum("pik,pjk->pij", shared, shared)
    return Pools(cuts, first, last, sums(cuts.target), sums(cuts.total), covariance)


def best_pool(pools: Pools, wanted_share: float, *, confidence: float = 0.5) -> Pool | None:
    """Return the pool with most of the wanted pigment whose share is high enough.

    Parameters
    ----------
    pools : Pools
    wanted_share : float
        Fraction of one, above 0 and at most 1.
    confidence : float
        Least probability that the share is above the wanted one; 0.5 asks only that
        the estimate is.

    Returns
    -------
    Pool or None
        None when no pool is good enough. Of pools with equal mass the one with fewer
        tubes.

    Raises
    ------
    InputError
        If share or confidence lies outside its range.
    """
    if not 0 < wanted_share <= 1:
        raise InputError(f"wanted share is {wanted_share:g}, but must be above 0 and at most 1.")
    if not 0 < confidence < 1:
        raise InputError(f"confidence is {confidence:g}, but must lie between 0 and 1.")
    good = (pools.probability_above(wanted_share) >= confidence) & (pools.target > 0)
    if not good.any():
        return None
    length = pools.last - pools.first
    candidates = np.flatnonzero(good)
    order = np.lexsort((length[candidates], -pools.target[candidates]))
    return pools.pool(int(candidates[order[0]]), wanted_share=wanted_share)


def trade_off(pools: Pools) -> TradeOff:
    """Return the pools that no other beats in both mass and share.

    Parameters
    ----------
    pools : Pools

    Returns
    -------
    TradeOff
    """
    share = pools.share
    order = np.lexsort((-share, -pools.target))  # most mass first
    kept: list[int] = []
    purest = -math.inf
    for i in order:
        if pools.target[i] > 0 and share[i] > purest:
            kept.append(int(i))
            purest = float(share[i])
    return TradeOff(tuple(pools.pool(i) for i in reversed(kept)))


@dataclass(frozen=True, slots=True, eq=False)
class Pooling:
    """Which tubes to pool for one wanted pigment.

    Attributes
    ----------
    target : str
        Pigment key or name of a pool of pigments.
    order : tuple of str
        Tubes in the order they came off.
    confidence : float
        Least probability asked of the best pools.
    best : tuple of (float, Pool or None)
        Wanted share and the best pool for it, None where there is none.
    curve : tuple of Pool
        Trade-off between mass and share, see `trade_off`.
    """

    target: str
    order: tuple[str, ...]
    confidence: float
    best: tuple[tuple[float, Pool | None], ...]
    curve: tuple[Pool, ...]

    def _repr_html_(self) -> str:
        """Show the pools in a notebook."""
        from specfrac.report import pooling_fragment

        return pooling_fragment(self)

    def to_frame(self) -> pd.DataFrame:
        """Return a row a pool: the best at each wanted share, then the trade-off."""
        import pandas as pd

        wanted = [("best", share, pool) for share, pool in self.best]
        rows = [*wanted, *(("trade-off", None, pool) for pool in self.curve)]
        return pd.DataFrame([_pool_row(*row) for row in rows], columns=POOL_COLUMNS)


POOL_COLUMNS = (
    "kind", "wanted_share", "tubes", "mass_ug", "mass_standard_uncertainty_ug", "share",
    "share_standard_uncertainty", "share_low", "share_high", "probability", "yield_share",
)  # fmt: skip


def _pool_row(kind: str, wanted: float | None, pool: Pool | None) -> tuple[object, ...]:
    if pool is None:
        return (kind, wanted, "", *(math.nan,) * 8)
    return (
        kind,
        wanted,
        " + ".join(pool.names),
        pool.mass.value,
        pool.mass.uncertainty,
        pool.share.value,
        pool.share.uncertainty,
        *pool.interval,
        math.nan if pool.probability is None else pool.probability,
        pool.yield_share,
    )


def pooling(
    cuts: Cuts, target: str, *, wanted_share: float | None = None, confidence: float = 0.5
) -> Pooling | None:
    """Return the best pools at several shares, and the trade-off of mass and share.

    Parameters
    ----------
    cuts : Cuts
    target : str
        What `cuts` calls the target.
    wanted_share : float, optional
        Besides 90, 95 and 98 %.
    confidence : float
        As in `best_pool`.

    Returns
    -------
    Pooling or None
        None without a measured tube.
    """
    if not cuts.names:
        return None
    pools = all_pools(cuts)
    shares = sorted({*SHARES, *(() if wanted_share is None else (wanted_share,))})
    return Pooling(
        target,
        cuts.names,
        confidence,
        tuple((share, best_pool(pools, share, confidence=confidence)) for share in shares),
        trade_off(pools).pools,
    )


def _normal_cdf(values: Array) -> Array:
    # scipy.special would be the only use of scipy here, and takes 0.1 s to import
    return np.array([0.5 * math.erfc(-value / math.sqrt(2)) for value in values])


def _fieller(target: float, total: float, covariance: Array) -> tuple[float, float]:
    """95 % interval of a ratio of normal quantities (Fieller 1954), within 0 and 1."""
    squared = NORMAL_95**2
    a = float(total * total - squared * covariance[1, 1])
    b = float(target * total - squared * covariance[0, 1])
    c = float(target * target - squared * covariance[0, 0])
    if not a > 0:
        return 0.0, 1.0
    half = math.sqrt(max(b * b - a * c, 0.0))
    return max((b - half) / a, 0.0), min((b + half) / a, 1.0)
