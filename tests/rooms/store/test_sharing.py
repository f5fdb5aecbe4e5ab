"""Several programs at one study; studies on media that cannot be written; copies."""

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from tests.rooms.store.made_rows import file_batch

from domatia.model import CannotOpen, StudyIsBusy, WrongUse
from domatia.store import create_study, open_study
from domatia.store.door import PATIENCE
from domatia.store.sqlite_file import sqlite_warnings


def test_one_writer_at_a_time(place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """While one program writes another is told to wait, and can write afterwards; readers are never kept waiting."""
    create_study(place, "Ridge", profile_text="").close()
    monkeypatch.setitem(PATIENCE, "seconds", 0.2)
    with open_study(place, write=True) as one, open_study(place, write=True) as two, open_study(place) as reader:
        batch = file_batch(one.study_id, {"a": 1.0, "b": 2.0})

        def meanwhile(_done: int, _total: int) -> None:
            with pytest.raises(StudyIsBusy, match=r"Another program is writing.*try again"):
                two.add("person", {"name": "Ben"}, "Ben", "joined")
            assert reader.read().table("visit").height == 0

        one.append(batch, meanwhile)
        two.add("person", {"name": "Ben"}, "Ben", "joined")
        assert reader.read().table("visit").height == 2
        assert reader.read().table("person").height == 1
    with open_study(place) as study:
        assert study.check_integrity() == ()
    if "://" not in place:
        assert list(Path(place).parent.iterdir()) == [Path(place)]


def test_two_writers_in_turn_number_their_entries(place: str) -> None:
    """Entries of two open programs get numbers in the order in which they were written."""
    create_study(place, "Ridge", profile_text="").close()
    with open_study(place, write=True) as one, open_study(place, write=True) as two:
        first = one.add("person", {"name": "Ana"}, "Ana", "joined")
        second = two.add("person", {"name": "Ben"}, "Ben", "joined")
        third = one.add("person", {"name": "Caz"}, "Ana", "joined")
        seqs = [one.revisions(one.find(r.hex()).subject_id)["seq"][0] for r in (first, second, third)]
    assert seqs == sorted(seqs)
    assert len(set(seqs)) == 3


def test_a_copy_of_an_open_study(tmp_path: Path) -> None:
    """A copy made while the study is open for writing holds all of it and is a study of its own."""
    path, copy = tmp_path / "study.domatia", tmp_path / "copy.domatia"
    with create_study(path, "Ridge", profile_text="") as study:
        study.append(file_batch(study.study_id, {"a": 1.0, "b": 2.0}))
        study.copy_to(copy)
        study.add("person", {"name": "Ana"}, "Ana", "after the copy")
        with pytest.raises(WrongUse, match="already"):
            study.copy_to(copy)
    with open_study(copy) as copied:
        assert copied.read().table("visit").height == 2
        assert copied.read().table("person").height == 0
        assert copied.check_integrity() == ()


def test_a_server_study_is_not_copied_to_a_file(postgres_address: str, tmp_path: Path) -> None:
    """Copying a study out of PostgreSQL is refused with the tool that does it."""
    with (
        create_study(f"{postgres_address}&study=no_copy", "Ridge", profile_text="") as study,
        pytest.raises(WrongUse, match="pg_dump"),
    ):
        study.copy_to(tmp_path / "copy.domatia")


def test_names_of_server_studies(postgres_address: str) -> None:
    """A name that is no plain word is refused, and a server that is not there is told."""
    with pytest.raises(WrongUse, match="cannot be called"):
        create_study(f"{postgres_address}&study=Drop Table", "Ridge", profile_text="")
    with pytest.raises(CannotOpen, match="cannot be reached"):
        open_study("postgresql://crew@127.0.0.1:1/nothing")


@contextmanager
def _as_a_visitor() -> Iterator[None]:
    """Be a user without rights, where the tests are run by root; root may write anywhere."""
    if os.geteuid() != 0:
        yield
        return
    os.setresuid(65534, 65534, 0)
    try:
        yield
    finally:
        os.setresuid(0, 0, 0)


def _visits_in(path: Path) -> int:
    with open_study(path) as study:
        return study.read().table("visit").height


@pytest.mark.skipif(sys.platform == "win32", reason="folders without the right to write are a matter of POSIX")
@pytest.mark.parametrize("left", ["closed", "log header", "log not folded in"])
def test_a_study_on_a_disk_that_cannot_be_written(left: str) -> None:
    """A study is read from a folder without the right to write, even one whose log was never folded in."""
    folder = Path("/var/tmp") / f"domatia-{os.getpid()}-{left.replace(' ', '-')}"  # noqa: S108
    folder.mkdir()
    path = folder / "study.domatia"
    try:
        with create_study(path, "Ridge", profile_text="") as study:
            study.append(file_batch(study.study_id, {"a": 1.0, "b": 2.0}))
        if left != "closed":
            raw = sqlite3.connect(path)
            raw.execute("PRAGMA journal_mode = WAL")
            raw.close()
            assert list(folder.iterdir()) == [path]
        if left == "log not folded in":
            _leave_a_log(path)
        for item in (*folder.iterdir(), folder):
            item.chmod(0o555 if item == folder else 0o444)
        before = {p.name: p.read_bytes() for p in folder.iterdir()}
        with _as_a_visitor():
            assert not os.access(folder, os.W_OK)
            assert _visits_in(path) == (3 if left == "log not folded in" else 2)
        assert {p.name: p.read_bytes() for p in folder.iterdir()} == before
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


def _leave_a_log(path: Path) -> None:
    """Append a visit and die before the log is folded in."""
    code = (
        "import os, sys\nfrom domatia.store import open_study\nfrom tests.rooms.store.made_rows import file_batch\n"
        "s = open_study(sys.argv[1], write=True)\n"
        "s.append(file_batch(s.study_id, {'c': 3.0}, name='more.csv'))\nos._exit(0)\n"
    )
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    subprocess.run([sys.executable, "-c", code, str(path)], env=env, check=True)
    assert path.with_name(path.name + "-wal").stat().st_size > 0


def test_an_unfolded_log_is_read_and_folded_in(tmp_path: Path) -> None:
    """After a program died without closing, nothing is missing, and the next writer leaves one file."""
    path = tmp_path / "study.domatia"
    create_study(path, "Ridge", profile_text="").close()
    _leave_a_log(path)
    with open_study(path) as study:
        assert study.read().table("visit").height == 1
    with open_study(path, write=True) as study:
        assert study.read().table("visit").height == 1
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_without_the_right_to_write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Opening for writing where nothing can be written is refused with what to do."""
    path = tmp_path / "study.domatia"
    create_study(path, "Ridge", profile_text="").close()
    monkeypatch.setattr(os, "access", lambda _path, _mode: False)
    with pytest.raises(CannotOpen, match="copy it to another disk"):
        open_study(path, write=True)


def test_an_old_library_is_warned_of() -> None:
    """SQLite before 3.51.3 is warned of as a value that the caller can show."""
    assert sqlite_warnings((3, 51, 3)) == ()
    assert "brings SQLite 3.40.1; before 3.51.3" in sqlite_warnings((3, 40, 1))[0]
