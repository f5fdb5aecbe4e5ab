"""Who lived on a plant at each look, and what begins, ends or says nothing."""

import numpy as np
import polars as pl
import pytest
from tests.rooms.histories.made_study import MadeStudy, record, subject

from domatia.histories.looks import after_removals, last_known, looks, roles_of
from domatia.histories.sequences import OTHER, state_sequences
from domatia.histories.vacancies import ONCE, SEVERAL, distance_to_colony, state_at_start, vacant_steps
from domatia.model import Profile

YEAR = 365.25


def states(made: MadeStudy) -> list[str]:
    """Give the states of the plant "p" in the order of time."""
    return looks(made.plant("p").data())["state"].to_list()


@pytest.mark.parametrize(
    ("ants", "state"),
    [
        ("none", "vacant"),
        ("not looked", "unknown"),
        (None, "unknown"),
        ("Rust patrolling", "Rust"),
        ("Rust established", "Rust"),
        ("Rust with alates", "Rust"),
        ("Rust failing", "Rust"),
        ("Rust founding queen", "founding"),
        ("Rust incipient", "founding"),
        ("Rust dead queen only", "vacant"),
        ("Rust abandoned", "vacant"),
        ("? patrolling", "unnamed ant"),
        (["Rust patrolling", "Velvet established"], "several"),
        (["Rust patrolling", "Velvet founding queen"], "Rust"),
    ],
)
def test_what_one_look_says(ants: object, state: str) -> None:
    """Blank is not "none": without a look, or without a stage, the state is unknown."""
    assert states(MadeStudy().visit("p", "2020-01-01", ants=ants)) == [state]


def test_a_live_queen_counts_as_holder_on_request() -> None:
    """From the live queen on, a founding queen's ant holds the plant."""
    data = MadeStudy().plant("p").visit("p", "2020-01-01", ants="Rust founding queen").data()
    assert looks(data, "live queen")["state"].to_list() == ["Rust"]


def test_looked_with_a_blank_stage_is_unknown() -> None:
    """An occupancy row that says looked, and nothing else, is no vacancy."""
    made = MadeStudy().plant("p").visit("p", "2020-01-01")
    made.add("occupancy", "o", {"visit": "p 2020-01-01", "looked": True})
    assert states(made) == ["unknown"]


def test_of_two_visits_on_one_day_the_one_that_looked_counts() -> None:
    """Not looked in the morning and Rust in the evening is one look that saw Rust."""
    made = MadeStudy().visit("p", "2020-01-01", ants="not looked").visit("p", "2020-01-01", ants="Rust patrolling")
    assert states(made) == ["Rust"]


def test_not_found_is_no_look_and_dead_is_dead() -> None:
    """Not found gives no row; dead gives "dead" whatever is written about ants."""
    made = MadeStudy().visit("p", "2020-01-01", "not found", ants="none")
    assert states(made.visit("p", "2020-02-01", "dead confirmed", ants="Rust patrolling")) == ["dead"]


def test_last_known_passes_over_what_nobody_looked_at() -> None:
    """Unknown keeps the state before it; before the first look nothing is known."""
    made = MadeStudy().visit("p", "2020-01-01").visit("p", "2020-02-01", ants="none").visit("p", "2020-03-01")
    assert last_known(looks(made.plant("p").data()))["known"].to_list() == [None, "vacant", "vacant"]


@pytest.mark.parametrize("when", ["2020-01-01", "2020-01-04"])
def test_ants_taken_off_after_a_look_leave_the_plant_vacant(when: str) -> None:
    """A removal on the day of a look or soon after it: the step to the next look begins vacant."""
    made = MadeStudy().plant("p").visit("p", "2020-01-01", ants="Rust patrolling")
    made.visit("p", "2020-03-01", ants="Rust patrolling").act("p", when)
    data = made.data()
    assert after_removals(looks(data), data)["after"].to_list() == ["vacant", "Rust"]


def test_a_sham_takes_nobody_off() -> None:
    """After a sham the state is what the look saw."""
    made = MadeStudy().plant("p").visit("p", "2020-01-01", ants="Rust patrolling").act("p", "2020-01-01", "sham")
    data = made.data()
    assert after_removals(looks(data), data)["after"].to_list() == ["Rust"]


def test_roles_come_from_the_study_before_the_profile() -> None:
    """The study's own word on an ant's role stands above the profile's."""
    made = MadeStudy().plant("p").visit("p", "2020-01-01", ants="Rust patrolling").role("Rust", "visitor")
    data = made.data(profile=Profile(taxa={"Rust": "defender", "Velvet": "defender"}))
    assert roles_of(data) == {"Rust": "visitor", "Velvet": "defender"}


def test_vacant_steps_end_with_an_ant_death_or_nothing() -> None:
    """Vacant, vacant, Rust: one step that goes on and one that Rust ended; then Rust begins none."""
    made = MadeStudy().plant("p").visit("p", "2020-01-01", ants="none").visit("p", "2020-03-01", ants="none")
    made.visit("p", "2020-03-21", ants="not looked").visit("p", "2020-05-01", ants="Rust patrolling")
    made.plant("q").visit("q", "2020-01-01", ants="none").visit("q", "2020-03-01", "dead confirmed")
    found = vacant_steps(made.data()).rows.filter(pl.col("plant") == subject("plant", "p"))
    assert found["ended"].to_list() == ["", "Rust"]
    assert (found["stop"] * YEAR).round(6).to_list() == [60.0, 121.0]
    assert vacant_steps(made.data()).rows.filter(pl.col("plant") == subject("plant", "q"))["ended"][0] == "died vacant"


def test_a_founding_queen_ends_a_vacancy_only_if_she_counts() -> None:
    """With patrolling workers she does not; with a live queen she does."""
    made = MadeStudy().plant("p").visit("p", "2020-01-01", ants="none")
    data = made.visit("p", "2020-03-01", ants="Rust founding queen").data()
    assert vacant_steps(data).rows["ended"].to_list() == [""]
    assert vacant_steps(data, "live queen").rows["ended"].to_list() == ["Rust"]


def test_a_removal_opens_a_new_spell() -> None:
    """Rust taken off at the second look: a second vacant spell whose clock starts at nought."""
    made = MadeStudy().plant("p").visit("p", "2020-01-01", ants="none").visit("p", "2020-03-01", ants="Rust patrolling")
    made.act("p", "2020-03-01").visit("p", "2020-04-01", ants="none").visit("p", "2020-05-01", ants="Velvet patrolling")
    rows = vacant_steps(made.data()).rows
    assert rows["spell"].to_list() == [1, 2, 2]
    assert rows["ended"].to_list() == ["Rust", "", "Velvet"]
    assert rows["start"].to_list()[1] == 0.0


def test_what_begins_no_step_is_named() -> None:
    """Two ants at the next look, and a vacancy at the last look, are left out with their reasons."""
    made = MadeStudy().plant("p").visit("p", "2020-01-01", ants="none")
    made.visit("p", "2020-03-01", ants=["Rust patrolling", "Velvet patrolling"])
    made.plant("q").visit("q", "2020-01-01", ants="none")
    found = vacant_steps(made.data())
    assert found.rows.is_empty()
    assert found.left_out == {ONCE: [record("visit", "q 2020-01-01")], SEVERAL: [record("visit", "p 2020-01-01")]}


def test_light_and_size_at_the_start_never_come_from_later() -> None:
    """The latest openness at or before the start counts; a later one does not."""
    made = MadeStudy().plant("p").visit("p", "2020-01-01", ants="none", height_cm=50.0)
    made.visit("p", "2020-03-01", ants="none", openness_pct=20.0, height_cm=60.0)
    data = made.visit("p", "2020-05-01", ants="Rust patrolling", openness_pct=80.0).data()
    rows = state_at_start(data, vacant_steps(data).rows)
    assert rows["openness"].to_list() == [None, 0.2]
    assert np.allclose(rows["log_height"].to_numpy(), np.log([50.0, 60.0]))


def test_nearest_colony_is_a_plant_held_at_its_latest_look() -> None:
    """3-4-5: the held neighbour lies 5 m off; the nearer vacant one and the one in another place do not count."""
    made = MadeStudy().place("A", level="plot").place("B", level="plot")
    made.plant("p", place="A", x_m=0.0, y_m=0.0).plant("held", place="A", x_m=3.0, y_m=4.0)
    made.plant("empty", place="A", x_m=1.0, y_m=0.0).plant("far", place="B", x_m=0.0, y_m=1.0)
    for p, ants in (("held", "Rust patrolling"), ("empty", "none"), ("far", "Rust patrolling"), ("p", "none")):
        made.visit(p, "2020-01-01", ants=ants)
    data = made.visit("p", "2020-03-01", ants="none").data()
    assert distance_to_colony(data, vacant_steps(data).rows)["colony_m"].to_list() == [5.0]


def test_sequences_code_states_and_what_they_may_have_been() -> None:
    """Not looked may be any live state; an unnamed ant any ant; several ants any of them; openness is carried on."""
    made = MadeStudy().plant("p").visit("p", "2020-01-01", ants="none", openness_pct=30.0)
    for when, ants in (
        ("2020-02-01", "Rust patrolling"),
        ("2020-03-01", "not looked"),
        ("2020-04-01", "? patrolling"),
        ("2020-05-01", ["Rust patrolling", "Velvet patrolling"]),
        ("2020-06-01", "Velvet patrolling"),
    ):
        made.visit("p", when, ants=ants)
    data = made.visit("p", "2020-07-01", "dead confirmed").data()
    plants = pl.DataFrame({"plant": [subject("plant", "p")], "from_t": [None]}, schema_overrides={"from_t": pl.Float64})
    found = state_sequences(data, plants, least=1)
    assert found.states == ("vacant", "founding", "Rust", "Velvet", "dead")
    assert found.rows["code"].to_list() == [0, 2, -1, -1, -1, 3, 4]
    assert found.rows["openness"].to_list() == [0.3] * 7
    assert found.possible[2].tolist() == [True, True, True, True, False]
    assert found.possible[3].tolist() == [False, False, True, True, False]
    assert found.possible[4].tolist() == [False, False, True, True, False]
    lumped = state_sequences(data, plants, least=2)
    assert lumped.lumped == ("Rust", "Velvet")
    assert lumped.states == ("vacant", "founding", OTHER, "dead")


def test_steps_know_whose_ants_were_taken_off_and_held_ones_how_they_went_on() -> None:
    """Rust taken off begins a step that names it; Velvet, new on the plant and left alone, makes a held step."""
    made = MadeStudy().plant("p").visit("p", "2020-01-01", ants="Rust patrolling").act("p", "2020-01-01")
    made.visit("p", "2020-03-01", ants="none").visit("p", "2020-05-01", ants="Velvet patrolling")
    made.visit("p", "2020-06-01", ants="not looked").visit("p", "2020-07-01", ants="Velvet patrolling")
    found = vacant_steps(made.visit("p", "2020-09-01", "dead confirmed").data())
    assert found.rows["taken_off"].to_list() == ["Rust", ""]
    assert found.held.select("before", "ended", "fresh").rows() == [
        ("Velvet", "Velvet", True),
        ("Velvet", "dead", False),
    ]
    assert (found.held["years"] * YEAR).round(6).to_list() == [61.0, 62.0]
