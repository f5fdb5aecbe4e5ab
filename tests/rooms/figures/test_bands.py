"""Curves over the band of a null hypothesis: one panel or several, with the words in them."""

import polars as pl

from domatia.figures.bands import bands
from domatia.figures.style import Words
from domatia.press.charts import as_png, as_svg

WORDS = Words("Lie they together?", "Pairs over those expected, with a band", "Distance (m)", "seen ÷ expected")
TABLE = pl.DataFrame(
    {
        "panel": ["within plots", "within plots", "within light", "within light"],
        "x": [1.0, 2.0, 1.0, 2.0],
        "y": [1.4, 1.2, 1.1, 1.0],
        "low": [0.7, 0.8, 0.7, 0.8],
        "high": [1.3, 1.2, 1.3, 1.2],
    }
)


def test_two_panels_and_one_are_drawn_with_their_words() -> None:
    """Panels carry their names, the key names line and band in full, the picture is a PNG."""
    chart = bands(TABLE, WORDS, ("seen", "exchanged ants (95 % of curves)"), 1.0)
    svg = as_svg(chart)
    for word in (
        "within plots",
        "within light",
        "exchanged ants (95 % of curves)",
        "Distance (m)",
        "Lie they together?",
    ):
        assert word in svg
    one = bands(TABLE.head(2), WORDS, ("seen", "chance"), 1.0)
    assert "facet" not in one
    assert "Distance (m)" in as_svg(one)
    assert as_png(one).startswith(b"\x89PNG")
