"""Answers that are kept, and what makes them stale."""

from pathlib import Path

import pytest
from tests.rooms.cli.small_study import CENSUS, made, read_json, run

import domatia
from domatia.tasks.keeping import kept_answers

HEAD = CENSUS.splitlines()[0].replace("tag,", "tag,species,") + "\n"
ROWS = "".join(
    f"N{b},{p},{100 * b + p},{'ash' if p % 2 else 'elm'},{r},2024-0{2 * r - 1}-10,"
    f"{'dead' if r == 3 and p < 4 else 'alive'},{40 + p + r},none,none\n"
    for b in (1, 2, 3)
    for p in range(1, 9)
    for r in (1, 2, 3)
)


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """Make a study of 24 plants in three blocks of which nine die, and keep its answer by species."""
    where = made(tmp_path, HEAD + ROWS)
    run("answer", where, "survival", "--by", "species", "--draws", "2", "--keep")
    return where


def test_a_kept_answer_stands_as_long_as_its_records_do(study: Path) -> None:
    """Nothing changed: it is listed with seed and the way it was put, and is not stale."""
    (kept,) = kept_answers(str(study))
    assert (kept.question, kept.seed, kept.asked, kept.stale) == ("survival", 1, "by species", ())
    assert "kept             survival     seed 1, by species" in run("questions", study).stdout
    assert domatia.open_study(str(study)).kept() == (kept,)


def test_a_correction_of_a_used_record_makes_it_stale(study: Path) -> None:
    """After a used visit is corrected the answer says that one of its records changed."""
    visits = domatia.open_study(str(study)).data().table("visit")
    run("correct", study, visits["record_id"][0].hex(), "height_cm=33", "--why", "slip", "--author", "Ada")
    (kept,) = kept_answers(str(study))
    assert len(kept.stale) == 1
    assert "visit records it used were corrected or withdrawn since" in kept.stale[0]
    assert "kept, but stale  survival" in run("questions", study).stdout


def test_new_records_make_it_stale(study: Path, tmp_path: Path) -> None:
    """Rows that came in later are counted."""
    more = HEAD + ROWS + "N1,1,101,ash,4,2024-08-10,alive,70,none,none\n"
    (tmp_path / "census.csv").write_text(more, encoding="utf-8")
    run("import", study, tmp_path / "census.toml", "--author", "Ada")
    assert any("1 visit records came in since" in why for why in kept_answers(str(study))[0].stale)


def test_every_question_at_once(study: Path) -> None:
    """--all answers what can be answered and names what the others lack; with a question it is refused."""
    told = read_json("answer", study, "--all", "--by", "species", "--draws", "2")
    asked = {a["question"] for a in told["answers"]}
    assert "survival" in asked
    assert "damage" in told["lacking"]
    assert not asked & set(told["lacking"])
    assert "Leave out one of the two" in run("answer", study, "survival", "--all", code=2).output
    assert "No question was named" in run("answer", study, code=2).output


def test_the_manual_page_of_a_question() -> None:
    """It is shown without a study; a question that does not exist is refused by name."""
    assert "When not to use it" in run("questions", "--manual", "survival").stdout
    assert "There is no question 'luck'" in run("questions", "--manual", "luck", code=2).output


def test_another_key_in_the_mapping_is_told_loudly(study: Path, tmp_path: Path) -> None:
    """A file brought in again under another key: as many new records as gone ones, and what that means."""
    mapping = (tmp_path / "census.toml").read_text(encoding="utf-8")
    other = mapping.replace('key = ["place.name", "plant"]', 'key = ["plant"]')
    assert other != mapping
    (tmp_path / "census.toml").write_text(other, encoding="utf-8")
    told = run("import", study, tmp_path / "census.toml", "--author", "Ada").output
    assert "every plant now stands here twice" in told
