"""Pooled effects against metafor (another program's output, `reference/pooling`) on published trials."""

from pathlib import Path

import numpy as np
import pytest

from domatia.stats.effect_sizes import from_interval, log_odds_ratio, log_response_ratio, log_risk_ratio
from domatia.stats.pooling import lean, pool, tau2_interval, without_each

OUT = Path(__file__).parents[2] / "reference" / "pooling" / "pooling.out"

# Colditz et al. 1994, JAMA 271:698-702: cases and others among the vaccinated and the unvaccinated; latitude.
BCG = np.array([
    [4, 119, 11, 128, 44], [6, 300, 29, 274, 55], [3, 228, 11, 209, 42], [62, 13536, 248, 12619, 52],
    [33, 5036, 47, 5761, 13], [180, 1361, 372, 1079, 44], [8, 2537, 10, 619, 19], [505, 87886, 499, 87892, 13],
    [29, 7470, 45, 7232, 27], [17, 1699, 65, 1600, 42], [186, 50448, 141, 27197, 18], [5, 2493, 3, 2338, 33],
    [27, 16886, 29, 17825, 33],
], dtype=np.float64)  # fmt: skip
CASES = (BCG[:, 0], BCG[:, 2])
NUMBERS = (BCG[:, 0] + BCG[:, 1], BCG[:, 2] + BCG[:, 3])


def printed(name: str) -> list[float]:
    """Read the numbers of one line of the output."""
    line = next(r for r in OUT.read_text(encoding="utf-8").splitlines() if r.startswith(name + " "))
    return [float(v) for v in line[len(name) :].split()]


def test_the_bcg_trials_by_restricted_maximum_likelihood() -> None:
    """Mean, Knapp-Hartung error and interval, tau squared, I2, Q and log-likelihood to 1e-10 (metafor 3.8-1)."""
    sized = log_risk_ratio(CASES, NUMBERS)
    found = pool(sized.effect, sized.variance)
    ours = [found.coefficients[0], found.se[0], found.low[0], found.high[0], found.p[0]]
    np.testing.assert_allclose(ours, printed("bcg_knapp_hartung mean"), rtol=1e-10)
    spread = [found.tau2[0], 100 * found.i2, found.q, found.q_p, found.log_likelihood]
    np.testing.assert_allclose(spread, printed("bcg_reml tau2 I2 Q Qp logLik"), rtol=1e-9)
    assert found.plain_se[0] == pytest.approx(printed("bcg_reml mean")[1], rel=1e-10)
    np.testing.assert_allclose([found.predict_low, found.predict_high], printed("bcg_prediction"), rtol=1e-9)


def test_the_interval_of_tau_squared() -> None:
    """Q profiled over tau squared (metafor 3.8-1)."""
    sized = log_risk_ratio(CASES, NUMBERS)
    np.testing.assert_allclose(tau2_interval(sized.effect, sized.variance), printed("bcg_tau2_interval"), rtol=1e-9)


def test_vaccination_works_worse_near_the_equator() -> None:
    """The mean as a line of latitude: coefficients, errors, what is left of tau squared, Q (metafor 3.8-1)."""
    sized = log_risk_ratio(CASES, NUMBERS)
    found = pool(sized.effect, sized.variance, design=np.column_stack([np.ones(13), BCG[:, 4]]))
    ours = [*found.coefficients, *found.se, found.tau2[0], found.q]
    np.testing.assert_allclose(ours, printed("bcg_latitude"), rtol=1e-9)
    assert np.isnan(found.predict_low)


def test_small_studies_and_leaving_out_each() -> None:
    """The funnel's test and the means without each trial (metafor 3.8-1)."""
    sized = log_risk_ratio(CASES, NUMBERS)
    np.testing.assert_allclose(lean(sized.effect, sized.variance), printed("bcg_lean"), rtol=1e-8)
    means = [p.coefficients[0] for p in without_each(sized.effect, sized.variance, np.arange(13))]
    np.testing.assert_allclose(means, printed("bcg_without_each"), rtol=1e-10)


def test_log_odds_ratios_of_the_first_trials() -> None:
    """Effects and variances of three trials (metafor 3.8-1)."""
    sized = log_odds_ratio(CASES, NUMBERS)
    np.testing.assert_allclose([*sized.effect[:3], *sized.variance[:3]], printed("bcg_log_odds"), rtol=1e-11)


def test_treatments_that_share_a_control() -> None:
    """Six effects with three controls: mean, error, tau squared and log-likelihood (metafor 3.8-1, rma.mv)."""
    mean = (np.array([12.0, 15, 9, 11, 20, 16]), np.array([10.0, 10, 8, 8, 14, 14]))
    sd = (np.array([3.0, 4, 2, 3, 6, 4]), np.array([2.0, 2, 2, 2, 4, 4]))
    n = np.array([10.0, 10, 8, 8, 12, 12])
    sized = log_response_ratio(mean, sd, (n, n))
    same = np.equal.outer([1, 1, 2, 2, 3, 3], [1, 1, 2, 2, 3, 3])
    covariance = np.where(same, sized.shared[:, None], 0.0)
    np.fill_diagonal(covariance, sized.variance)
    found = pool(sized.effect, covariance)
    ours = [found.coefficients[0], found.plain_se[0], found.tau2[0], found.log_likelihood]
    np.testing.assert_allclose(ours, printed("shared_control"), rtol=1e-6)


def test_a_log_response_ratio_by_hand() -> None:
    """Means 10 and 6, deviations 3 and 2.5, 12 and 14 plants: ln(10/6) and 0.0199007936508 (metafor, ROM)."""
    one = log_response_ratio(
        (np.array([10.0]), np.array([6.0])), (np.array([3.0]), np.array([2.5])), (np.array([12.0]), np.array([14.0]))
    )
    assert one.effect[0] == pytest.approx(0.510825623766, abs=1e-12)
    assert one.variance[0] == pytest.approx(0.0199007936508, abs=1e-13)


def test_what_gives_no_effect_is_nan_and_what_cannot_be_pooled_is_refused() -> None:
    """A mean of zero, no variance at all, no event at all: nan; too few effects or a zero variance: an error."""
    ten, zero = np.array([10.0]), np.array([0.0])
    assert np.isnan(log_response_ratio((ten, zero), (ten, ten), (ten, ten)).effect[0])
    assert np.isnan(log_response_ratio((ten, ten), (zero, zero), (ten, ten)).variance[0])
    assert np.isnan(log_odds_ratio((zero, zero), (ten, ten)).effect[0])
    assert np.isfinite(log_odds_ratio((zero, np.array([3.0])), (ten, ten)).effect[0])
    with pytest.raises(ValueError, match="too few for 1 columns"):
        pool(ten, ten)
    with pytest.raises(ValueError, match="variances above 0"):
        pool(np.array([1.0, 2.0]), np.array([0.0, 1.0]))
    with pytest.raises(ValueError, match="1 studies are too few"):
        pool(np.array([1.0, 2.0]), np.array([1.0, 1.0]), [np.array([0, 0]), np.arange(2)])
    with pytest.raises(ValueError, match="independent effects"):
        tau2_interval(np.array([1.0, 2.0]), np.array([[1.0, 0.2], [0.2, 1.0]]))


def test_equal_effects_leave_nothing_between_studies() -> None:
    """Effects that scatter less than their errors allow: tau squared is exactly 0, the mean is the weighted one."""
    variance = np.array([0.1, 0.2, 0.3])
    found = pool(np.array([0.5, 0.52, 0.48]), variance)
    assert found.tau2[0] == 0.0
    assert found.coefficients[0] == pytest.approx(np.average([0.5, 0.52, 0.48], weights=1 / variance), rel=1e-12)
    assert tau2_interval(np.array([0.5, 0.52, 0.48]), variance)[0] == 0.0


def test_the_standard_error_behind_a_printed_interval() -> None:
    """A 95 % interval of 2 x 1.959964 standard errors."""
    low, high = np.log(np.array([1.5])), np.log(np.array([1.5])) + 2 * 1.959963984540054 * 0.2
    assert from_interval(low, high)[0] == pytest.approx(0.2, rel=1e-12)
