"""Proposing a mapping for a table."""

from dataclasses import replace

from domatia.intake.propose import propose
from domatia.intake.read_table import read_table, sheets


def propose_mapping(table: str, sheet: str = "") -> str:
    """Look at a table and give the text of a mapping for it, with a reason for every guess.

    Raises
    ------
    CannotOpen
        If the table cannot be read at all.
    """
    read = read_table(table, sheet=sheet)
    title = next((f for f in read.findings if f.code == "title_above_header"), None)
    if title is not None:
        row = max((w.row for w in title.where if w.row), default=1)
        read = read_table(table, sheet=sheet, skip_rows=row)
        told = f"LOOK: row {row} was taken for a title; the header stands in row {read.header_row}."
        read = replace(read, notes=(*read.notes, told))
    others = [s for s in sheets(table) if s != read.sheet]
    if others:
        told = (
            f"LOOK: the workbook has further sheets: {', '.join(map(repr, others))}. A sheet name may hold * for any "
            "letters; without the line sheet = ... all sheets are read."
        )
        read = replace(read, notes=(*read.notes, told))
    return propose(read).text
