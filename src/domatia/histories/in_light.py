"""Who lived on each plant while nobody had taken its ants off, and how open the canopy was above it then."""

from dataclasses import dataclass

import polars as pl

from domatia.histories.facts import plant_facts
from domatia.histories.looks import DIED, REMOVALS, UNKNOWN, UNNAMED, looks
from domatia.histories.moments import position
from domatia.histories.openness import Openness, openness
from domatia.model.study import StudyData

NEAR_DAYS = 183.0
"""How far in time a reading of openness may lie from the look it belongs to."""
NOT_LOOKED = "never looked at for ants before any were taken off"
NO_LIGHT = "no openness within half a year of a look"
SEVERAL = "several ants together, or an ant without a name"


@dataclass(frozen=True)
class InLight:
    """Plants with their occupant and their light.

    Attributes
    ----------
    looks : polars.DataFrame
        `plant`, `record_id` (of the visit), `t`, `state` (vacant or the ant), `openness` (per cent), `apart` (days
        between look and reading); every look that says both, before any removal. Sorted by `plant`, `t`.
    plants : polars.DataFrame
        The first of these of each plant, with `plant_record`, `group` (id) and `group_name`.
    light : Openness
    left_out : dict of str to list of bytes
        Record ids of plants and visits by reason.
    """

    looks: pl.DataFrame
    plants: pl.DataFrame
    light: Openness
    left_out: dict[str, list[bytes]]


def in_light(data: StudyData) -> InLight:
    """Give each plant's occupant and openness at its first look that says both.

    A colony counts from its live founding queen on. Looks after the ants were first taken off tell of the treatment and
    not of where ants live; a look on the day itself comes before it. The openness is that of the same visit or else the
    nearest in time within half a year.
    """
    facts = plant_facts(data)
    light = openness(data)
    left_out = dict(light.left_out)
    seen = looks(data, "live queen").filter(~pl.col("state").is_in([UNKNOWN, DIED]))
    first = _first_removals(data, facts)
    seen = seen.join(first, on="plant", how="left", maintain_order="left")
    seen = seen.filter(pl.col("removed").is_null() | (pl.col("t") <= pl.col("removed")))
    ids = facts.select("plant", "group", "group_name", plant_record="record_id")
    _leave(left_out, NOT_LOOKED, ids.join(seen, on="plant", how="anti"))
    clear = seen.filter(~pl.col("state").is_in(["several", UNNAMED]))
    _leave(left_out, SEVERAL, ids.join(seen, on="plant", how="semi").join(clear, on="plant", how="anti"))
    lit = clear.sort("t", "plant").join_asof(
        light.table.with_columns(read="t").sort("t", "plant"), on="t", by="plant", strategy="nearest",
        tolerance=NEAR_DAYS, check_sortedness=False,
    )  # fmt: skip
    lit = lit.filter(pl.col("openness").is_not_null()).with_columns(apart=(pl.col("t") - pl.col("read")).abs())
    _leave(left_out, NO_LIGHT, ids.join(clear, on="plant", how="semi").join(lit, on="plant", how="anti"))
    rows = lit.select("plant", "record_id", "t", "state", "openness", "apart").sort("plant", "t")
    plants = rows.unique("plant", keep="first", maintain_order=True).join(ids, on="plant", maintain_order="left")
    return InLight(rows, plants, light, left_out)


def _first_removals(data: StudyData, facts: pl.DataFrame) -> pl.DataFrame:
    """Give `plant` and `removed`: the day on which ants were first taken off, or were to be."""
    acts = data.table("intervention").filter(pl.col("kind").is_in(REMOVALS))
    acts = acts.select("plant", "place", removed=position()).filter(pl.col("removed").is_not_null())
    parts = [acts.filter(pl.col("plant").is_not_null()).select("plant", "removed")]
    for level in ("place", "plot", "block", "site"):
        of = facts.select("plant", place=level).filter(pl.col("place").is_not_null())
        parts.append(
            of.join(acts.filter(pl.col("plant").is_null()).drop("plant"), on="place").select("plant", "removed")
        )
    begun = facts.filter((pl.col("role") == "removal") & pl.col("start_earliest").is_not_null())
    parts.append(begun.select("plant", removed=position("start")))
    return pl.concat(parts).group_by("plant").agg(pl.col("removed").min())


def _leave(left_out: dict[str, list[bytes]], reason: str, plants: pl.DataFrame) -> None:
    if plants.height:
        left_out[reason] = sorted(plants["plant_record"].to_list())
