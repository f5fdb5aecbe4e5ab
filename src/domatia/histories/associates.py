"""Who else lived on the plants at each look for them, and which ant held the plant when they came."""

from dataclasses import dataclass

import polars as pl

from domatia.histories.looks import after_removals, last_known, looks
from domatia.histories.moments import position
from domatia.model.study import StudyData

OUTLIVING = ("bird nest", "wasp nest")
"""Kinds that outlive the colony under whose guard they were built."""
OLD = ("old", "abandoned", "empty", "inactive", "remains", "dead")
"""Words in `associate.state` that say that it is no longer in use."""
NEW, THERE = "new since the look before", "there at the look"
NO_DATE = "associate without a date"
BLANK_KIND = "associate without a kind"
FIRST_LOOK = "first look, or a nest was there before: a nest may be older than the colony"


@dataclass(frozen=True)
class Associates:
    """Looks for those who live on the plants beside the ants.

    Attributes
    ----------
    rows : polars.DataFrame
        `plant`, `record_id`, `t` (day since 1970), `kind`, `there` (1 if in use at the look), `old` (whether an old one
        was seen), `first` (the plant's first look for that kind). One row a plant, moment and kind; sorted.
    told : polars.DataFrame
        The rows that answers rest on: `plant`, `record_id`, `t`, `kind`, `y`, `known` (who held the plant: at or before
        the look, for nests at or before the look before it; null if not known), `where` ("new since the look before",
        "there at the look"). Sorted by `kind`, `plant`, `t`.
    absences : int
        Records that say that a kind was looked for and not seen.
    left_out : dict of str to list of bytes
    """

    rows: pl.DataFrame
    told: pl.DataFrame
    absences: int
    left_out: dict[str, list[bytes]]


def associates(data: StudyData) -> Associates:
    """Give the looks; a kind is looked for where a record says that it was there or that it was not.

    Nests outlive colonies, so that the ant on the plant need not be the one under which they were built. Where plants
    were looked at more than once, a nest therefore counts where none was in use at the look before, and with the ant
    that was known then.
    """
    table = data.table("associate").select("plant", "record_id", "kind", "state", "present", t=position())
    left_out: dict[str, list[bytes]] = {}
    for reason, bad in ((NO_DATE, pl.col("t").is_null()), (BLANK_KIND, pl.col("kind").is_null())):
        _leave(left_out, reason, table.filter(bad))
        table = table.filter(~bad)
    words = pl.col("state").fill_null("").str.to_lowercase().str.split(" ")
    old = words.list.eval(pl.element().is_in(OLD)).list.any().fill_null(False)
    present = pl.col("present").fill_null(True)
    rows = (
        table.with_columns(there=(present & ~old).cast(pl.Int64), old=present & old)
        .sort("kind", "plant", "t", pl.col("there"), "record_id", descending=[False, False, False, True, False])
        .with_columns(pl.col("old").any().over("plant", "kind", "t"))
        .unique(["kind", "plant", "t"], keep="first", maintain_order=True)
        .with_columns(first=pl.col("t") == pl.col("t").min().over("plant", "kind"))
        .select("plant", "record_id", "t", "kind", "there", "old", "first")
    )
    told = _told(rows, _held(data), left_out)
    return Associates(rows, told, table.filter(~present).height, left_out)


def _told(rows: pl.DataFrame, held: pl.DataFrame, left_out: dict[str, list[bytes]]) -> pl.DataFrame:
    before = rows.with_columns(
        was=pl.col("there").shift().over("plant", "kind"), at_before=pl.col("t").shift().over("plant", "kind")
    )
    again = set(before.filter(pl.col("was").is_not_null())["kind"].unique())
    nest = pl.col("kind").is_in([k for k in OUTLIVING if k in again])
    lost = nest & (pl.col("was").is_null() | (pl.col("was") == 1))
    _leave(left_out, FIRST_LOOK, before.filter(lost))
    kept = before.filter(~lost).with_columns(
        where=pl.when(nest).then(pl.lit(NEW)).otherwise(pl.lit(THERE)),
        asked=pl.when(nest).then("at_before").otherwise("t"),
    )
    joined = kept.sort("asked").join_asof(
        held.sort("t").rename({"t": "seen"}), left_on="asked", right_on="seen", by="plant", strategy="backward",
        check_sortedness=False,
    )  # fmt: skip
    return joined.select("plant", "record_id", "t", "kind", pl.col("there").alias("y"), "known", "where").sort(
        "kind", "plant", "t"
    )


def _held(data: StudyData) -> pl.DataFrame:
    known = last_known(after_removals(looks(data), data), "after")
    return known.filter(pl.col("known").is_not_null()).select("plant", "t", "known").sort("plant", "t")


def _leave(left_out: dict[str, list[bytes]], reason: str, rows: pl.DataFrame) -> None:
    if rows.height:
        left_out[reason] = sorted(rows["record_id"].to_list())
