"""Linear mixed models against lme4's output on an invented trial, and against a balanced trial printed in books."""

import csv
import pathlib

import numpy as np
import pytest

from domatia.stats.arrays import Floats, Ints
from domatia.stats.mixed_fit import MixedFit, RandomTerm
from domatia.stats.mixed_linear import fit_linear, linear_scores

TRIALS = pathlib.Path(__file__).parents[2] / "reference" / "mixed" / "trials.csv"

# Yield of dyestuff in grams, 6 batches of 5: Davies & Goldsmith 1972, Statistical Methods in Research and Production,
# 4th ed., section 6.4; also Box & Tiao 1973, Bayesian Inference in Statistical Analysis, section 5.1.2.
DYESTUFF = np.array(
    [
        *(1545, 1440, 1440, 1520, 1580, 1540, 1555, 1490, 1560, 1495, 1595, 1550, 1605, 1510, 1560),
        *(1445, 1440, 1595, 1465, 1545, 1595, 1630, 1515, 1635, 1625, 1520, 1455, 1450, 1480, 1445),
    ],
    dtype=np.float64,
)
# Generated data whose between-batch mean square lies below the one within: Box & Tiao 1973, section 5.1.2.
DYESTUFF_2 = np.array(
    [
        *(7.298, 3.846, 2.434, 9.566, 7.990, 5.220, 6.556, 0.608, 11.788, -0.892, 0.110, 10.386, 13.434, 5.510, 8.166),
        *(2.212, 4.852, 7.092, 9.288, 4.980, 0.282, 9.014, 4.458, 9.446, 7.198, 1.722, 4.782, 8.106, 0.758, 3.758),
    ]
)
BATCH = RandomTerm("batch", np.repeat(np.arange(6), 5))
ONES = np.ones((30, 1))


def trial() -> dict[str, Floats]:
    """Read the invented trial by columns."""
    with TRIALS.open(newline="") as file:
        rows = list(csv.DictReader(file))
    return {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}


def codes(values: Floats) -> Ints:
    """Turn codes read as numbers into integers."""
    return values.astype(np.int64)


def test_dyestuff_variances_are_those_of_the_analysis_of_variance() -> None:
    """A balanced one-way layout gives by REML the variances printed in the books (1764.05 and 2451.25)."""
    fit = fit_linear(DYESTUFF, ONES, ("mean",), (BATCH,))
    assert fit.components[0].covariance[0, 0] == pytest.approx(1764.05, abs=0.01)
    assert fit.residual_sd**2 == pytest.approx(2451.25, abs=0.01)
    assert fit.coefficients[0] == pytest.approx(1527.5, abs=1e-8)
    # standard error: root of the between mean square (11271.5) over 30
    assert fit.standard_errors[0] == pytest.approx(np.sqrt(11271.5 / 30), rel=1e-6)
    assert fit.loglik == pytest.approx(-159.8271384, abs=1e-6)  # lme4 1.1-31
    assert fit.df[0] == pytest.approx(5, abs=1e-3)  # batches less one
    assert fit.warnings == ()


def test_dyestuff_two_has_no_variance_between_batches() -> None:
    """Box and Tiao's generated batches give a variance of nought, and the fit says so."""
    fit = fit_linear(DYESTUFF_2, ONES, ("mean",), (BATCH,))
    assert fit.components[0].sd[0] == 0
    assert fit.singular
    assert any(note.startswith("singular:") for note in fit.warnings)
    assert fit.coefficients[0] == pytest.approx(DYESTUFF_2.mean(), abs=1e-9)


def test_random_slopes_agree_with_lme4_by_reml() -> None:
    """Nested groups with a random slope reproduce lme4's REML fit (reference/mixed/models.out)."""
    fit = slopes_fit(reml=True)
    np.testing.assert_allclose(fit.coefficients, [20.9995784539, 2.80775, -0.2309069078, 1.2162222222], rtol=1e-5)
    np.testing.assert_allclose(fit.standard_errors, [0.5972956590, 0.1905064753, 0.7382202840, 0.2694168411], rtol=1e-5)
    np.testing.assert_allclose(fit.components[0].sd, [2.88341234278, 0.94461214969], rtol=1e-5)
    assert fit.components[0].correlation[0, 1] == pytest.approx(-0.09400572521, abs=1e-5)
    assert fit.components[1].sd[0] == pytest.approx(0.82418305875, rel=1e-5)
    assert fit.residual_sd == pytest.approx(1.43917633244, rel=1e-6)
    assert fit.loglik == pytest.approx(-659.13694645, abs=1e-6)


def test_random_slopes_agree_with_lme4_by_full_likelihood() -> None:
    """The same model by full maximum likelihood (reference/mixed/models.out)."""
    fit = slopes_fit(reml=False)
    np.testing.assert_allclose(fit.components[0].sd, [2.85473302417, 0.92520233917], rtol=1e-5)
    assert fit.components[1].sd[0] == pytest.approx(0.69217063983, rel=1e-5)
    assert fit.loglik == pytest.approx(-658.334292945, abs=1e-6)
    assert not fit.reml


def slopes_fit(*, reml: bool) -> MixedFit:
    """Fit height with a random slope of time for each plant."""
    d = trial()
    X = np.column_stack([np.ones(288), d["visit"], d["treated"], d["visit"] * d["treated"]])
    plant = RandomTerm("plant", codes(d["plant"]), d["visit"][:, None], ("visit",))
    names = ("mean", "visit", "treated", "visit x treated")
    return fit_linear(d["height"], X, names, (plant, RandomTerm("block", codes(d["block"]))), reml=reml)


def test_crossed_groups_agree_with_lme4() -> None:
    """Plants crossed with rounds reproduce lme4 (reference/mixed/models.out)."""
    d = trial()
    X = np.column_stack([np.ones(288), d["treated"]])
    random = (RandomTerm("plant", codes(d["plant"])), RandomTerm("round", codes(d["visit"])))
    fit = fit_linear(d["height"], X, ("mean", "treated"), random)
    np.testing.assert_allclose(fit.coefficients, [25.174097222, 1.667638889], rtol=1e-8)
    np.testing.assert_allclose(fit.standard_errors, [2.2683115120, 0.7719899343], rtol=1e-5)
    assert fit.components[0].sd[0] == pytest.approx(3.111978141, rel=1e-5)
    assert fit.components[1].sd[0] == pytest.approx(4.403295532, rel=1e-5)
    assert fit.loglik == pytest.approx(-705.347825634, abs=1e-6)


def test_robust_error_of_a_balanced_mean_is_the_spread_of_the_batch_means() -> None:
    """With equal batches CR2 of the mean is the variance of the batch means over their number, with 5 df."""
    fit = fit_linear(DYESTUFF, ONES, ("mean",), (BATCH,))
    scores = linear_scores(fit, DYESTUFF, ONES, (BATCH,), BATCH.groups)
    means = DYESTUFF.reshape(6, 5).mean(axis=1)
    assert scores.uncertainty("CR2").covariance[0, 0] == pytest.approx(means.var(ddof=1) / 6, rel=1e-9)
    assert scores.contrast_df(np.ones(1)) == pytest.approx(5, rel=1e-9)
    assert scores.covariance[0, 0] == pytest.approx(fit.covariance[0, 0], rel=1e-6)
