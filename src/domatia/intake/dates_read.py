"""Read dates in the forms that a mapping states, with the precision they were written with.

A form is written with `yyyy`, `yy`, `mm`, `mon`, `dd`, `HH`, `MM` and `SS` and the signs between them, such as
`dd/mm/yyyy` or `yyyy-mm-dd HH:MM`. ISO 8601 (`2003`, `2003-10`, `2003-10-17`, an instant with offset) is always read,
because it cannot be mistaken. Two-digit years follow POSIX: 69 to 99 are 1969 to 1999, 00 to 68 are 2000 to 2068.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import polars as pl

from domatia.model import WrittenDate, WrongUse
from domatia.model.dates import parse_iso, single_day, whole_month, whole_year

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_TOKENS = {
    "yyyy": r"(?P<yyyy>[0-9]{4})",
    "yy": r"(?P<yy>[0-9]{2})",
    "mon": r"(?P<mon>[A-Za-z]{3,9})",
    "mm": r"(?P<mm>[0-9]{1,2})",
    "dd": r"(?P<dd>[0-9]{1,2})",
    "HH": r"(?P<HH>[0-9]{1,2})",
    "MM": r"(?P<MM>[0-9]{2})",
    "SS": r"(?P<SS>[0-9]{2})",
}
_LOOKS_DOUBTFUL = re.compile(r"^[0-9]{1,2}[./-][0-9]{1,2}[./-]([0-9]{2}|[0-9]{4})$")
_CLOCK_WITHOUT_OFFSET = re.compile(r"^([0-9]{4}-[0-9]{2}-[0-9]{2})[T ]([0-9]{2}:[0-9]{2}(?::[0-9]{2})?)$")


@dataclass(frozen=True)
class ReadDates:
    """Distinct texts and what they say.

    Attributes
    ----------
    table : polars.DataFrame
        `text`, `earliest`, `latest`, `instant`; without the texts that could not be read.
    wrong : dict of str to str
        Text that could not be read to the reason.
    """

    table: pl.DataFrame
    wrong: dict[str, str]


@cache
def form_pattern(form: str) -> re.Pattern[str]:
    """Turn a form into the pattern of the texts that it allows.

    Raises
    ------
    WrongUse
        If the form names no year or has a part twice.
    """
    left, pattern, met = form, "", []
    while left:
        token = next((t for t in _TOKENS if left.startswith(t)), "")
        met += [token] if token else []
        pattern += _TOKENS[token] if token else re.escape(left[0])
        left = left[len(token) or 1 :]
    year = [t for t in met if t in ("yyyy", "yy")]
    if len(year) != 1 or len(set(met)) < len(met) or ("dd" in met and not {"mm", "mon"} & set(met)):
        raise WrongUse(
            f"The form of date {form!r} cannot be used",
            "parts yyyy, yy, mm, mon, dd, HH, MM, SS, each once and with a year",
            "Write for example dd/mm/yyyy.",
        )
    return re.compile(pattern)


def time_zone(name: str) -> ZoneInfo | None:
    """Give the time zone of that name, or None for an empty name.

    Raises
    ------
    WrongUse
        If there is no such time zone.
    """
    try:
        return ZoneInfo(name) if name else None
    except (ZoneInfoNotFoundError, ValueError) as e:
        raise WrongUse(f"There is no time zone {name!r}", "names of the tz database, such as America/Manaus") from e


def _moment(day: WrittenDate, clock: str, zone: ZoneInfo | None) -> WrittenDate:
    if zone is None:
        raise ValueError("the clock time has no offset and the mapping names no time_zone")
    when = datetime.fromisoformat(f"{day.earliest.isoformat()}T{clock}").replace(tzinfo=zone)
    return WrittenDate(day.earliest, day.latest, when.isoformat())


def _of_match(found: dict[str, str | None], zone: ZoneInfo | None) -> WrittenDate:
    short = found.get("yy")
    year = int(found.get("yyyy") or 0) if short is None else int(short) + (1900 if int(short) >= 69 else 2000)
    month = int(found.get("mm") or 0)
    name = found.get("mon")
    if name:
        if name[:3].lower() not in _MONTHS:
            raise ValueError(f"there is no month {name!r}")
        month = _MONTHS.index(name[:3].lower()) + 1
    if not month:
        return whole_year(year)
    if not found.get("dd"):
        return whole_month(year, month)
    day = single_day(year, month, int(found["dd"] or 0))
    if not found.get("HH"):
        return day
    return _moment(day, f"{int(found['HH'] or 0):02d}:{found.get('MM') or '00'}:{found.get('SS') or '00'}", zone)


def read_date(text: str, forms: Sequence[str], zone: ZoneInfo | None = None) -> WrittenDate:
    """Read one date.

    Parameters
    ----------
    text : str
    forms : sequence of str
        Tried in turn; ISO 8601 after them.
    zone : ZoneInfo, optional
        Time zone of clock times without an offset.

    Raises
    ------
    ValueError
        If the text fits none of them or names a day that does not exist; the message is the reason.
    """
    for form in forms:
        match = form_pattern(form).fullmatch(text)
        if match:
            return _of_match(match.groupdict(), zone)
    clock = _CLOCK_WITHOUT_OFFSET.match(text)
    if clock:
        day = parse_iso(clock[1])
        midnight = clock[2] in ("00:00", "00:00:00")
        return day if midnight else _moment(day, clock[2] if len(clock[2]) > 5 else f"{clock[2]}:00", zone)
    if not forms and _LOOKS_DOUBTFUL.match(text):
        raise ValueError("day and month cannot be told apart; the mapping must state the form")
    if not re.match(r"^[0-9]{4}", text):
        raise ValueError(f"it has not the form {' or '.join(forms)}" if forms else "it is no date in ISO 8601")
    return parse_iso(text)


def read_dates(texts: Sequence[str], forms: Sequence[str], zone: ZoneInfo | None = None) -> ReadDates:
    """Read distinct texts as dates.

    Parameters
    ----------
    texts : sequence of str
        Each once.
    forms : sequence of str
    zone : ZoneInfo, optional
    """
    good: dict[str, WrittenDate] = {}
    wrong: dict[str, str] = {}
    for text in texts:
        try:
            good[text] = read_date(text, forms, zone)
        except ValueError as e:
            wrong[text] = str(e)
    table = pl.DataFrame(
        {
            "text": list(good),
            "earliest": [d.earliest for d in good.values()],
            "latest": [d.latest for d in good.values()],
            "instant": [d.instant for d in good.values()],
        },
        schema={"text": pl.String, "earliest": pl.Date, "latest": pl.Date, "instant": pl.String},
    )
    return ReadDates(table, wrong)
