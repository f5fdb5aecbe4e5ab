"""Degrees of freedom from clusters' information."""

import numpy as np
import pytest

from domatia.stats.arrays import Floats
from domatia.stats.cluster_scores import ClusterScores


def scores(information: Floats) -> ClusterScores:
    """Return scores of nought with the given information."""
    m, p, _ = information.shape
    return ClusterScores(tuple("abc"[:p]), np.arange(m), np.zeros((m, p)), information)


def test_equal_clusters_have_their_number_less_one() -> None:
    """With equal information for one parameter the degrees of freedom are clusters less one."""
    assert scores(np.ones((12, 1, 1))).contrast_df(np.ones(1)) == pytest.approx(11)


def test_unequal_clusters_have_fewer() -> None:
    """A dominating cluster lowers them, as does a covariate that differs between two of the clusters only."""
    uneven = np.ones((12, 1, 1))
    uneven[0] = 20
    assert scores(uneven).contrast_df(np.ones(1)) < 8
    between = np.zeros((12, 2, 2))
    for c in range(12):
        x = np.array([1.0, float(c < 2)])
        between[c] = np.outer(x, x)
    assert scores(between).contrast_df(np.array([0.0, 1.0])) < 2.5


def test_two_sample_contrast_is_welchs() -> None:
    """For clusters of one row in two samples of equal number they are those of Welch's t with equal variances."""
    information = np.zeros((10, 2, 2))
    for c in range(10):
        x = np.array([1.0, float(c < 5)])
        information[c] = np.outer(x, x)
    assert scores(information).contrast_df(np.array([0.0, 1.0])) == pytest.approx(8)


def test_covariance_inverts_the_summed_information() -> None:
    """The model's covariance is the inverse of the sum."""
    information = np.stack([np.diag([1.0, 2.0]), np.diag([3.0, 2.0])])
    np.testing.assert_allclose(scores(information).covariance, np.diag([0.25, 0.25]))
