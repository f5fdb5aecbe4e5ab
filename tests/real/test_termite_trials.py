"""Timed trials with termites under four nectar treatments, brought in as trial records and asked what happened.

Source: Pacelhe et al. 2019, Biotropica 51 (data: their repository, 320 trials on 40 plants). Grades: deviance 52.9 on 3
degrees of freedom is printed there; the merged coefficients printed there (4.440, -0.848, -1.551, scale 0.605) differ
in the third digit from what R's survreg gives for the file that they published (4.443, -0.851, -1.537, 0.607).
"""

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from tests.real.test_heliconia_intake import bring, joined

from domatia.model import Answer, Ask, StudyData
from domatia.questions import answer
from domatia.stats.weibull import weibull

pytestmark = pytest.mark.real

EXCLUDED = {"water": 0.0625, "amino": 0.2125, "sucrose": 0.275, "sucrose_amino": 0.5375}


@pytest.fixture(scope="module")
def study(real_data: Path) -> StudyData:
    """Bring in the trials, or skip."""
    folder = real_data / "vochysia_nectar_termite_trials"
    if not folder.is_dir():
        pytest.skip("DOMATIA_REAL_DATA has no folder vochysia_nectar_termite_trials")
    return joined(bring("termite_watches", folder))


@pytest.fixture(scope="module")
def found(study: StudyData) -> Answer:
    """Ask the question."""
    return answer("intruders", study)


def test_every_row_is_a_trial(study: StudyData) -> None:
    """320 trials on 40 plants, 87 exclusions; the end of the others is a blank, not a value."""
    trials = study.table("trial")
    assert (trials.height, trials["plant"].n_unique()) == (320, 40)
    assert trials["ended"].value_counts().sort("count").rows() == [("excluded", 87), (None, 233)]
    assert trials["day_part"].value_counts().sort("day_part").rows() == [("day", 160), ("night", 160)]


def test_shares_and_deviance_are_those_of_the_paper(found: Answer) -> None:
    """Excluded of all by treatment, and the Weibull deviance of the four treatments (printed 52.9 on 3 df)."""
    outcomes = found.tables["outcomes"]
    assert dict(outcomes.select("group", "crude_share_excluded").iter_rows()) == pytest.approx(EXCLUDED)
    deviance = found.tables["weibull"].filter(pl.col("term") == "deviance of the groups")
    assert deviance["estimate"][0] == pytest.approx(52.89, abs=0.005)
    assert deviance["note"][0].startswith("on 3 df")


def test_merged_levels_give_the_coefficients_of_the_file(study: StudyData) -> None:
    """Amino acids and sucrose merged: 4.443, -0.851, -1.537, scale 0.607 (R's survreg on the file)."""
    group = study.table("assignment").join(
        study.table("treatment").select("name", treatment="subject_id"), on="treatment"
    )
    rows = study.table("trial").join(group.select("plant", "name"), on="plant")
    stop = rows["watched_s"].to_numpy() / 60.0
    until = np.where((rows["ended"] == "excluded").fill_null(False).to_numpy(), stop, np.inf)
    middle = rows["name"].is_in(["amino", "sucrose"]).cast(pl.Float64).to_numpy()
    both = (rows["name"] == "sucrose_amino").cast(pl.Float64).to_numpy()
    fit = weibull(stop, until, np.column_stack([middle, both]))
    assert fit.coefficients.estimate == pytest.approx([4.443, -0.851, -1.537], abs=5e-4)
    assert fit.scale.estimate[0] == pytest.approx(0.607, abs=5e-4)


def test_the_answer_says_what_the_table_cannot_tell(found: Answer) -> None:
    """206 watches stopped early and 233 ends are not told: both are doubts; contacts are not answered."""
    assert found.answered
    codes = {d.code: d.text for d in found.doubts}
    assert codes["end_not_told"].startswith("Of 233 of 320 trials")
    assert "320 of 320 trials say nothing of contacts" in codes["contact_not_told"]
    assert "trials_not_plants" in codes
    assert "no_sham" not in codes
    assert not [e for e in found.effects if "contact" in e.name]
    assert found.rows.words == "320 trials on 40 plants"


def test_night_against_day(study: StudyData) -> None:
    """Trials can be compared by the part of the day that the table gives."""
    by = answer("intruders", study, Ask(by="day_part"))
    assert {(e.of, e.against) for e in by.effects if e.name == "excluded_difference"} <= {
        ("night", "day"),
        ("day", "night"),
    }
    assert by.answered
