"""One plant's whole story: tags, visits, ants, treatments, corrections and findings, in the order of time."""

from dataclasses import dataclass
from typing import Any

import polars as pl

from domatia.histories.facts import plant_facts
from domatia.histories.looks import looks
from domatia.histories.moments import position
from domatia.model import Finding, StudyData, WrittenDate, WrongUse
from domatia.tasks.opening import findings_of, reading

_MEASURES = {
    "height_cm": "height {} cm", "shoots": "{} shoots", "leaves": "{} leaves", "domatia": "{} domatia",
    "flowers": "{} flowers", "fruits": "{} fruits", "vines_touching": "{} vines touching", "condition": "{}",
    "note": "“{}”", "observer": "by {}",
}  # fmt: skip


@dataclass(frozen=True)
class Event:
    """One thing that happened to a plant, or that was written about it, with the id of its record."""

    when: str
    what: str
    origin: str
    record: str = ""


@dataclass(frozen=True)
class PlantLife:
    """A plant's story.

    Attributes
    ----------
    plant : bytes
    heading : str
        Who the plant is and where it stands.
    events : tuple of Event
        In the order of time.
    revisions : tuple of str
        Corrections and other replaced values, oldest first.
    findings : tuple of Finding
        Open findings that concern it.
    """

    plant: bytes
    heading: str
    events: tuple[Event, ...]
    revisions: tuple[str, ...]
    findings: tuple[Finding, ...]


def life_of(where: str, plant: str) -> PlantLife:
    """Tell one plant's story.

    Parameters
    ----------
    where : str
        The study.
    plant : str
        Its tag, "place/tag" where a tag is borne in several places, or the first digits of its id.

    Raises
    ------
    WrongUse
        If no plant, or more than one, is meant.
    """
    with reading(where) as study:
        data = study.read()
        own = find_plant(data, plant)
        visits = data.table("visit").filter(pl.col("plant") == own)
        revised = [
            line
            for subject in [own, *visits["subject_id"].to_list()]
            for line in _revision_lines(study.revisions(subject))
        ]
    still_open = findings_of(data)[0]
    ids = {own, *visits["subject_id"].to_list()}
    mine = tuple(f for f in still_open if ids & set(f.subjects))
    events = sorted([*_tags(data, own), *_visits(data, own), *_acts(data, own)], key=lambda e: (e.when, e.what))
    return PlantLife(own, _heading(data, own), tuple(events), tuple(revised), mine)


def find_plant(data: StudyData, name: str) -> bytes:
    """Find a plant by tag, place and tag, or the first digits of its id.

    Raises
    ------
    WrongUse
        If no plant, or more than one, is meant; the candidates are named.
    """
    facts = plant_facts(data).select("plant", "place_name")
    tags = data.table("tag").filter(pl.col("plant").is_not_null()).select("plant", "tag").join(facts, on="plant")
    place, _, tag = name.rpartition("/")
    fits = tags.filter((pl.col("tag") == tag) & ((pl.col("place_name") == place) if place else pl.lit(True)))
    plants = fits["plant"].unique().sort().to_list()
    if not plants and len(name) >= 6:
        plants = [p for p in facts["plant"].to_list() if p.hex().startswith(name.lower())]
    if len(plants) == 1:
        return bytes(plants[0])
    if not plants:
        near = tags["tag"].unique().sort().to_list()
        raise WrongUse(f"No plant bears the tag {name!r}", near if len(near) <= 20 else "a tag, place/tag, or an id")
    named = fits.select("place_name", "tag", "plant").unique().sort("place_name", "plant")
    candidates = [f"{p}/{t} ({i.hex()[:8]})" for p, t, i in named.iter_rows()]
    raise WrongUse(
        f"{len(plants)} plants bear the tag {name!r}", candidates[:20], "Give place/tag or the digits of an id."
    )


def _heading(data: StudyData, own: bytes) -> str:
    row = plant_facts(data).filter(pl.col("plant") == own)
    tags = data.table("tag").filter(pl.col("plant") == own)["tag"].unique().sort().to_list()
    parts = [f"Plant {own.hex()[:8]}", f"tag {', '.join(tags)}" if tags else "no tag"]
    for column, words in (
        ("place_name", "in {}"), ("subplot", "cell {}"), ("habitat", "{}"), ("species", "{}"), ("origin", "{}"),
        ("treatment", "treatment {}"), ("group_name", "block {}"),
    ):  # fmt: skip
        if row.height and row[column][0] is not None:
            parts.append(words.format(row[column][0]))
    return ", ".join(dict.fromkeys(parts))


def _date(row: dict[str, Any], column: str) -> str:
    first, last = row[f"{column}_earliest"], row[f"{column}_latest"]
    if first is None:
        return "undated"
    return str(WrittenDate(first, last))


def _origin(row: dict[str, object]) -> str:
    return f"{row['origin_file']} row {row['origin_row']}" if row["origin_file"] else "typed"


def _tags(data: StudyData, own: bytes) -> list[Event]:
    rows = data.table("tag").filter(pl.col("plant") == own).to_dicts()
    return [
        Event(
            "" if r["borne_earliest"] is None else r["borne_earliest"].isoformat(),
            f"tag {r['tag']}" + (f" ({r['why']})" if r["why"] else "")
            + (f", in place of {r['former_tag']}" if r["former_tag"] else ""),
            _origin(r),
            r["record_id"].hex(),
        )
        for r in rows
    ]  # fmt: skip


def _visits(data: StudyData, own: bytes) -> list[Event]:
    table = data.table("visit").filter(pl.col("plant") == own).with_columns(t=position())
    states = dict(looks(data).filter(pl.col("plant") == own).select("record_id", "state").iter_rows())
    found = []
    for r in table.sort("t", "record_id").to_dicts():
        parts = [r["status"] or "status blank"]
        state = states.get(r["record_id"])
        if state not in (None, "unknown", "dead"):
            parts.append("no ants" if state == "vacant" else f"ants: {state}")
        parts += [words.format(_short(r[c])) for c, words in _MEASURES.items() if r[c] is not None]
        found.append(Event(_date(r, "when"), "; ".join(parts), _origin(r), r["record_id"].hex()))
    return found


def _short(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _acts(data: StudyData, own: bytes) -> list[Event]:
    rows = data.table("intervention").filter(pl.col("plant") == own).to_dicts()
    return [
        Event(
            _date(r, "when"),
            r["kind"] + (f" ({r['agent']})" if r["agent"] else ""),
            _origin(r),
            r["record_id"].hex(),
        )
        for r in rows
    ]


def _revision_lines(table: pl.DataFrame) -> list[str]:
    if table.height < 2:
        return []
    return [
        f"{str(r['at'])[:16].replace('T', ' ')} {r['author'] or 'unknown'}: {r['kind']} {r['record_id'].hex()[:8]}"
        f"{'' if r['current'] else ' (replaced)'} {r['why'] or ''}".rstrip()
        for r in table.to_dicts()
    ]
