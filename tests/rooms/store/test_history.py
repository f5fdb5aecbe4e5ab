"""The log read backwards: earlier moments, changes, origins, imports, ids by their first digits."""

from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from time import sleep

import pytest
from tests.rooms.store.made_rows import file_batch, heights_of, visit_id

from domatia.model import WrongUse
from domatia.model.identity import content_hash
from domatia.store import OpenStudy, create_study


@pytest.fixture
def study(place: str) -> Iterator[OpenStudy]:
    """Make a study with two visits."""
    with create_study(place, "Ridge", profile_text="", time_zone="America/Costa_Rica") as made:
        made.append(file_batch(made.study_id, {"a": 1.0, "b": 2.0}))
        yield made


def test_a_past_moment_gives_its_values(study: OpenStudy) -> None:
    """Reading as of an instant, with or without offset, gives the values that were current then."""
    subject = visit_id(study.study_id, "a")
    sleep(0.01)
    before = datetime.now(UTC)
    sleep(0.01)
    study.correct("visit", subject, {"height_cm": 9}, "Ana", "misread")
    local = (before - timedelta(hours=6)).replace(tzinfo=None)
    for moment in (before.isoformat(), local.isoformat(), study.last_seq() - 1):
        assert heights_of(study.read(as_of=moment).table("visit"))[subject] == 1.0
    assert heights_of(study.read(as_of="2999-12-31").table("visit"))[subject] == 9.0
    assert study.read(as_of="1999-12-31").tables == {}


def test_a_moment_that_is_none(study: OpenStudy) -> None:
    """A moment that cannot be read is refused with the forms that can."""
    with pytest.raises(WrongUse, match=r"no moment.*2026-11-25"):
        study.read(as_of="last week")


def test_changes_say_who_replaced_what(study: OpenStudy) -> None:
    """Each changed column is a row, newest first, and withdrawals are among them."""
    a, b = (visit_id(study.study_id, k) for k in "ab")
    start = study.last_seq()
    record = study.correct("visit", a, {"height_cm": 9, "note": "bent"}, "Ana", "misread")
    study.withdraw(study.revisions(b)["record_id"][0], "Ben", "another plant")
    rows = study.changes(since=start).to_dicts()
    assert [(r["what"], r["column"], r["before"], r["after"], r["author"], r["why"]) for r in rows] == [
        ("withdrawn", "", None, None, "Ben", "another plant"),
        ("replaced", "height_cm", "1.0", "9.0", "Ana", "misread"),
        ("replaced", "note", None, "bent", "Ana", "misread"),
    ]
    assert {r["new_record"] for r in rows[1:]} == {record}
    assert study.changes(limit=1).height == 1
    assert study.changes(until=start).height == 0


def test_a_reimport_is_a_change_of_its_file(study: OpenStudy) -> None:
    """A value that changed in its file is told with the file's name."""
    study.append(file_batch(study.study_id, {"a": 4.0, "b": 2.0}))
    (row,) = study.changes().to_dicts()
    assert (row["column"], row["before"], row["after"], row["origin_file"]) == ("height_cm", "1.0", "4.0", "census.csv")


def test_origins_name_the_row(study: OpenStudy) -> None:
    """Origins give file, row and the hash of the row; what a person typed has none."""
    subject = visit_id(study.study_id, "b")
    typed = study.correct("visit", subject, {"height_cm": 9}, "Ana", "misread")
    records = study.revisions(subject)["record_id"].to_list()
    assert typed in records
    (row,) = study.origins_of(records).to_dicts()
    assert (row["origin_file"], row["origin_row"], row["import_seq"]) == ("census.csv", 3, 1)
    assert row["row_hash"] == content_hash(("b", 2.0))


def test_imports_are_listed(study: OpenStudy) -> None:
    """An import keeps file, mapping and who brought it."""
    (done,) = study.imports()
    assert (done.seq, done.file, done.mapping, done.author) == (1, "census.csv", "key = plant", "Ana")
    assert done.last_seq == study.last_seq()


def test_ids_by_their_first_digits(study: OpenStudy) -> None:
    """Enough digits of a record or a thing name it; too few, none and wrong ones are refused."""
    subject = visit_id(study.study_id, "a")
    record = study.revisions(subject)["record_id"][0]
    found = study.find(subject.hex()[:12])
    assert (found.kind, found.subject_id, found.record_id) == ("visit", subject, None)
    assert study.find(record.hex()[:13]).record_id == record
    with pytest.raises(WrongUse, match="Nothing in the study"):
        study.find("00000000000000000000")
    with pytest.raises(WrongUse, match="does not begin an id"):
        study.find("plant 82")


def test_several_ids_with_the_same_digits(study: OpenStudy) -> None:
    """Digits that several ids begin with are refused, with those ids."""
    study.append(file_batch(study.study_id, {str(n): 1.0 for n in range(40)}, name="more.csv"))
    firsts = Counter(i.hex()[0] for i in study.read().table("visit")["record_id"].to_list())
    # of 40 ids with 16 possible first digits at least three share one
    (digit, number), *_ = firsts.most_common(1)
    assert number >= 3
    with pytest.raises(WrongUse, match=f"ids begin with {digit}"):
        study.find(digit)


def test_nothing_is_known_of_a_strange_id(study: OpenStudy) -> None:
    """Asking for the revisions of a thing that is not there is refused."""
    with pytest.raises(WrongUse, match="There is no thing"):
        study.revisions(b"\x00" * 16)
