"""The truth of the pattern: the same chances as the question's, and what must hold whatever the seed."""

from dataclasses import replace

import numpy as np
import pytest

from domatia.lifecycle import DEFAULT
from domatia.lifecycle.layers import pattern
from domatia.lifecycle.layers.pattern import PATTERNS, _Chances, truth
from domatia.stats.point_labels import Labelling


def test_chances_are_those_of_the_question() -> None:
    """For random labels and strata both give the same chance that two plants have given ants."""
    rng = np.random.default_rng(1)
    label, stratum = rng.integers(0, 3, (4, 12)), rng.integers(0, 2, (4, 12))
    ours = _Chances(label, stratum, 3)
    theirs = Labelling(label.ravel(), ours.stratum.ravel())
    i = np.repeat(np.arange(48), 11)
    j = (i // 12) * 12 + np.concatenate([np.delete(np.arange(12), k % 12) for k in range(48)])
    for a in range(3):
        for b in range(3):
            own = ours.of(a, b, ours.stratum.ravel()[i], ours.stratum.ravel()[j])
            np.testing.assert_allclose(own, theirs.chance(a, b, i, j), atol=1e-12)


def test_truth_repeats_and_lies_where_it_must(monkeypatch: pytest.MonkeyPatch) -> None:
    """Colonies lie evenly over plants at random places; neighbours that take plants make neighbours alike."""
    monkeypatch.setattr(pattern, "STUDIES", 10)
    found = {v.key: v.value for v in truth(DEFAULT, 3)}
    assert found == {v.key: v.value for v in truth(DEFAULT, 3)}
    assert found["pattern/l_minus_r/all colonies//at 10 m"] == pytest.approx(0.0, abs=0.15)
    assert found["pattern/held_pair_ratio/all colonies/living plants/up to 10 m apart"] == pytest.approx(1.0, abs=0.025)
    near, far = (
        found[f"pattern/{k}"]
        for k in (
            "same_ant_neighbour_ratio/same ant/random labelling/exchanged within plots",
            "same_ant_pair_ratio/same ant/random labelling/up to 10 m apart",
        )
    )
    assert near > far > 1.05
    assert len(found) == 19


def test_without_contests_neighbours_are_as_chance_has_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no colony attacks its neighbours, the ratio of neighbours with the same ant is 1."""
    monkeypatch.setattr(pattern, "STUDIES", 20)
    peaceful = replace(DEFAULT, colonies=replace(DEFAULT.colonies, contest=0.0))
    found = {v.key: v.value for v in truth(peaceful, 4)}
    key = "pattern/same_ant_neighbour_ratio/same ant/random labelling/exchanged within plots"
    assert found[key] == pytest.approx(1.0, abs=0.03)


def test_nothing_is_drawn() -> None:
    """The layer adds no records."""
    assert PATTERNS.questions == ("pattern",)
