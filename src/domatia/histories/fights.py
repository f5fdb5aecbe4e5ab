"""Fights between colonies: who fought whom, with how many, who died, and what is known of the outcome."""

from dataclasses import dataclass

import polars as pl

from domatia.histories.looks import UNNAMED
from domatia.model.study import StudyData

STAGED, NATURAL, NOT_SAID = "staged fights", "natural fights", "fights not said to be staged or natural"
FIRST, SECOND, DRAWN, STOPPED, NOT_TOLD = "first", "second", "drawn", "stopped", "not told"

ITSELF = "the same colony stands on both sides, or one side is not named"
NO_COLONY = "a colony of it is not in the study"
TOO_MANY_DEAD = "more dead than workers, or everybody on both sides dead"
NOTHING_TOLD = "it tells neither who won nor who died, or not of how many"


@dataclass(frozen=True)
class Fights:
    """The fights of a study.

    Attributes
    ----------
    table : polars.DataFrame
        `record_id`, `colony_a`, `colony_b` (ids), `ant_a`, `ant_b` (names), `kind` (staged, natural, not said),
        `workers_a`, `workers_b`, `dead_a`, `dead_b` (null where not counted), `outcome` ("first", "second", "drawn",
        "stopped", "not told"), `home` (1 where the second side was carried to the first, -1 where the first was, 0
        else), `carried_told`, `ended`, `winner`. Sorted by `record_id`.
    left_out : dict of str to list of bytes
        Records that no part of an answer can use, by reason.
    """

    table: pl.DataFrame
    left_out: dict[str, list[bytes]]


def fights(data: StudyData) -> Fights:
    """Read the fights.

    A fight stopped by the clock or disturbed has no outcome, also where a winner stands beside it: nobody knows who
    would have won. "none" as the winner is a drawn fight unless it was stopped.
    """
    ants = data.table("taxon").select(taxon="subject_id", ant="name")
    colonies = data.table("colony").join(ants, on="taxon", how="left").select("subject_id", "ant")
    colonies = colonies.with_columns(pl.col("ant").fill_null(UNNAMED), there=pl.lit(True))
    rows = data.table("fight").sort("record_id")
    for side in ("a", "b"):
        named = colonies.rename({"subject_id": f"colony_{side}", "ant": f"ant_{side}", "there": f"there_{side}"})
        rows = rows.join(named, on=f"colony_{side}", how="left", maintain_order="left")
    reason = (
        pl.when(
            pl.col("colony_a").is_null() | pl.col("colony_b").is_null() | (pl.col("colony_a") == pl.col("colony_b"))
        )
        .then(pl.lit(ITSELF))
        .when(pl.col("there_a").is_null() | pl.col("there_b").is_null())
        .then(pl.lit(NO_COLONY))
        .when(_impossible())
        .then(pl.lit(TOO_MANY_DEAD))
        .when(~_tells_something())
        .then(pl.lit(NOTHING_TOLD))
    )
    marked = rows.with_columns(_kind().alias("kind"), _outcome().alias("outcome"), *_home(), reason=reason)
    out = marked.filter(pl.col("reason").is_not_null()).group_by("reason").agg(pl.col("record_id").sort())
    kept = marked.filter(pl.col("reason").is_null())
    return Fights(
        kept.select(
            "record_id", "colony_a", "colony_b", "ant_a", "ant_b", "kind", "workers_a", "workers_b", "dead_a",
            "dead_b", "outcome", "home", "carried_told", "ended", "winner",
        ),
        dict(sorted(out.iter_rows())),
    )  # fmt: skip


def counted() -> pl.Expr:
    """Tell of each row whether the workers of both sides were counted, and there were some."""
    return (pl.col("workers_a") > 0).fill_null(False) & (pl.col("workers_b") > 0).fill_null(False)


def dead_counted() -> pl.Expr:
    """Tell of each row whether workers and dead of both sides were counted."""
    return counted() & pl.col("dead_a").is_not_null() & pl.col("dead_b").is_not_null()


def decided() -> pl.Expr:
    """Tell of each row whether one side won."""
    return pl.col("outcome").is_in([FIRST, SECOND])


def _impossible() -> pl.Expr:
    above = (pl.col("dead_a") > pl.col("workers_a")) | (pl.col("dead_b") > pl.col("workers_b"))
    negative = (pl.col("dead_a") < 0) | (pl.col("dead_b") < 0)
    all_dead = (pl.col("dead_a") >= pl.col("workers_a")) & (pl.col("dead_b") >= pl.col("workers_b"))
    return above.fill_null(False) | negative.fill_null(False) | all_dead.fill_null(False)


def _tells_something() -> pl.Expr:
    return pl.col("winner").is_not_null() | dead_counted()


def _kind() -> pl.Expr:
    staged = pl.col("staged")
    return pl.when(staged).then(pl.lit(STAGED)).when(staged.not_()).then(pl.lit(NATURAL)).otherwise(pl.lit(NOT_SAID))


def _outcome() -> pl.Expr:
    stopped = pl.col("ended").is_in(["time up", "disturbed"]).fill_null(False)
    winner = pl.col("winner")
    return (
        pl.when(stopped).then(pl.lit(STOPPED))
        .when(winner == "a").then(pl.lit(FIRST))
        .when(winner == "b").then(pl.lit(SECOND))
        .when(winner == "none").then(pl.lit(DRAWN))
        .otherwise(pl.lit(NOT_TOLD))
    )  # fmt: skip


def _home() -> list[pl.Expr]:
    carried = pl.col("carried")
    home = pl.when(carried == "b").then(1).when(carried == "a").then(-1).otherwise(0)
    return [home.cast(pl.Int64).alias("home"), carried.is_not_null().alias("carried_told")]
