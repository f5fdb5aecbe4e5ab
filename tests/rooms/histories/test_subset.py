"""A part of a study: some plants with everything that hangs on them, and nothing else."""

from functools import cache

import polars as pl
import pytest

from domatia.histories.facts import plant_facts
from domatia.histories.subset import only_plants, values_within
from domatia.lifecycle import DEFAULT, observe
from domatia.model import Ask, StudyData, WrongUse
from domatia.questions import answer

SPEC = DEFAULT.sized(8, 18)


@cache
def study() -> StudyData:
    """Give a small study of four habitats."""
    return observe(SPEC, 1, questions=())


@pytest.mark.parametrize("field", ["habitat", "site", "treatment", "block"])
def test_parts_by_a_field_share_nothing_and_leave_nothing_out(field: str) -> None:
    """Plants, visits, occupancies and leaves of all parts together are those of the study, each once."""
    parts = [only_plants(study(), field, v) for v in values_within(study(), field)]
    for kind in ("plant", "visit", "occupancy", "leaf", "tag", "assignment"):
        ids = pl.concat([p.table(kind)["record_id"] for p in parts])
        assert ids.n_unique() == len(ids) == study().table(kind).height, kind
    assert all(p.table("place").height == study().table("place").height for p in parts)


def test_a_part_holds_the_plants_of_that_value() -> None:
    """Every plant that stays has the value, and every visit is of one of them."""
    part = only_plants(study(), "habitat", "pasture")
    assert set(plant_facts(part)["habitat"]) == {"pasture"}
    assert part.table("visit")["plant"].is_in(part.table("plant")["subject_id"].implode()).all()


def test_a_question_asked_within_is_never_planned_and_counts_fewer_plants() -> None:
    """The answer of one habitat rests on that habitat's plants alone."""
    whole = answer("survival", study(), Ask(draws=2, only_effects=True))
    part = answer("survival", study(), Ask(draws=2, only_effects=True, only=("site", "Oxbow Lea")))
    assert whole.planned == "planned"
    assert part.planned == "found later"
    assert part.rows.plants == SPEC.n_plants // 4


def test_unknown_fields_and_values_say_what_there_is() -> None:
    """The exception lists fields, or the values of the field."""
    with pytest.raises(WrongUse, match=r"no such field.*habitat"):
        values_within(study(), "hue")
    with pytest.raises(WrongUse, match=r"no plant has this value.*pasture"):
        only_plants(study(), "habitat", "mars")
    with pytest.raises(WrongUse, match="different values"):
        values_within(study(), "x_m")
    with pytest.raises(WrongUse, match="asked within habitat"):
        answer("fights", study(), Ask(only=("habitat", "pasture")))
    with pytest.raises(WrongUse, match="no plant has a value there"):
        values_within(study(), "subplot")
