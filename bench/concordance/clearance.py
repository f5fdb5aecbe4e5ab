"""Vines on two forms of a tree, and R's exact test."""

import numpy as np
from bench.concordance import Row

from domatia.stats.exact import fisher_exact

SOURCE = "R 4.2.2, fisher.test, on 40 of 82 and 7 of 70 trees with vines (field course 2012)"


def rows() -> list[Row]:
    """Give the rows."""
    found = fisher_exact(np.array([[7, 63], [40, 42]]))
    simple = 7 / 63 / (40 / 42)
    values = (("odds ratio", simple, 0.117, 3), ("conditional odds ratio", found.odds_ratio, 0.118, 3),
              ("interval, low", found.low, 0.041, 3), ("interval, high", found.high, 0.300, 3),
              ("p", found.p, 1.7e-7, 8))  # fmt: skip
    return [
        Row("clearance", f"vines, red against white: {what}", "stats.exact.fisher_exact", float(ours), theirs, digits,
            SOURCE)
        for what, ours, theirs, digits in values
    ]  # fmt: skip
