"""Whatever is done to a study, every past moment can be read again as it was."""

from collections.abc import Callable, Mapping

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.rooms.store.made_rows import file_batch, visit_id

from domatia.model import StudyData
from domatia.store import OpenStudy, create_study, open_study

KEYS = ("a", "b", "c")
HEIGHTS = st.sampled_from([1.0, 2.0, 3.0])
Step = tuple[str, object, object]

_FILE = st.tuples(st.just("file"), st.sampled_from(["x.csv", "y.csv"]), st.dictionaries(st.sampled_from(KEYS), HEIGHTS))
_CORRECT = st.tuples(st.just("correct"), st.sampled_from(KEYS), HEIGHTS)
_SETTLE = st.tuples(st.just("settle"), st.sampled_from(KEYS), HEIGHTS)
_WITHDRAW = st.tuples(st.just("withdraw"), st.sampled_from(KEYS), st.integers(0, 9))
_UNDO = st.tuples(st.just("undo"), st.just(""), st.integers(0, 9))
STEPS = st.lists(st.one_of(_FILE, _CORRECT, _SETTLE, _WITHDRAW, _UNDO), max_size=9)


class Model:
    """The rules of the log in a few plain lines: records, who replaced whom, and what was withdrawn."""

    def __init__(self) -> None:
        self.records: dict[bytes, tuple[str, float]] = {}
        self.replaced: set[bytes] = set()
        self.withdrawals: list[tuple[bytes, bytes]] = []
        self.brought: dict[tuple[str, str], tuple[bytes, float]] = {}

    def out(self) -> set[bytes]:
        """Give the withdrawn ids, the last withdrawal first."""
        found: set[bytes] = set()
        for record, target in reversed(self.withdrawals):
            if record not in found:
                found.add(target)
        return found

    def heads(self, key: str) -> dict[bytes, float]:
        """Give the current records of one visit."""
        out = self.out()
        return {r: h for r, (k, h) in self.records.items() if k == key and r not in self.replaced and r not in out}

    def state(self) -> dict[str, list[float]]:
        """Give the different current values of every visit."""
        return {k: sorted(set(self.heads(k).values())) for k in KEYS if self.heads(k)}


def _step(study: OpenStudy, model: Model, step: Step) -> None:
    kind, first, second = step
    if kind == "file":
        assert isinstance(first, str)
        assert isinstance(second, dict)
        _import(study, model, first, second)
    elif kind in ("correct", "settle"):
        assert isinstance(first, str)
        assert isinstance(second, float)
        _correct(study, model, first, second, settle=kind == "settle")
    elif kind == "withdraw":
        assert isinstance(first, str)
        assert isinstance(second, int)
        heads = sorted(model.heads(first))
        if heads:
            target = heads[second % len(heads)]
            model.withdrawals.append((study.withdraw(target, "Ana", "test"), target))
    elif model.withdrawals:
        assert isinstance(second, int)
        target = model.withdrawals[second % len(model.withdrawals)][0]
        model.withdrawals.append((study.withdraw(target, "Ana", "test"), target))


def _import(study: OpenStudy, model: Model, name: str, heights: Mapping[str, float]) -> None:
    study.append(file_batch(study.study_id, dict(heights), name=name))
    for key in heights:
        log = study.revisions(visit_id(study.study_id, key))
        for row in log.iter_rows(named=True):
            record = row["record_id"]
            if record not in model.records:
                assert row["height_cm"] == heights[key]
                assert row["origin_file"] == name
                model.records[record] = (key, heights[key])
                earlier = model.brought.get((name, key))
                if earlier is not None:
                    assert earlier[1] != heights[key]
                    model.replaced.add(earlier[0])
                model.brought[name, key] = (record, heights[key])


def _correct(study: OpenStudy, model: Model, key: str, height: float, *, settle: bool) -> None:
    heads = model.heads(key)
    several = len(set(heads.values())) > 1
    if not heads or (set(heads.values()) == {height}) or (several and not settle):
        return
    subject = visit_id(study.study_id, key)
    record = study.correct("visit", subject, {"height_cm": height}, "Ana", "test", settle_heads=settle)
    model.records[record] = (key, height)
    model.replaced |= set(heads)


def _seen(data: StudyData) -> dict[str, list[float]]:
    names = {visit_id(data.study_id, k): k for k in KEYS}
    whole = pl.concat([data.table("visit"), data.undecided.get("visit", data.table("visit").clear())])
    found: dict[str, list[float]] = {}
    for subject, height in whole.select("subject_id", "height_cm").iter_rows():
        found.setdefault(names[subject], []).append(height)
    return {k: sorted(set(v)) for k, v in found.items()}


def _replay(place: str, steps: list[Step]) -> None:
    with create_study(place, "Ridge", profile_text="") as study:
        model, kept = Model(), []
        for step in steps:
            _step(study, model, step)
            data = study.read()
            assert _seen(data) == model.state()
            assert {f.code for f in data.findings} <= {"two_values", "row_gone"}
            assert ("visit" in data.undecided) == any(len(v) > 1 for v in model.state().values())
            kept.append((study.last_seq(), data))
    with open_study(place) as study:
        for moment, data in kept:
            again = study.read(as_of=moment)
            assert {k: t.equals(data.tables[k]) for k, t in again.tables.items()} == dict.fromkeys(data.tables, True)
            assert {k: t.equals(data.undecided[k]) for k, t in again.undecided.items()} == dict.fromkeys(
                data.undecided, True
            )
            assert [f for f in again.findings if f.code == "two_values"] == [
                f for f in data.findings if f.code == "two_values"
            ]
        assert study.check_integrity() == ()


@pytest.mark.slow
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=STEPS)
def test_every_moment_can_be_read_again(new_place: Callable[[], str], steps: list[Step]) -> None:
    """Imports, corrections, settlements, withdrawals in any order: the state follows the plain rules at every step, and
    reading as of each step gives what was read then.
    """  # noqa: D205
    _replay(new_place(), steps)
