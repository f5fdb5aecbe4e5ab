"""Estimates with their intervals, one below the other."""

from collections.abc import Sequence

import polars as pl

from domatia.figures.style import GREY, INK, Words, framed
from domatia.model.question import Chart, Effect


def estimates(effects: Sequence[Effect], words: Words, *, ratio: bool = False, nothing: float | None = None) -> Chart:
    """Draw effects as points with their intervals.

    Parameters
    ----------
    effects : sequence of Effect
        From top to bottom; infinite ends are cut at the edge of the figure.
    words : Words
    ratio : bool
        Use a logarithmic axis.
    nothing : float, optional
        Where a line marks "no effect"; 1 for ratios and 0 otherwise if left out.
    """
    none = nothing if nothing is not None else (1.0 if ratio else 0.0)
    rows = pl.DataFrame(
        {
            "label": [_label(e) for e in effects],
            "estimate": [e.estimate for e in effects],
            "low": [e.low if abs(e.low) != float("inf") else None for e in effects],
            "high": [e.high if abs(e.high) != float("inf") else None for e in effects],
        },
        schema={"label": pl.String, "estimate": pl.Float64, "low": pl.Float64, "high": pl.Float64},
    )
    scale: Chart = {"type": "log", **_reach(rows, none)} if ratio else {"zero": False}
    y: Chart = {"field": "label", "type": "nominal", "title": None, "sort": None, "axis": {"labelLimit": 260}}
    x: Chart = {"field": "estimate", "type": "quantitative", "title": words.x, "scale": scale}
    span: Chart = {**x, "field": "low"}
    layers: list[Chart] = [
        {"mark": {"type": "rule", "strokeDash": [4, 4], "color": GREY}, "encoding": {"x": {"datum": none}}},
        {
            "mark": {"type": "rule", "color": INK, "strokeWidth": 2},
            "encoding": {"y": y, "x": span, "x2": {"field": "high"}},
        },
        {
            "mark": {"type": "point", "filled": True, "size": 90, "color": INK, "opacity": 1},
            "encoding": {"y": y, "x": x},
        },
    ]
    spec: Chart = {"data": {"values": rows.to_dicts()}, "layer": layers, "height": {"step": 34}}
    return framed(spec, words)


def _reach(rows: pl.DataFrame, none: float) -> Chart:
    """Give the ends of a logarithmic axis: a little beyond what is drawn, not the next power of ten."""
    drawn = [v for c in ("estimate", "low", "high") for v in rows[c].drop_nulls().to_list() if v > 0]
    return {"domain": [min([none, *drawn]) / 1.12, max([none, *drawn]) * 1.12], "nice": False}


def _label(effect: Effect) -> str:
    compared = f"{effect.of} against {effect.against}" if effect.against else effect.of
    return compared if effect.where == "all" else f"{compared} ({effect.where})"
