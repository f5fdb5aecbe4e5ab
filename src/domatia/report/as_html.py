"""A report as one self-contained page: no script, no outside request, its own fonts inside."""

from base64 import b64encode
from collections.abc import Callable
from html import escape
from importlib.resources import files
from pathlib import Path

from domatia.model import Chart
from domatia.report.document import Block, Bullets, Document, Figure, Heading, Paragraph, Table

SHORT = 18
"""Letters of a cell that is not broken into lines."""


def as_html(document: Document, draw: Callable[[Chart], str], fonts: Path) -> str:
    """Write a report as HTML.

    Parameters
    ----------
    document : Document
    draw : callable
        `draw(chart)` gives SVG text.
    fonts : pathlib.Path
        Folder of the fonts to be put into the page.
    """
    style = files("domatia.report").joinpath("page.css").read_text(encoding="utf-8")
    body = "\n".join(_block(b, draw, i) for i, b in enumerate(document.blocks))
    links = "".join(
        f'<a href="#part{i}">{escape(b.text)}</a> '
        for i, b in enumerate(document.blocks)
        if isinstance(b, Heading) and b.level == 1
    )
    return (
        '<!doctype html>\n<html lang="en-GB"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(document.title)}</title><style>{_faces(fonts)}{style}</style></head>\n"
        f'<body><header><h1>{escape(document.title)}</h1><p class="sub">{escape(document.subtitle)}</p>'
        f'<nav aria-label="Parts of the report">{links}</nav></header>\n<main>\n{body}\n</main></body></html>\n'
    )


def _faces(fonts: Path) -> str:
    faces = []
    for name, weight in (("SourceSans3_400Regular.ttf", 400), ("SourceSans3_600SemiBold.ttf", 600)):
        data = b64encode((fonts / name).read_bytes()).decode()
        faces.append(
            f'@font-face {{ font-family: "Source Sans 3"; font-weight: {weight}; '
            f'src: url(data:font/ttf;base64,{data}) format("truetype"); }}'
        )
    return "".join(faces)


def _block(block: Block, draw: Callable[[Chart], str], place: int) -> str:
    match block:
        case Heading(text, level):
            mark = f' id="part{place}"' if level == 1 else ""
            return f"<h{level + 1}{mark}>{escape(text)}</h{level + 1}>"
        case Paragraph(text, tone):
            return f'<p class="{tone}">{escape(text)}</p>'
        case Bullets(items, tone):
            return f'<ul class="{tone}">' + "".join(f"<li>{escape(i)}</li>" for i in items) + "</ul>"
        case Table():
            return _table(block)
        case Figure(chart, caption, description):
            svg = draw(chart).replace("<svg ", f'<svg role="img" aria-label="{escape(description, quote=True)}" ', 1)
            return f'<figure><div class="sheet">{svg}</div><figcaption>{escape(caption)}</figcaption></figure>'


def _whole(cell: str) -> str:
    """Keep short cells, such as names and dates, on one line; on a phone the table is then scrolled sideways."""
    return ' class="s"' if len(cell) <= SHORT else ""


def _table(table: Table) -> str:
    kinds = [' class="n"' if n else "" for n in table.numeric]
    head = "".join(f'<th scope="col"{k}>{escape(h)}</th>' for h, k in zip(table.header, kinds, strict=True))
    rows = "".join(
        "<tr>" + "".join(f"<td{k or _whole(c)}>{escape(c)}</td>" for c, k in zip(row, kinds, strict=True)) + "</tr>"
        for row in table.rows
    )
    more = f'<p class="small">… and {table.more:,} more rows.</p>' if table.more else ""
    return (
        f'<div class="wide"><table><caption>{escape(table.caption)}</caption><thead><tr>{head}</tr></thead>'
        f"<tbody>{rows}</tbody></table>{more}</div>"
    )
