"""Cells that say something else than a value: blank, none, not looked, not found, dead, not visited."""

from collections.abc import Mapping, Sequence

import polars as pl

STATUS_OF_CODE = {"dead": "dead confirmed", "not found": "not found", "not visited": "not visited"}
"""What a code in a measured column says of the visit."""


def blanks(table_blank: Sequence[str], codes: Mapping[str, Sequence[str]]) -> list[str]:
    """Give every cell text that says nothing in a column."""
    return sorted({"", *(b.strip() for b in table_blank), *(b.strip() for b in codes.get("blank", ()))})


def without_blanks(text: pl.Expr, nothing: Sequence[str]) -> pl.Expr:
    """Strip the cells and make those null that say nothing."""
    plain = text.str.strip_chars()
    return pl.when(plain.is_in(list(nothing))).then(None).otherwise(plain)


def code_met(text: pl.Expr, codes: Mapping[str, Sequence[str]]) -> pl.Expr:
    """Give the code that each (stripped) cell stands for, null where it is none."""
    meant = {cell.strip(): code for code, cells in codes.items() if code != "blank" for cell in cells}
    if not meant:
        return pl.lit(None, dtype=pl.String)
    return text.replace_strict(list(meant), list(meant.values()), default=None, return_dtype=pl.String)
