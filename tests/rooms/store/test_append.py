"""A batch comes in whole or not at all, and once."""

from collections.abc import Iterator

import polars as pl
import pytest
from tests.rooms.store.made_rows import file_batch, heights_of, visit_id, visits

from domatia.model import Batch, WrongUse
from domatia.model.identity import typed_id
from domatia.store import OpenStudy, create_study


@pytest.fixture
def study(place: str) -> Iterator[OpenStudy]:
    """Make a study, open for writing."""
    with create_study(place, "Ridge", profile_text="", author="Ana") as made:
        yield made


def test_rows_come_back_with_their_origin(study: OpenStudy) -> None:
    """What was appended is read back with values, file and row."""
    receipt = study.append(file_batch(study.study_id, {"a": 12.5, "b": None}))
    assert dict(receipt.added) == {"visit": 2}
    table = study.read().table("visit")
    assert heights_of(table) == {visit_id(study.study_id, "a"): 12.5, visit_id(study.study_id, "b"): None}
    assert table["subject_id"].is_sorted()
    assert set(table["origin_file"]) == {"census.csv"}
    assert sorted(table["origin_row"]) == [2, 3]


def test_the_same_batch_comes_in_once(study: OpenStudy) -> None:
    """A batch of a file that comes again is unchanged, row by row, and no import is recorded."""
    batch = file_batch(study.study_id, {"a": 1.0, "b": 2.0})
    study.append(batch)
    before = study.last_seq()
    receipt = study.append(batch)
    assert dict(receipt.unchanged) == {"visit": 2}
    assert dict(receipt.added) == dict(receipt.revised) == {}
    assert study.last_seq() == before
    assert len(study.imports()) == 1


def test_a_typed_batch_comes_in_once(study: OpenStudy) -> None:
    """A batch that no file brought is known again by its record ids."""
    batch = Batch({"visit": visits(study.study_id, {"a": 1.0})}, author="Ana", device="tablet 2")
    assert dict(study.append(batch).added) == {"visit": 1}
    assert dict(study.append(batch).unchanged) == {"visit": 1}


def test_another_body_under_a_known_id_is_refused(study: OpenStudy) -> None:
    """A known record id with another content is refused and the first content stays."""
    first = visits(study.study_id, {"a": 1.0})
    study.append(Batch({"visit": first}))
    with pytest.raises(WrongUse, match="another content"):
        study.append(Batch({"visit": first.with_columns(height_cm=2.0)}))
    assert study.read().table("visit")["height_cm"].to_list() == [1.0]


def test_another_body_is_refused_in_a_file_too(study: OpenStudy) -> None:
    """A file cannot bring another content under a known record id either, even for a thing it brought before."""
    batch = file_batch(study.study_id, {"a": 1.0})
    study.append(batch)
    changed = Batch({"visit": batch.tables["visit"].with_columns(height_cm=2.0)}, source=batch.source)
    with pytest.raises(WrongUse, match="another content"):
        study.append(changed)


def test_one_bad_table_keeps_all_out(study: OpenStudy) -> None:
    """If one table of a batch cannot be kept, none of it comes in."""
    good = visits(study.study_id, {"a": 1.0})
    bad = pl.DataFrame({"record_id": [b"x" * 15], "subject_id": [typed_id()], "name": ["Ben\0"]})
    before = study.last_seq()
    with pytest.raises(WrongUse, match=r"person.record_id has an id.*person.name has a text with a NUL"):
        study.append(Batch({"visit": good, "person": bad}))
    assert study.last_seq() == before


def test_a_failure_while_writing_keeps_all_out(study: OpenStudy) -> None:
    """If something fails after rows were written, they are gone again and the next append works."""

    def fail(done: int, _total: int) -> None:
        raise RuntimeError(f"stopped after {done}")

    batch = file_batch(study.study_id, {"a": 1.0})
    before = study.last_seq()
    with pytest.raises(RuntimeError, match="stopped after 1"):
        study.append(batch, fail)
    assert study.last_seq() == before
    assert study.imports() == ()
    assert dict(study.append(batch).added) == {"visit": 1}


def test_numbers_must_be_finite(study: OpenStudy) -> None:
    """A number that is none is refused; a blank is a null."""
    with pytest.raises(WrongUse, match=r"visit\.height_cm has a number that is not finite"):
        study.append(Batch({"visit": visits(study.study_id, {"a": float("nan")})}))


def test_an_unknown_kind_is_refused(study: OpenStudy) -> None:
    """A table of no record kind is refused with the near names."""
    with pytest.raises(WrongUse, match="Did you mean visit"):
        study.append(Batch({"visits": visits(study.study_id, {"a": 1.0})}))


def test_the_tick_counts_to_the_end(study: OpenStudy) -> None:
    """The progress callable is told of all rows in the end."""
    ticks: list[tuple[int, int]] = []
    study.append(file_batch(study.study_id, {"a": 1.0, "b": 2.0, "c": 3.0}), lambda d, t: ticks.append((d, t)))
    assert ticks[-1] == (3, 3)


def test_a_batch_can_replace(study: OpenStudy) -> None:
    """A batch with pairs of new and old records ends with the new one current."""
    old, new = visits(study.study_id, {"a": 1.0}), visits(study.study_id, {"a": 5.0})
    study.append(Batch({"visit": old}))
    receipt = study.append(Batch({"visit": new}, ((new["record_id"][0], old["record_id"][0]),)))
    assert dict(receipt.revised) == {"visit": 1}
    assert receipt.two_heads == ()
    assert study.read().table("visit")["height_cm"].to_list() == [5.0]


def test_an_unknown_record_cannot_be_replaced(study: OpenStudy) -> None:
    """Replacing a record that is not there is refused."""
    new = visits(study.study_id, {"a": 5.0})
    with pytest.raises(WrongUse, match="not in the study"):
        study.append(Batch({"visit": new}, ((new["record_id"][0], typed_id()),)))
