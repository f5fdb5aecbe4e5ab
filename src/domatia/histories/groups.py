"""Which groups of plants are compared, and against which."""

from dataclasses import dataclass, replace
from typing import Literal

import polars as pl

from domatia.histories.facts import checked_column
from domatia.model.errors import WrongUse

PairRole = Literal["primary", "procedure", "other"]

_MOST_GROUPS = 12
OUTSIDE = "outside the experiment: no treatment assigned"
NO_VALUE = "the field that plants are compared by is blank"
ONE_BLOCK = "its group stands in one block only, so that the group cannot be told from the block"


@dataclass(frozen=True)
class Pair:
    """A comparison of one group against another.

    Attributes
    ----------
    of, against : str
    role : {"primary", "procedure", "other"}
        "procedure" is sham against control: what handling the plants does by itself.
    """

    of: str
    against: str
    role: PairRole


@dataclass(frozen=True)
class Groups:
    """The groups of one question.

    Attributes
    ----------
    column : str
        "treatment", or the field given with --by.
    names : tuple of str
        The reference group first.
    pairs : tuple of Pair
        The primary comparison first.
    members : polars.DataFrame
        `plant`, `value` (name of the group).
    left_out : dict of str to list of bytes
        Plants (record ids) that belong to no group, by reason.
    """

    column: str
    names: tuple[str, ...]
    pairs: tuple[Pair, ...]
    members: pl.DataFrame
    left_out: dict[str, list[bytes]]

    @property
    def reference(self) -> str:
        """The group that the primary comparison is made against."""
        return self.names[0]


def groups_of(facts: pl.DataFrame, by: str = "", pool: bool = False) -> Groups:
    """Group the plants by treatment, or by any field of the plant or its place.

    Treatments: removal is compared with sham, and with control only where there is no sham; sham against control is
    the effect of the procedure. Treatments of the same role are not pooled unless `pool` says so.
    Fields: every other group is compared with the most frequent one.

    Parameters
    ----------
    facts : polars.DataFrame
        As `domatia.histories.facts.plant_facts` gives them.
    by : str
        A field; empty, or "treatment", for the treatment and its roles.
    pool : bool
        Pool sham and control into one group, called "sham and control".

    Raises
    ------
    WrongUse
        If there are no treatments, no such field, or too many values to compare.
    """
    if by in ("", "treatment"):
        return _treatments(facts, pool)
    checked_column(facts, by, "--by")
    kept = facts.filter(pl.col(by).is_not_null()).select("plant", value=pl.col(by).cast(pl.String))
    sizes = kept.group_by("value").len().sort(["len", "value"], descending=[True, False])
    names = tuple(sizes["value"].to_list())
    if len(names) < 2 or len(names) > _MOST_GROUPS:
        raise WrongUse(
            f"--by {by}: it has {len(names)} different values",
            f"fields with 2 to {_MOST_GROUPS} values",
            "Use --adjust for a field with many values.",
        )
    pairs = tuple(Pair(n, names[0], "primary" if i == 0 else "other") for i, n in enumerate(names[1:]))
    blank = facts.filter(pl.col(by).is_null())["record_id"].to_list()
    return Groups(by, names, pairs, kept, {NO_VALUE: blank} if blank else {})


def in_two_blocks(groups: Groups, facts: pl.DataFrame, plants: pl.DataFrame, pool: bool = False) -> Groups:
    """Leave out the groups that have plants in fewer than two blocks: no interval could allow for the block.

    Parameters
    ----------
    groups : Groups
    facts : polars.DataFrame
        As `domatia.histories.facts.plant_facts` gives them.
    plants : polars.DataFrame
        `plant` of the plants that the question can use.
    pool : bool
        As for `groups_of`.

    Returns
    -------
    Groups
        Regrouped without them (the reference may be another one); fewer than two names and no pairs where nothing is
        left to compare.
    """
    members = groups.members.join(plants.select("plant"), on="plant", how="semi")
    blocks = members.join(facts.select("plant", "group"), on="plant").group_by("value").agg(pl.col("group").n_unique())
    kept = set(blocks.filter(pl.col("group") > 1)["value"])
    if kept == set(groups.names):
        return groups
    own = pl.col("value").is_in(sorted(kept))
    ids = facts.select("plant", "record_id")
    out = members.filter(~own).join(ids, on="plant").sort("plant")["record_id"].to_list()
    left_out = {**groups.left_out, **({ONE_BLOCK: out} if out else {})}
    rest = groups.members.filter(own)
    if len(kept) < 2:
        return replace(groups, names=tuple(sorted(kept)), pairs=(), members=rest, left_out=left_out)
    by = "" if groups.column == "treatment" else groups.column
    return replace(groups_of(facts.join(rest, on="plant", how="semi"), by, pool), left_out=left_out)


def _treatments(facts: pl.DataFrame, pool: bool) -> Groups:
    kept = facts.filter(pl.col("treatment").is_not_null()).with_columns(pl.col("role").fill_null("other"))
    roles = dict(kept.select("treatment", "role").unique().sort("treatment").iter_rows())
    of_role = {r: sorted(t for t, role in roles.items() if role == r) for r in ("removal", "sham", "control", "other")}
    if len(roles) < 2:
        raise WrongUse(
            "The study has no two treatments to compare",
            "a field of the plants or places, with --by",
            "Import the treatments and who was given which, or give --by FIELD.",
        )
    value = pl.col("treatment")
    if pool and of_role["sham"] and of_role["control"]:
        pooled = "sham and control"
        value = pl.when(pl.col("role").is_in(["sham", "control"])).then(pl.lit(pooled)).otherwise(value)
        of_role |= {"sham": [pooled], "control": []}
    base = (of_role["sham"] or of_role["control"] or of_role["other"] or of_role["removal"])[0]
    pairs = [Pair(r, base, "primary") for r in of_role["removal"] if r != base]
    if of_role["sham"]:
        pairs += [Pair(s, c, "procedure") for s in of_role["sham"] for c in of_role["control"]]
    named = {p.of for p in pairs} | {p.against for p in pairs}
    every = [t for ts in of_role.values() for t in ts]
    pairs += [Pair(t, base, "other") for t in every if t not in named and t != base]
    outside = facts.filter(pl.col("treatment").is_null())["record_id"].to_list()
    names = (base, *[t for t in every if t != base])
    members = kept.select("plant", value=value)
    return Groups("treatment", names, tuple(pairs), members, {OUTSIDE: outside} if outside else {})
