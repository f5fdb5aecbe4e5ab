"""The numbers of the founding question: vacant steps, competing hazards, chances after a year."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.covariates import Covariates, covariates_of
from domatia.histories.facts import plant_facts
from domatia.histories.groups import Groups, groups_of, in_two_blocks
from domatia.histories.looks import Counts
from domatia.histories.sequences import OTHER
from domatia.histories.vacancies import Vacancies, distance_to_colony, state_at_start, vacant_steps
from domatia.model import Ask, Effect, Rows, StudyData, WrongUse
from domatia.stats.clustering import Estimate
from domatia.stats.competing import CompetingHazards, CompetingRows, competing_hazards, cumulative_incidence

Array = NDArray[np.float64]

DIED = "died vacant"
ANY = "any ant"
RARE = "the step ended with an ant seen too rarely to be told apart"
LEAST_ENDS = 5
NO_STATE = "light, size or a field given with --adjust was not known at the start of the step"
NO_GROUP = "the plant belongs to none of the groups compared"
_FIELDS = (("openness", 10.0), ("log_height", 1.0), ("colony_m", 0.1))
LIGHT = "0.1 less openness"


@dataclass(frozen=True)
class Material:
    """The steps that the question rests on.

    Attributes
    ----------
    rows : polars.DataFrame
        As `Vacancies.rows`, with `value` (group, "all" without groups), `cluster` and the covariates.
    vacancies : Vacancies
    groups : Groups or None
        None where no groups can be compared.
    names : tuple of str
        Groups, the reference first; ("all",) without groups.
    columns : tuple of str
        Covariates in `rows`, in the order of the design; each is centred.
    clusters : int
    left_out : dict of str to list of bytes
    """

    rows: pl.DataFrame
    vacancies: Vacancies
    groups: Groups | None
    names: tuple[str, ...]
    columns: tuple[str, ...]
    clusters: int
    left_out: dict[str, list[bytes]]

    def design(self) -> Array:
        """Give one column a group but the reference, then the covariates; shape (rows, columns)."""
        dummies = [(self.rows["value"] == g).cast(pl.Float64).to_numpy() for g in self.names[1:]]
        return np.column_stack(
            [*dummies, *[self.rows[c].to_numpy() for c in self.columns], np.zeros((self.rows.height, 0))]
        )

    def competing(self, causes: tuple[tuple[str, ...], ...]) -> CompetingRows:
        """Give the rows with each tuple of ends as one cause, numbered from 1."""
        number = {end: i + 1 for i, ends in enumerate(causes) for end in ends}
        cause = self.rows["ended"].replace_strict(number, default=0, return_dtype=pl.Int64).to_numpy()
        start, stop = self.rows["start"].to_numpy(), self.rows["stop"].to_numpy()
        return CompetingRows(start, stop, cause, self.design(), self.rows["cluster"].to_numpy().astype(np.int64))

    def rows_used(self, data: StudyData) -> Rows:
        """Name the records used and left out."""
        plants = data.table("plant").select("record_id", plant="subject_id")
        used = (
            plants.join(self.rows.select("plant").unique(), on="plant", how="semi").sort("plant")["record_id"].to_list()
        )
        visits = self.rows["record_id"].to_list()
        return Rows(len(used), self.clusters, len(visits), {"plant": used, "visit": visits}, self.left_out)


def gather(data: StudyData, ask: Ask, counts: Counts) -> Material:
    """Find the vacant steps, their groups, covariates and blocks."""
    found = vacant_steps(data, counts)
    facts = plant_facts(data)
    groups: Groups | None
    try:
        groups = in_two_blocks(groups_of(facts, ask.by, ask.pool), facts, found.rows, ask.pool)
        members, names = groups.members, groups.names
    except WrongUse:
        if ask.by:
            raise
        groups, names = None, ("all",)
        members = facts.select("plant", value=pl.lit("all"))
    extra = covariates_of(facts, ask.adjust)
    rows = distance_to_colony(data, state_at_start(data, found.rows))
    outside = rows.join(members, on="plant", how="anti")["record_id"].to_list()
    rows = rows.join(members, on="plant", maintain_order="left").join(
        facts.select("plant", "group"), on="plant", maintain_order="left"
    )
    rows, columns = _with_covariates(rows, extra)
    blank = pl.any_horizontal([pl.col(c).is_null() for c in columns]) if columns else pl.lit(False)
    left_out = {**found.left_out, **extra.left_out}
    for reason, ids in ((NO_GROUP, outside), (NO_STATE, rows.filter(blank)["record_id"].to_list())):
        left_out |= {reason: ids} if ids else {}
    rows, rare = _without_rare(rows.filter(~blank))
    left_out |= {RARE: rare} if rare else {}
    rows = rows.with_columns(
        [pl.col(c) - pl.col(c).mean() for c in columns], cluster=pl.col("group").rank("dense").cast(pl.Int64) - 1
    ).sort("plant", "t")
    there = set(rows["value"])
    kept = tuple(n for n in names if n in there)
    columns = tuple(c for c in columns if float(np.ptp(rows[c].to_numpy())) > 0) if rows.height else ()
    return Material(rows, found, groups, kept, columns, rows["group"].n_unique(), left_out)


def _without_rare(rows: pl.DataFrame) -> tuple[pl.DataFrame, list[bytes]]:
    """Gather ants that ended few steps as "other ants"; leave their steps out where even together they are few."""
    ends = rows.filter(~pl.col("ended").is_in(["", DIED])).group_by("ended").len().sort("ended")
    few = ends.filter(pl.col("len") < LEAST_ENDS)
    names = few["ended"].to_list()
    if int(few["len"].sum()) >= LEAST_ENDS:
        other = pl.when(pl.col("ended").is_in(names)).then(pl.lit(OTHER)).otherwise("ended")
        return rows.with_columns(ended=other), []
    gone = pl.col("ended").is_in(names)
    return rows.filter(~gone), rows.filter(gone)["record_id"].to_list()


def _with_covariates(rows: pl.DataFrame, extra: Covariates) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Add covariates; those known for under half of the steps are left out rather than half of the steps."""
    columns = [c for c, _ in _FIELDS if rows.height and rows[c].null_count() < 0.5 * rows.height]
    rows = rows.with_columns([pl.col(c) * f for c, f in _FIELDS if c in columns])
    own = extra.plants.with_columns([pl.Series(n, extra.matrix[:, i]) for i, n in enumerate(extra.names)])
    rows = rows.join(own, on="plant", how="left", maintain_order="left")
    return rows, (*columns, *extra.names)


@dataclass(frozen=True)
class Fits:
    """The two fits: every ant by itself, and any ant."""

    ants: tuple[str, ...]
    each: CompetingHazards
    any_: CompetingHazards
    ends: tuple[str, ...]

    @property
    def notes(self) -> tuple[str, ...]:
        """What the fits had to say."""
        return tuple(dict.fromkeys((*self.each.notes, *self.any_.notes)))


def fit(about: Material) -> Fits:
    """Fit competing hazards to the steps."""
    there = set(about.rows["ended"]) - {""}
    ants = tuple(sorted(there - {DIED}))
    ends = (*ants, DIED) if DIED in there else ants
    each = competing_hazards(about.competing(tuple((e,) for e in ends)))
    any_ = competing_hazards(about.competing((ants, (DIED,)) if DIED in there else (ants,)))
    return Fits(ants, each, any_, ends)


def _effect(name: str, pair: tuple[str, str], c: Estimate, at: tuple[int, ...], where: str) -> Effect:
    estimate, low, high = (float(v[at]) for v in (c.estimate, c.low, c.high))
    return Effect(name, *pair, estimate, low, high, where=where, standard_error=float(c.se[at]))


def chances(about: Material, fits: Fits) -> list[Effect]:
    """Give what has become of a vacant plant after a year, averaged over the spells of a group."""
    design, where = about.design(), about.vacancies.counts
    begins = (about.rows["start"] == 0.0).to_numpy()
    horizon = np.array([min(1.0, float(fits.each.edges[-1]))])
    found = []
    for group in about.names:
        own = begins & (about.rows["value"] == group).to_numpy()
        if not own.any():
            continue
        whole = cumulative_incidence(fits.any_, design[own], horizon).by_cause
        found.append(_effect("cumulative_incidence_1y", (ANY, group), whole, (0, 0), where))
        each = cumulative_incidence(fits.each, design[own], horizon).by_cause
        for k, end in enumerate(fits.ends):
            found.append(_effect("cumulative_incidence_1y", (end, group), each, (k, 0), where))
    return found


def ratios(about: Material, fits: Fits) -> list[Effect]:
    """Give the hazard ratios of colonisation: between groups, and for light, size and distance."""
    where = about.vacancies.counts
    column = {n: i for i, n in enumerate((*about.names[1:], *about.columns))}
    label = {
        "openness": ("colonisation_hazard_ratio_light", LIGHT),
        "log_height": ("colonisation_hazard_ratio_size", "e times smaller"),
        "colony_m": ("colonisation_hazard_ratio_distance", "10 m nearer to a colony"),
    }
    found = []
    for who, fitted, cause in ((ANY, fits.any_, 0), *((a, fits.each, k) for k, a in enumerate(fits.ants))):
        ratio = fitted.hazard_ratios
        for name in about.names[1:]:
            of = (
                "removal"
                if about.groups is not None and about.groups.column == "treatment" and name == "removal"
                else name
            )
            label_of = f"colonisation_hazard_ratio_{of.replace(' ', '_')}"
            found.append(_effect(label_of, (who, about.names[0]), ratio, (cause, column[name]), where))
        for name in about.columns:
            if name in label:
                found.append(_effect(label[name][0], (who, label[name][1]), ratio, (cause, column[name]), where))
    return found


def tables(about: Material, fits: Fits) -> dict[str, pl.DataFrame]:
    """Give the tables beside the effects."""
    return {"ends": ends_table(about), "curve": curve_table(about, fits)}


def curve_table(about: Material, fits: Fits) -> pl.DataFrame:
    """Give the cumulative incidence of each end over two years, over all vacant plants, for drawing."""
    reach = min(2.0, float(fits.each.edges[-1]))
    times = np.linspace(0.0, reach, 25)
    begins = (about.rows["start"] == 0.0).to_numpy()
    c = cumulative_incidence(fits.each, about.design()[begins], times).by_cause
    parts = [
        pl.DataFrame({"x": times, "y": c.estimate[k], "low": c.low[k], "high": c.high[k]}).select(
            pl.lit(end).alias("group"), pl.all()
        )
        for k, end in enumerate(fits.ends)
    ]
    return pl.concat(parts)


def ends_table(about: Material) -> pl.DataFrame:
    """Count by group how the vacant steps ended, and the vacant time watched."""
    return (
        about.rows.group_by(
            group="value", ended=pl.when(pl.col("ended") == "").then(pl.lit("still vacant")).otherwise("ended")
        )
        .agg(steps=pl.len(), vacant_years=(pl.col("stop") - pl.col("start")).sum())
        .sort("group", "ended")
    )
