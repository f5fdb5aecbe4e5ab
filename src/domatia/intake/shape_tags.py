"""Find the plant that bears a tag at a place on a date. Where none or several fit, none is taken."""

from dataclasses import dataclass

import polars as pl

from domatia.intake.records import Building
from domatia.model import Finding, StudyData, Where

_DEEPEST = 6
MOST_LISTED = 1000


@dataclass(frozen=True)
class Borne:
    """What was found for each row.

    Attributes
    ----------
    plant : polars.Series
        Id of the one plant that fits, else null.
    fits : polars.Series
        How many plants fit.
    """

    plant: pl.Series
    fits: pl.Series


def _scope(places: pl.DataFrame, scope: str) -> pl.DataFrame:
    """Give, for each place, the place within which a tag is unique."""
    top = places.select(place="subject_id", scope="subject_id", level="level", above="within")
    if scope == "study":
        return top.select("place", pl.lit(b"").alias("scope"))
    if scope != "site":
        return top.select("place", "scope")
    over = places.select(above="subject_id", level_="level", above_="within")
    for _ in range(_DEEPEST):
        top = top.join(over, on="above", how="left")
        up = (pl.col("level").fill_null("") != "site") & pl.col("level_").is_not_null()
        top = top.select(
            "place",
            pl.when(up).then("above").otherwise("scope").alias("scope"),
            pl.when(up).then("level_").otherwise("level").alias("level"),
            pl.when(up).then("above_").alias("above"),
        )
    return top.select("place", "scope")


def _bearers(known: StudyData, file: str) -> pl.DataFrame:
    """Give who bears which tag when: the dates of the tag, else from the plant's first to its last visit."""
    tags = known.table("tag").filter(
        pl.col("plant").is_not_null() & (pl.col("origin_file").is_null() | (pl.col("origin_file") != file))
    )
    seen = (
        known.table("visit")
        .group_by("plant")
        .agg(pl.col("when_earliest").min().alias("first"), pl.col("when_latest").max().alias("last"))
    )
    undated = pl.col("borne_earliest").is_null() & pl.col("borne_latest").is_null()
    return tags.join(seen, on="plant", how="left").select(
        "place",
        "tag",
        "plant",
        pl.when(undated).then("first").otherwise("borne_earliest").alias("first"),
        pl.when(undated).then("last").otherwise("borne_latest").alias("last"),
    )


def _candidates(asked: pl.DataFrame, bearers: pl.DataFrame) -> pl.DataFrame:
    fits = asked.join(bearers, on=["scope", "tag"], how="inner").filter(
        (pl.col("earliest").is_null() | pl.col("last").is_null() | (pl.col("last") >= pl.col("earliest")))
        & (pl.col("latest").is_null() | pl.col("first").is_null() | (pl.col("first") <= pl.col("latest")))
    )
    return fits.select("@i", "plant").unique()


def bearers_at(building: Building, tags: list[pl.Series], chained: bool) -> Borne:
    """Find the plant that bears one of a row's tags at its place and date.

    Parameters
    ----------
    building : Building
    tags : list of polars.Series
        Tag numbers by row; for a change the new and the former one.
    chained : bool
        The rows are tag changes: a row that was attached makes its plant a bearer of the new tag from then on.
    """
    none = pl.Series([None], dtype=pl.Binary).new_from_index(0, building.height)
    if building.known is None:
        return Borne(none, pl.Series([0], dtype=pl.Int64).new_from_index(0, building.height))
    scopes = _scope(building.known.table("place"), building.known.profile.tag_scope)
    bearers = _bearers(building.known, building.file).join(scopes, on="place", how="left").drop("place")
    place = building.ids.get("place", none)
    days = _days(building)
    rows = pl.DataFrame({"@i": building.rows.frame["@i"], "place": place, "earliest": days[0], "latest": days[1]})
    rows = rows.join(scopes, on="place", how="left", maintain_order="left").with_columns(
        pl.coalesce("scope", "place").alias("scope")
    )
    asked = pl.concat([rows.with_columns(t.alias("tag")) for t in tags]).filter(pl.col("tag").is_not_null())
    found = _candidates(asked, bearers)
    for _ in range(_DEEPEST if chained else 0):
        open_ = asked.filter(~pl.col("@i").is_in(found["@i"].implode()))
        single = found.filter(pl.len().over("@i") == 1)
        later = rows.with_columns(tags[0].alias("tag")).join(single, on="@i")
        more = _candidates(
            open_,
            later.select(
                "scope", "tag", "plant", pl.col("earliest").alias("first"), pl.lit(None, pl.Date).alias("last")
            ),
        )
        if not more.height:
            break
        found = pl.concat([found, more]).unique()
    counted = found.group_by("@i").agg(pl.len().cast(pl.Int64).alias("fits"), pl.col("plant").first())
    whole = rows.select("@i").join(counted, on="@i", how="left", maintain_order="left")
    one = pl.when(pl.col("fits") == 1).then("plant").alias("plant")
    return Borne(whole.select(one)["plant"], whole["fits"].fill_null(0))


def _days(building: Building) -> tuple[pl.Series, pl.Series]:
    for kind, name in (("tag", "borne"), ("visit", "when"), ("place_visit", "when")):
        done = building.converted.get(kind, {}).get(name)
        if done is not None:
            return done.values[done.values.columns[0]], done.values[done.values.columns[1]]
    none = pl.Series([None], dtype=pl.Date).new_from_index(0, building.height)
    return none, none


def speak_of_change(building: Building) -> None:
    """Turn a change's date into the first day of the new tag; without a new number, into the last of the former one."""
    tag = building.converted["tag"]
    frame = pl.DataFrame({"i": building.rows.frame["@i"]})
    new = building.value("tag", "tag")
    former = building.value("tag", "former_tag")
    if new is None or former is None:
        return
    frame = frame.with_columns(new.alias("new"), former.alias("former"))
    ended = frame.select((pl.col("new").is_null() & pl.col("former").is_not_null()).alias("e"))["e"]
    swapped = frame.select(
        pl.coalesce("new", "former").alias("tag"),
        pl.when(pl.col("new").is_not_null()).then("former").alias("former_tag"),
    )
    tag["tag"] = tag["tag"].with_values(swapped["tag"])
    tag["former_tag"] = tag["former_tag"].with_values(swapped["former_tag"])
    if "why" in tag:
        why = pl.DataFrame({"w": tag["why"].values["why"]}).select(
            pl.when(pl.lit(ended)).then(pl.lit("lost")).otherwise("w").alias("w")
        )
        tag["why"] = tag["why"].with_values(why["w"])
    if "borne" in tag:
        first, last = tag["borne"].values.columns
        dates = tag["borne"].values.select(
            pl.when(~pl.lit(ended)).then(first).alias(first), pl.when(pl.lit(ended)).then(last).alias(last)
        )
        tag["borne"] = tag["borne"].with_frame(dates)
    _tell_ended(building, ended)


def _tell_ended(building: Building, ended: pl.Series) -> None:
    rows = building.rows.frame.select("@file", "@sheet", "@row").filter(ended)
    for file, sheet, row in rows.head(MOST_LISTED).iter_rows():
        building.findings.append(
            Finding(
                "new_tag_unknown",
                "warning",
                (Where(file=file, sheet=sheet, row=row, kind="tag"),),
                "A tag was changed, and the new number is blank.",
                "the number on the new tag.",
                "The former tag comes in as ending then; fill in the new number when it is known.",
            )
        )


def tell_unattached(building: Building, borne: Borne, kind: str) -> None:
    """Tell of rows whose tag fits no plant, or several."""
    tag = building.value("tag", "tag")
    former = building.value("tag", "former_tag")
    place = building.value("place", "name")
    frame = building.rows.frame.select("@file", "@sheet", "@row").with_columns(
        borne.fits.alias("n"),
        *([tag.alias("tag")] if tag is not None else [pl.lit("").alias("tag")]),
        *([former.alias("former")] if former is not None else [pl.lit(None, pl.String).alias("former")]),
        *([place.alias("place")] if place is not None else [pl.lit("").alias("place")]),
        building.ids[kind].alias("id") if kind in building.ids else pl.lit(None, pl.Binary).alias("id"),
    )
    for file, sheet, row, fits, number, old, where, subject in (
        frame.filter(pl.col("n") != 1).head(MOST_LISTED).iter_rows()
    ):
        told = f"tag {number}" + (f" (before: {old})" if old else "")
        several = fits > 1
        building.findings.append(
            Finding(
                "tag_fits_several" if several else "tag_fits_none",
                "warning",
                (Where(file=file, sheet=sheet, row=row, kind=kind, label=f"{told} in {where}"),),
                f"{told[0].upper()}{told[1:]} in {where} fits {f'{fits} plants' if several else 'no plant'} then.",
                "one plant that bears the tag at the place and date.",
                "No plant was taken. Find out which it is and correct the record's plant.",
                subjects=(subject,) if subject else (),
                values=(str(number), str(old), str(where), str(fits)),
            )
        )
