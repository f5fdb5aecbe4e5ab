"""A simulated study as the crew's tables of text, with the mapping of each: what a real study looks like on paper.

The tables hold what `observe` holds, and the slips of `messy_slips`: heights with the comma in the wrong place, plants
down as dead that are alive, numbers given to two plants, places outside their block, a control plant on the list of
sprayed ones, spellings that no mapping knows, lines copied twice, blocks where nobody went whose lines say "not found"
or "-", and blanks that mean that no ant was seen, that nobody looked, or that the plant was not found.
"""

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import polars as pl

from domatia.lifecycle import messy_mappings as maps
from domatia.lifecycle.crew_table import CrewTable
from domatia.lifecycle.handling import INSECTICIDE, WEATHER
from domatia.lifecycle.layers import read_by
from domatia.lifecycle.layers.paper import crew_tables
from domatia.lifecycle.messy_census import census, never_gone, plant_number, written_date
from domatia.lifecycle.messy_slips import Slips, make_slips
from domatia.lifecycle.messy_words import hands, initials
from domatia.lifecycle.notebook import Notebook, keep_notebook
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.stand import BLOCK_SIDE_M, Ints
from domatia.lifecycle.streams import Purpose, stream
from domatia.lifecycle.study_lists import LATITUDE, LONGITUDE, TREATMENT_TEXT, block_name, last_day

_FORM = "dd/mm/yyyy"
_KIND_WORDS = ("spray", "hand", "water")
_FATE_WORDS = ("there", "fallen", "eaten", "?")


def messy_tables(spec: Spec, seed: int, replicate: int = 0) -> tuple[CrewTable, ...]:
    """Simulate a study and give the crew's tables, in the order in which they are to be imported."""
    book = keep_notebook(spec, seed, replicate)
    return tables_of(book)


def tables_of(book: Notebook) -> tuple[CrewTable, ...]:
    """Give the crew's tables of a study that was lived through."""
    spec, slips = book.spec, make_slips(book)
    found = [
        CrewTable("people.csv", _people(spec), maps.PEOPLE),
        CrewTable("permits.csv", _permits(spec), maps.PERMITS),
        CrewTable("ants.csv", _ants(spec), maps.ANTS),
        CrewTable("treatments.csv", _treatments(spec), maps.TREATMENTS),
        CrewTable("plan.csv", _plan(spec), maps.PLAN),
        CrewTable("places.csv", _places(spec), maps.PLACES),
        CrewTable("plants.csv", _plants(book, slips), maps.PLANTS),
        CrewTable("rounds_done.csv", _rounds_done(book), maps.with_initials(spec, maps.PLACE_VISITS)),
    ]
    for hand in hands(spec):
        first = hand.rounds[0] == 0
        mapping = maps.census_mapping(spec, hand, never_gone(book, hand) if first else {})
        found.append(CrewTable(hand.file, census(book, hand, slips), mapping, hand.delimiter or ","))
    found += [
        CrewTable("tag_changes.csv", _tag_changes(book, slips), maps.TAGS),
        CrewTable("treatments_done.csv", _treated(book, slips), maps.with_initials(spec, maps.TREATED)),
        CrewTable("leaves.csv", _leaves(book, slips), maps.with_initials(spec, maps.LEAVES)),
    ]
    found += [table for layer in read_by(None) for table in crew_tables(layer, book)]
    return tuple(found)


def _frame(columns: dict[str, list[str]]) -> pl.DataFrame:
    return pl.DataFrame(columns, schema=dict.fromkeys(columns, pl.String))


def _rows(header: Sequence[str], rows: Sequence[Sequence[str]]) -> pl.DataFrame:
    return _frame({name: [str(r[i]) for r in rows] for i, name in enumerate(header)})


def _people(spec: Spec) -> pl.DataFrame:
    return _rows(("name", "role"), [(p, "crew" if i else "lead") for i, p in enumerate(spec.crew.people)])


def _second_permit(spec: Spec) -> date:
    return date(spec.start.year + 3, 1, 1)


def _permits(spec: Spec) -> pl.DataFrame:
    year, change = spec.start.year, _second_permit(spec)
    office = "Lantern Basin Land Office"
    allowed = "removal of ants with insecticide and by hand"
    return _rows(
        ("number", "issuer", "from", "to", "allows"),
        [
            (f"LB-{year}-044", office, f"{year}-01-01", str(change - timedelta(days=1)), allowed),
            (f"LB-{year + 3}-009", office, str(change), str(last_day(spec)), allowed),
            (f"LB-{year}-017", office, f"{year}-01-01", str(last_day(spec)), "access, marking of plants, specimens"),
        ],
    )


def _ants(spec: Spec) -> pl.DataFrame:
    rows = [(a.name, spec.plant_species, "defender" if a.defends else "non-defending occupant") for a in spec.ants]
    return _rows(("ant", "host", "what it does"), rows)


def _treatments(spec: Spec) -> pl.DataFrame:
    return _rows(("treatment", "role", "what is done"), [(a.name, a.role, TREATMENT_TEXT[a.role]) for a in spec.arms])


def _plan(spec: Spec) -> pl.DataFrame:
    header = ("stated on", "question", "contrast", "horizon_days", "exclusions", "smallest effect that matters")
    stated = str(spec.start - timedelta(days=7))
    horizon = f"{365.25 * spec.years:g}"
    return _rows(header, [(stated, "survival", "removal against sham", horizon, "none", "hazard ratio 1.3")])


def _places(spec: Spec) -> pl.DataFrame:
    side = f"{BLOCK_SIDE_M:g}"
    outline = f'{{"type":"Polygon","coordinates":[[[0,0],[{side},0],[{side},{side}],[0,{side}],[0,0]]]}}'
    area = f"{BLOCK_SIDE_M**2 / 10_000:g}"
    at = (f"{LONGITUDE:g}", f"{LATITUDE:g}")
    rows = [(h.site, "site", "", h.name, "", "", *at) for h in spec.habitats]
    for b in range(spec.blocks):
        home = spec.habitats[b % len(spec.habitats)]
        rows.append((block_name(spec, b), "block", home.site, home.name, area, outline, "", ""))
    header = ("place", "kind", "lies in", "habitat", "area_ha", "outline", "longitude", "latitude")
    return _rows(header, rows)


def _plants(book: Notebook, slips: Slips) -> pl.DataFrame:
    spec, stand, rounds = book.spec, book.life.stand, book.life.rounds
    slots = range(stand.size)
    block = stand.block.tolist()
    seen = (rounds.block_start[stand.block] + rounds.day[0, stand.block]).tolist()
    treated = rounds.block_start[stand.block].tolist()
    letters = [a.name[0].upper() for a in spec.arms]
    return _frame(
        {
            "block": [block_name(spec, b) for b in block],
            "plant": [plant_number(spec, i) for i in slots],
            "tag": [str(t) for t in slips.first_tag.tolist()],
            "species": [spec.plant_species] * stand.size,
            "x": [f"{x:.1f}" for x in slips.x_m.tolist()],
            "y": [f"{y:.1f}" for y in stand.y_m.tolist()],
            "tagged on": [written_date(spec, d, _FORM) for d in seen],
            "treatment": [letters[a] for a in stand.arm.tolist()],
            "treated on": [written_date(spec, d, _FORM) for d in treated],
        }
    )


def _rounds_done(book: Notebook) -> pl.DataFrame:
    spec, rounds = book.spec, book.life.rounds
    round_, block = (a.ravel() for a in np.indices((spec.rounds, spec.blocks)))
    # in the first year only the rounds that were walked were written down
    listed = (rounds.searched[round_, block] > 0) | (round_ >= hands(spec)[0].rounds[1])
    round_, block = round_[listed], block[listed]
    day = (rounds.block_start[block] + rounds.day[round_, block]).tolist()
    short = list(initials(spec))
    return _frame(
        {
            "round": [str(r) for r in round_.tolist()],
            "block": [block_name(spec, b) for b in block.tolist()],
            "date": [written_date(spec, d, _FORM) for d in day],
            "done": [("no", "part", "all")[s] for s in rounds.searched[round_, block].tolist()],
            "who": [short[(r + b) % len(short)] for r, b in zip(round_.tolist(), block.tolist(), strict=True)],
        }
    )


def _place_columns(book: Notebook, plant: Ints) -> dict[str, list[str]]:
    blocks = book.life.stand.block[plant].tolist()
    return {
        "block": [block_name(book.spec, b) for b in blocks],
        "plant": [plant_number(book.spec, p) for p in plant.tolist()],
    }


def _tag_changes(book: Notebook, slips: Slips) -> pl.DataFrame:
    tags, spec = book.tags, book.spec
    rng = stream(book.seed, book.replicate, Purpose.PAPER, 900)
    later = np.flatnonzero(tags.former >= 0)
    later = later[np.argsort(tags.first[later], kind="stable")]
    plant = tags.plant[later]
    first = tags.former[later] <= book.life.stand.size + 100
    former = np.where(first, slips.first_tag[plant], tags.former[later])
    why = [("lost", "lost (deer?)", "not there")[i] for i in rng.integers(0, 3, len(later)).tolist()]
    return _frame(
        {
            "date": [written_date(spec, d, _FORM) for d in tags.first[later].tolist()],
            **_place_columns(book, plant),
            "old tag": [str(n) for n in former.tolist()],
            "new tag": [str(n) for n in tags.number[later].tolist()],
            "why": why,
        }
    )


def _treated(book: Notebook, slips: Slips) -> pl.DataFrame:
    spec, done = book.spec, book.handled
    wrong, at = slips.sprayed_control, len(done.plant) // 2
    plant = np.concatenate([done.plant, wrong])
    day = np.concatenate([done.day, np.full(len(wrong), done.day[at])])
    kind = np.concatenate([done.kind, np.full(len(wrong), INSECTICIDE)])
    who = np.concatenate([done.operator, np.zeros(len(wrong), np.int64)]).tolist()
    sky = np.concatenate([done.weather, np.zeros(len(wrong), np.int64)]).tolist()
    short = list(initials(spec))
    # the crew went on writing the old permit's number for two weeks
    change = (_second_permit(spec) - spec.start).days + 14
    numbers = (f"LB-{spec.start.year}-044", f"LB-{spec.start.year + 3}-009")
    words = {
        "date": [written_date(spec, d, _FORM) for d in day.tolist()],
        **_place_columns(book, plant),
        "what": [_KIND_WORDS[k] for k in kind.tolist()],
        "agent": [("pyrethrin in water", "forceps and pooter", "water")[k] for k in kind.tolist()],
        "active %": ["0.05" if k == INSECTICIDE else "" for k in kind.tolist()],
        "mL": ["" if k == 1 else "30" for k in kind.tolist()],
        "by": [short[w] for w in who],
        "weather": [WEATHER[s] for s in sky],
        "permit": [numbers[int(d >= change)] for d in day.tolist()],
    }
    order = np.lexsort((plant, day)).tolist()
    return _frame({k: [v[i] for i in order] for k, v in words.items()})


def _leaves(book: Notebook, slips: Slips) -> pl.DataFrame:
    spec, leaves = book.spec, book.leaves
    tags = book.tags
    order = np.lexsort((tags.first, tags.plant))
    number = np.where(tags.former < 0, slips.first_tag[tags.plant], tags.number)[order]
    keys = tags.plant[order] * 100_000 + tags.first[order] + 1000
    at = np.searchsorted(keys, leaves.plant * 100_000 + leaves.day + 1000, side="right") - 1
    short = list(initials(spec))
    name = np.where(leaves.marked, leaves.leaf, leaves.leaf + 9000)
    pct = ["" if np.isnan(p) else f"{p:.0f}" for p in leaves.missing_pct.tolist()]
    words = {
        "date": [written_date(spec, d, _FORM) for d in leaves.day.tolist()],
        "block": [block_name(spec, b) for b in book.life.stand.block[leaves.plant].tolist()],
        "tag": [str(n) for n in number[at].tolist()],
        "leaf": [str(n) for n in name.tolist()],
        "chosen": ["m" if m else "r" for m in leaves.marked.tolist()],
        "missing %": pct,
        "fate": [_FATE_WORDS[f] for f in leaves.fate.tolist()],
        "by": [short[o] for o in leaves.observer.tolist()],
    }
    rows = np.lexsort((name, leaves.plant, leaves.day)).tolist()
    return _frame({k: [v[i] for i in rows] for k, v in words.items()})
