"""The numbers of the intruders question: from trials to parts that are compared, and from these to effects."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.covariates import Covariates, covariates_of
from domatia.histories.facts import plant_facts
from domatia.histories.groups import Groups
from domatia.histories.looks import UNNAMED, VACANT, roles_of
from domatia.histories.trial_groups import compared_trials
from domatia.histories.trials import EXCLUDED, LEFT, MET, STOPPED, Trials, trials, with_occupant
from domatia.model import Ask, Effect, Rows, StudyData
from domatia.questions.intruders_daylight import with_day_part
from domatia.questions.intruders_shares import Column, shares_at
from domatia.stats.clustering import Estimate
from domatia.stats.cox import cox
from domatia.stats.cumulative_logit import cumulative_logit
from domatia.stats.incidence import incidence
from domatia.stats.interval_hazard import aliased_columns
from domatia.stats.shares import Rates, Shares, clustered_rates

Array = NDArray[np.float64]

LEAST_TRIALS = 5
"""Trials that a group needs; common practice, no source."""
LEAST_MOVES, LEAST_EACH, FEW_EVENTS = 5, 3, 8
"""Events for a ratio of hazards or rates, in all and in each group compared, and below which there is a doubt; common
practice, no source."""
LEAST_SHARE = 0.1
"""The horizon ends where fewer watches than this share would still be going on."""
INSECTS, VERTEBRATES = "", "vertebrates, "
RELEASE, CONTACT = "from release", "from first contact"
OCCUPIED = "as occupied, whatever the treatment, "
HELD = "held by a defending ant"


@dataclass(frozen=True)
class Part:
    """The trials with one sort of intruder.

    Attributes
    ----------
    label : str
        "" for insects and other invertebrates, "vertebrates, " for vertebrates.
    table : polars.DataFrame
        Trials with `value` (group) and `cluster` (integer), of the groups in `names` alone.
    names : tuple of str
        Groups with enough trials in two blocks or more, in the order of the study's groups.
    horizon : float
        Seconds up to which shares are compared.
    columns : array (trials, columns)
        Covariates.
    """

    label: str
    table: pl.DataFrame
    names: tuple[str, ...]
    horizon: float
    columns: Array

    @property
    def within(self) -> str:
        """Say where shares hold."""
        return f"{self.label}within {minutes(self.horizon)} of release"

    @property
    def cluster(self) -> NDArray[np.int64]:
        """Block of each trial, as an integer."""
        return self.table["cluster"].to_numpy().astype(np.int64)

    @property
    def exclusion_told(self) -> bool:
        """Whether anything at all is said of how watches ended."""
        return bool(self.table["end_told"].any())

    def dummies(self) -> Array:
        """Give one column a group but the first, shape (trials, groups - 1)."""
        found = [(self.table["value"] == n).cast(pl.Float64).to_numpy() for n in self.names[1:]]
        return np.column_stack(found) if found else np.zeros((self.table.height, 0))


@dataclass(frozen=True)
class Material:
    """The trials that the question rests on."""

    groups: Groups
    parts: tuple[Part, ...]
    read: Trials
    covariates: Covariates
    defenders: tuple[str, ...]
    left_out: dict[str, list[bytes]]

    @property
    def clusters(self) -> int:
        """Blocks (or plants where there are no blocks) of the first part."""
        return self.parts[0].table["cluster"].n_unique() if self.parts else 0

    def rows_used(self) -> Rows:
        """Name the records used and left out."""
        used = [i for p in self.parts for i in p.table["record_id"].to_list()]
        plants = pl.concat([p.table["plant"] for p in self.parts]).n_unique() if self.parts else 0
        words = f"{len(used):,} trial{'' if len(used) == 1 else 's'} on {plants:,} plant{'' if plants == 1 else 's'}"
        if self.clusters < plants:
            words += f" of {self.clusters:,} block{'' if self.clusters == 1 else 's'}"
        return Rows(plants, self.clusters, 0, {"trial": sorted(used)}, self.left_out, words)


def minutes(seconds: float) -> str:
    """Write a length of time."""
    return f"{seconds / 60.0:.3g} min" if seconds >= 60.0 else f"{seconds:.3g} s"


def gather(data: StudyData, ask: Ask) -> Material:
    """Read the trials, group them, and split them by sort of intruder."""
    read = trials(data)
    facts = plant_facts(data)
    told = with_day_part(with_occupant(read.table, data), data)
    found = compared_trials(told, facts, ask.by, ask.pool)
    columns = covariates_of(facts, ask.adjust)
    place = columns.plants.with_row_index("at")
    joined = found.table.join(place, on="plant", how="left", maintain_order="left")
    table = joined.filter(pl.col("at").is_not_null()).with_columns(
        cluster=pl.col("block").rank("dense").cast(pl.Int64) - 1
    )
    left_out = {**read.left_out, **found.left_out}
    left_out |= {r: ids for r, ids in columns.left_out.items() if ids}
    parts = []
    for vertebrate, label in ((False, INSECTS), (True, VERTEBRATES)):
        own = table.filter(pl.col("vertebrate") == vertebrate)
        if own.height:
            part, few = _part(own, label, found.groups.names, columns.matrix)
            parts += [part] if part.names else []
            left_out |= few
    roles = roles_of(data)
    defenders = tuple(sorted(a for a, r in roles.items() if r == "defender"))
    return Material(found.groups, tuple(parts), read, columns, defenders, left_out)


def _part(own: pl.DataFrame, label: str, groups: tuple[str, ...], matrix: Array) -> tuple[Part, dict[str, list[bytes]]]:
    sizes = own.group_by("value").agg(n=pl.len(), blocks=pl.col("cluster").n_unique())
    enough = set(sizes.filter((pl.col("n") >= LEAST_TRIALS) & (pl.col("blocks") > 1))["value"])
    names = tuple(n for n in groups if n in enough)
    out = own.filter(~pl.col("value").is_in(list(names)))["record_id"].sort().to_list()
    why = f"{label}fewer than {LEAST_TRIALS} trials of its group, or all in one block"
    table = own.filter(pl.col("value").is_in(list(names))).sort("record_id")
    horizon = _horizon(table) if names else 0.0
    columns = matrix[table["at"].to_numpy()] if names else np.zeros((0, 0))
    return Part(label, table, names, horizon, columns), {why: out} if out else {}


def _horizon(table: pl.DataFrame) -> float:
    """Give the usual length of a watch that ran to its end, cut as `watched_until` does."""
    full = table.filter(pl.col("ended") == "time up")["end_s"]
    if len(full):
        counts = full.value_counts(name="n").sort(["n", "end_s"], descending=[True, True])
        planned = float(counts["end_s"][0])
    else:
        planned = float(np.asarray(table["end_s"].max()))
    return watched_until(table, planned)


def watched_until(table: pl.DataFrame, planned: float) -> float:
    """Give the seconds up to which shares can be told: cut where few watches of a group would still go on."""
    for _, own in table.group_by("value", maintain_order=True):
        stopped = incidence(own["end_s"].to_numpy(), (own["cause"] == STOPPED).cast(pl.Int64).to_numpy(), 1)
        thin = np.flatnonzero(stopped.none < LEAST_SHARE)
        if len(thin):
            planned = min(planned, float(stopped.times[thin[0]]))
    return planned


def effects(about: Material) -> tuple[tuple[Effect, ...], tuple[str, ...]]:
    """Give the effects, those of the first part first, and what the fits had to say."""
    found: list[Effect] = []
    notes: list[str] = []
    for part in about.parts:
        if len(part.names) < 2:
            continue
        found += _share_effects(about, part)
        found += _hazard_effects(about, part, notes)
        found += _rate_effects(about, part)
        found += _response_effects(about, part, notes)
        found += _occupied(about, part)
    return tuple(found), tuple(notes)


def _pairs(about: Material, names: tuple[str, ...]) -> list[tuple[str, str]]:
    return [(p.of, p.against) for p in about.groups.pairs if {p.of, p.against} <= set(names)]


def share_columns(part: Part) -> list[Column]:
    """Say what shares can be given of this part."""
    found = [Column("excluded", "end_s", "cause", EXCLUDED)] if part.exclusion_told else []
    return [*found, Column("contacted", "contact_time", "contact_cause", MET)]


def with_contact_time(table: pl.DataFrame) -> pl.DataFrame:
    """Give the trials whose moment of first contact, or its lack, is known, with `contact_time`."""
    told = table.filter(pl.col("contact_cause").is_not_null())
    met = pl.col("contact_cause") == MET
    return told.with_columns(contact_time=pl.when(met).then("contact_s").otherwise("end_s"))


def _share_effects(about: Material, part: Part) -> list[Effect]:
    found: list[Effect] = []
    for column in share_columns(part):
        rows = with_contact_time(part.table) if column.name == "contacted" else part.table
        names = tuple(n for n in part.names if rows.filter(pl.col("value") == n).height >= LEAST_TRIALS)
        if len(names) < 2:
            continue
        got = shares_at(rows, names, column, part.horizon)
        found += [_effect((f"{column.name}_difference", *p), got.difference(*(names.index(n) for n in p)), part.within)
                  for p in _pairs(about, names)]  # fmt: skip
        found += _each(got, names, f"{column.name}_share", part.within)
    return found


def _each(got: Shares, names: tuple[str, ...], name: str, where: str) -> list[Effect]:
    e = got.each
    return [
        _effect((name, n, ""), Estimate(*(v[[j]] for v in (e.estimate, e.se, e.low, e.high))), where)
        for j, n in enumerate(names)
    ]


def _effect(told: tuple[str, str, str], e: Estimate, where: str) -> Effect:
    value, low, high, se = (float(v[0]) for v in (e.estimate, e.low, e.high, e.se))
    return Effect(*told, value, low, high, where=where, standard_error=se if se > 0 else None)


def hazard_tables(part: Part) -> list[tuple[str, str, pl.DataFrame, NDArray[np.bool_]]]:
    """Give name, beginning, rows with `time`, and which of them moved, for each sort of hazard."""
    met = with_contact_time(part.table).with_columns(time=pl.col("contact_time"))
    found = [("contact_hazard_ratio", RELEASE, met, (met["contact_cause"] == MET).to_numpy())]
    if not part.exclusion_told:
        return found
    whole = part.table.with_columns(time=pl.col("end_s"))
    after = part.table.filter(pl.col("contact_s").is_not_null()).with_columns(
        time=pl.max_horizontal(pl.col("end_s") - pl.col("contact_s"), pl.lit(0.5))
    )
    return [
        ("exclusion_hazard_ratio", RELEASE, whole, (whole["cause"] == EXCLUDED).to_numpy()),
        ("exclusion_hazard_ratio", CONTACT, after, (after["cause"] == EXCLUDED).to_numpy()),
        ("leaving_hazard_ratio", RELEASE, whole, (whole["cause"] == LEFT).to_numpy()),
        *found,
    ]


def _hazard_effects(about: Material, part: Part, notes: list[str]) -> list[Effect]:
    found: list[Effect] = []
    for name, begin, rows, moved in hazard_tables(part):
        where = part.label + begin
        names = [n for n in part.names if moved[(rows["value"] == n).to_numpy()].sum() >= LEAST_EACH]
        own = rows["value"].is_in(names).to_numpy()
        still = [n for n in part.names if n not in names and (rows["value"] == n).any()]
        if moved.sum() >= LEAST_MOVES and still and names:
            what = {"contact": "first contact", "exclusion": "exclusion", "leaving": "leaving"}[name.split("_")[0]]
            whose = " of vertebrates" if part.label else ""
            told = f"{what}{whose} was seen fewer than {LEAST_EACH} times in the group {' and '.join(still)}"
            notes.append(f"Counted {begin}, {told}: no ratio of hazards can be given for it.")
        if moved[own].sum() < LEAST_MOVES or len(names) < 2:
            continue
        counts = {n: int(moved[(rows["value"] == n).to_numpy()].sum()) for n in names}
        rare = [f"{n} {c}" for n, c in counts.items() if c < FEW_EVENTS]
        if rare:
            text = f"The {name.replace('_', ' ')} {where} rests on few events ({', '.join(rare)})"
            notes.append(f"{text}; it is rough, and since it is not given with fewer it leans towards no difference.")
        found += _ratios(about, (name, where), (rows.filter(own), tuple(names), moved[own]))
    return found


def _ratios(
    about: Material, told: tuple[str, str], what: tuple[pl.DataFrame, tuple[str, ...], NDArray[np.bool_]]
) -> list[Effect]:
    rows, names, moved = what
    time = rows["time"].to_numpy()
    dummies = np.column_stack([(rows["value"] == n).cast(pl.Float64).to_numpy() for n in names[1:]])
    kinds = _intruder_columns(rows)
    design = np.column_stack([dummies, kinds, about.covariates.matrix[rows["at"].to_numpy()]])
    at_risk = time >= time[moved].min()
    gone = set(aliased_columns(design[at_risk]))
    kept = [j for j in range(design.shape[1]) if j not in gone]
    if any(j in gone for j in range(len(names) - 1)):
        return []
    fit = cox(np.zeros(len(time)), time, moved, design[:, kept], rows["cluster"].to_numpy().astype(np.int64))
    found = []
    for of, against in _pairs(about, names):
        weights = np.zeros((1, len(kept)))
        for n, sign in ((of, 1.0), (against, -1.0)):
            if n != names[0]:
                weights[0, names.index(n) - 1] = sign
        if not set(np.flatnonzero(weights[0]).tolist()) & set(fit.separated):
            c = fit.uncertainty.linear(weights @ fit.coefficients.estimate, weights).exponential()
            found.append(_effect((told[0], of, against), c, told[1]))
    return found


def _intruder_columns(rows: pl.DataFrame) -> Array:
    """Give one column for each intruder but the most frequent one."""
    order = rows["intruder"].value_counts(name="n").sort(["n", "intruder"], descending=[True, False])["intruder"]
    found = [(rows["intruder"] == n).cast(pl.Float64).to_numpy() for n in order.to_list()[1:]]
    return np.column_stack(found) if 0 < len(found) < 12 else np.zeros((rows.height, 0))


def rate_rows(part: Part) -> list[tuple[str, pl.DataFrame, str]]:
    """Give the name of each rate, its rows with `size`, and the column that is counted."""
    met = part.table.filter(pl.col("contacts").is_not_null())
    bitten = met.filter((pl.col("contacts") > 0) & pl.col("attacks").is_not_null())
    return [
        ("encounter_rate_ratio", met.with_columns(size=pl.col("end_s") / 60.0), "contacts"),
        ("attacks_per_contact_ratio", bitten.with_columns(size=pl.col("contacts").cast(pl.Float64)), "attacks"),
    ]


def rates_of(rows: pl.DataFrame, counted: str, groups: tuple[str, ...]) -> tuple[tuple[str, ...], Rates | None]:
    """Give the names of the groups with enough trials, blocks and events, and their rates, `counted` over `size`."""
    sums = rows.group_by("value").agg(
        n=pl.len(), top=pl.col(counted).sum(), size=pl.col("size").sum(), blocks=pl.col("cluster").n_unique()
    )
    enough = (pl.col("n") >= LEAST_TRIALS) & (pl.col("top") >= LEAST_EACH) & (pl.col("blocks") > 1)
    sums = sums.filter(enough & (pl.col("size") > 0))
    names = tuple(n for n in groups if n in set(sums["value"]))
    if not names:
        return names, None
    own = rows.filter(pl.col("value").is_in(list(names)))
    place = {n: j for j, n in enumerate(names)}
    group = own["value"].replace_strict(place, return_dtype=pl.Int64).to_numpy()
    top, size = own[counted].cast(pl.Float64).to_numpy(), own["size"].cast(pl.Float64).to_numpy()
    return names, clustered_rates(top, size, group, own["cluster"].to_numpy().astype(np.int64))


def _rate_effects(about: Material, part: Part) -> list[Effect]:
    found: list[Effect] = []
    for name, rows, counted in rate_rows(part):
        names, rates = rates_of(rows, counted, part.names)
        if rates is not None:
            where = part.label + "all of the watch"
            ratios = [(p, rates.ratio(names.index(p[0]), names.index(p[1]))) for p in _pairs(about, names)]
            found += [_effect((name, *p), r, where) for p, r in ratios if r.se[0] > 0.0]
    return found


def _response_effects(about: Material, part: Part, notes: list[str]) -> list[Effect]:
    rows = part.table.filter(pl.col("grade").is_not_null())
    answered = part.table["response"].is_not_null().any()
    sizes = rows.group_by("value").agg(n=pl.len())
    names = tuple(n for n in part.names if n in set(sizes.filter(pl.col("n") >= LEAST_TRIALS)["value"]))
    rows = rows.filter(pl.col("value").is_in(list(names)))
    if not answered or len(names) < 2 or rows["grade"].n_unique() < 2 or rows["cluster"].n_unique() < 2:
        return []
    dummies = np.column_stack([(rows["value"] == n).cast(pl.Float64).to_numpy() for n in names[1:]])
    design = np.column_stack([dummies, about.covariates.matrix[rows["at"].to_numpy()]])
    gone = set(aliased_columns(design))
    design = design[:, [j for j in range(design.shape[1]) if j not in gone]]
    fit = cumulative_logit(rows["grade"].to_numpy(), design, rows["cluster"].to_numpy().astype(np.int64), kind="CR2")
    found = []
    for of, against in _pairs(about, names):
        weights = np.zeros((1, len(fit.uncertainty.covariance)))
        for n, sign in ((of, 1.0), (against, -1.0)):
            if n != names[0]:
                weights[0, names.index(n) - 1] = sign
        if set(np.flatnonzero(weights[0]).tolist()) & set(fit.separated):
            notes.append(f"All trials on {of} or {against} had the same response: no odds ratio can be given.")
            continue
        theta = np.concatenate([fit.coefficients.estimate, fit.thresholds])
        c = fit.uncertainty.linear(weights @ theta, weights).exponential()
        found.append(_effect(("response_odds_ratio", of, against), c, part.label + "strongest response"))
    return found


def _occupied(about: Material, part: Part) -> list[Effect]:
    """Compare plants on which a defending ant was last seen with plants last seen vacant."""
    if about.groups.column == "ant" or not part.exclusion_told:
        return []
    ants = about.defenders or tuple(
        a for a in part.table["ant"].drop_nulls().unique().sort().to_list() if a not in (VACANT, "founding", "several")
    )
    state = (
        pl.when(pl.col("ant").is_in([*ants, UNNAMED])).then(pl.lit(HELD))
        .when(pl.col("ant") == VACANT).then(pl.lit(VACANT))
    )  # fmt: skip
    rows = part.table.with_columns(value=state).filter(pl.col("value").is_not_null())
    sizes = rows.group_by("value").agg(n=pl.len(), blocks=pl.col("cluster").n_unique())
    enough = sizes.filter((pl.col("n") >= LEAST_TRIALS) & (pl.col("blocks") > 1))
    if enough.height < 2:
        return []
    got = shares_at(rows, (HELD, VACANT), Column("excluded", "end_s", "cause", EXCLUDED), part.horizon)
    return [_effect(("excluded_difference", HELD, VACANT), got.difference(0, 1), OCCUPIED + part.within)]
