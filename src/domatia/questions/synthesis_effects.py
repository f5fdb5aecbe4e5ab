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
NOT_OF_ANTS = "kept answer that compares no treatments with and without ants"
PARTS_TOO = "kept answer for the whole study, of which parts were kept as well"
OTHER_PARTS = "kept answer for parts of the study by another field, which would count the same plants twice"
AGAIN = "kept answer to a question that was kept again for the same plants"
UNANSWERED = "kept answer that could not be given"
_ALSO = {"damage": ("missing_log_ratio_1y",)}
"""Effects of a kept answer that are pooled beside its first one."""
_FIELDS = {"site": "site", "host": "species"}
"""Fields of an effect, and the field of the plants that fills them."""

Kept = tuple[bytes, Mapping[str, Any]]


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
    newest: dict[tuple[str, str, str], Kept] = {}
    for record, plain in kept_plain(data):
        if plain["question"] == "synthesis":
            continue
        if not plain["effects"] or not plain["answered"]:
            _drop(out, UNANSWERED, record)
            continue
        field, value = next(iter(plain.get("only", {}).items()), ("", ""))
        key = (plain["question"], field, value)
        if key in newest:
            _drop(out, AGAIN, newest[key][0])
        newest[key] = (record, plain)
    chosen = _one_field(newest)
    roles = dict(data.table("treatment").select("name", "role").iter_rows())
    found = []
    for (question, field, value), (record, plain) in sorted(newest.items()):
        if field != chosen[question]:
            _drop(out, OTHER_PARTS if field else PARTS_TOO, record)
            continue
        rows = _effects_of(data, (record, plain), (field, value), roles)
        found += rows
        if not rows:
            _drop(out, NOT_OF_ANTS, record)
    return found


def _one_field(kept: Mapping[tuple[str, str, str], Kept]) -> dict[str, str]:
    """Choose for each question the field by which most parts were kept; none where only the whole was."""
    parts: dict[str, dict[str, int]] = {}
    for question, field, _ in kept:
        parts.setdefault(question, {}).setdefault(field, 0)
        parts[question][field] += bool(field)
    return {q: min(by, key=lambda f: (-by[f], f)) for q, by in parts.items()}


def _turned(e: Mapping[str, Any], roles: Mapping[str, str]) -> int:
    """Give 1 for plants without ants against plants with ants, -1 for the reverse, 0 for any other comparison."""
    if "as_occupied" in e["name"]:
        return 0
    of, against = (roles.get(e[k], e[k]) for k in ("of", "against"))
    kept_ants = ("sham", "control", "sham and control")
    if of == "removal" and against in kept_ants:
        return 1
    return -1 if against == "removal" and of in kept_ants else 0


def _effects_of(data: StudyData, kept: Kept, part: tuple[str, str], roles: Mapping[str, str]) -> list[tuple[Any, ...]]:
    """Give the first effect of removal in a kept answer, and those that are pooled beside it."""
    record, plain = kept
    question, (field, value) = plain["question"], part
    usable = [(e, _turned(e, roles)) for e in plain["effects"]]
    usable = [(e, sign) for e, sign in usable if sign and isinstance(e.get("standard_error"), float)]
    usable = [(e, sign) for e, sign in usable if e["standard_error"] > 0]
    wanted = usable[:1] + [(e, s) for e, s in usable[1:] if e["name"] in _ALSO.get(question, ())][:1]
    stale, found = bool(why_stale(data, plain)), []
    for e, sign in wanted:
        measure = _measure(e["name"])
        logged = measure != "difference" and "log_ratio" not in e["name"]
        effect = sign * (math.log(e["estimate"]) if logged else float(e["estimate"]))
        measure = f"{measure} in {e['unit']}" if measure == "difference" else measure
        site, host = (value if field == of else None for of in (_FIELDS["site"], _FIELDS["host"]))
        label = f"{field} {value}" if field else "the whole study"
        found.append(
            (record, "kept_answer", OWN, label, question, measure, effect, e["standard_error"] ** 2, 0.0, None, site,
             None, host, None, plain["counts"]["plants"], stale)
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
