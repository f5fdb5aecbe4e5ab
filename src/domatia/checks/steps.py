"""Steps of a measure from one visit of a plant to its next, and how far such steps scatter in this study."""

from statistics import NormalDist

import numpy as np
import polars as pl

from domatia.checks.sightings import sightings
from domatia.model import StudyData

ROBUST_SD = 1.4826
"""The median absolute deviation of normal numbers times this is their standard deviation."""

FEWEST = 20
"""Fewer steps or repeats than this do not tell how far steps scatter."""

MOST_CLASSES = 10

SIZES = {"height_cm": "cm", "basal_mm": "mm"}
"""Measures of a plant's size, and their units."""


def measured(data: StudyData) -> tuple[str, ...]:
    """Give the measures of size of which the study holds any."""
    visits = data.table("visit")
    return tuple(measure for measure in SIZES if visits[measure].count())


def steps(data: StudyData, measure: str) -> pl.DataFrame:
    """Pair each live visit that has the measure with the one before it.

    Parameters
    ----------
    data : StudyData
    measure : str
        A numeric column of a visit; only values above zero take part.

    Returns
    -------
    polars.DataFrame
        The visits in order, with `before` (the value before it, null at the first), `after`, `before_id` (record id),
        `log_step` (natural logarithm of value over value before) and the date of the visit before as `before_earliest`
        and `before_latest`. Visits at one and the same date are not put in order: their step is null.
    """
    seen = sightings(data).filter(pl.col("alive") & (pl.col(measure) > 0) & pl.col("when_earliest").is_not_null())
    value = pl.col(measure).cast(pl.Float64)
    plant_before = pl.col("plant").shift(1) == pl.col("plant")
    later = plant_before & (pl.col("when_latest").shift(1) < pl.col("when_earliest"))
    plant_after = pl.col("plant").shift(-1) == pl.col("plant")
    return seen.with_columns(
        pl.when(later).then(value.shift(1)).alias("before"),
        pl.when(plant_after & later.shift(-1)).then(value.shift(-1)).alias("after"),
        pl.when(later).then(pl.col("record_id").shift(1)).alias("before_id"),
        pl.when(later).then(pl.col("when_earliest").shift(1)).alias("before_earliest"),
        pl.when(later).then(pl.col("when_latest").shift(1)).alias("before_latest"),
    ).with_columns((value / pl.col("before")).log().alias("log_step"))


def repeat_spread(data: StudyData, measure: str) -> float | None:
    """Give the standard deviation of the logarithmic difference of two measures of the same thing.

    Returns
    -------
    float or None
        Root mean square of the differences between repeats and what they repeat; None with fewer than 20 of them.
    """
    visits = data.table("visit").select("subject_id", "repeat_of", measure)
    pairs = visits.filter(pl.col("repeat_of").is_not_null()).join(
        visits.select(pl.col("subject_id").alias("repeat_of"), pl.col(measure).alias("_first")), on="repeat_of"
    )
    both = pairs.filter((pl.col(measure) > 0) & (pl.col("_first") > 0)).sort("subject_id")
    if both.height < FEWEST:
        return None
    difference = np.log(both[measure].to_numpy() / both["_first"].to_numpy())
    return float(np.sqrt(np.mean(difference**2)))


def with_spread(pairs: pl.DataFrame) -> pl.DataFrame:
    """Add the median step and the robust standard deviation of steps among plants of like size.

    Size classes are tenths of the plants by their size before the step, or fewer where a class would hold under 20.

    Parameters
    ----------
    pairs : polars.DataFrame
        Rows of `steps` that have a step.

    Returns
    -------
    polars.DataFrame
        With `centre` and `spread`, on the logarithmic scale.
    """
    classes = max(1, min(MOST_CLASSES, pairs.height // FEWEST))
    bounds = np.quantile(pairs["before"].to_numpy(), np.linspace(0, 1, classes + 1))[1:-1]
    size = np.searchsorted(bounds, pairs["before"].to_numpy(), side="right")
    classed = pairs.with_columns(pl.Series("_class", size))
    centre = pl.col("log_step").median().over("_class")
    spread = (pl.col("log_step") - pl.col("centre")).abs().median().over("_class") * ROBUST_SD
    return classed.with_columns(centre.alias("centre")).with_columns(spread.alias("spread")).drop("_class")


def threshold(number: int) -> float:
    """Give the number of standard deviations that one in `number` normal steps falls below; at least 3."""
    return max(3.0, NormalDist().inv_cdf(1 - 1 / max(number, 2)))
