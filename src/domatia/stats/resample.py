"""Resampling whole clusters: the bootstrap with percentile and basic intervals, and the jackknife.

Clusters (blocks), not rows, are drawn with replacement, so that what rows of a cluster share is kept (Davison & Hinkley
1997, Bootstrap Methods and their Application, sections 3.8 and 5.2-5.3; Efron & Tibshirani 1993, An Introduction to the
Bootstrap, chapter 11). With fewer than about ten clusters its intervals are too narrow; prefer a corrected sandwich.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Bools, Floats, Ints

FEWEST_CLUSTERS = 10


@dataclass(frozen=True)
class Draw:
    """One resample.

    Attributes
    ----------
    rows : array, shape (m,)
        Row numbers; rows of a cluster drawn twice stand twice.
    clusters : array, shape (m,)
        A fresh code for each drawn cluster, so that a cluster drawn twice counts as two.
    """

    rows: Ints
    clusters: Ints


@dataclass(frozen=True)
class Resampled:
    """The outcome of a bootstrap.

    Attributes
    ----------
    estimate : array, shape (k,)
        The statistic of the data as they are.
    replicates : array, shape (B, k)
        The statistic of each resample for which it is finite.
    failed : int
        Resamples for which it was not.
    warnings : tuple of str
        Each ``"code: sentence"``.
    """

    estimate: Floats
    replicates: Floats
    failed: int
    warnings: tuple[str, ...]

    @property
    def standard_error(self) -> Floats:
        """Standard deviation of the replicates, shape (k,)."""
        return np.asarray(self.replicates.std(axis=0, ddof=1), dtype=np.float64)

    def percentile(self, level: float = 0.95) -> tuple[Floats, Floats]:
        """Return the ends of the percentile interval."""
        return percentile_interval(self.replicates, level)

    def basic(self, level: float = 0.95) -> tuple[Floats, Floats]:
        """Return the ends of the basic interval: the estimate less the replicates' excess."""
        low, high = percentile_interval(self.replicates, level)
        return 2 * self.estimate - high, 2 * self.estimate - low


def percentile_interval(replicates: Floats, level: float = 0.95) -> tuple[Floats, Floats]:
    """Return the quantiles that leave equal tails outside, for each column.

    Raises
    ------
    ValueError
        If the level is not between 0 and 1 or there are fewer than two replicates.
    """
    if not 0 < level < 1:
        raise ValueError(f"level {level} is not between 0 and 1; 0.95 is usual")
    if len(replicates) < 2:
        raise ValueError(f"an interval needs replicates, but only {len(replicates)} could be computed")
    tail = (1 - level) / 2
    # quantiles at (B + 1) p, Davison & Hinkley 1997, section 5.2.1
    low, high = np.quantile(replicates, [tail, 1 - tail], axis=0, method="weibull")
    return low, high


def cluster_bootstrap(
    statistic: Callable[[Draw], Floats],
    clusters: Ints,
    rng: np.random.Generator,
    *,
    replicates: int = 1000,
    strata: Ints | None = None,
    tick: Callable[[int, int], None] | None = None,
) -> Resampled:
    """Draw clusters with replacement and compute the statistic each time.

    Parameters
    ----------
    statistic : callable
        Takes a `Draw`, returns the statistics, shape (k,); nan where it cannot be computed.
    clusters : array, shape (n,)
        Code of each row's cluster.
    rng : numpy.random.Generator
        Source of the draws; the clusters are numbered by ascending code, so row order does not matter.
    replicates : int
        Resamples.
    strata : array, shape (n,), or None
        Code of each row's stratum; clusters are then drawn within strata.
    tick : callable or None
        Called with the number done and the total.

    Raises
    ------
    ValueError
        If a cluster lies in several strata, there are fewer than two clusters, or fewer than two replicates.
    """
    members = _members(clusters)
    if len(members) < 2 or replicates < 2:
        raise ValueError(f"a bootstrap needs two clusters and two replicates, not {len(members)} and {replicates}")
    groups = _strata(members, strata)
    estimate = np.atleast_1d(statistic(_draw(members, np.arange(len(members)))))
    found = np.empty((replicates, len(estimate)))
    for b in range(replicates):
        chosen = np.concatenate([rng.choice(group, len(group)) for group in groups])
        found[b] = statistic(_draw(members, chosen))
        if tick is not None:
            tick(b + 1, replicates)
    good: Bools = np.asarray(np.isfinite(found).all(axis=1), dtype=np.bool_)
    return Resampled(estimate, found[good], int((~good).sum()), _remarks(len(members), groups, good))


def _remarks(n_clusters: int, groups: list[Ints], good: Bools) -> tuple[str, ...]:
    """Say what limits the bootstrap."""
    notes = []
    if n_clusters < FEWEST_CLUSTERS:
        notes.append(f"few_clusters: only {n_clusters} clusters; bootstrap intervals are then too narrow")
    alone = sum(len(group) == 1 for group in groups)
    if alone:
        notes.append(f"single_clusters: {alone} strata hold a single cluster, which cannot vary between resamples")
    if not good.all():
        notes.append(f"failed_replicates: the statistic could not be computed for {int((~good).sum())} resamples")
    return tuple(notes)


def _members(clusters: Ints) -> list[Ints]:
    """Return the rows of each cluster, clusters by ascending code."""
    _, code = np.unique(clusters, return_inverse=True)
    order = np.argsort(code, kind="stable")
    cuts = np.flatnonzero(np.diff(code[order])) + 1
    return [part.astype(np.int64) for part in np.split(order, cuts)]


def _strata(members: list[Ints], strata: Ints | None) -> list[Ints]:
    """Return the clusters of each stratum."""
    if strata is None:
        return [np.arange(len(members))]
    homes = [np.unique(strata[rows]) for rows in members]
    if any(len(home) > 1 for home in homes):
        raise ValueError("a bootstrap within strata needs each cluster to lie in one stratum")
    home = np.array([h[0] for h in homes])
    return [np.flatnonzero(home == stratum) for stratum in np.unique(home)]


def _draw(members: list[Ints], chosen: Ints) -> Draw:
    """Assemble the rows of the chosen clusters."""
    parts = [members[c] for c in chosen]
    return Draw(np.concatenate(parts), np.repeat(np.arange(len(parts)), [len(part) for part in parts]))


@dataclass(frozen=True)
class Jackknifed:
    """The outcome of leaving out one cluster at a time.

    Attributes
    ----------
    estimate : array, shape (k,)
        The statistic of all clusters.
    left_out : array, shape (m,)
        Code of the cluster left out.
    without : array, shape (m, k)
        The statistic without it.
    bias, standard_error : array, shape (k,)
        Jackknife estimates of bias and standard error; nan if a statistic could not be computed (then a warning).
    df : int
        Clusters less one, for t.
    warnings : tuple of str
    """

    estimate: Floats
    left_out: Ints
    without: Floats
    bias: Floats
    standard_error: Floats
    df: int
    warnings: tuple[str, ...]


def cluster_jackknife(
    statistic: Callable[[Draw], Floats],
    clusters: Ints,
    *,
    tick: Callable[[int, int], None] | None = None,
) -> Jackknifed:
    """Compute the statistic without each cluster in turn.

    Parameters
    ----------
    statistic, clusters, tick
        As in `cluster_bootstrap`.

    Raises
    ------
    ValueError
        If there are fewer than two clusters.
    """
    members = _members(clusters)
    m = len(members)
    if m < 2:
        raise ValueError("a jackknife needs at least two clusters")
    estimate = np.atleast_1d(statistic(_draw(members, np.arange(m))))
    without = np.empty((m, len(estimate)))
    for c in range(m):
        without[c] = statistic(_draw(members, np.delete(np.arange(m), c)))
        if tick is not None:
            tick(c + 1, m)
    centre = without.mean(axis=0)
    error = np.sqrt((m - 1) / m * np.sum((without - centre) ** 2, axis=0))
    failed = int((~np.isfinite(without).all(axis=1)).sum())
    note = f"failed_replicates: the statistic could not be computed without {failed} of the clusters"
    return Jackknifed(
        estimate, np.unique(clusters), without, (m - 1) * (centre - estimate), error, m - 1, (note,) if failed else ()
    )
