"""What the crew of the invented study records beside the census: one file a layer."""

from collections.abc import Collection

from domatia.lifecycle.layers.associates import ASSOCIATES
from domatia.lifecycle.layers.brood import BROODS
from domatia.lifecycle.layers.feeding import FEEDING
from domatia.lifecycle.layers.fights import FOUGHT
from domatia.lifecycle.layers.fruiting import FRUITING
from domatia.lifecycle.layers.ground import GROUND
from domatia.lifecycle.layers.layer import Layer
from domatia.lifecycle.layers.light import LIGHT
from domatia.lifecycle.layers.patrols import PATROLS
from domatia.lifecycle.layers.pattern import PATTERNS
from domatia.lifecycle.layers.published import PUBLISHED
from domatia.lifecycle.layers.rewards import REWARDS
from domatia.lifecycle.layers.stumps import CUT_PLANTS
from domatia.lifecycle.layers.trials import TRIALS

ALL: tuple[Layer, ...] = (
    FRUITING,
    GROUND,
    FOUGHT,
    PATROLS,
    REWARDS,
    CUT_PLANTS,
    PUBLISHED,
    BROODS,
    PATTERNS,
    TRIALS,
    FEEDING,
    LIGHT,
    ASSOCIATES,
)
"""Every layer, in the order in which its tables are brought in."""


def read_by(questions: Collection[str] | None) -> tuple[Layer, ...]:
    """Give the layers that these questions read; all of them for None."""
    return tuple(layer for layer in ALL if questions is None or set(layer.questions) & set(questions))


__all__ = ["ALL", "Layer", "read_by"]
