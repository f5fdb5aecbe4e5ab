"""The effects of an answer as a person reads them; the same table as in the report."""

from domatia.report.effects import effect_table

__all__ = ["effect_table"]
