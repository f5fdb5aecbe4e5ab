"""Which column is which field, and how its cells are to be read; each with the reason."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from domatia.intake.convert_units import allowed_units
from domatia.intake.mapping import Part, Shape, Source
from domatia.intake.propose_columns import Look, look_at_cells
from domatia.intake.propose_shape import Key, Repeats, Target
from domatia.intake.propose_words import (
    CODE_WORDS,
    HEADERS,
    RECORD_HEADERS,
    RECORD_WORDS,
    STATUS_WORDS,
    SURVIVAL_WORDS,
    name_and_unit,
    plain_name,
)
from domatia.intake.text_table import TextTable
from domatia.model import Field, fields_of, kinds
from domatia.model import field as field_of

_SHARED = ("when", "observer", "note", "plant", "place", "kind", "name", "text", "of", "taxon", "stage", "state", "row")
_OTHER_KINDS = (
    "leaf", "patrol", "trial", "nectar", "food_bodies", "fight", "brood", "associate", "palatability", "dissection",
    "reproduction", "herbivores", "intervention", "weather",
)  # fmt: skip

_LINES_TOLD = 6


def find_columns(looks: Mapping[str, Look], repeats: Repeats) -> dict[Target, str]:
    """Give each recognised field the column that fits it best; columns of repeated groups are left aside.

    A header that names a field of the model in full ("height_cm", "visit.height_cm") counts more than a synonym, and
    of two columns for one field that with more values is taken.
    """
    found: dict[Target, tuple[int, int, str]] = {}
    for name, look in looks.items():
        if name in repeats.headers or not look.said:
            continue
        for target, strength in _targets(name, look):
            rank = (strength, look.said, name)
            old = found.get(target)
            if old is None or rank[:2] > old[:2]:
                found[target] = rank
    if ("place", "within") in found and ("place", "name") not in found:
        found["place", "name"] = found.pop(("place", "within"))
    return {target: name for target, (_, _, name) in sorted(found.items(), key=lambda f: _order(f[0]))}


def find_record(looks: Mapping[str, Look]) -> tuple[str, dict[Target, str]]:
    """Find the one record kind beside visits whose own fields a table names, and their columns.

    Returns
    -------
    kind : str
        Empty if there is none with two fields of its own or more.
    columns : dict
        The fields of that kind, with what it shares with others (date, observer, note).
    """
    best: tuple[str, dict[Target, str], int] = ("", {}, 1)
    plain = {plain_name(name): name for name, look in reversed(tuple(looks.items())) if look.said}
    shared = {HEADERS[p][1]: name for p, name in plain.items() if HEADERS.get(p, ("",))[0] == "visit"}
    for kind in _OTHER_KINDS:
        found: dict[Target, str] = {}
        proper = 0
        for f in fields_of(kind):
            also = RECORD_HEADERS.get((kind, f.column), "").split()
            named = (plain.get(n) for n in (f.column, f"{kind}_{f.column}", *also))
            name = next((n for n in named if n), "") or shared.get(f.column)
            if name and f.type not in ("link", "bytes") and fits(f, looks[name]):
                found[kind, f.column] = name
                proper += f.column not in _SHARED and f.column not in shared
        if proper > best[2]:
            best = (kind, found, proper)
    return best[0], best[1]


def _order(target: Target) -> tuple[int, int]:
    kind, name = target
    names = [f.column for f in fields_of(kind)]
    return kinds().index(kind), names.index(name) if name in names else -1


def _targets(name: str, look: Look) -> list[tuple[Target, int]]:
    whole = plain_name(name)
    plain, _ = name_and_unit(name)
    for kind in ("visit", "plant", "occupancy", "tag", "place", "place_visit"):
        for f in fields_of(kind):
            if (
                f.type not in ("link", "bytes")
                and whole in (f"{kind}_{f.column}", f.column)
                and f.column not in _SHARED
            ):
                return [((kind, f.column), 2)] if fits(f, look) else []
    target = HEADERS.get(whole) or HEADERS.get(plain)
    if target is None and HEADERS.get(whole.rpartition("_")[2]) == ("visit", "note"):
        target = ("visit", "note")
    if target is None or (target[1] != "@key" and not fits(field_of(*target), look)):
        return []
    return [(target, 1)]


def fits(f: Field, look: Look) -> bool:
    """Tell whether what a column holds can be the values of a field at all."""
    if f.type in ("number", "integer"):
        return look.numeric
    if f.type in ("date", "instant"):
        return look.is_date or look.is_year or _compact_days(look)
    if f.type == "yes_no":
        return look.yes_no
    if f.type == "choice":
        return look.distinct <= 40
    if (f.record, f.column) == ("visit", "observer"):
        return look.distinct <= 60 and not look.numeric
    if (f.record, f.column) == ("occupancy", "taxon"):
        return not look.yes_no and not look.numeric
    if f.column == "species":
        return look.distinct <= 200 and not look.numeric
    return True


def _compact_days(look: Look) -> bool:
    return look.numeric and look.whole and look.low >= 19_000_101 and look.high <= 21_001_231


def field_source(kind: str, name: str, look: Look, column: str = "") -> tuple[Source, str]:
    """Say how a column is read as a field, and why.

    Parameters
    ----------
    kind, name : str
    look : Look
    column : str
        The mapping's name for the column, if it is not the header.
    """
    f = field_of(kind, name)
    column = column or look.name
    told = [f"{look.told()}."]
    if f.type in ("number", "integer"):
        return _number(f, look, column, told)
    if f.type in ("date", "instant"):
        return _date(look, column, told)
    if f.type in ("choice", "yes_no"):
        return _choice(f, look, column, told)
    codes = {c: w for c, w in look.codes().items() if c in ("none", "not looked")} if kind == "occupancy" else {}
    near = _spellings(look)
    if near:
        whose = "person" if name.startswith("observer") else f.target or kind
        told.append(f"LOOK: these may be one: {near}. If so, {_names_told(whose, look)}.")
    return Source(column=column, codes=codes), " ".join(told)


def _number(f: Field, look: Look, column: str, told: list[str]) -> tuple[Source, str]:
    unit = name_and_unit(look.name)[1]
    if unit and unit not in allowed_units(f.unit):
        told.append(f"LOOK: the header names the unit {unit}, which cannot be turned into {f.unit}.")
        unit = ""
    if unit and unit != f.unit:
        told.append(f"Unit {unit}, from the header.")
    elif not unit and f.unit not in ("", "1"):
        told.append(f"LOOK: taken for {f.unit}; write unit = ... if it was another.")
    codes = look.codes()
    unknown = {w: n for w, n in look.words.items() if (plain_name(w) or w) not in CODE_WORDS}
    if codes:
        told.append("Words were given the meanings in codes: look at each.")
    if unknown:
        shown = ", ".join(f"{w!r} {n:,}" for w, n in list(unknown.items())[:10])
        told.append(f"LOOK: give the meaning of {shown} in codes, or mend the cells.")
    if look.low < 0 and f.low == 0 and -look.low in (9, 99, 999, 9999):
        told.append(f"LOOK: {look.low:g} was taken for blank.")
        codes = {**codes, "blank": (f"{look.low:g}",)}
    return Source(column=column, unit="" if unit == f.unit else unit, codes=codes), " ".join(told)


def _date(look: Look, column: str, told: list[str]) -> tuple[Source, str]:
    if look.is_year:
        told.append("Years only: they stay years and are not padded to a day.")
        return Source(column=column), " ".join(told)
    if _compact_days(look):
        return Source(column=column, date=("yyyymmdd",)), " ".join(told)
    if look.doubtful_dates:
        told.append('LOOK: day and month cannot be told apart; write date = "dd/mm/yyyy" or "mm/dd/yyyy".')
        return Source(column=column), " ".join(told)
    if look.dates:
        told.append(f"Form{'s' if len(look.dates) > 1 else ''} seen: {', '.join(look.dates)}.")
    if look.clock:
        told.append("LOOK: clock times need time_zone in [table].")
    return Source(column=column, date=look.dates), " ".join(told)


def _choice(f: Field, look: Look, column: str, told: list[str]) -> tuple[Source, str]:
    words: dict[str, str] = {}
    unknown: list[str] = []
    cells = {**look.words, **({"0": 0, "1": 0} if look.numbers and look.low >= 0 and look.high <= 1 else {})}
    for word in cells:
        meaning = _meaning(f, word, look.name)
        if meaning is None:
            unknown.append(word)
        elif meaning != word.lower():
            words[word] = meaning
    if words:
        told.append("Words were given the meanings below: look at each.")
    if unknown:
        allowed = ", ".join(f.choices) or "yes, no"
        told.append(f"LOOK: give the meaning of {', '.join(map(repr, unknown[:10]))} in words; allowed: {allowed}.")
    if words and (f.record, f.column) == ("plant", "origin"):
        return Source(column=column, words=words, if_varies="any"), " ".join(told)
    return Source(column=column, words=words), " ".join(told)


def _meaning(f: Field, word: str, header: str) -> str | None:
    plain = plain_name(word) or word
    if f.type == "yes_no":
        if plain in ("true", "yes", "y", "t", "sim", "si", "oui", "1"):
            return "yes"
        return "no" if plain in ("false", "no", "n", "f", "nao", "non", "0") else None
    same = next((c for c in f.choices if plain_name(c) == plain), None)
    if same:
        return same
    asked = name_and_unit(header)[0]
    if (f.record, f.column) == ("visit", "status"):
        if asked == "dead":
            turned = {"alive": "dead confirmed", "dead confirmed": "alive"}
            return turned.get(SURVIVAL_WORDS.get(plain, ""))
        return STATUS_WORDS.get(plain) or SURVIVAL_WORDS.get(plain)
    if (f.record, f.column) == ("plant", "origin") and ("sdlg" in asked or "seedling" in asked):
        return {"alive": "seedling", "dead confirmed": "found as adult"}.get(SURVIVAL_WORDS.get(plain, ""))
    return RECORD_WORDS.get((f.record, f.column), {}).get(plain)


def _spellings(look: Look) -> str:
    """Give groups of texts that differ in capitals, blanks, accents or signs only."""
    if look.numeric or look.distinct > 300:
        return ""
    groups: dict[str, list[str]] = {}
    for word in look.words:
        groups.setdefault(plain_name(word).replace("_", ""), []).append(word)
    return "; ".join(" = ".join(map(repr, g)) for g in groups.values() if len(g) > 1)


def _names_told(kind: str, look: Look) -> str:
    """Say which lines make one name of several spellings."""
    words = list(look.words)
    plain = [plain_name(w).replace("_", "") for w in words]
    lines = [
        f'"{w}" = "{words[plain.index(p)]}"' for w, p in zip(words, plain, strict=True) if w != words[plain.index(p)]
    ]
    more = " and so on" if len(lines) > _LINES_TOLD else ""
    return f"end this file with [names.{kind}] and below it, one a line: {', '.join(lines[:_LINES_TOLD])}{more}"


@dataclass
class Draft:
    """A mapping while it is being made.

    Attributes
    ----------
    table : TextTable
    looks : mapping of str to Look
    columns : mapping of Target to str
    repeats : Repeats
    shape : str
    parts, notes, aliases : dict
        What the mapping will hold.
    used : set of str
        Headers that are mapped.
    given : dict of Target to tuple of str
        Fields that have a source, and their headers.
    """

    table: TextTable
    looks: Mapping[str, Look]
    columns: Mapping[Target, str]
    repeats: Repeats
    shape: Shape
    parts: dict[str, Part] = field(default_factory=dict)
    notes: dict[str, str] = field(default_factory=dict)
    aliases: dict[str, tuple[str, ...]] = field(default_factory=dict)
    used: set[str] = field(default_factory=set)
    given: dict[Target, tuple[str, ...]] = field(default_factory=dict)

    def add(self, kind: str, name: str, source: Source, note: str, headers: Sequence[str]) -> None:
        """Add one field."""
        old = self.parts.get(kind, Part(kind))
        self.parts[kind] = Part(kind, old.key, old.find_by, {**old.fields, name: source})
        self.notes[f"{kind}.{name}"] = note
        self.used |= set(headers)
        self.given[kind, name] = tuple(headers)

    def wanted(self, kind: str, name: str) -> bool:
        """Tell whether a field has a meaning where one row is what it is here."""
        if kind in ("place", "plant", "tag"):
            return (kind, name) != ("tag", "former_tag") or self.shape == "tag change"
        if kind in ("visit", "occupancy", "round"):
            return self.shape in ("visit", "pair of years") or (
                self.shape == "plant with repeated groups" and (kind, name) != ("visit", "when")
            )
        if kind == "place_visit":
            return self.shape == "place visit"
        return self.shape == "quantities"

    def alias(self, name: str, headers: tuple[str, ...]) -> str:
        """Give a name to headers that follow no pattern, and how a mapping writes it."""
        made = f"{name}_columns"
        self.aliases[made] = headers
        return f"{{{made}}}"

    def _named(self, key: Key) -> list[str]:
        return [self.columns[part] for part in key.parts]

    def one_for_each(self, key: Key, column: str) -> bool:
        """Tell whether a column holds the same for all rows of a plant."""
        names = self._named(key)
        return self.table.rows.select(names).n_unique() == self.table.rows.select([*names, column]).n_unique()

    def told_twice(self, key: Key) -> str:
        """Say how many rows share plant and date with another."""
        when = self.given.get(("visit", "when"), ())
        if self.shape == "plant with repeated groups":
            names, what = self._named(key), "name the same plant as another"
        elif self.shape == "visit" and when:
            names, what = [*self._named(key), *when], "share plant and date with another"
        else:
            return ""
        several = int(self.table.rows.select(pl.struct(names).is_duplicated().alias("d"))["d"].sum())
        return f" LOOK: {several:,} rows {what}." if several else ""

    def joined_look(self, headers: Sequence[str]) -> Look:
        """Look at several columns as if they were one."""
        cells = pl.concat([self.table.rows[h].alias("cells") for h in headers])
        return look_at_cells(headers[0], cells)

    def finish_shape(self) -> None:
        """Give the dates and notes of the row to the kind that the row stands for, and drop what cannot be said."""
        dated = {"tag change": ("tag", "borne"), "place visit": ("place_visit", "when")}.get(self.shape)
        noted = {"tag change": "tag", "place visit": "place_visit", "place": "place", "plant": "plant"}.get(self.shape)
        when, note = self.columns.get(("visit", "when")), self.columns.get(("visit", "note"))
        if dated and when:
            self.add(*dated, *field_source("visit", "when", self.looks[when]), (when,))
        if noted and note:
            self.add(noted, "note", Source(column=note), f"{self.looks[note].told()}.", (note,))
        while kind := next((k for k in self.parts if not self._means_something(k)), ""):
            del self.parts[kind]
            for target in [t for t in self.given if t[0] == kind]:
                self.used -= set(self.given.pop(target))
        needs = {"visit": "visit", "place": "place", "plant": "plant", "place visit": "place_visit"}
        need = needs.get(self.shape, "")
        if need:
            self.parts.setdefault(need, Part(need))

    def _means_something(self, kind: str) -> bool:
        """Tell whether a record of this kind has all that it cannot do without."""
        part = self.parts[kind]
        if kind == "plant":
            return bool(part.key or part.find_by)
        for f in fields_of(kind):
            there = f.column in part.fields or (f.type == "link" and f.target in self.parts)
            if f.needed and not there and (kind, f.column) != ("occupancy", "looked"):
                return kind == "tag" and self.shape == "tag change"
        return True

    def skip_rows(self) -> int:
        """Give the number of rows above the header that the table was read with."""
        return 0 if self.table.header_row <= 1 else self.table.header_row - 1

    def lacking(self) -> list[str]:
        """Say which fields that a visit cannot do without were not found."""
        wanted = {("visit", "when"): "the date of the visit", ("visit", "status"): "whether the plant was alive"}
        found = [told for target, told in wanted.items() if target not in self.given]
        if "plant" not in self.parts or not (self.parts["plant"].key or self.parts["plant"].find_by):
            found.append("what tells one plant from another")
        return found
