"""Shares of a whole, one bar a row: what becomes of each state."""

from collections.abc import Sequence

import polars as pl

from domatia.figures.style import INK, Words, framed, scales
from domatia.model.question import Chart


def shares(table: pl.DataFrame, rows: Sequence[str], parts: Sequence[str], words: Words) -> Chart:
    """Draw one bar a row, cut into shares; each share of 6 % or more carries its number.

    Parameters
    ----------
    table : polars.DataFrame
        `row`, `part`, `share` (0 to 1).
    rows, parts : sequence of str
        Rows from top to bottom; parts from left to right.
    words : Words
    """
    order = {p: i for i, p in enumerate(parts)}
    data = table.with_columns(order=pl.col("part").replace_strict(order, return_dtype=pl.Int64)).sort("row", "order")
    data = data.with_columns(end=pl.col("share").cum_sum().over("row")).with_columns(
        begin=pl.col("end") - pl.col("share")
    )
    data = data.with_columns(
        middle=(pl.col("begin") + pl.col("end")) / 2, text=(100 * pl.col("share")).round().cast(pl.Int64)
    )
    y: Chart = {
        "field": "row",
        "type": "nominal",
        "title": words.y or None,
        "sort": list(rows),
        "axis": {"labelLimit": 220},
    }
    axis: Chart = {"format": "%"}
    x: Chart = {"type": "quantitative", "title": words.x, "scale": {"domain": [0, 1]}, "axis": axis}
    colour: Chart = {
        "field": "part",
        "type": "nominal",
        "title": None,
        "sort": list(parts),
        "scale": scales(parts)["color"],
    }
    bar: Chart = {
        "mark": {"type": "bar", "stroke": "white", "strokeWidth": 1},
        "encoding": {"y": y, "x": {**x, "field": "begin"}, "x2": {"field": "end"}, "color": colour},
    }
    number: Chart = {
        "transform": [{"filter": "datum.share >= 0.06"}],
        "mark": {"type": "text", "fontSize": 12, "color": INK, "fontWeight": 600, "stroke": "white", "strokeWidth": 3},
        "encoding": {"y": y, "x": {**x, "field": "middle"}, "text": {"field": "text", "type": "quantitative"}},
    }
    top: Chart = {**number, "mark": {"type": "text", "fontSize": 12, "color": INK, "fontWeight": 600}}
    return framed({"data": {"values": data.to_dicts()}, "layer": [bar, number, top], "height": {"step": 34}}, words)
