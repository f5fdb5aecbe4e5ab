"""Planned or found later: what was stated beforehand against what was asked."""

from dataclasses import replace
from datetime import date
from functools import cache

import polars as pl
import pytest

from domatia.lifecycle import DEFAULT, observe
from domatia.model import Ask, Effect, StudyData
from domatia.questions import answer
from domatia.questions.planned import planned

MAIN = (Effect("hazard_ratio", "removal", "sham", 2.0, 1.5, 2.5, main=True),)


@cache
def _study() -> StudyData:
    return observe(DEFAULT.sized(4, 12), 1, questions=())


def stated(contrast: str | None, on: date = date(2021, 1, 1)) -> StudyData:
    """Give a small study that stated survival with this contrast on that day; treatments began in March 2021."""
    data = _study()
    intention = data.table("intention").with_columns(
        contrast=pl.lit(contrast, pl.String), stated_earliest=pl.lit(on), stated_latest=pl.lit(on)
    )
    return replace(data, tables={**data.tables, "intention": intention})


@pytest.mark.parametrize("contrast", ["removal against sham", "Removal versus Sham", None, " "])
def test_the_stated_contrast_is_planned(contrast: str | None) -> None:
    """Named by role or treatment in any case; no words for the contrast leave it open."""
    assert planned(stated(contrast), "survival", Ask(), MAIN) == "planned"


@pytest.mark.parametrize("contrast", ["removal against control", "sham against removal", "removal"])
def test_another_contrast_is_found_later(contrast: str) -> None:
    """Another pair, its reverse, or half of one is not what was stated."""
    assert planned(stated(contrast), "survival", Ask(), MAIN) == "found later"


def test_what_is_stated_after_the_first_treatment_is_no_plan() -> None:
    """A plan dated after the day on which the first plant was treated plans nothing."""
    assert planned(stated(None, date(2021, 6, 1)), "survival", Ask(), MAIN) == "found later"


@pytest.mark.parametrize("ask", [Ask(by="habitat"), Ask(adjust=("habitat",)), Ask(pool=True)])
def test_put_otherwise_is_found_later(ask: Ask) -> None:
    """Another field, a covariate or pooled treatments were not stated."""
    assert planned(stated(None), "survival", ask, MAIN) == "found later"
    assert planned(stated(None), "growth", Ask(), MAIN) == "found later"


def test_an_option_without_effect_is_said() -> None:
    """Pattern takes no covariate: asked with one, it says so."""
    found = answer("pattern", _study(), Ask(adjust=("habitat",)))
    assert [d.text for d in found.doubts if d.code == "option_unused"] == ["Of no effect on this question: --adjust."]
    assert not [d for d in answer("pattern", _study()).doubts if d.code == "option_unused"]
