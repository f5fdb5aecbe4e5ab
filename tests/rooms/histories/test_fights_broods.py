"""What records of fights and broods say: outcomes, who was at home, impossible ones, ants seen before."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import polars as pl
import pytest

from domatia.histories import broods as brood_history
from domatia.histories import fights as fight_history
from domatia.histories.broods import broods
from domatia.histories.fights import fights
from domatia.model import Profile, StudyData, as_table
from domatia.model.identity import named_id


def name(kind: str, key: str) -> bytes:
    """Give the id of a thing."""
    return named_id(b"", kind, key)


def table(kind: str, rows: Sequence[Mapping[str, Any]]) -> pl.DataFrame:
    """Give records numbered in their order."""
    ids = [name(kind, str(r.get("key", i))) for i, r in enumerate(rows)]
    frame = pl.DataFrame([{k: v for k, v in r.items() if k != "key"} for r in rows], infer_schema_length=None)
    named = frame.with_columns(subject_id=pl.Series(ids, dtype=pl.Binary), record_id=pl.Series(ids, dtype=pl.Binary))
    return as_table(kind, named)


def fought(**told: Any) -> dict[str, Any]:
    """Give the row of one fight of C1 and C2 in the table of fights."""
    tables = {
        "taxon": table("taxon", [{"key": "ant", "name": "Rust-gaster ant"}]),
        "colony": table(
            "colony", [{"key": "C1", "name": "C1", "taxon": name("taxon", "ant")}, {"key": "C2", "name": "C2"}]
        ),
        "fight": table("fight", [{"colony_a": name("colony", "C1"), "colony_b": name("colony", "C2"), **told}]),
    }
    found = fights(StudyData(b"", "made", Profile(), tables))
    return found.table.row(0, named=True) if found.table.height else {"left_out": list(found.left_out)}


@pytest.mark.parametrize(
    ("told", "outcome"),
    [
        ({"winner": "a"}, fight_history.FIRST),
        ({"winner": "b", "ended": "one side fled"}, fight_history.SECOND),
        ({"winner": "none"}, fight_history.DRAWN),
        ({"winner": "none", "ended": "truce"}, fight_history.DRAWN),
        ({"winner": "none", "ended": "time up"}, fight_history.STOPPED),
        ({"winner": "a", "ended": "disturbed"}, fight_history.STOPPED),
        ({"workers_a": 9, "workers_b": 8, "dead_a": 1, "dead_b": 0}, fight_history.NOT_TOLD),
    ],
)
def test_outcomes(told: dict[str, Any], outcome: str) -> None:
    """A winner, a draw, a fight stopped whatever winner is named, and one that does not tell."""
    assert fought(**told)["outcome"] == outcome


def test_kinds_home_and_ants() -> None:
    """Staged and natural and not said; who was carried; the ant of a colony or an unnamed one."""
    row = fought(winner="a", staged=True, carried="b")
    assert (row["kind"], row["home"], row["ant_a"], row["ant_b"]) == (
        fight_history.STAGED, 1, "Rust-gaster ant", "unnamed ant",
    )  # fmt: skip
    assert fought(winner="a", staged=False, carried="a")["home"] == -1
    assert fought(winner="a", carried="both")["home"] == 0
    assert fought(winner="a")["kind"] == fight_history.NOT_SAID
    assert not fought(winner="a")["carried_told"]


@pytest.mark.parametrize(
    ("told", "reason"),
    [
        ({"colony_b": name("colony", "C1"), "winner": "a"}, fight_history.ITSELF),
        ({"colony_b": None, "winner": "a"}, fight_history.ITSELF),
        ({"colony_b": name("colony", "C9"), "winner": "a"}, fight_history.NO_COLONY),
        ({"workers_a": 3, "dead_a": 4, "winner": "a"}, fight_history.TOO_MANY_DEAD),
        ({"workers_a": 3, "workers_b": 3, "dead_a": 3, "dead_b": 3}, fight_history.TOO_MANY_DEAD),
        ({"workers_a": 3, "workers_b": 3}, fight_history.NOTHING_TOLD),
    ],
)
def test_fights_that_say_nothing_are_left_out(told: dict[str, Any], reason: str) -> None:
    """Each with its reason."""
    assert fought(**told)["left_out"] == [reason]


def seen(*looks: tuple[date, str | None], brood: date, removed: date | None = None) -> str:
    """Give the ants of one brood on one plant, after looks that found an ant (its stage) or none."""
    plant = name("plant", "82")
    visits = [{"plant": plant, "when_earliest": d, "when_latest": d, "status": "alive"} for d, _ in looks]
    ant = name("taxon", "ant")
    told = [
        {"visit": name("visit", str(i)), "looked": True, "stage": s or "none", "taxon": ant if s else None}
        for i, (_, s) in enumerate(looks)
    ]
    tables = {
        "taxon": table("taxon", [{"key": "ant", "name": "Rust-gaster ant"}]),
        "plant": table("plant", [{"key": "82", "species": "lantern tree"}]),
        "visit": table("visit", visits),
        "occupancy": table("occupancy", told),
        "brood": table("brood", [{"plant": plant, "when_earliest": brood, "when_latest": brood, "eggs": 3}]),
    }
    if removed is not None:
        act = {"plant": plant, "when_earliest": removed, "when_latest": removed, "kind": "mechanical removal"}
        tables["intervention"] = table("intervention", [act])
    found: str = broods(StudyData(b"", "made", Profile(), tables)).table["ants"][0]
    return found


def test_ants_of_a_brood_are_those_seen_at_or_before_it() -> None:
    """Never those of a later look; ants taken off since the look are gone, those of the same day's look are not."""
    one, two, three = date(2021, 3, 1), date(2021, 4, 1), date(2021, 5, 1)
    assert seen((one, "patrolling"), (three, None), brood=two) == brood_history.DEFENDED
    assert seen((three, "patrolling"), brood=two) == brood_history.NOT_KNOWN
    assert seen((one, None), (two, "established"), brood=two) == brood_history.DEFENDED
    assert seen((one, "patrolling"), brood=two, removed=one) == brood_history.EMPTY
    assert seen((two, "patrolling"), brood=two, removed=two) == brood_history.DEFENDED
    assert seen((one, "founding queen"), brood=two) == brood_history.NOT_KNOWN
