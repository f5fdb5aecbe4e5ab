"""What of a batch is new: rows of a file are compared with the last content that came from that file."""

from dataclasses import dataclass

import polars as pl

from domatia.model.errors import WrongUse
from domatia.model.identity import ID_BYTES, content_hash
from domatia.model.tables import as_table, table_schema
from domatia.store.hashing import body_hashes

HASH = "content_hash"


@dataclass(frozen=True)
class Plan:
    """One kind's rows to be written.

    Attributes
    ----------
    rows : polars.DataFrame
        The new records: columns of `table_schema(kind)`, `origin_hash` and `content_hash`.
    replaces : polars.DataFrame
        Columns `new` and `old`, both record ids.
    unchanged : int
        Rows that bring nothing.
    gone : polars.DataFrame
        Column `subject_id`: things that the file held before and no longer holds.
    """

    rows: pl.DataFrame
    replaces: pl.DataFrame
    unchanged: int
    gone: pl.DataFrame


def prepared(kind: str, frame: pl.DataFrame) -> pl.DataFrame:
    """Bring a batch's table into shape and hash its rows.

    Raises
    ------
    WrongUse
        If ids are missing or not 16 bytes, a text holds a NUL character, or a number is not finite; all told at once.
    """
    extra = frame["origin_hash"] if "origin_hash" in frame.columns else pl.Series([None], dtype=pl.Binary)
    table = as_table(kind, frame.drop("origin_hash", strict=False))
    wrong = [p for c in ("record_id", "subject_id") if (p := _bad_id(kind, table[c]))]
    wrong += [p for c in table_schema(kind) if (p := _bad_value(kind, table[c]))]
    if wrong:
        raise WrongUse("The batch cannot be kept: " + "; ".join(wrong), next_step="Nothing was written.")
    hashes = pl.Series(HASH, body_hashes(kind, table), dtype=pl.Binary)
    if table.height != len(extra):
        extra = pl.repeat(None, table.height, dtype=pl.Binary, eager=True)
    # in the order of ids the database's indexes grow at their end, which is a third faster with a million rows
    return table.with_columns(extra.cast(pl.Binary).alias("origin_hash"), hashes).sort(
        "subject_id", maintain_order=True
    )


def _bad_id(kind: str, ids: pl.Series) -> str:
    if ids.null_count() or (ids.bin.size() != ID_BYTES).any():
        return f"{kind}.{ids.name} has an id that is not {ID_BYTES} bytes"
    return ""


def _bad_value(kind: str, values: pl.Series) -> str:
    if values.dtype == pl.Float64 and not values.is_finite().all():
        return f"{kind}.{values.name} has a number that is not finite"
    if values.dtype == pl.String and values.str.contains("\0", literal=True).any():
        return f"{kind}.{values.name} has a text with a NUL character"
    return ""


def refuse_other_content(kind: str, table: pl.DataFrame, known: pl.DataFrame) -> None:
    """Refuse a batch that brings a known record with another content: it would hide a change.

    Raises
    ------
    WrongUse
        Naming the record.
    """
    table = table.unique(["record_id", "subject_id", HASH], keep="first", maintain_order=True)
    kept = known.select("record_id", pl.col(HASH).alias("@kept"), pl.col("subject_id").alias("@of"))
    joined = table.join(kept, on="record_id", how="left", maintain_order="left")
    clash = joined.filter(
        (pl.col("@kept") != pl.col(HASH))
        | (pl.col("@of") != pl.col("subject_id"))
        | pl.col("record_id").is_duplicated()
    )
    if clash.height:
        raise WrongUse(
            f"The {kind} record {clash['record_id'][0].hex()} comes with another content than it has",
            next_step="Nothing was written. A record never changes: send a correction under an id of its own.",
        )


def _unknown(table: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    return table.join(known, on="record_id", how="anti", maintain_order="left")


def plan_typed(table: pl.DataFrame, known: pl.DataFrame) -> Plan:
    """Plan rows that came from no file: those under a new id are written."""
    rows = _unknown(table.unique("record_id", keep="first", maintain_order=True), known)
    none = pl.DataFrame(schema={"new": pl.Binary, "old": pl.Binary})
    return Plan(rows, none, table.height - rows.height, table.select("subject_id").clear())


def plan_file(table: pl.DataFrame, brought: pl.DataFrame, known: pl.DataFrame) -> Plan:
    """Plan rows of a file against what that file last brought.

    Parameters
    ----------
    table : polars.DataFrame
        As `prepared` gives it.
    brought : polars.DataFrame
        Records of this kind from this file that no later record from it replaced: `record_id`, `subject_id`,
        `content_hash`.
    known : polars.DataFrame
        `record_id`, `subject_id`, `content_hash` of records in the study under the batch's ids.

    Returns
    -------
    Plan
        A thing whose content the file still has brings nothing, whatever was corrected meanwhile. A thing whose
        content changed gets a new record that replaces the file's earlier one.
    """
    given = table.height
    table = table.unique(["subject_id", HASH], keep="first", maintain_order=True)
    content = ["subject_id", HASH]
    fresh = table.join(brought, on=content, how="anti")
    stale = brought.join(table, on=content, how="anti").join(table, on="subject_id", how="semi")
    gone = brought.join(table, on="subject_id", how="anti").select("subject_id").unique().sort("subject_id")
    # A thing that stood in two ways and now stands in one of them: that one is written again, to replace the other.
    mended = (
        table.join(stale, on="subject_id", how="semi")
        .join(fresh, on="subject_id", how="anti")
        .unique("subject_id", keep="first", maintain_order=True)
    )
    ended = pl.concat([stale, brought.join(mended, on=content, how="semi")]).select("subject_id", old="record_id")
    moved = pl.concat([fresh, mended])
    first = moved.join(ended, on="subject_id", how="anti")
    again = _under_own_ids(moved.join(ended, on="subject_id", how="semi"), ended, known)
    pairs = again.select("subject_id", new="record_id").join(ended, on="subject_id").select("new", "old")
    rows = pl.concat([_unknown(first, known), again])
    return Plan(rows, pairs, given - rows.height, gone)


def _under_own_ids(again: pl.DataFrame, ended: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """Give a new id to a content that the study has seen before and that comes back after another one.

    The id follows from the content and from what it replaces, so it is the same on every machine.
    """
    back = again["record_id"].is_in(known["record_id"].implode())
    if not back.any():
        return again
    olds = ended.group_by("subject_id").agg(pl.col("old").sort())
    by_subject = dict(zip(olds["subject_id"].to_list(), olds["old"].to_list(), strict=True))
    ids = [
        _returning_id(record, by_subject[subject]) if is_back else record
        for record, subject, is_back in zip(again["record_id"], again["subject_id"], back, strict=True)
    ]
    return again.with_columns(pl.Series("record_id", ids, dtype=pl.Binary))


def _returning_id(record: bytes, olds: list[bytes]) -> bytes:
    raw = bytearray(content_hash((record, *olds)))
    raw[6] = (raw[6] & 0x0F) | 0x80
    raw[8] = (raw[8] & 0x3F) | 0x80
    return bytes(raw)
