"""The numbers of the patrol question: one harmonic count model for each method and ant."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.patrols import GATE, LEAF_SCAN, NOT_LOOKED, SCAN, Patrols, patrols
from domatia.histories.time_of_day import clock_hours
from domatia.model import Effect, Rows, StudyData
from domatia.stats.circular import widest_gap
from domatia.stats.clustering import Estimate
from domatia.stats.count_families import NegativeBinomial
from domatia.stats.mixed_fit import RandomTerm
from domatia.stats.mixed_laplace import LaplaceFit, fit_laplace
from domatia.stats.sun import day_length, solar_hour

Array = NDArray[np.float64]

SUN, CLOCK, NONE = "sun", "clock", "none"
LEAST, LEAST_ANTS, LEAST_PLANTS, LEAST_BLOCKS = 40, 20, 5, 3
"""Counts, ants in all and plants that a method and ant need; blocks from which on intervals are clustered by block."""
NARROW, WIDE = 4.0, 8.0
"""Hours without a count: up to the first two harmonics are fitted, up to the second one, beyond it none."""
ALL_ANTS = "all ants"
NO_TIME = "count without a time of day"
TOO_FEW = "too few counts of this ant by this method"
NEVER = "counts in a place or state in which no ant was ever counted"
UNITS: Mapping[str, str] = {SCAN: "ants a metre", LEAF_SCAN: "ants a leaf", GATE: "ants a minute"}
HOURS: Array = (np.arange(480, dtype=np.float64) + 0.5) / 20.0
_DAY = 12.0


@dataclass(frozen=True)
class Cell:
    """Counts by one method of one ant.

    Attributes
    ----------
    method, ant : str
    rows : polars.DataFrame
    harmonics : int
        Of the day that can be told: 2, 1 or 0.
    clustered : str
        "block" or "plant".
    never : tuple of str
        Positions, and "after disturbance", at which no ant was counted.
    dark : str
        "night" or "day" if no ant was counted then.
    """

    method: str
    ant: str
    rows: pl.DataFrame
    harmonics: int
    clustered: str
    never: tuple[str, ...] = ()
    dark: str = ""

    @property
    def where(self) -> str:
        """Name the cell as effects do."""
        return f"{self.method}, {self.ant}"

    def sunlit(self) -> Array:
        """Give, for each hour of `HOURS`, the share of the counts on whose day the sun was then up."""
        half = np.sort(self.rows["day_h"].to_numpy()) / 2.0
        return np.asarray(1.0 - np.searchsorted(half, np.abs(HOURS - 12.0), side="right") / len(half))


@dataclass(frozen=True)
class Material:
    """What the question rests on.

    Attributes
    ----------
    patrols : Patrols
    rows : polars.DataFrame
        The usable counts with `hour` (null without a time of day), `day_h` (hours of daylight), `cluster`, `unit`.
    hours_by : str
        "sun", "clock" (no coordinates) or "none" (no times of day).
    zone : str
    cells : tuple of Cell
        By method, most counts first.
    left_out : dict of str to list of bytes
    """

    patrols: Patrols
    rows: pl.DataFrame
    hours_by: str
    zone: str
    cells: tuple[Cell, ...]
    left_out: dict[str, list[bytes]]

    def rows_used(self) -> Rows:
        """Name the records used and left out."""
        tables = [c.rows for c in self.cells]
        used = pl.concat([t.select("record_id", "plant", "group") for t in tables]) if tables else self.rows.head(0)
        plants, blocks = used["plant"].n_unique(), used["group"].n_unique()
        kinds = {m: sum(c.rows.height for c in self.cells if c.method == m) for m in UNITS}
        words = " and ".join(f"{n:,} {m} counts" for m, n in kinds.items() if n)
        words = f"{words or 'no counts'} of {plants:,} plants in {blocks:,} blocks"
        ids = {"patrol": sorted(used["record_id"].to_list())} if used.height else {}
        return Rows(plants, blocks, used.height, ids, self.left_out, words)


def gather(data: StudyData) -> Material:
    """Find the counts, their hours, and the methods and ants of which there are enough."""
    found = patrols(data)
    zone = next(iter(data.table("study")["time_zone"].drop_nulls().to_list()), "UTC")
    rows, hours_by = _with_hours(found.rows, zone)
    rows = rows.with_columns(
        cluster=pl.col("group").rank("dense").cast(pl.Int64) - 1, unit=pl.col("plant").rank("dense").cast(pl.Int64) - 1
    )
    left_out = dict(found.left_out)
    if hours_by != NONE:
        left_out |= _named(NO_TIME, rows.filter(pl.col("hour").is_null()))
        rows = rows.filter(pl.col("hour").is_not_null())
    cells = _cells(rows)
    kept = [c.rows["record_id"] for c in cells]
    taken = pl.concat(kept) if kept else rows["record_id"].head(0)
    never = [c for c in cells if c.never]
    out = rows.filter(~pl.col("record_id").is_in(taken.implode()))
    of_never = pl.any_horizontal(
        pl.lit(False), *((pl.col("method") == c.method) & (pl.col("ant") == c.ant) for c in never)
    )
    left_out |= _named(NEVER, out.filter(of_never)) | _named(TOO_FEW, out.filter(~of_never))
    return Material(found, rows, hours_by, zone, cells, left_out)


def _named(reason: str, rows: pl.DataFrame) -> dict[str, list[bytes]]:
    return {reason: sorted(rows["record_id"].to_list())} if rows.height else {}


def _with_hours(rows: pl.DataFrame, zone: str) -> tuple[pl.DataFrame, str]:
    """Add the hour of the sun, or of the clock where nothing says where the plants stand, and the hours of daylight."""
    timed = rows["seconds"].count()
    if not timed or timed < rows.height / 2:
        return rows.with_columns(hour=pl.lit(None, pl.Float64), day_h=pl.lit(_DAY)), NONE
    if not rows["longitude"].count():
        return rows.with_columns(clock_hours(rows["seconds"], zone).alias("hour"), day_h=pl.lit(_DAY)), CLOCK
    there = rows.with_columns(pl.col("longitude").fill_null(pl.col("longitude").mean()))
    there = there.with_columns(pl.col("latitude").fill_null(pl.col("latitude").mean()))
    seconds, longitude, latitude = (there[c].to_numpy() for c in ("seconds", "longitude", "latitude"))
    hour = pl.Series("hour", solar_hour(seconds, longitude)).fill_nan(None)
    return there.with_columns(hour, pl.Series("day_h", day_length(seconds, latitude)).fill_nan(None)), SUN


def _cells(rows: pl.DataFrame) -> tuple[Cell, ...]:
    found = []
    for method in UNITS:
        own = rows.filter(pl.col("method") == method)
        counts = own.group_by("ant").len().sort(["len", "ant"], descending=[True, False])
        cells = [_cell(method, ant, own.filter(pl.col("ant") == ant)) for ant in counts["ant"].to_list()]
        if not any(cells) or (counts["ant"].to_list() == [NOT_LOOKED]):
            cells = [_cell(method, ALL_ANTS, own)]
        found += [c for c in cells if c is not None]
    return tuple(sorted(found, key=lambda c: -sum(d.rows.height for d in found if d.method == c.method)))


def _cell(method: str, ant: str, rows: pl.DataFrame) -> Cell | None:
    """Give the cell if it holds enough, without the places and states at which no ant was ever counted."""
    state = pl.when("disturbed").then(pl.lit("after disturbance")).otherwise(pl.lit("undisturbed"))
    rows = rows.with_columns(state=state, position=pl.col("position").fill_null("position not written"))
    never: list[str] = []
    for column in ("position", "state"):
        sums = rows.group_by(column).agg(pl.col("ants").sum()).sort(column)
        none = sums.filter(pl.col("ants") == 0)[column].to_list()
        if len(none) < sums.height:
            never += none
            rows = rows.filter(~pl.col(column).is_in(none))
    plants, blocks = rows["plant"].n_unique(), rows["cluster"].n_unique()
    if rows.height < LEAST or int(rows["ants"].sum()) < LEAST_ANTS or plants < LEAST_PLANTS:
        return None
    hour = rows["hour"].drop_nulls().to_numpy()
    gap = widest_gap(hour * np.pi / 12.0) * 12.0 / np.pi
    harmonics = 2 if gap <= NARROW else (1 if gap <= WIDE else 0)
    up = (rows["hour"] - 12.0).abs() < rows["day_h"] / 2
    of_day, of_night = int(rows.filter(up)["ants"].sum()), int(rows.filter(~up)["ants"].sum())
    dark = "" if not harmonics or (of_day and of_night) else ("night" if of_day else "day")
    clustered = "block" if blocks >= LEAST_BLOCKS else "plant"
    return Cell(method, ant, rows, 0 if dark else harmonics, clustered, tuple(never), dark)


def enough(about: Material) -> str:
    """Give an empty text, or the sentence that says why there is too little."""
    if about.cells:
        return ""
    rows = about.rows
    return (
        f"Too little to answer: {rows.height:,} usable counts with {int(rows['ants'].sum() or 0):,} ants on "
        f"{rows['plant'].n_unique()} plants. One method needs {LEAST} counts with {LEAST_ANTS} ants on {LEAST_PLANTS} "
        "plants that have ants."
    )


@dataclass(frozen=True)
class Fitted:
    """A cell and its model.

    Attributes
    ----------
    cell : Cell
    fit : LaplaceFit
    columns : tuple of str
    effects : tuple of Effect
    """

    cell: Cell
    fit: LaplaceFit
    columns: tuple[str, ...]
    effects: tuple[Effect, ...] = field(default=())

    def gradient(self, weights: Mapping[str, float]) -> Array:
        """Give weights of named coefficients as weights of all parameters."""
        found = np.zeros(len(self.fit.parameters))
        for name, weight in weights.items():
            if name in self.fit.parameter_names:
                found[self.fit.parameter_names.index(name)] = weight
        return found

    def estimate(self, value: float, gradient: Array) -> Estimate:
        """Give a value with the interval that its blocks (or plants) warrant."""
        scores = self.fit.scores
        assert scores is not None  # noqa: S101
        doubt = scores.uncertainty("CR2")
        doubt = replace(doubt, df=min(doubt.df, max(scores.contrast_df(gradient), 1.0)))
        return doubt.linear(np.array([value]), gradient[None, :])

    def clock(self) -> Array:
        """Give what each hour of `HOURS` adds to the log mean, and its derivatives, shape (hours, 1 + parameters)."""
        names = _harmonics(self.cell.harmonics)
        wave = _waves(HOURS, self.cell.harmonics)
        slopes = np.zeros((len(HOURS), len(self.fit.parameters)))
        for j, name in enumerate(names):
            if name in self.fit.parameter_names:
                slopes[:, self.fit.parameter_names.index(name)] = wave[:, j]
        return np.column_stack([slopes @ self.fit.parameters, slopes])


def _harmonics(number: int) -> tuple[str, ...]:
    return tuple(f"{wave} {k}" for k in range(1, number + 1) for wave in ("cosine", "sine"))


def _waves(hour: Array, number: int) -> Array:
    angle = hour * np.pi / 12.0
    waves = [w(k * angle) for k in range(1, number + 1) for w in (np.cos, np.sin)]
    return np.column_stack(waves) if waves else np.zeros((len(hour), 0))


def fit_cell(cell: Cell) -> Fitted | None:
    """Fit the count model of one cell; None if the search for it fails."""
    rows = cell.rows
    positions = [p for p in ("tip", "middle", "trunk", "position not written") if (rows["position"] == p).any()]
    if not (rows["position"] == "base").any():
        positions = positions[1:]
    columns = {"start": np.ones(rows.height)}
    columns |= {p: (rows["position"] == p).cast(pl.Float64).to_numpy() for p in positions}
    if rows["disturbed"].n_unique() > 1:
        columns["disturbed"] = rows["disturbed"].cast(pl.Float64).to_numpy()
    if cell.harmonics:
        waves = _waves(rows["hour"].to_numpy(), cell.harmonics)
        columns |= dict(zip(_harmonics(cell.harmonics), waves.T, strict=True))
    unit, block = rows["unit"].to_numpy(), rows["cluster"].to_numpy()
    random = [RandomTerm("plant", unit), *([RandomTerm("block", block)] if cell.clustered == "block" else [])]
    family = NegativeBinomial(rows["ants"].cast(pl.Float64).to_numpy(), rows["extent"].to_numpy())
    fit = fit_laplace(
        family,
        np.column_stack(list(columns.values())),
        tuple(columns),
        tuple(random),
        clusters=block if cell.clustered == "block" else unit,
    )
    if fit.scores is None or not fit.converged or not np.isfinite(fit.parameters).all():
        return None
    found = Fitted(cell, fit, tuple(columns))
    return replace(found, effects=tuple(_effects(found)))


def _effects(found: Fitted) -> list[Effect]:
    cell, effects = found.cell, []
    if cell.harmonics:
        log_ratio, gradient = night_to_day(found)
        if np.isfinite(log_ratio):
            effects.append(_ratio("night_day_ratio", ("night", "day"), cell.where, found.estimate(log_ratio, gradient)))
    for name, column, pair in (
        ("tip_base_ratio", "tip", ("tip", "base")),
        ("disturbance_ratio", "disturbed", ("after", "before")),
    ):
        there = (cell.rows["position"] == "base").any() or name != "tip_base_ratio"
        if column in found.fit.parameter_names and there:
            gradient = found.gradient({column: 1.0})
            one = found.estimate(float(gradient @ found.fit.parameters), gradient)
            effects.append(_ratio(name, pair, cell.where, one))
    return [e for e in effects if np.isfinite([e.estimate, e.low, e.high]).all()]


def _ratio(name: str, pair: tuple[str, str], where: str, one: Estimate) -> Effect:
    shown = one.exponential()
    estimate, low, high, se = (float(v[0]) for v in (shown.estimate, shown.low, shown.high, one.se))
    return Effect(name, *pair, estimate, low, high, where=where, standard_error=se)


def night_to_day(found: Fitted) -> tuple[float, Array]:
    """Give the log ratio of the mean rate with the sun down to that with the sun up, and its derivatives.

    nan where the sun never sets or never rises on the days of the counts.
    """
    up = found.cell.sunlit()
    clock = found.clock()
    rate = np.exp(clock[:, 0])
    logs, slopes = [], []
    for weight in (1.0 - up, up):
        total = float((weight * rate).sum())
        if total <= 0:
            return float("nan"), np.zeros(len(found.fit.parameters))
        logs.append(np.log(total / weight.sum()))
        slopes.append((weight * rate) @ clock[:, 1:] / total)
    return float(logs[0] - logs[1]), np.asarray(slopes[0] - slopes[1])


def in_order(fits: Sequence[Fitted]) -> tuple[Effect, ...]:
    """Put all effects in order; the first, of the commonest method and ant, is the main one."""
    rank = {"night_day_ratio": 0, "tip_base_ratio": 1, "disturbance_ratio": 2}
    effects = [e for f in fits for e in f.effects]
    if not effects:
        return ()
    first = min(rank[e.name] for e in effects)
    main = next(e for e in effects if rank[e.name] == first)
    return (replace(main, main=True), *(e for e in effects if e is not main))
