"""Fights: closed forms, a printed table and base R (`reference/fights`)."""

from pathlib import Path

import numpy as np
from bench.concordance import Row

from domatia.stats.attrition import attrition, duel_chance, survivors
from domatia.stats.dominance import david_scores, dominance
from domatia.stats.duels import duels

ROOM = Path(__file__).parents[2] / "reference" / "fights"
R = "R 4.2.2, reference/fights"
CLOSED = "closed form"
AGRESTI = "Agresti 2002, Categorical Data Analysis, table 10.10 (table typed from memory)"
BASEBALL = np.array([
    [0, 7, 9, 7, 7, 9, 11], [6, 0, 7, 5, 11, 9, 9], [4, 6, 0, 7, 7, 8, 12], [6, 8, 6, 0, 6, 7, 10],
    [6, 2, 6, 7, 0, 7, 12], [4, 4, 5, 6, 6, 0, 6], [2, 4, 1, 3, 1, 7, 0],
])  # fmt: skip
TEAMS = (("Milwaukee", 1.58), ("Detroit", 1.44), ("Toronto", 1.29), ("New York", 1.25), ("Boston", 1.11),
         ("Cleveland", 0.68))  # fmt: skip
PAIRS = ((0, 1, 9, 3, 4), (0, 2, 12, 2, 3), (0, 3, 7, 1, 1), (1, 2, 6, 4, 5), (1, 3, 8, 2, 2), (2, 3, 5, 3, 4))


def rows() -> list[Row]:
    """Give every value."""
    told = (line.split() for line in (ROOM / "fights.out").read_text(encoding="utf-8").splitlines())
    out = {name: float(value) for name, value in told}
    return [*_closed(), *_ranks(out), *_law(out)]


def _row(what: str, command: str, values: tuple[float, float], digits: int, source: str) -> Row:
    return Row("fights", what, command, float(values[0]), float(values[1]), digits, source)


def _closed() -> list[Row]:
    fit = duels(np.repeat([1.0, 0.0], [80, 20]), np.full((100, 1), np.log(2.0))).coefficients
    return [
        _row("linear law, 30 against 20: chance of winning", "stats.attrition.duel_chance(30, 20, 1)",
             (duel_chance(30, 20, 1.0), 0.9237961140), 10, f"{CLOSED}, sum of C(49, k) / 2^49 for k >= 20"),
        _row("square law, 100 against 60: survivors", "stats.attrition.survivors(100, 60, 2)",
             (survivors(100, 60, 2.0), 80.0), 10, CLOSED),
        _row("80 of 100 won at 2:1: slope", "stats.duels.duels", (fit.estimate[0], 2.0), 6, CLOSED),
        _row("80 of 100 won at 2:1: standard error", "stats.duels.duels", (fit.se[0], 0.3607), 4, CLOSED),
    ]  # fmt: skip


def _ranks(out: dict[str, float]) -> list[Row]:
    one, other = (np.repeat(i.ravel(), BASEBALL.ravel()) for i in np.indices((7, 7)))
    fit = dominance((one, other), np.zeros(len(one), np.int64), 6).strengths
    found = [
        _row(
            f"American League 1987: strength of {team}",
            "stats.dominance.dominance",
            (fit.estimate[i], value),
            2,
            AGRESTI,
        )
        for i, (team, value) in enumerate(TEAMS)
    ]
    found += [
        _row(f"American League 1987: standard error of {team}", "stats.dominance.dominance",
             (fit.se[i], out[f"baseball_se_{i + 1}"]), 6, f"glm, {R}")
        for i, (team, _) in enumerate(TEAMS)
    ]  # fmt: skip
    told = np.array([(a, b, k) for a, b, *n in PAIRS for k in range(3) for _ in range(n[k])])
    ties = dominance((told[:, 0], told[:, 1]), told[:, 2], 0)
    wins = np.zeros((4, 4))
    for a, b, won, tie, lost in PAIRS:
        wins[a, b], wins[b, a] = won + tie / 2, lost + tie / 2
    scores, corrected = david_scores(wins), david_scores(wins, corrected=True)
    for i in range(4):
        if i:
            what = f"four kinds with ties: strength of kind {i + 1}"
            source = f"log-linear model, {R}"
            pair = (ties.strengths.estimate[i], out[f"ties_{i}"])
            found.append(_row(what, "stats.dominance.dominance", pair, 6, source))
        found.append(_row(f"David's score of kind {i + 1}", "stats.dominance.david_scores",
                          (scores[i], out[f"david_{i + 1}"]), 8, f"matrix products, {R}"))  # fmt: skip
        found.append(_row(f"David's score of kind {i + 1}, corrected", "stats.dominance.david_scores",
                          (corrected[i], out[f"david_corrected_{i + 1}"]), 8, f"matrix products, {R}"))  # fmt: skip
    return found


def _law(out: dict[str, float]) -> list[Row]:
    table = np.loadtxt(ROOM / "fights.csv", delimiter=",", skiprows=1, dtype=np.int64)
    law = attrition(table[:, 2:6], table[:, [7]].astype(np.float64))
    x = np.column_stack([np.log(table[:, 2] / table[:, 3]), table[:, 7]])
    curve = duels(table[:, 6].astype(np.float64), x, (table[:, 0], table[:, 1])).coefficients
    source = f"recursion over all orders and optim, {R}"
    values = (
        ("attrition exponent", law.exponent.estimate[0], "attrition_exponent", 5),
        ("log strength ratio", law.strengths.estimate[0], "attrition_strength", 5),
        ("log-likelihood", law.log_likelihood, "attrition_loglik", 7),
        ("standard error of the exponent", law.exponent.se[0], "attrition_se_exponent", 5),
    )
    found = [_row(f"sixty fights: {w}", "stats.attrition.attrition", (v, out[n]), d, source) for w, v, n, d in values]
    pairs = f"glm and every pair of fights, {R}"
    found.append(_row("sixty fights: slope of winning", "stats.duels.duels", (curve.estimate[0], out["curve_slope"]), 7,
                      f"glm, {R}"))  # fmt: skip
    found.append(_row("sixty fights: its standard error over both colonies", "stats.duels.duels",
                      (curve.se[0], out["curve_se_slope"]), 7, pairs))  # fmt: skip
    return found
