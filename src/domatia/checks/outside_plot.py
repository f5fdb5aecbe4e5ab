"""A plant's coordinates lie outside its plot, or far from an earlier fix.

What is wrong
-------------
The coordinates of a plant fall outside the outline of its plot by more than their uncertainty; or they lie far from all
other plants of the plot; or two fixes of one plant (two revisions not yet decided, or two plants found to be one) lie
farther apart than their uncertainties allow. Columns may be swapped, a sign lost, or the place is another.

An example that fails
---------------------
| plant | plot (50 m by 100 m) | x_m | y_m |
|-------|----------------------|-----|-----|
| 82    | FF-1                 | 98  | 12  |

The better form
---------------
Correct the coordinates or the place. If the plant really stands outside, its place is the larger one.

How it is judged
----------------
An outline less than 1 wide and high is in longitude and latitude, any other in the plot's own metres. Where a plant
has no uncertainty, 1 m counts in the plot's metres and 10 m in longitude and latitude. The nearest outline of each
sort, that of the plant's own place or a larger one, decides. Without an outline, a fix is far when it lies more than
200 m and more than ten times the plot's median distance from the plot's median position, with at least 5 plants. Two
fixes are far when they lie more than 2 m (plot metres) or 10 m (longitude and latitude) apart, beyond the sum of
their uncertainties.

What it does not see
--------------------
A wrong position inside the plot. Distances in longitude and latitude are taken on a sphere of 6,371 km.

Source
------
Common practice, no source; the distances are our own.
"""

from collections.abc import Iterator
from math import cos, radians
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np
import numpy.typing as npt
import polars as pl

from domatia.checks.gather import Row, grouped, number, wheres
from domatia.checks.naming import labelled
from domatia.checks.one_plant import kept_plants, plants
from domatia.checks.places import chains
from domatia.checks.written import listing
from domatia.model import Check, Finding, StudyData

if TYPE_CHECKING:
    from shapely import Geometry

System: TypeAlias = Literal["plot", "globe"]
Floats: TypeAlias = npt.NDArray[np.float64]

_METRES_A_DEGREE = 6_371_000 * radians(1)
_COLUMNS: dict[System, tuple[str, str]] = {"plot": ("x_m", "y_m"), "globe": ("longitude", "latitude")}
_FALLBACK: dict[System, float] = {"plot": 1.0, "globe": 10.0}
_APART: dict[System, float] = {"plot": 2.0, "globe": 10.0}
_FAR_M = 200.0
_FAR_TIMES = 10
_FEWEST = 5
_HIT = {"plant": pl.Binary, "record_id": pl.Binary, "column": pl.String, "told": pl.String}


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find plants outside the outline of their plot, far from its other plants, or with two fixes far apart."""
    outlines, broken = _outlines(data)
    table = plants(data).with_columns(pl.col("subject_id").alias("plant"))
    hits = [*_outside(table, outlines, data), *_two_fixes(data)]
    rows = pl.DataFrame(hits, schema=_HIT, orient="row")
    named = labelled(rows.join(_records(data), on="record_id"), data, when="")
    return (*broken, *(_finding(group) for group in grouped(named, "plant")))


def _records(data: StudyData) -> pl.DataFrame:
    columns = ("record_id", "subject_id", "origin_file", "origin_sheet", "origin_row")
    tables = [data.table("plant"), *(data.undecided[k] for k in ("plant",) if k in data.undecided)]
    return pl.concat([t.select(columns) for t in tables]).unique("record_id")


def _outlines(data: StudyData) -> tuple[dict[bytes, tuple[System, "Geometry"]], list[Finding]]:
    """Read the outlines of places; one that cannot be read is a finding."""
    from shapely import GEOSException, from_geojson

    found: dict[bytes, tuple[System, Geometry]] = {}
    broken = []
    table = data.table("place").filter(data.table("place")["outline"].is_not_null()).sort("subject_id")
    for row in table.iter_rows(named=True):
        try:
            shape = from_geojson(row["outline"])
            left, bottom, right, top = shape.bounds
        except (GEOSException, ValueError):
            broken.append(_unreadable(row))
            continue
        if shape.is_empty:
            broken.append(_unreadable(row))
            continue
        found[row["subject_id"]] = ("globe" if max(right - left, top - bottom) < 1 else "plot", shape)
    return found, broken


def _outside(
    table: pl.DataFrame, outlines: dict[bytes, tuple[System, "Geometry"]], data: StudyData
) -> Iterator[tuple[bytes, bytes, str, str]]:
    """Give the plants outside the nearest outline of each sort, and the strays where there is none."""
    around = chains(data)
    names = dict(data.table("place").select("subject_id", "name").iter_rows())
    for (place,), rows in table.filter(pl.col("place").is_not_null()).group_by("place"):
        chain = around.get(bytes(place), [])
        for system, columns in _COLUMNS.items():
            known = rows.drop_nulls(list(columns)).sort("subject_id")
            if known.is_empty():
                continue
            nearest = next((p for p in chain if p in outlines and outlines[p][0] == system), None)
            if nearest is not None:
                yield from _beyond(known, system, outlines[nearest][1], names[nearest])
            elif system == "globe":
                yield from _strays(known, names.get(bytes(place), "the place"))


def _metres(at: Floats, origin: Floats) -> Floats:
    """Turn longitude and latitude into metres east and north of an origin."""
    scale = np.array([cos(radians(float(origin[1]))), 1.0]) * _METRES_A_DEGREE
    return np.asarray((at - origin) * scale, dtype=np.float64)


def _beyond(
    known: pl.DataFrame, system: System, outline: "Geometry", name: str
) -> Iterator[tuple[bytes, bytes, str, str]]:
    from shapely import distance, points, transform

    at = known.select(_COLUMNS[system]).cast(pl.Float64).to_numpy()
    flat, shape = at, outline
    if system == "globe":
        origin = np.median(at, axis=0)
        flat = _metres(at, origin)
        shape = transform(outline, lambda xy: _metres(xy, origin))
    allowed = known["uncertainty_m"].fill_null(_FALLBACK[system]).to_numpy()
    off = distance(points(flat), shape)
    for i in np.flatnonzero(off > allowed):
        x, y = at[i]
        told = f"({number(float(x))}, {number(float(y))}) lies {off[i]:,.1f} m outside {name}"
        yield known["plant"][int(i)], known["record_id"][int(i)], _COLUMNS[system][0], told


def _strays(known: pl.DataFrame, name: str) -> Iterator[tuple[bytes, bytes, str, str]]:
    if known.height < _FEWEST:
        return
    at = known.select(_COLUMNS["globe"]).to_numpy()
    off = np.hypot(*_metres(at, np.median(at, axis=0)).T)
    for i in np.flatnonzero(off > max(_FAR_M, _FAR_TIMES * float(np.median(off)))):
        x, y = at[i]
        told = f"({number(float(x))}, {number(float(y))}) lies {off[i]:,.0f} m from the middle of the plants of {name}"
        yield known["plant"][int(i)], known["record_id"][int(i)], "longitude", told


def _two_fixes(data: StudyData) -> Iterator[tuple[bytes, bytes, str, str]]:
    """Give plants two of whose records, undecided or merged, lie farther apart than their uncertainties allow."""
    merged = kept_plants(data)
    tables = [data.table("plant"), *(data.undecided[k] for k in ("plant",) if k in data.undecided)]
    fixes: dict[bytes, list[Row]] = {}
    several = {*merged, *merged.values(), *(s for t in tables[1:] for s in t["subject_id"].to_list())}
    known_twice = pl.concat(tables).filter(
        pl.col("subject_id").is_in(pl.Series(list(several), dtype=pl.Binary).implode())
    )
    for row in known_twice.sort("subject_id", "record_id").iter_rows(named=True):
        fixes.setdefault(merged.get(row["subject_id"], row["subject_id"]), []).append(row)
    for plant, rows in fixes.items():
        for system, (x, y) in _COLUMNS.items():
            known = [r for r in rows if r[x] is not None and r[y] is not None]
            known = [r for r in known if system == "globe" or r["place"] == known[0]["place"]]
            for other in known[1:]:
                at = np.array([[r[x], r[y]] for r in (known[0], other)], dtype=np.float64)
                flat = _metres(at, at[0]) if system == "globe" else at
                off = float(np.hypot(*(flat[1] - flat[0])))
                allowed = _APART[system] + (known[0]["uncertainty_m"] or 0) + (other["uncertainty_m"] or 0)
                if off > allowed:
                    told = f"two fixes of the plant lie {off:,.1f} m apart"
                    yield from ((plant, r["record_id"], x, told) for r in (known[0], other))


def _finding(rows: list[Row]) -> Finding:
    told = sorted({row["told"] for row in rows})
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=wheres(rows, "plant", rows[0]["column"]),
        found=f"The coordinates do not fit: {listing(told)}.",
        expected="A plant stands within its place, where it stood before.",
        remedy="Correct the coordinates or the place; look for swapped columns or a lost sign.",
        subjects=(rows[0]["plant"],),
        values=tuple(told),
    )


def _unreadable(row: Row) -> Finding:
    return Finding(
        code=CHECK.code,
        severity="error",
        where=wheres([{**row, "label": row["name"]}], "place", "outline"),
        found="The outline of the place cannot be read.",
        expected="An outline as a GeoJSON geometry.",
        remedy="Correct the outline; until then no plant is checked against it.",
        subjects=(row["subject_id"],),
        values=(row["outline"],),
    )


CHECK = Check(
    code="outside_plot",
    title="A plant's coordinates lie outside its plot, or far from an earlier fix",
    severity="error",
    kinds=("plant", "place"),
    run=run,
)
