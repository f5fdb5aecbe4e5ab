"""One door to both databases: a connection that reads one moment, or writes alone."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError

from domatia.model.errors import CannotOpen, StudyIsBusy, WrongUse

PATIENCE = {"seconds": 5.0}
"""How long a writer waits for another one before it gives up."""


@dataclass
class Door:
    """An open connection to a study, SQLite or PostgreSQL.

    Attributes
    ----------
    engine : sqlalchemy.Engine
    name : str
        How the study is named to the user: its path, or its address without the password.
    writable : bool
    begin_read, begin_write : tuple of str
        Statements that open a transaction for reading one moment, and for writing alone.
    warnings : tuple of str
    schema : str
        The study's schema in PostgreSQL, empty for a file.
    steps_wait : bool
        Whether the study is older than this version and must be brought up to date.
    on_close : list of callable
        What is to be done when the study is closed: folding the log in, removing a temporary copy.
    """

    engine: Engine
    name: str
    writable: bool
    begin_read: tuple[str, ...]
    begin_write: tuple[str, ...]
    warnings: tuple[str, ...] = ()
    schema: str = ""
    steps_wait: bool = False
    on_close: list[Callable[[], None]] = field(default_factory=list)
    _connection: Connection | None = None

    @property
    def is_sqlite(self) -> bool:
        """Whether the study is a file of its own."""
        return self.engine.dialect.name == "sqlite"

    def connection(self) -> Connection:
        """Give the one connection, without a transaction of its own."""
        if self._connection is None:
            self._connection = self.engine.connect()
        return self._connection

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Read one moment of the study, whatever others write meanwhile."""
        with self._transaction(self.begin_read, commit=False) as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Write alone, all or nothing.

        Raises
        ------
        WrongUse
            If the study was opened for reading.
        StudyIsBusy
            If another program has been writing for longer than `PATIENCE` allows.
        """
        if not self.writable:
            raise WrongUse(
                f"The study {self.name} is open for reading only",
                next_step="Open it with write=True, on a disk that can be written to.",
            )
        with self._transaction(self.begin_write, commit=True) as connection:
            yield connection

    @contextmanager
    def _transaction(self, begin: tuple[str, ...], *, commit: bool) -> Iterator[Connection]:
        connection = self.connection()
        transaction = connection.begin()
        try:
            for statement in begin:
                connection.exec_driver_sql(statement)
            yield connection
            if commit:
                transaction.commit()
            else:
                transaction.rollback()
        except DBAPIError as e:
            transaction.rollback()
            if is_busy(e):
                raise busy(self.name) from e
            if is_damaged(e):
                raise damaged(self.name, e) from e
            raise
        except BaseException:
            transaction.rollback()
            raise

    def close(self) -> None:
        """End the connection and do what was put off until now. A second call does nothing."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None
        self.engine.dispose()
        while self.on_close:
            with suppress(OSError):
                self.on_close.pop()()


def is_busy(error: DBAPIError) -> bool:
    """Tell whether a database error means that somebody else is writing."""
    if getattr(error.orig, "sqlstate", None) in ("55P03", "40001"):
        return True
    text = str(error.orig)
    return "database is locked" in text or "database table is locked" in text


def busy(name: str) -> StudyIsBusy:
    """Make the error that tells the user to wait."""
    return StudyIsBusy(
        f"Another program is writing to the study {name}",
        next_step="Nothing was changed. Wait until it has finished, or close it, and try again.",
    )


def is_damaged(error: DBAPIError) -> bool:
    """Tell whether a database error means that the file itself is broken."""
    text = str(error.orig)
    return any(word in text for word in ("malformed", "not a database", "disk I/O error"))


def damaged(name: str, error: DBAPIError) -> CannotOpen:
    """Make the error that tells the user to go back to a copy."""
    return CannotOpen(
        f"The study {name} is damaged: {error.orig}",
        next_step="Go back to a copy, and keep the damaged file for a look at what happened.",
    )
