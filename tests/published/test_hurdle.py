"""A hurdle model's two halves against glmmTMB (another program's output, `reference/hurdle`)."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from domatia.stats.families import Binomial
from domatia.stats.mixed_fit import RandomTerm
from domatia.stats.mixed_laplace import LaplaceFit, fit_laplace
from domatia.stats.truncated_counts import TruncatedNegativeBinomial

ROOT = Path(__file__).parents[2] / "reference"
NAMES = ("start", "treated", "light")


def printed(name: str) -> list[float]:
    """Read the numbers of one line of the output."""
    lines = (ROOT / "hurdle" / "hurdle.out").read_text(encoding="utf-8").splitlines()
    return [float(v) for v in next(r for r in lines if r.startswith(name))[len(name) :].split()]


def fitted(*, any_at_all: bool) -> LaplaceFit:
    """Fit one half to the invented trials."""
    with (ROOT / "mixed" / "trials.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    count, treated, light, plant, block = (
        np.array([float(r[c]) for r in rows]) for c in ("count", "treated", "light", "plant", "block")
    )
    kept = np.full(len(count), True) if any_at_all else count > 0
    design = np.column_stack([np.ones(len(count)), treated, light])[kept]
    family = (
        Binomial((count > 0).astype(np.float64), np.ones(len(count)))
        if any_at_all
        else TruncatedNegativeBinomial(count[kept])
    )
    random = tuple(RandomTerm(n, g[kept].astype(np.int64)) for n, g in (("plant", plant), ("block", block)))
    return fit_laplace(family, design, NAMES, random)


def test_whether_there_is_any() -> None:
    """Binary half: the variance between blocks is found although that between plants is nought (glmmTMB 1.1.5)."""
    fit = fitted(any_at_all=True)
    np.testing.assert_allclose(fit.coefficients, printed("any coefficients"), atol=2e-5)
    np.testing.assert_allclose(fit.standard_errors, printed("any errors"), rtol=2e-4)
    assert fit.random_sd[0] == 0.0
    assert fit.random_sd[1] == pytest.approx(printed("any sd shape logLik")[1], rel=1e-4)
    assert fit.loglik == pytest.approx(printed("any sd shape logLik")[3], abs=1e-6)


def test_how_many_given_that_there_are_some() -> None:
    """Truncated half: coefficients, errors, variance, shape, log-likelihood (glmmTMB 1.1.5, truncated_nbinom2)."""
    fit = fitted(any_at_all=False)
    np.testing.assert_allclose(fit.coefficients, printed("how_many coefficients"), atol=1e-6)
    np.testing.assert_allclose(fit.standard_errors, printed("how_many errors"), rtol=1e-4)
    sd, shape, loglik = printed("how_many sd shape logLik")[1:]
    assert fit.random_sd[1] == pytest.approx(sd, rel=1e-5)
    assert fit.shape[0] == pytest.approx(shape, rel=1e-5)
    assert fit.loglik == pytest.approx(loglik, abs=1e-6)


@given(st.floats(-4, 5), st.floats(-2, 3), st.integers(1, 40))
def test_derivatives_are_those_of_the_value(predictor: float, log_shape: float, count: int) -> None:
    """First, second and third by the predictor, and all by the shape, against central differences."""
    family = TruncatedNegativeBinomial(np.array([float(count)]))
    at, shape, h = np.array([predictor]), np.array([log_shape]), 1e-5
    here = family.curve(at, shape, full=True)
    up, down = family.curve(at + h, shape, full=True), family.curve(at - h, shape, full=True)
    assert here.third is not None
    for name, derivative in (("value", here.first), ("first", here.second), ("second", here.third)):
        slope = (getattr(up, name) - getattr(down, name)) / (2 * h)
        np.testing.assert_allclose(slope, derivative, rtol=1e-4, atol=1e-5)
    up, down = family.curve(at, shape + h, full=True), family.curve(at, shape - h, full=True)
    for name, derivative in zip(("value", "first", "second"), here.by_shape[0], strict=True):
        slope = (getattr(up, name) - getattr(down, name)) / (2 * h)
        np.testing.assert_allclose(slope, derivative, rtol=1e-4, atol=1e-5)


def test_chances_of_all_counts_sum_to_one() -> None:
    """exp(-value) over counts from 1 on is a distribution."""
    counts = np.arange(1.0, 3000.0)
    family = TruncatedNegativeBinomial(counts)
    value = family.curve(np.full(len(counts), 1.2), np.array([0.4]), full=False).value
    assert float(np.exp(-value).sum()) == pytest.approx(1.0, abs=1e-9)


def test_a_nought_is_refused() -> None:
    """Noughts belong to the other half; counts that are all one carry a warning."""
    with pytest.raises(ValueError, match="1 or more"):
        TruncatedNegativeBinomial(np.array([0.0, 2.0]))
    assert "every count is one" in TruncatedNegativeBinomial(np.ones(3)).notes(np.zeros(1))[0]
