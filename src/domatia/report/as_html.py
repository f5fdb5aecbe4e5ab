"""A report as one self-contained page: no script, no outside request, its own fonts inside."""

from base64 import b64encode
from collections.abc import Callable
from html import escape
from pathlib import Path

from domatia.model import Chart
from domatia.report.document import Block, Bullets, Document, Figure, Heading, Paragraph, Table

_STYLE = """
:root { --ink: #1d2733; --soft: #5c6670; --line: #d5dade; --tint: #eef3f7; --care: #fdf3e4; --edge: #123f6b; --paper: #fff; }
@media (prefers-color-scheme: dark) { :root { --ink: #e8ecef; --soft: #aab4bd; --line: #3a444e; --tint: #1f2a35;
  --care: #3a2f1d; --edge: #7fb2d6; --paper: #12181f; } }
* { box-sizing: border-box; }
body { font-family: "Source Sans 3", sans-serif; font-size: 1.125rem; line-height: 1.55; color: var(--ink);
  background: var(--paper); margin: 0 auto; max-width: 52rem; padding: 1.5rem 1.1rem 4rem; }
h1 { font-size: 2rem; line-height: 1.2; margin: 0 0 .3rem; } h2 { font-size: 1.5rem; margin: 2.6rem 0 .6rem;
  border-top: 2px solid var(--line); padding-top: 1rem; } h3 { font-size: 1.2rem; margin: 1.8rem 0 .4rem; }
.sub { color: var(--soft); margin: 0 0 1.5rem; } .answer { background: var(--tint); border-left: .35rem solid var(--edge);
  padding: .8rem 1rem; } .caution { background: var(--care); border: 1px solid var(--line); padding: .8rem 1rem; }
.small { font-size: 1rem; color: var(--soft); } figure { margin: 1.4rem 0; } figure .sheet { background: #fff;
  padding: .5rem; border-radius: .2rem; overflow-x: auto; } figure svg { max-width: 100%; height: auto; display: block; }
figcaption, caption { font-size: 1rem; color: var(--soft); text-align: left; padding: .4rem 0; }
.wide { overflow-x: auto; margin: 1.2rem 0; } table { border-collapse: collapse; font-size: 1rem; min-width: 50%; }
th, td { padding: .3rem .7rem; border-bottom: 1px solid var(--line); text-align: left; vertical-align: top; }
th { font-weight: 600; border-bottom: 2px solid var(--soft); } td.n, th.n { text-align: right;
  font-variant-numeric: tabular-nums; white-space: nowrap; } a { color: var(--edge); } nav a { margin-right: 1rem; }
@media print { body { max-width: none; font-size: 11pt; } h2 { break-after: avoid; } figure, tr { break-inside: avoid; } }
"""


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
    body = "\n".join(_block(b, draw, i) for i, b in enumerate(document.blocks))
    links = "".join(
        f'<a href="#part{i}">{escape(b.text)}</a> '
        for i, b in enumerate(document.blocks)
        if isinstance(b, Heading) and b.level == 1
    )
    return (
        '<!doctype html>\n<html lang="en-GB"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(document.title)}</title><style>{_faces(fonts)}{_STYLE}</style></head>\n"
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


def _table(table: Table) -> str:
    kinds = [' class="n"' if n else "" for n in table.numeric]
    head = "".join(f'<th scope="col"{k}>{escape(h)}</th>' for h, k in zip(table.header, kinds, strict=True))
    rows = "".join(
        "<tr>" + "".join(f"<td{k}>{escape(c)}</td>" for c, k in zip(row, kinds, strict=True)) + "</tr>"
        for row in table.rows
    )
    more = f'<p class="small">… and {table.more:,} more rows.</p>' if table.more else ""
    return (
        f'<div class="wide"><table><caption>{escape(table.caption)}</caption><thead><tr>{head}</tr></thead>'
        f"<tbody>{rows}</tbody></table>{more}</div>"
    )
