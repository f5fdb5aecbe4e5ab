"""What a look sees of something that happened since the look before."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import linalg

from domatia.stats.arrays import Floats, Ints
from domatia.stats.competing import CompetingRows, competing_hazards
from domatia.stats.hidden_moves import move_intensities, seen_after, state_after, unmoved_chances

IN, OUT, GAP = 0.8, 1.5, 0.5
TWO = np.array([[-IN, IN], [OUT, -OUT]])
SEEN_HELD = IN / (IN + OUT) * (1.0 - np.exp(-(IN + OUT) * GAP))
FOUR = np.array([[-1.3, 0.7, 0.4, 0.2], [0.9, -1.5, 0.5, 0.1], [0.3, 0.2, -0.9, 0.4], [0.0, 0.0, 0.0, 0.0]])


def outcomes(chance: Floats, rows: int) -> Ints:
    """Give outcomes in the proportions of their chances."""
    return np.repeat(np.arange(len(chance)), np.rint(chance * rows).astype(np.int64))


def rows_of(cause: Ints, shown: Floats | None) -> CompetingRows:
    """Give steps of one length with these ends."""
    n = len(cause)
    many = None if shown is None else np.repeat(shown[None], n, axis=0)
    return CompetingRows(np.zeros(n), np.full(n, GAP), cause, np.zeros((n, 0)), np.arange(n) % 50, many)


def test_two_states_have_the_textbook_chance() -> None:
    """Vacant and held with constant rates: first taken, then seen held, is rate / sum (1 - exp(-sum t))."""
    shown = seen_after(TWO, np.array([GAP]))[0]
    assert_allclose(-np.expm1(-IN * GAP) * shown[1, 1], SEEN_HELD, rtol=1e-12)


def test_what_first_happened_and_what_followed_make_the_matrix_exponential() -> None:
    """With four states the chances of first moves, shown through what may follow, are those of the whole chain."""
    first = -np.expm1(FOUR[0, 0] * GAP) * FOUR[0, 1:] / -FOUR[0, 0]
    whole = np.append(np.exp(FOUR[0, 0] * GAP), first)
    assert_allclose(whole @ seen_after(FOUR, np.array([0.2, GAP]))[1], linalg.expm(FOUR * GAP)[0], rtol=1e-11)


def test_plants_lost_again_between_looks_do_not_lower_the_rate() -> None:
    """The rate of taking comes out as it is; taken at face value, looks give the lower rate of the closed form."""
    cause = outcomes(np.array([1.0 - SEEN_HELD, SEEN_HELD]), 1_000_000)
    seen = competing_hazards(rows_of(cause, seen_after(TWO, np.array([GAP]))[0]), np.zeros(0))
    blind = competing_hazards(rows_of(cause, None), np.zeros(0))
    assert_allclose(seen.baseline.estimate, IN, rtol=1e-5)
    assert_allclose(blind.baseline.estimate, -np.log(1.0 - SEEN_HELD) / GAP, rtol=1e-5)
    assert float(blind.baseline.estimate[0, 0]) < 0.8 * IN


def test_two_ants_and_death_come_out_with_their_rates() -> None:
    """Lost, taken over and dead between looks: all three rates out of the free state are found again."""
    cause = outcomes(linalg.expm(FOUR * GAP)[0], 100_000)
    fit = competing_hazards(rows_of(cause, seen_after(FOUR, np.array([GAP]))[0]), np.zeros(0))
    assert_allclose(fit.baseline.estimate[:, 0], FOUR[0, 1:], rtol=2e-4)


def test_scores_and_information_through_what_is_shown() -> None:
    """The standard error is that of a binomial share carried over to the rate by the delta method."""
    cause = outcomes(np.array([1.0 - SEEN_HELD, SEEN_HELD]), 20_000)
    fit = competing_hazards(rows_of(cause, seen_after(TWO, np.array([GAP]))[0]), np.zeros(0), kind="model")
    shown = seen_after(TWO, np.array([GAP]))[0, 1, 1]
    slope = shown * GAP * np.exp(-IN * GAP)
    assert_allclose(fit.baseline.se, np.sqrt(SEEN_HELD * (1 - SEEN_HELD) / len(cause)) / slope, rtol=1e-3)


@pytest.mark.parametrize("shape", [(4, 2, 3), (3, 2, 2)])
def test_chances_of_the_wrong_shape_are_refused(shape: tuple[int, ...]) -> None:
    """One table a row, with a line and a column for each outcome, or an error that says so."""
    rows = CompetingRows(
        np.zeros(4), np.ones(4), np.array([0, 1, 0, 1]), np.zeros((4, 0)), None, np.full(shape, 1.0 / shape[-1])
    )
    with pytest.raises(ValueError, match="shown has shape"):
        competing_hazards(rows)


def test_intensities_come_back_from_pairs_of_looks() -> None:
    """From pairs in the proportions of the matrix exponential the intensities are found, death never left."""
    chance = linalg.expm(FOUR * GAP)
    after = [outcomes(row, 200_000) for row in chance[:3]]
    before = np.repeat(np.arange(3), [len(a) for a in after])
    found = move_intensities(before, np.concatenate(after), np.full(len(before), GAP), 4)
    assert_allclose(found, FOUR, atol=2e-3)


def test_nothing_begun_means_nothing_left() -> None:
    """Without pairs no state is ever left, and what happened is what is seen."""
    none = np.zeros(0, np.int64)
    assert_allclose(seen_after(move_intensities(none, none, np.zeros(0), 3), np.array([1.0]))[0], np.eye(3))


def test_removals_that_failed_are_counted() -> None:
    """Of two ants' plants 5 % keep their ant, the others get anyone: the mixture's share comes back."""
    kept = state_after(FOUR, np.array([GAP]))[0]
    common = np.array([0.9, 0.03, 0.02, 0.05])
    seen = [outcomes(0.05 * kept[k] + 0.95 * common, 100_000) for k in (1, 2)]
    unmoved = np.repeat(kept[[1, 2]], [len(s) for s in seen], axis=0)
    assert unmoved_chances(np.concatenate(seen), unmoved).mean() == pytest.approx(0.05, abs=2e-3)


def test_a_weight_counts_as_so_many_rows() -> None:
    """Rows of weight one half, given twice, are rows of weight one; a weight above 1 is refused."""
    once = rows_of(outcomes(np.array([0.7, 0.2, 0.1]), 500), None)
    twice = rows_of(np.repeat(np.asarray(once.cause), 2), None)
    half = replace(twice, weight=np.full(len(twice.start), 0.5))
    one, other = (competing_hazards(r, np.zeros(0), kind="model") for r in (once, half))
    assert_allclose(other.parameters, one.parameters, rtol=1e-9)
    assert_allclose(other.baseline.se, one.baseline.se, rtol=1e-6)
    assert other.log_likelihood == pytest.approx(one.log_likelihood)
    with pytest.raises(ValueError, match="weight has shape"):
        competing_hazards(replace(once, weight=np.full(500, 1.5)))
