"""The patrol question: sun time, methods apart, ants apart, traps, little data, flat clocks."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl
import pytest

from domatia.histories import patrols as history
from domatia.lifecycle import DEFAULT, observe
from domatia.lifecycle.layers import patrols as layer
from domatia.lifecycle.layers.patrols import truth
from domatia.model import Answer, Ask, StudyData, as_table
from domatia.questions import answer
from domatia.questions import patrol_numbers as numbers

ASK = Ask(only_effects=True)


@cache
def study(help_: float = 1.0) -> StudyData:
    """Simulate a study of ten blocks with its patrols."""
    return observe(replace(DEFAULT.sized(10, 40), help=help_), 4, questions=("patrol",))


def with_counts(change: Callable[[pl.DataFrame], pl.DataFrame], data: StudyData | None = None) -> StudyData:
    """Give the study with other counts."""
    own = study() if data is None else data
    return replace(own, tables={**own.tables, "patrol": as_table("patrol", change(own.table("patrol")))})


def codes(a: Answer) -> set[str]:
    """Name the doubts."""
    return {d.code for d in a.doubts}


def values(a: Answer) -> dict[tuple[str, str], float]:
    """Give the estimates by name and place."""
    return {(e.name, e.where): e.estimate for e in a.effects}


def of_plant(table: pl.DataFrame) -> list[int]:
    """Give a number to each plant, in the rows' order."""
    return table["plant"].rank("dense").cast(pl.Int64).to_list()


def test_day_ants_and_night_ants_come_out() -> None:
    """The commonest ant first; tables, figure and sentence speak of night and day."""
    found = answer("patrol", study())
    main = found.effects[0]
    assert main.name == "night_day_ratio"
    assert main.where.startswith("scan, ")
    of = {(e.name, e.where): e for e in found.effects}
    assert of["night_day_ratio", "scan, Rust-gaster ant"].high < 1
    assert of["night_day_ratio", "scan, Velvet-eyed ant"].low > 1
    assert of["tip_base_ratio", "scan, Rust-gaster ant"].low > 1
    assert {"clock", "rhythm", "counts", "spread"} <= set(found.tables)
    assert found.chart is not None
    assert "by night" in found.sentence
    assert "Busiest by the sun: " in found.sentence
    assert {"methods_apart", "left_out", "few_blocks"} <= codes(found)


def test_scans_and_gate_counts_are_never_pooled() -> None:
    """Without the gate counts the scans' numbers are the same."""
    whole = values(answer("patrol", study(), ASK))
    scans = values(answer("patrol", with_counts(lambda t: t.filter(pl.col("method") == "scan")), ASK))
    assert scans == {k: v for k, v in whole.items() if k[1].startswith("scan")}
    assert {k[1].split(",")[0] for k in whole} == {"scan", "gate"}


def test_scans_of_leaves_need_no_length() -> None:
    """Where no scan has a length each is of one leaf; where some have, the others are left out."""
    leaves = answer("patrol", with_counts(lambda t: t.with_columns(length_cm=pl.lit(None, pl.Float64))), ASK)
    assert {e.where.split(",")[0] for e in leaves.effects} == {"leaf scan", "gate"}
    assert "leaf_scans" in codes(leaves)
    assert leaves.sentence.startswith("Scans of a leaf: ")


def test_the_order_of_rows_is_no_matter() -> None:
    """Shuffled counts give the same numbers."""
    order = np.random.default_rng(1).permutation(study().table("patrol").height)
    one, other = (values(answer("patrol", d, ASK)) for d in (study(), with_counts(lambda t: t[order.tolist()])))
    assert one.keys() == other.keys()
    assert [other[k] for k in one] == pytest.approx(list(one.values()), rel=1e-9)


def test_no_hours_is_a_result_and_a_turned_clock_too() -> None:
    """Where ants keep no hours the ratios hold one, which is not yet a flat clock; a reversed one is found reversed."""
    none = answer("patrol", study(0.0))
    assert sum(e.low <= 1 <= e.high for e in none.effects) >= len(none.effects) - 3
    assert "no difference between night and day was shown" in none.sentence
    assert "flat clock" not in none.sentence
    turned = {(e.name, e.where): e for e in answer("patrol", study(-1.0), ASK).effects}
    assert turned["night_day_ratio", "scan, Rust-gaster ant"].low > 1


def test_an_ant_of_dawn_and_dusk_has_no_flat_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Busiest to quietest 5.5, night to day near one: no difference of night and day, two peaks and no flat clock."""
    monkeypatch.setattr(layer, "_CLOCKS", ((0.0, 0.0, -np.log(5.5) / 2, 0.0),))
    found = answer("patrol", observe(DEFAULT.sized(10, 40), 4, questions=("patrol",)))
    main = found.effects[0]
    assert main.low < 1 < main.high < 1.5
    assert "flat clock" not in found.sentence
    assert "no difference between night and day was shown" in found.sentence
    first = found.tables["rhythm"].row(0, named=True)
    assert first["p_if_flat"] < 0.001
    assert first["busiest_to_quietest_low"] > 3
    assert first["busiest_to_quietest_low"] < 5.5 < first["busiest_to_quietest_high"]
    assert first["busiest_from_h"] is None
    peaks = sorted((first["busiest_h"], first["second_peak_h"]))
    assert peaks == pytest.approx([6.0, 18.0], abs=0.5)
    assert "Rust-gaster ant two peaks, " in found.sentence


def test_a_flat_clock_is_said_only_where_the_counts_show_one() -> None:
    """Many counts of an ant that keeps no hours: flat; few of another such: no difference shown, which is less."""
    found = answer("patrol", observe(replace(DEFAULT, help=0.0), 4, questions=("patrol",)))
    rhythm = found.tables["rhythm"].filter(pl.col("method") == "scan")
    flat = rhythm.filter(pl.col("busiest_to_quietest_high") < 1.5)["ant"].to_list()
    assert flat
    assert len(flat) < rhythm.height
    told = {p.split(",")[0].removeprefix("Scans: ") for p in found.sentence.split("; ") if "a flat clock" in p}
    assert told == set(flat)
    assert rhythm.filter(pl.col("p_if_flat") >= 0.05)["busiest_h"].null_count() == rhythm.height


def test_one_wave_a_day_shows_no_flat_clock() -> None:
    """Where hours without counts leave a single wave, dawn and dusk would not show: nothing is called flat."""
    data = observe(replace(DEFAULT, help=0.0), 4, questions=("patrol",))
    hours = dict(numbers.gather(data).rows.select("record_id", "hour").iter_rows())
    hour = pl.col("record_id").replace_strict(hours, default=None, return_dtype=pl.Float64)
    found = answer("patrol", with_counts(lambda t: t.filter((hour > 6) | (hour < 0.5)), data))
    rhythm = found.tables["rhythm"]
    assert set(rhythm["waves"]) == {1}
    assert (rhythm["busiest_to_quietest_high"] < 1.5).any()
    assert "flat clock" not in found.sentence


def test_one_peak_has_an_interval() -> None:
    """An ant of the night: one busiest hour, with an interval that goes through it."""
    rhythm = answer("patrol", study()).tables["rhythm"]
    own = rhythm.filter((pl.col("method") == "scan") & (pl.col("ant") == "Velvet-eyed ant")).row(0, named=True)
    assert own["second_peak_h"] is None
    ahead, behind = ((own[c] - own["busiest_h"] + 12) % 24 - 12 for c in ("busiest_to_h", "busiest_from_h"))
    assert behind < 0 < ahead
    assert ahead - behind < 8


def test_hours_are_the_suns_not_the_clocks() -> None:
    """Places moved an eighth of the way round the earth shift all hours by three; without them the clock is used."""
    here = numbers.gather(study()).rows.select("record_id", "hour")
    places = study().table("place").with_columns(longitude=pl.col("longitude") + 45.0)
    there = numbers.gather(replace(study(), tables={**study().tables, "place": places})).rows
    both = here.join(there.select("record_id", later="hour"), on="record_id")
    shift = (both["later"] - both["hour"]).to_numpy() % 24
    np.testing.assert_allclose(shift, 3.0, atol=1e-9)
    nowhere = study().table("place").with_columns(longitude=pl.lit(None, pl.Float64))
    found = answer("patrol", replace(study(), tables={**study().tables, "place": nowhere}), ASK)
    assert "clock_time" in codes(found)
    assert "But: Neither plants nor places have longitude and latitude" in found.sentence
    assert values(found) != values(answer("patrol", study(), ASK))


def test_a_plants_own_coordinates_come_before_its_places() -> None:
    """A single plant with coordinates has its own hours."""
    first = numbers.gather(study()).rows["plant"][0]
    own = pl.when(pl.col("subject_id") == first)
    plants = study().table("plant").with_columns(longitude=own.then(9.5), latitude=own.then(4.6))
    rows = numbers.gather(replace(study(), tables={**study().tables, "plant": plants})).rows
    assert rows.filter(pl.col("plant") == first)["longitude"].unique().to_list() == [9.5]
    assert rows.filter(pl.col("plant") != first)["longitude"].unique().to_list() == [-80.5]


def test_hours_without_counts() -> None:
    """Counts by day alone give no clock but tip and base; counts without the small hours give one wave."""
    hours = dict(numbers.gather(study()).rows.select("record_id", "hour").iter_rows())
    hour = pl.col("record_id").replace_strict(hours, default=None, return_dtype=pl.Float64)
    day = answer("patrol", with_counts(lambda t: t.filter((hour > 7) & (hour < 16))), ASK)
    assert {e.name for e in day.effects} == {"tip_base_ratio", "disturbance_ratio"}
    assert "hours_missing" in codes(day)
    most = answer("patrol", with_counts(lambda t: t.filter((hour > 6) | (hour < 0.5))), ASK)
    assert "hours_few" in codes(most)
    assert any(e.name == "night_day_ratio" for e in most.effects)


def test_counts_without_a_time_of_day() -> None:
    """No times at all: where they patrol can still be told; some without: left out with the reason."""
    none = answer("patrol", with_counts(lambda t: t.with_columns(when_instant=pl.lit(None, pl.String))), ASK)
    assert {e.name for e in none.effects} == {"tip_base_ratio", "disturbance_ratio"}
    assert "no_times" in codes(none)
    bare = pl.when(pl.int_range(pl.len()) % 5 != 0).then("when_instant")
    some = answer("patrol", with_counts(lambda t: t.with_columns(when_instant=bare)), ASK)
    assert len(some.rows.left_out[numbers.NO_TIME]) > 50


def test_what_cannot_be_used_is_named_with_its_reason() -> None:
    """Blanks, no extent, no method, vacant plants."""

    def spoil(t: pl.DataFrame) -> pl.DataFrame:
        row = pl.int_range(pl.len())
        return t.with_columns(
            ants=pl.when(row != 0).then("ants"),
            length_cm=pl.when(row != 1).then("length_cm"),
            seconds=pl.when(row != 1).then("seconds"),
            method=pl.when(row != 2).then("method"),
        )

    left = answer("patrol", with_counts(spoil), ASK).rows.left_out
    assert {history.NO_COUNT, history.NO_EXTENT, history.NO_METHOD, history.NO_ANTS} <= set(left)
    assert len(left[history.NO_METHOD]) == 1
    used = answer("patrol", with_counts(spoil), ASK).rows.used["patrol"]
    assert not set(used) & {i for ids in left.values() for i in ids}
    assert len(used) + sum(map(len, left.values())) == study().table("patrol").height


def test_ants_taken_off_after_the_look_are_not_counted_as_there() -> None:
    """Counts after a removal tell of nobody known."""
    found = history.patrols(study())
    acts = study().table("intervention").filter(pl.col("kind").is_in(["mechanical removal", "insecticide"]))
    treated = found.left_out[history.TREATED]
    counts = study().table("patrol").filter(pl.col("record_id").is_in(treated))
    assert counts.height == len(treated) > 0
    assert set(counts["plant"]) <= set(acts["plant"])


def test_no_ant_at_a_place_or_by_night_is_said() -> None:
    """Counts of nought everywhere at the tip: no ratio, but a doubt that says so; the same for night."""
    tip = pl.when(pl.col("position") == "tip").then(0).otherwise("ants")
    found = answer("patrol", with_counts(lambda t: t.with_columns(ants=tip)), ASK)
    assert not any(e.name == "tip_base_ratio" for e in found.effects)
    assert "never_there" in codes(found)
    assert numbers.NEVER in found.rows.left_out
    hours = dict(numbers.gather(study()).rows.select("record_id", "hour").iter_rows())
    hour = pl.col("record_id").replace_strict(hours, default=12.0, return_dtype=pl.Float64)
    night = pl.when((hour > 6.3) & (hour < 17.7)).then("ants").otherwise(0)
    dark = answer("patrol", with_counts(lambda t: t.with_columns(ants=night)), ASK)
    assert "one_sided" in codes(dark)
    assert not any(e.name == "night_day_ratio" for e in dark.effects)


def test_plants_counted_in_the_order_of_a_walk_are_noticed() -> None:
    """The same plants an hour apart in the same order, pass after pass."""

    def walked(t: pl.DataFrame) -> pl.DataFrame:
        t = t.sort("plant", "record_id")
        nth = pl.int_range(pl.len()).over("plant")
        minutes = (nth % 8) * 180 + pl.Series(of_plant(t)) % 40 * 4
        when = pl.datetime(2021, 7, 6, time_zone="UTC") + pl.duration(minutes=minutes)
        text = when.dt.strftime("%Y-%m-%dT%H:%M:%S+00:00")
        return t.with_columns(when_instant=text)

    assert "walked" in codes(answer("patrol", with_counts(walked), ASK))
    assert "walked" not in codes(answer("patrol", study(), ASK))


def test_tip_by_day_and_base_by_night_is_noticed() -> None:
    """Watson's U² tells that the two were counted at different hours."""
    hours = dict(numbers.gather(study()).rows.select("record_id", "hour").iter_rows())
    hour = pl.col("record_id").replace_strict(hours, default=12.0, return_dtype=pl.Float64)
    day = (hour > 5) & (hour < 19)
    kept = (pl.col("position") == "tip") & day | (pl.col("position") == "base")
    assert "hours_differ" in codes(answer("patrol", with_counts(lambda t: t.filter(kept)), ASK))


@pytest.mark.parametrize("kept", [0, 1, 5])
def test_few_counts_are_an_answer_of_their_own(kept: int) -> None:
    """None, one, five counts: a sentence, never a number or a crash."""
    found = answer("patrol", with_counts(lambda t: t.head(kept)))
    assert not found.answered
    assert found.sentence.startswith("Too little to answer")


def test_noughts_alone_and_one_block_and_no_looks() -> None:
    """All counts nought; one block; nobody ever looked for ants; each is answered or said."""
    none = answer("patrol", with_counts(lambda t: t.with_columns(ants=pl.lit(0))), ASK)
    assert not none.answered
    block = study().table("assignment")["block"][0]
    plants = study().table("assignment").filter(pl.col("block") == block)["plant"].to_list()
    unseen = replace(study(), tables={**study().tables, "occupancy": study().table("occupancy").clear()})
    found = answer("patrol", unseen, ASK)
    assert {e.where for e in found.effects} == {"scan, all ants", "gate, all ants"}
    assert "ant_not_known" in codes(found)
    one = answer("patrol", with_counts(lambda t: t.filter(pl.col("plant").is_in(plants)), unseen), ASK)
    assert one.answered
    assert any("fewer than three blocks" in d.text for d in one.doubts)


def test_options_without_effect_are_said() -> None:
    """--by has no effect here."""
    assert "not_used" in codes(answer("patrol", study(), replace(ASK, by="habitat")))


def test_the_recorded_truth_is_found_again() -> None:
    """Seeded recovery: most intervals of one study of the demo's size hold the ants' own ratios."""
    data = observe(DEFAULT, 11, questions=("patrol",))
    true = {(v.name, v.where): v.value for v in truth(DEFAULT, 1)}
    effects = answer("patrol", data, ASK).effects
    assert len(effects) == len(true) == 24
    assert sum(e.low <= true[e.name, e.where] <= e.high for e in effects) >= 20


@pytest.mark.slow
def test_a_hundred_thousand_counts_are_answered() -> None:
    """Many counts: an answer all the same."""
    table = study().table("patrol")
    many = pl.concat([table] * (100_000 // table.height + 1))
    ids = pl.Series([i.to_bytes(16, "big") for i in range(many.height)], dtype=pl.Binary)
    assert answer("patrol", with_counts(lambda _: many.with_columns(record_id=ids, subject_id=ids)), ASK).answered
