"""Every question on studies that hold nearly nothing, or nothing but one thing: an answer, or a sentence why not."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl
import pytest

from domatia.lifecycle import DEFAULT, observe
from domatia.model import Answer, Ask, Question, StudyData, WrongUse, as_table, table_schema
from domatia.questions import ALL, answer, lacking

SPEC = DEFAULT.sized(8, 24)

pytestmark = pytest.mark.slow

every = pytest.mark.parametrize("question", ALL, ids=lambda q: q.code)


@cache
def whole(code: str) -> StudyData:
    """Give a small invented study with what that question reads."""
    return observe(SPEC, 11, questions=(code,))


@cache
def kinds_of(code: str) -> tuple[str, ...]:
    """Give the record kinds that the question's answer rests on, and those of the census."""
    used = set(answer(code, whole(code), Ask(draws=2, only_effects=True)).rows.used)
    return tuple(sorted(used | {"visit", "occupancy", "assignment"}))


def with_table(data: StudyData, kind: str, change: Callable[[pl.DataFrame], pl.DataFrame]) -> StudyData:
    """Give the study with one table changed."""
    return replace(data, tables={**data.tables, kind: as_table(kind, change(data.table(kind)))})


def _with(values: list[pl.Expr]) -> Callable[[pl.DataFrame], pl.DataFrame]:
    return lambda table: table.with_columns(values)


def is_sound(found: Answer) -> None:
    """Check that an answer is whole: numbers in order, or a sentence why there are none."""
    assert found.sentence.strip().endswith((".", "!", "?"))
    assert found.answered == bool(found.effects)
    for e in found.effects:
        assert np.isfinite(e.estimate), e
        assert e.low <= e.estimate <= e.high, e
        assert e.standard_error is None or e.standard_error >= 0, e
    assert [d.text for d in found.doubts if not d.text.strip().endswith((".", "!"))] == []
    assert "nan" not in found.sentence.split()


def asked(question: Question, data: StudyData) -> None:
    """Ask and check; where the question says that it cannot be put, what it lacks must be said."""
    lacks = lacking(question, data)
    try:
        found = answer(question.code, data, Ask(draws=2))
    except WrongUse:
        # only a study without treatments may refuse, and the command then names what is lacking
        assert lacks
        return
    is_sound(found)


@every
def test_the_whole_small_study_is_answered(question: Question) -> None:
    """The study that all others here are made from gives every question an answer."""
    found = answer(question.code, whole(question.code), Ask(draws=2))
    assert found.answered, found.sentence
    is_sound(found)


@every
def test_no_record_and_one_record_of_a_kind(question: Question) -> None:
    """Each kind that the question rests on is emptied, then cut to its first record."""
    for kind in kinds_of(question.code):
        asked(question, with_table(whole(question.code), kind, lambda t: t.head(0)))
        asked(question, with_table(whole(question.code), kind, lambda t: t.head(1)))


@every
def test_blank_and_zero_numbers(question: Question) -> None:
    """Every number of a kind blank, then every number nought."""
    for kind in kinds_of(question.code):
        numbers = [c for c, t in table_schema(kind).items() if t in (pl.Float64(), pl.Int64()) and c != "origin_row"]
        blank = [pl.lit(None).alias(c) for c in numbers]
        nought = [pl.when(pl.col(c).is_not_null()).then(0).alias(c) for c in numbers]
        for values in (blank, nought) if numbers else ():
            asked(question, with_table(whole(question.code), kind, _with(values)))


@every
def test_all_dead(question: Question) -> None:
    """Every plant is found dead at its second visit."""
    after = pl.col("when_earliest") > pl.col("when_earliest").min().over("plant")
    dead = pl.when(after).then(pl.lit("dead confirmed")).otherwise("status").alias("status")
    asked(question, with_table(whole(question.code), "visit", lambda t: t.with_columns(dead)))


@every
def test_one_block(question: Question) -> None:
    """All plants stand in one block."""
    data = whole(question.code)
    block = data.table("plant")["place"][0]
    data = with_table(data, "plant", lambda t: t.with_columns(place=pl.lit(block, pl.Binary)))
    asked(question, with_table(data, "assignment", lambda t: t.with_columns(block=pl.lit(block, pl.Binary))))


@every
def test_one_taxon(question: Question) -> None:
    """All ants are of one taxon."""
    data = whole(question.code)
    ant = data.table("taxon")["subject_id"][0]
    for kind in ("occupancy", "colony", "associate"):
        if data.table(kind).height and "taxon" in table_schema(kind):
            data = with_table(data, kind, lambda t: t.with_columns(
                taxon=pl.when(pl.col("taxon").is_not_null()).then(pl.lit(ant, pl.Binary))))  # fmt: skip
    asked(question, data)


@every
def test_one_treatment(question: Question) -> None:
    """All plants were given the same treatment: comparisons say that there is nothing to compare."""
    data = whole(question.code)
    only = data.table("assignment")["treatment"][0]
    data = with_table(data, "assignment", lambda t: t.with_columns(treatment=pl.lit(only, pl.Binary)))
    asked(question, with_table(data, "treatment", lambda t: t.filter(pl.col("subject_id") == only)))


@every
def test_no_plant_at_all(question: Question) -> None:
    """An empty study lacks something, and says what."""
    empty = replace(whole(question.code), tables={})
    assert lacking(question, empty)
    asked(question, empty)


MANY = ("trial", "patrol", "fight", "brood", "palatability", "associate", "nectar", "reproduction")


@pytest.mark.parametrize("kind", MANY)
def test_a_hundred_thousand_records(kind: str) -> None:
    """A hundred thousand records of one kind are answered by the questions that read it."""
    readers = [q for q in ALL if kind in kinds_of(q.code)]
    for question in readers:
        data = whole(question.code)
        times = -(-100_000 // data.table(kind).height)
        ids = np.random.default_rng(5).bytes(32 * times * data.table(kind).height)
        rows = pl.concat([data.table(kind)] * times)
        new = [ids[16 * i : 16 * i + 16] for i in range(2 * rows.height)]
        rows = rows.with_columns(
            record_id=pl.Series(new[: rows.height], dtype=pl.Binary),
            subject_id=pl.Series(new[rows.height :], dtype=pl.Binary),
        )
        found = answer(question.code, replace(data, tables={**data.tables, kind: as_table(kind, rows)}), Ask(draws=2))
        is_sound(found)
