"""The numbers of the synthesis question: one pooled effect a measure and outcome."""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.model import Effect
from domatia.questions.synthesis_effects import SCHEMA
from domatia.stats.pooling import Pooled, lean, pool, tau2_interval, without_each

Array = NDArray[np.float64]

LEAST = 3
LEAST_FOR_LEAN = 10
WITHOUT, WITH = "without ants", "with ants"
FIELDS = ("site", "year", "host", "taxon", "study")
"""Fields of an effect by which effects can be parted."""


@dataclass(frozen=True)
class Part:
    """The effects of one outcome on one scale, pooled.

    Attributes
    ----------
    outcome, measure, value : str
        `value` is that of the field given with --by, empty without it.
    effects : polars.DataFrame
    pooled : Pooled or None
        None where there are too few effects to pool.
    leaning : tuple of float or None
        Slope of the effects on their standard errors, its error and p.
    """

    outcome: str
    measure: str
    value: str
    effects: pl.DataFrame
    pooled: Pooled | None
    leaning: tuple[float, float, float] | None = None

    @property
    def logged(self) -> bool:
        """Whether effects are logarithms of ratios."""
        return self.measure.startswith("log ")

    @property
    def name(self) -> str:
        """What is pooled, such as hazard_ratio."""
        return self.measure.removeprefix("log ").split(" in ")[0].split(" as ")[0].replace(" ", "_")

    @property
    def unit(self) -> str:
        """Unit of the effect."""
        return self.measure.split(" in ")[1] if " in " in self.measure else "1"

    @property
    def where(self) -> str:
        """Outcome, and the part of the effects."""
        return f"{self.outcome}, {self.value}" if self.value else self.outcome


def parts_of(table: pl.DataFrame, by: str) -> list[Part]:
    """Pool the effects of each outcome and measure, and of each value of a field; most effects first."""
    keys = ["outcome", "measure", *([by] if by else [])]
    found = []
    for key, rows in table.drop_nulls(keys).group_by(keys, maintain_order=True):
        pooled = _pool(rows)
        leaning = _lean(rows) if pooled is not None and rows.height >= LEAST_FOR_LEAN else None
        found.append(Part(str(key[0]), str(key[1]), str(key[2]) if by else "", rows, pooled, leaning))
    return sorted(found, key=lambda p: (-p.effects.height, p.outcome, p.measure, p.value))


def _levels(rows: pl.DataFrame) -> list[NDArray[np.int64]]:
    """Give the nesting: effects within studies, where there are several studies and one gives more than one."""
    study = rows["study"].rank("dense").cast(pl.Int64).to_numpy() - 1
    several = len(np.unique(study))
    return [study, np.arange(rows.height)] if LEAST <= several < rows.height else []


def covariance(rows: pl.DataFrame) -> Array:
    """Give the variances of the effects, or their covariance matrix where several share a control."""
    variance = rows["variance"].to_numpy()
    named = rows.filter(pl.col("control").is_not_null())
    if named.select("study", "control").n_unique() == named.height:
        return variance
    key = rows.select(
        pl.when(pl.col("control").is_not_null())
        .then(pl.concat_str("study", pl.lit("\x1f"), "control"))
        .otherwise(pl.concat_str(pl.lit("\x1e"), pl.int_range(pl.len()).cast(pl.String)))
    ).to_series()
    same = np.equal.outer(key.to_numpy(), key.to_numpy())
    shared = rows["shared"].to_numpy()
    both = np.where(same, np.sqrt(np.outer(shared, shared)), 0.0)
    np.fill_diagonal(both, variance)
    return both


def _pool(rows: pl.DataFrame) -> Pooled | None:
    if rows.height < LEAST:
        return None
    return pool(rows["effect"].to_numpy(), covariance(rows), _levels(rows))


def _lean(rows: pl.DataFrame) -> tuple[float, float, float] | None:
    if rows["variance"].n_unique() < LEAST:
        return None
    return lean(rows["effect"].to_numpy(), rows["variance"].to_numpy())


def effects_of(part: Part, main: bool) -> list[Effect]:
    """Give the pooled effect and where that of a further study lies."""
    p = part.pooled
    if p is None:
        return []
    shown = np.exp if part.logged else np.asarray
    mean, low, high, least, most = (
        float(shown(v)) for v in (p.coefficients[0], p.low[0], p.high[0], p.predict_low, p.predict_high)
    )
    pooled = Effect(f"pooled_{part.name}", WITHOUT, WITH, mean, low, high, part.unit, part.where, main=main)
    return [
        replace(pooled, standard_error=float(p.se[0])),
        replace(pooled, name=f"next_study_{part.name}", low=least, high=most, main=False),
    ]


def tables_of(parts: list[Part], left: bool) -> dict[str, pl.DataFrame]:
    """Give the effects, how studies differ, and the mean without each study."""
    effects = pl.concat([p.effects for p in parts]) if parts else pl.DataFrame(schema=SCHEMA)
    shown = effects.with_columns(
        low=pl.col("effect") - 1.959964 * pl.col("variance").sqrt(),
        high=pl.col("effect") + 1.959964 * pl.col("variance").sqrt(),
        standard_error=pl.col("variance").sqrt(),
    )
    columns = ["outcome", "measure", "study", "label", "effect", "standard_error", "low", "high", "plants"]
    found = {"effects": shown.select(columns), "between_studies": _between(parts)}
    if left:
        found["without_each"] = _without(parts)
    return found


def _between(parts: list[Part]) -> pl.DataFrame:
    rows = []
    for part in parts:
        p = part.pooled
        if p is None:
            continue
        v = covariance(part.effects)
        low, high = tau2_interval(part.effects["effect"].to_numpy(), v) if v.ndim == 1 and len(p.tau2) == 1 else (
            None, None)  # fmt: skip
        ends = (None if low is None else low**0.5, None if high is None else high**0.5)
        rows.append(
            (part.where, part.measure, p.effects, p.studies, float(p.tau2.sum()) ** 0.5, *ends, p.i2, p.q, p.q_p)
        )
    schema = ["outcome", "measure", "effects", "studies", "sd_between", "low", "high", "i2", "q", "p"]
    types = [pl.String, pl.String, pl.Int64, pl.Int64, *[pl.Float64] * 6]
    return pl.DataFrame(rows, schema=dict(zip(schema, types, strict=True)), orient="row")


def _without(parts: list[Part]) -> pl.DataFrame:
    rows = []
    for part in parts:
        if part.pooled is None or part.effects.height <= LEAST:
            continue
        levels = _levels(part.effects)
        named = part.effects["study"] if part.effects["study"].n_unique() > LEAST else part.effects["label"]
        if named.n_unique() <= LEAST:
            continue
        group = named.rank("dense").cast(pl.Int64).to_numpy()
        names = sorted(named.unique().to_list())
        found = without_each(part.effects["effect"].to_numpy(), covariance(part.effects), group, levels)
        for name, p in zip(names, found, strict=True):
            mean, low, high = (float(np.exp(v[0]) if part.logged else v[0]) for v in (p.coefficients, p.low, p.high))
            rows.append((part.where, part.name.replace("_", " "), name, mean, low, high))
    schema = {"outcome": pl.String, "measure": pl.String, "without": pl.String, "estimate": pl.Float64,
              "low": pl.Float64, "high": pl.Float64}  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")
