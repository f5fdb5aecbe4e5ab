"""Continuous-time multi-state Markov models from panel data: what other rooms call.

A subject moves between states in continuous time and is seen only at visits. `allow_moves` says which moves are
possible, `fit_multistate` estimates their intensities (with covariates, exactly dated or only bracketed entry into a
final state, and visits whose state is only known to be one of several), and the summaries turn them into transition
matrices, mean stays, hazard ratios and long-run shares; `transition_table` and `prevalence` hold the model against
what was seen.

Sources: Kalbfleisch and Lawless (1985), Journal of the American Statistical Association 80: 863–871; Jackson (2011),
Journal of Statistical Software 38(8). Not covered: states read with error, intensities that depend on the time spent in
a state, random effects.
"""

from domatia.stats.multistate_check import Prevalence, TransitionTable, prevalence, transition_table
from domatia.stats.multistate_fit import MultistateFit, fit_multistate, log_likelihood
from domatia.stats.multistate_identify import Loose
from domatia.stats.multistate_pattern import Effects, Panel, Pattern, allow_moves, effects_on, effects_on_all
from domatia.stats.multistate_split import split_at
from domatia.stats.multistate_summary import (
    LongRun,
    MoveTable,
    StateTable,
    draw_coefficients,
    hazard_ratios,
    intensities,
    interval_by_draws,
    long_run,
    mean_stay,
    next_state,
    occupancy,
    transition_matrix,
)

__all__ = [
    "Effects",
    "LongRun",
    "Loose",
    "MoveTable",
    "MultistateFit",
    "Panel",
    "Pattern",
    "Prevalence",
    "StateTable",
    "TransitionTable",
    "allow_moves",
    "draw_coefficients",
    "effects_on",
    "effects_on_all",
    "fit_multistate",
    "hazard_ratios",
    "intensities",
    "interval_by_draws",
    "log_likelihood",
    "long_run",
    "mean_stay",
    "next_state",
    "occupancy",
    "prevalence",
    "split_at",
    "transition_matrix",
    "transition_table",
]
