"""Hazard models against other programs: numbers of `reference/survival/survival.out`.

Grade: another program's output (R 4.2.2; glm, optimHess, survreg, coxph).
"""

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from domatia.stats.arrays import Floats
from domatia.stats.cox import cox
from domatia.stats.interval_hazard import IntervalRows, interval_hazard

TABLE = Path(__file__).parents[2] / "reference" / "survival" / "rows.csv"


@pytest.fixture(scope="module")
def table() -> Floats:
    """Give the columns plant, block, ants, light, start, stop, died."""
    return np.genfromtxt(TABLE, delimiter=",", skip_header=1)


def rows_of(table: Floats) -> IntervalRows:
    """Make the rows of the model, clustered by block."""
    return IntervalRows(
        table[:, 4], table[:, 5], table[:, 6].astype(np.int64), table[:, 2:4], table[:, 1].astype(np.int64)
    )


def test_agrees_with_glm_where_pieces_and_rows_coincide(table: Floats) -> None:
    """Coefficients, yearly log hazards and log-likelihood are those of R's complementary log-log model."""
    found = interval_hazard(rows_of(table), np.array([1.0, 2.0]))
    glm = [-0.588788813430, 0.790963124992, -0.637282642561, -1.062771171552, -0.795914820029]
    assert_allclose(found.parameters, glm, atol=1e-9)
    assert_allclose(found.log_likelihood, -379.775937957, atol=1e-9)
    assert found.separated == ()


def test_standard_errors_are_those_of_the_observed_information(table: Floats) -> None:
    """Model standard errors equal those from R's numerical Hessian of the same likelihood."""
    found = interval_hazard(rows_of(table), np.array([1.0, 2.0]), kind="model")
    observed = [0.153190362672, 0.264601481019, 0.193853120080, 0.221221578997, 0.231543992082]
    assert_allclose(np.sqrt(np.diag(found.uncertainty.covariance)), observed, rtol=1e-6)


def test_sandwich_by_block(table: Floats) -> None:
    """The plain sandwich equals R's by hand, CR1 differs from it by the root of G/(G-1)."""
    by_hand = np.array([0.120521804169, 0.264824315974, 0.173768576286, 0.209025920086, 0.289911441264])
    plain = interval_hazard(rows_of(table), np.array([1.0, 2.0]), kind="CR0")
    assert_allclose(np.sqrt(np.diag(plain.uncertainty.covariance)), by_hand, rtol=1e-6)
    found = interval_hazard(rows_of(table), np.array([1.0, 2.0]))
    assert_allclose(np.sqrt(np.diag(found.uncertainty.covariance)), by_hand * np.sqrt(12 / 11), rtol=1e-6)
    assert found.uncertainty.df == 11
    assert "12 groups" in found.uncertainty.text


def test_one_constant_hazard_is_the_exponential_model(table: Floats) -> None:
    """With one piece and whole histories the model is survreg's exponential, signs turned."""
    entered = {int(row[0]) for row in table if row[4] > 0 and (table[table[:, 0] == row[0], 4] > 0).all()}
    kept = table[[int(row[0]) not in entered for row in table]]
    found = interval_hazard(rows_of(kept), np.array([]), kind="model")
    assert_allclose(found.parameters, [-0.583908098259, 0.886094803641, -0.821063294593], atol=1e-8)
    assert_allclose(found.log_likelihood, -287.115162627, atol=1e-8)
    errors = [0.173118373840, 0.300562710833, 0.206873198779]
    assert_allclose(np.sqrt(np.diag(found.uncertainty.covariance)), errors, rtol=1e-7)


def test_cox_with_ties_late_entry_and_blocks(table: Floats) -> None:
    """Coefficients, model and robust standard errors and both log-likelihoods equal coxph's."""
    start, stop, died, X = table[:, 4], table[:, 5], table[:, 6].astype(np.int64), table[:, 2:4]
    found = cox(start, stop, died, X, table[:, 1].astype(np.int64), kind="CR0")
    assert_allclose(found.coefficients.estimate, [-0.576499859281, 0.713478298753], atol=1e-10)
    model = np.sqrt(np.diag(found.uncertainty.model_covariance))
    assert_allclose(model, [0.152033113229, 0.261541474249], atol=1e-11)
    assert_allclose(found.coefficients.se, [0.128007553877, 0.238573874664], atol=1e-11)
    assert_allclose([found.log_likelihood_null, found.log_likelihood], [-890.626317723, -879.191532368], atol=1e-8)
