"""The result of a query as a frame, column by column and in parts, so that a million rows fit into little memory."""

from collections.abc import Mapping
from typing import Any

import polars as pl
from sqlalchemy import Connection, Select

_ROWS_AT_ONCE = 20_000


def fetch(connection: Connection, query: Select[Any], schema: Mapping[str, pl.DataType]) -> pl.DataFrame:
    """Run a query and give its rows as a frame.

    Parameters
    ----------
    connection : sqlalchemy.Connection
        Inside a transaction.
    query : sqlalchemy.Select
    schema : mapping of str to polars.DataType
        Names and types of the query's columns, in its order. Days are stored as text, yes and no as 1 and 0.
    """
    stored = {name: _stored_type(dtype) for name, dtype in schema.items()}
    empty = pl.DataFrame(schema=stored)
    parts = [empty]
    result = connection.execute(query, execution_options={"yield_per": _ROWS_AT_ONCE})
    for rows in result.partitions():
        columns = zip(*rows, strict=True)
        parts.append(
            pl.DataFrame([pl.Series(n, c, dtype=t) for (n, t), c in zip(stored.items(), columns, strict=True)])
        )
    frame = pl.concat(parts, rechunk=False)
    return frame.with_columns(
        [pl.col(n).str.to_date("%Y-%m-%d") for n, t in schema.items() if t == pl.Date]
        + [pl.col(n).cast(pl.Boolean) for n, t in schema.items() if t == pl.Boolean]
    )


def _stored_type(dtype: pl.DataType) -> pl.DataType:
    if dtype == pl.Date:
        return pl.String()
    return pl.Int64() if dtype == pl.Boolean else dtype
