"""The interval-censored curve is a certified maximum, whatever the intervals."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from domatia.stats.npmle import Npmle, npmle

ends = st.tuples(st.integers(0, 12), st.one_of(st.integers(0, 6), st.just(1000)))
tables = st.lists(ends, min_size=1, max_size=40)


def fitted(table: list[tuple[int, int]]) -> tuple[Npmle, list[tuple[float, float]]]:
    """Fit intervals given as left end and width; width 1000 means never found dead."""
    rows = [(float(a), np.inf if width == 1000 else float(a + width)) for a, width in table]
    array = np.array(rows)
    return npmle(array[:, 0], array[:, 1]), rows


@settings(max_examples=60, deadline=None)
@given(tables)
def test_masses_are_a_distribution_and_no_cell_would_gain(table: list[tuple[int, int]]) -> None:
    """Masses sum to one, and no interval's own cell raises the likelihood by more than the gap."""
    found, rows = fitted(table)
    assert_allclose(found.mass.sum(), 1.0, atol=1e-9)
    assert found.gap < 1e-6
    inside = np.array(
        [
            [
                (a <= le and ri <= b and not (le == ri == a and a < b)) if a < b else (le == ri == a)
                for le, ri in zip(found.left, found.right, strict=True)
            ]
            for a, b in rows
        ]
    )
    covered = inside @ found.mass
    assert_allclose(np.log(covered).sum(), found.log_likelihood, atol=1e-7)
    assert (inside.T @ (1.0 / covered)).max() <= len(rows) + 1e-5


@settings(max_examples=40, deadline=None)
@given(tables)
def test_row_order_does_not_matter(table: list[tuple[int, int]]) -> None:
    """Shuffled intervals give the same curve to the last bit."""
    shuffled = sorted(table, key=lambda row: (row[1], -row[0]))
    one, two = fitted(table)[0], fitted(shuffled)[0]
    assert one.log_likelihood == two.log_likelihood
    assert one.mass.tolist() == two.mass.tolist()
