"""A smoke test of the calibration: twenty small simulated studies, answered in memory by the study's own questions.

The full run is `python -m bench calibrate` (200 studies of full size); its table stands in `docs/why/calibration.md`.
"""

import statistics

import pytest
from bench.calibrate import Row, calibrate, truths_of

from domatia.lifecycle import PRESETS

SEEDS = range(1, 21)
PLANTS = 60_000


def rows_of(preset: str, codes: tuple[str, ...], *, ignore_blocks: bool = False) -> list[Row]:
    """Calibrate small studies of one preset."""
    spec = PRESETS[preset].sized(16, 60)
    return calibrate(spec, codes, SEEDS, truths_of(spec, PLANTS), ignore_blocks=ignore_blocks)


def coverage(rows: list[Row], *names: str) -> float:
    """Mean coverage of the effects of these names, of all if none are given."""
    return statistics.mean(r.coverage for r in rows if not names or r.effect.split("/")[1] in names)


@pytest.mark.slow
@pytest.mark.parametrize("code", ["survival", "growth", "damage", "founding", "takeover"])
def test_intervals_hold_the_counted_truth_about_as_often_as_they_say(code: str) -> None:
    """Over all effects of a question, 95 % intervals hold the truth in 86 to 100 of 100 cases (20 studies only)."""
    rows = rows_of("default", (code,))
    assert len(rows) >= 3
    assert 0.86 <= coverage(rows) <= 1.0


@pytest.mark.slow
def test_an_analysis_that_ignores_blocks_fails() -> None:
    """Intervals for the survival of an arm that ignore blocks hold the truth less often, with errors too small."""
    levels = ("survival_1y",)
    honest, blind = rows_of("default", ("survival",)), rows_of("default", ("survival",), ignore_blocks=True)
    assert coverage(blind, *levels) < coverage(honest, *levels)
    pairs = [(b, h) for b, h in zip(blind, honest, strict=True) if b.effect.split("/")[1] in levels]
    assert statistics.mean(b.error_ratio / h.error_ratio for b, h in pairs) < 0.92


@pytest.mark.slow
def test_no_effect_comes_out_as_no_effect_and_harm_as_harm() -> None:
    """Where ants do nothing the intervals hold 1 and 0; where they harm, plants without them live longer."""
    nothing = {r.effect: r for r in rows_of("no_effect", ("survival", "growth"))}
    for key, null in (("survival/hazard_ratio/removal/sham/all", 1.0), ("growth/rgr_difference/removal/sham/all", 0.0)):
        assert nothing[key].truth == pytest.approx(null, abs=0.02)
        assert nothing[key].coverage >= 0.8
    harm = {r.effect: r for r in rows_of("harm", ("survival", "growth"))}
    ratio = harm["survival/hazard_ratio/removal/sham/all"]
    assert ratio.truth < 0.9
    assert ratio.bias == pytest.approx(0.0, abs=0.15)
    assert harm["growth/rgr_difference/removal/sham/all"].truth > 0.03
