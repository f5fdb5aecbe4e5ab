"""Fields of plants and places as columns of numbers."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.facts import checked_column
from domatia.model.errors import WrongUse

MISSING = "a field given with --adjust is blank"
_MOST_LEVELS = 30


@dataclass(frozen=True)
class Covariates:
    """Columns of numbers, one row a plant.

    Attributes
    ----------
    plants : polars.DataFrame
        `plant`, in the order of the rows.
    matrix : array (plants, columns)
        A number is centred on its mean; a word becomes one column a level, the most frequent level left out.
    names : tuple of str
        "field" for a number, "field: level" for a word.
    left_out : dict of str to list of bytes
        Plants (record ids) with a blank, by reason.
    """

    plants: pl.DataFrame
    matrix: NDArray[np.float64]
    names: tuple[str, ...]
    left_out: dict[str, list[bytes]]


def covariates_of(facts: pl.DataFrame, fields: tuple[str, ...]) -> Covariates:
    """Turn fields of plants and their places into columns.

    Raises
    ------
    WrongUse
        If a field does not exist, holds nothing, or has too many different words.
    """
    for name in fields:
        checked_column(facts, name, "--adjust")
    whole = pl.all_horizontal([pl.col(c).is_not_null() for c in fields]) if fields else pl.lit(True)
    kept = facts.filter(whole)
    blank = facts.filter(~whole)["record_id"].to_list() if fields else []
    columns: list[NDArray[np.float64]] = []
    names: list[str] = []
    for name in fields:
        series = kept[name]
        if series.dtype.is_numeric():
            values = series.cast(pl.Float64).to_numpy()
            columns.append(values - values.mean())
            names.append(name)
            continue
        words = series.cast(pl.String)
        order = words.value_counts(name="n").sort(["n", name], descending=[True, False])[name].to_list()
        if len(order) > _MOST_LEVELS:
            raise WrongUse(f"--adjust {name}: it has {len(order)} different words", f"at most {_MOST_LEVELS}")
        for level in order[1:]:
            columns.append((words == level).cast(pl.Float64).to_numpy())
            names.append(f"{name}: {level}")
    matrix = np.column_stack(columns) if columns else np.zeros((kept.height, 0))
    return Covariates(kept.select("plant"), matrix, tuple(names), {MISSING: blank} if blank else {})
