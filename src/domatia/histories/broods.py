"""Broods of a specialist enemy: eggs, larvae and survivors on a plant, and the ants that were there."""

from dataclasses import dataclass

import polars as pl

from domatia.histories.facts import plant_facts
from domatia.histories.looks import FOUNDING, UNNAMED, VACANT, after_removals, looks, roles_of
from domatia.histories.moments import position
from domatia.model.study import StudyData

OTHER_ENEMY = "a brood of another enemy than the one most often recorded"
IMPOSSIBLE = "more survivors than larvae"
NOTHING = "neither eggs nor larvae were counted"
STRANGER = "its plant is not in the study"
DEFENDED, OTHER_ANT, EMPTY, NOT_KNOWN = "defending ant", "other ant", "no ants", "not known"


@dataclass(frozen=True)
class Broods:
    """The broods of one enemy.

    Attributes
    ----------
    table : polars.DataFrame
        `record_id`, `plant`, `cluster` (integer: the plant's block), `t` (day since 1970), `eggs`, `larvae`,
        `survivors`, `area` (cm2; null where not measured or nought), `ants` ("defending ant", "other ant", "no ants",
        "not known": at the latest look at or before the brood was seen), `start` (day of the plant's treatment).
        Sorted by `record_id`.
    enemy : str
        Empty if no enemy is named.
    left_out : dict of str to list of bytes
    """

    table: pl.DataFrame
    enemy: str
    left_out: dict[str, list[bytes]]


def broods(data: StudyData) -> Broods:
    """Read the broods of the enemy most often recorded."""
    facts = plant_facts(data).select("plant", "group", start=position("start"))
    rows = data.table("brood").sort("record_id").join(facts, on="plant", how="left", maintain_order="left")
    names = rows["enemy"].drop_nulls().value_counts(name="n").sort(["n", "enemy"], descending=[True, False])
    enemy = names["enemy"][0] if names.height else ""
    reason = (
        pl.when(pl.col("group").is_null())
        .then(pl.lit(STRANGER))
        .when(pl.col("enemy").fill_null(enemy) != enemy)
        .then(pl.lit(OTHER_ENEMY))
        .when(pl.col("eggs").is_null() & pl.col("larvae").is_null())
        .then(pl.lit(NOTHING))
        .when((pl.col("survivors") > pl.col("larvae")).fill_null(False))
        .then(pl.lit(IMPOSSIBLE))
    )
    marked = rows.with_columns(reason=reason, t=position())
    out = marked.filter(pl.col("reason").is_not_null()).group_by("reason").agg(pl.col("record_id").sort())
    area = pl.when(pl.col("leaf_area_cm2") > 0).then("leaf_area_cm2")
    kept = _with_ants(marked.filter(pl.col("reason").is_null()), data).with_columns(
        cluster=pl.col("group").rank("dense").cast(pl.Int64) - 1, area=area.cast(pl.Float64)
    )
    columns = ("record_id", "plant", "cluster", "t", "eggs", "larvae", "survivors", "area", "ants", "start")
    return Broods(kept.select(columns).sort("record_id"), enemy, dict(sorted(out.iter_rows())))


def _with_ants(rows: pl.DataFrame, data: StudyData) -> pl.DataFrame:
    """Add the ants seen at or before each brood; ants taken off since then are gone."""
    seen = after_removals(looks(data), data).filter(~pl.col("state").is_in(["unknown", "dead"]))
    seen = seen.select("plant", "state", "after", look="t").sort("look")
    dated = rows.filter(pl.col("t").is_not_null()).sort("t")
    found = dated.join_asof(seen, left_on="t", right_on="look", by="plant", strategy="backward", check_sortedness=False)
    found = found.with_columns(state=pl.when(pl.col("look") == pl.col("t")).then("state").otherwise("after")).select(
        "record_id", "state"
    )
    roles = roles_of(data)
    named = set(data.table("taxon")["name"].to_list())
    defenders = [a for a, r in roles.items() if r == "defender"] or sorted(named)
    ants = (
        pl.when(pl.col("state") == VACANT).then(pl.lit(EMPTY))
        .when(pl.col("state").is_in([*defenders, UNNAMED])).then(pl.lit(DEFENDED))
        .when(pl.col("state").is_null() | (pl.col("state") == FOUNDING)).then(pl.lit(NOT_KNOWN))
        .otherwise(pl.lit(OTHER_ANT))
    )  # fmt: skip
    return rows.join(found, on="record_id", how="left", maintain_order="left").with_columns(ants=ants).drop("state")
