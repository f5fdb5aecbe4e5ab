"""Roots and sums that turn counts into the quantities that a fit would converge to."""

import numpy as np

from domatia.lifecycle.stand import Floats

_STEPS = 60


def hazard_ratio(died: Floats, time: Floats) -> float:
    """Give the ratio of two hazards as proportional hazards with a free baseline per step would have it.

    The root of the partial-likelihood score: sum over steps of `d1 - (d0 + d1) r p1 / (r p1 + p0)`.

    Parameters
    ----------
    died, time : array, shape (2, steps)
        Events and person-time of the compared group (row 0) and of the reference (row 1), by step.
    """
    return float(np.exp(proportional_hazards(died, time, np.array([[1.0], [0.0]]))[0]))


def proportional_hazards(events: Floats, time: Floats, columns: Floats) -> Floats:
    """Give the log hazard ratios that solve the score of proportional hazards with a free baseline per step.

    Parameters
    ----------
    events, time : array, shape (cells, steps)
        Events and person-time of each kind of person in each step of the baseline.
    columns : array, shape (cells, covariates)
        Covariates of each kind.

    Returns
    -------
    array, shape (covariates,)
    """
    beta = np.zeros(columns.shape[1])
    total = events.sum(axis=0)
    for _ in range(_STEPS):
        risk = time * np.exp(columns @ beta)[:, None]
        share = risk / np.maximum(risk.sum(axis=0), 1e-300)
        mean = columns.T @ share
        score = (columns.T @ events).sum(axis=1) - mean @ total
        centre = np.einsum("ci,cs,cj->sij", columns, share, columns) - np.einsum("is,js->sij", mean, mean)
        step = np.linalg.solve(np.einsum("s,sij->ij", total, centre), score)
        beta = beta + np.clip(step, -1.0, 1.0)
        if np.abs(step).max() < 1e-12:
            break
    return beta


def slope(times: Floats, values: Floats) -> float:
    """Give the least-squares slope of values on times, each time counting alike."""
    centred = times - times.mean()
    return float(centred @ values / (centred @ centred))


def exponential(generator: Floats) -> Floats:
    """Give the matrix exponential of a small generator matrix, by halving, a Taylor series and squaring."""
    halvings = max(int(np.ceil(np.log2(max(np.abs(generator).sum(axis=1).max(), 1e-12)))) + 4, 0)
    small = generator / 2.0**halvings
    term, whole = np.eye(len(generator)), np.eye(len(generator))
    for k in range(1, 20):
        term = term @ small / k
        whole = whole + term
    for _ in range(halvings):
        whole = whole @ whole
    return whole


def generator(changes: Floats, time: Floats) -> Floats:
    """Give the intensities of changes: events over person-time in each state, rows summing to zero."""
    rates = np.divide(changes, time[:, None], out=np.zeros_like(changes), where=time[:, None] > 0)
    np.fill_diagonal(rates, 0.0)
    np.fill_diagonal(rates, -rates.sum(axis=1))
    return rates
