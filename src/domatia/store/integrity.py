"""Whether the study file is whole: its pages, its envelopes and bodies, its content hashes."""

from collections.abc import Mapping

import polars as pl
from sqlalchemy import Connection, func, select
from sqlalchemy.exc import DBAPIError

from domatia.model.finding import Finding, Where
from domatia.model.tables import body_schema
from domatia.store.door import is_damaged
from domatia.store.fetch import fetch
from domatia.store.hashing import body_hashes
from domatia.store.schema import BODIES, entry, replaces

_REMEDY = "Go back to a copy that passes this check, and keep this file for a look at what happened."
_ROWS: Mapping[str, pl.DataType] = {"record_id": pl.Binary(), "content_hash": pl.Binary()}
_AT_ONCE = 200_000


def check_integrity(connection: Connection) -> tuple[Finding, ...]:
    """Check a study's tables against each other and against the hashes that were kept.

    Returns
    -------
    tuple of domatia.model.Finding
        `file_damaged`, `body_missing`, `content_changed`, `order_broken`; empty if all is well.
    """
    try:
        return tuple(_findings(connection))
    except DBAPIError as e:
        if not is_damaged(e):
            raise
        return (_finding("file_damaged", f"The database says: {e.orig}.", "A sound file."),)


def _findings(connection: Connection) -> list[Finding]:
    found: list[Finding] = []
    if connection.dialect.name == "sqlite":
        said = connection.exec_driver_sql("PRAGMA integrity_check").scalars().all()
        if list(said) != ["ok"]:
            found.append(_finding("file_damaged", f"SQLite says: {'; '.join(map(str, said[:5]))}.", "A sound file."))
    found += _bodies(connection)
    backwards = connection.scalar(select(func.count()).select_from(replaces).where(replaces.c.new <= replaces.c.old))
    if backwards:
        found.append(_finding("order_broken", f"{backwards} records replace later ones.", "Only earlier ones."))
    return found


def _bodies(connection: Connection) -> list[Finding]:
    counted = select(entry.c.kind, func.count().label("n")).group_by(entry.c.kind)
    entries: dict[str, int] = {row.kind: row.n for row in connection.execute(counted)}
    found = []
    for kind, body in BODIES.items():
        rows = int(connection.scalar(select(func.count()).select_from(body)) or 0)
        joined = select(func.count()).select_from(
            body.join(entry, (entry.c.seq == body.c.seq) & (entry.c.kind == kind))
        )
        matched = int(connection.scalar(joined) or 0)
        if not rows == matched == entries.pop(kind, 0):
            said = f"{kind}: envelopes and bodies do not match one to one."
            found.append(_finding("body_missing", said, "One body for each envelope."))
        found += _contents(connection, kind, rows)
    if entries:
        found.append(_finding("body_missing", f"There are entries of {', '.join(entries)}.", "Known record kinds."))
    return found


def _contents(connection: Connection, kind: str, rows: int) -> list[Finding]:
    body = BODIES[kind]
    schema = {**_ROWS, **body_schema(kind)}
    columns = [entry.c.record_id, entry.c.content_hash, *(body.c[c] for c in body_schema(kind))]
    last = int(connection.scalar(select(func.max(entry.c.seq))) or 0) if rows else 0
    found = []
    for first in range(0, last, _AT_ONCE):
        query = select(*columns).join_from(body, entry, entry.c.seq == body.c.seq)
        frame = fetch(connection, query.where(body.c.seq > first, body.c.seq <= first + _AT_ONCE), schema)
        now = pl.Series(body_hashes(kind, frame), dtype=pl.Binary)
        for record in frame.filter(now != pl.col("content_hash"))["record_id"]:
            said = f"The content of {kind} record {record.hex()[:12]} is not the one that was written."
            found.append(_finding("content_changed", said, "Its hash to be the one kept.", kind, record))
    return found


def _finding(code: str, found: str, expected: str, kind: str = "", record: bytes = b"") -> Finding:
    where = (Where(kind=kind, record_id=record, label="the study file"),)
    return Finding(code, "error", where, found, expected, _REMEDY)
