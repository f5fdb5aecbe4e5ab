"""The numbers of the fights question: from a study to rows of two sides, and from rows to effects and tables."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories import fights as history
from domatia.model import Effect, Rows, StudyData
from domatia.stats.attrition import Attrition, attrition, told_apart
from domatia.stats.clustering import Estimate
from domatia.stats.dominance import Dominance, connected, dominance, kind_columns
from domatia.stats.duels import Duels, duels, log_ratio_needed, win_chance
from domatia.stats.row_likelihood import ranked

Array = NDArray[np.float64]

LEAST_DECIDED, LEAST_LOSSES, LEAST_BETWEEN, LEAST_CARRIED = 10, 5, 10, 10
"""Fights below which a part is not estimated; common practice, no source."""
LEAST_COLONIES = 4
CHANCE = 0.95
RATIO, HOME = "log ratio of workers", "at home"


@dataclass(frozen=True, eq=False)
class Design:
    """What the two sides of each fight differ in.

    Attributes
    ----------
    matrix : array (rows, columns)
        First less second side.
    names : tuple of str
        `RATIO`, the names of ants, `HOME`.
    compared : tuple of str
        Ants among them that met the reference, directly or by way of others.
    """

    matrix: Array
    names: tuple[str, ...]
    compared: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Part:
    """The fights of one kind and what was estimated from them; a part that could not be has None and says why.

    Attributes
    ----------
    kind : str
    table : polars.DataFrame
    curve, law, ranks : fits or None
    curve_design, law_design : Design
    ants : tuple of str
        Ants ranked by their fights with others, in the order of `ranks`.
    why : dict of str to str
        Why a part ("outcome", "attrition", "dominance") was not estimated.
    """

    kind: str
    table: pl.DataFrame
    curve: Duels | None
    law: Attrition | None
    ranks: Dominance | None
    curve_design: Design
    law_design: Design
    ants: tuple[str, ...]
    why: dict[str, str]


@dataclass(frozen=True, eq=False)
class Material:
    """The fights that the question rests on.

    Attributes
    ----------
    fights : Fights
    parts : tuple of Part
        Staged fights before natural ones.
    reference : str
        The ant that fought most.
    """

    fights: history.Fights
    parts: tuple[Part, ...]
    reference: str

    def rows_used(self) -> Rows:
        """Name the records used and left out."""
        table = self.fights.table
        colonies = pl.concat([table["colony_a"], table["colony_b"]]).n_unique() if table.height else 0
        words = f"{table.height:,} fight{'' if table.height == 1 else 's'} of {colonies:,} colonies"
        return Rows(0, 0, 0, {"fight": table["record_id"].to_list()}, self.fights.left_out, words)


def gather(data: StudyData) -> Material:
    """Read the fights and estimate what each kind of them can tell."""
    found = history.fights(data)
    table = found.table
    fought = pl.concat([table["ant_a"], table["ant_b"]]).alias("ant").value_counts(name="n")
    order = fought.sort(["n", "ant"], descending=[True, False])["ant"].to_list()
    reference = order[0] if order else ""
    kinds = [k for k in (history.STAGED, history.NATURAL, history.NOT_SAID) if (table["kind"] == k).any()]
    parts = tuple(_part(k, table.filter(pl.col("kind") == k), reference) for k in kinds)
    return Material(found, parts, reference)


def codes(table: pl.DataFrame) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Give both colonies of each fight as integers."""
    both = pl.concat([table["colony_a"], table["colony_b"]]).rank("dense").cast(pl.Int64).to_numpy()
    return both[: table.height], both[table.height :]


def _ants(table: pl.DataFrame, reference: str) -> tuple[tuple[str, ...], NDArray[np.int64], NDArray[np.int64]]:
    """Give the ants, the reference first, and the ant of either side as a number."""
    others = sorted(set(pl.concat([table["ant_a"], table["ant_b"]]).to_list()) - {reference})
    names = (reference, *others)
    place = {n: i for i, n in enumerate(names)}
    a, b = (np.array([place[v] for v in table[f"ant_{s}"].to_list()], dtype=np.int64) for s in ("a", "b"))
    return names, a, b


def _design(table: pl.DataFrame, reference: str, *, ratio: bool) -> Design:
    """Give columns for the ratio of workers (if wanted), the ants and home, as far as the fights tell them apart."""
    names, a, b = _ants(table, reference)
    columns: list[Array] = []
    said: list[str] = []
    if ratio:
        values = np.log(table["workers_a"].to_numpy() / table["workers_b"].to_numpy())
        if np.abs(values).max(initial=0.0) > 0.0:
            columns, said = [values[:, None]], [RATIO]
    linked = connected(a, b, len(names))
    first = np.array([int(np.flatnonzero(linked == g)[0]) for g in range(linked.max() + 1)], dtype=np.int64)
    without = np.isin(np.arange(len(names)), first)
    kinds = [n for n, w in zip(names, without, strict=True) if not w]
    if kinds:
        columns, said = [*columns, kind_columns(a, b, len(names), without)], [*said, *kinds]
    if table.filter(pl.col("home") != 0).height >= LEAST_CARRIED:
        columns, said = [*columns, table["home"].to_numpy().astype(np.float64)[:, None]], [*said, HOME]
    while columns and not ranked(np.column_stack(columns)):
        said = said[: -columns[-1].shape[1]]
        columns = columns[:-1]
    met = tuple(n for n, g in zip(names, linked, strict=True) if g == 0 and n in said)
    return Design(np.column_stack(columns) if columns else np.zeros((table.height, 0)), tuple(said), met)


def _part(kind: str, table: pl.DataFrame, reference: str) -> Part:
    why: dict[str, str] = {}
    nothing = Design(np.zeros((0, 0)), ())
    curve: Duels | None = None
    law: Attrition | None = None
    curve_design = law_design = nothing
    rows = table.filter(history.counted() & history.decided())
    if rows.height >= LEAST_DECIDED and _colonies(rows) >= LEAST_COLONIES:
        curve_design = _design(rows, reference, ratio=True)
        won = (rows["outcome"] == history.FIRST).cast(pl.Float64).to_numpy()
        curve = duels(won, curve_design.matrix, codes(rows)) if curve_design.names else None
    else:
        why["outcome"] = (
            f"{rows.height} decided fights with both sides counted, of {_colonies(rows)} colonies; at least "
            f"{LEAST_DECIDED} of {LEAST_COLONIES} are needed"
        )
    rows = table.filter(history.dead_counted())
    bled = rows.filter(pl.col("dead_a") + pl.col("dead_b") > 0).height
    if bled >= LEAST_LOSSES and _colonies(rows) >= LEAST_COLONIES:
        law_design = _design(rows, reference, ratio=False)
        counts = _counts(rows)
        if told_apart(counts, law_design.matrix):
            law = attrition(counts, law_design.matrix, codes(rows))
        else:
            why["attrition"] = "the ratios of workers hardly differ, so that strength and law cannot be told apart"
    else:
        why["attrition"] = (
            f"{bled} fights with the dead of both sides counted; at least {LEAST_LOSSES} at different ratios of "
            "workers are needed, since one fight's final losses cannot tell the strength of the ants from the law by "
            "which they fight"
        )
    ranks, ants, told = _ranks(table, reference)
    why |= {"dominance": told} if told else {}
    return Part(kind, table, curve, law, ranks, curve_design, law_design, ants, why)


def _colonies(table: pl.DataFrame) -> int:
    return pl.concat([table["colony_a"], table["colony_b"]]).n_unique() if table.height else 0


def _counts(table: pl.DataFrame) -> NDArray[np.int64]:
    return table.select("workers_a", "workers_b", "dead_a", "dead_b").to_numpy().astype(np.int64)


def between(table: pl.DataFrame) -> pl.DataFrame:
    """Give the fights between two different ants that were won or drawn."""
    told = pl.col("outcome").is_in([history.FIRST, history.SECOND, history.DRAWN])
    return table.filter(told & (pl.col("ant_a") != pl.col("ant_b")))


def _ranks(table: pl.DataFrame, reference: str) -> tuple[Dominance | None, tuple[str, ...], str]:
    rows = between(table)
    if rows.height < LEAST_BETWEEN or _colonies(rows) < LEAST_COLONIES:
        return None, (), f"{rows.height} fights between different ants; at least {LEAST_BETWEEN} are needed"
    names, a, b = _ants(rows, reference)
    linked = connected(a, b, len(names))
    own = linked == linked[0]
    if own.sum() < 2:
        return None, (), f"{reference} never fought another ant"
    inside = own[a] & own[b]
    number = np.cumsum(own) - 1
    outcome = rows["outcome"].replace_strict({history.FIRST: 0, history.DRAWN: 1, history.SECOND: 2}).to_numpy()
    one, other = codes(rows)
    fit = dominance(
        (number[a[inside]], number[b[inside]]), outcome[inside].astype(np.int64), 0, (one[inside], other[inside])
    )
    return fit, tuple(n for n, o in zip(names, own, strict=True) if o), ""


_FIRST = ("win_chance_2_to_1", "worker_ratio_95", "attrition_exponent")


def effects(about: Material) -> list[Effect]:
    """Give the effects of every kind of fight, those of the curve and the law first, the staged ones before others."""
    found = _effects(about)
    return sorted(found, key=lambda e: _FIRST.index(e.name) if e.name in _FIRST else len(_FIRST))


def _effects(about: Material) -> list[Effect]:
    found: list[Effect] = []
    for part in about.parts:
        if part.curve is not None:
            found += _outcome_effects(part, part.curve, about.reference)
        if part.law is not None:
            found += _law_effects(part, part.law, about.reference)
        if part.ranks is not None:
            found += [
                _ratio("dominance_odds_ratio", (a, about.reference), part.ranks.strengths, i, part.kind)
                for i, a in enumerate(part.ants)
                if i
            ]
    return found


def _outcome_effects(part: Part, fit: Duels, reference: str) -> list[Effect]:
    c, names = fit.coefficients, part.curve_design.names
    larger, smaller = "larger side", "smaller side"
    found = []
    if RATIO in names:
        j = names.index(RATIO)
        if j in fit.held:
            c = without_end(c, j)
        step = np.log(2.0)
        chance = win_chance(step * np.array([c.estimate[j], c.low[j], c.high[j]]))
        p, low, high = (float(v) for v in chance)
        error = float(p * (1 - p) * step * c.se[j])
        found.append(Effect("win_chance_2_to_1", larger, smaller, p, low, high, where=part.kind, standard_error=error))
        slope = float(c.estimate[j])
        found.append(
            Effect(
                "win_slope", larger, smaller, slope, float(c.low[j]), float(c.high[j]), where=part.kind,
                standard_error=float(c.se[j]),
            )
        )  # fmt: skip
        at, least, most = log_ratio_needed(Estimate(*(v[[j]] for v in (c.estimate, c.se, c.low, c.high))), CHANCE)
        if at < 25.0:
            error = float(at / slope * c.se[j])
            ends = float(np.exp(min(least, 700.0))), float(np.exp(most)) if most < 25.0 else np.inf
            found.append(
                Effect(
                    "worker_ratio_95", larger, smaller, float(np.exp(at)), *ends, where=part.kind,
                    standard_error=error,
                )
            )  # fmt: skip
    for j, name in enumerate(names):
        if name == HOME:
            found.append(_ratio("home_odds_ratio", ("at home", "carried"), c, j, part.kind))
        elif name != RATIO and name in part.curve_design.compared:
            found.append(_ratio("win_odds_ratio", (name, reference), c, j, part.kind))
    return found


def without_end(c: Estimate, j: int) -> Estimate:
    """Take away the end of the interval towards which a coefficient without a bound runs off."""
    low, high = c.low.copy(), c.high.copy()
    if c.estimate[j] > 0.0:
        high[j] = np.inf
    else:
        low[j] = -np.inf
    return Estimate(c.estimate, c.se, low, high)


def _law_effects(part: Part, fit: Attrition, reference: str) -> list[Effect]:
    e = fit.exponent
    found = [
        Effect(
            "attrition_exponent", "all ants", "", float(e.estimate[0]), float(e.low[0]), float(e.high[0]),
            where=part.kind, standard_error=float(e.se[0]),
        )
    ]  # fmt: skip
    for j, name in enumerate(part.law_design.names):
        if name == HOME:
            found.append(_ratio("home_strength_ratio", ("at home", "carried"), fit.strengths, j, part.kind))
        elif name in part.law_design.compared:
            found.append(_ratio("strength_ratio", (name, reference), fit.strengths, j, part.kind))
    return found


def _ratio(name: str, pair: tuple[str, str], e: Estimate, j: int, where: str) -> Effect:
    value, low, high = (float(np.exp(np.clip(v[j], -700.0, 700.0))) for v in (e.estimate, e.low, e.high))
    return Effect(name, *pair, value, low, high, where=where, standard_error=float(e.se[j]))
