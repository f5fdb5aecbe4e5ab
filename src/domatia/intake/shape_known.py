"""Fit new records to what the study holds already from other files and by hand.

A thing may be described by several files: a place is named by the census and described by the list of plots. What
the study holds and the file does not mention is carried over, so that nothing is lost; where both say the same,
nothing new comes in; where they contradict each other, both stand and a person decides.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches

import polars as pl

from domatia.intake.records import NAMED, Building
from domatia.intake.shape_keys import content_text, id_series
from domatia.model import Finding, StudyData, Where, fields_of, table_schema

MOST_LISTED = 1000
_COMPARED = 50  # new names for which a near one is looked for


@dataclass(frozen=True)
class Fitted:
    """Records of one kind after they were fitted.

    Attributes
    ----------
    table : polars.DataFrame
    replaces : tuple of (bytes, bytes)
        New record, known record that it carries further.
    known_already : int
        Records left out because the study says the same already, from another file.
    contradicted : polars.Series
        Subjects about which the file and the study differ.
    """

    table: pl.DataFrame
    replaces: tuple[tuple[bytes, bytes], ...]
    known_already: int
    contradicted: pl.Series


def _groups(kind: str) -> list[tuple[str, ...]]:
    return [f.stored_columns for f in fields_of(kind)]


def fit(table: pl.DataFrame, kind: str, known: StudyData, file: str, mapped: Sequence[str]) -> Fitted:
    """Fit the records of one kind.

    Parameters
    ----------
    table : polars.DataFrame
        Columns of `table_schema(kind)`, `origin_hash` and `@key`.
    kind : str
    known : StudyData
    file : str
        The file that the records come from.
    mapped : sequence of str
        Stored columns that the file speaks of.
    """
    none = pl.Series("subject_id", [], dtype=pl.Binary)
    old = known.table(kind).filter(pl.col("origin_file").is_not_null())
    old = old.filter(~pl.col("subject_id").is_duplicated()).join(
        table.select("subject_id"), on="subject_id", how="semi"
    )
    if not old.height:
        return Fitted(table, (), 0, none)
    body = [c for group in _groups(kind) for c in group]
    both = table.join(
        old.select("subject_id", pl.col("record_id").alias("@old"), (pl.col("origin_file") == file).alias("@own"),
                   *[pl.col(c).alias(f"@k {c}") for c in body]),
        on="subject_id", how="left", maintain_order="left",
    )  # fmt: skip
    there = pl.col("@old").is_not_null()
    differs = (
        pl.any_horizontal((pl.col(c) != pl.col(f"@k {c}")).fill_null(False) for c in body) & there & ~pl.col("@own")
    )
    adds = pl.any_horizontal(pl.col(c).is_not_null() & pl.col(f"@k {c}").is_null() for c in body)
    both = both.with_columns(differs.fill_null(False).alias("@differs"), adds.fill_null(False).alias("@adds"))
    nothing_new = there & ~pl.col("@own") & ~pl.col("@differs") & ~pl.col("@adds")
    fill = there & ~pl.col("@differs")
    filled = both.filter(~nothing_new.fill_null(False)).with_columns(
        pl.when((fill & (~pl.col("@own") | pl.lit(c not in mapped))).fill_null(False))
        .then(pl.coalesce(c, f"@k {c}"))
        .otherwise(c)
        .alias(c)
        for c in body
    )
    done = _with_ids(filled, kind, known.study_id)
    carried = done.filter((there & ~pl.col("@own") & ~pl.col("@differs")).fill_null(False))
    pairs = tuple((n, o) for n, o in carried.select("record_id", "@old").sort("record_id").iter_rows() if n != o)
    contradicted = done.filter("@differs")["subject_id"]
    left = both.height - done.height
    return Fitted(done.select(*table_schema(kind), "origin_hash", "@key"), pairs, left, contradicted)


def _with_ids(filled: pl.DataFrame, kind: str, study: bytes) -> pl.DataFrame:
    texts = filled.select(content_text(kind).alias("t"))["t"]
    return filled.with_columns(id_series(study, kind, filled["@key"], texts).alias("record_id"))


def tell_contradicted(building: Building, kind: str, fitted: Fitted) -> None:
    """Tell of things about which the file and the study differ."""
    rows = fitted.table.filter(pl.col("subject_id").is_in(fitted.contradicted.implode()))
    for record, subject, sheet, row, key in (
        rows.select("record_id", "subject_id", "origin_sheet", "origin_row", "@key").head(MOST_LISTED).iter_rows()
    ):
        building.findings.append(
            Finding(
                "differs_from_study",
                "warning",
                (
                    Where(
                        file=building.file,
                        sheet=sheet or "",
                        row=row,
                        kind=kind,
                        record_id=record,
                        label=f"{kind} {key}",
                    ),
                ),
                f"The file says something else of {kind} {key} than the study holds from another file.",
                "the same in both, or a blank in one of them.",
                "Both stand until you say which one holds.",
                subjects=(subject,),
                values=(kind, key),
            )
        )


def tell_new_names(building: Building, kind: str) -> None:
    """Tell of names that the study does not know, with the nearest that it knows."""
    known, table = building.known, building.tables.get(kind)
    if known is None or table is None or kind not in ("place", "taxon", "treatment") or not known.table(kind).height:
        return
    others = known.table(kind).filter(pl.col("origin_file").is_null() | (pl.col("origin_file") != building.file))
    accepted = sorted(others[NAMED[kind]].drop_nulls().unique().to_list())
    fresh = table.join(known.table(kind), on="subject_id", how="anti") if accepted else table.clear()
    named = fresh.select(NAMED[kind], "origin_sheet", "origin_row").head(MOST_LISTED)
    for at, (name, sheet, row) in enumerate(named.iter_rows()):
        near = get_close_matches(name, accepted, n=1, cutoff=0.7) if at < _COMPARED else []
        building.findings.append(
            Finding(
                "name_new",
                "warning" if near else "note",
                (Where(file=building.file, sheet=sheet or "", row=row, kind=kind, label=name),),
                f"The study has no {kind} named {name!r} yet.",
                f"a {kind} that the study knows" + (f", such as {near[0]}." if near else "."),
                f"If it is another spelling, write it under [names.{kind}] in the mapping.",
                values=(kind, name),
            )
        )
