"""Feeding trials: the share of each leaf that an animal ate, what leaves lost by themselves taken off."""

from dataclasses import dataclass

import polars as pl

from domatia.histories.moments import position
from domatia.model.study import StudyData

CHOICE, ALONE = "choice", "no choice"
NO_AREA = "the area offered or eaten is not written, or nothing was offered"
IMPOSSIBLE = "more eaten than was offered, or less than nothing"
CONTROL = "its control leaf lost all of its area, or more than it had"
NO_SOURCE = "not said"
OWN, OF_OTHERS, NONE = "own", "of others", "none"
ALL_LOST = 0.95
"""A control that lost so much tells nothing of what was eaten; common practice, no source."""


@dataclass(frozen=True)
class Feeding:
    """The feeding trials of a study.

    Attributes
    ----------
    table : polars.DataFrame
        `record_id`, `plant` (id or null), `t` (day since 1970 or null), `source`, `consumer`, `animal` (which one was
        fed; the dish where it is not named), `animal_named`, `dish`, `kind` ("choice" where leaves of a dish differ in
        source or plant, else "no choice"), `offered_cm2`, `lost` (share of the leaf that was gone), `control` (share
        that a leaf loses by itself), `control_from` ("own", "of others", "none"), `share` (eaten, of what was
        offered), `hours`. Sorted by `record_id`.
    left_out : dict of str to list of bytes
    """

    table: pl.DataFrame
    left_out: dict[str, list[bytes]]


def feeding(data: StudyData) -> Feeding:
    """Read the feeding trials.

    With m the share of the leaf that is gone and s the share that its ungrazed control lost, (m - s) / (1 - s) was
    eaten, since what was eaten could not shrink (Abbott 1925, J. Econ. Entomol. 18:265-267). It may come out below
    nought; that is kept, since cutting it off would raise the mean. A leaf without a control takes the mean control
    loss of its source, else of all leaves; without any control nothing is taken off.
    """
    rows = data.table("palatability").sort("record_id").with_columns(t=position())
    offered, eaten = pl.col("offered_cm2"), pl.col("eaten_cm2")
    spare = pl.coalesce("control_offered_cm2", "offered_cm2")
    rows = rows.with_columns(lost=eaten / offered, own=pl.col("control_loss_cm2") / spare)
    reason = (
        pl.when(offered.is_null() | eaten.is_null() | (offered <= 0)).then(pl.lit(NO_AREA))
        .when((eaten > offered) | (eaten < 0)).then(pl.lit(IMPOSSIBLE))
        .when((pl.col("own") > ALL_LOST) | (pl.col("own") < 0)).then(pl.lit(CONTROL))
    )  # fmt: skip
    marked = rows.with_columns(reason=reason)
    left = marked.filter(pl.col("reason").is_not_null()).group_by("reason").agg(pl.col("record_id").sort())
    kept = marked.filter(pl.col("reason").is_null()).with_columns(
        source=pl.col("leaf_source").fill_null(NO_SOURCE), consumer=pl.col("consumer").fill_null(NO_SOURCE)
    )
    dish = pl.format("{} {}", pl.col("dish"), pl.col("when_earliest").cast(pl.String).fill_null("undated"))
    kept = kept.with_columns(dish=pl.coalesce(dish, pl.col("record_id").bin.encode("hex")))
    own = pl.col("own")
    kept = kept.with_columns(
        control=pl.coalesce(own, own.mean().over("source"), own.mean(), pl.lit(0.0)),
        control_from=pl.when(own.is_not_null()).then(pl.lit(OWN)).when(own.count() > 0).then(pl.lit(OF_OTHERS))
        .otherwise(pl.lit(NONE)),
        animal_named=pl.col("animal").is_not_null(),
        animal=pl.coalesce(pl.format("{} {}", "consumer", "animal"), "dish"),
    )  # fmt: skip
    what = pl.struct("source", pl.col("plant"))
    table = kept.with_columns(
        share=(pl.col("lost") - pl.col("control")) / (1.0 - pl.col("control")),
        kind=pl.when(what.n_unique().over("dish") > 1).then(pl.lit(CHOICE)).otherwise(pl.lit(ALONE)),
    )
    return Feeding(
        table.select(
            "record_id", "plant", "t", "source", "consumer", "animal", "animal_named", "dish", "kind", "offered_cm2",
            "lost", "control", "control_from", "share", "hours",
        ),
        dict(sorted(left.iter_rows())),
    )  # fmt: skip
