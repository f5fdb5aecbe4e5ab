"""What is known of each plant besides its visits: where it stands, in which block, under which treatment."""

import polars as pl

from domatia.model.errors import WrongUse
from domatia.model.fields import fields_of
from domatia.model.study import StudyData

_PLACE_WORDS = ("habitat",)
_DEEPEST = 6


def _places(data: StudyData) -> pl.DataFrame:
    """Give each place with the names of its plot, block and site and the nearest habitat above it."""
    places = data.table("place").select("subject_id", "name", "level", "within", "habitat")
    up = places.select(
        place="subject_id",
        above="within",
        habitat="habitat",
        plot=pl.when(pl.col("level") == "plot").then("subject_id"),
        block=pl.when(pl.col("level") == "block").then("subject_id"),
        site=pl.when(pl.col("level") == "site").then("subject_id"),
    )
    for _ in range(_DEEPEST):
        if up["above"].null_count() == up.height:
            break
        over = places.select(above="subject_id", next="within", level_="level", habitat_="habitat")
        up = (
            up.join(over, on="above", how="left")
            .with_columns(
                habitat=pl.coalesce("habitat", "habitat_"),
                plot=pl.coalesce("plot", pl.when(pl.col("level_") == "plot").then("above")),
                block=pl.coalesce("block", pl.when(pl.col("level_") == "block").then("above")),
                site=pl.coalesce("site", pl.when(pl.col("level_") == "site").then("above")),
            )
            .select("place", "habitat", "plot", "block", "site", above="next")
        )
    return up.drop("above")


def plant_facts(data: StudyData) -> pl.DataFrame:
    """Give one row a plant: its own fields, its places, its treatment and the group within which it was drawn.

    Returns
    -------
    polars.DataFrame
        The plant's fields, and `plant` (its id), `place_name`, `habitat`, `plot`, `block`, `site` (ids or null),
        `treatment`, `role` (names, null for plants outside the experiment), `start_earliest`, `start_latest` (first
        day of the treatment), `group` (id of the block of the draw, else of the block, plot or place that the plant
        stands in, else its own id: the cluster of every interval) and `group_name`. Sorted by `plant`.
    """
    plants = data.table("plant")
    own = [c for f in fields_of("plant") for c in f.stored_columns]
    facts = plants.select(pl.col("subject_id").alias("plant"), "record_id", *own)
    facts = facts.join(_places(data), on="place", how="left")
    names = data.table("place").select("subject_id", "name")
    facts = facts.join(names.rename({"subject_id": "place", "name": "place_name"}), on="place", how="left")
    facts = facts.join(_drawn(data), on="plant", how="left")
    facts = facts.with_columns(group=pl.coalesce("drawn_in", "block", "plot", "place", "plant"))
    facts = facts.join(names.rename({"subject_id": "group", "name": "group_name"}), on="group", how="left")
    return facts.drop("drawn_in").sort("plant")


def _drawn(data: StudyData) -> pl.DataFrame:
    given = data.table("assignment").select("plant", "treatment", "start_earliest", "start_latest", drawn_in="block")
    named = data.table("treatment").select(treatment="subject_id", treatment_name="name", role="role")
    return (
        given.join(named, on="treatment", how="left")
        .drop("treatment")
        .rename({"treatment_name": "treatment"})
        .sort("plant", "start_earliest", "treatment")
        .unique("plant", keep="first", maintain_order=True)
    )


def contrast_columns(facts: pl.DataFrame) -> tuple[str, ...]:
    """Give the names of the columns by which plants can be contrasted or adjusted."""
    hidden = {
        "plant", "record_id", "group", "group_name", "role", "place", "plot", "block", "site", "resprout_of", "note",
    }  # fmt: skip
    return tuple(c for c in facts.columns if c not in hidden and not c.endswith(("_earliest", "_latest")))


def checked_column(facts: pl.DataFrame, name: str, option: str) -> str:
    """Give the column of that name if plants can be contrasted by it.

    Raises
    ------
    WrongUse
        If there is no such column or it holds nothing in this study.
    """
    allowed = contrast_columns(facts)
    if name not in allowed:
        raise WrongUse(f"{option} {name}: plants and their places have no such field", allowed, name=name)
    if facts[name].null_count() == facts.height:
        raise WrongUse(
            f"{option} {name}: no plant of this study has a value there",
            [c for c in allowed if facts[c].null_count() < facts.height],
            "Choose a field that was recorded.",
        )
    return name
