"""What the crew brings home, as a study in memory: the same records that its tables would give if imported."""

from collections.abc import Collection

import numpy as np
import polars as pl

from domatia.lifecycle.crew import STATUS
from domatia.lifecycle.layers import read_by
from domatia.lifecycle.layers.records import study_tables
from domatia.lifecycle.naming import Naming
from domatia.lifecycle.notebook import Notebook, keep_notebook
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.stand import Ints
from domatia.lifecycle.study_lists import PROFILE_TEXT, small_tables
from domatia.lifecycle.study_rows import dates, intervention_table, leaf_table, occupancy_table, tag_table, visit_table
from domatia.model.profile import read_profile
from domatia.model.study import StudyData
from domatia.model.tables import as_table


def observe(spec: Spec, seed: int, replicate: int = 0, questions: Collection[str] | None = None) -> StudyData:
    """Simulate a study and give what its crew would hold of it.

    Parameters
    ----------
    spec : Spec
    seed, replicate : int
        The same pair gives the same study, whatever else is computed before or beside it.
    questions : collection of str, optional
        Codes of the questions that will be asked: what only other questions read beside the census is not drawn.

    Returns
    -------
    StudyData
        Tables study, person, permit, place, plant, tag, treatment, assignment, intention, intervention, round,
        place_visit, visit, occupancy, taxon, taxon_role and leaf, and what the layers (`domatia.lifecycle.layers`)
        draw, each sorted by `subject_id`. Days are calendar
        days; a visit in a block that was only partly searched may say "not visited"; blocks that were skipped have a
        place visit that says "not" and no visits.
    """
    book = keep_notebook(spec, seed, replicate)
    ids = Naming(book.study_id)
    plants = ids.named("plant", [str(i) for i in range(spec.n_plants)])
    visits = ids.rows("visit", book.visits.size)
    tables = small_tables(spec, book.life, ids, plants)
    tables["visit"] = visit_table(spec, book.visits, ids, plants, visits)
    tables["occupancy"] = occupancy_table(spec, book.visits, ids, visits)
    tables["intervention"] = intervention_table(spec, book.handled, ids, plants)
    tables["tag"] = tag_table(spec, book.tags, ids, plants)
    tables["leaf"] = leaf_table(spec, book.leaves, ids, plants)
    tables["place_visit"] = _place_visits(book, ids)
    tables["round"] = _rounds(book, ids)
    shaped = {kind: _shaped(kind, frame, ids) for kind, frame in tables.items()}
    for layer in read_by(questions):
        for kind, frame in study_tables(layer, book, ids, plants).items():
            more = as_table(kind, frame)
            shaped[kind] = pl.concat([shaped[kind], more]).sort("subject_id") if kind in shaped else more
    return StudyData(book.study_id, spec.name, read_profile(PROFILE_TEXT, "lantern tree"), shaped)


def _shaped(kind: str, frame: pl.DataFrame, ids: Naming) -> pl.DataFrame:
    numbered = frame.with_columns(pl.Series("record_id", ids.rows(f"{kind} record", frame.height), dtype=pl.Binary()))
    return as_table(kind, numbered).sort("subject_id")


def _place_visits(book: Notebook, ids: Naming) -> pl.DataFrame:
    spec, rounds = book.spec, book.life.rounds
    round_, block = (a.ravel() for a in np.indices((spec.rounds, spec.blocks)))
    day: Ints = rounds.block_start[block] + rounds.day[round_, block]
    places = ids.named("place", [f"block {b}" for b in range(spec.blocks)])
    census = ids.named("round", [str(r) for r in range(spec.rounds)])
    words = np.array(["not", "partly", "fully"])
    when = dates(spec, day)
    return pl.DataFrame(
        {
            "subject_id": pl.Series(ids.rows("place_visit", len(day)), dtype=pl.Binary()),
            "round": pl.Series([census[r] for r in round_], dtype=pl.Binary()),
            "place": pl.Series([places[b] for b in block], dtype=pl.Binary()),
            "when_earliest": when,
            "when_latest": when,
            "searched": words[rounds.searched[round_, block]].tolist(),
        }
    )


def _rounds(book: Notebook, ids: Naming) -> pl.DataFrame:
    spec = book.spec
    day = book.life.rounds.block_start[None, :] + book.life.rounds.day
    return pl.DataFrame(
        {
            "subject_id": pl.Series(ids.named("round", [str(r) for r in range(spec.rounds)]), dtype=pl.Binary()),
            "name": [str(r) for r in range(spec.rounds)],
            "window_earliest": dates(spec, day.min(axis=1)),
            "window_latest": dates(spec, day.max(axis=1)),
        }
    )


__all__ = ["STATUS", "Notebook", "keep_notebook", "observe"]
