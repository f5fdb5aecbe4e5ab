"""Fits of multi-state panels to simulated visits, and what is read off them."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.linalg import expm

from domatia.stats import multistate_fit
from domatia.stats.arrays import Floats
from domatia.stats.multistate import (
    MultistateFit,
    Panel,
    allow_moves,
    draw_coefficients,
    effects_on_all,
    fit_multistate,
    hazard_ratios,
    interval_by_draws,
    long_run,
    mean_stay,
    next_state,
    occupancy,
    prevalence,
    transition_matrix,
    transition_table,
)

ALLOWED = np.array([[0, 1, 1], [1, 0, 1], [0, 0, 0]], np.bool_)
TRUTH = np.log([0.6, 0.1, 0.4, 0.3])
EFFECT = np.array([0.8, 0.0, -0.5, 0.0])


def simulated(seed: int, subjects: int = 400) -> Panel:
    """Simulate visits of the model with one covariate that is drawn anew at each visit, in 20 clusters."""
    rng = np.random.default_rng(seed)
    pattern = allow_moves(ALLOWED)
    generators = {x: pattern.generators(np.exp(TRUTH + EFFECT * x)[None])[0] for x in (0.0, 0.5, 1.0, 1.5)}
    matrices = {(x, step): expm(generators[x] * step) for x in generators for step in (0.5, 1.0)}
    rows: list[tuple[int, float, int, float]] = []
    for subject in range(subjects):
        state, time = int(rng.integers(0, 2)), 0.0
        for _ in range(7):
            x = float(rng.integers(0, 4)) / 2
            rows.append((subject, time, state, x))
            if state == 2:
                break
            step = float(rng.choice([0.5, 1.0]))
            time, state = time + step, int(rng.choice(3, p=matrices[x, step][state]))
    table = np.array(rows)
    subject_ids = table[:, 0].astype(np.int64)
    return Panel(subject_ids, table[:, 1], table[:, 2].astype(np.int64), table[:, 3:], cluster=subject_ids % 20)


@pytest.fixture(scope="module")
def panel() -> Panel:
    """One simulated panel without clusters."""
    return replace(simulated(11), cluster=None)


@pytest.fixture(scope="module")
def fit(panel: Panel) -> MultistateFit:
    """Fit the model that made it."""
    pattern = allow_moves(ALLOWED, ("low", "high", "gone"))
    return fit_multistate(panel, pattern, effects_on_all(pattern, ("x",)))


def generator(fit: MultistateFit, x: float) -> Floats:
    """Intensity matrix at a value of the covariate."""
    matrix: Floats = fit.pattern.generators(np.exp(fit.coefficients[:4] + x * fit.coefficients[4:])[None])[0]
    return matrix


def test_the_truth_is_found(fit: MultistateFit) -> None:
    """Every coefficient lies within 3.5 standard errors of the value simulated with."""
    away = (fit.coefficients - np.r_[TRUTH, EFFECT]) / fit.standard_errors
    assert np.abs(away).max() < 3.5
    assert fit.converged
    assert fit.largest_gradient < 1e-3
    assert fit.names[4:] == ("x: low -> high", "x: low -> gone", "x: high -> low", "x: high -> gone")


def test_transition_matrix_is_the_exponential_with_delta_errors(fit: MultistateFit) -> None:
    """Over one span or several, the matrix is the product of exponentials; errors agree with numeric derivatives."""
    spans, at = np.array([0.5, 0.7]), np.array([[0.0], [1.5]])
    found = transition_matrix(fit, spans, at)
    assert_allclose(found.estimate, expm(generator(fit, 0.0) * 0.5) @ expm(generator(fit, 1.5) * 0.7), atol=1e-12)
    gradient = np.empty((9, 8))
    for number in range(8):
        shift = np.zeros(8)
        shift[number] = 1e-5
        ahead = transition_matrix(replace(fit, coefficients=fit.coefficients + shift), spans, at).estimate
        behind = transition_matrix(replace(fit, coefficients=fit.coefficients - shift), spans, at).estimate
        gradient[:, number] = ((ahead - behind) / 2e-5).ravel()
    variance = np.einsum("ip,pq,iq->i", gradient, fit.uncertainty.covariance, gradient)
    assert_allclose(found.se.ravel()[:6], np.sqrt(variance)[:6], rtol=1e-6)
    assert ((found.low >= 0) & (found.high <= 1)).all()


def test_occupancy_and_mean_stay(fit: MultistateFit) -> None:
    """Occupancy mixes the rows of the matrix; mean stay is minus one over the diagonal; next moves sum to one."""
    start = np.array([0.25, 0.75, 0.0])
    matrix = transition_matrix(fit, 2.0, np.array([1.0])).estimate
    assert_allclose(occupancy(fit, start, 2.0, np.array([1.0])).value.estimate, start @ matrix)
    stay = mean_stay(fit, np.array([1.0]))
    assert_allclose(stay.value.estimate, -1 / np.diag(generator(fit, 1.0))[:2])
    moves = next_state(fit, np.array([1.0]))
    assert_allclose(np.bincount(moves.origin, moves.value.estimate), [1.0, 1.0])


def test_long_run_shares(fit: MultistateFit) -> None:
    """With a final state, shares among those not in it after a very long time; without, the stationary shares."""
    found = long_run(fit, np.array([0.5]))
    late = expm(generator(fit, 0.5) * 60.0)[0, :2]
    assert found.conditional
    assert_allclose(found.table.value.estimate, late / late.sum(), rtol=1e-8)
    pattern = allow_moves(np.array([[0, 1], [1, 0]], np.bool_))
    flip = fit_multistate(Panel(np.zeros(6, np.int64), np.arange(6.0), np.array([0, 0, 1, 0, 0, 1])), pattern)
    shares = long_run(flip)
    up, down = np.exp(flip.coefficients)
    assert not shares.conditional
    assert_allclose(shares.table.value.estimate, [down / (up + down), up / (up + down)], rtol=1e-10)


def test_hazard_ratios_scale_with_the_unit(fit: MultistateFit) -> None:
    """A ratio for a step of two is the square of that for a step of one, and so are its limits."""
    one, two = hazard_ratios(fit), hazard_ratios(fit, np.array([2.0]))
    assert_allclose(two.value.estimate, one.value.estimate**2)
    assert_allclose(two.value.low, one.value.low**2)


def test_units_of_the_covariate_do_not_matter(panel: Panel, fit: MultistateFit) -> None:
    """Shifted and scaled covariates give the same log-likelihood, and coefficients that follow."""
    assert panel.covariates is not None
    moved = replace(panel, covariates=1000.0 + 50.0 * panel.covariates)
    other = fit_multistate(moved, fit.pattern, fit.effects)
    assert other.log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-8)
    assert_allclose(other.coefficients[4:] * 50.0, fit.coefficients[4:], atol=1e-6)
    assert_allclose(other.coefficients[:4] + 20.0 * 50.0 * other.coefficients[4:], fit.coefficients[:4], atol=1e-4)


def test_many_covariate_rows_take_the_other_way_to_the_same_peak(
    panel: Panel, fit: MultistateFit, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The way for large problems (binned start, chord steps, uniformisation) ends at the same peak."""
    noise = np.random.default_rng(5).normal(0, 1e-3, (len(panel.time), 1))
    assert panel.covariates is not None
    fine = replace(panel, covariates=panel.covariates + noise)
    plain = fit_multistate(fine, fit.pattern, fit.effects)
    monkeypatch.setattr(multistate_fit, "MANY_ROWS", 100)
    other = fit_multistate(fine, fit.pattern, fit.effects)
    assert other.converged
    assert other.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-8)
    assert_allclose(other.coefficients, plain.coefficients, atol=1e-5)


def test_expected_and_observed_information_are_close(panel: Panel, fit: MultistateFit) -> None:
    """Standard errors from the two informations differ by a few per cent at most when the model is right."""
    other = fit_multistate(panel, fit.pattern, fit.effects, information="expected")
    assert_allclose(other.standard_errors, fit.standard_errors, rtol=0.1)


def test_clusters_of_copies(panel: Panel) -> None:
    """Two copies of every subject in one cluster give the robust errors of single subjects; the model's shrink."""
    pattern = allow_moves(ALLOWED)
    effects = effects_on_all(pattern, ("x",))
    assert panel.covariates is not None
    single = fit_multistate(replace(panel, cluster=panel.subject), pattern, effects)
    twice = Panel(
        np.r_[panel.subject, panel.subject + 10_000],
        np.r_[panel.time, panel.time],
        np.r_[panel.state, panel.state],
        np.vstack([panel.covariates, panel.covariates]),
        cluster=np.r_[panel.subject, panel.subject],
    )
    double = fit_multistate(twice, pattern, effects)
    assert_allclose(double.standard_errors, single.standard_errors, rtol=1e-5)
    ratio = np.diag(single.uncertainty.model_covariance) / np.diag(double.uncertainty.model_covariance)
    assert_allclose(ratio, 2.0, rtol=1e-5)


def test_few_clusters_use_t() -> None:
    """Twenty clusters give t intervals on nineteen degrees of freedom, wider than normal ones."""
    pattern = allow_moves(ALLOWED)
    found = fit_multistate(simulated(12, 120), pattern, effects_on_all(pattern, ("x",)))
    assert found.uncertainty.clusters == 20
    assert found.uncertainty.df == 19
    ratios = hazard_ratios(found).value
    assert_allclose(np.log(ratios.high / ratios.estimate) / found.standard_errors[4:], 2.0930, atol=1e-4)


def test_draws_repeat_and_agree_with_the_delta_method(fit: MultistateFit) -> None:
    """The same seed gives the same draws; their spread matches the covariance and the delta intervals."""
    draws = draw_coefficients(fit, 4000, np.random.default_rng(1))
    assert_allclose(draws, draw_coefficients(fit, 4000, np.random.default_rng(1)))
    assert_allclose(draws.std(0), fit.standard_errors, rtol=0.05)

    def one_year(found: MultistateFit) -> Floats:
        return transition_matrix(found, 1.0, np.array([1.0])).estimate[:2]

    by_draws = interval_by_draws(fit, one_year, np.random.default_rng(2), 400)
    delta = transition_matrix(fit, 1.0, np.array([1.0]))
    assert_allclose(by_draws.low[1], delta.low[1], atol=0.01)
    assert_allclose(by_draws.high[1], delta.high[1], atol=0.01)


def test_transition_table_adds_up(panel: Panel, fit: MultistateFit) -> None:
    """Expected counts have the observed row sums in each class of elapsed time, and lie near the observed."""
    table = transition_table(panel, fit, np.array([0.0, 0.75, 2.0]))
    assert_allclose(table.expected.sum(2), table.observed.sum(2))
    assert table.observed.sum() == fit.intervals
    leavable = table.expected[:, :2]
    assert (((table.observed[:, :2] - leavable) ** 2 / leavable).sum()) < 30.0
    with pytest.raises(ValueError, match="rising"):
        transition_table(panel, fit, np.array([1.0, 0.0]))


def test_prevalence_follows_each_subject(fit: MultistateFit) -> None:
    """For two subjects, expected shares are those of the exponentials along their own covariates."""
    subject = np.array([1, 1, 1, 2, 2])
    panel = Panel(
        subject,
        np.array([0.0, 1.0, 2.0, 5.0, 6.0]),
        np.array([0, 1, 1, 1, 2]),
        np.array([[0.0], [1.0], [0.0], [2.0], [0.0]]),
    )
    found = prevalence(panel, fit, np.array([0.0, 0.5, 1.5]), until=np.array([2.0, 2.0, 2.0, 6.2, 6.2]))
    first = expm(generator(fit, 0.0) * 1.0) @ expm(generator(fit, 1.0) * 0.5)
    assert_allclose(found.expected[2], first[0])
    assert found.at_risk.tolist() == [2, 2, 1]
    half = expm(generator(fit, 0.0) * 0.5)[0] + expm(generator(fit, 2.0) * 0.5)[1]
    assert_allclose(found.expected[1], half)
    assert found.observed.tolist() == [[1, 1, 0], [1, 1, 0], [0, 1, 0]]


def test_wrong_questions_are_told(fit: MultistateFit) -> None:
    """Covariates, times and shares that do not fit are refused in words."""
    with pytest.raises(ValueError, match="`at` has shape"):
        transition_matrix(fit, 1.0, np.array([1.0, 2.0]))
    with pytest.raises(ValueError, match="zero or more"):
        transition_matrix(fit, -1.0)
    with pytest.raises(ValueError, match="sum to one"):
        occupancy(fit, np.array([0.5, 0.1, 0.1]), 1.0)


@pytest.mark.slow
def test_intervals_hold_the_truth() -> None:
    """Over 60 simulated panels with 20 clusters, 91 to 98 of 100 intervals hold the coefficient simulated with."""
    pattern = allow_moves(ALLOWED)
    effects = effects_on_all(pattern, ("x",))
    held = []
    for seed in range(60):
        found = fit_multistate(simulated(seed, 250), pattern, effects)
        away = np.abs(found.coefficients - np.r_[TRUTH, EFFECT])
        held.append(away < found.uncertainty.quantile * found.standard_errors)
    assert 0.91 < np.mean(held) < 0.98
