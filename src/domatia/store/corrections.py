"""What one person changes: a correction, a withdrawal, a typed record. Each is a new record in the log."""

from collections.abc import Mapping, Sequence
from typing import TypedDict

import polars as pl
from sqlalchemy import Connection, select

from domatia.model.batch import Batch
from domatia.model.errors import WrongUse
from domatia.model.identity import typed_id
from domatia.model.tables import table_schema
from domatia.store.append import append
from domatia.store.current import body_row, current_entries
from domatia.store.hashing import row_hash
from domatia.store.moments import last_seq
from domatia.store.schema import BODIES, entry
from domatia.store.values import Value, refuse_empty, stored_values


class Heads(TypedDict, total=False):
    """How a correction deals with a thing that has two current revisions.

    Attributes
    ----------
    from_record : bytes
        The record that the correction starts from.
    settle_heads : bool
        Whether it takes the place of all current revisions, so that one remains.
    """

    from_record: bytes
    settle_heads: bool


class Signature(TypedDict):
    """Who writes, and why."""

    author: str
    why: str


def add(connection: Connection, kind: str, values: Mapping[str, Value], signed: Signature) -> bytes:
    """Write a new thing that a person typed; see `OpenStudy.add`."""
    row = stored_values(kind, values)
    refuse_empty(kind, row)
    return _write(connection, kind, typed_id(), row, (), signed)


def withdraw(connection: Connection, record: bytes, signed: Signature) -> bytes:
    """Write that a record no longer counts; see `OpenStudy.withdraw`."""
    if connection.scalar(select(entry.c.seq).where(entry.c.record_id == record)) is None:
        raise WrongUse(f"There is no record {record.hex()} to withdraw", next_step="Find it with `domatia life`.")
    return add(connection, "withdrawal", {"record": record}, signed)


def correct(
    connection: Connection, kind: str, subject: bytes, values: Mapping[str, Value], signed: Signature, heads: Heads
) -> bytes:
    """Write a new revision of a thing; see `OpenStudy.correct`."""
    changes = stored_values(kind, values)
    current = _heads_of(connection, kind, subject)
    disagree = current["content_hash"].n_unique() > 1
    settle = heads.get("settle_heads", False)
    base = _base(connection, kind, current, heads.get("from_record"), changes)
    row = {**body_row(connection, kind, base), **changes}
    refuse_empty(kind, row)
    if not (settle and disagree) and row_hash(kind, row) == current.filter(seq=base)["content_hash"][0]:
        raise WrongUse(
            f"The correction of {kind} {subject.hex()[:12]} changes nothing", next_step="Nothing was written."
        )
    keep = disagree and not settle
    replaced = current.filter(pl.col("seq") == base) if keep else current
    return _write(connection, kind, subject, row, replaced["record_id"].to_list(), signed)


def _heads_of(connection: Connection, kind: str, subject: bytes) -> pl.DataFrame:
    current = current_entries(connection, [subject], last_seq(connection))
    if not current.height:
        raise WrongUse(f"There is no current {kind} {subject.hex()}", next_step="Find it with `domatia life`.")
    if current["kind"][0] != kind:
        raise WrongUse(
            f"{subject.hex()[:12]} is a {current['kind'][0]}, not a {kind}", next_step="Nothing was written."
        )
    return current


def _base(
    connection: Connection, kind: str, current: pl.DataFrame, named: bytes | None, changes: Mapping[str, object]
) -> int:
    """Choose the revision that a correction starts from."""
    if named is not None:
        chosen = current.filter(pl.col("record_id") == named)
        if not chosen.height:
            raise WrongUse(
                f"{named.hex()} is no current record of this {kind}", [r.hex() for r in current["record_id"]]
            )
        return int(chosen["seq"][0])
    if current["content_hash"].n_unique() > 1:
        rows = [body_row(connection, kind, seq) for seq in current["seq"]]
        open_ = [c for c in rows[0] if len({row[c] for row in rows}) > 1 and c not in changes]
        if open_:
            raise WrongUse(
                f"This {kind} has {len(rows)} current records that disagree in {', '.join(open_)}",
                [r.hex() for r in current["record_id"]],
                next_step="Name the one to start from, or give the values that hold.",
            )
    return int(current["seq"][0])


def _write(
    connection: Connection,
    kind: str,
    subject: bytes,
    row: Mapping[str, object],
    olds: Sequence[bytes],
    signed: Signature,
) -> bytes:
    if not signed["author"]:
        raise WrongUse("A change needs the name of the person who makes it", next_step="Give an author.")
    record = typed_id()
    schema = {
        c: t for c, t in table_schema(kind).items() if c in {"record_id", "subject_id", *BODIES[kind].columns.keys()}
    }
    values = {"record_id": record, "subject_id": subject, **row}
    frame = pl.DataFrame({c: [values.get(c)] for c in schema}, schema=schema)
    batch = Batch({kind: frame}, tuple((record, old) for old in olds), author=signed["author"], why=signed["why"])
    append(connection, batch)
    return record
