"""Moments of the log: what was current at which entry."""

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, func, select

from domatia.model.errors import WrongUse
from domatia.store.schema import BODIES, entry, replaces

Moment = str | int
"""An ISO 8601 instant or day, or the number of an entry in the log."""


def now() -> str:
    """Give the time in UTC as it is written to the log."""
    return datetime.now(UTC).isoformat(timespec="microseconds")


def next_clock(last: int) -> int:
    """Give the next value of the order clock: milliseconds since 1970 times 65,536, and always more than the last.

    A hybrid logical clock: Kulkarni and others 2014, Logical physical clocks, OPODIS, LNCS 8878, 17-32.
    """
    return max(int(datetime.now(UTC).timestamp() * 1000) << 16, last + 1)


def last_seq(connection: Connection) -> int:
    """Give the number of the log's last entry, 0 in an empty log."""
    return int(connection.scalar(select(func.max(entry.c.seq))) or 0)


def seq_at(connection: Connection, moment: Moment | None, time_zone: str) -> int:
    """Give the number of the last entry that was there at a moment.

    Parameters
    ----------
    connection : sqlalchemy.Connection
    moment : str or int or None
        An instant with or without offset (then in the study's time zone), a day (its end), the number of an entry,
        or None for now.
    time_zone : str
        The study's time zone.

    Raises
    ------
    WrongUse
        If the text is no ISO 8601 instant or day.
    """
    if moment is None:
        return last_seq(connection)
    if isinstance(moment, int):
        return moment
    until = instant_in_utc(moment, time_zone)
    return int(connection.scalar(select(func.max(entry.c.seq)).where(entry.c.at <= until)) or 0)


def instant_in_utc(text: str, time_zone: str) -> str:
    """Write an ISO 8601 instant or day as the log writes its times."""
    try:
        if len(text) == len("2026-01-31"):
            found = datetime.combine(date.fromisoformat(text), time.max)
        else:
            found = datetime.fromisoformat(text)
    except ValueError:
        raise WrongUse(
            f"{text!r} is no moment",
            "an ISO 8601 instant such as 2026-11-25T14:30+00:00, a day such as 2026-11-25, or the number of an entry",
        ) from None
    if found.tzinfo is None:
        found = found.replace(tzinfo=ZoneInfo(time_zone))
    return found.astimezone(UTC).isoformat(timespec="microseconds")


def withdrawn(connection: Connection, upto: int) -> set[bytes]:
    """Give the ids of the records that do not count at a moment because a person withdrew them.

    A withdrawal is a record itself. One that was replaced or withdrawn in its turn has no effect; since it can only
    name a record that was there before, the log is read from its end.
    """
    table = BODIES["withdrawal"]
    replaced = select(replaces.c.old).where(replaces.c.new <= upto)
    query = (
        select(entry.c.record_id, table.c.record)
        .join_from(table, entry, entry.c.seq == table.c.seq)
        .where(table.c.seq <= upto, table.c.seq.not_in(replaced))
        .order_by(table.c.seq.desc())
    )
    found: set[bytes] = set()
    for record_id, target in connection.execute(query):
        if record_id not in found:
            found.add(target)
    return found
