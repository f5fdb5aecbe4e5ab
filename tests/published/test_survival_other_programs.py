"""Hazard models against other programs: numbers of `reference/survival/survival.out`.

Grade: another program's output (R 4.2.2; glm, optimHess, survreg, coxph, lme4, msm, matrix exponentials).
"""

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from domatia.stats.arrays import Floats
from domatia.stats.cloglog import BinomialRows, cloglog
from domatia.stats.competing import CompetingRows, competing_hazards, cumulative_incidence
from domatia.stats.cox import cox
from domatia.stats.frailty import frailty
from domatia.stats.interval_hazard import IntervalRows, interval_hazard

FOLDER = Path(__file__).parents[2] / "reference" / "survival"


@pytest.fixture(scope="module")
def table() -> Floats:
    """Give the columns plant, block, ants, light, start, stop, died."""
    return np.genfromtxt(FOLDER / "rows.csv", delimiter=",", skip_header=1)


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


def test_complementary_log_log_regression(table: Floats) -> None:
    """Coefficients, standard errors and log-likelihood equal glm's, CR1 the sandwich package's with the same bread."""
    year = np.digitize(table[:, 4], [1.0, 2.0])
    X = np.column_stack([table[:, 2:4], year[:, None] == np.arange(3)])
    block = table[:, 1].astype(np.int64)
    rows = BinomialRows(table[:, 6], X, np.log(table[:, 5] - table[:, 4]), cluster=block)
    found = cloglog(rows, kind="model")
    glm = [-0.588788813430, 0.790963124992, -0.637282642561, -1.062771171552, -0.795914820029]
    assert_allclose(found.coefficients.estimate, glm, atol=1e-9)
    errors = [0.152332886444, 0.262567975780, 0.194520299005, 0.222101882585, 0.228853237901]
    assert_allclose(found.coefficients.se, errors, rtol=1e-8)
    assert_allclose(found.log_likelihood, -379.775937957, atol=1e-9)
    robust = [0.126223940494, 0.270802983452, 0.182666682267, 0.219820504584, 0.296023203620]
    assert_allclose(cloglog(rows).coefficients.se, robust, rtol=1e-7)


@pytest.fixture(scope="module")
def looks() -> CompetingRows:
    """Read the vacant plants of looks.csv."""
    t = np.genfromtxt(FOLDER / "looks.csv", delimiter=",", skip_header=1)
    return CompetingRows(t[:, 3], t[:, 4], t[:, 5].astype(np.int64), t[:, 1:3])


def test_competing_causes_with_constant_hazards(looks: CompetingRows) -> None:
    """Likelihood, hazards, effects, standard errors and two-year chances equal msm's with absorbing states."""
    found = competing_hazards(looks, np.array([]))
    assert_allclose(-2 * found.log_likelihood, 1041.71331581, atol=1e-7)
    assert_allclose(found.baseline.estimate[:, 0], [0.647403195755, 0.433489413090, 0.191131670038], rtol=1e-5)
    effects = [
        [0.5133849417505, -0.111348096798],
        [0.0665536019424, 0.635810787612],
        [0.2298100867407, -0.419270951692],
    ]
    assert_allclose(found.coefficients.estimate, effects, atol=3e-6)
    # msm's are from the observed information, ours from the expected one
    errors = [
        [0.181495397842, 0.304747742098],
        [0.202049009443, 0.340943170608],
        [0.369462689446, 0.620910240393],
    ]
    assert_allclose(found.coefficients.se, errors, rtol=0.02)
    chance = cumulative_incidence(found, np.array([1.0, 0.5]), np.array([2.0]))
    assert_allclose(chance.free.estimate, [0.0244807440744], atol=1e-7)
    by_cause = [0.5381006156693, 0.3348530434335, 0.1025655968229]
    assert_allclose(chance.by_cause.estimate[:, 0], by_cause, atol=1e-7)


def test_competing_causes_with_hazards_that_change(looks: CompetingRows) -> None:
    """With a cut at 1, maximum and parameters equal those of a likelihood made of matrix exponentials in R."""
    found = competing_hazards(looks, np.array([1.0]))
    assert_allclose(found.log_likelihood, -520.739847544, atol=1e-8)
    by_cause = [
        [0.507008831346, -0.114121234439, -0.419478684570, -0.498516944401],
        [0.0668501653261, 0.6354625162179, -0.8353599413270, -0.8391617745080],
        [0.259766297331, -0.407149819189, -1.726967144770, -1.409834176518],
    ]
    assert_allclose(found.parameters.reshape(3, 4), by_cause, atol=3e-6)


def test_normal_frailty_by_quadrature(table: Floats) -> None:
    """Log-likelihood, effects and spread of block effects equal lme4's with 25 quadrature points."""
    found = frailty(rows_of(table), np.array([1.0, 2.0]))
    assert_allclose(found.log_likelihood, -369.809381578, atol=1e-8)
    assert_allclose(np.sqrt(found.variance.estimate), [0.47244768743], atol=1e-6)
    lme4 = [-0.621194795412, 0.973170253690, -0.780156344763, -1.086646981858, -0.719901015934]
    assert_allclose(found.parameters, lme4, atol=2e-6)
