"""What came after plants were cut: live tissue and ants at each look, and where the crowns went."""

from dataclasses import dataclass

import polars as pl

from domatia.histories.deaths import DEAD
from domatia.histories.looks import FOUNDING, VACANT, looks
from domatia.histories.moments import position
from domatia.model.study import StudyData

CUTS = ("cutting", "crown left", "crown carried away")
LEFT, AWAY, NOT_SAID = "crown left", "crown carried away", "crown not recorded"
NEVER_SEEN = "cut plant that was never looked at again"
_NOT_HELD = (VACANT, FOUNDING)


@dataclass(frozen=True)
class Stumps:
    """Cut plants and the looks at them.

    Attributes
    ----------
    plants : polars.DataFrame
        `plant`, `cut` (day since 1970 of the first cut), `height_cm`, `tool`, `crown`, `distance_m` (of the crown, null
        unless left), `cuts` (days on which it was cut). Sorted by `plant`.
    looks : polars.DataFrame
        `plant`, `record_id` (visit), `days` since the first cut, `number` of the look (1, 2, …), `live` (1 if any live
        tissue), `held` (1 if an ant held it, 0 if not, null if nobody looked). Sorted by `plant`, `number`.
    acts : list of bytes
        Record ids of the interventions.
    left_out : dict of str to list of bytes
        Cut plants (record ids) without a look.
    """

    plants: pl.DataFrame
    looks: pl.DataFrame
    acts: list[bytes]
    left_out: dict[str, list[bytes]]


def stumps_of(data: StudyData) -> Stumps:
    """Gather the plants that were cut and what was seen of them later.

    Acts on one plant and day are one cut. Visits on the day of the first cut or before it are not looks at a stump.
    """
    acts = data.table("intervention").filter(pl.col("kind").is_in(CUTS) & pl.col("plant").is_not_null())
    acts = acts.with_columns(t=position()).filter(pl.col("t").is_not_null()).sort("plant", "t", "kind", "record_id")
    crown = (
        pl.when((pl.col("kind") == LEFT).any()).then(pl.lit(LEFT))
        .when((pl.col("kind") == AWAY).any()).then(pl.lit(AWAY))
        .when(pl.col("crown_distance_m").is_not_null().any()).then(pl.lit(LEFT))
        .otherwise(pl.lit(NOT_SAID))
    )  # fmt: skip
    cuts = acts.group_by("plant", "t").agg(
        crown=crown,
        distance_m=pl.col("crown_distance_m").drop_nulls().first(),
        height_cm=pl.col("cut_height_cm").drop_nulls().first(),
        tool=pl.col("agent").drop_nulls().first(),
    )
    first = cuts.sort("plant", "t").group_by("plant", maintain_order=True).agg(
        pl.col("t").first().alias("cut"), pl.col("height_cm", "tool", "crown", "distance_m").first(), cuts=pl.len()
    )  # fmt: skip
    distance = pl.when(pl.col("crown") == LEFT).then("distance_m")
    first = first.with_columns(distance_m=distance)
    seen = _seen(data, first)
    never = first.join(seen, on="plant", how="anti").join(
        data.table("plant").select("record_id", plant="subject_id"), on="plant", how="inner"
    )
    left_out = {NEVER_SEEN: never["record_id"].sort().to_list()} if never.height else {}
    kept = first.join(seen.select("plant").unique(), on="plant", how="semi").sort("plant")
    return Stumps(kept, seen, acts["record_id"].sort().to_list(), left_out)


def _seen(data: StudyData, first: pl.DataFrame) -> pl.DataFrame:
    visits = (
        data.table("visit").filter(pl.col("repeat_of").is_null()).select("plant", "record_id", "status", t=position())
    )
    visits = visits.join(first.select("plant", "cut"), on="plant").filter(pl.col("t") > pl.col("cut"))
    live = pl.when(pl.col("status") == "alive").then(1).when(pl.col("status").is_in(DEAD)).then(0).otherwise(None)
    known = visits.with_columns(live=live).filter(pl.col("live").is_not_null())
    state = looks(data).select("plant", "t", "looked", "state")
    held = pl.when(pl.col("looked") & (pl.col("live") == 1)).then((~pl.col("state").is_in(_NOT_HELD)).cast(pl.Int64))
    joined = known.join(state, on=["plant", "t"], how="left").with_columns(held=held)
    joined = joined.sort("plant", "t", "record_id").unique(["plant", "t"], keep="first", maintain_order=True)
    return joined.select(
        "plant",
        "record_id",
        days=pl.col("t") - pl.col("cut"),
        number=pl.int_range(1, pl.len() + 1).over("plant"),
        live="live",
        held="held",
    )


def gone_for_good(table: pl.DataFrame, apart_days: float) -> pl.DataFrame:
    """Tell at which look each stump was first without live tissue for good.

    A look can be judged if the stump was looked at again at least `apart_days` later, whether or not it lived then:
    otherwise the dead of the last looks would leave the count and the living stay in it.

    Parameters
    ----------
    table : polars.DataFrame
        Looks, as `Stumps.looks`.
    apart_days : float
        Gone means without live tissue at a look and at all later ones, the last of them so much later.

    Returns
    -------
    polars.DataFrame
        `plant`, `number` (the look at which it was first gone, else the last look that can be judged; 0 if none can),
        `gone` (1 or 0), sorted by `plant`.
    """
    last_live = table.filter(pl.col("live") == 1).group_by("plant").agg(last_live=pl.col("number").max())
    judged = pl.col("days") <= pl.col("days").max().over("plant") - apart_days
    marked = table.with_columns(judged=judged).join(last_live, on="plant", how="left")
    gone = pl.col("judged") & (pl.col("number") > pl.col("last_live").fill_null(0))
    return (
        marked.group_by("plant")
        .agg(
            first=pl.col("number").filter(gone).min(),
            looks=pl.col("number").filter(pl.col("judged")).max().fill_null(0),
        )
        .select("plant", number=pl.coalesce("first", "looks"), gone=pl.col("first").is_not_null().cast(pl.Int64))
        .sort("plant")
    )
