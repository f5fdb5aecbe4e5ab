"""Effects that can be pooled: the study's own kept answers, and the table of published ones."""

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from domatia.histories.kept import kept_plain, why_stale
from domatia.model import StudyData
from domatia.stats.effect_sizes import (
    Sized,
    from_interval,
    log_odds_ratio,
    log_response_ratio,
    log_risk_ratio,
    mean_difference,
)

OWN = "this study"
SCHEMA = {
    "record_id": pl.Binary, "kind": pl.String, "study": pl.String, "label": pl.String, "outcome": pl.String,
    "measure": pl.String, "effect": pl.Float64, "variance": pl.Float64, "shared": pl.Float64, "control": pl.String,
    "site": pl.String, "year": pl.String, "host": pl.String, "taxon": pl.String, "plants": pl.Int64,
    "stale": pl.Boolean,
}  # fmt: skip
MEASURES = ("log hazard ratio", "log odds ratio", "log risk ratio", "log response ratio", "difference")

NO_VARIANCE = "effect without a standard error above 0, an interval or numbers that give one"
NO_MEAN = "ratio of means of which one is not above 0"
NO_EVENTS = "ratio of events where none, or nothing but events, was seen"
BY_FIELD = "kept answer that compares other groups than treatments"
PARTS_TOO = "kept answer for the whole study, of which parts were kept as well"
AGAIN = "kept answer to a question that was kept again for the same plants"
UNANSWERED = "kept answer that could not be given"
_ALSO = {"damage": ("missing_log_ratio_1y",)}
"""Effects of a kept answer that are pooled beside its first one."""


def gather(data: StudyData) -> tuple[pl.DataFrame, dict[str, list[bytes]]]:
    """Gather all effects.

    Returns
    -------
    polars.DataFrame
        One row an effect: plants without ants against plants with ants, on an additive scale, with its sampling
        variance and the part of it that comes from the control; sorted, so that the order of records is no matter.
    dict of str to list of bytes
        Records that give no effect, by reason.
    """
    out: dict[str, list[bytes]] = {}
    rows = [*_own(data, out), *_published(data, out)]
    table = pl.DataFrame(rows, schema=SCHEMA, orient="row")
    return table.sort("outcome", "measure", "study", "label", "effect", "record_id"), out


def _drop(out: dict[str, list[bytes]], reason: str, record: bytes) -> None:
    out.setdefault(reason, []).append(record)


def _measure(name: str) -> str:
    for words in ("hazard_ratio", "odds_ratio", "risk_ratio"):
        if words in name:
            return f"log {words.replace('_', ' ')}"
    return "log response ratio" if "ratio" in name else "difference"


def _own(data: StudyData, out: dict[str, list[bytes]]) -> list[tuple[Any, ...]]:
    usable: dict[tuple[str, str], tuple[bytes, Mapping[str, Any]]] = {}
    for record, plain in kept_plain(data):
        if plain["question"] == "synthesis":
            continue
        if plain.get("by") not in ("", "treatment", None):
            _drop(out, BY_FIELD, record)
        elif not plain["effects"] or not plain["answered"]:
            _drop(out, UNANSWERED, record)
        else:
            key = (plain["question"], _part(plain))
            if key in usable:
                _drop(out, AGAIN, usable[key][0])
            usable[key] = (record, plain)
    found = []
    in_parts = {question for question, part in usable if part}
    for (question, part), (record, plain) in sorted(usable.items()):
        if not part and question in in_parts:
            _drop(out, PARTS_TOO, record)
            continue
        found += _effects_of(data, record, plain, part)
    return found


def _part(plain: Mapping[str, Any]) -> str:
    return ", ".join(f"{field} {value}" for field, value in plain.get("only", {}).items())


def _effects_of(data: StudyData, record: bytes, plain: Mapping[str, Any], part: str) -> list[tuple[Any, ...]]:
    only = plain.get("only", {})
    first, question = plain["effects"][0], plain["question"]
    more = [
        e
        for e in plain["effects"][1:]
        if e["name"] in _ALSO.get(question, ()) and (e["of"], e["against"]) == (first["of"], first["against"])
    ]
    found, stale = [], bool(why_stale(data, plain))
    for e in (first, *more[:1]):
        se, measure = e.get("standard_error"), _measure(e["name"])
        if not e["against"] or not isinstance(se, float) or se <= 0:
            continue
        logged = measure != "difference" and "log_ratio" not in e["name"]
        value = math.log(e["estimate"]) if logged else float(e["estimate"])
        measure = f"{measure} in {e['unit']}" if measure == "difference" else measure
        site = part.split(" ", 1)[1] if part else None
        found.append(
            (record, "kept_answer", OWN, part or "the whole study", question, measure, value, se**2, 0.0, None, site,
             None, None, only.get("taxon"), plain["counts"]["plants"], stale)
        )  # fmt: skip
    return found


def _published(data: StudyData, out: dict[str, list[bytes]]) -> list[tuple[Any, ...]]:
    table = data.table("published_effect").sort("study", "outcome", "measure", "record_id")
    if not table.height:
        return []
    sized, printed = _sized(table), _printed(table)
    found = []
    for i, r in enumerate(table.iter_rows(named=True)):
        effect, variance, shared = (float(a[i]) for a in (sized.effect, sized.variance, sized.shared))
        if not math.isfinite(effect):
            effect, variance, shared = *(float(v) for v in printed[:, i]), 0.0
        if not math.isfinite(effect) or not math.isfinite(variance) or variance <= 0:
            _drop(out, _why_not(r), r["record_id"])
            continue
        if r["treated"] == "with ants":
            effect = -effect
        counted = [n for n in (r["n_treated"], r["n_other"]) if n is not None]
        where = ", ".join(str(v) for v in (r["site"], r["taxon"], r["host"]) if v is not None)
        measure = f"{r['measure']} as published" if r["measure"] == "difference" else r["measure"]
        year = None if r["year"] is None else str(r["year"])
        found.append(
            (r["record_id"], "published_effect", r["study"], where or r["study"], r["outcome"], measure, effect,
             variance, shared, r["shared_control"], r["site"], year, r["host"], r["taxon"], sum(counted), False)
        )  # fmt: skip
    return found


def _why_not(row: Mapping[str, Any]) -> str:
    means = (row["mean_treated"], row["mean_other"])
    if row["measure"] == "log response ratio" and None not in means and min(means) <= 0:
        return NO_MEAN
    if row["measure"] in ("log odds ratio", "log risk ratio") and row["events_treated"] is not None:
        return NO_EVENTS
    return NO_VARIANCE


def _sized(table: pl.DataFrame) -> Sized:
    """Work out effects from means or events, where a row gives them."""
    values = {
        c: table[c].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        for c in (
            "mean_treated", "mean_other", "sd_treated", "sd_other", "n_treated", "n_other", "events_treated",
            "events_other",
        )
    }  # fmt: skip
    two = {k: (values[f"{k}_treated"], values[f"{k}_other"]) for k in ("mean", "sd", "n", "events")}
    ways = {
        "log response ratio": log_response_ratio(two["mean"], two["sd"], two["n"]),
        "difference": mean_difference(two["mean"], two["sd"], two["n"]),
        "log odds ratio": log_odds_ratio(two["events"], two["n"]),
        "log risk ratio": log_risk_ratio(two["events"], two["n"]),
    }
    effect, variance, shared = (np.full(table.height, np.nan) for _ in range(3))
    for measure, sized in ways.items():
        here = (table["measure"] == measure).to_numpy()
        effect[here], variance[here], shared[here] = sized.effect[here], sized.variance[here], sized.shared[here]
    return Sized(effect, variance, shared)


def _printed(table: pl.DataFrame) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """Give effect and variance as printed, by standard error or else by the 95 % interval."""
    effect, se, low, high = (
        table[c].fill_null(float("nan")).to_numpy() for c in ("estimate", "standard_error", "low", "high")
    )
    se = np.where(np.isfinite(se), se, from_interval(low, high))
    return np.array([effect, np.square(se)])
