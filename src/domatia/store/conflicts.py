"""Findings that the log itself gives rise to: two values of one thing, rows gone from their file."""

from collections.abc import Mapping

import polars as pl
from sqlalchemy import Connection, func, select

from domatia.model.finding import Finding, Where
from domatia.model.tables import body_schema
from domatia.store.current import among
from domatia.store.fetch import fetch
from domatia.store.schema import entry, gone, import_

_SIGNED: Mapping[str, pl.DataType] = {
    "seq": pl.Int64(), "record_id": pl.Binary(), "author": pl.String(), "at": pl.String(), "why": pl.String(),
}  # fmt: skip


def two_values(connection: Connection, undecided: Mapping[str, pl.DataFrame]) -> tuple[Finding, ...]:
    """Give one finding for each thing that has two current revisions which disagree."""
    found: list[Finding] = []
    for kind, frame in undecided.items():
        query = select(*(entry.c[name] for name in _SIGNED))
        signed = among(connection, query, "record_id", frame["record_id"].to_list(), _SIGNED)
        by_record = {row["record_id"]: row for row in signed.iter_rows(named=True)}
        for _, heads in frame.group_by("subject_id", maintain_order=True):
            found.append(_two_values(kind, heads, by_record))
    return tuple(found)


def _two_values(kind: str, heads: pl.DataFrame, signed: Mapping[bytes, Mapping[str, object]]) -> Finding:
    rows = heads.to_dicts()
    differing = [c for c in body_schema(kind) if heads[c].n_unique() > 1]
    said = [", ".join(f"{c} {_word(row[c])}" for c in differing) for row in rows]
    sources = [_source(row, signed[row["record_id"]]) for row in rows]
    where = tuple(
        Where(
            file=row["origin_file"] or "", sheet=row["origin_sheet"] or "", row=row["origin_row"],
            column=differing[0] if len(differing) == 1 else "",
            kind=kind, record_id=row["record_id"], label=f"{kind} {row['subject_id'].hex()[:12]}",
        )
        for row in rows
    )  # fmt: skip
    return Finding(
        code="two_values",
        severity="error",
        where=where,
        found="; against ".join(f"{what} ({source})" for what, source in zip(said, sources, strict=True)) + ".",
        expected="One current value of one thing.",
        remedy="Decide which holds with `domatia correct`; until then neither is used.",
        subjects=(rows[0]["subject_id"],),
        values=tuple(sorted(said)),
    )


def _word(value: object) -> str:
    if value is None:
        return "empty"
    return value.hex()[:12] if isinstance(value, bytes) else str(value)


def _source(row: Mapping[str, object], signed: Mapping[str, object]) -> str:
    day = str(signed["at"])[:10]
    if row["origin_file"]:
        sheet = f" [{row['origin_sheet']}]" if row["origin_sheet"] else ""
        return f"{row['origin_file']}{sheet} row {row['origin_row']}, imported {day}"
    why = f": {signed['why']}" if signed["why"] else ""
    return f"{signed['author'] or 'nobody named'}, {day}{why}"


def rows_gone(connection: Connection, current: Mapping[str, pl.DataFrame], upto: int) -> tuple[Finding, ...]:
    """Give one finding for each current record whose row the newest import of its file no longer holds."""
    newest = select(func.max(import_.c.seq)).where(import_.c.last_seq <= upto).group_by(import_.c.file)
    query = (
        select(gone.c.subject_id, gone.c.kind, import_.c.file, import_.c.at)
        .join_from(gone, import_, import_.c.seq == gone.c["import"])
        .where(import_.c.seq.in_(newest))
    )
    missing = fetch(
        connection,
        query,
        {"subject_id": pl.Binary(), "kind": pl.String(), "file": pl.String(), "at": pl.String()},
    )
    found: list[Finding] = []
    for kind, frame in current.items():
        of_kind = frame.join(missing.filter(pl.col("kind") == kind), on="subject_id", how="inner")
        found += [_row_gone(kind, row) for row in of_kind.sort("subject_id", "file").iter_rows(named=True)]
    return tuple(found)


def _row_gone(kind: str, row: Mapping[str, object]) -> Finding:
    subject, record = row["subject_id"], row["record_id"]
    if not isinstance(subject, bytes) or not isinstance(record, bytes):
        raise TypeError("ids are bytes")
    number, sheet = row["origin_row"], row["origin_sheet"]
    return Finding(
        code="row_gone",
        severity="warning",
        where=(
            Where(
                file=str(row["origin_file"] or ""), sheet=str(sheet or ""),
                row=number if isinstance(number, int) else None,
                kind=kind, record_id=record, label=f"{kind} {subject.hex()[:12]}",
            ),
        ),
        found=f"The import of {row['file']} of {str(row['at'])[:10]} no longer holds this {kind}.",
        expected="What a file once held stays in it.",
        remedy="If it was struck out on purpose, withdraw the record; else put the row back.",
        subjects=(subject,),
        values=(str(row["file"]),),
    )  # fmt: skip
