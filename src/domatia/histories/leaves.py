"""Leaf scores: marked leaves looked at again and again, and leaves scored once, kept apart."""

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from domatia.histories.moments import Grain, grain_of, position
from domatia.model.dates import DAYS_A_YEAR
from domatia.model.profile import DamageClass
from domatia.model.study import StudyData

NO_DATE = "the date of the leaf score is missing"
NO_SCORE = "the leaf row holds neither a score nor a fate"
NO_LIMITS = "the class of damage is not in the profile's table of classes"
CALIBRATION = "a calibration leaf, whose missing share was known"

PRESENT, EATEN, ABSCISED, UNKNOWN = "present", "eaten", "abscised", "unknown"
BY_FATE, ALL_DROPPED, ALL_EATEN = "by fate", "all dropped", "all eaten"
VERSIONS = (BY_FATE, ALL_DROPPED, ALL_EATEN)
"""What a vanished leaf counts as: eaten ones 100 % and dropped ones left out; all left out; all 100 %."""

_HALF = 0.5
_WEIGHTS = {BY_FATE: "fate", ALL_DROPPED: "dropped", ALL_EATEN: "eaten"}


@dataclass(frozen=True)
class LeafScores:
    """All dated leaf scores of a study.

    Attributes
    ----------
    rows : polars.DataFrame
        `plant`, `leaf`, `record_id`, `t` (day since 1970), `share` (missing, 0 to 1; for a class the middle of its
        limits; null if the leaf had vanished), `fate` ("present", "eaten", "abscised", "unknown": the last three
        vanished), `marked`, `blind`, `observer`, `agent`; sorted by `plant`, `leaf`, `t`. Repeats are not among them.
    classes : tuple of DamageClass
        The table of classes most scores were made in; empty where all are percentages.
    left_out : dict of str to list of bytes
        Leaf rows (record ids) not used, by reason.
    grain : str
    repeats, calibration : polars.DataFrame
        `observer`, `error` (share): second score less first; score less known missing share.
    """

    rows: pl.DataFrame
    classes: tuple[DamageClass, ...]
    left_out: dict[str, list[bytes]]
    grain: Grain
    repeats: pl.DataFrame
    calibration: pl.DataFrame


def leaf_scores(data: StudyData) -> LeafScores:
    """Read the leaf scores, percentages and classes alike.

    A leaf counts as marked if it was chosen as such, or if it was not said how it was chosen and the same leaf of the
    plant has scores on two days. A leaf that is not there any more has a fate and no share, whatever was written.
    """
    every, classes = _shares(data)
    known = every.filter(pl.col("true_missing_pct").is_not_null() & pl.col("share").is_not_null())
    calibration = known.select("observer", error=pl.col("share") - pl.col("true_missing_pct") / 100)
    again = every.filter(pl.col("repeat_of").is_not_null() & pl.col("share").is_not_null())
    first = every.select(repeat_of="subject_id", before="share")
    repeats = again.join(first, on="repeat_of").filter(pl.col("before").is_not_null())
    repeats = repeats.sort("record_id").select("observer", error=pl.col("share") - pl.col("before"))
    rows = every.filter(pl.col("repeat_of").is_null())
    open_choice = pl.col("chosen").is_null() | (pl.col("chosen") == "unknown")
    days = pl.col("t").n_unique().over("plant", "leaf")
    rows = rows.with_columns(marked=(pl.col("chosen") == "marked").fill_null(False) | (open_choice & (days > 1)))
    test = pl.col("true_missing_pct").is_not_null() & ~pl.col("marked")
    left_out: dict[str, list[bytes]] = {}
    for reason, bad in (
        (NO_DATE, pl.col("t").is_null()),
        (CALIBRATION, test),
        (NO_LIMITS, pl.col("unread")),
        (NO_SCORE, pl.col("share").is_null() & (pl.col("fate") == PRESENT)),
    ):
        ids = rows.filter(bad)["record_id"].to_list()
        left_out |= {reason: ids} if ids else {}
        rows = rows.filter(~bad)
    rows = rows.sort("plant", "leaf", "t", "record_id")
    one = rows.filter(pl.col("marked")).unique(["plant", "leaf", "t"], keep="last", maintain_order=True)
    rows = pl.concat([one, rows.filter(~pl.col("marked"))]).sort("plant", "leaf", "t", "record_id")
    kept = ("plant", "leaf", "record_id", "t", "share", "fate", "marked", "blind", "observer", "agent")
    return LeafScores(rows.select(kept), classes, left_out, grain_of(data.table("leaf")), repeats, calibration)


def _shares(data: StudyData) -> tuple[pl.DataFrame, tuple[DamageClass, ...]]:
    """Add `t`, `share`, `unread` and a whole `fate` to the leaf table; give the classes that most scores are in."""
    tables = data.profile.damage_classes
    only = next(iter(tables)) if len(tables) == 1 else None
    limits = pl.DataFrame(
        [(n, c.label, (c.low_pct + c.high_pct) / 200) for n, cs in tables.items() for c in cs],
        schema={"class_table": pl.String, "damage_class": pl.String, "middle": pl.Float64},
        orient="row",
    )
    leaves = data.table("leaf").with_columns(t=position(), class_table=pl.col("class_table").fill_null(pl.lit(only)))
    leaves = leaves.join(limits, on=["class_table", "damage_class"], how="left", maintain_order="left")
    whole = pl.col("missing_pct").is_not_null()
    fate = pl.col("fate").fill_null(PRESENT)
    scored = whole | pl.col("damage_class").is_not_null()
    vanished = fate.is_in([EATEN, ABSCISED]) | ((fate == UNKNOWN) & ~scored)
    share = pl.when(~vanished).then(pl.coalesce(pl.col("missing_pct") / 100, "middle"))
    leaves = leaves.with_columns(
        share=share,
        fate=pl.when(vanished).then(fate).otherwise(pl.lit(PRESENT)),
        unread=~vanished & ~whole & pl.col("damage_class").is_not_null() & pl.col("middle").is_null(),
    )
    used = leaves.filter(~whole & pl.col("middle").is_not_null())["class_table"].value_counts(name="n")
    if used.is_empty():
        return leaves, ()
    name = used.sort(["n", "class_table"], descending=[True, False])["class_table"][0]
    return leaves, tables[name]


def class_of(share: pl.Expr, classes: Sequence[DamageClass]) -> pl.Expr:
    """Give the place in the table of the class that holds a share of 0 to 1 (each class up to its upper limit)."""
    found = pl.lit(len(classes) - 1)
    for i, c in reversed(list(enumerate(classes[:-1]))):
        found = pl.when(share * 100 <= c.high_pct).then(pl.lit(i)).otherwise(found)
    return found.cast(pl.Int64)


def followed_leaves(scores: LeafScores, starts: pl.DataFrame | None = None) -> pl.DataFrame:
    """Give each score of each marked leaf with its time, counted from its marking or the later start of the treatment.

    Parameters
    ----------
    scores : LeafScores
    starts : polars.DataFrame, optional
        `plant`, `start` (day since 1970) of the plants with a treatment.

    Returns
    -------
    polars.DataFrame
        `plant`, `leaf`, `record_id`, `t`, `years` (0 at the marking), `share`, `fate`, `marked_t` (day of the
        marking), `late` (days from the start of the treatment to the marking, null without a start); sorted. A leaf
        seen again after it had vanished did not vanish: the earlier fate does not count.
    """
    rows = scores.rows.filter(pl.col("marked"))
    there = pl.col("fate") == PRESENT
    leaf = ("plant", "leaf")
    rows = rows.with_columns(
        marked_t=pl.col("t").filter(there).min().over(leaf), seen=pl.col("t").filter(there).max().over(leaf)
    )
    rows = rows.filter(pl.col("marked_t").is_not_null() & (there | (pl.col("t") > pl.col("seen"))))
    gone = rows.filter(~there).unique(leaf, keep="first", maintain_order=True)
    rows = pl.concat([rows.filter(there), gone]).sort("plant", "leaf", "t", "record_id")
    begun = starts if starts is not None else pl.DataFrame(schema={"plant": pl.Binary, "start": pl.Float64})
    rows = rows.join(begun, on="plant", how="left", maintain_order="left")
    origin = pl.max_horizontal("marked_t", "start")
    years = pl.when(pl.col("t") == pl.col("marked_t")).then(0.0).otherwise((pl.col("t") - origin) / DAYS_A_YEAR)
    rows = rows.with_columns(years=years.clip(lower_bound=0.0), late=pl.col("marked_t") - pl.col("start"))
    return rows.select(*leaf, "record_id", "t", "years", "share", "fate", "marked_t", "late")


def eaten_share(leaves: pl.DataFrame, group: str) -> pl.DataFrame:
    """Add `eaten` to rows of marked leaves: the chance that a leaf that vanished for unknown cause was eaten.

    It is the share of eaten ones among leaves of known fate in the same group that had lost as much (half or more, or
    less) when last seen, drawn towards the share in all groups by the weight of one leaf.
    """
    lost = pl.col("share").shift(1).over("plant", "leaf") >= _HALF
    rows = leaves.with_columns(lost=lost.fill_null(False))
    known = rows.filter(pl.col("fate").is_in([EATEN, ABSCISED]))
    overall = known.group_by("lost").agg(base=(pl.col("fate") == EATEN).mean())
    own = known.group_by(group, "lost").agg(n=pl.len(), k=(pl.col("fate") == EATEN).sum())
    rows = rows.join(overall, on="lost", how="left", maintain_order="left")
    rows = rows.join(own, on=[group, "lost"], how="left", maintain_order="left")
    n, k, base = pl.col("n").fill_null(0), pl.col("k").fill_null(0), pl.col("base").fill_null(_HALF)
    return rows.with_columns(eaten=(k + base) / (n + 1)).drop("lost", "base", "n", "k")


def leaves_after(leaves: pl.DataFrame, years: float, window: float, alive: pl.DataFrame | None = None) -> pl.DataFrame:
    """Give what each marked leaf counts for some years after its marking, in each version of what vanishing means.

    A leaf counts `w` times with the missing share `wv / w`. Both lie on a straight line between the looks before and
    after that time; without a look after it, on the line through the last two if the last one lies within `window`.
    A leaf that had vanished stays as it is. A plant counts if leaves marked at the same time (within `window`) were
    looked at by then (or within `window` before), so that leaves known to have vanished do not stand alone for a plant
    that was lost or died, nor for leaves of theirs that were marked some days apart and not looked at again.

    Parameters
    ----------
    leaves : polars.DataFrame
        As `followed_leaves` gives it, with `eaten`.
    years, window : float
        Years.
    alive : polars.DataFrame, optional
        `plant`, `last` (day on which it was last seen alive): plants none of whose leaves was left to be looked at.

    Returns
    -------
    polars.DataFrame
        `plant`, `leaf`, `w_fate`, `wv_fate`, `w_dropped`, `wv_dropped`, `w_eaten`, `wv_eaten`, `near` (share at the
        look nearest to that time; 1 and weighted by `near_w` if it had vanished), `near_w`, `first` (share at the
        marking), `beyond` (whether the line was drawn beyond the last look); leaves whose state then is known.
    """
    there = pl.col("fate") == PRESENT
    by_fate = (
        pl.when(there).then(1.0).when(pl.col("fate") == EATEN).then(1.0).when(pl.col("fate") == ABSCISED).then(0.0)
        .otherwise("eaten")
    )  # fmt: skip
    share = pl.col("share").fill_null(1.0)
    there_w = there.cast(pl.Float64)
    values = {
        "w_fate": by_fate, "wv_fate": by_fate * share, "w_dropped": there_w, "wv_dropped": there_w * share,
        "w_eaten": pl.lit(1.0), "wv_eaten": share, "near": share, "near_w": by_fate, "there": there,
    }  # fmt: skip
    rows = (
        _reached(leaves, years, window, alive)
        .sort("plant", "leaf", "years", "record_id")
        .select("plant", "leaf", "years", first=pl.col("share").first().over("plant", "leaf"), **values)
    )
    rows = rows.unique(["plant", "leaf", "years"], keep="last", maintain_order=True)
    key = ("plant", "leaf")
    state = ("years", *values)
    early, late = rows.filter(pl.col("years") <= years), rows.filter(pl.col("years") > years)
    one = early.group_by(key).agg("first", *state).select(*key, pl.col("first").list.first(), **_at(state, -1, "a_"))
    two = early.group_by(key).agg(*state).filter(pl.col("years").list.len() > 1).select(*key, **_at(state, -2, "z_"))
    after = late.group_by(key).agg(*state).select(*key, **_at(state, 0, "b_"))
    every = one.join(after, on=key, how="left").join(two, on=key, how="left")
    return _interpolated(every, years, window, tuple(values)).sort(key)


def _cohorts(leaves: pl.DataFrame, window: float) -> pl.DataFrame:
    """Add `cohort`: a plant's leaves that were marked within `window` years of one another belong together."""
    marked = leaves.select("plant", "marked_t").unique().sort("plant", "marked_t")
    apart = (pl.col("marked_t").diff() > window * DAYS_A_YEAR).fill_null(False).cast(pl.Int32)
    marked = marked.with_columns(cohort=apart.cum_sum().over("plant"))
    return leaves.join(marked, on=["plant", "marked_t"], how="left", maintain_order="left")


def _reached(leaves: pl.DataFrame, years: float, window: float, alive: pl.DataFrame | None) -> pl.DataFrame:
    """Keep leaves of plants that were looked at after so many years, or `window` before."""
    least = years - window
    cohort = ("plant", "cohort")
    gone = pl.col("leaf").filter(pl.col("fate") != PRESENT).n_unique().over(cohort) == pl.col("leaf").n_unique().over(
        cohort
    )
    seen = alive if alive is not None else pl.DataFrame(schema={"plant": pl.Binary, "last": pl.Float64})
    rows = _cohorts(leaves, window).join(seen, on="plant", how="left", maintain_order="left")
    lived = gone & ((pl.col("last") - pl.col("marked_t")) / DAYS_A_YEAR >= least).fill_null(False)
    return rows.filter((pl.col("years").max().over(cohort) >= least) | lived).drop("last", "cohort")


def _at(columns: Sequence[str], place: int, prefix: str) -> dict[str, pl.Expr]:
    return {prefix + c: pl.col(c).list.get(place, null_on_oob=True) for c in columns}


def _interpolated(every: pl.DataFrame, years: float, window: float, names: Sequence[str]) -> pl.DataFrame:
    """Put a line through the states before (a), after (b) and one further back (z)."""
    gone = ~pl.col("a_there")
    exact = pl.col("a_years") == years
    between = pl.col("b_years").is_not_null()
    beyond = ~gone & ~exact & ~between & pl.col("z_years").is_not_null() & (pl.col("a_years") >= years - window)
    every = every.with_columns(beyond=beyond, between=between & ~gone & ~exact).filter(
        gone | exact | pl.col("between") | pl.col("beyond")
    )
    width = pl.when("between").then(pl.col("b_years") - pl.col("a_years")).otherwise(
        pl.col("a_years") - pl.col("z_years")
    )  # fmt: skip
    run = pl.when(pl.col("between") | pl.col("beyond")).then((years - pl.col("a_years")) / width).otherwise(0.0)
    near_later = pl.col("between") & (pl.col("b_years") - years < years - pl.col("a_years"))
    columns = {}
    for n in (c for c in names if c.startswith("w")):
        rise = pl.when("between").then(pl.col(f"b_{n}") - pl.col(f"a_{n}")).when("beyond").then(
            pl.col(f"a_{n}") - pl.col(f"z_{n}")
        ).otherwise(0.0)  # fmt: skip
        columns[n] = pl.col(f"a_{n}") + run * rise
    for n in ("near", "near_w"):
        columns[n] = pl.when(near_later).then(f"b_{n}").otherwise(f"a_{n}")
    return every.select("plant", "leaf", "first", "beyond", **columns)


def plant_means(leaves: pl.DataFrame) -> pl.DataFrame:
    """Average the leaves of each plant, so that a plant counts once however many leaves it had.

    Returns
    -------
    polars.DataFrame
        `plant`, `by fate`, `all dropped`, `all eaten` (share missing, null where no leaf counts), `first` (at the
        marking), `beyond`; sorted by `plant`.
    """
    sums = leaves.group_by("plant").agg(
        pl.col("first").mean(), pl.col("beyond").any(), *[pl.col(c).sum() for c in leaves.columns if c[0] == "w"]
    )
    means = {
        v: pl.when(pl.col(f"w_{c}") > _LEAST_WEIGHT).then(pl.col(f"wv_{c}") / pl.col(f"w_{c}")).clip(0.0, 1.0)
        for v, c in _WEIGHTS.items()
    }
    return sums.select("plant", "first", "beyond", **means).sort("plant")


_LEAST_WEIGHT = 0.5
"""A plant counts if at least half a leaf of it does."""


def standing_means(scores: LeafScores) -> pl.DataFrame:
    """Average the leaves scored once: `plant`, `standing` (share missing), `t` (mean day), `leaves`; sorted."""
    once = scores.rows.filter(~pl.col("marked") & pl.col("share").is_not_null())
    return once.group_by("plant").agg(standing=pl.col("share").mean(), t=pl.col("t").mean(), leaves=pl.len()).sort(
        "plant"
    )  # fmt: skip


def in_residue(data: StudyData, rows: pl.DataFrame) -> pl.Series:
    """Tell which scores lie within the profile's residue days after an insecticide on their plant.

    Parameters
    ----------
    data : StudyData
    rows : polars.DataFrame
        `plant`, `t` (day since 1970).

    Returns
    -------
    polars.Series of bool
        In the order of `rows`. A score on the day of the treatment itself was made before it.
    """
    acts = data.table("intervention").filter((pl.col("kind") == "insecticide") & pl.col("plant").is_not_null())
    acts = acts.select("plant", sprayed=position()).filter(pl.col("sprayed").is_not_null()).unique().sort("sprayed")
    asked = rows.select("plant", "t").with_row_index("at").sort("t")
    near = asked.join_asof(
        acts, left_on="t", right_on="sprayed", by="plant", check_sortedness=False, allow_exact_matches=False
    )
    days = pl.col("t") - pl.col("sprayed")
    return near.sort("at").select(x=(days < data.profile.residue_days).fill_null(False))["x"]
