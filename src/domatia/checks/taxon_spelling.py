"""A name is spelt unlike the accepted one.

What is wrong
-------------
An ant name is none of the profile's accepted names, but near one; or two names in the study differ by a letter or two,
by capitals or by spaces. The same for the species of the plants. Two spellings make two species.

An example that fails
---------------------
| accepted            | written              |
|---------------------|----------------------|
| Slender patrol ant  | Slendr patrol  ant   |

The better form
---------------
If the two are one, say so in the mapping (synonyms) and import again, or correct the record. The tool proposes the
nearest accepted name, and never replaces one.

How it is judged
----------------
Two names are near when the share of matching letters (twice the letters matched in order, by both lengths) is at least
0.85 once capitals and spaces are levelled. Without a profile that lists ants, the name with more records is proposed.

What it does not see
--------------------
A right spelling of the wrong species. Synonyms that do not look alike. Two accepted names that look alike are left in
peace.

Source
------
Common practice, no source; the measure of likeness is that of the Python standard library (difflib).
"""

from collections import Counter
from difflib import SequenceMatcher

from domatia.checks.gather import Row, wheres
from domatia.model import Check, Finding, StudyData

_NEAR = 0.85


def run(data: StudyData) -> tuple[Finding, ...]:
    """Find names near an accepted or a commoner one."""
    return (*_ants(data), *_plants(data))


def _level(name: str) -> str:
    return " ".join(name.lower().split())


def _likeness(a: str, b: str) -> float:
    a, b = sorted((_level(a), _level(b)))
    return SequenceMatcher(None, a, b, autojunk=False).ratio()


def _nearest(name: str, names: set[str]) -> str:
    near = sorted(((_likeness(name, n), n) for n in names if n != name), key=lambda pair: (-pair[0], pair[1]))
    return near[0][1] if near and near[0][0] >= _NEAR else ""


def _proposal(name: str, counts: Counter[str], accepted: set[str]) -> str:
    """Give the accepted name near this one; else a commoner name near it that no list decides upon."""
    if name in accepted:
        return ""
    found = _nearest(name, accepted)
    if found:
        return found
    commoner = {n for n in counts if (counts[n], n) > (counts[name], name) and n not in accepted}
    return _nearest(name, commoner)


def _ants(data: StudyData) -> list[Finding]:
    taxa = data.table("taxon").filter(data.table("taxon")["name"].is_not_null()).sort("name", "subject_id")
    uses = Counter(data.table("occupancy")["taxon"].drop_nulls().to_list())
    counts: Counter[str] = Counter()
    for subject, name in taxa.select("subject_id", "name").iter_rows():
        counts[name] += uses[subject]
    accepted = set(data.profile.taxa)
    found = []
    for row in taxa.iter_rows(named=True):
        proposal = _proposal(row["name"], counts, accepted)
        if proposal:
            labelled = {**row, "label": f"ant {row['name']}"}
            found.append(_finding([labelled], "taxon", "name", (row["subject_id"],), proposal))
        elif accepted and row["name"] not in accepted:
            labelled = {**row, "label": f"ant {row['name']}"}
            found.append(_unknown(labelled))
    return found


def _plants(data: StudyData) -> list[Finding]:
    table = data.table("plant").filter(data.table("plant")["species"].is_not_null()).sort("subject_id")
    counts: Counter[str] = Counter(table["species"].to_list())
    found = []
    for name in sorted(counts):
        proposal = _proposal(name, counts, set())
        if proposal:
            rows = [
                {**r, "label": f"plants called {name}"}
                for r in table.filter(table["species"] == name).iter_rows(named=True)
            ]
            found.append(_finding(rows, "plant", "species", tuple(r["subject_id"] for r in rows), proposal))
    return found


def _finding(rows: list[Row], kind: str, column: str, subjects: tuple[bytes, ...], proposal: str) -> Finding:
    name = rows[0][column]
    return Finding(
        code=CHECK.code,
        severity="warning",
        where=wheres(rows, kind, column),
        found=f"The name “{name}” is near “{proposal}”.",
        expected="One spelling for one species.",
        remedy=f"If “{proposal}” is meant, name the other spelling as its synonym; nothing is replaced by itself.",
        subjects=subjects,
        values=(name, proposal),
    )


def _unknown(row: Row) -> Finding:
    return Finding(
        code=CHECK.code,
        severity="note",
        where=wheres([row], "taxon", "name"),
        found=f"The profile does not list “{row['name']}”, and no name in it is near.",
        expected="Each ant of the study stands in its profile, with what it does on this plant.",
        remedy="Add the ant to the profile, or correct the name.",
        subjects=(row["subject_id"],),
        values=(row["name"],),
    )


CHECK = Check(
    code="taxon_spelling",
    title="A name is spelt unlike the accepted one",
    severity="warning",
    kinds=("plant", "taxon", "occupancy"),
    run=run,
)
