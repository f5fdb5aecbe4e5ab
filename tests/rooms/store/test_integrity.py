"""Damage to a study file is found and named."""

import sqlite3
from pathlib import Path

import pytest
from tests.rooms.store.made_rows import file_batch

from domatia.model import CannotOpen
from domatia.store import create_study, open_study


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Make a study file with twenty visits."""
    path = tmp_path / "study.domatia"
    with create_study(path, "Ridge", profile_text="") as study:
        study.append(file_batch(study.study_id, {str(n): float(n) for n in range(20)}))
    return path


def _behind_its_back(path: Path, *statements: str) -> None:
    with sqlite3.connect(path) as raw:
        raw.execute("PRAGMA synchronous = OFF")
        for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            raw.execute(f'DROP TRIGGER "{name}"')
        for statement in statements:
            raw.execute(statement)
    raw.close()


@pytest.mark.parametrize(
    ("statement", "code"),
    [
        ("UPDATE visit SET height_cm = 99 WHERE height_cm = 7", "content_changed"),
        ("DELETE FROM visit WHERE height_cm = 7", "body_missing"),
        ("DELETE FROM entry WHERE seq = 5", "body_missing"),
        ("UPDATE entry SET kind = 'leaf' WHERE seq = 5", "body_missing"),
        ("UPDATE entry SET kind = 'dream' WHERE seq = 5", "body_missing"),
        ("INSERT INTO replaces (new, old) VALUES (3, 4)", "order_broken"),
    ],
)
def test_a_change_behind_the_tool_is_found(path: Path, statement: str, code: str) -> None:
    """With the triggers taken away, a changed or lost row still shows."""
    with open_study(path) as study:
        assert study.check_integrity() == ()
    _behind_its_back(path, statement)
    with open_study(path) as study:
        assert code in {f.code for f in study.check_integrity()}


def test_damaged_pages_are_found(path: Path) -> None:
    """Bytes overwritten in an index are found by the database itself."""
    raw = bytearray(path.read_bytes())
    with sqlite3.connect(path) as file:
        (page,) = file.execute("SELECT rootpage FROM sqlite_master WHERE name = 'ix_origin_import'").fetchone()
        (size,) = file.execute("PRAGMA page_size").fetchone()
    file.close()
    raw[page * size - 200 : page * size] = b"\xff" * 200
    path.write_bytes(raw)
    with open_study(path) as study:
        assert "file_damaged" in {f.code for f in study.check_integrity()}


def test_a_file_cut_short_cannot_be_opened(path: Path) -> None:
    """A file that lost its second half is refused with the advice to go back to a copy."""
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) // 3])
    with pytest.raises(CannotOpen, match="Go back to a copy"), open_study(path) as study:
        study.read()
