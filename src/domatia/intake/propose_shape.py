"""What one row of a table is: repeated groups of columns, keys, and the shape that follows from them."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from domatia.intake.mapping import Shape
from domatia.intake.propose_columns import Look
from domatia.intake.propose_words import HEADERS, name_and_unit, plain_name
from domatia.intake.text_table import TextTable

Target = tuple[str, str]


@dataclass(frozen=True)
class Repeats:
    """Groups of columns that are repeated in a row.

    Attributes
    ----------
    names : tuple of str
        Names of the groups, such as years.
    stems : mapping of str to tuple of str
        Plain name of what is repeated to its header in each group, empty where a group lacks it.
    years_later : tuple of int
        For a pair of years.
    """

    names: tuple[str, ...] = ()
    stems: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    years_later: tuple[int, ...] = ()

    @property
    def headers(self) -> frozenset[str]:
        """Every header that belongs to a group."""
        return frozenset(h for headers in self.stems.values() for h in headers if h)

    def template(self, stem: str) -> str:
        """Give the header with `{group}` in the group's place; empty if the headers follow no pattern."""
        headers = self.stems[stem]
        for name in self.names[:1]:
            for m in re.finditer(re.escape(name), headers[0]):
                made = headers[0][: m.start()] + "{group}" + headers[0][m.end() :]
                if all(made.replace("{group}", n) == h for n, h in zip(self.names, headers, strict=True)):
                    return made
        return ""


_YEAR_LAST = re.compile(r"(.*?[^\d])[ _.\-]?((?:19|20)\d\d)")
_YEAR_FIRST = re.compile(r"((?:19|20)\d\d)[ _.\-]?([^\d].*)")
_PAIRS = (
    ("t", "t1"), ("t0", "t1"), ("t1", "t2"), ("t", "tplus1"), ("1", "2"), ("0", "1"), ("initial", "final"),
    ("first", "second"), ("now", "next"), ("start", "end"),
)  # fmt: skip


def find_repeats(header: Sequence[str]) -> Repeats:
    """Find columns that are repeated once a year, or twice for a pair of years."""
    return _yearly(header) or _pair(header) or Repeats()


def _yearly(header: Sequence[str]) -> Repeats | None:
    found: dict[str, dict[str, str]] = {}
    for name in header:
        m = _YEAR_LAST.fullmatch(name)
        stem, year = (m[1], m[2]) if m else ("", "")
        if not m and (m := _YEAR_FIRST.fullmatch(name)):
            year, stem = m[1], m[2]
        stem = stem.strip(" _.-").lower()
        if stem:
            found.setdefault(stem, {}).setdefault(year, name)
    names = tuple(sorted({y for years in found.values() if len(years) >= 2 for y in years}))
    often = {stem: years for stem, years in found.items() if set(years) <= set(names)}
    if not names:
        return None
    return Repeats(names, {s: tuple(years.get(y, "") for y in names) for s, years in often.items()})


def _pair(header: Sequence[str]) -> Repeats | None:
    for first, second in _PAIRS:
        stems: dict[str, tuple[str, ...]] = {}
        for name in header:
            m = re.fullmatch(rf"(.*[^\d])[ _.\-]?({first})", name, re.IGNORECASE)
            if m is None or (first.isalpha() and not re.search(r"[ _.\-]$", name[: m.start(2)])):
                continue
            other = next((h for h in header if h.lower() == name[: m.start(2)].lower() + second), "")
            if other:
                stems[m[1].strip(" _.-").lower()] = (name, other)
        measured = [s for s in stems if HEADERS.get(name_and_unit(s)[0], ("",))[0] == "visit" or s == "size"]
        if measured:
            return Repeats((first, second), stems, (0, 1))
    return None


@dataclass(frozen=True)
class Key:
    """What tells one plant from another.

    Attributes
    ----------
    parts : tuple of Target
        Fields, or ("plant", "@key") for the column of the plant's own number.
    reason : str
    """

    parts: tuple[Target, ...]
    reason: str


def find_key(table: TextTable, columns: Mapping[Target, str]) -> Key | None:
    """Choose the columns that name a plant: its own number, with the place where numbers begin anew in each."""
    own, place, tag = columns.get(("plant", "@key")), columns.get(("place", "name")), columns.get(("tag", "tag"))
    if own and tag and _blank(table, own) > max(_blank(table, tag), 0.01 * table.rows.height):
        own = None
    name, target = (own, ("plant", "@key")) if own else (tag, ("tag", "tag"))
    if not name:
        return None
    what = "the plant's own number" if own else "the tag, since no column numbers all the plants themselves"
    if not place:
        return Key((target,), f"{name!r}, {what}.")
    places = table.rows.lazy().filter(pl.col(name).str.strip_chars() != "").group_by(name).agg(pl.col(place).n_unique())
    several = int(places.collect()[place].gt(1).sum())
    if several or not own:
        why = f"{several:,} of its values stand in more than one place" if several else "tags begin anew in each place"
        return Key((("place", "name"), target), f"{place!r} and {name!r}, {what}; {why}.")
    return Key((target,), f"{name!r}, {what}; each of its values stands in one place.")


def _blank(table: TextTable, column: str) -> int:
    return int(table.rows[column].fill_null("").str.strip_chars().is_in(["", "NA", "."]).sum())


def find_shape(
    table: TextTable, columns: Mapping[Target, str], looks: Mapping[str, Look], repeats: Repeats
) -> tuple[Shape, str]:
    """Choose what one row is, with the reason."""
    named = bool({("plant", "@key"), ("tag", "tag")} & set(columns))
    if repeats.years_later and named:
        return "pair of years", f"columns come in pairs ending in {' and '.join(repeats.names)}"
    if repeats.names and named and any(t[0] == "visit" for t in repeated_columns(repeats)):
        return (
            "plant with repeated groups",
            f"{len(repeats.stems)} kinds of column are repeated from {repeats.names[0]} to {repeats.names[-1]}",
        )
    if ("tag", "former_tag") in columns and ("tag", "tag") in columns:
        return "tag change", "there is a column for the old tag and one for the new"
    dated = ("visit", "when") in columns or ("round", "name") in columns
    if not named:
        return _without_plants(table, columns, looks, dated)
    if dated and _repeats_itself(table, columns):
        return "visit", "the same plants stand in several rows, each with a date"
    measured = any(kind in ("visit", "occupancy") for kind, name in columns if name not in ("when", "note", "observer"))
    if measured:
        return "visit", f"each row has a plant{', a date' if dated else ''} and something that was seen"
    if any(kind in ("plant", "place", "tag") for kind, name in columns if name not in ("@key", "tag", "name")):
        return "plant", "each row has a plant and what it is, and no date of a visit"
    return ("visit", "each row has a plant and a date") if dated else ("quantities", "each row has a plant and values")


def repeated_columns(repeats: Repeats) -> dict[Target, str]:
    """Give the fields of a visit that are repeated, with the plain name of what is repeated."""
    found: dict[Target, str] = {}
    for stem in repeats.stems:
        target = HEADERS.get(plain_name(stem)) or HEADERS.get(name_and_unit(stem)[0])
        if stem == "size":
            target = ("visit", "height_cm")
        if target and target[0] in ("visit", "occupancy"):
            found.setdefault(target, stem)
    return found


def year_named(table: TextTable) -> str:
    """Give the one year that stands in the name of the file or the sheet; empty if there is none, or several."""
    found = set(re.findall(r"(?<!\d)(?:19|20)\d\d(?!\d)", f"{table.sheet} {table.name}"))
    return found.pop() if len(found) == 1 else ""


def _without_plants(
    table: TextTable, columns: Mapping[Target, str], looks: Mapping[str, Look], dated: bool
) -> tuple[Shape, str]:
    place = columns.get(("place", "name"))
    if place and ("visit", "when") in columns and ("place_visit", "searched") in columns:
        return "place visit", "each row has a place, a date and how it was searched, and no plant"
    if place and looks[place].distinct == table.rows.height and not dated:
        return "place", "each row has a place of its own, and no plant"
    return "quantities", "no column names a plant, or a place of its own in each row"


def _repeats_itself(table: TextTable, columns: Mapping[Target, str]) -> bool:
    key = find_key(table, columns)
    if key is None:
        return False
    names = [columns[p] for p in key.parts]
    return table.rows.select(names).n_unique() < 0.8 * table.rows.height
