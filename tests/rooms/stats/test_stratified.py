"""Variance of levels from groups within fixed strata."""

import numpy as np
import pytest

from domatia.stats.arrays import Bools, Floats
from domatia.stats.leave_one_out import leave_one_out, leave_one_out_in_strata
from domatia.stats.stratified import strata_of, stratified

BLOCKS = np.array([1.0, 3.0, 10.0, 12.0, 14.0])
HABITAT = np.array([0, 0, 1, 1, 1])


def _mean(kept: Bools) -> Floats:
    return np.array([BLOCKS[kept].mean()])


def test_the_variance_of_a_mean_in_strata_is_that_of_the_textbook() -> None:
    """Blocks 1, 3 | 10, 12, 14: sum of W^2 s^2 / n = (2/5)^2 2/2 + (3/5)^2 4/3 = 0.64 (Cochran 1977, equation 5.6)."""
    influence = (BLOCKS - BLOCKS.mean())[:, None] / len(BLOCKS)
    found = stratified(influence, HABITAT)
    assert found.covariance[0, 0] == pytest.approx(0.64, rel=1e-12)
    assert found.df == 3.0


def test_leaving_out_blocks_in_strata_gives_the_same_for_a_mean() -> None:
    """For a plain mean the jackknife within strata agrees with the textbook's 0.64; without strata it is 6.5."""
    assert leave_one_out_in_strata(_mean, HABITAT).covariance[0, 0] == pytest.approx(0.64, rel=1e-12)
    whole = leave_one_out(_mean, 5)[1].covariance[0, 0]
    assert whole == pytest.approx(BLOCKS.var(ddof=1) / 5, rel=1e-12)


def test_the_order_of_blocks_does_not_matter() -> None:
    """Shuffled with their strata, the blocks give the same variance."""
    order = np.array([3, 0, 4, 1, 2])
    influence = (BLOCKS - BLOCKS.mean())[:, None] / 5
    one, other = stratified(influence, HABITAT), stratified(influence[order], HABITAT[order])
    assert one.covariance[0, 0] == pytest.approx(other.covariance[0, 0], rel=1e-12)


@pytest.mark.parametrize(
    ("labels", "codes"),
    [
        (["bog", "bog", "fen", "fen"], [0, 0, 1, 1]),
        (["bog", "fen", "mire", "mire"], [0, 0, 1, 1]),
        (["bog", "fen", "fen", "mire", "mire", "mire"], [0, 0, 0, 1, 1, 1]),
    ],
)
def test_strata_of_one_block_are_joined(labels: list[str], codes: list[int]) -> None:
    """Two lone blocks make a stratum together; a single one joins the smallest of the others."""
    found = strata_of(labels)
    assert found is not None
    assert found.tolist() == codes


@pytest.mark.parametrize("labels", [["bog", None, "fen", "fen"], ["bog", "bog"], ["bog", "fen"], []])
def test_without_two_known_strata_there_are_none(labels: list[str | None]) -> None:
    """An unknown habitat, one habitat only, or blocks that each stand alone give no strata."""
    assert strata_of(labels) is None


def test_a_stratum_of_one_block_is_refused() -> None:
    """Its spread cannot be known."""
    with pytest.raises(ValueError, match="holds one group"):
        stratified(np.ones((3, 1)), np.array([0, 0, 1]))
