"""The likelihood of multi-state panels: probabilities, exact derivatives, visits with unknown states."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.linalg import expm

from domatia.stats.arrays import Floats, Ints
from domatia.stats.multistate import Effects, Panel, Pattern, allow_moves, effects_on_all, log_likelihood
from domatia.stats.multistate_fit import prepare
from domatia.stats.multistate_pattern import NO_EFFECTS
from domatia.stats.multistate_split import split_at
from domatia.stats.transition_rows import Rows

ALLOWED = np.array([[0, 1, 0, 1], [1, 0, 1, 1], [0, 1, 0, 1], [0, 0, 0, 0]], np.bool_)


def random_panel(seed: int, *, hidden: bool = True) -> Panel:
    """Make visits that the pattern below can show, with two covariates, clusters and some unclear states."""
    rng = np.random.default_rng(seed)
    subject, time, state, cluster = [], [], [], []
    for number in range(40):
        visits = int(rng.integers(2, 7))
        path = rng.integers(0, 3, visits)
        if rng.random() < 0.4:
            path[-1] = 3
        subject += [number] * visits
        cluster += [number % 6] * visits
        time += np.cumsum(rng.choice([0.5, 1.0, 2.0], visits)).tolist()
        state += path.tolist()
    count = len(subject)
    codes = np.array(state, np.int64)
    first = np.r_[True, np.diff(subject) != 0]
    unclear = (rng.random(count) < 0.3) & (codes != 3) & ~first & hidden
    possible = np.zeros((count, 4), np.bool_)
    possible[np.arange(count), codes] = True
    possible[:, :3] |= rng.random((count, 3)) < 0.5
    covariates = np.column_stack([rng.integers(0, 2, count), rng.integers(0, 3, count)]).astype(np.float64)
    codes = np.where(unclear, -1, codes)
    return Panel(np.array(subject), np.array(time), codes, covariates, possible, np.array(cluster))


def taken(panel: Panel, rows: Ints) -> Panel:
    """Take some rows of a panel, in the order given."""
    assert panel.covariates is not None
    assert panel.possible is not None
    return Panel(panel.subject[rows], panel.time[rows], panel.state[rows], panel.covariates[rows], panel.possible[rows])


def setting(*, exact: bool) -> tuple[Pattern, Effects]:
    """Give the pattern, with state 3 dated or not, and effects of two covariates on all moves."""
    pattern = allow_moves(ALLOWED, exact=(3,) if exact else ())
    return pattern, effects_on_all(pattern, ("a", "b"))


def some_point(size: int) -> Floats:
    """Give coefficients at which nothing is special."""
    rng = np.random.default_rng(1)
    return np.concatenate([rng.normal(-0.7, 0.3, 7), rng.normal(0, 0.3, size - 7)])


@given(seed=st.integers(0, 10_000), states=st.integers(2, 6))
@settings(max_examples=25, deadline=None)
def test_both_engines_equal_the_matrix_exponential(seed: int, states: int) -> None:
    """Rows of transition matrices equal scipy's matrix exponential for any pattern, by either engine."""
    rng = np.random.default_rng(seed)
    table = rng.random((states, states)) < 0.6
    table[0, 1] = True
    pattern = allow_moves(table)
    rates = rng.gamma(1.0, 1.0, (2, pattern.moves))
    dt = np.array([0.01, 0.7, 5.0, 40.0])
    cell, start = np.repeat(np.arange(4), states), np.tile(np.arange(states), 4)
    which = np.array([0, 0, 1, 1])
    rows = Rows(pattern, which, dt, cell, start, by_covariates=True)
    truth = np.concatenate([expm(pattern.generators(rates)[c] * t) for c, t in zip(which, dt, strict=True)])
    none = np.zeros(0, np.int64)
    for only in ("", "uniform"):
        assert_allclose(replace(rows, only=only).engine(rates, (none, none)).probabilities(), truth, atol=1e-10)


def test_a_generator_without_eigenvectors_is_computed_all_the_same() -> None:
    """Equal rates down a chain have no full set of eigenvectors; the Poisson probabilities come out exactly."""
    pattern = allow_moves(np.eye(4, k=1, dtype=np.bool_))
    rows = Rows(pattern, np.zeros(1, np.int64), np.array([2.0]), np.zeros(1, np.int64), np.zeros(1, np.int64), True)
    found = rows.engine(np.ones((1, 3)), (np.zeros(1, np.int64), np.zeros(1, np.int64))).probabilities()[0]
    poisson = np.exp(-2.0) * np.array([1.0, 2.0, 2.0])
    assert_allclose(found, [*poisson, 1 - poisson.sum()], rtol=1e-12)


def test_two_states_in_closed_form() -> None:
    """With rates a and b, P(0 -> 1) is a/(a + b)·(1 − exp(−(a + b)t)); the log-likelihood adds its logarithms."""
    pattern = allow_moves(np.array([[0, 1], [1, 0]], np.bool_))
    panel = Panel(np.array([1, 1, 2, 2]), np.array([0.0, 1.5, 0.0, 0.4]), np.array([0, 1, 1, 1]))
    a, b = 0.3, 0.8
    up = a / (a + b) * (1 - np.exp(-(a + b) * 1.5))
    stay = 1 - b / (a + b) * (1 - np.exp(-(a + b) * 0.4))
    found = log_likelihood(panel, pattern, NO_EFFECTS, np.log([a, b]))
    assert found == pytest.approx(np.log(up) + np.log(stay), abs=1e-13)


@pytest.mark.parametrize("exact", [False, True])
@pytest.mark.parametrize("engine", ["eigen", "uniform"])
def test_gradient_is_that_of_the_value(engine: str, exact: bool) -> None:
    """The gradient equals central differences, with dated entries, unclear visits and covariates."""
    likelihood = prepare(random_panel(3), *setting(exact=exact)).with_engine(engine)
    point = some_point(likelihood.size)
    value, gradient = likelihood.gradient(point)
    assert value == pytest.approx(likelihood.value(point), abs=1e-10)
    for number in range(likelihood.size):
        shift = np.zeros(likelihood.size)
        shift[number] = 1e-5
        slope = (likelihood.value(point + shift) - likelihood.value(point - shift)) / 2e-5
        assert gradient[number] == pytest.approx(slope, abs=2e-6)


@pytest.mark.parametrize("engine", ["eigen", "uniform"])
def test_scoring_gives_the_same_gradient(engine: str) -> None:
    """The pass that also finds the information agrees with the pass that does not; the information is positive."""
    likelihood = prepare(random_panel(4), *setting(exact=True)).with_engine(engine)
    point = some_point(likelihood.size)
    scoring = likelihood.scoring(point)
    assert_allclose(scoring.gradient, likelihood.gradient(point)[1], atol=1e-9)
    assert np.linalg.eigvalsh(scoring.information).min() > 0


def test_expected_information_in_closed_form() -> None:
    """For one interval of a two-state process that only moves up, the information of log a is (at)²e⁻ᵃᵗ/(1 − e⁻ᵃᵗ)."""
    pattern = allow_moves(np.array([[0, 1], [0, 0]], np.bool_))
    likelihood = prepare(Panel(np.array([1, 1]), np.array([0.0, 2.0]), np.array([0, 0])), pattern)
    rate = 0.6 * 2.0
    expected = rate**2 * np.exp(-rate) / (1 - np.exp(-rate))
    assert likelihood.scoring(np.log([0.6])).information[0, 0] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("exact", [False, True])
def test_cluster_scores_are_the_gradients_of_the_clusters(exact: bool) -> None:
    """Each cluster's score equals the gradient of a panel that holds only that cluster."""
    panel = random_panel(5)
    pattern, effects = setting(exact=exact)
    likelihood = prepare(panel, pattern, effects)
    point = some_point(likelihood.size)
    raw = likelihood.design.to_raw @ point
    scores = likelihood.cluster_scores(point) @ likelihood.design.from_raw
    assert_allclose(scores.sum(0) @ likelihood.design.to_raw, likelihood.gradient(point)[1], atol=1e-9)
    for cluster in range(6):
        own = prepare(taken(panel, np.flatnonzero(panel.subject % 6 == cluster)), pattern, effects)
        gradient = own.gradient(own.design.from_raw @ raw)[1] @ own.design.from_raw
        assert_allclose(scores[cluster], gradient, atol=1e-9)


@pytest.mark.parametrize("exact", [False, True])
def test_row_order_changes_nothing(exact: bool) -> None:
    """Shuffled rows give the very same log-likelihood."""
    panel = random_panel(6)
    shuffled = taken(panel, np.random.default_rng(0).permutation(len(panel.time)))
    pattern, effects = setting(exact=exact)
    point = some_point(21)
    assert log_likelihood(panel, pattern, effects, point) == log_likelihood(shuffled, pattern, effects, point)


def test_a_visit_that_says_nothing_can_be_left_out() -> None:
    """A visit at which every state is possible adds nothing, as long as the covariates stay the same."""
    pattern = allow_moves(ALLOWED)
    with_it = Panel(
        np.array([1, 1, 1]),
        np.array([0.0, 0.8, 2.0]),
        np.array([0, -1, 1]),
        possible=np.ones((3, 4), np.bool_),
    )
    without = Panel(np.array([1, 1]), np.array([0.0, 2.0]), np.array([0, 1]))
    point = some_point(7)
    assert log_likelihood(with_it, pattern, NO_EFFECTS, point) == pytest.approx(
        log_likelihood(without, pattern, NO_EFFECTS, point), abs=1e-13
    )


def test_one_possible_state_is_a_known_state() -> None:
    """A visit with a single possible state counts as that state."""
    pattern = allow_moves(ALLOWED)
    states = np.array([0, 2, 1])
    possible = states[:, None] == np.arange(4)
    subject, time = np.array([1, 1, 1]), np.array([0.0, 1.0, 2.0])
    known = prepare(Panel(subject, time, states), pattern)
    masked = prepare(Panel(subject, time, np.array([0, -1, -1]), possible=possible), pattern)
    assert masked.cells.chains is None
    assert_array_equal(known.cells.pair_to, masked.cells.pair_to)
    assert known.value(some_point(7)) == masked.value(some_point(7))


def test_the_states_at_the_end_of_a_run_share_all_probability() -> None:
    """Likelihoods over all states possible at the end of an unclear run sum to that of the run itself."""
    pattern = allow_moves(ALLOWED)
    subject, time = np.zeros(4, np.int64), np.array([0.0, 1.0, 1.5, 3.0])
    possible = np.array([[1, 0, 0, 0], [0, 1, 1, 0], [1, 1, 0, 0], [1, 1, 1, 1]], np.bool_)

    def chance(last: int) -> float:
        panel = Panel(subject, time, np.array([0, -1, -1, last]), possible=possible)
        return float(np.exp(log_likelihood(panel, pattern, NO_EFFECTS, some_point(7))))

    assert sum(chance(state) for state in range(4)) == pytest.approx(chance(-1), rel=1e-12)


def test_first_states_can_be_weighted_or_dropped() -> None:
    """An unknown first state is dropped and counted, or summed over with the weights given."""
    pattern = allow_moves(ALLOWED)
    subject, time = np.zeros(3, np.int64), np.array([0.0, 1.0, 2.0])
    possible = np.array([[1, 1, 0, 0]] * 3, np.bool_)
    states = np.array([-1, 1, 2])
    dropped = prepare(Panel(subject, time, states, possible=possible), pattern)
    assert dropped.cells.left_out["before the first known state"] == 1
    point = some_point(7)
    weighted = Panel(subject, time, states, possible=possible, first=np.array([0.3, 0.7, 0.0, 0.0]))
    parts = [
        log_likelihood(Panel(subject, time, np.array([first, 1, 2])), pattern, NO_EFFECTS, point) for first in (0, 1)
    ]
    total = np.log(0.3 * np.exp(parts[0]) + 0.7 * np.exp(parts[1]))
    assert log_likelihood(weighted, pattern, NO_EFFECTS, point) == pytest.approx(total, abs=1e-12)


def test_cuts_change_nothing_as_long_as_covariates_stay() -> None:
    """Cutting intervals leaves the log-likelihood as it is, dated entries and unclear visits included."""
    panel = random_panel(8)
    pattern, effects = setting(exact=True)
    split, source = split_at(panel, pattern, np.array([0.9, 1.0, 2.2, 2.3, 100.0]))
    assert len(split.time) > len(panel.time) + 40
    assert_array_equal(panel.subject[source], split.subject)
    inserted = split.time != panel.time[source]
    assert (split.state[inserted] == -1).all()
    point = some_point(21)
    assert log_likelihood(split, pattern, effects, point) == pytest.approx(
        log_likelihood(panel, pattern, effects, point), abs=1e-10
    )


def test_a_cut_lets_a_covariate_change_between_visits() -> None:
    """With a covariate that switches at the cut, the probability is the product of the two matrices."""
    pattern = allow_moves(ALLOWED)
    effects = effects_on_all(pattern, ("wet",))
    visits = Panel(np.zeros(2, np.int64), np.array([0.0, 2.0]), np.array([0, 1]), np.zeros((2, 1)))
    split, _ = split_at(visits, pattern, np.array([0.5]))
    split = replace(split, covariates=(split.time >= 0.5).astype(np.float64)[:, None])
    point = some_point(14)
    dry, wet = (pattern.generators(np.exp(point[:7] + x * point[7:])[None])[0] for x in (0.0, 1.0))
    chance = (expm(dry * 0.5) @ expm(wet * 1.5))[0, 1]
    assert log_likelihood(split, pattern, effects, point) == pytest.approx(np.log(chance), abs=1e-12)
