"""The format's version, and the named steps that bring an older study up to it.

Each step runs in one transaction together with its own record. Steps never change once they are published.
"""

from collections.abc import Callable
from dataclasses import dataclass

from sqlalchemy import Connection, func, inspect, select
from sqlalchemy.schema import CreateColumn

from domatia.model.errors import CannotOpen, NewerFormat
from domatia.store.moments import now
from domatia.store.schema import BODIES, HOUSE_TABLES, fields_fingerprint, format_, gone, metadata
from domatia.store.triggers import refuse_changes

VERSION = 1


@dataclass(frozen=True)
class Step:
    """One step to a newer format.

    Attributes
    ----------
    version : int
        The format that it leads to.
    name : str
    run : callable
        Told the connection, inside a transaction.
    """

    version: int
    name: str
    run: Callable[[Connection], None]


def _remember_gone_rows(connection: Connection) -> None:
    gone.create(connection)
    refuse_changes(connection, [gone])


def _complete_bodies(connection: Connection) -> None:
    """Add the tables and columns that `fields.csv` has and this study lacks."""
    there = inspect(connection)
    names = set(there.get_table_names())
    for kind, body in BODIES.items():
        if kind not in names:
            body.create(connection)
            refuse_changes(connection, [body])
            continue
        held = {c["name"] for c in there.get_columns(kind)}
        for column in body.columns:
            if column.name not in held:
                clause = CreateColumn(column).compile(dialect=connection.dialect)
                connection.exec_driver_sql(f'ALTER TABLE "{kind}" ADD COLUMN {clause}')


STEPS = (Step(1, "remember rows gone from their file", _remember_gone_rows),)


def lay_out(connection: Connection) -> None:
    """Make all tables of a new study, in the newest format."""
    metadata.create_all(connection, checkfirst=False)
    refuse_changes(connection, [*HOUSE_TABLES, *BODIES.values()])
    _record(connection, VERSION, "made", fields_fingerprint())


def _record(connection: Connection, version: int, step: str, fields: bytes) -> None:
    seq = int(connection.scalar(select(func.max(format_.c.seq))) or 0) + 1
    connection.execute(format_.insert().values(seq=seq, version=version, step=step, fields=fields, at=now()))


def pending(connection: Connection, name: str) -> tuple[Step, ...]:
    """Tell which steps a study still needs; writes nothing.

    Parameters
    ----------
    connection : sqlalchemy.Connection
    name : str
        How the study is named to the user.

    Raises
    ------
    CannotOpen
        If there are no tables of a study.
    NewerFormat
        If the study was written by a newer version of this tool; it is left as it is.
    """
    there = inspect(connection)
    tables = set(there.get_table_names())
    if format_.name not in tables:
        raise CannotOpen(
            f"There is no study in {name}", next_step="Make one with `domatia new`; an empty file can be deleted."
        )
    version, fields = version_of(connection)
    if version > VERSION:
        raise NewerFormat(
            f"The study {name} has format {version}, this version of the tool reads up to {VERSION}",
            next_step="It was left untouched. Install the newer version of the tool.",
        )
    steps = tuple(s for s in STEPS if s.version > version)
    if fields == fields_fingerprint():
        return steps
    strange = [
        f"{kind}.{c['name']}"
        for kind, body in BODIES.items()
        if kind in tables
        for c in there.get_columns(kind)
        if c["name"] not in body.columns
    ]
    if strange:
        raise NewerFormat(
            f"The study {name} has fields that this version of the tool does not know: {', '.join(strange)}",
            next_step="It was left untouched. Install the newer version of the tool.",
        )
    return (*steps, Step(VERSION, "fields added", _complete_bodies))


def version_of(connection: Connection) -> tuple[int, bytes]:
    """Give the format's version and the fingerprint of the fields that the study was written with."""
    row = connection.execute(select(format_).order_by(format_.c.seq.desc()).limit(1)).one()
    return int(row.version), bytes(row.fields)


def run_step(connection: Connection, step: Step) -> None:
    """Run one step and record it, inside a transaction of the caller."""
    fields = fields_fingerprint() if step.run is _complete_bodies else version_of(connection)[1]
    step.run(connection)
    _record(connection, step.version, step.name, fields)
