"""What the cells of a column look like: numbers, dates, years, yes and no, words, blanks, each with its count."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import polars as pl

from domatia.intake.propose_words import BLANK_WORDS, CODE_WORDS, plain_name
from domatia.intake.text_table import TextTable

_POINT = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"
_COMMA = r"^[+-]?\d*,\d+$"
_CLOCK = r"[T ]\d{1,2}:\d{2}(:\d{2})?"
_DATES = {
    "yyyy-mm-dd": r"\d{4}-\d{1,2}-\d{1,2}",
    "yyyy/mm/dd": r"\d{4}/\d{1,2}/\d{1,2}",
    "yyyy-mm": r"\d{4}-\d{2}",
    "dd-mon-yyyy": r"\d{1,2}-[A-Za-z]{3,9}-\d{4}",
    "dd mon yyyy": r"\d{1,2} [A-Za-z]{3,9} \d{4}",
    "mon yyyy": r"[A-Za-z]{3,9} \d{4}",
}
_DAY_MONTH = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2(\d{4}|\d{2})")
_YES_NO = (
    {"true", "false"}, {"yes", "no"}, {"y", "n"}, {"t", "f"}, {"sim", "não"}, {"sim", "nao"}, {"sí", "no"},
    {"si", "no"}, {"oui", "non"},
)  # fmt: skip
_MOST_WORDS = 400
_FEW_WORDS = 4


@dataclass(frozen=True)
class Look:
    """What one column holds.

    Attributes
    ----------
    name : str
        Header in the table.
    said : int
        Cells that are neither empty nor a word for blank.
    empty : int
    blanks : mapping of str to int
        Words for blank with their counts, such as "NA".
    numbers, points, commas : int
        Cells that are numbers; those with a decimal point; those with a decimal comma.
    whole : bool
        All numbers are whole.
    low, high : float
    words : mapping of str to int
        Other cells with their counts, the commonest first, at most some hundred.
    distinct : int
        Different cells among those said.
    dates : tuple of str
        Forms of date that all dates have; empty if they are ISO 8601 or there are none.
    dated : int
        Cells that are dates.
    doubtful_dates : bool
        Day and month cannot be told apart, or both orders occur.
    yes_no : bool
    clock : bool
        Some dates have a clock time without an offset.
    """

    name: str
    said: int = 0
    empty: int = 0
    blanks: Mapping[str, int] = field(default_factory=dict)
    numbers: int = 0
    points: int = 0
    commas: int = 0
    whole: bool = False
    low: float = 0.0
    high: float = 0.0
    words: Mapping[str, int] = field(default_factory=dict)
    distinct: int = 0
    dates: tuple[str, ...] = ()
    dated: int = 0
    doubtful_dates: bool = False
    yes_no: bool = False
    clock: bool = False

    @property
    def numeric(self) -> bool:
        """Mostly numbers, or numbers beside a word or two that stand for something, such as "dead"."""
        if self.said == 0 or self.dated:
            return False
        coded = self.numbers > 1 and self.distinct > 2 and len(self.words) <= _FEW_WORDS and bool(self.codes())
        return self.numbers >= (0.2 if coded else 0.6) * self.said

    @property
    def is_date(self) -> bool:
        """Mostly dates."""
        return self.said > 0 and self.dated >= 0.7 * self.said

    @property
    def is_year(self) -> bool:
        """Nothing but years."""
        return self.numeric and self.whole and self.low >= 1900 and self.high <= 2100

    def codes(self) -> dict[str, tuple[str, ...]]:
        """Give the words that mean something else than a value, by their meaning."""
        found: dict[str, list[str]] = {}
        for word in self.words:
            meaning = CODE_WORDS.get(plain_name(word) or word)
            if meaning:
                found.setdefault(meaning, []).append(word)
        return {code: tuple(words) for code, words in found.items()}

    def told(self) -> str:
        """Say in a sentence what the column holds."""
        parts = []
        if self.dated:
            parts.append(f"{self.dated:,} dates")
        elif self.numbers:
            span = f" from {self.low:g} to {self.high:g}" if self.numbers > 1 else f" ({self.low:g})"
            parts.append(f"{self.numbers:,} {'whole numbers' if self.whole else 'numbers'}{span}")
        if self.words and not self.dated:
            shown = ", ".join(f"{w!r} {n:,}" for w, n in list(self.words.items())[:6])
            more = f" and {len(self.words) - 6} more" if len(self.words) > 6 else ""
            parts.append(f"{'the words ' if self.numbers else ''}{shown}{more}")
        gone = [f"{w!r} {n:,}" for w, n in self.blanks.items()]
        if self.empty:
            gone.append(f"empty {self.empty:,}")
        if gone:
            parts.append(f"blank: {', '.join(gone)}")
        return "; ".join(parts) or "nothing at all"


def look_at(table: TextTable) -> dict[str, Look]:
    """Look at every column of a table."""
    return {name: look_at_cells(name, table.rows[name]) for name in table.header}


def look_at_cells(name: str, cells: pl.Series) -> Look:
    """Look at the cells of one column."""
    plain = cells.fill_null("").str.strip_chars().alias("text")
    counts = plain.value_counts(name="n").sort("n", "text", descending=[True, False])
    low = pl.col("text").str.to_lowercase()
    counts = counts.with_columns(
        low.is_in(list(BLANK_WORDS)).alias("blank"),
        (pl.col("text").str.contains(_POINT) | pl.col("text").str.contains(_COMMA)).alias("number"),
        pl.col("text").str.replace(",", ".", literal=True).cast(pl.Float64, strict=False).alias("value"),
    )
    empty = int(counts.filter(pl.col("text") == "")["n"].sum())
    blank = counts.filter(pl.col("blank") & (pl.col("text") != ""))
    said = counts.filter(~pl.col("blank") & (pl.col("text") != ""))
    numbers = said.filter("number")
    words = said.filter(~pl.col("number"))
    forms, dated, doubtful = _date_forms(words) if words.height else ((), 0, False)
    values = numbers["value"]
    return Look(
        name=name,
        said=int(said["n"].sum()),
        empty=empty,
        blanks=dict(blank.select("text", "n").iter_rows()),
        numbers=int(numbers["n"].sum()),
        points=int(numbers.filter(pl.col("text").str.contains(".", literal=True))["n"].sum()),
        commas=int(numbers.filter(pl.col("text").str.contains(",", literal=True))["n"].sum()),
        whole=bool(numbers.height and (values == values.round(0)).all()),
        low=float(_or_nought(values.min())),
        high=float(_or_nought(values.max())),
        words=dict(words.select("text", "n").head(_MOST_WORDS).iter_rows()),
        distinct=said.height,
        dates=forms,
        dated=dated,
        doubtful_dates=doubtful,
        yes_no=_is_yes_no(said),
        clock=dated > 0 and bool(words["text"].str.contains(_CLOCK + "$").any()),
    )


def _or_nought(value: object) -> float:
    return float(value) if isinstance(value, int | float) else 0.0


def _is_yes_no(said: pl.DataFrame) -> bool:
    texts = {str(t).lower() for t in said["text"].head(3).to_list()}
    return bool(texts) and said.height <= 2 and any(texts <= pair for pair in _YES_NO)


def _date_forms(words: pl.DataFrame) -> tuple[tuple[str, ...], int, bool]:
    """Find the forms of the dates among some texts: forms, number of cells, whether day and month are in doubt."""
    forms: dict[str, int] = {}
    orders: set[str] = set()
    signs: dict[tuple[str, bool, str], int] = {}
    for text, n in words.select("text", "n").head(5000).iter_rows():
        day, clock = _without_clock(text)
        named = next((f for f, pattern in _DATES.items() if re.fullmatch(pattern, day)), "")
        if named:
            forms[named + clock] = forms.get(named + clock, 0) + n
            continue
        m = _DAY_MONTH.fullmatch(day)
        if m is None:
            continue
        key = (m[2], len(m[4]) == 4, clock)
        signs[key] = signs.get(key, 0) + n
        first, second = int(m[1]), int(m[3])
        orders |= {"day"} if 12 < first <= 31 >= second else set()
        orders |= {"month"} if 12 < second <= 31 >= first else set()
    dated = sum(forms.values()) + sum(signs.values())
    if signs and len(orders) != 1:
        return (), dated, True
    lead = "dd{0}mm{0}" if orders == {"day"} else "mm{0}dd{0}"
    for (sign, long, clock), n in signs.items():
        forms[lead.format(sign) + ("yyyy" if long else "yy") + clock] = n
    stated = sorted((f for f in forms if f not in ("yyyy-mm-dd", "yyyy-mm")), key=lambda f: (-forms[f], f))
    stated = [f for f in stated if not re.fullmatch(r"yyyy-mm-dd[T ]HH:MM(:SS)?", f)]
    return tuple(stated), dated, False


def _without_clock(text: str) -> tuple[str, str]:
    m = re.search(_CLOCK + "$", text)
    if m is None:
        return text, ""
    return text[: m.start()], m[0][0] + ("HH:MM:SS" if m[1] else "HH:MM")
