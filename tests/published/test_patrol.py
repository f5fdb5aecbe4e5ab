"""The harmonic count model against glmmTMB (another program's output, `reference/patrol`)."""

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from domatia.questions.patrol_numbers import Cell, Fitted, fit_cell, night_to_day

ROOT = Path(__file__).parents[2] / "reference" / "patrol"


def printed(name: str) -> list[float]:
    """Read the numbers of one line of the output."""
    lines = (ROOT / "patrol.out").read_text(encoding="utf-8").splitlines()
    return [float(v) for v in next(r for r in lines if r.startswith(f"{name} "))[len(name) :].split()]


@pytest.fixture(scope="module")
def fitted() -> Fitted:
    """Fit the invented scans as the question does."""
    table = pl.read_csv(ROOT / "counts.csv")
    rows = table.select(
        "hour", "ants",
        plant=pl.col("plant"), unit=pl.col("plant"), cluster=pl.col("block"),
        position=pl.when(pl.col("tip") == 1).then(pl.lit("tip")).otherwise(pl.lit("base")),
        disturbed=pl.col("after") == 1, extent=pl.col("length_m"), day_h=pl.lit(12.0),
    )  # fmt: skip
    found = fit_cell(Cell("scan", "ants", rows, 2, "block"))
    assert found is not None
    return found


def test_coefficients_errors_and_likelihood(fitted: Fitted) -> None:
    """Model-based numbers (glmmTMB 1.1.5, nbinom2)."""
    np.testing.assert_allclose(fitted.fit.coefficients, printed("coefficients"), atol=5e-6)
    np.testing.assert_allclose(fitted.fit.standard_errors, printed("errors"), rtol=1e-4)
    np.testing.assert_allclose(fitted.fit.random_sd, printed("sd"), rtol=1e-5)
    shape, loglik = printed("shape logLik")
    assert fitted.fit.shape[0] == pytest.approx(shape, rel=1e-5)
    assert fitted.fit.loglik == pytest.approx(loglik, abs=1e-6)


def test_night_to_day(fitted: Fitted) -> None:
    """Log ratio of mean rates and its model-based error by the delta method, night from 18 to 6."""
    value, gradient = night_to_day(fitted)
    error = float(np.sqrt(gradient @ fitted.fit.parameter_covariance @ gradient))
    assert (value, error) == pytest.approx(printed("log night:day and its error"), rel=1e-4)
