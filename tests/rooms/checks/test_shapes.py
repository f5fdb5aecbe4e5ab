"""The shapes that checks share: dates as written, near plants, tags that flip, steps and ranks."""

from datetime import date, timedelta
from statistics import NormalDist

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import mannwhitneyu

from domatia.checks.nearness import near_pairs
from domatia.checks.observer_drift import _judged
from domatia.checks.one_plant import kept_plants, plants
from domatia.checks.places import scopes
from domatia.checks.steps import repeat_spread, steps, threshold, with_spread
from domatia.checks.tag_flip import _variants
from domatia.checks.taxon_spelling import _likeness
from domatia.checks.written import at, counted, listing, written
from domatia.model import Profile, StudyData, WrittenDate, as_table
from domatia.model.identity import named_id

DAYS = st.dates(date(1900, 1, 1), date(2100, 12, 31))


def _write(first: date, last: date) -> str:
    frame = pl.DataFrame({"when_earliest": [first], "when_latest": [last]})
    text: str = frame.select(written("when")).item()
    return text


@given(DAYS)
def test_days_months_and_years_are_written_as_the_model_writes_them(day: date) -> None:
    """The polars expression and the model's own date agree wherever the model has a short form."""
    month_end = (day.replace(day=28) + timedelta(days=4)).replace(day=1) - timedelta(days=1)
    for first, last in (
        (day, day),
        (day.replace(day=1), month_end),
        (date(day.year, 1, 1), date(day.year, 12, 31)),
    ):
        assert _write(first, last) == str(WrittenDate(first, last))


def test_spans_are_written_from_and_to() -> None:
    """Whole years come without days; any other span names both days."""
    assert _write(date(1998, 1, 1), date(2003, 12, 31)) == "1998 to 2003"
    assert _write(date(1998, 1, 1), date(2003, 12, 30)) == "1998-01-01 to 2003-12-30"


def test_listing_names_the_rest_by_number() -> None:
    """A long list ends with how many more there are; numbers and dates come with their words."""
    assert listing([]) == ""
    assert listing(["a"]) == "a"
    assert listing(["a", "b", "c"]) == "a, b and c"
    assert listing(list("abcdefghij"), most=3) == "a, b and 8 more"
    assert at("2003-10-17") == "on 2003-10-17"
    assert at("2003-10") == "in 2003-10"
    assert at("2003") == "in 2003"
    assert counted(1, "leaf", "leaves") == "1 leaf"
    assert counted(2000, "leaf", "leaves") == "2,000 leaves"


@given(
    st.lists(st.tuples(st.floats(-20, 20), st.floats(-20, 20), st.sampled_from([b"p", b"q"])), max_size=25),
    st.floats(0.5, 8),
)
def test_near_pairs_are_those_of_a_plain_loop(at: list[tuple[float, float, bytes]], within: float) -> None:
    """The grid finds just the pairs of one plot that stand nearer than the distance, both ways round."""
    placed = pl.DataFrame(
        {
            "plant": pl.Series([bytes([i]) for i in range(len(at))], dtype=pl.Binary),
            "plot": pl.Series([p for _, _, p in at], dtype=pl.Binary),
            "x_m": pl.Series([x for x, _, _ in at], dtype=pl.Float64),
            "y_m": pl.Series([y for _, y, _ in at], dtype=pl.Float64),
        }
    )
    found = set(near_pairs(placed, within).select("plant", "other").iter_rows())
    wanted = {
        (bytes([i]), bytes([j]))
        for i, (x, y, p) in enumerate(at)
        for j, (u, v, q) in enumerate(at)
        if i != j and p == q and np.sqrt((x - u) ** 2 + (y - v) ** 2) < within
    }
    assert found == wanted


@given(st.text("0123456789", min_size=1, max_size=5))
def test_a_flip_works_both_ways(tag: str) -> None:
    """If one number is read for another, the other is read for the first, and none for itself."""
    for other in _variants(tag):
        assert other != tag
        assert tag in _variants(other)


def test_flips_that_crews_tell_of() -> None:
    """988 hangs upside down as 886; 6 is read as 9, 8 as 0; 11 and 88 stay what they are when turned."""
    assert "886" in _variants("988")
    assert _variants("6") == ["9"]
    assert "10" in _variants("18")
    assert _variants("11") == []
    assert _variants("7") == []


@given(st.text("abc AB", max_size=8), st.text("abc AB", max_size=8))
def test_likeness_does_not_depend_on_the_order(a: str, b: str) -> None:
    """Two names are as like each other one way round as the other."""
    assert _likeness(a, b) == _likeness(b, a)


def test_threshold_grows_with_the_number_of_steps() -> None:
    """One false alarm in a table: at least 3 standard deviations, 4.2649 for 100,000 steps (normal table)."""
    assert threshold(5) == 3.0
    assert threshold(100_000) == pytest.approx(4.2649, abs=1e-4)


def test_spread_is_the_standard_deviation_of_normal_steps() -> None:
    """With normal steps the robust spread comes near their standard deviation, ten wild ones notwithstanding."""
    rng = np.random.default_rng(7)
    step = rng.normal(0.1, 0.2, 2000)
    step[:10] = -5
    judged = with_spread(pl.DataFrame({"before": rng.uniform(10, 100, 2000), "log_step": step}))
    assert np.median(judged["spread"].to_numpy()) == pytest.approx(0.2, rel=0.05)
    assert np.median(judged["centre"].to_numpy()) == pytest.approx(0.1, abs=0.02)


@pytest.mark.parametrize("ties", [False, True])
def test_one_stratum_gives_the_rank_sum_of_a_general_library(ties: bool) -> None:
    """With one stratum and two observers z is that of scipy's Mann-Whitney test (another program's output)."""
    rng = np.random.default_rng(3)
    value = rng.normal(0, 1, 60) + np.repeat([0, 0.4], 30)
    value = np.round(value, 0) if ties else value
    rows = pl.DataFrame({"observer": np.repeat(["AB", "CD"], 30), "value": value}).with_columns(
        pl.struct(pl.lit("one").alias("place")).alias("stratum")
    )
    judged = _judged(rows).sort("observer")
    other = mannwhitneyu(value[:30], value[30:], use_continuity=False, method="asymptotic", alternative="less")
    z = judged["z"].to_list()
    assert z[0] == pytest.approx(-z[1])
    assert NormalDist().cdf(z[0]) == pytest.approx(other.pvalue, rel=1e-9)


def _ids(kind: str, names: str) -> list[bytes]:
    return [named_id(b"s", kind, n) for n in names]


def _same_as(pairs: list[tuple[str, str, bool]]) -> StudyData:
    frame = pl.DataFrame(
        {
            "kept": pl.Series(_ids("plant", "".join(k for k, _, _ in pairs)), dtype=pl.Binary),
            "merged": pl.Series(_ids("plant", "".join(m for _, m, _ in pairs)), dtype=pl.Binary),
            "same": [s for _, _, s in pairs],
        }
    )
    return StudyData(b"s", "s", Profile(), {"same_as": as_table("same_as", frame)})


def test_chains_of_merged_plants_end_at_the_last_and_loops_stop() -> None:
    """Of a, b and c merged in a row, a and b both stand for c; two plants that name each other stay one plant."""
    a, b, c = _ids("plant", "abc")
    assert kept_plants(_same_as([("b", "a", True), ("c", "b", True)])) == {a: c, b: c}
    assert kept_plants(_same_as([("b", "a", True), ("b", "a", False)])) == {}
    looped = kept_plants(_same_as([("b", "a", True), ("a", "b", True)]))
    assert looped == {max(a, b): min(a, b)}


@pytest.mark.parametrize(("scope", "expected"), [("plot", "p"), ("site", "s"), ("study", "")])
def test_scope_is_the_place_of_the_profiles_level(scope: str, expected: str) -> None:
    """A transect's tags are unique in its plot, its site or the study."""
    site, plot, transect = _ids("place", "spt")
    table = as_table(
        "place",
        pl.DataFrame(
            {
                "subject_id": pl.Series([site, plot, transect], dtype=pl.Binary),
                "level": ["site", "plot", "transect"],
                "within": pl.Series([None, site, plot], dtype=pl.Binary),
            }
        ),
    )
    data = StudyData(b"s", "s", Profile(tag_scope=scope), {"place": table})
    found = dict(scopes(data).iter_rows())
    wanted = named_id(b"s", "place", expected) if expected else b""
    assert found[transect] == wanted


@pytest.mark.parametrize(("scope", "expected"), [("plot", 2), ("site", 0)])
def test_a_place_without_the_level_around_it_stands_for_itself_or_its_largest(scope: str, expected: int) -> None:
    """Without a plot around it a transect is its own scope; without a site the largest place is."""
    names = _ids("place", "spt")
    within = pl.Series([None, names[0], names[1]], dtype=pl.Binary)
    frame = pl.DataFrame({"subject_id": pl.Series(names, dtype=pl.Binary), "within": within})
    data = StudyData(b"s", "s", Profile(tag_scope=scope), {"place": as_table("place", frame)})
    assert dict(scopes(data).iter_rows())[names[2]] == names[expected]


def test_merged_plants_are_left_out_of_the_list_of_plants() -> None:
    """Of two plants found to be one only the kept one is listed."""
    a, b = _ids("plant", "ab")
    merging = _same_as([("a", "b", True)])
    listed = as_table("plant", pl.DataFrame({"subject_id": pl.Series([a, b], dtype=pl.Binary)}))
    data = StudyData(b"s", "s", Profile(), {**merging.tables, "plant": listed})
    assert plants(data)["subject_id"].to_list() == [a]


def _visits(rows: list[tuple[int, int, float, bool]]) -> StudyData:
    """Make a study of visits: plant, year, height, alive."""
    frame = pl.DataFrame(
        {
            "subject_id": pl.Series([f"{i:03d}".encode() for i in range(len(rows))], dtype=pl.Binary),
            "record_id": pl.Series([f"{i:03d}".encode() for i in range(len(rows))], dtype=pl.Binary),
            "plant": pl.Series([bytes([plant]) for plant, _, _, _ in rows], dtype=pl.Binary),
            "when_earliest": pl.Series([date(year, 1, 1) for _, year, _, _ in rows], dtype=pl.Date),
            "when_latest": pl.Series([date(year, 12, 31) for _, year, _, _ in rows], dtype=pl.Date),
            "height_cm": pl.Series([height for _, _, height, _ in rows], dtype=pl.Float64),
            "status": ["alive" if alive else "no live tissue" for _, _, _, alive in rows],
        }
    )
    return StudyData(b"s", "s", Profile(), {"visit": as_table("visit", frame)})


@given(
    st.lists(
        st.tuples(st.integers(0, 3), st.integers(2001, 2006), st.integers(0, 40).map(float), st.booleans()),
        min_size=1,
        max_size=25,
        unique_by=lambda row: row[:2],
    )
)
def test_steps_join_the_visits_that_a_plain_loop_joins(rows: list[tuple[int, int, float, bool]]) -> None:
    """Each live visit with a height is paired with the one before and after it of the same plant, and no other."""
    found = steps(_visits(rows), "height_cm")
    kept = sorted(row[:3] for row in rows if row[3] and row[2] > 0)
    heights = {plant: [h for p, _, h in kept if p == plant] for plant, _, _ in kept}
    wanted = [
        (before, here, after)
        for plant in sorted(heights)
        for before, here, after in zip(
            [None, *heights[plant][:-1]], heights[plant], [*heights[plant][1:], None], strict=True
        )
    ]
    assert found.select("before", "height_cm", "after").rows() == wanted


def test_spread_of_repeats_is_the_root_mean_square_of_their_logarithmic_differences() -> None:
    """Twenty pairs that differ by a tenth give ln 1.1; a pair with a height of nothing does not count."""
    first = _visits([(i, 2001, 50.0, True) for i in range(21)]).table("visit")
    again = first.with_columns(
        pl.col("subject_id").alias("repeat_of"),
        (pl.col("subject_id") + pl.lit(b"r")).alias("subject_id"),
        (pl.col("height_cm") * 1.1).alias("height_cm"),
    )
    again = again.with_columns(
        pl.when(pl.col("repeat_of") == b"000").then(0.0).otherwise("height_cm").alias("height_cm")
    )
    both = StudyData(b"s", "s", Profile(), {"visit": pl.concat([first, again])})
    assert repeat_spread(both, "height_cm") == pytest.approx(np.log(1.1))
    fewer = StudyData(b"s", "s", Profile(), {"visit": pl.concat([first, again[2:]])})
    assert repeat_spread(fewer, "height_cm") is None
