"""Small studies made by hand: one line a record, links by name, dates as they are written."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import polars as pl

from domatia.model import Finding, Profile, StudyData, as_table, fields_of
from domatia.model.dates import parse_iso
from domatia.model.identity import named_id

STUDY = b"a-study-by-hand!"


def record(kind: str, key: str) -> bytes:
    """Give the record id that `MadeStudy.add` gives."""
    return named_id(STUDY, kind, key, b"content")


def subject(kind: str, key: str) -> bytes:
    """Give the subject id that `MadeStudy.add` gives."""
    return named_id(STUDY, kind, key)


@dataclass
class MadeStudy:
    """Records on their way into a `StudyData`."""

    rows: dict[str, dict[str, dict[str, object]]] = field(default_factory=dict)

    def add(self, kind: str, key: str, values: Mapping[str, object]) -> "MadeStudy":
        """Add a record: a link is given as the key of its target, a date as ISO text."""
        row: dict[str, object] = {"subject_id": subject(kind, key), "record_id": record(kind, key)}
        known = {f.column: f for f in fields_of(kind)}
        for column, value in values.items():
            f = known[column]
            if f.type == "link" and isinstance(value, str):
                row[column] = subject(f.target, value)
            elif f.type in ("date", "instant") and isinstance(value, str):
                written = parse_iso(value)
                row |= dict(zip(f.stored_columns, (written.earliest, written.latest, written.instant), strict=False))
            else:
                row[column] = value
        self.rows.setdefault(kind, {})[key] = row
        return self

    def place(self, name: str, **values: object) -> "MadeStudy":
        """Add a place."""
        return self.add("place", name, {"name": name, **values})

    def plant(self, name: str, **values: object) -> "MadeStudy":
        """Add a plant."""
        return self.add("plant", name, values)

    def visit(self, plant: str, when: str | None, status: str | None = "alive", **values: object) -> "MadeStudy":
        """Add a visit; its key is "plant when", with a number behind it from the second of that day on.

        `ants` is None (no occupancy row), "not looked", "none", or "ant stage"; several are a list.
        """
        ants = values.pop("ants", None)
        key = f"{plant} {when}"
        n = sum(k == key or k.startswith(key + " #") for k in self.rows.get("visit", {}))
        key = key if not n else f"{key} #{n + 1}"
        self.add("visit", key, {"plant": plant, "status": status, **({"when": when} if when else {}), **values})
        told: list[object] = ants if isinstance(ants, list) else [ants] if ants is not None else []
        for i, one in enumerate(told):
            self.occupancy(key, str(one), i)
        return self

    def occupancy(self, visit: str, told: str, number: int) -> None:
        """Add what was seen of ants at a visit."""
        if told in ("not looked", "none"):
            stage = {"stage": "none"} if told == "none" else {}
            self.add("occupancy", f"{visit}/{number}", {"visit": visit, "looked": told == "none", **stage})
            return
        ant, _, stage_name = told.partition(" ")
        named: dict[str, object] = {} if ant == "?" else {"taxon": ant}
        self.add("occupancy", f"{visit}/{number}", {"visit": visit, "looked": True, "stage": stage_name, **named})
        if ant != "?":
            self.add("taxon", ant, {"name": ant})

    def role(self, ant: str, role: str) -> "MadeStudy":
        """Say what an ant does on its host."""
        return self.add("taxon_role", ant, {"taxon": ant, "role": role})

    def act(self, plant: str, when: str, kind: str = "mechanical removal") -> "MadeStudy":
        """Add an intervention."""
        return self.add("intervention", f"{plant} {when} {kind}", {"plant": plant, "when": when, "kind": kind})

    def treatment(self, name: str, role: str) -> "MadeStudy":
        """Add a treatment."""
        return self.add("treatment", name, {"name": name, "role": role})

    def assign(self, plant: str, treatment: str, start: str | None = None, **values: object) -> "MadeStudy":
        """Give a plant its treatment."""
        begun = {"start": start} if start else {}
        return self.add("assignment", plant, {"plant": plant, "treatment": treatment, **begun, **values})

    def data(self, findings: tuple[Finding, ...] = (), profile: Profile | None = None) -> StudyData:
        """Give the study."""
        tables = {}
        for kind, rows in self.rows.items():
            frame = pl.DataFrame(list(rows.values()), infer_schema_length=None)
            tables[kind] = as_table(kind, frame).sort("subject_id")
        return StudyData(STUDY, "by hand", profile or Profile(), tables, {}, findings)


def shuffled(data: StudyData, seed: int) -> StudyData:
    """Give the same study with the rows of every table in another order."""
    return replace(data, tables={k: t.sample(fraction=1.0, shuffle=True, seed=seed) for k, t in data.tables.items()})
