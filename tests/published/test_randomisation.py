"""The randomisation test against Fisher's own examples."""

import numpy as np
import pytest

from domatia.stats.arrays import Ints
from domatia.stats.randomisation import Assignment, randomisation_test

# Darwin's maize, crossed less self-fertilised in eighths of an inch: Fisher 1935, The Design of Experiments, table 3
MAIZE = np.array([49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48], dtype=np.float64)


def test_darwins_maize() -> None:
    """Of 32,768 ways to label the 15 pairs 1,726 give a sum as large as 314 in size (Fisher 1935, section 21)."""
    height = np.concatenate([MAIZE, np.zeros(15)])
    treatment = np.repeat([1, 0], 15)
    pair = np.tile(np.arange(15), 2)

    def difference(labels: Ints) -> float:
        return float(height[labels == 1].sum() - height[labels == 0].sum())

    found = randomisation_test(difference, Assignment(treatment, pair), np.random.default_rng(0), draws=40000)
    assert found.observed == 314
    assert found.complete
    assert found.arrangements == 32768
    assert found.as_extreme == 1726
    assert found.p == pytest.approx(0.05267, abs=5e-6)
    drawn = randomisation_test(difference, Assignment(treatment, pair), np.random.default_rng(0), draws=2999)
    assert not drawn.complete
    assert drawn.p == pytest.approx(0.05267, abs=4 * drawn.p_error)


def test_lady_tasting_tea() -> None:
    """Of eight cups, four of each kind, all are right once in 70 and at least six 17 times (Fisher 1935, section 5)."""
    truth = np.repeat([1, 0], 4)

    def right(said: Ints) -> float:
        return float(np.sum(said == truth))

    rng = np.random.default_rng(0)
    perfect = randomisation_test(right, Assignment(truth), rng, alternative="greater")
    assert (perfect.as_extreme, perfect.arrangements) == (1, 70)
    one_swap = np.array([1, 1, 1, 0, 1, 0, 0, 0])
    nearly = randomisation_test(right, Assignment(one_swap), rng, alternative="greater")
    assert (nearly.as_extreme, nearly.arrangements) == (17, 70)
