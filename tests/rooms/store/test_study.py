"""A study is made, opened, written and read."""

from pathlib import Path

import pytest

from domatia.model import CannotOpen, WrongUse
from domatia.store import create_study, open_study


def test_a_new_study_can_be_opened_again(place: str) -> None:
    """A study that was made and closed has the same id, title and profile when it is opened."""
    with create_study(place, "Two hollows", profile_text='name = "hollow stem"', author="Ana") as made:
        study_id = made.study_id
    with open_study(place) as study:
        assert study.study_id == study_id
        assert study.title == "Two hollows"
        assert study.profile.name == "hollow stem"
        assert study.check_integrity() == ()


def test_a_study_is_never_made_over_another(place: str) -> None:
    """Making a study where there is one is refused, and the one that is there stays."""
    create_study(place, "First", profile_text="").close()
    with pytest.raises(WrongUse, match="already"):
        create_study(place, "Second", profile_text="")
    with open_study(place) as study:
        assert study.title == "First"


def test_there_is_nothing_to_open(place: str) -> None:
    """Opening a place without a study says so and how to make one."""
    with pytest.raises(CannotOpen, match="domatia new"):
        open_study(place)


def test_reading_refuses_to_write(place: str) -> None:
    """A study that was opened for reading cannot be written to."""
    create_study(place, "Quiet", profile_text="").close()
    with open_study(place) as study, pytest.raises(WrongUse, match="for reading only"):
        study.add("person", {"name": "Ana"}, "Ana", "joined")


def test_one_file_remains(tmp_path: Path) -> None:
    """After closing there is one file and nothing beside it."""
    with create_study(tmp_path / "one.domatia", "One", profile_text="") as study:
        study.add("person", {"name": "Ana"}, "Ana", "joined")
    assert [p.name for p in tmp_path.iterdir()] == ["one.domatia"]


def test_another_file_is_no_study(tmp_path: Path) -> None:
    """A file that is no study is refused, whether text or another database."""
    path = tmp_path / "notes.domatia"
    path.write_text("plant,height\n1,20\n")
    with pytest.raises(CannotOpen, match="no study"):
        open_study(path)
