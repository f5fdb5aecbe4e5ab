"""One style for every figure: a type family, sizes, and the same look for the same thing everywhere.

Colour never stands alone: each look also has a line pattern and a point shape. The colours differ in lightness as well
as in hue, so that they stay apart in a black-and-white copy and for colour-blind readers.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from domatia.model.question import Chart

FONT = "'Source Sans 3', sans-serif"
"""In quotes: a name that ends in a digit is no CSS identifier, and printers then leave the text out."""

INK = "#1d2733"
GREY = "#5c6670"
GRID = "#e3e6e8"
WIDTH, HEIGHT = 560, 320


@dataclass(frozen=True)
class Look:
    """How one group is drawn: colour, dashes of its line, shape of its points."""

    colour: str
    dash: tuple[int, ...]
    shape: str


LOOKS: tuple[Look, ...] = (
    Look("#123f6b", (), "circle"),
    Look("#d9822b", (7, 3), "square"),
    Look("#3d7a5a", (2, 2), "triangle-up"),
    Look("#8e3b6f", (9, 3, 2, 3), "diamond"),
    Look("#7fb2d6", (4, 4), "cross"),
    Look("#6b6f3a", (1, 3), "triangle-down"),
    Look("#b5493a", (12, 4), "stroke"),
    Look("#9aa3ab", (3, 1), "triangle-right"),
)

_FIXED: dict[str, Look] = {
    "removal": LOOKS[1],
    "sham": LOOKS[0],
    "control": LOOKS[2],
    "vacant": LOOKS[7],
    "dead": Look(INK, (1, 1), "cross"),
}


def looks_of(names: Sequence[str]) -> dict[str, Look]:
    """Give each name its look: treatments and "vacant" keep theirs in every figure, others take the free ones."""
    fixed = {n: _FIXED[n.lower()] for n in names if n.lower() in _FIXED}
    free = [look for look in LOOKS if look not in fixed.values()] or list(LOOKS)
    others = [n for n in names if n not in fixed]
    return {**fixed, **{n: free[i % len(free)] for i, n in enumerate(others)}}


def scales(names: Sequence[str]) -> dict[str, Chart]:
    """Give the scales of colour, dash and shape for these names, to be put into an encoding."""
    looks = looks_of(names)
    domain = list(names)
    return {
        "color": {"domain": domain, "range": [looks[n].colour for n in domain]},
        "strokeDash": {"domain": domain, "range": [list(looks[n].dash) or [1, 0] for n in domain]},
        "shape": {"domain": domain, "range": [looks[n].shape for n in domain]},
    }


@dataclass(frozen=True)
class Words:
    """The words of a figure: title, description for who cannot see it, and the titles of the axes with their units."""

    title: str
    description: str
    x: str = ""
    y: str = ""


def framed(spec: Chart, words: Words) -> Chart:
    """Put a specification into the house style, with its title and description."""
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v5.json",
        "description": words.description,
        "title": {"text": words.title, "anchor": "start", "fontSize": 15, "fontWeight": 600, "color": INK, "offset": 9},
        "background": "white",
        **({} if "facet" in spec else {"width": WIDTH, "height": HEIGHT}),
        "config": {
            "font": FONT,
            "axis": {
                "labelFontSize": 13, "titleFontSize": 13, "titleFontWeight": 400, "labelColor": INK,
                "titleColor": INK, "gridColor": GRID, "domainColor": GREY, "tickColor": GREY, "titlePadding": 8,
            },
            "legend": {
                "labelFontSize": 13, "titleFontSize": 13, "symbolStrokeWidth": 2, "labelColor": INK, "titleColor": INK,
            },
            "header": {"labelFontSize": 13, "titleFontSize": 13},
            "view": {"stroke": None},
            "line": {"strokeWidth": 2.2},
        },
        **spec,
    }  # fmt: skip
