"""The rewards question: readings, dilution, standing crop and production, what cannot be used, little data."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl
import pytest

from domatia.histories import rewards as history
from domatia.lifecycle import DEFAULT, observe
from domatia.lifecycle.layers.rewards import truth
from domatia.model import Answer, Ask, Effect, StudyData, as_table
from domatia.questions import answer
from domatia.questions import rewards_numbers as numbers
from domatia.stats.sugar import joules, sugar_mg

ASK = Ask(only_effects=True)
Change = Callable[[pl.DataFrame], pl.DataFrame]


@cache
def study(help_: float = 1.0) -> StudyData:
    """Simulate a study of twelve blocks with its rewards."""
    return observe(replace(DEFAULT.sized(12, 42), help=help_), 6, questions=("rewards",))


def with_tables(**change: Change) -> StudyData:
    """Give the study with some tables changed."""
    tables = {k: as_table(k, f(study().table(k))) for k, f in change.items()}
    return replace(study(), tables={**study().tables, **tables})


def codes(a: Answer) -> set[str]:
    """Name the doubts."""
    return {d.code for d in a.doubts}


def by_key(a: Answer) -> dict[tuple[str, str], Effect]:
    """Give the effects by name and place."""
    return {(e.name, e.where): e for e in a.effects}


def none(t: pl.DataFrame) -> pl.DataFrame:
    """Leave no rows."""
    return t.clear()


def test_what_a_plant_gives_and_what_is_saved() -> None:
    """Main effect, parts that add up, seasons, workers, leaf saved, tables, figure and sentence."""
    found = answer("rewards", study())
    of = by_key(found)
    main = found.effects[0]
    assert (main.name, main.where, main.unit) == ("energy_per_plant_day", "nectar and food bodies", "J/d")
    parts = [of["energy_per_plant_day", w].estimate for w in ("nectar", "food bodies")]
    assert main.estimate == pytest.approx(sum(parts))
    dry, other, ratio = (
        of["energy_per_plant_day", "nectar, dry months"],
        of["energy_per_plant_day", "nectar, other months"],
        of["season_ratio", "nectar"],
    )
    assert ratio.estimate == pytest.approx(dry.estimate / other.estimate)
    assert ratio.high < 1
    assert of["workers_per_plant", "plants with patrolling ants"].estimate > 50
    assert of["leaf_energy_saved", "leaf"].low > 0
    assert {"months", "nectaries", "by_rank", "budget", "calibrations"} <= set(found.tables)
    assert found.chart is not None
    assert "J a day as nectar and food bodies" in found.sentence
    assert "In the dry months a plant gives 0." in found.sentence
    assert " times as much nectar as in the others (" in found.sentence
    assert {"standing_apart", "leaf_only", "sucrose", "few_blocks"} <= codes(found)


def test_means_of_tables_have_intervals() -> None:
    """A nectary's means, nectar by who lived there, workers by rank; the mean by hand; none below three blocks."""
    found = answer("rewards", study()).tables
    for name, mean in (("nectaries", "mean"), ("by_occupant", "joules_per_plant_day"), ("by_rank", "workers")):
        table = found[name].filter(pl.col("low").is_not_null())
        assert table.height >= min(6, found[name].height)
        assert (table["low"] < table[mean]).all()
        assert (table[mean] < table["high"]).all()
    opened = history.dissections_of(study()).rows.filter(pl.col("rank") == 1)
    first = found["by_rank"].row(0, named=True)
    assert (first["domatia"], first["workers"]) == (opened.height, pytest.approx(opened["workers"].mean()))
    block = study().table("assignment")["block"][0]
    own = pl.col("plant").is_in(study().table("assignment").filter(pl.col("block") == block)["plant"].implode())
    one = answer("rewards", with_tables(**dict.fromkeys(("nectar", "dissection"), lambda t: _only(t, own)))).tables
    assert one["nectaries"]["low"].null_count() == one["nectaries"].height > 0


def test_a_record_by_hand() -> None:
    """One bag: volume, dilution, temperature, nectaries and hours lead to joules a nectary and day."""
    rows = pl.DataFrame(
        {
            "kind": ["production", "production", "standing crop", "production"],
            "volume_ul": [2.0, 3.0, 2.0, 0.0],
            "dilution": [None, 2.0, 1.0, None],
            "brix_pct": [25.0, 12.0, 24.62, None],
            "temperature_c": [31.0, 20.0, 25.0, None],
            "corrects_temperature": [True, None, False, None],
            "nectaries": [4, 3, 1, 5],
            "bagged_h": [24.0, 12.0, None, 24.0],
        },
        schema_overrides={"dilution": pl.Float64, "brix_pct": pl.Float64},
    )
    found = numbers.sugar_of(rows)
    assert found["joules"][0] == pytest.approx(9.2118 / 4, abs=1e-3)
    twice = float(joules(sugar_mg(np.array([6.0]), np.array([12.0])))[0])
    assert found["joules"][1] == pytest.approx(twice / 3 * 2, rel=1e-9)
    assert found["brix_20"][2] == pytest.approx(25.0, abs=0.01)
    assert found["joules"][3] == 0.0
    assert found["small"].to_list() == [False] * 4


def test_standing_crop_is_never_brought_to_a_day() -> None:
    """Without production only the standing crop is given, in J, with a warning; hours in its bag change nothing."""
    left = pl.col("kind") == "standing crop"
    data = with_tables(
        nectar=lambda t: t.filter(left).with_columns(bagged_h=pl.lit(6.0)), food_bodies=none, dissection=none
    )
    found = answer("rewards", data)
    units = {(e.name, e.unit) for e in found.effects}
    assert units == {("energy_standing", "J"), ("season_ratio", "1"), ("leaf_energy_saved", "J/d")}
    whole = by_key(answer("rewards", study(), ASK))["energy_standing", "nectar, standing crop"]
    assert found.effects[0].estimate == pytest.approx(whole.estimate)
    assert "standing_only" in codes(found)
    assert "But: Only standing crops were measured" in found.sentence


def test_the_instrument_that_corrects_is_not_corrected_again() -> None:
    """Readings at 30 °C raise the sugar only where the instrument does not correct by itself."""

    def warm(itself: bool) -> float:
        change = {"temperature_c": pl.lit(30.0), "corrects_temperature": pl.lit(itself)}
        data = with_tables(nectar=lambda t: t.with_columns(**change))
        return by_key(answer("rewards", data, ASK))["energy_per_plant_day", "nectar"].estimate

    assert 1.02 < warm(False) / warm(True) < 1.08


def test_readings_that_cannot_be_corrected_are_named() -> None:
    """No temperature: taken as read, with a doubt. Far too warm, or far too sweet: left out with the reason."""
    bare = {"temperature_c": pl.lit(None, pl.Float64), "corrects_temperature": pl.lit(None, pl.Boolean)}
    assert "no_temperature" in codes(answer("rewards", with_tables(nectar=lambda t: t.with_columns(**bare)), ASK))
    hot = pl.when(pl.int_range(pl.len()) % 7 == 0).then(55.0).otherwise("temperature_c")
    sweet = pl.when(pl.int_range(pl.len()) % 11 == 0).then(93.0).otherwise("brix_pct")
    data = with_tables(nectar=lambda t: t.with_columns(temperature_c=hot, brix_pct=sweet))
    left = answer("rewards", data, ASK).rows.left_out
    assert len(left[numbers.NO_TEMPERATURE]) > 20
    assert len(left[numbers.TOO_SWEET]) > 50


def test_what_cannot_be_used_is_left_out_with_its_reason() -> None:
    """Blanks are no noughts; production while ants drank is none; a plant's nectaries must be known."""
    row = pl.int_range(pl.len())
    made = pl.col("kind") == "production"

    def spoil(t: pl.DataFrame) -> pl.DataFrame:
        t = t.sort("kind", "record_id")
        return t.with_columns(
            ants_excluded=pl.when(made & (row % 10 == 1)).then(False).otherwise("ants_excluded"),
            bagged_h=pl.when(row % 10 != 2).then("bagged_h"),
            nectaries=pl.when(row % 10 != 3).then("nectaries"),
            nectaries_on_plant=pl.when(row % 10 != 4).then("nectaries_on_plant"),
            volume_ul=pl.when(row % 10 != 5).then("volume_ul"),
            kind=pl.when(row % 10 != 6).then("kind"),
        )

    found = answer("rewards", with_tables(nectar=spoil), ASK)
    wanted = {
        history.DRUNK, history.NO_HOURS, history.NO_NECTARIES, numbers.NOT_SCALED, history.NO_VOLUME, history.NO_KIND,
        history.NO_BRIX, history.NO_MASS,
    }  # fmt: skip
    assert wanted <= set(found.rows.left_out)
    used = {i for ids in found.rows.used.values() for i in ids}
    assert not used & {i for ids in found.rows.left_out.values() for i in ids}


def test_small_volumes_short_and_long_bags_are_noticed() -> None:
    """Below half a microlitre undiluted; bags of 12 and of 72 hours."""
    small = pl.when(pl.int_range(pl.len()) % 2 == 0).then(0.2).otherwise("volume_ul")
    hours = pl.when(pl.col("kind") == "production").then(72.0)
    data = with_tables(nectar=lambda t: t.with_columns(volume_ul=small, dilution=pl.lit(1.0), bagged_h=hours))
    assert {"small_volumes", "long_bags"} <= codes(answer("rewards", data, ASK))
    assert "short_bags" in codes(answer("rewards", study(), ASK))


def test_every_month_counts_alike() -> None:
    """A month measured ten times as often has no more weight."""
    one = by_key(answer("rewards", study(), ASK))["energy_per_plant_day", "nectar"]
    june = pl.col("when_earliest").dt.month() == 6

    def often(t: pl.DataFrame) -> pl.DataFrame:
        more = pl.concat([t.filter(june)] * 9)
        ids = pl.Series([b"%016d" % i for i in range(more.height)], dtype=pl.Binary)
        return pl.concat([t, more.with_columns(record_id=ids, subject_id=ids)])

    again = by_key(answer("rewards", with_tables(nectar=often), ASK))["energy_per_plant_day", "nectar"]
    assert again.estimate == pytest.approx(one.estimate, rel=1e-9)


def test_food_bodies_without_their_energy_are_given_as_mass() -> None:
    """No quantity, no joules: the doubt says what is missing; in an unknown unit it is left out with the reason."""
    bare = answer("rewards", with_tables(quantity=none), ASK)
    assert not any(e.where == "food bodies" and e.unit == "J/d" for e in bare.effects)
    assert ("dry_mass_per_plant_day", "food bodies") in by_key(bare)
    assert {"no_food_energy", "leaf_not_known"} <= codes(bare)
    strange = answer("rewards", with_tables(quantity=lambda t: t.with_columns(unit=pl.lit("cal"))), ASK)
    assert "quantity in a unit that is not known here" in strange.rows.left_out
    grams = with_tables(quantity=lambda t: t.with_columns(unit=pl.col("unit").replace({"J/mg": "kJ/g"})))
    assert answer("rewards", grams, ASK).effects == answer("rewards", study(), ASK).effects


def test_a_single_value_has_no_known_error_and_says_so() -> None:
    """One measurement of the energy of food bodies: narrower than with its error, and doubted."""
    first = with_tables(quantity=lambda t: t.sort("row").unique("name", keep="first", maintain_order=True))
    assert "single_value" in codes(answer("rewards", first, ASK))


def test_errors_of_quantities_widen_the_interval() -> None:
    """Food bodies of very unequal energy give a wider interval than of equal energy."""

    def spread(factor: float) -> Effect:
        mean = pl.col("number").mean().over("name")
        data = with_tables(quantity=lambda t: t.with_columns(number=mean + factor * (pl.col("number") - mean)))
        return by_key(answer("rewards", data, ASK))["energy_per_plant_day", "food bodies"]

    narrow, wide = spread(0.0), spread(6.0)
    assert wide.estimate == pytest.approx(narrow.estimate)
    assert wide.high - wide.low > 1.5 * (narrow.high - narrow.low)


def test_harm_and_no_effect_of_ants_on_leaf_come_out_as_such() -> None:
    """Where ants do nothing no leaf saved is shown; where they harm, leaf is lost through them."""
    flat = answer("rewards", study(0.0), ASK)
    assert by_key(flat)["leaf_energy_saved", "leaf"].low < 0 < by_key(flat)["leaf_energy_saved", "leaf"].high
    assert "that ants save leaf was not shown" in flat.sentence
    assert by_key(answer("rewards", study(-1.0), ASK))["leaf_energy_saved", "leaf"].high < 0
    assert not any(e.name == "saved_to_given_ratio" for e in flat.effects)


def test_domatia_near_the_tip_alone_are_doubted() -> None:
    """Ranks up to three, and no ranks."""
    tip = with_tables(dissection=lambda t: t.filter(pl.col("rank") <= 3))
    assert "near_tip" in codes(answer("rewards", tip, ASK))
    bare = with_tables(dissection=lambda t: t.with_columns(rank=pl.lit(None, pl.Int64)))
    assert "no_rank" in codes(answer("rewards", bare, ASK))


def test_plants_opened_whole_correct_the_workers_of_a_plant() -> None:
    """A slope of 0.8 from whole plants lowers the workers by a fifth, and its error widens their interval."""

    def slope(*values: float) -> Effect:
        ids = pl.Series([b"slope %010d" % i for i in range(len(values))], dtype=pl.Binary)
        more = pl.DataFrame({"record_id": ids, "subject_id": ids, "name": ["worker slope"] * len(values)})
        more = as_table("quantity", more.with_columns(number=pl.Series(values), unit=pl.lit("1")))
        data = with_tables(quantity=lambda t: pl.concat([t, more]))
        return by_key(answer("rewards", data, ASK))["workers_per_plant", "plants with patrolling ants"]

    without = by_key(answer("rewards", study(), ASK))["workers_per_plant", "plants with patrolling ants"]
    sure, unsure = slope(0.8, 0.8, 0.8), slope(0.4, 0.8, 1.2)
    assert sure.estimate == pytest.approx(0.8 * without.estimate)
    assert unsure.high - unsure.low > sure.high - sure.low


def test_opened_vacant_plants_do_not_change_the_workers() -> None:
    """Domatia without workers, of plants on which the last look found no ants, are left out with the reason."""
    every = answer("rewards", study(), ASK)
    left = set(every.rows.left_out[history.OPENED_VACANT])
    assert 20 < len(left) < study().table("dissection").height / 2
    opened = study().table("dissection").filter(pl.col("record_id").is_in(left))
    assert int(opened["workers"].sum()) < 0.02 * int(study().table("dissection")["workers"].sum())
    bare = answer("rewards", with_tables(dissection=lambda t: t.filter(~pl.col("record_id").is_in(left))), ASK)
    assert bare.effects == every.effects
    unseen = answer("rewards", with_tables(occupancy=none), ASK)
    assert len(unseen.rows.left_out[history.OPENED_UNSEEN]) == study().table("dissection").height
    assert not any(e.name.startswith("workers") for e in unseen.effects)


def test_a_plant_counts_once_however_many_domatia_were_opened() -> None:
    """The mean of a plant's domatia, then over plants: twice the records of one plant change nothing."""
    one = by_key(answer("rewards", study(), ASK))["workers_per_domatium", "plants with patrolling ants"]
    opened = history.dissections_of(study()).rows
    by_hand = opened.group_by("plant").agg(pl.col("workers").mean())["workers"].to_list()
    assert one.estimate == pytest.approx(float(np.mean(by_hand)))
    most = opened.group_by("plant").agg(pl.col("workers").sum()).sort("workers", "plant")["plant"][-1]

    def twice(t: pl.DataFrame) -> pl.DataFrame:
        more = t.filter(pl.col("plant") == most)
        ids = pl.Series([b"%016d" % i for i in range(more.height)], dtype=pl.Binary)
        return pl.concat([t, more.with_columns(record_id=ids, subject_id=ids)])

    again = by_key(answer("rewards", with_tables(dissection=twice), ASK))
    found = again["workers_per_domatium", "plants with patrolling ants"]
    assert (found.estimate, found.low, found.high) == pytest.approx((one.estimate, one.low, one.high))


def test_domatia_opened_after_a_removal_are_left_out() -> None:
    """Ants taken off between the look and the opening: nothing is known of who was there."""
    opened = history.dissections_of(study()).rows
    plant = opened["plant"][0]
    act = pl.DataFrame({"record_id": [b"act %012d" % 1], "subject_id": [b"act %012d" % 1], "plant": [plant]})
    later = study().table("dissection").filter(pl.col("plant") == plant)["when_earliest"][0]
    act = as_table("intervention", act.with_columns(kind=pl.lit("mechanical removal"), when_earliest=pl.lit(later),
                                                    when_latest=pl.lit(later)))  # fmt: skip
    week = pl.duration(days=pl.when(pl.col("plant") == plant).then(7).otherwise(0))
    moved = {"when_earliest": pl.col("when_earliest") + week, "when_latest": pl.col("when_latest") + week}
    data = with_tables(intervention=lambda t: pl.concat([t, act]), dissection=lambda t: t.with_columns(**moved))
    left = history.dissections_of(data).left_out[history.OPENED_TREATED]
    assert len(left) == opened.filter(pl.col("plant") == plant).height


def test_the_order_of_rows_is_no_matter() -> None:
    """Shuffled records give the same numbers."""
    rng = np.random.default_rng(1)

    def mix(t: pl.DataFrame) -> pl.DataFrame:
        return t.select(pl.all().gather(rng.permutation(t.height).tolist()))

    kinds = ("nectar", "food_bodies", "dissection", "quantity", "visit", "leaf", "plant")
    one, other = (by_key(answer("rewards", d, ASK)) for d in (study(), with_tables(**dict.fromkeys(kinds, mix))))
    assert one.keys() == other.keys()
    assert [e.estimate for e in other.values()] == pytest.approx([e.estimate for e in one.values()], rel=1e-9)


@pytest.mark.parametrize("kept", [0, 1, 3])
def test_few_records_are_an_answer_of_their_own(kept: int) -> None:
    """None, one, three of each kind: a sentence, never a number or a crash."""

    def head(t: pl.DataFrame) -> pl.DataFrame:
        return t.head(kept)

    found = answer("rewards", with_tables(nectar=head, food_bodies=head, dissection=head))
    assert not found.answered
    assert found.sentence.startswith("Too little to answer")


def test_one_block_noughts_and_no_season() -> None:
    """One block: intervals by plant, and said. No nectar anywhere: nought, no ratio. No dry months: no seasons."""
    block = study().table("assignment")["block"][0]
    own = pl.col("plant").is_in(study().table("assignment").filter(pl.col("block") == block)["plant"].implode())
    kinds = ("nectar", "food_bodies", "dissection", "visit", "leaf")
    one = answer("rewards", with_tables(**dict.fromkeys(kinds, lambda t: _only(t, own))), ASK)
    assert one.answered
    assert any("fewer than three blocks" in d.text for d in one.doubts)
    dry = answer("rewards", with_tables(nectar=lambda t: t.with_columns(volume_ul=pl.lit(0.0))), ASK)
    assert by_key(dry)["energy_per_plant_day", "nectar"].estimate == 0.0
    assert ("season_ratio", "nectar") not in by_key(dry)
    always = replace(study(), profile=replace(study().profile, dry_months=()))
    assert "no_dry_months" in codes(answer("rewards", always, ASK))


def _only(t: pl.DataFrame, own: pl.Expr) -> pl.DataFrame:
    return t.filter(own)


def test_options_without_effect_are_said() -> None:
    """--by has no effect here."""
    assert "not_used" in codes(answer("rewards", study(), replace(ASK, by="habitat")))


def test_the_recorded_truth_is_found_again() -> None:
    """Seeded recovery: most intervals of one study of the demo's size hold what is true of it."""
    data = observe(DEFAULT, 12, questions=("rewards",))
    true = {(v.name, v.where): v.value for v in truth(DEFAULT, 1)}
    effects = answer("rewards", data, ASK).effects
    assert {(e.name, e.where) for e in effects} == set(true)
    assert sum(e.low <= true[e.name, e.where] <= e.high for e in effects) >= 13


@pytest.mark.slow
def test_a_hundred_thousand_records_are_answered() -> None:
    """Many measures: an answer all the same."""
    table = study().table("nectar")
    many = pl.concat([table] * (100_000 // table.height + 1))
    ids = pl.Series([i.to_bytes(16, "big") for i in range(many.height)], dtype=pl.Binary)
    assert answer("rewards", with_tables(nectar=lambda _: many.with_columns(record_id=ids, subject_id=ids))).answered
