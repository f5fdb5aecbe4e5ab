"""The tables of the brood question: curve and classes of density, the forms compared, the best brood, eggs."""

import numpy as np
import polars as pl

from domatia.questions.brood_numbers import AREA_CM2, Crowded, Material, best_of
from domatia.stats.crowding import survival_at

POINTS, CLASSES = 81, 8
GROUP = "broods"


def tables(about: Material) -> dict[str, pl.DataFrame]:
    """Give the tables that have rows."""
    found = {}
    if about.crowded is not None:
        found = {
            "crowding_curve": curve(about.crowded),
            "crowding_seen": seen(about.crowded),
            "forms": forms(about.crowded),
            "best_brood": best_brood(about.crowded),
        }
    found["eggs"] = eggs(about)
    return {name: t for name, t in found.items() if t.height}


def curve(c: Crowded) -> pl.DataFrame:
    """Give survivors for each 100 cm2 by larvae for each 100 cm2, with the band."""
    x = np.linspace(float(np.asarray(c.table["density"].min())), float(np.asarray(c.table["density"].quantile(0.99))),
                    POINTS)  # fmt: skip
    theta, free = c.fit.theta, list(c.fit.free)
    y = x * survival_at(theta, x)
    slopes = np.zeros((len(x), 4))
    for j in free:
        if np.isnan(theta[j]) or j == 3:
            continue
        up, down = theta.copy(), theta.copy()
        up[j], down[j] = up[j] + 1e-5, down[j] - 1e-5
        slopes[:, j] = (np.log(survival_at(up, x)) - np.log(survival_at(down, x))) / 2e-5
    doubt = c.fit.uncertainty
    se = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", slopes[:, free], doubt.covariance, slopes[:, free]), 0.0))
    half = np.minimum(doubt.quantile * se, 50.0)
    data = {"x": x, "y": y, "low": y * np.exp(-half), "high": np.minimum(y * np.exp(half), x)}
    return pl.DataFrame(data).select(pl.lit(GROUP).alias("group"), pl.all())


def seen(c: Crowded) -> pl.DataFrame:
    """Give larvae and survivors for each 100 cm2 in classes of density with as many broods each."""
    classes = max(1, min(CLASSES, c.table.height // 8))
    rows = c.table.sort("density", "record_id").with_columns(number=(pl.int_range(pl.len()) * classes) // pl.len())
    told = rows.group_by("number").agg(
        broods=pl.len(),
        larvae=pl.col("larvae").sum(),
        survivors=pl.col("survivors").sum(),
        x=pl.col("larvae").sum() / pl.col("area").sum() * AREA_CM2,
        y=pl.col("survivors").sum() / pl.col("area").sum() * AREA_CM2,
    )
    return told.sort("number").select(pl.lit(GROUP).alias("group"), "x", "y", "broods", "larvae", "survivors")


def forms(c: Crowded) -> pl.DataFrame:
    """Hold the family against its limits: log-likelihood, and how many times less likely each is."""
    best = max(f.log_likelihood for f in c.forms)
    names = {
        "family": "exponent free",
        "contest": "contest (exponent 1)",
        "total failure": "total failure past capacity",
        "no crowding": "no crowding",
    }
    rows = [
        (
            names[f.form],
            float(np.exp(f.theta[2])) if np.isfinite(f.theta[2]) else None,
            f.log_likelihood,
            f.log_likelihood - best,
            {"family": 4, "no crowding": 2}.get(f.form, 3),
        )
        for f in c.forms
    ]
    schema = ["form", "exponent", "log_likelihood", "below_the_best", "parameters"]
    return pl.DataFrame(rows, schema=schema, orient="row")


def share_above(c: Crowded, density: float) -> float:
    """Give the share of broods denser than this."""
    return float((c.table["density"].to_numpy() > density).mean())


def best_brood(c: Crowded) -> pl.DataFrame:
    """Give the brood with the most survivors on leaf areas of the quartiles, and the share of broods above it."""
    best = best_of(c)
    if best is None:
        return pl.DataFrame()
    above = share_above(c, best[0])
    rows = []
    for q in (0.25, 0.5, 0.75):
        area = float(np.asarray(c.table["area"].quantile(q, "nearest")))
        value, low, high = (v * area / AREA_CM2 for v in best[:3])
        rows.append((area, value, low, high if np.isfinite(high) else None, above))
    schema = ["leaf_area_cm2", "best_brood", "low", "high", "broods_above_the_best"]
    return pl.DataFrame(rows, schema=dict.fromkeys(schema, pl.Float64), orient="row")


def eggs(about: Material) -> pl.DataFrame:
    """Count plants looked at, plants with eggs and eggs by the ants seen at or before."""
    rows = about.broods.table.filter(pl.col("eggs").is_not_null())
    told = rows.group_by("ants").agg(
        looked_at=pl.len(),
        with_eggs=(pl.col("eggs") > 0).sum(),
        eggs=pl.col("eggs").sum(),
        eggs_each=pl.col("eggs").mean(),
        eggs_where_laid=pl.col("eggs").filter(pl.col("eggs") > 0).mean(),
    )
    return told.sort("ants")
