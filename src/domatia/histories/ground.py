"""Bare ground and vines at the looks of each plant, and who lived on it then and for how long."""

from dataclasses import dataclass

import polars as pl

from domatia.histories.looks import after_removals, last_known, looks
from domatia.histories.moments import position
from domatia.model.dates import DAYS_A_YEAR
from domatia.model.study import StudyData

NOTHING_NEAR = "look at a plant with nothing growing near, which tells nothing"
BEFORE = "look from before the treatment began"
NOBODY = "look at a plant that is not compared"
NOT_ALIVE = "look at a plant that was not alive"
LAID_BEFORE = "vine laid before the treatment began"
NOT_WATCHED = "laid vine without the hours it was watched"


@dataclass(frozen=True)
class Ground:
    """Looks at the ground and at vines.

    Attributes
    ----------
    rows : polars.DataFrame
        `plant`, `record_id`, `t` (day since 1970), `radius_cm` and `vines` (1 if any touches; each may be null),
        `known` (state at the latest look for ants at or before, removals allowed for; null without one), `months`
        (since that state was first seen without a break; null without one). Sorted by `plant`, `t`, `record_id`.
    left_out : dict of str to list of bytes
    """

    rows: pl.DataFrame
    left_out: dict[str, list[bytes]]


def ground_looks(data: StudyData, members: pl.DataFrame) -> Ground:
    """Gather the looks of the plants compared.

    Parameters
    ----------
    data : StudyData
    members : polars.DataFrame
        `plant`, `start` (day since 1970 of the treatment, null without one).
    """
    visits = data.table("visit").with_columns(t=position())
    measured = visits.filter(
        pl.any_horizontal(pl.col("bare_radius_cm", "vines_touching").is_not_null()) & pl.col("t").is_not_null()
    )
    joined = measured.join(members, on="plant", how="left", maintain_order="left").with_columns(
        ours=pl.col("plant").is_in(members["plant"].implode()),
        early=(pl.col("t") < pl.col("start")).fill_null(False),
        dead=pl.col("status").fill_null("alive") != "alive",
        empty=~pl.col("growth_near").fill_null(True),
    )
    left_out: dict[str, list[bytes]] = {}
    rest = joined
    for reason, bad in ((NOBODY, ~pl.col("ours")), (NOT_ALIVE, pl.col("dead")), (BEFORE, pl.col("early")),
                        (NOTHING_NEAR, pl.col("empty"))):  # fmt: skip
        out = rest.filter(bad)["record_id"].sort().to_list()
        if out:
            left_out[reason] = out
        rest = rest.filter(~bad)
    rows = rest.select(
        "plant", "record_id", "t", radius_cm="bare_radius_cm", vines=(pl.col("vines_touching") > 0).cast(pl.Float64)
    )
    spells = _spells(data)
    found = rows.sort("t").join_asof(spells.sort("t"), on="t", by="plant", strategy="backward", check_sortedness=False)
    months = (pl.col("t") - pl.col("since")) / (DAYS_A_YEAR / 12)
    return Ground(found.with_columns(months=months).drop("since").sort("plant", "t", "record_id"), left_out)


def _spells(data: StudyData) -> pl.DataFrame:
    """Give `plant`, `t`, `known` and `since`: the day of the first look of an unbroken run of that state."""
    known = last_known(after_removals(looks(data), data), "after").filter(pl.col("known").is_not_null())
    known = known.sort("plant", "t")
    change = (pl.col("known") != pl.col("known").shift().over("plant")).fill_null(True)
    run = known.with_columns(run=change.cum_sum().over("plant"))
    return run.with_columns(since=pl.col("t").min().over("plant", "run")).select("plant", "t", "known", "since")


def vine_contacts(data: StudyData, members: pl.DataFrame) -> tuple[pl.DataFrame, dict[str, list[bytes]]]:
    """Give the vines laid against plants that are compared.

    Parameters
    ----------
    data : StudyData
    members : polars.DataFrame
        `plant`, `start`, as for `ground_looks`.

    Returns
    -------
    polars.DataFrame
        `plant`, `record_id`, `t`, `hours` (until cut, or watched), `cut` (1 if it was), sorted by `plant`, `t`.
    dict of str to list of bytes
        Records left out, by reason.
    """
    table = data.table("vine_contact").with_columns(t=position()).join(members, on="plant", how="inner")
    early = (pl.col("t") < pl.col("start")).fill_null(False)
    hours = pl.coalesce("cut_h", "watched_h")
    blind = ~(hours > 0).fill_null(False)
    left_out = {}
    for reason, bad in ((LAID_BEFORE, early), (NOT_WATCHED, blind & ~early)):
        ids = table.filter(bad)["record_id"].sort().to_list()
        if ids:
            left_out[reason] = ids
    rows = table.filter(~early & ~blind)
    rows = rows.select("plant", "record_id", "t", hours=hours, cut=pl.col("cut_h").is_not_null().cast(pl.Int64))
    return rows.sort("plant", "t", "record_id"), left_out
