"""Light: multinomial logits and overlaps beside Agresti's printed values, nnet and vegan (`reference/light`)."""

import csv
from pathlib import Path

import numpy as np
from bench.concordance import Row

from domatia.stats.multinomial import multinomial
from domatia.stats.natural_spline import spline_over
from domatia.stats.overlap import INDICES, overlaps, shuffled_within_kinds

ROOM = Path(__file__).parents[2] / "reference" / "light"
AGRESTI = "Agresti 1996, An Introduction to Categorical Data Analysis, section 8.1"
NNET = "nnet 7.3.18, reference/light"
VEGAN = "vegan 2.6.4, reference/light"
FIT = "stats.multinomial.multinomial"
FOOD = {"O": 0, "F": 1, "I": 2}
PRINTED = (("fish, constant", 1.618), ("fish, slope", -0.110), ("invertebrates, constant", 5.697),
           ("invertebrates, slope", -2.465))  # fmt: skip


def rows() -> list[Row]:
    """Give every value."""
    lines = (line.split() for line in (ROOM / "light.out").read_text(encoding="utf-8").splitlines())
    out = {name: [float(v) for v in values] for name, *values in lines if name != "#"}
    return [*_alligators(out), *_plants(out), *_overlaps(out)]


def _row(what: str, command: str, values: tuple[float, float], digits: int, source: str) -> Row:
    return Row("light", what, command, float(values[0]), float(values[1]), digits, source)


def _table(name: str) -> list[dict[str, str]]:
    with (ROOM / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def _alligators(out: dict[str, list[float]]) -> list[Row]:
    table = _table("alligators.csv")
    X = np.column_stack([np.ones(len(table)), [float(r["length_m"]) for r in table]])
    fit = multinomial(np.array([FOOD[r["food"]] for r in table]), X)
    found = [
        _row(f"59 alligators: {name}", FIT, (ours, theirs), 3, AGRESTI)
        for ours, (name, theirs) in zip(fit.coefficients.ravel(), PRINTED, strict=True)
    ]
    found.append(_row("59 alligators: log-likelihood", FIT, (fit.log_likelihood, out["alligators_loglik"][0]), 4, NNET))
    for ours, theirs, (name, _) in zip(fit.estimates.se.ravel(), out["alligators_errors"], PRINTED, strict=True):
        found.append(_row(f"59 alligators: standard error of {name}", FIT, (ours, theirs), 3, NNET))
    return found


def _plants(out: dict[str, list[float]]) -> list[Row]:
    table = _table("plants.csv")
    x, occupant = (np.array([float(r[c]) for r in table]) for c in ("openness", "occupant"))
    kind = occupant.astype(np.int64)
    fit = multinomial(kind, np.column_stack([np.ones(len(x)), x / 10, (x / 10) ** 2]))
    smooth = multinomial(kind, spline_over(x, 4).columns(x))
    return [
        _row("600 plants, quadratic: log-likelihood", FIT, (fit.log_likelihood, out["quadratic_loglik"][0]), 5, NNET),
        _row("600 plants, quadratic: slope of occupant 1", FIT,
             (fit.coefficients[0, 1], out["quadratic_coefficients"][1]), 3, NNET),
        _row("600 plants, quadratic: its standard error", FIT, (fit.estimates.se[0, 1], out["quadratic_errors"][1]), 3,
             NNET),
        _row("600 plants, natural spline: log-likelihood", FIT, (smooth.log_likelihood, out["spline_loglik"][0]), 5,
             NNET),
    ]  # fmt: skip


def _overlaps(out: dict[str, list[float]]) -> list[Row]:
    counts = np.array([[float(v) for k, v in r.items() if k != "occupant"] for r in _table("classes.csv")])
    shares, upper = counts / counts.sum(axis=1, keepdims=True), np.triu_indices(4, 1)
    call = "stats.overlap.overlaps"
    found = []
    for index, name in (("morisita_horn", "horn"), ("schoener", "bray_on_shares")):
        ours = overlaps(shares, "morisita_horn" if index == "morisita_horn" else "schoener")[upper]
        for n, (a, b) in enumerate(zip(ours, out[name], strict=True), 1):
            found.append(_row(f"4 kinds, 7 classes: {index} of pair {n}", call, (a, b), 10, VEGAN))
    simple = np.array([[0.5, 0.5, 0.0], [0.0, 0.5, 0.5]])
    for index in INDICES:
        ours_simple = float(overlaps(simple, index)[0, 1])
        found.append(_row(f"(.5 .5 0) against (0 .5 .5): {index}", call, (ours_simple, 0.5), 12, "worked by hand"))
    two = shuffled_within_kinds(np.array([[0.6, 0.3, 0.1, 0.0], [0.1, 0.2, 0.3, 0.4]]), np.random.default_rng(1))
    found.append(_row("two kinds, four classes, shuffled: p of so little overlap",
                      "stats.overlap.shuffled_within_kinds", (two.p_less[0], 0.04167), 5,
                      "1 of 24 orders, enumerated"))  # fmt: skip
    return found
