"""Competing ends, hazards and ordered responses of trials, against other programs and a paper.

Grades: reference/intruders is another program's output (R 4.2.2, survival 3.5-3, ordinal 2022.11-16).
"""

import csv
from pathlib import Path

import numpy as np
import pytest

from domatia.stats.cox import cox
from domatia.stats.cumulative_logit import cumulative_logit
from domatia.stats.incidence import incidence, influences
from domatia.stats.weibull import weibull

TRIALS = Path(__file__).parents[2] / "reference" / "intruders" / "trials.csv"
KEYS = ("plant", "seconds", "cause", "response")

AALEN_JOHANSEN = {
    "a": (
        (100, 0.674074074074, 0.125925925926, 0.200000000000, 0.0526766653510, 0.0632455532034),
        (300, 0.460774410774, 0.231986531987, 0.307239057239, 0.0679077406621, 0.0740805013404),
        (600, 0.254743236561, 0.263829436557, 0.481427326882, 0.0720845816963, 0.0827876210925),
    ),
    "b": (
        (100, 0.697500000000, 0.176666666667, 0.125833333333, 0.0606347596192, 0.0526383208706),
        (300, 0.348750000000, 0.471762820513, 0.179487179487, 0.0809870168428, 0.0615665736112),
        (600, 0.000000000000, 0.661990093240, 0.338009906760, 0.0793715900564, 0.0793715900564),
    ),
    "c": (
        (100, 0.423529411765, 0.400000000000, 0.176470588235, 0.0774596669241, 0.0605793321641),
        (300, 0.105882352941, 0.691176470588, 0.202941176471, 0.0740771124123, 0.0641295305009),
        (600, 0.000000000000, 0.770588235294, 0.229411764706, 0.0671991338521, 0.0671991338521),
    ),
}
"""Time, nothing yet, excluded, left, and the standard errors of the last two: R survival."""

BY_PLANT = {
    "a": (
        (100, 0.0395346452801, 0.0774596669241),
        (300, 0.0678179442642, 0.0857074967866),
        (600, 0.0864260213458, 0.1006153874923),
    ),
    "b": (
        (100, 0.0635895402533, 0.0641053458798),
        (300, 0.0601793321196, 0.0623466692611),
        (600, 0.0988880545541, 0.0988880545541),
    ),
    "c": (
        (100, 0.0724568837309, 0.0510836404312),
        (300, 0.0673588316268, 0.0473383718024),
        (600, 0.0550224421441, 0.0550224421441),
    ),
}
"""Time and the same errors, trials of a plant summed: R survival."""


@pytest.fixture(scope="module")
def trials() -> dict[str, np.ndarray]:
    """Read the invented trials."""
    with TRIALS.open(encoding="utf-8") as file:
        read = list(csv.DictReader(file))
    found = {k: np.array([int(r[k]) for r in read]) for k in KEYS}
    return {**found, "group": np.array([r["group"] for r in read])}


def dummies(trials: dict[str, np.ndarray]) -> np.ndarray:
    """Give a column each for the groups b and c."""
    return np.column_stack([(trials["group"] == g).astype(float) for g in "bc"])


@pytest.mark.parametrize("group", "abc")
def test_chances_and_clustered_errors_are_those_of_r(trials: dict[str, np.ndarray], group: str) -> None:
    """Aalen-Johansen chances and infinitesimal-jackknife errors at three times (survival::survfit)."""
    own = trials["group"] == group
    stop, cause, plant = trials["seconds"][own].astype(float), trials["cause"][own], trials["plant"][own]
    found = incidence(stop, cause, 2)
    for when, none, excluded, left, se_excluded, se_left in AALEN_JOHANSEN[group]:
        assert found.at(np.array([float(when)]))[0] == pytest.approx([excluded, left], abs=1e-11)
        assert 1 - found.at(np.array([float(when)]))[0].sum() == pytest.approx(none, abs=1e-11)
        each = influences(stop, cause, 2, float(when))
        assert each.sum(axis=0) == pytest.approx([0.0, 0.0], abs=1e-12)
        assert np.sqrt((each**2).sum(axis=0)) == pytest.approx([se_excluded, se_left], rel=1e-10)
    for when, *errors in BY_PLANT[group]:
        each = influences(stop, cause, 2, float(when))
        summed = np.stack([each[plant == p].sum(axis=0) for p in np.unique(plant)])
        assert np.sqrt((summed**2).sum(axis=0)) == pytest.approx(errors, rel=1e-10)


def test_hazards_and_times_are_those_of_r(trials: dict[str, np.ndarray]) -> None:
    """Cox with Efron ties and errors clustered by plant (coxph), Weibull times (survreg)."""
    stop, out = trials["seconds"].astype(float), trials["cause"] == 1
    fit = cox(np.zeros(len(stop)), stop, out, dummies(trials), trials["plant"], kind="CR0")
    assert fit.coefficients.estimate == pytest.approx([1.26074800507, 2.03409752448], abs=1e-8)
    assert fit.coefficients.se == pytest.approx([0.364569689542, 0.362898780710], rel=1e-8)
    times = weibull(stop, np.where(out, stop, np.inf), dummies(trials))
    assert times.coefficients.estimate == pytest.approx([6.940586630527, -1.166541471329, -1.899567243517], abs=1e-6)
    assert times.scale.estimate[0] == pytest.approx(0.943692395962, abs=1e-6)
    assert times.log_likelihood == pytest.approx(-423.692442577362, abs=1e-8)


def test_ordered_responses_are_those_of_r(trials: dict[str, np.ndarray]) -> None:
    """The cumulative logit without random effects (ordinal::clm)."""
    fit = cumulative_logit(trials["response"], dummies(trials), kind="model")
    assert fit.coefficients.estimate == pytest.approx([1.062935188922, 1.697785130903], abs=1e-8)
    assert fit.coefficients.se == pytest.approx([0.412408223136, 0.419392942162], rel=1e-7)
    assert fit.thresholds == pytest.approx([-1.072838664609, 0.220072839759, 1.018466063274, 2.217779684748], abs=1e-8)
    assert fit.log_likelihood == pytest.approx(-181.903675873, abs=1e-8)
