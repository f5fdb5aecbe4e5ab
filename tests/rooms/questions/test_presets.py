"""No effect, and ants that do harm, come out as such from whole simulated studies with known truth."""

from functools import cache

import pytest

from domatia.lifecycle import PRESETS, observe
from domatia.model import Answer, Ask, StudyData
from domatia.questions import answer

pytestmark = pytest.mark.slow

ASK = Ask(draws=2, only_effects=True)


@cache
def study(preset: str, seed: int) -> StudyData:
    """Simulate a study of a preset."""
    return observe(PRESETS[preset], seed)


def told(preset: str, code: str, seed: int = 3) -> Answer:
    """Ask it."""
    return answer(code, study(preset, seed), ASK)


def test_ants_that_help_make_removal_costly() -> None:
    """By default removal plants die faster, grow less and lose more leaf than sham plants."""
    survival, growth, damage = (told("default", c).effects[0] for c in ("survival", "growth", "damage"))
    assert survival.low > 1
    assert growth.high < 0
    assert damage.low > 0


def test_ants_that_do_harm_make_removal_a_gain() -> None:
    """With harmful ants the signs turn, and the sentences say so."""
    survival, growth, damage = (told("harm", c) for c in ("survival", "growth", "damage"))
    assert survival.effects[0].high < 1
    assert growth.effects[0].low > 0
    assert damage.effects[0].high < 0
    assert "more than sham plants" in growth.sentence.replace("a year more than", "more than")


@pytest.mark.parametrize("code", ["survival", "growth", "damage"])
def test_no_effect_is_said_as_no_difference(code: str) -> None:
    """Where ants do nothing, most of five studies show no difference (each misses with 1 chance in 20)."""
    null = 1.0 if code == "survival" else 0.0
    answers = [told("no_effect", code, seed) for seed in range(11, 16)]
    held = [a.effects[0].low <= null <= a.effects[0].high for a in answers]
    assert sum(held) >= 4
    for a, holds in zip(answers, held, strict=True):
        assert a.sentence.lower().startswith("no difference") == holds, a.sentence
