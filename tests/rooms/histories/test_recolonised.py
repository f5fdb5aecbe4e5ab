"""Plants taken again after a removal, and groups that stand in one block only."""

import polars as pl
import pytest
from tests.rooms.histories.made_study import MadeStudy, record

from domatia.histories.facts import plant_facts
from domatia.histories.groups import ONE_BLOCK, groups_of, in_two_blocks
from domatia.histories.received import treatment_received


def test_taken_again_before_anybody_saw_it_vacant() -> None:
    """Ants taken off on day 0, another colony at the next look on day 60: occupied again, after at most 60 days."""
    made = MadeStudy().treatment("removal", "removal").treatment("sham", "sham")
    made.plant("p").assign("p", "removal", "2020-01-01").plant("q").assign("q", "sham", "2020-01-01")
    made.visit("p", "2020-01-01", ants="Rust patrolling").act("p", "2020-01-01")
    made.visit("p", "2020-03-01", ants="Velvet patrolling").visit("q", "2020-01-01", ants="Rust patrolling")
    made.visit("q", "2020-03-01", ants="Rust patrolling")
    rows = {r["treatment"]: r for r in treatment_received(made.data()).to_dicts()}
    assert (rows["removal"]["occupied_again"], rows["removal"]["median_days_to_it"]) == (1, 60.0)
    assert (rows["removal"]["lost_colony"], rows["sham"]["occupied_again"]) == (None, 0)


def test_the_last_look_before_the_start_counts() -> None:
    """Looked at on the 1st, treated on the 5th, held on the 35th: occupied again within 30 days of the start."""
    made = MadeStudy().treatment("removal", "removal").treatment("sham", "sham")
    made.plant("p").assign("p", "removal", "2020-01-05").plant("q").assign("q", "sham", "2020-01-05")
    made.visit("p", "2020-01-01", ants="Rust patrolling").act("p", "2020-01-05")
    made.visit("p", "2020-02-04", ants="Velvet patrolling").visit("q", "2020-01-01", ants="Rust patrolling")
    made.visit("q", "2020-02-04", ants="none")
    rows = {r["treatment"]: r for r in treatment_received(made.data()).to_dicts()}
    assert (rows["removal"]["occupied_again"], rows["removal"]["median_days_to_it"]) == (1, 30.0)
    assert rows["sham"]["lost_colony"] == 1


def blocks(homes: dict[str, tuple[str, ...]]) -> MadeStudy:
    """Make one plant in each block named, with the habitat as its group."""
    made = MadeStudy()
    for name, places in homes.items():
        for place in places:
            made.place(place, level="block", habitat=name).plant(f"{name} {place}", place=place)
    return made


def test_a_group_in_one_block_is_left_out() -> None:
    """Of three habitats one has a single block: it is not compared, and its plant is named with the reason."""
    facts = plant_facts(blocks({"forest": ("a", "b", "c"), "edge": ("d", "e"), "gap": ("f",)}).data())
    found = in_two_blocks(groups_of(facts, "habitat"), facts, facts)
    assert found.names == ("forest", "edge")
    assert [(p.of, p.against) for p in found.pairs] == [("edge", "forest")]
    assert found.left_out == {ONE_BLOCK: [record("plant", "gap f")]}
    assert found.members.height == 5


def test_two_groups_in_one_block_each_cannot_be_compared() -> None:
    """Nothing is left to compare, and no pair is made up."""
    facts = plant_facts(blocks({"forest": ("a",), "edge": ("d",)}).data())
    found = in_two_blocks(groups_of(facts, "habitat"), facts, facts)
    assert (found.names, found.pairs, found.members.height) == ((), (), 0)


def test_a_sham_in_one_block_leaves_removal_against_control() -> None:
    """Without its sham, removal is compared with control, as in a study that has none."""
    made = MadeStudy()
    for name in ("removal", "sham", "control"):
        made.treatment(name, name)
        for block in ("a", "b") if name != "sham" else ("a",):
            made.place(block, level="block").plant(f"{name} {block}", place=block).assign(f"{name} {block}", name)
    facts = plant_facts(made.data())
    found = in_two_blocks(groups_of(facts), facts, facts)
    assert [(p.of, p.against, p.role) for p in found.pairs] == [("removal", "control", "primary")]


@pytest.mark.parametrize("used", [1, 2])
def test_only_plants_that_the_question_uses_count(used: int) -> None:
    """A group whose second block holds no usable plant stands in one block."""
    facts = plant_facts(blocks({"forest": ("a", "b"), "edge": ("d", "e"), "gap": ("f", "g")}).data())
    last = facts.filter(pl.col("habitat") == "gap").head(used)
    plants = pl.concat([facts.filter(pl.col("habitat") != "gap"), last])
    assert ("gap" in in_two_blocks(groups_of(facts, "habitat"), facts, plants).names) == (used == 2)
