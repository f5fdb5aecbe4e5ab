"""Wrong use of the tool: the one family of exceptions that a user meets."""

from collections.abc import Iterable
from difflib import get_close_matches


class WrongUse(Exception):
    """Something was asked that cannot be done.

    Wrong *data* is never an exception but a `domatia.model.finding.Finding`.

    Parameters
    ----------
    asked : str
        What was asked, in the user's own words where possible.
    allowed : str or iterable of str
        What is allowed instead: a phrase, or the allowed names (near ones are picked out by itself).
    next_step : str
        What to do next, as a full sentence.
    name : str, optional
        The one name that was wrong, to look for near ones among `allowed`.
    """

    def __init__(self, asked: str, allowed: str | Iterable[str] = "", next_step: str = "", name: str = "") -> None:
        names = [allowed] if isinstance(allowed, str) else sorted(allowed)
        self.asked = asked
        self.allowed = ", ".join(n for n in names if n)
        self.near = (
            tuple(get_close_matches(name, names, n=3, cutoff=0.6)) if name and not isinstance(allowed, str) else ()
        )
        self.next_step = next_step
        super().__init__(self._text())

    def _text(self) -> str:
        parts = [self.asked.rstrip(".") + "."]
        if self.near:
            parts.append(f"Did you mean {' or '.join(self.near)}?")
        if self.allowed:
            parts.append(f"Allowed: {self.allowed}.")
        if self.next_step:
            parts.append(self.next_step)
        return " ".join(parts)


class CannotOpen(WrongUse):
    """A study file or an input file cannot be opened or read."""


class NewerFormat(CannotOpen):
    """The study was written by a newer version of the tool and is left untouched."""


class StudyIsBusy(WrongUse):
    """Another program is writing to the study."""
