"""Our values beside printed ones and those of other programs: `python -m bench concordance [CODE ...]`.

One file a question, each with `rows()`, listed in `gathered`. A value agrees if it equals the source to the digits that
the source prints; where it does not, the row says why.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Row:
    """One value.

    Attributes
    ----------
    question : str
    what : str
        The value in words, with the data it is of.
    command : str
        How to get ours: a function call or a command.
    ours, theirs : float
    digits : int
        Digits after the decimal point to which the source prints it.
    source : str
        Publication or other program, with version.
    reason : str
        Why ours is outside the printed digits; empty if it is not.
    """

    question: str
    what: str
    command: str
    ours: float
    theirs: float
    digits: int
    source: str
    reason: str = ""

    @property
    def agrees(self) -> bool:
        """Whether ours equals the source to its printed digits."""
        return math.isfinite(self.ours) and abs(self.ours - self.theirs) <= 0.5000001 * 10.0**-self.digits


def table(rows: Sequence[Row]) -> str:
    """Write the rows as text: one line a value, then why where it does not agree."""
    lines = []
    for r in rows:
        mark = "same" if r.agrees else ("differs" if r.reason else "DIFFERS WITHOUT A REASON")
        shown = f"{r.ours:.{r.digits}f}", f"{r.theirs:.{r.digits}f}"
        lines.append(f"{r.question:<13} {r.what:<62} ours {shown[0]:>16}  source {shown[1]:>16}  {mark}")
        lines.append(f"{'':<13} {r.command}; {r.source}" + (f"; {r.reason}" if r.reason else ""))
    wrong = sum(not r.agrees and not r.reason for r in rows)
    lines.append(
        f"{len(rows)} values, {sum(r.agrees for r in rows)} the same to the printed digits, {wrong} unexplained"
    )
    return "\n".join(lines)
