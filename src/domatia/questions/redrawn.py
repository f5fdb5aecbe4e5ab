"""The randomisation test beside an interval: redraw the treatments within blocks as the study drew them."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.histories.groups import Groups
from domatia.model import StudyData
from domatia.stats.randomisation import Assignment, randomisation_test

DRAWS = 999
_SCHEMA = {
    "of": pl.String,
    "against": pl.String,
    "compared": pl.String,
    "difference": pl.Float64,
    "p": pl.Float64,
    "redraws": pl.Int64,
}


def draw_is_recorded(data: StudyData) -> bool:
    """Tell whether the seed of the draw stands with the assignments."""
    seeds = data.table("assignment")["draw_seed"]
    return bool(len(seeds)) and seeds.null_count() < len(seeds)


def redrawn(
    data: StudyData,
    groups: Groups,
    plants: pl.DataFrame,
    response: tuple[str, NDArray[np.float64]],
    rng: np.random.Generator,
) -> pl.DataFrame:
    """Test each comparison of treatments by redrawing them within blocks.

    Parameters
    ----------
    data : StudyData
    groups : Groups
    plants : polars.DataFrame
        `value` (group) and `cluster` (block) of each plant, one row a plant.
    response : (str, array (plants,))
        What is compared, in words with its unit, and its values: means differ by nothing if treatments do nothing.
    rng : numpy Generator

    Returns
    -------
    polars.DataFrame
        `of`, `against`, `compared` (what), `difference` of the means, `p` (two-sided; the share of arrangements that
        differ at least as much, the drawn one included, so that it is never 0), `redraws`. Empty unless treatments are
        compared and their draw is recorded.
    """
    rows = []
    if groups.column == "treatment" and draw_is_recorded(data):
        for pair in groups.pairs:
            of, against = ((plants["value"] == name).to_numpy() for name in (pair.of, pair.against))
            both = of | against
            treatment, y = of[both].astype(np.int64), response[1][both]
            block = plants["cluster"].to_numpy()[both].astype(np.int64)
            found = _test(treatment, y, block, rng)
            if found is not None:
                rows.append((pair.of, pair.against, response[0], *found))
    return pl.DataFrame(rows, schema=_SCHEMA, orient="row")


def _test(
    treatment: NDArray[np.int64], y: NDArray[np.float64], block: NDArray[np.int64], rng: np.random.Generator
) -> tuple[float, float, int] | None:
    treated = int(treatment.sum())
    if not 0 < treated < len(treatment) or all(len(set(treatment[block == b])) < 2 for b in np.unique(block)):
        return None
    total = float(y.sum())

    def difference(drawn: NDArray[np.int64]) -> float:
        own = float(y @ drawn)
        return own / treated - (total - own) / (len(y) - treated)

    found = randomisation_test(difference, Assignment(treatment, block), rng, draws=DRAWS)
    return found.observed, found.p, found.arrangements
