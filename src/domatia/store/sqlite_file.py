"""A study as one SQLite file: how it is opened, closed and copied.

While it is open for writing it keeps a write-ahead log beside it (synchronous=FULL: what was acknowledged survives a
power cut). On close the log is folded in and the file goes back to one that needs nothing beside it.
"""

import os
import shutil
import sqlite3
import tempfile
from pathlib import Path
from types import ModuleType

from sqlalchemy import Engine, create_engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool

from domatia.model.errors import CannotOpen, WrongUse
from domatia.store.door import PATIENCE, Door, busy, damaged, is_busy

try:
    import pysqlite3

    _module: ModuleType = pysqlite3
except ImportError:  # no wheel for this machine
    _module = sqlite3

APPLICATION_ID = 0x444F4D41  # "DOMA" in the file's header
SAFE_SQLITE = (3, 51, 3)
_MAGIC = b"SQLite format 3\x00"


def sqlite_warnings(version: tuple[int, ...]) -> tuple[str, ...]:
    """Warn of a SQLite that can lose commits when two programs have one file open."""
    if version >= SAFE_SQLITE:
        return ()
    has, safe = (".".join(map(str, v)) for v in (version, SAFE_SQLITE))
    return (
        f"This Python brings SQLite {has}; before {safe} it can, rarely, lose what was just written when two programs "
        "have the study open. Open a study in one program at a time, or install pysqlite3.",
    )


def create_file(path: Path) -> Door:
    """Make an empty study file and open it for writing.

    Raises
    ------
    WrongUse
        If there is a file already, or no folder to put it in.
    """
    if not path.parent.is_dir():
        raise WrongUse(f"There is no folder {path.parent}", next_step="Make the folder first.")
    try:
        path.touch(exist_ok=False)
    except FileExistsError:
        raise WrongUse(
            f"There is a file {path} already", next_step="Choose another name, or open the study that it holds."
        ) from None
    except OSError as e:
        raise WrongUse(f"The file {path} cannot be made: {e.strerror}", next_step="Choose another folder.") from e
    engine = _engine(path, "rwc")
    with engine.connect() as connection:
        connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
    return _writer(path, engine)


def open_file(path: Path, *, write: bool) -> Door:
    """Open a study file.

    Raises
    ------
    CannotOpen
        If there is no such file, it is no study, or it is to be written and cannot be.
    StudyIsBusy
        If another program is writing to it.
    """
    _look_at(path)
    if not write:
        return _reader(path)
    if not _can_write(path):
        raise CannotOpen(
            f"The study {path} cannot be written to", next_step="Open it for reading, or copy it to another disk first."
        )
    engine = _engine(path, "rw")
    try:
        return _writer(path, engine)
    except DBAPIError as e:
        engine.dispose()
        if is_busy(e):
            raise busy(str(path)) from e
        raise damaged(str(path), e) from e


def _look_at(path: Path) -> None:
    try:
        with path.open("rb") as file:
            head = file.read(100)
    except FileNotFoundError:
        raise CannotOpen(f"There is no study file {path}", next_step="Make one with `domatia new`.") from None
    except OSError as e:
        raise CannotOpen(f"The file {path} cannot be read: {e.strerror}") from e
    if head[:16] != _MAGIC or int.from_bytes(head[68:72], "big") != APPLICATION_ID:
        raise CannotOpen(
            f"The file {path} is no study of this tool",
            next_step="Make a study with `domatia new`, then import tables.",
        )


def _writer(path: Path, engine: Engine) -> Door:
    door = Door(
        engine=engine,
        name=str(path),
        writable=True,
        begin_read=("BEGIN",),
        begin_write=("BEGIN IMMEDIATE",),
        warnings=sqlite_warnings(_module.sqlite_version_info),
    )
    connection = door.connection()
    connection.exec_driver_sql("PRAGMA journal_mode = WAL")
    connection.exec_driver_sql("PRAGMA synchronous = FULL")
    connection.exec_driver_sql("PRAGMA cache_size = -131072")
    connection.rollback()
    door.on_close.append(lambda: fold_in(path))
    return door


def fold_in(path: Path) -> None:
    """Bring the write-ahead log into the file, unless another program still reads from it."""
    engine = _engine(path, "rw", seconds=0)
    try:
        with engine.connect() as connection:
            connection.exec_driver_sql("PRAGMA journal_mode = DELETE")
    except DBAPIError:
        return  # somebody else has it open; the last one to close folds the log in
    finally:
        engine.dispose()


def _reader(path: Path) -> Door:
    log = path.with_name(path.name + "-wal")
    frozen = not os.access(path.parent, os.W_OK)
    with path.open("rb") as file:
        keeps_log = file.read(20)[18] == 2
    if frozen and log.exists() and log.stat().st_size:
        return copied_reader(path)
    engine = _engine(path, "ro", immutable=frozen and keeps_log)
    return Door(
        engine=engine,
        name=str(path),
        writable=False,
        begin_read=("BEGIN",),
        begin_write=(),
        warnings=sqlite_warnings(_module.sqlite_version_info),
    )


def copied_reader(path: Path) -> Door:
    """Open a temporary copy, for a study that cannot be read where it lies without being written to."""
    folder = Path(tempfile.mkdtemp(prefix="domatia-"))
    copy = folder / path.name
    for name in (path.name, path.name + "-wal"):
        source = path.with_name(name)
        if source.exists():
            shutil.copyfile(source, folder / name)
    engine = _engine(copy, "rw")
    door = Door(
        engine=engine,
        name=str(path),
        writable=True,
        begin_read=("BEGIN",),
        begin_write=("BEGIN IMMEDIATE",),
        warnings=sqlite_warnings(_module.sqlite_version_info),
    )
    # a copy in a temporary folder: what cannot be removed at closing harms nothing and must hide no error before it
    door.on_close.append(lambda: shutil.rmtree(folder, ignore_errors=True))
    return door


def _can_write(path: Path) -> bool:
    return os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)


def _engine(path: Path, mode: str, *, immutable: bool = False, seconds: float | None = None) -> Engine:
    patience = PATIENCE["seconds"] if seconds is None else seconds
    address = f"{path.absolute().as_uri()}?mode={mode}" + ("&immutable=1" if immutable else "")

    def connect() -> object:
        return _module.connect(address, uri=True, timeout=patience, isolation_level=None)

    return create_engine("sqlite+pysqlite://", module=_module, creator=connect, poolclass=NullPool)


def copy_file(door: Door, path: Path) -> None:
    """Write a whole copy of an open study to a new file."""
    if path.exists():
        raise WrongUse(f"There is a file {path} already", next_step="Choose another name for the copy.")
    connection = door.connection()
    connection.exec_driver_sql("VACUUM INTO ?", (str(path),))
    connection.rollback()
