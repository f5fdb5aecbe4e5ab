"""The tables of the palatability question: mean shares, tests of pairs, shares by consumer."""

import numpy as np
import polars as pl

from domatia.histories.feeding import CHOICE
from domatia.questions.palatability_numbers import LEAST_LEAVES, Contrast, Material, part, shares
from domatia.stats.paired import paired_tests

_TESTS = {
    "of": pl.String, "against": pl.String, "dishes": pl.Int64, "mean_difference": pl.Float64, "t": pl.Float64,
    "t_p": pl.Float64, "sum_of_positive_ranks": pl.Float64, "signed_rank_p": pl.Float64, "more_of_first": pl.Int64,
    "more_of_second": pl.Int64, "note": pl.String,
}  # fmt: skip
_NOTE = "dishes taken as independent"


def tables(about: Material) -> dict[str, pl.DataFrame]:
    """Give the tables beside the effects."""
    found = {
        "share_eaten": shares(about),
        "paired_tests": pl.concat([_tests(c) for c in about.contrasts]),
        "by_consumer": pl.concat([_by_consumer(c) for c in about.contrasts]),
    }
    return {name: table for name, table in found.items() if table.height}


def differences(contrast: Contrast, pair: tuple[str, str]) -> np.ndarray:
    """Give the difference of the two groups in each dish that holds both, in the order of the dishes' names."""
    rows = part(contrast, CHOICE, pair)
    of = pl.col("share").filter(pl.col("value") == pair[0]).mean()
    against = pl.col("share").filter(pl.col("value") == pair[1]).mean()
    return rows.group_by("dish").agg(d=of - against).sort("dish")["d"].to_numpy()


def _tests(contrast: Contrast) -> pl.DataFrame:
    lines = []
    for p in contrast.pairs:
        d = differences(contrast, (p.of, p.against))
        if len(d) >= LEAST_LEAVES and np.ptp(d) > 0.0:
            t = paired_tests(d)
            lines.append((p.of, p.against, t.pairs, t.mean, t.t, t.t_p, t.v, t.v_p, t.positive, t.negative, _NOTE))
    return pl.DataFrame(lines, schema=_TESTS, orient="row")


def _by_consumer(contrast: Contrast) -> pl.DataFrame:
    counted = contrast.table.group_by("consumer", "kind", group="value").agg(
        leaves=pl.len(), share_eaten=pl.col("share").mean(), animals=pl.col("animal").n_unique()
    )
    place = {n: i for i, n in enumerate(contrast.names)}
    ordered = counted.with_columns(at=pl.col("group").replace_strict(place, return_dtype=pl.Int64))
    ordered = ordered.sort("consumer", "kind", "at").drop("at").with_columns(compared_by=pl.lit(contrast.column))
    return ordered.select("compared_by", "consumer", "kind", "group", "leaves", "animals", "share_eaten")
