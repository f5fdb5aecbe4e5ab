"""Marked leaves followed, leaves scored once, repeats and calibration leaves."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest

from domatia.histories.leaves import (
    ALL_DROPPED,
    ALL_EATEN,
    BY_FATE,
    CALIBRATION,
    NO_LIMITS,
    NO_SCORE,
    class_of,
    eaten_share,
    followed_leaves,
    in_residue,
    leaf_scores,
    leaves_after,
    plant_means,
    standing_means,
)
from domatia.model import StudyData
from domatia.model.profile import DamageClass, Profile
from domatia.model.tables import as_table

FIRST = date(2021, 3, 1)
SIX = tuple(
    DamageClass(str(i), low, high)
    for i, (low, high) in enumerate([(0, 0), (0, 6), (6, 12), (12, 25), (25, 50), (50, 100)])
)


def study(rows: Sequence[dict[str, Any]], acts: Sequence[dict[str, Any]] = ()) -> StudyData:
    """Give a study with these leaf rows; `day` counts from 1 March 2021, plants are single letters."""
    return StudyData(
        study_id=b"s",
        name="leaves",
        profile=Profile(damage_classes={"six classes": SIX}),
        tables={"leaf": _table("leaf", rows), "intervention": _table("intervention", acts)},
    )


def _table(kind: str, rows: Sequence[dict[str, Any]]) -> pl.DataFrame:
    made = []
    for i, row in enumerate(rows):
        when = FIRST + timedelta(days=row["day"])
        own = {k: v for k, v in row.items() if k != "day"}
        own["plant"] = own["plant"].encode()
        ident = own.pop("id", f"{kind}{i:03d}").encode()
        made.append({"record_id": ident, "subject_id": ident, "when_earliest": when, "when_latest": when, **own})
    return as_table(kind, pl.DataFrame(made, infer_schema_length=None)) if made else as_table(kind, pl.DataFrame())


def marked(plant: str, leaf: str, *scores: tuple[int, float | str]) -> list[dict[str, Any]]:
    """Give the rows of one marked leaf: (day, per cent missing or fate)."""
    return [
        {"plant": plant, "leaf": leaf, "day": day, "chosen": "marked"}
        | ({"fate": what} if isinstance(what, str) else {"missing_pct": float(what), "fate": "present"})
        for day, what in scores
    ]


def after(rows: Sequence[dict[str, Any]], years: float = 1.0) -> pl.DataFrame:
    """Give the plant means of marked leaves some years after marking."""
    leaves = followed_leaves(leaf_scores(study(rows))).with_columns(value=pl.lit("all"))
    return plant_means(leaves_after(eaten_share(leaves, "value"), years, 0.125))


def test_a_leaf_lies_on_the_line_between_the_looks_around_a_year() -> None:
    """Ten per cent at 300 days and 40 at 400 make 29.575 at 365.25 days."""
    found = after(marked("a", "1", (0, 0), (300, 10), (400, 40)))
    assert found[BY_FATE].to_list() == pytest.approx([0.10 + 0.30 * 65.25 / 100])
    assert found["beyond"].to_list() == [False]


def test_the_line_is_drawn_on_only_a_little() -> None:
    """A last look a month early is drawn on along the last two looks; one four months early is not used."""
    found = after([*marked("a", "1", (0, 0), (180, 10), (340, 26)), *marked("b", "1", (0, 0), (120, 10), (240, 26))])
    assert found["plant"].to_list() == [b"a"]
    assert found[BY_FATE].to_list() == pytest.approx([0.26 + 0.001 * 25.25])
    assert found["beyond"].to_list() == [True]


def test_vanished_leaves_are_counted_in_three_ways() -> None:
    """One leaf with 20 % missing, one eaten, one dropped: by fate 60 %, all dropped 20 %, all eaten 73.3 %."""
    rows = [
        *marked("a", "1", (0, 0), (300, 20), (400, 20)),
        *marked("a", "2", (0, 0), (300, "eaten")),
        *marked("a", "3", (0, 0), (300, "abscised")),
    ]
    found = after(rows).row(0, named=True)
    assert found[BY_FATE] == pytest.approx(0.6)
    assert found[ALL_DROPPED] == pytest.approx(0.2)
    assert found[ALL_EATEN] == pytest.approx(2.2 / 3)


def test_unknown_fates_follow_the_known_ones() -> None:
    """With one eaten and one dropped leaf known, a leaf that vanished unseen counts as eaten by half."""
    rows = [
        *marked("a", "1", (0, 0), (400, "eaten")),
        *marked("a", "2", (0, 0), (400, "abscised")),
        *marked("b", "1", (0, 0), (400, "unknown")),
    ]
    leaves = followed_leaves(leaf_scores(study(rows))).with_columns(value=pl.lit("all"))
    told = eaten_share(leaves, "value").filter(pl.col("fate") == "unknown")
    assert told["eaten"].to_list() == pytest.approx([0.5])


def test_a_leaf_seen_again_had_not_vanished() -> None:
    """A fate that a later score disproves does not count."""
    rows = marked("a", "1", (0, 0), (180, "unknown"), (360, 30), (380, 50))
    found = followed_leaves(leaf_scores(study(rows)))
    assert found["fate"].to_list() == ["present"] * 3


def test_vanished_leaves_do_not_stand_for_a_plant_that_was_lost() -> None:
    """A plant nobody looked at after half a year does not count, though one of its leaves is known to be eaten."""
    rows = [*marked("a", "1", (0, 0), (180, "eaten")), *marked("a", "2", (0, 0), (180, 5))]
    assert after(rows).is_empty()


def test_vanished_leaves_do_not_stand_for_leaves_marked_some_days_apart() -> None:
    """A leaf that was eaten does not count alone where the others of its plant were never looked at again."""
    eaten, other = marked("a", "1", (0, 10), (180, "eaten")), marked("a", "2", (9, 10), (180, 12))
    leaves = followed_leaves(leaf_scores(study([*eaten, *other]))).with_columns(value=pl.lit("all"))
    alive = pl.DataFrame({"plant": [b"a"], "last": [leaves["marked_t"][0] + 400.0]})
    assert leaves_after(eaten_share(leaves, "value"), 1.0, 0.125, alive).is_empty()


def test_a_plant_without_a_leaf_left_counts_if_it_lived() -> None:
    """A plant all of whose leaves were eaten counts as long as it was seen alive later."""
    leaves = followed_leaves(leaf_scores(study(marked("a", "1", (0, 0), (180, "eaten"))))).with_columns(
        value=pl.lit("x")
    )
    leaves = eaten_share(leaves, "value")
    day = (FIRST - date(1970, 1, 1)).days
    alive = pl.DataFrame({"plant": [b"a"], "last": [day + 400.0]})
    dead = pl.DataFrame({"plant": [b"a"], "last": [day + 200.0]})
    assert leaves_after(leaves, 1.0, 0.125, alive)["wv_fate"].to_list() == [1.0]
    assert leaves_after(leaves, 1.0, 0.125, dead).is_empty()


def test_time_counts_from_the_treatment_for_leaves_marked_before_it() -> None:
    """A leaf marked five days before the treatment is a year old a year after the treatment."""
    day = (FIRST - date(1970, 1, 1)).days
    starts = pl.DataFrame({"plant": [b"a"], "start": [day + 5.0]})
    found = followed_leaves(leaf_scores(study(marked("a", "1", (0, 0), (100, 5)))), starts)
    assert found["years"].to_list() == pytest.approx([0.0, 95 / 365.25])
    assert found["late"].to_list() == [-5.0, -5.0]


def test_leaves_scored_once_are_kept_apart() -> None:
    """A randomly chosen leaf is not among the marked ones, nor a marked one among those scored once."""
    rows = [
        *marked("a", "1", (0, 0), (400, 50)),
        {"plant": "a", "leaf": "9", "day": 400, "chosen": "random", "missing_pct": 10.0},
        {"plant": "a", "leaf": "9", "day": 800, "chosen": "random", "missing_pct": 30.0},
    ]
    scores = leaf_scores(study(rows))
    assert followed_leaves(scores)["leaf"].unique().to_list() == ["1"]
    assert standing_means(scores)["standing"].to_list() == pytest.approx([0.2])


def test_a_leaf_scored_on_two_days_is_marked_if_nobody_said_how_it_was_chosen() -> None:
    """Without a word on the choice, the same leaf on two days is a marked leaf."""
    rows = [
        {"plant": "a", "leaf": "1", "day": 0, "missing_pct": 1.0},
        {"plant": "a", "leaf": "1", "day": 90, "missing_pct": 9.0},
        {"plant": "a", "leaf": "2", "day": 0, "missing_pct": 3.0},
    ]
    assert leaf_scores(study(rows)).rows["marked"].to_list() == [True, True, False]


def test_repeats_and_calibration_leaves_tell_of_the_observer() -> None:
    """A repeat gives a difference and no second score; a calibration leaf gives a bias and is left out."""
    rows = [
        {"id": "x", "plant": "a", "leaf": "1", "day": 0, "chosen": "random", "missing_pct": 20.0, "observer": "Ada"},
        {"plant": "a", "leaf": "1", "day": 0, "missing_pct": 26.0, "repeat_of": b"x", "observer": "Bram"},
        {
            "id": "c",
            "plant": "a",
            "leaf": "T",
            "day": 0,
            "chosen": "random",
            "missing_pct": 30.0,
            "true_missing_pct": 22.0,
        },
    ]
    scores = leaf_scores(study(rows))
    assert scores.repeats.rows() == [("Bram", pytest.approx(0.06))]
    assert scores.calibration["error"].to_list() == pytest.approx([0.08])
    assert scores.rows["share"].to_list() == pytest.approx([0.2])
    assert scores.left_out == {CALIBRATION: [b"c"]}


def test_a_class_stands_for_the_middle_of_its_limits() -> None:
    """Class 4 of 25 to 50 % counts as 37.5 %; a class that the table does not hold is left out, as is an empty row."""
    rows = [
        {"plant": "a", "leaf": "1", "day": 0, "chosen": "random", "damage_class": "4", "class_table": "six classes"},
        {"id": "y", "plant": "a", "leaf": "2", "day": 0, "chosen": "random", "damage_class": "7"},
        {"id": "z", "plant": "a", "leaf": "3", "day": 0, "chosen": "random"},
    ]
    scores = leaf_scores(study(rows))
    assert scores.rows["share"].to_list() == pytest.approx([0.375])
    assert scores.classes == SIX
    assert scores.left_out == {NO_LIMITS: [b"y"], NO_SCORE: [b"z"]}


def test_middles_lie_in_their_own_class() -> None:
    """The class of a class's middle is that class, for the six classes of common use."""
    middles = pl.DataFrame({"m": [(c.low_pct + c.high_pct) / 200 for c in SIX]})
    assert middles.select(c=class_of(pl.col("m"), SIX))["c"].to_list() == list(range(6))


def test_scores_soon_after_an_insecticide_are_told() -> None:
    """Within 14 days after the spray counts, the day itself and later days do not, nor another plant."""
    acts = [{"plant": "a", "day": 10, "kind": "insecticide"}, {"plant": "b", "day": 10, "kind": "sham"}]
    rows = [*marked("a", "1", (10, 0), (20, 1), (24, 2)), *marked("b", "1", (10, 0), (20, 1))]
    data = study(rows, acts)
    assert in_residue(data, leaf_scores(data).rows).to_list() == [False, True, False, False, False]


def test_the_order_of_rows_does_not_matter() -> None:
    """Turned round, the rows give the same plant means."""
    rows = [
        *marked("a", "1", (0, 0), (300, 20), (400, 25)),
        *marked("a", "2", (0, 0), (300, "unknown")),
        *marked("b", "1", (0, 0), (300, "eaten")),
        *marked("b", "2", (0, 0), (300, 5), (400, 45)),
    ]
    assert after(rows).equals(after(rows[::-1]))
