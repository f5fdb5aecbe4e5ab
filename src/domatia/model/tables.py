"""The shape of a table of records: which columns a frame of one kind has, and of which type."""

from functools import cache

import polars as pl

from domatia.model.fields import Field, fields_of

IDENTITY: dict[str, pl.DataType] = {
    "record_id": pl.Binary(),
    "subject_id": pl.Binary(),
}
ORIGIN: dict[str, pl.DataType] = {
    "origin_file": pl.String(),
    "origin_sheet": pl.String(),
    "origin_row": pl.Int64(),
}

_TYPES: dict[str, pl.DataType] = {
    "text": pl.String(),
    "choice": pl.String(),
    "integer": pl.Int64(),
    "number": pl.Float64(),
    "yes_no": pl.Boolean(),
    "link": pl.Binary(),
    "bytes": pl.Binary(),
}


def _columns(field: Field) -> dict[str, pl.DataType]:
    if field.type in ("date", "instant"):
        kinds: list[pl.DataType] = [pl.Date(), pl.Date(), pl.String()]
        return dict(zip(field.stored_columns, kinds, strict=False))
    return {field.column: _TYPES[field.type]}


@cache
def body_schema(kind: str) -> pl.Schema:
    """Give the columns that hold the values of one record kind, without identity and origin."""
    found: dict[str, pl.DataType] = {}
    for f in fields_of(kind):
        found |= _columns(f)
    return pl.Schema(found)


@cache
def table_schema(kind: str) -> pl.Schema:
    """Give all columns of a table of one record kind: identity, origin, values."""
    return pl.Schema({**IDENTITY, **ORIGIN, **body_schema(kind)})


def empty_table(kind: str) -> pl.DataFrame:
    """Give a table of one kind without rows."""
    return pl.DataFrame(schema=table_schema(kind))


def as_table(kind: str, frame: pl.DataFrame) -> pl.DataFrame:
    """Bring a frame into the table's shape: missing columns filled with nulls, order and types as in the schema.

    Columns that the kind does not have are an error of the program and raise `ValueError`.
    """
    schema = table_schema(kind)
    extra = set(frame.columns) - set(schema)
    if extra:
        raise ValueError(f"a table of {kind} has no column {', '.join(sorted(extra))}")
    return frame.select(
        [(pl.col(c) if c in frame.columns else pl.lit(None)).cast(t).alias(c) for c, t in schema.items()]
    )
