"""Files stay short and have names that say what is in them."""

from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
LONGEST = 500
BANNED = {"utils", "util", "core", "common", "helpers", "misc", "stuff"}
FILES = sorted(
    p for d in ("src", "tests", "bench", "stubs") for p in (ROOT / d).rglob("*.py*") if p.suffix in (".py", ".pyi")
)


def name_of(path: Path) -> str:
    """Give a path as it is written in the project."""
    return path.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_no_file_is_longer_than_a_person_reads_at_once(path: Path) -> None:
    """A file has at most 500 lines."""
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST


def test_no_room_or_module_is_a_drawer_for_everything() -> None:
    """No package or module is called utils, core, common or the like."""
    found = [name_of(p) for p in FILES if set(p.relative_to(ROOT).with_suffix("").parts) & BANNED]
    assert not found
