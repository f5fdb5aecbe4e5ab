"""A report as the typesetter's source, with its pictures beside it."""

from collections.abc import Callable
from importlib.resources import files

from domatia.model import Chart
from domatia.report.document import Block, Bullets, Document, Figure, Heading, Paragraph, Table


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
    look = files("domatia.report").joinpath("page.typ").read_text(encoding="utf-8")
    title, subtitle = _text(document.title), _text(document.subtitle)
    parts = [
        f"#set document(title: {title}, date: none)\n{look}",
        f"#text(20pt, weight: 600)[#{title}]",
        f"#text(fill: luma(90))[#{subtitle}]",
    ]
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
    grid = f"#table(columns: ({columns},), align: ({align},), {head},\n{cells})"
    return f"#block(sticky: true, small[#{_text(table.caption)}])\n#text(9pt)[{grid}]{more}"
