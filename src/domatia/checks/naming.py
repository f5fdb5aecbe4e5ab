"""What a person calls a thing: `plant 82 in FF-1, 2003`."""

import polars as pl

from domatia.checks.one_plant import all_plants, with_kept
from domatia.checks.written import written
from domatia.model import StudyData


def place_names(data: StudyData) -> pl.DataFrame:
    """Give the name of each place.

    Returns
    -------
    polars.DataFrame
        Columns `place` and `place_name`.
    """
    return data.table("place").select(pl.col("subject_id").alias("place"), pl.col("name").alias("place_name"))


def plant_names(data: StudyData) -> pl.DataFrame:
    """Give the name of each plant: its latest tag and its place; without a tag the first digits of its id.

    Returns
    -------
    polars.DataFrame
        Columns `plant`, `place`, `place_name` and `plant_name` (such as "plant 82 in FF-1").
    """
    tags = (
        with_kept(data.table("tag"), data)
        .filter(pl.col("plant").is_not_null())
        .sort("plant", pl.col("borne_earliest").fill_null(pl.date(1, 1, 1)), "tag", "subject_id")
        .group_by("plant")
        .agg(pl.col("tag").last().alias("_tag"))
    )
    short = pl.col("plant").bin.encode("hex").str.slice(0, 8)
    called = pl.coalesce(
        pl.concat_str([pl.lit("plant "), pl.col("_tag")]),
        pl.concat_str([pl.lit("plant without a tag ("), short, pl.lit(")")]),
    )
    return (
        all_plants(data)
        .select(pl.col("subject_id").alias("plant"), "place")
        .join(tags, on="plant", how="left")
        .join(place_names(data), on="place", how="left")
        .select(
            "plant",
            "place",
            "place_name",
            pl.coalesce(pl.concat_str([called, pl.lit(" in "), pl.col("place_name")]), called).alias("plant_name"),
        )
    )


def labelled(hits: pl.DataFrame, data: StudyData, when: str = "when") -> pl.DataFrame:
    """Add the names that a finding speaks with.

    Parameters
    ----------
    hits : polars.DataFrame
        With a column `plant` and, if `when` is not empty, its two date columns.
    data : StudyData
    when : str
        The date field told in the label; empty for none.

    Returns
    -------
    polars.DataFrame
        With `plant_name`, `label` and, for a date, `written`.
    """
    drop = [c for c in ("place", "place_name", "plant_name") if c in hits.columns]
    named = hits.drop(drop).join(plant_names(data), on="plant", how="left", maintain_order="left")
    plain = pl.col("plant_name").fill_null("a plant that is not in the study")
    named = named.with_columns(plain.alias("plant_name"))
    if not when:
        return named.with_columns(pl.col("plant_name").alias("label"))
    named = named.with_columns(written(when).alias("written"))
    dated = pl.concat_str([pl.col("plant_name"), pl.lit(", "), pl.col("written")])
    return named.with_columns(
        pl.coalesce(dated, "plant_name").alias("label"), pl.col("written").fill_null("no date").alias("written")
    )
