"""Climbing where a coefficient may run off to infinity."""

import numpy as np
from numpy.testing import assert_allclose

from domatia.stats.separation import log_f_prior, members


def test_prior_is_half_an_event_in_one_trial() -> None:
    """The log-F(1,1) prior is the likelihood of half an event among one, b/2 - log(1 + e^b), with its derivatives."""
    b = np.array([-3.0, 0.0, 2.0])
    value, slope, curve = log_f_prior(b)
    assert_allclose(value, (b / 2 - np.log1p(np.exp(b))).sum())
    up, down = (np.array([log_f_prior(b + s * e)[0] for e in 1e-5 * np.eye(3)]) for s in (1, -1))
    assert_allclose(slope, (up - down) / 2e-5, atol=1e-9)
    assert_allclose(curve, -(up - 2 * value + down) / 1e-10, atol=1e-4)


def test_members_list_each_group_once() -> None:
    """Every row number appears in its own group, in order."""
    found = members(np.array([2, 0, 2, 1, 0]), 3)
    assert [part.tolist() for part in found] == [[1, 4], [3], [0, 2]]
