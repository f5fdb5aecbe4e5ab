"""Several rows that speak of one thing become one record; rows that contradict each other stay apart."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import polars as pl

from domatia.intake.mapping import IfVaries

ORIGIN = ("@file", "@sheet", "@row")


@dataclass(frozen=True)
class Varying:
    """A field that differs between the rows of one thing.

    Attributes
    ----------
    key : str
    field : str
    texts : tuple of str
        What is written, each once, sorted.
    file, sheet : str
    row : int
        The first row of the thing.
    """

    key: str
    field: str
    texts: tuple[str, ...]
    file: str
    sheet: str
    row: int


@dataclass(frozen=True)
class Rule:
    """What to do with one field of a thing whose rows differ.

    Attributes
    ----------
    columns : tuple of str
        The field's stored columns.
    if_varies : str
    order : tuple
        For "any": the values, the winning one first.
    """

    columns: tuple[str, ...]
    if_varies: IfVaries = "refuse"
    order: tuple[object, ...] = ()


def _picked(rule: Rule) -> list[pl.Expr]:
    lead = rule.columns[0]
    said = pl.any_horizontal(pl.col(c).is_not_null() for c in rule.columns)
    own = [pl.col(c).filter(said) for c in rule.columns]
    if rule.if_varies in ("first", "last"):
        last = rule.if_varies == "last"
        sorted_ = [o.sort_by(pl.col("@when").filter(said), own[0], nulls_last=not last) for o in own]
        return [(o.last() if last else o.first()).alias(c) for o, c in zip(sorted_, rule.columns, strict=True)]
    if rule.if_varies == "any":
        rank = pl.col(lead).replace_strict(
            list(rule.order), list(range(len(rule.order))), default=len(rule.order), return_dtype=pl.Int64
        )
        return [pl.col(c).filter(said).sort_by(rank.filter(said), own[0]).first().alias(c) for c in rule.columns]
    one = pl.struct(rule.columns).filter(said).n_unique() <= 1
    return [pl.when(one).then(o.first()).alias(c) for o, c in zip(own, rule.columns, strict=True)]


def _kinds_of_value(rule: Rule) -> pl.Expr:
    said = pl.any_horizontal(pl.col(c).is_not_null() for c in rule.columns)
    return pl.struct(rule.columns).filter(said).n_unique()


def merged(
    frame: pl.DataFrame, rules: Mapping[str, Rule], texts: Mapping[str, pl.Series]
) -> tuple[pl.DataFrame, tuple[Varying, ...]]:
    """Give one row a key.

    Parameters
    ----------
    frame : polars.DataFrame
        `key` (without nulls), `@when` (day, for "first" and "last"), the origin columns and the fields' columns.
    rules : mapping of str to Rule
        By field; columns without a rule are left out.
    texts : mapping of str to polars.Series
        By field: the cells as written, row by row like `frame`.

    Returns
    -------
    polars.DataFrame
        Sorted by `key`, with the origin of the thing's first row.
    tuple of Varying
        Fields under the rule "refuse" that differ; they are null in the result.
    """
    groups = frame.sort(*ORIGIN).group_by("key", maintain_order=True)
    picks = [e for rule in rules.values() for e in _picked(rule)]
    refuse = {name: rule for name, rule in rules.items() if rule.if_varies == "refuse"}
    counts = [_kinds_of_value(rule).alias(f"@n {name}") for name, rule in refuse.items()]
    whole = groups.agg(*[pl.col(c).first() for c in ORIGIN], *picks, *counts).sort("key")
    varying: list[Varying] = []
    for name in refuse:
        keys = whole.filter(pl.col(f"@n {name}") > 1)
        if not keys.height:
            continue
        texts_of: dict[str, list[str]] = {}
        if name in texts:
            written = frame.select("key").with_columns(texts[name].alias("text")).join(keys.select("key"), on="key")
            said = written.drop_nulls().group_by("key").agg(pl.col("text").unique().sort())
            texts_of = dict(zip(said["key"].to_list(), said["text"].to_list(), strict=True))
        for key, file, sheet, row in keys.select("key", *ORIGIN).iter_rows():
            varying.append(Varying(key, name, tuple(texts_of.get(key, ())), file, sheet, row))
    return whole.drop([f"@n {name}" for name in refuse]), tuple(varying)


def numbered(frame: pl.DataFrame, content: str, together: bool) -> pl.DataFrame:
    """Tell rows with the same key apart by a counter, in the order of their content.

    Parameters
    ----------
    frame : polars.DataFrame
        `key` and the column `content`.
    content : str
        Name of the column that orders rows of the same key.
    together : bool
        Rows of the same key and content are one thing.

    Returns
    -------
    polars.DataFrame
        With `key` of the second and later ones ending in `#2`, `#3`, …, and `@twice` (true where the key stood in
        several rows), in the same order of rows.
    """
    method: Literal["dense", "ordinal"] = "dense" if together else "ordinal"
    if frame["key"].drop_nulls().is_duplicated().sum() == 0:
        return frame.with_columns(pl.lit(False).alias("@twice"))
    ranked = frame.with_columns(pl.len().over("key").alias("@n"), pl.int_range(pl.len()).alias("@at_"))
    several = ranked.filter((pl.col("@n") > 1) & pl.col("key").is_not_null())
    single = ranked.filter(~((pl.col("@n") > 1) & pl.col("key").is_not_null()))
    several = several.with_columns(pl.col(content).rank(method).over("key").cast(pl.Int64).alias("@rank"))
    number = pl.when(pl.col("@rank") > 1).then(pl.col("key") + "#" + pl.col("@rank").cast(pl.String)).otherwise("key")
    several = several.with_columns(number.alias("key"), pl.lit(True).alias("@twice")).drop("@rank")
    single = single.with_columns(pl.lit(False).alias("@twice"))
    return pl.concat([single, several]).sort("@at_").drop("@at_", "@n")
