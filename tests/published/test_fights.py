"""Duels, dominance and attrition against closed forms, a printed table and base R (`reference/fights`)."""

from pathlib import Path

import numpy as np
import pytest

from domatia.stats.attrition import attrition, duel_chance, linear_law_chance, survivors
from domatia.stats.clustering import standard_errors
from domatia.stats.dominance import david_scores, dominance
from domatia.stats.duels import duels

ROOM = Path(__file__).parents[2] / "reference" / "fights"
OUT = {
    name: float(value)
    for name, value in (line.split() for line in (ROOM / "fights.out").read_text(encoding="utf-8").splitlines())
}
FIGHTS = np.loadtxt(ROOM / "fights.csv", delimiter=",", skiprows=1, dtype=np.int64)
SIDES = (FIGHTS[:, 0], FIGHTS[:, 1])

# Agresti 2002, Categorical Data Analysis, table 10.10: American League 1987, winners in rows
BASEBALL = np.array([
    [0, 7, 9, 7, 7, 9, 11], [6, 0, 7, 5, 11, 9, 9], [4, 6, 0, 7, 7, 8, 12], [6, 8, 6, 0, 6, 7, 10],
    [6, 2, 6, 7, 0, 7, 12], [4, 4, 5, 6, 6, 0, 6], [2, 4, 1, 3, 1, 7, 0],
])  # fmt: skip


def test_a_duel_under_the_linear_law_is_a_sum_of_binomial_terms() -> None:
    """Closed form: 30 against 20 gives the sum over k >= 20 of C(49, k) / 2^49 = 0.9237961140."""
    assert linear_law_chance(30, 20) == pytest.approx(0.9237961140, abs=5e-11)
    assert duel_chance(30, 20, 1.0) == pytest.approx(linear_law_chance(30, 20), rel=1e-13)


def test_the_square_law_leaves_eighty_of_a_hundred_against_sixty() -> None:
    """Closed form: the root of 100^2 - 60^2 is 80; under the linear law 40 are left."""
    assert survivors(100, 60, 2.0) == pytest.approx(80.0, rel=1e-13)
    assert survivors(100, 60, 1.0) == pytest.approx(40.0, rel=1e-13)
    assert survivors(60, 100, 2.0) == 0.0


def test_eighty_wins_of_a_hundred_at_two_to_one_give_slope_two() -> None:
    """Closed form: log(80 / 20) / log 2 = 2 with standard error 0.3607; the same from glm."""
    fit = duels(np.repeat([1.0, 0.0], [80, 20]), np.full((100, 1), np.log(2.0)))
    assert fit.coefficients.estimate[0] == pytest.approx(2.0, abs=1e-10)
    assert fit.coefficients.se[0] == pytest.approx(0.3607, abs=5e-5)
    assert fit.coefficients.se[0] == pytest.approx(OUT["duels_se"], rel=1e-9)


def test_baseball_strengths_as_printed_and_from_glm() -> None:
    """Agresti prints 1.58, 1.44, 1.29, 1.25, 1.11, 0.68 and 0 for the last team."""
    one, other, won = [], [], []
    for i in range(7):
        for j in range(7):
            one += [i] * int(BASEBALL[i, j])
            other += [j] * int(BASEBALL[i, j])
            won += [0] * int(BASEBALL[i, j])
    fit = dominance((np.array(one), np.array(other)), np.array(won), 6)
    assert fit.strengths.estimate.round(2).tolist() == [1.58, 1.44, 1.29, 1.25, 1.11, 0.68, 0.0]
    assert fit.strengths.estimate[:6] == pytest.approx([OUT[f"baseball_{i}"] for i in range(1, 7)], rel=1e-8)
    assert fit.strengths.se[:6] == pytest.approx([OUT[f"baseball_se_{i}"] for i in range(1, 7)], rel=1e-7)


def test_ties_as_a_log_linear_model_gives_them() -> None:
    """Davidson's model with six pairs of four kinds, wins, ties and losses of the first."""
    pairs = [(0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3)]
    told = [(9, 3, 4), (12, 2, 3), (7, 1, 1), (6, 4, 5), (8, 2, 2), (5, 3, 4)]
    rows = [(*p, k) for p, n in zip(pairs, told, strict=True) for k in range(3) for _ in range(n[k])]
    one, other, outcome = np.array(rows).T
    fit = dominance((one, other), outcome, 0)
    assert fit.strengths.estimate[1:] == pytest.approx([OUT[f"ties_{i}"] for i in (1, 2, 3)], rel=1e-8)
    assert fit.strengths.se[1:] == pytest.approx([OUT[f"ties_se_{i}"] for i in (1, 2, 3)], rel=1e-7)
    assert fit.log_tie == pytest.approx(OUT["ties_4"], rel=1e-8)
    wins = np.zeros((4, 4))
    for (i, j), (w, t, lost) in zip(pairs, told, strict=True):
        wins[i, j], wins[j, i] = w + t / 2, lost + t / 2
    assert david_scores(wins) == pytest.approx([OUT[f"david_{i}"] for i in range(1, 5)], rel=1e-10)
    corrected = david_scores(wins, corrected=True)
    assert corrected == pytest.approx([OUT[f"david_corrected_{i}"] for i in range(1, 5)], rel=1e-10)


def test_attrition_as_a_plain_recursion_in_r_gives_it() -> None:
    """Sixty invented fights, some to the last worker: exponent, strength, likelihood and standard errors."""
    fit = attrition(FIGHTS[:, 2:6], FIGHTS[:, [7]].astype(np.float64))
    assert fit.log_likelihood == pytest.approx(OUT["attrition_loglik"], abs=1e-8)
    assert fit.exponent.estimate[0] == pytest.approx(OUT["attrition_exponent"], abs=1e-6)
    assert fit.strengths.estimate[0] == pytest.approx(OUT["attrition_strength"], abs=1e-6)
    assert fit.exponent.se[0] == pytest.approx(OUT["attrition_se_exponent"], rel=1e-5)
    assert fit.strengths.se[0] == pytest.approx(OUT["attrition_se_strength"], rel=1e-5)


def test_errors_over_both_colonies_as_each_pair_of_fights_gives_them() -> None:
    """The same sixty fights, taken as dependent where they share a colony."""
    x = np.column_stack([np.log(FIGHTS[:, 2] / FIGHTS[:, 3]), FIGHTS[:, 7]])
    fit = duels(FIGHTS[:, 6].astype(np.float64), x, SIDES)
    assert fit.coefficients.estimate == pytest.approx([OUT["curve_slope"], OUT["curve_kind"]], rel=1e-8)
    assert fit.coefficients.se == pytest.approx([OUT["curve_se_slope"], OUT["curve_se_kind"]], rel=1e-7)
    model = standard_errors(np.eye(2), fit.uncertainty.model_covariance)
    assert model[0] == pytest.approx(OUT["curve_model_se_slope"], rel=1e-7)
    assert fit.uncertainty.clusters == OUT["units"]
