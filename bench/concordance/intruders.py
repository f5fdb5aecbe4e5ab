"""Trials with termites (Pacelhe et al. 2019) and invented trials beside R's values."""

import csv
import os
from pathlib import Path

import numpy as np
from bench.concordance import Row
from numpy.typing import NDArray

from domatia.stats.cox import cox
from domatia.stats.cumulative_logit import cumulative_logit
from domatia.stats.incidence import incidence, influences
from domatia.stats.weibull import weibull

R = "R 4.2.2, survival 3.5-3, ordinal 2022.11-16 (reference/intruders)"
PAPER = "Pacelhe et al. 2019, Biotropica 51, printed"
FILE = "R 4.2.2, survival 3.5-3 on the published table (reference/intruders)"
PRINTED = "the table that the paper published does not give it: R's survreg gives ours"
Array = NDArray[np.float64]


def rows() -> list[Row]:
    """Give the rows; those of the paper's table only where DOMATIA_REAL_DATA names the folder of real tables."""
    return [*_invented(), *_termites()]


def _invented() -> list[Row]:
    table = Path(__file__).parents[2] / "reference" / "intruders" / "trials.csv"
    with table.open(encoding="utf-8") as file:
        read = list(csv.DictReader(file))
    seconds, cause, plant, response = (
        np.array([float(r[c]) for r in read]) for c in ("seconds", "cause", "plant", "response")
    )
    group = np.array([r["group"] for r in read])
    dummies = np.column_stack([(group == g).astype(float) for g in "bc"])
    found = []
    for g, share, error in (("a", 0.231986531987, 0.0679077406621), ("c", 0.691176470588, 0.0740771124123)):
        own = group == g
        ours = incidence(seconds[own], cause[own].astype(np.int64), 2).at(np.array([300.0]))[0, 0]
        each = influences(seconds[own], cause[own].astype(np.int64), 2, 300.0)[:, 0]
        told = f"excluded by 300 s, group {g}"
        found.append(Row("intruders", told, "stats.incidence", float(ours), share, 10, R))
        found.append(
            Row("intruders", f"{told}: standard error", "stats.incidence", float(np.sqrt(each @ each)), error, 10, R)
        )
    hazards = cox(np.zeros(len(seconds)), seconds, cause == 1, dummies, plant.astype(np.int64), kind="CR0")
    found.append(
        Row("intruders", "log hazard ratio, b", "stats.cox", float(hazards.coefficients.estimate[0]), 1.260748005, 7, R)
    )
    found.append(
        Row("intruders", "its error by plant", "stats.cox", float(hazards.coefficients.se[0]), 0.364569690, 7, R)
    )
    logit = cumulative_logit(response.astype(np.int64), dummies, kind="model")
    found.append(
        Row(
            "intruders", "log odds ratio of a stronger response, c", "stats.cumulative_logit",
            float(logit.coefficients.estimate[1]), 1.697785131, 7, R,
        )
    )  # fmt: skip
    return found


def _termites() -> list[Row]:
    where = Path(os.environ.get("DOMATIA_REAL_DATA", "")) / "vochysia_nectar_termite_trials" / "Survival.tsv"
    if not where.is_file():
        return []
    with where.open(encoding="utf-8") as file:
        read = list(csv.DictReader(file, delimiter="\t"))
    stop = np.array([float(r["Obs.T"]) for r in read])
    out = np.array([r["T.exc."] == "1" for r in read])
    given = np.array([r["treatment"] for r in read])
    until = np.where(out, stop, np.inf)
    four = weibull(stop, until, _columns(given, (("amino",), ("sucrose",), ("sucrose_amino",))))
    none = weibull(stop, until, np.zeros((len(stop), 0)))
    merged = weibull(stop, until, _columns(given, (("amino", "sucrose"), ("sucrose_amino",))))
    ask = "domatia answer STUDY intruders"
    deviance = 2 * (four.log_likelihood - none.log_likelihood)
    found = [
        Row("intruders", "Weibull deviance, four treatments, 3 df", ask, deviance, 52.89, 2, FILE),
        Row("intruders", "the same as printed", ask, deviance, 52.9, 1, PAPER),
    ]
    ours = [*merged.coefficients.estimate.tolist(), float(merged.scale.estimate[0])]
    names = ("log minutes, water", "one of the two less water", "both less water", "scale")
    for name, value, file_value, printed in zip(
        names, ours, (4.443, -0.851, -1.537, 0.607), (4.440, -0.848, -1.551, 0.605), strict=True
    ):
        told = f"Weibull, middle levels merged: {name}"
        found.append(Row("intruders", told, "stats.weibull", value, file_value, 3, FILE))
        found.append(Row("intruders", f"{told} (printed)", "stats.weibull", value, printed, 3, PAPER, PRINTED))
    for name, share in (("water", 0.063), ("amino", 0.213), ("sucrose", 0.275), ("sucrose_amino", 0.538)):
        # a last 5 is rounded away from nought: 0.0625, 0.2125 and 0.5375
        found.append(
            Row("intruders", f"excluded of all, {name}", ask, float(out[given == name].mean()), share, 3, FILE)
        )
    return found


def _columns(given: NDArray[np.str_], levels: tuple[tuple[str, ...], ...]) -> Array:
    return np.column_stack([np.isin(given, names).astype(np.float64) for names in levels])
