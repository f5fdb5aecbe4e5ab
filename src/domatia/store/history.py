"""The log read backwards: revisions of a thing, changes, imports, ids by their first digits."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl
from sqlalchemy import Connection, Select, or_, select

from domatia.model.errors import WrongUse
from domatia.model.identity import ID_BYTES
from domatia.model.tables import body_schema
from domatia.store.current import among, body_row, current_entries
from domatia.store.fetch import fetch
from domatia.store.moments import last_seq
from domatia.store.schema import BODIES, entry, import_, origin, replaces


@dataclass(frozen=True)
class Import:
    """One input file taken into the study.

    Attributes
    ----------
    seq : int
        Number of the import, from 1.
    file, sha256 : str
    size_bytes : int
    mapping : str
        Text of the mapping file.
    at, author : str
        When (UTC) and by whom.
    last_seq : int
        The log's last entry when it was done.
    """

    seq: int
    file: str
    sha256: str
    size_bytes: int
    mapping: str
    at: str
    author: str
    last_seq: int


@dataclass(frozen=True)
class Identity:
    """What an id's first digits stand for.

    Attributes
    ----------
    kind : str
    subject_id : bytes
    record_id : bytes or None
        None if the digits name the thing and not one of its revisions.
    """

    kind: str
    subject_id: bytes
    record_id: bytes | None


def study_record(connection: Connection) -> dict[str, Any] | None:
    """Give subject id and values of the study's own record, None if there is none."""
    first = connection.execute(
        select(entry.c.subject_id).where(entry.c.kind == "study", entry.c.seq == 1)
    ).one_or_none()
    if first is None:
        return None
    heads = current_entries(connection, [first.subject_id], last_seq(connection))
    seq = int(heads["seq"][-1]) if heads.height else 1
    return {"subject_id": bytes(first.subject_id), **body_row(connection, "study", seq)}


_REVISION: Mapping[str, pl.DataType] = {
    "seq": pl.Int64(), "kind": pl.String(), "record_id": pl.Binary(), "subject_id": pl.Binary(), "author": pl.String(),
    "device": pl.String(), "at": pl.String(), "why": pl.String(), "origin_file": pl.String(),
    "origin_sheet": pl.String(), "origin_row": pl.Int64(),
}  # fmt: skip


def revisions(connection: Connection, subject: bytes) -> pl.DataFrame:
    """Give every revision of a thing; see `OpenStudy.revisions`."""
    kind = connection.scalar(select(entry.c.kind).where(entry.c.subject_id == subject).limit(1))
    if kind is None:
        raise WrongUse(f"There is no thing {subject.hex()}", next_step="Find it with `domatia life`.")
    body, schema = BODIES[kind], body_schema(kind)
    query = (
        select(
            *(entry.c[name] for name in list(_REVISION)[:8]), import_.c.file, origin.c.sheet, origin.c.row,
            *(body.c[name] for name in schema),
        )
        .select_from(
            entry.join(body, body.c.seq == entry.c.seq)
            .outerjoin(origin, origin.c.seq == entry.c.seq)
            .outerjoin(import_, import_.c.seq == origin.c["import"])
        )
        .where(entry.c.subject_id == subject)
        .order_by(entry.c.seq)
    )  # fmt: skip
    frame = fetch(connection, query, {**_REVISION, **schema})
    current = set(current_entries(connection, [subject], last_seq(connection))["record_id"].to_list())
    records = frame["record_id"].to_list()
    many = pl.List(pl.Binary)
    return frame.select(
        *_REVISION,
        pl.Series("replaced_by", [_replacing(connection, seq) for seq in frame["seq"]], dtype=many),
        pl.Series("withdrawn_by", [_withdrawing(connection, r) for r in records], dtype=many),
        pl.Series("current", [r in current for r in records], dtype=pl.Boolean),
        *schema,
    )


def _replacing(connection: Connection, seq: int) -> list[bytes]:
    query = select(entry.c.record_id).join_from(entry, replaces, replaces.c.new == entry.c.seq)
    return list(connection.scalars(query.where(replaces.c.old == seq).order_by(entry.c.seq)))


def _withdrawing(connection: Connection, record: bytes) -> list[bytes]:
    body = BODIES["withdrawal"]
    query = select(entry.c.record_id).join_from(entry, body, body.c.seq == entry.c.seq)
    return list(connection.scalars(query.where(body.c.record == record).order_by(entry.c.seq)))


_CHANGE: Mapping[str, pl.DataType] = {
    "seq": pl.Int64(), "at": pl.String(), "author": pl.String(), "why": pl.String(), "what": pl.String(),
    "kind": pl.String(), "subject_id": pl.Binary(), "new_record": pl.Binary(), "old_record": pl.Binary(),
    "column": pl.String(), "before": pl.String(), "after": pl.String(), "origin_file": pl.String(),
}  # fmt: skip


def changes(connection: Connection, since: int, until: int, limit: int | None) -> pl.DataFrame:
    """Give who replaced or withdrew what; see `OpenStudy.changes`."""
    rows = _replaced(connection, since, until, limit) + _withdrawn(connection, since, until, limit)
    rows.sort(key=lambda r: (-r["seq"], r["old_record"], r["column"]))
    if limit is not None:
        kept = list(dict.fromkeys((r["seq"], r["old_record"]) for r in rows))[:limit]
        rows = [r for r in rows if (r["seq"], r["old_record"]) in set(kept)]
    return pl.DataFrame(rows, schema=dict(_CHANGE), orient="row")


def _newest_first(query: Select[Any], limit: int | None) -> Select[Any]:
    ordered = query.order_by(entry.c.seq.desc())
    return ordered if limit is None else ordered.limit(limit)


def _replaced(connection: Connection, since: int, until: int, limit: int | None) -> list[dict[str, Any]]:
    old = entry.alias("old_entry")
    query = (
        select(
            entry.c.seq, entry.c.at, entry.c.author, entry.c.why, entry.c.kind, entry.c.subject_id,
            entry.c.record_id.label("new_record"), old.c.record_id.label("old_record"), old.c.seq.label("old_seq"),
            import_.c.file.label("origin_file"),
        )
        .select_from(
            entry.join(replaces, replaces.c.new == entry.c.seq)
            .join(old, old.c.seq == replaces.c.old)
            .outerjoin(origin, origin.c.seq == entry.c.seq)
            .outerjoin(import_, import_.c.seq == origin.c["import"])
        )
        .where(entry.c.seq > since, entry.c.seq <= until)
    )  # fmt: skip
    found: list[dict[str, Any]] = []
    for row in connection.execute(_newest_first(query, limit)).mappings().all():
        shared = {name: row[name] for name in _CHANGE if name in row}
        before, after = body_row(connection, row["kind"], row["old_seq"]), body_row(connection, row["kind"], row["seq"])
        differing = [c for c in before if before[c] != after[c]]
        found += [
            {**shared, "what": "replaced", "column": c, "before": _text(before[c]), "after": _text(after[c])}
            for c in differing or [""]
            if c or not differing
        ]
    return found


def _withdrawn(connection: Connection, since: int, until: int, limit: int | None) -> list[dict[str, Any]]:
    body, target = BODIES["withdrawal"], entry.alias("target")
    query = (
        select(
            entry.c.seq, entry.c.at, entry.c.author, entry.c.why, target.c.kind, target.c.subject_id,
            entry.c.record_id.label("new_record"), target.c.record_id.label("old_record"),
        )
        .select_from(entry.join(body, body.c.seq == entry.c.seq).join(target, target.c.record_id == body.c.record))
        .where(entry.c.seq > since, entry.c.seq <= until)
    )  # fmt: skip
    empty = {"what": "withdrawn", "column": "", "before": None, "after": None, "origin_file": None}
    return [{**row, **empty} for row in connection.execute(_newest_first(query, limit)).mappings().all()]


def _text(value: object) -> str | None:
    if value is None:
        return None
    return value.hex() if isinstance(value, bytes) else str(value)


def find(connection: Connection, prefix: str) -> Identity:
    """Resolve the first hexadecimal digits of an id; see `OpenStudy.find`."""
    digits = prefix.strip().lower().replace("-", "")
    if not digits or len(digits) > 2 * ID_BYTES or any(d not in "0123456789abcdef" for d in digits):
        raise WrongUse(f"{prefix!r} does not begin an id", "1 to 32 hexadecimal digits")
    low = bytes.fromhex(digits.ljust(2 * ID_BYTES, "0"))
    high = bytes.fromhex(digits.ljust(2 * ID_BYTES, "f"))
    query = select(entry.c.kind, entry.c.subject_id, entry.c.record_id).where(
        or_(entry.c.record_id.between(low, high), entry.c.subject_id.between(low, high))
    )
    found: set[Identity] = set()
    for row in connection.execute(query):
        if low <= row.subject_id <= high:
            found.add(Identity(row.kind, bytes(row.subject_id), None))
        if low <= row.record_id <= high:
            found.add(Identity(row.kind, bytes(row.subject_id), bytes(row.record_id)))
    if len(found) == 1:
        return found.pop()
    if not found:
        raise WrongUse(f"Nothing in the study has an id that begins with {digits}")
    names = sorted((i.record_id or i.subject_id).hex()[: len(digits) + 8] for i in found)
    raise WrongUse(f"{len(names)} ids begin with {digits}", names[:8], next_step="Give more digits.")


_ORIGIN: Mapping[str, pl.DataType] = {
    "record_id": pl.Binary(), "origin_file": pl.String(), "origin_sheet": pl.String(), "origin_row": pl.Int64(),
    "row_hash": pl.Binary(), "import_seq": pl.Int64(),
}  # fmt: skip


def origins_of(connection: Connection, records: Sequence[bytes]) -> pl.DataFrame:
    """Give where records were read; see `OpenStudy.origins_of`."""
    query = (
        select(entry.c.record_id, import_.c.file, origin.c.sheet, origin.c.row, origin.c.row_hash, import_.c.seq)
        .join_from(entry, origin, origin.c.seq == entry.c.seq)
        .join(import_, import_.c.seq == origin.c["import"])
    )
    return among(connection, query, "record_id", records, _ORIGIN).sort("record_id")


def imports(connection: Connection) -> tuple[Import, ...]:
    """Give the imports, oldest first."""
    return tuple(Import(**row) for row in connection.execute(select(import_).order_by(import_.c.seq)).mappings())
