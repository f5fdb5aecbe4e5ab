"""Groups of plants, covariates, blocks, effort, detection and the treatment received."""

import numpy as np
import polars as pl
import pytest
from tests.rooms.histories.made_study import MadeStudy, record, subject

from domatia.histories.covariates import MISSING, covariates_of
from domatia.histories.deaths import death_intervals
from domatia.histories.detection import detection_by_date
from domatia.histories.effort import effort_by_place, effort_by_year
from domatia.histories.facts import plant_facts
from domatia.histories.groups import NO_VALUE, OUTSIDE, Pair, groups_of
from domatia.histories.received import before_treatment, occupied_again_by, treatment_flow, treatment_received
from domatia.model import StudyData, WrongUse


def drawn(*given: tuple[str, str]) -> StudyData:
    """Make plants "p0", "p1", … with treatments given as (name, role); "" leaves a plant outside."""
    made = MadeStudy().place("A", level="block", habitat="edge")
    for i, (name, role) in enumerate(given):
        made.plant(f"p{i}", place="A")
        if name:
            made.treatment(name, role).assign(f"p{i}", name, "2020-01-01")
    return made.data()


R, S, C = ("removal", "removal"), ("sham", "sham"), ("control", "control")


def test_removal_is_compared_with_sham_first() -> None:
    """Removal against sham is primary; sham against control is the procedure; plants outside are named."""
    found = groups_of(plant_facts(drawn(R, S, C, ("", ""))))
    assert found.pairs == (Pair("removal", "sham", "primary"), Pair("sham", "control", "procedure"))
    assert found.reference == "sham"
    assert found.left_out == {OUTSIDE: [record("plant", "p3")]}


def test_without_sham_removal_is_compared_with_control() -> None:
    """Control stands in where there is no sham."""
    assert groups_of(plant_facts(drawn(R, C))).pairs == (Pair("removal", "control", "primary"),)


def test_sham_and_control_are_pooled_on_request_only() -> None:
    """Pooled, they are one group of two plants."""
    found = groups_of(plant_facts(drawn(R, S, C)), pool=True)
    assert found.pairs == (Pair("removal", "sham and control", "primary"),)
    assert found.members["value"].sort().to_list() == ["removal", "sham and control", "sham and control"]


def test_other_treatments_are_compared_with_the_reference() -> None:
    """A treatment of no named role is neither primary nor procedure."""
    found = groups_of(plant_facts(drawn(R, S, ("feeding", "other"))))
    assert found.pairs[1:] == (Pair("feeding", "sham", "other"),)


def test_two_removals_are_each_primary() -> None:
    """Two ways of taking ants off are never pooled."""
    found = groups_of(plant_facts(drawn(R, ("spray", "removal"), S)))
    assert [p.role for p in found.pairs] == ["primary", "primary"]


def test_one_treatment_cannot_be_compared() -> None:
    """Wrong use names the way out."""
    with pytest.raises(WrongUse, match=r"no two treatments.*--by"):
        groups_of(plant_facts(drawn(R, R)))


def origins(*values: str | None) -> StudyData:
    """Make plants with these origins."""
    made = MadeStudy()
    for i, v in enumerate(values):
        made.plant(f"p{i}", origin=v, x_m=float(i))
    return made.data()


def test_the_most_frequent_value_is_the_reference() -> None:
    """Ties go by the alphabet; blanks are left out with their reason."""
    found = groups_of(plant_facts(origins("seedling", "planted", "planted", None)), by="origin")
    assert (found.names, found.column) == (("planted", "seedling"), "origin")
    assert found.left_out == {NO_VALUE: [record("plant", "p3")]}
    assert groups_of(plant_facts(origins("seedling", "planted")), by="origin").reference == "planted"


@pytest.mark.parametrize(
    ("by", "match"),
    [
        ("orign", r"--by orign.*Did you mean origin\?"),
        ("species", r"--by species: no plant of this study has a value.*Allowed: .*origin"),
        ("record_id", "--by record_id: plants and their places have no such field"),
        ("uncertainty_m", "no plant of this study has a value"),
    ],
)
def test_a_field_that_cannot_be_used_is_wrong_use(by: str, match: str) -> None:
    """An unknown field, an empty one and an id are refused with what is allowed."""
    with pytest.raises(WrongUse, match=match):
        groups_of(plant_facts(origins("seedling", "planted")), by=by)


def test_too_many_and_too_few_values_are_wrong_use() -> None:
    """13 values, or one, cannot be compared."""
    with pytest.raises(WrongUse, match=r"--by x_m: it has 13 different values.*--adjust"):
        groups_of(plant_facts(origins(*["seedling"] * 13)), by="x_m")
    with pytest.raises(WrongUse, match="--by origin: it has 1 different values"):
        groups_of(plant_facts(origins("seedling", "seedling")), by="origin")


def test_covariates_centre_numbers_and_split_words() -> None:
    """A number loses its mean; a word gets one column for each level but the commonest; blanks are left out."""
    data = origins("planted", "planted", "seedling", "resprout", None)
    found = covariates_of(plant_facts(data), ("origin", "x_m"))
    assert found.names == ("origin: resprout", "origin: seedling", "x_m")
    assert found.left_out == {MISSING: [record("plant", "p4")]}
    order = [found.plants["plant"].to_list().index(subject("plant", f"p{i}")) for i in range(4)]
    assert np.allclose(found.matrix[order], [[0, 0, -1.5], [0, 0, -0.5], [0, 1, 0.5], [1, 0, 1.5]])


def test_a_covariate_of_too_many_words_is_wrong_use() -> None:
    """31 words are too many."""
    made = MadeStudy()
    for i in range(31):
        made.plant(f"p{i}", species=f"s{i}")
    with pytest.raises(WrongUse, match=r"--adjust species: it has 31 different words.*at most 30"):
        covariates_of(plant_facts(made.data()), ("species",))


def test_the_block_is_that_of_the_draw_then_of_the_place() -> None:
    """Draw, block, plot, place, the plant itself: the first that is known; the habitat is the nearest above."""
    made = MadeStudy().place("site", level="site", habitat="forest").place("block", level="block", within="site")
    made.place("plot", level="plot", within="block").place("lone", level="transect").treatment("t", "other")
    made.plant("a", place="plot").plant("b", place="lone").plant("c").plant("d", place="plot")
    made.assign("d", "t", block="lone")
    facts = {r["plant"]: r for r in plant_facts(made.data()).to_dicts()}
    group = {p: facts[subject("plant", p)]["group"] for p in "abcd"}
    assert group["a"] == subject("place", "block")
    assert group["b"] == group["d"] == subject("place", "lone")
    assert group["c"] == subject("plant", "c")
    assert facts[subject("plant", "a")]["habitat"] == "forest"


def test_places_that_lie_in_each_other_end() -> None:
    """A circle of places is wrong data, not an endless search."""
    made = MadeStudy().place("a", level="plot", within="b").place("b", level="plot", within="a").plant("p", place="a")
    assert plant_facts(made.data()).height == 1


def test_effort_counts_each_status() -> None:
    """By place and year: alive, dead, not found, not visited; a year counts its places visited."""
    made = MadeStudy().place("A", level="plot").place("B", level="plot").plant("p", place="A").plant("q", place="B")
    made.visit("p", "2020-01-01").visit("p", "2020-06-01", "not found").visit("p", "2021", "no live tissue")
    data = made.visit("q", "2020", "not visited").data()
    assert effort_by_place(data).rows() == [
        ("A", 2020, 2, 1, 0, 1, 0), ("A", 2021, 1, 0, 1, 0, 0), ("B", 2020, 1, 0, 0, 0, 1),
    ]  # fmt: skip
    assert effort_by_year(data).select("year", "places", "visits").rows() == [(2020, 1, 3), (2021, 1, 1)]


def test_detection_rests_on_plants_found_again() -> None:
    """Of two plants surely alive in 2001 one was found: half; the last sight of a plant does not flatter the share."""
    made = MadeStudy().plant("p").plant("q")
    for plant, statuses in (("p", ("alive", "not found", "alive")), ("q", ("alive", "alive", "alive"))):
        for year, status in zip(("2000", "2001", "2002"), statuses, strict=True):
            made.visit(plant, year, status)
    found = detection_by_date(death_intervals(made.data()))
    assert found.select("looked_for", "found", "share").rows() == [(2, 2, 1.0), (2, 1, 0.5)]


def experiment() -> MadeStudy:
    """Make four removal plants and a control with known fates."""
    made = MadeStudy().treatment("removal", "removal").treatment("control", "control")
    for p in ("dies", "lost", "once", "never", "kept"):
        made.plant(p).assign(p, "control" if p == "kept" else "removal", "2020-01-01")
    made.visit("dies", "2020-01-01", ants="Rust patrolling", height_cm=50.0).act("dies", "2020-01-01")
    made.visit("dies", "2020-01-11", ants="none").visit("dies", "2020-02-10", ants="Velvet patrolling")
    made.act("dies", "2020-02-10").visit("dies", "2020-03-01", "dead confirmed")
    made.visit("lost", "2020-01-01", ants="none").visit("lost", "2020-01-21").visit("lost", "2020-03-01", "not found")
    made.visit("once", "2020-01-01")
    made.visit("kept", "2020-01-01", ants="Rust patrolling", height_cm=70.0)
    return made.visit("kept", "2020-01-31", ants="none").visit("kept", "2020-03-01", ants="Rust patrolling")


def test_flow_from_assigned_to_analysed() -> None:
    """Each plant is counted where its way ends."""
    rows = {r["treatment"]: r for r in treatment_flow(experiment().data()).to_dicts()}
    assert rows["removal"] == {
        "treatment": "removal", "assigned": 4, "never_seen_alive": 1, "seen_once": 1, "followed": 2, "found_dead": 1,
        "lost": 1, "alive_at_end": 0,
    }  # fmt: skip
    assert rows["control"]["alive_at_end"] == 1


def test_treatment_received() -> None:
    """Treated twice; occupied again by Velvet 40 days after the removal; the control lost its colony for a month."""
    data = experiment().role("Velvet", "defender").data()
    rows = {r["treatment"]: r for r in treatment_received(data).to_dicts()}
    assert (rows["removal"]["treated"], rows["removal"]["treated_again"]) == (1, 1)
    assert (rows["removal"]["occupied_again"], rows["removal"]["median_days_to_it"]) == (1, 40.0)
    assert rows["control"]["treated"] == 0
    assert rows["control"]["lost_colony"] == 1
    assert rows["control"]["share_of_days_vacant"] == pytest.approx(0.5)
    again = occupied_again_by(data).rows()
    assert ("removal", "Velvet", "defender", 1, 40.0) in again
    assert ("control", "Rust", "not stated", 1, 30.0) in again


def test_before_the_treatment() -> None:
    """Heights and ants at the last visit at or before the first day."""
    rows = {r["treatment"]: r for r in before_treatment(experiment().data()).to_dicts()}
    assert rows["control"]["height_cm_mean"] == 70.0
    assert rows["control"]["share_held"] == 1.0
    assert rows["removal"]["plants"] == 3
    assert rows["removal"]["share_held"] == 0.5


def test_days_without_ants_begin_with_the_removal() -> None:
    """Ants taken off at a look: the days up to the next are without ants, half of them where that look saw ants.

    By hand: 10 + 30 / 2 + 20 of 60 days of the one plant, and 20 of 20 of the other.
    """
    rows = {r["treatment"]: r for r in treatment_received(experiment().data()).to_dicts()}
    assert rows["removal"]["share_of_days_vacant"] == pytest.approx(65 / 80)


def test_no_experiment_gives_empty_tables() -> None:
    """A study without assignments has no treatment received, and says so by empty tables."""
    data = MadeStudy().plant("p").visit("p", "2020-01-01").data()
    assert all(f(data).is_empty() for f in (treatment_flow, treatment_received, occupied_again_by, before_treatment))
    assert isinstance(effort_by_year(data), pl.DataFrame)
