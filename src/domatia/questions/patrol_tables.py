"""Tables of the patrol question: the clock of each ant, its peak and whether it is flat, counts by position."""

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from domatia.questions.patrol_numbers import HOURS, UNITS, Fitted, Material

Array = NDArray[np.float64]

_DRAWS = 400
FLAT_P = 0.05


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
    """Give the busiest hour, the ratio of the busiest to the quietest, and the chance of such a clock if it is flat.

    The test is Wald's with the covariance over blocks and Hotelling's F for few of them; the interval of the busiest
    hour comes from draws of the coefficients.
    """
    rows = []
    for f in (f for f in fits if f.cell.harmonics):
        found = f.clock()
        rate = np.exp(found[:, 0])
        peak = float(HOURS[int(np.argmax(rate))])
        p = flatness(f)
        low, high = _peak_ends(f, peak, rng) if p < FLAT_P else (None, None)
        rows.append(
            (f.cell.method, f.cell.ant, f.cell.rows.height, p, p >= FLAT_P, peak, low, high,
             float(rate.max() / rate.min()))
        )  # fmt: skip
    schema = {"method": pl.String, "ant": pl.String, "counts": pl.Int64, "p_if_flat": pl.Float64, "flat": pl.Boolean,
              "busiest_h": pl.Float64, "busiest_from_h": pl.Float64, "busiest_to_h": pl.Float64,
              "busiest_to_quietest": pl.Float64}  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


def flatness(f: Fitted) -> float:
    """Give the chance of harmonics as large as these if the ants kept no hours."""
    assert f.fit.scores is not None  # noqa: S101
    doubt = f.fit.scores.uncertainty("CR2")
    at = [i for i, n in enumerate(f.fit.parameter_names) if n.startswith(("cosine", "sine"))]
    b, v = f.fit.parameters[at], doubt.covariance[np.ix_(at, at)]
    wald, q, m = float(b @ np.linalg.pinv(v, hermitian=True) @ b), len(at), doubt.clusters - 1
    if m - q + 1 < 1:
        return 1.0
    return float(special.fdtrc(q, m - q + 1, wald * (m - q + 1) / (m * q)))


def _peak_ends(f: Fitted, peak: float, rng: np.random.Generator) -> tuple[float, float]:
    assert f.fit.scores is not None  # noqa: S101
    covariance = f.fit.scores.uncertainty("CR2").covariance
    values, vectors = np.linalg.eigh(covariance)
    spread = vectors * np.sqrt(np.maximum(values, 0.0))
    drawn = f.fit.parameters + rng.standard_normal((_DRAWS, len(values))) @ spread.T
    peaks = HOURS[np.argmax(f.clock()[:, 1:] @ drawn.T, axis=0)]
    away = (peaks - peak + 12.0) % 24.0 - 12.0
    low, high = np.quantile(away, [0.025, 0.975])
    return float((peak + low) % 24.0), float((peak + high) % 24.0)


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
