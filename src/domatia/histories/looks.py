"""Who lived on each plant at each look: vacant, founded, held by an ant, or not known."""

from typing import Literal

import polars as pl

from domatia.histories.deaths import DEAD
from domatia.histories.moments import position
from domatia.model.study import StudyData

HELD_STAGES = ("patrolling", "established", "with alates", "failing")
FOUNDING_STAGES = ("founding queen", "incipient")
VACANT, FOUNDING, UNKNOWN, DIED, UNNAMED = "vacant", "founding", "unknown", "dead", "unnamed ant"

REMOVALS = ("mechanical removal", "insecticide")

Counts = Literal["patrolling workers", "live queen"]


def looks(data: StudyData, counts: Counts = "patrolling workers") -> pl.DataFrame:
    """Give the state of each plant at each dated visit that says whether it lived.

    A "dead" that a later visit disproved says nothing and is left out.

    Parameters
    ----------
    data : StudyData
    counts : {"patrolling workers", "live queen"}
        From which stage on a plant counts as held by an ant: workers that patrol, or already a live founding queen.
        With the first, a plant with a founding queen or an incipient colony is in the state "founding".

    Returns
    -------
    polars.DataFrame
        `plant`, `record_id` (of the visit), `t` (day since 1970), `looked` (whether anybody looked for ants), `state`
        ("vacant", "founding", the ant's name, "unnamed ant", "several", "unknown", "dead") and `could_be` (the states
        that it may have been, for "several"; empty otherwise). One row a plant and moment: of two visits at the same
        moment the one that says more counts. Sorted by `plant`, `t`.
    """
    seen = data.table("visit").filter(pl.col("repeat_of").is_null())
    seen = seen.select("plant", "record_id", "status", visit="subject_id", t=position())
    seen = seen.filter(pl.col("t").is_not_null() & pl.col("status").is_in(["alive", *DEAD]))
    held = HELD_STAGES if counts == "patrolling workers" else (*HELD_STAGES, *FOUNDING_STAGES)
    names = data.table("taxon").select(taxon="subject_id", ant="name")
    rows = data.table("occupancy").join(names, on="taxon", how="left", maintain_order="left")
    rows = rows.with_columns(
        holder=pl.when(pl.col("looked") & pl.col("stage").is_in(held)).then(pl.col("ant").fill_null(UNNAMED)),
        founds=pl.col("looked") & pl.col("stage").is_in([s for s in FOUNDING_STAGES if s not in held]),
    )
    per_visit = rows.group_by("visit").agg(
        looked=pl.col("looked").any(),
        holders=pl.col("holder").drop_nulls().unique().sort(),
        founds=pl.col("founds").any(),
        told=(pl.col("stage").is_not_null() | ~pl.col("looked")).all(),
    )
    joined = seen.join(per_visit, on="visit", how="left").with_columns(n=pl.col("holders").list.len().fill_null(0))
    looked = pl.col("looked").fill_null(False)
    state = (
        pl.when(pl.col("status").is_in(DEAD)).then(pl.lit(DIED))
        .when(~looked | ~pl.col("told").fill_null(False)).then(pl.lit(UNKNOWN))
        .when(pl.col("n") > 1).then(pl.lit("several"))
        .when(pl.col("n") == 1).then(pl.col("holders").list.first())
        .when(pl.col("founds")).then(pl.lit(FOUNDING))
        .otherwise(pl.lit(VACANT))
    )  # fmt: skip
    nothing = pl.lit([], dtype=pl.List(pl.String))
    last_alive = pl.col("t").filter(pl.col("status") == "alive").max().over("plant")
    disproved = pl.col("status").is_in(DEAD) & last_alive.is_not_null() & (pl.col("t") <= last_alive)
    return (
        joined.with_columns(looked=looked, state=state)
        .filter(~disproved)
        .with_columns(could_be=pl.when(pl.col("state") == "several").then(pl.col("holders")).otherwise(nothing))
        .select("plant", "record_id", "t", "looked", "state", "could_be")
        .sort("plant", "t", pl.col("state") == UNKNOWN, "record_id")
        .unique(["plant", "t"], keep="first", maintain_order=True)
    )


def last_known(table: pl.DataFrame, column: str = "state") -> pl.DataFrame:
    """Add `known`: the state at the latest look at or before each row, null before the first one.

    "unknown" is not a look. "several" is. With `column` = "after" ants taken off on the day of a look are gone.
    """
    said = pl.when(~pl.col(column).is_in([UNKNOWN, DIED])).then(pl.col(column))
    return table.with_columns(known=said.forward_fill().over("plant"))


def after_removals(table: pl.DataFrame, data: StudyData) -> pl.DataFrame:
    """Add `after`: the state with which the step to the next look began.

    It is "vacant" where ants were taken off between the look and the next one (the crew looks first and treats on the
    same day or soon after), else what the look saw.
    """
    acts = data.table("intervention").filter(pl.col("kind").is_in(REMOVALS) & pl.col("plant").is_not_null())
    acts = acts.select("plant", t=position()).filter(pl.col("t").is_not_null()).unique().sort("t")
    seen = table.select("plant", "record_id", "t").sort("t")
    before = acts.join_asof(seen, on="t", by="plant", strategy="backward", check_sortedness=False)
    cleared = before.select("record_id").drop_nulls().unique().with_columns(cleared=True)
    marked = table.join(cleared, on="record_id", how="left", maintain_order="left")
    after = pl.when(pl.col("cleared") & (pl.col("state") != DIED)).then(pl.lit(VACANT)).otherwise("state")
    return marked.with_columns(after=after).drop("cleared")


def roles_of(data: StudyData) -> dict[str, str]:
    """Give the role of each ant on this host: from the study's own table, else from the profile."""
    named = data.table("taxon_role").join(
        data.table("taxon").select(taxon="subject_id", ant="name"), on="taxon", how="inner"
    )
    own = dict(named.select("ant", "role").sort("ant", "role").iter_rows())
    return {**data.profile.taxa, **own}
