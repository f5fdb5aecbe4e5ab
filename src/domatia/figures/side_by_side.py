"""Means with their intervals, groups side by side at each of a few places such as years or habitats."""

from collections.abc import Sequence

import polars as pl

from domatia.figures.style import Words, framed, scales
from domatia.model.question import Chart


def side_by_side(table: pl.DataFrame, groups: Sequence[str], words: Words, *, zero: bool = True) -> Chart:
    """Draw a point with its interval for each group at each place.

    Parameters
    ----------
    table : polars.DataFrame
        `group`, `x` (text or whole numbers, drawn in the order of the rows), `y`, `low`, `high` (the last two may be
        null).
    groups : sequence of str
        Groups from left to right, and in the order of the legend.
    words : Words
    zero : bool
        Let the upright axis begin at nought.
    """
    s = scales(groups)
    names = list(groups)
    places = list(dict.fromkeys(str(x) for x in table["x"].to_list()))
    axis: Chart = {"labelAngle": 0, "labelLimit": 140}
    x: Chart = {"field": "x", "type": "nominal", "title": words.x, "sort": places, "axis": axis}
    offset: Chart = {"field": "group", "sort": names}
    scale: Chart = {"zero": zero}
    y: Chart = {"field": "y", "type": "quantitative", "title": words.y, "scale": scale}
    key: Chart = {"symbolSize": 110, "symbolStrokeWidth": 0}
    colour: Chart = {
        "field": "group",
        "type": "nominal",
        "title": None,
        "sort": names,
        "scale": s["color"],
        "legend": key,
    }
    shape: Chart = {
        "field": "group",
        "type": "nominal",
        "title": None,
        "sort": names,
        "scale": s["shape"],
        "legend": key,
    }
    span: Chart = {
        "mark": {"type": "rule", "strokeWidth": 2},
        "transform": [{"filter": "isValid(datum.low) && isValid(datum.high)"}],
        "encoding": {"x": x, "xOffset": offset, "y": {**y, "field": "low"}, "y2": {"field": "high"},
                     "color": colour},
    }  # fmt: skip
    point: Chart = {
        "mark": {"type": "point", "filled": True, "size": 90, "opacity": 1},
        "encoding": {"x": x, "xOffset": offset, "y": y, "color": colour, "shape": shape},
    }
    values = table.select("group", pl.col("x").cast(pl.String), "y", "low", "high").to_dicts()
    return framed({"data": {"values": values}, "layer": [span, point]}, words)
