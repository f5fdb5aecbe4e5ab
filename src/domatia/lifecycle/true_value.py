"""One true effect of an invented study, named as the question's effect is."""

from dataclasses import dataclass


@dataclass(frozen=True)
class TrueValue:
    """One true effect, named as the question's effect is.

    Attributes
    ----------
    question, name, of, against, where : str
    value : float
    unit : str
    """

    question: str
    name: str
    of: str
    against: str
    where: str
    value: float
    unit: str

    @property
    def key(self) -> str:
        """Question, name, of, against and where, joined by a stroke."""
        return "/".join((self.question, self.name, self.of, self.against, self.where))
