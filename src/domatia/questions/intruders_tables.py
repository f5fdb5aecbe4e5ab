"""The tables of the intruders question: outcomes, chances over time, rates, Weibull times and splits."""

import numpy as np
import polars as pl

from domatia.histories.trials import EXCLUDED, LEFT, MET
from domatia.questions.intruders_numbers import (
    LEAST_MOVES,
    LEAST_TRIALS,
    Material,
    Part,
    rate_rows,
    rates_of,
    share_columns,
    watched_until,
    with_contact_time,
)
from domatia.questions.intruders_shares import shares_at
from domatia.stats.clustering import Estimate
from domatia.stats.shares import clustered_shares
from domatia.stats.weibull import weibull

_POINTS, _LEAST_TIMES = 24, 3
"""Moments of a curve; different moments of exclusion without which times have no spread."""
_WHOLE = {"group": pl.String, "intruders": pl.String}


def tables(about: Material) -> dict[str, pl.DataFrame]:
    """Give the tables beside the effects."""
    made = {
        "outcomes": [_outcomes(p) for p in about.parts],
        "excluded_over_time": [_over_time(p) for p in about.parts if p.exclusion_told],
        "rates": [_rates(p) for p in about.parts],
        "responses": [_responses(p, about.read.responses) for p in about.parts],
        "weibull": [_weibull(p) for p in about.parts],
        "by_intruder": [_split(p, "intruder") for p in about.parts],
        "by_part_of_day": [_split(p, "day_part") for p in about.parts],
        "by_ant": [_split(p, "ant") for p in about.parts],
    }
    joined = {name: pl.concat(parts) for name, parts in made.items() if parts}
    return {name: table for name, table in joined.items() if table.height}


def kind_of(part: Part) -> str:
    """Name the sort of intruders of a part."""
    return "vertebrates" if part.label else "others"


def _ordered(table: pl.DataFrame, part: Part) -> pl.DataFrame:
    place = {n: i for i, n in enumerate(part.names)}
    order = table.with_columns(at=pl.col("group").replace_strict(place, return_dtype=pl.Int64))
    return order.sort("at", *[c for c in ("split", "grade") if c in table.columns]).drop("at")


def _outcomes(part: Part) -> pl.DataFrame:
    """Count how watches ended; the crude share, as papers print it, takes a watch that stopped as not excluded."""
    ended = pl.col("ended")
    counted = part.table.group_by(group="value").agg(
        trials=pl.len(),
        plants=pl.col("plant").n_unique(),
        excluded=(pl.col("cause") == EXCLUDED).sum(),
        eaten=(ended == "eaten").fill_null(False).sum(),
        left=(pl.col("cause") == LEFT).sum(),
        fell_by_wind=(ended == "fell by wind").fill_null(False).sum(),
        time_up=(ended == "time up").fill_null(False).sum(),
        end_not_told=(~pl.col("end_told")).sum(),
        crude_share_excluded=(pl.col("cause") == EXCLUDED).mean(),
        met=pl.col("met").sum(),
        met_not_told=pl.col("met").null_count(),
        median_watch_min=pl.col("end_s").median() / 60.0,
        median_first_contact_s=pl.when(pl.col("contact_cause") == MET).then(pl.col("contact_s")).median(),
    )
    return _ordered(counted, part).with_columns(intruders=pl.lit(kind_of(part)))


def _over_time(part: Part) -> pl.DataFrame:
    column = share_columns(part)[0]
    frames = []
    for when in np.linspace(0.0, part.horizon, _POINTS + 1):
        got = shares_at(part.table, part.names, column, float(when)).each
        frames.append(
            pl.DataFrame(
                {"group": part.names, "x": float(when) / 60.0, "y": got.estimate, "low": got.low, "high": got.high}
            )
        )
    flat = pl.concat(frames).with_columns(
        low=pl.when(pl.col("x") == 0).then(0.0).otherwise("low"),
        high=pl.when(pl.col("x") == 0).then(0.0).otherwise("high"),
    )
    return _ordered(flat, part).sort("x", maintain_order=True).with_columns(intruders=pl.lit(kind_of(part)))


def _with_ends(name: str, names: tuple[str, ...], e: Estimate) -> pl.DataFrame:
    """Give an estimate by group and its ends, which are blank where nothing varied that could tell of its doubt."""
    certain = np.asarray(e.high <= e.low)
    ends = {f"{name}_{end}": np.where(certain, np.nan, v) for end, v in (("low", e.low), ("high", e.high))}
    return pl.DataFrame(
        {"group": list(names), name: e.estimate, **ends}, schema_overrides={"group": pl.String}
    ).fill_nan(None)


def _rates(part: Part) -> pl.DataFrame:
    """Give rates over all trials of a group; blank where too little was counted, and undefined where none could be."""
    told = part.table.filter(pl.col("contacts").is_not_null())
    counted = told.group_by(group="value").agg(
        trials=pl.len(),
        without_contact=(pl.col("contacts") == 0).sum(),
        minutes=pl.col("end_s").sum() / 60.0,
        contacts=pl.col("contacts").sum(),
        attacks=pl.col("attacks").sum(),
    )
    attacked = told.filter(pl.col("attacks").is_not_null()).with_columns(
        size=pl.col("attacks"), excluded=(pl.col("cause") == EXCLUDED).cast(pl.Int64)
    )
    (_, met, _), (_, bitten, _) = rate_rows(part)
    for name, rows, column in (
        ("contacts_per_min", met, "contacts"),
        ("attacks_per_contact", bitten, "attacks"),
        ("exclusions_per_attack", attacked, "excluded"),
    ):
        names, rates = rates_of(rows, column, part.names)
        nothing = Estimate(*(np.empty(0) for _ in range(4)))
        own = _with_ends(name, names, nothing if rates is None else rates.each)
        counted = counted.join(own, on="group", how="left")
    return _ordered(counted, part).with_columns(intruders=pl.lit(kind_of(part)))


def _responses(part: Part, responses: tuple[str, ...]) -> pl.DataFrame:
    """Give the share of trials with each strongest response, blank in groups with too few trials."""
    answered = part.table.filter(pl.col("grade").is_not_null())
    if part.table["response"].null_count() == part.table.height:
        answered = answered.clear()
    counted = answered.group_by("grade", group="value").agg(trials=pl.len())
    counted = _ordered(counted.join(_graded(answered), on=["group", "grade"], how="left"), part).with_columns(
        response=pl.col("grade").replace_strict(dict(enumerate(responses)), return_dtype=pl.String),
        intruders=pl.lit(kind_of(part)),
    )
    return counted.select("group", "response", "trials", "share", "low", "high", "intruders")


def _graded(answered: pl.DataFrame) -> pl.DataFrame:
    enough = _enough(answered)
    rows = answered.filter(pl.col("value").is_in(list(enough)))
    cells = rows.select("value", "grade").unique().sort("value", "grade").rows()
    if not cells:
        return pl.DataFrame(schema=_GRADED)
    group, grade = rows["value"].to_numpy(), rows["grade"].to_numpy()
    values, adds, units = [], [], []
    for name, level in cells:
        own = np.flatnonzero(group == name)
        hit = (grade[own] == level).astype(np.float64)
        values.append(hit.mean())
        adds.append((own, (hit - hit.mean()) / len(own)))
        units.append(rows["plant"].gather(own).n_unique())
    got = clustered_shares(np.array(values), adds, rows["cluster"].to_numpy().astype(np.int64), np.array(units)).each
    lines = [(*c, *(float(v[j]) for v in (got.estimate, got.low, got.high))) for j, c in enumerate(cells)]
    return pl.DataFrame(lines, schema=_GRADED, orient="row")


def _enough(rows: pl.DataFrame) -> set[str]:
    """Name the groups with enough trials in two blocks or more."""
    sizes = rows.group_by("value").agg(n=pl.len(), blocks=pl.col("cluster").n_unique())
    return set(sizes.filter((pl.col("n") >= LEAST_TRIALS) & (pl.col("blocks") > 1))["value"])


def _split(part: Part, column: str) -> pl.DataFrame:
    """Give shares excluded and met within one time for all groups of a split, blank where there are too few trials."""
    told = part.table.filter(pl.col(column).is_not_null())
    counted = told.group_by("value", column).agg(trials=pl.len(), plants=pl.col("plant").n_unique())
    lines = []
    for (split,), own in told.group_by(column):
        rows = own.filter(pl.col("value").is_in(list(_enough(own)))).sort("record_id")
        until = watched_until(rows, part.horizon)
        shares = [_shares_of(rows, part, c, until) for c in ("excluded", "contacted")]
        for name in sorted(set(rows["value"])):
            blank = (None, None, None)
            lines.append((name, split, until / 60.0, *shares[0].get(name, blank), *shares[1].get(name, blank)))
    shown = pl.DataFrame(lines, schema={"value": pl.String, column: pl.String, **_SPLIT}, orient="row")
    named = counted.join(shown, on=["value", column], how="left").rename({"value": "group", column: "split"})
    return _ordered(named, part).with_columns(intruders=pl.lit(kind_of(part)))


def _shares_of(rows: pl.DataFrame, part: Part, name: str, until: float) -> dict[str, tuple[float, float, float]]:
    """Give share, low and high of the groups with enough trials that tell of it."""
    columns = [c for c in share_columns(part) if c.name == name]
    told = with_contact_time(rows) if name == "contacted" else rows
    names = tuple(n for n in part.names if n in _enough(told))
    if not columns or not names:
        return {}
    got = shares_at(told.filter(pl.col("value").is_in(list(names))), names, columns[0], until).each
    return {n: (float(got.estimate[j]), float(got.low[j]), float(got.high[j])) for j, n in enumerate(names)}


_GRADED = {"group": pl.String, "grade": pl.Int64, "share": pl.Float64, "low": pl.Float64, "high": pl.Float64}
_SPLIT = {
    "within_min": pl.Float64, "share_excluded": pl.Float64, "excluded_low": pl.Float64, "excluded_high": pl.Float64,
    "share_met": pl.Float64, "met_low": pl.Float64, "met_high": pl.Float64,
}  # fmt: skip
_WEIBULL = {
    "term": pl.String, "estimate": pl.Float64, "low": pl.Float64, "high": pl.Float64, "standard_error": pl.Float64,
    "note": pl.String, "intruders": pl.String,
}  # fmt: skip


def _weibull(part: Part) -> pl.DataFrame:
    """Fit Weibull times to exclusion from release, as papers print them, with errors clustered by block."""
    out = (part.table["cause"] == EXCLUDED).to_numpy()
    moved = [n for n in part.names if out[(part.table["value"] == n).to_numpy()].any()]
    own = part.table["value"].is_in(moved).to_numpy()
    times = part.table.filter(own & out)["end_s"].n_unique()
    if out.sum() < LEAST_MOVES or len(moved) < 2 or own.sum() < LEAST_TRIALS or times < _LEAST_TIMES:
        return pl.DataFrame(schema=_WEIBULL)
    rows = part.table.filter(own)
    stop = rows["end_s"].to_numpy() / 60.0
    until = np.where(out[own], stop, np.inf)
    dummies = np.column_stack([(rows["value"] == n).cast(pl.Float64).to_numpy() for n in moved[1:]])
    fit = weibull(stop, until, dummies, rows["cluster"].to_numpy().astype(np.int64))
    alone = weibull(stop, until, np.zeros((len(stop), 0)))
    deviance = 2.0 * (fit.log_likelihood - alone.log_likelihood)
    c, s = fit.coefficients, fit.scale
    terms = [f"log minutes, {moved[0]}", *[f"{n} less {moved[0]}" for n in moved[1:]]]
    lines: list[tuple[object, ...]] = [
        (t, *(float(v[j]) for v in (c.estimate, c.low, c.high, c.se)), "on the log scale") for j, t in enumerate(terms)
    ]
    lines.append(("scale", *(float(v[0]) for v in (s.estimate, s.low, s.high, s.se)), "standard error of its log"))
    lines.append(
        ("deviance of the groups", deviance, None, None, None, f"on {len(moved) - 1} df, plants taken as independent")
    )
    told = [(*line, kind_of(part)) for line in lines]
    return pl.DataFrame(told, schema=_WEIBULL, orient="row")
