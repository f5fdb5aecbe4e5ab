"""Dates are read in stated forms only, and keep their precision."""

from datetime import date, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from domatia.intake.dates_read import form_pattern, read_date, read_dates, time_zone
from domatia.model import WrongUse

FORMS = {
    "dd/mm/yyyy": "%d/%m/%Y",
    "mm/dd/yyyy": "%m/%d/%Y",
    "dd.mm.yy": "%d.%m.%y",
    "dd mon yyyy": "%d %b %Y",
    "yyyymmdd": "%Y%m%d",
}


@given(day=st.dates(date(1970, 1, 1), date(2068, 12, 31)), form=st.sampled_from(sorted(FORMS)))
def test_a_day_written_in_a_form_is_read_back(day: date, form: str) -> None:
    """Every day that a form can write is read as that day."""
    found = read_date(day.strftime(FORMS[form]), [form])
    assert (found.earliest, found.latest, found.precision) == (day, day, "day")


@pytest.mark.parametrize(
    ("text", "forms", "told"),
    [
        ("2003", ["yyyy"], "2003"),
        ("2003-10", [], "2003-10"),
        ("10/2003", ["mm/yyyy"], "2003-10"),
        ("2003-10-17", ["dd/mm/yyyy"], "2003-10-17"),
        ("2003-10-17T09:30:00-04:00", [], "2003-10-17T09:30:00-04:00"),
        ("2003-10-17 00:00:00", ["dd/mm/yyyy"], "2003-10-17"),
        ("17/10/68", ["dd/mm/yy"], "2068-10-17"),
        ("17/10/69", ["dd/mm/yy"], "1969-10-17"),
    ],
)
def test_precision_is_kept(text: str, forms: list[str], told: str) -> None:
    """A year stays a year and an instant an instant; ISO 8601 is read beside any form. Two digits as in POSIX."""
    assert str(read_date(text, forms)) == told


@pytest.mark.parametrize(
    ("text", "forms", "why"),
    [
        ("03/04/2005", [], "cannot be told apart"),
        ("31/02/2005", ["dd/mm/yyyy"], "out of range|must be in"),
        ("12.5", ["dd/mm/yyyy"], "form dd/mm/yyyy"),
        ("spring", [], "no date in ISO 8601"),
        ("17 Okt 2003", ["dd mon yyyy"], "no month"),
        ("2003-10-17 09:30", [], "no offset"),
    ],
)
def test_what_cannot_be_read_has_a_reason(text: str, forms: list[str], why: str) -> None:
    """Ambiguous, impossible and foreign dates are refused with a reason."""
    with pytest.raises(ValueError, match=why):
        read_date(text, forms)


def test_clock_times_take_the_offset_of_the_time_zone_on_that_day() -> None:
    """Summer time follows from the date, not from today."""
    zone = ZoneInfo("Europe/Lisbon")
    summer = read_date("01/07/2005 06:05", ["dd/mm/yyyy HH:MM"], zone)
    winter = read_date("01/01/2005 06:05", ["dd/mm/yyyy HH:MM"], zone)
    assert (summer.instant, winter.instant) == ("2005-07-01T06:05:00+01:00", "2005-01-01T06:05:00+00:00")


def test_many_texts_are_read_once_each() -> None:
    """Good ones come in a table, wrong ones with their reason."""
    days = [(date(2000, 1, 1) + timedelta(days=n)).isoformat() for n in range(40)]
    found = read_dates([*days, "x"], ())
    assert found.table.height == 40
    assert list(found.wrong) == ["x"]


def test_forms_and_zones_must_make_sense() -> None:
    """A form without a year and an unknown time zone are wrong use."""
    with pytest.raises(WrongUse, match="cannot be used"):
        form_pattern("dd/mm")
    with pytest.raises(WrongUse, match="no time zone"):
        time_zone("Mars/Olympus")
