"""The sparse algebra of one or two groupings against dense matrices."""

import numpy as np
import pytest

from domatia.stats.arrays import Floats, Ints
from domatia.stats.laplace_groups import Groups, arrange, factor

INNER: Ints = np.array([3, 3, 5, 5, 7, 7, 9, 9, 9, 11])
NESTED: Ints = np.array([0, 0, 0, 0, 4, 4, 4, 4, 4, 6])
CROSSED: Ints = np.array([0, 1, 0, 1, 1, 2, 0, 2, 2, 1])
S1, S2 = 0.7, 0.4


def dense(groups: Groups, weights: Floats) -> Floats:
    """Build H = I + Λ Zᵀ W Z Λ in full."""
    n = len(weights)
    cell = np.repeat(np.arange(len(groups.counts)), groups.counts)
    Z = np.zeros((n, len(groups.inner_ids) + len(groups.outer_ids)))
    Z[np.arange(n), groups.inner[cell]] = S1
    Z[np.arange(n), len(groups.inner_ids) + groups.outer[cell]] = S2
    return np.eye(Z.shape[1]) + Z.T @ (weights[:, None] * Z)


@pytest.mark.parametrize("outer", [NESTED, CROSSED], ids=["nested", "crossed"])
def test_factored_matrix_equals_the_dense_one(outer: Ints) -> None:
    """Determinant, solution and inverse entries are those of the full matrix."""
    groups = arrange(INNER, outer, ())
    assert groups.nested == (outer is NESTED)
    weights = np.linspace(0.5, 2.0, 10)
    H = dense(groups, weights)
    found = factor(groups, groups.sum_rows(weights), S1, S2)
    assert found.log_determinant() == pytest.approx(np.linalg.slogdet(H)[1], rel=1e-12)
    k = len(groups.inner_ids)
    right = np.cos(np.arange(len(H)))
    x, y = found.solve(right[:k], right[k:])
    np.testing.assert_allclose(np.concatenate([x, y]), np.linalg.solve(H, right), atol=1e-12)
    inverse = np.linalg.inv(H)
    inner, cross, both = found.inverse_entries()
    np.testing.assert_allclose(inner, inverse[groups.inner, groups.inner], atol=1e-12)
    np.testing.assert_allclose(cross, inverse[groups.inner, k + groups.outer], atol=1e-12)
    np.testing.assert_allclose(both, inverse[k + groups.outer, k + groups.outer], atol=1e-12)


def test_rows_are_sorted_into_cells_whatever_their_order() -> None:
    """Sums over cells do not depend on the order in which rows come, and spread back to rows."""
    values = np.random.default_rng(0).normal(size=10)
    order = np.random.default_rng(1).permutation(10)
    first, second = arrange(INNER, CROSSED, (values,)), arrange(INNER[order], CROSSED[order], (values[order],))
    np.testing.assert_array_equal(first.sum_rows(values[first.order]), second.sum_rows(values[order][second.order]))
    np.testing.assert_array_equal(
        first.spread(np.arange(float(len(first.counts)))), np.repeat(np.arange(9.0), [1, 1, 1, 1, 1, 1, 1, 2, 1])
    )


@pytest.mark.parametrize("outer", [NESTED, CROSSED], ids=["nested", "crossed"])
def test_a_matrix_that_is_not_positive_is_refused(outer: Ints) -> None:
    """Strongly negative weights raise, so that the search steps back."""
    groups = arrange(INNER, outer, ())
    with pytest.raises(np.linalg.LinAlgError, match=r"(?i)positive"):
        factor(groups, np.full(len(groups.counts), -2.0), S1, S2)
    mild = np.full(len(groups.counts), -0.9)
    with pytest.raises(np.linalg.LinAlgError, match=r"(?i)positive"):
        factor(groups, mild, 1.0, 1.0)
