"""Multi-state panels that cannot tell everything, or that contradict the model."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from domatia.stats.arrays import Bools, Floats
from domatia.stats.multistate import (
    Panel,
    allow_moves,
    effects_on,
    effects_on_all,
    fit_multistate,
    hazard_ratios,
    intensities,
    mean_stay,
    transition_matrix,
)
from domatia.stats.multistate_pattern import NO_EFFECTS

UP_AND_DOWN = np.array([[0, 1, 0], [1, 0, 0], [0, 0, 0]], np.bool_)
WITH_DEATH = np.array([[0, 1, 1], [1, 0, 1], [0, 0, 0]], np.bool_)


def walk(seed: int, subjects: int = 80, covariate: Floats | None = None) -> Panel:
    """Make subjects that go up and down between states 0 and 1 and never reach state 2."""
    rng = np.random.default_rng(seed)
    visits = 6
    state = np.zeros((subjects, visits), np.int64)
    for place in range(1, visits):
        change = rng.random(subjects) < 0.3
        state[:, place] = np.where(change, 1 - state[:, place - 1], state[:, place - 1])
    subject = np.repeat(np.arange(subjects), visits)
    time = np.tile(np.arange(visits) * 0.5, subjects)
    return Panel(subject, time, state.ravel(), covariate)


def test_a_move_never_seen_lies_at_the_boundary() -> None:
    """Deaths that never happened get intensity zero, limited by the time at risk; the rest is as without them."""
    panel = walk(1)
    fit = fit_multistate(panel, allow_moves(WITH_DEATH))
    assert fit.converged
    assert fit.loose.boundary == ("0 -> 2", "1 -> 2")
    assert fit.loose.unidentified == ()
    table = intensities(fit)
    assert table.boundary.tolist() == [False, True, False, True]
    assert table.value.estimate[[1, 3]].max() < 1e-8
    assert table.value.low[1] == 0.0
    watched = panel.time.max() * 80
    time_in_0 = -np.log(0.05) / table.value.high[1]
    time_in_1 = -np.log(0.05) / table.value.high[3]
    assert time_in_0 + time_in_1 == pytest.approx(watched, rel=1e-6)
    plain = fit_multistate(panel, allow_moves(UP_AND_DOWN))
    assert_allclose(fit.coefficients[[0, 2]], plain.coefficients, atol=1e-6)
    assert_allclose(fit.standard_errors[[0, 2]], plain.standard_errors, rtol=1e-5)
    assert fit.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-7)
    matrix = transition_matrix(fit, 1.0)
    assert np.isfinite(matrix.se[:, :2]).all()
    assert matrix.low[0, 2] == pytest.approx(0.0, abs=1e-9)
    assert 0.5 * table.value.high[1] < matrix.high[0, 2] < table.value.high[[1, 3]].sum()


def test_a_state_never_visited_is_not_identified() -> None:
    """Nothing speaks of moves out of a state that no subject was ever in or can have passed."""
    allowed = np.array([[0, 1, 0, 0], [1, 0, 0, 0], [0, 0, 0, 1], [0, 0, 1, 0]], np.bool_)
    fit = fit_multistate(walk(2), allow_moves(allowed))
    assert fit.loose.unidentified == ("2 -> 3", "3 -> 2")
    assert fit.loose.boundary == ()
    assert np.isinf(fit.standard_errors).tolist() == [False, False, True, True]


def test_collinear_covariates_are_named() -> None:
    """A covariate given twice is named as not identified; what does not need it keeps its interval."""
    rng = np.random.default_rng(3)
    x = np.repeat(rng.integers(0, 2, 80), 6).astype(np.float64)
    pattern = allow_moves(UP_AND_DOWN)
    fit = fit_multistate(walk(3, covariate=np.column_stack([x, x])), pattern, effects_on_all(pattern, ("x", "again")))
    assert set(fit.loose.unidentified) == {"x: 0 -> 1", "x: 1 -> 0", "again: 0 -> 1", "again: 1 -> 0"}
    assert hazard_ratios(fit).boundary.all()
    single = fit_multistate(walk(3, covariate=x[:, None]), pattern, effects_on_all(pattern, ("x",)))
    assert fit.log_likelihood == pytest.approx(single.log_likelihood, abs=1e-8)
    both = intensities(fit, np.array([1.0, 1.0])).value
    assert_allclose(both.high, intensities(single, np.array([1.0])).value.high, rtol=1e-4)


def test_a_constant_covariate_is_named() -> None:
    """A covariate that never varies cannot be told from the baseline."""
    pattern = allow_moves(UP_AND_DOWN)
    fit = fit_multistate(walk(4, covariate=np.full((480, 1), 2.0)), pattern, effects_on_all(pattern, ("x",)))
    assert set(fit.loose.unidentified) >= {"x: 0 -> 1", "x: 1 -> 0"}


def test_no_moves_at_all_is_a_boundary_not_a_crash() -> None:
    """Subjects that never change state give intensity zero."""
    panel = Panel(np.array([1, 1, 2, 2]), np.array([0.0, 1.0, 0.0, 1.0]), np.array([0, 0, 0, 0]))
    fit = fit_multistate(panel, allow_moves(np.array([[0, 1], [0, 0]], np.bool_)))
    assert fit.loose.boundary == ("0 -> 1",)
    stay = mean_stay(fit).value
    assert stay.low[0] == pytest.approx(2.0 / -np.log(0.05))
    assert stay.high[0] == np.inf
    assert fit.log_likelihood == pytest.approx(0.0, abs=1e-6)


def test_what_the_pattern_forbids_is_counted() -> None:
    """Moves seen that no route allows are named with their number."""
    panel = Panel(np.array([1, 1, 2, 2]), np.array([0.0, 1.0, 0.0, 1.0]), np.array([1, 0, 1, 0]))
    pattern = allow_moves(np.array([[0, 1], [0, 0]], np.bool_))
    with pytest.raises(ValueError, match="another state after an absorbing one"):
        fit_multistate(panel, pattern)
    three = allow_moves(np.array([[0, 1, 0], [0, 0, 1], [0, 0, 0]], np.bool_))
    with pytest.raises(ValueError, match=r"1 -> 0 \(2\)"):
        fit_multistate(panel, three)


def test_an_impossible_unclear_run_is_refused() -> None:
    """An unclear visit whose possible states fit no route is wrong use, not a crash."""
    pattern = allow_moves(np.array([[0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 0], [1, 0, 0, 0]], np.bool_))
    possible: Bools = np.array([[0, 1, 0, 0], [1, 0, 0, 1], [0, 0, 1, 0]], np.bool_)
    panel = Panel(np.zeros(3, np.int64), np.arange(3.0), np.array([1, -1, 2]), possible=possible)
    with pytest.raises(ValueError, match="probability zero"):
        fit_multistate(panel, pattern)
    possible[1, 3] = False
    with pytest.raises(ValueError, match="1 -> 0"):
        fit_multistate(panel, pattern)


def test_visits_after_the_final_state_are_left_out_and_counted() -> None:
    """Further visits to the dead say nothing."""
    pattern = allow_moves(WITH_DEATH)
    short = walk(6)
    state = short.state.copy()
    state[(short.time == short.time.max()) & (short.subject % 3 == 0)] = 2
    short = Panel(short.subject, short.time, state)
    dead = short.subject[state == 2]
    long = Panel(
        np.r_[short.subject, dead, dead],
        np.r_[short.time, np.full(len(dead), 5.0), np.full(len(dead), 6.0)],
        np.r_[state, np.full(2 * len(dead), 2)],
    )
    found = fit_multistate(long, pattern)
    assert found.left_out["after an absorbing state"] == 2 * len(dead)
    assert found.log_likelihood == fit_multistate(short, pattern).log_likelihood


def test_almost_no_data_ends_without_a_crash() -> None:
    """Three intervals and four moves: the fit ends, with very wide intervals and the unseen move named."""
    panel = Panel(np.array([1, 1, 2, 2, 2]), np.array([0.0, 1, 0, 1, 2]), np.array([0, 2, 0, 1, 0]))
    found = fit_multistate(panel, allow_moves(WITH_DEATH))
    assert found.converged
    assert found.loose.boundary == ("1 -> 2",)
    assert found.standard_errors.min() > 1.0


@pytest.mark.parametrize("unclear", [(True, True, False), (True, True, True)])
def test_unclear_visits_and_a_move_never_seen(unclear: tuple[bool, bool, bool]) -> None:
    """Visits that may or may not have been to the dead do not hide the boundary."""
    panel = walk(1)
    hidden = np.random.default_rng(0).random(len(panel.time)) < 0.3
    hidden &= panel.time > 0
    possible = np.tile(np.array(unclear), (len(panel.time), 1))
    fit = fit_multistate(
        Panel(panel.subject, panel.time, np.where(hidden, -1, panel.state), possible=possible), allow_moves(WITH_DEATH)
    )
    assert fit.converged
    assert fit.loose.boundary == ("0 -> 2", "1 -> 2")
    assert 0 < np.nansum(fit.loose.exposure) <= panel.time.max() * 80 + 1e-6


@pytest.mark.parametrize(
    ("panel", "message"),
    [
        (Panel(np.array([1, 1]), np.array([0.0, 0.0]), np.array([0, 1])), "share subject and time"),
        (Panel(np.array([1, 2]), np.array([0.0, 1.0]), np.array([0, 1])), "two visits"),
        (Panel(np.array([1, 1]), np.array([0.0, np.nan]), np.array([0, 1])), "times must be finite"),
        (Panel(np.array([1, 1]), np.array([0.0, 1.0]), np.array([0, 3])), "state codes run"),
        (Panel(np.array([1, 1]), np.array([0.0, 1.0]), np.array([0, -1])), "give `possible`"),
        (Panel(np.array([1, 1]), np.array([0.0, 1.0]), np.array([0])), "one entry a visit"),
        (Panel(np.array([1, 1]), np.array([0.0, 1.0]), np.array([0, 1]), np.ones((2, 1))), "effects name"),
    ],
)
def test_wrong_panels_are_told(panel: Panel, message: str) -> None:
    """What is wrong with a panel is said in words."""
    with pytest.raises(ValueError, match=message):
        fit_multistate(panel, allow_moves(WITH_DEATH), NO_EFFECTS)


def test_wrong_patterns_are_told() -> None:
    """Tables and effects that make no sense are refused."""
    with pytest.raises(ValueError, match="square"):
        allow_moves(np.ones((2, 3), np.bool_))
    with pytest.raises(ValueError, match="allows no move"):
        allow_moves(np.eye(2, dtype=np.bool_))
    with pytest.raises(ValueError, match="different names"):
        allow_moves(WITH_DEATH, ("a", "a", "b"))
    with pytest.raises(ValueError, match="never left"):
        allow_moves(WITH_DEATH, exact=(0,))
    pattern = allow_moves(WITH_DEATH)
    with pytest.raises(ValueError, match="not an allowed move"):
        effects_on(pattern, {"x": [[(2, 0)]]})
    with pytest.raises(ValueError, match="two groups"):
        effects_on(pattern, {"x": [[(0, 1)], [(0, 1)]]})
    with pytest.raises(ValueError, match="no information 'full'"):
        fit_multistate(walk(1), pattern, information="full")
