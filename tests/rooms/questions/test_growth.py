"""Levels of single groups in the growth question, with habitats as fixed strata."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from domatia.histories.sizes import height_after
from domatia.lifecycle.observe import observe
from domatia.lifecycle.spec import Spec
from domatia.model import Ask, StudyData
from domatia.questions import growth_numbers as numbers
from domatia.questions.growth import QUESTION


@pytest.fixture(scope="module")
def study() -> StudyData:
    """Give a small invented study of eight blocks in the usual habitats."""
    return observe(Spec(blocks=8, plants_per_block=40, years=1.5), 3, questions=("growth",))


def _without_habitats(study: StudyData) -> StudyData:
    places = study.tables["place"].with_columns(habitat=pl.lit(None, pl.String))
    return replace(study, tables={**study.tables, "place": places})


def test_a_gain_has_the_spread_of_blocks_within_habitats(study: StudyData) -> None:
    """The standard error of a mean gain is that of a ratio of block totals within strata (Cochran 1977, chapters 5, 6).

    Linearised by hand: u_g = (total_g - mean n_g) / n, then the sum over strata of n_h / (n_h - 1) sum (u - mean u)^2.
    Leaving out blocks is the same to first order only.
    """
    about = numbers.gather(study, Ask())
    assert about.strata is not None
    found = {(e.name, e.of): e for e in numbers.after_a_year(study, about)[0]}
    name = about.names[0]
    table = height_after(study, about.sizes, numbers.YEAR, about.starts).join(about.everyone, on="plant")
    table = table.filter((pl.col("value") == name) & (pl.col("alive") == 1.0))
    table = table.with_columns(gain=pl.col("later_cm") - pl.col("first_cm")).drop_nulls("gain")
    mean = float(np.mean(table["gain"].to_numpy()))
    u = np.bincount(table["cluster"].to_numpy(), table["gain"].to_numpy() - mean, about.clusters) / table.height
    variance = 0.0
    for h in np.unique(about.strata):
        own = u[about.strata == h]
        variance += len(own) / (len(own) - 1) * float(((own - own.mean()) ** 2).sum())
    effect = found["height_gain_1y_cm", name]
    assert effect.estimate == pytest.approx(mean, rel=1e-12)
    assert effect.standard_error == pytest.approx(variance**0.5, rel=0.1)


def test_habitats_change_the_intervals_of_levels_only(study: StudyData) -> None:
    """With and without known habitats all estimates and the contrasts' errors agree; those of levels do not."""
    known = QUESTION.estimate(study, Ask(only_effects=True), np.random.default_rng(1)).effects
    unknown = QUESTION.estimate(_without_habitats(study), Ask(only_effects=True), np.random.default_rng(1)).effects
    levels = {"rgr", "height_gain_1y_cm"}
    for one, other in zip(known, unknown, strict=True):
        assert one.estimate == other.estimate
        assert (one.standard_error == other.standard_error) is (one.name not in levels)


def test_the_answer_says_for_which_habitats_levels_hold(study: StudyData) -> None:
    """A doubt names it where habitats are strata, and is not there where they are unknown."""
    for data, told in ((study, True), (_without_habitats(study), False)):
        found = QUESTION.estimate(data, Ask(only_effects=True), np.random.default_rng(1))
        assert any(d.code == "these_habitats" for d in QUESTION.doubts(data, found)) is told
