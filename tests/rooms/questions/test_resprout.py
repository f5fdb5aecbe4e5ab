"""Cutting: what counts as gone, who came back, and what comes out on invented stumps."""

from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl
import pytest

from domatia.histories.stumps import AWAY, LEFT, NEVER_SEEN, gone_for_good, stumps_of
from domatia.lifecycle import DEFAULT, observe
from domatia.model import Answer, Ask, StudyData, WrongUse, as_table
from domatia.questions import answer

SPEC = DEFAULT.sized(40, 12)


@cache
def study(help_: float = 1.0) -> StudyData:
    """Give an invented study with cut plants."""
    return observe(replace(SPEC, help=help_), 6, questions=("resprout",))


@cache
def told(help_: float = 1.0) -> Answer:
    """Answer it."""
    return answer("resprout", study(help_))


def looks(*rows: tuple[str, int, int]) -> pl.DataFrame:
    """Give looks: plant, days, live."""
    table = pl.DataFrame(rows, schema={"plant": pl.String, "days": pl.Float64, "live": pl.Int64}, orient="row")
    return table.with_columns(number=pl.int_range(1, pl.len() + 1).over("plant"))


def test_gone_means_two_looks_far_enough_apart_and_none_live_between_or_after() -> None:
    """Gone at the first of them; only looks with another one 150 days later are judged, of the living and the dead."""
    found = gone_for_good(
        looks(
            ("a", 90, 1), ("a", 180, 0), ("a", 360, 0),
            ("b", 90, 0), ("b", 180, 1), ("b", 270, 0),
            ("c", 90, 0), ("c", 180, 0),
            ("d", 90, 1), ("d", 180, 1), ("d", 270, 1),
        ),
        150.0,
    )  # fmt: skip
    assert list(found.iter_rows()) == [("a", 2, 1), ("b", 1, 0), ("c", 0, 0), ("d", 1, 0)]


def test_a_known_chance_a_visit_is_found_again() -> None:
    """Stumps that die at each visit with chance 0.2, eight visits 95 days apart: log(0.05) / log(0.8) = 13.4 visits."""
    rng = np.random.default_rng(8)
    dies = rng.geometric(0.2, 20_000)
    rows = pl.DataFrame({"plant": np.repeat(np.arange(20_000), 8), "number": np.tile(np.arange(1, 9), 20_000)})
    rows = rows.with_columns(
        days=pl.col("number") * 95.0, live=(pl.col("number") < pl.Series(np.repeat(dies, 8))).cast(pl.Int64)
    )
    ends = gone_for_good(rows, 180.0)
    chance = float(ends["gone"].to_numpy().sum()) / float(ends["number"].to_numpy().sum())
    assert chance == pytest.approx(0.2, abs=0.004)
    assert ends["number"].max() == 6


def test_crowns_bring_their_ants_back() -> None:
    """More live stumps are held where the crown was left; the chance falls with its distance."""
    by = {(e.name, e.of): e for e in told().effects}
    assert by["reoccupied_difference", LEFT].low > 0
    assert by["resprouting_difference", LEFT].low < 0 < by["resprouting_difference", LEFT].high
    assert by["resprouting_odds_ratio", "10 cm more of the stump"].estimate > 1
    assert 1 < by["reoccupied_halving_distance", LEFT].estimate < 8
    assert by["visits_needed_constant_chance", "all stumps"].low > 5
    assert "were held by ants" in told().sentence
    assert "beyond_the_looks" in {d.code for d in told().doubts}
    assert {"by_group", "by_height", "by_distance", "visits"} <= set(told().tables)
    assert told().chart is not None


def test_where_ants_do_nothing_the_crown_is_no_matter() -> None:
    """Without help a crown brings nobody back."""
    e = next(e for e in told(0.0).effects if e.name == "reoccupied_difference")
    assert e.low <= 0 <= e.high


def test_stumps_that_nobody_saw_again_are_named() -> None:
    """Cut plants without a later look are left out with their reason, and doubted where they are many."""
    stumps = stumps_of(study()).plants["plant"]
    some = stumps.head(80)
    fewer = study().table("visit").filter(~pl.col("plant").is_in(some.implode()))
    data = replace(study(), tables={**study().tables, "visit": fewer})
    found = answer("resprout", data)
    assert len(found.rows.left_out[NEVER_SEEN]) == 80
    assert next(d for d in found.doubts if d.code == "never_seen_again").severity == "warning"


def test_cut_plants_stand_outside_the_experiment() -> None:
    """They bear no treatment, so that survival and growth by treatment do not count them."""
    cut = set(stumps_of(study()).plants["plant"])
    assert not cut & set(study().table("assignment")["plant"])


def test_other_fields_to_compare_by() -> None:
    """By habitat; a field of the plants or a covariate is refused with what is allowed."""
    found = answer("resprout", study(), Ask(by="habitat", only_effects=True))
    assert {e.against for e in found.effects if e.name == "resprouting_difference"} != {AWAY}
    with pytest.raises(WrongUse, match=r"another field.*crown"):
        answer("resprout", study(), Ask(by="height"))
    with pytest.raises(WrongUse, match="not adjusted"):
        answer("resprout", study(), Ask(adjust=("habitat",)))


def test_the_order_of_rows_is_no_matter() -> None:
    """The same records in another order give the same numbers."""
    rng = np.random.default_rng(1)
    mixed = {k: t[rng.permutation(t.height)] for k, t in study().tables.items()}
    other = answer("resprout", replace(study(), tables=mixed))
    assert [e.estimate for e in other.effects] == pytest.approx([e.estimate for e in told().effects], rel=1e-6)


def test_no_cut_plant_lacks_and_one_is_too_little() -> None:
    """Without cuts the answer says what is too little."""
    acts = study().table("intervention")
    for kept in (0, 1):
        few = as_table("intervention", acts.filter(pl.col("kind") == "crown left").head(kept))
        found = answer("resprout", replace(study(), tables={**study().tables, "intervention": few}))
        assert not found.answered
        assert found.sentence.startswith("Too little to answer")
