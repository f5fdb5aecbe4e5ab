"""Decay with distance, and the share gone after each visit, against R (another program's output, reference/stumps)."""

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from domatia.questions.resprout_numbers import Material, after_visits
from domatia.stats.canonical import coefficients
from domatia.stats.decay import LONGEST, exponential_decay

LINES = (Path(__file__).parents[2] / "reference" / "stumps" / "stumps.out").read_text(encoding="utf-8").splitlines()
DISTANCE = np.array([0.5, 0.8, 1.2, 1.5, 2, 2.2, 2.9, 3.1, 3.6, 4.4, 5, 5.5, 6.3, 7, 7.7, 8.1, 9.4, 10, 11.2, 12])
EVENT = np.array([1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0], dtype=np.float64)
NUMBER = [1, 1, 1, 2, 2, 3, 3, 3, 4, 5, 5, 6, 2, 4, 6]
GONE = [1, 1, 0, 1, 1, 1, 0, 1, 1, 1, 0, 0, 0, 1, 1]


def printed(name: str) -> list[float]:
    """Read the numbers of one line."""
    words = next(line for line in LINES if line.startswith(name)).split()
    return [float(w) for w in words if w.replace(".", "").replace("-", "").replace("e", "").isdigit()]


def test_an_exponential_decay() -> None:
    """Start, length and log-likelihood (R's optim, BFGS from twelve starts)."""
    found = exponential_decay(DISTANCE, EVENT)
    start, length, loglik = printed("decay")
    assert found.start == pytest.approx(start, rel=1e-4)
    assert found.length == pytest.approx(length, rel=1e-4)
    assert found.log_likelihood == pytest.approx(loglik, abs=1e-7)
    assert found.halving == pytest.approx(length * np.log(2), rel=1e-4)


def test_a_logistic_curve() -> None:
    """Coefficients (R's glm)."""
    design = np.column_stack([np.ones(len(DISTANCE)), DISTANCE])
    np.testing.assert_allclose(coefficients(EVENT, design, "logit"), printed("logistic"), rtol=1e-6)


def test_the_share_gone_after_each_visit() -> None:
    """Kaplan and Meier over visits (R's survfit), stumps as their own blocks."""
    ends = pl.DataFrame({"plant": [str(i).encode() for i in range(15)], "number": NUMBER, "gone": GONE,
                         "cluster": list(range(15))})  # fmt: skip
    about = Material(ends, ends, ends, (), "crown", 15, [], {})
    np.testing.assert_allclose(after_visits(about)["share"].to_numpy(), printed("share gone"), rtol=1e-9)


def test_what_cannot_decay_is_refused_and_a_flat_chance_has_no_length() -> None:
    """Distances alike or events alike: an error; a chance that rises: the longest length there is."""
    with pytest.raises(ValueError, match="not all alike"):
        exponential_decay(np.ones(5), EVENT[:5])
    with pytest.raises(ValueError, match="events and non-events"):
        exponential_decay(DISTANCE, np.ones(20))
    rising = exponential_decay(DISTANCE, EVENT[::-1])
    assert rising.length > 0.99 * LONGEST * 12


def test_a_simulated_decay_is_found_again() -> None:
    """20,000 stumps with start 0.75 and length 4 m (simulated truth)."""
    rng = np.random.default_rng(2)
    distance = rng.uniform(0, 15, 20_000)
    event = (rng.random(20_000) < 0.75 * np.exp(-distance / 4)).astype(np.float64)
    found = exponential_decay(distance, event)
    assert found.start == pytest.approx(0.75, abs=0.02)
    assert found.length == pytest.approx(4.0, rel=0.04)
