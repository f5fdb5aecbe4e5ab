"""Broods: crowding and means beside base R (`reference/broods`: optim, uniroot, nls, glm)."""

from pathlib import Path

import numpy as np
from bench.concordance import Row

from domatia.stats.crowding import Broods, best_density, crowding, profile
from domatia.stats.mean_models import mean_model

ROOM = Path(__file__).parents[2] / "reference" / "broods"
R = "R 4.2.2, reference/broods"
NAMES = ("logit of survival without crowding", "log capacity", "log exponent", "log precision")


def rows() -> list[Row]:
    """Give every value."""
    told = (line.split() for line in (ROOM / "broods.out").read_text(encoding="utf-8").splitlines())
    out = {name: float(value) for name, value in told}
    larvae, survivors, area, block, ants, eggs = np.loadtxt(ROOM / "broods.csv", delimiter=",", skiprows=1).T
    data = Broods(larvae.astype(np.int64), survivors.astype(np.int64), larvae / area)
    X = np.column_stack([np.ones(len(eggs)), ants, np.log(area)])
    every = mean_model(eggs, X, "log", block.astype(np.int64)).coefficients
    laid = mean_model((eggs > 0).astype(np.float64), X, "logit").coefficients
    means = (
        ("180 plants: log ratio of eggs with ants", every.estimate[1], "eggs_2", 6),
        ("180 plants: its standard error over 12 blocks", every.se[1], "eggs_jackknife_se_2", 6),
        ("180 plants: log odds ratio of any eggs", laid.estimate[1], "laid_2", 6),
    )
    return [
        *_family(data, out),
        *(_row(w, "stats.mean_models.mean_model", (v, out[n]), d, f"glm, {R}") for w, v, n, d in means),
    ]


def _row(what: str, command: str, values: tuple[float, float], digits: int, source: str) -> Row:
    return Row("brood", what, command, float(values[0]), float(values[1]), digits, source)


def _family(data: Broods, out: dict[str, float]) -> list[Row]:
    fit, call = crowding(data), "stats.crowding.crowding"
    found = [_row("180 broods: log-likelihood", call, (fit.log_likelihood, out["family_loglik"]), 5, f"optim, {R}")]
    se = np.sqrt(np.diag(fit.uncertainty.covariance))
    for i, name in enumerate(NAMES):
        pair, error = (fit.theta[i], out[f"family_{i + 1}"]), (se[i], out[f"family_se_{i + 1}"])
        found.append(_row(f"180 broods: {name}", call, pair, 3, f"optim, {R}"))
        found.append(_row(f"180 broods: standard error of the {name}", call, error, 3, f"optim, {R}"))
    contest = crowding(data, "contest").log_likelihood
    none = crowding(data, "no crowding").log_likelihood
    found.append(_row("180 broods: contest, log-likelihood", call, (contest, out["contest_loglik"]), 4, f"optim, {R}"))
    found.append(_row("180 broods: no crowding, log-likelihood", call, (none, out["none_loglik"]), 5, f"optim, {R}"))
    for name, value in zip(("low", "high"), profile(data, fit), strict=True):
        pair = (value, out[f"profile_{name}"])
        what = f"180 broods: exponent, {name} end of the profile"
        found.append(_row(what, "stats.crowding.profile", pair, 2, f"uniroot, {R}"))
    theta = np.array([np.log(out["nls_p0"] / (1 - out["nls_p0"])), np.log(out["nls_c"]), np.log(out["nls_b"]), 0.0])
    best = float(np.exp(best_density(theta)[0]))
    found.append(
        _row("curve that nls recovers: best density", "stats.crowding.best_density", (best, out["best_density"]), 6,
             f"nls and optimize, {R}")
    )  # fmt: skip
    return found
