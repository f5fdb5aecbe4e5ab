"""Pooling: the BCG trials and metafor's printed values."""

import numpy as np
from bench.concordance import Row

from domatia.stats.effect_sizes import log_response_ratio, log_risk_ratio
from domatia.stats.pooling import pool, tau2_interval

# Colditz et al. 1994, JAMA 271:698-702: cases and others, vaccinated and unvaccinated.
BCG = np.array([
    [4, 119, 11, 128], [6, 300, 29, 274], [3, 228, 11, 209], [62, 13536, 248, 12619], [33, 5036, 47, 5761],
    [180, 1361, 372, 1079], [8, 2537, 10, 619], [505, 87886, 499, 87892], [29, 7470, 45, 7232], [17, 1699, 65, 1600],
    [186, 50448, 141, 27197], [5, 2493, 3, 2338], [27, 16886, 29, 17825],
], dtype=np.float64)  # fmt: skip
TRIALS = "BCG trials (Colditz et al. 1994), log risk ratio"


def rows() -> list[Row]:
    """Give the rows."""
    sized = log_risk_ratio((BCG[:, 0], BCG[:, 2]), (BCG[:, 0] + BCG[:, 1], BCG[:, 2] + BCG[:, 3]))
    found = pool(sized.effect, sized.variance)
    low, high = tau2_interval(sized.effect, sized.variance)
    values = [
        ("mean, REML", found.coefficients[0], -0.714532342158, 10),
        ("Knapp-Hartung SE", found.se[0], 0.180791744093, 10),
        ("interval, low", found.low[0], -1.10844371369, 10),
        ("interval, high", found.high[0], -0.32062097063, 10),
        ("prediction, low", found.predict_low, -1.99601683420, 8),
        ("prediction, high", found.predict_high, 0.56695214988, 8),
        ("tau2", found.tau2[0], 0.313243258136, 9),
        ("I2 (%)", 100 * found.i2, 92.2213845213, 6),
        ("Q", found.q, 152.233008082, 8),
        ("tau2 interval, low", low, 0.119718361141, 9),
        ("tau2 interval, high", high, 1.111479084061, 8),
    ]
    made = [
        Row("synthesis", f"{TRIALS}: {what}", "stats.pooling.pool", float(ours), theirs, digits,
            "metafor 3.8-1 run tightly (reference/pooling)")
        for what, ours, theirs, digits in values
    ]  # fmt: skip
    printed = [("mean, REML, as printed", found.coefficients[0], -0.7145),
               ("SE, as printed", found.plain_se[0], 0.1798),
               ("tau2, as printed", found.tau2[0], 0.3132)]  # fmt: skip
    made += [
        Row("synthesis", f"{TRIALS}: {what}", "stats.pooling.pool", float(ours), theirs, 4,
            "manual of metafor, rma(), BCG example (printed -0.7145, 0.1798, 0.3132; from memory)")
        for what, ours, theirs in printed
    ]  # fmt: skip
    one = log_response_ratio(
        (np.array([10.0]), np.array([6.0])), (np.array([3.0]), np.array([2.5])), (np.array([12.0]), np.array([14.0]))
    )
    made.append(
        Row("synthesis", "log response ratio of 10 (3, n 12) and 6 (2.5, n 14): variance", "stats.effect_sizes",
            float(one.variance[0]), 0.0199007936508, 12, "metafor 3.8-1, escalc(ROM)")
    )  # fmt: skip
    return made
