"""The rows of every question."""

from collections.abc import Callable, Iterable

from bench.concordance import (
    Row,
    associates,
    brood,
    clearance,
    fights,
    intruders,
    light,
    palatability,
    patrol,
    pattern,
    reproduction,
    resprout,
    rewards,
    synthesis,
)

ROWS: dict[str, Callable[[], list[Row]]] = {
    "associates": associates.rows,
    "brood": brood.rows,
    "clearance": clearance.rows,
    "fights": fights.rows,
    "intruders": intruders.rows,
    "light": light.rows,
    "palatability": palatability.rows,
    "patrol": patrol.rows,
    "pattern": pattern.rows,
    "reproduction": reproduction.rows,
    "resprout": resprout.rows,
    "rewards": rewards.rows,
    "synthesis": synthesis.rows,
}
"""By question."""


def all_rows(codes: Iterable[str] = ()) -> list[Row]:
    """Gather the rows of these questions, of all of them if none are given."""
    wanted = set(codes)
    return [r for code, rows in ROWS.items() if not wanted or code in wanted for r in rows()]
