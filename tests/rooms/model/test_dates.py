"""Dates keep the precision they were written with; nothing is padded."""

import calendar
from datetime import date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from domatia.model.dates import WrittenDate, instant, parse_iso, precision_of, single_day, whole_month, whole_year

DAYS = st.dates(date(1800, 1, 1), date(2200, 12, 31))


@given(DAYS)
def test_a_day_is_read_back_as_it_was_written(day: date) -> None:
    """A day is one day."""
    found = parse_iso(day.isoformat())
    assert (found.earliest, found.latest, str(found), found.precision) == (day, day, day.isoformat(), "day")


@given(DAYS)
def test_a_year_and_a_month_are_all_their_days(day: date) -> None:
    """A bare year is its 365 or 366 days, a month its 28 to 31 (ISO 8601 reduced precision)."""
    year = parse_iso(f"{day.year:04d}")
    assert (year.latest - year.earliest).days + 1 == (366 if calendar.isleap(day.year) else 365)
    assert year == whole_year(day.year)
    assert (str(year), year.precision) == (f"{day.year:04d}", "year")
    month = parse_iso(day.isoformat()[:7])
    assert (month.latest - month.earliest).days + 1 == calendar.monthrange(day.year, day.month)[1]
    assert month == whole_month(day.year, day.month)
    assert (str(month), month.precision) == (day.isoformat()[:7], "month")


@given(DAYS, DAYS)
def test_any_span_is_read_back(a: date, b: date) -> None:
    """Two days with a stroke between them, or the shorter form that means the same."""
    first, last = min(a, b), max(a, b)
    written = WrittenDate(first, last)
    assert parse_iso(str(written)) == written
    assert parse_iso(f"{first}/{last}") == written
    assert written.precision == precision_of(first, last)


@given(st.datetimes(timezones=st.timezones()))
def test_an_instant_keeps_clock_and_offset(moment: datetime) -> None:
    """Its day is the day it was there; its text is the instant."""
    found = instant(moment.isoformat())
    assert found.precision == "day"
    assert found.earliest == moment.date()
    assert str(found) == moment.isoformat()
    assert parse_iso(str(found)) == found


NO_DATES = ("", "20", "2003-13", "2003-02-30", "03-10-17", "17/10/2003", "2003-10-17T06:30", "x/y")


@pytest.mark.parametrize("text", NO_DATES)
def test_what_is_no_date_is_refused(text: str) -> None:
    """No guessing: a day that does not exist, a short year, a clock time without offset."""
    with pytest.raises(ValueError, match=r"offset|isoformat|month|day|date"):
        parse_iso(text)


def test_a_span_cannot_end_before_it_begins() -> None:
    """The message names both days."""
    with pytest.raises(ValueError, match="2001-01-01 lies before earliest day 2002-01-01"):
        WrittenDate(date(2002, 1, 1), date(2001, 1, 1))
    assert str(single_day(2001, 2, 3)) == "2001-02-03"
