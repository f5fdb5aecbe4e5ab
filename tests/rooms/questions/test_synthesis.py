"""Pooling kept answers and published effects: direction, levels, what is left out, what is said."""

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from domatia.lifecycle import DEFAULT, observe
from domatia.model import Answer, Ask, StudyData, WrongUse, as_table, read_profile
from domatia.questions import answer
from domatia.questions.synthesis_effects import (
    AGAIN,
    NO_EVENTS,
    NO_MEAN,
    NO_VARIANCE,
    NOT_OF_ANTS,
    OTHER_PARTS,
    gather,
)

HAZARD = {"outcome": "survival", "measure": "log hazard ratio"}


def study(*published: Mapping[str, Any], kept: tuple[Mapping[str, Any], ...] = ()) -> StudyData:
    """Give a study that holds nothing but published effects and kept answers."""
    rows = [{"record_id": bytes([i + 1] * 16), "subject_id": bytes([i + 1] * 16), **r} for i, r in enumerate(published)]
    texts = [
        {"record_id": bytes([200 + i] * 16), "subject_id": bytes([200 + i] * 16), "question": k["question"],
         "json": json.dumps(k)}
        for i, k in enumerate(kept)
    ]  # fmt: skip
    tables = {
        kind: as_table(kind, pl.DataFrame(r, infer_schema_length=None))
        for kind, r in (("published_effect", rows), ("kept_answer", texts))
        if r
    }
    return StudyData(b"s" * 16, "pooled", read_profile('name = "any"\nplant = "tree"', "any"), tables)


def printed(effect: float, error: float = 0.2, name: str = "A", **more: Any) -> dict[str, Any]:
    """Give a published log hazard ratio."""
    return {"study": name, **HAZARD, "estimate": effect, "standard_error": error, **more}


def kept(value: float, site: str, **more: Any) -> dict[str, Any]:
    """Give a kept hazard ratio of one site."""
    effect = {"name": "hazard_ratio", "of": "removal", "against": "sham", "where": "all", "estimate": value,
              "standard_error": 0.2, "unit": "1"}  # fmt: skip
    return {"question": "survival", "tool": "any", "by": "", "answered": True, "effects": [effect],
            "only": {"site": site}, "counts": {"plants": 10}, **more}  # fmt: skip


def asked(data: StudyData, **how: Any) -> Answer:
    """Ask the question."""
    return answer("synthesis", data, Ask(**how))


def test_three_effects_are_pooled_and_turned_to_one_direction() -> None:
    """A source that prints plants with ants first is turned; the mean of equal effects is that effect."""
    found = asked(study(printed(0.5), printed(0.5, name="B"), printed(-0.5, name="C", treated="with ants")))
    mean = found.effects[0]
    assert mean.name == "pooled_hazard_ratio"
    assert (mean.of, mean.against, mean.where) == ("without ants", "with ants", "survival")
    assert mean.estimate == pytest.approx(np.exp(0.5), rel=1e-12)
    assert found.tables["between_studies"]["sd_between"].to_list() == [0.0]


def test_an_interval_stands_for_a_missing_standard_error() -> None:
    """Ends 2 x 1.96 errors apart give the same answer as the error itself."""
    ends = [{**printed(v, name=n), "standard_error": None, "low": v - 0.392, "high": v + 0.392}
            for v, n in ((0.4, "A"), (0.6, "B"), (0.9, "C"))]  # fmt: skip
    errors = [printed(v, 0.2, name=n) for v, n in ((0.4, "A"), (0.6, "B"), (0.9, "C"))]
    one, other = asked(study(*ends)), asked(study(*errors))
    assert one.effects[0].estimate == pytest.approx(other.effects[0].estimate, rel=1e-4)


def test_the_order_of_records_is_no_matter() -> None:
    """The same effects in another order give the same numbers, bit for bit."""
    rows = [printed(0.1 * i, 0.1 + 0.05 * i, name=f"S{i}") for i in range(1, 7)]
    one, other = asked(study(*rows)), asked(study(*rows[::-1]))
    assert [(e.estimate, e.low, e.high) for e in one.effects] == [(e.estimate, e.low, e.high) for e in other.effects]


def test_what_gives_no_effect_is_left_out_with_its_reason() -> None:
    """A mean of zero, no event at all and no error are three reasons, each naming its record."""
    ratio = {"study": "A", "outcome": "damage", "measure": "log response ratio", "sd_treated": 1.0, "sd_other": 1.0,
             "n_treated": 9, "n_other": 9}  # fmt: skip
    odds = {"study": "B", "outcome": "associates", "measure": "log odds ratio", "events_treated": 0, "events_other": 0,
            "n_treated": 9, "n_other": 9}  # fmt: skip
    data = study({**ratio, "mean_treated": 3.0, "mean_other": 0.0}, odds, printed(0.3, 0.0))
    table, out = gather(data)
    assert table.is_empty()
    assert {reason: len(ids) for reason, ids in out.items()} == {NO_MEAN: 1, NO_EVENTS: 1, NO_VARIANCE: 1}
    found = asked(data)
    assert not found.answered
    assert found.sentence.startswith("Too little to answer")
    assert found.rows.left_out == out


def test_kept_answers_of_the_sites_are_pooled_and_say_that_they_are_one_study() -> None:
    """Four sites: pooled over parts; a kept answer for the whole study beside them is left out."""
    sites = tuple(kept(v, s) for v, s in ((1.5, "N"), (2.0, "E"), (2.5, "S"), (1.8, "W")))
    whole = {**kept(9.0, ""), "only": {}}
    found = asked(study(kept=(*sites, whole)))
    assert found.effects[0].estimate == pytest.approx(1.93, abs=0.05)
    assert "Over 4 parts of this study" in found.sentence
    assert "one_study" in {d.code for d in found.doubts}
    assert [len(ids) for ids in found.rows.left_out.values()] == [1]


def test_of_two_answers_kept_for_one_site_the_newer_counts() -> None:
    """Ids of kept answers grow with time; the older one is left out, whatever its text."""
    sites = (kept(2.0, "E"), kept(2.5, "S"))
    older, newer = kept(1.2, "N", seed=9), kept(1.9, "N", seed=1)
    found = asked(study(kept=(older, newer, *sites)))
    assert found.tables["effects"].height == 3
    assert np.exp(found.tables["effects"]["effect"].to_numpy()).min() == pytest.approx(1.9)
    assert {reason: len(ids) for reason, ids in found.rows.left_out.items()} == {AGAIN: 1}


def test_parts_by_two_fields_would_count_plants_twice() -> None:
    """Three sites and two habitats of the same study: only the sites are pooled."""
    sites = tuple(kept(v, s) for v, s in ((1.5, "N"), (2.0, "E"), (2.5, "S")))
    habitats = tuple({**kept(v, ""), "only": {"habitat": h}} for v, h in ((1.6, "edge"), (2.2, "wood")))
    found = asked(study(kept=(*sites, *habitats)))
    assert found.tables["effects"].height == 3
    assert len(found.rows.left_out[OTHER_PARTS]) == 2
    by_site = asked(study(kept=habitats + habitats[:1] + tuple(kept(v, "N") for v in (1.1,))), by="site")
    assert not by_site.answered


def test_what_compares_no_ants_is_never_pooled_and_the_reverse_is_turned() -> None:
    """Night against day is no effect of ants; sham against removal is turned by its roles."""
    clock = [{**kept(0.5, s), "question": "patrol"} for s in "NESW"]
    for c in clock:
        c["effects"] = [{**c["effects"][0], "name": "night_day_ratio", "of": "night", "against": "day"}]
    assert not asked(study(kept=tuple(clock))).answered
    assert len(asked(study(kept=tuple(clock))).rows.left_out[NOT_OF_ANTS]) == 4
    turned = [kept(0.5, s) for s in "NES"]
    for t in turned:
        t["effects"] = [{**t["effects"][0], "of": "sham", "against": "removal"}]
    assert asked(study(kept=tuple(turned))).effects[0].estimate == pytest.approx(2.0, rel=1e-9)


def test_own_and_published_effects_stand_together() -> None:
    """Sites of this study and two published studies: three studies, of which one gives three effects."""
    sites = tuple(kept(v, s) for v, s in ((1.5, "N"), (2.0, "E"), (2.5, "S")))
    found = asked(study(printed(0.3), printed(0.9, name="B"), kept=sites))
    between = found.tables["between_studies"].row(0, named=True)
    assert (between["effects"], between["studies"]) == (5, 3)
    assert str(found.rows) == "5 effects of 3 studies"


def test_a_shared_control_makes_the_mean_less_sure() -> None:
    """Two treatments with one control say less than two with controls of their own."""
    base = {"outcome": "damage", "measure": "log response ratio", "sd_treated": 2.0, "sd_other": 2.0, "n_treated": 12,
            "n_other": 12, "mean_other": 10.0}  # fmt: skip
    rows = [{**base, "study": s, "mean_treated": m, "taxon": t}
            for s, m, t in (("A", 13.0, "x"), ("A", 14.0, "y"), ("B", 13.5, "x"), ("C", 13.2, "x"))]  # fmt: skip
    shared = [{**r, "shared_control": "c" if r["study"] == "A" else None} for r in rows]
    one, other = asked(study(*rows)).effects[0], asked(study(*shared)).effects[0]
    assert one.standard_error is not None
    assert other.standard_error is not None
    assert other.standard_error > one.standard_error


def test_effects_are_parted_by_a_field_of_theirs() -> None:
    """By host: each host's mean; a field of the plants is refused with the fields that there are."""
    values = [(0.2, "p"), (0.3, "p"), (0.1, "p"), (0.9, "q"), (1.0, "q"), (1.1, "q")]
    rows = [printed(v, name=f"S{i}", host=h) for i, (v, h) in enumerate(values)]
    found = asked(study(*rows), by="host")
    means = {e.where: e.estimate for e in found.effects if e.name == "pooled_hazard_ratio"}
    assert means["survival, p"] == pytest.approx(np.exp(0.2), rel=1e-9)
    assert means["survival, q"] == pytest.approx(np.exp(1.0), rel=1e-9)
    with pytest.raises(WrongUse, match=r"no such field.*host"):
        asked(study(*rows), by="height")
    with pytest.raises(WrongUse, match="not adjusted"):
        asked(study(*rows), adjust=("habitat",))


def test_the_answer_that_hangs_on_one_study_says_which() -> None:
    """Three like effects and one of the other sign: without that one a difference would be shown."""
    rows = [printed(0.50, 0.1, "A"), printed(0.55, 0.1, "B"), printed(0.45, 0.1, "C"), printed(-0.4, 0.1, "Odd")]
    found = asked(study(*rows))
    assert found.effects[0].low < 1 < found.effects[0].high
    assert found.tables["without_each"]["without"].to_list() == ["A", "B", "C", "Odd"]
    told = next(d.text for d in found.doubts if d.code == "hangs_on_one")
    assert told.startswith("Without Odd alone, a difference would be shown")


def test_a_stale_kept_answer_is_told() -> None:
    """A kept answer whose record is gone makes a warning."""
    sites = [kept(1.5, "N"), kept(2.0, "E"), kept(2.5, "S")]
    sites[0]["rows"] = {"used": {"visit": ["00" * 16]}}
    assert "stale" in {d.code for d in asked(study(kept=tuple(sites))).doubts}


def test_no_effect_and_harm_come_out_as_such() -> None:
    """Where ants do nothing the mean is near 1; where they harm, plants without them die more slowly."""
    nothing = asked(observe(replace(DEFAULT.sized(2, 6), help=0.0), 3, questions=("synthesis",)))
    assert nothing.effects[0].low < 1 < nothing.effects[0].high
    assert "no difference was shown" in nothing.sentence
    harm = asked(observe(replace(DEFAULT.sized(2, 6), help=-1.0), 3, questions=("synthesis",)))
    assert harm.effects[0].high < 1
    assert harm.chart is not None
