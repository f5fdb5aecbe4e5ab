"""The chart renderer's output: the same bytes for the same chart."""

import re
from typing import Any

from domatia.press.charts import as_svg


def line(y: float) -> dict[str, Any]:
    """Give a small clipped line chart."""
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.json",
        "data": {"values": [{"a": 1, "b": 2}, {"a": 2, "b": y}]},
        "mark": {"type": "line", "clip": True},
        "encoding": {
            "x": {"field": "a", "type": "quantitative"},
            "y": {"field": "b", "type": "quantitative", "title": "clip1 of @0@"},
        },
    }


def names(svg: str) -> tuple[set[str], set[str]]:
    """Give the names of clip paths that are defined, and those that are used."""
    return set(re.findall(r'<clipPath id="([^"]+)"', svg)), set(re.findall(r"url\(#([^)]+)\)", svg))


def test_the_same_chart_gives_the_same_text_twice() -> None:
    """A second drawing in one process is byte-equal, though the renderer numbers its clip paths on."""
    assert as_svg(line(3)) == as_svg(line(3))


def test_clip_paths_of_two_charts_stay_apart_and_are_all_defined() -> None:
    """Two charts on one page share no name; every name that is used is defined; words stay as written."""
    one, other = as_svg(line(3)), as_svg(line(4))
    defined, used = names(one)
    assert used
    assert used <= defined
    assert not defined & names(other)[0]
    assert "clip1 of @0@" in one
