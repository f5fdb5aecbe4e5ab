"""Shared frailty of groups."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import integrate, stats

from domatia.stats.arrays import Bools, Floats
from domatia.stats.frailty import Family, Frailty, frailty
from domatia.stats.interval_hazard import IntervalRows, interval_hazard


def simulated(seed: int, spread: float, groups: int = 12, each: int = 15) -> IntervalRows:
    """Make yearly looks for three years; group log frailty normal with the given spread, effect -0.7."""
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(groups), each)
    x = rng.integers(0, 2, len(group)).astype(np.float64)
    hazard = 0.4 * np.exp(-0.7 * x + rng.normal(0.0, 1.0, groups)[group] * spread)
    death = rng.exponential(1.0, len(group)) / hazard
    start = np.concatenate([np.full(len(group), year * 1.0) for year in range(3)])
    who = np.tile(np.arange(len(group)), 3)
    kept = start < death[who]
    start, who = start[kept].astype(np.float64), who[kept]
    died = (death[who] <= start + 1.0).astype(np.int64)
    return IntervalRows(start, start + 1.0, died, x[who][:, None], group[who])


def by_quadrature(found: Frailty, rows: IntervalRows) -> float:
    """Integrate each group's likelihood over the frailty itself with a general routine."""
    assert rows.cluster is not None
    v = found.variance.estimate[0]
    rate = np.exp(found.parameters[1:])
    hazard = np.exp(rows.X[:, 0] * found.parameters[0]) * rate[np.digitize(rows.start, found.edges[1:-1])]
    law = stats.gamma(1 / v, scale=v) if found.family == "gamma" else stats.lognorm(np.sqrt(v))
    total = 0.0
    for g in np.unique(rows.cluster):
        mine, died = hazard[rows.cluster == g], np.asarray(rows.died)[rows.cluster == g] == 1

        def inside(u: float, h: Floats = mine, d: Bools = died) -> float:
            terms = np.where(d, -np.expm1(-u * h), np.exp(-u * h))
            return float(terms.prod() * law.pdf(u))

        total += np.log(integrate.quad(inside, 0.0, 30.0, limit=400, epsabs=0.0, epsrel=1e-10)[0])
    return float(total)


@pytest.mark.parametrize("family", ["normal", "gamma"])
def test_likelihood_is_the_integral_over_the_frailty(family: Family) -> None:
    """The log-likelihood equals direct numerical integration, and nearby parameters give less."""
    rows = simulated(1, 0.9)
    found = frailty(rows, np.array([1.0, 2.0]), family=family)
    assert_allclose(found.log_likelihood, by_quadrature(found, rows), atol=1e-6)
    assert found.log_likelihood > found.log_likelihood_without + 1
    assert found.p_value < 0.05
    assert 0 < found.variance.low[0] < found.variance.estimate[0] < found.variance.high[0]


def test_without_differences_the_variance_is_zero_and_nothing_else_changes() -> None:
    """Groups drawn at random give the answer without frailty, said in a note."""
    rows = simulated(3, 0.0)
    assert rows.cluster is not None
    shuffled = IntervalRows(rows.start, rows.stop, rows.died, rows.X, np.arange(len(rows.start)) % 7)
    found = frailty(shuffled, np.array([1.0]))
    plain = interval_hazard(shuffled, np.array([1.0]), kind="model")
    assert found.variance.estimate[0] == 0.0
    assert found.variance.low[0] == 0.0
    assert found.variance.high[0] > 0.0
    assert found.p_value == 1.0
    assert any("no more than chance" in note for note in found.notes)
    assert_allclose(found.coefficients.estimate, plain.coefficients.estimate, atol=1e-9)
    assert_allclose(found.coefficients.se, plain.coefficients.se, rtol=1e-6)


def test_interval_of_the_effect_holds_the_truth() -> None:
    """Over 30 simulated studies with strong frailty the interval of the effect within groups holds -0.7 in 26."""
    held = 0
    for seed in range(30):
        c = frailty(simulated(50 + seed, 0.8), np.array([])).coefficients
        held += int(c.low[0] <= -0.7 <= c.high[0])
    assert held >= 26


def test_wrong_use_is_refused() -> None:
    """Missing groups and unknown families are named."""
    rows = simulated(4, 0.5)
    with pytest.raises(ValueError, match="at least two groups"):
        frailty(IntervalRows(rows.start, rows.stop, rows.died, rows.X))
    with pytest.raises(ValueError, match="choose normal or gamma"):
        frailty(rows, family="beta")  # type: ignore[arg-type]
