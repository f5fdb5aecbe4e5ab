"""Starting a new study."""

from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

from domatia.model import CannotOpen, WrongUse, read_profile, shipped_profile, shipped_profiles
from domatia.store import create_study

SUFFIX = ".domatia"


def study_path(name: str) -> str:
    """Give the path of a study file, with its suffix; an address of a database stays as it is."""
    return name if "://" in name or name.endswith(SUFFIX) else name + SUFFIX


def profile_text(name: str) -> str:
    """Give the text of a profile: one that comes with the tool, or a file.

    Raises
    ------
    WrongUse
        If there is neither, or the file is no profile.
    """
    if name in shipped_profiles():
        return shipped_profile(name)[1]
    path = Path(name)
    if not path.is_file():
        raise CannotOpen(
            f"There is no profile {name!r}", shipped_profiles(), "Give one of these or the path of a file.", name=name
        )
    text = path.read_text(encoding="utf-8")
    read_profile(text, path.name)
    return text


def _checked_zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError) as e:
        near = WrongUse("", available_timezones(), name=name).near
        raise WrongUse(
            f"There is no time zone {name!r}", near or "a name such as America/Lima", "See the tz database."
        ) from e
    return name


def new_study(where: str, title: str, profile: str = "any", time_zone: str = "UTC", licence: str = "") -> str:
    """Make an empty study and give its path.

    Parameters
    ----------
    where : str
        Path of the new file, with or without its suffix, or the address of a PostgreSQL database.
    title : str
    profile : str
        Name of a profile that comes with the tool, or the path of a profile file.
    time_zone : str
        Such as "America/Lima".
    licence : str

    Raises
    ------
    WrongUse
        If the file exists, or there is no such profile or time zone.
    """
    path = study_path(where)
    zone = _checked_zone(time_zone)
    create_study(path, title, profile_text=profile_text(profile), time_zone=zone, licence=licence).close()
    return path
