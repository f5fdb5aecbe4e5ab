"""The census as three hands wrote it."""

from collections.abc import Mapping, Sequence
from datetime import timedelta

import numpy as np
import polars as pl

from domatia.lifecycle.crew import ALIVE, DEAD, NOT_FOUND, NOT_VISITED
from domatia.lifecycle.messy_slips import Slips
from domatia.lifecycle.messy_words import ANT_CODES, ANT_SLIPS, ANT_SPELLINGS, Hand, initials
from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.stand import Floats, Ints
from domatia.lifecycle.streams import Purpose, stream
from domatia.lifecycle.study_lists import block_name

_SLIPPED_NAMES = 3
_REMARKS = ("under fallen branch", "new shoot from base", "many wasps near", "tag hard to read")


def written_date(spec: Spec, day: int, form: str) -> str:
    """Write a day since the study's start in one of the crew's forms."""
    when = spec.start + timedelta(days=int(day))
    return when.strftime("%d/%m/%Y" if form == "dd/mm/yyyy" else "%Y-%m-%d")


def plant_number(spec: Spec, plant: int) -> str:
    """Give a plant's number within its block, as on its stake."""
    return str(plant % spec.plants_per_block + 1)


def _number(value: float, decimal: str, digits: int) -> str:
    if np.isnan(value):
        return ""
    text = f"{value:.{digits}f}"
    return text.replace(".", decimal)


def _counted(values: Ints) -> list[str]:
    return ["" if v < 0 else str(v) for v in values.tolist()]


def skipped_rows(book: Notebook, status: Ints) -> tuple[Ints, Ints]:
    """Give round and plant of the rows that the crew filled in for blocks where it never went."""
    spec, life = book.spec, book.life
    dead_since = np.full(life.stand.size, spec.rounds)
    confirmed = status == DEAD
    np.minimum.at(dead_since, book.visits.plant[confirmed], book.visits.round_[confirmed])
    round_, plant = np.nonzero(life.rounds.searched[:, life.stand.block] == 0)
    kept = dead_since[plant] > round_
    return round_[kept].astype(np.int64), plant[kept].astype(np.int64)


def never_gone(book: Notebook, hand: Hand) -> Mapping[str, Sequence[str]]:
    """Give the rounds in which nobody went to a block, by the block's name, among this hand's rounds."""
    found: dict[str, list[str]] = {}
    round_, block = np.nonzero(book.life.rounds.searched == 0)
    for r, b in zip(round_.tolist(), block.tolist(), strict=True):
        if hand.rounds[0] <= r < hand.rounds[1]:
            found.setdefault(block_name(book.spec, b), []).append(str(r))
    return found


def census(book: Notebook, hand: Hand, slips: Slips) -> pl.DataFrame:
    """Write one hand's table: its columns, its words, its decimal sign, a row for every plant listed."""
    spec, visits = book.spec, book.visits
    here = (visits.round_ >= hand.rounds[0]) & (visits.round_ < hand.rounds[1])
    own = np.concatenate([np.flatnonzero(here), slips.twice[here[slips.twice]]])
    columns = _visited(book, hand, slips, own)
    round_, plant = skipped_rows(book, slips.status)
    mine = (round_ >= hand.rounds[0]) & (round_ < hand.rounds[1])
    empty = _not_gone(book, hand, round_[mine], plant[mine])
    day = np.concatenate([visits.day[own], _planned(book, round_[mine], plant[mine])])
    block = book.life.stand.block[np.concatenate([visits.plant[own], plant[mine]])]
    number = np.concatenate([visits.plant[own], plant[mine]]) % spec.plants_per_block
    order = np.lexsort((np.arange(len(day)), number, block, day))
    table = {hand.headers[k]: [*columns[k], *empty[k]] for k in hand.headers}
    return pl.DataFrame(
        {k: [v[i] for i in order.tolist()] for k, v in table.items()}, schema=dict.fromkeys(table, pl.String)
    )


def _planned(book: Notebook, round_: Ints, plant: Ints) -> Ints:
    block = book.life.stand.block[plant]
    return book.life.rounds.block_start[block] + book.life.rounds.day[round_, block]


def _tag_on(book: Notebook, slips: Slips, plant: Ints, day: Ints) -> list[str]:
    """Give the tag that each plant bears on that day, as listed."""
    tags = book.tags
    order = np.lexsort((tags.first, tags.plant))
    number = np.where(tags.former < 0, slips.first_tag[tags.plant], tags.number)[order]
    keys = tags.plant[order] * 100_000 + tags.first[order] + 1000
    at = np.searchsorted(keys, plant * 100_000 + day + 1000, side="right") - 1
    return [str(n) for n in number[at].tolist()]


def _second_copies(own: Ints) -> Ints:
    """Give where a visit stands for the second time."""
    first = np.unique(own, return_index=True)[1]
    return np.setdiff1d(np.arange(len(own)), first)


def _ant_words(book: Notebook, hand: Hand, taxon: Ints, rng: np.random.Generator) -> list[str]:
    """Write the ants: one hand uses codes, the others spell as they please, a few times wrongly."""
    names = [a.name for a in book.spec.ants]
    if hand.not_looked == "nl":
        codes = {v: k for k, v in ANT_CODES.items()}
        return ["" if t == 0 else codes.get(names[t - 1], names[t - 1]) for t in taxon.tolist()]
    pick = rng.random(len(taxon))
    open_to_slips = np.flatnonzero(np.isin(taxon, [i + 1 for i, n in enumerate(names) if n in ANT_SLIPS]))
    slip = set(rng.choice(open_to_slips, min(_SLIPPED_NAMES, len(open_to_slips)), replace=False).tolist())
    found = []
    for i, t in enumerate(taxon.tolist()):
        name = names[t - 1] if t else ""
        ways = (name, *ANT_SPELLINGS.get(name, ()))
        usual = ways[0] if pick[i] < 0.7 else ways[int((pick[i] - 0.7) / 0.3 * len(ways))]
        found.append(ANT_SLIPS.get(name, usual) if i in slip else usual)
    return found


def _visited(book: Notebook, hand: Hand, slips: Slips, own: Ints) -> dict[str, list[str]]:
    spec, v = book.spec, book.visits
    rng = stream(book.seed, book.replicate, Purpose.PAPER, 1 + hand.rounds[0])
    plant, status = v.plant[own], slips.status[own]
    alive = status == ALIVE
    asked = alive & (v.repeat_of[own] < 0)
    looked = v.looked[own] & asked
    short = {full: i for i, full in initials(spec).items()}
    unit, digits = (100, 2) if hand.metres else (1, 0)
    height: Floats = np.where(alive, slips.height_cm[own], np.nan) / unit
    height[_second_copies(own)] *= 1.07
    stage = [hand.stages[s] for s in v.stage[own].tolist()]
    ants = _ant_words(book, hand, v.taxon[own], rng)

    def of_look(words: list[str], none: str) -> list[str]:
        return [
            "" if not a else hand.not_looked if not k else (w or none)
            for w, a, k in zip(words, asked.tolist(), looked.tolist(), strict=True)
        ]

    none_seen = "" if "looked" in hand.headers else hand.stages[0]
    return {
        "round": [str(r) for r in v.round_[own].tolist()],
        "block": [block_name(spec, b) for b in book.life.stand.block[plant].tolist()],
        "no": [plant_number(spec, p) for p in plant.tolist()],
        "tag": _tag_on(book, slips, plant, v.day[own]),
        "date": [written_date(spec, d, hand.dates) for d in v.day[own].tolist()],
        "observer": [short[spec.crew.people[o]] for o in v.observer[own].tolist()],
        "status": [hand.statuses[s] for s in status.tolist()],
        "height": [_number(x, hand.decimal, digits) for x in height.tolist()],
        "line": [f"{hand.letter}{i + 1}" for i in own.tolist()],
        "again": ["" if i < 0 else f"{hand.letter}{i + 1}" for i in v.repeat_of[own].tolist()],
        "basal": [_number(x, hand.decimal, 1) for x in np.where(alive, v.basal_mm[own], np.nan).tolist()],
        "leaves": _counted(np.where(alive, v.leaves[own], -1)),
        "domatia": _counted(np.where(alive, v.domatia[own], -1)),
        "light": [_number(x, hand.decimal, 1) for x in np.where(alive, v.openness_pct[own], np.nan).tolist()],
        "looked": ["" if not a else "y" if k else "n" for a, k in zip(asked.tolist(), looked.tolist(), strict=True)],
        "ant": of_look(ants, none_seen),
        "stage": of_look(stage, hand.stages[0]),
        "note": [_REMARKS[i] if i < len(_REMARKS) else "" for i in rng.integers(0, 400, len(own)).tolist()],
    }


def _not_gone(book: Notebook, hand: Hand, round_: Ints, plant: Ints) -> dict[str, list[str]]:
    """Write rows for blocks where nobody went: the first hand wrote "not found", the others a dash."""
    spec, first = book.spec, hand.rounds[0] == 0
    word = hand.statuses[NOT_FOUND if first else NOT_VISITED]
    short = next(iter(initials(spec)))
    rows = len(plant)
    day = _planned(book, round_, plant)
    said = {
        "line": [f"{hand.letter}-{r}-{p + 1}" for r, p in zip(round_.tolist(), plant.tolist(), strict=True)],
        "round": [str(r) for r in round_.tolist()],
        "block": [block_name(spec, b) for b in book.life.stand.block[plant].tolist()],
        "no": [plant_number(spec, p) for p in plant.tolist()],
        "date": [written_date(spec, d, hand.dates) for d in day.tolist()],
        "observer": [short] * rows,
        "status": [word] * rows,
    }
    return {k: said.get(k, [""] * rows) for k in (*hand.headers, "tag")}
