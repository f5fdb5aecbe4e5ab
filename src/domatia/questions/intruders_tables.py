"""The tables of the intruders question: outcomes, chances over time, rates, Weibull times and splits."""

import numpy as np
import polars as pl

from domatia.histories.trials import EXCLUDED, LEFT, MET
from domatia.questions.intruders_numbers import LEAST_MOVES, LEAST_TRIALS, Material, Part, share_columns
from domatia.questions.intruders_shares import shares_at
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
        excluded_of_all=(pl.col("cause") == EXCLUDED).mean(),
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


def _rates(part: Part) -> pl.DataFrame:
    """Give rates over all trials of a group; a rate per contact or per attack is undefined where there was none."""
    told = part.table.filter(pl.col("contacts").is_not_null())
    whole = told.group_by(group="value").agg(
        trials=pl.len(),
        without_contact=(pl.col("contacts") == 0).sum(),
        contacts_per_min=pl.col("contacts").sum() / (pl.col("end_s").sum() / 60.0),
        _contacts=pl.col("contacts").filter(pl.col("attacks").is_not_null()).sum(),
        _attacks=pl.col("attacks").filter(pl.col("contacts") > 0).sum(),
        _excluded=((pl.col("cause") == EXCLUDED) & pl.col("attacks").is_not_null()).sum(),
    )

    def over(top: str, bottom: str) -> pl.Expr:
        return pl.when(pl.col(bottom) > 0).then(pl.col(top) / pl.col(bottom))

    rated = whole.with_columns(
        attacks_per_contact=over("_attacks", "_contacts"), exclusions_per_attack=over("_excluded", "_attacks")
    )
    kept = rated.drop("_contacts", "_attacks", "_excluded")
    return _ordered(kept, part).with_columns(intruders=pl.lit(kind_of(part)))


def _responses(part: Part, responses: tuple[str, ...]) -> pl.DataFrame:
    answered = part.table.filter(pl.col("grade").is_not_null())
    if part.table["response"].null_count() == part.table.height:
        answered = answered.clear()
    counted = answered.group_by("grade", group="value").agg(trials=pl.len())
    counted = _ordered(counted, part).with_columns(
        response=pl.col("grade").replace_strict(dict(enumerate(responses)), return_dtype=pl.String),
        share=pl.col("trials") / pl.col("trials").sum().over("group"),
        intruders=pl.lit(kind_of(part)),
    )
    return counted.select("group", "response", "trials", "share", "intruders")


def _split(part: Part, column: str) -> pl.DataFrame:
    told = part.table.filter(pl.col(column).is_not_null())
    counted = told.group_by("value", column).agg(
        trials=pl.len(),
        plants=pl.col("plant").n_unique(),
        excluded_of_all=(pl.col("cause") == EXCLUDED).mean(),
        met_of_known=pl.col("met").mean(),
    )
    named = counted.rename({"value": "group", column: "split"})
    return _ordered(named, part).with_columns(intruders=pl.lit(kind_of(part)))


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
