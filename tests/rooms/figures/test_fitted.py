"""Fitted curves over what was observed."""

import polars as pl

from domatia.figures.fitted import fitted
from domatia.figures.style import Words

WORDS = Words("A title", "A description.", "Larvae", "Survivors")
CURVE = pl.DataFrame(
    {"group": ["a", "a", "b", "b"], "x": [1.0, 2.0] * 2, "y": [0.5, 0.7] * 2, "low": [0.4, 0.6] * 2, "high": [0.6] * 4}
)
POINTS = pl.DataFrame({"group": ["a", "b"], "x": [1.5, 1.5], "y": [0.6, 0.5]})


def test_curve_band_and_points_share_axes_and_colours() -> None:
    """Three layers on the same axes; words say which points are whose, since keys cannot."""
    chart = fitted(CURVE, POINTS, ["a", "b"], WORDS, log_x=[1, 2])
    assert [layer["mark"]["type"] for layer in chart["layer"]] == ["area", "line", "point"]
    assert all(layer["encoding"]["x"]["scale"]["type"] == "log" for layer in chart["layer"])
    assert all(layer["encoding"]["x"]["axis"]["values"] == [1, 2] for layer in chart["layer"])
    scales = [layer["encoding"]["color"]["scale"] for layer in chart["layer"]]
    assert scales[0] == scales[1] == scales[2]
    assert chart["title"]["subtitle"] == ["Observed shown as points (circles: a; squares: b)"]


def test_many_groups_are_told_in_short_lines_and_plain_words() -> None:
    """Names of shapes are words, each group stands whole in one line, and lines are short."""
    names = [f"Long-named ant {i}" for i in range(8)] + ["vacant"]
    lines = fitted(CURVE, POINTS, names, WORDS)["title"]["subtitle"]
    assert 1 < len(lines) <= 4
    assert max(len(line) for line in lines) <= 112
    assert all(any(f": {n}" in line for line in lines) for n in names)
    assert "triangle-" not in " ".join(lines)


def test_a_lone_group_has_no_key() -> None:
    """One curve needs no legend and no words about points."""
    one = pl.col("group") == "a"
    chart = fitted(CURVE.filter(one), POINTS.filter(one), ["a"], WORDS)
    assert "subtitle" not in chart["title"]
    assert all(layer["encoding"]["color"]["legend"] is None for layer in chart["layer"])
    assert "axis" not in chart["layer"][0]["encoding"]["x"]
