"""Doubts that every question shares: how groups came about, how many blocks there are, what is still open."""

import polars as pl

from domatia.histories.groups import Groups
from domatia.model import Doubt, StudyData
from domatia.model.finding import Finding

FEW_BLOCKS = 40
VERY_FEW_BLOCKS = 8


def standing_doubts(data: StudyData, groups: Groups, blocks: int) -> list[Doubt]:
    """Give the doubts about the comparison as such.

    Parameters
    ----------
    data : StudyData
    groups : Groups
    blocks : int
        Number of blocks that the intervals are clustered by.
    """
    found = _comparison(data, groups)
    if blocks < FEW_BLOCKS:
        severity = "warning" if blocks < VERY_FEW_BLOCKS else "note"
        text = (
            f"There are {blocks} blocks; intervals are clustered by block, with a correction and t quantiles for few "
            "blocks."
        )
        found.append(Doubt("few_blocks", "warning" if severity == "warning" else "note", text))
    undecided = sum(t.height for t in data.undecided.values())
    if undecided:
        text = f"{undecided} records have two values that nobody has decided between; they were left out."
        found.append(Doubt("undecided", "warning", text))
    return found + open_findings(data.findings)


def _comparison(data: StudyData, groups: Groups) -> list[Doubt]:
    if groups.column != "treatment":
        text = (
            f"Plants were not given their {groups.column.replace('_', ' ')} by a draw: other things that differ "
            "between the groups may be the cause."
        )
        return [Doubt("not_drawn", "note", text)]
    roles = set(data.table("treatment")["role"].to_list())
    found = []
    if "removal" in roles and "sham" not in roles:
        text = "There is no sham: the effect of removal includes that of spraying, cutting and handling the plants."
        found.append(Doubt("no_sham", "warning", text))
    if data.table("assignment")["draw_seed"].null_count() == data.table("assignment").height:
        text = "No draw is recorded: whether treatments were given by chance cannot be told."
        found.append(Doubt("no_draw", "note", text))
    return found


def open_findings(findings: tuple[Finding, ...]) -> list[Doubt]:
    """Quote the open findings, counted by check."""
    if not findings:
        return []
    codes = pl.Series([f.code for f in findings if f.severity == "error"], dtype=pl.String)
    if codes.is_empty():
        return []
    counts = codes.value_counts(name="n").sort(["n", codes.name], descending=[True, False])
    told = ", ".join(f"{c.replace('_', ' ')} ({n})" for c, n in list(counts.iter_rows())[:4])
    rest = counts.height - 4
    more = f" and {rest} more {'kinds' if rest > 1 else 'kind'}" if rest > 0 else ""
    return [Doubt("open_findings", "note", f"Errors found in the data are still open: {told}{more}.")]
