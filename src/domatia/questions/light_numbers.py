"""The numbers of the light question: curves over openness, and what they say of each ant and each two of them."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.in_light import InLight, in_light
from domatia.histories.looks import VACANT
from domatia.model import Effect, Rows, StudyData
from domatia.stats.clustering import Estimate
from domatia.stats.multinomial import Multinomial, multinomial
from domatia.stats.natural_spline import spline_over
from domatia.stats.overlap import INDICES
from domatia.stats.response_curves import ResponseCurves

Array = NDArray[np.float64]

LEAST_PLANTS = 30
LEAST_OF_A_KIND = 10
LEAST_SPAN = 5.0
OTHERS = "other ants"
TOO_FEW = f"occupants seen on fewer than {LEAST_OF_A_KIND} plants"
WITHIN = "within blocks, for 10 points more openness"
_KNOTS = ((40, 4), (20, 3), (0, 2))
"""Plants of the rarest occupant from which on the curve has so many knots."""
_POINTS = 241
_FEW_CLUSTERS = 6


@dataclass(frozen=True)
class Material:
    """What the question rests on.

    Attributes
    ----------
    seen : InLight
    plants : polars.DataFrame
        As `seen.plants`, with `kind` (place in `kinds`) and `cluster`, sorted by `plant`.
    kinds : tuple of str
        Occupants, the one that odds are against first.
    lumped : tuple of str
        Ants gathered as "other ants".
    clusters : int
    blocks_known : bool
        Whether plants stand in blocks; without any, each plant is a cluster of its own.
    span, ends : (float, float)
        Openness, in per cent, between which curves are compared (nearly all plants), and the darker and lighter one at
        which shares are compared.
    left_out : dict of str to list of bytes
    """

    seen: InLight
    plants: pl.DataFrame
    kinds: tuple[str, ...]
    lumped: tuple[str, ...]
    clusters: int
    blocks_known: bool
    span: tuple[float, float]
    ends: tuple[float, float]
    left_out: dict[str, list[bytes]]

    @property
    def openness(self) -> Array:
        """Openness above each plant, per cent."""
        return self.plants["openness"].to_numpy()

    @property
    def kind(self) -> NDArray[np.int64]:
        """Occupant of each plant."""
        return self.plants["kind"].to_numpy()

    @property
    def cluster(self) -> NDArray[np.int64]:
        """Block of each plant."""
        return self.plants["cluster"].to_numpy()

    @property
    def ants(self) -> tuple[int, ...]:
        """Occupants that are ants, as places in `kinds`."""
        return tuple(k for k, name in enumerate(self.kinds) if name != VACANT)

    @property
    def enough(self) -> bool:
        """Whether there is enough to fit curves."""
        wide = self.span[1] - self.span[0] >= LEAST_SPAN
        return self.plants.height >= LEAST_PLANTS and len(self.kinds) > 1 and self.clusters > 1 and wide

    def rows_used(self) -> Rows:
        """Name the records used and left out."""
        used = {"plant": sorted(self.plants["plant_record"].to_list()), "visit": self.plants["record_id"].to_list()}
        n = self.plants.height
        return Rows(n, self.clusters, n, {k: v for k, v in used.items() if v}, self.left_out)


def gather(data: StudyData) -> Material:
    """Find the plants, their occupants and their light."""
    seen = in_light(data)
    counts = dict(seen.plants["state"].value_counts().iter_rows())
    ants = sorted((n for n in counts if n != VACANT), key=lambda n: (-counts[n], n))
    rare = tuple(n for n in ants if counts[n] < LEAST_OF_A_KIND)
    together = sum(counts[n] for n in rare)
    kinds = [VACANT] * (counts.get(VACANT, 0) >= LEAST_OF_A_KIND) + [n for n in ants if n not in rare]
    lumped = rare if together >= LEAST_OF_A_KIND and len(rare) > 1 else ()
    kinds += [OTHERS] * bool(lumped)
    told = pl.when(pl.col("state").is_in(lumped)).then(pl.lit(OTHERS)).otherwise("state")
    code = {name: k for k, name in enumerate(kinds)}
    plants = seen.plants.with_columns(told.alias("state")).sort("plant")
    few = plants.filter(~pl.col("state").is_in(kinds))
    plants = plants.filter(pl.col("state").is_in(kinds)).with_columns(
        kind=pl.col("state").replace_strict(code, default=0, return_dtype=pl.Int64),
        cluster=pl.col("group").rank("dense").cast(pl.Int64) - 1,
    )
    left_out = seen.left_out | ({TOO_FEW: sorted(few["plant_record"].to_list())} if few.height else {})
    clusters = plants["cluster"].n_unique()
    x = plants["openness"].to_numpy()
    return Material(
        seen=seen,
        plants=plants,
        kinds=tuple(kinds),
        lumped=lumped,
        clusters=clusters,
        blocks_known=0 < clusters < plants.height,
        span=_rounded(x, 0.025),
        ends=_rounded(x, 0.10),
        left_out=left_out,
    )


def _rounded(x: Array, part: float) -> tuple[float, float]:
    """Give two quantiles in round numbers: tens if these differ, else fives, else ones."""
    if not len(x):
        return 0.0, 0.0
    low, high = np.quantile(x, [part, 1.0 - part])
    for step in (10.0, 5.0, 1.0):
        ends = float(step * np.round(low / step)), float(step * np.round(high / step))
        if ends[1] > ends[0]:
            return ends
    return float(low), float(high)


def fit_curves(about: Material) -> ResponseCurves:
    """Fit the share of each occupant over openness."""
    rarest = int(np.bincount(about.kind).min())
    spline = spline_over(about.openness, next(k for least, k in _KNOTS if rarest >= least))
    fit = _fitted(about, spline.columns(about.openness))
    return ResponseCurves(fit, spline, np.linspace(*about.span, _POINTS))


def _fitted(about: Material, X: Array) -> Multinomial:
    fit = multinomial(about.kind, X, about.cluster)
    if fit.uncertainty.clusters >= _FEW_CLUSTERS:
        return fit
    every = list(range(fit.coefficients.size))
    return Multinomial(fit.coefficients, fit.uncertainty.at_least_model(every), fit.log_likelihood, fit.held)


def range_text(about: Material) -> str:
    """Name the range over which curves are compared."""
    return f"{about.span[0]:g} to {about.span[1]:g} % openness"


def _effect(name: str, pair: tuple[str, str], c: Estimate, unit: str, where: str) -> Effect:
    estimate, low, high, se = (float(v[0]) for v in (c.estimate, c.low, c.high, c.se))
    return Effect(name, *pair, estimate, low, high, unit, where, standard_error=se)


def share_effects(about: Material, curves: ResponseCurves) -> list[Effect]:
    """Compare the share of plants that each occupant holds in the light and in the shade, the commonest ant first."""
    dark, light = about.ends
    where = f"at {light:g} % against {dark:g} % openness"
    first = [*about.ants, *(k for k in range(len(about.kinds)) if k not in about.ants)]
    return [
        _effect("share_difference", (about.kinds[k], ""), curves.share_difference(k, light, dark), "1", where)
        for k in first
    ]


def place_effects(about: Material, curves: ResponseCurves) -> list[Effect]:
    """Give optimum (if it was reached), mean and breadth of each occupant."""
    found, where = [], range_text(about)
    for k, name in enumerate(about.kinds):
        best = curves.optimum(k)
        if best.reached == "inside":
            found.append(Effect("light_optimum", name, "", best.at, best.low, best.high, "%", where))
        found.append(_effect("light_mean", (name, ""), curves.mean(k), "%", where))
        found.append(_effect("light_breadth", (name, ""), curves.breadth(k), "%", where))
    return found


def overlap_effects(about: Material, curves: ResponseCurves, rng: np.random.Generator) -> list[Effect]:
    """Give the overlap of each two ants, ordered by name within a pair."""
    ants = sorted(about.ants, key=lambda k: about.kinds[k])
    pairs = [(i, j) for a, i in enumerate(ants) for j in ants[a + 1 :]]
    found = []
    for index in INDICES if pairs else ():
        c = curves.overlap(pairs, index, rng)
        for n, (i, j) in enumerate(pairs):
            one = Estimate(*(v[[n]] for v in (c.estimate, c.se, c.low, c.high)))
            names = (about.kinds[i], about.kinds[j])
            found.append(_effect(f"light_overlap_{index}", names, one, "1", range_text(about)))
    return found


def within_effects(about: Material) -> list[Effect]:
    """Give the odds ratio of each occupant for more openness among plants of one block."""
    if not about.blocks_known:
        return []
    x = about.openness / 10.0
    number = np.bincount(about.cluster)
    mean = (np.bincount(about.cluster, x) / number)[about.cluster]
    apart = x - mean
    if np.ptp(apart) < 0.1:
        return []
    between = [mean] if np.ptp(mean) > 1e-9 else []
    fit = _fitted(about, np.column_stack([np.ones(len(x)), apart, *between]))
    found = []
    for k in range(1, len(about.kinds)):
        at = (k - 1) * fit.coefficients.shape[1] + 1
        one = np.zeros((1, fit.coefficients.size))
        one[0, at] = 1.0
        c = fit.uncertainty.linear(fit.coefficients.ravel()[[at]], one)
        found.append(_effect("odds_ratio_of_light", (about.kinds[k], about.kinds[0]), c.exponential(), "1", WITHIN))
    return found
