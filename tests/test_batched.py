"""Small linear algebra side by side, against one matrix at a time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from specfrac.fitting import batched
from specfrac.fitting.blocks import WORTH_A_TABLE, Blocks, Products


def positive(rng: np.random.Generator, n: int, size: int) -> np.ndarray:
    """Positive definite matrices with eigenvalues from 1 up."""
    half = rng.normal(size=(n, size, size))
    return half @ half.transpose(0, 2, 1) + np.eye(size)


@given(size=st.integers(1, 70), seed=st.integers(0, 99))
def test_whitening_undoes_the_matrix(size, seed):
    matrices = positive(np.random.default_rng(seed), 3, size)
    white, log_determinant = batched.whitening(matrices)
    for matrix, root, found in zip(matrices, white, log_determinant, strict=True):
        np.testing.assert_allclose(root @ matrix @ root.T, np.eye(size), atol=1e-8)
        np.testing.assert_allclose(np.triu(root, 1), 0.0)
        assert found == pytest.approx(np.linalg.slogdet(matrix)[1], abs=1e-9 * size)


@given(size=st.integers(1, 40), seed=st.integers(0, 99))
def test_inverse_of_lower_is_numpys(size, seed):
    factor = np.linalg.cholesky(positive(np.random.default_rng(seed), 2, size))
    np.testing.assert_allclose(
        batched.inverse_of_lower(factor), np.linalg.inv(factor), atol=1e-9 * size
    )


def test_squares_are_products_with_the_transposed():
    matrices = np.random.default_rng(1).normal(size=(4, 7, 5))
    expected = [matrix.T @ matrix for matrix in matrices]
    np.testing.assert_allclose(batched.squares(matrices), expected, rtol=1e-13, atol=1e-13)


def test_inverse_of_free_leaves_the_fixed_at_zero():
    matrices = positive(np.random.default_rng(2), 3, 6)
    fixed = np.zeros((3, 6), dtype=bool)
    fixed[1, [0, 4]] = True
    found = batched.inverse_of_free(matrices, fixed)
    np.testing.assert_allclose(found[0], np.linalg.inv(matrices[0]), rtol=1e-9)
    free = np.flatnonzero(~fixed[1])
    expected = np.linalg.inv(matrices[1][np.ix_(free, free)])
    np.testing.assert_allclose(found[1][np.ix_(free, free)], expected, rtol=1e-9)
    assert not found[1][0].any()
    assert not found[1][:, 4].any()


def curves_and_blocks(rng: np.random.Generator, n_curves: int) -> tuple[np.ndarray, Blocks]:
    """Curves that are zero but for a few blocks, on blocks of one to five points."""
    sizes = rng.integers(1, 6, 30)
    blocks = Blocks(np.cumsum(sizes) - sizes, sizes)
    curves = rng.normal(size=(n_curves, int(sizes.sum())))
    for row, curve in enumerate(curves):
        curve[: 2 * row] = 0.0
        curve[2 * row + 25 :] = 0.0
    return curves, blocks


@pytest.mark.parametrize("n_tubes", [3, WORTH_A_TABLE])
@pytest.mark.parametrize("same", [True, False])
def test_products_are_the_sums_over_points(n_tubes, same):
    """The same with and without tables, for curves with themselves and with others."""
    rng = np.random.default_rng(3)
    left, blocks = curves_and_blocks(rng, 21)
    right = left if same else rng.normal(size=(5, left.shape[1]))
    weight = rng.uniform(0, 2, (n_tubes, blocks.starts.size))
    expected = np.einsum("lp,tp,rp->tlr", left, blocks.spread(weight), right)
    products = Products(left, right, blocks)
    np.testing.assert_allclose(products.weighted(weight), expected, atol=1e-12)
    # and again, for the tables are kept
    np.testing.assert_allclose(products.weighted(weight[:2]), expected[:2], atol=1e-12)


def test_a_curve_that_is_zero_everywhere_has_no_products():
    rng = np.random.default_rng(4)
    left, blocks = curves_and_blocks(rng, 9)
    left[8] = 0.0
    weight = np.ones((WORTH_A_TABLE, blocks.starts.size))
    found = Products(left, rng.normal(size=(2, left.shape[1])), blocks).weighted(weight)
    assert not found[:, 8].any()
