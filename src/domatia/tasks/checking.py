"""Running the checks, and settling what they found."""

import sys
from dataclasses import dataclass

from domatia.checks import ALL
from domatia.model import Check, Finding, WrongUse
from domatia.tasks.opening import Tick, findings_of, reading, silent, writing


@dataclass(frozen=True)
class Checked:
    """What the checks found.

    Attributes
    ----------
    open, settled : tuple of Finding
    """

    open: tuple[Finding, ...]
    settled: tuple[Finding, ...]


def every_check() -> tuple[Check, ...]:
    """Give all checks."""
    return ALL


def check_study(where: str, only: tuple[str, ...] = (), tick: Tick = silent) -> Checked:
    """Run the checks on a study.

    Parameters
    ----------
    where : str
    only : tuple of str
        Codes of the checks wanted; all if empty.
    tick : callable
    """
    with reading(where) as study:
        tick("reading the study", 0, 2)
        data = study.read()
    tick("checking", 1, 2)
    found = findings_of(data, only)
    tick("done", 2, 2)
    wanted = found if not only else tuple(tuple(f for f in part if f.code in only) for part in found)
    return Checked(*wanted)


def manual_of(code: str) -> str:
    """Give the manual page of a check.

    Raises
    ------
    WrongUse
        If there is no such check.
    """
    for check in ALL:
        if check.code == code:
            return sys.modules[check.run.__module__].__doc__ or check.title
    raise WrongUse(f"There is no check {code!r}", [c.code for c in ALL], name=code)


def settle(where: str, keys: tuple[str, ...], decision: str, author: str) -> tuple[Finding, ...]:
    """Settle findings with a reason; they stay settled until their values change.

    Parameters
    ----------
    where : str
    keys : tuple of str
        Keys of the findings as `check` prints them, or the first digits of them.
    decision : str
        What was decided, and why.
    author : str
        Who decided.

    Returns
    -------
    tuple of Finding
        Those that were settled.

    Raises
    ------
    WrongUse
        If there is no reason, or a key names no open finding or more than one.
    """
    if not decision.strip():
        raise WrongUse("A finding is settled with a reason", next_step="Give one with --why.")
    checked = check_study(where)
    chosen: list[Finding] = []
    wrong: list[str] = []
    for key in keys:
        fitting = [f for f in checked.open if f.key.startswith(key)]
        if len(fitting) == 1:
            chosen += fitting
        else:
            wrong.append(f"{key} ({len(fitting)} open findings)")
    if wrong:
        raise WrongUse(
            f"No single open finding is called {', '.join(wrong)}",
            next_step="`domatia check` prints the keys of the open findings.",
        )
    with writing(where) as study:
        for f in chosen:
            values = {"check": f.code, "finding": f.key, "decision": decision, "found": f.found}
            study.add("settlement", values, author=author, why=decision)
    return tuple(chosen)
