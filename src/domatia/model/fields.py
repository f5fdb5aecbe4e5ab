"""The one table of fields, `fields.csv`, that schema, checks, sheets, manual and archive are made from."""

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Literal, cast, get_args

from domatia.model.errors import WrongUse

FieldType = Literal["text", "integer", "number", "yes_no", "choice", "date", "instant", "link", "bytes"]


@dataclass(frozen=True)
class Field:
    """One column of one record kind.

    Attributes
    ----------
    record, column : str
        The record kind and the name of the column; a unit is part of the column's name.
    type : str
        One of "text", "integer", "number", "yes_no", "choice", "date", "instant", "link", "bytes".
    unit : str
        UCUM-like symbol, empty where there is none.
    low, high : float or None
        Hard limits of what is possible at all; plausible ranges stand in the system profile.
    choices : tuple of str
        Allowed values of a choice.
    target : str
        The record kind that a link points to; empty if it may point to any.
    needed : bool
        A record without this value means nothing.
    meaning : str
    term : str
        Darwin Core or other standard term, empty where there is none.
    """

    record: str
    column: str
    type: FieldType
    unit: str
    low: float | None
    high: float | None
    choices: tuple[str, ...]
    target: str
    needed: bool
    meaning: str
    term: str

    @property
    def stored_columns(self) -> tuple[str, ...]:
        """Names of the columns that hold this field in a table: a date takes two, an instant three."""
        if self.type == "date":
            return (f"{self.column}_earliest", f"{self.column}_latest")
        if self.type == "instant":
            return (f"{self.column}_earliest", f"{self.column}_latest", f"{self.column}_instant")
        return (self.column,)


def _read(row: dict[str, str]) -> Field:
    kind, limits = row["type"], row["range"]
    if kind not in get_args(FieldType):
        raise ValueError(f"fields.csv: {row['record']}.{row['column']} has the unknown type {kind!r}")
    low = high = None
    choices: tuple[str, ...] = ()
    target = ""
    if kind in ("integer", "number") and limits:
        left, right = limits.split("..")
        low, high = (float(left) if left else None), (float(right) if right else None)
    elif kind == "choice":
        choices = tuple(limits.split("|"))
    elif kind == "link":
        target = limits
    return Field(
        record=row["record"],
        column=row["column"],
        type=cast("FieldType", kind),
        unit=row["unit"],
        low=low,
        high=high,
        choices=choices,
        target=target,
        needed=row["needed"] == "yes",
        meaning=row["meaning"],
        term=row["term"],
    )


@cache
def all_fields() -> tuple[Field, ...]:
    """Give every field of every record kind, in the order of the table."""
    text = files("domatia.model").joinpath("fields.csv").read_text(encoding="utf-8")
    return tuple(_read(row) for row in csv.DictReader(text.splitlines()))


@cache
def kinds() -> tuple[str, ...]:
    """Give the record kinds in the order of the table."""
    return tuple(dict.fromkeys(f.record for f in all_fields()))


@cache
def fields_of(kind: str) -> tuple[Field, ...]:
    """Give the fields of one record kind.

    Raises
    ------
    WrongUse
        If there is no such kind.
    """
    found = tuple(f for f in all_fields() if f.record == kind)
    if not found:
        raise WrongUse(f"There is no record kind {kind!r}", kinds(), name=kind)
    return found


@cache
def field(kind: str, column: str) -> Field:
    """Give one field.

    Raises
    ------
    WrongUse
        If the kind has no such field.
    """
    for f in fields_of(kind):
        if f.column == column:
            return f
    raise WrongUse(f"A {kind} record has no field {column!r}", [f.column for f in fields_of(kind)], name=column)
