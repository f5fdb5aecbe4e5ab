"""A correction, a withdrawal and a typed record are new records with who, when and why."""

from collections.abc import Iterator
from datetime import date

import pytest
from tests.rooms.store.made_rows import DAY, file_batch, visit_id

from domatia.model import WrittenDate, WrongUse
from domatia.model.dates import whole_year
from domatia.model.identity import typed_id
from domatia.store import OpenStudy, Value, create_study


@pytest.fixture
def study(place: str) -> Iterator[OpenStudy]:
    """Make a study with two visits."""
    with create_study(place, "Ridge", profile_text="") as made:
        made.append(file_batch(made.study_id, {"a": 1.0, "b": 2.0}))
        yield made


@pytest.fixture
def subject(study: OpenStudy) -> bytes:
    """Name the visit to be corrected."""
    return visit_id(study.study_id, "a")


def _split(study: OpenStudy, subject: bytes) -> None:
    study.correct("visit", subject, {"height_cm": 10}, "Ana", "misread")
    study.append(file_batch(study.study_id, {"a": 11.0, "b": 2.0}))


def test_a_correction_changes_only_what_it_names(study: OpenStudy, subject: bytes) -> None:
    """The other values stay; the old record stays readable and is replaced by the new one."""
    record = study.correct("visit", subject, {"height_cm": 10, "note": "bent"}, "Ana", "misread")
    row = study.read().table("visit").filter(subject_id=subject).row(0, named=True)
    assert (row["record_id"], row["height_cm"], row["note"], row["status"]) == (record, 10.0, "bent", "alive")
    assert row["origin_file"] is None
    log = study.revisions(subject)
    assert log["height_cm"].to_list() == [1.0, 10.0]
    assert log["current"].to_list() == [False, True]
    assert log["replaced_by"].to_list() == [[record], []]
    assert log["why"].to_list() == ["census", "misread"]


def test_a_date_keeps_its_precision(study: OpenStudy, subject: bytes) -> None:
    """A date corrected to a bare year is the whole year, and an instant goes when the date loses it."""
    moment = WrittenDate(DAY, DAY, "2024-03-05T07:30:00-06:00")
    study.correct("visit", subject, {"when": moment}, "Ana", "clock time found")
    assert study.revisions(subject)["when_instant"][-1] == "2024-03-05T07:30:00-06:00"
    study.correct("visit", subject, {"when": whole_year(2023)}, "Ana", "only the year is sure")
    last = study.revisions(subject).row(-1, named=True)
    found = (last["when_earliest"], last["when_latest"], last["when_instant"])
    assert found == (date(2023, 1, 1), date(2023, 12, 31), None)


def test_all_wrong_values_are_told_at_once(study: OpenStudy, subject: bytes) -> None:
    """A correction with several wrong values names each of them."""
    wrong: dict[str, Value] = {"height_cm": "tall", "status": "asleep", "leaves": 2.5}
    with pytest.raises(WrongUse, match=r"takes a number.*takes one of alive.*takes a whole number"):
        study.correct("visit", subject, wrong, "Ana", "typo")


def test_an_unknown_field_is_refused(study: OpenStudy, subject: bytes) -> None:
    """A field that the kind does not have is refused with the near names."""
    with pytest.raises(WrongUse, match="Did you mean height_cm"):
        study.correct("visit", subject, {"heigth_cm": 3}, "Ana", "typo")


def test_a_needed_value_cannot_be_emptied(study: OpenStudy, subject: bytes) -> None:
    """A record keeps the values without which it means nothing."""
    with pytest.raises(WrongUse, match="A visit record needs plant"):
        study.correct("visit", subject, {"plant": None}, "Ana", "unsure")


def test_a_correction_that_changes_nothing_is_refused(study: OpenStudy, subject: bytes) -> None:
    """Writing what stands there already is refused, so the log holds no empty revisions."""
    with pytest.raises(WrongUse, match="changes nothing"):
        study.correct("visit", subject, {"height_cm": 1.0}, "Ana", "typo")


def test_a_change_has_an_author(study: OpenStudy, subject: bytes) -> None:
    """Nobody changes a study without a name."""
    with pytest.raises(WrongUse, match="name of the person"):
        study.correct("visit", subject, {"height_cm": 4.0}, "", "typo")


def test_the_kind_must_be_right(study: OpenStudy, subject: bytes) -> None:
    """Correcting a visit as a plant is refused, and so is a thing that is not there."""
    with pytest.raises(WrongUse, match="is a visit, not a plant"):
        study.correct("plant", subject, {"note": "x"}, "Ana", "typo")
    with pytest.raises(WrongUse, match="no current visit"):
        study.correct("visit", typed_id(), {"note": "x"}, "Ana", "typo")


def test_two_heads_ask_for_a_choice(study: OpenStudy, subject: bytes) -> None:
    """Where two records disagree in a value that the correction does not give, it must name the one it starts from."""
    _split(study, subject)
    with pytest.raises(WrongUse, match="disagree in height_cm"):
        study.correct("visit", subject, {"note": "looked"}, "Ana", "typo")


def test_settling_replaces_all_heads(study: OpenStudy, subject: bytes) -> None:
    """With settle_heads one value remains, started from the named record."""
    _split(study, subject)
    chosen = study.read().undecided["visit"].filter(height_cm=11.0)["record_id"][0]
    study.correct("visit", subject, {}, "Ana", "the file is right", from_record=chosen, settle_heads=True)
    data = study.read()
    assert data.findings == ()
    assert data.table("visit").filter(subject_id=subject)["height_cm"].to_list() == [11.0]


def test_a_named_head_alone_is_replaced(study: OpenStudy, subject: bytes) -> None:
    """Without settle_heads the other head stays and the conflict is still open."""
    _split(study, subject)
    chosen = study.read().undecided["visit"].filter(height_cm=10.0)["record_id"][0]
    study.correct("visit", subject, {"height_cm": 12}, "Ana", "again", from_record=chosen)
    assert sorted(study.read().undecided["visit"]["height_cm"]) == [11.0, 12.0]


def test_withdrawing_one_head_leaves_the_other(study: OpenStudy, subject: bytes) -> None:
    """A withdrawn record no longer counts, so the conflict is over."""
    _split(study, subject)
    chosen = study.read().undecided["visit"].filter(height_cm=10.0)["record_id"][0]
    study.withdraw(chosen, "Ana", "the file is right")
    assert study.read().table("visit").filter(subject_id=subject)["height_cm"].to_list() == [11.0]


def test_a_withdrawal_can_be_withdrawn(study: OpenStudy, subject: bytes) -> None:
    """A withdrawn record is gone from the tables, and back when its withdrawal is withdrawn; and so on."""
    record = study.revisions(subject)["record_id"][0]
    target = record
    for there in (False, True, False):
        target = study.withdraw(target, "Ana", "second thoughts")
        assert (subject in study.read().table("visit")["subject_id"].to_list()) is there


def test_an_unknown_record_cannot_be_withdrawn(study: OpenStudy) -> None:
    """Only what is in the study can be withdrawn."""
    with pytest.raises(WrongUse, match="no record"):
        study.withdraw(typed_id(), "Ana", "typo")


def test_a_typed_record_has_its_values(study: OpenStudy) -> None:
    """A settlement that a person typed is read back; one without a decision is refused."""
    values = {"check": "shrinkage", "finding": "0123456789ab", "decision": "broken tip"}
    record = study.add("settlement", values, "Ana", "seen in the field")
    assert study.read().table("settlement").row(0, named=True)["record_id"] == record
    with pytest.raises(WrongUse, match="needs decision"):
        study.add("settlement", {"check": "shrinkage", "finding": "0123456789ab"}, "Ana", "seen")
