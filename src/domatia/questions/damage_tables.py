"""The tables beside the effects of the damage question."""

import numpy as np
import polars as pl

from domatia.histories import leaves as scored
from domatia.questions.damage_numbers import MONTHS, WINDOW, Material, means_of
from domatia.stats.clustering import Uncertainty

_PIECES = 4
_CURVE = {
    "group": pl.String, "x": pl.Float64, "y": pl.Float64, "low": pl.Float64, "high": pl.Float64, "plants": pl.Int64,
}  # fmt: skip


def tables_of(about: Material) -> dict[str, pl.DataFrame]:
    """Give the curve of marked leaves, the vanished, the cohorts, the observers and the agents of damage."""
    found = {
        "curve": curve(about),
        "vanished": vanished(about),
        "cohorts": cohorts(about),
        "observers": observers(about),
    }
    agents = about.scores.rows.filter(pl.col("agent").is_not_null())
    if agents.height:
        named = agents.join(about.members.select("plant", group="value"), on="plant")
        found["agents"] = named.group_by("agent", "group").agg(scores=pl.len()).sort("agent", "group")
    return found


def curve(about: Material) -> pl.DataFrame:
    """Give the mean share missing (per cent, by fate) by group at five times up to the time of comparison."""
    rows = []
    plants = about.plants.select("plant", "value", "cluster")
    for piece in range(_PIECES + 1 if about.has_marked else 0):
        years = about.years * piece / _PIECES
        after = scored.leaves_after(about.rows, years, WINDOW, about.alive)
        table = plants.join(scored.plant_means(after), on="plant", how="left", maintain_order="left")
        known = table.filter(pl.col(scored.BY_FATE).is_not_null()).group_by("value").len()
        counts = dict(known.iter_rows())
        m = means_of(about, table, (scored.BY_FATE,))
        c = _each(m.values, m.doubt)
        for i, name in enumerate(about.names):
            if counts.get(name, 0) > 1:
                low = max(float(c[1][i]), 0.0)
                rows.append((name, years * MONTHS, float(c[0][i]), low, float(c[2][i]), counts[name]))
    return pl.DataFrame(rows, schema=_CURVE, orient="row")


def _each(values: np.ndarray[tuple[int], np.dtype[np.float64]], doubt: Uncertainty) -> tuple[list[float], ...]:
    found = doubt.linear(values, np.eye(len(values)))
    return found.estimate.tolist(), found.low.tolist(), found.high.tolist()


def vanished(about: Material) -> pl.DataFrame:
    """Count, by group, the marked leaves compared and what became of those that vanished."""
    leaves = about.rows.sort("plant", "leaf", "years").group_by("plant", "leaf", maintain_order=True)
    ends = leaves.agg(pl.col("fate").last(), group=pl.col("value").last())
    fate = pl.col("fate")
    return (
        ends.group_by("group")
        .agg(
            marked=pl.len(),
            still_there=(fate == scored.PRESENT).sum(),
            eaten=(fate == scored.EATEN).sum(),
            dropped=(fate == scored.ABSCISED).sum(),
            unknown=(fate == scored.UNKNOWN).sum(),
        )
        .sort("group")
    )


def cohorts(about: Material) -> pl.DataFrame:
    """Give the mean share missing (per cent, by fate) by group and year of marking, all marked leaves included."""
    every = pl.concat([about.rows, about.later])
    year = (pl.date(1970, 1, 1) + pl.duration(days=pl.col("marked_t").floor())).dt.year()
    every = every.with_columns(marked_in=year)
    parts = []
    for (marked_in,), own in every.group_by("marked_in"):
        after = scored.leaves_after(own, about.years, WINDOW, about.alive)
        means = scored.plant_means(after).join(about.members.select("plant", group="value"), on="plant")
        known = means.filter(pl.col(scored.BY_FATE).is_not_null())
        table = known.group_by("group").agg(
            plants=pl.len(),
            missing_pct=100 * pl.col(scored.BY_FATE).mean(),
            at_marking_pct=100 * pl.col("first").mean(),
        )
        parts.append(table.select(pl.lit(marked_in).cast(pl.Int64).alias("marked_in"), pl.all()))
    if not parts:
        return pl.DataFrame(schema={"marked_in": pl.Int64, "group": pl.String, "plants": pl.UInt32})
    return pl.concat(parts).sort("marked_in", "group")


def observers(about: Material) -> pl.DataFrame:
    """Give, by observer, the scores, the bias on calibration leaves and the spread of repeated scores (per cent)."""
    s = about.scores
    scores = s.rows.group_by("observer").agg(scores=pl.len())
    bias = s.calibration.group_by("observer").agg(calibrated=pl.len(), bias_pct=100 * pl.col("error").mean())
    again = s.repeats.group_by("observer").agg(
        repeated=pl.len(), repeat_sd_pct=100 * ((pl.col("error") ** 2).mean() / 2).sqrt()
    )
    joined = scores.join(bias, on="observer", how="full", coalesce=True, nulls_equal=True)
    return joined.join(again, on="observer", how="full", coalesce=True, nulls_equal=True).sort("observer")
