"""The long tables of a simulated study: visits, occupancy, leaves, interventions, tags."""

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from domatia.lifecycle.crew import ALIVE, STAGES, STATUS, Visits
from domatia.lifecycle.handling import INSECTICIDE, KINDS, WEATHER, Interventions, Tags
from domatia.lifecycle.leaf_scores import FATES, LeafScores
from domatia.lifecycle.naming import Naming
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.stand import Floats, Ints


def dates(spec: Spec, day: Ints) -> pl.Series:
    """Give calendar days for days since the study's start."""
    return pl.Series(np.datetime64(spec.start, "D") + day.astype("timedelta64[D]")).cast(pl.Date)


def links(ids: Sequence[bytes], which: Ints) -> pl.Series:
    """Give one id a row; none where `which` is negative."""
    return pl.Series([ids[i] if i >= 0 else None for i in which.tolist()], dtype=pl.Binary())


def words(names: Sequence[str], which: Ints) -> pl.Series:
    """Give one word a row; none where `which` is negative."""
    listed = pl.Series(list(names), dtype=pl.String())
    return listed.gather(pl.Series(np.where(which < 0, 0, which))).zip_with(
        pl.Series(which >= 0), pl.Series([None], dtype=pl.String()).new_from_index(0, len(which))
    )


def measures(values: Floats) -> pl.Series:
    """Give numbers, null where they are nan."""
    return pl.Series(values).fill_nan(None)


def counts(values: NDArray[np.int64]) -> pl.Series:
    """Give counts, null where they are negative."""
    found = pl.Series(values.astype(np.int64))
    return found.set(found < 0, None)


def visit_table(
    spec: Spec, visits: Visits, ids: Naming, plants: Sequence[bytes], rows: Sequence[bytes]
) -> pl.DataFrame:
    """Give the visits."""
    census = ids.named("round", [str(r) for r in range(spec.rounds)])
    when = dates(spec, visits.day)
    alive = visits.status == ALIVE
    return pl.DataFrame(
        {
            "subject_id": pl.Series(rows, dtype=pl.Binary()),
            "plant": links(plants, visits.plant),
            "round": links(census, visits.round_),
            "when_earliest": when,
            "when_latest": when,
            "observer": words(spec.crew.people, visits.observer),
            "status": words(STATUS, visits.status),
            "height_cm": measures(visits.height_cm),
            "basal_mm": measures(visits.basal_mm),
            "leaves": counts(visits.leaves),
            "domatia": counts(visits.domatia),
            "domatia_how": words(("all",), np.where(alive, 0, -1)),
            "openness_pct": measures(visits.openness_pct),
            "openness_method": words(("densiometer",), np.where(np.isnan(visits.openness_pct), -1, 0)),
            "repeat_of": links(rows, visits.repeat_of),
        }
    )


def occupancy_table(spec: Spec, visits: Visits, ids: Naming, rows: Sequence[bytes]) -> pl.DataFrame:
    """Give one row a visit that found the plant alive: looked or not, and what was seen."""
    at = np.flatnonzero((visits.status == ALIVE) & (visits.repeat_of < 0))
    looked, taxon, stage = visits.looked[at], visits.taxon[at], visits.stage[at]
    ants = ids.named("taxon", [a.name for a in spec.ants])
    held = looked & (taxon > 0)
    return pl.DataFrame(
        {
            "subject_id": pl.Series(ids.rows("occupancy", len(at)), dtype=pl.Binary()),
            "visit": links(rows, at),
            "looked": pl.Series(looked),
            "taxon": links(ants, np.where(held, taxon - 1, -1)),
            "stage": words(STAGES, np.where(looked, stage, -1)),
            "queens_alive": counts(np.where(held & (stage == 1), 1, np.where(looked & (taxon == 0), 0, -1))),
            "confidence": words(("sure",), np.where(held, 0, -1)),
        }
    )


def leaf_table(spec: Spec, leaves: LeafScores, ids: Naming, plants: Sequence[bytes]) -> pl.DataFrame:
    """Give the leaf scores; a later score of a marked leaf is a row of its own with the same leaf number."""
    when = dates(spec, leaves.day)
    names = pl.Series(np.where(leaves.marked, leaves.leaf, leaves.leaf + 9000)).cast(pl.String)
    return pl.DataFrame(
        {
            "subject_id": pl.Series(ids.rows("leaf", len(leaves.plant)), dtype=pl.Binary()),
            "plant": links(plants, leaves.plant),
            "leaf": names,
            "when_earliest": when,
            "when_latest": when,
            "missing_pct": measures(leaves.missing_pct),
            "fate": words(FATES, leaves.fate),
            "chosen": words(("random", "marked"), leaves.marked.astype(np.int64)),
            "blind": pl.Series(np.zeros(len(leaves.plant), np.bool_)),
            "observer": words(spec.crew.people, leaves.observer),
        }
    )


def intervention_table(spec: Spec, handled: Interventions, ids: Naming, plants: Sequence[bytes]) -> pl.DataFrame:
    """Give what was done to plants, under the permit that allows it."""
    when = dates(spec, handled.day)
    spray = handled.kind == INSECTICIDE
    return pl.DataFrame(
        {
            "subject_id": pl.Series(ids.rows("intervention", len(handled.plant)), dtype=pl.Binary()),
            "plant": links(plants, handled.plant),
            "when_earliest": when,
            "when_latest": when,
            "kind": words(KINDS, handled.kind),
            "agent": words(("pyrethrin in water", "forceps and pooter", "water"), handled.kind),
            "active_pct": measures(np.where(spray, 0.05, np.nan)),
            "dose_ml": measures(np.where(handled.kind == 1, np.nan, 30.0)),
            "operator": words(spec.crew.people, handled.operator),
            "weather": words(WEATHER, handled.weather),
            "permit": links([ids.one("permit", "removal")], np.zeros(len(handled.plant), np.int64)),
        }
    )


def tag_table(spec: Spec, tags: Tags, ids: Naming, plants: Sequence[bytes]) -> pl.DataFrame:
    """Give the tag history; a tag still borne lasts to the study's last day."""
    end = int(spec.months * 30.4375) + int(spec.crew.first_spread)
    former = counts(tags.former).cast(pl.String)
    return pl.DataFrame(
        {
            "subject_id": pl.Series(ids.rows("tag", len(tags.plant)), dtype=pl.Binary()),
            "plant": links(plants, tags.plant),
            "tag": pl.Series(tags.number).cast(pl.String),
            "borne_earliest": dates(spec, tags.first),
            "borne_latest": dates(spec, np.where(tags.last < 0, end, tags.last)),
            "why": words(("first tag", "lost"), (tags.former >= 0).astype(np.int64)),
            "former_tag": former,
        }
    )
