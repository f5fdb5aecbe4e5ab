"""Chances of several ends over time when the moment of each end is known: the Aalen-Johansen estimator.

An individual is watched until one of the causes 1..C ends it or the watch stops (cause 0). With Y(t) watched just
before t, S the product-limit chance that nothing has ended it, and dN_k(t) ends by cause k at t,

    F_k(t) = sum over u <= t of S(u-) dN_k(u) / Y(u),

the chance that cause k has ended it by t, the other causes being at work as they were. Taking other causes for stopped
watches and reading one minus Kaplan-Meier would overstate it. Standard errors are those of the infinitesimal jackknife,
from what each individual adds, summed by group.

Sources: Aalen & Johansen 1978, Scand. J. Stat. 5:141-150; Efron 1982, The Jackknife, the Bootstrap and Other Resampling
Plans, SIAM, section 6.3 (infinitesimal jackknife). It takes watches to stop for reasons that have nothing to do with
what was about to happen. Not covered: late entry, times known only to lie between two looks (see
`domatia.stats.competing`).
"""

from dataclasses import dataclass

import numpy as np

from domatia.stats.arrays import Floats, Ints


@dataclass(frozen=True, eq=False)
class Incidence:
    """Chances over time.

    Attributes
    ----------
    times : array (times,)
        Moments at which something ended, ascending.
    at_risk : array (times,)
        Individuals watched just before.
    none : array (times,)
        Chance that nothing has ended it, just after each moment.
    chances : array (times, causes)
        Chance of each cause, just after each moment.
    """

    times: Floats
    at_risk: Floats
    none: Floats
    chances: Floats

    def at(self, when: Floats) -> Floats:
        """Give the chances at any times, shape (when, causes)."""
        place = np.searchsorted(self.times, np.asarray(when, dtype=np.float64), side="right")
        return np.vstack([np.zeros((1, self.chances.shape[1])), self.chances])[place]


def incidence(stop: Floats, cause: Ints, causes: int) -> Incidence:
    """Estimate the chances.

    Parameters
    ----------
    stop : array (individuals,)
        Time of the end or of the last look, from the beginning.
    cause : array (individuals,)
        0: still there at `stop`; 1..causes: what ended it then.
    causes : int
        How many causes there are, also those that never happened.

    Raises
    ------
    ValueError
        If a time is negative or missing, or a cause is not one of 0..causes.
    """
    end, why = _checked(stop, cause, causes)
    times = np.unique(end[why > 0])
    at_risk = (len(end) - np.searchsorted(np.sort(end), times, side="left")).astype(np.float64)
    ended = _ended(end, why, times, causes)
    none = np.cumprod(1.0 - ended.sum(axis=1) / at_risk)
    before = np.concatenate([[1.0], none[:-1]])
    return Incidence(times, at_risk, none, np.cumsum(ended * (before / at_risk)[:, None], axis=0))


def influences(stop: Floats, cause: Ints, causes: int, when: float) -> Floats:
    """Give what each individual adds to the chances at one time, shape (individuals, causes).

    Each column sums to nought; the root of its sum of squares (summed by group first, where there are groups) is the
    standard error of the infinitesimal jackknife.
    """
    end, why = _checked(stop, cause, causes)
    found = incidence(end, why, causes)
    kept = found.times <= when
    times, risk = found.times[kept], found.at_risk[kept]
    ended = _ended(end, why, times, causes)
    before = np.concatenate([[1.0], found.none[:-1]])[kept]
    final = found.at(np.array([when]))[0]
    left = 1.0 - ended.sum(axis=1) / risk
    # what is still to come of a cause is lost to an individual that ended earlier for any cause
    rest = (
        np.where(left[:, None] > 0.0, final - found.chances[kept], 0.0)
        / (np.where(left > 0, left, 1.0) * risk)[:, None]
    )
    gain = (before / risk)[:, None]
    rate = ended / risk[:, None]
    spent = np.vstack([np.zeros((1, causes)), np.cumsum(gain * rate - rest * rate.sum(axis=1)[:, None], axis=0)])
    out = -spent[np.searchsorted(times, end, side="right")]
    own = np.flatnonzero((why > 0) & (end <= when))
    place = np.searchsorted(times, end[own])
    out[own] -= rest[place]
    out[own, why[own] - 1] += gain[place, 0]
    return np.asarray(out, dtype=np.float64)


def _ended(end: Floats, why: Ints, times: Floats, causes: int) -> Floats:
    out = np.zeros((len(times), causes))
    for k in range(causes):
        place = np.searchsorted(times, end[why == k + 1])
        out[:, k] = np.bincount(place, minlength=len(times) + 1)[: len(times)]
    return out


def _checked(stop: Floats, cause: Ints, causes: int) -> tuple[Floats, Ints]:
    end, why = np.asarray(stop, dtype=np.float64), np.asarray(cause).astype(np.int64)
    if len(end) != len(why):
        raise ValueError(f"there are {len(end)} times and {len(why)} causes; each individual has one of both")
    if not (end >= 0.0).all():
        raise ValueError("a time is missing or negative; leave those individuals out and say so")
    if len(why) and not (why.min() >= 0 and why.max() <= causes):
        raise ValueError(f"causes are 0 (nothing happened) to {causes}; another number was given")
    return end, why
