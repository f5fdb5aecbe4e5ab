"""Where the plants stand, one panel a place."""

from collections.abc import Sequence

import numpy as np
import polars as pl

from domatia.figures.style import Words, framed, scales
from domatia.model.question import Chart

_MOST_PANELS = 24


def _near(values: pl.Series, share: float, way: int) -> float:
    """Give the end of an axis: where all but a few plants stand, so that one misplaced plant squeezes nothing."""
    end = float(np.quantile(values.to_numpy(), share))
    return float(np.floor(end) if way < 0 else np.ceil(end))


def _axis(field: str, title: str, ends: list[float]) -> Chart:
    axis = {"tickCount": 3}
    return {
        "field": field,
        "type": "quantitative",
        "title": title,
        "axis": axis,
        "scale": {"domain": ends, "nice": False},
    }


def plant_map(table: pl.DataFrame, groups: Sequence[str], words: Words) -> Chart:
    """Draw plants as points on the metres of their place.

    Parameters
    ----------
    table : polars.DataFrame
        `place`, `x_m`, `y_m`, `group`; at most 24 places are drawn, in the order of their names.
    groups : sequence of str
        Groups in the order of the legend.
    words : Words

    Notes
    -----
    The axes reach as far as 99 % of the plants; the few beyond are not drawn.
    """
    s = scales(groups)
    places = sorted(table["place"].unique().to_list())[:_MOST_PANELS]
    reach = {c: [_near(table[c], 0.005, -1), _near(table[c], 0.995, 1)] for c in ("x_m", "y_m")}
    rows = table.filter(pl.col("place").is_in(places)).select(
        "place", pl.col("x_m").round(1), pl.col("y_m").round(1), "group"
    )
    columns = 6 if len(places) > 8 else 4
    return framed(
        {
            "data": {"values": rows.to_dicts()},
            "facet": {"field": "place", "type": "nominal", "title": None, "sort": places},
            "columns": columns,
            "spec": {
                "width": 110,
                "height": 110,
                "mark": {"type": "point", "filled": True, "size": 12, "opacity": 0.85, "clip": True},
                "encoding": {
                    "x": _axis("x_m", words.x, reach["x_m"]),
                    "y": _axis("y_m", words.y, reach["y_m"]),
                    "color": {"field": "group", "type": "nominal", "title": None, "scale": s["color"]},
                    "shape": {"field": "group", "type": "nominal", "title": None, "scale": s["shape"]},
                },
            },
        },
        words,
    )
