"""Crowding and means of broods against base R (`reference/broods`: optim, nls, glm)."""

from pathlib import Path

import numpy as np
import pytest

from domatia.stats.crowding import Broods, best_density, crowding, profile, survival_at
from domatia.stats.mean_models import mean_model

ROOM = Path(__file__).parents[2] / "reference" / "broods"
OUT = {
    name: float(value)
    for name, value in (line.split() for line in (ROOM / "broods.out").read_text(encoding="utf-8").splitlines())
}
TABLE = np.loadtxt(ROOM / "broods.csv", delimiter=",", skiprows=1)
LARVAE, SURVIVORS, AREA, BLOCK, ANTS, EGGS = TABLE.T
ROWS = Broods(LARVAE.astype(np.int64), SURVIVORS.astype(np.int64), LARVAE / AREA)


def test_the_family_as_optim_gives_it() -> None:
    """Likelihood, the four parameters on their working scales, and their standard errors."""
    fit = crowding(ROWS)
    assert fit.log_likelihood == pytest.approx(OUT["family_loglik"], abs=1e-6)
    assert fit.theta == pytest.approx([OUT[f"family_{i}"] for i in range(1, 5)], abs=2e-4)
    se = np.sqrt(np.diag(fit.uncertainty.covariance))
    assert se == pytest.approx([OUT[f"family_se_{i}"] for i in range(1, 5)], rel=2e-3)


def test_contest_and_no_crowding_as_optim_gives_them() -> None:
    """The limits of the family: b = 1 (where survival without crowding runs to 1), and no crowding."""
    assert crowding(ROWS, "contest").log_likelihood == pytest.approx(OUT["contest_loglik"], abs=1e-5)
    assert crowding(ROWS, "no crowding").log_likelihood == pytest.approx(OUT["none_loglik"], abs=1e-6)


def test_the_profile_of_the_exponent_is_cut_where_uniroot_cuts_it() -> None:
    """The two ends of the 95 % interval of b."""
    low, high = profile(ROWS, crowding(ROWS))
    assert low == pytest.approx(OUT["profile_low"], rel=2e-3)
    assert high == pytest.approx(OUT["profile_high"], rel=2e-3)


def test_the_curve_that_nls_recovers_is_ours() -> None:
    """Survival 0.75 without crowding, capacity 0.08 and exponent 2.2, and the best density of that curve."""
    p0, c, b = OUT["nls_p0"], OUT["nls_c"], OUT["nls_b"]
    theta = np.array([np.log(p0 / (1 - p0)), np.log(c), np.log(b), 0.0])
    x = np.linspace(0.005, 0.4, 60)
    assert survival_at(theta, x) == pytest.approx(0.75 / (1 + (x / 0.08) ** 2.2), rel=1e-6)
    assert np.exp(best_density(theta)[0]) == pytest.approx(OUT["best_density"], rel=1e-5)


def test_means_and_shares_as_glm_gives_them() -> None:
    """Eggs a plant on ants and leaf area, and whether any were laid."""
    X = np.column_stack([np.ones(len(EGGS)), ANTS, np.log(AREA)])
    eggs = mean_model(EGGS, X, "log", BLOCK.astype(np.int64))
    laid = mean_model((EGGS > 0).astype(np.float64), X, "logit")
    assert eggs.coefficients.estimate == pytest.approx([OUT[f"eggs_{i}"] for i in (1, 2, 3)], rel=1e-7)
    assert laid.coefficients.estimate == pytest.approx([OUT[f"laid_{i}"] for i in (1, 2, 3)], rel=1e-7)
    assert np.sqrt(laid.uncertainty.model_covariance[1, 1]) == pytest.approx(OUT["laid_se_2"], rel=1e-7)
    assert eggs.coefficients.se[1] == pytest.approx(OUT["eggs_jackknife_se_2"], rel=1e-7)
    assert eggs.uncertainty.df == 11
