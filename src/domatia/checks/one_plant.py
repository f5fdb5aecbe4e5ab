"""Plants found to be one: every link to a plant that was merged is read as the plant whose name stays."""

from collections.abc import Iterable

import polars as pl

from domatia.model import StudyData


def kept_plants(data: StudyData) -> dict[bytes, bytes]:
    """Tell which plant stands for each merged plant.

    A pair that any record calls not the same is not merged. Chains are followed to their end; of a loop the smallest
    id stays.

    Returns
    -------
    dict of bytes to bytes
        From merged plant to kept plant.
    """
    table = data.table("same_as")
    if table.is_empty():
        return {}
    pairs: dict[tuple[bytes, bytes], bool] = {}
    for kept, merged, same in table.select("kept", "merged", "same").iter_rows():
        pairs[kept, merged] = pairs.get((kept, merged), True) and bool(same)
    step = {merged: kept for (kept, merged), same in sorted(pairs.items()) if same and kept != merged}
    ends = {plant: _end(plant, step) for plant in step}
    return {plant: end for plant, end in ends.items() if plant != end}


def _end(plant: bytes, step: dict[bytes, bytes]) -> bytes:
    """Follow a plant to the one that stands for it: the end of the chain, or the smallest id of a loop."""
    path = [plant]
    while (following := step.get(path[-1])) is not None:
        if following in path:
            return min(path[path.index(following) :])
        path.append(following)
    return path[-1]


def with_kept(frame: pl.DataFrame, data: StudyData, columns: Iterable[str] = ("plant",)) -> pl.DataFrame:
    """Replace merged plants in the link columns of a table by the plants that stand for them."""
    merged = kept_plants(data)
    if not merged:
        return frame
    old = pl.Series(list(merged), dtype=pl.Binary)
    new = pl.Series(list(merged.values()), dtype=pl.Binary)
    lookup = pl.DataFrame({"_old": old, "_new": new})
    for column in columns:
        frame = (
            frame.join(lookup, left_on=column, right_on="_old", how="left", maintain_order="left")
            .with_columns(pl.coalesce("_new", column).alias(column))
            .drop("_new")
        )
    return frame


def all_plants(data: StudyData) -> pl.DataFrame:
    """Give the table of plants with those of which two revisions stand undecided (the one of the smaller id).

    Used for names and homes only; no value of an undecided plant is judged by it.
    """
    undecided = data.undecided.get("plant")
    if undecided is None or undecided.is_empty():
        return data.table("plant")
    stand_ins = undecided.sort("subject_id", "record_id").unique("subject_id", keep="first", maintain_order=True)
    return pl.concat([data.table("plant"), stand_ins]).unique("subject_id", keep="first", maintain_order=True)


def plants(data: StudyData) -> pl.DataFrame:
    """Give the table of plants without those that were merged into another."""
    table = data.table("plant")
    merged = kept_plants(data)
    return table.filter(~pl.col("subject_id").is_in(list(merged))) if merged else table
