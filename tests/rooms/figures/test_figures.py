"""Every chart part is a valid specification: the renderer draws it, with the words in it as text."""

import re

import polars as pl
import pytest

from domatia.figures.curves import curves
from domatia.figures.estimates import estimates
from domatia.figures.plant_map import plant_map
from domatia.figures.shares import shares
from domatia.figures.style import FONT, Words
from domatia.model import Chart, Effect
from domatia.press.charts import as_png, as_svg

WORDS = Words("A title & more", "What it shows, for who cannot see it", "Years since the start", "Share alive")
CURVE = pl.DataFrame(
    {
        "group": ["removal", "removal", "sham", "sham"],
        "x": [0.0, 1.0, 0.0, 1.0],
        "y": [1.0, 0.6, 1.0, 0.8],
        "low": [None, 0.5, None, 0.7],
        "high": [None, 0.7, None, 0.9],
    }
)
INF = float("inf")
EFFECTS = (Effect("r", "removal", "sham", 2.0, 1.5, INF), Effect("r", "control", "sham", 1.0, 0.5, 2.0, where="x"))
MAP = pl.DataFrame({"place": ["A", "A", "B"], "x_m": [1.0, 2.0, 3.0], "y_m": [1.0, 2.0, 3.0], "group": ["sham"] * 3})
PARTS = pl.DataFrame({"row": ["Rust", "Rust"], "part": ["vacant", "Rust"], "share": [0.3, 0.7]})
CHARTS: dict[str, tuple[Chart, tuple[str, ...]]] = {
    "curves": (curves(CURVE, ("sham", "removal"), WORDS), ("removal", "sham", "Years since the start")),
    "lines": (curves(CURVE, ("sham", "removal"), WORDS, stepped=False, limits=None), ("removal", "sham")),
    "ratios": (estimates(EFFECTS, WORDS, ratio=True), ("removal against sham", "control against sham (x)")),
    "estimates": (estimates(EFFECTS, WORDS), ("removal against sham",)),
    "map": (plant_map(MAP, ("sham",), WORDS), ("A", "B", "sham")),
    "shares": (shares(PARTS, ("Rust",), ("vacant", "Rust"), WORDS), ("vacant", "Rust", "70")),
}


def words_in(svg: str) -> str:
    """Give the text of a drawing."""
    return " | ".join(re.findall(r">([^<>]+)</text>", svg))


@pytest.mark.parametrize("name", list(CHARTS))
def test_a_chart_is_drawn_with_its_words(name: str) -> None:
    """The drawing holds the title and the labels as text, in the house's type."""
    chart, labels = CHARTS[name]
    svg = as_svg(chart)
    told = words_in(svg)
    assert "A title &amp; more" in told
    for label in labels:
        assert label in told, told
    assert "Source Sans 3" in FONT
    assert FONT in svg.replace("&apos;", "'").replace("&#39;", "'")
    assert "NaN" not in svg


@pytest.mark.parametrize("name", list(CHARTS))
def test_the_same_chart_is_the_same_drawing(name: str) -> None:
    """Drawn twice it is the same text, but for the numbers of its clipping paths."""
    first, second = (re.sub(r"clip\d+", "clip", as_svg(CHARTS[name][0])) for _ in range(2))
    assert first == second


def test_a_chart_says_what_it_shows_and_fetches_nothing() -> None:
    """Title and description travel with the specification; its only address is that of the schema."""
    for chart, _ in CHARTS.values():
        assert chart["description"] == WORDS.description
        addresses = re.findall(r"https?://[^'\" ]+", repr(chart))
        assert addresses == ["https://vega.github.io/schema/vega-lite/v5.json"]


def test_steps_fall_where_the_curve_falls() -> None:
    """A curve that falls at known times is drawn in steps; a line of means is not."""
    assert '"step-after"' in repr(CHARTS["curves"][0]).replace("'", '"')
    assert "step-after" not in repr(CHARTS["lines"][0])


def test_groups_differ_by_more_than_colour() -> None:
    """Lines carry dashes and points carry shapes beside their colours."""
    assert "strokeDash" in CHARTS["curves"][0]["layer"][1]["encoding"]
    assert "shape" in CHARTS["map"][0]["spec"]["encoding"]


def test_a_map_draws_at_most_24_places() -> None:
    """The first 24 places by name."""
    many = pl.DataFrame({"place": [f"P{i:02}" for i in range(30)], "x_m": 1.0, "y_m": 1.0, "group": "plant"})
    chart = plant_map(many, ("plant",), WORDS)
    assert len(chart["data"]["values"]) == 24


def test_words_are_drawn_in_a_picture_too() -> None:
    """Another title changes the picture: the name of the type is one that a printer understands."""
    first = as_png(CHARTS["curves"][0], 1.0)
    title = {**CHARTS["curves"][0]["title"], "text": "Another title"}
    assert as_png({**CHARTS["curves"][0], "title": title}, 1.0) != first


def test_the_key_of_a_curve_is_drawn_as_the_curve_is() -> None:
    """The band does not take the names out of the key, nor the dashes from its lines."""
    svg = as_svg(CHARTS["curves"][0])
    key = svg[svg.index("role-legend") :]
    assert key.count('stroke-dasharray="7,3"') == 1
    assert 'stroke="#123f6b"' in key


def test_a_picture_is_a_png() -> None:
    """The first bytes are those of the PNG standard (ISO/IEC 15948)."""
    assert as_png(CHARTS["curves"][0], 1.0)[:8] == b"\x89PNG\r\n\x1a\n"
