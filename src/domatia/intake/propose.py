"""Look at a table and propose its mapping file, with the reason for every line; a person edits it afterwards."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import polars as pl

from domatia.intake.mapping import Groups, Part, Quantity, Shape, Source, TableForm, TableMapping
from domatia.intake.mapping_text import mapping_text
from domatia.intake.propose_columns import Look, look_at
from domatia.intake.propose_fields import Draft, field_source, find_columns, find_record
from domatia.intake.propose_shape import Repeats, find_key, find_repeats, find_shape, repeated_columns, year_named
from domatia.intake.propose_words import (
    DAY_COLUMNS,
    HEADERS,
    STATUS_WORDS,
    TREATMENT_ROLES,
    name_and_unit,
    plain_name,
)
from domatia.intake.text_table import TextTable

_OF_ROW: dict[Shape, str] = {
    "visit": "visit",
    "plant with repeated groups": "plant",
    "pair of years": "visit",
    "plant": "plant",
    "place": "place",
    "tag change": "tag",
    "place visit": "place_visit",
    "quantities": "",
}


@dataclass(frozen=True)
class Proposal:
    """A proposed mapping.

    Attributes
    ----------
    mapping : TableMapping
    notes : mapping of str to str
        Reasons, by section, field or quantity, as `mapping_text` takes them.
    shape_reason : str
        Why one row was taken for what it was taken for.
    text : str
        The mapping file: TOML with the reasons as comments.
    """

    mapping: TableMapping
    notes: Mapping[str, str]
    shape_reason: str
    text: str


def propose(table: TextTable) -> Proposal:
    """Propose a mapping for a table.

    Nothing is decided behind the user's back: where day and month, or the meaning of a word, cannot be told, the line
    is left open, the comment says so, and the dry run of the import will name the cells.

    Parameters
    ----------
    table : TextTable

    Returns
    -------
    Proposal
        Its text reads back as its mapping.
    """
    looks = look_at(table)
    repeats = find_repeats(table.header)
    columns = with_status(find_columns(looks, repeats), looks, repeats)
    shape, why = find_shape(table, columns, looks, repeats)
    undated = ("visit", "when") not in columns and not year_named(table)
    if shape in ("visit", "pair of years") and undated and ("visit", "when") not in repeated_columns(repeats):
        shape, why = "quantities", f"{why}, but no column holds a date; if you know it, add when under [visit]"
    if shape not in ("plant with repeated groups", "pair of years"):
        repeats = Repeats()
    kind, own = find_record(looks)
    if kind and not repeats.names and len(own) > sum(1 for k, _ in columns if k in ("visit", "occupancy")):
        shape, why = "quantities", f"its columns are those of the record {kind!r}"
        columns = {
            **{t: c for t, c in columns.items() if t[0] not in ("visit", "occupancy") and c not in own.values()},
            **own,
        }
    draft = Draft(table, looks, columns, repeats, shape)
    _fill_plain(draft)
    _fill_repeated(draft)
    _fill_status(draft)
    _fill_stage(draft)
    _fill_day(draft)
    _fill_key(draft)
    _fill_treatment(draft)
    draft.finish_shape()
    quantities = _rest(draft)
    form = _table_form(draft)
    mapping = TableMapping(form, draft.parts, quantities, _groups(draft))
    draft.notes["table"] = _opening(draft, form, why)
    return Proposal(mapping, draft.notes, why, mapping_text(mapping, draft.notes))


def with_status(
    columns: dict[tuple[str, str], str], looks: dict[str, Look], repeats: Repeats
) -> dict[tuple[str, str], str]:
    """Take for the status the column whose cells say alive and dead, where no header names one."""
    status = ("visit", "status")
    if status in columns or status in repeated_columns(repeats):
        return columns
    free = {("visit", "condition"), ("visit", "note")}
    taken = {c for t, c in columns.items() if t not in free}
    for name, look in looks.items():
        meant = {STATUS_WORDS.get(plain_name(w), "") for w in look.words if len(plain_name(w)) > 1}
        said = sum(n for w, n in look.words.items() if plain_name(w) in STATUS_WORDS)
        if name not in taken and {"alive", "dead confirmed"} <= meant and said >= 0.9 * look.said > 0:
            return {**{t: c for t, c in columns.items() if c != name}, status: name}
    return columns


def _fill_plain(draft: Draft) -> None:
    """Add the fields whose columns are not repeated."""
    for (kind, name), column in draft.columns.items():
        if name == "@key" or kind == "treatment":
            continue
        if not draft.wanted(kind, name):
            continue
        source, note = field_source(kind, name, draft.looks[column])
        headers: tuple[str, ...] = (column,)
        if (kind, name) == ("place", "name"):
            source, note, headers = _whole_place(draft, source, note)
        draft.add(kind, name, source, note, headers)


def _whole_place(draft: Draft, source: Source, note: str) -> tuple[Source, str, tuple[str, ...]]:
    """Name a place with the larger place where the same name stands in several of them."""
    site, plot = draft.columns.get(("place", "within")), source.column
    if not site:
        return source, note, (plot,)
    several = draft.table.rows.group_by(plot).agg(pl.col(site).n_unique())[site].gt(1).sum()
    if not several:
        return source, note, (plot,)
    told = f"{note} {several:,} of these names stand in more than one {site!r}: both together name the place."
    return Source(columns=(site, plot), join="-"), told, (site, plot)


def _fill_day(draft: Draft) -> None:
    """Join year, month and day where they stand in columns of their own."""
    plain = {name_and_unit(name)[0]: name for name in reversed(draft.table.header)}
    found = [next((plain[w] for w in words if w in plain), "") for words in DAY_COLUMNS]
    target = next((t for t in (("visit", "when"), ("tag", "borne"), ("place_visit", "when")) if t in draft.given), None)
    year, month, day = found
    if target is None or draft.repeats.names or not month or draft.parts[target[0]].fields[target[1]].column != year:
        return
    columns, form = ((year, month, day), "yyyy-mm-dd") if day else ((year, month), "yyyy-mm")
    named = not draft.looks[month].numeric
    note = f"Joined from columns of their own; months {draft.looks[month].told()}."
    form = form.replace("mm", "mon") if named else form
    draft.add(*target, Source(columns=columns, join="-", date=(form,)), note, columns)


def _fill_repeated(draft: Draft) -> None:
    """Add the fields whose columns are repeated in groups."""
    repeats = draft.repeats
    if not repeats.names:
        return
    for (kind, name), stem in repeated_columns(repeats).items():
        column = repeats.template(stem)
        if not column:
            column = draft.alias(name, repeats.stems[stem])
        headers = [h for h in repeats.stems[stem] if h]
        source, note = field_source(kind, name, draft.joined_look(headers), column)
        draft.add(kind, name, source, note, tuple(headers))
    if not repeats.years_later:
        draft.add("visit", "when", Source(column="@group"), "The year is the name of the group of columns.", ())


_ALIVE = ("height_cm", "basal_mm", "shoots", "leaves", "domatia", "flowers", "fruits")


def _fill_status(draft: Draft) -> None:
    """Say how it is known whether the plant was alive, where no column says so for every visit."""
    fields = draft.parts["visit"].fields if "visit" in draft.parts else {}
    measured = tuple(fields[name].column for name in _ALIVE if name in fields)
    asked = draft.columns.get(("visit", "status"))
    repeated = ("visit", "status") in repeated_columns(draft.repeats)
    if draft.repeats.years_later and asked and not repeated:
        column = draft.alias("status", ("", asked))
        source, note = field_source("visit", "status", draft.looks[asked], column)
        note += " It speaks of the second year; in the first a plant is alive where something was measured."
        draft.add("visit", "status", replace(source, alive_if=measured), note, (asked,))
    elif ("visit", "status") not in draft.given and measured:
        note = "LOOK: no column says whether the plant was alive; it is taken as alive where something was measured."
        draft.add("visit", "status", Source(alive_if=measured), note, ())


def _fill_stage(draft: Draft) -> None:
    """Say how far a colony had come, where a column names the ant and none its stage."""
    fields = draft.parts["occupancy"].fields if "occupancy" in draft.parts else {}
    if "taxon" not in fields or "stage" in fields or draft.shape not in ("visit", "pair of years"):
        return
    taxon = fields["taxon"]
    note = (
        "LOOK: no column says how far the colony had come; where an ant is named, its workers are taken to have "
        "patrolled. Write founding queen, established or another stage for * if that is truer."
    )
    source = Source(column=taxon.column, words={"*": "patrolling"}, codes=taxon.codes)
    draft.add("occupancy", "stage", source, note, draft.given["occupancy", "taxon"])


def _fill_key(draft: Draft) -> None:
    if draft.shape in ("visit", "pair of years") and ("visit", "when") not in draft.given:
        told = "LOOK: no column holds the date; this year stands in the name of the file or sheet."
        draft.add("visit", "when", Source(value=year_named(draft.table)), told, ())
    key = find_key(draft.table, draft.columns)
    if key is None:
        return
    by_tag = draft.shape == "tag change" and ("plant", "@key") not in draft.columns
    own = draft.columns.get(("plant", "@key"), "")
    named = tuple(own if part == ("plant", "@key") else ".".join(part) for part in key.parts)
    old = draft.parts.get("plant", Part("plant"))
    draft.parts["plant"] = Part("plant", () if by_tag else named, "tag" if by_tag else "", old.fields)
    draft.notes["plant"] = (
        "The plant is found by its tag, its place and the date."
        if by_tag
        else f"Plants are told apart by {key.reason}{draft.told_twice(key)}"
    )
    draft.used |= {own} if own else set()


def _fill_treatment(draft: Draft) -> None:
    column = draft.columns.get(("treatment", "name"))
    if not column or ("plant" not in draft.parts and draft.shape != "quantities") or draft.looks[column].distinct > 12:
        return
    key = find_key(draft.table, draft.columns)
    if key is not None and not draft.one_for_each(key, column):
        return
    words = {w: _role(w) for w in draft.looks[column].words}
    note = f"{draft.looks[column].told()}. The roles were guessed from the names: look at each."
    draft.add("treatment", "name", Source(column=column), draft.looks[column].told() + ".", (column,))
    draft.add("treatment", "role", Source(column=column, words=words), note, (column,))
    draft.parts.setdefault("assignment", Part("assignment"))


def _role(word: str) -> str:
    plain = plain_name(word)
    return next((role for role, pieces in TREATMENT_ROLES if any(p in plain for p in pieces)), "other")


def _rest(draft: Draft) -> tuple[Quantity, ...]:
    """Give a quantity for every column that no field takes."""
    found = []
    of = _OF_ROW[draft.shape]
    of = of if of in draft.parts else ("plant" if "plant" in draft.parts else "")
    for name in draft.table.header:
        if name in draft.used or name in draft.repeats.headers & draft.used:
            continue
        look = draft.looks[name]
        if not look.said:
            continue
        note = f"No field of this name is known, so it comes in as a quantity. It holds {look.told()}."
        if look.numeric and not name_and_unit(name)[1]:
            note += ' LOOK: if it has a unit, write unit = "…".'
        if look.yes_no and HEADERS.get(name_and_unit(name)[0]) == ("occupancy", "taxon"):
            note += (
                " LOOK: if it says whether somebody looked for ants, write it under [occupancy] as looked; if it says "
                "whether there were any, the name of the ant should say so."
            )
        codes = look.codes() if look.numeric else {}
        found.append(Quantity(column=name, of=of, unit=name_and_unit(name)[1], codes=codes))
        draft.notes[f"quantity.{name}"] = note
    return tuple(found)


def _groups(draft: Draft) -> Groups:
    repeats = draft.repeats
    return Groups(repeats.names, repeats.years_later, draft.aliases) if repeats.names else Groups()


def _table_form(draft: Draft) -> TableForm:
    looks = list(draft.looks.values())
    blanks = sorted({w for look in looks for w in look.blanks})
    points, commas = sum(k.points for k in looks), sum(k.commas for k in looks)
    table = draft.table
    codes = {f.code for f in table.findings}
    clock = any(k.clock for k in looks)
    return TableForm(
        time_zone="UTC" if clock else "",
        file=table.name,
        row=draft.shape,
        sheet=table.sheet,
        encoding=table.encoding if "encoding_guessed" in codes or table.encoding not in ("", "utf-8") else "",
        delimiter=table.delimiter if "delimiter_guessed" in codes else "",
        decimal="," if commas > points else ".",
        skip_rows=draft.skip_rows(),
        blank=("", *blanks),
        leave_out=tuple(c for c in table.header if not draft.looks[c].said and c not in draft.used),
    )


def _doubtful_blanks(draft: Draft) -> list[str]:
    """Warn of a word for blank that may well mean none where ants are named."""
    column = draft.columns.get(("occupancy", "taxon"), "")
    dashes = [w for w in (draft.looks[column].blanks if column else ()) if set(w) <= {"-", "."}]
    return [
        f"LOOK: in {column!r} {w!r} may mean that somebody looked and there was none; then take it out of blank and "
        f'write it among the codes of that column: none = ["{w}"].'
        for w in dashes
    ]


def _opening(draft: Draft, form: TableForm, why: str) -> str:
    """Say in a few lines what the table is and what is to be looked at."""
    looks = list(draft.looks.values())
    points, commas = sum(k.points for k in looks), sum(k.commas for k in looks)
    lines = [
        f"Proposed from {draft.table.name}: {draft.table.rows.height:,} rows, {len(draft.table.header)} columns.",
        "Read every line, mend what is wrong, then try the import without writing.",
        f"One row was taken for: {draft.shape}, because {why}.",
    ]
    if points and commas:
        few = min(points, commas)
        lines.append(
            f"LOOK: {points:,} numbers have a decimal point and {commas:,} a decimal comma; {few:,} are refused."
        )
    elif points or commas:
        lines.append(f"Decimal sign: {form.decimal!r}, in {max(points, commas):,} numbers.")
    counts: dict[str, int] = {}
    for look in looks:
        for word, n in look.blanks.items():
            counts[word] = counts.get(word, 0) + n
    if counts:
        shown = ", ".join(f"{w!r} {n:,} times" for w, n in sorted(counts.items()))
        lines.append(f"Taken for blank in every column: {shown}; empty cells always are.")
    lines += _doubtful_blanks(draft)
    if form.time_zone:
        lines.append("LOOK: clock times were taken for UTC; write the study's own time zone, such as America/Manaus.")
    if draft.shape in ("visit", "pair of years") and "visit" in draft.parts:
        lines += [f"LOOK: no column was found for {what}." for what in draft.lacking()]
    lines += list(draft.table.notes)
    return "\n".join(lines)
