"""The randomisation test: level, blocks, redraws, wrong use."""

import numpy as np
import pytest

from domatia.stats.arrays import Ints
from domatia.stats.randomisation import (
    Assignment,
    all_arrangements,
    count_arrangements,
    randomisation_test,
    smallest_p,
)

BLOCKS: Ints = np.repeat(np.arange(10), 6)
TREATMENT: Ints = np.tile([0, 1, 2], 20)


def test_the_p_value_is_seeded_and_never_nought() -> None:
    """The same seed gives the same p; a huge effect gives one over the draws and one."""
    y = 100.0 * TREATMENT

    def statistic(t: Ints) -> float:
        return float(y[t == 2].mean() - y[t == 0].mean())

    first = randomisation_test(statistic, Assignment(TREATMENT, BLOCKS), np.random.default_rng(1), draws=199)
    again = randomisation_test(statistic, Assignment(TREATMENT, BLOCKS), np.random.default_rng(1), draws=199)
    np.testing.assert_array_equal(first.drawn, again.drawn)
    assert first.p == pytest.approx(1 / 200)
    assert first.arrangements == 200


def test_the_test_keeps_its_level_without_an_effect() -> None:
    """Over 300 data sets without effect p lies below 0.1 about one time in ten."""
    rng = np.random.default_rng(2)
    treatment = np.tile([0, 1], 10)
    blocks = np.repeat(np.arange(5), 4)
    low = 0
    for _ in range(300):
        y = rng.normal(size=20) + rng.normal(size=5)[blocks]

        def statistic(t: Ints, y: np.ndarray[tuple[int], np.dtype[np.float64]] = y) -> float:
            return float(y[t == 1].mean() - y[t == 0].mean())

        low += randomisation_test(statistic, Assignment(treatment, blocks), rng, draws=99).p <= 0.1
    assert 12 <= low <= 48


def test_treatments_are_exchanged_within_blocks_only() -> None:
    """Every redraw keeps each block's numbers of treatments, and differs from the others."""
    seen = set()

    def statistic(t: Ints) -> float:
        for block in range(10):
            assert np.bincount(t[block == BLOCKS]).tolist() == [2, 2, 2]
        seen.add(t.tobytes())
        return 0.0

    randomisation_test(statistic, Assignment(TREATMENT, BLOCKS), np.random.default_rng(3), draws=50)
    assert len(seen) == 51


def test_a_given_redraw_takes_the_place_of_blocks() -> None:
    """A redraw by the caller is used as it is, once for each draw, and progress is told."""
    calls: list[int] = []
    progress: list[tuple[int, int]] = []

    def redraw(rng: np.random.Generator) -> Ints:
        calls.append(1)
        return rng.permutation(TREATMENT)

    found = randomisation_test(
        lambda t: float(t[:3].sum()),
        Assignment(TREATMENT, redraw=redraw),
        np.random.default_rng(4),
        draws=25,
        tick=lambda done, total: progress.append((done, total)),
    )
    assert len(calls) == 25
    assert not found.complete
    assert progress[-1] == (25, 25)


def test_all_arrangements_are_distinct_and_counted() -> None:
    """Going through all arrangements gives as many as counted, none twice."""
    treatment = np.array([0, 0, 1, 2, 0, 1, 1])
    blocks = np.array([1, 1, 1, 1, 2, 2, 2])
    found = [tuple(t.tolist()) for t in all_arrangements(treatment, blocks)]
    assert len(found) == len(set(found)) == count_arrangements(treatment, blocks) == 36
    assert smallest_p(treatment, blocks) == pytest.approx(1 / 36)


def test_alternatives_look_at_their_own_side() -> None:
    """A positive effect is seen by 'greater', not by 'less'."""
    y = np.arange(12.0)
    treatment = np.repeat([0, 1], 6)

    def statistic(t: Ints) -> float:
        return float(y[t == 1].mean() - y[t == 0].mean())

    rng = np.random.default_rng(5)
    assert randomisation_test(statistic, Assignment(treatment), rng, alternative="greater").p < 0.01
    assert randomisation_test(statistic, Assignment(treatment), rng, alternative="less").p == 1
    assert randomisation_test(statistic, Assignment(treatment), rng).p == pytest.approx(2 / 924)


def test_redraws_without_an_answer_count_as_extreme() -> None:
    """A redraw whose statistic is not a number is counted against the effect and reported."""
    treatment = np.repeat([0, 1], 10)

    def statistic(t: Ints) -> float:
        return 1.0 if np.array_equal(t, treatment) else float("nan")

    found = randomisation_test(statistic, Assignment(treatment), np.random.default_rng(6), draws=30)
    assert found.failed == 30
    assert found.p == 1


def test_wrong_use_is_refused() -> None:
    """Nothing to redraw, no draws and a statistic that is not a number are refused."""
    rng = np.random.default_rng(0)
    with pytest.raises(ValueError, match="nothing to redraw"):
        randomisation_test(lambda t: 0.0, Assignment(BLOCKS, BLOCKS), rng)
    with pytest.raises(ValueError, match="needs draws"):
        randomisation_test(lambda t: 0.0, Assignment(TREATMENT, BLOCKS), rng, draws=0)
    with pytest.raises(ValueError, match="not a number"):
        randomisation_test(lambda t: float("nan"), Assignment(TREATMENT, BLOCKS), rng)
