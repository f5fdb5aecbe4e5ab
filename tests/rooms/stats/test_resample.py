"""Resampling clusters: repeatable, blind to row order, whole clusters only; jackknife algebra."""

import numpy as np
import pytest

from domatia.stats.arrays import Floats, Ints
from domatia.stats.resample import Draw, cluster_bootstrap, cluster_jackknife, percentile_interval

N = 90
RNG = np.random.default_rng(12)
CLUSTERS: Ints = np.repeat(np.arange(15), 6) * 7 + 3
STRATA: Ints = np.repeat(np.arange(15) % 3, 6)
Y = RNG.normal(0, 1, 15)[(CLUSTERS - 3) // 7] + RNG.normal(0, 1, N)


def mean(draw: Draw) -> Floats:
    """Return the mean of the drawn rows."""
    return np.array([Y[draw.rows].mean()])


def test_the_same_seed_gives_the_same_replicates_in_any_row_order() -> None:
    """Replicates repeat from the seed, and shuffled rows give the same to rounding."""
    first = cluster_bootstrap(mean, CLUSTERS, np.random.default_rng(1), replicates=50)
    again = cluster_bootstrap(mean, CLUSTERS, np.random.default_rng(1), replicates=50)
    np.testing.assert_array_equal(first.replicates, again.replicates)
    order = np.random.default_rng(2).permutation(N)
    shuffled = cluster_bootstrap(
        lambda draw: np.array([Y[order][draw.rows].mean()]), CLUSTERS[order], np.random.default_rng(1), replicates=50
    )
    np.testing.assert_allclose(first.replicates, shuffled.replicates, atol=1e-14)


def test_whole_clusters_are_drawn_and_twins_are_kept_apart() -> None:
    """Every drawn cluster comes whole, and one drawn twice has two codes."""

    def check(draw: Draw) -> Floats:
        codes, counts = np.unique(draw.clusters, return_counts=True)
        assert len(codes) == 15
        assert set(counts) == {6}
        for code in codes:
            assert len(np.unique(CLUSTERS[draw.rows[draw.clusters == code]])) == 1
        return np.array([float(len(np.unique(CLUSTERS[draw.rows])))])

    found = cluster_bootstrap(check, CLUSTERS, np.random.default_rng(3), replicates=40)
    assert found.estimate[0] == 15
    assert found.replicates.max() < 15


def test_strata_keep_their_numbers_of_clusters() -> None:
    """Drawing within strata keeps each stratum's number of clusters in every replicate."""

    def share(draw: Draw) -> Floats:
        return np.bincount(STRATA[draw.rows], minlength=3) / len(draw.rows)

    found = cluster_bootstrap(share, CLUSTERS, np.random.default_rng(4), replicates=30, strata=STRATA)
    np.testing.assert_allclose(found.replicates, 1 / 3)


def test_standard_error_allows_for_clusters() -> None:
    """The bootstrap's error of a mean is near that of the cluster means, far above that of independent rows."""
    found = cluster_bootstrap(mean, CLUSTERS, np.random.default_rng(5), replicates=2000)
    means = Y.reshape(15, 6).mean(axis=1)
    between = means.std(ddof=0) / np.sqrt(15)
    assert found.standard_error[0] == pytest.approx(between, rel=0.06)
    low, high = found.percentile()
    assert low[0] < found.estimate[0] < high[0]
    basic_low, basic_high = found.basic()
    assert basic_low[0] == pytest.approx(2 * found.estimate[0] - high[0])
    assert basic_high[0] == pytest.approx(2 * found.estimate[0] - low[0])


def test_replicates_that_fail_are_counted_and_named() -> None:
    """A statistic that is nan in some replicates leaves them out, counts them and says so; progress is told."""
    seen: list[tuple[int, int]] = []

    def fragile(draw: Draw) -> Floats:
        return np.array([np.nan if 3 not in CLUSTERS[draw.rows] else Y[draw.rows].mean()])

    found = cluster_bootstrap(
        fragile, CLUSTERS, np.random.default_rng(6), replicates=60, tick=lambda done, total: seen.append((done, total))
    )
    assert found.failed > 0
    assert len(found.replicates) == 60 - found.failed
    assert any(note.startswith("failed_replicates:") for note in found.warnings)
    assert seen[-1] == (60, 60)


def test_few_clusters_are_named() -> None:
    """Fewer than ten clusters carry a warning, as does a stratum with a single cluster."""
    few = cluster_bootstrap(
        lambda draw: np.array([Y[draw.rows].mean()]),
        CLUSTERS // 30,
        np.random.default_rng(7),
        replicates=10,
        strata=(CLUSTERS // 30 > 0).astype(np.int64),
    )
    assert any(note.startswith("few_clusters:") for note in few.warnings)
    assert any(note.startswith("single_clusters:") for note in few.warnings)


def test_jackknife_of_a_mean_is_the_usual_error() -> None:
    """For equal clusters the jackknife's error of a mean is the spread of cluster means over their root number."""
    found = cluster_jackknife(mean, CLUSTERS)
    means = Y.reshape(15, 6).mean(axis=1)
    assert found.standard_error[0] == pytest.approx(means.std(ddof=1) / np.sqrt(15), rel=1e-10)
    assert found.bias[0] == pytest.approx(0, abs=1e-12)
    assert found.df == 14
    assert found.left_out.tolist() == sorted(set(CLUSTERS.tolist()))
    assert found.warnings == ()


def test_wrong_use_is_refused() -> None:
    """One cluster, clusters across strata, no replicates and odd levels are refused."""
    rng = np.random.default_rng(0)
    with pytest.raises(ValueError, match="needs two clusters"):
        cluster_bootstrap(mean, CLUSTERS * 0, rng)
    with pytest.raises(ValueError, match="lie in one stratum"):
        cluster_bootstrap(mean, CLUSTERS, rng, strata=np.arange(N) % 2)
    with pytest.raises(ValueError, match="at least two clusters"):
        cluster_jackknife(mean, CLUSTERS * 0)
    with pytest.raises(ValueError, match="not between 0 and 1"):
        percentile_interval(np.zeros((5, 1)), 95)
    with pytest.raises(ValueError, match="needs replicates"):
        percentile_interval(np.zeros((1, 1)))
