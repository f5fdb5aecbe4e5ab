"""The hurdle model's two halves, and glmmTMB's values."""

import csv
from pathlib import Path

import numpy as np
from bench.concordance import Row

from domatia.stats.families import Binomial
from domatia.stats.mixed_fit import RandomTerm
from domatia.stats.mixed_laplace import fit_laplace
from domatia.stats.truncated_counts import TruncatedNegativeBinomial

SOURCE = "glmmTMB 1.1.5 (reference/hurdle)"


def rows() -> list[Row]:
    """Give the rows."""
    table = Path(__file__).parents[2] / "reference" / "mixed" / "trials.csv"
    with table.open(encoding="utf-8") as file:
        read = list(csv.DictReader(file))
    count, treated, light, plant, block = (
        np.array([float(r[c]) for r in read]) for c in ("count", "treated", "light", "plant", "block")
    )
    found = []
    halves = (
        ("any", np.full(len(count), True), (-0.1407905131, 0.7906960513, 1.6448628561), -162.617211765),
        ("how many", count > 0, (0.04936550267, 0.29545649972, 0.26581886097), -355.775314918),
    )
    for half, kept, theirs, loglik in halves:
        design = np.column_stack([np.ones(len(count)), treated, light])[kept]
        y = count[kept]
        family = (
            TruncatedNegativeBinomial(y)
            if half == "how many"
            else Binomial((y > 0).astype(np.float64), np.ones(len(y)))
        )
        random = tuple(RandomTerm(n, g[kept].astype(np.int64)) for n, g in (("plant", plant), ("block", block)))
        fit = fit_laplace(family, design, ("start", "treated", "light"), random)
        for name, ours, value in zip(fit.names, fit.coefficients, theirs, strict=True):
            found.append(
                Row("reproduction", f"hurdle, {half}: {name}", "stats.mixed_laplace", float(ours), value, 4, SOURCE)
            )
        found.append(
            Row("reproduction", f"hurdle, {half}: log L", "stats.mixed_laplace", fit.loglik, loglik, 5, SOURCE)
        )
    return found
