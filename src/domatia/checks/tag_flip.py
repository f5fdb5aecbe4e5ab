"""Two tags are easily taken for each other.

What is wrong
-------------
Two plants that stand near each other bear numbers of which one turns into the other when the tag hangs upside down
(988 and 886) or when a 6 is read as 9 or an 8 as 0: rows of one end up under the other. Or two numbers near each other
differ in one digit, and one plant first appeared after the other was last seen: then they may be one plant, misread.

An example that fails
---------------------
| plot | subplot | tag | seen         |
|------|---------|-----|--------------|
| FF-1 | B7      | 988 | 1998 to 2009 |
| FF-1 | B7      | 886 | 1998 to 2009 |

The better form
---------------
Underline the numbers, or give one of the two a new tag and record the change. Do not give out numbers that can be
flipped. Compare the two plants' heights over the years: rows that were swapped show as a jump in both.

How it is judged
----------------
Near means in the same subplot, or at most 5 m apart. Where either plant has no subplot and no coordinates, flips are
named over the whole place within which tags are unique, and single digits not at all. Single digits are named only
where one plant took over from the other, since in any long list most numbers have one that differs in one digit.

What it does not see
--------------------
Digits swapped in order (82 and 28); letters; plants that were never alive at the same time, unless one took over.

Source
------
Common practice, no source.
"""

import polars as pl

from domatia.checks.gather import Row, grouped, wheres
from domatia.checks.lives import lives
from domatia.checks.naming import labelled
from domatia.checks.nearness import positions
from domatia.checks.one_plant import with_kept
from domatia.checks.places import scopes
from domatia.checks.sightings import sightings
from domatia.model import Check, Finding, StudyData

_NEAR_M = 5.0
_TURNED = str.maketrans("01689", "01986")
_ALIKE = {"6": "9", "9": "6", "8": "0", "0": "8"}


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find pairs of plants with tags that are read for each other."""
    tags = _tags(data)
    flips = _pairs(tags, _flipped(tags))
    digits = _pairs(tags, _one_digit(tags))
    both = pl.concat([flips, digits.join(flips, on=["plant", "plant_b"], how="anti")])
    near = both.filter(_near()).filter(pl.when(pl.col("how") == "digit").then(_took_over()).otherwise(_together()))
    named = labelled(near, data, when="")
    return tuple(_finding(rows[0]) for rows in grouped(named, "plant", "plant_b", "tag", "tag_b"))


def _tags(data: StudyData) -> pl.DataFrame:
    """Give each plant's tags with the place within which they are unique, its position and its life."""
    return (
        with_kept(data.table("tag"), data)
        .filter(pl.col("plant").is_not_null())
        .drop("place")
        .with_columns(pl.col("tag").str.strip_chars())
        .join(data.table("plant").select(pl.col("subject_id").alias("plant"), "place"), on="plant", how="left")
        .join(scopes(data), on="place", how="left")
        .with_columns(pl.col("scope").fill_null(b""))
        .join(positions(data), on="plant", how="left")
        .join(lives(sightings(data)), on="plant", how="left")
        .unique(["plant", "tag"], keep="first", maintain_order=True)
    )


def _variants(tag: str) -> list[str]:
    found = {tag[:i] + _ALIKE[c] + tag[i + 1 :] for i, c in enumerate(tag) if c in _ALIKE}
    if set(tag) <= set("01689"):
        found.add(tag[::-1].translate(_TURNED))
    return sorted(found - {tag})


def _flipped(tags: pl.DataFrame) -> pl.DataFrame:
    """Give pairs of numbers of which one is read for the other, the smaller first."""
    numbers = set(tags["tag"].unique().to_list())
    turned = {(min(a, b), max(a, b)) for a in numbers for b in _variants(a) if b in numbers}
    return pl.DataFrame([(a, b, "flip") for a, b in sorted(turned)], schema=_PAIR, orient="row")


def _one_digit(tags: pl.DataFrame) -> pl.DataFrame:
    """Give pairs of numbers of equal length that differ in one digit, the smaller first."""
    numbers = [n for n in tags["tag"].unique().to_list() if n.isdigit() and len(n) > 1]
    masks = [(n[:i] + "*" + n[i + 1 :], n) for n in numbers for i in range(len(n))]
    masked = pl.DataFrame(masks, schema={"mask": pl.String, "tag": pl.String}, orient="row")
    pairs = masked.join(masked.rename({"tag": "tag_b"}), on="mask").filter(pl.col("tag") < pl.col("tag_b"))
    return pairs.select("tag", "tag_b", pl.lit("digit").alias("how"))


_PAIR = {"tag": pl.String, "tag_b": pl.String, "how": pl.String}
_OTHER = (
    "record_id", "origin_file", "origin_sheet", "origin_row", "plant", "plot", "subplot", "x_m", "y_m",
    "first_earliest", "first_latest", "last_earliest", "last_latest", "death_latest",
)  # fmt: skip


def _pairs(tags: pl.DataFrame, numbers: pl.DataFrame) -> pl.DataFrame:
    """Pair the plants of one scope that bear a pair of numbers."""
    other = tags.select("scope", pl.col("tag").alias("tag_b"), *(pl.col(c).alias(f"{c}_b") for c in _OTHER))
    left = tags.select("scope", "tag", *_OTHER)
    pairs = left.join(numbers, on="tag").join(other, on=["scope", "tag_b"])
    return pairs.filter(pl.col("plant") != pl.col("plant_b"))


def _near() -> pl.Expr:
    apart = ((pl.col("x_m") - pl.col("x_m_b")) ** 2 + (pl.col("y_m") - pl.col("y_m_b")) ** 2).sqrt()
    same_plot = pl.col("plot") == pl.col("plot_b")
    close = (same_plot & (apart <= _NEAR_M)).fill_null(False)
    cell = (same_plot & (pl.col("subplot") == pl.col("subplot_b"))).fill_null(False)
    unknown = apart.is_null() & (pl.col("subplot").is_null() | pl.col("subplot_b").is_null())
    return close | cell | (unknown & (pl.col("how") == "flip"))


def _together() -> pl.Expr:
    """Tell whether both plants were alive at one time, as far as is known."""
    dead_before = (pl.col("death_latest") < pl.col("first_earliest_b")).fill_null(False)
    dead_after = (pl.col("death_latest_b") < pl.col("first_earliest")).fill_null(False)
    return ~dead_before & ~dead_after


def _took_over() -> pl.Expr:
    """Tell whether one of two plants was first seen after the other was last seen, and is not known to be dead."""
    a_then_b = (pl.col("last_latest") < pl.col("first_earliest_b")) & pl.col("death_latest").is_null()
    b_then_a = (pl.col("last_latest_b") < pl.col("first_earliest")) & pl.col("death_latest_b").is_null()
    return (a_then_b | b_then_a).fill_null(False)


def _finding(row: Row) -> Finding:
    other: Row = {c: row[f"{c}_b"] for c in _OTHER}
    flip = row["how"] == "flip"
    cell = f" in subplot {row['subplot']}" if row["subplot"] and row["subplot"] == row["subplot_b"] else ""
    pair = f"Tags {row['tag']} and {row['tag_b']}{cell}"
    return Finding(
        code=CHECK.code,
        severity="warning" if flip else "note",
        where=wheres([row, {**other, "label": row["label"]}], "tag", "tag"),
        found=f"{pair} are read for each other when a tag is turned or worn."
        if flip
        else f"{pair} differ in one digit, and one plant first appeared after the other was last seen.",
        expected="Numbers near each other that cannot be taken for each other.",
        remedy="Compare the heights of both over the years, and give one of them a new tag."
        if flip
        else "If it is one plant that was misread, record that the two are the same; otherwise settle this.",
        subjects=tuple(sorted((row["plant"], row["plant_b"]))),
        values=(row["tag"], row["tag_b"]),
    )


CHECK = Check(
    code="tag_flip",
    title="Two tags are easily taken for each other",
    severity="warning",
    kinds=("tag", "plant", "place", "visit"),
    run=run,
)
