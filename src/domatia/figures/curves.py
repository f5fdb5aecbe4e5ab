"""Curves with bands, one a group."""

from collections.abc import Sequence

import polars as pl

from domatia.figures.style import Words, framed, scales
from domatia.model.question import Chart


def curves(
    table: pl.DataFrame,
    groups: Sequence[str],
    words: Words,
    *,
    stepped: bool = True,
    limits: tuple[float, float] | None = (0.0, 1.0),
) -> Chart:
    """Draw one curve a group, with its band where there is one.

    Parameters
    ----------
    table : polars.DataFrame
        `group`, `x`, `y`, `low`, `high` (the last two may be null).
    groups : sequence of str
        Groups in the order of the legend.
    words : Words
    stepped : bool
        Draw steps (a curve that falls at known times) or straight lines.
    limits : (float, float) or None
        Ends of the upright axis.
    """
    s = scales(groups)
    x: Chart = {"field": "x", "type": "quantitative", "title": words.x}
    scale: Chart = {"domain": list(limits)} if limits else {"zero": False}
    y: Chart = {"field": "y", "type": "quantitative", "title": words.y, "scale": scale}
    # the keys of band and line are one, drawn as the line is
    key: Chart = {"symbolType": "stroke", "symbolOpacity": 1, "symbolFillColor": "transparent", "symbolSize": 400}
    colour: Chart = {"field": "group", "type": "nominal", "title": None, "scale": s["color"], "legend": key}
    dash: Chart = {"field": "group", "type": "nominal", "title": None, "scale": s["strokeDash"], "legend": key}
    how = {"interpolate": "step-after"} if stepped else {}
    band: Chart = {
        "mark": {"type": "area", "opacity": 0.16, **how},
        "transform": [{"filter": "isValid(datum.low) && isValid(datum.high)"}],
        "encoding": {
            "x": x,
            "y": {"field": "low", "type": "quantitative", "title": words.y, "scale": scale},
            "y2": {"field": "high"},
            "color": colour,
        },
    }
    line: Chart = {"mark": {"type": "line", **how}, "encoding": {"x": x, "y": y, "color": colour, "strokeDash": dash}}
    values = table.select("group", "x", "y", "low", "high").to_dicts()
    return framed({"data": {"values": values}, "layer": [band, line]}, words)
