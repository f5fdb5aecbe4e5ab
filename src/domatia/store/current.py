"""What is current at a moment: every record that nobody replaced and nobody withdrew."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl
from sqlalchemy import Connection, Select, Table, func, literal, select

from domatia.model.fields import kinds
from domatia.model.tables import IDENTITY, ORIGIN, body_schema, table_schema
from domatia.store.fetch import fetch
from domatia.store.hashing import body_hashes
from domatia.store.moments import withdrawn
from domatia.store.schema import BODIES, entry, import_, origin, replaces

_AT_ONCE = 400
_MANY = 20_000
ENVELOPE: Mapping[str, pl.DataType] = {
    "seq": pl.Int64(),
    "record_id": pl.Binary(),
    "subject_id": pl.Binary(),
    "kind": pl.String(),
    "content_hash": pl.Binary(),
}


@dataclass(frozen=True)
class Current:
    """Current records by kind, and apart from them those of things with two values.

    Attributes
    ----------
    tables, undecided : mapping of str to polars.DataFrame
        In the shape of `domatia.model.tables.table_schema`, sorted by `subject_id`.
    """

    tables: Mapping[str, pl.DataFrame]
    undecided: Mapping[str, pl.DataFrame]


def read_current(connection: Connection, upto: int) -> Current:
    """Read all records that are current after the entry `upto`."""
    out = withdrawn(connection, upto)
    tables: dict[str, pl.DataFrame] = {}
    undecided: dict[str, pl.DataFrame] = {}
    for kind in kinds():
        if connection.scalar(select(BODIES[kind].c.seq).limit(1)) is None:
            continue
        decided, open_ = _split(kind, _without(_read(connection, kind, upto), out))
        if decided.height:
            tables[kind] = decided
        if open_.height:
            undecided[kind] = open_
    return Current(tables, undecided)


def _read(connection: Connection, kind: str, upto: int) -> pl.DataFrame:
    body = BODIES[kind]
    filled = _filled(connection, body)
    replaced = select(replaces.c.old).where(replaces.c.new <= upto)
    query = (
        select(
            entry.c.record_id, entry.c.subject_id, import_.c.file, origin.c.sheet, origin.c.row,
            *(body.c[name] for name in filled),
        )
        .select_from(
            body.join(entry, entry.c.seq == body.c.seq)
            .outerjoin(origin, origin.c.seq == body.c.seq)
            .outerjoin(import_, import_.c.seq == origin.c["import"])
        )
        .where(body.c.seq <= upto, body.c.seq.not_in(replaced))
    )  # fmt: skip
    schema = table_schema(kind)
    found = fetch(connection, query, {c: t for c, t in schema.items() if c in {*IDENTITY, *ORIGIN, *filled}})
    return found.select(
        [(pl.col(c) if c in found.columns else pl.lit(None, dtype=t).alias(c)) for c, t in schema.items()]
    )


def _filled(connection: Connection, body: Table) -> list[str]:
    # Most columns of a real study are empty; leaving them out of the query saves most of the time.
    names = [c.name for c in body.columns if c.name != "seq"]
    counts = connection.execute(select(*(func.count(body.c[name]) for name in names))).one()
    return [name for name, n in zip(names, counts, strict=True) if n]


def _without(frame: pl.DataFrame, out: Collection[bytes]) -> pl.DataFrame:
    if not out:
        return frame
    return frame.filter(~pl.col("record_id").is_in(pl.Series(list(out), dtype=pl.Binary).implode()))


def _split(kind: str, frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Set apart the things with two values; two revisions that say the same count as one."""
    frame = frame.sort("subject_id", "record_id")
    several = frame["subject_id"].is_duplicated()
    if not several.any():
        return frame, frame.clear()
    doubled = frame.filter(several)
    hashed = doubled.with_columns(pl.Series("hash", body_hashes(kind, doubled), dtype=pl.Binary))
    disagree = hashed.select(pl.col("hash").n_unique().over("subject_id") > 1)["hash"]
    agreed = doubled.filter(~disagree).unique("subject_id", keep="first", maintain_order=True)
    return pl.concat([frame.filter(~several), agreed]).sort("subject_id"), doubled.filter(disagree)


def current_entries(connection: Connection, subjects: Sequence[bytes], upto: int) -> pl.DataFrame:
    """Give the envelopes of the current records of some things.

    Returns
    -------
    polars.DataFrame
        Columns `seq`, `record_id`, `subject_id`, `kind`, `content_hash`, sorted by `seq`.
    """
    replaced = select(replaces.c.old).where(replaces.c.new <= upto)
    query = select(*(entry.c[name] for name in ENVELOPE)).where(entry.c.seq <= upto, entry.c.seq.not_in(replaced))
    found = among(connection, query, "subject_id", subjects)
    return _without(found, withdrawn(connection, upto)).sort("seq")


def among(
    connection: Connection,
    query: Select[Any],
    column: str,
    ids: Sequence[bytes],
    schema: Mapping[str, pl.DataType] = ENVELOPE,
) -> pl.DataFrame:
    """Run a query of `entry` for the given record or subject ids only."""
    wanted = pl.Series(ids, dtype=pl.Binary).unique()
    if len(wanted) > _MANY:
        return fetch(connection, query, schema).filter(pl.col(column).is_in(wanted.implode()))
    parts = [pl.DataFrame(schema=dict(schema))]
    for start in range(0, len(wanted), _AT_ONCE):
        some = wanted[start : start + _AT_ONCE].to_list()
        parts.append(fetch(connection, query.where(entry.c[column].in_(some)), schema))
    return pl.concat(parts)


def body_row(connection: Connection, kind: str, seq: int) -> dict[str, object]:
    """Give the stored values of one record, as its table holds them."""
    body = BODIES[kind]
    schema = body_schema(kind)
    query = select(*(body.c[name] for name in schema)).where(body.c.seq == literal(seq))
    return fetch(connection, query, schema).row(0, named=True)
