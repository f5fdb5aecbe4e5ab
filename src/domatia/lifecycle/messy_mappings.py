"""The mapping that belongs to each of the crew's tables, as the text that a person would have written."""

from collections.abc import Mapping, Sequence

from domatia.lifecycle.messy_words import ANT_CODES, ANT_SPELLINGS, Hand, initials
from domatia.lifecycle.spec import Spec


def quoted(text: str) -> str:
    """Write a TOML string."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _pairs(words: Mapping[str, str]) -> str:
    return "{ " + ", ".join(f"{quoted(k)} = {quoted(v)}" for k, v in words.items()) + " }"


def _names(kind: str, words: Mapping[str, str]) -> str:
    return "\n".join([f"[names.{kind}]", *(f"{quoted(k)} = {quoted(v)}" for k, v in words.items())])


def ant_names() -> Mapping[str, str]:
    """Give every spelling and code that the mappings know to its accepted name."""
    spelled = {s: name for name, spellings in ANT_SPELLINGS.items() for s in spellings}
    return {**spelled, **ANT_CODES}


_STATUS = ("alive", "no live tissue", "dead confirmed", "not found", "not visited")
_STAGE = ("none", "founding queen", "incipient", "patrolling", "established")


def census_mapping(spec: Spec, hand: Hand, not_gone: Mapping[str, Sequence[str]]) -> str:
    """Write the mapping of one hand's census.

    Parameters
    ----------
    spec : Spec
    hand : Hand
    not_gone : mapping of str to sequence of str
        Rounds in which nobody went to a block though its rows say "not found", by the block's name.
    """
    h = {k: quoted(v) for k, v in hand.headers.items()}
    height = f'{{ column = {h["height"]}, unit = "m" }}' if hand.metres else h["height"]
    statuses = _pairs(dict(zip(hand.statuses, _STATUS, strict=True)))
    stages = _pairs(dict(zip(hand.stages[1:], _STAGE[1:], strict=True)))
    codes = f"none = [{quoted(hand.stages[0])}]"
    if hand.not_looked:
        codes += f', "not looked" = [{quoted(hand.not_looked)}]'
    form = "" if hand.delimiter in ("", ",") else f"delimiter = {quoted(hand.delimiter)}\n"
    decimal = "" if hand.decimal == "." else f"decimal = {quoted(hand.decimal)}\n"
    looked = f'looked = {{ column = {h["looked"]}, words = {{ y = "yes", n = "no" }} }}\n' if "looked" in h else ""
    leave = (
        f"leave_out = [{h['tag']}]   # the tag as read; plants are known by block and number\n" if "tag" in h else ""
    )
    blank_ants = f"codes = {{ {codes} }}"
    parts = [
        f'[table]\nfile = {quoted(hand.file)}\nrow = "visit"\n{form}{decimal}{leave}'.rstrip(),
        f"[place]\nname = {h['block']}",
        f'[plant]\nkey = ["place.name", {h["no"]}]',
        f"[round]\nname = {h['round']}",
        "\n".join([
            "[visit]",
            f"key = [{h['line']}]",
            f"when = {{ column = {h['date']}, date = {quoted(hand.dates)} }}",
            f"observer = {h['observer']}",
            f"status = {{ column = {h['status']}, words = {statuses} }}",
            f"height_cm = {height}",
            f"basal_mm = {h['basal']}",
            f"leaves = {h['leaves']}",
            f"domatia = {h['domatia']}",
            f"openness_pct = {h['light']}",
            'openness_method = { value = "densiometer" }',
            f"repeat_of = {h['again']}",
            f"note = {h['note']}",
        ]),
        f"[occupancy]\n{looked}taxon = {{ column = {h['ant']}, {blank_ants} }}\n"
        f"stage = {{ column = {h['stage']}, {blank_ants}, words = {stages} }}",
        _names("taxon", ant_names()),
        _names("person", initials(spec)),
    ]  # fmt: skip
    if not_gone:
        places = ", ".join(f"{quoted(p)} = [{', '.join(quoted(r) for r in rounds)}]" for p, rounds in not_gone.items())
        parts.append(f"[not_visited]\nconfirmed = {{ {places} }}")
    return "\n\n".join(parts) + "\n"


PLACES = """[table]
file = "places.csv"
row = "place"

[place]
name = "place"
level = "kind"
within = "lies in"
habitat = "habitat"
searched_m2 = { column = "area_ha", unit = "ha" }
outline = "outline"
longitude = "longitude"
latitude = "latitude"
"""

PLANTS = """[table]
file = "plants.csv"
row = "plant"

[place]
name = "block"

[plant]
key = ["place.name", "plant"]
species = "species"
x_m = "x"
y_m = "y"
uncertainty_m = { value = "0.3" }
first_seen = { column = "tagged on", date = "dd/mm/yyyy" }
origin = { value = "found as adult" }

[tag]
tag = "tag"
why = { value = "first tag" }

[treatment]
name = { column = "treatment", words = { R = "removal", S = "sham", C = "control" } }
role = { column = "treatment", words = { R = "removal", S = "sham", C = "control" } }

[assignment]
block = "block"
start = { column = "treated on", date = "dd/mm/yyyy" }
draw_seed = { value = "20210222" }
"""

TAGS = """[table]
file = "tag_changes.csv"
row = "tag change"

[place]
name = "block"

[plant]
key = ["place.name", "plant"]

[tag]
tag = "new tag"
former_tag = "old tag"
borne = { column = "date", date = "dd/mm/yyyy" }
why = { column = "why", words = { lost = "lost", "lost (deer?)" = "lost", "not there" = "lost" } }
"""

PLACE_VISITS = """[table]
file = "rounds_done.csv"
row = "place visit"

[place]
name = "block"

[round]
name = "round"

[place_visit]
when = { column = "date", date = "dd/mm/yyyy" }
searched = { column = "done", words = { all = "fully", part = "partly", no = "not" } }
observers = "who"
"""

TREATED = """[table]
file = "treatments_done.csv"
row = "quantities"

[place]
name = "block"

[plant]
key = ["place.name", "plant"]

[intervention]
when = { column = "date", date = "dd/mm/yyyy" }
kind = { column = "what", words = { spray = "insecticide", hand = "mechanical removal", water = "sham" } }
agent = "agent"
active_pct = "active %"
dose_ml = "mL"
operator = "by"
weather = "weather"
permit = "permit"
"""

LEAVES = """[table]
file = "leaves.csv"
row = "quantities"

[place]
name = "block"

[plant]
find_by = "tag"

[tag]
tag = "tag"

[leaf]
leaf = "leaf"
when = { column = "date", date = "dd/mm/yyyy" }
missing_pct = "missing %"
fate = { column = "fate", words = { there = "present", fallen = "abscised", eaten = "eaten", "?" = "unknown" } }
chosen = { column = "chosen", words = { m = "marked", r = "random" } }
blind = { value = "no" }
observer = "by"
"""

PEOPLE = """[table]
file = "people.csv"
row = "quantities"

[person]
name = "name"
role = "role"
"""

PERMITS = """[table]
file = "permits.csv"
row = "quantities"

[permit]
number = "number"
issuer = "issuer"
valid = { columns = ["from", "to"], join = "/" }
allows = "allows"
"""

ANTS = """[table]
file = "ants.csv"
row = "quantities"

[taxon]
name = "ant"

[taxon_role]
host = "host"
role = "what it does"
"""

TREATMENTS = """[table]
file = "treatments.csv"
row = "quantities"

[treatment]
name = "treatment"
role = "role"
text = "what is done"
"""

PLAN = """[table]
file = "plan.csv"
row = "quantities"

[intention]
stated = "stated on"
question = "question"
contrast = "contrast"
horizon_days = "horizon_days"
exclusions = "exclusions"
smallest_effect = "smallest effect that matters"
"""


def with_initials(spec: Spec, text: str) -> str:
    """Add the crew's initials to a mapping whose table holds them."""
    return text + "\n" + _names("person", initials(spec)) + "\n"
