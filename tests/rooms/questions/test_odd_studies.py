"""Studies that are not as they should be: every question answers, or says that there is too little."""

import math
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import polars as pl
import pytest
from tests.rooms.histories.made_study import MadeStudy

from domatia.histories.facts import plant_facts
from domatia.histories.groups import ONE_BLOCK, groups_of
from domatia.lifecycle import DEFAULT, observe
from domatia.model import Answer, Ask, StudyData
from domatia.questions import ALL, answer

ASK = Ask(draws=5)
NULL_DATE = pl.lit(None, pl.Date)


@cache
def study() -> StudyData:
    """Simulate a study of eight blocks."""
    return observe(replace(DEFAULT.sized(8, 18), years=2.0), 3)


def with_tables(**tables: pl.DataFrame) -> StudyData:
    """Give the study with other tables."""
    return replace(study(), tables={**study().tables, **tables})


def only(plants: list[bytes]) -> StudyData:
    """Give the study of some plants only."""
    tables = {k: study().table(k) for k in ("visit", "assignment", "leaf", "intervention")}
    kept = {k: t.filter(pl.col("plant").is_in(plants)) for k, t in tables.items()}
    return with_tables(plant=study().table("plant").filter(pl.col("subject_id").is_in(plants)), **kept)


def in_blocks(number: int) -> StudyData:
    """Give the study of its first blocks only."""
    given = study().table("assignment")
    blocks = given["block"].unique().sort().to_list()[:number]
    return only(given.filter(pl.col("block").is_in(blocks))["plant"].to_list())


def visits(**columns: pl.Expr) -> StudyData:
    """Give the study with other values at its visits."""
    return with_tables(visit=study().table("visit").with_columns(**columns))


def of_role(role: str) -> list[bytes]:
    """Name the plants of one treatment."""
    facts = plant_facts(study())
    return facts.filter(pl.col("role") == role)["plant"].to_list()


def first_visits(number: int) -> StudyData:
    """Give the first visits of each plant only."""
    seen = study().table("visit").sort("plant", "when_earliest").group_by("plant", maintain_order=True).head(number)
    return with_tables(visit=seen.sort("subject_id"))


def status(value: str | None) -> StudyData:
    """Give every visit one status."""
    return visits(status=pl.lit(value, pl.String))


ODD: dict[str, Callable[[], StudyData]] = {
    "all dead": lambda: status("dead confirmed"),
    "never found": lambda: status("not found"),
    "no status": lambda: status(None),
    "nobody dies": lambda: with_tables(visit=study().table("visit").filter(pl.col("status") == "alive")),
    "one visit": lambda: first_visits(1),
    "two visits": lambda: first_visits(2),
    "no dates": lambda: visits(when_earliest=NULL_DATE, when_latest=NULL_DATE),
    "bare years": lambda: visits(
        when_earliest=pl.col("when_earliest").dt.truncate("1y"),
        when_latest=pl.col("when_latest").dt.truncate("1y").dt.offset_by("1y").dt.offset_by("-1d"),
    ),
    "one day": lambda: visits(when_earliest=pl.col("when_earliest").min(), when_latest=pl.col("when_earliest").min()),
    "no heights": lambda: visits(height_cm=pl.lit(None, pl.Float64)),
    "one height": lambda: visits(height_cm=pl.lit(50.0)),
    "no ants": lambda: with_tables(occupancy=study().table("occupancy").clear()),
    "unnamed ants": lambda: with_tables(
        occupancy=study().table("occupancy").with_columns(taxon=pl.lit(None, pl.Binary))
    ),
    "one block": lambda: in_blocks(1),
    "two blocks": lambda: in_blocks(2),
    "one removal plant": lambda: only([*of_role("sham"), *of_role("control"), of_role("removal")[0]]),
    "removal never seen": lambda: with_tables(
        visit=study().table("visit").filter(~pl.col("plant").is_in(of_role("removal")))
    ),
    "removal never dies": lambda: with_tables(
        visit=study().table("visit").filter(~pl.col("plant").is_in(of_role("removal")) | (pl.col("status") == "alive"))
    ),
    "roles not stated": lambda: with_tables(
        treatment=study().table("treatment").with_columns(role=pl.lit(None, pl.String))
    ),
    "treated after all visits": lambda: with_tables(
        assignment=study().table("assignment").with_columns(
            start_earliest=pl.date(2090, 1, 1), start_latest=pl.date(2090, 1, 1)
        )
    ),
}  # fmt: skip


def sound(a: Answer) -> None:
    """Hold an answer to the rules: numbers within their intervals, or a sentence that says why there are none."""
    assert a.sentence
    assert a.answered == bool(a.effects)
    for e in a.effects:
        assert not any(math.isnan(v) for v in (e.estimate, e.low, e.high)), e
        assert e.low <= e.estimate <= e.high, e
        assert e.of != e.against or e.name == "transition_1y", e


@pytest.mark.parametrize("code", [q.code for q in ALL])
@pytest.mark.parametrize("odd", ODD)
def test_every_question_answers_or_says_too_little(odd: str, code: str) -> None:
    """No crash and no nan, whatever the study lacks."""
    sound(answer(code, ODD[odd](), ASK))


@pytest.mark.parametrize("code", ["survival", "growth"])
@pytest.mark.parametrize("odd", ["nobody dies", "two visits", "two blocks"])
def test_no_number_is_certain(odd: str, code: str) -> None:
    """A share of none, and a comparison that no plant can make, are not given without doubt."""
    assert all(e.low < e.high for e in answer(code, ODD[odd](), ASK).effects)


def test_groups_in_one_block_each_are_too_little() -> None:
    """Two habitats with a block each: no interval can tell habitat from block, and the plants left out are named."""
    found = answer("survival", in_blocks(2), replace(ASK, by="place_name"))
    assert not found.answered
    assert found.rows.left_out[ONE_BLOCK]


def test_takeover_says_that_it_compares_no_groups() -> None:
    """Options that have no effect are not passed over in silence."""
    found = answer("takeover", study(), replace(ASK, by="habitat", adjust=("openness_pct",), only_effects=True))
    text = next(d.text for d in found.doubts if d.code == "not_used")
    assert "--by habitat and --adjust openness_pct had no effect" in text


def test_founding_says_where_ants_were_taken_off() -> None:
    """Removal plants lose their founding queens too; without removals there is no such doubt."""
    told = {d.code for d in answer("founding", study(), replace(ASK, only_effects=True)).doubts}
    untreated = with_tables(intervention=study().table("intervention").clear())
    assert "treated_while_vacant" in told
    assert "treated_while_vacant" not in {d.code for d in answer("founding", untreated, ASK).doubts}


def test_treatments_without_a_role_are_compared_once_each() -> None:
    """Every other treatment is compared with the first, and none with itself."""
    made = MadeStudy()
    for name in ("a", "b", "c"):
        made.treatment(name, "other").plant(name).assign(name, name)
    assert [(p.of, p.against) for p in groups_of(plant_facts(made.data())).pairs] == [("b", "a"), ("c", "a")]


@pytest.mark.parametrize(("ask", "said"), [(ASK, "planned"), (replace(ASK, pool=True), "found later")])
def test_a_pooled_comparison_was_not_planned(ask: Ask, said: str) -> None:
    """The study stated removal against sham; pooling sham and control is another comparison."""
    assert answer("survival", study(), replace(ask, only_effects=True)).planned == said
