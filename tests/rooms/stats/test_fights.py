"""Duels, attrition and dominance: recovery of a known truth, names of the sides, and data that say too little."""

import numpy as np
import pytest

from domatia.stats.attrition import attrition, duel_chance, one_law_strength, told_apart
from domatia.stats.attrition_lattice import lattice
from domatia.stats.clustering import Estimate
from domatia.stats.dominance import connected, david_scores, dominance
from domatia.stats.duels import duels, log_ratio_needed

NONE = np.zeros((0, 0))


def fought(rng: np.random.Generator, fights: int, exponent: float, strength: float) -> np.ndarray:
    """Let groups of 20 to 150 fight until three in ten are dead; workers and dead of both sides."""
    rows = []
    for _ in range(fights):
        first, second = rng.integers(20, 150, 2)
        m, n = int(first), int(second)
        while m + n > 0.7 * (first + second) and m > 0 and n > 0:
            w = 1 / (1 + np.exp(-((exponent - 1) * np.log(m / n) + strength)))
            if rng.random() < w:
                n -= 1
            else:
                m -= 1
        rows.append((first, second, first - m, second - n))
    return np.array(rows, dtype=np.int64)


@pytest.mark.parametrize("exponent", [1.0, 1.5, 2.0])
def test_the_exponent_of_simulated_fights_is_recovered(exponent: float) -> None:
    """Simulated truth: exponent and strength lie within three standard errors, which are as small as they should be."""
    counts = fought(np.random.default_rng(11), 60, exponent, 0.2)
    fit = attrition(counts, np.ones((60, 1)))
    assert abs(fit.exponent.estimate[0] - exponent) < 3 * fit.exponent.se[0]
    assert abs(fit.strengths.estimate[0] - 0.2) < 3 * fit.strengths.se[0]
    assert fit.exponent.se[0] < 0.1


def test_chances_over_every_split_of_the_dead_sum_to_one() -> None:
    """Of seven deaths in all some split must have come about, unless one side had nobody left after six."""
    splits = np.array([(9, 6, 0, 6), *((9, 6, i, 7 - i) for i in range(1, 8))])
    value, _, _ = lattice(splits, 0.7, np.full(8, 0.3))
    assert np.exp(value).sum() == pytest.approx(1.0, abs=1e-12)


def test_fights_to_the_end_sum_to_the_chance_of_winning() -> None:
    """The second side wiped out, whatever the first lost: the chance that the first wins."""
    ends = np.array([(12, 8, i, 8) for i in range(12)])
    value, _, _ = lattice(ends, 0.5, np.full(12, -0.2))
    assert np.exp(value).sum() == pytest.approx(duel_chance(12, 8, 1.5, -0.2), rel=1e-12)


def test_naming_the_sides_the_other_way_round_changes_nothing() -> None:
    """Which side is called the first is chance; the numbers stay to the last bit."""
    rng = np.random.default_rng(3)
    counts = fought(rng, 40, 1.5, 0.0)
    x = rng.integers(-1, 2, (40, 1)).astype(np.float64)
    one, other = rng.integers(0, 12, 40), rng.integers(12, 24, 40)
    won = rng.integers(0, 2, 40).astype(np.float64)
    turn = rng.random(40) < 0.5
    counts_, x_ = np.where(turn[:, None], counts[:, [1, 0, 3, 2]], counts), np.where(turn[:, None], -x, x)
    one_, other_ = np.where(turn, other, one), np.where(turn, one, other)
    order = rng.permutation(40)
    a = attrition(counts, x, (one, other))
    b = attrition(counts_[order], x_[order], (one_[order], other_[order]))
    assert a.exponent.estimate[0] == b.exponent.estimate[0]
    assert a.strengths.low[0] == b.strengths.low[0]
    r = np.log(counts[:, [0]] / counts[:, [1]])
    r_ = np.log(counts_[:, [0]] / counts_[:, [1]])
    c = duels(won, np.column_stack([r, x]), (one, other))
    won_ = np.where(turn, 1 - won, won)
    d = duels(won_[order], np.column_stack([r_, x_])[order], (one_[order], other_[order]))
    assert c.coefficients.low == pytest.approx(d.coefficients.low, rel=1e-10)


def test_one_fight_cannot_tell_strength_from_law() -> None:
    """Each exponent has a strength that explains the same losses; the fit refuses."""
    counts = np.array([[60, 40, 20, 10]])
    assert not told_apart(counts, np.ones((1, 1)))
    assert not told_apart(np.tile(counts, (9, 1)), np.ones((9, 1)))
    with pytest.raises(ValueError, match="cannot tell the exponent"):
        attrition(np.tile(counts, (9, 1)), np.ones((9, 1)))
    linear, square = one_law_strength(counts, 1.0), one_law_strength(counts, 2.0)
    assert linear < -0.5
    assert square < linear - 0.3


def test_the_slope_of_win_or_lose_is_not_the_exponent() -> None:
    """Under the linear law the apparent slope at one and a tenth grows from 3.7 at 10 workers to 17 at 200."""
    found = []
    for n in (10, 200):
        chance = duel_chance(round(1.1 * n), n, 1.0)
        found.append(np.log(chance / (1 - chance)) / np.log(round(1.1 * n) / n))
    assert found == pytest.approx([3.7, 17.0], abs=0.5)


def test_a_side_that_always_wins_is_held_and_said_so() -> None:
    """Without a prior the slope would run off to infinity."""
    fit = duels(np.ones(12), np.full((12, 1), 0.7))
    assert fit.held == (0,)
    assert np.isfinite(fit.coefficients.high[0])
    kinds = (np.repeat([0, 0, 1], 8), np.repeat([1, 2, 2], 8))
    outcome = np.array([0] * 16 + [0, 2] * 4)
    assert dominance(kinds, outcome, 1).held == (0,)


def test_the_ratio_needed_has_no_upper_end_where_numbers_may_not_matter() -> None:
    """A slope of 2 with interval 1 to 3, and one whose interval holds nought."""
    at, low, high = log_ratio_needed(Estimate(*(np.array([v]) for v in (2.0, 0.5, 1.0, 3.0))), 0.95)
    assert [at, low, high] == pytest.approx([np.log(19) / 2, np.log(19) / 3, np.log(19)])
    assert log_ratio_needed(Estimate(*(np.array([v]) for v in (1.0, 1.0, -1.0, 3.0))), 0.95)[2] == np.inf
    with pytest.raises(ValueError, match=r"between 0\.5 and 1"):
        log_ratio_needed(Estimate(*(np.array([v]) for v in (1.0, 1.0, 0.5, 3.0))), 0.4)


def test_colonies_that_fight_twice_widen_the_interval() -> None:
    """Ten fights copied four times over say no more than ten fights."""
    rng = np.random.default_rng(8)
    one, other = np.arange(200), np.arange(200) + 200
    x, won = rng.normal(size=(200, 1)), rng.integers(0, 2, 200).astype(np.float64)
    once = duels(won, x, (one, other)).coefficients
    again = duels(np.tile(won, 4), np.tile(x, (4, 1)), (np.tile(one, 4), np.tile(other, 4))).coefficients
    assert again.se[0] == pytest.approx(once.se[0], rel=0.02)
    plain = duels(np.tile(won, 4), np.tile(x, (4, 1))).coefficients
    assert plain.se[0] < 0.6 * once.se[0]
    with pytest.raises(ValueError, match="same unit on both sides"):
        duels(won, x, (one, one))
    assert duels(won[:5], x[:5], (one[:5] * 0, one[:5] * 0 + 1)).uncertainty.kind == "model"


def test_kinds_that_never_met_are_not_ranked_together() -> None:
    """Two pairs of kinds without a link, and a score that refuses a crooked table."""
    kinds = (np.array([0, 2]), np.array([1, 3]))
    assert connected(*kinds, 4).tolist() == [0, 0, 1, 1]
    with pytest.raises(ValueError, match="never met"):
        dominance(kinds, np.array([0, 0]), 0)
    with pytest.raises(ValueError, match="between two different kinds"):
        dominance((np.array([0]), np.array([0])), np.array([0]), 0)
    with pytest.raises(ValueError, match="square table"):
        david_scores(NONE[:, :0].reshape(0, 0)[None])


def test_wrong_rows_are_refused() -> None:
    """Counts that cannot be, results that are none, columns that say the same."""
    with pytest.raises(ValueError, match="dead no more"):
        attrition(np.array([[10, 10, 11, 2]]), np.zeros((1, 0)))
    with pytest.raises(ValueError, match="results are 0 or 1"):
        duels(np.array([0.5]), np.ones((1, 1)))
    with pytest.raises(ValueError, match="combination of others"):
        duels(np.array([1.0, 0.0]), np.ones((2, 2)))
    with pytest.raises(ValueError, match="one row of x"):
        duels(np.ones(2), np.ones((3, 1)))
