"""Linear mixed models: the robust part against dense algebra, degenerate data, wrong use."""

import warnings

import numpy as np
import pytest

from domatia.stats.arrays import Floats, Ints
from domatia.stats.mixed_fit import MixedFit, RandomTerm
from domatia.stats.mixed_linear import fit_linear, linear_scores

N = 120
UNIT: Ints = np.repeat(np.arange(24), 5)
BLOCK: Ints = UNIT // 4
TIME = (np.arange(N) % 5).astype(np.float64)
TREATED = (UNIT % 2).astype(np.float64)
X: Floats = np.column_stack([np.ones(N), TIME, TREATED])
NAMES = ("mean", "time", "treated")
RANDOM = (RandomTerm("unit", UNIT, TIME[:, None], ("time",)), RandomTerm("block", BLOCK))


def heights(seed: int = 11) -> Floats:
    """Simulate heights with differing units, slopes and blocks."""
    rng = np.random.default_rng(seed)
    unit = rng.normal(0, 2, 24)[UNIT] + rng.normal(0, 0.8, 24)[UNIT] * TIME
    return 10 + 2 * TIME + TREATED + unit + rng.normal(0, 1.5, 6)[BLOCK] + rng.normal(0, 1, N)


def dense_covariance(fit: MixedFit) -> Floats:
    """Build V = σ² I + Z G Zᵀ in full."""
    V = fit.dispersion * np.eye(N)
    for term, component in zip(RANDOM, fit.components, strict=True):
        same = term.groups[:, None] == term.groups
        columns = term.columns()
        V += same * (columns @ component.covariance @ columns.T)
    return V


def test_scores_and_information_equal_dense_algebra() -> None:
    """The Woodbury route gives what inverting the whole covariance gives."""
    y = heights()
    fit = fit_linear(y, X, NAMES, RANDOM)
    scores = linear_scores(fit, y, X, RANDOM, BLOCK)
    inverse = np.linalg.inv(dense_covariance(fit))
    residual = y - X @ fit.coefficients
    for c in range(6):
        rows = np.flatnonzero(c == BLOCK)
        np.testing.assert_allclose(scores.scores[c], X[rows].T @ (inverse @ residual)[rows], rtol=1e-7, atol=1e-9)
        np.testing.assert_allclose(scores.information[c], X[rows].T @ (inverse @ X)[rows], rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(scores.covariance, fit.covariance, rtol=1e-5, atol=1e-10)
    np.testing.assert_allclose(scores.scores.sum(axis=0), 0, atol=1e-6)
    assert scores.warnings == ()


def test_corrected_covariance_and_df_equal_dense_algebra() -> None:
    """CR2 and its degrees of freedom are those of the whitened model (Bell & McCaffrey 2002), computed in full."""
    y = heights()
    fit = fit_linear(y, X, NAMES, RANDOM)
    scores = linear_scores(fit, y, X, RANDOM, BLOCK)
    half = np.linalg.inv(np.linalg.cholesky(dense_covariance(fit)))
    white, residual = half @ X, half @ (y - X @ fit.coefficients)
    bread = np.linalg.inv(white.T @ white)
    hat = white @ bread @ white.T
    meat = np.zeros((3, 3))
    vectors = np.zeros((6, N))
    contrast = np.array([0.0, 0.0, 1.0])
    for c in range(6):
        rows = np.flatnonzero(c == BLOCK)
        values, axes = np.linalg.eigh(np.eye(len(rows)) - hat[np.ix_(rows, rows)])
        adjust = (axes / np.sqrt(values)) @ axes.T
        score = white[rows].T @ adjust @ residual[rows]
        meat += np.outer(score, score)
        vectors[c, rows] = adjust @ white[rows] @ bread @ contrast
    np.testing.assert_allclose(scores.uncertainty("CR2").covariance, bread @ meat @ bread, rtol=1e-4)
    table = vectors @ (np.eye(N) - hat) @ vectors.T
    assert scores.contrast_df(contrast) == pytest.approx(np.trace(table) ** 2 / np.sum(table**2), rel=1e-4)


def test_row_order_changes_nothing() -> None:
    """Shuffled rows give the same numbers to the last bit, robust covariance included."""
    y = heights()
    order = np.random.default_rng(5).permutation(N)
    moved = tuple(term.take(order) for term in RANDOM)
    first, second = fit_linear(y, X, NAMES, RANDOM), fit_linear(y[order], X[order], NAMES, moved)
    np.testing.assert_array_equal(first.coefficients, second.coefficients)
    np.testing.assert_array_equal(first.covariance, second.covariance)
    np.testing.assert_array_equal(first.fitted[order], second.fitted)
    one = linear_scores(first, y, X, RANDOM, BLOCK)
    two = linear_scores(second, y[order], X[order], moved, BLOCK[order])
    np.testing.assert_array_equal(one.scores, two.scores)
    np.testing.assert_array_equal(one.information, two.information)


def test_clusters_that_groups_cross_are_named() -> None:
    """If units lie in several clusters the result says that clusters are not independent."""
    y = heights()
    fit = fit_linear(y, X, NAMES, RANDOM)
    scores = linear_scores(fit, y, X, RANDOM, TIME.astype(np.int64))
    assert any(note.startswith("crossed: groups of unit") for note in scores.warnings)


def test_residual_and_effects_account_for_the_fitted_values() -> None:
    """Fitted values include random effects and residuals have about the estimated spread."""
    y = heights()
    fit = fit_linear(y, X, NAMES, RANDOM)
    assert np.std(y - fit.fitted) == pytest.approx(fit.residual_sd, rel=0.25)
    assert np.std(y - fit.fitted) < 0.6 * np.std(y - X @ fit.coefficients)
    assert fit.n_groups == (24, 6)
    assert fit.components[0].terms == ("intercept", "time")


@pytest.mark.parametrize(
    ("response", "random", "word"),
    [
        (np.zeros(N), RANDOM[1:], "no_variation"),
        (np.full(N, 3.0), RANDOM[1:], "least_squares"),
        (2 * TREATED, RANDOM[1:], "least_squares"),
        (heights(), (RandomTerm("unit", UNIT * 0),), "one_group"),
        (TIME - TIME.mean(), RANDOM[1:], "singular"),
        (heights(), (RandomTerm("row", np.arange(N)),), "few_rows_per_group"),
    ],
    ids=["nought", "constant", "explained", "one group", "no differences", "each row a group"],
)
def test_degenerate_responses_are_finite_and_named(response: Floats, random: tuple[RandomTerm, ...], word: str) -> None:
    """Data that no mixed model fits give finite numbers and the reason, without a warning of the language."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fit = fit_linear(response, X[:, ::2], NAMES[::2], random)
        scores = linear_scores(fit, response, X[:, ::2], random, BLOCK)
    assert any(note.startswith(word + ":") for note in fit.warnings), fit.warnings
    assert np.isfinite(fit.coefficients).all()
    assert np.isfinite(fit.standard_errors).all()
    assert np.isfinite(fit.residual_sd)
    assert np.isfinite(scores.uncertainty().covariance).all()


def test_a_column_that_repeats_others_is_left_out() -> None:
    """A combination of other columns has no estimate and is named."""
    design = np.column_stack([X, 1 - TREATED])
    fit = fit_linear(heights(), design, (*NAMES, "untreated"), RANDOM)
    assert fit.left_out.tolist() == [False, False, False, True]
    assert np.isnan(fit.coefficients[3])
    assert any("untreated is a combination" in note for note in fit.warnings)
    assert linear_scores(fit, heights(), design, RANDOM, BLOCK).names == NAMES


def test_single_row_is_answered() -> None:
    """One row gives its own value and says that nothing else can be known."""
    fit = fit_linear(np.array([2.5]), np.ones((1, 1)), ("mean",), (RandomTerm("unit", np.array([4])),))
    assert fit.coefficients[0] == pytest.approx(2.5)
    assert any(note.startswith("no_residual:") for note in fit.warnings)


def test_wrong_use_is_refused() -> None:
    """Missing values, missing terms, lengths that differ and slopes without a fixed effect are refused."""
    y = heights()
    with pytest.raises(ValueError, match="no random term"):
        fit_linear(y, X, NAMES, ())
    with pytest.raises(ValueError, match="missing or infinite"):
        fit_linear(np.where(UNIT == 0, np.nan, y), X, NAMES, RANDOM)
    with pytest.raises(ValueError, match="2 names"):
        fit_linear(y, X, NAMES[:2], RANDOM)
    with pytest.raises(ValueError, match="has 3 rows, wanted 120"):
        fit_linear(y, X, NAMES, (RandomTerm("unit", UNIT[:3]),))
    with pytest.raises(ValueError, match="must be a column of the design"):
        fit_linear(y, X[:, :1], NAMES[:1], RANDOM)
