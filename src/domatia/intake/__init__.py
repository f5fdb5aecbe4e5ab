"""Tables become proposed records with their place of origin; nothing is guessed, nothing is lost."""

from domatia.intake.mapping import Groups, Part, Quantity, Source, TableForm, TableMapping
from domatia.intake.mapping_parse import parse_mapping
from domatia.intake.mapping_text import mapping_text

__all__ = ["Groups", "Part", "Quantity", "Source", "TableForm", "TableMapping", "mapping_text", "parse_mapping"]
