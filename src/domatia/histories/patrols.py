"""Counts of patrolling ants: what each was made over, when, where on the plant, and which ant lived there."""

from dataclasses import dataclass

import polars as pl

from domatia.histories.facts import plant_facts
from domatia.histories.looks import FOUNDING, REMOVALS, UNKNOWN, VACANT, last_known, looks
from domatia.histories.moments import position
from domatia.histories.time_of_day import coordinates, seconds_of
from domatia.model.study import StudyData

SCAN, GATE, LEAF_SCAN = "scan", "gate", "leaf scan"
NOT_LOOKED, SEVERAL = "ant not known", "several ants"
NO_COUNT = "no number of ants written: a blank is no nought"
NO_EXTENT = "scan without its length, or gate without its time"
NO_PLANT = "count of a plant that is not in the study"
NO_ANTS = "the last look before the count found no patrolling ants on the plant"
TREATED = "ants were taken off the plant between the last look and the count"
NO_METHOD = "neither a scan nor a gate count"
NO_DATE = "count without a date"
CM_A_METRE, SECONDS_A_MINUTE = 100.0, 60.0


@dataclass(frozen=True)
class Patrols:
    """The counts that can be used.

    Attributes
    ----------
    rows : polars.DataFrame
        `record_id`, `plant`, `t` (day since 1970), `seconds` (since 1970 UTC, null without a time of day), `method`
        ("scan", "gate", or "leaf scan" where no scan of the study has a length), `position` (null where not written),
        `disturbed`, `ants`, `extent` (metres of a scan, minutes of a gate count, 1 leaf), `observer`, `ant` (who lived
        on the plant at the last look at or before the count, "ant not known" before any look), `looked_days` (days
        since that look), `longitude`, `latitude`, `group` (id of the block), sorted by plant, time and id.
    left_out : dict of str to list of bytes
        Record ids by reason.
    """

    rows: pl.DataFrame
    left_out: dict[str, list[bytes]]


def patrols(data: StudyData) -> Patrols:
    """Gather the counts of patrolling ants.

    Where no scan of the study has a length, each is taken as the ants on one marked leaf, whatever its size.
    Of a plant on which ants were taken off after the last look nothing is known; counts on the day of the look itself
    are taken as made before the removal.
    """
    table = data.table("patrol")
    if not table.filter(pl.col("method") == SCAN)["length_cm"].count():
        table = table.with_columns(pl.col("method").replace({SCAN: LEAF_SCAN}))
    rows = table.select(
        "record_id", "plant", "method", "position", "observer", "ants",
        seconds_of(table),
        t=position(),
        disturbed=pl.col("disturbed").fill_null("before") == "after",
        extent=pl.when(pl.col("method") == SCAN).then(pl.col("length_cm") / CM_A_METRE)
        .when(pl.col("method") == LEAF_SCAN).then(1.0)
        .when(pl.col("method") == GATE).then(pl.col("seconds") / SECONDS_A_MINUTE),
    )  # fmt: skip
    facts = plant_facts(data).select("plant", "group")
    rows = rows.join(facts, on="plant", how="left").join(coordinates(data), on="plant", how="left")
    rows = with_ants(rows, data)
    reasons: tuple[tuple[str, pl.Expr], ...] = (
        (NO_METHOD, pl.col("method").is_null()),
        (NO_COUNT, pl.col("ants").is_null()),
        (NO_EXTENT, ~(pl.col("extent") > 0).fill_null(False)),
        (NO_PLANT, pl.col("group").is_null()),
        (NO_DATE, pl.col("t").is_null()),
        (TREATED, pl.col("treated")),
        (NO_ANTS, pl.col("ant").is_in([VACANT, FOUNDING])),
    )
    why = pl.coalesce([pl.when(when).then(pl.lit(reason)) for reason, when in reasons])
    rows = rows.with_columns(why=why).sort("plant", "t", "seconds", "record_id", nulls_last=True)
    out = rows.filter(pl.col("why").is_not_null()).sort("record_id")
    left_out = {
        reason: out.filter(pl.col("why") == reason)["record_id"].to_list()
        for reason, _ in reasons
        if (out["why"] == reason).any()
    }
    return Patrols(rows.filter(pl.col("why").is_null()).drop("why", "treated"), left_out)


def with_ants(rows: pl.DataFrame, data: StudyData) -> pl.DataFrame:
    """Add who lived on the plant at the last look at or before the count, and whether ants were taken off since.

    Parameters
    ----------
    rows : polars.DataFrame
        With `plant` and `t` (day since 1970, null where not known).
    data : StudyData

    Returns
    -------
    polars.DataFrame
        `rows` with `ant` ("ant not known" before any look), `treated` and `looked_days`.
    """
    seen = last_known(looks(data)).filter((pl.col("state") != UNKNOWN) & pl.col("known").is_not_null())
    seen = seen.select("plant", "t", look="t", ant=pl.col("known").replace({"several": SEVERAL})).sort("t")
    acts = data.table("intervention").filter(pl.col("kind").is_in(REMOVALS) & pl.col("plant").is_not_null())
    acts = acts.select("plant", t=position()).drop_nulls().unique().sort("t").with_columns(act=pl.col("t"))
    dated = rows.with_columns(written=pl.col("t"), t=pl.col("t").fill_null(float("-inf"))).sort("t")
    for other, allow in ((seen, True), (acts, False)):
        # a removal on the day of the count is taken as later than the count
        dated = dated.join_asof(
            other, on="t", by="plant", strategy="backward", allow_exact_matches=allow, check_sortedness=False
        )
    treated = (pl.col("act") >= pl.col("look").fill_null(float("-inf"))).fill_null(False)
    return dated.with_columns(
        pl.col("ant").fill_null(NOT_LOOKED),
        t=pl.col("written"),
        treated=treated,
        looked_days=pl.col("t") - pl.col("look"),
    ).drop("look", "act", "written")
