"""Between which two visits did each plant die? Deaths are never dated, only bracketed."""

from dataclasses import dataclass

import polars as pl

from domatia.histories.moments import Grain, grain_of, position
from domatia.model.study import StudyData

DEAD = ("dead confirmed", "no live tissue")

SEEN_ONCE = "seen alive once and never found dead, so it was followed for no time"
NEVER_ALIVE = "never seen alive"
NO_DATE = "the date of the visit is missing"


@dataclass(frozen=True)
class Deaths:
    """One row a plant that was ever seen alive, in days from its own start.

    Attributes
    ----------
    table : polars.DataFrame
        `plant`, `origin` (day since 1970 from which its time counts: the first day of its treatment, else the day it
        was first seen alive), `left` (last seen alive), `right` (first found dead, null if never), `visits`,
        `lost` (first not-found visit after the last one alive, null if none; days), `last_look` (last visit of any
        kind), `died_single` (its death rests on one visit without live tissue).
    left_out : dict of str to list of bytes
        Plants (record ids) without a row, by reason.
    back : int
        Plants found dead and later seen alive; their earlier "dead" does not count.
    grain : {"day", "month", "year", "mixed"}
    visits : polars.DataFrame
        The dated visits used: `plant`, `record_id`, `t` (day since 1970), `status`.
    """

    table: pl.DataFrame
    left_out: dict[str, list[bytes]]
    back: int
    grain: Grain
    visits: pl.DataFrame


def death_intervals(data: StudyData, starts: pl.DataFrame | None = None) -> Deaths:
    """Bracket the death of each plant between the last visit that saw it alive and the first that found it dead.

    A visit that did not find the plant, did not search its place or says nothing about it ends no interval. A "dead"
    that is followed by a visit that saw the plant alive does not count. A plant seen alive before its treatment began
    is taken to be alive on the first day of the treatment.

    Parameters
    ----------
    data : StudyData
    starts : polars.DataFrame, optional
        `plant`, `start` (day since 1970): the first day of the treatment of the plants that have one.
    """
    seen = data.table("visit").filter(pl.col("repeat_of").is_null())
    visits = seen.select("plant", "record_id", "status", t=position()).sort("plant", "t", "record_id")
    dated = visits.filter(pl.col("t").is_not_null())
    alive = dated.filter(pl.col("status") == "alive")
    dead = dated.filter(pl.col("status").is_in(DEAD))
    last = alive.group_by("plant").agg(first_alive=pl.col("t").min(), last_alive=pl.col("t").max())
    after = dead.join(last, on="plant")
    ends = (
        after.filter(pl.col("t") > pl.col("last_alive"))
        .group_by("plant")
        .agg(found_dead=pl.col("t").min(), dead_visits=pl.len(), confirmed=(pl.col("status") == "dead confirmed").any())
    )
    back = after.filter(pl.col("t") <= pl.col("last_alive"))["plant"].n_unique()
    missed = dated.filter(pl.col("status") == "not found").join(last, on="plant")
    lost = missed.filter(pl.col("t") > pl.col("last_alive")).group_by("plant").agg(lost_at=pl.col("t").min())
    looks = (
        dated.filter(pl.col("status") != "not visited").group_by("plant").agg(visits=pl.len(), final=pl.col("t").max())
    )
    table = (
        last.join(ends, on="plant", how="left").join(lost, on="plant", how="left").join(looks, on="plant", how="left")
    )
    begun = starts if starts is not None else pl.DataFrame(schema={"plant": pl.Binary, "start": pl.Float64})
    table = table.join(begun, on="plant", how="left").with_columns(origin=pl.coalesce("start", "first_alive"))
    table = table.select(
        "plant",
        "origin",
        "visits",
        left=pl.col("last_alive") - pl.col("origin"),
        right=pl.col("found_dead") - pl.col("origin"),
        lost=pl.col("lost_at") - pl.col("origin"),
        last_look=pl.col("final") - pl.col("origin"),
        died_single=(pl.col("dead_visits") == 1) & ~pl.col("confirmed"),
    ).sort("plant")
    plants = data.table("plant").select("record_id", plant="subject_id")
    never = plants.join(table, on="plant", how="anti").sort("plant")["record_id"].to_list()
    left_out = {NEVER_ALIVE: never} if never else {}
    undated = visits.filter(pl.col("t").is_null())["record_id"].to_list()
    if undated:
        left_out[NO_DATE] = undated
    return Deaths(table, left_out, back, grain_of(seen), dated)


def followed(deaths: Deaths) -> pl.DataFrame:
    """Give the plants that were followed for some time: found dead, or seen alive again after their start.

    A plant found dead is bracketed from the later of its start and the last visit that saw it alive.
    """
    kept = deaths.table.filter((pl.col("left") > 0) | pl.col("right").is_not_null())
    kept = kept.filter(pl.col("right").is_null() | (pl.col("right") > 0))
    return kept.with_columns(left=pl.col("left").clip(lower_bound=0.0))


def not_followed(deaths: Deaths) -> pl.DataFrame:
    """Give the plants of the table that `followed` leaves out."""
    return deaths.table.join(followed(deaths).select("plant"), on="plant", how="anti")
