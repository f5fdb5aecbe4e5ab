"""Bring a table in by its mapping: what would come in, what is wrong with it, and what a person should confirm.

Nothing is written here. A dry run and an import are the same call; the import then appends `Brought.batch`.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from domatia.intake.convert_quantities import build_quantities, keep_bad_cells, keep_columns
from domatia.intake.mapping import TableMapping
from domatia.intake.mapping_text import mapping_text
from domatia.intake.records import ENTITIES, Building, convert_all, ordered_kinds
from domatia.intake.shape_entities import build_entity, build_implied
from domatia.intake.shape_events import build_event
from domatia.intake.shape_known import fit, tell_contradicted, tell_new_names
from domatia.intake.shape_tags import Borne, bearers_at, speak_of_change, tell_unattached
from domatia.intake.shapes import rows_of
from domatia.intake.text_table import TextTable
from domatia.intake.unvisited import Round, Rounds, settle_rounds
from domatia.model import Batch, Finding, Profile, SourceFile, StudyData, WrongUse, fields_of, kinds

_LINES_SHOWN = 12


@dataclass(frozen=True)
class Summary:
    """What one file would bring.

    Attributes
    ----------
    file : str
    rows_in : int
        Rows of the table.
    records : mapping of str to int
        By record kind.
    statuses : mapping of str to int
        Visits by status.
    known_already : mapping of str to int
        Things that the study describes already, from another file, and that were left out.
    rounds : Rounds
    tags_attached, tags_open : int
        Rows whose tag fits one plant; none or several.
    findings : mapping of str to int
        By code.
    """

    file: str
    rows_in: int
    records: Mapping[str, int]
    statuses: Mapping[str, int] = field(default_factory=dict)
    known_already: Mapping[str, int] = field(default_factory=dict)
    rounds: Rounds = field(default_factory=Rounds)
    tags_attached: int = 0
    tags_open: int = 0
    findings: Mapping[str, int] = field(default_factory=dict)

    def text(self) -> str:
        """Write the summary for a screen."""
        lines = [f"{self.file}: {self.rows_in:,} rows in"]
        lines += [f"  {n:>9,} {kind.replace('_', ' ')} records" for kind, n in self.records.items()]
        lines += [f"  {n:>9,} {kind} known already, nothing new" for kind, n in self.known_already.items()]
        if self.statuses:
            lines.append("visits by status: " + ", ".join(f"{n:,} {s}" for s, n in self.statuses.items()))
        if self.tags_attached or self.tags_open:
            lines.append(f"tags: {self.tags_attached:,} attached to a plant, {self.tags_open:,} open")
        lines += _round_lines("rounds confirmed as not or partly searched", self.rounds.confirmed)
        lines += _round_lines("rounds perhaps not searched (to be confirmed in the mapping)", self.rounds.proposed)
        lines += _round_lines("rounds without any row", self.rounds.empty)
        if self.findings:
            lines.append("findings: " + ", ".join(f"{n:,} {c.replace('_', ' ')}" for c, n in self.findings.items()))
        else:
            lines.append("no findings")
        return "\n".join(lines)


def _round_lines(title: str, rounds: Sequence[Round]) -> list[str]:
    if not rounds:
        return []
    told = [f"{r.place} {r.name}" + (f" ({r.said} of {r.listed} seen)" if r.listed else "") for r in rounds]
    shown = ", ".join(told[:_LINES_SHOWN]) + (
        f" and {len(told) - _LINES_SHOWN} more" if len(told) > _LINES_SHOWN else ""
    )
    return [f"{title}: {shown}"]


@dataclass(frozen=True)
class Brought:
    """A file's records, ready to be appended, and what is to be said about them.

    Attributes
    ----------
    batch : Batch
    findings : tuple of Finding
    summary : Summary
    proposals : tuple of str
        What a person should confirm in the mapping, each with the lines to write.
    """

    batch: Batch
    findings: tuple[Finding, ...]
    summary: Summary
    proposals: tuple[str, ...] = ()


def bring_in(
    tables: Sequence[TextTable],
    mapping: TableMapping,
    study_id: bytes,
    profile: Profile,
    known: StudyData | None = None,
) -> Brought:
    """Turn the tables of one file into proposed records.

    Parameters
    ----------
    tables : sequence of TextTable
        Tables of one file, as text.
    mapping : TableMapping
    study_id : bytes
    profile : Profile
        Its tag scope says within what a tag is unique.
    known : StudyData, optional
        What the study holds: plants and places of other files, and who bears which tag.

    Returns
    -------
    Brought

    Raises
    ------
    WrongUse
        If there is no table, the tables are of several files, or a column that the mapping names is missing. Wrong
        data never raises; it becomes findings.
    """
    files = {(t.name, t.sha256, t.size_bytes) for t in tables}
    if len(files) != 1:
        raise WrongUse(
            f"Tables of {len(files)} files were given", "the tables of one file", "Bring files in one by one."
        )
    rows = rows_of(tables, mapping)
    told = StudyData(study_id, "", profile, {}) if known is None else replace(known, profile=profile)
    building = Building(rows, mapping, study_id, tables[0].name, told)
    building.findings += [f for t in tables for f in t.findings]
    convert_all(building)
    borne = _find_by_tag(building)
    if mapping.table.row == "tag change":
        speak_of_change(building)
    rounds = settle_rounds(building)
    _build(building)
    if borne is not None:
        tell_unattached(building, borne, "tag" if "tag" in mapping.parts else "plant")
    replaced, left = _fit(building)
    name, sha, size = next(iter(files))
    batch = Batch(
        tables={k: building.tables[k] for k in kinds() if k in building.tables},
        replaces=replaced,
        source=SourceFile(name, sha, size),
        mapping=mapping_text(mapping),
    )
    summary = _summary(building, rounds, borne, left)
    return Brought(batch, tuple(building.findings), summary, _proposals(rounds))


def _find_by_tag(building: Building) -> Borne | None:
    if building.part("plant").find_by != "tag":
        return None
    from_place = building.mapping.parts.get("place")
    if from_place is not None:
        build_entity(building, "place")
    tags = [s for n in ("tag", "former_tag") if (s := building.value("tag", n)) is not None]
    if not tags:
        raise WrongUse(
            "The mapping finds plants by tag, but names no column for it", "tag in [tag]", "Add it to the mapping."
        )
    borne = bearers_at(building, tags, building.mapping.table.row == "tag change")
    building.ids["plant"] = borne.plant
    building.keys["plant"] = borne.plant.bin.encode("hex")
    return borne


def _build(building: Building) -> None:
    for kind in ordered_kinds(building.mapping):
        if kind in building.ids:
            continue
        if kind == "tag" and building.part("plant").find_by and building.mapping.table.row != "tag change":
            continue
        if kind in ENTITIES:
            build_entity(building, kind)
        else:
            build_event(building, kind)
    for kind in ordered_kinds(building.mapping):
        keep_bad_cells(building, kind)
    keep_columns(building)
    build_implied(building)
    build_quantities(building)


def _fit(building: Building) -> tuple[tuple[tuple[bytes, bytes], ...], dict[str, int]]:
    replaced: list[tuple[bytes, bytes]] = []
    left: dict[str, int] = {}
    for kind, table in list(building.tables.items()):
        tell_new_names(building, kind)
        if building.known is None or not building.known.table(kind).height:
            building.tables[kind] = table.drop("@key")
            continue
        mapped = [c for f in fields_of(kind) if f.column in building.part(kind).fields for c in f.stored_columns]
        fitted = fit(table, kind, building.known, building.file, mapped)
        tell_contradicted(building, kind, fitted)
        replaced += fitted.replaces
        if fitted.known_already:
            left[kind] = fitted.known_already
        building.tables[kind] = fitted.table.drop("@key").sort("subject_id", "record_id")
        if not fitted.table.height:
            del building.tables[kind]
    return tuple(replaced), left


def _summary(building: Building, rounds: Rounds, borne: Borne | None, left: Mapping[str, int]) -> Summary:
    statuses: dict[str, int] = {}
    visits = building.tables.get("visit")
    if visits is not None:
        counted = visits.group_by("status").len().sort("len", descending=True)
        statuses = {s or "no status": n for s, n in counted.iter_rows()}
    return Summary(
        building.file,
        building.rows.table_rows,
        {k: building.tables[k].height for k in kinds() if k in building.tables},
        statuses,
        left,
        rounds,
        0 if borne is None else int((borne.fits == 1).sum()),
        0 if borne is None else int((borne.fits != 1).sum()),
        dict(sorted(Counter(f.code for f in building.findings).items())),
    )


def _proposals(rounds: Rounds) -> tuple[str, ...]:
    found = []
    for title, how, chosen in (
        ("Rounds in which not one listed plant was seen", "confirmed", [r for r in rounds.proposed if not r.said]),
        ("Rounds in which under 5 % of the listed plants were seen", "partly", [r for r in rounds.proposed if r.said]),
    ):
        if chosen:
            places: dict[str, list[str]] = {}
            for one in chosen:
                places.setdefault(one.place, []).append(one.name)
            inner = ", ".join(
                f'"{p}" = [{", ".join(chr(34) + n + chr(34) for n in names)}]' for p, names in places.items()
            )
            found.append(f"{title}. If that is so, write under [not_visited] in the mapping:\n{how} = {{ {inner} }}")
    return tuple(found)
