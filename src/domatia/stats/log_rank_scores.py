"""Scores of single individuals for a log-rank comparison of deaths known only to lie between two looks.

Under proportional hazards the score of one individual at "no difference", with S the pooled curve and death in
(l, r], is

    c = [S(l) log S(l) - S(r) log S(r)] / [S(l) - S(r)],   c = log S(l) if never found dead,

so that sums of c over a group compare it with the others (Finkelstein 1986, Biometrics 42:845-854); with exact deaths
S(l) is the curve just before. Positive is early death. For permutation and randomisation tests; without covariates.
"""

import numpy as np

from domatia.stats.arrays import Floats
from domatia.stats.npmle import npmle


def log_rank_scores(left: Floats, right: Floats) -> Floats:
    """Give the score of each individual under the pooled curve.

    Parameters
    ----------
    left, right : array (individuals,)
        Last time known alive and first time known dead (``inf``: never found dead).

    Returns
    -------
    array (individuals,)
        They sum to zero.

    Raises
    ------
    ValueError
        As `domatia.stats.npmle.npmle`.
    """
    pooled = npmle(left, right)
    before = pooled.survival_at(np.where(left == right, np.nextafter(left, -np.inf), left))
    after = np.where(np.isfinite(right), pooled.survival_at(np.where(np.isfinite(right), right, 0.0)), 0.0)
    width = before - after
    falls = width > 1e-14
    scores = (_entropy(before) - _entropy(after)) / np.where(falls, width, 1.0)
    flat = np.log(np.maximum(before, 1e-300)) + 1.0
    return np.asarray(np.where(falls, scores, flat), dtype=np.float64)


def _entropy(share: Floats) -> Floats:
    return np.where(share > 0.0, share * np.log(np.maximum(share, 1e-300)), 0.0)
