"""The moment at which something was recorded, and where on earth its plant stands."""

from datetime import datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import polars as pl

from domatia.model.study import StudyData

_DEEPEST = 6


def seconds_of(table: pl.DataFrame, column: str = "when") -> pl.Series:
    """Give seconds since 1970-01-01 00:00 UTC of each row's instant; null where no time of day was written."""
    text = table[f"{column}_instant"]
    moments = {t: datetime.fromisoformat(t).timestamp() for t in text.drop_nulls().unique().to_list()}
    return text.replace_strict(moments, default=None, return_dtype=pl.Float64).alias("seconds")


def clock_hours(seconds: pl.Series, zone: str) -> pl.Series:
    """Give the hour by the clock of a time zone, 0 to 24; that of UTC if there is no such zone."""
    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError):
        zone = "UTC"
    local = pl.from_epoch((seconds * 1e3).round().cast(pl.Int64), time_unit="ms").dt.replace_time_zone("UTC")
    local = local.dt.convert_time_zone(zone)
    return local.dt.hour() + local.dt.minute() / 60 + local.dt.second() / 3600


def coordinates(data: StudyData) -> pl.DataFrame:
    """Give where each plant stands on earth: its own coordinates, else those of the nearest place around it.

    Returns
    -------
    polars.DataFrame
        `plant`, `longitude`, `latitude` (degrees; null where neither the plant nor a place around it has both).
    """
    places = data.table("place").select(
        place="subject_id",
        above="within",
        longitude=pl.when(pl.col("latitude").is_not_null()).then("longitude"),
        latitude=pl.when(pl.col("longitude").is_not_null()).then("latitude"),
    )
    up = places
    for _ in range(_DEEPEST):
        over = places.select(above="place", next="above", longitude_="longitude", latitude_="latitude")
        up = up.join(over, on="above", how="left", maintain_order="left").select(
            "place", "next",
            longitude=pl.coalesce("longitude", "longitude_"), latitude=pl.coalesce("latitude", "latitude_"),
        ).rename({"next": "above"})  # fmt: skip
    whole = pl.col("own_longitude").is_not_null() & pl.col("own_latitude").is_not_null()
    plants = data.table("plant").select("place", plant="subject_id", own_longitude="longitude", own_latitude="latitude")
    joined = plants.join(up.drop("above"), on="place", how="left", maintain_order="left")
    return joined.select(
        "plant",
        longitude=pl.when(whole).then("own_longitude").otherwise("longitude"),
        latitude=pl.when(whole).then("own_latitude").otherwise("latitude"),
    ).sort("plant")
