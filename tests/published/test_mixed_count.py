"""Count mixed models against glmmTMB's output on an invented trial (reference/mixed/models.out)."""

import csv
import pathlib

import numpy as np
import pytest

from domatia.stats.arrays import Floats
from domatia.stats.mixed_count import fit_counts
from domatia.stats.mixed_fit import RandomTerm

TRIALS = pathlib.Path(__file__).parents[2] / "reference" / "mixed" / "trials.csv"
NAMES = ("mean", "treated", "light")


def trial() -> dict[str, Floats]:
    """Read the invented trial by columns."""
    with TRIALS.open(newline="") as file:
        rows = list(csv.DictReader(file))
    return {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}


def groups(d: dict[str, Floats]) -> tuple[RandomTerm, ...]:
    """Return plants within blocks."""
    return tuple(RandomTerm(name, d[name].astype(np.int64)) for name in ("plant", "block"))


def test_poisson_agrees_with_glmmtmb() -> None:
    """Coefficients, errors, standard deviations and log-likelihood of the Poisson model are glmmTMB's."""
    d = trial()
    X = np.column_stack([np.ones(288), d["treated"], d["light"]])
    fit = fit_counts(d["count"], X, NAMES, groups(d), family="poisson")
    np.testing.assert_allclose(fit.coefficients, [0.01813466012, 0.39165903974, 0.62759528273], atol=2e-6)
    np.testing.assert_allclose(fit.standard_errors, [0.1946137738, 0.1230938392, 0.3032841506], rtol=1e-5)
    assert [c.sd[0] for c in fit.components] == pytest.approx([0.3453450341, 0.2401935988], rel=1e-5)
    assert fit.loglik == pytest.approx(-557.815917386, abs=1e-6)


def test_negative_binomial_with_exposure_agrees_with_glmmtmb() -> None:
    """Coefficients, errors, shape and log-likelihood of the negative binomial with offset are glmmTMB's."""
    d = trial()
    X = np.column_stack([np.ones(288), d["treated"], d["light"]])
    fit = fit_counts(d["count"], X, NAMES, groups(d), exposure=d["trials"])
    np.testing.assert_allclose(fit.coefficients, [-1.9804660621, 0.5693821874, 0.46729441], rtol=1e-6)
    np.testing.assert_allclose(fit.standard_errors, [0.2284755, 0.1485622551, 0.3635116866], rtol=1e-5)
    assert [c.sd[0] for c in fit.components] == pytest.approx([0.1854524829, 0.2492216263], rel=1e-4)
    assert fit.dispersion == pytest.approx(1.291236705, rel=1e-5)
    assert fit.loglik == pytest.approx(-546.95266505, abs=1e-6)
