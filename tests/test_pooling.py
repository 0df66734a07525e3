"""Pools of neighbouring tubes against brute force, Monte Carlo and the quantities of a tube."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from specfrac.errors import InputError
from specfrac.pooling import Cuts, all_pools, best_pool, cuts_of, trade_off


def make_cuts(target, other, *, noise=0.02, shared=0.03, segment=None):
    """Cuts with independent noise and one relative error common to all."""
    target, other = np.asarray(target, float), np.asarray(other, float)
    total = target + other
    n = target.size
    own = np.zeros((n, 2, 2))
    own[:, 0, 0] = noise**2
    own[:, 0, 1] = own[:, 1, 0] = noise**2
    own[:, 1, 1] = 2 * noise**2
    common = shared * np.stack([target, target], axis=1)[:, :, None]
    names = tuple(f"T{i + 1}" for i in range(n))
    segments = np.zeros(n, dtype=int) if segment is None else np.asarray(segment)
    return Cuts(names, target, total, own, common, segments)


def brute_force(cuts, wanted):
    """Most target of any contiguous pool whose share is at least `wanted`."""
    n = len(cuts.names)
    best = (0.0, None)
    for first, last in itertools.combinations_with_replacement(range(n), 2):
        held = range(first, last + 1)
        if len({int(cuts.segment[i]) for i in held}) > 1:
            continue
        target = sum(float(cuts.target[i]) for i in held)
        total = sum(float(cuts.total[i]) for i in held)
        if total > 0 and target >= wanted * total * (1 - 1e-12) and target > best[0]:
            best = (target, tuple(cuts.names[i] for i in held))
    return best


hundredths = st.integers(0, 1000).map(lambda n: n / 100)  # µg as a person would write them
amounts = st.lists(st.tuples(hundredths, hundredths, st.integers(0, 1)), min_size=1, max_size=9)


@settings(max_examples=200, deadline=None)
@given(amounts, st.sampled_from([0.3, 0.5, 0.8, 0.9, 0.95, 0.98]))
def test_the_best_pool_is_that_of_brute_force(rows, wanted):
    target, other, jumps = zip(*rows, strict=True)
    cuts = make_cuts(target, other, segment=np.cumsum(jumps))
    found = best_pool(all_pools(cuts), wanted)
    mass, names = brute_force(cuts, wanted)
    if names is None:
        assert found is None
    else:
        assert found.mass.value == pytest.approx(mass)
        assert found.share.value >= wanted - 1e-9


def test_no_pool_beats_one_of_the_trade_off_and_all_are_on_it():
    rng = np.random.default_rng(5)
    cuts = make_cuts(rng.uniform(0, 5, 12), rng.uniform(0, 5, 12))
    pools = all_pools(cuts)
    curve = trade_off(pools).pools
    masses, shares = [p.mass.value for p in curve], [p.share.value for p in curve]
    assert masses == sorted(masses) and shares == sorted(shares, reverse=True)
    for mass, share in zip(pools.target, pools.share, strict=True):
        assert any(p.mass.value >= mass and p.share.value >= share - 1e-12 for p in curve)
    for wanted in (0.5, 0.7, 0.9):
        best = best_pool(pools, wanted)
        if best is not None:
            assert best.mass.value == max(
                m for m, s in zip(masses, shares, strict=True) if s >= wanted
            )


def test_uncertainty_and_probability_agree_with_monte_carlo():
    """Only errors of single tubes average out in a pool; the common one does not."""
    rng = np.random.default_rng(11)
    cuts = make_cuts([4.0, 5.0, 3.0], [0.2, 0.4, 0.5], noise=0.05, shared=0.04)
    pools = all_pools(cuts)
    whole = next(i for i in range(len(pools)) if (pools.first[i], pools.last[i]) == (0, 2))
    pool = pools.pool(whole, wanted_share=0.92)
    draws = 200_000
    own = np.array([rng.multivariate_normal(np.zeros(2), c, draws) for c in cuts.own_covariance])
    common = rng.standard_normal(draws)
    both = np.array([cuts.target, cuts.total]).sum(axis=1)[None, :] + own.sum(axis=0)
    both = both + common[:, None] * cuts.shared.sum(axis=0)[:, 0][None, :]
    share = both[:, 0] / both[:, 1]
    assert pool.mass.uncertainty == pytest.approx(both[:, 0].std(), rel=0.01)
    assert pool.share.uncertainty == pytest.approx(share.std(), rel=0.02)
    assert pool.probability == pytest.approx((share > 0.92).mean(), abs=0.005)
    low, high = np.quantile(share, [0.025, 0.975])
    assert pool.interval == pytest.approx((low, high), abs=0.001)


def test_a_tube_not_measured_is_a_wall():
    cuts = make_cuts([5.0, 5.0], [0.0, 0.0], segment=[0, 1])
    assert best_pool(all_pools(cuts), 0.9).names in (("T1",), ("T2",))


def test_confidence_asks_for_more_than_the_estimate():
    cuts = make_cuts([5.0, 5.0], [0.1, 0.5], noise=0.2)
    pools = all_pools(cuts)
    assert best_pool(pools, 0.94).names == ("T1", "T2")
    sure = best_pool(pools, 0.94, confidence=0.7)
    assert sure.names == ("T1",) and sure.probability >= 0.7
    assert best_pool(pools, 0.94, confidence=0.999) is None


def test_wrong_limits_are_refused():
    pools = all_pools(make_cuts([1.0], [0.0]))
    with pytest.raises(InputError, match="wanted share is 95"):
        best_pool(pools, 95)
    with pytest.raises(InputError, match="confidence is 1"):
        best_pool(pools, 0.9, confidence=1)
    with pytest.raises(InputError, match="own_covariance has shape"):
        Cuts(("a",), [1.0], [1.0], np.zeros((1, 2)), np.zeros((1, 2, 0)), [0])


def test_every_pool_of_two_hundred_tubes_is_looked_at():
    rng = np.random.default_rng(3)
    n = 200
    place = np.arange(n)
    target = 8 * np.exp(-0.5 * ((place - 60) / 12) ** 2)
    other = 6 * np.exp(-0.5 * ((place - 95) / 14) ** 2) + 0.02
    own = np.tile(0.02**2 * np.eye(2), (n, 1, 1))
    shared = rng.normal(0, 0.01, (1, 1, 24)) * np.stack([target, target], axis=1)[:, :, None]
    cuts = Cuts(tuple(map(str, place)), target, target + other, own, shared, np.zeros(n, dtype=int))
    pools = all_pools(cuts)
    found = [best_pool(pools, share, confidence=0.9) for share in (0.90, 0.95, 0.98)]
    assert len(trade_off(pools).pools) > 1
    assert len(pools) == n * (n + 1) // 2
    masses = [pool.mass.value for pool in found]
    assert masses == sorted(masses, reverse=True)


def test_cuts_of_a_run_give_what_the_tube_gives(rack):
    """A pool of one tube has the mass, share and probability of that tube."""
    from specfrac.quantities import mass_in, probability_share_above

    tubes, contents = rack
    cuts = cuts_of([(t.fraction.name, t.content) for t in tubes], ("beta-carotene",))
    pools = all_pools(cuts)
    single = np.flatnonzero(pools.first == pools.last)
    assert cuts.shared.shape[2] > 0
    for position, content in zip(single, contents, strict=True):
        pool = pools.pool(position, wanted_share=0.9)
        mass = mass_in(content, "beta-carotene")  # detected in every tube, so as shown
        assert pool.mass.value == pytest.approx(mass.value)
        assert pool.mass.uncertainty == pytest.approx(mass.uncertainty)
        if min(content.displayed, key=lambda c: c.nominal_value).nominal_value > 0:
            chance = probability_share_above(content, "beta-carotene", 0.9)
            assert pool.probability == pytest.approx(chance, abs=1e-6)


def test_found_in_all_tubes_is_the_largest_pool(rack):
    from specfrac.quantities import found_in

    tubes, contents = rack
    cuts = cuts_of([(t.fraction.name, t.content) for t in tubes], ("beta-carotene",))
    pools = all_pools(cuts)
    whole = pools.pool(int(np.argmax(pools.last - pools.first)))
    together = found_in(contents, "beta-carotene")
    assert whole.mass.value == pytest.approx(together.value)
    assert whole.mass.uncertainty == pytest.approx(together.uncertainty)


@pytest.fixture(scope="module")
def rack(tmp_path_factory):
    from specfrac.references import load_references
    from specfrac.sheet import read_run
    from specfrac.simulate import simulate_scan
    from specfrac.tubes import bench, measure_all

    folder = tmp_path_factory.mktemp("rack")
    references = load_references().select(solvent="acetone-90")
    wavelength = np.arange(350.0, 781.0, 1.0)
    columns = []
    for i, (carotene, pheophytin) in enumerate([(0.4, 0.02), (2.0, 0.1), (1.0, 0.6), (0.1, 1.5)]):
        content = {"beta-carotene": carotene * 1e-3, "pheophytin-a": pheophytin * 1e-3}
        scan = simulate_scan(references, content, wavelength=wavelength, noise=3e-4, rng=i)
        columns.append(scan.absorbance)
    rows = [
        ",".join([f"{w:g}", *(f"{c[k]:.5f}" for c in columns)]) for k, w in enumerate(wavelength)
    ]
    text = "\n".join(["wavelength_nm,cut 1,cut 2,cut 3,cut 4", *rows]) + "\n"
    (folder / "rack.csv").write_text(text, encoding="utf-8")
    tubes = "".join(
        f'[[fraction]]\nname = "cut {i}"\nscan = "rack.csv"\nsample = "cut {i}"\n'
        for i in range(1, 5)
    )
    head = '[defaults]\nsolvent = "acetone-90"\nbandwidth_nm = 2\nmade_up_volume_ml = 2\n'
    (folder / "run.toml").write_text(head + tubes, encoding="utf-8")
    run = read_run(folder)
    measured = measure_all(bench(run, load_references()))
    return measured, [tube.content for tube in measured]
