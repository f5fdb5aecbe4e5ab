"""Rounds that were perhaps never walked: a plant that nobody looked for is not a plant that was not found.

A round of a place in which under 5 % of the plants listed have any status but "not found" is proposed as not visited
(or partly searched, if something was measured); the mapping confirms it. A row without any status says as little as
"not found", and counts with it, unless something was measured. Then "not found" and no status become "not visited";
what was measured stays. Rounds of a place without any row are listed. The limit of 5 % is common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from domatia.intake.records import ENTITIES, Building, add_table, finish
from domatia.intake.shape_keys import joined_key, key_ids
from domatia.model import Finding, Where

LEAST_SHARE = 0.05
LEAST_LISTED = 5
"""With fewer listed plants nothing is proposed: that none of three plants was found says little."""

_MOST_ROUNDS = 20_000  # with more places times rounds the columns are something else, and nothing is listed
_MOST_LISTED = 1000


@dataclass(frozen=True)
class Round:
    """One round of one place as the table shows it.

    Attributes
    ----------
    place, name : str
    listed : int
        Plants with a row.
    said : int
        Those with any status but not found, or with anything measured.
    confirmed : str
        "not", "partly" or empty.
    blank : int
        Those of which the row says neither a status nor a measure.
    """

    place: str
    name: str
    listed: int
    said: int
    confirmed: str = ""
    blank: int = 0


@dataclass(frozen=True)
class Rounds:
    """What the table says of rounds.

    Attributes
    ----------
    proposed, confirmed, empty : tuple of Round
        Those to be confirmed; those that the mapping confirms; those without rows.
    """

    proposed: tuple[Round, ...] = ()
    confirmed: tuple[Round, ...] = ()
    empty: tuple[Round, ...] = ()


def round_names(building: Building) -> pl.Series | None:
    """Give the name of the round of each row: the mapped one, else the year of a visit known to the year."""
    name = building.value("round", "name")
    if name is not None:
        return name
    when = building.converted.get("visit", {}).get("when")
    if when is None:
        return None
    first, last, _ = when.values.columns
    bare = (pl.col(first).dt.month() == 1) & (pl.col(first).dt.day() == 1) & (pl.col(last).dt.month() == 12)
    year = pl.when(bare & (pl.col(last).dt.day() == 31)).then(pl.col(first).dt.year().cast(pl.String))
    names = when.values.select(year.alias("r"))["r"]
    return names if names.null_count() < names.len() else None


def _seen_rows(building: Building) -> pl.DataFrame | None:
    place, name = building.value("place", "name"), round_names(building)
    status = building.converted.get("visit", {}).get("status")
    if place is None or name is None or status is None:
        return None
    when = building.converted["visit"]["when"].values if "when" in building.converted["visit"] else None
    frame = pl.DataFrame(
        {"place": place, "round": name, "status": status.values["status"], "measured": _measured(building)}
    )
    # In a wide table a plant has cells for every year, also for those before it was tagged: blank ones list nothing.
    frame = frame.with_columns(pl.lit(not building.grouped).alias("listed"))
    if when is not None:
        frame = frame.with_columns(when[when.columns[0]].alias("first"), when[when.columns[1]].alias("last"))
    else:
        frame = frame.with_columns(pl.lit(None, pl.Date).alias("first"), pl.lit(None, pl.Date).alias("last"))
    return frame


_UNMEASURED = ("when", "status", "observer", "note", "round")


def _measured(building: Building) -> pl.Series:
    """Tell in which rows something was measured, scored or looked for: then somebody was there."""
    said = pl.Series([False], dtype=pl.Boolean).new_from_index(0, building.height)
    for kind, fields in building.converted.items():
        if kind in ENTITIES or kind == "place_visit":
            continue
        for name, done in fields.items():
            if name == "looked":
                said = said | done.values["looked"].fill_null(False)
            elif not done.constant and name not in _UNMEASURED:
                said = said | (done.said & (done.code.fill_null("none") == "none"))
    return said


def _pairs(of: Mapping[str, tuple[str, ...]], how: str) -> dict[tuple[str, str], str]:
    return {(place, name): how for place, names in of.items() for name in names}


def settle_rounds(building: Building) -> Rounds:
    """Find rounds that were perhaps not visited and apply those that the mapping confirms.

    Statuses in `building.converted` change for confirmed rounds; records of place visits are added for them.
    """
    rows = _seen_rows(building)
    if rows is None:
        return Rounds()
    mapping = building.mapping
    stated = {**_pairs(mapping.partly, "partly"), **_pairs(mapping.not_visited, "not")}
    told = pl.col("status").is_not_null() | pl.col("listed")
    lost = pl.col("status").is_null() | pl.col("status").is_in(["not found", "not visited"])
    looked = ~lost | (pl.col("status").is_null() & pl.col("measured"))
    table = (
        rows.filter(told & pl.col("place").is_not_null() & pl.col("round").is_not_null())
        .group_by("place", "round")
        .agg(
            pl.len().alias("listed"),
            looked.sum().alias("said"),
            (pl.col("status").is_null() & ~pl.col("measured")).sum().alias("blank"),
        )
        .sort("place", "round")
    )
    met = {(p, r): Round(p, r, n, s, stated.get((p, r), ""), b) for p, r, n, s, b in table.iter_rows()}
    empty = _without_rows(rows, stated)
    proposed = tuple(
        r for r in met.values() if not r.confirmed and r.listed >= LEAST_LISTED and r.said < LEAST_SHARE * r.listed
    )
    confirmed = tuple(r for r in (*met.values(), *empty) if r.confirmed)
    _tell_unknown(building, stated, {*met, *((r.place, r.name) for r in empty)})
    _mark(building, rows, stated)
    _add_place_visits(building, rows, confirmed)
    building.findings += [_asked(building, r) for r in proposed[:_MOST_LISTED]]
    building.findings += [_listed(building, r) for r in empty[:_MOST_LISTED] if not r.confirmed]
    return Rounds(proposed, confirmed, tuple(r for r in empty if not r.confirmed))


def _without_rows(rows: pl.DataFrame, stated: Mapping[tuple[str, str], str]) -> tuple[Round, ...]:
    there = rows.select("place", "round").drop_nulls().unique()
    if there["place"].n_unique() * there["round"].n_unique() > _MOST_ROUNDS:
        return ()
    every = there.select("place").unique().join(there.select("round").unique(), how="cross")
    none = every.join(there, on=["place", "round"], how="anti").sort("place", "round")
    return tuple(Round(p, r, 0, 0, stated.get((p, r), "")) for p, r in none.iter_rows())


def _tell_unknown(building: Building, stated: Mapping[tuple[str, str], str], met: set[tuple[str, str]]) -> None:
    for place, name in sorted(set(stated) - met):
        building.findings.append(
            Finding(
                "round_unknown",
                "warning",
                (Where(file=building.file, label=f"{place} in {name}"),),
                f"The mapping confirms {place} in {name}, which the table does not have.",
                "a place and a round of the table.",
                "Mend [not_visited] in the mapping.",
                values=(place, name),
            )
        )


def _mark(building: Building, rows: pl.DataFrame, stated: Mapping[tuple[str, str], str]) -> None:
    if not stated:
        return
    pairs = pl.DataFrame(list(stated), schema={"place": pl.String, "round": pl.String}, orient="row")
    marked = rows.join(
        pairs.with_columns(pl.lit(True).alias("c")), on=["place", "round"], how="left", maintain_order="left"
    )
    blank = pl.col("status").is_null() & ~pl.col("measured") & pl.col("listed")
    lost = pl.col("c").fill_null(False) & ((pl.col("status") == "not found").fill_null(False) | blank)
    status = marked.select(pl.when(lost).then(pl.lit("not visited")).otherwise("status").alias("status"))["status"]
    visit = building.converted["visit"]
    visit["status"] = visit["status"].with_values(status)


def _add_place_visits(building: Building, rows: pl.DataFrame, confirmed: tuple[Round, ...]) -> None:
    if not confirmed or "place_visit" in building.converted:
        return
    frame = pl.DataFrame(
        {"place": [r.place for r in confirmed], "round": [r.name for r in confirmed],
         "searched": [r.confirmed for r in confirmed]},
    )  # fmt: skip
    dates = rows.group_by("round").agg(pl.col("first").min(), pl.col("last").max())
    frame = frame.join(dates, on="round", how="left").sort("place", "round")
    told = frame.select(
        joined_key([frame["place"], frame["round"]]).alias("key"),
        pl.lit(building.file).alias("@file"),
        pl.lit(None, pl.String).alias("@sheet"),
        pl.lit(None, pl.Int64).alias("@row"),
        key_ids(building.study_id, "place", joined_key([frame["place"]])).alias("place"),
        key_ids(building.study_id, "round", joined_key([frame["round"]])).alias("round"),
        pl.col("first").alias("when_earliest"),
        pl.col("last").alias("when_latest"),
        "searched",
        pl.lit("confirmed in the mapping").alias("note"),
    )
    if "round" not in building.converted:
        told = told.drop("round")
    add_table(
        building, "place_visit", finish(building, "place_visit", told.filter(pl.col("when_earliest").is_not_null()))
    )


def _asked(building: Building, one: Round) -> Finding:
    how = "partly" if one.said else "confirmed"
    return Finding(
        "round_perhaps_not_visited",
        "warning",
        (Where(file=building.file, label=f"{one.place} in {one.name}"),),
        f"Of {one.listed} plants listed in {one.place} in {one.name}, {one.said} have any status but not found."
        + (f" For {one.blank} nothing was written at all." if one.blank else ""),
        f"a status for at least {LEAST_SHARE:.0%} of the plants of a place that was searched.",
        f'If it was not searched, write {how} = {{ "{one.place}" = ["{one.name}"] }} under [not_visited].',
        values=(one.place, one.name, str(one.listed), str(one.said)),
    )


def _listed(building: Building, one: Round) -> Finding:
    return Finding(
        "round_without_rows",
        "note",
        (Where(file=building.file, label=f"{one.place} in {one.name}"),),
        f"{one.place} has no row in {one.name}.",
        "a row for each listed plant in each round, or the word that the place was not visited.",
        f'If nobody went there, write confirmed = {{ "{one.place}" = ["{one.name}"] }} under [not_visited].',
        values=(one.place, one.name),
    )
