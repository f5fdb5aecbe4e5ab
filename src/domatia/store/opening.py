"""A study is made or opened: which database, which format, with or without writing."""

from pathlib import Path

from domatia.model.errors import CannotOpen
from domatia.store import postgres, sqlite_file
from domatia.store.door import Door
from domatia.store.migrations import VERSION, pending, run_step, version_of

Where = str | Path


def new_door(where: Where) -> Door:
    """Open a door to an empty place for a new study."""
    if postgres.is_address(str(where)):
        return postgres.open_address(str(where), write=True)
    return sqlite_file.create_file(Path(where))


def open_door(where: Where, *, write: bool) -> Door:
    """Open a door to a study and see that its format is the newest.

    An older study that is opened for writing is copied beside itself and then brought up to date. Opened for reading
    it stays as it is: a temporary copy is brought up to date and read.

    Raises
    ------
    CannotOpen
        If there is no study; its subclass NewerFormat if the study is newer than this tool.
    StudyIsBusy
        If another program is writing to it.
    """
    door = _checked(where, write=False)
    waiting = door.steps_wait
    if not write and not waiting:
        return door
    if not write and not door.is_sqlite:
        door.close()
        raise CannotOpen(
            f"The study {door.name} has an older format, and reading must not change it",
            next_step="Open it once for writing; that brings it up to date.",
        )
    # Only now is anything written: a newer study has been refused by then.
    door.close()
    if not write:
        return _brought_up_to_date(sqlite_file.copied_reader(Path(where)), write=False)
    writer = _checked(where, write=True)
    if writer.steps_wait:
        _back_up(writer, where)
        return _brought_up_to_date(writer, write=True)
    return writer


def _checked(where: Where, *, write: bool) -> Door:
    """Open a door and look whether there is a study behind it that this version can read."""
    address = postgres.is_address(str(where))
    door = (
        postgres.open_address(str(where), write=write) if address else sqlite_file.open_file(Path(where), write=write)
    )
    try:
        with door.reading() as connection:
            if address and not postgres.has_study(connection, door.schema):
                raise CannotOpen(f"There is no study in {door.name}", next_step="Make one with `domatia new`.")
            door.steps_wait = bool(pending(connection, door.name))
    except BaseException:
        door.close()
        raise
    return door


def _brought_up_to_date(door: Door, *, write: bool) -> Door:
    try:
        with door.reading() as connection:
            steps = pending(connection, door.name)
        for step in steps:
            with door.writing() as connection:
                run_step(connection, step)
    except BaseException:
        door.close()
        raise
    door.writable = write
    return door


def _back_up(door: Door, where: Where) -> None:
    """Copy a study beside itself before it is changed."""
    with door.reading() as connection:
        version, _ = version_of(connection)
    if door.is_sqlite:
        sqlite_file.copy_file(door, _free_name(Path(where), version))
        return
    with door.writing() as connection:
        name = f"{door.schema}_format{version}"
        number = 1
        while postgres.has_study(connection, name):
            number += 1
            name = f"{door.schema}_format{version}_{number}"
        postgres.copy_schema(connection, door, name)


def _free_name(path: Path, version: int) -> Path:
    stem = f"{path.stem}-before-format-{VERSION}-was-{version}"
    name = path.with_name(stem + path.suffix)
    number = 1
    while name.exists():
        number += 1
        name = path.with_name(f"{stem}-{number}{path.suffix}")
    return name
