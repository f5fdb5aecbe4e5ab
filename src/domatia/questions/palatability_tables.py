"""The tables of the palatability question: mean shares, tests of pairs, shares by consumer."""

import numpy as np
import polars as pl

from domatia.histories.feeding import CHOICE
from domatia.questions.palatability_numbers import LEAST_ANIMALS, LEAST_LEAVES, Contrast, Material, means, part, shares
from domatia.stats.paired import paired_tests

_TESTS = {
    "of": pl.String, "against": pl.String, "dishes": pl.Int64, "mean_difference": pl.Float64, "t": pl.Float64,
    "t_p": pl.Float64, "sum_of_positive_ranks": pl.Float64, "signed_rank_p": pl.Float64, "more_of_first": pl.Int64,
    "more_of_second": pl.Int64, "note": pl.String,
}  # fmt: skip
_OF_CONSUMER = {
    "consumer": pl.String, "kind": pl.String, "group": pl.String, "share_eaten": pl.Float64, "low": pl.Float64,
    "high": pl.Float64,
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
    """Give the mean share eaten by each consumer, blank where too few animals or leaves could give an interval."""
    counted = contrast.table.group_by("consumer", "kind", group="value").agg(
        leaves=pl.len(), animals=pl.col("animal").n_unique()
    )
    lines = []
    for (consumer, kind), own in contrast.table.group_by("consumer", "kind"):
        sizes = dict(own.group_by("value").len().iter_rows())
        names = tuple(n for n in contrast.names if sizes.get(n, 0) >= LEAST_LEAVES)
        rows = own.filter(pl.col("value").is_in(list(names))).sort("record_id")
        if names and rows["animal"].n_unique() >= LEAST_ANIMALS:
            mean, doubt = means(rows, names, rows["share"].to_numpy())
            e = doubt.linear(mean, np.eye(len(names)))
            lines += [(consumer, kind, n, *(float(v[j]) for v in (mean, e.low, e.high))) for j, n in enumerate(names)]
    told = pl.DataFrame(lines, schema=_OF_CONSUMER, orient="row")
    counted = counted.join(told, on=["consumer", "kind", "group"], how="left")
    place = {n: i for i, n in enumerate(contrast.names)}
    ordered = counted.with_columns(at=pl.col("group").replace_strict(place, return_dtype=pl.Int64))
    ordered = ordered.sort("consumer", "kind", "at").drop("at").with_columns(compared_by=pl.lit(contrast.column))
    return ordered.select("compared_by", "consumer", "kind", "group", "leaves", "animals", "share_eaten", "low", "high")
