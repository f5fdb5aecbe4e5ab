"""Regression of counts or shares with the canonical link, and the means it implies for each of several settings.

With the canonical link (log for counts, logit for shares) and an intercept the fitted means average to the observed
ones, so that means with everybody set to one treatment, averaged over all rows, estimate what a drawn treatment does to
the mean whether or not the model holds (Rosenblum & van der Laan 2010, Int. J. Biostat. 6(1):13; Freedman 2008, Stat.
Sci. 23:237). Standard errors are not made here: leave out one group at a time (`leave_one_out`).
"""

import numpy as np

from domatia.stats.arrays import Floats

_STEPS = 60
_DONE = 1e-10
_FARTHEST = 30.0


def coefficients(y: Floats, design: Floats, link: str, weights: Floats | None = None) -> Floats:
    """Solve X'W(y - mean) = 0 by Newton's method with halved steps.

    Parameters
    ----------
    y : array (n,)
        Counts of 0 or more for "log", shares from 0 to 1 for "logit".
    design : array (n, p)
        Columns, the first of ones.
    link : {"log", "logit"}
    weights : array (n,), optional

    Returns
    -------
    array (p,)

    Raises
    ------
    ValueError
        If the link is unknown, or nothing varies (all y are 0, or all 1 with logit).
    """
    if link not in ("log", "logit"):
        raise ValueError(f"link {link!r} is unknown; choose log or logit")
    w = np.ones(len(y)) if weights is None else weights
    mean = float(w @ y / w.sum())
    if not 0 < mean < (1 if link == "logit" else np.inf):
        raise ValueError("nothing varies: every value is 0, or every share is 1")
    beta = np.zeros(design.shape[1])
    beta[0] = np.log(mean) if link == "log" else np.log(mean / (1 - mean))
    value = _value(y, design @ beta, link, w)
    for _ in range(_STEPS):
        fitted, spread = _fitted(design @ beta, link)
        step = np.linalg.lstsq((design.T * (w * spread)) @ design, design.T @ (w * (y - fitted)), rcond=None)[0]
        for _ in range(30):
            tried = beta + step
            then = _value(y, design @ tried, link, w)
            if then >= value - 1e-12 * abs(value):
                break
            step = step / 2
        beta, value = tried, then
        if np.abs(design @ step).max() < _DONE:
            break
    return beta


def means_if_all(beta: Floats, design: Floats, settings: list[Floats], link: str) -> Floats:
    """Average the fitted means over all rows with some columns set, once for each setting.

    Parameters
    ----------
    beta : array (p,)
    design : array (n, p)
    settings : list of arrays (p,)
        The value of each column in that setting; nan leaves the row's own value.
    link : {"log", "logit"}
    """
    return np.array([_fitted(np.where(np.isnan(s), design, s) @ beta, link)[0].mean() for s in settings])


def _fitted(eta: Floats, link: str) -> tuple[Floats, Floats]:
    bounded = np.clip(eta, -_FARTHEST, _FARTHEST)
    if link == "log":
        mean = np.exp(bounded)
        return mean, mean
    mean = 1 / (1 + np.exp(-bounded))
    return mean, mean * (1 - mean)


def _value(y: Floats, eta: Floats, link: str, w: Floats) -> float:
    bounded = np.clip(eta, -_FARTHEST, _FARTHEST)
    if link == "log":
        return float(w @ (y * bounded - np.exp(bounded)))
    return float(w @ (y * bounded - np.logaddexp(0.0, bounded)))
