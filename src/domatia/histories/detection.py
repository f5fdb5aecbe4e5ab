"""How many of the plants that were alive did a round find? Estimated from plants found again later."""

import polars as pl

from domatia.histories.deaths import Deaths


def detection_by_date(deaths: Deaths, width_days: float = 30.4375) -> pl.DataFrame:
    """Give, by time, the share of living plants that were found when looked for.

    A plant looked for at a visit was certainly alive then if it was seen alive at that visit or at a later one. Of
    these, the share whose visit says "alive" is the detection.

    Parameters
    ----------
    deaths : Deaths
    width_days : float
        Visits are gathered in steps of so many days; bare years come out one by one.

    Returns
    -------
    polars.DataFrame
        `t` (day since 1970, middle of the step), `looked_for`, `found`, `share`; sorted by `t`.
    """
    looked = deaths.visits.filter(pl.col("status").is_in(["alive", "not found"]))
    last = looked.filter(pl.col("status") == "alive").group_by("plant").agg(last_alive=pl.col("t").max())
    sure = looked.join(last, on="plant").filter(pl.col("t") <= pl.col("last_alive"))
    # the last visit alive of each plant is "found" by definition and would flatter the share
    sure = sure.filter(pl.col("t") < pl.col("last_alive"))
    step = (pl.col("t") / width_days).floor()
    return (
        sure.group_by(step.alias("step"))
        .agg(t=pl.col("t").mean(), looked_for=pl.len(), found=(pl.col("status") == "alive").sum())
        .with_columns(share=pl.col("found") / pl.col("looked_for"))
        .sort("step")
        .drop("step")
    )
