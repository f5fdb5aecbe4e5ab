"""Charts on paper and in a page: the one caller of the chart renderer."""

import re
from functools import cache
from hashlib import sha256
from importlib.resources import files
from pathlib import Path

from domatia.model import Chart

_NUMBERED = re.compile(r"(?<=[\"#])(?:clip|gradient_)[0-9]+(?=[\")])")
_MARK = "\ue000"
_PLAIN = re.compile(f"{_MARK}([0-9]+){_MARK}")


def font_folder() -> Path:
    """Give the folder of the fonts that come with the tool."""
    return Path(str(files("domatia.press").joinpath("fonts")))


@cache
def _ready() -> None:
    import vl_convert

    vl_convert.register_font_directory(str(font_folder()))


def as_svg(chart: Chart) -> str:
    """Draw a chart as SVG text, with the tool's own fonts and without a network.

    The same chart always gives the same text: the renderer numbers clip paths and gradients on from chart to chart, so
    they are named anew here by what is drawn, which also keeps the charts of one page apart.
    """
    import vl_convert

    _ready()
    drawn = str(vl_convert.vegalite_to_svg(chart))
    marks = list(dict.fromkeys(_NUMBERED.findall(drawn)))
    if not marks:
        return drawn
    number = {mark: str(i) for i, mark in enumerate(marks)}
    plain = _NUMBERED.sub(lambda found: f"{_MARK}{number[found.group(0)]}{_MARK}", drawn)
    name = sha256(plain.encode()).hexdigest()[:12]
    return _PLAIN.sub(lambda found: f"c{name}-{found.group(1)}", plain)


def as_png(chart: Chart, scale: float = 2.0) -> bytes:
    """Draw a chart as a PNG picture."""
    import vl_convert

    _ready()
    return bytes(vl_convert.vegalite_to_png(chart, scale=scale))
