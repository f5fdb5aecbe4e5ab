"""The numbers of the takeover question: from what was seen to intensities, stays and chances after a year."""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.facts import plant_facts
from domatia.histories.looks import DIED, FOUNDING, VACANT, Counts
from domatia.histories.moments import position
from domatia.histories.sequences import Sequences, state_sequences
from domatia.model import Effect, Rows, StudyData
from domatia.questions.standing_doubts import VERY_FEW_BLOCKS
from domatia.stats import multistate

REMOVED = "ants were taken off: the treatment, not the ants, decided who left"
LIGHT_STEP = 0.1
_LEAST_KNOWN = 0.8
_DRY_LEAST = 2
_LEAST_MOVES_EACH = 5
"""Changes seen, on average, for each move whose ratio is estimated; common practice, no source."""


RARE = 30
"""Events of a move below which its variance is never taken to be less than the model's."""


@dataclass(frozen=True, eq=False)
class Material:
    """The plants and visits that the question rests on.

    Attributes
    ----------
    sequences : Sequences
    counts : str
    subject, cluster : array (rows,)
    clusters : int
    left_out : dict of str to list of bytes
    plants : list of bytes
        Record ids of the plants used.
    """

    sequences: Sequences
    counts: Counts
    subject: NDArray[np.int64]
    cluster: NDArray[np.int64]
    clusters: int
    left_out: dict[str, list[bytes]]
    plants: list[bytes]

    @property
    def ants(self) -> tuple[str, ...]:
        """The states in which an ant holds the plant."""
        return tuple(s for s in self.sequences.states if s not in (VACANT, FOUNDING, DIED))

    def panel(self, covariates: NDArray[np.float64] | None = None) -> multistate.Panel:
        """Give the visits as a panel."""
        rows = self.sequences.rows
        possible = self.sequences.possible
        return multistate.Panel(
            self.subject, rows["years"].to_numpy(), rows["code"].to_numpy(), covariates, possible, self.cluster
        )

    def pattern(self) -> multistate.Pattern:
        """Allow every direct move but from an ant to founding, which passes through vacant, and none from death."""
        states = self.sequences.states
        allowed = np.ones((len(states), len(states)), dtype=np.bool_)
        np.fill_diagonal(allowed, False)
        allowed[states.index(DIED)] = False
        if FOUNDING in states:
            allowed[[states.index(a) for a in self.ants], states.index(FOUNDING)] = False
        return multistate.allow_moves(allowed, states)

    def moves_seen(self) -> int:
        """Count neighbouring visits of a plant with two different known states."""
        code = self.sequences.rows["code"].to_numpy()
        same = self.subject[1:] == self.subject[:-1]
        return int((same & (code[1:] >= 0) & (code[:-1] >= 0) & (code[1:] != code[:-1])).sum())

    def rows_used(self) -> Rows:
        """Name the records used and left out."""
        visits = self.sequences.rows["record_id"].to_list()
        return Rows(
            len(self.plants), self.clusters, len(visits), {"plant": self.plants, "visit": visits}, self.left_out
        )


def gather(data: StudyData, counts: Counts) -> Material:
    """Find the plants whose ants were left alone, and what was seen on them."""
    facts = plant_facts(data)
    removed = pl.col("role").fill_null("") == "removal"
    kept = facts.filter(~removed).select("plant", "record_id", "group", from_t=position("start"))
    sequences = state_sequences(data, kept.select("plant", "from_t"), counts)
    codes = kept.with_columns(
        subject=pl.int_range(pl.len(), dtype=pl.Int64), cluster=pl.col("group").rank("dense").cast(pl.Int64) - 1
    )
    rows = sequences.rows.select("plant").join(codes, on="plant", maintain_order="left")
    used = codes.join(rows.select("plant").unique(), on="plant", how="semi").sort("plant")
    out = facts.filter(removed)["record_id"].to_list()
    return Material(
        sequences,
        counts,
        rows["subject"].to_numpy(),
        rows["cluster"].to_numpy(),
        used["group"].n_unique(),
        {REMOVED: out} if out else {},
        used["record_id"].to_list(),
    )


def not_surer_than_the_model(fit: multistate.MultistateFit, blocks: int) -> multistate.MultistateFit:
    """Give rare moves no less variance than if plants were independent, and all moves where there are few blocks.

    A sandwich from the scores of blocks is itself uncertain, and too small on average, where a move was seen in few of
    them: with fewer than `RARE` events its variance is often below the one that chance alone gives.
    """
    model = np.diag(fit.uncertainty.model_covariance)
    least = 0.0 if blocks < VERY_FEW_BLOCKS else 1.0 / RARE
    return replace(fit, uncertainty=fit.uncertainty.at_least_model(np.flatnonzero(model > least).tolist()))


def _at(name: str, pair: tuple[str, str], value: tuple[float, float, float, float], unit: str, where: str) -> Effect:
    estimate, se, low, high = value
    error = se if np.isfinite(se) else None
    return Effect(name, *pair, estimate, low, high, unit=unit, where=where, standard_error=error)


def stays(about: Material, fit: multistate.MultistateFit) -> list[Effect]:
    """Give the mean length of a stay in each state, in years, the longest-watched ant first."""
    found = multistate.mean_stay(fit)
    v = found.value
    effects = []
    for i, s in enumerate(found.state.tolist()):
        numbers = (float(v.estimate[i]), float(v.se[i] / v.estimate[i]), float(v.low[i]), float(v.high[i]))
        effects.append(_at("mean_stay", (fit.pattern.states[s], ""), numbers, "a", about.counts))
    seen = about.sequences.rows["code"].value_counts().sort("code")
    often = dict(seen.iter_rows())
    order = {a: -often.get(fit.pattern.states.index(a), 0) for a in about.ants}
    return sorted(effects, key=lambda e: (order.get(e.of, 1), e.of))


def after_a_year(about: Material, fit: multistate.MultistateFit) -> list[Effect]:
    """Give the chance of each state a year after each state."""
    e = multistate.transition_matrix(fit, 1.0)
    states = fit.pattern.states
    effects = []
    for i, a in enumerate(states):
        for j, b in enumerate(states):
            if a != DIED:
                numbers = (float(e.estimate[i, j]), float(e.se[i, j]), float(e.low[i, j]), float(e.high[i, j]))
                effects.append(_at("transition_1y", (a, b), numbers, "1", about.counts))
    return effects


def intensities(about: Material, fit: multistate.MultistateFit) -> list[Effect]:
    """Give the intensity of every allowed move, per year; a move never seen has an upper limit only."""
    found = multistate.intensities(fit)
    v, states = found.value, fit.pattern.states
    effects = []
    for k, (i, j) in enumerate(zip(found.origin.tolist(), found.target.tolist(), strict=True)):
        se = v.se[k] / v.estimate[k] if v.estimate[k] > 0 else np.inf
        numbers = (float(v.estimate[k]), float(se), float(v.low[k]), float(v.high[k]))
        effects.append(_at("intensity", (states[i], states[j]), numbers, "1/a", about.counts))
    return effects


def fits_table(about: Material, fit: multistate.MultistateFit) -> pl.DataFrame:
    """Hold what was seen at the next visit against what the model expects."""
    found = multistate.transition_table(about.panel(), fit)
    states = fit.pattern.states
    rows = [
        (states[i], states[j], int(found.observed[0, i, j]), float(found.expected[0, i, j]))
        for i in range(len(states) - 1)
        for j in range(len(states))
        if found.observed[0, i].sum() > 0
    ]
    return pl.DataFrame(rows, schema=["before", "after", "observed", "expected"], orient="row")


def light_ratios(about: Material) -> pl.DataFrame:
    """Give, for each move, the ratio of intensities for 0.1 more canopy openness; empty where light is not known."""
    openness = about.sequences.rows["openness"]
    if openness.is_empty() or openness.null_count() > (1 - _LEAST_KNOWN) * len(openness):
        return pl.DataFrame()
    values = openness.fill_null(openness.median()).to_numpy()
    classes = np.round(values / LIGHT_STEP) * LIGHT_STEP
    return _ratios(about, classes[:, None] / LIGHT_STEP, "0.1 more openness")


def season_ratios(data: StudyData, about: Material) -> pl.DataFrame:
    """Give, for each move, the ratio of intensities in the profile's dry months; empty where none are named."""
    dry = data.profile.dry_months
    if len(dry) < _DRY_LEAST:
        return pl.DataFrame()
    days = (about.sequences.rows["years"] * 365.25).round().cast(pl.Int32).cast(pl.Date)
    values = days.dt.month().is_in(list(dry)).cast(pl.Float64).to_numpy()
    return _ratios(about, values[:, None], "dry season") if 0 < values.sum() < len(values) else pl.DataFrame()


def _ratios(about: Material, covariates: NDArray[np.float64], name: str) -> pl.DataFrame:
    """Fit one ratio for each move; empty where too few moves were seen for so many numbers."""
    pattern = about.pattern()
    if about.moves_seen() < _LEAST_MOVES_EACH * len(pattern.origin):
        return pl.DataFrame()
    effects = multistate.effects_on_all(pattern, (name,))
    fit = multistate.fit_multistate(about.panel(covariates), pattern, effects, information="expected")
    found = multistate.hazard_ratios(fit)
    v, states = found.value, pattern.states
    rows = [
        (states[i], states[j], float(v.estimate[k]), float(v.low[k]), float(v.high[k]))
        for k, (i, j) in enumerate(zip(found.origin.tolist(), found.target.tolist(), strict=True))
        if not found.boundary[k]
    ]
    return pl.DataFrame(rows, schema=["before", "after", f"ratio for {name}", "low", "high"], orient="row")
