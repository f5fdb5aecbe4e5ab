"""Double entry: two entries of the same sheet compared cell by cell, and settled into one table."""

from dataclasses import dataclass
from pathlib import Path

import polars as pl

from domatia.intake.double_entry import compare_entries, open_questions, read_decisions, settle_entries
from domatia.intake.read_table import read_table
from domatia.intake.write_table import write_table
from domatia.model import Finding, WrongUse


@dataclass(frozen=True)
class Compared:
    """How two entries differ.

    Attributes
    ----------
    text : str
        In a line or two.
    differences : polars.DataFrame
        One row a thing to be decided: the key columns, `column`, `first`, `second`, `decided`.
    findings : tuple of Finding
    """

    text: str
    differences: pl.DataFrame
    findings: tuple[Finding, ...]


def compare(first: str, second: str, keys: tuple[str, ...], out: str = "", decided: str = "") -> Compared:
    """Compare two entries cell by cell; write what is to be decided, or the settled table.

    Parameters
    ----------
    first, second : str
        Files of the two entries.
    keys : tuple of str
        Columns that tell rows apart, such as sheet, line and tag; never the order of rows.
    out : str
        File to write: the list to be decided, or the settled table if `decided` is given. Nothing without it.
    decided : str
        The filled-in list.

    Raises
    ------
    WrongUse
        If a key column is missing, `out` exists, or something is not decided.
    """
    target = Path(out) if out else None
    if target is not None and target.exists():
        raise WrongUse(f"{target} exists", next_step="Choose another name; nothing is overwritten.")
    found = compare_entries(read_table(first), read_table(second), keys)
    asked = open_questions(found)
    text = f"{found.cells.height:,} cells differ and {found.single.height:,} rows stand in one entry only."
    if decided:
        settled = settle_entries(found, read_decisions(read_table(decided), keys), target.name if target else "settled")
        if target is None:
            raise WrongUse("Nowhere to write the settled table", next_step="Give a file with --out.")
        write_table(target, settled.rows, header=settled.written_header)
        return Compared(f"{text} All are decided; the settled table is {target}.", asked, found.findings)
    if target is not None:
        write_table(target, asked)
        text += f" Fill in the column decided of {target}, then run this again with --decided {target} --out SETTLED."
    return Compared(text, asked, found.findings)
