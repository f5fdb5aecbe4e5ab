"""Sizes of plants over time: heights in years since the start of the plant's treatment or its first measure."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from domatia.histories.deaths import death_intervals
from domatia.histories.moments import Grain, grain_of, position
from domatia.model.dates import DAYS_A_YEAR
from domatia.model.study import StudyData

MEASURED_ONCE = "measured once, so it shows no growth"
NOT_POSITIVE = "a height of zero or below has no logarithm"


@dataclass(frozen=True)
class Sizes:
    """Heights of living plants.

    Attributes
    ----------
    rows : polars.DataFrame
        `plant`, `record_id`, `years` (since the plant's start), `height_cm`, `log_height`; sorted; plants measured at
        least twice.
    every : polars.DataFrame
        The same, plants measured once included.
    left_out : dict of str to list of bytes
        Visits (record ids) not used, by reason.
    grain : str
    repeat_sd : float or None
        Standard deviation of one measure of log height, from visits measured twice; None without repeats.
    repeats : int
        Pairs behind it.
    """

    rows: pl.DataFrame
    every: pl.DataFrame
    left_out: dict[str, list[bytes]]
    grain: Grain
    repeat_sd: float | None
    repeats: int


def sizes_of(data: StudyData, starts: pl.DataFrame | None = None) -> Sizes:
    """Give heights of living plants from their start on; the last height before the start stands for the start itself.

    Shrinkage is kept: a plant that was browsed or broken did shrink.

    Parameters
    ----------
    data : StudyData
    starts : polars.DataFrame, optional
        `plant`, `start` (day since 1970) of the plants with a treatment.
    """
    visits = data.table("visit").with_columns(t=position())
    measured = visits.filter(
        pl.col("height_cm").is_not_null() & pl.col("t").is_not_null() & (pl.col("status").fill_null("alive") == "alive")
    )
    flat = measured.filter(pl.col("height_cm") <= 0)["record_id"].to_list()
    measured = measured.filter(pl.col("height_cm") > 0)
    pairs = _pairs(measured)
    first = measured.filter(pl.col("repeat_of").is_null())
    begun = starts if starts is not None else pl.DataFrame(schema={"plant": pl.Binary, "start": pl.Float64})
    rows = first.select("plant", "record_id", "t", "height_cm").join(begun, on="plant", how="left")
    rows = rows.with_columns(origin=pl.coalesce("start", pl.col("t").min().over("plant")))
    rows = rows.with_columns(years=(pl.col("t") - pl.col("origin")) / DAYS_A_YEAR)
    before = pl.col("years") < 0
    latest = pl.col("years").filter(before).max().over("plant")
    rows = rows.filter(~before | (pl.col("years") == latest))
    rows = rows.with_columns(years=pl.col("years").clip(lower_bound=0.0), log_height=pl.col("height_cm").log())
    rows = rows.sort("plant", "years", "record_id").unique(["plant", "years"], keep="last", maintain_order=True)
    once = pl.len().over("plant") < 2
    single = rows.filter(once)["record_id"].to_list()
    every = rows.select("plant", "record_id", "years", "height_cm", "log_height")
    rows = every.filter(~once)
    left_out = {reason: ids for reason, ids in ((MEASURED_ONCE, single), (NOT_POSITIVE, flat)) if ids}
    sd = None
    if pairs.len() >= 10:
        sd = float(np.sqrt(np.mean(pairs.to_numpy() ** 2) / 2.0))
    return Sizes(rows, every, left_out, grain_of(first), sd, pairs.len())


def _pairs(measured: pl.DataFrame) -> pl.Series:
    """Give differences of log height between a visit and its repeat."""
    again = measured.filter(pl.col("repeat_of").is_not_null()).select(subject_id="repeat_of", again="height_cm")
    both = measured.select("subject_id", "height_cm").join(again, on="subject_id")
    return both.select(d=pl.col("again").log() - pl.col("height_cm").log())["d"]


def height_after(data: StudyData, sizes: Sizes, years: float, starts: pl.DataFrame | None = None) -> pl.DataFrame:
    """Give each plant's height at its start and some years later, on a straight line between the measures around it.

    Parameters
    ----------
    data : StudyData
    sizes : Sizes
    years : float
    starts : polars.DataFrame, optional
        As for `sizes_of`.

    Returns
    -------
    polars.DataFrame
        `plant`, `first_cm` (first measure), `later_cm` (null unless the plant was measured at or before and at or after
        that time), `alive` (1 if seen alive then or later, 0 if found dead by then; where death lies in a bracket
        around that time, the share of the bracket that lies after it; null if unknown), `last_cm` (last measure at or
        before that time).
    """
    rows = sizes.every
    early = (
        rows.filter(pl.col("years") <= years)
        .group_by("plant")
        .agg(first_cm=pl.col("height_cm").first(), last_cm=pl.col("height_cm").last(), t0=pl.col("years").last())
    )
    late = (
        rows.filter(pl.col("years") >= years)
        .group_by("plant")
        .agg(next_cm=pl.col("height_cm").first(), t1=pl.col("years").first())
    )
    both = early.join(late, on="plant", how="left")
    width = pl.col("t1") - pl.col("t0")
    share = pl.when(width > 0).then((years - pl.col("t0")) / width).otherwise(0.0)
    both = both.with_columns(later_cm=pl.col("last_cm") + share * (pl.col("next_cm") - pl.col("last_cm")))
    deaths = death_intervals(data, starts).table.select(
        "plant", left=pl.col("left") / DAYS_A_YEAR, right=pl.col("right") / DAYS_A_YEAR
    )
    both = both.join(deaths, on="plant", how="left")
    alive = (
        pl.when(pl.col("left") >= years).then(1.0)
        .when(pl.col("right") <= years).then(0.0)
        .when(pl.col("right").is_not_null()).then(
            (pl.col("right") - years) / (pl.col("right") - pl.col("left").clip(lower_bound=0.0))
        )
    )  # fmt: skip
    return both.with_columns(alive=alive).select("plant", "first_cm", "later_cm", "alive", "last_cm").sort("plant")


def growth_steps(data: StudyData, sizes: Sizes, seen: pl.DataFrame) -> pl.DataFrame:
    """Give growth between neighbouring measures, with the ants at the beginning of the step.

    Parameters
    ----------
    data : StudyData
    sizes : Sizes
    seen : polars.DataFrame
        Looks with the column `known`: the state with which the step to the next look began.

    Returns
    -------
    polars.DataFrame
        `plant`, `years` (length), `rgr` (per year), `log_height` (at the beginning), `known` (state at the beginning).
    """
    known = seen.select("record_id", "known")
    rows = sizes.rows.join(known, on="record_id", how="left", maintain_order="left")
    length = pl.col("years").shift(-1).over("plant") - pl.col("years")
    rise = pl.col("log_height").shift(-1).over("plant") - pl.col("log_height")
    steps = rows.with_columns(length=length, rgr=rise / length)
    return steps.filter(pl.col("length") > 0).select("plant", "rgr", "log_height", "known", years="length")
