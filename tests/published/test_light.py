"""Multinomial logits and overlaps: Agresti's alligators as printed, nnet and vegan (`reference/light`)."""

import csv
from pathlib import Path

import numpy as np
import pytest

from domatia.stats.arrays import Floats
from domatia.stats.multinomial import multinomial
from domatia.stats.natural_spline import spline_over
from domatia.stats.overlap import overlaps, shuffled_within_kinds

ROOT = Path(__file__).parents[2] / "reference" / "light"
FOOD = {"O": 0, "F": 1, "I": 2}
UPPER = np.triu_indices(4, 1)


def printed(name: str) -> Floats:
    """Read the numbers of one line of R's output."""
    lines = (ROOT / "light.out").read_text(encoding="utf-8").splitlines()
    return np.array([float(v) for v in next(r for r in lines if r.startswith(name + " ")).split()[1:]])


def table(name: str) -> list[dict[str, str]]:
    """Read a table beside the script."""
    with (ROOT / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_alligators_as_printed() -> None:
    """Agresti 1996: 1.618, -0.110 (fish), 5.697, -2.465 (invertebrates) against other food; log-likelihood -49.1706."""
    rows = table("alligators.csv")
    X = np.column_stack([np.ones(len(rows)), [float(r["length_m"]) for r in rows]])
    fit = multinomial(np.array([FOOD[r["food"]] for r in rows]), X)
    np.testing.assert_array_equal(fit.coefficients.round(3), [[1.618, -0.110], [5.697, -2.465]])
    assert round(fit.log_likelihood, 4) == -49.1706
    np.testing.assert_allclose(fit.coefficients.ravel(), printed("alligators_coefficients"), atol=2e-4)
    np.testing.assert_allclose(fit.estimates.se.ravel(), printed("alligators_errors"), rtol=1e-3)
    assert fit.log_likelihood == pytest.approx(printed("alligators_loglik")[0], abs=1e-6)


def test_quadratic_and_spline_as_nnet() -> None:
    """600 invented plants: a quadratic response and a natural spline of three degrees of freedom (nnet, splines)."""
    rows = table("plants.csv")
    x, occupant = (np.array([float(r[c]) for r in rows]) for c in ("openness", "occupant"))
    X = np.column_stack([np.ones(len(x)), x / 10, (x / 10) ** 2])
    fit = multinomial(occupant.astype(np.int64), X)
    np.testing.assert_allclose(fit.coefficients.ravel(), printed("quadratic_coefficients"), atol=1e-3)
    np.testing.assert_allclose(fit.estimates.se.ravel(), printed("quadratic_errors"), rtol=1e-3)
    assert fit.log_likelihood == pytest.approx(printed("quadratic_loglik")[0], abs=1e-6)
    spline = spline_over(x, 4)
    smooth = multinomial(occupant.astype(np.int64), spline.columns(x))
    assert smooth.log_likelihood == pytest.approx(printed("spline_loglik")[0], abs=1e-6)
    at = spline.columns(np.array([2.0, 15.0, 40.0, 55.0, 75.0]))
    np.testing.assert_allclose(smooth.chances(at).ravel(), printed("spline_chances"), atol=1e-4)


def test_overlaps_worked_by_hand() -> None:
    """(.5 .5 0) against (0 .5 .5) is .5 by all three; against (1 0 0) 1/sqrt 2, 1/2 and 2/3."""
    shares = np.array([[0.5, 0.5, 0.0], [0.0, 0.5, 0.5], [1.0, 0.0, 0.0]])
    found = {index: overlaps(shares, index) for index in ("schoener", "pianka", "morisita_horn")}
    assert [t[0, 1] for t in found.values()] == pytest.approx([0.5] * 3)
    assert [t[0, 2] for t in found.values()] == pytest.approx([0.5, 1 / np.sqrt(2), 2 / 3])


def test_overlaps_as_vegan() -> None:
    """One minus vegan's Horn-Morisita and Bray-Curtis on shares are Morisita-Horn's and Schoener's overlap."""
    counts = np.array([[float(v) for k, v in r.items() if k != "occupant"] for r in table("classes.csv")])
    shares = counts / counts.sum(axis=1, keepdims=True)
    np.testing.assert_allclose(overlaps(shares, "morisita_horn")[UPPER], printed("horn"), rtol=1e-10)
    np.testing.assert_allclose(overlaps(shares, "schoener")[UPPER], printed("bray_on_shares"), rtol=1e-10)


def test_null_model_of_two_kinds_and_four_classes() -> None:
    """All 24 orders of one kind's classes: only the seen one overlaps so little, p = 1/24; their mean is 0.672977."""
    shares = np.array([[0.6, 0.3, 0.1, 0.0], [0.1, 0.2, 0.3, 0.4]])
    exact = shuffled_within_kinds(shares, np.random.default_rng(1))
    assert (exact.complete, exact.arrangements) == (True, 24)
    assert round(float(exact.p_less[0]), 5) == 0.04167
    assert round(float(exact.expected[0]), 6) == 0.672977
    drawn = shuffled_within_kinds(shares, np.random.default_rng(2), draws=20)
    assert not drawn.complete
    many = shuffled_within_kinds(np.vstack([shares, shares[1]]), np.random.default_rng(3), draws=4000)
    assert many.p_less[0] == pytest.approx(1 / 24, abs=0.012)
