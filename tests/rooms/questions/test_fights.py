"""The fights question: traps of the records, little data, who is called a, and data of many fights."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from domatia.histories import fights as history
from domatia.lifecycle import DEFAULT, observe
from domatia.model import Answer, Ask, StudyData, as_table
from domatia.model.identity import named_id
from domatia.questions import answer
from domatia.questions.fights_tables import fieller

ASK = Ask(only_effects=True)


@pytest.fixture(scope="module")
def study() -> StudyData:
    """Simulate a study of twelve blocks with its fights."""
    return observe(DEFAULT.sized(12, 6), 4, questions=("fights",))


def with_fights(data: StudyData, rows: pl.DataFrame) -> StudyData:
    """Give the study with other fights."""
    return replace(data, tables={**data.tables, "fight": rows})


def made(data: StudyData, fights: Sequence[Mapping[str, Any]]) -> StudyData:
    """Give the study with fights between its colonies, named by their place in the table."""
    colony = data.table("colony")["subject_id"].to_list()
    told = [{**f, "colony_a": colony[f["colony_a"]], "colony_b": colony[f["colony_b"]]} for f in fights]
    ids = [named_id(b"made", "fight", str(i)) for i in range(len(told))]
    frame = pl.DataFrame(told, infer_schema_length=None).with_columns(
        subject_id=pl.Series(ids, dtype=pl.Binary), record_id=pl.Series(ids, dtype=pl.Binary)
    )
    return with_fights(data, as_table("fight", frame))


def codes(a: Answer) -> set[str]:
    """Name the doubts."""
    return {d.code for d in a.doubts}


def values(a: Answer) -> dict[tuple[str, ...], float]:
    """Give the estimates by name, groups and place."""
    return {(e.name, e.of, e.against, e.where): e.estimate for e in a.effects}


def test_which_side_is_called_a_and_the_order_of_rows_change_nothing(study: StudyData) -> None:
    """Swapping the sides of half of the fights, and shuffling them, leaves the answer as it is."""
    rows = study.table("fight")
    rng = np.random.default_rng(5)
    swapped = rows.with_columns(turn=pl.Series(rng.random(rows.height) < 0.5))
    pairs = [("colony_a", "colony_b"), ("workers_a", "workers_b"), ("dead_a", "dead_b")]
    other = {"a": "b", "b": "a"}
    swapped = swapped.with_columns(
        *[pl.when("turn").then(b).otherwise(a).alias(a) for a, b in pairs],
        *[pl.when("turn").then(a).otherwise(b).alias(b) for a, b in pairs],
        *[
            pl.when("turn").then(pl.col(c).replace(other)).otherwise(c).alias(c)
            for c in ("winner", "carried")
        ],
    ).drop("turn")  # fmt: skip
    shuffled = swapped[rng.permutation(rows.height).tolist()]
    one, again = answer("fights", study, ASK), answer("fights", with_fights(study, shuffled), ASK)
    first, second = values(one), values(again)
    assert first.keys() == second.keys()
    assert [second[k] for k in first] == pytest.approx(list(first.values()), rel=1e-9)
    assert one.sentence == again.sentence


def test_staged_and_natural_fights_are_answered_apart(study: StudyData) -> None:
    """Leaving out the natural fights changes nothing about the staged ones."""
    whole = values(answer("fights", study, ASK))
    staged = values(answer("fights", with_fights(study, study.table("fight").filter(pl.col("staged"))), ASK))
    assert {k[3] for k in whole} == {history.STAGED, history.NATURAL}
    assert {k: v for k, v in whole.items() if k[3] == history.STAGED} == staged


def test_a_fight_stopped_by_the_clock_has_no_winner_but_its_dead_count(study: StudyData) -> None:
    """Whatever winner is written beside it; the doubt says how many."""
    rows = study.table("fight").with_columns(ended=pl.lit("time up"))
    found = answer("fights", with_fights(study, rows), Ask())
    assert {e.name for e in found.effects} == {"attrition_exponent", "strength_ratio", "home_strength_ratio"}
    assert any("name a winner all the same" in d.text for d in found.doubts)
    assert not found.tables["used_for"].filter(pl.col("part") == "outcome")["estimated"].any()


def test_a_blank_end_counts_as_drawn_and_says_so(study: StudyData) -> None:
    """Nobody won and no reason is given: that may be the clock's doing."""
    rows = study.table("fight").with_columns(ended=pl.lit(None, pl.String))
    assert "end_not_said" in codes(answer("fights", with_fights(study, rows), ASK))


def test_impossible_fights_are_left_out_with_their_reason(study: StudyData) -> None:
    """A colony against itself, more dead than workers, everybody dead, nothing told."""
    rows: list[dict[str, Any]] = [
        {"colony_a": 0, "colony_b": 0, "staged": True, "workers_a": 9, "workers_b": 9, "winner": "a"},
        {"colony_a": 0, "colony_b": 1, "staged": True, "workers_a": 9, "workers_b": 9, "dead_a": 10, "dead_b": 1},
        {"colony_a": 0, "colony_b": 1, "staged": True, "workers_a": 9, "workers_b": 9, "dead_a": 9, "dead_b": 9},
        {"colony_a": 0, "colony_b": 1, "staged": True, "workers_a": 9, "workers_b": 9},
    ]  # fmt: skip
    found = answer("fights", made(study, rows), ASK)
    assert not found.answered
    assert {k: len(v) for k, v in found.rows.left_out.items()} == {
        history.ITSELF: 1, history.TOO_MANY_DEAD: 2, history.NOTHING_TOLD: 1
    }  # fmt: skip
    assert "4 more could not be used" in found.sentence


def test_one_fight_says_why_it_tells_no_law(study: StudyData) -> None:
    """The final losses of one fight cannot tell strength from law, and the sentence says so."""
    rows = study.table("fight").filter(pl.col("dead_a").is_not_null() & pl.col("dead_b").is_not_null()).head(1)
    found = answer("fights", with_fights(study, rows), ASK)
    assert not found.answered
    assert "cannot tell the strength of the ants from the law" in found.sentence
    assert not answer("fights", with_fights(study, rows.clear()), ASK).answered


def test_fights_at_one_ratio_tell_no_exponent(study: StudyData) -> None:
    """Twenty fights of two ants at 40 against 20: outcome may be told, the law may not."""
    ants = study.table("colony")["taxon"].to_list()
    one = [i for i, t in enumerate(ants) if t == ants[0]]
    other = [i for i, t in enumerate(ants) if t != ants[0] and t == next(v for v in ants if v != ants[0])]
    rows = [
        {"colony_a": one[i], "colony_b": other[i % len(other)], "staged": True, "workers_a": 40, "workers_b": 20,
         "dead_a": 4 + i % 3, "dead_b": 9, "winner": "ab"[i % 4 == 0]}
        for i in range(min(20, len(one)))
    ]  # fmt: skip
    found = answer("fights", made(study, rows), Ask())
    assert "attrition_exponent" not in {e.name for e in found.effects}
    assert any("cannot be told apart" in d.text for d in found.doubts)


def test_one_ant_and_no_effect_of_numbers(study: StudyData) -> None:
    """Fights within one ant, won at random: no ranks, and no effect is shown."""
    ants = study.table("colony")["taxon"].to_list()
    own = [i for i, t in enumerate(ants) if t == ants[0]]
    rng = np.random.default_rng(2)
    rows = []
    for _ in range(80):
        a, b = rng.choice(len(own), 2, replace=False)
        rows.append(
            {"colony_a": own[a], "colony_b": own[b], "staged": False, "workers_a": int(rng.integers(10, 90)),
             "workers_b": int(rng.integers(10, 90)), "winner": str(rng.choice(["a", "b"]))}
        )  # fmt: skip
    found = answer("fights", made(study, rows), ASK)
    assert {e.name for e in found.effects} <= {"win_chance_2_to_1", "win_slope", "worker_ratio_95"}
    assert "no effect of numbers was shown" in found.sentence
    ratio = [e for e in found.effects if e.name == "worker_ratio_95"]
    assert all(e.high == float("inf") for e in ratio)


def test_smaller_sides_that_win_come_out_as_such(study: StudyData) -> None:
    """Turning every result round turns the slope round, and the sentence speaks of the smaller side."""
    rows = study.table("fight").with_columns(
        winner=pl.col("winner").replace({"a": "b", "b": "a"}), dead_a=pl.lit(None, pl.Int64)
    )
    found = answer("fights", with_fights(study, rows), ASK)
    assert values(found)["win_slope", "larger side", "smaller side", history.STAGED] < 0
    assert "the smaller side tended to win" in found.sentence
    assert not any(e.name == "worker_ratio_95" for e in found.effects)


def test_the_larger_side_always_winning_has_no_upper_end(study: StudyData) -> None:
    """Without one exception there is only a limit on one side."""
    larger = pl.when(pl.col("workers_a") >= pl.col("workers_b")).then(pl.lit("a")).otherwise(pl.lit("b"))
    rows = study.table("fight").with_columns(winner=larger, ended=pl.lit(None, pl.String), carried=pl.lit("neither"))
    found = answer("fights", with_fights(study, rows), Ask())
    assert "always_won" in codes(found)
    slope = next(e for e in found.effects if e.name == "win_slope")
    assert slope.high == float("inf")
    assert slope.low > 0
    assert found.chart is not None


def test_unnamed_ants_and_lost_colonies_are_no_crash(study: StudyData) -> None:
    """Colonies without an ant fight as unnamed ants; fights of colonies that are gone are left out."""
    unnamed = replace(
        study,
        tables={**study.tables, "colony": study.table("colony").with_columns(taxon=pl.lit(None, pl.Binary))},
    )
    assert answer("fights", unnamed, Ask()).answered
    gone = replace(study, tables={**study.tables, "colony": study.table("colony").clear()})
    found = answer("fights", gone, Ask())
    assert not found.answered
    assert len(found.rows.left_out[history.NO_COLONY]) == study.table("fight").height


def test_no_number_is_nan_and_options_without_effect_are_said(study: StudyData) -> None:
    """Every effect lies within its interval; --by has no effect here."""
    found = answer("fights", study, replace(ASK, by="habitat"))
    assert "not_used" in codes(found)
    assert all(e.low <= e.estimate <= e.high for e in found.effects)


def test_few_fights_are_doubted(study: StudyData) -> None:
    """Thirty fights of either kind: the intervals are rough and the curve too steep, and both are said."""
    few = with_fights(study, study.table("fight").sort("staged", "record_id").head(25))
    assert {"few_fights", "steep"} <= codes(answer("fights", few, ASK))


@pytest.mark.slow
def test_a_hundred_thousand_fights_are_answered(study: StudyData) -> None:
    """Many fights of few colonies: an answer, with intervals as wide as the few colonies allow."""
    rows = study.table("fight")
    many = pl.concat([rows] * (100_000 // rows.height + 1))
    ids = pl.Series([i.to_bytes(16, "big") for i in range(many.height)], dtype=pl.Binary)
    found = answer("fights", with_fights(study, many.with_columns(record_id=ids, subject_id=ids)), ASK)
    few = {(e.name, e.of, e.where): e for e in answer("fights", study, ASK).effects}
    assert found.answered
    for e in found.effects:
        before = few[e.name, e.of, e.where]
        assert before.standard_error is not None
        assert e.standard_error == pytest.approx(before.standard_error, rel=0.2)


def test_the_interval_of_a_quotient() -> None:
    """Fieller's interval: with a sure denominator the plain one; none where the denominator may be nought."""
    low, high = fieller((4.0, 2.0), np.diag([1.0, 0.0]), 2.0)
    assert (low, high) == pytest.approx((1.0, 3.0))
    assert fieller((4.0, 1.0), np.eye(2), 2.0) == (None, None)
