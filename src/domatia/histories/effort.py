"""How much was visited: places by rounds."""

import polars as pl

from domatia.histories.facts import plant_facts
from domatia.model.study import StudyData


def effort_by_place(data: StudyData) -> pl.DataFrame:
    """Give, for each place and year, the plants looked for and what became of the look.

    Returns
    -------
    polars.DataFrame
        `place`, `year`, `visits`, `alive`, `dead`, `not_found`, `not_visited`; sorted.
    """
    facts = plant_facts(data).select("plant", "place_name")
    visits = data.table("visit").filter(pl.col("when_earliest").is_not_null()).join(facts, on="plant", how="left")
    status = pl.col("status")
    return (
        visits.group_by(place=pl.col("place_name").fill_null("no place"), year=pl.col("when_earliest").dt.year())
        .agg(
            visits=pl.len(),
            alive=(status == "alive").sum(),
            dead=status.is_in(["dead confirmed", "no live tissue"]).sum(),
            not_found=(status == "not found").sum(),
            not_visited=(status == "not visited").sum(),
        )
        .sort("place", "year")
    )


def effort_by_year(data: StudyData) -> pl.DataFrame:
    """Give the same by year only, with the number of places visited."""
    per = effort_by_place(data)
    visited = pl.col("visits") > pl.col("not_visited")
    return (
        per.group_by("year")
        .agg(
            visited.sum().alias("places"),
            *[pl.col(c).sum() for c in ("visits", "alive", "dead", "not_found", "not_visited")],
        )
        .sort("year")
    )
