"""What is true of trials with intruders, counted on very many of them."""

from collections.abc import Iterable
from dataclasses import dataclass, fields

import numpy as np

from domatia.lifecycle.spec import Spec
from domatia.lifecycle.stand import Bools, Floats, Ints
from domatia.lifecycle.true_value import TrueValue

WITHIN, WATCH_S = "within 10 min of release", 600.0
CONTRASTS = (("removal", "sham"), ("removal", "control"), ("sham", "control"))


@dataclass(frozen=True)
class Watched:
    """Trials as they happened, one entry each.

    Attributes
    ----------
    met, end : array of float
        Seconds to first contact (infinity without any) and to the end, whole seconds begun.
    cause : array of int
        0 the watch stopped, 1 excluded, 2 left.
    by_wind, tied : array of bool
    contacts, attacks, grade : array of int
        Grade of the response, -1 without contact.
    """

    met: Floats
    end: Floats
    cause: Ints
    by_wind: Bools
    tied: Bools
    contacts: Ints
    attacks: Ints
    grade: Ints

    def take(self, rows: Ints) -> "Watched":
        """Give some of the trials."""
        return Watched(*(getattr(self, f.name)[rows] for f in fields(self)))


def share_by(end: Floats, cause: Ints, of: int, when: float) -> float:
    """Give the share that one cause has ended by a time, others competing and stopped watches taken as unrelated."""
    order = np.lexsort((cause == 0, end))
    at_risk = len(end) - np.arange(len(end))
    ended = cause[order] > 0
    alive = np.cumprod(1.0 - ended / at_risk)
    before = np.concatenate([[1.0], alive[:-1]])
    hit = (cause[order] == of) & (end[order] <= when)
    return float((before / at_risk)[hit].sum())


def log_hazard_ratios(time: Floats, moved: Bools, X: Floats) -> Floats:
    """Give the coefficients of proportional hazards that fit best."""
    order = np.argsort(-time, kind="stable")
    t, d, x = time[order], moved[order], X[order]
    last = np.searchsorted(-t, -t, side="right") - 1
    b = np.zeros(x.shape[1])
    for _ in range(8):
        w = np.exp(x @ b)
        total = np.cumsum(w)[last][d]
        mean = np.cumsum(w[:, None] * x, axis=0)[last][d] / total[:, None]
        information = -mean.T @ mean
        for i in range(x.shape[1]):
            for j in range(x.shape[1]):
                information[i, j] += (np.cumsum(w * x[:, i] * x[:, j])[last][d] / total).sum()
        step = np.linalg.solve(information, (x[d] - mean).sum(axis=0))
        b = b + step
        if np.abs(step).max() < 1e-7:
            break
    return np.asarray(b, dtype=np.float64)


def log_odds_ratios(grade: Ints, group: Ints, groups: int) -> Floats:
    """Give the cumulative-logit coefficients of groups 1, 2, ... against group 0 that fit best."""
    from scipy.optimize import minimize

    levels, codes = np.unique(grade, return_inverse=True)
    counts = np.zeros((groups, len(levels)))
    np.add.at(counts, (group, codes.ravel()), 1.0)
    counts /= counts.sum()

    def loss(theta: Floats) -> float:
        b = np.concatenate([[0.0], theta[: groups - 1]])
        cuts = np.cumsum(np.concatenate([theta[groups - 1 : groups], np.exp(theta[groups:])]))
        below = 1.0 / (1.0 + np.exp(-(cuts[None, :] - b[:, None])))
        chance = np.diff(np.hstack([np.zeros((groups, 1)), below, np.ones((groups, 1))]), axis=1)
        return float(-(counts * np.log(np.maximum(chance, 1e-12))).sum())

    share = np.cumsum(counts.sum(axis=0))[:-1]
    cuts = np.log(share / (1.0 - share))
    start = np.concatenate([np.zeros(groups - 1), cuts[:1], np.log(np.diff(cuts))])
    return np.asarray(minimize(loss, start, method="BFGS", options={"gtol": 1e-8}).x[: groups - 1], dtype=np.float64)


def true_values(spec: Spec, label: str, w: Watched, told: tuple[Ints, Ints, Ints]) -> Iterable[TrueValue]:
    """Give every effect; `told` is arm, intruder and 0 vacant, 1 held by a defender, 2 another, one entry a trial."""
    arm, kind, held = told
    at = {a.role: i for i, a in enumerate(spec.arms)}
    names = [a.name for a in spec.arms]
    met = np.isfinite(w.met)
    contact_cause = np.where(met, 1, np.where(w.cause > 0, 2, 0))
    contact_time = np.where(met, w.met, w.end)
    pairs = [(at[o], at[a]) for o, a in CONTRASTS if o in at and a in at]

    def value(name: str, of: str, against: str, number: float, where: str) -> TrueValue:
        return TrueValue("intruders", name, of, against, where, float(number), "1")

    for name, time, cause in (("excluded", w.end, w.cause), ("contacted", contact_time, contact_cause)):
        each = [share_by(time[arm == i], cause[arm == i], 1, WATCH_S) for i in range(len(names))]
        for i, n in enumerate(names):
            yield value(f"{name}_share", n, "", each[i], label + WITHIN)
        for i, j in pairs:
            yield value(f"{name}_difference", names[i], names[j], each[i] - each[j], label + WITHIN)
    two = [share_by(w.end[held == k], w.cause[held == k], 1, WATCH_S) for k in (1, 0)]
    where = f"as occupied, whatever the treatment, {label}{WITHIN}"
    yield value("excluded_difference", "held by a defending ant", "vacant", two[0] - two[1], where)
    kinds = np.unique(kind)
    X = np.column_stack([*((arm == i) for i in range(1, len(names))), *((kind == k) for k in kinds[1:])]).astype(float)
    after = np.where(met, np.maximum(w.end - np.where(met, w.met, 0.0), 0.5), 0.0)
    for name, begin, time, moved, rows in (
        ("exclusion", "from release", w.end, w.cause == 1, np.full(len(arm), True)),
        ("exclusion", "from first contact", after, w.cause == 1, met),
        ("leaving", "from release", w.end, w.cause == 2, np.full(len(arm), True)),
        ("contact", "from release", contact_time, met, np.full(len(arm), True)),
    ):
        b = np.concatenate([[0.0], log_hazard_ratios(time[rows], moved[rows], X[rows])[: len(names) - 1]])
        for i, j in pairs:
            yield value(f"{name}_hazard_ratio", names[i], names[j], np.exp(b[i] - b[j]), label + begin)
    yield from _rates_and_responses(names, pairs, label, (arm, w))


def _rates_and_responses(
    names: list[str], pairs: list[tuple[int, int]], label: str, seen: tuple[Ints, Watched]
) -> Iterable[TrueValue]:
    arm, w = seen
    contacts, attacks, seconds = (np.bincount(arm, v) for v in (w.contacts, w.attacks, w.end))
    b = np.concatenate([[0.0], log_odds_ratios(w.grade, arm, len(names))])
    for i, j in pairs:
        for name, rate, where in (
            ("encounter_rate_ratio", contacts / seconds, "all of the watch"),
            ("attacks_per_contact_ratio", attacks / contacts, "all of the watch"),
            ("response_odds_ratio", np.exp(b), "strongest response"),
        ):
            yield TrueValue("intruders", name, names[i], names[j], label + where, float(rate[i] / rate[j]), "1")
