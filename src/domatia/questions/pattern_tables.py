"""The tables of the pattern question: who neighbours whom, curves over distance with envelopes, plots."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.questions import pattern_numbers as numbers
from domatia.questions.pattern_material import Material, Points
from domatia.stats.point_envelope import global_envelope, pointwise
from domatia.stats.point_k import kernel_sums
from domatia.stats.point_labels import neighbour_table, same_counts
from domatia.stats.point_simulate import k_from_counts, pair_counts, simulated_counts

Floats = NDArray[np.float64]

BINS, EVEN_BINS = 40, 20
DRAWS, FEWER_DRAWS = 999, 199
MANY_PAIRS = 200_000
_FIRST_EXPECTED = 5.0


def tables(about: Material, rng: np.random.Generator) -> dict[str, pl.DataFrame]:
    """Give the tables beside the effects."""
    seed = int(rng.integers(2**31))
    points = about.colonies.in_company()
    curves, tests = same_ant_curves(about, points, seed)
    return {
        "neighbours": neighbours(about, points),
        "same_ant_curve": curves,
        "random_labelling_tests": tests,
        "distances": over_distance(about, points),
        "even_scatter": even_scatter(about, seed),
        "treated_distance": treated_curve(about),
        "plots": plots(about),
    }


def neighbours(about: Material, points: Points) -> pl.DataFrame:
    """Give who is the nearest neighbour of whom, plots added up, beside what random labelling within plots gives."""
    k = len(about.ants)
    seen, expected, variance = np.zeros((k, k)), np.zeros((k, k)), np.zeros((k, k))
    who = points.neighbours()
    for c in np.unique(points.code):
        own = np.flatnonzero(points.code == c)
        found = neighbour_table(points.label[own], np.searchsorted(own, who[own]), k)
        seen, expected, variance = seen + found.observed, expected + found.expected, variance + found.variance
    rows = []
    for a, ant in enumerate(about.ants):
        for b, other in enumerate(about.ants):
            z = (seen[a, b] - expected[a, b]) / np.sqrt(variance[a, b]) if variance[a, b] > 0 else None
            ratio = seen[a, b] / expected[a, b] if expected[a, b] > 0 else None
            rows.append((ant, other, int(seen[a, b]), float(expected[a, b]), ratio, z))
    schema = {
        "ant": pl.String,
        "nearest_neighbour": pl.String,
        "seen": pl.Int64,
        "expected": pl.Float64,
        "ratio": pl.Float64,
        "standard_deviations_off": pl.Float64,
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def same_ant_curves(about: Material, points: Points, seed: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Give pairs of the same ant up to each distance over those expected, with envelopes, and their global tests."""
    radius = about.radius
    near = points.pairs(radius)
    r = np.linspace(0.0, radius, BINS + 1)[1:]
    draws = DRAWS if len(near) <= MANY_PAIRS else FEWER_DRAWS
    rows, tests = [], []
    for scheme, strata in numbers.schemes(about).items():
        labels = points.labelling(*strata)
        expected = _up_to(near.distance, labels.same(near.i, near.j), radius)
        counts = np.cumsum(same_counts(near, (radius, BINS), labels, (draws, seed)), axis=1)[:, 1:]
        told = expected >= _FIRST_EXPECTED
        if not told.any():
            continue
        ratio = counts[:, told] / expected[told]
        band = global_envelope(ratio[0], ratio[1:])
        low, high = pointwise(ratio[1:])
        rows.append(
            pl.DataFrame(
                {
                    "r_m": r[told],
                    "ratio": ratio[0],
                    "global_low": band.low,
                    "global_high": band.high,
                    "pointwise_low": low,
                    "pointwise_high": high,
                }
            ).select(pl.lit(scheme).alias("ants"), pl.all())
        )
        deviation = global_envelope(ratio[0], ratio[1:], "scaled deviation")
        span = f"{r[told][0]:g} to {radius:g} m"
        tests += [
            (scheme, span, "extreme rank length", band.p, draws),
            (scheme, span, "greatest scaled deviation (MAD)", deviation.p, draws),
        ]
    columns = ("r_m", "ratio", "global_low", "global_high", "pointwise_low", "pointwise_high")
    nothing = pl.DataFrame(schema={"ants": pl.String, **dict.fromkeys(columns, pl.Float64)})
    schema = {"ants": pl.String, "distances": pl.String, "test": pl.String, "p": pl.Float64, "draws": pl.Int64}
    return (pl.concat(rows) if rows else nothing), pl.DataFrame(tests, schema=schema, orient="row")


def _up_to(distance: Floats, values: Floats, radius: float) -> Floats:
    """Sum values up to each distance of the curve."""
    at = np.ceil(distance * (BINS / radius)).astype(np.int64)
    return np.asarray(np.cumsum(np.bincount(at, values, BINS + 1)[: BINS + 1])[1:], dtype=np.float64)


def over_distance(about: Material, points: Points) -> pl.DataFrame:
    """Give K, L - r and the pair correlation of all colonies and the mark connection of the same ant, plots pooled.

    `same_ant_connection` is the chance that two colonies r apart are of the same ant, `unlinked` that chance if ants
    are exchanged within plots.
    """
    radius = about.radius
    r = np.linspace(0.0, radius, BINS + 1)[2::2]
    every = Points(about.held, np.zeros(about.held.height, dtype=np.int64)).in_company()
    density = numbers.densities(about, every)
    width = float(0.15 / np.sqrt(np.mean(density))) if len(density) else 1.0
    width = max(width, radius / 20.0)
    rows = []
    near = every.pairs(radius + width)
    weight = numbers.weights_of(about, every, near, radius + width)
    g = 2.0 * kernel_sums(near.distance, weight, r, width) / (density.sum() * 2.0 * np.pi * r)
    own = points.pairs(radius + width)
    own_weight = numbers.weights_of(about, points, own, radius + width)
    alike = points.label[own.i] == points.label[own.j]
    every_sum = kernel_sums(own.distance, own_weight, r, width)
    same = kernel_sums(own.distance[alike], own_weight[alike], r, width)
    chance = kernel_sums(own.distance, own_weight * points.labelling().same(own.i, own.j), r, width)
    for k, d in enumerate(r):
        found = numbers.l_estimate(about, float(d), radius)
        ends = [float(v[0]) for v in (found.estimate, found.low, found.high)]
        linked = [float(v[k] / every_sum[k]) if every_sum[k] > 0 else None for v in (same, chance)]
        rows.append((float(d), float(np.pi * (ends[0] + d) ** 2), *ends, float(g[k]), *linked))
    schema = ["r_m", "k_m2", "l_minus_r", "low", "high", "pair_correlation", "same_ant_connection", "unlinked"]
    return pl.DataFrame(rows, schema=schema, orient="row")


def even_scatter(about: Material, seed: int) -> pl.DataFrame:
    """Give L - r of all colonies, plots pooled, beside as many points on each plot that fall anywhere alike.

    The band is global (extreme rank length, 199 patterns), `p` its test. All curves count pairs in bins, with the
    rigid-motion weight of the middle of the bin.
    """
    own = about.held.group_by("code").agg(n=pl.len()).filter(pl.col("n") > 1).sort("code")
    schema = dict.fromkeys(("r_m", "l_minus_r", "global_low", "global_high", "p"), pl.Float64)
    pairs = sum(n * n / about.windows[c].area for c, n in own.iter_rows()) * np.pi * about.radius**2 / 2.0
    if own.is_empty() or pairs > MANY_PAIRS:
        return pl.DataFrame(schema=schema)
    bins, total, density = (about.radius, EVEN_BINS), np.zeros((FEWER_DRAWS + 1, EVEN_BINS + 1)), 0.0
    for c, n in own.iter_rows():
        window = about.windows[c]
        there = about.held.filter(pl.col("code") == c).select("x", "y").to_numpy()
        drawn = simulated_counts(window, n, bins, FEWER_DRAWS, seed + c)
        counts = np.vstack([pair_counts(there, *bins), drawn])
        total += k_from_counts(window, n, counts, about.radius) * (n * (n - 1.0) / window.area)
        density += n * (n - 1.0) / window.area
    r = np.linspace(0.0, about.radius, EVEN_BINS + 1)[1:]
    curves = np.sqrt(total[:, 1:] / density / np.pi) - r
    band = global_envelope(curves[0], curves[1:])
    columns = (r, curves[0], band.low, band.high, np.full(len(r), band.p))
    return pl.DataFrame(dict(zip(schema, columns, strict=True)), schema=schema)


def treated_curve(about: Material) -> pl.DataFrame:
    """Give the share of plants whose ants are taken off with a colony on a plant that keeps its ants within r."""
    table = numbers.distances_of_treated(about)
    rows = []
    for treatment in table["treatment"].unique().sort().to_list():
        own = table.filter(pl.col("treatment") == treatment)
        own = own.with_columns(cluster=pl.col("cluster").rank("dense").cast(pl.Int64) - 1)
        if own["cluster"].n_unique() < 2:
            continue
        for d in np.linspace(0.0, about.radius, 11)[1:]:
            found = numbers.share_within(own, np.array([d]), own["cluster"].n_unique())
            if found is not None:
                ends = [float(v[0]) for v in (found.estimate, found.low, found.high)]
                rows.append((treatment, float(d), *ends, own.height))
    schema = {
        "treatment": pl.String, "r_m": pl.Float64, "share": pl.Float64, "low": pl.Float64, "high": pl.Float64,
        "plants": pl.Int64,
    }  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


def plots(about: Material) -> pl.DataFrame:
    """Give the plots with their areas and what stands on them."""
    per = about.table.group_by("code").agg(
        plants=pl.len(), colonies=(~pl.col("state").is_in(["vacant", "founding"])).sum()
    )
    known = pl.DataFrame(
        {
            "code": pl.Series(range(len(about.windows)), dtype=pl.Int64),
            "plot": list(about.names),
            "area_m2": [w.area for w in about.windows],
            "corners": [len(w.starts) for w in about.windows],
            "outline": ["guessed from the plants" if n in about.guessed else "as mapped" for n in about.names],
        },
        schema={"code": pl.Int64, "plot": pl.String, "area_m2": pl.Float64, "corners": pl.Int64, "outline": pl.String},
    )
    return known.join(per, on="code", how="left").sort("plot").drop("code")
