"""Rows between two known states, for models of the hazard: who was at risk from when to when, and died in between."""

import polars as pl

from domatia.histories.deaths import Deaths, followed
from domatia.histories.looks import DIED, last_known
from domatia.model.dates import DAYS_A_YEAR

ROW = {"plant": pl.Binary, "start": pl.Float64, "stop": pl.Float64, "died": pl.Boolean}


def rows_of_plants(table: pl.DataFrame) -> pl.DataFrame:
    """Give at most two rows a plant: alive from its start until last seen alive, and died between then and found dead.

    Parameters
    ----------
    table : polars.DataFrame
        `plant`, `left`, `right` in days, as `domatia.histories.deaths.followed` gives them.

    Returns
    -------
    polars.DataFrame
        `plant`, `start`, `stop` (years since the plant's start), `died`; sorted by `plant`, `start`.
    """
    alive = table.filter(pl.col("left") > 0).select(
        "plant", start=pl.lit(0.0), stop=pl.col("left") / DAYS_A_YEAR, died=pl.lit(False)
    )
    died = table.filter(pl.col("right").is_not_null()).select(
        "plant", start=pl.col("left") / DAYS_A_YEAR, stop=pl.col("right") / DAYS_A_YEAR, died=pl.lit(True)
    )
    return pl.concat([alive, died]).sort("plant", "start")


def rows_of_looks(deaths: Deaths, seen: pl.DataFrame) -> pl.DataFrame:
    """Give a row for every step between two visits that saw the plant alive or dead, with the state at its beginning.

    The state is that of the latest look at or before the beginning of the row, never that of the visit at its end.

    Parameters
    ----------
    deaths : Deaths
    seen : polars.DataFrame
        As `domatia.histories.looks.after_removals` gives them.

    Returns
    -------
    polars.DataFrame
        `plant`, `start`, `stop` (years since the plant's start), `died`, `known` (state, null before the first look).
    """
    kept = followed(deaths).select("plant", "origin", "right")
    steps = last_known(seen, "after").join(kept, on="plant").with_columns(t=pl.col("t") - pl.col("origin"))
    steps = steps.filter(pl.col("right").is_null() | (pl.col("t") <= pl.col("right")))
    steps = steps.filter((pl.col("state") != DIED) | (pl.col("t") == pl.col("right")))
    steps = steps.sort("plant", "t", "record_id").unique(["plant", "t"], keep="last", maintain_order=True)
    steps = steps.with_columns(stop=pl.col("t").shift(-1).over("plant"), ends=pl.col("state").shift(-1).over("plant"))
    rows = steps.filter(pl.col("stop").is_not_null() & (pl.col("stop") > 0))
    return rows.select(
        "plant",
        "known",
        start=pl.col("t").clip(lower_bound=0.0) / DAYS_A_YEAR,
        stop=pl.col("stop") / DAYS_A_YEAR,
        died=pl.col("ends") == DIED,
    ).sort("plant", "start")
