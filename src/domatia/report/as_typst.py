"""A report as the typesetter's source, with its pictures beside it."""

from collections.abc import Callable

from domatia.model import Chart
from domatia.report.document import Block, Bullets, Document, Figure, Heading, Paragraph, Table

_HEAD = """#set document(title: {title}, date: none)
#set page(paper: "a4", margin: (x: 2.2cm, y: 2.2cm), footer: context align(center, text(9pt, fill: luma(100))[
  #counter(page).display() of #counter(page).final().first()]))
#set text(font: "Source Sans 3", size: 10.5pt, lang: "en", region: "GB")
#set par(justify: false, leading: 0.62em)
#show heading.where(level: 1): it => {{ v(1.2em, weak: true); line(length: 100%, stroke: 0.6pt + luma(190)); v(0.3em); it }}
#set table(stroke: (x, y) => (bottom: if y == 0 {{ 0.9pt + luma(90) }} else {{ 0.3pt + luma(205) }}), inset: (x: 5pt, y: 3.5pt))
#show table.cell.where(y: 0): set text(weight: 600)
#show figure: set block(breakable: true)
#let answer(body) = block(fill: rgb("#eef3f7"), inset: 9pt, width: 100%, stroke: (left: 3pt + rgb("#123f6b")), body)
#let caution(body) = block(fill: rgb("#fdf3e4"), inset: 9pt, width: 100%, stroke: 0.5pt + luma(190), body)
#let small(body) = text(9pt, fill: luma(70), body)
#text(20pt, weight: 600)[#{title}]

#text(fill: luma(90))[#{subtitle}]
"""


def _text(value: str) -> str:
    """Write text as a string of the typesetter, so that nothing in it is taken for markup."""
    return '"' + value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\r", "") + '"'


def as_typst(document: Document, draw: Callable[[Chart], str]) -> tuple[str, dict[str, str]]:
    """Write a report as source.

    Parameters
    ----------
    document : Document
    draw : callable
        `draw(chart)` gives SVG text.

    Returns
    -------
    source : str
    pictures : dict of str to str
        SVG text by file name.
    """
    pictures: dict[str, str] = {}
    parts = [_HEAD.format(title=_text(document.title), subtitle=_text(document.subtitle))]
    for block in document.blocks:
        parts.append(_block(block, draw, pictures))
    return "\n\n".join(parts), pictures


def _toned(inner: str, tone: str) -> str:
    return f"#{tone}[{inner}]" if tone != "plain" else inner


def _block(block: Block, draw: Callable[[Chart], str], pictures: dict[str, str]) -> str:
    match block:
        case Heading(text, level):
            return f"#heading(level: {level}, {_text(text)})"
        case Paragraph(text, tone):
            return _toned(f"#{_text(text)}", tone)
        case Bullets(items, tone):
            return _toned("\n".join(f"- #{_text(i)}" for i in items), tone)
        case Table():
            return _table(block)
        case Figure(chart, caption, description):
            name = f"figure{len(pictures) + 1}.svg"
            pictures[name] = draw(chart)
            return (
                f'#figure(image("{name}", width: 88%, alt: {_text(description)}), caption: {_text(caption)}, '
                "supplement: none, numbering: none)"
            )


def _table(table: Table) -> str:
    columns = ", ".join("auto" for _ in table.header)
    align = ", ".join("right" if n else "left" for n in table.numeric)
    head = "table.header(" + ", ".join(_text(h) for h in table.header) + ")"
    cells = ",\n".join(", ".join(_text(c) for c in row) for row in table.rows)
    more = f"\n\n#small[#{_text(f'… and {table.more:,} more rows.')}]" if table.more else ""
    return (
        f"#small[#{_text(table.caption)}]\n#text(9pt)[#table(columns: ({columns},), align: ({align},), {head},\n{cells})]"
        + more
    )
