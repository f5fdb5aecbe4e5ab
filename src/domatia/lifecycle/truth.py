"""The truth of every simulated effect: the same estimand counted on very many simulated plants.

The model is run as the design says (same habitats, same mixture of arms within blocks, same rounds of re-treatment),
with many more blocks, and everything is counted with exact days, without sampling and without error. Every plant lives
once under each arm with the same random numbers (the arms of the draw are moved on), so that contrasts are sharp. A
truth is thus no parameter of the model but what an endless study of the same design would count. The definitions:

survival
    `survival_1y` share alive after 365.25 days; `survival_difference_1y` its difference;
    `restricted_mean_difference` difference of the mean days lived up to the study's years;
    `hazard_ratio` root of the partial-likelihood score over monthly person-time up to the study's years, which is
    what proportional hazards with a monthly baseline converge to; `procedure_hazard_ratio` the same, sham against
    control. `hazard_ratio_as_occupied` the same over the times between rounds, all arms together, by who lived on the
    plant at their beginning (after any removal on that day): patrolling defenders against vacant, the others
    (founding queens, non-defenders) as a third group; `hazard_ratio_as_seen` the same by what a look before any
    removal of that day sees, so that a plant cleared on the day of the look counts as held.
growth
    `rgr` per year: mean of the plants' own rates, that is of each plant's slope of log height on time while it lived
    in the study, among plants that lived for half a year, each plant counting alike; `rgr_difference` its difference
    (`procedure_rgr_difference` sham against control). `rgr_difference_mean_gain` is the difference of the slopes of
    the mean change of log height among plants alive in each month (faster growers live longer and count more),
    `rgr_difference_mean_size` of mean log height itself (small plants drop out as well). `height_difference_1y_cm`
    difference of the mean change in cm after one year among plants then alive;
    `height_difference_1y_cm_dead_as_zero` difference of mean height after one year where a dead plant stands for 0
    cm; `share_dead_1y` beside it. `rgr_difference_as_occupied`: growth between rounds on who lived on the plant at
    their beginning (after any removal on that day; defenders against nobody), weighted by time: within plants, and
    among plants with log height as covariate.
damage
    Ten young leaves a plant, marked on day 0, seen after a year on plants then alive; each plant counts once.
    `missing_difference_1y` percentage points, `missing_log_ratio_1y`, and `missing_1y` per arm; `where` says what a
    vanished leaf counts as: "by fate" (eaten ones 100 %, dropped ones left out), "all dropped" (left out), "all eaten"
    (100 %). `missing_difference_per_month` is the rise since marking over twelve months (by fate); names ending in
    `_model` have the same truth. `missing_difference_1y_as_occupied` (by fate): plants that defenders held on day 0
    (after the removal) against plants that nobody held, within blocks. `standing_*`: ten leaves of all ages up to ten
    months, seen once at the round about a year after the treatment, without those that are eaten up;
    `marked_to_standing_ratio` the marked leaves' mean over theirs.
founding
    Spells in which no ant held the plant, from the day of the removal, or of the round that first finds it vacant (day
    0 if it was so at the treatment); spells over before the next round are nobody's. `where` says what ends one: "live
    queen" (a queen settles) or "patrolling workers" (founding counts as still free). A year after the
    spell began, among all spells that began in the study (followed a year beyond it): `cumulative_incidence_1y` by
    ant, for "any ant" and for "died vacant", of removal plants, the others and all; `cumulative_incidence_1y_rates`
    the same from events over vacant time (competing constant rates); `colonisation_hazard_ratio_light` for 0.1 more
    openness and `colonisation_hazard_ratio_removal`, jointly, from proportional hazards over months of the spell, for
    any ant and each.
takeover
    Plants whose ants were not to be removed; `where` names the states: "live queen" (vacant, ants, dead) or
    "patrolling workers" (vacant, founding, ants, dead). `intensity` changes over years in the state, of the moves
    that happen at all; `transition_1y` the matrix exponential of these intensities over a year, which is what a
    time-homogeneous Markov model converges to when watched all the time; `transition_1y_counted` states a year apart
    as counted; `mean_stay` years in a state.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from typing import Any

import numpy as np

from domatia.lifecycle.counted import exponential, generator, hazard_ratio, proportional_hazards, slope
from domatia.lifecycle.layers import read_by
from domatia.lifecycle.spec import YEAR_DAYS, Spec
from domatia.lifecycle.stand import Floats
from domatia.lifecycle.tally import LIGHT_BINS, Tally, add, months_of, tally
from domatia.lifecycle.true_value import TrueValue

_PIECE_BLOCKS = 48
_APART = 2**40
"""Replicates from here on are for truths, so that no study shares a random number with its truth."""

BY_FATE = "by fate"
EVENTS = (("queen", "live queen"), ("patrol", "patrolling workers"))


def truth(
    spec: Spec,
    seed: int,
    plants: int = 300_000,
    map_: Callable[[Callable[[int], Tally], Iterable[int]], Iterator[Tally]] = map,
) -> Mapping[str, TrueValue]:
    """Count the true effects of a specification.

    Parameters
    ----------
    spec : Spec
    seed : int
    plants : int
        At least so many lives of plants, arms together: give three times the number wanted under each arm.
    map_ : callable
        `map` or one that spreads the pieces over workers in order; the result does not depend on it.

    Returns
    -------
    mapping of str to TrueValue
        By `TrueValue.key`.
    """
    counted = truths_of(spec, tally_many(spec, seed, plants, map_))
    drawn = [v for layer in read_by(None) for v in layer.truth(spec, seed)]
    return {v.key: v for v in (*counted, *drawn)}


def tally_many(spec: Spec, seed: int, plants: int, map_: Any = map) -> Tally:
    """Count on at least so many plants, in pieces of a fixed size."""
    piece = spec.sized(_PIECE_BLOCKS, spec.plants_per_block)
    arms = len(spec.arms)
    number = arms * -(-plants // (arms * piece.n_plants))
    return add(map_(partial(_piece, piece, seed), range(number)))


def _piece(spec: Spec, seed: int, piece: int) -> Tally:
    return tally(spec, seed, _APART + piece // len(spec.arms), piece % len(spec.arms))


def truths_of(spec: Spec, counts: Tally) -> list[TrueValue]:
    """Turn counts into true effects."""
    return [*_survival(spec, counts), *_growth(spec, counts), *_damage(spec, counts), *_founding(spec, counts),
            *_takeover(spec, counts)]  # fmt: skip


def _pairs(spec: Spec) -> list[tuple[int, int]]:
    """Give removal against sham, removal against control and sham against control, as far as the arms exist."""
    at = {a.role: i for i, a in enumerate(spec.arms)}
    wanted = (("removal", "sham"), ("removal", "control"), ("sham", "control"))
    return [(at[a], at[b]) for a, b in wanted if a in at and b in at]


def _survival(spec: Spec, c: Tally) -> Iterator[TrueValue]:
    share = c["alive_1y"] / c["plants"]
    mean = c["days_lived"] / c["plants"]
    horizon = f"after {spec.years:g} years"
    for i, arm in enumerate(spec.arms):
        yield TrueValue("survival", "survival_1y", arm.name, "", "after 1 year", float(share[i]), "1")
    for i, j in _pairs(spec):
        of, against = spec.arms[i].name, spec.arms[j].name
        ratio = hazard_ratio(c["died"][[i, j]], c["time"][[i, j]])
        name = "procedure_hazard_ratio" if spec.arms[i].role == "sham" else "hazard_ratio"
        yield TrueValue("survival", name, of, against, "all", ratio, "1")
        difference = float(share[i] - share[j])
        yield TrueValue("survival", "survival_difference_1y", of, against, "after 1 year", difference, "1")
        days = float(mean[i] - mean[j])
        yield TrueValue("survival", "restricted_mean_difference", of, against, horizon, days, "d")
    columns = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    held = "held by a defending ant"
    for name, counted, where in (
        ("hazard_ratio_as_occupied", "occupied", "as occupied, whatever the treatment"),
        ("hazard_ratio_as_seen", "seen", "as seen before any removal of that day"),
    ):
        beta = proportional_hazards(c[f"{counted}_died"], c[f"{counted}_time"], columns)
        yield TrueValue("survival", name, held, "vacant", where, float(np.exp(beta[0])), "1")


def _growth(spec: Spec, c: Tally) -> Iterator[TrueValue]:
    years = np.arange(months_of(spec) + 1) / 12.0
    own = c["own_slope"] / c["own_slope_plants"]
    gains = [slope(years, row) for row in c["log_gain"] / c["alive"]]
    sizes = [slope(years, row) for row in c["log_height"] / c["alive"]]
    gain = c["cm_gain_1y"] / c["alive_1y"]
    counting = c["cm_1y"] / c["plants"]
    dead = 1.0 - c["alive_1y"] / c["plants"]
    for i, arm in enumerate(spec.arms):
        yield TrueValue("growth", "rgr", arm.name, "", "all", float(own[i]), "1/a")
        yield TrueValue("growth", "height_gain_1y_cm", arm.name, "", "after 1 year", float(gain[i]), "cm")
        yield TrueValue("growth", "share_dead_1y", arm.name, "", "after 1 year", float(dead[i]), "1")
    for i, j in _pairs(spec):
        named = (spec.arms[i].name, spec.arms[j].name)
        label = "procedure_rgr_difference" if spec.arms[i].role == "sham" else "rgr_difference"
        yield TrueValue("growth", label, *named, "all", float(own[i] - own[j]), "1/a")
        yield TrueValue("growth", "rgr_difference_mean_gain", *named, "all", gains[i] - gains[j], "1/a")
        yield TrueValue("growth", "rgr_difference_mean_size", *named, "all", sizes[i] - sizes[j], "1/a")
        cm = float(gain[i] - gain[j])
        yield TrueValue("growth", "height_difference_1y_cm", *named, "after 1 year", cm, "cm")
        cm = float(counting[i] - counting[j])
        yield TrueValue("growth", "height_difference_1y_cm_dead_as_zero", *named, "after 1 year", cm, "cm")

    pair = ("held by a defending ant", "vacant")
    product, square = c["held_within"]
    beside = np.linalg.solve(c["held_cross"], c["held_right"])[0]
    for where, value in (("within the same plant", product / square), ("among plants of the same height", beside)):
        yield TrueValue("growth", "rgr_difference_as_occupied", *pair, where, float(value), "1/a")


def _damage(spec: Spec, c: Tally) -> Iterator[TrueValue]:
    start = 100 * c["leaf_start"] / c["leaf_plants"]
    for version, where in (("fate", BY_FATE), ("present", "all dropped"), ("gone_eaten", "all eaten")):
        share = 100 * c[f"leaf_{version}"] / c[f"leaf_{version}_plants"]
        for i, arm in enumerate(spec.arms):
            yield TrueValue("damage", "missing_1y", arm.name, "", where, float(share[i]), "%")
        for i, j in _pairs(spec):
            named = (spec.arms[i].name, spec.arms[j].name, where)
            difference, ratio = float(share[i] - share[j]), float(np.log(share[i] / share[j]))
            for model in ("", "_model") if version == "fate" else ("",):
                yield TrueValue("damage", f"missing_difference_1y{model}", *named, difference, "%")
                yield TrueValue("damage", f"missing_log_ratio_1y{model}", *named, ratio, "1")
            rise = (share - start) / 12
            if version == "fate":
                yield TrueValue("damage", "missing_difference_per_month", *named, float(rise[i] - rise[j]), "%")
    product, square = c["leaf_held"]
    pair, where = ("held by a defending ant", "vacant"), f"{BY_FATE}, ants at marking, within blocks"
    where += ", whatever the treatment"
    value = 100 * float(product / square)
    yield TrueValue("damage", "missing_difference_1y_as_occupied", *pair, where, value, "%")
    yield from _standing(spec, c)


def _standing(spec: Spec, c: Tally) -> Iterator[TrueValue]:
    once, where = 100 * c["leaf_standing"] / c["leaf_standing_plants"], "leaves scored once"
    marked = 100 * c["leaf_fate"] / c["leaf_fate_plants"]
    for i, arm in enumerate(spec.arms):
        yield TrueValue("damage", "standing_missing", arm.name, "", where, float(once[i]), "%")
        yield TrueValue("damage", "marked_to_standing_ratio", arm.name, "", BY_FATE, float(marked[i] / once[i]), "1")
    for i, j in _pairs(spec):
        named = (spec.arms[i].name, spec.arms[j].name, where)
        yield TrueValue("damage", "standing_difference", *named, float(once[i] - once[j]), "%")
        yield TrueValue("damage", "standing_log_ratio", *named, float(np.log(once[i] / once[j])), "1")


def _founding(spec: Spec, c: Tally) -> Iterator[TrueValue]:
    outcomes = ["any ant", *(a.name for a in spec.ants), "died vacant"]
    ants = slice(1, 1 + len(spec.ants))
    for name, where in EVENTS:
        spells, time, events = c[f"spells_{name}"], c[f"vacant_time_{name}"], c[f"vacant_events_{name}"]
        groups = (
            ("removal", spells[1], slice(LIGHT_BINS, None)),
            ("sham and control", spells[0], slice(0, LIGHT_BINS)),
            ("all", spells.sum(axis=0), slice(None)),
        )
        for group, counted, cells in groups:
            shares = counted / counted.sum()
            rates = events[:, :, cells].sum(axis=(1, 2)) / (time[:, cells].sum() / YEAR_DAYS)
            whole = rates[1:].sum()
            by_rates = rates / whole * -np.expm1(-whole)
            for label, values in (("cumulative_incidence_1y", shares), ("cumulative_incidence_1y_rates", by_rates)):
                each = [values[ants].sum(), *values[1:]]
                for outcome, value in zip(outcomes, each, strict=True):
                    yield TrueValue("founding", label, outcome, group, where, float(value), "1")
        yield from _colonisation(spec, time, events, where)


def _colonisation(spec: Spec, time: Floats, events: Floats, where: str) -> Iterator[TrueValue]:
    middle = (np.arange(LIGHT_BINS) + 0.5) / LIGHT_BINS
    columns = np.column_stack([np.tile(middle, 2) / 0.1, np.repeat([0.0, 1.0], LIGHT_BINS)])
    columns[:, 0] -= columns[:, 0].mean()
    ants = len(spec.ants)
    for k in range(ants + 1):
        found = events[1 : ants + 1].sum(axis=0) if k == 0 else events[k]
        beta = proportional_hazards(found.T, time.T, columns)
        who = "any ant" if k == 0 else spec.ants[k - 1].name
        light, removal = (float(np.exp(b)) for b in beta)
        yield TrueValue("founding", "colonisation_hazard_ratio_light", who, "0.1 less openness", where, light, "1")
        yield TrueValue("founding", "colonisation_hazard_ratio_removal", who, "sham and control", where, removal, "1")


def _takeover(spec: Spec, c: Tally) -> Iterator[TrueValue]:
    ants = [a.name for a in spec.ants]
    for name, where in EVENTS:
        states = ["vacant", *([] if name == "queen" else ["founding"]), *ants, "dead"]
        rates = generator(c[f"changes_{name}"], c[f"state_time_{name}"] / YEAR_DAYS)
        year, pairs = exponential(rates), c[f"year_pairs_{name}"]
        counted = pairs / np.maximum(pairs.sum(axis=1, keepdims=True), 1.0)
        for i, a in enumerate(states[:-1]):
            yield TrueValue("takeover", "mean_stay", a, "", where, float(-1.0 / rates[i, i]), "a")
            for j, b in enumerate(states):
                yield TrueValue("takeover", "transition_1y", a, b, where, float(year[i, j]), "1")
                yield TrueValue("takeover", "transition_1y_counted", a, b, where, float(counted[i, j]), "1")
                if i != j and rates[i, j] > 0:
                    yield TrueValue("takeover", "intensity", a, b, where, float(rates[i, j]), "1/a")
