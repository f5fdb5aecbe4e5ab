"""Openness read by two methods is never mixed as it stands, whoever reads it."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from tests.rooms.histories.made_study import MadeStudy, subject

from domatia.histories.positions import positions
from domatia.histories.sequences import state_sequences
from domatia.histories.vacancies import state_at_start, vacant_steps
from domatia.model import StudyData


def study(both: int) -> StudyData:
    """Give twelve plants read by densiometer, the first also by photograph later, and some by both within a week.

    On plants read by both a photograph reads twice what the densiometer does, less ten points.
    """
    made = MadeStudy().place("A", level="plot")
    for i in range(12):
        made.plant(f"p{i}", place="A", x_m=float(i), y_m=0.0)
        dense = 30.0 + 2.0 * i
        made.visit(f"p{i}", "2020-01-01", ants="none", openness_pct=dense, openness_method="densiometer")
        if 0 < i <= both:
            twice = 2.0 * dense - 10.0
            made.visit(f"p{i}", "2020-01-05", ants="none", openness_pct=twice, openness_method="photograph")
    made.visit("p0", "2020-03-01", ants="none", openness_pct=90.0, openness_method="photograph")
    made.visit("p0", "2020-05-01", ants="none")
    return made.data()


def of_first(data: StudyData) -> list[float]:
    """Give the openness of the first plant at its last look: at a step's start, in a sequence, and in its place."""
    me = subject("plant", "p0")
    plants = pl.DataFrame({"plant": [me], "from_t": [None]}, schema_overrides={"from_t": pl.Float64})
    steps = state_at_start(data, vacant_steps(data).rows).filter(pl.col("plant") == me)
    place = positions(data).table.filter(pl.col("plant") == me)
    sequence = state_sequences(data, plants, least=1).rows
    return [steps["openness"][-1], sequence["openness"][-1], place["openness"][0] / 100]


def test_a_method_without_calibration_is_not_used() -> None:
    """The later photograph of the first plant does not count: its densiometer reading is carried on."""
    assert of_first(study(0)) == pytest.approx([0.30] * 3)


def test_a_method_with_a_calibration_is_brought_to_the_one_in_use() -> None:
    """Eleven plants read by both: 90 by photograph is 50 by densiometer."""
    assert of_first(study(11)) == pytest.approx([0.50] * 3)


def test_one_method_is_read_as_it_is_written() -> None:
    """Where every reading is by one method, or none is named, nothing changes."""
    data = study(0)
    visits = data.table("visit")
    for method in ("photograph", None):
        alike = visits.with_columns(openness_method=pl.lit(method, pl.String))
        one = replace(data, tables={**data.tables, "visit": alike})
        assert of_first(one) == pytest.approx([0.90] * 3)
    assert np.isfinite(of_first(data)).all()
