"""Flowers, fruits and seeds: what counts as nought, what is missing, and what comes out on invented studies."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from functools import cache

import numpy as np
import polars as pl
import pytest

from domatia.histories.fruiting import plant_years
from domatia.lifecycle import DEFAULT, observe
from domatia.model import Answer, Ask, StudyData, as_table, read_profile
from domatia.questions import answer

PLANTS = [bytes([65 + i]) * 16 for i in range(6)]


def _id(n: int) -> bytes:
    return n.to_bytes(16, "big")


def small(counts: Sequence[tuple[int, date, int | None]], visits: Sequence[tuple[int, date, str]]) -> StudyData:
    """Give a study of six plants in two blocks with these fruit counts and visits."""
    ids = iter(range(1000, 9999))

    def table(kind: str, rows: list[dict[str, object]]) -> pl.DataFrame:
        for r in rows:
            r.setdefault("record_id", _id(next(ids)))
            r.setdefault("subject_id", _id(next(ids)))
        return as_table(kind, pl.DataFrame(rows, infer_schema_length=None))

    tables = {
        "plant": table("plant", [{"subject_id": p, "record_id": p} for p in PLANTS]),
        "reproduction": table(
            "reproduction",
            [{"plant": PLANTS[p], "when_earliest": d, "when_latest": d, "fruits": n} for p, d, n in counts],
        ),
        "visit": table(
            "visit", [{"plant": PLANTS[p], "when_earliest": d, "when_latest": d, "status": s} for p, d, s in visits]
        ),
    }
    return StudyData(b"s" * 16, "small", read_profile('name = "any"\nplant = "tree"', "any"), tables)


def members(start: float | None = None) -> pl.DataFrame:
    """Give the six plants, three a block."""
    return pl.DataFrame(
        {"plant": PLANTS, "cluster": [0, 0, 0, 1, 1, 1], "start": [start] * 6},
        schema={"plant": pl.Binary, "cluster": pl.Int64, "start": pl.Float64},
    )


def test_a_plant_without_a_count_is_dead_not_counted_or_unknown_never_nought() -> None:
    """In one counted block-year: counted, found dead by then, seen alive later, and neither known."""
    day = date(2022, 6, 1)
    data = small(
        [(0, day, 4)],
        [(1, date(2022, 1, 1), "alive"), (1, date(2022, 5, 1), "dead confirmed"), (2, date(2022, 1, 1), "alive"),
         (2, date(2022, 9, 1), "alive"), (0, day, "alive")],
    )  # fmt: skip
    found = plant_years(data, members())
    assert found.rows["state"].to_list() == ["counted", "dead", "not counted"]
    assert found.rows["fruits"].to_list() == [4, None, None]
    assert found.uncounted == 1
    unknown = plant_years(small([(0, day, 4)], [(1, date(2022, 1, 1), "alive")]), members())
    assert unknown.rows["state"].to_list() == ["counted", "unknown", "unknown"]


def test_the_largest_of_several_counts_stands_for_the_year() -> None:
    """Two counts in one year, one in the next; a count from before the treatment is left out."""
    counts = [(date(2022, 5, 1), 3), (date(2022, 7, 1), 9), (date(2023, 6, 1), 1), (date(2020, 1, 1), 7)]
    data = small([(0, d, n) for d, n in counts], [])
    found = plant_years(data, members(start=18_600.0))
    own = found.rows.filter(pl.col("plant") == PLANTS[0])
    assert list(own.select("year", "fruits").iter_rows()) == [(2022, 9), (2023, 1)]
    assert {reason: len(ids) for reason, ids in found.left_out.items()} == {"count from before the treatment began": 1}
    assert len(found.used["reproduction"]) == 3


@cache
def told(help_: float = 1.0) -> Answer:
    """Answer one invented study."""
    spec = replace(DEFAULT.sized(16, 60), help=help_)
    return answer("reproduction", observe(spec, 5, questions=("reproduction",)))


def test_removal_costs_fruit_where_ants_help() -> None:
    """Main effect, the versions beside it, the model, tables and figure."""
    found = told()
    main = found.effects[0]
    assert (main.name, main.of, main.against) == ("seeds_ratio", "removal", "sham")
    assert main.where == "per plant, the dead as none"
    assert main.high < 1
    names = {e.name for e in found.effects}
    assert {"flowers_ratio", "fruits_ratio", "flowering_difference", "seeds_odds_ratio", "seeds_number_ratio"} <= names
    assert {"curve", "by_year", "plant_years", "by_occupant", "spread"} <= set(found.tables)
    assert found.chart is not None
    assert "the dead counted as making none" in found.sentence
    assert {"not_counted", "lost_buds", "survivors", "as_occupied"} <= {d.code for d in found.doubts}


def test_no_effect_and_harm_come_out_as_such() -> None:
    """Where ants do nothing no difference is shown; where they harm, plants without them bear more."""
    assert told(0.0).effects[0].low < 1 < told(0.0).effects[0].high
    assert "no difference was shown" in told(0.0).sentence.lower()
    assert told(-1.5).effects[0].low > 1


def test_the_order_of_rows_is_no_matter() -> None:
    """The same records in another order give the same numbers."""
    data = observe(DEFAULT.sized(8, 30), 5, questions=("reproduction",))
    rng = np.random.default_rng(1)
    mixed = {k: t[rng.permutation(t.height)] for k, t in data.tables.items()}
    one, other = (answer("reproduction", d, Ask(draws=2)) for d in (data, replace(data, tables=mixed)))
    assert [e.estimate for e in one.effects] == pytest.approx([e.estimate for e in other.effects], rel=1e-9)
    assert len(one.effects) == len(other.effects) > 10


@pytest.mark.parametrize("kept", [0, 1, 3])
def test_few_counts_are_an_answer_of_their_own(kept: int) -> None:
    """None, one, three counts: a sentence, never a number or a crash."""
    data = observe(DEFAULT.sized(4, 12), 5, questions=("reproduction",))
    few = replace(data, tables={**data.tables, "reproduction": data.table("reproduction").head(kept)})
    found = answer("reproduction", few)
    assert not found.answered
    assert found.sentence.startswith("Too little to answer")


def test_all_nought_is_an_answer_of_its_own() -> None:
    """Where nothing ever flowered there is nothing to compare."""
    data = observe(DEFAULT.sized(6, 30), 5, questions=("reproduction",))
    nothing = data.table("reproduction").with_columns(flowers=pl.lit(0), fruits=pl.lit(0), seeds=pl.lit(0))
    found = answer(
        "reproduction", replace(data, tables={**data.tables, "reproduction": as_table("reproduction", nothing)})
    )
    assert not found.answered
    assert "0 things counted" in found.sentence


def test_a_group_without_any_fruit_gives_no_ratio_but_the_share_that_flowers() -> None:
    """Removal plants that never bear: no ratio can be given, the difference of flowering can."""
    data = observe(DEFAULT.sized(8, 30), 5, questions=("reproduction",))
    removal = data.table("treatment").filter(pl.col("role") == "removal")["subject_id"][0]
    bare = data.table("assignment").filter(pl.col("treatment") == removal)["plant"]
    none = pl.col("plant").is_in(bare.implode())
    counts = data.table("reproduction").with_columns(
        pl.when(none).then(0).otherwise(c).alias(c) for c in ("flowers", "fruits", "seeds")
    )
    tables = {**data.tables, "reproduction": as_table("reproduction", counts)}
    found = answer("reproduction", replace(data, tables=tables), Ask(only_effects=True))
    assert {e.name for e in found.effects if e.of == "removal"} == {"flowering_difference"}
    assert all(np.isfinite([e.estimate, e.low, e.high]).all() for e in found.effects)


def test_a_blank_is_no_nought() -> None:
    """Of a plant whose flowers were not counted and whose fruits are nought nobody knows whether it flowered."""
    data = observe(DEFAULT.sized(8, 30), 5, questions=("reproduction",))
    counts = data.table("reproduction")
    blank = pl.int_range(pl.len()) % 2 == 0
    half = counts.with_columns(flowers=pl.when(~blank).then("flowers"), seeds=pl.lit(None, pl.Int64))
    found = answer(
        "reproduction", replace(data, tables={**data.tables, "reproduction": as_table("reproduction", half)})
    )
    table = found.tables["by_year"]
    seen = half.filter((pl.col("flowers").is_not_null()) | (pl.col("fruits") > 0))
    known = seen.select(((pl.col("flowers") > 0) | (pl.col("fruits") > 0)).fill_null(False).mean())[0, 0]
    share, plants = table["flowering"].to_numpy(), table["plants"].to_numpy()
    assert float(share @ plants) / float(plants.sum()) == pytest.approx(float(known), abs=0.05)


def test_years_count_alike_for_living_plants() -> None:
    """The ratio of living plants is that of the plain averages of the years' means, however many live in each."""
    found = told()
    table = found.tables["by_year"]
    mean = {
        g: float(np.mean(table.filter(pl.col("group") == g)["seeds_per_plant"].to_numpy())) for g in ("removal", "sham")
    }
    ratio = next(e for e in found.effects if e.name == "seeds_ratio" and e.where == "living plants")
    assert (ratio.of, ratio.against) == ("removal", "sham")
    assert ratio.estimate == pytest.approx(mean["removal"] / mean["sham"], rel=1e-9)
