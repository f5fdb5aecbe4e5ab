"""Natural keys as a person would say them: "plant 7 in Mill, 2021-09-22"."""

import re
from calendar import monthrange
from datetime import date

from domatia.intake.records import NAMED, Building, usual_key_names

_SPAN = re.compile(r"(\d{4}-\d\d-\d\d)/(\d{4}-\d\d-\d\d)")
_PART = re.compile(r"(?:[^|\\]|\\.)*")
_COUNTER = re.compile(r"#\d+$")


def key_parts(key: str) -> tuple[str, ...]:
    """Take a key apart again (see `shape_keys.joined_key`)."""
    found = []
    at = 0
    while at <= len(key):
        m = _PART.match(key, at)
        part = m[0] if m else key[at:]
        found.append(re.sub(r"\\(.)", r"\1", part))
        at += len(part) + 1
    return tuple(found)


def date_words(text: str) -> str:
    """Say a stored date as precisely as it was written: a day, a month, a year, or from when to when."""
    m = _SPAN.fullmatch(text)
    if m is None:
        return text
    first, last = date.fromisoformat(m[1]), date.fromisoformat(m[2])
    if first == last:
        return m[1]
    if (first.month, first.day, last.month, last.day) == (1, 1, 12, 31) and first.year == last.year:
        return f"{first.year:04d}"
    month = (first.year, first.month) == (last.year, last.month) and first.day == 1
    if month and last.day == monthrange(last.year, last.month)[1]:
        return m[1][:7]
    return f"{m[1]} to {m[2]}"


def key_words(building: Building, kind: str, key: str) -> str:
    """Say what a key names.

    Parameters
    ----------
    building : Building
        Knows of what the keys of a kind are made.
    kind : str
    key : str
        With or without the counter that tells things of one key apart.

    Returns
    -------
    str
        For a thing its kind, name and place; for what happened, the thing it happened to and when.
    """
    parts = key_parts(_COUNTER.sub("", key))
    own = building.part(kind).key
    if own:
        names = tuple(own)
    elif kind in NAMED:
        return f"{kind.replace('_', ' ')} {parts[0]}"
    else:
        names = usual_key_names(building, kind)
    if len(names) != len(parts):
        return f"{kind.replace('_', ' ')} {', '.join(parts)}"
    places = [p for n, p in zip(names, parts, strict=True) if n in ("place.name", "@place") and p]
    linked = [
        key_words(building, n[1:], p)
        for n, p in zip(names, parts, strict=True)
        if n.startswith("@") and n != "@place" and p
    ]
    rest = [
        date_words(p) for n, p in zip(names, parts, strict=True) if n != "place.name" and not n.startswith("@") and p
    ]
    inside = f" in {', '.join(places)}" if places else ""
    if linked:
        return ", ".join((*linked, *rest))
    if own or kind == "tag":
        return f"{kind.replace('_', ' ')} {' '.join(rest)}".rstrip() + inside
    return ", ".join((*(f"place {p}" for p in places), *rest)) or kind
