"""Rows of a frame into a table, by the fastest way of each database."""

from collections.abc import Callable
from io import BytesIO

import polars as pl
from sqlalchemy import Connection, Table

_ROWS_AT_ONCE = 25_000


def insert(
    connection: Connection, table: Table, frame: pl.DataFrame, done: Callable[[int], None] | None = None
) -> None:
    """Insert all rows of a frame.

    Parameters
    ----------
    connection : sqlalchemy.Connection
        Inside a transaction.
    table : sqlalchemy.Table
    frame : polars.DataFrame
        Its columns are columns of the table; what it lacks becomes null.
    done : callable, optional
        Told the number of rows after each part.
    """
    filled = [c for c in frame.columns if frame[c].null_count() < frame.height]
    to_sqlite = connection.dialect.name == "sqlite"
    for part in frame.select(filled).iter_slices(_ROWS_AT_ONCE):
        (_into_sqlite if to_sqlite else _into_postgresql)(connection, table, _as_stored(part))
        if done is not None:
            done(part.height)


def _as_stored(frame: pl.DataFrame) -> pl.DataFrame:
    changes = [pl.col(c).dt.to_string("%Y-%m-%d") for c, t in frame.schema.items() if t == pl.Date]
    changes += [pl.col(c).cast(pl.Int64) for c, t in frame.schema.items() if t == pl.Boolean]
    return frame.with_columns(changes)


def _columns(frame: pl.DataFrame) -> str:
    return ", ".join(f'"{c}"' for c in frame.columns)


def _into_sqlite(connection: Connection, table: Table, frame: pl.DataFrame) -> None:
    marks = ", ".join("?" * frame.width)
    # Table and columns come from the schema, never from a user.
    statement = f'INSERT INTO "{table.name}" ({_columns(frame)}) VALUES ({marks})'  # noqa: S608
    connection.exec_driver_sql(statement, frame.rows())


def _into_postgresql(connection: Connection, table: Table, frame: pl.DataFrame) -> None:
    binary = [c for c, t in frame.schema.items() if t == pl.Binary]
    text = frame.with_columns((pl.lit("\\x") + pl.col(c).bin.encode("hex")).alias(c) for c in binary)
    buffer = BytesIO()
    # An empty text is written as "" and a null as nothing, which is what COPY reads them as.
    text.write_csv(buffer, include_header=False, quote_style="necessary")
    raw = connection.connection.driver_connection
    if raw is None:
        raise RuntimeError("the connection to PostgreSQL is closed")
    with (
        raw.cursor() as cursor,
        cursor.copy(f'COPY "{table.name}" ({_columns(frame)}) FROM STDIN (FORMAT csv)') as copy,
    ):
        copy.write(buffer.getvalue())
