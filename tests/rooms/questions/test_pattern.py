"""How colonies lie: windows, plants that cannot be placed, one spot, one colony, light that looks like company."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cache

import numpy as np
import polars as pl
import pytest

from domatia.histories.positions import (
    DEAD_BY_THEN,
    NEVER_LOOKED,
    NO_PLACE,
    NOT_MAPPED,
    OTHER_SYSTEM,
    SAME_COLONY,
    SAME_SPOT,
    TOO_LONG_AGO,
    positions,
)
from domatia.lifecycle import DEFAULT, observe
from domatia.model import Answer, Ask, Effect, StudyData, as_table, read_profile
from domatia.questions import answer
from domatia.questions.pattern_material import FOUNDED, NO_COLONY, NO_NAME, OUTSIDE

SIDE = 40.0
SQUARE = [[0.0, 0.0], [SIDE, 0.0], [SIDE, SIDE], [0.0, SIDE], [0.0, 0.0]]
DAY = date(2024, 5, 1)


def number(kind: str, k: int) -> bytes:
    """Give an id."""
    return kind[:6].encode().ljust(8, b"_") + k.to_bytes(8, "big")


@dataclass
class Stand:
    """Plants on plots, each looked at once unless told otherwise."""

    xy: np.ndarray
    ant: Sequence[str]
    plot: Sequence[int]
    outline: str | None = json.dumps({"type": "Polygon", "coordinates": [SQUARE]})
    openness: np.ndarray | None = None
    stage: str | Sequence[str] = "patrolling"
    plant: dict[str, Sequence[object]] = field(default_factory=dict)
    more: dict[str, list[dict[str, object]]] = field(default_factory=dict)
    looked_on: Sequence[date] | None = None

    def data(self) -> StudyData:
        """Give the study."""
        n, names = len(self.xy), sorted(set(self.ant) - {""})
        stages = [self.stage] * n if isinstance(self.stage, str) else list(self.stage)
        days = self.looked_on or [DAY] * n
        plants: list[dict[str, object]] = [
            {"subject_id": number("plant", k), "place": number("place", self.plot[k]), "x_m": float(self.xy[k, 0]),
             "y_m": float(self.xy[k, 1]), **{c: v[k] for c, v in self.plant.items()}}
            for k in range(n)
        ]  # fmt: skip
        visits: list[dict[str, object]] = [
            {"subject_id": number("visit", k), "plant": number("plant", k), "status": "alive", "when_earliest": days[k],
             "when_latest": days[k], "openness_pct": None if self.openness is None else float(self.openness[k])}
            for k in range(n)
        ]  # fmt: skip
        looks: list[dict[str, object]] = [
            {"subject_id": number("look", k), "visit": number("visit", k), "looked": True,
             "taxon": number("taxon", names.index(a)) if a else None, "stage": stages[k] if a else "none"}
            for k, a in enumerate(self.ant)
        ]  # fmt: skip
        places: list[dict[str, object]] = [
            {"subject_id": number("place", p), "name": f"plot {p}", "level": "plot", "outline": self.outline}
            for p in sorted(set(self.plot))
        ]
        taxa: list[dict[str, object]] = [{"subject_id": number("taxon", k), "name": a} for k, a in enumerate(names)]
        rows = {"plant": plants, "visit": visits, "occupancy": looks, "place": places, "taxon": taxa}
        for kind, extra in self.more.items():
            rows[kind] = [*rows.get(kind, []), *extra]
        tables = {
            kind: as_table(kind, pl.DataFrame(each, infer_schema_length=None).with_columns(record_id="subject_id"))
            for kind, each in rows.items()
            if each
        }
        return StudyData(b"p" * 16, "stand", read_profile('name = "any"\nplant = "tree"', "any"), tables)


def scattered(plots: int, per_plot: int, seed: int) -> tuple[np.ndarray, list[int]]:
    """Give plants anywhere on square plots."""
    xy = np.random.default_rng(seed).uniform(0, SIDE, (plots * per_plot, 2)).round(2)
    return xy, [k // per_plot for k in range(plots * per_plot)]


def by_name(found: Answer, name: str, where: str = "", of: str = "") -> Effect:
    """Give the first effect of that name."""
    return next(e for e in found.effects if e.name == name and where in e.where and of in e.of)


@cache
def demo(help_: float = 1.0) -> Answer:
    """Answer the invented study."""
    return answer("pattern", observe(replace(DEFAULT, help=help_), 3, questions=("pattern",)))


def test_the_invented_study_shows_ants_that_take_their_neighbours_plants() -> None:
    """Neighbours have the same ant more often; moment, intervals and distances are told; the figure has two panels."""
    found = demo()
    assert found.answered
    main = found.effects[0]
    assert main.main
    assert main.low > 1
    assert "round 18" in found.sentence
    assert "removal plants had, within 5 m, a colony" in found.sentence
    assert str(found.rows).endswith("colonies on 24 plots")
    seen = found.tables["neighbours"]["seen"].sum()
    assert seen == found.rows.plants == pytest.approx(found.tables["neighbours"]["expected"].sum())
    assert found.chart is not None
    assert {r["panel"] for r in found.chart["data"]["values"]} == {
        "Ants exchanged within plots",
        "Ants exchanged within plots, halves of light and halves of size",
    }
    tests = found.tables["random_labelling_tests"]
    assert set(tests["test"]) == {"extreme rank length", "greatest scaled deviation (MAD)"}
    assert "pointwise" in {d.code for d in found.doubts}
    curve = found.tables["same_ant_curve"]
    assert curve.filter(pl.col("global_low") <= pl.col("pointwise_low")).height > 0.9 * curve.height


def test_ants_anywhere_show_no_pattern() -> None:
    """With ants dealt at random the interval holds 1 and the sentence claims nothing."""
    xy, plot = scattered(10, 40, 7)
    ant = np.random.default_rng(6).choice(["amber", "brown", "cinder"], 400)
    found = answer("pattern", Stand(xy, list(ant), plot).data())
    main = found.effects[0]
    assert main.low < 1 < main.high
    assert "no clumping or avoidance of the same ant was shown" in found.sentence
    near = by_name(found, "l_minus_r", "at 10 m")
    assert near.low < 0 < near.high
    assert found.tables["random_labelling_tests"].filter(pl.col("p") < 0.02).is_empty()


def test_even_scatter_is_told_from_clumps_and_from_a_grid() -> None:
    """Plants anywhere stay inside the global band; clumps of plants leave it above, a grid below."""
    rng = np.random.default_rng(31)
    anywhere = scattered(6, 40, 33)[0]
    clumps = (rng.uniform(4, 36, (48, 1, 2)) + rng.normal(0, 1, (48, 5, 2))).reshape(-1, 2)
    square = np.stack(np.meshgrid(np.arange(3.0, 40.0, 6.0), np.arange(3.0, 40.0, 6.0)), axis=-1).reshape(-1, 2)
    grid = np.tile(square[:40], (6, 1)) + rng.uniform(-0.5, 0.5, (240, 2))
    ants = list(rng.choice(["amber", "brown"], 240))
    tables = [
        answer("pattern", Stand(np.clip(xy, 0, SIDE), ants, [k // 40 for k in range(240)]).data()).tables[
            "even_scatter"
        ]
        for xy in (anywhere, clumps, grid)
    ]
    assert tables[0]["p"][0] > 0.05
    assert tables[1]["p"][0] <= 0.01
    assert tables[2]["p"][0] <= 0.01
    assert tables[1].filter(pl.col("l_minus_r") > pl.col("global_high")).height > 10
    assert tables[2].filter(pl.col("l_minus_r") < pl.col("global_low")).height > 5


def test_ants_that_shun_their_own_come_out_below_one() -> None:
    """A chess board of two ants: the nearest neighbour is always the other one."""
    grid = np.stack(np.meshgrid(np.arange(2.0, 40.0, 4.0), np.arange(2.0, 40.0, 4.0)), axis=-1).reshape(-1, 2)
    jitter = np.random.default_rng(1).uniform(-0.4, 0.4, (6 * len(grid), 2))
    ant = [("amber", "brown")[int((x + y) // 4 % 2)] for x, y in grid] * 6
    found = answer("pattern", Stand(np.tile(grid, (6, 1)) + jitter, ant, [k // 100 for k in range(600)]).data())
    assert found.effects[0].high < 0.5
    assert by_name(found, "l_minus_r", "at 5 m").estimate < 0.0


def test_light_that_sorts_the_ants_is_not_company() -> None:
    """Shade left, sun right, an ant for each: within thirds of light neighbours are nearly as chance has it."""
    xy, plot = scattered(12, 60, 8)
    rng = np.random.default_rng(9)
    light = np.clip(xy[:, 0] / SIDE * 60 + rng.normal(0, 1, len(xy)), 0, 100).round(1)
    ant = np.where(rng.random(len(xy)) < 1 / (1 + np.exp(-(light - 30) / 3)), "sunny", "shady")
    found = answer("pattern", Stand(xy, list(ant), plot, openness=light).data())
    plain = by_name(found, "same_ant_neighbour_ratio", "within plots", "same ant")
    within = by_name(found, "same_ant_neighbour_ratio", "thirds of light", "same ant")
    assert plain.low > 1.3
    assert within.estimate < 1.12
    blind = answer("pattern", Stand(xy, list(ant), plot).data())
    assert "no_light" in {d.code for d in blind.doubts}


def test_the_order_of_rows_does_not_change_the_answer() -> None:
    """All tables turned upside down give the same numbers."""
    data = observe(DEFAULT.sized(8, 40), 5, questions=("pattern",))
    turned = replace(data, tables={k: t.reverse() for k, t in data.tables.items()})
    one, other = (answer("pattern", d) for d in (data, turned))
    for a, b in zip(one.effects, other.effects, strict=True):
        np.testing.assert_allclose([a.estimate, a.low, a.high], [b.estimate, b.low, b.high], rtol=1e-9)
    assert one.sentence == other.sentence


def test_one_plot_is_cut_into_parts_and_says_so() -> None:
    """Intervals then rest on ninths of the plot; the doubt comes first."""
    xy, _ = scattered(1, 90, 11)
    ant = np.random.default_rng(12).choice(["amber", "brown"], 90)
    found = answer("pattern", Stand(xy, list(ant), [0] * 90).data())
    assert found.answered
    assert all(np.isfinite([e.low, e.high]).all() for e in found.effects)
    assert "There is one plot only" in found.sentence


@pytest.mark.parametrize(
    ("ants", "says"),
    [
        ([], "0 mapped colonies of 0 ants"),
        (["amber"], "1 mapped colonies of 1 ant"),
        (["amber"] * 30, "30 mapped colonies of 1 ant"),
        ([""] * 30, "0 mapped colonies of 0 ants"),
        (["amber", "brown"] * 3, "6 mapped colonies of 2 ants"),
    ],
)
def test_too_little_is_a_sentence(ants: list[str], says: str) -> None:
    """None, one, one ant only, all vacant, too few."""
    xy, plot = scattered(1, len(ants), 13)
    found = answer("pattern", Stand(xy, ants, plot).data())
    assert not found.answered
    assert found.sentence.startswith("Too little to answer")
    assert says in found.sentence
    assert found.doubts == ()


def mixed_stand() -> Stand:
    """Give eight plots of 20 with two ants."""
    xy, plot = scattered(8, 20, 14)
    return Stand(xy, list(np.random.default_rng(15).choice(["amber", "brown"], 160)), plot)


def reasons(data: StudyData) -> dict[str, int]:
    """Count what an answer leaves out."""
    return {k: len(v) for k, v in answer("pattern", data).rows.left_out.items()}


def test_plants_that_cannot_be_placed_are_left_out_with_their_reason() -> None:
    """No coordinates or other ones, no place, outside the outline, dead, not looked at, long ago."""
    stand = mixed_stand()
    data = stand.data()
    plants = data.table("plant")
    at = pl.int_range(pl.len())
    changed = plants.with_columns(
        x_m=pl.when(at < 12).then(None).when(at == 12).then(-50.0).otherwise("x_m"),
        place=pl.when(at == 13).then(None).otherwise("place"),
        longitude=pl.when(at == 0).then(pl.lit(10.0)).otherwise(None),
        latitude=pl.when(at == 0).then(pl.lit(5.0)).otherwise(None),
    )
    visits = data.table("visit").with_columns(
        status=pl.when(at == 14).then(pl.lit("dead confirmed")).otherwise("status"),
        when_earliest=pl.when(at == 15).then(date(2022, 1, 1)).otherwise("when_earliest"),
        when_latest=pl.when(at == 15).then(date(2022, 1, 1)).otherwise("when_latest"),
    )
    looks = data.table("occupancy").with_columns(
        looked=at != 16,
        stage=pl.when(at == 17).then(pl.lit("incipient")).when(at == 18).then(pl.lit("none")).otherwise("stage"),
        taxon=pl.when(at.is_in([18, 19])).then(None).otherwise("taxon"),
    )
    odd = replace(data, tables={**data.tables, "plant": changed, "visit": visits, "occupancy": looks})
    found = answer("pattern", odd)
    assert {k: len(v) for k, v in found.rows.left_out.items()} == {
        NOT_MAPPED: 11, OTHER_SYSTEM: 1, OUTSIDE: 1, NO_PLACE: 1, DEAD_BY_THEN: 1, TOO_LONG_AGO: 1, NEVER_LOOKED: 1,
        FOUNDED: 1, NO_COLONY: 1, NO_NAME: 1,
    }  # fmt: skip
    assert found.rows.plants == 160 - 20
    doubt = next(d for d in found.doubts if d.code == "unmapped")
    assert doubt.severity == "warning"
    assert doubt.text.startswith("Plants that could not be placed in a plot: 13")


def test_resprouts_and_plants_of_one_colony_are_one_point() -> None:
    """A resprout at its parent's foot, two tags on one spot, and three plants of one colony count once each."""
    stand = mixed_stand()
    stand.xy[1] = stand.xy[0] + [0.2, 0.1]
    stand.xy[3] = stand.xy[2]
    stand.plant["resprout_of"] = [number("plant", 0) if k == 1 else None for k in range(160)]
    stand.more["colony"] = [{"subject_id": number("colony", 0), "name": "C1"}]
    stand.more["colony_plant"] = [
        {"subject_id": number("hold", k), "colony": number("colony", 0), "plant": number("plant", 4 + k)}
        for k in range(3)
    ]
    found = answer("pattern", stand.data())
    left = {k: len(v) for k, v in found.rows.left_out.items()}
    assert left == {SAME_SPOT: 2, SAME_COLONY: 2}
    assert {"same_spot", "same_colony"} <= {d.code for d in found.doubts}


def test_the_occupant_is_that_of_the_last_look_before_the_moment() -> None:
    """A later look, after the round that reached most plots, does not count; the moment is the round's last day."""
    stand = mixed_stand()
    later = date(2024, 6, 10)
    rounds = [("spring", DAY, range(160)), ("late", later, range(10))]
    stand.more["round"] = [{"subject_id": number("round", k), "name": name} for k, (name, _, _) in enumerate(rounds)]
    stand.more["visit"] = [
        {"subject_id": number("late", k), "plant": number("plant", k), "status": "alive", "when_earliest": later,
         "when_latest": later, "round": number("round", 1)} for k in range(10)
    ]  # fmt: skip
    stand.more["occupancy"] = [
        {"subject_id": number("later", k), "visit": number("late", k), "looked": True, "stage": "none"}
        for k in range(10)
    ]
    data = stand.data()
    first = pl.col("subject_id").bin.starts_with(b"visit")
    visits = data.table("visit").with_columns(round=pl.when(first).then(pl.lit(number("round", 0))).otherwise("round"))
    spots = positions(replace(data, tables={**data.tables, "visit": visits}))
    assert spots.round == "spring"
    assert spots.day == (DAY - date(1970, 1, 1)).days
    assert spots.table.filter(pl.col("state") == "vacant").is_empty()


def test_without_a_usable_outline_the_hull_of_the_plants_stands_for_it() -> None:
    """No outline, one that is no polygon, one that crosses itself: neighbours stay the same, a warning is told."""
    whole = answer("pattern", mixed_stand().data())
    crossed = [[0, 0], [40, 40], [40, 0], [0, 40], [0, 0]]
    for outline in (
        None,
        "a square",
        json.dumps({"type": "Point", "coordinates": [1, 2]}),
        json.dumps({"type": "Polygon", "coordinates": [crossed]}),
    ):
        found = answer("pattern", replace_outline(outline))
        assert found.effects[0].estimate == pytest.approx(whole.effects[0].estimate)
        assert "guessed_outline" in {d.code for d in found.doubts}
        assert set(found.tables["plots"]["outline"]) == {"guessed from the plants"}


def replace_outline(outline: str | None) -> StudyData:
    """Give the mixed stand with another outline."""
    return replace(mixed_stand(), outline=outline).data()


def test_a_hole_in_the_outline_takes_its_area_and_its_plants() -> None:
    """A pond of 100 m² in each plot; plants mapped in it lie outside."""
    pond = [[15, 15], [25, 15], [25, 25], [15, 25], [15, 15]]
    data = replace_outline(json.dumps({"type": "Polygon", "coordinates": [SQUARE, pond]}))
    found = answer("pattern", data)
    assert set(found.tables["plots"]["area_m2"]) == {1500.0}
    xy = mixed_stand().xy
    drowned = np.sum(np.all((xy > 16) & (xy < 24), axis=1))
    assert len(found.rows.left_out[OUTSIDE]) >= drowned > 0


def test_longitude_and_latitude_give_the_same_answer_as_metres() -> None:
    """The same plots on the globe: distances agree to a thousandth."""
    stand = mixed_stand()
    flat = answer("pattern", stand.data())
    metre = 180 / (np.pi * 6_371_000)
    ring = [[10 + x * metre / np.cos(np.radians(2.0)), 2 + y * metre] for x, y in SQUARE]
    globe = stand.data()
    plants = globe.table("plant").with_columns(
        longitude=10 + pl.col("x_m") * metre / np.cos(np.radians(2.0)),
        latitude=2 + pl.col("y_m") * metre,
        x_m=pl.lit(None, pl.Float64),
        y_m=pl.lit(None, pl.Float64),
    )
    outline = json.dumps({"type": "MultiPolygon", "coordinates": [[ring]]})
    places = globe.table("place").with_columns(outline=pl.lit(outline))
    found = answer("pattern", replace(globe, tables={**globe.tables, "plant": plants, "place": places}))
    for a, b in zip(flat.effects, found.effects, strict=True):
        assert b.estimate == pytest.approx(a.estimate, rel=2e-3, abs=2e-3)


def test_no_effect_of_ants_on_plants_still_has_a_pattern_of_ants() -> None:
    """Ants that do nothing for plants take each other's plants all the same."""
    assert demo(0.0).answered
    assert demo(0.0).effects[0].estimate > 1


def test_very_many_colonies_are_answered_at_shorter_distances() -> None:
    """20,000 colonies on four plots: the distance shrinks until no more than about a million pairs lie within it."""
    rng = np.random.default_rng(21)
    xy = rng.uniform(0, SIDE, (20_000, 2))
    stand = Stand(xy, list(rng.choice(["amber", "brown"], 20_000)), [k % 4 for k in range(20_000)])
    found = answer("pattern", stand.data(), Ask(only_effects=True))
    assert found.answered
    assert "at 1 m" in {e.where for e in found.effects if e.name == "l_minus_r"}
