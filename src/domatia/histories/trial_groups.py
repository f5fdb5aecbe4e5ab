"""Which trials are compared with which: by what was done to their plants, or by what belongs to the trial itself."""

from dataclasses import dataclass

import polars as pl

from domatia.histories.facts import contrast_columns
from domatia.histories.groups import NO_VALUE, ONE_BLOCK, Groups, Pair, groups_of, in_two_blocks
from domatia.histories.looks import VACANT
from domatia.histories.moments import position
from domatia.model.errors import WrongUse

OWN = ("ant", "intruder", "day_part")
"""Fields of a trial by which trials may be compared; the ant is who held the plant at the latest look before."""
BEFORE = "trial from before the treatment began"
NOBODY = "trial on a plant that is not compared"


@dataclass(frozen=True)
class Compared:
    """The trials compared.

    Attributes
    ----------
    groups : Groups
    table : polars.DataFrame
        The trials with `value` (group) and `block` (id of the block of their plant), sorted by `record_id`.
    left_out : dict of str to list of bytes
        Trials by reason.
    """

    groups: Groups
    table: pl.DataFrame
    left_out: dict[str, list[bytes]]


def compared_trials(table: pl.DataFrame, facts: pl.DataFrame, by: str, pool: bool) -> Compared:
    """Group the trials.

    Parameters
    ----------
    table : polars.DataFrame
        `record_id`, `plant`, `t`, `ant`, `intruder`, `day_part`.
    facts : polars.DataFrame
        As `domatia.histories.facts.plant_facts` gives them.
    by : str
        A field of the plants, their places or the trials; empty for the treatment.
    pool : bool
        As for `domatia.histories.groups.groups_of`.

    Raises
    ------
    WrongUse
        If there is no such field, or too few or too many values.
    """
    blocks = facts.select("plant", block="group")
    rows = table.join(blocks, on="plant", how="left", maintain_order="left")
    if by in OWN:
        return _by_own(rows, by)
    if by not in ("", "treatment") and by not in contrast_columns(facts):
        allowed = [*OWN, *contrast_columns(facts)]
        raise WrongUse(f"--by {by}: trials, plants and places have no such field", allowed, name=by)
    groups = groups_of(facts, by, pool)
    left_out: dict[str, list[bytes]] = {}
    if groups.column == "treatment":
        begun = facts.select("plant", start=position("start"))
        rows = rows.join(begun, on="plant", how="left", maintain_order="left")
        early = (pl.col("t") < pl.col("start")).fill_null(False)
        left_out |= _ids(BEFORE, rows.filter(early))
        rows = rows.filter(~early).drop("start")
    groups = in_two_blocks(groups, facts, rows.select("plant").unique(), pool)
    named = rows.join(groups.members, on="plant", how="left", maintain_order="left")
    inside = pl.col("value").is_in(list(groups.names)).fill_null(False)
    left_out |= _ids(NOBODY, named.filter(~inside))
    tried = set(facts.join(rows, on="plant", how="semi")["record_id"].to_list())
    of_plants = {reason: [i for i in ids if i in tried] for reason, ids in groups.left_out.items()}
    left_out |= {r: ids for r, ids in of_plants.items() if ids}
    return Compared(groups, named.filter(inside).sort("record_id"), left_out)


def _by_own(rows: pl.DataFrame, by: str) -> Compared:
    told = rows.with_columns(value=pl.col(by).cast(pl.String))
    left_out = _ids(NO_VALUE, told.filter(pl.col("value").is_null()))
    told = told.filter(pl.col("value").is_not_null())
    spread = told.group_by("value").agg(n=pl.len(), blocks=pl.col("block").n_unique())
    alone = spread.filter(pl.col("blocks") < 2)["value"].to_list()
    left_out |= _ids(ONE_BLOCK, told.filter(pl.col("value").is_in(alone)))
    told = told.filter(~pl.col("value").is_in(alone))
    order = spread.filter(pl.col("blocks") > 1).sort(["n", "value"], descending=[True, False])["value"].to_list()
    names = [VACANT, *[n for n in order if n != VACANT]] if VACANT in order else order
    pairs = tuple(Pair(n, names[0], "primary" if i == 0 else "other") for i, n in enumerate(names[1:]))
    groups = Groups(by, tuple(names), pairs, pl.DataFrame(schema={"plant": pl.Binary, "value": pl.String}), {})
    return Compared(groups, told.sort("record_id"), left_out)


def _ids(reason: str, rows: pl.DataFrame) -> dict[str, list[bytes]]:
    ids = rows["record_id"].sort().to_list()
    return {reason: ids} if ids else {}
