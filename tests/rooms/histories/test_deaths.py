"""Deaths lie between two visits; each rule of the bracket on a plant made by hand."""

import polars as pl
import pytest
from tests.rooms.histories.made_study import MadeStudy, record, shuffled, subject

from domatia.histories.deaths import NEVER_ALIVE, NO_DATE, death_intervals, followed, not_followed
from domatia.histories.intervals import rows_of_looks, rows_of_plants
from domatia.histories.looks import after_removals, looks
from domatia.histories.moments import in_unit

YEAR = 365.25


def one(made: MadeStudy, plant: str = "p") -> dict[str, object]:
    """Give the bracket of one plant."""
    table = death_intervals(made.plant(plant).data()).table
    return table.filter(pl.col("plant") == subject("plant", plant)).row(0, named=True)


def test_death_lies_between_last_alive_and_first_dead() -> None:
    """Day 0 alive, day 10 alive, day 30 dead, day 40 dead: between 10 and 30 days."""
    made = MadeStudy().visit("p", "2020-01-01").visit("p", "2020-01-11")
    made.visit("p", "2020-01-31", "dead confirmed").visit("p", "2020-02-10", "dead confirmed")
    assert (one(made)["left"], one(made)["right"]) == (10.0, 30.0)


@pytest.mark.parametrize("status", ["not found", "not visited", "unsearchable", None])
def test_a_visit_that_says_nothing_ends_no_interval(status: str | None) -> None:
    """Not found, not visited, not searchable or blank: death still lies after the last look that saw it alive."""
    made = MadeStudy().visit("p", "2020-01-01").visit("p", "2020-01-11").visit("p", "2020-01-21", status)
    found = one(made.visit("p", "2020-01-31", "dead confirmed"))
    assert (found["left"], found["right"]) == (10.0, 30.0)


def test_lost_after_the_last_look_alive_is_remembered() -> None:
    """A plant not found twice after day 10 is lost since the first of these; one found again is not lost."""
    made = MadeStudy().visit("p", "2020-01-01").visit("p", "2020-01-06", "not found").visit("p", "2020-01-11")
    assert one(made)["lost"] is None
    made.visit("p", "2020-01-21", "not found").visit("p", "2020-01-31", "not found")
    found = one(made)
    assert (found["left"], found["right"], found["lost"], found["last_look"]) == (10.0, None, 20.0, 30.0)


def test_a_plant_back_from_the_dead_did_not_die_before() -> None:
    """The earlier "dead" does not count, the later one does; the plant is counted as back."""
    made = MadeStudy().visit("p", "2020-01-01").visit("p", "2020-01-11", "dead confirmed").visit("p", "2020-01-21")
    made.visit("p", "2020-01-31", "no live tissue").plant("p")
    found = death_intervals(made.data())
    assert found.back == 1
    assert found.table.select("left", "right").row(0) == (20.0, 30.0)


def test_a_death_on_one_sight_without_live_tissue_is_marked() -> None:
    """One visit without live tissue may be a resprout; two, or one confirmed, may not."""
    base = MadeStudy().visit("p", "2020-01-01").visit("p", "2020-01-11", "no live tissue")
    assert one(base)["died_single"] is True
    assert one(base.visit("p", "2020-01-21", "no live tissue"))["died_single"] is False
    sure = MadeStudy().visit("p", "2020-01-01").visit("p", "2020-01-11", "dead confirmed")
    assert one(sure)["died_single"] is False


def test_bare_years_count_in_whole_years() -> None:
    """1998 alive, 1999 alive, 2003 dead is 1 to 5 whole years, leap days or not."""
    made = MadeStudy().visit("p", "1998").visit("p", "1999").visit("p", "2003", "dead confirmed").plant("p")
    found = death_intervals(made.data())
    assert found.grain == "year"
    row = followed(found).row(0, named=True)
    assert (row["left"] / YEAR, row["right"] / YEAR) == (1.0, 5.0)


@pytest.mark.parametrize(
    ("dates", "grain"),
    [
        (("2001-02-03", "2002-02-03"), "day"),
        (("2001", "2002"), "year"),
        (("2001-02", "2002-02"), "month"),
        (("2001", "2002-02-03"), "mixed"),
    ],
)
def test_grain_says_how_finely_visits_are_dated(dates: tuple[str, str], grain: str) -> None:
    """Day, month or year; mixed where dates are of several kinds."""
    made = MadeStudy().plant("p").visit("p", dates[0]).visit("p", dates[1])
    assert death_intervals(made.data()).grain == grain


def test_lengths_are_written_in_the_unit_of_the_dates() -> None:
    """Whole years for bare years, days for all others."""
    assert in_unit(YEAR, "year") == "1 year"
    assert in_unit(3 * YEAR, "year") == "3 years"
    assert in_unit(61.6, "day") == "62 days"


def test_seen_once_is_left_out_unless_found_dead() -> None:
    """Seen alive once: followed for no time. Seen alive once and found dead later: bracketed from day 0."""
    made = MadeStudy().plant("once").visit("once", "2020-01-01").plant("died").visit("died", "2020-01-01")
    made.visit("died", "2020-03-01", "dead confirmed").plant("gap").visit("gap", "2020-01-01")
    found = death_intervals(made.visit("gap", "2020-02-01", "not found").data())
    assert followed(found)["plant"].to_list() == [subject("plant", "died")]
    assert set(not_followed(found)["plant"]) == {subject("plant", "once"), subject("plant", "gap")}
    assert followed(found).select("left", "right").row(0) == (0.0, 60.0)


def test_never_alive_and_undated_are_named_with_their_reason() -> None:
    """A plant found dead at first sight and a visit without a date are left out by record."""
    made = MadeStudy().plant("dead").visit("dead", "2020-01-01", "dead confirmed").plant("p").visit("p", "2020-01-01")
    found = death_intervals(made.visit("p", None).data())
    assert found.left_out == {NEVER_ALIVE: [record("plant", "dead")], NO_DATE: [record("visit", "p None")]}


def test_time_counts_from_the_treatment() -> None:
    """Seen alive before the treatment, the plant counts as alive on its first day; death before it does not count."""
    made = MadeStudy().plant("p").visit("p", "2020-01-01").visit("p", "2020-03-01", "dead confirmed")
    made.plant("q").visit("q", "2020-01-01").visit("q", "2020-01-05", "dead confirmed")
    start = pl.DataFrame({"plant": [subject("plant", "p"), subject("plant", "q")], "start": [18272.0 + 10] * 2})
    kept = followed(death_intervals(made.data(), start.with_columns(pl.col("start") - 10)))
    assert set(kept["right"]) == {18322.0 - 18272.0}
    assert kept.height == 1


def test_a_second_measure_is_no_visit_of_its_own() -> None:
    """A repeat of a visit that says "dead" ends nothing."""
    made = MadeStudy().plant("p").visit("p", "2020-01-01").visit("p", "2020-01-11")
    made.visit("p", "2020-01-21", "dead confirmed", repeat_of="p 2020-01-11")
    assert death_intervals(made.data()).table["right"].to_list() == [None]


def test_rows_of_plants_cut_at_the_last_look_alive() -> None:
    """Ten days alive, then twenty in which it died: two rows; a plant dead at its second look has one."""
    table = pl.DataFrame({"plant": [b"a", b"b", b"c"], "left": [10.0, 0.0, 5.0], "right": [30.0, 20.0, None]})
    rows = rows_of_plants(table).with_columns(pl.col("start", "stop") * YEAR).rows()
    assert rows == [
        (b"a", 0.0, 10.0, False),
        (b"a", 10.0, 30.0, True),
        (b"b", 0.0, 20.0, True),
        (b"c", 0.0, 5.0, False),
    ]


def test_rows_of_looks_carry_the_state_at_their_beginning() -> None:
    """The state of the visit that found the death never counts; not looked keeps the last known state."""
    made = MadeStudy().plant("p").visit("p", "2020-01-01", ants="none").visit("p", "2020-01-11", ants="Fire patrolling")
    made.visit("p", "2020-01-21", ants="not looked").visit("p", "2020-01-31", "dead confirmed", ants="none")
    data = made.data()
    rows = rows_of_looks(death_intervals(data), after_removals(looks(data), data))
    assert rows.select("known", "died").rows() == [("vacant", False), ("Fire", False), ("Fire", True)]


def test_order_of_rows_does_not_matter() -> None:
    """Brackets are the same with the tables' rows in another order."""
    made = MadeStudy()
    for p, gap in (("a", 1), ("b", 2), ("c", 3)):
        made.plant(p).visit(p, "2020-01-01").visit(p, f"2020-01-1{gap}").visit(p, "2020-02-01", "dead confirmed")
    data = made.data()
    assert death_intervals(data).table.equals(death_intervals(shuffled(data, 3)).table)
