"""Places within places: the larger places that each place lies in, and the one within which a tag is unique."""

import polars as pl

from domatia.model import StudyData


def chains(data: StudyData) -> dict[bytes, list[bytes]]:
    """Give for each place itself and then the larger places around it, the nearest first."""
    table = data.table("place")
    within = dict(table.select("subject_id", "within").iter_rows())
    found: dict[bytes, list[bytes]] = {}
    for place in within:
        chain: list[bytes] = []
        here: bytes | None = place
        while here is not None and here not in chain:
            chain.append(here)
            here = within.get(here)
        found[place] = chain
    return found


def around(data: StudyData) -> pl.DataFrame:
    """Give pairs of a place and a place around it (itself included).

    Returns
    -------
    polars.DataFrame
        Columns `place` and `larger`.
    """
    pairs = [(place, larger) for place, chain in chains(data).items() for larger in chain]
    return pl.DataFrame(pairs, schema={"place": pl.Binary, "larger": pl.Binary}, orient="row")


def scopes(data: StudyData, level: str = "") -> pl.DataFrame:
    """Give for each place the place of one level that it lies in.

    Parameters
    ----------
    data : StudyData
    level : {"study", "site", "plot"}, optional
        The profile's `tag_scope`, within which tags are unique, when left out. A place with no place of that level
        around it stands for itself (plot) or for its largest place (site); all places of a study share one scope.

    Returns
    -------
    polars.DataFrame
        Columns `place` and `scope`.
    """
    levels = dict(data.table("place").select("subject_id", "level").iter_rows())
    wanted = level or data.profile.tag_scope
    rows = []
    for place, chain in chains(data).items():
        fitting = [p for p in chain if levels.get(p) == wanted]
        fallback = chain[-1] if wanted == "site" else place
        rows.append((place, b"" if wanted == "study" else (fitting or [fallback])[0]))
    return pl.DataFrame(rows, schema={"place": pl.Binary, "scope": pl.Binary}, orient="row")
