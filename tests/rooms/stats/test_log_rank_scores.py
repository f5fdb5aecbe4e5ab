"""Scores for a log-rank comparison of bracketed deaths."""

import numpy as np
import pytest

from domatia.stats.log_rank_scores import log_rank_scores

INF = float("inf")


def test_scores_sum_to_zero() -> None:
    """The scores of all individuals cancel, as a score at the maximum must."""
    rng = np.random.default_rng(3)
    left = rng.integers(0, 9, 200).astype(float)
    right = np.where(rng.random(200) < 0.4, left + rng.integers(1, 4, 200), INF)
    assert log_rank_scores(left, right).sum() == pytest.approx(0.0, abs=1e-6)


def test_without_brackets_they_lie_near_the_log_rank_statistic() -> None:
    """Remission times (Freireich et al. 1963, Blood 21:699): observed less expected of the controls is 10.25.

    Printed by R's survdiff (another program's output): expected 10.7495 of 21. The bracketed score uses the same curve
    without a tie correction, so it agrees to 7 % only.
    """
    drug = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
    seen = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
    control = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
    left = np.array(drug + control, dtype=float)
    right = np.where(np.array(seen + [1] * 21) == 1, left, INF)
    assert log_rank_scores(left, right)[21:].sum() == pytest.approx(21 - 10.7495, rel=0.07)


def test_early_death_scores_higher_than_late_death_and_survival() -> None:
    """An early bracket scores above a late one, and that above never found dead."""
    scores = log_rank_scores(np.array([0.0, 5.0, 9.0]), np.array([1.0, 6.0, INF]))
    assert scores[0] > scores[1] > scores[2]
