"""The table of fields is complete and agrees with itself."""

import re

from domatia.model import all_fields, kinds, table_schema

UNITS = {
    "cm": "_cm", "mm": "_mm", "m": "_m", "m2": "_m2", "cm2": "_cm2", "%": "_pct", "mL": "_ml", "uL": "_ul",
    "mg": "_mg", "d": "_days", "h": "_h", "s": "_s", "min": "minutes", "Cel": "_c",
}  # fmt: skip
WORDS = {"hours", "seconds", "longitude", "latitude"}


def test_every_field_says_what_it_means() -> None:
    """A field has a meaning that begins with a capital letter."""
    assert [f"{f.record}.{f.column}" for f in all_fields() if not re.match(r"[A-Z].{3,}", f.meaning)] == []


def test_a_unit_is_part_of_the_columns_name() -> None:
    """A field with a unit shows it at the end of its name, or is a word that is a unit by itself."""
    wrong = [
        f"{f.record}.{f.column}"
        for f in all_fields()
        if f.unit not in ("", "1") and f.column not in WORDS and not f.column.endswith(UNITS[f.unit])
    ]
    assert wrong == []


def test_links_point_to_kinds_that_exist() -> None:
    """Every link names a record kind or, where it may point anywhere, none."""
    assert {f.target for f in all_fields() if f.type == "link"} - {""} <= set(kinds())


def test_no_field_is_listed_twice() -> None:
    """A record kind has each column once, and none that identity or origin use."""
    for kind in kinds():
        assert len(table_schema(kind)) == 5 + sum(len(f.stored_columns) for f in all_fields() if f.record == kind)
