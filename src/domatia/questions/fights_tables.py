"""The tables of the fights question: curve, observed shares, ratios needed, who met whom, who stands above whom."""

import numpy as np
import polars as pl

from domatia.histories import fights as history
from domatia.questions.fights_numbers import CHANCE, RATIO, Material, Part, between
from domatia.stats.dominance import david_scores
from domatia.stats.duels import Duels, win_chance

POINTS = 61
CLASSES = 6


def tables(about: Material) -> dict[str, pl.DataFrame]:
    """Give the tables that have rows."""
    found = {
        "outcome_curve": _joined([_curve(p) for p in about.parts]),
        "observed": _joined([observed(p) for p in about.parts]),
        "ratio_needed": _joined([_needed(p, about.reference) for p in about.parts]),
        "pairs": _joined([pairs(p.kind, p.table) for p in about.parts]),
        "dominance": _joined([_dominance(p) for p in about.parts]),
        "used_for": used_for(about),
    }
    return {name: t for name, t in found.items() if t.height}


def _joined(parts: list[pl.DataFrame]) -> pl.DataFrame:
    kept = [p for p in parts if p.height]
    return pl.concat(kept) if kept else pl.DataFrame()


def _compared(part: Part) -> pl.DataFrame:
    """Give the decided fights with both sides counted, seen from the larger side."""
    rows = part.table.filter(history.counted() & history.decided())
    first = pl.col("workers_a") >= pl.col("workers_b")
    larger, smaller = pl.max_horizontal("workers_a", "workers_b"), pl.min_horizontal("workers_a", "workers_b")
    won = pl.when(first).then(pl.col("outcome") == history.FIRST).otherwise(pl.col("outcome") == history.SECOND)
    return rows.select(ratio=larger / smaller, won=won.cast(pl.Float64)).sort("ratio", "won")


def _curve(part: Part) -> pl.DataFrame:
    """Give the chance that the larger of two sides of the same ant wins, with its band."""
    if part.curve is None or RATIO not in part.curve_design.names:
        return pl.DataFrame()
    most = float(np.asarray(_compared(part)["ratio"].quantile(0.98)))
    x = np.exp(np.linspace(0.0, np.log(max(most, 2.0)), POINTS))
    c, j = part.curve.coefficients, part.curve_design.names.index(RATIO)
    y, low, high = (win_chance(np.log(x) * v[j]) for v in (c.estimate, c.low, c.high))
    return pl.DataFrame({"x": x, "y": y, "low": low, "high": high}).select(pl.lit(part.kind).alias("group"), pl.all())


def observed(part: Part) -> pl.DataFrame:
    """Give the share of fights that the larger side won, in classes of the ratio with as many fights each."""
    rows = _compared(part).filter(pl.col("ratio") > 1.0)
    if rows.is_empty():
        return pl.DataFrame()
    classes = min(CLASSES, max(1, rows.height // 8))
    number = (pl.int_range(pl.len()) * classes) // pl.len()
    told = (
        rows.with_columns(number=number)
        .group_by("number")
        .agg(x=pl.col("ratio").log().mean().exp(), y=pl.col("won").mean(), fights=pl.len())
    )
    return told.sort("number").select(pl.lit(part.kind).alias("group"), "x", "y", "fights")


def _needed(part: Part, reference: str) -> pl.DataFrame:
    """Give, for each ant against each, the workers for each worker of the other with which it wins 95 in 100."""
    if part.curve is None or RATIO not in part.curve_design.names:
        return pl.DataFrame()
    names = part.curve_design.names
    ants = [reference, *part.curve_design.compared]
    rows = []
    for of in ants:
        for against in ants:
            if of == against and of != reference:
                continue
            at, low, high = _ratio(part.curve, names, of, against)
            label = (of, against) if of != against else ("any ant", "its own kind")
            rows.append((part.kind, *label, at, low, high))
    schema = dict.fromkeys(("kind", "ant", "against"), pl.String) | dict.fromkeys(("ratio", "low", "high"), pl.Float64)
    return pl.DataFrame(rows, schema=schema, orient="row")


def _ratio(fit: Duels, names: tuple[str, ...], of: str, against: str) -> tuple[float | None, ...]:
    """Give the ratio with Fieller's interval; None where there is none."""
    g = np.zeros(len(names))
    for name, sign in ((of, 1.0), (against, -1.0)):
        if name in names and of != against:
            g[names.index(name)] = sign
    slope = np.zeros(len(names))
    slope[names.index(RATIO)] = 1.0
    theta, covariance = fit.coefficients.estimate, fit.uncertainty.covariance
    top = float(np.log(CHANCE / (1.0 - CHANCE)) - g @ theta)
    ends = fieller((top, float(slope @ theta)), np.vstack([-g, slope]) @ covariance @ np.vstack([-g, slope]).T,
                   fit.uncertainty.quantile)  # fmt: skip
    if slope @ theta <= 0.0:
        return None, None, None
    at = float(np.exp(np.clip(top / float(slope @ theta), -50.0, 50.0)))
    return at, *(None if e is None else float(np.exp(np.clip(e, -50.0, 50.0))) for e in ends)


def fieller(
    parts: tuple[float, float], covariance: np.ndarray[tuple[int, ...], np.dtype[np.float64]], quantile: float
) -> tuple[float | None, float | None]:
    """Give the ends of the interval of a quotient (Fieller 1954, J. R. Stat. Soc. B 16:175); None twice if it has none.

    Parameters
    ----------
    parts : (float, float)
        Numerator and denominator.
    covariance : array (2, 2)
    quantile : float
    """
    n, d = parts
    q = quantile**2
    a = d * d - q * covariance[1, 1]
    b = -2.0 * (n * d - q * covariance[0, 1])
    c = n * n - q * covariance[0, 0]
    root = b * b - 4.0 * a * c
    if a <= 0.0 or root < 0.0:
        return None, None
    low, high = sorted(((-b - np.sqrt(root)) / (2.0 * a), (-b + np.sqrt(root)) / (2.0 * a)))
    return float(low), float(high)


def pairs(kind: str, table: pl.DataFrame) -> pl.DataFrame:
    """Count, for each two ants, the fights that the one won, that nobody won, and that the other won."""
    rows = between(table)
    if rows.is_empty():
        return pl.DataFrame()
    turned = pl.col("ant_a") > pl.col("ant_b")
    first = pl.when(turned).then("ant_b").otherwise("ant_a")
    other = pl.when(turned).then("ant_a").otherwise("ant_b")
    won = pl.when(turned).then(pl.col("outcome") == history.SECOND).otherwise(pl.col("outcome") == history.FIRST)
    drawn = pl.col("outcome") == history.DRAWN
    told = rows.select(ant=first, against=other, won=won, drawn=drawn).group_by("ant", "against")
    counted = told.agg(fights=pl.len(), won=pl.col("won").sum(), drawn=pl.col("drawn").sum())
    return counted.sort("ant", "against").select(
        pl.lit(kind).alias("kind"), "ant", "against", "fights", "won", "drawn",
        lost=pl.col("fights") - pl.col("won") - pl.col("drawn"),
    )  # fmt: skip


def _dominance(part: Part) -> pl.DataFrame:
    if part.ranks is None:
        return pl.DataFrame()
    met = pairs(part.kind, part.table)
    place = {n: i for i, n in enumerate(part.ants)}
    wins = np.zeros((len(place), len(place)))
    for a, b, won, drawn, lost in met.select("ant", "against", "won", "drawn", "lost").iter_rows():
        if a in place and b in place:
            wins[place[a], place[b]] += won + drawn / 2.0
            wins[place[b], place[a]] += lost + drawn / 2.0
    s = part.ranks.strengths
    told = pl.DataFrame(
        {
            "ant": list(part.ants),
            "fights": (wins + wins.T).sum(axis=1),
            "davids_score": david_scores(wins, corrected=True),
            "odds_ratio": np.exp(s.estimate),
            "low": np.exp(np.clip(s.low, -700, 700)),
            "high": np.exp(np.clip(s.high, -700, 700)),
        }
    )
    ordered = told.sort(["davids_score", "ant"], descending=[True, False])
    return ordered.select(pl.lit(part.kind).alias("kind"), pl.col("ant"), pl.col("fights").cast(pl.Int64),
                          "davids_score", "odds_ratio", "low", "high")  # fmt: skip


def used_for(about: Material) -> pl.DataFrame:
    """Count the fights that each part of the answer rests on."""
    rows = []
    for p in about.parts:
        told = (
            ("outcome", p.table.filter(history.counted() & history.decided()), p.curve is not None),
            ("attrition", p.table.filter(history.dead_counted()), p.law is not None),
            ("dominance", between(p.table), p.ranks is not None),
        )
        rows += [(p.kind, name, t.height, done, p.why.get(name, "")) for name, t, done in told]
    schema = {"kind": pl.String, "part": pl.String, "fights": pl.Int64, "estimated": pl.Boolean, "why_not": pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row")
