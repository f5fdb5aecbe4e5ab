"""A report as a list of plain blocks, from which both the page and the paper are made."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

import polars as pl

from domatia.model import Chart
from domatia.report.headers import PLAIN_NUMBERS, header_of

Tone = Literal["plain", "answer", "caution", "small"]


@dataclass(frozen=True)
class Heading:
    """A heading of level 1 (a part) or 2 (a section)."""

    text: str
    level: int = 1


@dataclass(frozen=True)
class Paragraph:
    """A paragraph; an "answer" is set off, a "caution" is framed, "small" is for methods and references."""

    text: str
    tone: Tone = "plain"


@dataclass(frozen=True)
class Bullets:
    """A list of short texts."""

    items: tuple[str, ...]
    tone: Tone = "plain"


@dataclass(frozen=True)
class Table:
    """A table of text, with its caption above."""

    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[bool, ...]
    more: int = 0


@dataclass(frozen=True)
class Figure:
    """A chart with its caption, and the description for who cannot see it."""

    chart: Chart
    caption: str
    description: str


NUMBERS_AS_TEXT = ("estimate",)
"""Columns that hold numbers already written out."""

Block: TypeAlias = Heading | Paragraph | Bullets | Table | Figure


@dataclass(frozen=True)
class Document:
    """A whole report.

    Attributes
    ----------
    title, subtitle : str
    blocks : tuple of Block
    """

    title: str
    subtitle: str
    blocks: tuple[Block, ...] = field(default=())


def _cell(value: object, column: str = "") -> str:
    if value is None or (isinstance(value, float) and value != value):
        return "–"
    if isinstance(value, float):
        if abs(value) == float("inf"):
            return "no bound"
        if value == int(value) and abs(value) < 1e6:
            return f"{value:.0f}"
        return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int) and column not in PLAIN_NUMBERS:
        return f"{value:,}"
    return str(value)


def as_table(frame: pl.DataFrame, caption: str, most: int = 40, headers: Sequence[str] = ()) -> Table:
    """Turn a frame into a table of text; rows beyond `most` are counted, not shown.

    Column names become headers in plain words with their units, unless `headers` gives them.
    """
    shown = frame.head(most)
    rows = tuple(tuple(_cell(v, c) for v, c in zip(row, shown.columns, strict=True)) for row in shown.iter_rows())
    header = tuple(headers) or tuple(header_of(c) for c in frame.columns)
    numeric = tuple(t.is_numeric() or c in NUMBERS_AS_TEXT for c, t in zip(frame.columns, frame.dtypes, strict=True))
    return Table(caption, header, rows, numeric, frame.height - shown.height)
