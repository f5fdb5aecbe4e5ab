"""Paired feeding trials against R: shares eaten, paired t, signed ranks, means over animals.

Grade: another program's output (reference/palatability, R 4.2.2).
"""

import csv
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from domatia.histories.feeding import feeding
from domatia.model import Profile, StudyData, as_table
from domatia.questions import answer
from domatia.stats.paired import paired_tests

DISHES = Path(__file__).parents[2] / "reference" / "palatability" / "dishes.csv"
WITHOUT, WITH = "without ants", "with ants"


@pytest.fixture(scope="module")
def study() -> StudyData:
    """Make a study of the invented dishes."""
    with DISHES.open(encoding="utf-8") as file:
        read = list(csv.DictReader(file))
    rows = [
        {
            "record_id": i.to_bytes(16, "big"),
            "subject_id": i.to_bytes(16, "big"),
            "leaf_source": r["source"],
            "dish": r["dish"],
            "animal": r["animal"],
            **{c: float(r[c]) for c in ("offered_cm2", "eaten_cm2", "control_offered_cm2", "control_loss_cm2")},
        }
        for i, r in enumerate(read)
    ]
    return StudyData(b"s" * 16, "dishes", Profile(), {"palatability": as_table("palatability", pl.DataFrame(rows))})


def gaps(study: StudyData) -> np.ndarray:
    """Give the difference in share eaten of each dish, in the order of the file."""
    table = feeding(study).table.with_columns(number=pl.col("dish").str.extract(r"^(\d+)").cast(pl.Int64))
    wide = table.pivot("source", index="number", values="share").sort("number")
    return (wide[WITHOUT] - wide[WITH]).to_numpy()


def test_paired_t_and_signed_ranks_are_those_of_r(study: StudyData) -> None:
    """t.test and wilcox.test of 30 dishes, exact without ties."""
    found = paired_tests(gaps(study))
    assert (found.t, found.t_p) == pytest.approx((2.57409438686, 0.0154241655581), rel=1e-10)
    assert found.mean == pytest.approx(0.131271409395, abs=1e-12)
    assert (found.v, found.v_p) == pytest.approx((345.0, 0.0196608155966), rel=1e-10)


def test_signed_ranks_with_ties_and_noughts_are_those_of_r(study: StudyData) -> None:
    """Rounded to tenths, seven differences are nought and most are tied: the normal approximation."""
    rounded = np.round(gaps(study), 1)
    assert (rounded == 0).sum() == 7
    found = paired_tests(rounded)
    assert (found.v, found.v_p) == pytest.approx((210.5, 0.0278561385126), rel=1e-9)


def test_the_questions_interval_is_the_paired_t_interval_over_animals(study: StudyData) -> None:
    """Each animal was fed in two dishes: R's t interval of the 15 animals' means."""
    found = answer("palatability", study)
    e = found.effects[0]
    assert (e.name, e.where) == ("eaten_difference", "choice, leaf source")
    sign = 1.0 if e.of == WITHOUT else -1.0
    ends = sorted([sign * e.low, sign * e.high])
    assert sign * e.estimate == pytest.approx(0.131271409395, abs=1e-12)
    assert ends == pytest.approx([0.0270369538358, 0.2355058649545], abs=1e-10)
    table = found.tables["paired_tests"]
    assert table["signed_rank_p"][0] == pytest.approx(0.0196608155966, rel=1e-10)
