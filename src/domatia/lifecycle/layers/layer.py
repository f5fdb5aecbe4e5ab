"""A layer of the invented study: what a crew records beside the census, and what is true of it."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from domatia.lifecycle.notebook import Notebook
from domatia.lifecycle.spec import Spec
from domatia.lifecycle.streams import Purpose, stream
from domatia.lifecycle.true_value import TrueValue


@dataclass(frozen=True)
class Layer:
    """What some questions read beside the census.

    Attributes
    ----------
    code : str
        Name of the layer and of its table; more than one record kind adds the kind to the name.
    number : int
        Place of its stream of random numbers; it never changes, since results hang on it.
    questions : tuple of str
        Codes of the questions that read it.
    draw : callable
        `draw(book, rng)` gives rows by record kind. Columns are fields of that kind. A link to a plant is the plant's
        slot, a link to a taxon its place in `spec.ants` (null for none), a link to any other thing its name. A date
        or an instant is one column: `Date` where the day is known, `Datetime` (UTC) for an instant. null is a blank.
        Plants beside those of the census are rows of the kind "plant" with a column `name`, BLOCK/NUMBER, which links
        to them then hold in the place of a slot. Rows of visits may hold `occupancy.looked`, `occupancy.taxon` and
        `occupancy.stage`.
    truth : callable
        `truth(spec, seed)` gives the true value of each effect that the questions name.
    """

    code: str
    number: int
    questions: tuple[str, ...]
    draw: Callable[[Notebook, np.random.Generator], Mapping[str, pl.DataFrame]]
    truth: Callable[[Spec, int], Iterable[TrueValue]]

    def rows(self, book: Notebook) -> Mapping[str, pl.DataFrame]:
        """Draw the rows of a study; the same study gives the same rows."""
        return self.draw(book, stream(book.seed, book.replicate, Purpose.LAYERS, self.number))
