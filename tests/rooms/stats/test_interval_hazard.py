"""The hazard model for deaths known only to lie between two looks."""

from itertools import pairwise

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize

from domatia.stats.arrays import Floats
from domatia.stats.interval_hazard import IntervalRows, aliased_columns, choose_cuts, interval_hazard


def simulated(seed: int, plants: int = 150, effect: float = -0.8) -> IntervalRows:
    """Make looks at irregular times over 3 years with late entry; hazard 0.5 with the effect of covariate 0."""
    rng = np.random.default_rng(seed)
    block = np.arange(plants) % 10
    x = np.column_stack([np.arange(plants) // 10 % 2, rng.random(plants)]).astype(np.float64)
    first = rng.choice([0.0, 0.0, 0.6], plants)
    hazard = 0.5 * np.exp(effect * x[:, 0] + rng.normal(0, 0.2, 10)[block])
    death = first + rng.exponential(1.0, plants) / hazard
    parts = []
    for i in range(plants):
        looks = np.concatenate([[first[i]], np.sort(rng.uniform(first[i], 3.0, 4))])
        for a, b in pairwise(looks):
            if a < death[i]:
                parts.append((a, b, float(death[i] <= b), *x[i], block[i]))
    t = np.array(parts)
    return IntervalRows(t[:, 0], t[:, 1], t[:, 2].astype(np.int64), t[:, 3:5], t[:, 5].astype(np.int64))


def minus_log_likelihood(theta: Floats, rows: IntervalRows, cuts: list[float]) -> float:
    """Write the likelihood out with cumulative baseline hazards at both ends of each row."""
    edges = np.array([0.0, *cuts])
    rate = np.exp(theta[2:])

    def cumulative(t: Floats) -> Floats:
        spans = np.clip(t[:, None] - edges, 0.0, np.append(np.diff(edges), np.inf))
        return np.asarray(spans @ rate, dtype=np.float64)

    h = np.exp(rows.X @ theta[:2]) * (cumulative(rows.stop) - cumulative(rows.start))
    return -float(np.where(rows.died == 1, np.log(-np.expm1(-h)), -h).sum())


def test_maximum_found_by_another_optimiser() -> None:
    """Rows that straddle cuts: estimates equal a general optimiser's on a likelihood written another way."""
    rows, cuts = simulated(1), [0.7, 1.5]
    found = interval_hazard(rows, np.array(cuts))
    best = optimize.minimize(minus_log_likelihood, np.zeros(5), (rows, cuts), method="BFGS", options={"gtol": 1e-7})
    assert_allclose(found.log_likelihood, -best.fun, atol=1e-8)
    assert_allclose(found.parameters, best.x, atol=1e-4)
    here = minus_log_likelihood(found.parameters, rows, cuts)
    assert_allclose(-here, found.log_likelihood, atol=1e-9)


def test_standard_errors_are_the_curvature_of_the_likelihood() -> None:
    """The model's covariance is the inverse of a numerically differentiated Hessian."""
    rows, cuts = simulated(2), [0.7, 1.5]
    found = interval_hazard(rows, np.array(cuts), kind="model")
    step, p = 1e-4, found.parameters
    unit = np.eye(5) * step
    hessian = np.array(
        [
            [
                sum(
                    sign_i * sign_j * minus_log_likelihood(p + sign_i * unit[i] + sign_j * unit[j], rows, cuts)
                    for sign_i in (1, -1)
                    for sign_j in (1, -1)
                )
                / (4 * step**2)
                for j in range(5)
            ]
            for i in range(5)
        ]
    )
    assert_allclose(found.uncertainty.covariance, np.linalg.inv(hessian), rtol=2e-4, atol=2e-5)


def test_row_order_does_not_matter() -> None:
    """Reversed rows give the same answer."""
    rows = simulated(3)
    assert rows.cluster is not None
    turned = IntervalRows(rows.start[::-1], rows.stop[::-1], rows.died[::-1], rows.X[::-1], rows.cluster[::-1])
    one, two = interval_hazard(rows), interval_hazard(turned)
    assert_allclose(one.parameters, two.parameters, rtol=1e-9, atol=1e-12)
    assert_allclose(one.coefficients.se, two.coefficients.se, rtol=1e-8)


def test_a_row_cut_in_two_while_alive_changes_nothing() -> None:
    """An extra look that found the individual alive leaves the likelihood as it was."""
    rows = simulated(4)
    alive = np.flatnonzero(np.asarray(rows.died) == 0)[:50]
    middle = (rows.start[alive] + rows.stop[alive]) / 2
    start, stop = np.concatenate([rows.start, middle]), rows.stop.copy()
    stop[alive] = middle
    more = IntervalRows(
        start,
        np.concatenate([stop, rows.stop[alive]]),
        np.concatenate([rows.died, rows.died[alive]]),
        np.concatenate([rows.X, rows.X[alive]]),
    )
    cuts = np.array([1.0])
    assert_allclose(interval_hazard(more, cuts).parameters, interval_hazard(rows, cuts).parameters, atol=1e-8)


@pytest.mark.parametrize("without_deaths", [1.0, 0.0])
def test_a_group_without_deaths_gives_finite_numbers_and_is_named(without_deaths: float) -> None:
    """Whether it is the marked group or the reference that has no deaths, the coefficient is finite and named."""
    rows = simulated(5)
    marked = (np.asarray(rows.cluster) < 2).astype(np.float64)
    died = np.asarray(rows.died) * (marked != without_deaths)
    found = interval_hazard(IntervalRows(rows.start, rows.stop, died, np.column_stack([rows.X, marked]), rows.cluster))
    assert found.separated == (2,)
    c = found.coefficients
    assert np.isfinite([c.estimate, c.se, c.low, c.high]).all()
    assert (c.estimate[2] < -1) == (without_deaths == 1.0)
    assert c.se[2] > 0.5
    assert any("No deaths" in note for note in found.notes)


def test_a_single_individual_without_death_is_named_too() -> None:
    """A mark borne by two rows only, neither with a death, is found as well."""
    rows = simulated(12, plants=2000)
    alive = np.flatnonzero(np.asarray(rows.died) == 0)[:2]
    marked = np.isin(np.arange(len(rows.start)), alive).astype(np.float64)
    found = interval_hazard(IntervalRows(rows.start, rows.stop, rows.died, np.column_stack([rows.X, marked])))
    assert found.separated == (2,)
    assert np.isfinite(found.coefficients.low).all()


def test_cuts_that_no_row_tells_apart_are_left_out() -> None:
    """Where every row spans whole years, a cut inside a year is dropped and noted."""
    rows = simulated(6)
    year = np.floor(rows.start)
    whole = IntervalRows(year, year + 1.0, rows.died, rows.X)
    found = interval_hazard(whole, np.array([0.4, 1.0, 2.0]))
    assert_allclose(found.edges, [0.0, 1.0, 2.0, 3.0])
    assert any("0.4" in note for note in found.notes)


def test_an_empty_piece_is_joined_to_its_neighbour() -> None:
    """A piece in which nobody can have died is joined, and the hazard stays finite."""
    rows = simulated(7)
    died = np.where(rows.stop > 2.5, 0, rows.died)
    found = interval_hazard(IntervalRows(rows.start, rows.stop, died, rows.X), np.array([1.0, 2.6]))
    assert_allclose(found.edges[:-1], [0.0, 1.0])
    assert np.isfinite(found.baseline.estimate).all()


def test_chosen_cuts_leave_enough_deaths_in_each_piece() -> None:
    """Every piece holds at least the wanted number of deaths; very few deaths give no cut."""
    rows = simulated(8)
    cuts = choose_cuts(rows, pieces=5, least=12)
    assert len(cuts) >= 2
    held = np.histogram(rows.stop[np.asarray(rows.died) == 1], [-1.0, *np.nextafter(cuts, np.inf), 9.0])[0]
    assert held.min() >= 12
    assert len(choose_cuts(rows, least=10_000)) == 0


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    """Over 80 simulated studies the 95 % interval of a known effect holds it at least 70 times."""
    held = 0
    for seed in range(80):
        c = interval_hazard(simulated(100 + seed), np.array([1.0])).coefficients
        held += int(c.low[0] <= -0.8 <= c.high[0])
    assert held >= 70


def test_one_step_jackknife_is_near_refits_without_each_group() -> None:
    """The one-step jackknife's standard errors lie within 5 % of those from ten real refits."""
    rows, cuts = simulated(11), np.array([1.0])
    assert rows.cluster is not None
    found = interval_hazard(rows, cuts, kind="jackknife")
    refits = []
    for g in range(10):
        kept = rows.cluster != g
        less = IntervalRows(rows.start[kept], rows.stop[kept], rows.died[kept], rows.X[kept])
        refits.append(interval_hazard(less, cuts).coefficients.estimate)
    apart = np.array(refits) - found.coefficients.estimate
    assert_allclose(found.coefficients.se, np.sqrt(0.9 * (apart**2).sum(axis=0)), rtol=0.05)


def test_jackknife_holds_up_between_groups() -> None:
    """For an effect of six groups against eighteen the jackknife's interval covers the mean estimate in 87 of 100."""
    found = []
    for seed in range(100):
        rng = np.random.default_rng([9, seed])
        group = np.repeat(np.arange(24), 30)
        x = (group % 4 == 1).astype(np.float64)
        death = rng.exponential(1.0, 720) / (0.2 * np.exp(0.6 * x + rng.normal(0.0, 0.5, 24)[group]))
        start = np.repeat([0.0, 1.0, 2.0], 720)
        who = np.tile(np.arange(720), 3)
        kept = start < death[who]
        start, who = start[kept].astype(np.float64), who[kept]
        died = (death[who] <= start + 1.0).astype(np.int64)
        rows = IntervalRows(start, start + 1.0, died, x[who, None], group[who])
        c = interval_hazard(rows, np.array([1.0]), kind="jackknife").coefficients
        found.append((c.estimate[0], c.low[0], c.high[0]))
    table = np.array(found)
    truth = table[:, 0].mean()
    assert ((table[:, 1] <= truth) & (truth <= table[:, 2])).sum() >= 87


def test_contrast_combines_coefficients() -> None:
    """The difference of two coefficients has the covariance of both."""
    found = interval_hazard(simulated(9))
    V = found.uncertainty.covariance
    made = found.contrast(np.array([1.0, -1.0]))
    assert_allclose(made.se, [np.sqrt(V[0, 0] + V[1, 1] - 2 * V[0, 1])])
    assert_allclose(made.estimate, [found.parameters[0] - found.parameters[1]])


def test_malformed_rows_are_refused() -> None:
    """Rows without length, without deaths, and redundant covariates are named."""
    rows = simulated(10)
    with pytest.raises(ValueError, match="end after it starts"):
        interval_hazard(IntervalRows(rows.start, rows.start, rows.died, rows.X))
    with pytest.raises(ValueError, match="nobody died"):
        interval_hazard(IntervalRows(rows.start, rows.stop, 0 * rows.died, rows.X))
    with pytest.raises(ValueError, match=r"columns \[2\] of X"):
        interval_hazard(IntervalRows(rows.start, rows.stop, rows.died, np.column_stack([rows.X, rows.X.sum(axis=1)])))
    assert aliased_columns(np.ones((5, 1))) == (0,)
