"""Convert the cells of one column, last of all; every cell that cannot be converted is named."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches

import polars as pl

from domatia.intake.codes import blanks, code_met, without_blanks
from domatia.intake.convert_units import factor
from domatia.intake.dates_read import read_dates, time_zone
from domatia.intake.mapping import Source, TableMapping
from domatia.intake.shapes import Rows, repeated
from domatia.model import Field, Finding, Where
from domatia.model.finding import Severity

MOST_LISTED = 1000
"""Bad cells of one kind in one column that are listed one by one; a last finding counts the rest."""

_NUMBER = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$"
_WHOLE = 2.0**53
_LONGEST_SHOWN = 200
_YES = ("yes", "true", "y")
_NO = ("no", "false", "n")
_PEOPLE = ("observer", "observers", "operator", "determined_by")


@dataclass(frozen=True)
class Converted:
    """One field's values in every row.

    Attributes
    ----------
    field : Field
    values : polars.DataFrame
        The field's stored columns; for a link one String column with the name of the thing.
    text : polars.Series
        The cell as written, null where it says nothing.
    code : polars.Series
        The code that the cell stands for, null where it is none.
    bad : polars.Series
        True where the cell could not be converted.
    varying : bool
        The column changes from group to group.
    constant : bool
        A constant of the mapping.
    """

    field: Field
    values: pl.DataFrame
    text: pl.Series
    code: pl.Series
    bad: pl.Series
    varying: bool
    constant: bool

    @property
    def said(self) -> pl.Series:
        """True where the cell says anything."""
        return self.text.is_not_null()

    def with_values(self, values: pl.Series) -> "Converted":
        """Give the same field with other values in its (first) stored column."""
        return self.with_frame(self.values.with_columns(values.alias(self.values.columns[0])))

    def with_frame(self, values: pl.DataFrame) -> "Converted":
        """Give the same field with other stored columns."""
        return replace(self, values=values)


@dataclass(frozen=True)
class _Problem:
    code: str
    mask: pl.Series
    expected: str
    remedy: str
    severity: Severity = "error"


def names_of(field: Field, mapping: TableMapping) -> Mapping[str, str]:
    """Give the synonyms that apply to a field: to a thing's own name and to links to it."""
    if field.type == "link":
        return mapping.names.get(field.target, {})
    if field.column in _PEOPLE:
        return mapping.names.get("person", {})
    if field.column in ("name", "number"):
        return mapping.names.get(field.record, {})
    if field.column in ("species", "host"):
        return mapping.names.get("plant", {})
    return {}


def _cell(source: Source, nothing: Sequence[str]) -> pl.Expr:
    if source.value:
        return pl.lit(source.value)
    if source.column:
        return without_blanks(pl.col(source.column), nothing)
    if source.columns:
        parts = [without_blanks(pl.col(c), nothing) for c in source.columns]
        said = pl.any_horizontal([p.is_not_null() for p in parts])
        joined = pl.concat_str([p.fill_null("") for p in parts], separator=source.join)
        return pl.when(said).then(joined).otherwise(None)
    return pl.lit(None, dtype=pl.String)


def convert(rows: Rows, field: Field, source: Source, mapping: TableMapping) -> tuple[Converted, tuple[Finding, ...]]:
    """Convert one field of every row.

    Returns
    -------
    Converted
    tuple of Finding
        One for each cell that could not be converted (see `MOST_LISTED`).
    """
    nothing = blanks(mapping.table.blank, source.codes)
    read = rows.frame.select("@i", _cell(source, nothing).alias("text")).drop("@i")
    read = read.with_columns(code_met(pl.col("text"), source.codes).alias("code"))
    read = _with_words(read, {**names_of(field, mapping), **source.words})
    values, problems = _typed(read, rows, field, source, mapping)
    bad = _never(read.height)
    findings: list[Finding] = []
    for problem in problems:
        bad = bad | problem.mask
        findings += _told(rows, source, read["text"], problem)
    varying = any(repeated(c) for c in source.read)
    done = Converted(field, values, read["text"], read["code"], bad, varying, bool(source.value))
    return done, tuple(findings)


def _with_words(read: pl.DataFrame, words: Mapping[str, str]) -> pl.DataFrame:
    """Put the meaning in the place of each word; a word that means nothing makes the cell blank."""
    uncoded = pl.col("code").is_null()
    if not words:
        return read.with_columns(pl.when(uncoded).then("text").alias("value"))
    named = {w: v or None for w, v in words.items() if w != "*"}
    value = pl.col("text").replace(list(named), list(named.values())) if named else pl.col("text")
    silent = pl.col("text").is_in([w for w, v in named.items() if v is None])
    if "*" in words:
        other = ~pl.col("text").is_in(list(named))
        value = pl.when(other).then(pl.lit(words["*"] or None, dtype=pl.String)).otherwise(value)
        silent = silent | (other & uncoded) if not words["*"] else silent
    return read.with_columns(
        pl.when(uncoded & pl.col("text").is_not_null()).then(value).alias("value"),
        pl.when(silent).then(None).otherwise("text").alias("text"),
    )


def _typed(
    read: pl.DataFrame, rows: Rows, field: Field, source: Source, mapping: TableMapping
) -> tuple[pl.DataFrame, list[_Problem]]:
    if field.type in ("integer", "number"):
        return _numbers(read, rows, field, source, mapping)
    if field.type == "yes_no":
        return _yes_no(read, field)
    if field.type == "choice":
        return _choice(read, field)
    if field.type in ("date", "instant"):
        return _dates(read, rows, field, source, mapping)
    if (field.record, field.column) == ("round", "name") and not any(repeated(c) for c in source.read):
        read = _rounds_later(read, rows, mapping.groups.years_later)
    return read.select(pl.col("value").alias(field.column)), []


def _rounds_later(read: pl.DataFrame, rows: Rows, later: Sequence[int]) -> pl.DataFrame:
    """Move a round that is named by its year to the year of its group."""
    if not later:
        return read
    step = _steps(rows, later)
    year = pl.col("value").str.extract(r"^([0-9]{4})$").cast(pl.Int64) + pl.lit(step)
    return read.with_columns(pl.coalesce(year.cast(pl.String), "value").alias("value"))


def _steps(rows: Rows, later: Sequence[int]) -> pl.Series:
    return rows.frame.select(
        pl.col("@at").replace_strict(list(range(len(later))), list(later), return_dtype=pl.Int64).alias("y")
    )["y"]


def plain_number(text: pl.Expr, mapping: TableMapping) -> pl.Expr:
    """Write numbers with a point and without separators of thousands; null where the text is no number."""
    decimal, thousands = mapping.table.decimal, mapping.table.thousands
    if thousands:
        groups = rf"^[+-]?[0-9]{{1,3}}({_escaped(thousands)}[0-9]{{3}})*({_escaped(decimal)}[0-9]*)?$"
        text = (
            pl.when(text.str.contains(groups)).then(text.str.replace_all(thousands, "", literal=True)).otherwise(text)
        )
    if decimal != ".":
        # A point is no decimal sign here, so a cell with one is not read as if it were.
        text = pl.when(text.str.contains(".", literal=True)).then(None).otherwise(text)
        text = text.str.replace(decimal, ".", literal=True)
    return pl.when(text.str.contains(_NUMBER)).then(text)


def _escaped(sign: str) -> str:
    return f"\\{sign}" if not sign.isalnum() and not sign.isspace() else sign


def _numbers(
    read: pl.DataFrame, rows: Rows, field: Field, source: Source, mapping: TableMapping
) -> tuple[pl.DataFrame, list[_Problem]]:
    number = plain_number(pl.col("value"), mapping).cast(pl.Float64)
    found = read.with_columns(pl.when(number.is_finite()).then(number).alias("number"))
    wrong = found["value"].is_not_null() & found["number"].is_null()
    scaled = pl.col("number") * factor(source.unit, field.unit)
    if source.unit and factor(source.unit, field.unit) != 1.0:
        scaled = scaled.round(9)
    found = found.with_columns(scaled.alias("number"))
    problems = [_Problem("not_a_number", wrong, f"a number ({field.column})", _number_remedy(mapping))]
    if source.cell:
        found, unplaced = _from_cell_origin(found, rows, source)
        problems.append(
            _Problem("no_such_cell", unplaced, f"a number from 1 or a letter in {source.cell}", "Mend the cell's name.")
        )
    if field.type == "integer":
        broken = (found["number"].is_not_null() & (found["number"] != found["number"].floor())).fill_null(False)
        problems.append(_Problem("not_whole", broken, f"a whole number ({field.column})", "Mend the cell."))
    outside, told = _outside(found["number"], field)
    problems.append(_Problem("out_of_limits", outside, told, "Mend the cell, or the unit in the mapping."))
    none = pl.when(pl.col("code") == "none").then(0.0).otherwise(pl.col("number"))
    found = found.with_columns(none.alias("number"))
    bad = _any_of(problems, found.height)
    dtype = pl.Int64 if field.type == "integer" else pl.Float64
    kept = pl.when(pl.lit(bad)).then(None).otherwise(pl.col("number")).cast(dtype).alias(field.column)
    return found.select(kept), problems


def _outside(value: pl.Series, field: Field) -> tuple[pl.Series, str]:
    """Tell which numbers cannot be, and between which limits they must lie."""
    low, high = field.low, field.high
    if field.type == "integer":
        low = -_WHOLE if low is None else low
        high = _WHOLE if high is None else high
    outside = (~value.is_finite()).fill_null(False)
    if low is not None:
        outside = outside | (value < low).fill_null(False)
    if high is not None:
        outside = outside | (value > high).fill_null(False)
    limits = f"{'' if low is None else f'at least {low:g}'}{'' if high is None else f', at most {high:g}'}"
    return outside, f"{limits.removeprefix(', ') or 'a number'} {field.unit}".rstrip()


def _never(height: int) -> pl.Series:
    return pl.Series([False], dtype=pl.Boolean).new_from_index(0, height)


def _any_of(problems: Sequence[_Problem], height: int) -> pl.Series:
    bad = _never(height)
    for problem in problems:
        bad = bad | problem.mask
    return bad


def _number_remedy(mapping: TableMapping) -> str:
    other = "," if mapping.table.decimal == "." else "."
    return f"Mend the cell, give its code in the mapping, or state decimal = {other!r} if that is the decimal sign."


def _from_cell_origin(found: pl.DataFrame, rows: Rows, source: Source) -> tuple[pl.DataFrame, pl.Series]:
    letters = {chr(ord("A") + n): str(n + 1) for n in range(26)}
    name = pl.col(source.cell).str.strip_chars().replace(letters)
    index = rows.frame.select(pl.when(name.str.contains(r"^[0-9]{1,6}$")).then(name).cast(pl.Float64).alias("n"))["n"]
    unplaced = found["number"].is_not_null() & index.is_null()
    moved = found.with_columns((pl.col("number") + (pl.lit(index) - 1) * source.cell_size_m).round(9).alias("number"))
    return moved, unplaced


def _yes_no(read: pl.DataFrame, field: Field) -> tuple[pl.DataFrame, list[_Problem]]:
    low = pl.col("value").str.to_lowercase()
    value = pl.when(low.is_in(_YES)).then(True).when(low.is_in(_NO)).then(False).alias(field.column)
    values = read.select(value)
    wrong = read["value"].is_not_null() & values[field.column].is_null()
    return values, [_Problem("not_yes_or_no", wrong, "yes or no", "Give words for it in the mapping.")]


def _choice(read: pl.DataFrame, field: Field) -> tuple[pl.DataFrame, list[_Problem]]:
    meant = {c.lower(): c for c in field.choices}
    value = (
        pl.col("value")
        .str.to_lowercase()
        .replace_strict(list(meant), list(meant.values()), default=None, return_dtype=pl.String)
    )
    if "none" in field.choices:
        value = pl.when(pl.col("code") == "none").then(pl.lit("none")).otherwise(value)
    values = read.select(value.alias(field.column))
    wrong = read["value"].is_not_null() & values[field.column].is_null()
    expected = f"one of {', '.join(field.choices)}"
    return values, [_Problem("unknown_word", wrong, expected, "Give the word's meaning in the mapping.")]


def _dates(
    read: pl.DataFrame, rows: Rows, field: Field, source: Source, mapping: TableMapping
) -> tuple[pl.DataFrame, list[_Problem]]:
    texts = sorted(read["value"].drop_nulls().unique().to_list())
    dates = read_dates(texts, source.date, time_zone(mapping.table.time_zone))
    found = read.select("value").join(dates.table, left_on="value", right_on="text", how="left", maintain_order="left")
    later = mapping.groups.years_later
    if later and not any(repeated(c) for c in source.read):
        found = _years_later(found, rows, later)
    stored = dict(zip(("earliest", "latest", "instant"), field.stored_columns, strict=False))
    values = found.select(pl.col(a).alias(b) for a, b in stored.items())
    reasons: dict[str, list[str]] = {}
    for text, reason in dates.wrong.items():
        reasons.setdefault(reason, []).append(text)
    problems = [
        _Problem(
            _date_code(reason),
            found["value"].is_in(of_reason).fill_null(False),
            f"a date: {reason}",
            "State the form of the date in the mapping, or mend the cell.",
        )
        for reason, of_reason in reasons.items()
    ]
    return values, problems


def _date_code(reason: str) -> str:
    if "told apart" in reason:
        return "ambiguous_date"
    if "range" in reason or "must be in" in reason or "no month" in reason:
        return "impossible_date"
    return "date_not_read"


def _years_later(found: pl.DataFrame, rows: Rows, later: Sequence[int]) -> pl.DataFrame:
    years = _steps(rows, later)
    step = pl.concat_str([pl.lit(years).cast(pl.String), pl.lit("y")])
    return found.with_columns(
        pl.col("earliest").dt.offset_by(step),
        pl.col("latest").dt.offset_by(step),
        pl.lit(None, pl.String).alias("instant"),
    )


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST_SHOWN else text[:_LONGEST_SHOWN] + "…"


def _told(rows: Rows, source: Source, text: pl.Series, problem: _Problem) -> list[Finding]:
    column = source.column or ", ".join(source.columns)
    cells = pl.DataFrame({"text": text}).with_columns(rows.frame["@file", "@sheet", "@row", "@at"])
    cells = cells.filter(problem.mask)
    if not any(repeated(c) for c in source.read):
        cells = cells.unique(["@file", "@sheet", "@row"], maintain_order=True)
    found = []
    for written, file, sheet, row, at in cells.head(MOST_LISTED).iter_rows():
        near = get_close_matches(str(written), problem.expected.removeprefix("one of ").split(", "), n=1, cutoff=0.75)
        hint = f" Did you mean {near[0]}?" if near and problem.code == "unknown_word" else ""
        place = Where(file=file, sheet=sheet, row=row, column=rows.header(column, at))
        found.append(
            Finding(
                problem.code,
                problem.severity,
                (place,),
                f"The cell holds {_short(str(written))!r}.",
                f"{problem.expected}.",
                problem.remedy + hint,
                values=(_short(str(written)),),
            )
        )
    more = cells.height - len(found)
    if more > 0:
        place = Where(file=cells["@file"][0], sheet=cells["@sheet"][0], column=column)
        text_ = f"{more:,} more cells of this column hold something of this kind and are not listed one by one."
        found.append(
            Finding(
                problem.code,
                problem.severity,
                (place,),
                text_,
                f"{problem.expected}.",
                problem.remedy,
                values=(str(more),),
            )
        )
    return found
