"""Regression with the canonical link against R's glm (another program's output), closed forms, and its means."""

import csv
from pathlib import Path

import numpy as np
import pytest

from domatia.stats.canonical import coefficients, means_if_all

REFERENCE = Path(__file__).parents[3] / "reference" / "mixed"


@pytest.fixture
def rows() -> tuple[np.ndarray, np.ndarray]:
    """Give a design with a treatment and a covariate, and its linear predictor."""
    rng = np.random.default_rng(3)
    design = np.column_stack([np.ones(400), rng.random(400) < 0.5, rng.standard_normal(400)]).astype(np.float64)
    return design, design @ np.array([0.4, -0.6, 0.5])


def test_shares_and_the_means_with_everybody_treated() -> None:
    """Logistic regression weighted by trials, and its averages: R's glm, in reference/mixed/models.out."""
    with (REFERENCE / "trials.csv").open(encoding="utf-8") as file:
        read = list(csv.DictReader(file))
    hits, trials, treated, light = (
        np.array([float(r[c]) for r in read]) for c in ("hits", "trials", "treated", "light")
    )
    design = np.column_stack([np.ones(len(hits)), treated, light])
    beta = coefficients(hits / trials, design, "logit", trials)
    nan = np.nan
    found = means_if_all(beta, design, [np.array([nan, 0.0, nan]), np.array([nan, 1.0, nan])], "logit")
    lines = (REFERENCE / "models.out").read_text(encoding="utf-8").splitlines()
    at = next(i for i, line in enumerate(lines) if "averages over all rows" in line)
    wanted = [float(v) for v in lines[at + 1].split()[1:3]]
    np.testing.assert_allclose(found, wanted, rtol=1e-8)


def test_counts_of_groups_alone_give_the_logs_of_their_means(rows: tuple[np.ndarray, np.ndarray]) -> None:
    """Closed form: with nothing but a group the coefficients are the log mean and the log ratio of means."""
    design, eta = rows
    y = np.random.default_rng(4).poisson(np.exp(eta)).astype(np.float64)
    treated = design[:, 1] == 1
    beta = coefficients(y, design[:, :2], "log")
    wanted = [np.log(y[~treated].mean()), np.log(y[treated].mean() / y[~treated].mean())]
    np.testing.assert_allclose(beta, wanted, rtol=1e-9)


def test_the_equations_of_counts_are_solved(rows: tuple[np.ndarray, np.ndarray]) -> None:
    """X'(y - mean) is nought in every column."""
    design, eta = rows
    y = np.random.default_rng(5).poisson(np.exp(eta)).astype(np.float64)
    left = design.T @ (y - np.exp(design @ coefficients(y, design, "log")))
    np.testing.assert_allclose(left, 0.0, atol=1e-7)


def test_fitted_means_average_to_the_observed_ones(rows: tuple[np.ndarray, np.ndarray]) -> None:
    """With every row as it is the mean is the observed one; settings change the treatment alone."""
    design, eta = rows
    y = np.random.default_rng(6).poisson(np.exp(eta)).astype(np.float64)
    beta = coefficients(y, design, "log")
    nan = np.nan
    own, treated, not_treated = means_if_all(
        beta, design, [np.array([nan, nan, nan]), np.array([nan, 1.0, nan]), np.array([nan, 0.0, nan])], "log"
    )
    assert own == pytest.approx(y.mean(), rel=1e-9)
    assert treated / not_treated == pytest.approx(np.exp(beta[1]), rel=1e-9)


def test_what_cannot_be_fitted_is_refused() -> None:
    """An unknown link, and values that do not vary."""
    one = np.ones((3, 1))
    with pytest.raises(ValueError, match="unknown; choose log or logit"):
        coefficients(np.ones(3), one, "probit")
    with pytest.raises(ValueError, match="nothing varies"):
        coefficients(np.zeros(3), one, "log")
    with pytest.raises(ValueError, match="nothing varies"):
        coefficients(np.ones(3), one, "logit")
