"""The tables of a study: one envelope, one typed body a record kind, and what ties them together.

Every table is keyed by `seq`, the local number of the entry in the log; `record_id` and `subject_id` are 16 bytes.
Days are stored as ISO 8601 text, which stays readable without this tool.
"""

from functools import cache
from typing import Any

import polars as pl
from sqlalchemy import REAL, BigInteger, Column, Double, Integer, LargeBinary, MetaData, Table, Text
from sqlalchemy.types import TypeEngine

from domatia.model.fields import kinds
from domatia.model.identity import content_hash
from domatia.model.tables import body_schema

WHOLE: TypeEngine[int] = BigInteger().with_variant(Integer(), "sqlite")
NUMBER: TypeEngine[float] = Double().with_variant(REAL(), "sqlite")
TEXT: TypeEngine[str] = Text()
RAW: TypeEngine[bytes] = LargeBinary()

metadata = MetaData()


def _table(name: str, *columns: Column[Any]) -> Table:
    return Table(name, metadata, *columns, sqlite_strict=True)


def _key(name: str = "seq") -> Column[int]:
    return Column(name, WHOLE, primary_key=True, autoincrement=False)


entry = _table(
    "entry",
    _key(),
    Column("record_id", RAW, nullable=False, unique=True),
    Column("subject_id", RAW, nullable=False, index=True),
    Column("kind", TEXT, nullable=False),
    Column("author", TEXT, nullable=False),
    Column("device", TEXT, nullable=False),
    Column("at", TEXT, nullable=False),
    Column("clock", WHOLE, nullable=False),
    Column("why", TEXT, nullable=False),
    Column("content_hash", RAW, nullable=False),
)
"""Who wrote which record when and why. `at` is the writer's clock in UTC, `clock` orders entries of several devices."""

replaces = _table("replaces", _key("new"), Column("old", WHOLE, primary_key=True, autoincrement=False, index=True))
"""Which entry (`new`) takes the place of which (`old`); both are `seq` of `entry`."""

import_ = _table(
    "import",
    _key(),
    Column("file", TEXT, nullable=False),
    Column("sha256", TEXT, nullable=False),
    Column("size_bytes", WHOLE, nullable=False),
    Column("mapping", TEXT, nullable=False),
    Column("at", TEXT, nullable=False),
    Column("author", TEXT, nullable=False),
    Column("last_seq", WHOLE, nullable=False),
)
"""One input file taken in; `last_seq` is the log's last entry when it was done."""

origin = _table(
    "origin",
    _key(),
    Column("import", WHOLE, nullable=False, index=True),
    Column("sheet", TEXT),
    Column("row", WHOLE),
    Column("row_hash", RAW),
)
"""Where an entry (same `seq`) was read: the import, its sheet and row, and the hash of the row as it stood there."""

gone = _table("gone", _key("import"), Column("subject_id", RAW, primary_key=True), Column("kind", TEXT, nullable=False))
"""Things that earlier imports of the same file held and this one does not."""

format_ = _table(
    "format",
    _key(),
    Column("version", WHOLE, nullable=False),
    Column("step", TEXT, nullable=False),
    Column("fields", RAW, nullable=False),
    Column("at", TEXT, nullable=False),
)
"""The format's version and each step that led to it; the last row holds."""

HOUSE_TABLES = (entry, replaces, import_, origin, gone, format_)


def _sql_type(dtype: pl.DataType) -> TypeEngine[Any]:
    match dtype:
        case pl.Int64() | pl.Boolean():
            return WHOLE
        case pl.Float64():
            return NUMBER
        case pl.Binary():
            return RAW
        case _:
            return TEXT


def _body(kind: str) -> Table:
    columns: list[Column[Any]] = [Column("seq", WHOLE, primary_key=True, autoincrement=False)]
    columns += [Column(name, _sql_type(dtype)) for name, dtype in body_schema(kind).items()]
    return _table(kind, *columns)


BODIES: dict[str, Table] = {kind: _body(kind) for kind in kinds()}
"""The typed table of each record kind, made from `fields.csv`."""


@cache
def fields_fingerprint() -> bytes:
    """Hash the names and types of all body columns, whatever their order."""
    lines = [f"{kind}.{name} {dtype}" for kind in kinds() for name, dtype in body_schema(kind).items()]
    return content_hash(sorted(lines))
