"""Curves over the band that a null hypothesis gives them, one panel below the other."""

import polars as pl

from domatia.figures.style import GREY, INK, Words, framed
from domatia.model.question import Chart


def bands(table: pl.DataFrame, words: Words, names: tuple[str, str], level: float) -> Chart:
    """Draw what was seen as a line and what chance gives as a band.

    Parameters
    ----------
    table : polars.DataFrame
        `panel`, `x`, `y` (seen), `low`, `high` (the band); panels in the order of their first rows.
    words : Words
    names : (str, str)
        What the line and the band are called in the legend.
    level : float
        Where a line marks what is expected.
    """
    panels = table["panel"].unique(maintain_order=True).to_list()
    rows = table.select("panel", "x", "y", "low", "high").to_dicts()
    x: Chart = {"field": "x", "type": "quantitative", "title": words.x}
    scale: Chart = {"zero": False}
    y: Chart = {"field": "y", "type": "quantitative", "title": words.y, "scale": scale}
    key: Chart = {"domain": list(names), "range": [INK, "#b9c4cc"]}
    shade: Chart = {"title": None, "orient": "top", "symbolType": "square", "symbolStrokeWidth": 0, "symbolSize": 160}
    shade["labelLimit"] = 400
    band: Chart = {
        "mark": {"type": "area", "opacity": 0.75},
        "encoding": {
            "x": x,
            "y": {**y, "field": "low"},
            "y2": {"field": "high"},
            "color": {"datum": names[1], "type": "nominal", "scale": key, "legend": shade},
        },
    }
    line: Chart = {
        "mark": {"type": "line", "strokeWidth": 2.4},
        "encoding": {"x": x, "y": y, "color": {"datum": names[0], "type": "nominal", "scale": key, "legend": shade}},
    }
    none: Chart = {
        "mark": {"type": "rule", "strokeDash": [4, 4], "color": GREY},
        "encoding": {"y": {"datum": level}},
    }
    layers = {"layer": [band, none, line], "width": 520, "height": 200 if len(panels) > 1 else 300}
    if len(panels) < 2:
        return framed({"data": {"values": rows}, **layers}, words)
    facet: Chart = {"row": {"field": "panel", "type": "nominal", "title": None, "sort": panels}}
    facet["row"]["header"] = {"labelOrient": "top", "labelAnchor": "start", "labelFontWeight": 600, "labelFontSize": 13}
    return framed({"data": {"values": rows}, "facet": facet, "spec": layers}, words)
