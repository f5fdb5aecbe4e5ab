"""Trials with an intruder put on a plant: how long it was watched, whether ants met it, and how the watch ended."""

from dataclasses import dataclass

import polars as pl

from domatia.histories.looks import FOUNDING, VACANT, after_removals, last_known, looks
from domatia.histories.moments import position
from domatia.histories.time_of_day import seconds_of
from domatia.model.study import StudyData

STOPPED, EXCLUDED, LEFT = 0, 1, 2
"""How a watch ended: it stopped while the intruder was there; ants put it off the plant; it went by itself."""
MET, GONE = 1, 2
"""First contact: an ant met the intruder; it was gone before any did."""

NOT_WATCHED = "it does not say how long it was watched"
BEYOND = "a contact or an exclusion after the end of the watch"
AFTER = "a contact after the exclusion"
TWO_ENDS = "a time of exclusion, but another reason why the watch ended"
NO_PLANT = "its plant is not in the study"
SHORTEST_S = 0.5
"""A time written as 0 s lies within the first second."""
NAMELESS = "not named"
NO_CONTACT = "no contact"
RESPONSES = ("ignored", "inspected", "followed", "threatened", "bitten", "stung", "pinned", "carried off")
"""Weakest first, where the answers bear no number at their beginning; common practice, no source."""


@dataclass(frozen=True)
class Trials:
    """The trials of a study.

    Attributes
    ----------
    table : polars.DataFrame
        `record_id`, `plant`, `t` (day since 1970 or null), `seconds` (since 1970 UTC or null), `intruder`,
        `vertebrate`, `tethered`, `day_part` (null where not told), `end_s`, `cause` (`STOPPED`, `EXCLUDED`, `LEFT`),
        `ended` (as written), `end_told`, `contact_s` (null where none or not timed), `met` (null where it is not
        known), `contact_cause` (`STOPPED`, `MET`, `GONE`; null where the moment of contact is not known), `contacts`,
        `attacks`, `response`, `grade` (rank of the response, weakest 1, no contact 0; null where it is not known).
        Sorted by `record_id`.
    responses : tuple of str
        Responses by grade.
    strange : tuple of str
        Responses that could not be ranked.
    left_out : dict of str to list of bytes
        Records that cannot be used, by reason.
    """

    table: pl.DataFrame
    responses: tuple[str, ...]
    strange: tuple[str, ...]
    left_out: dict[str, list[bytes]]


def trials(data: StudyData) -> Trials:
    """Read the trials.

    Eaten counts as excluded. A trial that stopped for a reason that is not told counts as stopped. Where the moment of
    an exclusion is not written it is the end of the watch. A trial without any contact has the lowest grade, below the
    weakest response.
    """
    known = data.table("plant").select(plant="subject_id", there=pl.lit(True))
    rows = data.table("trial").sort("record_id")
    rows = rows.with_columns(seconds_of(rows), t=position())
    rows = rows.join(known, on="plant", how="left", maintain_order="left")
    out = pl.col("excluded_s").is_not_null() | pl.col("ended").is_in(["excluded", "eaten"]).fill_null(False)
    rows = rows.with_columns(
        end_s=pl.when(out).then(pl.coalesce("excluded_s", "watched_s")).otherwise("watched_s"),
        cause=pl.when(out).then(EXCLUDED).when(pl.col("ended") == "intruder left").then(LEFT).otherwise(STOPPED),
        met=_met(),
    )
    marked = rows.with_columns(reason=_reason(out))
    left = marked.filter(pl.col("reason").is_not_null()).group_by("reason").agg(pl.col("record_id").sort())
    kept = marked.filter(pl.col("reason").is_null()).with_columns(
        end_s=pl.max_horizontal("end_s", pl.lit(SHORTEST_S)),
        contact_s=pl.max_horizontal("first_contact_s", pl.when(pl.col("first_contact_s") >= 0).then(SHORTEST_S)),
        intruder=pl.col("intruder").fill_null(NAMELESS),
        vertebrate=(pl.col("intruder_kind") == "vertebrate").fill_null(False),
        end_told=pl.col("ended").is_not_null() | pl.col("excluded_s").is_not_null(),
    )
    kept = kept.with_columns(contact_cause=_contact_cause())
    ranked, strange = _ranks(kept)
    responses = tuple(sorted(ranked, key=lambda r: ranked[r]))
    place = {r: i + 1 for i, r in enumerate(responses)}
    grade = (
        pl.when(pl.col("response").is_not_null())
        .then(pl.col("response").replace_strict(place, default=None, return_dtype=pl.Int64))
        .when(pl.col("met").not_())
        .then(0)
    )
    table = kept.with_columns(grade=grade).select(
        "record_id", "plant", "t", "seconds", "intruder", "vertebrate", "tethered", "day_part", "end_s", "cause",
        "ended", "end_told", "contact_s", "met", "contact_cause", "contacts", "attacks", "response", "grade",
    )  # fmt: skip
    return Trials(table, (NO_CONTACT, *responses), strange, dict(sorted(left.iter_rows())))


def _met() -> pl.Expr:
    """Tell whether an ant met the intruder; null where nobody said."""
    touched = pl.col("first_contact_s").is_not_null() | (pl.col("contacts") > 0) | (pl.col("attacks") > 0)
    return pl.when(touched.fill_null(False)).then(True).when(pl.col("contacts") == 0).then(False)


def _reason(out: pl.Expr) -> pl.Expr:
    contact, end = pl.col("first_contact_s"), pl.col("end_s")
    late = (contact > pl.col("watched_s")) | (pl.col("excluded_s") > pl.col("watched_s"))
    other = pl.col("ended").is_in(["time up", "intruder left", "fell by wind"]) & pl.col("excluded_s").is_not_null()
    return (
        pl.when(pl.col("there").is_null()).then(pl.lit(NO_PLANT))
        .when(end.is_null() | (end < 0) | ((end == 0) & ~out)).then(pl.lit(NOT_WATCHED))
        .when(other.fill_null(False)).then(pl.lit(TWO_ENDS))
        .when(late.fill_null(False)).then(pl.lit(BEYOND))
        .when((contact > end).fill_null(False)).then(pl.lit(AFTER))
    )  # fmt: skip


def _contact_cause() -> pl.Expr:
    """Give the cause for the wait until first contact; contact at a moment that is not written tells no time."""
    return (
        pl.when(pl.col("contact_s").is_not_null()).then(MET)
        .when(pl.col("met").is_null() | pl.col("met")).then(None)
        .when(pl.col("cause") == STOPPED).then(STOPPED)
        .otherwise(GONE)
    )  # fmt: skip


def _ranks(kept: pl.DataFrame) -> tuple[dict[str, tuple[float, str]], tuple[str, ...]]:
    """Rank the responses that occur: by the number they begin with, else by their place among the usual words."""
    found: dict[str, tuple[float, str]] = {}
    strange: list[str] = []
    for word in kept["response"].drop_nulls().unique().sort().to_list():
        head = word.strip().split()[0].strip(".:)-") if word.strip() else ""
        plain = word.strip().lower()
        if head.isdecimal():
            found[word] = (float(head), "")
        elif plain in RESPONSES:
            found[word] = (float(RESPONSES.index(plain)), "")
        else:
            strange.append(word)
    return found, tuple(strange)


def with_occupant(table: pl.DataFrame, data: StudyData) -> pl.DataFrame:
    """Add `ant`: who held the plant at the latest look at or before the day of the trial, ants taken off since gone.

    "vacant", "founding", the ant's name, "unnamed ant" or "several"; null before the first look and without a date.
    """
    seen = last_known(after_removals(looks(data), data), "after").select("plant", "t", ant="known")
    seen = seen.filter(pl.col("ant").is_not_null()).sort("t")
    dated = table.filter(pl.col("t").is_not_null()).sort("t")
    joined = dated.join_asof(seen, on="t", by="plant", strategy="backward", check_sortedness=False)
    return table.join(joined.select("record_id", "ant"), on="record_id", how="left", maintain_order="left")


__all__ = [
    "EXCLUDED", "FOUNDING", "GONE", "LEFT", "MET", "RESPONSES", "STOPPED", "VACANT", "Trials", "trials",
    "with_occupant",
]  # fmt: skip
