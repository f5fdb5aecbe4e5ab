"""Charts on paper and in a page: the one caller of the chart renderer."""

from functools import cache
from importlib.resources import files
from pathlib import Path

from domatia.model import Chart


def font_folder() -> Path:
    """Give the folder of the fonts that come with the tool."""
    return Path(str(files("domatia.press").joinpath("fonts")))


@cache
def _ready() -> None:
    import vl_convert

    vl_convert.register_font_directory(str(font_folder()))


def as_svg(chart: Chart) -> str:
    """Draw a chart as SVG text, with the tool's own fonts and without a network."""
    import vl_convert

    _ready()
    return str(vl_convert.vegalite_to_svg(chart))


def as_png(chart: Chart, scale: float = 2.0) -> bytes:
    """Draw a chart as a PNG picture."""
    import vl_convert

    _ready()
    return bytes(vl_convert.vegalite_to_png(chart, scale=scale))
