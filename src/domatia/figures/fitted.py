"""Fitted curves with their bands, and what was observed as points."""

from collections.abc import Sequence

import polars as pl

from domatia.figures.curves import curves
from domatia.figures.style import INK, Words, scales
from domatia.model.question import Chart


def fitted(
    table: pl.DataFrame,
    points: pl.DataFrame,
    groups: Sequence[str],
    words: Words,
    *,
    limits: tuple[float, float] | None = None,
    log_x: Sequence[float] = (),
) -> Chart:
    """Draw one curve a group over the points it was fitted to.

    Parameters
    ----------
    table : polars.DataFrame
        `group`, `x`, `y`, `low`, `high`.
    points : polars.DataFrame
        `group`, `x`, `y` of what was observed.
    groups : sequence of str
    words : Words
    limits : (float, float) or None
        Ends of the upright axis.
    log_x : sequence of float
        Ticks of a logarithmic level axis; empty for a plain one.
    """
    chart = curves(table, groups, words, stepped=False, limits=limits)
    s = scales(groups)
    x: Chart = {"field": "x", "type": "quantitative", "title": words.x}
    if log_x:
        x |= {"scale": {"type": "log", "nice": False}, "axis": {"values": list(log_x), "format": "~g"}}
        for layer in chart["layer"]:
            layer["encoding"]["x"] = x
    y = chart["layer"][1]["encoding"]["y"]
    point: Chart = {
        "data": {"values": points.select("group", "x", "y").to_dicts()},
        "mark": {"type": "point", "filled": True, "size": 70, "opacity": 0.9, "stroke": INK, "strokeWidth": 0.6},
        "encoding": {
            "x": x,
            "y": y,
            "color": {"field": "group", "type": "nominal", "title": None, "scale": s["color"], "legend": None},
            "shape": {"field": "group", "type": "nominal", "title": None, "scale": s["shape"], "legend": None},
        },
    }
    chart["layer"].append(point)
    # a lone group's key says what the title says already
    chart["resolve"] = {"legend": {"shape": "independent"}}
    return chart
