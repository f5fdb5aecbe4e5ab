"""Ants and light: methods of openness, removals, the light of the look, and what comes out on invented studies."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl
import pytest

from domatia.histories.in_light import NO_LIGHT, NOT_LOOKED, in_light
from domatia.histories.openness import openness
from domatia.lifecycle import DEFAULT, observe
from domatia.lifecycle.layers.light import LIGHT
from domatia.lifecycle.spec import Spec
from domatia.model import Answer, Ask, StudyData, as_table
from domatia.questions import answer, light_tables

SPEC = DEFAULT.sized(12, 60)
FLAT = replace(SPEC, ants=tuple(replace(a, founding_light=0.0) for a in SPEC.ants))


@cache
def study(spec: Spec = SPEC) -> StudyData:
    """Give an invented study."""
    return observe(spec, 4, questions=("light",))


@cache
def told(spec: Spec = SPEC) -> Answer:
    """Answer it."""
    return answer("light", study(spec))


def changed(kind: str, change: Callable[[pl.DataFrame], pl.DataFrame], data: StudyData | None = None) -> StudyData:
    """Give the study with one table changed."""
    data = study() if data is None else data
    return replace(data, tables={**data.tables, kind: as_table(kind, change(data.table(kind)))})


def test_who_lives_in_the_light() -> None:
    """The ant of the open and the ant of the shade come out, as do tables, figure and doubts."""
    found = told()
    by = {(e.name, e.of): e for e in found.effects if not e.against}
    assert by["share_difference", "Rust-gaster ant"].low > 0
    assert by["share_difference", "Velvet-eyed ant"].high < 0
    assert by["light_mean", "Rust-gaster ant"].low > by["light_mean", "Velvet-eyed ant"].high
    assert found.effects[0].main
    assert {"response", "overlap_and_chance", "by_openness", "by_year", "methods", "curve"} == set(found.tables)
    assert found.chart is not None
    assert {"not_drawn", "calibrated", "few_blocks"} <= {d.code for d in found.doubts}
    assert "more of the plants at 50 % canopy openness than at 10 %" in found.sentence
    response = found.tables["response"]
    assert response.filter(pl.col("occupant") == "Rust-gaster ant")["optimum_reached"][0].startswith("no: ")
    assert len(found.rows.used["plant"]) == found.rows.plants == 720


def test_no_response_to_light_comes_out_as_such() -> None:
    """Where no ant minds the light, nothing is shown and permuting within blocks gives as much."""
    found = told(FLAT)
    shown = [e for e in found.effects if e.name == "share_difference"]
    assert sum(e.low > 0 or e.high < 0 for e in shown) <= 1
    assert "No difference between light and shade was shown for" in found.sentence
    assert "No difference from chance within blocks was shown" in found.sentence
    row = found.tables["overlap_and_chance"].row(-1, named=True)
    assert f"overlap {row['overlap']:.3g} against {row['by_chance']:.3g} expected; two-sided p" in found.sentence


def test_later_years_have_shares_with_intervals() -> None:
    """Shares of a year and third of openness add to at most 1, each within its interval where blocks tell one."""
    table = told().tables["by_year"]
    assert table.group_by("year", "light").agg(pl.col("share").sum()).filter(pl.col("share") > 1 + 1e-9).is_empty()
    some = table.filter(pl.col("low").is_not_null())
    assert some.height > table.height / 2
    assert (some["low"] < some["share"]).all()
    assert (some["share"] < some["high"]).all()
    loose = changed("plant", lambda t: t.with_columns(place=pl.lit(None, pl.Binary)))
    loose = changed("assignment", lambda t: t.head(0), loose)
    assert answer("light", loose).tables["by_year"]["low"].null_count() == table.height


def test_order_of_rows_does_not_matter() -> None:
    """Turned tables give the same numbers to the last bit."""
    turned = replace(study(), tables={k: t.reverse() for k, t in study().tables.items()})
    one, two = told(), answer("light", turned)
    assert one.effects == two.effects
    assert one.sentence == two.sentence
    for name, table in one.tables.items():
        assert table.equals(two.tables[name], null_equal=True), name


def test_looks_after_a_removal_tell_nothing() -> None:
    """Of removal plants only looks up to the day of the treatment count, the one on that day among them."""
    data = study()
    removal = data.table("treatment").filter(pl.col("role") == "removal")["subject_id"][0]
    given = data.table("assignment").filter(pl.col("treatment") == removal).select("plant", "start_earliest")
    rows = in_light(data).looks.join(given, on="plant")
    days = rows.select(late=pl.col("t") - pl.col("start_earliest").cast(pl.Int32).cast(pl.Float64))["late"]
    assert rows.height >= 200
    assert float(days.to_numpy().max()) <= 0
    later = changed(
        "visit",
        lambda t: t.filter(
            pl.col("when_earliest") > pl.lit(t["when_earliest"].min()).cast(pl.Date) + pl.duration(days=60)
        ),
    )
    assert len(in_light(later).left_out[NOT_LOOKED]) >= 200


def test_openness_of_another_day() -> None:
    """A look without openness takes the nearest within half a year, else its plant is left out and named."""
    first = pl.col("when_earliest") == pl.col("when_earliest").min().over("plant")
    blank = changed("visit", lambda t: t.with_columns(
        openness_pct=pl.when(first).then(None).otherwise("openness_pct")))  # fmt: skip
    seen = in_light(blank)
    assert float(seen.plants["apart"].to_numpy().min()) == 0.0
    assert float(seen.plants["apart"].to_numpy().max()) > 31
    assert "light_later" in {d.code for d in answer("light", blank).doubts}
    plant = study().table("plant")["subject_id"][0]
    without = changed("visit", lambda t: t.with_columns(
        openness_pct=pl.when(pl.col("plant") == plant).then(None).otherwise("openness_pct")))  # fmt: skip
    assert len(in_light(without).left_out[NO_LIGHT]) == 1


def test_methods_are_not_mixed_without_a_calibration() -> None:
    """Photographs with few plants measured by both are left out and said so; with enough a line turns them."""
    line = openness(study()).calibrations[0]
    assert line.method == "photograph"
    assert line.slope == pytest.approx(1 / 0.78, abs=0.15)
    assert line.intercept == pytest.approx(-2.5 / 0.78, abs=3)
    photographed = pl.col("openness_method") == "photograph"
    few = changed("visit", lambda t: pl.concat([t.filter(~photographed.fill_null(False)),
                                                t.filter(photographed).head(5)]))  # fmt: skip
    found = openness(few)
    assert (found.method, found.refused) == ("densiometer", ("photograph",))
    assert [len(v) for k, v in found.left_out.items() if "without a calibration" in k] == [5]
    assert "fewer than 10 plants were measured by both" in answer("light", few).sentence
    half = changed("visit", lambda t: t.with_columns(
        openness_method=pl.when(pl.col("plant").bin.encode("hex").str.ends_with("0")).then(pl.lit(" Photograph"))
        .otherwise("openness_method")))  # fmt: skip
    assert set(openness(half).readings) == {"densiometer", "photograph"}


def test_calibrated_readings_stay_in_their_range() -> None:
    """A reading outside the range over which the line was made is left out; one inside becomes the other method's."""
    line = openness(study()).calibrations[0]
    plant = study().table("plant")["subject_id"][0]
    photographed = (pl.col("openness_method") == "photograph").fill_null(False)
    value = (line.low + line.high) / 2

    def only_photographs(table: pl.DataFrame) -> pl.DataFrame:
        own = pl.col("plant") == plant
        rows = table.with_columns(
            pl.when(own & ~photographed).then(None).otherwise("openness_pct").alias("openness_pct")
        )
        two = table.filter(own & ~photographed).sort("when_earliest").head(2)
        two = two.with_columns(
            openness_pct=pl.Series([value, 99.0]), openness_method=pl.lit("photograph"),
            record_id=pl.Series([b"1" * 16, b"2" * 16]), subject_id=pl.Series([b"3" * 16, b"4" * 16]),
        )  # fmt: skip
        return pl.concat([rows.filter(~(own & photographed)), two])

    found = openness(changed("visit", only_photographs))
    own = found.table.filter(pl.col("plant") == plant)["openness"].to_list()
    again = found.calibrations[0]
    assert own == pytest.approx([again.intercept + again.slope * value])
    assert found.left_out["openness by photograph, outside the range of its calibration"] == [b"2" * 16]


def test_rare_ants_are_lumped_or_left_out() -> None:
    """Ants on fewer than ten plants have no curve; two of them together may."""
    taxa = study().table("taxon")
    extra = pl.concat([taxa, *(taxa.head(1).with_columns(
        subject_id=pl.lit(bytes([i]) * 16), record_id=pl.lit(bytes([i]) * 16), name=pl.lit(f"Rare ant {i}"))
        for i in (1, 2))])  # fmt: skip
    first = study().table("occupancy")
    plants = in_light(study()).plants
    held = plants.filter(pl.col("state") == "Rust-gaster ant").select("record_id").head(16)
    visits = study().table("visit").join(held, on="record_id", how="semi")["subject_id"].sort().to_list()
    for number, expected in ((16, ("Rare ant 1", "Rare ant 2")), (6, ())):
        names = {v: bytes([1 + (i % 2)]) * 16 for i, v in enumerate(visits[:number])}
        rows = first.with_columns(
            taxon=pl.col("visit").replace_strict(names, default=pl.col("taxon"), return_dtype=pl.Binary)
        )
        named = changed("taxon", lambda _: extra)
        data = replace(named, tables={**named.tables, "occupancy": as_table("occupancy", rows)})
        found = answer("light", data)
        assert found.answered
        assert any("taken together: Rare ant 1, Rare ant 2" in d.text for d in found.doubts) == bool(expected)
        assert any("fewer than 10" in reason for reason in found.rows.left_out) == (not expected)


def test_no_blocks_and_nobody_vacant() -> None:
    """Without blocks each plant is a cluster and a doubt says so; without vacant plants odds are against an ant."""
    loose = changed("plant", lambda t: t.with_columns(place=pl.lit(None, pl.Binary)),
                    changed("assignment", lambda t: t.with_columns(block=pl.lit(None, pl.Binary))))  # fmt: skip
    found = answer("light", loose, Ask(only_effects=True))
    assert found.answered
    assert "no_blocks" in {d.code for d in found.doubts}
    assert not [e for e in found.effects if e.name == "odds_ratio_of_light"]
    full = changed("occupancy", lambda t: t.filter(pl.col("taxon").is_not_null()))
    found = answer("light", full, Ask(only_effects=True))
    assert "none_vacant" in {d.code for d in found.doubts}
    assert {e.against for e in found.effects if e.name == "odds_ratio_of_light"} == {"Rust-gaster ant"}


def test_what_cannot_be_used_is_said() -> None:
    """A field to compare by changes nothing here, and a doubt says so."""
    found = answer("light", study(), Ask(by="habitat", only_effects=True))
    assert "not_used" in {d.code for d in found.doubts}
    assert found.effects == told().effects


def test_truth_of_the_layer_is_what_very_many_plants_show() -> None:
    """Shares at the first visit, counted by light on 20,000 simulated plants, are those of the closed form."""
    from domatia.lifecycle.stand import make_stand

    stand = make_stand(DEFAULT.sized(240, 84), 5, 9)
    ants = len(DEFAULT.ants)
    ant = np.where(stand.occupant > ants, stand.occupant - ants, stand.occupant)
    dark, bright = (np.abs(100 * stand.light - at) < 4 for at in (20, 50))
    true = {v.of: v.value for v in LIGHT.truth(DEFAULT, 1) if v.where == "at 50 % against 20 % openness"}
    for k, name in enumerate(["vacant", *(a.name for a in DEFAULT.ants)]):
        assert true[name] == pytest.approx((ant[bright] == k).mean() - (ant[dark] == k).mean(), abs=0.03)


def test_classes_with_few_plants_join_their_neighbour() -> None:
    """No class of openness holds fewer plants than make a share."""
    table = told().tables["by_openness"]
    assert table["plants"].to_numpy().min() >= light_tables.LEAST_IN_CLASS
    assert table["plants"].sum() == 720
