"""Population-averaged means against R's glm with the delta method (reference/mixed/models.out)."""

import csv
import pathlib

import numpy as np
import pytest

from domatia.stats.clustering import model_uncertainty
from domatia.stats.families import Binomial
from domatia.stats.marginal import average_means, marginal_from_laplace
from domatia.stats.mixed_fit import RandomTerm
from domatia.stats.mixed_laplace import fit_laplace

TRIALS = pathlib.Path(__file__).parents[2] / "reference" / "mixed" / "trials.csv"


def test_averages_over_rows_agree_with_r() -> None:
    """Without random effects (one group) means, difference, log ratio and their errors are those computed in R."""
    with TRIALS.open(newline="") as file:
        rows = list(csv.DictReader(file))
    d = {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}
    one = RandomTerm("all", np.zeros(288, dtype=np.int64))
    ones = np.ones(288)
    X = np.column_stack([ones, d["treated"], d["light"]])
    fit = fit_laplace(Binomial(d["hits"], d["trials"]), X, ("mean", "treated", "light"), (one,))
    scenarios = {
        "treated": np.column_stack([ones, ones, d["light"]]),
        "untreated": np.column_stack([ones, 0 * ones, d["light"]]),
    }
    averages = average_means(marginal_from_laplace(fit), scenarios)
    uncertainty = model_uncertainty(fit.parameter_covariance)
    assert averages.means == pytest.approx([0.5758926247, 0.3604395587], abs=1e-7)
    difference = averages.difference("treated", "untreated", uncertainty)
    assert difference.estimate[0] == pytest.approx(0.215453066, abs=1e-7)
    assert difference.se[0] == pytest.approx(0.019732685, rel=1e-5)
    ratio = averages.log_ratio("treated", "untreated", uncertainty)
    assert ratio.estimate[0] == pytest.approx(0.46859694479, abs=1e-7)
    assert ratio.se[0] == pytest.approx(0.04453783803, rel=1e-5)
