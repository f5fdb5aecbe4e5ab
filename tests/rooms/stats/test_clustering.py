"""Sandwich covariance, small-sample corrections and what is said about them."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from domatia.stats.clustering import (
    Kind,
    clustered_uncertainty,
    model_uncertainty,
    sum_by,
    two_sided_quantile,
)


def test_few_groups_use_t_and_many_the_normal() -> None:
    """Below 40 groups the quantile is t's on G - 1 degrees of freedom (2.2010 for 11, as in any t table)."""
    scores = np.random.default_rng(1).normal(size=(40, 2))
    assert clustered_uncertainty(np.eye(2), scores[:12]).quantile == pytest.approx(2.2010, abs=5e-5)
    assert clustered_uncertainty(np.eye(2), scores).quantile == pytest.approx(1.9600, abs=5e-5)
    assert two_sided_quantile(0.9) == pytest.approx(1.6449, abs=5e-5)


def test_cr1_is_the_sandwich_times_its_correction() -> None:
    """CR0 is V S'S V; CR1 multiplies by G/(G-1)."""
    scores = np.array([[1.0], [-2.0], [1.0]])
    plain = clustered_uncertainty(np.array([[0.5]]), scores, kind="CR0")
    assert_allclose(plain.covariance, [[0.25 * 6.0]])
    assert_allclose(clustered_uncertainty(np.array([[0.5]]), scores).covariance, [[0.25 * 9.0]])


def test_leverage_corrections_equal_their_textbook_form_in_least_squares() -> None:
    """For a linear model CR2 and the jackknife equal the residuals multiplied by (I - H_gg)^(-1/2) and ^(-1)."""
    rng = np.random.default_rng(2)
    X = np.column_stack([np.ones(30), rng.normal(size=30)])
    y = rng.normal(size=30)
    codes = np.repeat(np.arange(6), 5)
    bread = np.linalg.inv(X.T @ X)
    residual = y - X @ (bread @ (X.T @ y))
    information = np.stack([X[codes == g].T @ X[codes == g] for g in range(6)])
    scores = sum_by(X * residual[:, None], codes, 6)
    forms: list[tuple[Kind, float]] = [("CR2", -0.5), ("jackknife", -1.0)]
    for kind, power in forms:
        meat = np.zeros((2, 2))
        for g in range(6):
            mine = X[codes == g]
            values, vectors = np.linalg.eigh(np.eye(5) - mine @ bread @ mine.T)
            adjusted = mine.T @ (vectors @ (values**power * (vectors.T @ residual[codes == g])))
            meat += np.outer(adjusted, adjusted)
        factor = 5.0 / 6.0 if kind == "jackknife" else 1.0
        found = clustered_uncertainty(bread, scores, kind=kind, information=information)
        assert_allclose(found.covariance, factor * bread @ meat @ bread, rtol=1e-9)


def test_one_group_falls_back_on_the_model_and_says_so() -> None:
    """A single group cannot give a sandwich."""
    found = clustered_uncertainty(np.eye(1), np.zeros((1, 1)))
    assert found.kind == "model"
    assert "Only one group" in found.text


def test_unknown_or_unsupported_kinds_are_refused() -> None:
    """The message names the choices, or what is missing."""
    with pytest.raises(ValueError, match="choose one of model, CR0"):
        clustered_uncertainty(np.eye(1), np.zeros((3, 1)), kind="CR9")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="needs each group's information"):
        clustered_uncertainty(np.eye(1), np.zeros((3, 1)), kind="CR2")
    with pytest.raises(ValueError, match="between 0 and 1"):
        two_sided_quantile(95.0)


def test_probability_intervals_stay_inside() -> None:
    """Ends of a survival interval lie in (0, 1) around it; at 1 and 0 the interval is the point."""
    found = model_uncertainty(np.eye(1)).log_log(np.array([0.98, 1.0, 0.0]), np.array([[0.05], [1.0], [1.0]]))
    assert 0.0 < found.low[0] < 0.98 < found.high[0] < 1.0
    assert_allclose([found.low[1], found.high[1], found.low[2], found.high[2]], [1.0, 1.0, 0.0, 0.0])


def test_a_held_parameter_keeps_the_models_variance() -> None:
    """Where the sandwich calls a held parameter certain, its variance rises to the model's and no covariance breaks."""
    model = np.array([[2.0, 0.5], [0.5, 1.0]])
    scores = np.array([[0.0, 1.0], [0.0, -1.0], [0.0, 0.4], [0.0, -0.4]])
    found = clustered_uncertainty(model, scores).at_least_model([0])
    assert found.covariance[0, 0] == pytest.approx(2.0)
    assert (np.linalg.eigvalsh(found.covariance) >= -1e-12).all()
