"""Associates: absences, nests that outlive colonies, rare events, and what comes out on invented studies."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from time import perf_counter

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray
from tests.rooms.histories.made_study import MadeStudy

from domatia.histories.associates import FIRST_LOOK, NEW, THERE, associates
from domatia.lifecycle import DEFAULT, observe
from domatia.lifecycle.layers.associates import ASSOCIATES
from domatia.model import Answer, Ask, StudyData, WrongUse, as_table
from domatia.questions import answer
from domatia.questions.associates_jackknife import without_each
from domatia.stats.exact import fisher_exact, median_unbiased
from domatia.stats.leave_one_out import leave_one_out

SPEC = DEFAULT.sized(12, 60)


@cache
def study(help_: float = 1.0) -> StudyData:
    """Give an invented study."""
    return observe(replace(SPEC, help=help_), 4, questions=("associates",))


@cache
def told(help_: float = 1.0) -> Answer:
    """Answer it."""
    return answer("associates", study(help_))


def changed(change: Callable[[pl.DataFrame], pl.DataFrame], kind: str = "associate") -> StudyData:
    """Give the study with one table changed."""
    return replace(study(), tables={**study().tables, kind: as_table(kind, change(study().table(kind)))})


def by_hand() -> MadeStudy:
    """Give one plant whose nest of the first year outlives the colony, and a second nest in the fourth."""
    made = MadeStudy().plant("a")
    held = ("ant patrolling", "none", "other patrolling", "other patrolling")
    for year, (ants, there) in enumerate(zip(held, ("yes", "yes", "no", "yes"), strict=True), 1):
        made.visit("a", f"200{year}-05-01", ants=ants)
        made.add("associate", f"n{year}", {
            "plant": "a", "when": f"200{year}-05-01", "kind": "bird nest", "present": there == "yes",
            "state": "old" if year == 2 else None,
        })  # fmt: skip
        made.add("associate", f"s{year}", {
            "plant": "a", "when": f"200{year}-05-01", "kind": "scale insects", "present": there == "yes",
        })  # fmt: skip
    return made


def test_nests_go_with_the_ant_of_the_look_before() -> None:
    """A first nest may be older than the colony; a later one counts with the ant known before; old ones do not."""
    found = associates(by_hand().data())
    nests = found.told.filter(pl.col("kind") == "bird nest")
    assert nests.select("y", "known").rows() == [(0, "vacant"), (1, "other")]
    assert set(nests["where"]) == {NEW}
    assert len(found.left_out[FIRST_LOOK]) == 2
    scales = found.told.filter(pl.col("kind") == "scale insects")
    assert scales.select("y", "known").rows() == [(1, "ant"), (1, "vacant"), (0, "other"), (1, "other")]
    assert set(scales["where"]) == {THERE}
    assert found.rows.filter(pl.col("kind") == "bird nest")["old"].to_list() == [False, True, False, False]


def test_one_look_a_plant_is_taken_as_it_is() -> None:
    """Where every plant was looked at once, nests count as found, and a doubt says that their age is unknown."""
    first = pl.col("when_earliest") == pl.col("when_earliest").min().over("plant", "kind")
    found = answer("associates", changed(lambda t: t.filter(first)))
    assert "nests_of_unknown_age" in {d.code for d in found.doubts}
    assert any(e.where == f"bird nest, {THERE}" for e in found.effects)


def test_treatments_ants_and_kinds_come_out() -> None:
    """Removal takes nests away, the idle ant bears scale insects; tables, figure and doubts stand."""
    found = told()
    by = {(e.name, e.of, e.against, e.where.split(",")[0]): e for e in found.effects}
    assert by["share_difference", "removal", "sham", "bird nest"].high < 0
    assert by["odds_ratio_exact", "removal", "sham", "bird nest"].high < 1
    assert by["share_difference_as_occupied", "Idle amber ant", "vacant", "scale insects"].low > 0
    assert found.effects[0].main
    assert (found.effects[0].of, found.effects[0].against) == ("removal", "sham")
    assert {"by_group", "by_occupant", "mixed_model", "all_looks", "bars"} == set(found.tables)
    assert found.chart is not None
    assert {"nests_outlive", "old_ones", "as_occupied", "many_numbers"} <= {d.code for d in found.doubts}
    assert "less often on removal plants than on sham plants" in found.sentence
    assert "looks for 4 kinds of associates" in found.rows.words


def test_no_effect_and_harm_come_out_as_such() -> None:
    """Where ants do nothing no difference of treatments is shown; where they work the other way removal gains nests."""
    none = [e for e in told(0.0).effects if e.name == "share_difference" and e.of == "removal"]
    assert sum(e.low > 0 or e.high < 0 for e in none) <= 1
    assert "No difference between removal plants and sham plants was shown for" in told(0.0).sentence
    harm = next(e for e in told(-1.0).effects if e.name == "share_difference" and e.where.startswith("scale"))
    assert harm.estimate > 0


def test_sightings_without_absences_are_no_answer() -> None:
    """Where only presences were written down the question says what to write; a blank is a sighting."""
    found = answer(
        "associates", changed(lambda t: t.filter(pl.col("present")).with_columns(present=pl.lit(None, pl.Boolean)))
    )
    assert not found.answered
    assert "a blank is not an absence" in found.sentence
    assert "present = no" in found.sentence


def test_an_empty_cell_still_gives_a_finite_ratio() -> None:
    """A kind never found on one side has an interval with one end; the ratio told is finite and above nought."""
    removal = study().table("treatment").filter(pl.col("role") == "removal")["subject_id"][0]
    plants = study().table("assignment").filter(pl.col("treatment") == removal)["plant"].implode()
    none = changed(lambda t: t.with_columns(
        present=pl.when(pl.col("plant").is_in(plants)).then(False).otherwise("present"),
        state=pl.lit(None, pl.String)))  # fmt: skip
    found = answer("associates", none, Ask(only_effects=True))
    own = [e for e in found.effects if e.name == "odds_ratio_exact" and e.of == "removal" and e.against == "sham"]
    assert own
    for e in own:
        assert e.low == 0.0 < e.estimate < e.high < 1.5
        assert e.standard_error is None
    assert median_unbiased(np.array([[[0, 9], [4, 5]]])) > 0
    assert fisher_exact(np.array([[0, 9], [4, 5]])).odds_ratio == 0.0


def test_order_of_rows_does_not_matter() -> None:
    """Turned tables give the same numbers."""
    turned = replace(study(), tables={k: t.reverse() for k, t in study().tables.items()})
    two = answer("associates", turned)
    assert [replace(e, estimate=0, low=0, high=0, standard_error=None) for e in told().effects] == [
        replace(e, estimate=0, low=0, high=0, standard_error=None) for e in two.effects
    ]
    numbers = [[e.estimate, e.low, e.high] for e in told().effects]
    np.testing.assert_array_equal(numbers, [[e.estimate, e.low, e.high] for e in two.effects])
    assert told().sentence == two.sentence


def test_by_a_field_and_without_treatments() -> None:
    """--by compares habitats; without treatments ants and kinds are compared; an unknown field is refused."""
    by = answer("associates", study(), Ask(by="habitat", only_effects=True))
    assert {e.against for e in by.effects if e.name == "share_difference"} == {"closed forest"}
    loose = answer("associates", changed(lambda t: t.head(0), "assignment"), Ask(adjust=("habitat",)))
    assert loose.answered
    assert not [e for e in loose.effects if e.name == "share_difference"]
    assert "not_used" in {d.code for d in loose.doubts}
    with pytest.raises(WrongUse, match="no such field"):
        answer("associates", study(), Ask(by="colour"))


def test_odds_ratio_by_hand_without_blocks() -> None:
    """Twenty plants in no blocks, each looked at once: the exact odds ratio is that of the one table."""
    made = MadeStudy()
    for i in range(20):
        made.plant(f"p{i}").visit(f"p{i}", "2005-05-01", ants="ant patrolling" if i < 12 else "none")
        made.add("associate", f"w{i}", {"plant": f"p{i}", "when": "2005-05-02", "kind": "wasp nest",
                                        "present": i < 7 or i == 19})  # fmt: skip
    found = answer("associates", made.data())
    one = next(e for e in found.effects if e.name == "odds_ratio_exact_as_occupied")
    table = fisher_exact(np.array([[7, 5], [1, 7]]))
    assert (one.estimate, one.low, one.high) == pytest.approx((table.odds_ratio, table.low, table.high))
    assert {"no_blocks", "nests_of_unknown_age", "rare"} <= {d.code for d in found.doubts}


def one_block(made: MadeStudy, block: int, counts: dict[str, tuple[int, int]]) -> None:
    """Add plants of one block: by who holds them, how many with scale insects and how many without."""
    made.place(f"B{block}", level="block")
    for holder, (some, none) in counts.items():
        for i in range(some + none):
            plant = f"{block}{holder[:1]}{i}"
            made.plant(plant, place=f"B{block}").visit(plant, "2005-05-01", ants=holder)
            made.add("associate", f"w{plant}", {"plant": plant, "when": "2005-05-02", "kind": "scale insects",
                                                "present": i < some})  # fmt: skip


def test_difference_within_blocks_by_hand() -> None:
    """Held plants stand where scale insects are common: shares differ over all plants, not within blocks."""
    made = MadeStudy()
    for block in (1, 2, 3):
        one_block(made, block, {"ant patrolling": (8, 8), "none": (2, 2)})
    for block in (4, 5, 6):
        one_block(made, block, {"ant patrolling": (0, 4), "none": (1, 15)})
    found = answer("associates", made.data())
    one = next(e for e in found.effects if e.name == "share_difference_as_occupied")
    # blocks 1 to 3: 8/16 - 2/4 = 0; blocks 4 to 6: 0/4 - 1/16; all weigh 16 * 4 / 20
    assert one.estimate == pytest.approx(-1 / 32)
    shares = {r["occupant"]: r["share"] for r in found.tables["by_occupant"].to_dicts()}
    assert shares["ant"] - shares["vacant"] == pytest.approx(24 / 60 - 9 / 60)
    # leaving out a block of the first three gives -3/80, of the others -1/40; t with 5 degrees of freedom
    assert one.standard_error == pytest.approx(np.sqrt(5 / 6 * 6 * (1 / 160) ** 2))
    assert one.high - one.estimate == pytest.approx(2.570582 * np.sqrt(5) / 160, rel=1e-6)


def test_jackknife_of_sums_is_the_jackknife() -> None:
    """Subtracting each block gives what leaving it out gives, also where a group stands in one block only."""
    rng = np.random.default_rng(3)
    n = rng.integers(1, 9, (2, 7)).astype(np.float64)
    n[1, 2:] = 0.0
    y = np.asarray(rng.binomial(n.astype(np.int64), 0.4), dtype=np.float64)

    def gap(kept: NDArray[np.bool_]) -> NDArray[np.float64]:
        share = y[:, kept].sum(axis=1) / np.maximum(n[:, kept].sum(axis=1), 1)
        return np.atleast_1d(share[1] - share[0])

    values, doubt = leave_one_out(gap, 7)
    ours, theirs = without_each(y, n, np.array([-1.0, 1.0])), doubt.linear(values, np.eye(1))
    for one, other in ((ours.estimate, theirs.estimate), (ours.se, theirs.se), (ours.low, theirs.low)):
        np.testing.assert_allclose(one, other, rtol=1e-12)


def test_many_plants_without_blocks_take_no_time() -> None:
    """Each plant is then left out in turn: 100,000 of them within a second, and no block is spoken of."""
    n = np.ones((2, 100_000))
    start = perf_counter()
    one = without_each(n * 0.5, n, np.array([-1.0, 1.0]))
    assert perf_counter() - start < 1.0
    assert one.estimate[0] == 0.0
    loose = changed(lambda t: t.with_columns(place=pl.lit(None, pl.Binary)), "plant")
    assignment = as_table("assignment", loose.table("assignment").with_columns(block=pl.lit(None, pl.Binary)))
    loose = replace(loose, tables={**loose.tables, "assignment": assignment})
    found = answer("associates", loose, Ask(only_effects=True))
    assert "no_blocks" in {d.code for d in found.doubts}
    assert "than on vacant ones (" in found.sentence
    assert "block" not in found.sentence.partition(" But: ")[0]


def test_few_blocks_tell_exact_ratios() -> None:
    """Below eight blocks the sentence tells exact ratios, else differences of shares; never more than two."""
    assert "of the same block" in told().sentence
    assert "Clearest of " in told().sentence
    assert told().sentence.count("95 % interval") <= 3
    few = answer("associates", observe(SPEC.sized(6, 60), 4, questions=("associates",)), Ask())
    assert "the odds of" in few.sentence
    assert "of the same block" not in few.sentence


def test_mixed_model_says_whether_plants_differ() -> None:
    """The table names where plants are random; clustered intervals hold the ratio."""
    table = told().tables["mixed_model"]
    assert {"random", "taken as alike"} == set(table["plants"])
    assert set(table.filter(pl.col("where") == NEW)["plants"]) == {"taken as alike"}
    assert (table["low"] < table["odds_ratio"]).all()
    assert (table["odds_ratio"] < table["high"]).all()


def test_truth_of_the_layer_without_help() -> None:
    """Where ants do nothing every true odds ratio of treatments and ants is 1, every true difference 0."""
    values = list(ASSOCIATES.truth(replace(SPEC, help=0.0), 3))
    arms = [v for v in values if v.name in ("odds_ratio_exact", "odds_ratio_exact_as_occupied")]
    assert [v.value for v in arms] == pytest.approx([1.0] * len(arms), abs=0.01)
    assert [v.value for v in values if v.name == "share_difference"] == pytest.approx([0.0] * 12, abs=1e-3)
    held = [v.value for v in values if v.name == "share_difference_as_occupied"]
    assert held == pytest.approx([0.0] * 20, abs=0.01)
    nests = next(
        v for v in values if v.name == "odds_ratio_together" and (v.of, v.against) == ("bird nest", "wasp nest")
    )
    assert nests.value > 1.3
