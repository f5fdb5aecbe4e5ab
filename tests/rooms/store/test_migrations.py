"""Older studies are brought up to date after a copy was made; newer ones are left untouched."""

import sqlite3
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import Connection
from tests.rooms.store.made_rows import file_batch

from domatia.model import CannotOpen, NewerFormat
from domatia.store import create_study, migrations, open_study
from domatia.store.migrations import STEPS, VERSION

Execute = Callable[[str], object]
_FORMAT_LINE = (
    "INSERT INTO format (seq, version, step, fields, at) SELECT max(seq) + 1, {0}, 'test', "
    "(SELECT {1} FROM format WHERE seq = 1), '2026-01-01T00:00:00.000000+00:00' FROM format"
)
_DELETE = 'DELETE FROM "{0}"'
_COPIED = 'SELECT count(*) FROM "{0}_format0".visit'


def _raw(place: str) -> tuple[Execute, Callable[[], None]]:
    if "://" not in place:
        file = sqlite3.connect(place, isolation_level=None)
        return file.execute, file.close
    address, study = place.split("&study=")
    server = psycopg.connect(address, autocommit=True)
    server.execute(f'SET search_path TO "{study}"'.encode())
    return lambda text: server.execute(text.encode()), server.close


def _append_format(place: str, version: int, fields: str = "fields") -> None:
    """Write a line to the format table, as another version of the tool would."""
    execute, close = _raw(place)
    execute(_FORMAT_LINE.format(version, fields))
    close()


@pytest.fixture
def version_0(place: str) -> str:
    """Make a study of format 0: it has no memory of rows gone, no printed sheets, and visits have no condition."""
    with create_study(place, "Old ridge", profile_text="") as study:
        study.append(file_batch(study.study_id, {"a": 1.0, "b": 2.0}))
    execute, close = _raw(place)
    execute("DROP TABLE gone")
    execute("DROP TABLE printed_sheet")
    execute("ALTER TABLE visit DROP COLUMN condition")
    close()
    blank = "'\\x00'::bytea" if "://" in place else "x'00'"
    _append_format(place, 0, blank)
    return place


def test_every_version_has_its_step() -> None:
    """The steps lead from version 0 to the newest, one by one."""
    assert [s.version for s in STEPS] == list(range(1, VERSION + 1))


def test_an_older_study_is_brought_up_to_date(version_0: str) -> None:
    """Opened for writing, a study of format 0 gets the newest format and keeps its data, ids and past."""
    with open_study(version_0, write=True) as study:
        assert study.check_integrity() == ()
        assert sorted(study.read().table("visit")["height_cm"]) == [1.0, 2.0]
        record = study.read().table("visit").filter(height_cm=1.0).row(0, named=True)
        study.correct("visit", record["subject_id"], {"condition": "under a branch"}, "Ana", "was left out")
        assert study.append(file_batch(study.study_id, {"a": 1.0})).gone
        study.add("printed_sheet", {"number": "17"}, "Ana", "printed")
    execute, close = _raw(version_0)
    steps = execute("SELECT version, step FROM format WHERE seq > 2 ORDER BY seq")
    assert isinstance(steps, sqlite3.Cursor | psycopg.Cursor)
    assert steps.fetchall() == [(1, "remember rows gone from their file"), (1, "fields added")]
    for table in ("gone", "printed_sheet"):
        with pytest.raises((sqlite3.IntegrityError, psycopg.errors.RaiseException), match="never changed"):
            execute(_DELETE.format(table))
    close()


def test_the_older_study_is_kept_beside(version_0: str) -> None:
    """Before the first step the whole study is copied beside itself, once."""
    open_study(version_0, write=True).close()
    open_study(version_0, write=True).close()
    if "://" in version_0:
        address, study = version_0.split("&study=")
        with psycopg.connect(address) as server:
            assert server.execute(_COPIED.format(study).encode()).fetchone() == (2,)
        return
    path = Path(version_0)
    (copy,) = [p for p in path.parent.iterdir() if p != path]
    assert copy.name == f"{path.stem}-before-format-1-was-0.domatia"
    with sqlite3.connect(copy) as raw:
        assert raw.execute("SELECT version FROM format ORDER BY seq DESC").fetchone() == (0,)
        assert raw.execute("SELECT count(*) FROM visit").fetchone() == (2,)
    raw.close()


def test_reading_an_older_study_does_not_change_it(version_0: str) -> None:
    """Opened for reading, an older file is read and stays byte for byte; PostgreSQL asks to open it for writing."""
    if "://" in version_0:
        with pytest.raises(CannotOpen, match="Open it once for writing"):
            open_study(version_0)
        return
    path = Path(version_0)
    before = sha256(path.read_bytes()).digest()
    with open_study(path) as study:
        assert study.read().table("visit").height == 2
    assert sha256(path.read_bytes()).digest() == before
    assert list(path.parent.iterdir()) == [path]


def test_a_step_that_fails_changes_nothing(version_0: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A step and its record come together or not at all; the next opening goes on from there."""

    def half(connection: Connection) -> None:
        STEPS[0].run(connection)
        raise RuntimeError("the lights went out")

    with monkeypatch.context() as patch:
        patch.setattr(migrations, "STEPS", (migrations.Step(1, STEPS[0].name, half),))
        with pytest.raises(RuntimeError, match="lights"):
            open_study(version_0, write=True)
    execute, close = _raw(version_0)
    with pytest.raises((sqlite3.OperationalError, psycopg.errors.UndefinedTable), match="gone"):
        execute("SELECT * FROM gone")
    close()
    with open_study(version_0, write=True) as study:
        assert study.check_integrity() == ()


@pytest.mark.parametrize("write", [False, True])
def test_a_newer_study_is_refused_untouched(place: str, write: bool) -> None:
    """A study of a later format is refused with what to do, and not a byte of it changes."""
    create_study(place, "Ridge", profile_text="").close()
    _append_format(place, VERSION + 1)
    before = Path(place).read_bytes() if "://" not in place else b""
    with pytest.raises(NewerFormat, match=r"left untouched. Install the newer version"):
        open_study(place, write=write)
    if "://" not in place:
        assert Path(place).read_bytes() == before
        assert list(Path(place).parent.iterdir()) == [Path(place)]


def test_fields_of_a_later_version_are_refused(place: str) -> None:
    """A study with a column that this version does not know is newer, whatever its number says."""
    create_study(place, "Ridge", profile_text="").close()
    execute, close = _raw(place)
    execute("ALTER TABLE visit ADD COLUMN moss_pct REAL")
    close()
    _append_format(place, VERSION, "'\\x00'::bytea" if "://" in place else "x'00'")
    with pytest.raises(NewerFormat, match=r"visit\.moss_pct"):
        open_study(place, write=True)
