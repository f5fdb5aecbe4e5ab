"""From rows of a table to the places and the groups that findings are made of."""

from collections.abc import Iterator, Sequence
from itertools import groupby
from operator import itemgetter
from typing import Any, TypeAlias

import polars as pl

from domatia.model import Where

Row: TypeAlias = dict[str, Any]


def where(row: Row, kind: str, column: str = "") -> Where:
    """Name the record that a row stands for, with the cell of the input file that it came from."""
    return Where(
        file=row.get("origin_file") or "",
        sheet=row.get("origin_sheet") or "",
        row=row.get("origin_row"),
        column=column,
        kind=kind,
        record_id=row["record_id"],
        label=row.get("label") or "",
    )


def wheres(rows: Sequence[Row], kind: str, column: str = "") -> tuple[Where, ...]:
    """Name the records of several rows."""
    return tuple(where(row, kind, column) for row in rows)


def grouped(hits: pl.DataFrame, *keys: str) -> Iterator[list[Row]]:
    """Give the rows in groups of equal keys, in an order that does not depend on the order of rows.

    Groups come in the order of their keys; within a group rows come by date where they have one, then by kind, label
    and column where they have them, and then by `subject_id`.
    """
    dates = ("when_earliest", "when_latest", "when_instant")
    then = [c for c in (*dates, "kind", "label", "column", "subject_id", "record_id") if c in hits.columns]
    order = [*keys, *(c for c in then if c not in keys)]
    rows = hits.sort(order, nulls_last=True).iter_rows(named=True)
    for _, group in groupby(rows, key=itemgetter(*keys)):
        yield list(group)


def number(value: float | None) -> str:
    """Write a number without a needless fraction."""
    return "nothing" if value is None else f"{value:.6g}"
