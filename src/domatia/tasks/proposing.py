"""Proposing a mapping for a table."""

from domatia.intake.propose import propose
from domatia.intake.read_table import read_table


def propose_mapping(table: str, sheet: str = "") -> str:
    """Look at a table and give the text of a mapping for it, with a reason for every guess.

    Raises
    ------
    CannotOpen
        If the table cannot be read at all.
    """
    return propose(read_table(table, sheet=sheet)).text
