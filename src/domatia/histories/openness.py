"""Canopy openness above the plants, by one method: others are brought to it by a calibration or not used at all."""

from dataclasses import dataclass

import polars as pl

from domatia.histories.moments import position
from domatia.model.study import StudyData

LEAST_BOTH = 10
"""Plants measured by both methods that a calibration needs."""
SAME_TIME_DAYS = 31.0
UNWRITTEN = "a method that was not written down"


@dataclass(frozen=True)
class Calibration:
    """How readings of one method become those of the method in use: chosen = intercept + slope * reading.

    Attributes
    ----------
    method : str
    plants : int
        Measured by both within a month.
    intercept, slope : float
        Percentage points, and points per point (least squares of the method in use on the other).
    spread : float
        Standard deviation of the points about the line, percentage points.
    low, high : float
        Readings between which the line was made.
    """

    method: str
    plants: int
    intercept: float
    slope: float
    spread: float
    low: float
    high: float


@dataclass(frozen=True)
class Openness:
    """Readings on one scale.

    Attributes
    ----------
    table : polars.DataFrame
        `plant`, `t` (day since 1970), `openness` (per cent); one row a plant and moment, sorted.
    visits : polars.DataFrame
        `record_id`, `openness` (per cent) of each visit whose reading is used, sorted by `record_id`.
    method : str
        The method in use, "" if it was not written down.
    readings : dict of str to int
        Readings by method.
    calibrations : tuple of Calibration
        Of the methods brought to the one in use.
    refused : tuple of str
        Methods that could not be, whose readings are left out.
    left_out : dict of str to list of bytes
        Record ids of visits by reason.
    """

    table: pl.DataFrame
    visits: pl.DataFrame
    method: str
    readings: dict[str, int]
    calibrations: tuple[Calibration, ...]
    refused: tuple[str, ...]
    left_out: dict[str, list[bytes]]


def named(method: str) -> str:
    """Name a method in a sentence."""
    return method or UNWRITTEN


def openness(data: StudyData) -> Openness:
    """Give all readings of openness on the scale of the method that most plants were measured by.

    Another method's readings are used if enough plants were measured by both within a month, through the line that
    predicts the method in use from it, and only within the range over which that line was made. Otherwise methods are
    never mixed.
    """
    visits = data.table("visit").select(
        "plant", "record_id", "openness_pct",
        t=position(), method=pl.col("openness_method").fill_null("").str.strip_chars().str.to_lowercase(),
    )  # fmt: skip
    told = visits.filter(pl.col("openness_pct").is_not_null() & pl.col("t").is_not_null())
    possible = pl.col("openness_pct").is_between(0, 100)
    left_out: dict[str, list[bytes]] = {}
    _leave(left_out, "an openness that cannot be", told.filter(~possible))
    told = told.filter(possible).sort("plant", "t", "record_id")
    each = told.group_by("method").agg(plants=pl.col("plant").n_unique(), n=pl.len())
    each = each.sort(["plants", "method"], descending=[True, False])
    if each.is_empty():
        none = told.select("plant", "t", openness="openness_pct")
        return Openness(none, told.select("record_id", openness="openness_pct"), "", {}, (), (), left_out)
    method = each["method"][0]
    own = told.filter(pl.col("method") == method).with_columns(openness=pl.col("openness_pct"))
    parts, lines, refused = [own], [], []
    for other in each["method"].to_list()[1:]:
        rows = told.filter(pl.col("method") == other)
        line = calibrate(own, rows, other)
        if line is None:
            refused.append(other)
            _leave(left_out, f"openness by {named(other)}, without a calibration", rows)
            continue
        lines.append(line)
        inside = pl.col("openness_pct").is_between(line.low, line.high)
        _leave(left_out, f"openness by {named(other)}, outside the range of its calibration", rows.filter(~inside))
        made = (line.intercept + line.slope * pl.col("openness_pct")).clip(0, 100)
        parts.append(rows.filter(inside).with_columns(openness=made))
    every = pl.concat(parts).with_columns(own=pl.col("method") == method)
    # of two readings at one moment the one by the method in use counts; two by the same are averaged
    best = every.filter(pl.col("own") | ~pl.col("own").any().over("plant", "t"))
    table = best.sort("plant", "t", "openness").group_by("plant", "t").agg(pl.col("openness").mean()).sort("plant", "t")
    readings = dict(each.select("method", "n").iter_rows())
    visits = every.select("record_id", "openness").sort("record_id")
    return Openness(table, visits, method, readings, tuple(lines), tuple(refused), left_out)


def calibrate(own: pl.DataFrame, other: pl.DataFrame, method: str) -> Calibration | None:
    """Find the line between two methods from plants measured by both; None if there are too few or all are alike.

    Parameters
    ----------
    own, other : polars.DataFrame
        `plant`, `t`, `openness_pct`.
    method : str
        Name of the other one.
    """
    first = own.select("plant", "t", y="openness_pct").sort("t", "y")
    second = other.select("plant", t="t", at="t", x="openness_pct").sort("t", "x")
    near = second.join_asof(
        first.with_columns(own_t="t"), on="t", by="plant", strategy="nearest", tolerance=SAME_TIME_DAYS,
        check_sortedness=False,
    )  # fmt: skip
    near = near.filter(pl.col("y").is_not_null()).with_columns(apart=(pl.col("at") - pl.col("own_t")).abs())
    both = near.sort("plant", "apart", "at", "x", "y").unique("plant", keep="first", maintain_order=True)
    if both.height < LEAST_BOTH or both["x"].n_unique() < 3:
        return None
    x, y = both["x"].to_numpy(), both["y"].to_numpy()
    dx = x - x.mean()
    slope = float(dx @ (y - y.mean()) / (dx @ dx))
    if slope <= 0.0:
        return None
    intercept = float(y.mean() - slope * x.mean())
    left = y - intercept - slope * x
    spread = float((left @ left / (len(x) - 2)) ** 0.5)
    return Calibration(method, len(x), intercept, slope, spread, float(x.min()), float(x.max()))


def _leave(left_out: dict[str, list[bytes]], reason: str, rows: pl.DataFrame) -> None:
    if rows.height:
        left_out[reason] = sorted(rows["record_id"].to_list())
