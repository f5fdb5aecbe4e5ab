"""Raw SQL cannot change or remove what stands in a study."""

import sqlite3
from collections.abc import Callable

import psycopg
import pytest
from tests.rooms.store.made_rows import file_batch

from domatia.store import create_study, open_study
from domatia.store.schema import BODIES, HOUSE_TABLES


def _raw(place: str) -> tuple[Callable[[str], object], type[Exception], Callable[[], None]]:
    """Open a study behind the tool's back."""
    if "://" not in place:
        file = sqlite3.connect(place, isolation_level=None)
        return file.execute, sqlite3.IntegrityError, file.close
    address, study = place.split("&study=")
    server = psycopg.connect(address, autocommit=True)
    server.execute(f'SET search_path TO "{study}"'.encode())
    return lambda text: server.execute(text.encode()), psycopg.errors.RaiseException, server.close


_UPDATE = 'UPDATE "{0}" SET "{1}" = "{1}" + 1'
_DELETE = 'DELETE FROM "{0}"'


@pytest.fixture
def filled(place: str) -> str:
    """Make a study with a row in every table that the tests touch."""
    with create_study(place, "Ridge", profile_text="") as study:
        study.append(file_batch(study.study_id, {"a": 1.0, "b": 2.0}))
        study.append(file_batch(study.study_id, {"a": 5.0}))
        study.add("person", {"name": "Ana"}, "Ana", "joined")
    return place


@pytest.mark.parametrize(
    "table", ["entry", "replaces", "import", "origin", "gone", "format", "visit", "study", "person"]
)
def test_update_and_delete_raise(filled: str, table: str) -> None:
    """UPDATE and DELETE are refused on the envelope, on bodies and on everything else, and all rows stay."""
    execute, refused, close = _raw(filled)
    column = {"replaces": "new", "gone": "import"}.get(table, "seq")
    for statement in (_UPDATE.format(table, column), _DELETE.format(table)):
        with pytest.raises(refused, match="never changed, only added to"):
            execute(statement)
    close()
    with open_study(filled) as study:
        assert study.check_integrity() == ()
        assert study.read().table("visit").height == 2


def test_every_table_has_its_triggers(filled: str) -> None:
    """No table of the schema was forgotten."""
    execute, refused, close = _raw(filled)
    tables = [*HOUSE_TABLES, *BODIES.values()]
    if "://" in filled:
        for table in tables:
            with pytest.raises(refused, match="never changed"):
                execute(_DELETE.format(table.name))
    else:
        found = execute("SELECT tbl_name, count(*) FROM sqlite_master WHERE type = 'trigger' GROUP BY tbl_name")
        assert isinstance(found, sqlite3.Cursor)
        assert dict(found.fetchall()) == {t.name: 3 for t in tables}
    close()


def test_rows_cannot_be_replaced_by_inserting(filled: str) -> None:
    """SQLite's INSERT OR REPLACE and PostgreSQL's ON CONFLICT and TRUNCATE are refused too."""
    execute, refused, close = _raw(filled)
    if "://" in filled:
        statements = [
            "INSERT INTO person (seq, name) SELECT seq, 'Eve' FROM person ON CONFLICT (seq) DO UPDATE SET name = 'Eve'",
            "TRUNCATE person",
        ]
    else:
        statements = ["INSERT OR REPLACE INTO person (seq, name) SELECT seq, 'Eve' FROM person"]
    for statement in statements:
        with pytest.raises(refused, match="never changed"):
            execute(statement)
    close()
    with open_study(filled) as study:
        assert study.read().table("person")["name"].to_list() == ["Ana"]
