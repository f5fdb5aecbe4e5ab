"""The numbers of the founding question: vacant steps, competing hazards, chances after a year."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.covariates import Covariates, covariates_of
from domatia.histories.facts import plant_facts
from domatia.histories.groups import Groups, groups_of, in_two_blocks
from domatia.histories.looks import REMOVALS, Counts
from domatia.histories.moments import position
from domatia.histories.sequences import OTHER
from domatia.histories.vacancies import Vacancies, distance_to_colony, state_at_start, vacant_steps
from domatia.model import Ask, Effect, Rows, StudyData, WrongUse
from domatia.model.dates import DAYS_A_YEAR
from domatia.questions.founding_hidden import Hidden, hidden_changes
from domatia.stats.clustering import Estimate, Kind
from domatia.stats.competing import CompetingHazards, CompetingRows, competing_hazards, cumulative_incidence

Array = NDArray[np.float64]

DIED = "died vacant"
ANY = "any ant"
RARE = "the step ended with an ant seen too rarely to be told apart"
LEAST_ENDS = 5
KIND: Kind = "jackknife"
"""Light differs mostly between blocks, where CR1 is too small with two dozen of them."""
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

    @property
    def fixed(self) -> tuple[str, ...]:
        """Covariates that do not change with time: those given with --adjust."""
        return tuple(c for c in self.columns if c not in dict(_FIELDS))

    @property
    def lit(self) -> tuple[str, ...]:
        """The fixed covariates, and light."""
        return tuple(c for c in self.columns if c == "openness" or c in self.fixed)

    def design(self, columns: tuple[str, ...]) -> Array:
        """Give one column a group but the reference, then covariates; shape (rows, columns)."""
        dummies = [(self.rows["value"] == g).cast(pl.Float64).to_numpy() for g in self.names[1:]]
        return np.column_stack([*dummies, *[self.rows[c].to_numpy() for c in columns], np.zeros((self.rows.height, 0))])

    def competing(self, causes: tuple[tuple[str, ...], ...], columns: tuple[str, ...], hidden: Hidden) -> CompetingRows:
        """Give the rows with each tuple of ends as one cause, numbered from 1."""
        number = {end: i + 1 for i, ends in enumerate(causes) for end in ends}
        cause = self.rows["ended"].replace_strict(number, default=0, return_dtype=pl.Int64).to_numpy()
        start, stop = self.rows["start"].to_numpy(), self.rows["stop"].to_numpy()
        block = self.rows["cluster"].to_numpy().astype(np.int64)
        return CompetingRows(start, stop, cause, self.design(columns), block, hidden.among(causes), hidden.vacant)

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
    # where no neighbour was held the nearest colony lies beyond the farthest one seen
    rows = rows.with_columns(pl.col("colony_m").fill_null(pl.col("colony_m").max()))
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


def treated_while_vacant(data: StudyData, about: Material) -> int:
    """Count the steps of vacant plants at whose beginning, or during which, ants were taken off on record."""
    acts = data.table("intervention").filter(pl.col("kind").is_in(REMOVALS) & pl.col("plant").is_not_null())
    acts = acts.select("plant", at=position()).filter(pl.col("at").is_not_null())
    length = (pl.col("stop") - pl.col("start")) * DAYS_A_YEAR
    steps = about.rows.select("plant", "t", end=pl.col("t") + length)
    hit = steps.join(acts, on="plant").filter((pl.col("at") >= pl.col("t")) & (pl.col("at") < pl.col("end")))
    return hit.select("plant", "t").unique().height


@dataclass(frozen=True)
class Fits:
    """The fits: every ant by itself and any ant.

    Attributes
    ----------
    ants, ends : tuple of str
    each, any_ : CompetingHazards
        With groups and fixed covariates: for what has become of a plant after a year. Covariates that change with time
        (light, size) are left out, since a plant does not keep for a year those it began with.
    each_lit, any_lit : CompetingHazards
        With light as well: for the ratios of groups and light.
    any_all : CompetingHazards
        With size and distance as well: for their ratios.
    hidden : Hidden
        What looks cannot see.
    """

    ants: tuple[str, ...]
    ends: tuple[str, ...]
    each: CompetingHazards
    any_: CompetingHazards
    each_lit: CompetingHazards
    any_lit: CompetingHazards
    any_all: CompetingHazards
    hidden: Hidden

    @property
    def notes(self) -> tuple[str, ...]:
        """What the fits had to say."""
        return tuple(dict.fromkeys((*self.each_lit.notes, *self.any_lit.notes)))


def fit(about: Material) -> Fits:
    """Fit competing hazards to the steps."""
    there = set(about.rows["ended"]) - {""}
    ants = tuple(sorted(there - {DIED}))
    ends = (*ants, DIED) if DIED in there else ants
    every = tuple((e,) for e in ends)
    two = (ants, (DIED,)) if DIED in there else (ants,)
    hidden = hidden_changes(about.rows, about.vacancies.held, ends)
    found: dict[tuple[bool, tuple[str, ...]], CompetingHazards] = {}
    for single, columns in ((True, about.fixed), (False, about.fixed), (True, about.lit), (False, about.lit)):
        if (single, columns) not in found:
            found[single, columns] = competing_hazards(
                about.competing(every if single else two, columns, hidden), kind=KIND
            )
    whole = (False, about.columns)
    if whole not in found:
        found[whole] = competing_hazards(about.competing(two, about.columns, hidden), kind=KIND)
    parts = ((True, about.fixed), (False, about.fixed), (True, about.lit), (False, about.lit), whole)
    each, any_, each_lit, any_lit, any_all = (found[part] for part in parts)
    return Fits(ants, ends, each, any_, each_lit, any_lit, any_all, hidden)


def _effect(name: str, pair: tuple[str, str], c: Estimate, at: tuple[int, ...], where: str) -> Effect:
    estimate, low, high = (float(v[at]) for v in (c.estimate, c.low, c.high))
    return Effect(name, *pair, estimate, low, high, where=where, standard_error=float(c.se[at]))


def chances(about: Material, fits: Fits) -> list[Effect]:
    """Give what has become of a vacant plant after a year, averaged over the spells of a group."""
    design, where = about.design(about.fixed), about.vacancies.counts
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
    where, found = about.vacancies.counts, []
    at = {n: i for i, n in enumerate((*about.names[1:], *about.lit))}
    for who, fitted, cause in ((ANY, fits.any_lit, 0), *((a, fits.each_lit, k) for k, a in enumerate(fits.ants))):
        ratio = fitted.hazard_ratios
        for name in about.names[1:]:
            label = f"colonisation_hazard_ratio_{name.replace(' ', '_')}"
            found.append(_effect(label, (who, about.names[0]), ratio, (cause, at[name]), where))
        if "openness" in at:
            pair = (who, LIGHT)
            found.append(_effect("colonisation_hazard_ratio_light", pair, ratio, (cause, at["openness"]), where))
    at = {n: i for i, n in enumerate((*about.names[1:], *about.columns))}
    for column, label, against in (
        ("log_height", "colonisation_hazard_ratio_size", "e times smaller"),
        ("colony_m", "colonisation_hazard_ratio_distance", "10 m nearer to a colony"),
    ):
        if column in at:
            found.append(_effect(label, (ANY, against), fits.any_all.hazard_ratios, (0, at[column]), where))
    return found


def tables(about: Material, fits: Fits) -> dict[str, pl.DataFrame]:
    """Give the tables beside the effects."""
    hidden = fits.hidden.table()
    return {"ends": ends_table(about), "curve": curve_table(about, fits), "hidden_changes": hidden}


def curve_table(about: Material, fits: Fits) -> pl.DataFrame:
    """Give the cumulative incidence of each end over two years, over all vacant plants, for drawing."""
    reach = min(2.0, float(fits.each.edges[-1]))
    times = np.linspace(0.0, reach, 25)
    begins = (about.rows["start"] == 0.0).to_numpy()
    c = cumulative_incidence(fits.each, about.design(about.fixed)[begins], times).by_cause
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
