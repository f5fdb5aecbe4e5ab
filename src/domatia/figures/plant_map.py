"""Where the plants stand, one panel a place."""

from collections.abc import Sequence

import polars as pl

from domatia.figures.style import Words, framed, scales
from domatia.model.question import Chart

_MOST_PANELS = 24


def plant_map(table: pl.DataFrame, groups: Sequence[str], words: Words) -> Chart:
    """Draw plants as points on the metres of their place.

    Parameters
    ----------
    table : polars.DataFrame
        `place`, `x_m`, `y_m`, `group`; at most 24 places are drawn, in the order of their names.
    groups : sequence of str
        Groups in the order of the legend.
    words : Words
    """
    s = scales(groups)
    places = sorted(table["place"].unique().to_list())[:_MOST_PANELS]
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
                "mark": {"type": "point", "filled": True, "size": 12, "opacity": 0.85},
                "encoding": {
                    "x": {"field": "x_m", "type": "quantitative", "title": words.x, "axis": {"tickCount": 3}},
                    "y": {"field": "y_m", "type": "quantitative", "title": words.y, "axis": {"tickCount": 3}},
                    "color": {"field": "group", "type": "nominal", "title": None, "scale": s["color"]},
                    "shape": {"field": "group", "type": "nominal", "title": None, "scale": s["shape"]},
                },
            },
        },
        words,
    )
