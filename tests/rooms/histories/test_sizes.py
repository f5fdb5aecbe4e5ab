"""Heights over time: origin, shrinkage, repeats, a height between two measures, steps with their ants."""

import math

import polars as pl
import pytest
from tests.rooms.histories.made_study import MadeStudy, record, subject

from domatia.histories.looks import after_removals, last_known, looks
from domatia.histories.sizes import MEASURED_ONCE, NOT_POSITIVE, growth_steps, height_after, sizes_of
from domatia.model import StudyData

YEAR = 365.25


def measured(*heights: tuple[str, float | None], plant: str = "p") -> StudyData:
    """Make one plant with heights by date."""
    made = MadeStudy().plant(plant)
    for when, height in heights:
        made.visit(plant, when, height_cm=height)
    return made.data()


def test_shrinkage_is_kept_and_zero_is_named() -> None:
    """A shorter plant stays in; a height of zero has no logarithm; a plant measured once shows no growth."""
    made = MadeStudy().plant("p").plant("q")
    made.visit("p", "2000", height_cm=50.0).visit("p", "2001", height_cm=40.0).visit("p", "2002", height_cm=0.0)
    found = sizes_of(made.visit("q", "2000", height_cm=10.0).data())
    assert found.rows["height_cm"].to_list() == [50.0, 40.0]
    assert found.rows["years"].to_list() == [0.0, 1.0]
    assert found.every.height == 3
    assert found.left_out == {MEASURED_ONCE: [record("visit", "q 2000")], NOT_POSITIVE: [record("visit", "p 2002")]}
    assert found.grain == "year"


def test_the_last_height_before_the_start_stands_for_it() -> None:
    """Of two heights before the treatment the later one counts, at year nought."""
    data = measured(("1999", 10.0), ("2000", 20.0), ("2002", 40.0))
    start = (2001 - 1970 + 0.5) * YEAR
    found = sizes_of(data, pl.DataFrame({"plant": [subject("plant", "p")], "start": [start]}))
    assert found.rows.select("years", "height_cm").rows() == [(0.0, 20.0), (1.0, 40.0)]


def test_the_error_of_a_measure_needs_ten_pairs() -> None:
    """Ten repeats all 10 % apart: the error is log 1.1 / sqrt 2; nine give none."""
    made = MadeStudy()
    for i in range(10):
        p = f"p{i}"
        made.plant(p).visit(p, "2000-01-01", height_cm=50.0)
        made.visit(p, "2000-01-01", height_cm=55.0, repeat_of=f"{p} 2000-01-01")
        if i == 8:
            assert sizes_of(made.data()).repeat_sd is None
    found = sizes_of(made.data())
    assert found.repeat_sd == pytest.approx(math.log(1.1) / math.sqrt(2))
    assert found.repeats == 10


def test_height_after_a_year_lies_between_the_measures_around_it() -> None:
    """40 at half a year and 60 at a year and a half: 50 at one year; without a later measure, none."""
    data = measured(("2000-01", 20.0), ("2000-07", 40.0), ("2001-07", 60.0))
    sizes = sizes_of(data)
    row = height_after(data, sizes, 1.0).row(0, named=True)
    assert row["later_cm"] == pytest.approx(50.0, abs=0.1)
    assert (row["first_cm"], row["last_cm"], row["alive"]) == (20.0, 40.0, 1.0)
    assert height_after(data, sizes, 3.0)["later_cm"].to_list() == [None]


def test_a_death_around_the_year_counts_by_its_bracket() -> None:
    """Alive at half a year and dead at two and a half: three quarters of the bracket lie after the first year."""
    made = MadeStudy().plant("p").visit("p", "2000", height_cm=20.0).visit("p", "2001", height_cm=20.0)
    data = made.visit("p", "2005", "dead confirmed").data()
    assert height_after(data, sizes_of(data), 2.0)["alive"].to_list() == [pytest.approx(0.75)]
    assert height_after(data, sizes_of(data), 5.0)["alive"].to_list() == [0.0]
    assert height_after(data, sizes_of(data), 1.0)["alive"].to_list() == [1.0]


def test_growth_steps_carry_the_ants_at_their_beginning() -> None:
    """Doubling in a year with Rust at its beginning is log 2 a year, whoever was there at its end."""
    made = MadeStudy().plant("p").visit("p", "2000", height_cm=20.0, ants="Rust patrolling")
    data = made.visit("p", "2001", height_cm=40.0, ants="none").visit("p", "2003", height_cm=10.0).data()
    seen = last_known(after_removals(looks(data), data), "after")
    steps = growth_steps(data, sizes_of(data), seen)
    assert steps["known"].to_list() == ["Rust", "vacant"]
    assert steps["rgr"].to_list() == pytest.approx([math.log(2), -math.log(4) / 2])
