"""Multi-state panel models against another program: `reference/multistate/multistate.csv`.

Grade: another program's output (R 4.2.2, msm 1.7, optimised tightly), for the invented panel in the same folder.
"""

import csv
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from domatia.stats.arrays import Bools, Floats
from domatia.stats.multistate import (
    Effects,
    Panel,
    Pattern,
    allow_moves,
    effects_on,
    effects_on_all,
    fit_multistate,
    hazard_ratios,
    log_likelihood,
    mean_stay,
    prevalence,
    transition_matrix,
)
from domatia.stats.multistate_fit import prepare

FOLDER = Path(__file__).parents[2] / "reference" / "multistate"
ALLOWED = np.array([[0, 1, 0, 1], [1, 0, 1, 1], [0, 1, 0, 1], [0, 0, 0, 0]], np.bool_)
START = np.log([0.5, 0.06, 0.4, 0.5, 0.08, 0.25, 0.35])
HIDDEN = {98: np.array([0, 1, 1, 0], np.bool_), 99: np.array([1, 1, 1, 0], np.bool_)}
COVARIATES = {"covariates": ("group", "dose"), "exact_covariates": ("group",), "hidden_exact": ("group",)}
TASKS = (
    "plain",
    "covariates",
    "constraint",
    "some",
    "exact",
    "exact_covariates",
    "hidden",
    "hidden_exact",
    "hidden_first",
)


@cache
def columns() -> dict[str, Floats]:
    """Give the panel's columns."""
    with (FOLDER / "panel.csv").open() as file:
        rows = list(csv.DictReader(file))
    return {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}


@cache
def printed() -> dict[tuple[str, str], Floats]:
    """Give the other program's numbers by task and quantity."""
    found: dict[tuple[str, str], list[float]] = {}
    with (FOLDER / "multistate.csv").open() as file:
        for row in csv.DictReader(file):
            found.setdefault((row["task"], row["quantity"]), []).append(float(row["value"]))
    return {key: np.array(values) for key, values in found.items()}


def model(task: str) -> tuple[Panel, Pattern, Effects]:
    """Set up the panel, pattern and effects of a task as in multistate.R."""
    exact = (3,) if "exact" in task else ()
    pattern = allow_moves(ALLOWED, ("1", "2", "3", "4"), exact)
    effects = effects_on_all(pattern, COVARIATES.get(task, ()))
    moves = list(zip(pattern.origin.tolist(), pattern.target.tolist(), strict=True))
    if task == "constraint":
        shared = [[moves[j] for j, label in enumerate([1, 2, 3, 3, 2, 3, 2]) if label == k] for k in (1, 2, 3)]
        effects = effects_on(pattern, {"group": [[move] for move in moves], "dose": shared})
    if task == "some":
        effects = effects_on(pattern, {"group": [[(0, 1)]], "dose": [[(0, 1)], [(1, 2)]]})
    return panel(task, effects.names, exact=bool(exact)), pattern, effects


def panel(task: str, names: tuple[str, ...], *, exact: bool) -> Panel:
    """Read the visits of a task."""
    data = columns()
    keep: Bools = np.ones(len(data["subject"]), np.bool_)
    if task == "hidden_first":
        new = np.r_[True, np.diff(data["subject"]) != 0]
        place = np.arange(len(new)) - np.maximum.accumulate(np.where(new, np.arange(len(new)), 0))
        keep = place >= 2
        often = np.bincount(data["subject"][keep].astype(np.int64), minlength=401) > 1
        keep &= often[data["subject"].astype(np.int64)]
    seen = data["seen"] if "hidden" in task else data["state"]
    state = np.where(seen > 4, -1, seen - 1).astype(np.int64)
    possible = np.zeros((len(state), 4), np.bool_)
    for code, states in HIDDEN.items():
        possible[seen == code] = states
    return Panel(
        data["subject"][keep].astype(np.int64),
        data["exact" if exact else "visit"][keep],
        state[keep],
        np.column_stack([data[name][keep] for name in names]) if names else None,
        possible[keep] if "hidden" in task else None,
        first=np.ones(4) if task == "hidden_first" else None,
    )


def coefficients(effects: Effects, given: Floats) -> Floats:
    """Put log intensities and full tables of effects into the order of a fit's coefficients."""
    table = given.reshape(1 + len(effects.names), -1)
    parts = [table[0]]
    for labels, row in zip(effects.labels, table[1:], strict=True):
        parts.extend(np.array([row[labels == group][0]]) for group in np.unique(labels[labels >= 0]))
    return np.concatenate(parts)


@pytest.mark.parametrize("task", TASKS)
def test_log_likelihood_is_equal_at_equal_parameters(task: str) -> None:
    """At the starting values and at the other program's optimum, minus twice the log-likelihood agrees to 1e-8."""
    visits, pattern, effects = model(task)
    start = np.r_[START, np.zeros(effects.coefficients)]
    at_start = -2 * log_likelihood(visits, pattern, effects, start)
    assert at_start == pytest.approx(printed()[task, "minus2loglik_at_start"][0], abs=1e-8)
    best = coefficients(effects, printed()[task, "estimates"])
    assert -2 * log_likelihood(visits, pattern, effects, best) == pytest.approx(
        printed()[task, "minus2loglik"][0], abs=1e-8
    )


@pytest.mark.parametrize("task", TASKS)
def test_fit_finds_the_same_optimum_and_standard_errors(task: str) -> None:
    """The log-likelihood is no lower, estimates and standard errors agree to the other optimiser's tolerance."""
    visits, pattern, effects = model(task)
    fit = fit_multistate(visits, pattern, effects)
    assert fit.converged
    assert fit.log_likelihood >= -0.5 * printed()[task, "minus2loglik"][0] - 1e-6
    assert_allclose(fit.coefficients, coefficients(effects, printed()[task, "estimates"]), atol=2e-5)
    assert_allclose(fit.standard_errors, coefficients(effects, printed()[task, "se"]), rtol=2e-5)
    assert fit.loose.boundary == fit.loose.unidentified == ()


@pytest.mark.parametrize("task", TASKS)
def test_transition_matrix_and_mean_stay(task: str) -> None:
    """Probabilities over 1.5 time units, and mean stays with standard errors and 95 % intervals, agree."""
    visits, pattern, effects = model(task)
    fit = fit_multistate(visits, pattern, effects)
    origin = np.zeros(len(effects.names))
    matrix = transition_matrix(fit, 1.5, origin)
    assert_allclose(matrix.estimate.ravel(), printed()[task, "pmatrix"], atol=1e-6)
    stay = mean_stay(fit, origin).value
    table = np.column_stack([stay.estimate, stay.se, stay.low, stay.high])
    assert_allclose(table.ravel(), printed()[task, "sojourn"], rtol=5e-6)


@pytest.mark.parametrize(("number", "name"), [(0, "group"), (1, "dose")])
def test_hazard_ratios_with_intervals(number: int, name: str) -> None:
    """Hazard ratios and their 95 % intervals agree."""
    ratios = hazard_ratios(fit_multistate(*model("covariates")))
    mine = ratios.covariate == number
    table = np.column_stack([ratios.value.estimate, ratios.value.low, ratios.value.high])[mine]
    assert_allclose(table.ravel(), printed()["covariates", f"hazard_{name}"], rtol=5e-5)


def test_observed_prevalence() -> None:
    """Numbers of subjects seen in each state over time agree (last state held until the next visit)."""
    visits, pattern, effects = model("plain")
    table = prevalence(visits, fit_multistate(visits, pattern, effects), np.arange(5.0))
    assert_allclose(table.observed.ravel(), printed()["plain", "prevalence_observed"])
    assert_allclose(table.expected.sum(1), table.at_risk)


def test_sandwich_errors() -> None:
    """Errors robust to the 20 clusters equal those from the other program's scores of each cluster, with G/(G − 1)."""
    visits, pattern, effects = model("plain")
    cluster = columns()["cluster"].astype(np.int64)
    fit = fit_multistate(replace(visits, cluster=cluster), pattern, effects)
    assert_allclose(fit.standard_errors, printed()["plain", "sandwich_se"], rtol=1e-5)
    assert fit.uncertainty.clusters == 20
    likelihood = prepare(replace(visits, cluster=cluster), pattern)
    scores = likelihood.cluster_scores(printed()["plain", "estimates"])
    assert_allclose(scores.ravel(), printed()["plain", "cluster_scores"], atol=1e-5)
