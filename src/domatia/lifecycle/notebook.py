"""Everything that a virtual crew wrote, beside what truly happened."""

from dataclasses import dataclass

from domatia.lifecycle.crew import Visits, visit_plants
from domatia.lifecycle.handling import Interventions, Tags, handle_plants, tag_plants
from domatia.lifecycle.leaf_scores import LeafScores, score_leaves
from domatia.lifecycle.life import Life, simulate
from domatia.lifecycle.spec import Spec
from domatia.model.identity import named_id


@dataclass(frozen=True)
class Notebook:
    """One study that was lived through, and what the crew wrote of it."""

    spec: Spec
    seed: int
    replicate: int
    life: Life
    visits: Visits
    handled: Interventions
    tags: Tags
    leaves: LeafScores

    @property
    def study_id(self) -> bytes:
        """The id of this simulated study."""
        return named_id(b"", "study", f"{self.spec.name}|{self.seed}|{self.replicate}")


def keep_notebook(spec: Spec, seed: int, replicate: int = 0) -> Notebook:
    """Live through a study and let the crew write it down."""
    life = simulate(spec, seed, replicate)
    key = (seed, replicate)
    return Notebook(
        spec=spec,
        seed=seed,
        replicate=replicate,
        life=life,
        visits=visit_plants(spec, life, *key),
        handled=handle_plants(spec, life, *key),
        tags=tag_plants(spec, life, *key),
        leaves=score_leaves(spec, life, *key),
    )
