"""Which plants stand near each other: by coordinates within one plot."""

import polars as pl

from domatia.checks.one_plant import plants
from domatia.checks.places import scopes
from domatia.model import StudyData


def positions(data: StudyData) -> pl.DataFrame:
    """Give each plant's plot, subplot and coordinates.

    Returns
    -------
    polars.DataFrame
        `plant`, `plot`, `subplot`, `x_m`, `y_m`.
    """
    return (
        plants(data)
        .select(pl.col("subject_id").alias("plant"), "place", "subplot", "x_m", "y_m")
        .join(scopes(data, "plot").rename({"scope": "plot"}), on="place", how="left")
        .select("plant", "plot", "subplot", "x_m", "y_m")
    )


def near_pairs(placed: pl.DataFrame, within_m: float) -> pl.DataFrame:
    """Pair the plants of a plot that stand nearer than a distance.

    Parameters
    ----------
    placed : polars.DataFrame
        With `plant`, `plot`, `x_m` and `y_m`; rows without a plot or coordinates are left out.
    within_m : float
        Pairs at this distance or farther are left out.

    Returns
    -------
    polars.DataFrame
        `plant`, `other` (each pair both ways round) and `distance_m`.
    """
    known = placed.drop_nulls(["plot", "x_m", "y_m"]).select("plant", "plot", "x_m", "y_m")
    cells = known.with_columns(
        (pl.col("x_m") / within_m).floor().cast(pl.Int64).alias("i"),
        (pl.col("y_m") / within_m).floor().cast(pl.Int64).alias("j"),
    )
    around = pl.DataFrame(
        {"di": [a for a in (-1, 0, 1) for _ in range(3)], "dj": [b for _ in range(3) for b in (-1, 0, 1)]}
    )
    spread = cells.join(around, how="cross").with_columns(
        (pl.col("i") + pl.col("di")).alias("i"), (pl.col("j") + pl.col("dj")).alias("j")
    )
    other = cells.select(
        "plot", "i", "j", pl.col("plant").alias("other"), pl.col("x_m").alias("x2"), pl.col("y_m").alias("y2")
    )
    apart = ((pl.col("x_m") - pl.col("x2")) ** 2 + (pl.col("y_m") - pl.col("y2")) ** 2).sqrt()
    return (
        spread.join(other, on=["plot", "i", "j"])
        .filter(pl.col("plant") != pl.col("other"))
        .select("plant", "other", apart.alias("distance_m"))
        .filter(pl.col("distance_m") < within_m)
        .sort("plant", "distance_m", "other")
    )
