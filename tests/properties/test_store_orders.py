"""The order of imports, and repeats of them, change no id and no value that the files agree on."""

import random
from collections.abc import Callable

import polars as pl
import pytest
from tests.rooms.store.made_rows import file_batch, visits

from domatia.model import Batch
from domatia.model.identity import typed_id
from domatia.store import create_study

STUDY = bytes(range(16))


def _log(number: int) -> list[Batch]:
    """Make the records of three devices: two visits each, corrections of some of them, a withdrawal, all by id."""
    rng = random.Random(number)
    first = [visits(STUDY, {key: float(n)}) for n, key in enumerate("abcdef")]
    batches = [Batch({"visit": v}, author="Ana", device=f"tablet {n % 3}") for n, v in enumerate(first)]
    for n in range(4):
        old = first[n]
        new = old.with_columns(height_cm=pl.lit(rng.choice([50.0, 60.0])), record_id=pl.lit(bytes([n + 1]) * 16))
        batches.append(Batch({"visit": new}, ((new["record_id"][0], old["record_id"][0]),), author="Ben"))
    for n in (0, 1):
        old = first[n]
        new = old.with_columns(height_cm=70.0, record_id=pl.lit(bytes([n + 101]) * 16))
        batches.append(Batch({"visit": new}, ((new["record_id"][0], old["record_id"][0]),), author="Caz"))
    gone = pl.DataFrame({"record_id": [b"w" * 16], "subject_id": [b"v" * 16], "record": [first[5]["record_id"][0]]})
    return [*batches, Batch({"withdrawal": gone}, author="Ana")]


def _state(place: str, batches: list[Batch]) -> tuple[list[tuple[object, ...]], list[tuple[object, ...]]]:
    with create_study(place, "Ridge", profile_text="", study_id=STUDY) as study:
        for batch in batches:
            study.append(batch)
        data = study.read()
    columns = ["subject_id", "record_id", "height_cm"]
    return data.table("visit").select(columns).rows(), data.undecided["visit"].select(columns).rows()


@pytest.mark.slow
@pytest.mark.parametrize("block", range(4))
def test_fifty_shuffles_with_repeats_give_the_same_heads(new_place: Callable[[], str], block: int) -> None:
    """Records of three devices taken in in any order that puts a record before what replaces it, with repeats, give
    the same current records and the same conflicts; four blocks of fifty shuffles.
    """  # noqa: D205
    batches = _log(0)
    expected = _state(new_place(), batches)
    assert len(expected[0]) == 3
    assert len(expected[1]) == 4
    # PostgreSQL takes a second to lay out a study, so each block shuffles less there; SQLite does all fifty.
    place = new_place()
    shuffles = 5 if "://" in place else 50
    rng = random.Random(block)
    for _ in range(shuffles):
        roots, later = batches[:6], batches[6:]
        rng.shuffle(roots)
        rng.shuffle(later)
        order = roots + later
        order += rng.choices(order, k=4)
        assert _state(new_place(), order) == expected


@pytest.mark.slow
def test_files_in_any_order_and_twice_give_the_same_ids(new_place: Callable[[], str]) -> None:
    """Three files that agree give the same record ids in every order, with every file twice."""
    files = [file_batch(STUDY, {k: float(ord(k)) for k in keys}, name=f"{keys}.csv") for keys in ("abc", "cd", "dea")]
    found = []
    for order in ([0, 1, 2], [2, 1, 0, 0, 1, 2], [1, 1, 0, 2, 0]):
        with create_study(new_place(), "Ridge", profile_text="", study_id=STUDY) as study:
            for n in order:
                study.append(files[n])
            assert study.read().findings == ()
            found.append(study.read().table("visit").select("record_id", "subject_id", "height_cm").rows())
    assert len(found[0]) == 5
    assert found[0] == found[1] == found[2]


def test_two_machines_that_go_the_same_way_meet(new_place: Callable[[], str]) -> None:
    """A content that left and came back gets the same id on every machine."""
    logs = []
    for _ in range(2):
        with create_study(new_place(), "Ridge", profile_text="", study_id=STUDY) as study:
            for height in (1.0, 2.0, 1.0, 2.0):
                study.append(file_batch(STUDY, {"a": height}))
            subject = study.read().table("visit")["subject_id"][0]
            logs.append(study.revisions(subject)["record_id"].to_list())
    assert len(set(logs[0])) == 4
    assert logs[0] == logs[1]


def test_typed_ids_never_meet() -> None:
    """Ids of typed records differ even within a millisecond."""
    assert len({typed_id(1) for _ in range(1000)}) == 1000
