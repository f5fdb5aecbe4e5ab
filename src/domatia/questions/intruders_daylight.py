"""Whether a trial was made by day or by night, by the sun and not by the clock."""

import numpy as np
import polars as pl

from domatia.histories.time_of_day import coordinates
from domatia.model import StudyData
from domatia.stats.sun import day_length, solar_hour


def with_day_part(table: pl.DataFrame, data: StudyData) -> pl.DataFrame:
    """Fill `day_part` where it is not written but the moment and the plant's place on earth are known.

    Parameters
    ----------
    table : polars.DataFrame
        `plant`, `seconds` (since 1970 UTC, null where no time of day is known), `day_part`.
    data : StudyData
    """
    rows = table.join(coordinates(data), on="plant", how="left", maintain_order="left")
    known = rows.select(pl.all_horizontal(pl.col("seconds", "longitude", "latitude").is_not_null()))["seconds"]
    if not known.any():
        return table
    own = rows.filter(known)
    seconds, east, north = (own[c].to_numpy() for c in ("seconds", "longitude", "latitude"))
    by_day = np.abs(solar_hour(seconds, east) - 12.0) < day_length(seconds, north) / 2.0
    told = pl.DataFrame({"record_id": own["record_id"], "sun": np.where(by_day, "day", "night").tolist()})
    joined = rows.join(told, on="record_id", how="left", maintain_order="left")
    return joined.with_columns(day_part=pl.coalesce("day_part", "sun")).drop("sun", "longitude", "latitude")
