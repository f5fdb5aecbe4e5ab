"""Mixed models of proportions and classes against glmmTMB and ordinal (reference/mixed/models.out)."""

import csv
import pathlib
from collections.abc import Callable

import numpy as np
import pytest

from domatia.stats.arrays import Floats
from domatia.stats.count_families import NegativeBinomial, Poisson
from domatia.stats.families import Beta, BetaBinomial, Binomial
from domatia.stats.mixed_fit import RandomTerm
from domatia.stats.mixed_laplace import LaplaceFit, fit_laplace
from domatia.stats.ordered import Ordered

TRIALS = pathlib.Path(__file__).parents[2] / "reference" / "mixed" / "trials.csv"
NAMES = ("mean", "treated", "light")


def trial() -> dict[str, Floats]:
    """Read the invented trial by columns."""
    with TRIALS.open(newline="") as file:
        rows = list(csv.DictReader(file))
    return {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}


def design(d: dict[str, Floats]) -> Floats:
    """Return the columns of mean, treatment and light."""
    return np.column_stack([np.ones(len(d["plant"])), d["treated"], d["light"]])


def groups(d: dict[str, Floats], *names: str) -> tuple[RandomTerm, ...]:
    """Return groupings by name."""
    return tuple(RandomTerm(name, d[name].astype(np.int64)) for name in names)


def binomial_nested() -> LaplaceFit:
    """Fit plants in blocks."""
    d = trial()
    return fit_laplace(Binomial(d["hits"], d["trials"]), design(d), NAMES, groups(d, "plant", "block"))


def binomial_crossed() -> LaplaceFit:
    """Fit plants crossed with rounds."""
    d = trial()
    return fit_laplace(Binomial(d["hits"], d["trials"]), design(d), NAMES, groups(d, "plant", "visit"))


def binomial_one() -> LaplaceFit:
    """Fit plants alone."""
    d = trial()
    return fit_laplace(Binomial(d["hits"], d["trials"]), design(d), NAMES, groups(d, "plant"))


def beta_binomial_nested() -> LaplaceFit:
    """Fit plants in blocks, the groupings in the other order."""
    d = trial()
    return fit_laplace(BetaBinomial(d["hits"], d["trials"]), design(d), NAMES, groups(d, "block", "plant"))


def beta_binomial_crossed() -> LaplaceFit:
    """Fit plants crossed with rounds."""
    d = trial()
    return fit_laplace(BetaBinomial(d["hits"], d["trials"]), design(d), NAMES, groups(d, "plant", "visit"))


def beta_nested() -> LaplaceFit:
    """Fit proportions of plants in blocks."""
    d = trial()
    return fit_laplace(Beta(d["proportion"]), design(d), NAMES, groups(d, "plant", "block"))


def beta_weighted() -> LaplaceFit:
    """Fit proportions that count as often as they have trials."""
    d = trial()
    return fit_laplace(Beta(d["proportion"]), design(d), NAMES, groups(d, "plant"), weights=d["trials"])


def poisson_nested() -> LaplaceFit:
    """Fit counts of plants in blocks."""
    d = trial()
    return fit_laplace(Poisson(d["count"]), design(d), NAMES, groups(d, "plant", "block"))


def negative_binomial_nested() -> LaplaceFit:
    """Fit counts per trial of plants in blocks."""
    d = trial()
    return fit_laplace(NegativeBinomial(d["count"], d["trials"]), design(d), NAMES, groups(d, "plant", "block"))


# fit, coefficients, standard errors, random standard deviations, precision, log-likelihood; all from glmmTMB 1.1.5
GLMMTMB: list[tuple[Callable[[], LaplaceFit], list[float], list[float], list[float], list[float], float]] = [
    (
        binomial_nested,
        [-0.9712010555, 1.0037157041, 0.5488988323],
        [0.3210524471, 0.2116733242, 0.5313014792],
        [0.7980335935, 0.3952129075],
        [],
        -670.218499817,
    ),
    (
        binomial_crossed,
        [-1.097449450, 1.142779529, 0.635052766],
        [0.4908773792, 0.2517790297, 0.6085279274],
        [0.9787757937, 0.7148195319],
        [],
        -571.480396171,
    ),
    (
        binomial_one,
        [-1.006911875, 1.026526665, 0.596623553],
        [0.3085175053, 0.2305995284, 0.5576444667],
        [0.8909814863],
        [],
        -672.644062475,
    ),
    (
        beta_binomial_nested,
        [-0.9034989059, 0.9181085074, 0.6152212157],
        [0.2957496114, 0.1908817265, 0.4812225079],
        [0.3832191903, 0.5504515157],
        [4.190871938],
        -596.623118853,
    ),
    (
        beta_binomial_crossed,
        [-1.1124252414, 1.1134980652, 0.7549428325],
        [0.4866432739, 0.2448528121, 0.5920912207],
        [0.8900063491, 0.7172441584],
        [10.69184669],
        -551.876293519,
    ),
    (
        beta_nested,
        [-0.8751711275, 0.6786180028, 0.7126189136],
        [0.2614170210, 0.1647854174, 0.4149256425],
        [0.4974551718, 0.3751145878],
        [3.360111715],
        38.7366701279,
    ),
    (
        beta_weighted,
        [-0.9376028852, 0.7475114161, 0.6943694951],
        [0.2726062928, 0.2036269118, 0.4950671233],
        [0.8500130654],
        [4.713872936],
        865.380229587,
    ),
    (
        poisson_nested,
        [0.01813466012, 0.39165903974, 0.62759528273],
        [0.1946137738, 0.1230938392, 0.3032841506],
        [0.3453450341, 0.2401935988],
        [],
        -557.815917386,
    ),
    (
        negative_binomial_nested,
        [-1.9804660621, 0.5693821874, 0.46729441],
        [0.2284755, 0.1485622551, 0.3635116866],
        [0.1854524829, 0.2492216263],
        [1.291236705],
        -546.95266505,
    ),
]


@pytest.mark.parametrize(
    ("fitted", "coefficients", "errors", "sd", "shape", "loglik"), GLMMTMB, ids=[row[0].__name__ for row in GLMMTMB]
)
def test_proportions_and_counts_agree_with_glmmtmb(
    fitted: Callable[[], LaplaceFit],
    coefficients: list[float],
    errors: list[float],
    sd: list[float],
    shape: list[float],
    loglik: float,
) -> None:
    """Estimates, errors and log-likelihood are glmmTMB's: log L to 1e-6 and not lower, errors to 1e-4."""
    fit = fitted()
    np.testing.assert_allclose(fit.coefficients, coefficients, atol=2e-5)
    np.testing.assert_allclose(fit.standard_errors, errors, rtol=1e-4)
    np.testing.assert_allclose(fit.random_sd, sd, rtol=2e-5)
    np.testing.assert_allclose(fit.shape, shape, rtol=2e-5)
    assert fit.loglik == pytest.approx(loglik, abs=1e-6)
    assert fit.loglik > loglik - 1e-8
    assert fit.converged
    assert fit.warnings == ()


def test_ordered_classes_agree_with_ordinal() -> None:
    """Thresholds, effects, standard deviations and log-likelihood of the ordered model are those of ordinal::clmm."""
    d = trial()
    classes = d["damage"].astype(np.int64)
    fit = fit_laplace(Ordered(classes), design(d)[:, 1:], NAMES[1:], groups(d, "plant", "block"))
    np.testing.assert_allclose(fit.coefficients, [0.4672188424, 0.4352101327], atol=1e-5)
    np.testing.assert_allclose(fit.shape, [-0.5622397166, 0.1381183784, 1.1565417033, 2.5400844600], atol=1e-5)
    np.testing.assert_allclose(fit.random_sd, [0.7235604745, 0.2038841472], rtol=1e-4)
    assert fit.loglik == pytest.approx(-444.150529102, abs=1e-8)
    # clmm differentiates more coarsely: its errors differ by 0.3 to 0.5 % (reference/mixed/README.md)
    np.testing.assert_allclose(fit.standard_errors, [0.2771615289, 0.6830882408], rtol=6e-3)


def test_ordered_classes_in_one_grouping_agree_with_ordinal() -> None:
    """The same without blocks."""
    d = trial()
    fit = fit_laplace(Ordered(d["damage"].astype(np.int64)), design(d)[:, 1:], NAMES[1:], groups(d, "plant"))
    np.testing.assert_allclose(fit.coefficients, [0.4750342805, 0.4229429966], atol=2e-5)
    np.testing.assert_allclose(fit.shape, [-0.5662505249, 0.1337352246, 1.1522750538, 2.5365289688], atol=2e-5)
    assert fit.random_sd[0] == pytest.approx(0.7527220141, rel=1e-5)
    assert fit.loglik == pytest.approx(-444.269300996, abs=1e-7)
