"""Plants and colonies month by month, and the crew that visits them; counts its own truth."""

from domatia.lifecycle.crew_table import CrewTable
from domatia.lifecycle.life import digest
from domatia.lifecycle.messy import messy_tables
from domatia.lifecycle.observe import observe
from domatia.lifecycle.spec import DEFAULT, PRESETS, Spec
from domatia.lifecycle.study_lists import PROFILE_TEXT
from domatia.lifecycle.true_value import TrueValue
from domatia.lifecycle.truth import truth

__all__ = [
    "DEFAULT", "PRESETS", "PROFILE_TEXT", "CrewTable", "Spec", "TrueValue", "digest", "messy_tables", "observe",
    "truth",
]  # fmt: skip
