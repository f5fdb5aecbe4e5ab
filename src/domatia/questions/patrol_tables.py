"""Tables of the patrol question: the clock of each ant, its peaks and how flat it is, counts by position."""

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from domatia.questions.patrol_numbers import HOURS, UNITS, Fitted, Material

Array = NDArray[np.float64]

_DRAWS = 1000
FLAT_P = 0.05
_USELESS = 1000.0
"""A ratio of the busiest to the quietest hour above which an upper end says nothing."""
_APART, _STRAY = 1.0, 0.025
"""Hours between two peaks; share of draws at another peak from which on the busiest hour has no interval."""


def tables(about: Material, fits: Sequence[Fitted], rng: np.random.Generator) -> dict[str, pl.DataFrame]:
    """Give all tables."""
    return {"clock": clock(fits), "rhythm": rhythm(fits, rng), "counts": _counts(about), "spread": _spread(fits)}


def clock(fits: Sequence[Fitted]) -> pl.DataFrame:
    """Give the rate by hour of an undisturbed plant of the usual kind, at the reference position, with intervals."""
    parts = []
    for f in (f for f in fits if f.cell.harmonics):
        found, step = f.clock(), slice(0, None, 10)
        gradient = found[step, 1:].copy()
        gradient[:, f.fit.parameter_names.index("start")] = 1.0
        level = gradient @ f.fit.parameters
        ends = [f.estimate(float(v), g).exponential() for v, g in zip(level, gradient, strict=True)]
        parts.append(
            pl.DataFrame(
                {
                    "method": f.cell.method,
                    "group": f.cell.ant,
                    "x": HOURS[step],
                    "y": np.exp(level),
                    "low": [float(e.low[0]) for e in ends],
                    "high": [float(e.high[0]) for e in ends],
                    "unit": UNITS[f.cell.method],
                }
            )
        )
    schema = {"method": pl.String, "group": pl.String, "x": pl.Float64, "y": pl.Float64, "low": pl.Float64,
              "high": pl.Float64, "unit": pl.String}  # fmt: skip
    return pl.concat(parts) if parts else pl.DataFrame(schema=schema)


def rhythm(fits: Sequence[Fitted], rng: np.random.Generator) -> pl.DataFrame:
    """Give the chance of such a clock if it is flat, the busiest hour or hours, and the busiest to the quietest hour.

    The test is Wald's with the covariance over blocks and Hotelling's F for few of them; it says nothing of how flat a
    clock is. That is told by the upper end of the ratio of the busiest to the quietest hour, from draws of the
    coefficients (t for few blocks): each draw has its own busiest and quietest hour, so that the end is rather too high
    than too low; it is blank above a thousand. Hours are given where the test shows that ants keep any; their interval
    where draws have one peak.
    """
    rows = []
    for f in (f for f in fits if f.cell.harmonics):
        p, clock = flatness(f), f.clock()
        height, slopes = clock[:, 0], clock[:, 1:]
        top, low_at = int(np.argmax(height)), int(np.argmin(height))
        gradient = slopes[top] - slopes[low_at]
        one = f.estimate(float(height[top] - height[low_at]), gradient)
        drawn = slopes @ _drawn(f, gradient, rng).T
        shown = p is not None and p < FLAT_P
        low = max(float(np.exp(one.low[0])), 1.0) if shown else 1.0
        far = float(np.quantile(np.ptp(drawn, axis=0), 0.975))
        high = float(np.exp(far)) if far < np.log(_USELESS) else None
        hours = _peaks(height, drawn) if shown else (None, None, None, None)
        rows.append(
            (
                f.cell.method,
                f.cell.ant,
                f.cell.rows.height,
                f.cell.harmonics,
                p,
                *hours,
                float(np.exp(np.ptp(height))),
                low,
                high,
            )
        )
    schema = {"method": pl.String, "ant": pl.String, "counts": pl.Int64, "waves": pl.Int64, "p_if_flat": pl.Float64,
              "busiest_h": pl.Float64, "busiest_from_h": pl.Float64, "busiest_to_h": pl.Float64,
              "second_peak_h": pl.Float64, "busiest_to_quietest": pl.Float64, "busiest_to_quietest_low": pl.Float64,
              "busiest_to_quietest_high": pl.Float64}  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


def flatness(f: Fitted) -> float | None:
    """Give the chance of harmonics as large as these if the ants kept no hours; None with too few blocks for it."""
    assert f.fit.scores is not None  # noqa: S101
    doubt = f.fit.scores.uncertainty("CR2")
    at = [i for i, n in enumerate(f.fit.parameter_names) if n.startswith(("cosine", "sine"))]
    b, v = f.fit.parameters[at], doubt.covariance[np.ix_(at, at)]
    wald, q, m = float(b @ np.linalg.pinv(v, hermitian=True) @ b), len(at), doubt.clusters - 1
    if m - q + 1 < 1:
        return None
    return float(special.fdtrc(q, m - q + 1, wald * (m - q + 1) / (m * q)))


def _drawn(f: Fitted, gradient: Array, rng: np.random.Generator) -> Array:
    """Draw coefficients from their t distribution, shape (draws, parameters)."""
    assert f.fit.scores is not None  # noqa: S101
    doubt = f.fit.scores.uncertainty("CR2")
    df = min(doubt.df, max(f.fit.scores.contrast_df(gradient), 1.0))
    values, vectors = np.linalg.eigh(doubt.covariance)
    spread = vectors * np.sqrt(np.maximum(values, 0.0))
    tail = np.sqrt(df / rng.chisquare(df, _DRAWS)) if np.isfinite(df) else np.ones(_DRAWS)
    return np.asarray(f.fit.parameters + tail[:, None] * (rng.standard_normal((_DRAWS, len(values))) @ spread.T))


def _peaks(height: Array, drawn: Array) -> tuple[float, float | None, float | None, float | None]:
    """Give the busiest hour with its interval, or without one where draws have it at another peak: that peak.

    Parameters
    ----------
    height : array, shape (hours,)
        The fitted clock, log scale.
    drawn : array, shape (hours, draws)
    """
    top = float(HOURS[int(np.argmax(height))])
    summits = HOURS[(height > np.roll(height, 1)) & (height >= np.roll(height, -1))]
    busiest = HOURS[np.argmax(drawn, axis=0)]
    away = np.abs((busiest[:, None] - summits[None, :] + 12.0) % 24.0 - 12.0)
    nearest = summits[np.argmin(away, axis=1)]
    others = np.abs((nearest - top + 12.0) % 24.0 - 12.0) > _APART
    if others.mean() > _STRAY:
        second, counts = np.unique(nearest[others], return_counts=True)
        return top, None, None, float(second[int(np.argmax(counts))])
    ends = np.quantile((busiest - top + 12.0) % 24.0 - 12.0, [0.025, 0.975])
    return top, float((top + ends[0]) % 24.0), float((top + ends[1]) % 24.0), None


def _counts(about: Material) -> pl.DataFrame:
    parts = [c.rows.with_columns(ant=pl.lit(c.ant)) for c in about.cells]
    table = pl.concat(parts, how="diagonal_relaxed")
    return (
        table.group_by("method", "ant", "position", "state")
        .agg(
            counts=pl.len(),
            plants=pl.col("plant").n_unique(),
            ants=pl.col("ants").sum(),
            rate=pl.col("ants").sum() / pl.col("extent").sum(),
        )
        .with_columns(unit=pl.col("method").replace_strict(dict(UNITS), return_dtype=pl.String))
        .sort("method", "ant", "position", "state")
    )


def _spread(fits: Sequence[Fitted]) -> pl.DataFrame:
    rows = [
        (f.cell.method, f.cell.ant, name, float(sd))
        for f in fits
        for name, sd in zip(f.fit.random_names, f.fit.random_sd, strict=True)
    ]
    schema = {"method": pl.String, "ant": pl.String, "between": pl.String, "sd": pl.Float64}
    return pl.DataFrame(rows, schema=schema, orient="row")
