"""Histories never depend on the order of rows, and brackets never contradict what was seen."""

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.rooms.histories.made_study import MadeStudy, shuffled

from domatia.histories.deaths import death_intervals, followed
from domatia.histories.looks import after_removals, looks
from domatia.histories.vacancies import vacant_steps
from domatia.model import StudyData

STATUS = st.sampled_from(["alive", "alive", "not found", "not visited", "dead confirmed", "no live tissue", None])
ANTS = st.sampled_from([None, "none", "not looked", "Rust patrolling", "Velvet founding queen", "? patrolling"])
VISITS = st.lists(st.tuples(st.sampled_from("pq"), st.integers(1, 28), STATUS, ANTS), max_size=12)
ACTS = st.lists(st.tuples(st.sampled_from("pq"), st.integers(1, 28)), max_size=3)


def study(visits: list[tuple[str, int, str | None, str | None]], acts: list[tuple[str, int]]) -> StudyData:
    """Make a study of two plants within one month."""
    made = MadeStudy().plant("p").plant("q")
    for plant, day, status, ants in visits:
        made.visit(plant, f"2020-01-{day:02}", status, ants=ants)
    for plant, day in acts:
        made.act(plant, f"2020-01-{day:02}")
    return made.data()


@given(VISITS, ACTS, st.integers(0, 99))
@settings(max_examples=40, deadline=None)
def test_order_of_rows_changes_nothing(
    visits: list[tuple[str, int, str | None, str | None]], acts: list[tuple[str, int]], seed: int
) -> None:
    """Brackets, looks and vacant steps are equal to the last row, whatever lies on one day."""
    data = study(visits, acts)
    other = shuffled(data, seed)
    assert death_intervals(data).table.equals(death_intervals(other).table)
    assert after_removals(looks(data), data).equals(after_removals(looks(other), other))
    assert vacant_steps(data).rows.equals(vacant_steps(other).rows)


@given(VISITS)
@settings(max_examples=40, deadline=None)
def test_brackets_agree_with_what_was_seen(visits: list[tuple[str, int, str | None, str | None]]) -> None:
    """Each bracket begins at the last day seen alive and ends at the first later day found dead."""
    found = death_intervals(study(visits, []))
    for row in found.table.to_dicts():
        plant = found.visits.filter(pl.col("plant") == row["plant"])
        alive = plant.filter(pl.col("status") == "alive")["t"]
        dead = plant.filter(pl.col("status").is_in(["dead confirmed", "no live tissue"]))["t"]
        last = max(alive)
        assert row["origin"] + row["left"] == last
        later = [t for t in dead if t > last]
        assert row["right"] == (min(later) - row["origin"] if later else None)
    kept = followed(found)
    assert (kept["left"] >= 0).all()
    assert (kept["right"].drop_nulls() > kept.filter(pl.col("right").is_not_null())["left"]).all()
