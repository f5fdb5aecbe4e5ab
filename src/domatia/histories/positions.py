"""Where plants stand on their plots, and who lived on each at one moment.

A pattern is looked at at one moment: the last day of the latest round that reached most plots. A plant's occupant is
that of its last look at or before that day.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from math import cos, radians
from typing import Literal, TypeAlias

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.facts import plant_facts
from domatia.histories.looks import DIED, FOUNDING, UNKNOWN, VACANT, looks
from domatia.histories.moments import position
from domatia.histories.openness import openness
from domatia.model.study import StudyData

System: TypeAlias = Literal["plot", "globe"]
Ring: TypeAlias = NDArray[np.float64]

NO_PLACE = "it has no place, so that its coordinates have no plot"
NOT_MAPPED = "it is not mapped: no coordinates on its plot"
OTHER_SYSTEM = "it is mapped in other coordinates than most plants of its plot"
NEVER_LOOKED = "nobody had looked for ants on it by then"
TOO_LONG_AGO = "it was last looked at more than a year before"
DEAD_BY_THEN = "it was dead by then"
SAME_SPOT = "it stands on the spot of another plant, as a resprout or by its coordinates"
SAME_COLONY = "its colony is counted once, on another of its plants"

_MOST_PLOTS = 0.8
_LONGEST = 366.0
_RESPROUT_M = 1.0
_METRES_A_DEGREE = 6_371_000 * radians(1)
_COLUMNS: dict[System, tuple[str, str]] = {"plot": ("x_m", "y_m"), "globe": ("longitude", "latitude")}


@dataclass(frozen=True)
class Plot:
    """One plot.

    Attributes
    ----------
    name : str
    rings : tuple of array, shape (corners, 2)
        Its outline in metres; empty if it has none, or one that cannot be read.
    written : bool
        Whether an outline is written down, readable or not.
    """

    name: str
    rings: tuple[Ring, ...]
    written: bool


@dataclass(frozen=True)
class Positions:
    """Plants in their places at one moment.

    Attributes
    ----------
    day : float
        Day since 1970.
    round : str
        Name of the round whose last day it is; empty if no rounds are written down.
    table : polars.DataFrame
        `plant`, `record_id`, `plot` (id), `group` (cluster of intervals), `treatment`, `role`, `x`, `y` (metres),
        `uncertainty_m`, `state` (as in `domatia.histories.looks.looks`), `look` (record id of the visit), `seen` (day
        of that look), `openness`, `height`; sorted by `plant`. Living plants looked at, whatever lives on them.
    plots : mapping of bytes to Plot
    left_out : dict of str to list of bytes
        Plants (record ids) by reason.
    """

    day: float
    round: str
    table: pl.DataFrame
    plots: Mapping[bytes, Plot]
    left_out: dict[str, list[bytes]]


def positions(data: StudyData, day: float | None = None) -> Positions:
    """Give the mapped plants with their occupants.

    Parameters
    ----------
    data : StudyData
    day : float, optional
        The moment, in days since 1970; left out, the last day of the latest round that reached at least four fifths
        of the plots that any round reached, or the day of the last look where there are no rounds.
    """
    out: dict[str, list[bytes]] = {}
    facts = plant_facts(data)
    mapped, plots = _mapped(data, facts, out)
    seen = looks(data).filter(pl.col("t").is_not_null())
    name = ""
    if day is None:
        day, name = _moment(data, seen, mapped)
    table = mapped.join(_last(seen, day), on="plant", how="left").join(_measures(data, day), on="plant", how="left")
    table = _without(table, pl.col("state").is_null(), NEVER_LOOKED, out)
    table = _without(table, pl.col("state") == DIED, DEAD_BY_THEN, out)
    table = _without(table, pl.col("seen") < day - _LONGEST, TOO_LONG_AGO, out)
    table = _without(table, _spare_spots(table), SAME_SPOT, out)
    table = _without(table, _spare_colonies(data, table, day), SAME_COLONY, out)
    columns = (
        "plant", "record_id", "plot", "group", "treatment", "role", "x", "y", "uncertainty_m", "state", "look", "seen",
        "openness", "height",
    )  # fmt: skip
    there = set(table["plot"].to_list())
    return Positions(
        day, name, table.select(columns).sort("plant"), {k: v for k, v in plots.items() if k in there}, out
    )


def _without(table: pl.DataFrame, which: pl.Expr, why: str, out: dict[str, list[bytes]]) -> pl.DataFrame:
    marked = table.with_columns(gone=which.fill_null(False))
    gone = marked.filter("gone").sort("plant")["record_id"].to_list()
    if gone:
        out[why] = out.get(why, []) + gone
    return marked.filter(~pl.col("gone")).drop("gone")


def _chains(data: StudyData) -> dict[bytes, list[bytes]]:
    """Give each place and the larger ones around it, the smallest first."""
    within = dict(data.table("place").select("subject_id", "within").iter_rows())
    found = {}
    for place in within:
        chain: list[bytes] = []
        at: bytes | None = place
        while at is not None and at not in chain:
            chain.append(at)
            at = within.get(at)
        found[place] = chain
    return found


def rings_of(geometry: str) -> tuple[Ring, ...]:
    """Read the rings of an outline; empty if it is no polygon in GeoJSON."""
    try:
        read = json.loads(geometry)
        kind, corners = read["type"], read["coordinates"]
        parts = {"Polygon": [corners], "MultiPolygon": corners}[kind]
        rings = [np.array([c[:2] for c in ring], dtype=np.float64) for part in parts for ring in part]
    except (ValueError, KeyError, TypeError, IndexError):
        return ()
    good = all(r.ndim == 2 and r.shape[0] > 3 and r.shape[1] == 2 and np.isfinite(r).all() for r in rings)
    return tuple(rings) if good else ()


def _system(rings: tuple[Ring, ...]) -> System:
    """Tell longitude and latitude (less than 1 wide and high) from metres, as the check of outlines does."""
    every = np.concatenate(rings)
    return "globe" if float((every.max(axis=0) - every.min(axis=0)).max()) < 1 else "plot"


def _mapped(
    data: StudyData, facts: pl.DataFrame, out: dict[str, list[bytes]]
) -> tuple[pl.DataFrame, dict[bytes, Plot]]:
    """Give the plants with coordinates in metres on their plots, and the plots."""
    places = data.table("place").sort("subject_id")
    outlines = {p: rings_of(o) for p, o in places.select("subject_id", "outline").iter_rows() if o is not None}
    level = dict(places.select("subject_id", "level").iter_rows())
    name = dict(places.select("subject_id", "name").iter_rows())
    chains = _chains(data)

    def home(place: bytes, system: System) -> bytes:
        chain = chains.get(place, [place])
        own = [p for p in chain if outlines.get(p) and _system(outlines[p]) == system]
        return (own or [p for p in chain if level.get(p) in ("plot", "block")] or [place])[0]

    table = _without(facts, pl.col("place").is_null(), NO_PLACE, out)
    has = {s: pl.all_horizontal(pl.col(c).is_not_null() for c in columns) for s, columns in _COLUMNS.items()}
    table = _without(table, ~has["plot"] & ~has["globe"], NOT_MAPPED, out)
    table = table.with_columns(system=pl.when(has["plot"]).then(pl.lit("plot")).otherwise(pl.lit("globe")))
    homes = [home(p, s) for p, s in table.select("place", "system").iter_rows()]
    table = table.with_columns(plot_=pl.Series(homes, dtype=pl.Binary)).drop("plot").rename({"plot_": "plot"})
    flat = (pl.col("system") == "plot").mean().over("plot") >= 0.5
    table = _without(table, (pl.col("system") == "plot") != flat, OTHER_SYSTEM, out)
    parts, plots = [], {}
    for (key,), rows in table.sort("plant").group_by("plot", maintain_order=True):
        plot = bytes(key)
        system: System = rows["system"][0]
        xy = rows.select(_COLUMNS[system]).cast(pl.Float64).to_numpy()
        rings = outlines.get(plot, ())
        rings = rings if rings and _system(rings) == system else ()
        if system == "globe":
            origin = np.concatenate(rings).mean(axis=0) if rings else xy.mean(axis=0)
            xy, rings = _metres(xy, origin), tuple(_metres(r, origin) for r in rings)
        plots[plot] = Plot(name.get(plot, "a plot"), rings, plot in outlines)
        parts.append(rows.with_columns(x=pl.Series(xy[:, 0]), y=pl.Series(xy[:, 1])))
    nothing = table.with_columns(x=pl.lit(None, pl.Float64), y=pl.lit(None, pl.Float64))
    return (pl.concat(parts) if parts else nothing), plots


def _metres(at: Ring, origin: Ring) -> Ring:
    """Turn longitude and latitude into metres east and north of an origin."""
    scale = np.array([cos(radians(float(origin[1]))), 1.0]) * _METRES_A_DEGREE
    return np.asarray((at - origin) * scale, dtype=np.float64)


def _moment(data: StudyData, seen: pl.DataFrame, mapped: pl.DataFrame) -> tuple[float, str]:
    """Choose the moment of the pattern."""
    told = seen.filter("looked").join(mapped.select("plant", "plot"), on="plant")
    if told.is_empty():
        return 0.0, ""
    visits = data.table("visit").select("record_id", "round")
    rounds = told.join(visits, on="record_id", how="left").filter(pl.col("round").is_not_null())
    per = rounds.group_by("round").agg(plots=pl.col("plot").n_unique(), day=pl.col("t").max())
    per = per.filter(pl.col("plots") >= _MOST_PLOTS * told["plot"].n_unique()).sort("day", "round")
    if per.is_empty():
        return float(np.asarray(told["t"].max())), ""
    names = dict(data.table("round").select("subject_id", "name").iter_rows())
    return float(per["day"][-1]), names.get(per["round"][-1]) or ""


def _last(seen: pl.DataFrame, day: float) -> pl.DataFrame:
    """Give the state of each plant at its last look that says anything, at or before the day."""
    before = seen.filter((pl.col("t") <= day) & (pl.col("state") != UNKNOWN)).sort("plant", "t")
    last = before.unique("plant", keep="last", maintain_order=True)
    return last.select("plant", "state", look="record_id", seen="t")


def _measures(data: StudyData, day: float) -> pl.DataFrame:
    """Give the last openness (on the scale of one method) and height of each plant at or before the day."""
    visits = data.table("visit").filter(pl.col("repeat_of").is_null()).with_columns(t=position())
    visits = visits.join(openness(data).visits, on="record_id", how="left")
    visits = visits.filter(pl.col("t") <= day).sort("plant", "t", "record_id")
    return visits.group_by("plant").agg(
        openness=pl.col("openness").drop_nulls().last(), height=pl.col("height_cm").drop_nulls().last()
    )


def _spare_spots(table: pl.DataFrame) -> pl.Expr:
    """Mark plants that share their spot with another one that counts."""
    own = table.select("plant", "plot", "x", "y")
    parents = table.select("plant", "resprout_of", "plot", "x", "y").join(
        own.rename({"plant": "resprout_of", "x": "x_", "y": "y_", "plot": "plot_"}), on="resprout_of"
    )
    near = (pl.col("plot") == pl.col("plot_")) & (
        (pl.col("x") - pl.col("x_")) ** 2 + (pl.col("y") - pl.col("y_")) ** 2 <= _RESPROUT_M**2
    )
    shoots = set(parents.filter(near)["plant"].to_list())
    rest = table.filter(~pl.col("plant").is_in(pl.Series(sorted(shoots), dtype=pl.Binary).implode()))
    ordered = rest.sort(~_is_held(), "plant")
    first = ordered.unique(["plot", "x", "y"], keep="first", maintain_order=True)
    spare = shoots | (set(rest["plant"].to_list()) - set(first["plant"].to_list()))
    return pl.col("plant").is_in(pl.Series(sorted(spare), dtype=pl.Binary).implode())


def _is_held() -> pl.Expr:
    return ~pl.col("state").is_in([VACANT, FOUNDING])


def _spare_colonies(data: StudyData, table: pl.DataFrame, day: float) -> pl.Expr:
    """Mark plants of a colony that holds several, but for the one nearest to their middle."""
    held = data.table("colony_plant")
    since = pl.col("held_earliest").is_null() | (pl.col("held_earliest").cast(pl.Int32) <= day)
    until = pl.col("held_latest").is_null() | (pl.col("held_latest").cast(pl.Int32) >= day)
    open_end = pl.col("held_earliest") == pl.col("held_latest")
    own = held.filter((since & (until | open_end)).fill_null(True)).select("colony", "plant").unique()
    rows = table.filter(_is_held()).join(own, on="plant").sort("plant", "colony")
    rows = rows.unique("plant", keep="first", maintain_order=True)
    middle = [(pl.col(c) - pl.col(c).mean().over("colony")) ** 2 for c in ("x", "y")]
    kept = rows.with_columns(off=middle[0] + middle[1]).sort("off", "plant").unique("colony", keep="first")
    spare = set(rows["plant"].to_list()) - set(kept["plant"].to_list())
    return pl.col("plant").is_in(pl.Series(sorted(spare), dtype=pl.Binary).implode())


__all__ = ["Plot", "Positions", "positions", "rings_of"]
