"""What is read from trials: how a watch ended, when ants met the intruder, and what cannot be used."""

import pytest
from tests.rooms.histories.made_study import MadeStudy, record

from domatia.histories.trials import (
    AFTER,
    BEYOND,
    EXCLUDED,
    GONE,
    LEFT,
    MET,
    NOT_WATCHED,
    STOPPED,
    TWO_ENDS,
    trials,
    with_occupant,
)

Row = dict[str, object]


def one(**values: object) -> Row:
    """Read a single trial."""
    study = MadeStudy().plant("P").add("trial", "T", {"plant": "P", **values}).data()
    rows = trials(study).table.to_dicts()
    assert len(rows) == 1
    return rows[0]


@pytest.mark.parametrize(
    ("values", "end", "cause"),
    [
        ({"watched_s": 600.0, "ended": "time up"}, 600.0, STOPPED),
        ({"watched_s": 200.0, "ended": "fell by wind"}, 200.0, STOPPED),
        ({"watched_s": 200.0}, 200.0, STOPPED),
        ({"watched_s": 200.0, "ended": "intruder left"}, 200.0, LEFT),
        ({"watched_s": 200.0, "ended": "excluded"}, 200.0, EXCLUDED),
        ({"watched_s": 200.0, "ended": "eaten"}, 200.0, EXCLUDED),
        ({"watched_s": 600.0, "excluded_s": 184.0, "ended": "excluded"}, 184.0, EXCLUDED),
        ({"excluded_s": 184.0}, 184.0, EXCLUDED),
        ({"excluded_s": 0.0}, 0.5, EXCLUDED),
    ],
)
def test_a_watch_ends_by_exclusion_by_leaving_or_it_stops(values: Row, end: float, cause: int) -> None:
    """Wind, time up and a blank are watches that stopped; a moment of 0 s lies within the first second."""
    row = one(**values)
    assert (row["end_s"], row["cause"]) == (end, cause)


@pytest.mark.parametrize(
    ("values", "met", "contact"),
    [
        ({"first_contact_s": 30.0}, True, MET),
        ({"contacts": 3}, True, None),
        ({"attacks": 1}, True, None),
        ({"contacts": 0}, False, STOPPED),
        ({"contacts": 0, "ended": "intruder left"}, False, GONE),
        ({}, None, None),
    ],
)
def test_a_blank_is_not_no_contact(values: Row, met: bool | None, contact: int | None) -> None:
    """Only a written nought is no contact; contacts without a moment tell no time."""
    row = one(watched_s=600.0, **values)
    assert (row["met"], row["contact_cause"]) == (met, contact)


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        ({}, NOT_WATCHED),
        ({"watched_s": 0.0}, NOT_WATCHED),
        ({"watched_s": 600.0, "first_contact_s": 700.0}, BEYOND),
        ({"watched_s": 600.0, "excluded_s": 700.0}, BEYOND),
        ({"watched_s": 600.0, "first_contact_s": 200.0, "excluded_s": 100.0}, AFTER),
        ({"watched_s": 600.0, "excluded_s": 100.0, "ended": "time up"}, TWO_ENDS),
    ],
)
def test_what_cannot_be_is_left_out_with_the_reason(values: Row, reason: str) -> None:
    """Impossible times and trials of no length are named."""
    study = MadeStudy().plant("P").add("trial", "T", {"plant": "P", **values}).data()
    found = trials(study)
    assert found.table.is_empty()
    assert found.left_out == {reason: [record("trial", "T")]}


def test_responses_are_ranked_by_number_or_by_the_usual_words() -> None:
    """Trials without contact stand below the weakest response; a word of its own has no rank."""
    study = MadeStudy().plant("P")
    for i, (word, contacts) in enumerate(
        [("3 bitten", 1), ("1 ignored", 1), (None, 0), ("inspected", 1), ("odd", 1), (None, None)]
    ):
        study.add("trial", str(i), {"plant": "P", "watched_s": 60.0, "contacts": contacts, "response": word})
    found = trials(study.data())
    grades = dict(zip(found.table["response"].to_list(), found.table["grade"].to_list(), strict=True))
    assert found.strange == ("odd",)
    assert grades["odd"] is None
    assert grades["1 ignored"] < grades["3 bitten"]
    assert sorted(g for g in found.table["grade"].to_list() if g is not None)[0] == 0
    assert found.responses[0] == "no contact"


def test_the_ants_of_a_trial_are_those_of_the_latest_look_before() -> None:
    """Before any look nobody knows; after a removal the plant is vacant; later looks say nothing of earlier trials."""
    study = MadeStudy().plant("P").visit("P", "2020-01-10", ants="black patrolling")
    study.visit("P", "2020-03-10", ants="black patrolling").visit("P", "2020-05-10", ants="none")
    study.add("intervention", "I", {"plant": "P", "when": "2020-03-10", "kind": "insecticide"})
    for day in ("2020-01-05", "2020-01-10", "2020-02-01", "2020-03-12", "2020-06-01"):
        study.add("trial", day, {"plant": "P", "when": day, "watched_s": 60.0})
    study.add("trial", "undated", {"plant": "P", "watched_s": 60.0})
    data = study.data()
    ants = {r["t"]: r["ant"] for r in with_occupant(trials(data).table, data).sort("t", nulls_last=True).to_dicts()}
    assert list(ants.values()) == [None, "black", "black", "vacant", "vacant", None]
