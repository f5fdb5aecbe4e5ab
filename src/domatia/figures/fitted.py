"""Fitted curves with their bands, and what was observed as points."""

from collections.abc import Sequence

import polars as pl

from domatia.figures.curves import curves
from domatia.figures.style import INK, Words, looks_of, scales
from domatia.model.question import Chart

_SHAPES = {
    "triangle-up": "triangles", "circle": "circles", "square": "squares", "diamond": "diamonds", "cross": "crosses",
    "triangle-down": "triangles that point down", "stroke": "dashes", "triangle-right": "triangles that point right",
}  # fmt: skip
_LETTERS = 112
"""Letters in a line of the words below the title, so that they end where the curves do."""


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
    lone = len(groups) == 1
    colour: Chart = {"field": "group", "type": "nominal", "title": None, "scale": s["color"], "legend": None}
    point: Chart = {
        "data": {"values": points.select("group", "x", "y").to_dicts()},
        "mark": {"type": "point", "filled": True, "size": 70, "opacity": 0.9, "stroke": INK, "strokeWidth": 0.6},
        "encoding": {
            "x": x,
            "y": y,
            "color": colour,
            "shape": {"field": "group", "type": "nominal", "title": None, "scale": s["shape"], "legend": None},
        },
    }
    if lone:
        for layer in chart["layer"]:
            for channel in ("color", "strokeDash"):
                if channel in layer["encoding"]:
                    layer["encoding"][channel] = {**layer["encoding"][channel], "legend": None}
    else:
        # a line's key cannot show the shape of the points: words do
        chart["title"] |= {"subtitle": _whose(groups), "subtitleFontSize": 12, "subtitleColor": INK}
    chart["layer"].append(point)
    chart["resolve"] = {"legend": {"shape": "independent"}}
    return chart


def _whose(groups: Sequence[str]) -> list[str]:
    """Say in lines which points are whose, broken between groups."""
    looks = looks_of(groups)
    told = [f"{_SHAPES[looks[name].shape]}: {name}" for name in groups]
    parts = [*(f"{t};" for t in told[:-1]), f"{told[-1]})"]
    lines = ["Observed shown as points ("]
    for part in parts:
        if len(lines[-1]) + len(part) >= _LETTERS:
            lines.append(part)
        else:
            lines[-1] += part if lines[-1].endswith("(") else f" {part}"
    return lines
