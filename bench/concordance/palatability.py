"""Paired feeding trials (invented dishes) beside R's paired tests."""

import csv
from pathlib import Path

import numpy as np
from bench.concordance import Row

from domatia.stats.paired import paired_tests, two_way_uncertainty

R = "R 4.2.2 (reference/palatability)"


def rows() -> list[Row]:
    """Give the rows."""
    table = Path(__file__).parents[2] / "reference" / "palatability" / "dishes.csv"
    with table.open(encoding="utf-8") as file:
        read = list(csv.DictReader(file))
    offered, eaten, spare, lost = (
        np.array([float(r[c]) for r in read])
        for c in ("offered_cm2", "eaten_cm2", "control_offered_cm2", "control_loss_cm2")
    )
    share = (eaten / offered - lost / spare) / (1.0 - lost / spare)
    without = np.array([r["source"] == "without ants" for r in read])
    gap = share[without] - share[~without]
    animal = np.array([int(r["animal"]) for r in read])[without]
    plain, tied = paired_tests(gap), paired_tests(np.round(gap, 1))
    mean = gap.mean()
    doubt = two_way_uncertainty((gap - mean)[:, None] / len(gap), np.ones((len(gap), 1)), animal, None)
    interval = doubt.linear(np.array([mean]), np.eye(1))
    return [
        Row("palatability", "mean difference in share eaten", "stats.paired", plain.mean, 0.131271409395, 10, R),
        Row("palatability", "paired t", "stats.paired", plain.t, 2.57409438686, 9, R),
        Row("palatability", "its probability", "stats.paired", plain.t_p, 0.0154241655581, 11, R),
        Row("palatability", "signed ranks, sum", "stats.paired", plain.v, 345.0, 1, R),
        Row("palatability", "signed ranks, exact probability", "stats.paired", plain.v_p, 0.0196608155966, 11, R),
        Row("palatability", "signed ranks with ties and noughts", "stats.paired", tied.v_p, 0.0278561385126, 11, R),
        Row("palatability", "lower end over 15 animals", "stats.paired", float(interval.low[0]), 0.0270369538, 9, R),
        Row("palatability", "upper end over 15 animals", "stats.paired", float(interval.high[0]), 0.2355058650, 9, R),
    ]
