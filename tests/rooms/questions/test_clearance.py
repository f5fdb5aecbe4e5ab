"""Bare ground and vines: what tells nothing, what is censored, and what comes out on invented studies."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from functools import cache

import numpy as np
import polars as pl
import pytest

from domatia.histories.ground import LAID_BEFORE, NOT_WATCHED, NOTHING_NEAR, ground_looks, vine_contacts
from domatia.lifecycle import DEFAULT, observe
from domatia.model import Answer, Ask, StudyData, as_table, read_profile
from domatia.questions import answer

SPEC = DEFAULT.sized(12, 60)


@cache
def study(help_: float = 1.0) -> StudyData:
    """Give an invented study."""
    return observe(replace(SPEC, help=help_), 4, questions=("clearance",))


@cache
def told(help_: float = 1.0) -> Answer:
    """Answer it."""
    return answer("clearance", study(help_))


def with_table(kind: str, table: pl.DataFrame) -> StudyData:
    """Give the study with another table of one kind."""
    return replace(study(), tables={**study().tables, kind: as_table(kind, table)})


def forms(rows: Sequence[tuple[str, int]]) -> StudyData:
    """Give trees of two forms without places, each looked at once for vines."""
    ids = [i.to_bytes(16, "big") for i in range(1, 3 * len(rows) + 1)]
    n = len(rows)
    plants = [{"record_id": ids[i], "subject_id": ids[i], "species": form} for i, (form, _) in enumerate(rows)]
    day = date(2012, 7, 1)
    visits = [
        {"record_id": ids[n + i], "subject_id": ids[2 * n + i], "plant": ids[i], "when_earliest": day,
         "when_latest": day, "status": "alive", "vines_touching": v}
        for i, (_, v) in enumerate(rows)
    ]  # fmt: skip
    tables = {"plant": as_table("plant", pl.DataFrame(plants)), "visit": as_table("visit", pl.DataFrame(visits))}
    return StudyData(b"v" * 16, "forms", read_profile('name = "any"\nplant = "tree"', "any"), tables)


def test_removal_lets_the_ground_close_where_ants_clear_it() -> None:
    """Radius, vines and cutting all say so; the sentence gives all three with intervals."""
    found = told()
    by = {(e.name, e.of): e for e in found.effects}
    assert by["bare_radius_difference", "removal"].high < 0
    assert by["vine_contact_difference", "removal"].low > 0
    assert by["vine_contact_odds_ratio", "removal"].low > 1
    assert by["vine_cut_hazard_ratio", "removal"].high < 1
    assert by["bare_radius_difference_as_occupied", "held by a defending ant"].low > 0
    assert by["bare_radius_difference", "sham"].low < 0 < by["bare_radius_difference", "sham"].high
    assert "smaller in radius" in found.sentence
    assert "cut" in found.sentence
    assert {"by_group", "by_occupant", "by_months", "laid", "curve"} <= set(found.tables)
    assert found.chart is not None
    assert {"nothing_near", "as_occupied", "still_touching"} <= {d.code for d in found.doubts}


def test_no_effect_and_harm_come_out_as_such() -> None:
    """Where ants do nothing, no difference; where they work the other way, the ground about removal plants is barer."""
    assert told(0.0).effects[0].low < 0 < told(0.0).effects[0].high
    assert "No difference was shown" in told(0.0).sentence
    assert told(-0.3).effects[0].low > 0


def test_a_plant_with_nothing_growing_near_tells_nothing() -> None:
    """Such looks are left out with their reason, whatever radius was written."""
    starts = study().table("plant").select(plant="subject_id", start=pl.lit(None, pl.Float64))
    found = ground_looks(study(), starts)
    near = study().table("visit").filter(pl.col("growth_near"))["record_id"]
    assert found.rows["record_id"].is_in(near.implode()).all()
    assert len(found.left_out[NOTHING_NEAR]) == study().table("visit").filter(~pl.col("growth_near")).height
    blind = with_table("visit", study().table("visit").with_columns(growth_near=pl.lit(None, pl.Boolean)))
    assert "growth_near_blank" in {d.code for d in answer("clearance", blind).doubts}


def test_a_vine_that_still_touches_is_censored_at_the_last_look() -> None:
    """Its hours are those it was watched; a row without hours is no watch."""
    table = study().table("vine_contact")
    members = study().table("plant").select(plant="subject_id", start=pl.lit(None, pl.Float64))
    found, out = vine_contacts(study(), members)
    assert out == {}
    assert found.filter(pl.col("cut") == 0)["hours"].unique().to_list() == [48.0]
    assert found["cut"].sum() == table["cut_h"].count()
    blind = table.with_columns(cut_h=pl.lit(None, pl.Float64), watched_h=pl.lit(None, pl.Float64))
    nothing, out = vine_contacts(with_table("vine_contact", blind), members)
    assert nothing.is_empty()
    assert len(out[NOT_WATCHED]) == table.height


def test_vines_laid_before_the_treatment_are_left_out() -> None:
    """A vine laid in 1990 says nothing of a treatment that began in 2021."""
    old = pl.lit(date(1990, 1, 1))
    early = study().table("vine_contact").with_columns(when_earliest=old, when_latest=old)
    found = answer("clearance", with_table("vine_contact", early), Ask(only_effects=True))
    assert len(found.rows.left_out[LAID_BEFORE]) == early.height
    assert not [e for e in found.effects if e.name == "vine_cut_hazard_ratio"]


def test_two_forms_of_a_tree_cannot_be_laid_to_ants() -> None:
    """Trees in no block: each is a cluster, and the doubt says that form and ants are confounded."""
    rows = [("white", 1)] * 40 + [("white", 0)] * 42 + [("red", 1)] * 7 + [("red", 0)] * 63
    found = answer("clearance", forms(rows), Ask(by="species"))
    odds = next(e for e in found.effects if e.name == "vine_contact_odds_ratio")
    assert odds.estimate == pytest.approx((7 / 63) / (40 / 42), rel=1e-12)
    exact = next(e for e in found.effects if e.name == "vine_contact_exact_odds_ratio")
    # R 4.2.2, fisher.test: conditional 0.118 (0.041 to 0.300)
    assert [round(v, 3) for v in (exact.estimate, exact.low, exact.high)] == [0.118, 0.041, 0.300]
    assert {"confounded", "no_blocks"} <= {d.code for d in found.doubts}
    assert "cannot be laid to the ants" in found.sentence + " ".join(d.text for d in found.doubts)


def test_the_order_of_rows_is_no_matter() -> None:
    """The same records in another order give the same numbers."""
    rng = np.random.default_rng(1)
    mixed = {k: t[rng.permutation(t.height)] for k, t in study().tables.items()}
    other = answer("clearance", replace(study(), tables=mixed), Ask(only_effects=True))
    assert [e.estimate for e in other.effects] == pytest.approx([e.estimate for e in told().effects], rel=1e-9)


@pytest.mark.parametrize("kept", [0, 1, 4])
def test_few_looks_are_an_answer_of_their_own(kept: int) -> None:
    """None, one, four looks: a sentence, never a number or a crash."""
    visits = study().table("visit").filter(pl.col("bare_radius_cm").is_not_null()).head(kept)
    few = replace(
        study(), tables={**study().tables, "visit": visits, "vine_contact": study().table("vine_contact").head(0)}
    )
    found = answer("clearance", few)
    assert not found.answered
    assert found.sentence.startswith("Too little to answer")


def test_no_vine_at_all_gives_a_difference_but_no_odds_ratio() -> None:
    """Where nothing ever touches, odds have no ratio and the difference is nought."""
    visits = study().table("visit").with_columns(vines_touching=pl.when(pl.col("vines_touching").is_not_null()).then(0))
    found = answer("clearance", with_table("visit", visits), Ask(only_effects=True))
    names = {e.name for e in found.effects}
    assert "vine_contact_odds_ratio" not in names
    assert all(np.isfinite([e.estimate, e.low, e.high]).all() for e in found.effects)
