"""Decay with distance, and R's values."""

import numpy as np
from bench.concordance import Row

from domatia.stats.decay import exponential_decay

DISTANCE = np.array([0.5, 0.8, 1.2, 1.5, 2, 2.2, 2.9, 3.1, 3.6, 4.4, 5, 5.5, 6.3, 7, 7.7, 8.1, 9.4, 10, 11.2, 12])
EVENT = np.array([1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0], dtype=np.float64)
THEIRS = (5.320397308, -11.15558846)
SOURCE = "R 4.2.2, optim (reference/stumps)"


def rows() -> list[Row]:
    """Give the rows."""
    found = exponential_decay(DISTANCE, EVENT)
    return [
        Row("resprout", "decay: length", "stats.decay", found.length, THEIRS[0], 3, SOURCE),
        Row("resprout", "decay: log L", "stats.decay", found.log_likelihood, THEIRS[1], 6, SOURCE),
    ]
