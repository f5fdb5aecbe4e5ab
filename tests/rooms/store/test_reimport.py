"""A file that comes again is compared with what it last brought, never with a person's correction."""

from collections.abc import Iterator

import pytest
from tests.rooms.store.made_rows import file_batch, heights_of, visit_id

from domatia.store import OpenStudy, create_study


@pytest.fixture
def study(place: str) -> Iterator[OpenStudy]:
    """Make a study that one file has brought two visits to."""
    with create_study(place, "Ridge", profile_text="") as made:
        made.append(file_batch(made.study_id, {"a": 1.0, "b": 2.0}))
        yield made


def _height(study: OpenStudy, key: str) -> float | None:
    return heights_of(study.read().table("visit")).get(visit_id(study.study_id, key))


def test_a_correction_survives(study: OpenStudy) -> None:
    """A row that did not change in its file leaves a person's correction alone."""
    study.correct("visit", visit_id(study.study_id, "a"), {"height_cm": 10}, "Ana", "misread")
    receipt = study.append(file_batch(study.study_id, {"a": 1.0, "b": 3.0}))
    assert dict(receipt.unchanged) == {"visit": 1}
    assert dict(receipt.revised) == {"visit": 1}
    assert receipt.two_heads == ()
    assert (_height(study, "a"), _height(study, "b")) == (10.0, 3.0)


def test_changed_here_and_there_is_for_a_person_to_decide(study: OpenStudy) -> None:
    """A row changed in its file and corrected by hand ends with two heads, and neither is used."""
    subject = visit_id(study.study_id, "a")
    study.correct("visit", subject, {"height_cm": 10}, "Ana", "misread")
    receipt = study.append(file_batch(study.study_id, {"a": 11.0, "b": 2.0}))
    assert receipt.two_heads == (subject,)
    data = study.read()
    assert subject not in data.table("visit")["subject_id"].to_list()
    assert sorted(data.undecided["visit"]["height_cm"]) == [10.0, 11.0]
    (finding,) = data.findings
    assert (finding.code, finding.severity, finding.subjects) == ("two_values", "error", (subject,))
    assert "height_cm 10.0 (Ana" in finding.found
    assert "height_cm 11.0 (census.csv row 2" in finding.found
    assert {w.record_id for w in finding.where} == set(data.undecided["visit"]["record_id"])


def test_agreeing_is_no_conflict(study: OpenStudy) -> None:
    """If the file comes to say what the person said, there is one value."""
    study.correct("visit", visit_id(study.study_id, "a"), {"height_cm": 10}, "Ana", "misread")
    receipt = study.append(file_batch(study.study_id, {"a": 10.0, "b": 2.0}))
    assert receipt.two_heads == ()
    assert study.read().findings == ()
    assert _height(study, "a") == 10.0


def test_a_row_that_went_is_told(study: OpenStudy) -> None:
    """A thing whose row left the file stays, and is told in the receipt and as a finding until the row is back."""
    subject = visit_id(study.study_id, "b")
    assert study.append(file_batch(study.study_id, {"a": 1.0})).gone == (subject,)
    (finding,) = study.read().findings
    assert (finding.code, finding.subjects) == ("row_gone", (subject,))
    assert _height(study, "b") == 2.0
    assert study.append(file_batch(study.study_id, {"b": 2.0, "a": 1.0})).gone == ()
    assert study.read().findings == ()


def test_a_withdrawn_row_is_not_told(study: OpenStudy) -> None:
    """A row that left its file and whose record was withdrawn is settled."""
    subject = visit_id(study.study_id, "b")
    study.withdraw(study.revisions(subject)["record_id"][0], "Ana", "another plant")
    assert study.append(file_batch(study.study_id, {"a": 1.0})).gone == ()
    assert study.read().findings == ()


@pytest.mark.parametrize("rounds", [2, 5])
def test_a_value_that_comes_back(study: OpenStudy, rounds: int) -> None:
    """A file that changes to and fro always ends with its last content, and the log keeps every step."""
    for number in range(rounds):
        receipt = study.append(file_batch(study.study_id, {"a": float(number % 2 * 8 + 1), "b": 2.0}))
        assert receipt.two_heads == ()
        assert _height(study, "a") == number % 2 * 8 + 1
    assert study.revisions(visit_id(study.study_id, "a")).height == rounds


def test_a_thing_that_stands_twice_in_its_file(study: OpenStudy) -> None:
    """Two rows of one thing that disagree are two heads, and one again when the file is mended."""
    subject = visit_id(study.study_id, "a")
    receipt = study.append(file_batch(study.study_id, [("a", 1.0), ("a", 7.0), ("b", 2.0)]))
    assert receipt.two_heads == (subject,)
    receipt = study.append(file_batch(study.study_id, {"a": 7.0, "b": 2.0}))
    assert receipt.two_heads == ()
    assert _height(study, "a") == 7.0


def test_another_file_does_not_replace(study: OpenStudy) -> None:
    """A second file that says otherwise of the same thing is a conflict, whichever came last."""
    subject = visit_id(study.study_id, "a")
    receipt = study.append(file_batch(study.study_id, {"a": 4.0}, name="copy.csv"))
    assert receipt.two_heads == (subject,)
    assert receipt.gone == ()


def test_another_file_that_agrees_brings_nothing(study: OpenStudy) -> None:
    """A second file with the same rows brings nothing new."""
    receipt = study.append(file_batch(study.study_id, {"a": 1.0, "b": 2.0}, name="copy.csv"))
    assert dict(receipt.unchanged) == {"visit": 2}
    assert [i.file for i in study.imports()] == ["census.csv", "copy.csv"]


def test_the_person_decides(study: OpenStudy) -> None:
    """A settled conflict stays settled when the file comes again, and reopens when the file changes again."""
    subject = visit_id(study.study_id, "a")
    study.correct("visit", subject, {"height_cm": 10}, "Ana", "misread")
    study.append(file_batch(study.study_id, {"a": 11.0, "b": 2.0}))
    study.correct("visit", subject, {"height_cm": 12}, "Ana", "measured again", settle_heads=True)
    assert study.append(file_batch(study.study_id, {"a": 11.0, "b": 2.0})).two_heads == ()
    assert _height(study, "a") == 12.0
    assert study.append(file_batch(study.study_id, {"a": 13.0, "b": 2.0})).two_heads == (subject,)
