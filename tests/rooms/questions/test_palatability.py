"""Feeding trials: what is taken off, who is compared with whom, and what is said of animals and plants."""

import math
import time
from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl
import pytest
from tests.rooms.histories.made_study import MadeStudy, record, shuffled

from domatia.histories.feeding import ALONE, CHOICE, CONTROL, IMPOSSIBLE, NO_AREA, feeding
from domatia.lifecycle import DEFAULT, observe
from domatia.model import Ask, StudyData, WrongUse
from domatia.questions import answer, lacking, question
from domatia.questions.palatability_numbers import BEFORE

Row = dict[str, object]


def leaf(eaten: float, dish: str, source: str = "tree", **more: object) -> Row:
    """Give a leaf of 10 cm2 whose control of 5 cm2 lost 10 %."""
    return {
        "leaf_source": source, "dish": dish, "offered_cm2": 10.0, "eaten_cm2": eaten, "control_offered_cm2": 5.0,
        "control_loss_cm2": 0.5, **more,
    }  # fmt: skip


def study(rows: list[Row]) -> StudyData:
    """Give a study with these leaves."""
    made = MadeStudy()
    for i, row in enumerate(rows):
        made.add("palatability", str(i), row)
    return made.data()


def gaps(rng: np.random.Generator, n: int = 20) -> list[Row]:
    """Give dishes with a leaf of a tree and one of a herb, of which more is eaten."""
    rows: list[Row] = []
    for i in range(n):
        base = float(rng.uniform(1.5, 4.0))
        rows += [
            leaf(base, f"D{i}", animal=f"A{i}"),
            leaf(base + float(rng.uniform(1, 4)), f"D{i}", "herb", animal=f"A{i}"),
        ]
    return rows


def test_what_controls_lost_is_taken_off_what_was_left_to_shrink() -> None:
    """55 % gone with 10 % shrinking is half eaten; a leaf that only shrank comes out as nought."""
    found = feeding(study([leaf(5.5, "D1"), leaf(1.0, "D2"), leaf(0.5, "D3")])).table.sort("lost")
    assert found["share"].to_list() == pytest.approx([-0.05 / 0.9, 0.0, 0.5])


def test_a_leaf_without_control_takes_that_of_its_source() -> None:
    """Its own source first, then any; without any control nothing is taken off, and that is a warning."""
    bare: Row = {"control_loss_cm2": None}
    rows = feeding(study([leaf(5.5, "D1"), {**leaf(5.5, "D2"), **bare}, {**leaf(5.5, "D3", "herb"), **bare}])).table
    assert rows["control"].to_list() == pytest.approx([0.1] * 3)
    assert sorted(rows["control_from"].to_list()) == ["of others", "of others", "own"]
    none = [{**row, **bare} for row in gaps(np.random.default_rng(1))]
    found = answer("palatability", study(none))
    assert any(d.code == "no_controls" and d.severity == "warning" for d in found.doubts)


@pytest.mark.parametrize(
    ("more", "reason"),
    [
        ({"eaten_cm2": 11.0}, IMPOSSIBLE),
        ({"eaten_cm2": None}, NO_AREA),
        ({"offered_cm2": 0.0, "eaten_cm2": 0.0}, NO_AREA),
        ({"control_loss_cm2": 5.0}, CONTROL),
    ],
)
def test_leaves_that_cannot_be_used_are_named(more: Row, reason: str) -> None:
    """Impossible and missing areas are left out with the reason."""
    found = feeding(study([{**leaf(2.0, "D1"), **more}]))
    assert found.table.is_empty()
    assert found.left_out == {reason: [record("palatability", "0")]}


def test_a_choice_is_a_dish_with_leaves_that_differ() -> None:
    """Two sources in one dish are a choice; two leaves of one source, or the same name on another day, are not."""
    rows = [
        leaf(2.0, "D1"), leaf(3.0, "D1", "herb"), leaf(2.0, "D2"), leaf(2.5, "D2"), leaf(2.0, "D3", when="2020-01-01"),
        leaf(2.0, "D3", "herb", when="2020-01-02"),
    ]  # fmt: skip
    kinds = feeding(study(rows)).table.group_by("dish").agg(pl.col("kind").unique())
    told = {d.split()[0]: k for d, k in kinds.sort("dish").iter_rows()}
    assert told == {"D1": [CHOICE], "D2": [ALONE], "D3": [ALONE]}


def test_the_softer_leaf_is_told_with_its_interval() -> None:
    """More is eaten of the herb in every dish: a difference, a ratio and paired tests."""
    found = answer("palatability", study(gaps(np.random.default_rng(2))))
    main = found.effects[0]
    assert (main.name, main.of, main.against, main.where) == ("eaten_difference", "tree", "herb", "choice, leaf source")
    assert main.high < 0
    assert "Given the choice, animals ate" in found.sentence
    assert found.tables["paired_tests"]["t_p"][0] < 0.001
    assert any(d.code == "plants_not_named" for d in found.doubts)


def test_leaves_that_are_eaten_alike_show_no_difference() -> None:
    """The same amounts dealt by chance: nothing is claimed."""
    rng = np.random.default_rng(3)
    rows = [leaf(float(rng.uniform(1, 8)), f"D{i}", s, animal=f"A{i}") for i in range(20) for s in ("tree", "herb")]
    found = answer("palatability", study(rows))
    assert found.sentence.startswith("No difference was shown")


def test_an_animal_fed_often_counts_once() -> None:
    """Three animals that like the herb more or less, fed seven times each, are three and not twenty-one."""
    rows = [
        leaf(2.0 + (s == "herb") * (1.0 + i % 3), f"D{i}", s, animal=f"A{i}")
        for i in range(21)
        for s in ("tree", "herb")
    ]
    few = [{**r, "animal": f"A{i // 2 % 3}"} for i, r in enumerate(rows)]
    wide, many = (answer("palatability", study(r)) for r in (few, rows))
    assert wide.effects[0].high - wide.effects[0].low > many.effects[0].high - many.effects[0].low
    assert any(d.code == "few_animals" for d in wide.doubts)
    unnamed = answer("palatability", study([{**r, "animal": None} for r in rows]))
    assert any(d.code == "animals_not_named" for d in unnamed.doubts)


def test_leaves_eaten_whole_and_untouched_are_doubts() -> None:
    """A ceiling hides differences; many noughts are said."""
    rng = np.random.default_rng(5)
    rows = [leaf(10.0 if rng.random() < 0.5 else 1.0, f"D{i}", s) for i in range(20) for s in ("tree", "herb")]
    codes = {d.code for d in answer("palatability", study(rows)).doubts}
    assert {"eaten_whole", "untouched"} <= codes


@pytest.mark.parametrize(
    "rows", [[], [leaf(2.0, "D1"), leaf(3.0, "D1", "herb")], [leaf(1.0, f"D{i}") for i in range(9)]]
)
def test_too_little_is_a_sentence(rows: list[Row]) -> None:
    """No leaf, one dish, one source: a sentence, and what is lacking is said."""
    data = study(rows)
    found = answer("palatability", data)
    assert not found.answered
    assert found.sentence.startswith("Too little to answer")
    if len({r["leaf_source"] for r in rows}) < 2:
        assert lacking(question("palatability"), data)


def test_all_untouched_is_an_answer_or_a_sentence() -> None:
    """Nothing eaten anywhere: no ratio, nothing that is not a number."""
    rows = [leaf(1.0, f"D{i}", s) for i in range(8) for s in ("tree", "herb")]
    found = answer("palatability", study(rows))
    assert not found.answered
    assert "not all eaten alike" in found.sentence


@cache
def invented(help_: float = 1.0) -> StudyData:
    """Give an invented study of sixteen blocks."""
    return observe(replace(DEFAULT.sized(16, 30), help=help_, years=1.5), 4, questions=("palatability",))


def test_treatments_come_before_sources_and_rows_may_come_in_any_order() -> None:
    """Removal against sham in the choice is the main effect; shuffled tables give the same numbers."""
    one, other = answer("palatability", invented()), answer("palatability", shuffled(invented(), 2))
    main = one.effects[0]
    assert (main.name, main.of, main.against, main.where) == ("eaten_difference", "removal", "sham", "choice")
    assert {e.where for e in one.effects} == {"choice", "no choice", "no choice, leaf source"}
    for a, b in zip(one.effects, other.effects, strict=True):
        assert (a.name, a.of, a.where) == (b.name, b.of, b.where)
        assert (a.estimate, a.low, a.high) == pytest.approx((b.estimate, b.low, b.high), rel=1e-9)
    assert all(math.isfinite(e.estimate) and e.low <= e.estimate <= e.high for e in one.effects)
    assert set(one.rows.used["palatability"]) == set(invented().table("palatability")["record_id"])


def treated(when: str) -> MadeStudy:
    """Give sixteen dishes with a leaf of a sham plant and one of a removal plant, of which less is eaten."""
    made = MadeStudy().treatment("sham", "sham").treatment("removal", "removal")
    rng = np.random.default_rng(8)
    for i in range(16):
        block = f"B{i % 8}"
        made.place(block, level="block")
        for arm in ("sham", "removal"):
            made.plant(f"{arm}{i}", place=block).assign(f"{arm}{i}", arm, "2020-01-01", block=block)
            eaten = float(rng.uniform(2.0, 4.0)) + 2.0 * (arm == "sham")
            row = leaf(eaten, f"D{i}", plant=f"{arm}{i}", animal=f"A{i}", when=when)
            made.add("palatability", f"{arm}{i} {when}", row)
    return made


def test_leaves_fed_before_the_treatment_say_nothing_of_it() -> None:
    """Trials of 1990 are left out with the reason; alone they answer nothing, and later ones are answered the same."""
    late = answer("palatability", treated("2020-06-01").data())
    assert late.effects[0].high < 0
    made = treated("2020-06-01")
    for i in range(16):
        for arm in ("sham", "removal"):
            row = leaf(9.0 if arm == "removal" else 1.0, f"D{i}", plant=f"{arm}{i}", animal=f"A{i}", when="1990-06-01")
            made.add("palatability", f"{arm}{i} 1990", row)
    both = answer("palatability", made.data())
    assert {r: len(ids) for r, ids in both.rows.left_out.items()} == {BEFORE: 32}
    assert both.effects == late.effects
    assert "before_treatment" in {d.code for d in both.doubts}
    early = answer("palatability", treated("1990-06-01").data())
    assert not early.answered
    assert len(early.rows.left_out[BEFORE]) == 32


def dishes_of(consumer: str, more: float, n: int, seed: int) -> list[Row]:
    """Give dishes of one consumer that eats so much more of the herb."""
    rng = np.random.default_rng(seed)
    return [
        leaf(
            float(rng.uniform(3.0, 4.0)) + more * (s == "herb"), f"{consumer} {i}", s, animal=f"A{i}", consumer=consumer
        )
        for i in range(n)
        for s in ("tree", "herb")
    ]


def test_consumers_that_want_opposite_leaves_are_answered_apart() -> None:
    """A beetle takes the herb, a cricket the tree: each has its effect and the mean of both is warned of."""
    rows = dishes_of("beetle", 2.0, 12, 1) + dishes_of("cricket", -2.0, 12, 2) + dishes_of("slug", 2.0, 5, 3)
    found = answer("palatability", study(rows))
    own = {e.where.rpartition(" fed to ")[2]: e for e in found.effects if e.name == "eaten_difference"}
    assert own["beetle"].high < 0 < own["cricket"].low
    assert "slug" not in own
    assert found.effects[0].main
    assert "fed to" not in found.effects[0].where
    first = found.doubts[0]
    assert (first.code, first.severity) == ("consumers_opposed", "warning")
    assert first.text in found.sentence
    table = found.tables["by_consumer"]
    assert table.filter(pl.col("consumer") == "slug")["share_eaten"].null_count() == 2
    told = table.filter(pl.col("consumer") != "slug")
    assert (told["low"] < told["share_eaten"]).all()
    assert (told["share_eaten"] < told["high"]).all()


def test_consumers_that_agree_or_are_one_are_no_warning() -> None:
    """Two that like the herb are answered apart without a warning; one alone has no numbers beside the main ones."""
    two = answer("palatability", study(dishes_of("beetle", 2.0, 12, 1) + dishes_of("cricket", 1.0, 12, 2)))
    assert {d.code: d.severity for d in two.doubts}["consumers"] == "note"
    assert "consumers_opposed" not in {d.code for d in two.doubts}
    one = answer("palatability", study(dishes_of("beetle", 2.0, 12, 1)))
    assert not [e for e in one.effects if "fed to" in e.where]
    assert "consumers" not in {d.code for d in one.doubts}


def test_consumers_dealt_unevenly_to_leaves_fed_alone_are_a_warning() -> None:
    """All trees to a beetle and most herbs to a cricket: the difference may be theirs."""
    rng = np.random.default_rng(4)
    rows = []
    for i, s in [(i, s) for i in range(20) for s in ("tree", "herb")]:
        consumer = "beetle" if s == "tree" or i < 6 else "cricket"
        rows.append(leaf(float(rng.uniform(1, 8)), f"D{s}{i}", s, animal=f"A{i}", consumer=consumer))
    found = answer("palatability", study(rows))
    assert any(d.code == "uneven_consumers" and "70 %" in d.text for d in found.doubts)


def test_the_leaf_can_be_compared_by_source_alone_or_by_a_field() -> None:
    """--by leaf_source leaves the treatments out; a field of the plants is compared by itself; others are refused."""
    by_source = answer("palatability", invented(), Ask(by="leaf_source"))
    assert {e.of for e in by_source.effects} == {"soft mallow"}
    by_habitat = answer("palatability", invented(), Ask(by="habitat"))
    assert by_habitat.answered
    assert not [e for e in by_habitat.effects if "source" in e.where]
    with pytest.raises(WrongUse, match="no such field"):
        answer("palatability", invented(), Ask(by="habitats"))
    adjusted = answer("palatability", invented(), Ask(adjust=("habitat",)))
    assert any(d.code == "not_used" for d in adjusted.doubts)


def test_ants_that_make_leaves_softer_or_tougher_come_out() -> None:
    """With help, removal leaves are eaten less; with harm of the same size, more."""
    less, more = (answer("palatability", invented(h)).effects[0].estimate for h in (1.5, -1.5))
    assert less < 0 < more


@pytest.mark.slow
def test_a_hundred_thousand_leaves_are_answered() -> None:
    """10^5 leaves take seconds, not minutes."""
    leaves = invented().table("palatability")
    turns = 100_000 // leaves.height + 1
    many = pl.concat([leaves.with_columns(dish=pl.format("{}-{}", "dish", pl.lit(i))) for i in range(turns)])
    ids = [i.to_bytes(16, "big") for i in range(many.height)]
    many = many.with_columns(
        pl.Series("record_id", ids, dtype=pl.Binary), pl.Series("subject_id", ids, dtype=pl.Binary)
    )
    begun = time.perf_counter()
    found = answer("palatability", replace(invented(), tables={**invented().tables, "palatability": many}))
    assert found.answered
    assert time.perf_counter() - begun < 30
