"""Tables become proposed records with their place of origin; nothing is guessed, nothing is lost."""

from domatia.intake.brought import Brought, Summary, bring_in
from domatia.intake.mapping import Groups, Part, Quantity, Source, TableForm, TableMapping
from domatia.intake.mapping_parse import parse_mapping
from domatia.intake.mapping_text import mapping_text
from domatia.intake.read_table import read_table, sheets
from domatia.intake.text_table import TextTable
from domatia.intake.unvisited import Round, Rounds

__all__ = [
    "Brought", "Groups", "Part", "Quantity", "Round", "Rounds", "Source", "Summary", "TableForm", "TableMapping",
    "TextTable", "bring_in", "mapping_text", "parse_mapping", "read_table", "sheets",
]  # fmt: skip
