"""Sugar and energy of nectar, and printed values."""

import numpy as np
from bench.concordance import Row

from domatia.stats.sugar import at_20_degrees, density, joules, sugar_mg

HAND = "worked by hand: density of Prys-Jones & Corbet, 16.7 J a mg"
NBS = "NBS Circular 440 (1942), table 114 (from memory; 10 to 30 % seen in print)"
OIV = "OIV-MA-AS2-02, table I"


def rows() -> list[Row]:
    """Give the rows."""
    mg = sugar_mg(np.array([2.0]), np.array([25.0]))
    found = [
        Row("rewards", "2.0 µL at 25 %: mg of sugar", "stats.sugar.sugar_mg", float(mg[0]), 0.5516, 4, HAND),
        Row("rewards", "2.0 µL at 25 %: J", "stats.sugar.joules", float(joules(mg)[0]), 9.21, 2, HAND),
    ]
    for per_cent, theirs in ((25.0, 9.4), (50.0, 18.7)):
        lost = 100 * (1 - per_cent / 100 / float(sugar_mg(np.ones(1), np.array([per_cent]))[0]))
        what = f"per cent lost at {per_cent:.0f} % by taking it as by volume"
        found.append(Row("rewards", what, "stats.sugar.sugar_mg", lost, theirs, 1, HAND))
    for per_cent, theirs in ((10, 1.038), (20, 1.081), (30, 1.127), (40, 1.176), (50, 1.230), (60, 1.286)):
        ours = float(density(np.array([float(per_cent)]))[0])
        why = "the polynomial and the table lie 0.02 % apart" if per_cent in (40, 60) else ""
        found.append(
            Row(
                "rewards", f"density of {per_cent} % sucrose at 20 °C", "stats.sugar.density", ours, theirs, 3, NBS, why
            )
        )
    for celsius, per_cent, theirs in (
        (10.0, 10.0, -0.59),
        (10.0, 30.0, -0.69),
        (15.0, 20.0, -0.34),
        (15.0, 40.0, -0.37),
    ):
        ours = float(at_20_degrees(np.array([per_cent]), np.array([celsius]))[0]) - per_cent
        what = f"correction of {per_cent:.0f} % read at {celsius:.0f} °C"
        why = "ours is the international table of 1936, from memory; the two differ by 0.01" if celsius == 10 else ""
        found.append(Row("rewards", what, "stats.sugar.at_20_degrees", ours, theirs, 2, OIV, why))
    return found
