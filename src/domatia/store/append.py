"""A batch into the log: all of it or nothing, in one transaction."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import polars as pl
from sqlalchemy import Connection, func, select

from domatia.model.batch import Batch, Receipt
from domatia.model.errors import WrongUse
from domatia.model.fields import kinds
from domatia.model.tables import body_schema
from domatia.store.current import ENVELOPE, among, current_entries
from domatia.store.fetch import fetch
from domatia.store.insert import insert
from domatia.store.moments import last_seq, next_clock, now
from domatia.store.plan import Plan, plan_file, plan_typed, prepared, refuse_other_content
from domatia.store.schema import BODIES, entry, gone, import_, origin, replaces

Tick = Callable[[int, int], None]


@dataclass
class _Writing:
    """What the steps of one append share."""

    connection: Connection
    batch: Batch
    before: int
    at: str
    clock: int
    tick: Callable[[int], None]
    import_seq: int | None = None
    written: int = 0


def append(connection: Connection, batch: Batch, tick: Tick | None = None) -> Receipt:
    """Write what is new in a batch.

    Parameters
    ----------
    connection : sqlalchemy.Connection
        Inside a transaction that writes alone.
    batch : domatia.model.Batch
    tick : callable, optional
        `tick(done, total)` rows.

    Raises
    ------
    WrongUse
        If a record kind is unknown, a known record comes with another content, or a record to be replaced is unknown.
    """
    unknown = sorted(set(batch.tables) - set(kinds()))
    if unknown:
        raise WrongUse(f"There is no record kind {', '.join(unknown)}", kinds(), name=unknown[0])
    tables = {kind: prepared(kind, batch.tables[kind]) for kind in kinds() if kind in batch.tables}
    plans = _plans(connection, batch, tables)
    known_subjects = _known_subjects(connection, plans)
    last = connection.scalar(select(entry.c.clock).order_by(entry.c.seq.desc()).limit(1))
    writing = _Writing(
        connection, batch, last_seq(connection), now(), next_clock(int(last or 0)),
        _counter(tick, sum(p.rows.height for p in plans.values())),
    )  # fmt: skip
    rows_gone = _rows_gone(connection, plans, writing.before)
    _write_import(writing, plans, rows_gone)
    for kind, plan in plans.items():
        _write(writing, kind, plan)
    _write_replaced(writing, plans)
    return _receipt(writing, plans, known_subjects, rows_gone)


def _counter(tick: Tick | None, total: int) -> Callable[[int], None]:
    done = 0

    def count(rows: int) -> None:
        nonlocal done
        done += rows
        if tick is not None:
            tick(done, total)

    return count


def _plans(connection: Connection, batch: Batch, tables: Mapping[str, pl.DataFrame]) -> dict[str, Plan]:
    query = select(*(entry.c[name] for name in ENVELOPE))
    brought = _brought(connection, batch.source.name) if batch.source else None
    plans: dict[str, Plan] = {}
    for kind, table in tables.items():
        known = among(connection, query, "record_id", table["record_id"].to_list())
        refuse_other_content(kind, table, known)
        if brought is None:
            plans[kind] = plan_typed(table, known)
            continue
        sheets = table["origin_sheet"].unique().implode()
        same = brought.filter(pl.col("kind") == kind)
        if table.height:
            same = same.filter(pl.col("sheet").is_in(sheets, nulls_equal=True))
        plans[kind] = plan_file(table, same.drop("sheet"), known)
    return plans


def _brought(connection: Connection, file: str) -> pl.DataFrame:
    """Give the records that a file brought and did not itself replace later."""
    columns = [entry.c[name] for name in ENVELOPE]
    of_file = select(import_.c.seq).where(import_.c.file == file)
    query = select(*columns, origin.c.sheet).join_from(entry, origin, origin.c.seq == entry.c.seq)
    found = fetch(connection, query.where(origin.c["import"].in_(of_file)), {**ENVELOPE, "sheet": pl.String()})
    pairs = fetch(connection, select(replaces.c.new, replaces.c.old), {"new": pl.Int64(), "old": pl.Int64()})
    own = pairs.join(found, left_on="new", right_on="seq", how="semi")
    return found.join(own, left_on="seq", right_on="old", how="anti").select(
        "kind", "record_id", "subject_id", "content_hash", "sheet"
    )


def _known_subjects(connection: Connection, plans: Mapping[str, Plan]) -> pl.Series:
    """Give the things, among those that get new records, which the study holds already."""
    subjects = pl.concat([p.rows["subject_id"] for p in plans.values()]) if plans else pl.Series(dtype=pl.Binary)
    if subjects.is_empty() or last_seq(connection) == 0:
        return pl.Series(dtype=pl.Binary)
    query = select(*(entry.c[name] for name in ENVELOPE))
    return among(connection, query, "subject_id", subjects.to_list())["subject_id"].unique()


def _rows_gone(connection: Connection, plans: Mapping[str, Plan], upto: int) -> pl.DataFrame:
    """Give the things that the file no longer holds and that nobody has withdrawn."""
    subjects = [s for p in plans.values() for s in p.gone["subject_id"].to_list()]
    found = current_entries(connection, subjects, upto)
    return found.select("subject_id", "kind").unique().sort("kind", "subject_id")


def _write_import(writing: _Writing, plans: Mapping[str, Plan], rows_gone: pl.DataFrame) -> None:
    batch, connection = writing.batch, writing.connection
    if batch.source is None:
        return
    new = sum(p.rows.height for p in plans.values())
    latest = connection.execute(
        select(import_.c.seq, import_.c.sha256, import_.c.mapping)
        .where(import_.c.file == batch.source.name)
        .order_by(import_.c.seq.desc())
        .limit(1)
    ).one_or_none()
    same = latest is not None and (latest.sha256, latest.mapping) == (batch.source.sha256, batch.mapping)
    if same and not new:
        return
    writing.import_seq = int(connection.scalar(select(func.max(import_.c.seq))) or 0) + 1
    connection.execute(
        import_.insert().values(
            seq=writing.import_seq,
            file=batch.source.name,
            sha256=batch.source.sha256,
            size_bytes=batch.source.size_bytes,
            mapping=batch.mapping,
            at=writing.at,
            author=batch.author,
            last_seq=writing.before + new,
        )
    )
    insert(connection, gone, rows_gone.with_columns(pl.lit(writing.import_seq).alias("import")))


def _write(writing: _Writing, kind: str, plan: Plan) -> None:
    rows = plan.rows
    if not rows.height:
        return
    first = writing.before + writing.written + 1
    seqs = range(first, first + rows.height)
    writing.written += rows.height
    batch = writing.batch
    rows = rows.with_columns(pl.Series("seq", seqs, dtype=pl.Int64))
    envelope = rows.select(
        "seq", "record_id", "subject_id", "content_hash",
        kind=pl.lit(kind), author=pl.lit(batch.author), device=pl.lit(batch.device), why=pl.lit(batch.why),
        at=pl.lit(writing.at), clock=pl.lit(writing.clock),
    )  # fmt: skip
    insert(writing.connection, entry, envelope)
    if writing.import_seq is not None:
        places = rows.select("seq", sheet="origin_sheet", row="origin_row", row_hash="origin_hash")
        insert(writing.connection, origin, places.with_columns(pl.lit(writing.import_seq).alias("import")))
    insert(writing.connection, BODIES[kind], rows.select("seq", *body_schema(kind)), writing.tick)


def _write_replaced(writing: _Writing, plans: Mapping[str, Plan]) -> None:
    pairs = pl.concat(
        [
            pl.DataFrame(list(writing.batch.replaces), schema={"new": pl.Binary, "old": pl.Binary}, orient="row"),
            *(p.replaces for p in plans.values()),
        ]
    ).unique(maintain_order=True)
    query = select(*(entry.c[name] for name in ENVELOPE))
    known = among(writing.connection, query, "record_id", pl.concat([pairs["new"], pairs["old"]]).to_list())
    numbers = (
        pairs.join(known.select(new="record_id", new_seq="seq"), on="new", how="left")
        .join(known.select(old="record_id", old_seq="seq"), on="old", how="left")
        # A pair whose new record is known already was written with it.
        .filter(pl.col("new_seq") > writing.before)
    )
    missing = numbers.filter(pl.col("old_seq").is_null())
    if missing.height:
        raise WrongUse(
            f"The record {missing['old'][0].hex()} that is to be replaced is not in the study",
            next_step="Nothing was written.",
        )
    if (numbers["new_seq"] <= numbers["old_seq"]).any():
        raise WrongUse("A record is to replace itself or a later one", next_step="Nothing was written.")
    insert(writing.connection, replaces, numbers.select(new="new_seq", old="old_seq"))


def _receipt(
    writing: _Writing, plans: Mapping[str, Plan], known_subjects: pl.Series, rows_gone: pl.DataFrame
) -> Receipt:
    known = known_subjects.implode()
    twice = [p.rows.filter(pl.col("subject_id").is_duplicated())["subject_id"] for p in plans.values()]
    revised = {k: int(p.rows["subject_id"].is_in(known).sum()) for k, p in plans.items()}
    added = {k: p.rows.height - revised[k] for k, p in plans.items()}
    touched = pl.concat([known_subjects, *twice]).to_list()
    heads = current_entries(writing.connection, touched, writing.before + writing.written)
    several = heads.group_by("subject_id").agg(pl.col("content_hash").n_unique().alias("n")).filter(pl.col("n") > 1)
    return Receipt(
        added={k: n for k, n in added.items() if n},
        revised={k: n for k, n in revised.items() if n},
        unchanged={k: p.unchanged for k, p in plans.items() if p.unchanged},
        gone=tuple(rows_gone["subject_id"].to_list()),
        two_heads=tuple(several["subject_id"].sort().to_list()),
    )
