"""How the crew writes: three census tables by three hands, each with its own words for the same things."""

from collections.abc import Mapping
from dataclasses import dataclass

from domatia.lifecycle.spec import Spec

ANT_SPELLINGS: Mapping[str, tuple[str, ...]] = {
    "Rust-gaster ant": ("Rust-gaster", "rust gaster", "Rustgaster ant"),
    "Velvet-eyed ant": ("Velvet-eyed", "velvet eyed ant", "Velveteyed ant"),
    "Straw-leg ant": ("Straw-leg", "straw leg ant", "Strawleg"),
    "Idle amber ant": ("Idle amber", "idle amber", "Amber ant"),
}
"""Accepted name to the spellings that the mappings know."""

ANT_SLIPS: Mapping[str, str] = {"Rust-gaster ant": "Rust-gastre ant", "Velvet-eyed ant": "Velvet-eyd ant"}
"""Spellings that no mapping knows, so that a check must find them."""

ANT_CODES: Mapping[str, str] = {
    "RG": "Rust-gaster ant", "VE": "Velvet-eyed ant", "SL": "Straw-leg ant", "IA": "Idle amber ant",
}  # fmt: skip


@dataclass(frozen=True)
class Hand:
    """One hand's way of writing a census.

    Attributes
    ----------
    file : str
    rounds : tuple of int
        First round and the one after the last.
    headers : mapping of str to str
        What a column holds to its header, in the order of the table.
    statuses : tuple of str
        Words for alive, no live tissue, dead confirmed, not found, not visited.
    stages : tuple of str
        Words for none, founding queen, incipient, patrolling, established.
    not_looked : str
        What stands in the ant's columns if nobody looked.
    delimiter, decimal : str
        A workbook has no delimiter.
    dates : str
        Form of the dates, as mappings write it.
    metres : bool
        Heights in metres instead of centimetres.
    letter : str
        With which the numbers of its lines begin.
    """

    file: str
    rounds: tuple[int, int]
    headers: Mapping[str, str]
    statuses: tuple[str, str, str, str, str]
    stages: tuple[str, str, str, str, str]
    not_looked: str
    delimiter: str
    decimal: str
    dates: str
    metres: bool
    letter: str


_FIRST = {
    "line": "line", "round": "round", "block": "block", "no": "plant", "tag": "tag", "date": "date", "observer": "obs",
    "status": "state", "height": "height_cm", "basal": "diam_mm", "leaves": "leaves", "domatia": "thorns",
    "light": "light_pct", "looked": "looked", "ant": "ant", "stage": "stage", "again": "repeat of", "note": "remark",
}  # fmt: skip
_SECOND = {
    "line": "Line", "block": "Plot", "no": "No", "round": "Rd", "date": "Day", "observer": "Who", "status": "Status",
    "height": "Ht (m)", "basal": "Basal", "leaves": "Lvs", "domatia": "Domatia", "light": "Openness",
    "ant": "Ant", "stage": "Colony", "again": "Rep. of line", "note": "Notes",
}  # fmt: skip
_THIRD = {
    "line": "sheet line", "date": "date of visit", "block": "block name", "no": "nr.", "round": "census",
    "observer": "observer",
    "status": "found?", "ant": "ant species", "stage": "ant stage", "height": "h", "basal": "d",
    "domatia": "n domatia", "leaves": "n leaves", "light": "sky %", "again": "second measure of", "note": "comments",
}  # fmt: skip


def hands(spec: Spec) -> tuple[Hand, Hand, Hand]:
    """Give the three hands; each writes about a third of the rounds."""
    cut = (-(-spec.rounds // 3), -(-2 * spec.rounds // 3))
    year = spec.start.year
    return (
        Hand(
            file=f"census_{year}.csv", rounds=(0, cut[0]), headers=_FIRST,
            statuses=("ok", "dry?", "dead", "nf", "-"), stages=("0", "queen", "small colony", "patrol", "full"),
            not_looked="", delimiter=",", decimal=".", dates="dd/mm/yyyy", metres=False, letter="a",
        ),
        Hand(
            file=f"visits {year + 1}.csv", rounds=(cut[0], cut[1]), headers=_SECOND,
            statuses=("A", "D?", "D", "NF", "-"), stages=("0", "q", "inc", "pat", "est"),
            not_looked="nl", delimiter=";", decimal=",", dates="yyyy-mm-dd", metres=True, letter="b",
        ),
        Hand(
            file=f"census_{year + 2}_{(year + 3) % 100:02d}.xlsx", rounds=(cut[1], spec.rounds), headers=_THIRD,
            statuses=("yes", "dry", "dead", "no", "-"),
            stages=("none", "founding queen", "incipient", "patrolling", "established"),
            not_looked="not checked", delimiter="", decimal=".", dates="yyyy-mm-dd", metres=False, letter="c",
        ),
    )  # fmt: skip


def initials(spec: Spec) -> Mapping[str, str]:
    """Give initials to full names."""
    return {"".join(w[0] for w in p.replace("-", " ").split()[:2]): p for p in spec.crew.people}
