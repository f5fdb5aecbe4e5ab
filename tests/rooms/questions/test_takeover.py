"""The takeover question with few blocks and with moves that were never seen."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from domatia.lifecycle import DEFAULT, observe
from domatia.model import Ask, StudyData
from domatia.questions import answer
from domatia.questions.takeover_numbers import gather, not_surer_than_the_model
from domatia.stats.multistate import fit_multistate


@pytest.fixture(scope="module")
def small() -> StudyData:
    """Simulate a small study: four blocks, two years."""
    return observe(replace(DEFAULT.sized(4, 60), years=2.0), 5)


def in_blocks(data: StudyData, blocks: int) -> StudyData:
    """Keep the plants of the first blocks."""
    given = data.table("assignment")
    kept = given.filter(pl.col("block").is_in(given["block"].unique().sort().head(blocks).implode()))
    plants = data.table("plant").join(kept.select(subject_id="plant"), on="subject_id", how="semi")
    return replace(data, tables={**data.tables, "assignment": kept, "plant": plants})


def test_two_blocks_are_no_surer_than_independent_plants(small: StudyData) -> None:
    """With two blocks no intensity has less variance than the model gives plants taken as independent."""
    about = gather(in_blocks(small, 2), "patrolling workers")
    fit = fit_multistate(about.panel(), about.pattern())
    kept = not_surer_than_the_model(fit, 2)
    model = np.diag(fit.uncertainty.model_covariance)
    assert (np.diag(fit.uncertainty.covariance) < 0.5 * model).any()
    assert (np.diag(kept.uncertainty.covariance) >= model * (1 - 1e-9)).all()


def test_rare_moves_are_no_surer_than_independent_plants(small: StudyData) -> None:
    """With many blocks moves of fewer than 30 events get the model's variance at least; frequent ones keep theirs."""
    about = gather(small, "patrolling workers")
    fit = fit_multistate(about.panel(), about.pattern())
    kept = not_surer_than_the_model(fit, 24)
    model = np.diag(fit.uncertainty.model_covariance)
    rare = model > 1 / 30
    now, before = np.diag(kept.uncertainty.covariance), np.diag(fit.uncertainty.covariance)
    assert (before[rare] < model[rare] * (1 - 1e-9)).any()
    assert (now[rare] >= model[rare] * (1 - 1e-9)).all()
    assert (now >= before * (1 - 1e-9)).all()


def test_moves_never_seen_are_named_in_words(small: StudyData) -> None:
    """The doubt about moves never seen says from where to where, without signs."""
    told = {d.code: d.text for d in answer("takeover", small, Ask(only_effects=True)).doubts}
    assert "from " in told["never_seen"]
    assert "->" not in told["never_seen"]
