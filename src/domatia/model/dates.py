"""Dates that keep the precision they were written with.

A date is stored as its earliest and its latest possible day; an instant also keeps its clock time with offset.
Nothing is padded to the first of January: `1998` is a whole year, and between two such dates time is counted in
whole years.
"""

import calendar
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

Precision = Literal["year", "month", "day", "span"]

DAYS_A_YEAR = 365.25


@dataclass(frozen=True)
class WrittenDate:
    """A date as known: the earliest and latest day that it can mean, and the clock time if one was written.

    Attributes
    ----------
    earliest, latest : datetime.date
    instant : str or None
        ISO 8601 instant with offset, when a clock time was written.
    """

    earliest: date
    latest: date
    instant: str | None = None

    def __post_init__(self) -> None:
        if self.latest < self.earliest:
            raise ValueError(f"latest day {self.latest} lies before earliest day {self.earliest}")

    @property
    def precision(self) -> Precision:
        """The unit to which the date is known."""
        return precision_of(self.earliest, self.latest)

    def __str__(self) -> str:
        match self.precision:
            case "year":
                return f"{self.earliest.year:04d}"
            case "month":
                return f"{self.earliest.year:04d}-{self.earliest.month:02d}"
            case "day":
                return self.instant or self.earliest.isoformat()
        return f"{self.earliest.isoformat()}/{self.latest.isoformat()}"


def whole_year(year: int) -> WrittenDate:
    """Give the date that was written as a bare year."""
    return WrittenDate(date(year, 1, 1), date(year, 12, 31))


def whole_month(year: int, month: int) -> WrittenDate:
    """Give the date that was written as year and month."""
    return WrittenDate(date(year, month, 1), date(year, month, calendar.monthrange(year, month)[1]))


def single_day(year: int, month: int, day: int) -> WrittenDate:
    """Give the date that was written to the day."""
    d = date(year, month, day)
    return WrittenDate(d, d)


def instant(text: str) -> WrittenDate:
    """Give the day and the clock time of an ISO 8601 instant.

    Raises
    ------
    ValueError
        If the text is no ISO 8601 date and time or has no offset.
    """
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} has no offset from UTC; write for example {text}+00:00")
    return WrittenDate(moment.date(), moment.date(), moment.isoformat())


def precision_of(earliest: date, latest: date) -> Precision:
    """Tell the precision of a stored pair of days."""
    if earliest == latest:
        return "day"
    if (earliest.month, earliest.day, latest.month, latest.day) == (
        1,
        1,
        12,
        31,
    ) and earliest.year == latest.year:
        return "year"
    if earliest.day == 1 and (earliest.year, earliest.month) == (latest.year, latest.month):
        last = calendar.monthrange(latest.year, latest.month)[1]
        if latest.day == last:
            return "month"
    return "span"


def parse_iso(text: str) -> WrittenDate:
    """Read a date in ISO 8601: `2003`, `2003-10`, `2003-10-17`, an instant with offset, or `day/day`.

    Raises
    ------
    ValueError
        If the text is none of these.
    """
    t = text.strip()
    if "/" in t:
        first, last = t.split("/", 1)
        return WrittenDate(date.fromisoformat(first), date.fromisoformat(last))
    if "T" in t:
        return instant(t)
    parts = t.split("-")
    if len(parts) == 1 and len(t) == 4 and t.isdigit():
        return whole_year(int(t))
    if len(parts) == 2 and len(parts[0]) == 4 and all(p.isdigit() for p in parts):
        return whole_month(int(parts[0]), int(parts[1]))
    d = date.fromisoformat(t)
    return WrittenDate(d, d)
