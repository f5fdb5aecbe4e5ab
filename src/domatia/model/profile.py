"""The system profile: words, ranges and classes of one kind of ant-plant, in a small text file a user can edit."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any

from domatia.model.errors import WrongUse
from domatia.model.fields import all_fields


@dataclass(frozen=True)
class DamageClass:
    """One class of a leaf-damage table, from `low_pct` to `high_pct` missing."""

    label: str
    low_pct: float
    high_pct: float


@dataclass(frozen=True)
class Profile:
    """How this kind of ant-plant is spoken of and what is plausible for it.

    Attributes
    ----------
    name, plant, domatia : str
        Title, plain word for the plant, and its domatia ("swollen thorn", "hollow stem", "leaf pouch", "none").
    tag_scope : {"study", "site", "plot"}
        Within what a tag is unique.
    taxa : mapping of str to str
        Accepted ant name to its role on this host ("defender", "non-defending occupant", "castrating or parasitic",
        "visitor").
    ranges : mapping of str to (float, float)
        Plausible range by "record.column".
    damage_classes : mapping of str to tuple of DamageClass
        By the class table's name.
    dry_months : tuple of int
    residue_days : float
        Days after an insecticide in which leaf damage tells of the insecticide too.
    barrier_days : float
        Longest time between two looks at a barrier.
    least_distance_m : float
        Nearest that a removal plant may stand to another treatment or its crown waste.
    food_bodies, intruders : tuple of str
    """

    name: str = "any ant-plant"
    plant: str = "plant"
    domatia: str = "none"
    tag_scope: str = "plot"
    taxa: Mapping[str, str] = field(default_factory=dict)
    ranges: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    damage_classes: Mapping[str, tuple[DamageClass, ...]] = field(default_factory=dict)
    dry_months: tuple[int, ...] = ()
    residue_days: float = 14.0
    barrier_days: float = 14.0
    least_distance_m: float = 2.0
    food_bodies: tuple[str, ...] = ()
    intruders: tuple[str, ...] = ()


_SCOPES = ("study", "site", "plot")
_PLAIN = ("name", "plant", "domatia", "tag_scope", "residue_days", "barrier_days", "least_distance_m")
_TUPLES = ("dry_months", "food_bodies", "intruders")


_WORDS = ("name", "plant", "domatia", "tag_scope")


def _check_values(raw: Mapping[str, Any], name: str) -> None:
    """Refuse words where numbers stand and the reverse, months that do not exist, ranges of unknown fields."""
    wrong = [f"{k} = {raw[k]!r}" for k in _WORDS if k in raw and not isinstance(raw[k], str)]
    numbers = [k for k in _PLAIN if k in raw and k not in _WORDS]
    wrong += [
        f"{k} = {raw[k]!r}"
        for k in numbers
        if isinstance(raw[k], bool) or not isinstance(raw[k], int | float) or not raw[k] >= 0
    ]
    months = raw.get("dry_months", ())
    if isinstance(months, list):
        wrong += [f"dry_months with {m!r}" for m in months if m not in range(1, 13)]
    if wrong:
        raise WrongUse(f"The profile {name} has a value of the wrong form: {', '.join(wrong)}", next_step="Mend it.")
    known = {f"{f.record}.{f.column}" for f in all_fields()}
    ranges = raw.get("ranges", {})
    strange = sorted(set(ranges) - known) if isinstance(ranges, dict) else []
    if strange:
        near = WrongUse("", known, name=strange[0]).near
        raise WrongUse(
            f"The profile {name} gives ranges of fields that do not exist: {', '.join(strange)}",
            near or "a record and its field, such as visit.height_cm",
            "Mend it.",
        )


def read_profile(text: str, name: str = "profile") -> Profile:
    """Read a profile from the text of its TOML file.

    Raises
    ------
    WrongUse
        If the text is no TOML, has an unknown key or a value of the wrong form; all such are told at once.
    """
    try:
        raw: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as e:
        raise WrongUse(f"The profile {name} is not TOML: {e}", next_step="Mend the file and try again.") from e
    known = {*_PLAIN, *_TUPLES, "taxa", "ranges", "damage_classes"}
    wrong = sorted(set(raw) - known)
    if wrong:
        raise WrongUse(f"The profile {name} has the unknown key {', '.join(wrong)}", known, name=wrong[0])
    scope = raw.get("tag_scope", "plot")
    if scope not in _SCOPES:
        raise WrongUse(f"The profile {name} has tag_scope = {scope!r}", _SCOPES)
    plain: dict[str, Any] = {k: raw[k] for k in _PLAIN if k in raw}
    _check_values(raw, name)
    try:
        plain |= {k: tuple(raw[k]) for k in _TUPLES if k in raw}
        return Profile(
            **plain,
            taxa=dict(raw.get("taxa", {})),
            ranges={k: (float(v[0]), float(v[1])) for k, v in raw.get("ranges", {}).items()},
            damage_classes={
                table: tuple(DamageClass(str(c[0]), float(c[1]), float(c[2])) for c in classes)
                for table, classes in raw.get("damage_classes", {}).items()
            },
        )
    except (TypeError, ValueError, IndexError, AttributeError) as e:
        raise WrongUse(f"The profile {name} has a value of the wrong form: {e}", next_step="Mend it.") from e


def shipped_profiles() -> tuple[str, ...]:
    """Give the names of the profiles that come with the tool."""
    folder = files("domatia.model").joinpath("profiles")
    return tuple(sorted(f.name.removesuffix(".toml") for f in folder.iterdir() if f.name.endswith(".toml")))


def shipped_profile(name: str) -> tuple[Profile, str]:
    """Give a profile that comes with the tool, and its text.

    Raises
    ------
    WrongUse
        If there is no profile of that name.
    """
    if name not in shipped_profiles():
        raise WrongUse(f"There is no profile {name!r}", shipped_profiles(), name=name)
    text = files("domatia.model").joinpath("profiles", f"{name}.toml").read_text(encoding="utf-8")
    return read_profile(text, name), text
